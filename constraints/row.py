"""Linear rows, what a solver sees of a requirement, a stock or a rule, and the exact figures that they are made of.

Fractions of GMP take a tenth of the time of Python's own; they are taken in and given back at the edges of a long
reckoning, and nothing else of the program meets them. A vector holds whole numbers over one denominator: 64-bit
integers where the largest cannot pass them, which is known before each operation, and Python's own beyond. As a
sequence it gives the fractions themselves.

A row with room for error is a second-order cone: ``coefs . x + z * ||errors of x|| <= limit``. ``x`` are the kilograms
of the formula's columns. Each error source is a linear figure in ``x`` that counts in standard deviations of 1; sources
are independent of each other, so the standard deviation of the row is the square root of the sum of their squares
(JCGM 100:2008, 5.1.2). No square root is taken where anything is decided.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from math import gcd, hypot, lcm, sqrt, trunc
from statistics import NormalDist
from typing import Any, TypeAlias, cast

import numpy as np
from gmpy2 import mpq  # type: ignore[import-untyped]

from constraints.as_typed import ONE, ZERO

Floats: TypeAlias = "np.ndarray[Any, np.dtype[np.float64]]"
Places: TypeAlias = "np.ndarray[Any, np.dtype[np.int64]]"
_SAFE, _EXACT = 2**62, 2**53
"""Whole numbers below the first are added in the machine without a loss, below the second they are floats."""
QUICK_ZERO = cast(Fraction, mpq(0))
QUICK_ONE = cast(Fraction, mpq(1))


def quick(figure: Fraction) -> Fraction:
    """The same figure for a long reckoning."""
    return cast(Fraction, mpq(figure.numerator, figure.denominator)) if figure else QUICK_ZERO


def plain(figure: Fraction) -> Fraction:
    """The same figure as everything else has it."""
    return Fraction(int(figure.numerator), int(figure.denominator)) if figure else ZERO


class Vector(Sequence[Fraction]):
    """The figures ``num[j] / den``; ``top`` is at least the largest of the numbers in size."""

    __slots__ = ("_plain", "den", "num", "top")

    def __init__(self, num: Any, den: int, top: int | None = None) -> None:
        self.num, self.den = num, den
        self.top = int(abs(num).max(initial=0)) if top is None else top
        self._plain: tuple[Fraction, ...] | None = None

    @classmethod
    def of(cls, values: Iterable[Fraction | int]) -> Vector:
        """Figures over their common denominator; a vector as it is."""
        if isinstance(values, Vector):
            return values
        plain = tuple(value if type(value) is Fraction else Fraction(value) for value in values)
        den = lcm(*{value.denominator for value in plain}) if plain else 1
        found = cls.whole([value.numerator * (den // value.denominator) for value in plain], den)
        found._plain = plain
        return found

    @classmethod
    def whole(cls, numbers: Sequence[int], den: int = 1) -> Vector:
        """Whole numbers over a denominator."""
        top = max(map(abs, numbers), default=0)
        return cls(np.array(numbers, dtype=np.int64 if top < _SAFE else object), den, top)

    @property
    def first(self) -> Fraction:
        """The first figure."""
        return Fraction(int(self.num[0]), self.den)

    @property
    def floats(self) -> Floats:
        """The figures in floating point, each the nearest there is."""
        return self._divided(self.den)

    @property
    def shares(self) -> tuple[Floats, Fraction]:
        """The figures as shares of the largest in size, and that (1 for none): the same in every unit."""
        top = max(map(abs, self.num.tolist()), default=0) or self.den
        return self._divided(top), Fraction(top, self.den)

    def _divided(self, by: int) -> Floats:
        if max(self.top, by) < _EXACT:
            return np.asarray(self.num / float(by), dtype=np.float64)
        return np.array([n / by for n in self.num.tolist()], dtype=np.float64)

    def at(self, places: Places) -> Vector:
        """The figures at some places."""
        return Vector(self.num[places], self.den, self.top)

    def times(self, factor: Fraction) -> Vector:
        """Every figure times a factor."""
        if factor == 1:
            return self
        return Vector(self._scaled(factor.numerator), self.den * factor.denominator)._short()

    def plus(self, other: Vector, factor: Fraction = ONE) -> Vector:
        """``self + factor * other``, figure by figure."""
        den = lcm(self.den, other.den * factor.denominator)
        mine, its = den // self.den, factor.numerator * (den // (other.den * factor.denominator))
        top = self.top * mine + other.top * abs(its)
        if top < _SAFE:
            return Vector(self._scaled(mine) + other._scaled(its), den, top)._short()
        return Vector(self.num.astype(object) * mine + other.num.astype(object) * its, den)._short()

    def joined(self, *others: Vector) -> Vector:
        """These figures, then the others."""
        if not others:
            return self
        den = lcm(self.den, *{other.den for other in others})
        return Vector(np.concatenate([part._scaled(den // part.den) for part in (self, *others)]), den)

    def put(self, place: int, value: Fraction) -> Vector:
        """The same figures but for one."""
        found = self.joined(Vector.of([value]))
        found.num[place] = found.num[-1]
        return Vector(found.num[:-1], found.den, found.top)

    def capped(self, most: Fraction) -> Vector:
        """The figures, none of them above ``most``."""
        den = lcm(self.den, most.denominator)
        top, num = most.numerator * (den // most.denominator), self._scaled(den // self.den)
        return self if top >= self.top * (den // self.den) else Vector(np.minimum(num, top), den)

    def alike(self, under: Vector) -> bool:
        """True where every figure over the one below it, all above zero, is the same."""
        if not len(under.num) or not (under.num > 0).all():
            return False
        first, below = int(self.num[0]), int(under.num[0])
        if max(self.top, 1) * max(under.top, 1) < _SAFE:  # a zero over a figure beyond the machine's is not short
            return bool((self.num * below == under.num * first).all())
        return bool((self.num.astype(object) * below == under.num.astype(object) * first).all())

    def _scaled(self, factor: int) -> Any:
        if factor == 1:
            return self.num
        small = self.top * abs(factor) < _SAFE and abs(factor) < _SAFE
        return self.num * factor if small else self.num.astype(object) * factor

    def _short(self) -> Vector:
        """The same figures over the smallest denominator."""
        if self.den == 1 or not len(self.num):
            return self
        common = int(np.gcd.reduce(self.num))
        share = gcd(self.den, common)
        if not common:  # nothing but zeros, whose denominator may be beyond the machine's
            return Vector(self.num, 1, 0)
        return self if share == 1 else Vector(self.num // share, self.den // share)

    @property
    def plain(self) -> tuple[Fraction, ...]:
        """The figures as fractions."""
        if self._plain is None:
            self._plain = tuple(Fraction(int(n), self.den) for n in self.num)
        return self._plain

    def __len__(self) -> int:
        return len(self.num)

    def __iter__(self) -> Iterator[Fraction]:
        return iter(self.plain)

    def __getitem__(self, place: Any) -> Any:
        return self.plain[place]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and self.plain == tuple(other)

    def __hash__(self) -> int:
        return hash(self.plain)


def solve(
    lines: Sequence[Mapping[int, Fraction]], rights: Sequence[Mapping[int, Fraction]]
) -> list[dict[int, Fraction]] | None:
    """X with ``matrix @ X = right``, both sides given by their rows without zeros; None where there is no such one X.

    ``matrix`` is n by n. Gauss-Jordan elimination that takes the shortest row next and in it the column that the fewest
    rows have (Markowitz, Management Science 3, 1957, 255-269), so that the many rows of two figures (those of packs and
    pulls) stay short.
    """
    size = len(lines)
    left, made = [dict(line) for line in lines], [dict(line) for line in rights]
    using: list[set[int]] = [set() for _ in range(size)]
    for i, line in enumerate(left):
        for j in line:
            using[j].add(i)
    waiting, row_of = set(range(size)), [0] * size
    while waiting:
        i = min(waiting, key=lambda i: (len(left[i]), i))
        if not left[i]:
            return None
        waiting.remove(i)
        j = min(left[i], key=lambda j: (len(using[j]), j))
        row_of[j], lead = i, left[i][j]
        for part in (left[i], made[i]):
            for k, a in part.items():
                part[k] = a / lead
        for other in [k for k in using[j] if k != i]:
            factor = left[other][j]
            _take_off(made[other], made[i], factor)
            for k in _take_off(left[other], left[i], factor):
                (using[k].add if k in left[other] else using[k].discard)(other)
    return [made[i] for i in row_of]


def _take_off(line: dict[int, Fraction], other: Mapping[int, Fraction], factor: Fraction) -> Mapping[int, Fraction]:
    """Take a multiple of another row off one; the other row, whose places are those that may have changed."""
    for k, a in other.items():
        rest = line.get(k, 0) - factor * a
        if rest:
            line[k] = rest
        else:
            line.pop(k, None)
    return other


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

    def but(self, **changes: Any) -> Row:
        """The same row with other limits or of another owner; its coefficients are not looked through again, which
        takes longer than a solve.
        """
        row = replace(self, **changes)
        vars(row).update({name: found for name, found in vars(self).items() if name in ("sparse", "terms", "quick")})
        return row

    def owned(self, what: Any) -> Row:
        """The same row as one of a requirement."""
        return self.but(owner=Owner(RowKind.NEED, what))

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
        free = self.lo is None and self.hi is None
        return free or self._allows(sum((a * x for j, x in used.items() if (a := self.quick.get(j))), QUICK_ZERO))

    def _allows(self, value: Fraction) -> bool:
        return (self.lo is None or value >= self.lo) and (self.hi is None or value <= self.hi)

    def value(self, kilograms: Sequence[Fraction]) -> Fraction:
        """The row's activity at these kilograms of the columns."""
        return sum((a * x for j, a in self.terms if (x := kilograms[j])), ZERO)

    def holds(self, kilograms: Sequence[Fraction]) -> bool:
        """True where the row is satisfied exactly."""
        return self._allows(self.value(kilograms))


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

    def _at(self, x: Sequence[Fraction]) -> tuple[Fraction, list[Fraction]]:
        """What the row leaves at these kilograms before any error, and what one deviation of each source adds."""
        lines, limit = self._quick
        used, *spread = (sum((a * quick(v) for j, a in line if (v := x[j])), QUICK_ZERO) for line in lines)
        return limit - used, spread

    def _floats(self, x: Sequence[Fraction]) -> tuple[float, list[float]]:
        """The same, each the nearest float, which GMP's own is not."""
        margin, spread = self._at(x)
        return float(plain(margin)), [float(plain(part)) for part in spread]

    def variance(self, x: Sequence[Fraction]) -> Fraction:
        """The row's variance at these kilograms, exact."""
        return plain(sum((part * part for part in self._at(x)[1] if part), QUICK_ZERO))

    def holds(self, x: Sequence[Fraction]) -> bool:
        """True where the cone is kept, decided exactly: margin at least zero, its square at least z^2 variance."""
        margin, spread = self._at(x)
        return margin >= 0 and quick(self.z) ** 2 * sum(part * part for part in spread if part) <= margin * margin

    def shortfall(self, x: Sequence[Fraction]) -> float:
        """By how much the row is broken, as a share of the room it needs (float; zero or less: it is kept)."""
        margin, spread = self._floats(x)
        needed = float(self.z) * hypot(*spread)
        return (needed - margin) / needed if needed else -margin

    def likelihood(self, x: Sequence[Fraction]) -> float:
        """The probability with which the row is kept at these kilograms, the errors being normal."""
        margin, variance = self._floats(x)[0], float(self.variance(x))
        return NormalDist().cdf(margin / sqrt(variance)) if variance else float(margin >= 0)

    def cut(self, x: Sequence[Fraction]) -> Row | None:
        """The linear row that touches the cone beneath these kilograms; None where they have no error."""
        return self.along(self._floats(x)[1])

    def along(self, errors: Sequence[float]) -> Row | None:
        """The linear row that touches the cone where its sources of error are to each other as these; None for none.

        Valid for every x that keeps the cone, whatever the direction u, because it is rational with ``||u||^2 <= 1``
        exactly and so ``u . v <= ||v||`` (Cauchy and Schwarz).
        """
        length = hypot(*errors)
        if not length:
            return None
        direction = [trunc(part / length * (_FINE - 2)) for part in errors]
        while sum(count * count for count in direction) > _FINE * _FINE:
            direction = [trunc(count * 0.999999999999) for count in direction]
        coefs = list(self.coefs)
        for count, source in zip(direction, self.errors, strict=True):
            if count:
                share = self.z * Fraction(count, _FINE)
                for j, a in source:
                    coefs[j] += share * a
        return Row(f"{self.label}, with its error", tuple(coefs), None, self.limit)

    def over(self, units: Sequence[Fraction], size: int) -> Cone:
        """The same cone over variables of which the first stand for so many kilograms each, and the rest for none."""
        coefs = tuple(a * u for a, u in zip(self.coefs, units, strict=True)) + (ZERO,) * (size - len(units))
        errors = tuple(tuple((j, a * units[j]) for j, a in source) for source in self.errors)
        return replace(self, coefs=coefs, errors=errors)
