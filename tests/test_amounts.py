"""Kilograms of lots, a lot's own floor, ratios of groups and bands of sizes: against scipy on the raw figures."""

from __future__ import annotations

import json
import random
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from hostile_files import FILES, WORDS, run
from scipy.optimize import linprog

from constraints.as_typed import BadInput
from optimizer.answer import Status, blend
from optimizer.near import near_cheapest
from optimizer.order import Asked, Wish, order_of
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.remarks import cause
from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import layout_of

DAY = date(2026, 11, 25)
LB = 0.45359237


class Kitchen:
    """Six lots of three species with random figures, and limits in kilograms, pounds and ratios over them."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        self.species = ["pork", "pork", "beef", "beef", "lamb", "pork"]
        self.stock = [draw.randint(4, 30) for _ in self.species]
        self.fat = [draw.choice([4, 9, 15, 22, 35, 55, 80]) for _ in self.species]
        self.price = [draw.randint(10, 90) / 10 for _ in self.species]
        self.floor = [draw.choice([0, 0, 0, 1, 3]) for _ in self.species]
        self.dies = [draw.random() < 0.4 for _ in self.species]
        self.least_pork_lb, self.most_kg = draw.randint(4, 20), draw.randint(2, 12)
        self.ratio = draw.choice([0.5, 1, 2])
        self.band = draw.choice([(20, 25), (15, 40), (30, 30.5)])

    def problem(self, **asked: date) -> Problem:
        recipe = parse_recipe(
            "name: x\nrequire:\n  - fat: {min_pct: 15, max_pct: 40}\n"
            f"  - amount: {{species: pork, min_lb: {self.least_pork_lb}}}\n"
            f"  - amount: {{lot: [L2, L3], max_kg: {self.most_kg}}}\n"
            f"  - ratio: {{of: {{species: [beef, lamb]}}, to: {{species: pork}}, max: {self.ratio}}}\n",
            "r.yaml",
        )
        rows = [
            f"L{i},{self.stock[i]},{self.fat[i]},{self.price[i]},{s},{self.floor[i]},"
            f"{'2026-11-26' if self.dies[i] else '2026-12-30'}"
            for i, s in enumerate(self.species)
        ]
        head = "lot,on_hand_kg,fat_pct,cost_per_kg,species,use_at_least_kg,use_by"
        table = parse_lots("\n".join([head, *rows, ""]), "l.csv")
        low, high = (Fraction(str(kg)) for kg in self.band)
        order = order_of(recipe, "--meat-kg", low, DAY, Asked(to=high, **asked))
        return assemble(recipe, table, order)

    def solved(self, costs: list[float], dying: float | None = None) -> float | None:
        size = range(len(self.species))
        pork, beef = ([float(self.species[i] in names) for i in size] for names in (("pork",), ("beef", "lamb")))
        rows = [
            ([self.fat[i] - 40.0 for i in size], 0.0),
            ([15.0 - self.fat[i] for i in size], 0.0),
            ([-p for p in pork], -self.least_pork_lb * LB),
            ([float(i in (2, 3)) for i in size], float(self.most_kg)),
            ([b - self.ratio * p for b, p in zip(beef, pork, strict=True)], 0.0),
            ([1.0 for _ in size], float(self.band[1])),
            ([-1.0 for _ in size], -float(self.band[0])),
        ]
        if dying is not None:
            rows.append(([-float(self.dies[i]) for i in size], -dying))
        bounds = [(self.floor[i], self.stock[i]) for i in size]
        coefs, limits = [row for row, _ in rows], [limit for _, limit in rows]
        found = linprog(costs, A_ub=coefs, b_ub=limits, bounds=bounds, method="highs")
        return float(found.fun) if found.status == 0 else None


@pytest.mark.parametrize("block", range(3))
def test_the_cheapest_batch_of_a_band_with_kilograms_and_ratios(block: int) -> None:
    solved = 0
    for seed in range(40 * block, 40 * block + 40):
        kitchen = Kitchen(seed)
        problem = kitchen.problem()
        expected = kitchen.solved(kitchen.price)
        found = optimise(layout_of(problem).program, ranks_of(problem.formula.columns))
        assert bool(found.values) == (expected is not None), seed
        if expected is not None:
            assert float(found.cost) == pytest.approx(expected, rel=1e-7), seed
            solved += 1
    assert solved > 10


@pytest.mark.parametrize("seed", range(0, 40, 2))
def test_the_weighed_batch_keeps_them_too(seed: int) -> None:
    kitchen = Kitchen(seed)
    answer = blend(kitchen.problem())
    if kitchen.solved(kitchen.price) is None or answer.weighed is None:
        assert answer.status is Status.INFEASIBLE
        return
    taken = {item.name: float(kg) for item, kg in answer.weighed.total.kilograms.items()}
    kg = [taken.get(f"L{i}", 0.0) for i in range(6)]
    assert all(kg[i] >= kitchen.floor[i] for i in range(6))
    assert kitchen.band[0] <= sum(kg) <= kitchen.band[1]
    assert kg[0] + kg[1] + kg[5] >= kitchen.least_pork_lb * LB - 1e-9 and kg[2] + kg[3] <= kitchen.most_kg
    assert kg[2] + kg[3] + kg[4] <= kitchen.ratio * (kg[0] + kg[1] + kg[5]) + 1e-9


def test_as_much_is_made_as_the_dying_lots_allow() -> None:
    """Lexicographic by scipy: most of the dying lots first, then the least cost; a division a lot is the scales'."""
    seen = 0
    for seed in range(12):
        kitchen = Kitchen(seed)
        most = kitchen.solved([-float(dies) for dies in kitchen.dies])
        if most is None or not any(kitchen.dies):
            continue
        answer = near_cheapest(kitchen.problem(next_chance=date(2026, 12, 1)), Wish.MOST_DYING)
        near = answer.near
        if answer.weighed is None or near is None:
            continue
        assert 0 <= -most - float(near.steps[-1].figure) <= 16 * 0.05 * sum(kitchen.dies), seed
        cheapest = [0.0 if dies else price for dies, price in zip(kitchen.dies, kitchen.price, strict=True)]
        least = kitchen.solved(cheapest, float(near.steps[-1].figure))
        assert least is not None and answer.certificate is not None
        assert float(answer.certificate.cost) >= least - 1e-9
        seen += 1
    assert seen > 4


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("amount: {lot: A}", "a smallest or a largest weight"),
        ("amount: {lot: A, species: pork, min_kg: 1}", "exactly one of species, role, material, lot or rework"),
        ("amount: {lot: A, min_kg: 1, min_lb: 1}", "one of min_kg and min_lb"),
        ("amount: {lot: A, min_kg: 3, max_lb: 6}", "above the largest"),
        ("ratio: {of: {lot: A}, max: 2}", "'to' is missing"),
    ],
)
def test_what_makes_no_sense_is_refused(entry: str, words: str) -> None:
    with pytest.raises(BadInput) as raised:
        parse_recipe(f"name: x\nrequire:\n  - {entry}\n", "r.yaml")
    assert words in str(raised.value)


def test_a_limit_in_kilograms_is_no_fault_of_the_cooler() -> None:
    recipe = parse_recipe("name: x\nrequire:\n  - amount: {lot: [A, B], max_kg: 10}\n", "r.yaml")
    table = parse_lots("lot,on_hand_kg,fat_pct,cost_per_kg\nA,30,20,3\nB,30,30,2\n", "l.csv")
    order = order_of(recipe, "--meat-kg", Fraction(20), DAY, Asked())
    answer = blend(assemble(recipe, table, order))
    assert answer.status is Status.INFEASIBLE
    assert cause(answer).startswith("With lot A or B at most 10 kg no more than 10 kg can be made")


def test_a_ratio_of_groups_that_are_not_in_the_batch_holds_and_costs_nothing(tmp_path: Path) -> None:
    """Beef and lamb at 9 a kilogram: none goes in, at the price of the batch without the rule."""
    more = "D,10,20,9,trim,meat,beef,60,18,2026-12-03\nE,10,20,9,trim,meat,lamb,60,18,2026-12-03\n"
    (tmp_path / "more.csv").write_text(FILES["l.csv"] + more, encoding="utf-8")
    words = [word.replace("l.csv", "more.csv") for word in (*WORDS["blend"].split(), "--json")]
    old, costs = "  - meat_to_fat: {min: 1.5}\n", []
    for rule in ("", "  - ratio: {of: {species: beef}, to: {species: lamb}, min: 1, max: 2}\n"):
        done = run({"file": "r.yaml", "change": [old, old + rule], "words": words}, tmp_path)
        costs.append(json.loads(done.stdout)["cost"])
    assert costs[0] == costs[1]
