"""Proofs in rational arithmetic: that a point is feasible and cheapest, or that there is none.

A solver's floating-point figures are never used for this. Prices may come from anywhere: what they prove is reckoned
here from the program alone (weak duality over the box of the variables).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, frexp, gcd, lcm
from typing import Any

import numpy as np

from constraints.row import Row, Vector, solve
from optimizer.solver.model import ColumnKind, Program, SimplexBasis

_ZERO = Fraction(0)
_BITS = 60
"""Binary places kept of the largest of a solver's prices, and as many more as its row's denominator needs."""
Within = Mapping[int, tuple[Fraction, Fraction]]
"""Closer bounds of some variables."""


@dataclass(frozen=True)
class Vertex:
    """An exact basic solution. ``prices`` are the rows' dual values, money per unit of the row's limit."""

    values: tuple[Fraction, ...]
    prices: tuple[Fraction, ...]
    basis: SimplexBasis
    cost: Fraction = _ZERO


def multipliers(program: Program, prices: Iterable[float]) -> tuple[Fraction, ...]:
    """A solver's prices as fractions whose products with a row are whole numbers over one power of two.

    Those that lean on a limit that does not exist are none.
    """
    prices = [float(price) for price in prices]
    bits = max(_BITS - frexp(max(map(abs, prices), default=0.0))[1], 0)
    found = [_ZERO] * len(prices)
    for i, (row, price) in enumerate(zip(program.rows, prices, strict=True)):
        if price and (row.lo if price > 0 else row.hi) is not None:
            den, (over, under) = row.sparse[1].den, price.as_integer_ratio()
            fine = bits + den.bit_length()
            found[i] = Fraction((over << fine) // (under * den) * den, 1 << fine)
    return tuple(found)


def _rest(program: Program, costs: Vector, prices: Sequence[Fraction]) -> tuple[Any, int]:
    """What every variable costs beyond what the rows pay for it, as whole numbers and their one denominator."""
    paid = [(*row.sparse, price / row.sparse[1].den) for row, price in zip(program.rows, prices, strict=True) if price]
    den = lcm(costs.den, *{factor.denominator for *_, factor in paid})
    rest = costs.num.astype(object) * (den // costs.den)
    for places, coefs, factor in paid:
        rest[places] -= coefs.num.astype(object) * (factor.numerator * (den // factor.denominator))
    return rest, den


def reduced_costs(program: Program, prices: Sequence[Fraction]) -> tuple[Fraction, ...]:
    """Cost of each variable less what the rows' prices pay for it."""
    rest, den = _rest(program, program.vectors[0], prices)
    return tuple(Fraction(n, den) if n else _ZERO for n in rest.tolist())


def lower_bound(
    program: Program, prices: Sequence[Fraction], *, free: bool = False, within: Within | None = None
) -> Fraction | None:
    """A lower bound on cost that holds for any prices whatever; with ``free`` as if nothing cost anything.

    ``within`` are closer bounds of some variables.

    A positive price counts a row's lower limit, a negative one its upper limit. None where a price leans on a limit
    that does not exist, so that the bound is minus infinity.
    """
    total = _ZERO if free else program.constant
    for row, price in zip(program.rows, prices, strict=True):
        if price:
            limit = row.lo if price > 0 else row.hi
            if limit is None:
                return None
            total += price * limit if limit else _ZERO
    cost, hi, lo, _ = program.vectors
    rest, den = _rest(program, Vector.whole([0] * len(cost)) if free else cost, prices)
    for sign, bound in ((1, lo), (-1, hi)):
        places = np.flatnonzero(rest * sign > 0)
        worth = rest[places] @ bound.num[places].astype(object) if bound.top and len(places) else 0
        total += Fraction(worth, den * bound.den)
    for j, closer in (within or {}).items():
        if rest[j]:
            v, side = program.variables[j], rest[j] < 0
            total += Fraction(rest[j], den) * (closer[side] - (v.hi if side else v.lo))
    return total


def proved(program: Program, found: Vertex) -> bool:
    """True where the vertex is feasible and its own prices prove that nothing is cheaper."""
    return program.feasible(found.values) and lower_bound(program, found.prices) == program.cost(found.values)


def refutes(program: Program, prices: Sequence[Fraction], within: Within | None = None) -> bool:
    """True where prices prove that the program has no point: doing nothing at all would cost more than nothing.

    This is Farkas' lemma: with every cost zero, any point costs zero, so a bound above zero leaves none.
    """
    bound = lower_bound(program, prices, free=True, within=within)
    return bound is not None and bound > 0


def refuted_by(program: Program, ray: Sequence[float], within: Within | None = None) -> tuple[Fraction, ...]:
    """A solver's ray, rounded, if it proves that the program has no point; its sign does not matter. Else nothing."""
    for sign in (1, -1) if any(ray) else ():
        prices = multipliers(program, [sign * price for price in ray])
        if refutes(program, prices, within):
            return prices
    return ()


def unique(program: Program, found: Vertex, within: Within) -> bool:
    """True where a cheapest vertex, within closer bounds, surely has the only cheapest amounts there.

    All others would keep the same limits that are paid for, with what is free where it stands; those are as many
    equations as unknowns, and have one solution.
    """
    rest, _ = _rest(program, program.vectors[0], found.prices)
    bounds = (within.get(j, (v.lo, v.hi)) for j, v in enumerate(program.variables))
    free = {j for j, (n, (lo, hi)) in enumerate(zip(rest.tolist(), bounds, strict=True)) if not n and lo < hi}
    paid = [row for row, price in zip(program.rows, found.prices, strict=True) if price]
    lines = [{j: a for j, a in row.terms if j in free} for row in paid]
    places = {j: k for k, j in enumerate(sorted({j for line in lines for j in line}))}
    loose = any(program.variables[j].kind is ColumnKind.AMOUNT for j in free - places.keys())
    if loose or len(places) != len(lines):
        return False
    return solve([{places[j]: a for j, a in line.items()} for line in lines], [{} for _ in lines]) is not None


def in_steps(row: Row) -> tuple[list[int], int | None, int | None]:
    """A row of whole numbers alone as whole numbers without a common divisor, by term, and what its sum may be."""
    _, coefs = row.sparse
    step = gcd(*coefs.num.tolist()) or 1
    per = Fraction(coefs.den, step)
    lo, hi = None if row.lo is None else ceil(row.lo * per), None if row.hi is None else floor(row.hi * per)
    return [n // step for n in coefs.num.tolist()], lo, hi


def no_sum_fits(program: Program) -> bool:
    """True where a row over whole numbers alone has no sum between its limits, so that there is no point.

    Every sum is a multiple of the greatest common divisor of the coefficients.
    """
    free = {j for j, v in enumerate(program.variables) if not v.whole}
    for row in program.rows:
        if row.lo is not None and row.hi is not None and not any(j in free for j, _ in row.terms):
            _, lo, hi = in_steps(row)
            if lo is not None and hi is not None and lo > hi:
                return True
    return False
