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

_THIN = 2
"""Figures up to which a row is thin."""

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


def solve_thin(matrix: Any, right: Any) -> tuple[list[int], int] | None:
    """As ``solve_whole``, for a matrix of which many rows or columns have one or two figures, as packs and pulls make.

    These are solved for one of their variables each, and only what is left is solved as a whole.
    """
    lines: dict[int, dict[int, Fraction]] = {}
    for i, line in enumerate(matrix):
        lines[i] = {int(j): Fraction(line[j]) for j in np.flatnonzero(line)}
    sides = [Fraction(x) for x in right]
    taken = _thinned(lines, sides)
    if taken is None:
        return None
    left = sorted(lines)
    columns = sorted({j for i in left for j in lines[i]})
    if len(columns) != len(left):
        return None
    found: dict[int, Fraction] = {}
    if left:
        dens = [lcm(sides[i].denominator, *(a.denominator for a in lines[i].values())) for i in left]
        core = np.array([[int(lines[i].get(j, 0) * den) for j in columns] for i, den in zip(left, dens, strict=True)],
                        dtype=object)  # fmt: skip
        solved = solve_whole(core, np.array([int(sides[i] * den) for i, den in zip(left, dens, strict=True)], object))
        if solved is None:
            return None
        found = {j: Fraction(n, solved[1]) for j, n in zip(columns, solved[0], strict=True)}
    for j, line, side in reversed(taken):
        found[j] = (side - sum((a * found[k] for k, a in line.items() if k != j), _ZERO)) / line[j]
    den = lcm(*(x.denominator for x in found.values()))
    return [found[j].numerator * (den // found[j].denominator) for j in range(len(sides))], den


def _thinned(
    lines: dict[int, dict[int, Fraction]], sides: list[Fraction]
) -> list[tuple[int, dict[int, Fraction], Fraction]] | None:
    """Take out every row of one or two figures with one of its variables, which the other rows then do not have.

    A column of one or two figures goes out the same way, with the shorter of its rows.
    """
    using: dict[int, set[int]] = {}
    for i, line in lines.items():
        for j in line:
            using.setdefault(j, set()).add(i)
    taken = []
    waiting = [i for i, line in lines.items() if len(line) <= _THIN]
    narrow = [j for j, rows in using.items() if len(rows) <= _THIN]
    while waiting or narrow:
        column = None if waiting else narrow.pop()
        if column is not None and not using.get(column):
            continue
        i = waiting.pop() if column is None else min(using[column], key=lambda i: (len(lines[i]), i))
        if i not in lines:
            continue
        line = lines.pop(i)
        if not line:
            return None
        j = min(line, key=lambda j: (len(using[j]), j)) if column is None else column
        taken.append((j, line, sides[i]))
        for k in line:
            using[k].discard(i)
            narrow += [k] * (len(using[k]) <= _THIN)
        for other in using.pop(j):
            target = lines[other]
            factor = target.pop(j) / line[j]
            sides[other] -= factor * sides[i]
            for k, a in line.items():
                if k == j:
                    continue
                target[k] = target.get(k, _ZERO) - factor * a
                if target[k]:
                    using[k].add(other)
                else:
                    del target[k]
                    using[k].discard(other)
                    narrow += [k] * (len(using[k]) <= _THIN)
            if len(target) <= _THIN:
                waiting.append(other)
    return taken


def solve_lines(matrix: Any, right: Any) -> tuple[list[int], int] | None:
    """Either of the two, as suits the matrix."""
    used = np.asarray(matrix, dtype=bool)
    thin = max(np.count_nonzero(used.sum(axis=k) <= _THIN) for k in (0, 1))
    return solve_thin(matrix, right) if thin > len(right) / 4 else solve_whole(matrix, right)


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
        if not any(v.cost for v in self.variables):
            return (_ZERO,) * len(self.dens)
        basic = [j for j, place in enumerate(self.basis.variables) if place is Place.BASIC]
        active = [i for i, place in enumerate(self.basis.rows) if place is not Place.BASIC]
        per = lcm(*{v.cost.denominator for v in self.variables}) if self.variables else 1
        costs = np.array([v.cost.numerator * (per // v.cost.denominator) for v in self.variables], dtype=object)
        solved = solve_lines(self.lines[np.ix_(active, basic)].T, costs[basic])
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
    solved = solve_lines(lines[np.ix_(active, basic)], right)
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
