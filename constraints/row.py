"""A linear row over the columns of a formula: what a solver sees of a requirement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from constraints.quick import quick


@dataclass(frozen=True)
class Row:
    """One linear row over the formula's columns: ``lo <= coefs . kilograms <= hi``."""

    label: str
    coefs: Sequence[Fraction]
    lo: Fraction | None = None
    hi: Fraction | None = None

    @cached_property
    def terms(self) -> tuple[tuple[int, Fraction], ...]:
        """The coefficients that are not zero, each with its column's place."""
        return tuple((j, a) for j, a in enumerate(self.coefs) if a)

    @cached_property
    def floats(self) -> tuple[tuple[int, float], ...]:
        """The same in floating point, for a solver."""
        return tuple((j, float(a)) for j, a in self.terms)

    @cached_property
    def quick(self) -> dict[int, Fraction]:
        """The same by column, for a long reckoning (see quick)."""
        return {j: quick(a) for j, a in self.terms}

    def wider(self, more: int) -> Row:
        """The same row with so many further columns that do not count."""
        row = Row(self.label, (*self.coefs, *[Fraction(0)] * more), self.lo, self.hi)
        vars(row).update(terms=self.terms, floats=self.floats, quick=self.quick)  # to look again takes longer
        return row

    def between(self, lo: Fraction | None, hi: Fraction | None) -> Row:
        """The same row between other limits."""
        row = Row(self.label, self.coefs, lo, hi)
        vars(row).update({name: found for name, found in vars(self).items() if name in ("terms", "floats", "quick")})
        return row

    def keeps(self, used: Mapping[int, Fraction]) -> bool:
        """True where the row is satisfied exactly by these figures (see quick) of the columns that are not zero."""
        if self.lo is None and self.hi is None:
            return True
        value = sum(a * x for j, x in used.items() if (a := self.quick.get(j)))
        return (self.lo is None or value >= self.lo) and (self.hi is None or value <= self.hi)

    def value(self, kilograms: Sequence[Fraction]) -> Fraction:
        """The row's activity at these kilograms of the columns."""
        return sum((a * x for j, a in self.terms if (x := kilograms[j])), Fraction(0))

    def holds(self, kilograms: Sequence[Fraction]) -> bool:
        """True where the row is satisfied exactly."""
        value = self.value(kilograms)
        return (self.lo is None or value >= self.lo) and (self.hi is None or value <= self.hi)
