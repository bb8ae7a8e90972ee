"""Sifting against scipy on the whole matrix: same cost, prices that prove it, and no answer where there is none."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import csr_matrix

from constraints.row import Vector
from optimizer.plan.settle.engine import solve, worth_sifting
from optimizer.solver.exact import lower_bound, multipliers
from optimizer.solver.program import Ending, Model

BLOCKS, WIDTH = 8, 240


def blending(seed: int, *, stock: float = 40.0) -> Model:
    """Blocks that each blend to a weight and a band of fat from lots that all share."""
    rng = np.random.default_rng(seed)
    program = Model()
    fat = [Fraction(int(f), 100) for f in rng.integers(100, 9000, WIDTH)]
    have = [Fraction(int(s), 10) for s in rng.integers(1, max(int(10 * stock), 2), WIDTH)]
    columns = []
    for _ in range(BLOCKS):
        cost = Vector.of(Fraction(int(c), 100) for c in rng.integers(0, 700, WIDTH))
        start = program.variables.add(cost, Vector.of(have))
        here = np.arange(start, start + WIDTH)
        columns.append(here)
        low = Fraction(int(rng.integers(1500, 3500)), 100)
        program.row(here, [f - low for f in fat], lo=Fraction(0))
        program.row(here, [f - low - 2 for f in fat], hi=Fraction(0))
        size = Fraction(int(rng.integers(200, 900)), 10)
        program.row(here, [Fraction(1)] * WIDTH, lo=size, hi=size)
    for k in range(0, WIDTH, 2):
        program.row([c[k] for c in columns], [1] * BLOCKS, hi=have[k])
    extra = program.column(Fraction(-1), Fraction(3))
    program.row([extra], [1], lo=Fraction(1))
    program.row([extra, int(columns[0][0])], [Fraction(1), Fraction(1)], hi=Fraction(5, 2))
    return program


def scipy_optimum(program: Model) -> tuple[int, float]:
    rows = program.rows
    starts = np.cumsum([0, *(len(r.sparse[0]) for r in rows)])
    matrix = csr_matrix(
        (np.concatenate([r.sparse[1].floats for r in rows]), np.concatenate([r.sparse[0] for r in rows]), starts),
        shape=(len(rows), program.size),
    )
    most = np.array([np.inf if r.hi is None else float(r.hi) for r in rows])
    least = np.array([-np.inf if r.lo is None else float(r.lo) for r in rows])
    up, down = np.isfinite(most), np.isfinite(least)
    from scipy.sparse import vstack

    cost, hi, _, _ = program.vectors
    found = linprog(
        cost.floats, A_ub=vstack([matrix[up], -matrix[down]]), b_ub=np.concatenate([most[up], -least[down]]),
        bounds=[(0, hi) for hi in hi.floats], method="highs-ds",
    )  # fmt: skip
    return int(found.status), float(found.fun) if found.status == 0 else np.nan


@pytest.mark.parametrize("seed", range(1, 24, 2))
@pytest.mark.parametrize("basis", ["its own", "short of a column"])
def test_begun_at_the_end_of_the_same_without_the_last_rows_it_is_the_optimum_too(seed: int, basis: str) -> None:
    program = blending(seed, stock=60)
    begun = solve(program, relaxed=True)
    assert begun.basis is not None
    basic, stand = begun.basis
    assert len(basic) + sum(str(state).endswith("kBasic") for state in stand) == len(program.rows)
    for column in np.argsort(-begun.values)[:3].tolist():  # what is used most must be less, and two unused ones more
        program.row([column], [1], hi=Fraction(begun.values[column]) / 2)
    for column in np.flatnonzero(begun.values == 0)[:2].tolist():
        program.row([column], [1], lo=program.variables[column].hi / 3)
    start = begun if basis == "its own" else replace(begun, basis=(basic - {min(basic)}, stand))
    status, cost = scipy_optimum(program)
    found = solve(program, relaxed=True, start=start)
    assert (status == 0) == (found.ending is Ending.OPTIMAL)
    assert status != 0 or found.cost == pytest.approx(cost, rel=1e-7, abs=1e-6)


@pytest.mark.parametrize("seed", range(24))
def test_the_sifted_optimum_is_that_of_the_whole_matrix(seed: int) -> None:
    program = blending(seed, stock=60 if seed % 2 else 6)
    assert worth_sifting(program)
    status, cost = scipy_optimum(program)
    found = solve(program, relaxed=True)
    assert (status == 0) == (found.ending is Ending.OPTIMAL)
    if status == 2:
        assert found.ending is Ending.INFEASIBLE
        return
    assert found.cost == pytest.approx(cost, rel=1e-7, abs=1e-6)
    for row in program.rows:
        places, coefs = row.sparse
        value = float(coefs.floats @ found.values[places])
        assert (row.lo is None or value >= float(row.lo) - 1e-6) and (row.hi is None or value <= float(row.hi) + 1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_its_prices_prove_the_optimum(seed: int) -> None:
    program = blending(seed, stock=60)
    found = solve(program, relaxed=True)
    bound = lower_bound(program, multipliers(program, found.prices))
    assert bound is not None and float(bound) == pytest.approx(found.cost, rel=1e-9, abs=1e-6)


def test_too_little_stock_is_no_solution() -> None:
    program = blending(0, stock=0.2)
    assert scipy_optimum(program)[0] == 2
    assert solve(program, relaxed=True).ending is Ending.INFEASIBLE
