"""One probe over time: straight lines between readings, whole numbers for both axes, answers exact.

Searching goes over arrays; what is found is reckoned again in fractions. Levels are in the curve's own unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial, reduce
from math import ceil, floor, lcm, log

import numpy as np
from numpy.typing import NDArray

from constraints.as_typed import ZERO

Whole = NDArray[np.int64]
SPARSE_MINUTES, SPARSE_DEGREES = 2, 5
"""Minutes between readings, and degrees Fahrenheit, above which an interval earns at its cooler end only (our rule)."""


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of one probe.

    ``times`` are ticks of ``tick`` minutes from the log's start, never falling; ``values`` are whole numbers,
    ``scale`` to the unit.
    """

    name: str
    times: Whole
    values: Whole
    tick: Fraction
    scale: int

    def __len__(self) -> int:
        return len(self.times)

    def minute(self, i: int) -> Fraction:
        """Minutes from the log's start to a reading."""
        return int(self.times[i]) * self.tick

    def value(self, i: int) -> Fraction:
        """A reading."""
        return Fraction(int(self.values[i]), self.scale)

    @property
    def top(self) -> Fraction:
        """The highest reading."""
        return self.value(int(self.values.argmax()))

    @property
    def last(self) -> Fraction:
        """The last reading."""
        return self.value(len(self) - 1)

    @property
    def peak(self) -> Fraction:
        """The last minute at the highest reading; the start where there is none."""
        return self.minute(len(self) - 1 - int(np.argmax(self.values[::-1]))) if len(self) else ZERO

    @property
    def turned(self) -> Readings:
        """The same upside down: what lies below a level lies above its negative."""
        return Readings(self.name, self.times, -self.values, self.tick, self.scale)

    def crossing(self, i: int, level: Fraction) -> Fraction:
        """Minute at which the line from reading ``i`` to the next is at a level between the two, exact."""
        a, b = self.value(i), self.value(i + 1)
        return self.minute(i) + (level - a) / (b - a) * (self.minute(i + 1) - self.minute(i))

    def crossings(self, level: Fraction, *, rising: bool) -> Iterator[Fraction]:
        """Minutes at which it comes up to a level from below it, or goes below it."""
        change = np.diff(self.above(level).astype(np.int8))
        return (self.crossing(int(i), level) for i in np.flatnonzero(change == (1 if rising else -1)))

    def above(self, level: Fraction) -> NDArray[np.bool_]:
        """Which readings are at or above a level."""
        found: NDArray[np.bool_] = self.values >= ceil(level * self.scale)
        return found

    def longest_above(self, level: Fraction, gap: Fraction) -> tuple[Fraction, Fraction] | None:
        """Start and end, minutes, of the longest unbroken time at or above a level; None where it is never reached."""
        spans = self._spans(level, gap, longest=True)
        return max(spans, key=lambda span: (span[1] - span[0], -span[0]), default=None)

    def held(self, level: Fraction, gap: Fraction) -> Fraction:
        """Minutes of the longest unbroken time at or above a level."""
        start, end = self.longest_above(level, gap) or (ZERO, ZERO)
        return end - start

    def _spans(self, level: Fraction, gap: Fraction, *, longest: bool = False) -> Iterator[tuple[Fraction, Fraction]]:
        """Start and end of every unbroken time at or above a level, or of those that may be the ``longest``."""
        above = self.above(level)
        joined = above[1:] & above[:-1] & (np.diff(self.times) <= floor(gap / self.tick))
        first, last = (np.flatnonzero(above & ~end) for end in (np.append(False, joined), np.append(joined, False)))
        if longest:
            most = self.times[np.minimum(last + 1, len(self) - 1)] - self.times[np.maximum(first - 1, 0)]
            kept = most >= np.max(self.times[last] - self.times[first], initial=0)
            first, last = first[kept], last[kept]
        return (self._span(a, b, level, gap) for a, b in zip(first.tolist(), last.tolist(), strict=True))

    def _span(self, first: int, last: int, level: Fraction, gap: Fraction) -> tuple[Fraction, Fraction]:
        start, end = self.minute(first), self.minute(last)
        if first and self.value(first - 1) < level and start - self.minute(first - 1) <= gap:
            start = self.crossing(first - 1, level)
        if last + 1 < len(self) and self.value(last + 1) < level and self.minute(last + 1) - end <= gap:
            end = self.crossing(last, level)
        return start, end

    def earned(self, level: Fraction, start: Fraction, need: Fraction, gap: Fraction) -> Fraction | None:
        """Minute at which so many minutes at or above a level are together, from a minute on; None: they never are."""
        for begun, end in self._spans(level, gap):
            begin = max(begun, start)
            if end - begin >= need:
                return begin + need
            need -= max(end - begin, ZERO)
        return start if need <= 0 else None

    def stays_at_most(self, level: Fraction) -> Fraction | None:
        """Minute from which on it is never above a level again; None where the log ends above it."""
        higher = np.flatnonzero(~self.turned.above(-level))
        if not len(higher):
            return self.minute(0)
        last = int(higher[-1])
        return None if last == len(self) - 1 else self.crossing(last, level)

    def widest_gap(self, start: Fraction, end: Fraction) -> Fraction:
        """Most minutes between neighbours of which one lies within a time."""
        ticks = self.times
        inside = (ticks[1:] > floor(start / self.tick)) & (ticks[:-1] < ceil(end / self.tick))
        return int(np.max(np.diff(ticks), where=inside, initial=0)) * self.tick

    def falls(self, start: Fraction, end: Fraction) -> bool:
        """True where no reading within a time is above the one before."""
        inside = (self.times >= ceil(start / self.tick)) & (self.times <= floor(end / self.tick))
        return bool(np.all(np.diff(self.values[inside]) <= 0))

    def area_above(self, level: Fraction, until: Fraction) -> Fraction:
        """Unit times minutes above a level up to a minute, along straight lines, exact."""
        base, end = level * self.scale, until / self.tick
        heights = [value * base.denominator - base.numerator for value in self.values.tolist()]
        times = self.times.tolist()
        whole, part = 0, ZERO
        for t0, t1, v0, v1 in zip(times, times[1:], heights, heights[1:], strict=False):
            if t0 >= end:
                break
            if t1 > end:
                v1, t1 = v0 + Fraction(v1 - v0) * (end - t0) / (t1 - t0), end
            if v0 >= 0 and v1 >= 0:
                whole += (v0 + v1) * (t1 - t0)
            elif v0 > 0 or v1 > 0:
                part += Fraction(max(v0, v1) ** 2, abs(v1 - v0)) * (t1 - t0)
        return (whole + part) * self.tick / 2 / (self.scale * base.denominator)

    def lethality(self, at: float, z: float, longest: float = SPARSE_MINUTES, steep: float = SPARSE_DEGREES) -> float:
        """Minutes at temperature ``at`` that do the same by ten to the power (T - at)/z; floating, never a verdict.

        Exact along straight lines between readings (expm1 of the change); an interval longer or
        steeper than stated earns at its cooler end only. Bigelow's model; a trapezoid of rates overstates it.
        """
        minutes = self.times.astype(float) * float(self.tick)
        degrees = self.values.astype(float) / self.scale
        steps, change = np.diff(minutes), np.diff(degrees)
        cooler = np.minimum(degrees[1:], degrees[:-1])
        power = np.abs(change) * (log(10) / z)
        mean = np.where(power > 0, np.expm1(power) / np.where(power > 0, power, 1.0), 1.0)
        sparse = (steps > longest) | (np.abs(change) > steep)
        return float(np.sum(steps * 10.0 ** ((cooler - at) / z) * np.where(sparse, 1.0, mean)))


def coldest(cores: Sequence[Readings]) -> Readings:
    """The coldest of all cores at every moment at which each has a reading."""
    if len(cores) == 1:
        return cores[0]
    times = reduce(partial(np.intersect1d, assume_unique=True), [core.times for core in cores])
    scale = lcm(*(core.scale for core in cores))
    rows = [core.values[np.searchsorted(core.times, times)] * (scale // core.scale) for core in cores]
    return Readings("coldest core", times, np.min(rows, axis=0), cores[0].tick, scale)
