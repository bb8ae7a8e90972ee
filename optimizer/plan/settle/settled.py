"""Small linear weeks settled in exact arithmetic, as a single blend is; a plan of one batch then equals that blend."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from constraints.row import Row
from optimizer.plan.model.sparse import Sparse
from optimizer.plan.settle.engine import Solved
from optimizer.solver.model import Ending, Program, SolverDisagrees, Variable
from optimizer.solver.optimum import settle

MOST_COLUMNS, MOST_ROWS = 240, 60
"""Largest program settled exactly: beyond it a dense rational inverse takes longer than a cook waits."""
_ZERO = Fraction(0)


def small(program: Sparse) -> bool:
    """True where a program is linear and small enough."""
    return not program.has_whole and 0 < program.size <= MOST_COLUMNS and len(program.rows) <= MOST_ROWS


def settled(program: Sparse) -> Solved | None:
    """The exact optimum of a small linear program, or that there is none; None where exact arithmetic gave up."""
    try:
        found = settle(as_program(program))
    except SolverDisagrees:
        return None
    if found is None:
        return Solved(Ending.INFEASIBLE)
    cost = float(program.exact_cost(range(program.size), found.values) + program.constant)
    values = np.array([float(v) for v in found.values])
    prices = np.array([float(p) for p in found.prices])
    return Solved(Ending.OPTIMAL, values, prices, cost, cost, exact=tuple(found.values))


def as_program(program: Sparse) -> Program:
    """The same program with dense rational rows."""
    places = range(program.size)
    whole = program.whole
    variables = tuple(
        Variable(str(j), program.exact_cost([j], [Fraction(1)]), _ZERO, hi, whole=bool(whole[j]))
        for j, hi in zip(places, program.exact_hi(list(places)), strict=True)
    )
    rows = []
    for row in program.rows:
        coefs = [_ZERO] * program.size
        for column, value in zip(row.columns, row.coefs, strict=True):
            coefs[int(column)] += value
        rows.append(Row(str(row.label[0]), tuple(coefs), row.lo, row.hi))
    return Program(variables, tuple(rows))
