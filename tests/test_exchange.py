"""Weighing near given kilograms by exchanging divisions: what it returns is judged as every weigh-out is."""

from __future__ import annotations

import numpy as np
import pytest
from kitchens import random_kitchen
from test_weighout import judge, weighed_of

from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import Layout, layout_of
from optimizer.weighing.divisions import Lines
from optimizer.weighing.rounding import certify
from optimizer.weighing.weighout import weigh_near


def lines_of(layout: Layout) -> Lines:
    """The program's rows over the columns, a kilogram of each; what stands on choices beside them is left aside."""
    size = len(layout.units)
    rows = [row for row in layout.program.rows if not any(row.coefs[size:])]
    coefs = [[float(a / unit) for a, unit in zip(row.coefs, layout.units, strict=False)] for row in rows]
    lo = [-np.inf if row.lo is None else float(row.lo) for row in rows]
    hi = [np.inf if row.hi is None else float(row.hi) for row in rows]
    return Lines(np.array(coefs).reshape(len(rows), size), np.array(lo), np.array(hi))


@pytest.mark.parametrize("block", range(6))
def test_what_is_weighed_near_an_optimum_holds_and_costs_no_more_than_the_scales_explain(block: int) -> None:
    near = searched = 0
    for seed in range(block * 25, block * 25 + 25):
        kitchen = random_kitchen(9000 + seed)
        problem = kitchen.problem()
        layout = layout_of(problem)
        optimum = optimise(layout.program, ranks_of(problem.formula.columns))
        if not optimum.values or not isinstance(full := weighed_of(problem), tuple):
            continue
        searched += 1
        kilograms = layout.kilograms(optimum.values)
        weighed = weigh_near(problem, kilograms, lines_of(layout))
        if weighed is None:
            continue
        near += 1
        certificate = certify(problem, layout, optimum, weighed)
        judge(kitchen, problem, weighed, certificate)
        dearest = max(item.cost_per_kg for item in problem.formula.columns)
        assert certificate.cost <= optimum.cost + 3 * problem.order.meat_division_kg * (dearest + 1), seed
        assert full[1].feasible
    assert searched >= 5
    assert near >= searched / 4
