"""Packs, smallest and largest pulls, most lots, groups: 500 kitchens against ``scipy.optimize.milp``.

The oracle's matrix is built here from the raw figures: for every lot its kilograms, its number of packs and a yes-or-no
column, tied together by rows of its own.
"""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from optimizer.order import Asked, order_of
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import layout_of

DAY = date(2026, 11, 25)
WITHIN, DIVISION = 0.5, 0.05
BLOCKS = 10


class Cooler:
    """A cooler of lots with random packs, pulls and rules of use, and a batch to make from it."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(1000 + seed)
        size = draw.randint(5, 14)
        self.names = [f"L{i:02}" for i in range(size)]
        self.stock = [draw.randint(4, 60) for _ in self.names]
        self.fat = [draw.choice([3, 8, 14, 21, 30, 48, 62, 85]) for _ in self.names]
        self.price = [draw.randint(5, 95) / 10 for _ in self.names]
        self.pack = [min(draw.choice([2, 5, 10]), s) if draw.random() < 0.35 else 0 for s in self.stock]
        self.least = [draw.randint(1, s) if draw.random() < 0.3 else 0 for s in self.stock]
        self.most = [
            draw.randint(max(least, pack, 1), s) if draw.random() < 0.3 else 0
            for s, least, pack in zip(self.stock, self.least, self.pack, strict=True)
        ]
        self.kg = draw.choice([20, 35, 60])
        self.low = draw.choice([12, 18, 24, 30])
        self.high = self.low + draw.choice([1, 3, 8])
        self.lots = draw.choice([None, 2, 3, 5])
        self.together = draw.sample(range(size), 2) if draw.random() < 0.25 else []
        self.apart = draw.sample(range(size), 3) if draw.random() < 0.25 else []

    def problem(self) -> Problem:
        rules = [f"  - fat: {{min_pct: {self.low}, max_pct: {self.high}}}"]
        if self.lots is not None:
            rules.append(f"  - most_lots: {{max: {self.lots}}}")
        for key, group in (("together", self.together), ("apart", self.apart)):
            if group:
                rules.append(f"  - {key}: {{lots: [{', '.join(self.names[j] for j in group)}]}}")
        recipe = parse_recipe("name: x\nrequire:\n" + "\n".join(rules) + "\n", "r.yaml")
        rows = [
            ",".join(str(cell or "") if k > 3 else str(cell) for k, cell in enumerate(cells))
            for cells in zip(
                self.names, self.stock, self.fat, self.price, self.pack, self.least, self.most, strict=True
            )
        ]
        head = "lot,on_hand_kg,fat_pct,cost_per_kg,pack_kg,smallest_pull_kg,largest_pull_kg\n"
        table = parse_lots(head + "\n".join(rows) + "\n", "l.csv")
        asked = Asked(within_kg=Fraction(str(WITHIN)))
        return assemble(recipe, table, order_of(recipe, "--meat-kg", Fraction(self.kg), DAY, asked))

    def cheapest(self) -> float | None:
        """Columns: kilograms, packs, use, each of all lots."""
        n = len(self.names)
        rows: list[np.ndarray] = []
        lows: list[float] = []
        highs: list[float] = []

        def row(lo: float, hi: float, *terms: tuple[int, float]) -> None:
            coefs = np.zeros(3 * n)
            for j, a in terms:
                coefs[j] += a
            rows.append(coefs)
            lows.append(lo)
            highs.append(hi)

        row(self.kg - WITHIN, self.kg + WITHIN, *((j, 1.0) for j in range(n)))
        row(-np.inf, 0, *((j, self.fat[j] - self.high) for j in range(n)))
        row(0, np.inf, *((j, self.fat[j] - self.low) for j in range(n)))
        for j in range(n):
            most = min(self.stock[j], self.most[j] or self.stock[j])
            row(-np.inf, 0, (j, 1.0), (2 * n + j, -most))
            least = max(self.least[j], DIVISION if j in self.together else 0)
            row(0, np.inf, (j, 1.0), (2 * n + j, -least))
            if self.pack[j]:
                row(0, 0, (j, 1.0), (n + j, -self.pack[j]))
        if self.lots is not None:
            row(-np.inf, self.lots, *((2 * n + j, 1.0) for j in range(n)))
        if self.together:
            a, b = self.together
            row(0, 0, (2 * n + a, 1.0), (2 * n + b, -1.0))
        if self.apart:
            row(-np.inf, 1, *((2 * n + j, 1.0) for j in self.apart))
        top = np.concatenate([np.array(self.stock, float), np.array(self.stock, float), np.ones(n)])
        kinds = np.concatenate([np.zeros(n), np.ones(2 * n)])
        found = milp(
            np.concatenate([np.array(self.price), np.zeros(2 * n)]),
            constraints=LinearConstraint(np.array(rows), lows, highs),
            bounds=Bounds(np.zeros(3 * n), top), integrality=kinds, options={"mip_rel_gap": 0},
        )  # fmt: skip
        return float(found.fun) if found.status == 0 else None


@pytest.mark.parametrize("block", range(BLOCKS))
def test_cost_is_that_of_milp(block: int) -> None:
    solved = unsolved = 0
    for seed in range(block * 50, block * 50 + 50):
        cooler = Cooler(seed)
        problem = cooler.problem()
        found = optimise(layout_of(problem).program, ranks_of(problem.formula.columns))
        expected = cooler.cheapest()
        if expected is None:
            assert not found.values, seed
            unsolved += 1
            continue
        assert found.values, seed
        assert float(found.cost) == pytest.approx(expected, rel=1e-6), seed
        assert found.bound is not None and found.bound <= found.cost, seed
        solved += 1
    assert solved >= 10 and solved + unsolved == 50
