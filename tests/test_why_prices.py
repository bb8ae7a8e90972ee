"""Prices of limits and lots against finite differences of problems solved again by scipy, inside and outside ranges.

scipy's HiGHS interface is the outside judge: it reads the program in floats and knows nothing of bases or segments.
"""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np
import pytest
from kitchens import random_kitchen
from scipy.optimize import linprog

from constraints.requirement import Requirement
from optimizer.problem import Problem
from optimizer.solver.program import Program, layout_of
from optimizer.why.ground import Ground, ground_of
from optimizer.why.prices import Direction, LimitPrice, limit_prices
from optimizer.why.worth import PricedLot, lots_priced

SEEDS = range(330)
CLOSE = 1e-6


def outside(program: Program) -> Any:
    """scipy's answer to a linear program."""
    rows, limits, same, right = [], [], [], []
    for row in program.rows:
        coefs = [float(a) for a in row.coefs]
        if row.lo is not None and row.lo == row.hi:
            same.append(coefs)
            right.append(float(row.lo))
            continue
        if row.hi is not None:
            rows.append(coefs)
            limits.append(float(row.hi))
        if row.lo is not None:
            rows.append([-a for a in coefs])
            limits.append(-float(row.lo))
    return linprog(
        [float(v.cost) for v in program.variables],
        A_ub=np.array(rows) if rows else None, b_ub=limits or None,
        A_eq=np.array(same) if same else None, b_eq=right or None,
        bounds=[(float(v.lo), float(v.hi)) for v in program.variables], method="highs",
    )  # fmt: skip


def least(problem: Problem, old: Requirement | None = None, new: Requirement | None = None) -> float | None:
    """scipy's least cost with one requirement replaced; None where it finds no batch."""
    chosen = [new if r is old and new is not None else r for r in problem.choosing]
    found = outside(layout_of(problem, chosen, any_size=True).program)
    return found.fun if found.status == 0 else None


def moved(price: LimitPrice, to: Fraction) -> Requirement:
    """The requirement with its limit at another figure."""
    r = price.requirement
    by = to - price.figure
    lo = r.lo + by if r.lo is not None and price.limit in ("lo", "both") else r.lo
    return replace(r, lo=lo, hi=r.hi + by if r.hi is not None and price.limit in ("hi", "both") else r.hi)


@cache
def grounds() -> list[Ground]:
    """Linear kitchens with a batch; every third has tied prices and compositions, so that vertices are degenerate."""
    found = []
    for seed in SEEDS:
        kitchen = random_kitchen(seed, size=random.Random(seed).choice((2, 3, 4, 5, 6, 8, 12)), tied=seed % 3 == 0)
        ground = ground_of(kitchen.problem())
        if ground is not None:
            found.append(ground)
    return found


def check_side(ground: Ground, price: LimitPrice, side: Direction, base: float) -> int:
    """Finite differences on one side: at the range's middle and end inside it, and a step beyond it."""
    way = price.up if side is price.loosen else -price.up
    tol = CLOSE * max(1.0, abs(base))
    if not side.possible:
        step = Fraction(1, 1000) * max(abs(price.figure), Fraction(1))
        assert least(ground.problem, price.requirement, moved(price, price.figure + way * step)) is None
        return 1
    assert side.saves is not None
    end = side.until if side.until is not None else price.figure + way * 10
    width = abs(end - price.figure)
    assert width > 0
    near = least(ground.problem, price.requirement, moved(price, price.figure + way * width / 2))
    at_end = least(ground.problem, price.requirement, moved(price, end - way * width / 10**6))
    assert near is not None and at_end is not None
    if side.saved_there is not None:
        assert base - at_end == pytest.approx(float(side.saved_there), abs=tol + 2e-6 * abs(float(side.saved_there)))
    if side.straight:
        assert base - near == pytest.approx(float(side.saves * width / 2), abs=tol)
    else:  # the chord over a short step is near the tangent
        short = width / 2000
        got = least(ground.problem, price.requirement, moved(price, price.figure + way * short))
        assert got is not None
        assert base - got == pytest.approx(float(side.saves * short), abs=tol + 1e-2 * abs(float(side.saves * short)))
    if side.until is None:
        return 2
    step = max(width, abs(end), Fraction(1)) / 1000
    after = least(ground.problem, price.requirement, moved(price, end + way * step))
    if side.ends_there:
        assert after is None
    elif side.beyond_saves is not None and after is not None:
        assert side.saved_there is not None
        tiny = least(ground.problem, price.requirement, moved(price, end + way * step / 100))
        assert tiny is not None
        slope = (base - float(side.saved_there) - tiny) / float(step / 100)
        # Later kinks may lie inside the step, so beyond the range the price bounds the slope from one side only.
        assert slope <= float(max(side.beyond_saves, side.saves)) + 1e-3 * (1 + abs(float(side.saves)))
    return 3


def test_prices_of_limits_against_problems_solved_again() -> None:
    """Every quoted price and range of over 150 feasible kitchens out of 330."""
    solved = sides = 0
    for ground in grounds():
        base = least(ground.problem)
        assert base == pytest.approx(float(ground.cost), abs=CLOSE * max(1, abs(float(ground.cost))))
        assert base is not None
        solved += 1
        for price in limit_prices(ground)[0]:
            for side in (price.loosen, price.tighten):
                if side is not None:
                    sides += 1
                    check_side(ground, price, side, base)
    assert solved > 120
    assert sides > 400


def test_degenerate_batches_have_a_price_on_either_side() -> None:
    """A limit put exactly on a kink of its own cost curve: the price differs left and right, and both are right."""
    looked = 0
    for ground in grounds():
        for price in limit_prices(ground)[0]:
            side = price.loosen
            if side is None or side.until is None or side.beyond_saves is None or side.beyond_saves == side.saves:
                continue
            if price.limit != "both" and not 0 < side.until < 100:
                continue
            kinked = moved(price, side.until)
            problem = replace(
                ground.problem,
                requirements=tuple(kinked if r is price.requirement else r for r in ground.problem.requirements),
            )
            there = ground_of(problem)
            assert there is not None
            again = next(p for p in limit_prices(there)[0] if p.requirement is kinked)
            assert again.loosen is not None and again.tighten is not None
            assert again.loosen.saves == side.beyond_saves
            assert again.tighten.saves is not None
            if side.straight:
                assert again.tighten.saves == -(side.saves or 0)
            base = least(problem)
            assert base is not None
            for half in (again.loosen, again.tighten):
                check_side(there, again, half, base)
            looked += again.loosen.saves != -again.tighten.saves
            break
        if looked == 60:
            break
    assert looked == 60


def test_marginals_of_scipy_lie_between_the_two_sides() -> None:
    """A right side's marginal in HiGHS is a price of the order's size that lies between those we quote."""
    looked = 0
    for ground in grounds()[::2]:
        size = ground.problem.requirements[0]
        price = next((p for p in limit_prices(ground)[0] if p.requirement is size), None)
        if price is None or price.loosen is None or price.tighten is None:
            continue
        program = layout_of(ground.problem, any_size=True).program
        row = next(r for r in program.rows if r.label == "weight")
        fixed = replace(row, lo=row.value(ground.values), hi=row.value(ground.values))
        found = outside(replace(program, rows=tuple(fixed if r is row else r for r in program.rows)))
        marginal = float(found.eqlin.marginals[0])
        ends = [s.saves for s in (price.loosen, price.tighten) if s.saves is not None]
        if len(ends) == 2:
            lo, hi = sorted((abs(float(ends[0])), abs(float(ends[1]))))
            assert lo - 1e-6 <= abs(marginal) <= hi + 1e-6
            looked += 1
    assert looked > 40


def at_price(ground: Ground, j: int, lot: PricedLot, held_price: Fraction) -> tuple[float, float]:
    """scipy's least cost and its kilograms of a lot at another price per kilogram as held."""
    program = ground.layout.program
    own = program.variables[j].cost + (held_price - lot.price) / lot.lot.usable
    variables = tuple(replace(v, cost=own) if k == j else v for k, v in enumerate(program.variables))
    found = outside(Program(variables, program.rows))
    assert found.status == 0
    return found.fun, found.x[j]


def without(ground: Ground, j: int) -> float | None:
    """scipy's least cost without a lot."""
    program = ground.layout.program
    variables = tuple(replace(v, hi=Fraction(0)) if k == j else v for k, v in enumerate(program.variables))
    found = outside(Program(variables, program.rows))
    return found.fun if found.status == 0 else None


def test_prices_of_lots_against_problems_solved_again() -> None:
    """Just below its price a lot is used, just above it is not; inside its range the blend stays the cheapest."""
    looked = 0
    for ground in grounds()[::3]:
        columns = [c.name for c in ground.problem.formula.columns]
        for lot in lots_priced(ground):
            j = columns.index(lot.lot.name)
            kg = float(ground.kilograms[j])
            bare = without(ground, j)
            assert lot.needed == (bare is None)
            step = Fraction(1, 1000)
            tol = CLOSE * max(1.0, abs(float(ground.cost)))
            if lot.stays_to is not None and bare is not None:
                below, used = at_price(ground, j, lot, lot.stays_to - step)
                above, _ = at_price(ground, j, lot, lot.stays_to + step)
                assert above == pytest.approx(bare, abs=tol)
                assert below == pytest.approx(bare - float(lot.kg_then * step), abs=tol) or below < above
                assert used > 0
            for end, way in ((lot.same_from, 1), (lot.same_to, -1)):
                if end is None:
                    continue
                inside, outside_ = (at_price(ground, j, lot, end + s * way * step)[0] for s in (1, -1))
                held = kg / float(lot.lot.usable)
                line = [float(ground.cost) + held * float(end + s * way * step - lot.price) for s in (1, -1)]
                other = lot.same_to if way == 1 else lot.same_from
                if other is None or abs(other - end) > step:
                    assert inside == pytest.approx(line[0], abs=tol)
                assert outside_ < line[1] + tol
            if lot.more is not None and lot.more.saves is not None:
                looked += 1
    assert looked > 30
