"""Programs at their optimum, with cones or without; of which rows move with one figure, and how far a basis reaches.

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
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

from constraints.as_typed import ONE, ZERO
from constraints.requirement import Requirement
from constraints.row import Cone
from optimizer import clock
from optimizer.bench import extreme
from optimizer.problem import Problem
from optimizer.solver import cone
from optimizer.solver.conic import ConicUnits
from optimizer.solver.exact import Simplex, Vertex, minimised, reduced_costs
from optimizer.solver.optimum import Kept, Optimum, Ranks, Unsettled
from optimizer.solver.program import BasisStatus, Ending, Program, SimplexBasis, SolverDisagrees, layout_of
from optimizer.solver.session import ALL

_TRIES = 60
"""Most times a step is shortened. Each failure skips a whole segment, of which there are finitely many."""
_STEP = Fraction(1, 1_000_000)
"""First step aside, as a share of the figure's size."""
TOUCH = 1e-6
"""Shortfall, as a share of the room a cone needs, within which the optimum is taken to lie on it."""
CLOSE = Fraction(1, 10**5)
"""Distance to a bound or limit, as a share of its scale, within which the optimum is taken to lie on it."""


class Curved(cone.ConeProgram):
    """A program and the cones over its variables."""

    @cached_property
    def session(self) -> Kept:
        """The program in the solver, without its cones."""
        return Kept(self.program)

    def cheapest(self, below: float | None = None) -> Stand | None:
        """The optimum, in whole numbers among cones any batch ``below``; None where none was found. Raises OutOfTime.

        Without cones either is proved, as far as whole numbers go; with them and without whole numbers a batch is
        missed only where those that keep the cones leave hardly any room.
        """
        clock.left()
        if not self.cones:
            values = in_whole(self.session)
            return Stand(self, values) if values else None
        try:
            found = self.settled(Ranks((), {}), plain=False, below=below)
        except SolverDisagrees:
            if below is not None:
                raise
            return None
        if found.ending is Ending.TIME_LIMIT:
            raise clock.OutOfTime
        return Stand(self, found.values, found) if found.values else None


def in_whole(kept: Kept) -> tuple[Fraction, ...] | None:
    """The cheapest point of a program kept in the solver. Raises OutOfTime where time or the search ends first."""
    with suppress(Unsettled):
        values = kept.best(ALL)
        if kept.certain:
            return values or None
    raise clock.OutOfTime


@dataclass(frozen=True)
class Stand:
    """A program with cones and its optimum; ``found`` has the prices that prove it, where it was found here."""

    curved: Curved
    values: tuple[Fraction, ...]
    found: Optimum | None = field(default=None, compare=False, repr=False)

    @cached_property
    def cost(self) -> Fraction:
        """Cost at the optimum."""
        return self.curved.program.cost(self.values)

    @cached_property
    def reduced(self) -> tuple[Fraction, ...]:
        """Reduced costs of the variables, by the prices of rows and cuts that prove the cost; whole numbers aside."""
        if self.found is None:
            again = self.curved.cheapest()
            return again.reduced if again is not None else (ZERO,) * len(self.values)
        program = self.curved.program
        priced = replace(program, rows=(*program.rows, *self.found.cuts))
        return reduced_costs(priced, self.found.prices)

    @cached_property
    def reached(self) -> tuple[bool, ...]:
        """Whether the optimum lies on each cone."""
        return tuple(cone.shortfall(self.values) > -TOUCH for cone in self.curved.cones)

    @cached_property
    def places(self) -> SimplexBasis:
        """Where each variable, each row and, after the rows, each cone stands: at a limit, or between (basic)."""
        program, x = self.curved.program, self.values
        units = [Fraction(unit) for unit in ConicUnits.of(program).variables]
        sizes = zip(program.variables, x, units, strict=True)
        variables = tuple(_place(value, v.lo, v.hi, size) for v, value, size in sizes)
        rows = []
        for row in program.rows:
            used = sum((abs(a * x[j]) for j, a in row.terms if x[j]), ZERO)
            largest = max((abs(a) * units[j] for j, a in row.terms), default=ONE)
            rows.append(_place(row.value(x), row.lo, row.hi, max(used, largest)))
        return SimplexBasis(
            variables, (*rows, *(BasisStatus.UPPER if on else BasisStatus.BASIC for on in self.reached))
        )


def _place(value: Fraction, lo: Fraction | None, hi: Fraction | None, scale: Fraction) -> BasisStatus:
    near = CLOSE * scale
    if lo is not None and value - lo <= near:
        return BasisStatus.LOWER
    return BasisStatus.UPPER if hi is not None and hi - value <= near else BasisStatus.BASIC


def curved_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> Curved:
    """The program of a problem with its cones, under some requirements (None: its own)."""
    chosen = problem.choosing if requirements is None else requirements
    return Curved.of(layout_of(problem, chosen, any_size=True), chosen, problem.formula)


def halved(holds: Callable[[Fraction], bool], inside: Fraction, outside: Fraction, times: int) -> Fraction:
    """The last figure at which something holds on the way from one at which it does to one at which it does not."""
    for _ in range(times):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if holds(middle) else (inside, middle)
    return inside


@dataclass(frozen=True)
class Drift:
    """How one row changes per unit of the moving figure: its coefficients and its two limits."""

    row: int
    coefs: tuple[Fraction, ...]
    lo: Fraction = ZERO
    hi: Fraction = ZERO


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

    def vertex(self, figure: Fraction, start: SimplexBasis) -> Vertex | None:
        """The cheapest batch at another figure without cones, exact, from a basis; None: proved that there is none."""
        program = self.at(figure)
        return minimised(program, Simplex(program, start))[0]

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
    def of(cls, step: Fraction, here: Fraction, one: Fraction, two: Fraction) -> Through:
        """Through the figures at t = 0, ``step`` and twice it."""
        c = ZERO if one == two else (here - 2 * one + two) / (2 * (one - two))
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

    def end(self, way: int) -> Fraction | None:
        """The last figure upwards (``way`` 1) or downwards (-1)."""
        return self.hi if way > 0 else self.lo

    def cost_at(self, figure: Fraction) -> Fraction:
        """Least cost at a figure of the range, exact."""
        return self.cost.at(figure - self.at)

    def slope_at(self, figure: Fraction) -> Fraction:
        """Change of the least cost per unit of the figure, exact."""
        return self.cost.slope(figure - self.at)

    @property
    def straight(self) -> bool:
        """True where the cost is a straight line over the range."""
        return not self.cost.c or not self.cost.slope(ZERO)


def segment(family: Family, at: Fraction, basis: SimplexBasis) -> Segment:
    """The segment of an optimal basis at a figure. Raises SolverDisagrees where the basis is singular all about it."""
    for tries in range(_TRIES):
        step = max(abs(at), ONE) / 1000 / 7**tries
        points = [found for k in range(3) if (found := _stood(family, at + k * step, basis)) is not None]
        if len(points) == 3:
            break
    else:
        raise SolverDisagrees("the range of a price could not be settled")
    cost, *rooms = (Through.of(step, *figures) for figures in zip(*(told for _, told in points), strict=True))
    turns = [(-room.a / room.b, slope) for room in rooms if room.b and (slope := room.slope(ZERO))]
    poles = [-1 / cost.c] if cost.c else []  # a turn on the other side of a pole is of figures without a point
    below = [end for end, slope in turns if end <= 0 < slope] or [pole for pole in poles if pole < 0]
    above = [end for end, slope in turns if slope < 0 <= end] or [pole for pole in poles if pole > 0]
    lo, hi = max(below, default=None), min(above, default=None)
    return Segment(at, None if lo is None else at + lo, None if hi is None else at + hi, cost, points[0][0], basis)


def _stood(family: Family, figure: Fraction, basis: SimplexBasis) -> tuple[tuple[Fraction, ...], list[Fraction]] | None:
    """The values of a basis at one figure, and its cost and what may not fall below zero for it to be optimal.

    None where the basis is singular. A band's other moving row never stops it: its limits stay the same apart.
    """
    program = family.at(figure)
    search = Simplex(program, basis)
    if search.basis != basis:
        return None
    values, prices = search.values, search.prices()
    turning = {d.row for d in family.drifts if any(d.coefs)}
    leads = any(basis.rows[i] is not BasisStatus.BASIC for i in turning)
    told = [program.cost(values)]
    for v, x, place, rest in zip(
        program.variables, values, basis.variables, reduced_costs(program, prices), strict=True
    ):
        if place is BasisStatus.BASIC:
            told += [x - v.lo, v.hi - x]
        elif v.lo != v.hi:
            told.append(-rest if place is BasisStatus.UPPER else rest)
    for i, (row, place, price) in enumerate(zip(program.rows, basis.rows, prices, strict=True)):
        if not (leads and i in turning):
            at = row.value(values)
            told += [ZERO if row.lo is None else at - row.lo, ZERO if row.hi is None else row.hi - at]
        if place is not BasisStatus.BASIC and row.lo != row.hi:
            told.append(-price if place is BasisStatus.UPPER else price)
    return values, told


def beside(
    family: Family, figure: Fraction, way: int, start: SimplexBasis, edge: Fraction | None = None
) -> Segment | None:
    """The segment that begins at a figure and goes up (``way`` 1) or down (-1); None where no batch exists there.

    ``edge`` is the last figure with a batch on that side where it is known.
    """
    step = max(abs(figure), ONE) * _STEP
    for _ in range(_TRIES):
        at = figure + way * step
        vertex = family.vertex(at, start)
        if vertex is None:
            edge = last(family, way) if edge is None else edge
            if edge is None or edge == figure:
                return None
            step = min(step, abs(edge - figure)) / 2
            continue
        found = segment(family, at, vertex.basis)
        end = found.end(-way)
        if end is None or (figure - end) * way >= 0:
            return found
        step, start = abs(end - figure) / 2, found.basis
    raise SolverDisagrees("the range of a price could not be settled")


def slope_beside(
    family: Family, way: int, start: SimplexBasis, values: Sequence[Fraction], prices: Sequence[Fraction]
) -> tuple[Fraction, tuple[Fraction, ...]] | None:
    """Change of the least cost per unit just beside the family's start, and a batch there; None: none that way.

    ``start`` is an optimal basis at the start, with its values and prices. Where it stays optimal beside it they tell
    the change at one solve, without the range of it.
    """
    near = family.start + way * max(abs(family.start), ONE) * _STEP
    vertex = family.vertex(near, start)
    if vertex is not None and vertex.basis == start:
        change = ZERO
        for drift in family.drifts:
            moved = drift.hi if start.rows[drift.row] is BasisStatus.UPPER else drift.lo
            change += prices[drift.row] * (moved - sum(e * x for e, x in zip(drift.coefs, values, strict=False) if e))
        return change, vertex.values
    found = beside(family, family.start, way, start)
    return None if found is None else (found.slope_at(family.start), found.values)


def last(family: Family, way: int) -> Fraction | None:
    """The largest (``way`` 1) or smallest (-1) figure with a batch, exact; None where there is no end to it."""
    figures = []
    kept = Kept(family.program)
    for drift in family.drifts:  # limits that move are let go
        row, stays = family.program.rows[drift.row], not any(drift.coefs)
        kept.limit(drift.row, row.lo if stays and not drift.lo else None, row.hi if stays and not drift.hi else None)
    for drift in family.drifts:
        row = family.program.rows[drift.row]
        limit, moves = (row.hi, drift.hi) if way < 0 else (row.lo, drift.lo)
        turns = {j: -e for j, e in enumerate(drift.coefs) if e}
        if limit is None or (turns and (moves or limit)):
            continue
        reach, _ = extreme(kept, dict(row.terms), turns or None, -way)
        if reach is not None:
            figures.append(family.start + (reach if turns else (reach - limit) / moves))
    return min(figures, key=lambda figure: way * figure, default=None)
