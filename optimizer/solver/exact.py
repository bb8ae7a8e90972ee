"""Proofs in rational arithmetic: that a point is feasible and cheapest, or that there is none.

A solver's floating-point figures are never used for this. Prices may come from anywhere: what they prove is reckoned
here from the program alone (weak duality over the box of the variables).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, gcd, lcm

from constraints.vector import QUICK_ZERO, plain, quick
from optimizer.solver.model import Basis, Program

_ZERO = Fraction(0)
_FINE = 2**40
"""Denominator to which the prices of a ray are rounded."""


@dataclass(frozen=True)
class Vertex:
    """An exact basic solution. ``prices`` are the rows' dual values, money per unit of the row's limit."""

    values: tuple[Fraction, ...]
    prices: tuple[Fraction, ...]
    basis: Basis
    cost: Fraction = _ZERO


def reduced_costs(program: Program, prices: Sequence[Fraction]) -> tuple[Fraction, ...]:
    """Cost of each variable less what the rows' prices pay for it."""
    return tuple(map(plain, _rest([quick(v.cost) for v in program.variables], program, prices)))


def _rest(costs: list[Fraction], program: Program, prices: Sequence[Fraction]) -> list[Fraction]:
    for row, price in zip(program.rows, prices, strict=True):
        if price:
            price = quick(price)
            for j, a in row.quick.items():
                costs[j] -= price * a
    return costs


def lower_bound(program: Program, prices: Sequence[Fraction], *, free: bool = False) -> Fraction | None:
    """A lower bound on cost that holds for any prices whatever; with ``free`` as if nothing cost anything.

    A positive price counts a row's lower limit, a negative one its upper limit. None where a price leans on a limit
    that does not exist, so that the bound is minus infinity.
    """
    total = QUICK_ZERO
    for row, price in zip(program.rows, prices, strict=True):
        if not price:
            continue
        limit = row.lo if price > 0 else row.hi
        if limit is None:
            return None
        total += quick(price) * quick(limit)
    costs = [QUICK_ZERO if free else quick(v.cost) for v in program.variables]
    for v, rest in zip(program.variables, _rest(costs, program, prices), strict=True):
        bound = v.lo if rest > 0 else v.hi
        if bound and rest:
            total += rest * quick(bound)
    return plain(total)


def proved(program: Program, found: Vertex) -> bool:
    """True where the vertex is feasible and its own prices prove that nothing is cheaper."""
    return program.feasible(found.values) and lower_bound(program, found.prices) == program.cost(found.values)


def refutes(program: Program, prices: Sequence[Fraction]) -> bool:
    """True where prices prove that the program has no point: doing nothing at all would cost more than nothing.

    This is Farkas' lemma: with every cost zero, any point costs zero, so a bound above zero leaves none.
    """
    bound = lower_bound(program, prices, free=True)
    return bound is not None and bound > 0


def refuted_by(program: Program, ray: Sequence[float]) -> tuple[Fraction, ...]:
    """A solver's ray, rounded, if it proves that the program has no point; its sign does not matter. Else nothing."""
    most = max(map(abs, ray), default=0.0)
    for sign in (1, -1) if most else ():
        counts = [round(sign * float(price) / most * _FINE) for price in ray]
        prices = tuple(
            Fraction(n) if n and (row.lo if n > 0 else row.hi) is not None else _ZERO
            for n, row in zip(counts, program.rows, strict=True)
        )
        if refutes(program, prices):
            return prices
    return ()


def no_sum_fits(program: Program) -> bool:
    """True where a row over whole numbers alone has no sum between its limits, so that there is no point.

    Every sum is a multiple of the greatest common divisor of the coefficients.
    """
    free = {j for j, v in enumerate(program.variables) if not v.whole}
    for row in program.rows:
        if row.lo is None or row.hi is None or any(j in free for j, _ in row.terms):
            continue
        per = lcm(*(a.denominator for _, a in row.terms))
        step = gcd(*(int(a * per) for _, a in row.terms)) or 1
        if ceil(row.lo * per / step) > floor(row.hi * per / step):
            return True
    return False
