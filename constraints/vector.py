"""Exact figures reckoned fast: fractions of GMP for long reckonings, one a column all at once, and linear equations.

Fractions of GMP take a tenth of the time of Python's own; they are taken in and given back at the edges of such a
reckoning, and nothing else of the program meets them. A vector holds whole numbers over one denominator: 64-bit
integers where the largest cannot pass them, which is known before each operation, and Python's own beyond. As a
sequence it gives the fractions themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from math import gcd, lcm
from typing import Any, TypeAlias, cast, overload

import numpy as np
from gmpy2 import mpq  # type: ignore[import-untyped]

Floats: TypeAlias = "np.ndarray[Any, np.dtype[np.float64]]"
Places: TypeAlias = "np.ndarray[Any, np.dtype[np.int64]]"
_SAFE, _EXACT = 2**62, 2**53
"""Whole numbers below the first are added in the machine without a loss, below the second they are floats."""
_ZERO = Fraction(0)
_ONE = Fraction(1)
QUICK_ZERO = cast(Fraction, mpq(0))
QUICK_ONE = cast(Fraction, mpq(1))


def quick(figure: Fraction) -> Fraction:
    """The same figure for a long reckoning."""
    return cast(Fraction, mpq(figure.numerator, figure.denominator)) if figure else QUICK_ZERO


def plain(figure: Fraction) -> Fraction:
    """The same figure as everything else has it."""
    return Fraction(int(figure.numerator), int(figure.denominator)) if figure else _ZERO


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

    def plus(self, other: Vector, factor: Fraction = _ONE) -> Vector:
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
