"""Programs of which some rows move with one figure, and how far an exact optimal basis reaches.

Moving the limit t of a ratio changes its row's coefficients: ``(A + t E) . x <= g + t h`` with ``E`` minus the
denominator. One row of a basis moves, so by the rank-one formula of Sherman and Morrison (Annals of Mathematical
Statistics 21, 1950, 124-127) everything at that basis, cost, amounts and reduced costs, is ``(a + b t) / (1 + c t)``
with one c for all: three exact solves of the basis give a, b and c, and the exact range over which it stays feasible
and optimal is where the first of them changes its sign. A moving right side is the case ``E = 0``, ``c = 0``.

Prices at a limit are read from the bases that are optimal just below and just above it *and* at it: a tiny step aside
is solved exactly and its basis taken if its exact range reaches back to the limit; otherwise the step is shortened. So
a price that differs left and right, at a degenerate batch, is found on both sides.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.row import Cone
from optimizer.bench import extreme
from optimizer.solver.exact import reduced_costs, refutes
from optimizer.solver.kept import Kept
from optimizer.solver.model import BasisStatus, Program, SimplexBasis, SolverDisagrees
from optimizer.solver.simplex import GaveUp, Simplex
from optimizer.why.stand import Curved, Stand

_ZERO = Fraction(0)
_ONE = Fraction(1)
_TRIES = 60
"""Most times a step is shortened. Each failure skips a whole segment, of which there are finitely many."""
_STEP = Fraction(1, 1_000_000)
"""First step aside, as a share of the figure's size."""


@dataclass(frozen=True)
class Drift:
    """How one row changes per unit of the moving figure: its coefficients and its two limits."""

    row: int
    coefs: tuple[Fraction, ...]
    lo: Fraction = _ZERO
    hi: Fraction = _ZERO


@dataclass(frozen=True)
class Family:
    """A program at ``start`` and its rows' change per unit of the figure; the drifts belong to one requirement.

    ``cones`` gives the cones at a figure, where there are any. ``floor`` and ``ceiling`` are the figures looked at
    where nothing but solving again tells how far something goes (None: no end).
    """

    program: Program
    start: Fraction
    drifts: tuple[Drift, ...]
    cones: Callable[[Fraction], tuple[Cone, ...]] | None = None
    floor: Fraction | None = None
    ceiling: Fraction | None = None

    def solved(self, figure: Fraction) -> Stand | None:
        """The cheapest batch at another figure; None where none is found."""
        return Curved(self.at(figure), self.cones(figure) if self.cones is not None else ()).cheapest()

    def at(self, figure: Fraction) -> Program:
        """The program at another figure."""
        by = figure - self.start
        rows = list(self.program.rows)
        for drift in self.drifts:
            row = rows[drift.row]
            coefs = tuple(a + by * e if e else a for a, e in zip(row.coefs, drift.coefs, strict=True))
            lo = None if row.lo is None else row.lo + by * drift.lo
            hi = None if row.hi is None else row.hi + by * drift.hi
            rows[drift.row] = replace(row, coefs=coefs, lo=lo, hi=hi)
        return replace(self.program, rows=tuple(rows))


@dataclass(frozen=True)
class Through:
    """``(a + b t) / (1 + c t)``: a figure of a basis as the family's figure moves by t."""

    a: Fraction
    b: Fraction
    c: Fraction

    @classmethod
    def of(cls, here: Fraction, one: Fraction, two: Fraction, step: Fraction) -> Through:
        """Through the figures at t = 0, ``step`` and twice it."""
        c = _ZERO if one == two else (here - 2 * one + two) / (2 * (one - two))
        return cls(here, (one * (1 + c) - here) / step, c / step)

    def at(self, by: Fraction) -> Fraction:
        """The figure."""
        return (self.a + self.b * by) / (1 + self.c * by)

    def slope(self, by: Fraction) -> Fraction:
        """Its change per unit."""
        return (self.b - self.a * self.c) / (1 + self.c * by) ** 2


@dataclass(frozen=True)
class Segment:
    """An optimal basis and the figures between ``lo`` and ``hi`` (None: without end) for which it stays optimal.

    At ``at`` the batch is ``values``; ``cost`` is what it costs around there.
    """

    at: Fraction
    lo: Fraction | None
    hi: Fraction | None
    cost: Through
    values: tuple[Fraction, ...]
    basis: SimplexBasis

    def covers(self, figure: Fraction) -> bool:
        """True where the basis is optimal at a figure."""
        return (self.lo is None or self.lo <= figure) and (self.hi is None or figure <= self.hi)

    def cost_at(self, figure: Fraction) -> Fraction:
        """Least cost at a figure of the range, exact."""
        return self.cost.at(figure - self.at)

    def slope_at(self, figure: Fraction) -> Fraction:
        """Change of the least cost per unit of the figure, exact."""
        return self.cost.slope(figure - self.at)

    @property
    def straight(self) -> bool:
        """True where the cost is a straight line over the range."""
        return not self.cost.c or not self.cost.slope(_ZERO)


def solved(program: Program, start: SimplexBasis | None = None) -> Simplex | None:
    """The search standing at an exact optimum, or None where exact prices prove that there is no batch.

    Raises SolverDisagrees where neither is settled.
    """
    search = Simplex(program, start)
    try:
        if search.minimise():
            return search
    except GaveUp:
        raise SolverDisagrees("exact arithmetic found no end") from None
    if not refutes(program, search.refutation()):
        raise SolverDisagrees("that no batch exists could not be proved in exact arithmetic")
    return None


def segment(family: Family, at: Fraction, basis: SimplexBasis) -> Segment:
    """The segment of an optimal basis at a figure. Raises SolverDisagrees where the basis is singular all about it."""
    step = max(abs(at), _ONE) / 1000
    for _ in range(_TRIES):
        points = [_stood(family, at + k * step, basis) for k in range(3)]
        if None not in points:
            break
        step /= 7
    (here, one, two) = (point for point in points if point is not None)
    lo, hi = None, None
    for rooms in zip(here.rooms, one.rooms, two.rooms, strict=True):
        line = Through.of(*rooms, step=step)
        slope = line.slope(_ZERO)
        end = -line.a / line.b if slope and line.b else None
        if end is not None and end * slope <= 0:  # else it lies beyond a figure at which the basis has no point
            lo = end if slope > 0 and (lo is None or end > lo) else lo
            hi = end if slope < 0 and (hi is None or end < hi) else hi
    cost = Through.of(here.cost, one.cost, two.cost, step)
    pole = -1 / cost.c if cost.c else None
    if pole is not None and pole < 0 and lo is None:
        lo = pole
    if pole is not None and pole > 0 and hi is None:
        hi = pole
    return Segment(at, None if lo is None else at + lo, None if hi is None else at + hi, cost, here.values, basis)


@dataclass(frozen=True)
class _Stood:
    """A basis at one figure: its cost, its values, and what may not fall below zero for it to be optimal."""

    cost: Fraction
    values: tuple[Fraction, ...]
    rooms: tuple[Fraction, ...]


def _stood(family: Family, figure: Fraction, basis: SimplexBasis) -> _Stood | None:
    """None where the basis is singular. A band's other moving row never stops it: its limits stay the same apart."""
    program = family.at(figure)
    search = Simplex(program, basis)
    if search.basis != basis:
        return None
    values, prices = search.values, search.prices()
    turning = {d.row for d in family.drifts if any(d.coefs)}
    leads = any(basis.rows[i] is not BasisStatus.BASIC for i in turning)
    rooms: list[Fraction] = []
    for v, x, place, rest in zip(
        program.variables, values, basis.variables, reduced_costs(program, prices), strict=True
    ):
        if place is BasisStatus.BASIC:
            rooms += [x - v.lo, v.hi - x]
        elif v.lo != v.hi:
            rooms.append(-rest if place is BasisStatus.UPPER else rest)
    for i, (row, place, price) in enumerate(zip(program.rows, basis.rows, prices, strict=True)):
        if not (leads and i in turning):
            at = row.value(values)
            rooms += [_ZERO if row.lo is None else at - row.lo, _ZERO if row.hi is None else row.hi - at]
        if place is not BasisStatus.BASIC and row.lo != row.hi:
            rooms.append(-price if place is BasisStatus.UPPER else price)
    return _Stood(program.cost(values), values, tuple(rooms))


def beside(
    family: Family, figure: Fraction, way: int, start: SimplexBasis, edge: Fraction | None = None
) -> Segment | None:
    """The segment that begins at a figure and goes up (``way`` 1) or down (-1); None where no batch exists there.

    ``edge`` is the last figure with a batch on that side where it is known.
    """
    if edge is not None and edge == figure:
        return None
    step = max(abs(figure), _ONE) * _STEP
    if edge is not None:
        step = min(step, abs(edge - figure) / 2)
    for _ in range(_TRIES):
        at = figure + way * step
        search = solved(family.at(at), start)
        if search is None:
            if edge is not None:
                raise SolverDisagrees("a batch short of the last feasible limit could not be found")
            edge = last(family, way)
            if edge is None or edge == figure:
                return None
            step = min(step, abs(edge - figure)) / 2
            continue
        found = segment(family, at, search.basis)
        if found.covers(figure):
            return found
        near = found.lo if way > 0 else found.hi
        if near is None:
            raise SolverDisagrees("the range of a price could not be settled")
        step, start = abs(near - figure) / 2, found.basis
    raise SolverDisagrees("the range of a price could not be settled")


def slope_beside(
    family: Family, way: int, start: SimplexBasis, values: Sequence[Fraction], prices: Sequence[Fraction]
) -> tuple[Fraction, tuple[Fraction, ...]] | None:
    """Change of the least cost per unit just beside the family's start, and a batch there; None: none that way.

    ``start`` is an optimal basis at the start, with its values and prices. Where it stays optimal beside it they tell
    the change at one solve, without the range of it.
    """
    near = family.start + way * max(abs(family.start), _ONE) * _STEP
    search = solved(family.at(near), start)
    if search is not None and search.basis == start:
        change = _ZERO
        for drift in family.drifts:
            moved = drift.hi if start.rows[drift.row] is BasisStatus.UPPER else drift.lo
            change += prices[drift.row] * (moved - sum(e * x for e, x in zip(drift.coefs, values, strict=False) if e))
        return change, search.values
    found = beside(family, family.start, way, start)
    return None if found is None else (found.slope_at(family.start), found.values)


def last(family: Family, way: int) -> Fraction | None:
    """The largest (``way`` 1) or smallest (-1) figure with a batch, exact; None where there is no end to it."""
    best: Fraction | None = None
    for drift in family.drifts:
        row = family.program.rows[drift.row]
        limit, moves = (row.hi, drift.hi) if way < 0 else (row.lo, drift.lo)
        turns = {j: -e for j, e in enumerate(drift.coefs) if e}
        if limit is None or (turns and (moves or limit)):
            continue
        reach, _ = extreme(_let_go(family), dict(row.terms), turns or None, -way)
        if reach is None:
            continue
        figure = family.start + (reach if turns else (reach - limit) / moves)
        best = figure if best is None else (min(best, figure) if way > 0 else max(best, figure))
    return best


def _let_go(family: Family) -> Kept:
    """The program without the limits that move."""
    kept = Kept(family.program)
    for drift in family.drifts:
        row = family.program.rows[drift.row]
        stays = not any(drift.coefs)
        kept.limit(drift.row, row.lo if stays and not drift.lo else None, row.hi if stays and not drift.hi else None)
    return kept
