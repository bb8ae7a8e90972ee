"""Fractions for long reckonings: those of GMP, in a tenth of the time that Python's own take.

They are taken in and given back at the edges of such a reckoning; nothing else of the program meets them.
"""

from __future__ import annotations

from fractions import Fraction
from typing import cast

from gmpy2 import mpq  # type: ignore[import-untyped]

_ZERO = Fraction(0)
QUICK_ZERO = cast(Fraction, mpq(0))
QUICK_ONE = cast(Fraction, mpq(1))


def quick(figure: Fraction) -> Fraction:
    """The same figure for a long reckoning."""
    return cast(Fraction, mpq(figure.numerator, figure.denominator)) if figure else QUICK_ZERO


def plain(figure: Fraction) -> Fraction:
    """The same figure as everything else has it."""
    return Fraction(int(figure.numerator), int(figure.denominator)) if figure else _ZERO
