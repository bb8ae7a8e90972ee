"""A program stated in PuLP, variable by variable, and handed to HiGHS as it was stated."""

from __future__ import annotations

import warnings
from math import isinf
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.solver.session import Matrix


def stated_in_highs(columns: tuple[Any, Any, Any, Any], matrix: Matrix) -> Any:
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
        entries = list(zip(matrix.columns.tolist(), matrix.values.tolist(), strict=True))
        for i, (low, high) in enumerate(zip(matrix.lo, matrix.hi, strict=True)):
            sense, limit = (1, low) if isinf(high) else (-1, high)
            line = entries[matrix.starts[i] : matrix.starts[i + 1]]
            terms = pulp.LpAffineExpression([(variables[j], a) for j, a in line])
            problem.addConstraint(pulp.LpConstraint(terms, sense, rhs=float(limit)), f"r{i:05d}")
        solver = pulp.HiGHS(msg=False)
        solver.createAndConfigureSolver(problem)
        solver.buildSolverModel(problem)
    highs = problem.solverModel
    for i, (low, high) in enumerate(zip(matrix.lo, matrix.hi, strict=True)):
        highs.changeRowBounds(i, low, high)
    return highs
