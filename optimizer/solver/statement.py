"""A program stated in PuLP, variable by variable, and handed to HiGHS as it was stated."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from math import isinf
from typing import Any


def stated_in_highs(columns: tuple[Any, Any, Any, Any], lines: Sequence[Any], row_lo: Any, row_hi: Any) -> Any:
    """The HiGHS object of a PuLP model; ``columns`` are costs, lower and upper bounds, and which are whole.

    PuLP knows no row between two limits: such a row is stated with its upper one and HiGHS is told the lower.
    """
    import pulp

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # PuLP 3 warns of what PuLP 4 will rename
        problem = pulp.LpProblem("batch", pulp.LpMinimize)
        cost, lo, hi, whole = columns
        variables = [
            pulp.LpVariable(f"x{j:05d}", lo[j], hi[j], pulp.LpInteger if whole[j] else pulp.LpContinuous)
            for j in range(len(cost))
        ]
        problem.addVariables(variables)
        problem.setObjective(pulp.LpAffineExpression(list(zip(variables, cost.tolist(), strict=True))))
        for i, line in enumerate(lines):
            sense, limit = (1, row_lo[i]) if isinf(row_hi[i]) else (-1, row_hi[i])
            terms = pulp.LpAffineExpression([(variables[j], a) for j, a in line])
            problem.addConstraint(pulp.LpConstraint(terms, sense, rhs=float(limit)), f"r{i:05d}")
        solver = pulp.HiGHS(msg=False)
        solver.createAndConfigureSolver(problem)
        solver.buildSolverModel(problem)
    highs = problem.solverModel
    for i in range(len(lines)):
        highs.changeRowBounds(i, row_lo[i], row_hi[i])
    return highs
