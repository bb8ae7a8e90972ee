"""Proofs in rational arithmetic: that a point is feasible and cheapest, or that there is none.

A solver's floating-point figures are never used for this. Prices may come from anywhere: what they prove is reckoned
here from the program alone (weak duality over the box of the variables).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from optimizer.solver.model import Basis, Program

_ZERO = Fraction(0)


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
