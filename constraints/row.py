"""A linear row over the columns of a formula: what a solver sees of a requirement."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Row:
    """One linear row over the formula's columns: ``lo <= coefs . kilograms <= hi``."""

    label: str
    coefs: tuple[Fraction, ...]
    lo: Fraction | None = None
    hi: Fraction | None = None

    def value(self, kilograms: tuple[Fraction, ...]) -> Fraction:
        """The row's activity at these kilograms of the columns."""
        return sum((a * x for a, x in zip(self.coefs, kilograms, strict=True) if a and x), Fraction(0))

    def holds(self, kilograms: tuple[Fraction, ...]) -> bool:
        """True where the row is satisfied exactly."""
        value = self.value(kilograms)
        return (self.lo is None or value >= self.lo) and (self.hi is None or value <= self.hi)
