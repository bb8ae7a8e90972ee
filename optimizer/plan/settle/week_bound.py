"""What can be proved of a plan without trusting the solver: a lower bound on its cost, in whole-number arithmetic.

Any prices on the rows bound the cost from below (weak duality over the box of the columns). The solver's prices are
rounded to multiples of a power of one half, costs are rounded down likewise, and every coefficient is a whole number
over its row's denominator, so that the bound is a sum of whole numbers: exact, and quick for millions of coefficients.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from constraints.vector import Floats
from optimizer.plan.model.sparse import Exact, Row, Sparse, exact_array

_ZERO = Fraction(0)
_BITS = 64
"""Binary places kept of a price beyond those that a row's denominator needs."""


def lower_bound(program: Sparse, prices: Floats) -> Fraction:
    """A cost that no plan undercuts, whole numbers or not. Prices that lean on a limit that is not there count as 0."""
    bits = _BITS + max((row.coefs.den for row in program.rows), default=1).bit_length()
    scaled = [_price(row, float(price), bits) for row, price in zip(program.rows, prices, strict=True)]
    total = sum(
        (price * (row.lo if price > 0 else row.hi) * row.coefs.den  # type: ignore[operator]
         for row, price in zip(program.rows, scaled, strict=True) if price), _ZERO
    )  # fmt: skip
    rest = _reduced(program, scaled, bits)
    negative = np.flatnonzero(rest < 0)
    for at, most in zip(negative, program.exact_hi(list(negative)), strict=True):
        total += int(rest[at]) * most
    return Fraction(total, 1 << bits) + program.constant


def _price(row: Row, price: float, bits: int) -> int:
    """The price of a row multiplied by its denominator, as so many binary places."""
    if price == 0 or (price > 0 and row.lo is None) or (price < 0 and row.hi is None):
        return 0
    return round(Fraction(price) * (1 << bits) / row.coefs.den)


def _reduced(program: Sparse, scaled: list[int], bits: int) -> Exact:
    """Reduced cost of every column, times ``2 ** bits``, rounded down only where its cost was."""
    rest = program.cost_floors(bits)
    priced = [(row, price) for row, price in zip(program.rows, scaled, strict=True) if price]
    if not priced:
        return rest
    columns = np.concatenate([row.columns for row, _ in priced])
    products = np.concatenate([row.coefs.num.astype(object) * price for row, price in priced])
    order = np.argsort(columns, kind="stable")
    columns, products = columns[order], products[order]
    names, starts = np.unique(columns, return_index=True)
    rest = exact_array(list(rest))
    rest[names] = rest[names] - np.add.reduceat(products, starts)
    return rest


def reduced_costs(program: Sparse, prices: Floats) -> Floats:
    """Reduced cost of every column in floating point: what one more unit of it would cost. Empty without prices."""
    if not len(prices):
        return np.zeros(0)
    rest = program.cost.copy()
    columns = np.concatenate([row.columns for row in program.rows])
    paid = np.concatenate([row.coefs.floats * price for row, price in zip(program.rows, prices, strict=True)])
    np.subtract.at(rest, columns, paid)
    return rest
