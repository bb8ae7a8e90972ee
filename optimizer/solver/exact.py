"""Proofs in rational arithmetic: that a point is feasible and cheapest, or that there is none.

A solver's floating-point figures are never used for this. Prices may come from anywhere: what they prove is reckoned
here from the program alone (weak duality over the box of the variables).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, frexp, gcd, lcm
from typing import Any

import numpy as np

from constraints.vector import Vector
from optimizer.solver.model import Basis, Program

_ZERO = Fraction(0)
_BITS = 60
"""Binary places kept of the largest of a solver's prices, and as many more as its row's denominator needs."""


@dataclass(frozen=True)
class Vertex:
    """An exact basic solution. ``prices`` are the rows' dual values, money per unit of the row's limit."""

    values: tuple[Fraction, ...]
    prices: tuple[Fraction, ...]
    basis: Basis
    cost: Fraction = _ZERO


def multipliers(program: Program, prices: Iterable[float]) -> tuple[Fraction, ...]:
    """A solver's prices as fractions whose products with a row are whole numbers over one power of two.

    Those that lean on a limit that does not exist are none.
    """
    prices = [float(price) for price in prices]
    bits = _BITS - frexp(max(map(abs, prices), default=0.0))[1]
    found = []
    for row, price in zip(program.rows, prices, strict=True):
        den, there = row.sparse[1].den, price and (row.lo if price > 0 else row.hi) is not None
        fine = bits + den.bit_length()
        found.append(round(Fraction(price) * Fraction(2) ** fine / den) * den / Fraction(2) ** fine if there else _ZERO)
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


def lower_bound(program: Program, prices: Sequence[Fraction], *, free: bool = False) -> Fraction | None:
    """A lower bound on cost that holds for any prices whatever; with ``free`` as if nothing cost anything.

    A positive price counts a row's lower limit, a negative one its upper limit. None where a price leans on a limit
    that does not exist, so that the bound is minus infinity.
    """
    total = _ZERO if free else program.constant
    for row, price in zip(program.rows, prices, strict=True):
        limit = (row.lo if price > 0 else row.hi) if price else _ZERO
        if limit is None:
            return None
        total += price * limit if limit else _ZERO
    cost, hi, lo, _ = program.vectors
    rest, den = _rest(program, Vector.whole([0] * len(cost)) if free else cost, prices)
    for sign, bound in ((1, lo), (-1, hi)):
        places = np.flatnonzero(rest * sign > 0)
        worth = rest[places] @ bound.num[places].astype(object) if bound.top and len(places) else 0
        total += Fraction(worth, den * bound.den)
    return total


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
    for sign in (1, -1) if any(ray) else ():
        prices = multipliers(program, [sign * price for price in ray])
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
