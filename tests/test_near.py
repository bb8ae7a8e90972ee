"""Near-cheapest choices: what the premium buys, against every subset of lots or a linear program solved by scipy."""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import linprog

from constraints.as_typed import BadInput, weight
from optimizer.answer import Answer
from optimizer.near import near_cheapest
from optimizer.order import Asked, Near, Wish, order_of, wish_named
from optimizer.pages.chart import near_html as html
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

DAY, CHANCE = date(2026, 11, 25), date(2026, 11, 30)
KG, WITHIN, DIVISION = 30.0, 0.025, 0.05


class Larder:
    """Six lots, some of them dying before the next chance, and a band of fat."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        self.stock = np.array([draw.randint(8, 30) for _ in range(6)], float)
        self.fat = np.array(
            [draw.choice([5, 12, 19]) for _ in range(3)] + [draw.choice([40, 60, 80]) for _ in range(3)]
        )
        self.price = np.array([draw.randint(10, 90) / 10 for _ in range(6)])
        self.dies = np.array([draw.random() < 0.4 for _ in range(6)])
        self.low, self.high = 20.0, 30.0

    def problem(self, *, chance: bool, mixer: str = "") -> Problem:
        text = f"name: x\nrequire:\n  - fat: {{min_pct: {self.low}, max_pct: {self.high}}}\n{mixer}"
        recipe = parse_recipe(text, "r.yaml")
        rows = [
            f"L{i},{self.stock[i]:g},{self.fat[i]},{self.price[i]},{'2026-11-27' if self.dies[i] else ''}"
            for i in range(6)
        ]
        table = parse_lots("lot,on_hand_kg,fat_pct,cost_per_kg,use_by\n" + "\n".join(rows) + "\n", "l.csv")
        # the oracle knows no smallest pull: any crumb goes
        asked = Asked(next_chance=CHANCE if chance else None, smallest_pull=weight("0"), smallest_remnant=weight("0"))
        return assemble(recipe, table, order_of(recipe, "--meat-kg", Fraction(30), DAY, asked))

    def best(
        self, aim: np.ndarray, cost: np.ndarray, most: float, used: tuple[int, ...] = tuple(range(6))
    ) -> float | None:
        """The least of a figure over batches from these lots that cost at most so much."""
        rows = [self.fat - self.high, self.low - self.fat, np.ones(6), -np.ones(6), cost]
        bounds = [(0, s if i in used else 0) for i, s in enumerate(self.stock)]
        found = linprog(aim, A_ub=rows, b_ub=[0, 0, KG + WITHIN, WITHIN - KG, most], bounds=bounds)
        return float(found.fun) if found.status == 0 else None


def asked(larder: Larder, wish: Wish, premium: int) -> tuple[Answer, Near]:
    return told(larder.problem(chance=wish is Wish.MOST_DYING), wish, premium)


def told(problem: Problem, wish: Wish, premium: int) -> tuple[Answer, Near]:
    answer = near_cheapest(problem, wish, Fraction(premium))
    assert answer.near is not None
    return answer, answer.near


@pytest.mark.parametrize("seed", range(12))
def test_fewest_lots_against_every_subset(seed: int) -> None:
    larder = Larder(seed)
    answer, near = asked(larder, Wish.FEWEST_LOTS, 8)
    cheapest = larder.best(larder.price, larder.price, 1e9)
    if cheapest is None:
        assert answer.weighed is None
        return
    cap = cheapest * 1.08
    sizes = [
        size
        for size in range(1, 7)
        for used in combinations(range(6), size)
        if larder.best(larder.price, larder.price, cap, used) is not None
    ]
    assert near.steps[-1].figure in (min(sizes), min(sizes) + 1)  # one more where the scale leaves no batch of so few
    assert float(near.steps[-1].cost) <= cap + 1e-9
    figures = [step.figure for step in near.steps]
    assert figures == sorted(figures, reverse=True)
    assert float(near.cheapest) == pytest.approx(cheapest, rel=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_most_dying_against_a_linear_program(seed: int) -> None:
    larder = Larder(seed)
    answer, near = asked(larder, Wish.MOST_DYING, 10)
    worth = np.where(larder.dies, 0.0, larder.price)
    cheapest = larder.best(worth, worth, 1e9)
    if cheapest is None:
        assert answer.weighed is None
        return
    most = larder.best(np.where(larder.dies, -1.0, 0.0), worth, cheapest * 1.10 + 1e-9)
    assert most is not None
    assert float(near.steps[-1].figure) <= -most + DIVISION
    assert float(near.steps[-1].figure) >= -most - 8 * DIVISION
    assert float(near.steps[-1].cost) <= cheapest * 1.10 + 1e-9 or near.steps[-1] == near.steps[0]


@pytest.mark.parametrize("seed", range(12))
def test_the_middle_of_the_band_is_approached(seed: int) -> None:
    larder = Larder(seed)
    answer, near = asked(larder, Wish.MIDDLE, 15)
    if answer.weighed is None:
        assert larder.best(larder.price, larder.price, 1e9) is None
        return
    figures = [step.figure for step in near.steps]
    assert figures == sorted(figures, reverse=True)
    assert answer.certificate is not None and answer.certificate.feasible


@pytest.mark.parametrize("seed", range(4))
def test_several_mixer_loads_leave_the_wish_room_too(seed: int) -> None:
    """Three loads of 10 kg: a division of 50 g moves the fat of a load by a third of a point and more."""
    larder = Larder(seed)
    answer, near = told(larder.problem(chance=False, mixer="mixer_kg: 10.1\n"), Wish.MIDDLE, 20)
    _, linear = told(larder.problem(chance=False), Wish.MIDDLE, 20)
    assert answer.weighed is not None and len(answer.weighed.loads) == 3
    assert near.steps[-1].figure <= linear.steps[-1].figure + Fraction(1, 2)


def test_the_picture_holds_every_step_and_escapes_names() -> None:
    answer, near = asked(Larder(1), Wish.FEWEST_LOTS, 5)
    text = html(answer)
    assert text.count("<circle") == len(near.steps)
    assert "<script" not in text


def test_wishes_without_a_meaning_are_refused() -> None:
    with pytest.raises(BadInput, match="next chance"):
        near_cheapest(Larder(0).problem(chance=False), Wish.MOST_DYING, Fraction(1))
    with pytest.raises(BadInput, match="did you mean fewest-lots"):
        wish_named("fewest-lot")
