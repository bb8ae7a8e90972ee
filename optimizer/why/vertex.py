"""The vertex of a basis and its prices in whole numbers, compared exactly with every bound and limit.

A program's rows come as whole numbers over one denominator a row, so that no fraction has to be shortened on the way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from math import lcm
from typing import Any

import numpy as np

from optimizer.solver.model import Basis, Place, Variable

_ZERO = Fraction(0)

Limits = Sequence[Fraction | None]


def solve_whole(matrix: Any, right: Any) -> tuple[list[int], int] | None:
    """Whole numbers n and d with ``matrix @ (n / d) = right``; None where the matrix is singular.

    Elimination in which every division leaves no remainder (Bareiss, Mathematics of Computation 22, 1968, 565-578).
    """
    size = len(right)
    work = np.column_stack([matrix, right]) if size else np.zeros((0, 1), dtype=object)
    before = 1
    for k in range(size):
        rows = [i for i in range(k, size) if work[i, k]]
        if not rows:
            return None
        pick = min(rows, key=lambda i: abs(work[i, k]))
        if pick != k:
            work[[k, pick]] = work[[pick, k]]
        pivot = work[k, k]
        below, along = work[k + 1 :, k], work[k, k + 1 :]
        work[k + 1 :, k + 1 :] = (work[k + 1 :, k + 1 :] * pivot - np.outer(below, along)) // before
        before = pivot
    found = [0] * size
    for k in range(size - 1, -1, -1):
        rest = before * work[k, size]
        for j in range(k + 1, size):
            if work[k, j]:
                rest -= work[k, j] * found[j]
        found[k] = rest // work[k, k]
    return found, before


@dataclass(frozen=True)
class Vertex:
    """One basis of a program. ``lines[i] / dens[i]`` are the coefficients of row i; ``whole / den`` the values."""

    lines: Any
    dens: Sequence[int]
    lo: Limits
    hi: Limits
    variables: Sequence[Variable]
    basis: Basis
    whole: Any
    den: int

    @cached_property
    def values(self) -> tuple[Fraction, ...]:
        """Value of each variable."""
        return tuple(Fraction(n, self.den) if n else _ZERO for n in self.whole)

    @property
    def cost(self) -> Fraction:
        """Cost at the vertex."""
        used = (v.cost * n for v, n in zip(self.variables, self.whole, strict=True) if n and v.cost)
        return sum(used, _ZERO) / self.den

    @cached_property
    def feasible(self) -> bool:
        """True where every bound and limit holds."""
        for place, v, n in zip(self.basis.variables, self.variables, self.whole, strict=True):
            if place is Place.BASIC and not v.lo * self.den <= n <= v.hi * self.den:
                return False
        used = np.flatnonzero(self.whole)
        activity = self.lines[:, used] @ self.whole[used] if len(used) else [0] * len(self.dens)
        for total, den, lo, hi in zip(activity, self.dens, self.lo, self.hi, strict=True):
            scale = den * self.den
            if (lo is not None and total < lo * scale) or (hi is not None and total > hi * scale):
                return False
        return True

    @cached_property
    def prices(self) -> tuple[Fraction, ...] | None:
        """Prices of the rows where they prove that nothing is cheaper, else None."""
        basic = [j for j, place in enumerate(self.basis.variables) if place is Place.BASIC]
        active = [i for i, place in enumerate(self.basis.rows) if place is not Place.BASIC]
        per = lcm(*{v.cost.denominator for v in self.variables}) if self.variables else 1
        costs = np.array([v.cost.numerator * (per // v.cost.denominator) for v in self.variables], dtype=object)
        solved = solve_whole(self.lines[np.ix_(active, basic)].T, costs[basic])
        if solved is None:
            return None
        paid, den = solved
        if not self._signs_right(active, paid, den, costs):
            return None
        prices = [_ZERO] * len(self.dens)
        for i, n in zip(active, paid, strict=True):
            prices[i] = Fraction(n * self.dens[i], den * per)
        return tuple(prices)

    def _signs_right(self, active: Sequence[int], paid: Sequence[int], den: int, costs: Any) -> bool:
        """True where no variable and no limit could be left for a saving."""
        sign = 1 if den > 0 else -1
        for i, n in zip(active, paid, strict=True):
            lo, hi = self.lo[i], self.hi[i]
            if n and (lo is None or lo != hi):
                limit = lo if (self.basis.rows[i] is Place.LOWER) else hi
                if limit is None or (n * sign > 0) is not (self.basis.rows[i] is Place.LOWER):
                    return False
        rest = costs * den - (np.array(paid, dtype=object) @ self.lines[active] if active else 0)
        for place, v, n in zip(self.basis.variables, self.variables, rest, strict=True):
            if n and place is not Place.BASIC and v.lo != v.hi and (n * sign > 0) is not (place is Place.LOWER):
                return False
        return True


def vertex(
    lines: Any, dens: Sequence[int], lo: Limits, hi: Limits, variables: Sequence[Variable], basis: Basis
) -> Vertex | None:
    """The vertex of a basis; None where the basis is singular or rests on a bound that does not exist.

    A row without limits may be resting: then its activity is zero.
    """
    basic = [j for j, place in enumerate(basis.variables) if place is Place.BASIC]
    active = [i for i, place in enumerate(basis.rows) if place is not Place.BASIC]
    if len(basic) != len(active):
        return None
    resting = [
        (j, v.hi if place is Place.UPPER else v.lo)
        for j, (place, v) in enumerate(zip(basis.variables, variables, strict=True))
        if place is not Place.BASIC
    ]
    moved = [(j, x) for j, x in resting if x]
    limits = [hi[i] if basis.rows[i] is Place.UPPER else lo[i] for i in active]
    per = lcm(*{x.denominator for _, x in moved}, *{x.denominator for x in limits if x is not None})
    right = np.array([(x or _ZERO).numerator * dens[i] * (per // (x or _ZERO).denominator)
                      for i, x in zip(active, limits, strict=True)], dtype=object)  # fmt: skip
    if moved:
        at = [j for j, _ in moved]
        right = right - lines[np.ix_(active, at)] @ np.array(
            [x.numerator * (per // x.denominator) for _, x in moved], dtype=object
        )
    solved = solve_whole(lines[np.ix_(active, basic)], right)
    if solved is None:
        return None
    found, den = solved
    if den < 0:
        found, den = [-n for n in found], -den
    whole = np.zeros(len(variables), dtype=object)
    for j, n in zip(basic, found, strict=True):
        whole[j] = n
    for j, x in moved:
        whole[j] = x.numerator * (per // x.denominator) * den
    return Vertex(lines, dens, lo, hi, variables, basis, whole, den * per)
