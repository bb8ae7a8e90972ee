"""Exact figures, one a column: whole numbers over one denominator, reckoned all at once.

They are 64-bit integers where the largest cannot pass them, which is known before each operation, and Python's own
beyond. As a sequence a vector gives the fractions themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from math import gcd, lcm
from typing import Any, TypeAlias, overload

import numpy as np

Floats: TypeAlias = "np.ndarray[Any, np.dtype[np.float64]]"
Places: TypeAlias = "np.ndarray[Any, np.dtype[np.int64]]"
_SAFE = 2**62
_ONE = Fraction(1)


class Vector(Sequence[Fraction]):
    """The figures ``num[j] / den``; ``top`` is at least the largest of the numbers in size."""

    __slots__ = ("_plain", "den", "num", "top")

    def __init__(self, num: Any, den: int, top: int | None = None) -> None:
        self.num, self.den = num, den
        self.top = int(abs(num).max(initial=0)) if top is None else top
        self._plain: tuple[Fraction, ...] | None = None

    @classmethod
    def of(cls, values: Iterable[Fraction | int]) -> Vector:
        """Figures over their common denominator."""
        plain = tuple(Fraction(value) for value in values)
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
        """The figures in floating point."""
        if self.num.dtype == object:
            return np.array([n / self.den for n in self.num], dtype=np.float64)
        return np.asarray(self.num / float(self.den), dtype=np.float64)

    def at(self, places: Places) -> Vector:
        """The figures at some places."""
        return Vector(self.num[places], self.den, self.top)

    def times(self, factor: Fraction) -> Vector:
        """Every figure times a factor."""
        if factor == 1:
            return self
        return Vector(self._scaled(factor.numerator), self.den * factor.denominator)._short()

    def plus(self, other: Vector, factor: Fraction = _ONE) -> Vector:
        """``self + factor * other``, figure by figure."""
        den = lcm(self.den, other.den * factor.denominator)
        mine, its = den // self.den, factor.numerator * (den // (other.den * factor.denominator))
        top = self.top * mine + other.top * abs(its)
        if top < _SAFE:
            return Vector(self._scaled(mine) + other._scaled(its), den, top)._short()
        return Vector(self.num.astype(object) * mine + other.num.astype(object) * its, den)._short()

    def joined(self, other: Vector) -> Vector:
        """These figures, then the others."""
        den = lcm(self.den, other.den)
        parts = self._scaled(den // self.den), other._scaled(den // other.den)
        return Vector(np.concatenate(parts), den)

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
        share = gcd(self.den, *self.num) if self.num.dtype == object else gcd(self.den, int(np.gcd.reduce(self.num)))
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

    @overload
    def __getitem__(self, place: int) -> Fraction: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Fraction, ...]: ...
    def __getitem__(self, place: int | slice) -> Fraction | tuple[Fraction, ...]:
        return self.plain[place]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and self.plain == tuple(other)

    def __hash__(self) -> int:
        return hash(self.plain)
