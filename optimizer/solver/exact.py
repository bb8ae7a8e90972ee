"""Proofs in rational arithmetic: that a point is feasible and cheapest, or that there is none.

A solver's floating-point figures are never used for this. Prices may come from anywhere: what they prove is reckoned
here from the program alone (weak duality over the box of the variables).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor, gcd, lcm

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


def reduced_costs(program: Program, prices: Sequence[Fraction]) -> tuple[Fraction, ...]:
    """Cost of each variable less what the rows' prices pay for it."""
    rest = [v.cost for v in program.variables]
    for row, price in zip(program.rows, prices, strict=True):
        if price:
            for j, a in row.terms:
                rest[j] -= price * a
    return tuple(rest)


def lower_bound(program: Program, prices: Sequence[Fraction]) -> Fraction | None:
    """A lower bound on cost that holds for any prices whatever.

    A positive price counts a row's lower limit, a negative one its upper limit. None where a price leans on a limit
    that does not exist, so that the bound is minus infinity.
    """
    total = _ZERO
    for row, price in zip(program.rows, prices, strict=True):
        if not price:
            continue
        limit = row.lo if price > 0 else row.hi
        if limit is None:
            return None
        total += price * limit
    for v, rest in zip(program.variables, reduced_costs(program, prices), strict=True):
        bound = v.lo if rest > 0 else v.hi
        if bound and rest:
            total += rest * bound
    return total


def proved(program: Program, found: Vertex) -> bool:
    """True where the vertex is feasible and its own prices prove that nothing is cheaper."""
    return program.feasible(found.values) and lower_bound(program, found.prices) == program.cost(found.values)


def refutes(program: Program, prices: Sequence[Fraction]) -> bool:
    """True where prices prove that the program has no point: doing nothing at all would cost more than nothing.

    This is Farkas' lemma: with every cost zero, any point costs zero, so a bound above zero leaves none.
    """
    free = tuple(replace(v, cost=_ZERO) for v in program.variables)
    bound = lower_bound(Program(free, program.rows), prices)
    return bound is not None and bound > 0


def refuted_by(program: Program, ray: Sequence[float]) -> bool:
    """True where a solver's ray, rounded, proves that the program has no point; its sign does not matter."""
    most = max(map(abs, ray), default=0.0)
    if not most:
        return False
    counts = [round(price / most * _FINE) for price in ray]
    for sign in (1, -1):
        prices = [
            Fraction(sign * n) if n and (row.lo if sign * n > 0 else row.hi) is not None else _ZERO
            for n, row in zip(counts, program.rows, strict=True)
        ]
        if refutes(program, prices):
            return True
    return False


def no_sum_fits(lines: Iterable[tuple[Sequence[int], Fraction | None, Fraction | None]]) -> bool:
    """True where a sum of whole numbers has no value between its limits, so that there is no point.

    ``lines`` are rows over whole numbers alone, each with whole coefficients and its limits in the same unit: every
    sum is a multiple of the coefficients' greatest common divisor.
    """
    for coefs, lo, hi in lines:
        step = gcd(*coefs) or 1
        if lo is not None and hi is not None and ceil(lo / step) > floor(hi / step):
            return True
    return False


def counted_rows(program: Program) -> Iterator[tuple[Sequence[int], Fraction | None, Fraction | None]]:
    """The rows over whole numbers alone, as ``no_sum_fits`` wants them."""
    free = [j for j, v in enumerate(program.variables) if not v.whole]
    for row in program.rows:
        if row.lo is None or row.hi is None or any(row.coefs[j] for j in free):
            continue
        per = lcm(*(a.denominator for a in row.coefs if a))
        yield [int(a * per) for a in row.coefs if a], row.lo * per, row.hi * per
