"""Rows that tie a sum of variables to yes-or-no variables: none, a span or all of it; once for every program."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from constraints.requirement import Span

_ZERO, _ONE = Fraction(0), Fraction(1)

Sum = Mapping[int, Fraction]
"""Coefficients by variable."""
Line = tuple[str, Sum, Fraction | None, Fraction | None]
"""What a row is called, its sum, and its limits."""


def possible(span: Span) -> Fraction:
    """Upper bound of the variable that says whether anything is taken: 0 where a span leaves nothing but none."""
    return _ONE if span.lo <= span.hi or span.every is not None else _ZERO


def none_or(total: Sum, span: Span, use: int, every: int, name: str, ceiling: str = "stock") -> list[Line]:
    """Hold ``total`` to none where the variable ``use`` is 0, within the span where it is 1, to all where ``every`` is.

    ``every`` has a meaning only where the span has. The rows leave the convex hull of the three choices.
    """
    if span.every is None:
        lines: list[Line] = [(f"{ceiling} of {name}", {**total, use: -span.hi}, None, _ZERO)]
        return lines + ([(f"smallest pull of {name}", {**total, use: -span.lo}, _ZERO, None)] if span.lo else [])
    return [
        (f"{ceiling} of {name}", {**total, use: -span.hi, every: span.hi - span.every}, None, _ZERO),
        (f"smallest pull of {name}", {**total, use: -span.lo, every: span.lo - span.every}, _ZERO, None),
        (f"remnant of {name}", {every: _ONE, use: -_ONE}, None, _ZERO),
    ]
