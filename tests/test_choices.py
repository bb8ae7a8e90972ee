"""Most lots, lots together, lots apart, lots to be used up: against every subset of lots solved by scipy.

The oracle tries all subsets that the rules allow and solves each with ``scipy.optimize.linprog`` on a matrix built from
the raw figures; the cheapest of them is the answer.
"""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction
from itertools import combinations

import pytest
from scipy.optimize import linprog

from optimizer.answer import Answer, Status, blend
from optimizer.order import Asked, order_of
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import layout_of

DAY = date(2026, 11, 25)
KG = 40.0
WITHIN = 0.025
DIVISION = 0.05


class Kitchen:
    """A few lots with random figures and random rules of use."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        self.names = [f"L{i}" for i in range(draw.randint(4, 7))]
        self.stock = {n: draw.randint(5, 40) for n in self.names}
        self.fat = {n: draw.choice([4, 9, 15, 22, 35, 55, 80]) for n in self.names}
        self.price = {n: draw.randint(10, 90) / 10 for n in self.names}
        self.low = draw.choice([15, 20, 25])
        self.high = self.low + draw.choice([2, 6])
        self.most = draw.choice([None, 2, 3, 4])
        self.together = draw.sample(self.names, 2) if draw.random() < 0.4 else []
        self.apart = draw.sample(self.names, 2) if draw.random() < 0.4 else []
        self.use_up = [draw.choice(self.names)] if draw.random() < 0.3 else []

    def problem(self) -> Problem:
        rules = [f"  - fat: {{min_pct: {self.low}, max_pct: {self.high}}}"]
        if self.most is not None:
            rules.append(f"  - most_lots: {{max: {self.most}}}")
        if self.together:
            rules.append(f"  - together: {{lots: [{', '.join(self.together)}]}}")
        if self.apart:
            rules.append(f"  - apart: {{lots: [{', '.join(self.apart)}]}}")
        recipe = parse_recipe("name: x\nrequire:\n" + "\n".join(rules) + "\n", "r.yaml")
        rows = [
            f"{n},{self.stock[n]},{self.fat[n]},{self.price[n]},{'yes' if n in self.use_up else 'no'}"
            for n in self.names
        ]
        table = parse_lots("lot,on_hand_kg,fat_pct,cost_per_kg,use_up\n" + "\n".join(rows) + "\n", "l.csv")
        return assemble(recipe, table, order_of(recipe, "--meat-kg", Fraction(KG), DAY, Asked()))

    def allowed(self, used: tuple[str, ...]) -> bool:
        fits = self.most is None or len(used) <= self.most
        whole = not self.together or len(set(used) & set(self.together)) in (0, 2)
        alone = not self.apart or len(set(used) & set(self.apart)) <= 1
        return fits and whole and alone and set(self.use_up) <= set(used)

    def cheapest(self) -> float | None:
        best: float | None = None
        for size in range(1, len(self.names) + 1):
            for used in combinations(self.names, size):
                found = self._linear(used) if self.allowed(used) else None
                if found is not None and (best is None or found < best):
                    best = found
        return best

    def _linear(self, used: tuple[str, ...]) -> float | None:
        bounds = []
        for n in used:
            low = self.stock[n] if n in self.use_up else DIVISION if n in self.together else 0
            bounds.append((low, self.stock[n]))
        ones = [1.0] * len(used)
        rows = [
            [self.fat[n] - self.high for n in used],
            [self.low - self.fat[n] for n in used],
            ones,
            [-1.0] * len(used),
        ]
        found = linprog(
            [self.price[n] for n in used],
            A_ub=rows,
            b_ub=[0, 0, KG + WITHIN, WITHIN - KG],
            bounds=bounds,
            method="highs",
        )
        return float(found.fun) if found.status == 0 else None


@pytest.mark.parametrize("block", range(5))
def test_against_every_subset(block: int) -> None:
    solved = 0
    for seed in range(block * 40, block * 40 + 40):
        kitchen = Kitchen(seed)
        problem = kitchen.problem()
        expected = kitchen.cheapest()
        found = optimise(layout_of(problem).program, ranks_of(problem.formula.columns))
        if expected is None:
            assert not found.values, seed
        else:
            assert float(found.cost) == pytest.approx(expected, rel=1e-6), seed
            solved += 1
    assert solved > 10


@pytest.mark.parametrize("seed", range(0, 60, 3))
def test_the_weighed_batch_keeps_the_rules(seed: int) -> None:
    kitchen = Kitchen(seed)
    answer = blend(kitchen.problem())
    if kitchen.cheapest() is None:
        assert answer.status is Status.INFEASIBLE
        return
    if answer.status is Status.INFEASIBLE:  # whole divisions may not meet a used-up lot's own weight
        assert answer.scale_prevents
        return
    assert kitchen.allowed(used_in(answer))
    assert answer.certificate is not None and answer.certificate.feasible
    for name in kitchen.use_up:
        assert kilograms(answer)[name] == kitchen.stock[name]


def kilograms(answer: Answer) -> dict[str, Fraction]:
    assert answer.weighed is not None
    return {item.name: kg for item, kg in answer.weighed.total.kilograms.items()}


def used_in(answer: Answer) -> tuple[str, ...]:
    return tuple(kilograms(answer))
