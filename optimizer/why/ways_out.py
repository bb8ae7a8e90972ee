"""Where no batch exists: every way of giving way that makes one possible, and what to buy so that none is needed.

A law's limit is never offered for relaxing. Each way is worked out exactly, rounded to a figure a person can use,
applied to the problem and solved again; one that then has no batch is not told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from math import ceil, floor

from constraints.ingredients import Lot
from constraints.meaning import Role
from constraints.requirement import Requirement, widened
from constraints.row import Row
from optimizer.bench.bench import NEAR_NODES, Bench, with_lots
from optimizer.bench.extreme import MANY
from optimizer.conflict import Conflict, Reach
from optimizer.problem import Problem
from optimizer.solver.kept import searching
from optimizer.solver.model import Variable
from optimizer.why.unfinished import Part, Unfinished, named

_ZERO = Fraction(0)
_ONE = Fraction(1)
_LOTS = 5
"""Lots looked at one by one for more stock or open packs: those that the proof of the conflict leans on most."""
LEAST_ORDER = 50
"""An order is not made smaller than one part in so many; common practice, no source."""
_MOST = Fraction(1, 2)
"""Share of a figure beyond which giving way is giving up most of it; common practice, no source."""
_PLENTY = Fraction(10) ** 6
_FARTHER = (1, 4, 20)
"""Steps by which a concession goes farther until its batch can be weighed; common practice, no source."""


class Kind(StrEnum):
    """What gives way."""

    LIMIT = "limit"
    LIMITS = "limits together"
    DROPPED = "left out"
    WEIGHT = "weight of the order"
    STOCK = "more on hand"
    PACKS = "packs opened"
    PURCHASE = "purchase"
    MATERIAL = "kind of material"
    SCALE = "scales"
    TOLERANCE = "tolerance on the weight"
    CONFIDENCE = "lower confidence"
    MEASURED = "measured again"


@dataclass(frozen=True)
class Concession:
    """One limit moved: ``limit`` is ``lo``, ``hi`` or ``both`` (the weight), from a figure to a figure in its unit."""

    requirement: Requirement
    limit: str
    old: Fraction
    new: Fraction

    @property
    def share(self) -> Fraction:
        """The move as a share of the old figure, by which unlike units are ranked."""
        return abs(self.new - self.old) / abs(self.old) if self.old else abs(self.new - self.old)


@dataclass(frozen=True)
class Way:
    """One way out, applied and solved. ``cost`` is the least cost then; ``size`` ranks concessions (a share; zero for a
    purchase). ``kg`` as held and ``spend`` belong to purchases and stock; ``fat`` is the range for a kind of material,
    ``points`` the fewest kilograms of it at some fat figures. ``weighed`` is True where it was also blended to the end,
    onto the scales. ``sure`` is False where a slightly cheaper batch may exist. ``probability`` is a confidence asked
    for and the lower one that will do.
    """

    kind: Kind
    cost: Fraction | None
    size: Fraction
    concessions: tuple[Concession, ...] = ()
    lots: tuple[tuple[Lot, Fraction], ...] = ()
    spend: Fraction | None = None
    dropped: Requirement | None = None
    fat: tuple[Fraction, Fraction] | None = None
    points: tuple[tuple[Fraction, Fraction], ...] = ()
    weighed: bool = False
    sure: bool = True
    probability: tuple[Fraction, Fraction] | None = None

    @property
    def for_the_order(self) -> Fraction | None:
        """The cost where the whole order were made at the cost a kilogram of what this way makes."""
        moved = next((c for c in self.concessions if c.limit == "both"), None)
        return self.cost if moved is None or self.cost is None or not moved.new else self.cost * moved.old / moved.new

    @property
    def drastic(self) -> bool:
        """True where most of what was asked for is given up."""
        return self.kind is not Kind.STOCK and any(c.share > _MOST for c in self.concessions)


def ranked(ways: Sequence[Way]) -> tuple[Way, ...]:
    """By cost and by size together: the least sum of a way's places in the two orders first, then the cheaper.

    A smaller or larger order counts at its cost a kilogram, because making less is not cheaper. What gives up most of
    what was asked for comes last.
    """
    cheap = sorted({_money(way) for way in ways})
    small = sorted({way.size for way in ways})

    def key(way: Way) -> tuple[bool, int, tuple[bool, Fraction]]:
        return way.drastic, cheap.index(_money(way)) + small.index(way.size), _money(way)

    return tuple(sorted(ways, key=key))


def _money(way: Way) -> tuple[bool, Fraction]:
    cost = way.for_the_order
    return cost is None, cost or _ZERO


@dataclass(frozen=True)
class WaysOut:
    """The ways, by cost and size (see ranked), and the legal requirements of the conflict, which stay.

    ``unfinished`` names what was not looked into to the end.
    """

    ways: tuple[Way, ...]
    legal: tuple[Requirement, ...]
    unfinished: tuple[Unfinished, ...] = ()

    @property
    def by_size(self) -> tuple[Way, ...]:
        """The concessions, the smallest first; purchases need none and are not among them."""
        return tuple(sorted((w for w in self.ways if w.size), key=lambda way: way.size))


def ways_out(bench: Bench, conflict: Conflict) -> WaysOut:
    """Every way of giving way; buying is found elsewhere (see purchases and materials).

    What time did not allow is named in ``unfinished``.
    """
    problem = bench.problem
    legal = tuple(r for r in conflict.requirements if r.origin.legal)
    soft = [r for r in conflict.requirements if not r.origin.legal]
    if any(r.fixed_value(problem.formula) is not None for r in legal):
        return WaysOut((), legal)
    reached = {id(reach.requirement): reach for reach in conflict.reach}
    ways: list[Way] = []
    unfinished: list[Unfinished] = []
    try:
        for requirement in soft:
            with named(unfinished, Part.WAYS_OUT, f"giving way on {requirement.what}"):
                ways += _alone(bench, requirement, reached.get(id(requirement)))
        if fixed_broken(problem):
            return WaysOut(ranked(ways), legal, tuple(unfinished))
        if not ways:
            with named(unfinished, Part.WAYS_OUT, "giving way on several limits"):
                together = _together(bench)
                ways += [together] if together is not None else []
        with named(unfinished, Part.WAYS_OUT, "more on hand of a lot"):
            ways += _more_stock(bench)
        if conflict.packs_matter:
            with named(unfinished, Part.WAYS_OUT, "opening packs"):
                ways += _open_packs(bench)
    finally:
        bench.hold()
    return WaysOut(ranked(ways), legal, tuple(unfinished))


# Giving way.


def _alone(bench: Bench, requirement: Requirement, reach: Reach | None) -> list[Way]:
    """One requirement's limits, each moved as little as will do; or the requirement left out where it has no figure."""
    formula = bench.problem.formula
    fixed = requirement.fixed_value(formula)
    if fixed is not None:
        return applied(bench, [_conceded(requirement, fixed)])
    bench.hold([r for r in bench.requirements if r is not requirement])
    if requirement.terms(formula) is None:
        fewest = bench.fewest(requirement)
        if fewest is not None and requirement.hi is not None:
            return applied(bench, [Concession(requirement, "hi", requirement.hi, fewest)])
        cost = bench.least_cost()
        return [] if cost is None else [Way(Kind.DROPPED, cost, _ONE, dropped=requirement, sure=bench.sure)]
    if reach is None:
        found, _ = bench.nearest(requirement)
        reach = Reach(requirement, found.get("lo"), found.get("hi"))
    figures = [figure for figure in (reach.below, reach.above) if figure is not None]
    if requirement.role is Role.SIZE:  # next to nothing is no batch
        figures = [figure for figure in figures if figure * LEAST_ORDER >= bench.problem.order.kilograms]
    return [way for figure in figures for way in applied(bench, [_conceded(requirement, figure)])]


def _conceded(requirement: Requirement, figure: Fraction) -> Concession:
    """The limit moved to take in a figure, rounded outward to something a person can say."""
    if requirement.role is Role.SIZE:
        assert requirement.lo is not None and requirement.hi is not None
        middle = (requirement.lo + requirement.hi) / 2
        way = 1 if figure > middle else -1
        near = figure - way * (requirement.hi - requirement.lo) / 2  # the tolerance still reaches the figure
        return Concession(requirement, "both", middle, rounded(near, way))
    if requirement.hi is not None and figure > requirement.hi:
        return Concession(requirement, "hi", requirement.hi, rounded(figure, 1))
    assert requirement.lo is not None
    return Concession(requirement, "lo", requirement.lo, rounded(figure, -1))


def rounded(figure: Fraction, way: int, step: Fraction = Fraction(1, 100)) -> Fraction:
    """A figure rounded up (``way`` 1) or down to a last place that is a fiftieth of it at most."""
    while step > abs(figure) / 50 and step > Fraction(1, 10**6):
        step /= 10
    return (ceil(figure / step) if way > 0 else floor(figure / step)) * step


def conceding(concession: Concession) -> Requirement:
    """The requirement with its limit moved."""
    r, by = concession.requirement, concession.new - concession.old
    lo = r.lo + by if r.lo is not None and concession.limit in ("lo", "both") else r.lo
    return widened(r, lo, r.hi + by if r.hi is not None and concession.limit in ("hi", "both") else r.hi)


def conceded(problem: Problem, concessions: Sequence[Concession]) -> Problem:
    """The problem with limits moved."""
    new = {id(c.requirement): conceding(c) for c in concessions}
    return replace(
        problem,
        requirements=tuple(new.get(id(r), r) for r in problem.requirements),
        fixed=tuple(new.get(id(r), r) for r in problem.fixed),
    )


def applied(bench: Bench, concessions: list[Concession]) -> list[Way]:
    """The way of these concessions, if it holds when applied and solved."""
    problem = conceded(bench.problem, concessions)
    if fixed_broken(problem):
        return []
    moved = [c for c in concessions if bench.rows_of(c.requirement)]
    with bench.conceding([(c.requirement, conceding(c)) for c in moved]):
        cost = bench.least_cost()
    if cost is None:
        return []
    size = sum((c.share for c in concessions), _ZERO)
    kind = Kind.LIMITS if len(concessions) > 1 else Kind.LIMIT
    if len(concessions) == 1 and concessions[0].requirement.role is Role.SIZE:
        kind = Kind.WEIGHT
    return [Way(kind, cost, size, tuple(concessions), sure=bench.sure)]


def farther(concessions: Sequence[Concession]) -> Iterator[list[Concession]]:
    """Concessions as told and a little farther, for a batch on the edge can seldom be weighed in divisions."""
    yield list(concessions)
    for k in _FARTHER:
        yield [replace(c, new=_stepped(c, k)) for c in concessions]


def _stepped(c: Concession, steps: int) -> Fraction:
    """So many steps farther from the old figure, a step being the last place in which the figure is told."""
    step = Fraction(1, 100)
    while step > abs(c.new) / 50 and step > Fraction(1, 10**6):
        step /= 10
    return c.new + (steps if c.new > c.old else -steps) * step


def fixed_broken(problem: Problem) -> bool:
    """True where a requirement that no choice of lots can change is broken and forbids the batch."""
    for requirement in problem.fixed:
        value = requirement.fixed_value(problem.formula)
        if value is not None and requirement.origin.blocks and not requirement.within(value):
            return True
    return False


def _together(bench: Bench) -> Way | None:
    """Several limits moved at once, with the least sum of moves as shares of the figures moved.

    Moves are counted in the rows' own units over the weight ordered, which is exact for shares of the order's basis.
    """
    problem, kept = bench.problem, bench.kept
    soft = [r for r in bench.requirements if not r.origin.legal and r.terms(problem.formula) is not None]
    bench.hold()
    give: list[tuple[Variable, dict[int, Fraction]]] = []
    for r in soft:
        weight = _ONE if r.role is Role.SIZE else problem.order.kilograms
        for i in bench.rows_of(r):
            for limit, figure, sign in ((kept.rows[i].lo, r.lo, _ONE), (kept.rows[i].hi, r.hi, -_ONE)):
                if limit is not None:
                    cost = _ONE / (weight * max(abs(figure or _ZERO), Fraction(1, 1000)))
                    give.append((Variable("give", cost, _ZERO, _PLENTY), {i: sign}))
    giving = kept.add_columns(give)
    kept.aim({j: v.cost for j, (v, _) in zip(giving, give, strict=True)})
    try:
        with searching(kept, NEAR_NODES):
            values = kept.best()
    finally:
        for j in giving:
            kept.bound(j, _ZERO, _ZERO)
    if not values:
        return None
    batch = problem.formula.exact_batch(bench.layout.kilograms(values))
    measured = [(r, r.measure(batch).value) for r in soft]
    moved = [_conceded(r, value) for r, value in measured if value is not None and not r.within(value)]
    ways = applied(bench, moved) if moved else []
    return ways[0] if ways else None


# More on hand, and packs opened.


def _leaning(bench: Bench) -> list[int]:
    """Variables whose upper bound the proof that there is no batch leans on, those it leans on most first.

    A larger bound of any other variable leaves the proof standing and cannot help.
    """
    bench.hold()
    bench.kept.aim({})
    found = bench.kept.leaning()
    size = len(bench.layout.units)
    return (
        [j for j in range(size) if bench.kept.variables[j].hi > 0] if found is None else [j for j in found if j < size]
    )


def _more_stock(bench: Bench) -> list[Way]:
    """A single lot of which more on hand would do."""
    order = bench.problem.order
    ceiling = order.kilograms + order.within_kg
    found = []
    for j in _leaning(bench)[:_LOTS]:
        lot = bench.problem.formula.columns[j]
        if not isinstance(lot, Lot):
            continue
        with bench.with_more(j, lot.usable_kg + ceiling) as there, searching(there.kept, NEAR_NODES):
            there.kept.aim({j: _ONE})
            values = there.kept.best()
        if not values:
            continue
        extra = rounded(values[j] * bench.layout.units[j] / lot.usable - lot.on_hand_kg, 1)
        if extra <= 0:
            continue
        with bench.with_more(j, (lot.on_hand_kg + extra) * lot.usable) as there:
            cost = there.least_cost()
            sure = there.sure
        if cost is not None:
            found.append(Way(Kind.STOCK, cost, extra / order.kilograms, lots=((lot, extra),), sure=sure))
    return found


def _open_packs(bench: Bench) -> list[Way]:
    """Lots whose packs are opened, or whose smallest pull is waived: one alone, else all of them.

    Those come first of which the cheapest batch with every pack opened would take a part.
    """
    problem = bench.problem
    columns = problem.formula.columns
    lots = [lot for lot in columns if isinstance(lot, Lot) and (lot.pack_kg or lot.smallest_pull_kg)]
    bench.hold()
    bench.kept.aim(bench.costs)
    x = bench.kept.guess() or (0.0,) * len(columns)
    part = {
        c.name: abs(v - round(v)) if isinstance(c, Lot) and c.pack_kg else v for c, v in zip(columns, x, strict=False)
    }
    first = sorted(lots, key=lambda lot: -part[lot.name])[: _LOTS if len(bench.kept.counted) > MANY else 2 * _LOTS]
    found: list[Way] = []
    for chosen in [*([lot] for lot in first), lots]:
        if len(chosen) > 1 and found:
            break
        new = [
            replace(lot, pack_kg=None, smallest_pull_kg=None) if any(lot is c for c in chosen) else lot
            for lot in problem.formula.lots
            if isinstance(lot, Lot)
        ]
        there = Bench(with_lots(problem, new, same=True))
        cost = there.least_cost()
        if cost is not None:
            size = Fraction(len(chosen), 100)
            found.append(Way(Kind.PACKS, cost, size, lots=tuple((lot, _ZERO) for lot in chosen), sure=there.sure))
            if len(bench.kept.counted) > MANY:
                break
    return found


# Buying, so that nothing gives way.


def purchases(bench: Bench, offered: dict[str, Fraction | None]) -> list[Way]:
    """The least to spend on offers so that a batch exists, each alone and, where none does, together.

    The bench has the offers among its lots; ``offered`` are their prices by name, per kilogram as held (None: no
    price, kilograms are made least and nothing is said of the spend).
    """
    columns = {c.name: j for j, c in enumerate(bench.problem.formula.columns) if c.name in offered}
    most = {j: bench.kept.variables[j].hi for j in columns.values()}
    alone = []
    for j in columns.values():
        for k, hi in most.items():
            bench.kept.bound(k, _ZERO, hi if k == j else _ZERO)
        way = _bought(bench, [j], offered)
        if way is not None:
            alone.append(way)
    for k, hi in most.items():
        bench.kept.bound(k, _ZERO, hi)
    if alone or len(columns) < 2:
        return sorted(alone, key=lambda way: (way.spend is None, way.spend or _ZERO))
    every = _bought(bench, list(columns.values()), offered)
    return [] if every is None else [every]


def _bought(bench: Bench, bought: list[int], prices: dict[str, Fraction | None]) -> Way | None:
    kept, units = bench.kept, bench.layout.units
    names: dict[int, Lot] = {}
    for j in bought:
        lot = bench.problem.formula.columns[j]
        assert isinstance(lot, Lot)
        names[j] = lot
    per_kg = {j: prices[lot.name] for j, lot in names.items()}
    asked = {j: (_ONE if p is None else p) * units[j] / names[j].usable for j, p in per_kg.items()}
    kept.aim(asked)
    values = kept.best()
    if not values:
        return None
    # With the least spend held, the cheapest batch.
    least = sum((cost * values[j] for j, cost in asked.items()), _ZERO)
    size = len(kept.variables)
    row = kept.add_row(Row("least spend", tuple(asked.get(j, _ZERO) for j in range(size)), None, least))
    best = bench.cheapest()
    kept.limit(row, None, None)
    if not best:
        return None
    lots = [(lot, best[j] * units[j] / lot.usable) for j, lot in names.items() if best[j]]
    priced = all(prices[lot.name] is not None for lot, _ in lots)
    return Way(Kind.PURCHASE, bench.cost(best) if priced else None, _ZERO, lots=tuple(lots),
               spend=least if priced else None)  # fmt: skip
