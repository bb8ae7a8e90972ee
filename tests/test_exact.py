"""The exact simplex and the proofs, alone: against scipy on random programs, and on programs made to mislead."""

from __future__ import annotations

import random
from fractions import Fraction as F

import numpy as np
import pytest
from scipy.optimize import linprog
from solved import solve

from constraints.row import Row
from optimizer.solver.exact import Simplex, Vertex, lower_bound, proved, refutes
from optimizer.solver.program import BasisStatus, Program, SimplexBasis, Variable


def random_program(rng: random.Random, *, degenerate: bool) -> Program:
    """Small whole coefficients, so that scipy's floats are exact; degenerate: many limits through one corner."""
    size, height = rng.randrange(1, 11), rng.randrange(0, 8)
    few = (-1, 0, 0, 1) if degenerate else (-7, -3, -2, 0, 0, 1, 2, 5, 9)
    variables, corner = [], []
    for j in range(size):
        lo = rng.choice((0, 0, -2, 1))
        hi = lo + rng.choice((0, 1, 1, 4) if degenerate else (1, 3, 10, 40))
        cost = rng.choice((0, 1, 1) if degenerate else (-3, 0, 1, 2, 7))
        variables.append(Variable(f"x{j}", F(cost), F(lo), F(hi)))
        corner.append(rng.choice((lo, hi)))
    rows = []
    for i in range(height):
        coefs = tuple(F(rng.choice(few)) for _ in range(size))
        at = sum(a * x for a, x in zip(coefs, corner, strict=True))
        off = 0 if degenerate and rng.random() < 0.8 else rng.randrange(-6, 7)
        lo, hi = ((at + off, None), (None, at + off), (at + off, at + off), (at + off, at + off + rng.randrange(4)))[
            rng.randrange(4)
        ]
        rows.append(Row(f"r{i}", coefs, None if lo is None else F(lo), None if hi is None else F(hi)))
    return Program(tuple(variables), tuple(rows))


def by_scipy(program: Program) -> float | None:
    """The least cost, or None where scipy finds no point."""
    up, right = [], []
    for row in program.rows:
        for sign, limit in ((1, row.hi), (-1, row.lo)):
            if limit is not None:
                up.append([sign * float(a) for a in row.coefs])
                right.append(sign * float(limit))
    bounds = [(float(v.lo), float(v.hi)) for v in program.variables]
    found = linprog([float(v.cost) for v in program.variables], A_ub=up or None, b_ub=right or None, bounds=bounds)
    assert found.status in (0, 2)
    return float(found.fun) if found.status == 0 else None


def random_basis(rng: random.Random, program: Program) -> SimplexBasis:
    places = list(BasisStatus)
    return SimplexBasis(
        tuple(rng.choice(places) for _ in program.variables), tuple(rng.choice(places) for _ in program.rows)
    )


@pytest.mark.parametrize("degenerate", [False, True])
def test_exact_simplex_agrees_with_scipy_from_any_start(degenerate: bool) -> None:
    rng = random.Random(11 + degenerate)
    ended = {True: 0, False: 0}
    for _ in range(250):
        program = random_program(rng, degenerate=degenerate)
        expected = by_scipy(program)
        for start in (None, random_basis(rng, program), solve(program).basis):
            search = Simplex(program, start)
            feasible = search.minimise()
            assert feasible == (expected is not None)
            if expected is None:
                assert refutes(program, search.refutation())
            else:
                assert float(program.cost(search.values)) == pytest.approx(expected, rel=1e-9, abs=1e-9)
                assert proved(program, Vertex(search.values, search.prices(), search.basis))
        ended[expected is not None] += 1
    assert min(ended.values()) > 40


def test_cycling_program_ends() -> None:
    """Beale's example, on which the rule of the steepest cost runs in circles (Naval Research Logistics Q. 2, 1955)."""
    costs = (F(-3, 4), F(150), F(-1, 50), F(6))
    variables = tuple(Variable(f"x{j}", cost, F(0), F(1000)) for j, cost in enumerate(costs))
    rows = (
        Row("a", (F(1, 4), F(-60), F(-1, 25), F(9)), None, F(0)),
        Row("b", (F(1, 2), F(-90), F(-1, 50), F(3)), None, F(0)),
        Row("c", (F(0), F(0), F(1), F(0)), None, F(1)),
    )
    program = Program(variables, rows)
    search = Simplex(program)
    assert search.minimise()
    assert program.cost(search.values) == F(-1, 20)


def test_no_prices_whatever_give_a_bound_above_a_feasible_cost() -> None:
    rng = random.Random(5)
    tried = 0
    while tried < 200:
        program = random_program(rng, degenerate=False)
        search = Simplex(program)
        if not search.minimise():
            continue
        tried += 1
        best = program.cost(search.values)
        for _ in range(5):
            prices = [F(rng.randrange(-40, 41), rng.choice((1, 3, 7))) for _ in program.rows]
            bound = lower_bound(program, prices)
            assert bound is None or bound <= best
            assert not refutes(program, prices)


def test_wrong_prices_and_points_prove_nothing() -> None:
    program = Program(
        (Variable("a", F(2), F(0), F(10)), Variable("b", F(3), F(0), F(10))), (Row("sum", (F(1), F(1)), F(12), None),)
    )
    basis = SimplexBasis((BasisStatus.UPPER, BasisStatus.BASIC), (BasisStatus.LOWER,))
    right = Vertex((F(10), F(2)), (F(3),), basis)
    assert proved(program, right)
    assert not proved(program, Vertex((F(10), F(2)), (F(2),), basis)), "a lower price leaves a gap"
    assert not proved(program, Vertex((F(2), F(10)), (F(3),), basis)), "a dearer point"
    assert not proved(program, Vertex((F(10), F(2) - F(1, 10**30)), (F(3),), basis)), "short by next to nothing"
    assert lower_bound(program, [F(-1)]) is None, "a negative price leans on an upper limit that is not there"
    assert not refutes(program, [F(3)])


@pytest.mark.parametrize(
    ("short", "exists"), [(F(0), True), (F(1, 10**9), False), (F(-1, 10**9), True), (F(1, 10**40), False)]
)
def test_feasibility_is_settled_below_any_solver_tolerance(short: F, exists: bool) -> None:
    thirds = (F(1, 3), F(1, 7))
    program = Program(
        tuple(Variable(f"x{j}", F(1), F(0), F(1)) for j in range(2)),
        (Row("most", thirds, F(10, 21) + short, None), Row("apart", (F(1), F(-1)), F(0), F(0))),
    )
    search = Simplex(program, solve(program).basis)
    assert search.minimise() is exists
    if exists:
        assert program.feasible(search.values)
    else:
        assert refutes(program, search.refutation())


def test_violations_never_grow_on_the_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """A basic entry stops at the first bound it meets, also where it comes from outside."""
    totals: list[F] = []
    pivot = Simplex._pivot

    def watched(search: Simplex, entering: int) -> bool:
        if not totals:
            totals.append(violation(search))
        moved = pivot(search, entering)
        totals.append(violation(search))
        return moved

    monkeypatch.setattr(Simplex, "_pivot", watched)
    rng, steps = random.Random(21), 0
    for _ in range(150):
        totals.clear()
        program = random_program(rng, degenerate=False)
        Simplex(program, random_basis(rng, program)).minimise()
        assert totals == sorted(totals, reverse=True)
        steps += len(totals)
    assert steps > 300


def violation(search: Simplex) -> F:
    total = F(0)
    for value, lo, hi in zip(search.at, search.lo, search.hi, strict=True):
        total += max(F(0), lo - value if lo is not None else F(0), value - hi if hi is not None else F(0))
    return total


def test_holding_the_optimum_leaves_points_of_the_same_cost_only() -> None:
    rng = random.Random(3)
    looked_at = 0
    for _ in range(200):
        program = random_program(rng, degenerate=True)
        search = Simplex(program)
        if not search.minimise():
            continue
        cost = program.cost(search.values)
        search.hold()
        for j in range(len(program.variables)):
            search.minimise({j: F(-1)})
            assert program.feasible(search.values)
            assert program.cost(search.values) == cost
            looked_at += not search.settled
    assert looked_at > 50


def test_amounts_of_a_basis_solve_its_equations() -> None:
    rng = random.Random(8)
    for _ in range(100):
        program = random_program(rng, degenerate=False)
        search = Simplex(program, random_basis(rng, program))
        values, basis = np.array([float(x) for x in search.values]), search.basis
        for variable, x, place in zip(program.variables, values, basis.variables, strict=True):
            if place is not BasisStatus.BASIC:
                assert x == (variable.hi if place is BasisStatus.UPPER else variable.lo)
        for row, place in zip(program.rows, basis.rows, strict=True):
            if place is not BasisStatus.BASIC:
                assert row.value(search.values) == (row.hi if place is BasisStatus.UPPER else row.lo)
