"""A linear row, what a solver sees of a requirement, a stock or a rule, with whose it is; and one with room for error.

That is a second-order cone: ``coefs . x + z * ||errors of x|| <= limit``. ``x`` are the kilograms of the formula's
columns. Each error source is a linear figure in ``x`` that counts in standard deviations of 1; sources are independent
of each other, so the standard deviation of the row is the square root of the sum of their squares (JCGM 100:2008,
5.1.2). No square root is taken where anything is decided.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from math import hypot, sqrt, trunc
from statistics import NormalDist
from typing import Any

import numpy as np

from constraints.vector import QUICK_ZERO, Places, Vector, plain, quick


class RowKind(StrEnum):
    """What a row says of its owner."""

    NEED = "need"
    """A requirement on a batch."""
    SIZE = "size"
    ONCE = "once"
    """A batch is made at most once, or exactly once."""
    STOCK = "stock"
    LIMIT = "limit"
    """A rule of the kitchen."""
    LINK = "link"
    """It ties columns together and limits nothing by itself."""


@dataclass(frozen=True)
class Owner:
    """Whose row it is: ``what`` a requirement, a column, a supply or a rule, where there is one of which ``batch``."""

    kind: RowKind
    what: Any = None
    day: int | None = None
    batch: Any = None


LINK = Owner(RowKind.LINK)


@dataclass(frozen=True)
class Row:
    """One linear row ``lo <= coefs . x[columns] <= hi``; without ``columns`` over the first ones in their order.

    ``label`` is for a reader; whoever has to know whose row it is asks the ``owner``.
    """

    label: str
    coefs: Sequence[Fraction]
    lo: Fraction | None = None
    hi: Fraction | None = None
    columns: Sequence[int] | Places | None = None
    owner: Owner = LINK

    @classmethod
    def of(
        cls, label: str, total: Mapping[int, Fraction], lo: Fraction | None, hi: Fraction | None, owner: Owner = LINK
    ) -> Row:
        """A row of coefficients by column."""
        return cls(label, tuple(total.values()), lo, hi, tuple(total), owner)

    @cached_property
    def sparse(self) -> tuple[Places, Vector]:
        """The places of the coefficients that are not zero, and these."""
        coefs = Vector.of(self.coefs)
        kept = np.flatnonzero(coefs.num)
        places = kept if self.columns is None else np.asarray(self.columns, dtype=np.int64)[kept]
        return places, coefs if len(kept) == len(coefs) else coefs.at(kept)

    @cached_property
    def terms(self) -> tuple[tuple[int, Fraction], ...]:
        """The coefficients that are not zero, each with its column's place."""
        places, coefs = self.sparse
        return tuple(zip(places.tolist(), coefs.plain, strict=True))

    @cached_property
    def quick(self) -> dict[int, Fraction]:
        """The same by column, for a long reckoning (see quick)."""
        return {j: quick(a) for j, a in self.terms}

    def _kept(self, row: Row) -> Row:
        """Another row with the same coefficients, which to look through again takes longer than a solve."""
        vars(row).update({name: found for name, found in vars(self).items() if name in ("sparse", "terms", "quick")})
        return row

    def between(self, lo: Fraction | None, hi: Fraction | None) -> Row:
        """The same row between other limits."""
        return self._kept(replace(self, lo=lo, hi=hi))

    def owned(self, what: Any) -> Row:
        """The same row as one of a requirement."""
        return self._kept(replace(self, owner=Owner(RowKind.NEED, what)))

    def over(self, units: Sequence[Fraction]) -> Row:
        """The same row over variables of which each stands for so many kilograms of a column."""
        if all(unit == 1 for unit in units):
            return self
        coefs = tuple(a if unit == 1 else a * unit for a, unit in zip(self.coefs, units, strict=True))
        return replace(self, coefs=coefs)

    def plus(self, further: Mapping[int, Fraction]) -> Row:
        """The same row with further columns."""
        places, coefs = self.sparse
        joined = coefs.joined(Vector.of(further.values()))
        return replace(self, columns=np.append(places, list(further)), coefs=joined)

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


_ZERO = Fraction(0)
_FINE = 2**40
"""Denominator of a cut's direction: a cut falls short of the cone by less than one part in a billion."""

Source = tuple[tuple[int, Fraction], ...]
"""One error source: for each column that has it, the row's change per kilogram at one standard deviation."""


@dataclass(frozen=True)
class Cone:
    """``coefs . x + z * ||(e . x for e in errors)|| <= limit``, with z above zero and everything exact.

    ``side`` is the limit that it holds, ``lo`` or ``hi``.
    """

    label: str
    coefs: tuple[Fraction, ...]
    limit: Fraction
    z: Fraction
    errors: tuple[Source, ...]
    side: str = "hi"

    @cached_property
    def terms(self) -> tuple[tuple[int, Fraction], ...]:
        """The row's coefficients that are not zero, each with its column's place."""
        return tuple((j, a) for j, a in enumerate(self.coefs) if a)

    @cached_property
    def _quick(self) -> tuple[tuple[Source, ...], Fraction]:
        """The row and its sources for long reckonings (see quick), and the limit."""
        lines = (self.terms, *self.errors)
        return tuple(tuple((j, quick(a)) for j, a in line) for line in lines), quick(self.limit)

    def margin(self, x: Sequence[Fraction]) -> Fraction:
        """What the row leaves at these kilograms, before any error."""
        (row, *_), limit = self._quick
        return plain(limit - sum((a * quick(v) for j, a in row if (v := x[j])), QUICK_ZERO))

    def spread(self, x: Sequence[Fraction]) -> tuple[Fraction, ...]:
        """What one standard deviation of each source changes in the row at these kilograms."""
        return tuple(plain(part) for part in self._spread(x))

    def _spread(self, x: Sequence[Fraction]) -> list[Fraction]:
        return [sum((a * quick(v) for j, a in source if (v := x[j])), QUICK_ZERO) for source in self._quick[0][1:]]

    def variance(self, x: Sequence[Fraction]) -> Fraction:
        """The row's variance at these kilograms, exact."""
        return plain(sum((part * part for part in self._spread(x) if part), QUICK_ZERO))

    def holds(self, x: Sequence[Fraction]) -> bool:
        """True where the cone is kept, decided exactly: margin at least zero, its square at least z^2 variance."""
        margin = self.margin(x)
        return margin >= 0 and self.z * self.z * self.variance(x) <= margin * margin

    def shortfall(self, x: Sequence[Fraction]) -> float:
        """By how much the row is broken, as a share of the room it needs (float; zero or less: it is kept)."""
        needed = float(self.z) * hypot(*map(float, self.spread(x)))
        return (needed - float(self.margin(x))) / needed if needed else -float(self.margin(x))

    def likelihood(self, x: Sequence[Fraction]) -> float:
        """The probability with which the row is kept at these kilograms, the errors being normal."""
        margin, variance = float(self.margin(x)), float(self.variance(x))
        return NormalDist().cdf(margin / sqrt(variance)) if variance else float(margin >= 0)

    def cut(self, x: Sequence[Fraction]) -> Row | None:
        """The linear row that touches the cone beneath these kilograms; None where they have no error."""
        return self.along([float(part) for part in self.spread(x)])

    def along(self, errors: Sequence[float]) -> Row | None:
        """The linear row that touches the cone where its sources of error are to each other as these; None for none.

        Valid for every x that keeps the cone, whatever the direction u, because it is rational with ``||u||^2 <= 1``
        exactly and so ``u . v <= ||v||`` (Cauchy and Schwarz).
        """
        direction = _direction(errors)
        if direction is None:
            return None
        coefs = list(self.coefs)
        for count, source in zip(direction, self.errors, strict=True):
            if count:
                share = self.z * Fraction(count, _FINE)
                for j, a in source:
                    coefs[j] += share * a
        return Row(f"{self.label}, with its error", tuple(coefs), None, self.limit)

    def over(self, units: Sequence[Fraction], size: int) -> Cone:
        """The same cone over variables of which the first stand for so many kilograms each, and the rest for none."""
        coefs = tuple(a * u for a, u in zip(self.coefs, units, strict=True)) + (_ZERO,) * (size - len(units))
        errors = tuple(tuple((j, a * units[j]) for j, a in source) for source in self.errors)
        return replace(self, coefs=coefs, errors=errors)


def _direction(v: Sequence[float]) -> list[int] | None:
    """Numerators over _FINE of a vector along v that is at most one long, exactly."""
    length = hypot(*v)
    if not length:
        return None
    found = [trunc(part / length * (_FINE - 2)) for part in v]
    while sum(count * count for count in found) > _FINE * _FINE:
        found = [trunc(count * 0.999999999999) for count in found]
    return found
