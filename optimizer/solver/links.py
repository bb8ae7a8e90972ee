"""Rows that tie a sum of variables to yes-or-no variables: none, a span or all of it; once for every program."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from constraints.requirement import Span
from constraints.row import LINK, Owner, Row

_ZERO, _ONE = Fraction(0), Fraction(1)

Sum = Mapping[int, Fraction]
"""Coefficients by variable."""


def possible(span: Span) -> Fraction:
    """Upper bound of the variable that says whether anything is taken: 0 where a span leaves nothing but none."""
    return _ONE if span.lo <= span.hi or span.every is not None else _ZERO


def none_or(
    total: Sum, span: Span, use: int, every: int = -1, name: str = "", ceiling: str = "stock", owner: Owner = LINK
) -> list[Row]:
    """Hold ``total`` to none where the variable ``use`` is 0, within the span where it is 1, to all where ``every`` is.

    ``every`` has a meaning only where the span has. The rows leave the convex hull of the three choices.
    """
    rest = [] if span.every is None else [{every: span.hi - span.every}, {every: span.lo - span.every}]
    most, least = rest or ({}, {})
    rows = [Row.of(f"{ceiling} of {name}", {**total, use: -span.hi, **most}, None, _ZERO, owner)]
    if span.lo or rest:
        rows.append(Row.of(f"smallest pull of {name}", {**total, use: -span.lo, **least}, _ZERO, None, owner))
    return rows + ([Row.of(f"remnant of {name}", {every: _ONE, use: -_ONE}, None, _ZERO)] if rest else [])
