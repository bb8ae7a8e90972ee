"""A program with cones in a conic solver (clarabel, an interior point method): where to look, in floating point.

What it says proves nothing. Its dual gives every cone that is paid for a direction; the cut along that direction is a
row that holds wherever the cone does, and with these cuts the linear program costs as much as the program with cones
(Ben-Tal and Nemirovski, Lectures on Modern Convex Optimization, 2001, 2.3; conic duality). The same holds for a
certificate that there is no point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import inf
from typing import Any

import numpy as np

from constraints.as_typed import ONE, ZERO
from constraints.row import Cone, Places, Vector
from optimizer import clock
from optimizer.solver.program import Program

TOLERANCES = (1e-10, 1e-8)
"""The second is for programs on which the first ends in a numerical error."""
_BATCH, _DEAREST = 100, 1000
"""Units in the batch, and money that a batch of the dearest column costs in units."""
_PAID = 1e-7
"""Share of the largest price of a cone that counts as paid for it."""
_TOUCHED = 0.02
"""Room, as a share of what the error takes, within which a cone that is not paid for gets a cut all the same."""

_RESTING = 1e-3
"""Distance from a bound that can be none: near a kink values are known to the root of the tolerance only."""
_FLAT = 100
"""How far a variable may be away from its bound for what a unit of the bound is worth, and still be taken as on it:
where the least cost is nearly flat little is paid long before the bound is left."""
_ON = 1e-8
"""Distance from a bound that is none."""


@dataclass(frozen=True)
class ConicUnits:
    """Kilograms (whole numbers: pieces) in a unit of each of the ``variables``, ``money`` in one of cost.

    A solver's tolerances are absolute: in these units the same kitchen priced or weighed in any unit is the same, to
    the last bit of what the solver is given, because they are exact. ``mass``: kilograms in a unit.
    """

    money: Fraction
    mass: Fraction
    variables: tuple[Fraction, ...]

    @classmethod
    def of(cls, program: Program) -> ConicUnits:
        """The units of a program; its columns that need not be whole are kilograms."""
        free = {j for j, v in enumerate(program.variables) if not v.whole}
        sizes = [ZERO]
        for row in program.rows:
            limit = max((abs(limit) for limit in (row.lo, row.hi) if limit), default=ZERO)
            top = max((abs(a) for j, a in row.terms if j in free), default=ZERO) if limit else ZERO
            sizes += [limit / top] if top else []
        bounds = (max(abs(v.lo), abs(v.hi)) for v in program.variables if not v.whole)
        mass = (max(sizes) or max(bounds, default=ZERO) or _BATCH) / Fraction(_BATCH)
        variables = tuple(mass if j in free else Fraction(1) for j in range(len(program.variables)))
        dearest = max((abs(v.cost) * u for v, u in zip(program.variables, variables, strict=True)), default=ZERO)
        return cls(dearest * _BATCH / _DEAREST or Fraction(1), mass, variables)


@dataclass(frozen=True)
class Guide:
    """What the conic solver says: values ``x`` of the variables, and directions of cuts by cone.

    The directions are those that prove the cost, or with ``none`` that there is no point. ``moved`` where values were
    put on bounds that they were not quite on.
    """

    none: bool
    x: tuple[Fraction, ...]
    moved: bool
    along: dict[int, list[float]]


def guide(program: Program, lines: ConicLines, tolerance: float) -> Guide:
    """Solve a program, its rows and cones as ``lines``, whole numbers left aside. Raises OutOfTime."""
    arrays = _Arrays(program, lines)
    solution = arrays.solve(tolerance)
    if str(solution.status) == "MaxTime":
        raise clock.OutOfTime
    none = "PrimalInfeasible" in str(solution.status)
    starts = arrays.first + np.cumsum([0, *arrays.sizes])[:-1]
    dual, slack = (np.split(np.array(figures), starts)[1:] for figures in (solution.z, solution.s))
    most = max((float(z[0]) for z in dual), default=0.0)
    along = {}
    for c, (z, s) in enumerate(zip(dual, slack, strict=True)):
        needed = np.linalg.norm(s[1:])
        if z[0] > _PAID * most:
            along[c] = (-z[1:]).tolist()
        elif not none and s[0] - needed < _TOUCHED * needed:
            along[c] = s[1:].tolist()
    return Guide(none, *(((), False) if none else arrays.values(solution)), along)


class ConicLines:
    """The rows of a program and its cones over all variables in units of its own, whatever bounds and costs there are.

    Each is divided, exactly, by its largest coefficient: no unit changes a bit.
    """

    def __init__(self, program: Program, cones: Sequence[Cone], units: ConicUnits) -> None:
        self.units, size = units, len(units.variables)
        self.pieces = np.array([unit != units.mass for unit in units.variables], dtype=bool)
        rows, ends = np.zeros((len(program.rows), size)), []
        for line, row in zip(rows, program.rows, strict=True):
            top = self._lay(line, *row.sparse)
            ends.append(
                [-inf if row.lo is None else float(row.lo / top), inf if row.hi is None else float(row.hi / top)]
            )
        low, high = np.array(ends).reshape(-1, 2).T
        equal = low == high
        under, over = (high < inf) & ~equal, (low > -inf) & ~equal
        self.equal, self.under = (rows[equal], low[equal]), np.vstack([rows[under], -rows[over]])
        self.most = np.concatenate([high[under], -low[over]])
        self.cones = [self._cone(cone, size) for cone in cones]

    def _cone(self, cone: Cone, size: int) -> tuple[Any, Any]:
        sources = [[(j, -cone.z * a) for j, a in source] for source in cone.errors]
        lines = [(k * size + j, a) for k, line in enumerate((cone.terms, *sources)) for j, a in line]
        found, limits = np.zeros(len(sources) * size + size), np.zeros(1 + len(sources))
        places = np.array([place for place, _ in lines], dtype=np.int64)
        limits[0] = float(cone.limit / self._lay(found, places, Vector.of(a for _, a in lines)))
        return found.reshape(-1, size), limits

    def _lay(self, line: Any, places: Places, coefs: Vector) -> Fraction:
        """Put coefficients into a line; what a limit is divided by."""
        mass, counted = self.units.mass, self.pieces[places % len(self.pieces)]
        if counted.any():
            each = zip(coefs.num.tolist(), counted.tolist(), strict=True)
            numbers = [n * (mass.denominator if piece else mass.numerator) for n, piece in each]
            coefs = Vector.whole(numbers, coefs.den * mass.numerator)
        line[places], top = coefs.shares
        return top * mass

    def put(self, figures: Vector, kilogram: Fraction, piece: Fraction = ONE) -> Any:
        """Figures of the variables, times one factor for those in kilograms and another for pieces."""
        return np.where(self.pieces, figures.times(piece).floats, figures.times(kilogram).floats)


class _Arrays:
    """The program as clarabel takes it: ``s = b - A x`` in its cones; fixed variables left out."""

    def __init__(self, program: Program, lines: ConicLines) -> None:
        self.variables, self.unit = program.variables, lines.units.variables
        costs, most, least, _ = program.vectors
        mass, money = lines.units.mass, lines.units.money
        lo, hi = lines.put(least, 1 / mass), lines.put(most, 1 / mass)
        self.free = np.flatnonzero(lo < hi)
        self.cost = lines.put(costs, mass / money, 1 / money)[self.free]
        bound = np.eye(len(lo))[self.free]
        parts = [lines.equal, (lines.under, lines.most), (bound, hi[self.free]), (-bound, -lo[self.free]), *lines.cones]
        self.counts = len(lines.equal[1]), len(lines.most) + 2 * len(self.free)
        self.sizes = [len(limits) for _, limits in lines.cones]
        self.first = sum(self.counts)
        matrix = np.vstack([rows for rows, _ in parts])
        self.limits = np.concatenate([limits for _, limits in parts]) - matrix @ np.where(lo < hi, 0.0, lo)
        self.matrix = matrix[:, self.free]

    def solve(self, tolerance: float) -> Any:
        """What clarabel says."""
        import clarabel  # late: only recipes that ask for confidence pay for it

        settings = clarabel.DefaultSettings()
        settings.verbose, settings.max_threads = False, 1
        settings.tol_feas = settings.tol_gap_abs = settings.tol_gap_rel = tolerance
        settings.time_limit = clock.left() or settings.time_limit
        kinds = [clarabel.ZeroConeT(self.counts[0])] if self.counts[0] else []
        kinds += [clarabel.NonnegativeConeT(self.counts[1]), *map(clarabel.SecondOrderConeT, self.sizes)]
        size = len(self.cost)
        none = _Sparse(np.zeros((size, size)))
        return clarabel.DefaultSolver(none, self.cost, _Sparse(self.matrix), self.limits, kinds, settings).solve()

    def values(self, solution: Any) -> tuple[tuple[Fraction, ...], bool]:
        """Values of all variables, rounded, and whether any was moved to the bound it rests on."""
        found, size = [v.lo for v in self.variables], len(self.free)
        ends = slice(self.first - 2 * size, self.first)
        away, paid = (np.array(part[ends]).reshape(2, size) for part in (solution.s, solution.z))
        resting = (away < _FLAT * paid) & (away < _RESTING)
        for k, j in enumerate(self.free.tolist()):
            v, x = self.variables[j], Fraction(solution.x[k]) * self.unit[j]
            found[j] = v.lo if resting[1, k] else v.hi if resting[0, k] else x
        return tuple(found), bool((resting & (away > _ON)).any())


class _Sparse:
    """A matrix column by column, with the names that clarabel looks for; scipy's own is not loaded for it."""

    has_canonical_format = True

    def __init__(self, matrix: Any) -> None:
        columns, rows = np.nonzero(matrix.T)
        self.shape, self.nnz = matrix.shape, len(rows)
        self.data, self.indices = matrix[rows, columns], rows.astype(np.int64)
        self.indptr = np.concatenate([[0], np.cumsum(np.bincount(columns, minlength=matrix.shape[1]))]).astype(np.int64)
