"""Sifting against scipy on the whole matrix: same cost, prices that prove it, and no answer where there is none."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import csr_matrix

from optimizer.plan.model.sparse import Sparse, exact_array
from optimizer.plan.settle.engine import solve
from optimizer.plan.settle.sift import Matrix, worth_sifting
from optimizer.solver.model import Ending

BLOCKS, WIDTH = 8, 240


def blending(seed: int, *, stock: float = 40.0) -> Sparse:
    """Blocks that each blend to a weight and a band of fat from lots that all share."""
    rng = np.random.default_rng(seed)
    program = Sparse()
    fat = [Fraction(int(f), 100) for f in rng.integers(100, 9000, WIDTH)]
    have = [Fraction(int(s), 10) for s in rng.integers(1, max(int(10 * stock), 2), WIDTH)]
    columns = []
    for b in range(BLOCKS):
        cost = exact_array([Fraction(int(c), 100) for c in rng.integers(0, 700, WIDTH)])
        most = exact_array(have)
        start = program.block([cost], [most], (cost.astype(float), most.astype(float)))
        here = np.arange(start, start + WIDTH)
        columns.append(here)
        low = Fraction(int(rng.integers(1500, 3500)), 100)
        program.row(("fat least", b), here, [f - low for f in fat], lo=Fraction(0))
        program.row(("fat most", b), here, [f - low - 2 for f in fat], hi=Fraction(0))
        size = Fraction(int(rng.integers(200, 900)), 10)
        program.row(("size", b), here, [Fraction(1)] * WIDTH, lo=size, hi=size)
    for k in range(0, WIDTH, 2):
        program.row(("stock", k), [c[k] for c in columns], [1] * BLOCKS, hi=have[k])
    extra = program.column(Fraction(-1), Fraction(3))
    program.row(("free", 0), [extra], [1], lo=Fraction(1))
    program.row(("tied", 0), [extra, int(columns[0][0])], [Fraction(1), Fraction(1)], hi=Fraction(5, 2))
    return program


def scipy_optimum(program: Sparse) -> tuple[int, float]:
    rows = program.rows
    starts = np.cumsum([0, *(len(r.columns) for r in rows)])
    matrix = csr_matrix(
        (np.concatenate([r.coefs.floats for r in rows]), np.concatenate([r.columns for r in rows]), starts),
        shape=(len(rows), program.size),
    )
    most = np.array([np.inf if r.hi is None else float(r.hi) for r in rows])
    least = np.array([-np.inf if r.lo is None else float(r.lo) for r in rows])
    up, down = np.isfinite(most), np.isfinite(least)
    from scipy.sparse import vstack

    found = linprog(
        program.cost, A_ub=vstack([matrix[up], -matrix[down]]), b_ub=np.concatenate([most[up], -least[down]]),
        bounds=[(0, hi) for hi in program.hi], method="highs-ds",
    )  # fmt: skip
    return int(found.status), float(found.fun) if found.status == 0 else np.nan


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
        value = float(row.coefs.floats @ found.values[row.columns])
        assert (row.lo is None or value >= float(row.lo) - 1e-6) and (row.hi is None or value <= float(row.hi) + 1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_its_prices_prove_the_optimum(seed: int) -> None:
    from optimizer.plan.settle.week_bound import lower_bound

    program = blending(seed, stock=60)
    found = solve(program, relaxed=True)
    assert float(lower_bound(program, found.prices)) == pytest.approx(found.cost, rel=1e-9, abs=1e-6)


def test_too_little_stock_is_no_solution() -> None:
    program = blending(0, stock=0.2)
    assert scipy_optimum(program)[0] == 2
    assert solve(program, relaxed=True).ending is Ending.INFEASIBLE


def test_a_matrix_column_by_column_is_the_same_matrix() -> None:
    rng = np.random.default_rng(3)
    dense = rng.random((7, 30)) * (rng.random((7, 30)) < 0.4)
    dense[:, 4] = 0
    whole = csr_matrix(dense)
    matrix = Matrix.of(30, whole.indptr[:-1], whole.indices.astype(np.int64), whole.data)
    prices = rng.random(7)
    assert matrix.paid(prices) == pytest.approx(prices @ dense)
    columns = np.array([29, 4, 4, 0, 17])
    assert matrix.part(columns).paid(prices) == pytest.approx(prices @ dense[:, columns])
