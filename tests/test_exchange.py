"""Weighing near given kilograms by exchanging divisions: what it returns is judged as every weigh-out is."""

from __future__ import annotations

import pytest
from kitchens import random_kitchen
from test_weighout import judge, weighed_of

from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import layout_of
from optimizer.weighing.certificate import certify
from optimizer.weighing.weighout import weigh_near


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
        weighed = weigh_near(problem, kilograms)
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
