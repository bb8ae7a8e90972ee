"""Programs of which some rows move with one figure, and how far an exact optimal basis reaches.

Moving the limit t of a ratio changes its row's coefficients: ``(A + t E) . x <= g + t h`` with ``E`` minus the
denominator. For a basis in which that row r is at its limit put ``u`` for the change of the basic variables per unit of
the row's right side. Then, with ``D(x) = h - E . x`` and ``s`` the change of t, the point moves on the straight line
``x + theta u``, where ``theta = s D(x) / (1 + s E . u)`` rises with s: the exact range of s in which the basis stays
feasible is an ordinary ratio test in theta. The prices move on a straight line too, by ``psi = theta y_r / D(x)``
times ``w = E_B B^-1``, so that the range in which it stays optimal is a second ratio test. (The rank-one formula of
Sherman and Morrison, Annals of Mathematical Statistics 21, 1950, 124-127.) A moving right side is the case ``E = 0``.

Prices at a limit are read from the bases that are optimal just below and just above it *and* at it: a tiny step aside
is solved exactly and its basis taken if its exact range reaches back to the limit; otherwise the step is shortened. So
a price that differs left and right, at a degenerate batch, is found on both sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.quick import QUICK_ZERO, plain, quick
from constraints.row import Row
from optimizer.solver.exact import refutes
from optimizer.solver.model import Basis, Place, Program, SolverDisagrees
from optimizer.solver.simplex import GaveUp, Simplex

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
    """A program at ``start`` and its rows' change per unit of the figure; the drifts belong to one requirement."""

    program: Program
    start: Fraction
    drifts: tuple[Drift, ...]

    def at(self, figure: Fraction) -> Program:
        """The program at another figure."""
        by = figure - self.start
        rows = list(self.program.rows)
        for drift in self.drifts:
            row = rows[drift.row]
            coefs = tuple(a + by * e if e else a for a, e in zip(row.coefs, drift.coefs, strict=True))
            lo = None if row.lo is None else row.lo + by * drift.lo
            hi = None if row.hi is None else row.hi + by * drift.hi
            rows[drift.row] = Row(row.label, coefs, lo, hi)
        return replace(self.program, rows=tuple(rows))


@dataclass(frozen=True)
class Segment:
    """An optimal basis and the figures between ``lo`` and ``hi`` (None: without end) for which it stays optimal.

    At ``at`` the cost is ``cost`` and the batch ``values``; the batch moves along ``way`` (per theta, see above).
    """

    at: Fraction
    lo: Fraction | None
    hi: Fraction | None
    cost: Fraction
    price: Fraction
    depth: Fraction
    bend: Fraction
    values: tuple[Fraction, ...]
    way: tuple[Fraction, ...]
    basis: Basis

    def covers(self, figure: Fraction) -> bool:
        """True where the basis is optimal at a figure."""
        return (self.lo is None or self.lo <= figure) and (self.hi is None or figure <= self.hi)

    def _theta(self, figure: Fraction) -> Fraction:
        by = figure - self.at
        return by * self.depth / (1 + by * self.bend)

    def cost_at(self, figure: Fraction) -> Fraction:
        """Least cost at a figure of the range, exact."""
        return self.cost + self.price * self._theta(figure)

    def slope_at(self, figure: Fraction) -> Fraction:
        """Change of the least cost per unit of the figure, exact."""
        return self.price * self.depth / (1 + (figure - self.at) * self.bend) ** 2

    @property
    def straight(self) -> bool:
        """True where the cost is a straight line over the range."""
        return not self.bend or not self.price


def solved(program: Program, start: Basis | None = None) -> Simplex | None:
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


def moved(search: Simplex, cost: Mapping[int, Fraction] | None = None) -> bool:
    """See Simplex.minimise. Raises SolverDisagrees where it gives up."""
    try:
        return search.minimise(cost)
    except GaveUp:
        raise SolverDisagrees("exact arithmetic found no end") from None


class _Range:
    """The range of a parameter about zero that keeps affine conditions ``value + parameter * speed`` in bounds."""

    def __init__(self) -> None:
        self.lo: Fraction | None = None
        self.hi: Fraction | None = None

    def keep(self, value: Fraction, speed: Fraction, lo: Fraction | None, hi: Fraction | None) -> None:
        if not speed:
            return
        low = None if lo is None else (lo - value) / speed
        high = None if hi is None else (hi - value) / speed
        if speed < 0:
            low, high = high, low
        if low is not None:
            self.lo = low if self.lo is None else max(self.lo, low)
        if high is not None:
            self.hi = high if self.hi is None else min(self.hi, high)


def segment(search: Simplex, family: Family, at: Fraction) -> Segment:
    """The segment of the basis at which a search stands, ``at`` being the family's figure there."""
    size, values = search.size, search.values
    cost = plain(_dot(search.cost, search.at[:size]))
    leading = _leading(search, family, values)
    if leading is None:
        low, high = _resting(search, family, at, values)
        still = (_ZERO,) * size
        return Segment(at, low, high, cost, _ZERO, _ONE, _ZERO, values, still, search.basis)
    drift, depth = leading
    k = search.active.index(drift.row)
    way = [QUICK_ZERO] * size
    for j, line in zip(search.basic, search.inverse, strict=True):
        way[j] = line[k]
    price, bend = search.prices()[drift.row], plain(_dot(drift.coefs, way))
    theta = _Range()
    _keep_feasible(theta, search, family, way)
    z = size + drift.row
    if not any(drift.coefs):  # the other limit of the same row, where it stays
        lo, hi = search.lo[z], search.hi[z]
        theta.keep(search.at[z], _ONE, None if drift.lo else lo, None if drift.hi else hi)
    if price:
        _keep_optimal(theta, search, drift, price / depth)
    low = _figure(None if theta.lo is None else plain(theta.lo), depth, bend, -1)
    high = _figure(None if theta.hi is None else plain(theta.hi), depth, bend, 1)
    return Segment(
        at, None if low is None else at + low, None if high is None else at + high,
        cost, price, depth, bend, values, tuple(map(plain, way)), search.basis,
    )  # fmt: skip


def _leading(search: Simplex, family: Family, values: Sequence[Fraction]) -> tuple[Drift, Fraction] | None:
    """The moving row that is at a moving limit in this basis, and D(x); None where none is."""
    for drift in family.drifts:
        place = search.places[search.size + drift.row]
        if place is Place.BASIC:
            continue
        moves = drift.hi if place is Place.UPPER else drift.lo
        depth = moves - _dot(drift.coefs, values)
        if depth:
            return drift, depth
    return None


def _resting(
    search: Simplex, family: Family, at: Fraction, values: Sequence[Fraction]
) -> tuple[Fraction | None, Fraction | None]:
    """Where no moving limit is reached the batch stays as it is until one reaches it."""
    found = _Range()
    for drift in family.drifts:
        z = search.size + drift.row
        moves = _dot(drift.coefs, values)
        lo, hi = search.lo[z], search.hi[z]
        if hi is not None:
            found.keep(search.at[z] - hi, moves - drift.hi, None, _ZERO)
        if lo is not None:
            found.keep(search.at[z] - lo, moves - drift.lo, _ZERO, None)
    return (
        None if found.lo is None else at + plain(found.lo),
        None if found.hi is None else at + plain(found.hi),
    )


def _keep_feasible(theta: _Range, search: Simplex, family: Family, way: Sequence[Fraction]) -> None:
    """The other moving rows of a band never stop it: its two limits stay the same distance apart."""
    moving = {drift.row for drift in family.drifts}
    for j in search.basic:
        theta.keep(search.at[j], way[j], search.lo[j], search.hi[j])
    for i, line in enumerate(search.rows):
        z = search.size + i
        if search.places[z] is Place.BASIC and i not in moving:
            speed = sum((a * way[j] for j, a in line.items() if way[j]), QUICK_ZERO)
            theta.keep(search.at[z], speed, search.lo[z], search.hi[z])


def _keep_optimal(theta: _Range, search: Simplex, drift: Drift, per: Fraction) -> None:
    """Reduced costs and prices keep their signs; both move by psi = theta * per."""
    prices = list(map(quick, search.prices()))
    back = [_dot([quick(drift.coefs[j]) for j in search.basic], [line[k] for line in search.inverse])
            for k in range(len(search.active))]  # fmt: skip
    rest, speed = list(search.cost), [-quick(a) for a in drift.coefs]
    for i, w in zip(search.active, back, strict=True):
        for j, a in search.rows[i].items():
            if prices[i]:
                rest[j] -= prices[i] * a
            if w:
                speed[j] += w * a
    for j in range(search.size):
        if search.places[j] is not Place.BASIC and search.lo[j] != search.hi[j]:
            _keep_sign(theta, rest[j], speed[j] * per, search.places[j])
    for i, w in zip(search.active, back, strict=True):
        z = search.size + i
        if i != drift.row and search.lo[z] != search.hi[z]:
            _keep_sign(theta, prices[i], -w * per, search.places[z])


def _keep_sign(theta: _Range, value: Fraction, speed: Fraction, place: Place) -> None:
    if place is Place.UPPER:
        theta.keep(value, speed, None, _ZERO)
    else:
        theta.keep(value, speed, _ZERO, None)


def _figure(theta: Fraction | None, depth: Fraction, bend: Fraction, way: int) -> Fraction | None:
    """The change of the figure that belongs to a theta: ``theta / (D - theta E.u)``; None where it has no end."""
    if theta is None:
        return -_ONE / bend if bend * way < 0 else None
    left = depth - theta * bend
    return theta / left if left * depth > 0 else None


def beside(family: Family, figure: Fraction, way: int, start: Basis, edge: Fraction | None = None) -> Segment | None:
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
            edge = last(family, way, start, at=figure)
            if edge is None or edge == figure:
                return None
            step = min(step, abs(edge - figure)) / 2
            continue
        found = segment(search, family, at)
        if found.covers(figure):
            return found
        near = found.lo if way > 0 else found.hi
        if near is None:
            raise SolverDisagrees("the range of a price could not be settled")
        step, start = abs(near - figure) / 2, found.basis
    raise SolverDisagrees("the range of a price could not be settled")


def last(family: Family, way: int, start: Basis | None = None, at: Fraction | None = None) -> Fraction | None:
    """The largest (``way`` 1) or smallest (-1) figure with a batch, exact; None where there is no end to it.

    Every batch allows figures up to ``(A x - g) / D(x)``; the best is found by Dinkelbach's method (Management Science
    13, 1967, 492-498), which ends because an exact program has finitely many vertices. ``at`` is a figure known to
    have a batch (the start where not given). Raises SolverDisagrees where there is none.
    """
    best: Fraction | None = None
    for drift in family.drifts:
        row = family.program.rows[drift.row]
        upper = way < 0
        if (row.hi if upper else row.lo) is None:
            continue
        reach = _furthest(family, drift, way, start, family.start if at is None else at)
        if reach is not None:
            best = reach if best is None else (min(best, reach) if way > 0 else max(best, reach))
    return best


def _furthest(family: Family, drift: Drift, way: int, start: Basis | None, at: Fraction) -> Fraction | None:
    program, base = family.at(at), family.start
    search = solved(program, start)
    if search is None:
        raise SolverDisagrees("a batch known to exist could not be found")
    row = family.program.rows[drift.row]
    limit, moves = (row.hi, drift.hi) if way < 0 else (row.lo, drift.lo)
    assert limit is not None
    # The row at a figure t reads (A0 + (t - base) E) . x against g0 + (t - base) h.
    rows = [r for i, r in enumerate(program.rows) if i not in {d.row for d in family.drifts}]
    rows += _others(family, drift, at)
    open_program = Program(program.variables, tuple(rows))
    point = search.values
    standing: Simplex | None = None
    for _ in range(_TRIES):
        depth = moves - _dot(drift.coefs, point)
        if depth <= 0:
            return None
        by = (_dot(row.coefs, point) - limit) / depth
        costs = [a + by * e for a, e in zip(row.coefs, drift.coefs, strict=True)]
        standing = _aimed(open_program, standing, [-way * c for c in costs])
        if _dot(costs, standing.values) == _dot(costs, point):
            return base + by
        point = standing.values
    raise SolverDisagrees("the last feasible limit could not be settled")


def _aimed(program: Program, standing: Simplex | None, costs: Sequence[Fraction]) -> Simplex:
    """A search at the least cost of these costs, from where it stands. Raises SolverDisagrees."""
    if standing is None:
        asked = tuple(replace(v, cost=c) for v, c in zip(program.variables, costs, strict=True))
        standing = solved(Program(asked, program.rows))
    elif not moved(standing, dict(enumerate(costs))):
        standing = None
    if standing is None:
        raise SolverDisagrees("a batch known to exist could not be found")
    return standing


def _others(family: Family, drift: Drift, at: Fraction) -> list[Row]:
    """What stays of the moving rows while the furthest figure of one of them is sought: limits that do not move."""
    kept = []
    for other in family.drifts:
        row = family.at(at).rows[other.row]
        if not any(other.coefs):
            kept.append(Row(row.label, row.coefs, None if other.lo else row.lo, None if other.hi else row.hi))
    return kept


def trace(family: Family, first: Segment, way: int, most: int = 200) -> Iterator[Segment]:
    """The segments that follow one, up or down, to the last figure with a batch or ``most`` of them."""
    edge = last(family, way, first.basis, at=first.at)
    here = first
    for _ in range(most):
        end = here.hi if way > 0 else here.lo
        if end is None or (edge is not None and (end >= edge if way > 0 else end <= edge)):
            return
        found = beside(family, end, way, here.basis, edge)
        if found is None:
            return
        yield found
        here = found


def _dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(left, right, strict=True) if a and b), _ZERO)
