"""A ladder of prices by kilograms ordered: one reckoning for plans, for books and for what an offer is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Stretch:
    """A stretch of an order's quantity: from ``lo`` to ``hi`` kilograms at ``price``, plus ``fixed`` money."""

    lo: Fraction
    hi: Fraction
    price: Fraction
    fixed: Fraction

    @classmethod
    def ladder(cls, price: Fraction, breaks: Sequence[tuple[Fraction, Fraction]], *, beyond: bool) -> list[Stretch]:
        """The stretches from no kilograms up; with ``beyond`` a lower price is for the kilograms beyond its break only.

        The last one has no end: its ``hi`` is its ``lo``.
        """
        steps, paid = [(_ZERO, price), *breaks], _ZERO
        found = []
        for k, (start, cost) in enumerate(steps):
            end = steps[k + 1][0] if k + 1 < len(steps) else start
            found.append(cls(start, end, cost, paid - cost * start if beyond else _ZERO))
            paid += cost * (end - start)
        return found

    @staticmethod
    def paid(ladder: Sequence[Stretch], kg: Fraction) -> Fraction:
        """Money for so many kilograms."""
        on = next(stretch for stretch in reversed(ladder) if kg >= stretch.lo)
        return on.price * kg + on.fixed
