"""A conflict among many requirements: found from a first proof, and still needed in every part (scipy is the judge)."""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import linprog

from constraints.requirement import Requirement
from optimizer.bench import explain
from optimizer.order import Asked, order_of
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

PROPERTIES = [f"p{i}" for i in range(18)]
KG, WITHIN = 60.0, 0.025


class Crowded:
    """Sixty lots with eighteen properties, each wanted in a narrow band, some of the bands out of reach."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        self.lots = [[draw.randint(1, 90) for _ in PROPERTIES] for _ in range(60)]
        self.stock = [draw.randint(3, 20) for _ in self.lots]
        self.bands = {p: (low := draw.randint(50, 66), low + draw.randint(0, 4)) for p in PROPERTIES}

    def conflict(self) -> tuple[Requirement, ...]:
        rules = [f"  - property: {{name: {p}, min: {lo}, max: {hi}}}" for p, (lo, hi) in self.bands.items()]
        recipe = parse_recipe("name: x\nrequire:\n" + "\n".join(rules) + "\n", "r.yaml")
        rows = [
            f"L{i:02},{stock},20,3,{','.join(map(str, lot))}"
            for i, (lot, stock) in enumerate(zip(self.lots, self.stock, strict=True))
        ]
        table = parse_lots("\n".join(["lot,on_hand_kg,fat_pct,cost_per_kg," + ",".join(PROPERTIES), *rows]), "l.csv")
        order = order_of(recipe, "--meat-kg", Fraction(60), date(2026, 11, 25), Asked())
        return explain(assemble(recipe, table, order)).requirements

    def possible(self, names: set[str]) -> bool:
        """Whether some batch keeps the bands of these properties, and the weight where it is named."""
        rows, limits = [], []
        for name in names & set(PROPERTIES):
            figures = np.array([lot[PROPERTIES.index(name)] for lot in self.lots], float)
            low, high = self.bands[name]
            rows += [figures - high, low - figures]
            limits += [0.0, 0.0]
        least, most = (KG - WITHIN, KG + WITHIN) if "weight" in names else (2 * WITHIN, 1e9)
        ones = np.ones(len(self.lots))
        rows += [ones, -ones]
        limits += [most, -least]
        found = linprog(
            np.zeros(len(self.lots)), A_ub=rows or None, b_ub=limits or None, bounds=[(0, s) for s in self.stock]
        )
        return bool(found.status == 0)


@pytest.mark.parametrize("seed", range(6))
def test_every_part_of_a_large_conflict_is_needed(seed: int) -> None:
    crowded = Crowded(seed)
    assert not crowded.possible({"weight", *PROPERTIES})
    named = {requirement.what for requirement in crowded.conflict()}
    assert len(named) > 2
    assert not crowded.possible(named)
    assert all(crowded.possible(named - {one}) for one in named)
