"""From a solver's basis to an exact vertex: amounts, prices and proof in rational arithmetic.

A basis is only a list of names. Whether it is optimal is settled here, by solving its equations with fractions and
checking every bound and every sign; the solver's floating-point figures are not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.formula import solve_exactly
from optimizer.model import Outcome, Place, Program

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Vertex:
    """An exact basic solution. ``prices`` are the rows' dual values, money per unit of the row's limit.

    ``reduced`` is each variable's reduced cost: what one unit more would cost beyond what it replaces. ``unique`` is
    True where every resting variable and row has a price, so that no other point costs the same.
    """

    values: tuple[Fraction, ...]
    prices: tuple[Fraction, ...]
    reduced: tuple[Fraction, ...]
    unique: bool


def vertex(program: Program, outcome: Outcome) -> Vertex | None:
    """The exact vertex of a basis, or None where the basis is singular. Nothing is said of its feasibility."""
    if not outcome.variable_places:
        return None
    basic = [j for j, place in enumerate(outcome.variable_places) if place is Place.BASIC]
    active = [i for i, place in enumerate(outcome.row_places) if place is not Place.BASIC]
    if len(basic) != len(active):
        return None
    values = [
        v.hi if place is Place.UPPER else v.lo
        for v, place in zip(program.variables, outcome.variable_places, strict=True)
    ]
    resting = [j for j, place in enumerate(outcome.variable_places) if place is not Place.BASIC and values[j]]
    matrix, right = [], []
    for i in active:
        row = program.rows[i]
        limit = row.hi if outcome.row_places[i] is Place.UPPER else row.lo
        if limit is None:
            return None
        matrix.append([row.coefs[j] for j in basic])
        right.append([limit - sum((row.coefs[j] * values[j] for j in resting), _ZERO)])
    solved = solve_exactly(matrix, right)
    transposed = [[program.rows[i].coefs[j] for i in active] for j in basic]
    duals = solve_exactly(transposed, [[program.variables[j].cost] for j in basic])
    if solved is None or duals is None:
        return None
    for j, found in zip(basic, solved, strict=True):
        values[j] = found[0]
    prices = [_ZERO] * len(program.rows)
    for i, price in zip(active, duals, strict=True):
        prices[i] = price[0]
    reduced = reduced_costs(program, prices)
    held = set(basic)
    priced_columns = all(
        reduced[j] or v.lo == v.hi for j, v in enumerate(program.variables) if j not in held
    )  # fmt: skip
    fixed_rows = (i for i in active if program.rows[i].lo != program.rows[i].hi)
    return Vertex(tuple(values), tuple(prices), reduced, priced_columns and all(prices[i] for i in fixed_rows))


def reduced_costs(program: Program, prices: Sequence[Fraction]) -> tuple[Fraction, ...]:
    """Cost of each variable less what the rows' prices pay for it."""
    priced = [(row.coefs, price) for row, price in zip(program.rows, prices, strict=True) if price]
    return tuple(
        v.cost - sum((price * coefs[j] for coefs, price in priced if coefs[j]), _ZERO)
        for j, v in enumerate(program.variables)
    )


def lower_bound(program: Program, prices: Sequence[Fraction]) -> Fraction | None:
    """A lower bound on cost that holds for any prices whatever (weak duality over the box of the variables).

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
        total += rest * (v.lo if rest > 0 else v.hi)
    return total


def proved(program: Program, found: Vertex) -> bool:
    """True where the vertex is feasible and its own prices prove that nothing is cheaper."""
    return program.feasible(found.values) and lower_bound(program, found.prices) == program.cost(found.values)
