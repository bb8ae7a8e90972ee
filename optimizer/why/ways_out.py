"""Where no batch exists: every way of giving way that makes one possible, and what to buy so that none is needed.

A law's limit is never offered for relaxing. Each way is worked out exactly, rounded to a figure a person can use,
applied to the problem and solved again; one that then has no batch is not told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from math import ceil, floor

from constraints.ingredients import Lot
from constraints.requirement import Requirement, Row, widened
from constraints.stock import BatchSize
from optimizer.conflict import Conflict
from optimizer.problem import Problem
from optimizer.solver.exact import reduced_costs
from optimizer.solver.model import Program, solve
from optimizer.solver.optimum import SolverDisagrees
from optimizer.solver.program import Layout, relaxed
from optimizer.solver.simplex import Simplex
from optimizer.why.ground import cheapest, layout_for
from optimizer.why.moving import solved

_ZERO = Fraction(0)
_ONE = Fraction(1)
_LOTS = 5
"""Lots looked at one by one for more stock or open packs: those that the proof of the conflict leans on most."""
_TURNS = 60
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
    onto the scales.
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


@dataclass(frozen=True)
class WaysOut:
    """The ways, the cheapest first, and the legal requirements of the conflict, which stay."""

    ways: tuple[Way, ...]
    legal: tuple[Requirement, ...]

    @property
    def by_size(self) -> tuple[Way, ...]:
        """The concessions, the smallest first; purchases need none and are not among them."""
        return tuple(sorted((w for w in self.ways if w.size), key=lambda way: way.size))


def ways_out(problem: Problem, conflict: Conflict) -> WaysOut:
    """Every way of giving way; buying is found elsewhere (see purchases and materials)."""
    legal = tuple(r for r in conflict.requirements if r.origin.legal)
    soft = [r for r in conflict.requirements if not r.origin.legal]
    if any(r.fixed_value(problem.formula) is not None for r in legal):
        return WaysOut((), legal)
    ways: list[Way] = []
    for requirement in soft:
        ways += _alone(problem, requirement)
    if not ways:
        together = _together(problem)
        ways += [together] if together is not None else []
    ways += _more_stock(problem)
    if conflict.packs_matter:
        ways += _open_packs(problem)
    return WaysOut(tuple(sorted(ways, key=_by_cost)), legal)


def _by_cost(way: Way) -> tuple[bool, Fraction]:
    return way.cost is None, way.cost or _ZERO


# Giving way.


def _alone(problem: Problem, requirement: Requirement) -> list[Way]:
    """One requirement's limits, each moved as little as will do; or the requirement left out where it has no figure."""
    fixed = requirement.fixed_value(problem.formula)
    if fixed is not None:
        return _applied(problem, [_conceded(requirement, fixed)])
    others = [r for r in problem.choosing if r is not requirement]
    terms = requirement.terms(problem.formula)
    layout, _ = layout_for(problem, others)
    if terms is None:
        values = cheapest(layout.program)
        if values is None:
            return []
        return [Way(Kind.DROPPED, layout.program.cost(values), _ONE, dropped=requirement)]
    found = []
    for limit, sign in (("lo", -1), ("hi", 1)):
        if getattr(requirement, limit) is None:
            continue
        one_sided = widened(requirement, *((None, requirement.hi) if limit == "lo" else (requirement.lo, None)))
        kept = others if one_sided.lo is None and one_sided.hi is None else [*others, one_sided]
        figure = extreme(layout_for(problem, kept)[0], terms, sign)
        if figure is not None and not requirement.within(figure):
            found += _applied(problem, [_conceded(requirement, figure)])
    return found


def extreme(
    layout: Layout, terms: tuple[tuple[Fraction, ...], tuple[Fraction, ...] | None], sign: int
) -> Fraction | None:
    """The smallest (``sign`` 1) or largest (-1) figure over a program, exact by Dinkelbach's method; None: no batch."""
    over, under = terms
    find = _finder(layout.program)
    more = len(layout.program.variables) - len(layout.units)
    point = find([_ZERO] * len(layout.program.variables))
    if point is None:
        return None
    for _ in range(_TURNS):
        kg = layout.kilograms(point)
        bottom = _ONE if under is None else _dot(under, kg)
        if bottom <= 0:
            return None
        value = _dot(over, kg) / bottom
        drawn = [sign * (a - value * (under[j] if under else _ZERO)) for j, a in enumerate(over)]
        costs = [c * u for c, u in zip(drawn, layout.units, strict=True)] + [_ZERO] * more
        better = find(costs)
        if better is None or _dot(costs, better) >= _dot(costs, point):
            return value
        point = better
    raise SolverDisagrees("the nearest figure could not be settled")


def _finder(program: Program) -> Callable[[Sequence[Fraction]], tuple[Fraction, ...] | None]:
    """Solves the program for other costs, each search starting where the last one stood."""
    basis = None

    def find(costs: Sequence[Fraction]) -> tuple[Fraction, ...] | None:
        nonlocal basis
        asked = Program(tuple(replace(v, cost=c) for v, c in zip(program.variables, costs, strict=True)), program.rows)
        if program.whole:
            return cheapest(asked)
        if basis is None:
            basis = solve(asked).basis
        search = solved(asked, basis)
        if search is None:
            return None
        basis = search.basis
        return search.values

    return find


def _conceded(requirement: Requirement, figure: Fraction) -> Concession:
    """The limit moved to take in a figure, rounded outward to something a person can say."""
    if isinstance(requirement, BatchSize):
        assert requirement.lo is not None and requirement.hi is not None
        middle = (requirement.lo + requirement.hi) / 2
        way = 1 if figure > middle else -1
        near = figure - way * (requirement.hi - requirement.lo) / 2  # the tolerance still reaches the figure
        return Concession(requirement, "both", middle, _rounded(near, way))
    if requirement.hi is not None and figure > requirement.hi:
        return Concession(requirement, "hi", requirement.hi, _rounded(figure, 1))
    assert requirement.lo is not None
    return Concession(requirement, "lo", requirement.lo, _rounded(figure, -1))


def _rounded(figure: Fraction, way: int, step: Fraction = Fraction(1, 100)) -> Fraction:
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


def _applied(problem: Problem, concessions: list[Concession]) -> list[Way]:
    """The way of these concessions, if it holds when applied and solved."""
    cost = least_cost(conceded(problem, concessions))
    if cost is None:
        return []
    size = sum((c.share for c in concessions), _ZERO)
    kind = Kind.LIMITS if len(concessions) > 1 else Kind.LIMIT
    if len(concessions) == 1 and isinstance(concessions[0].requirement, BatchSize):
        kind = Kind.WEIGHT
    return [Way(kind, cost, size, tuple(concessions))]


def farther(problem: Problem, way: Way) -> list[tuple[Problem, Way]]:
    """A way's concessions as told and a little farther, for a batch on the edge can seldom be weighed in divisions."""
    found = [(conceded(problem, way.concessions), way)]
    for k in _FARTHER:
        moved = [replace(c, new=_stepped(c, k)) for c in way.concessions]
        found += [(conceded(problem, w.concessions), w) for w in _applied(problem, moved)]
    return found


def _stepped(c: Concession, steps: int) -> Fraction:
    """So many steps farther from the old figure, a step being the last place in which the figure is told."""
    step = Fraction(1, 100)
    while step > abs(c.new) / 50 and step > Fraction(1, 10**6):
        step /= 10
    return c.new + (steps if c.new > c.old else -steps) * step


def least_cost(problem: Problem) -> Fraction | None:
    """The least cost of a problem, exact; None where it has no batch or a requirement that cannot change is broken."""
    for requirement in problem.fixed:
        value = requirement.fixed_value(problem.formula)
        if value is not None and requirement.origin.blocks and not requirement.within(value):
            return None
    program = layout_for(problem)[0].program
    values = cheapest(program)
    return None if values is None else program.cost(values)


def _together(problem: Problem) -> Way | None:
    """Several limits moved at once, with the least sum of moves as shares of the figures moved.

    Moves are counted in the rows' own units over the weight ordered, which is exact for shares of the order's basis.
    """
    soft = [r for r in problem.choosing if not r.origin.legal and r.terms(problem.formula) is not None]
    layout, owners = layout_for(problem)
    program = layout.program
    extra: list[tuple[int, Fraction, Fraction]] = []
    for i, owner in enumerate(owners):
        r = owner.requirement
        if r is None or not any(r is s for s in soft):
            continue
        weight = _ONE if isinstance(r, BatchSize) else problem.order.kilograms
        for limit, sign in ((program.rows[i].lo, _ONE), (program.rows[i].hi, -_ONE)):
            if limit is not None:
                figure = r.lo if sign > 0 else r.hi
                extra.append((i, sign, _ONE / (weight * max(abs(figure or _ZERO), Fraction(1, 1000)))))
    variables = [replace(v, cost=_ZERO) for v in program.variables]
    size = len(variables)
    plenty = Fraction(10) ** 6
    variables += [replace(variables[0], name="give", cost=cost, lo=_ZERO, hi=plenty, whole=False) for *_, cost in extra]
    rows = []
    for i, row in enumerate(program.rows):
        give = [sign if at == i else _ZERO for at, sign, _ in extra]
        rows.append(replace(row, coefs=(*row.coefs, *give)))
    values = cheapest(Program(tuple(variables), tuple(rows)))
    if values is None:
        return None
    batch = problem.formula.exact_batch(layout.kilograms(values[:size]))
    moved = []
    for r in soft:
        value = r.measure(batch).value
        if value is not None and not r.within(value):
            moved.append(_conceded(r, value))
    ways = _applied(problem, moved) if moved else []
    return ways[0] if ways else None


# More on hand, and packs opened.


def leaning(program: Program) -> list[int]:
    """Variables whose upper bound the proof that there is no batch leans on, those it leans on most first.

    A larger bound of any other variable leaves the proof standing and cannot help.
    """
    search = Simplex(relaxed(program))
    if search.minimise():
        return [j for j, v in enumerate(program.variables) if v.hi > 0]
    free = Program(tuple(replace(v, cost=_ZERO) for v in program.variables), program.rows)
    rest = reduced_costs(free, search.refutation())
    return sorted((j for j, r in enumerate(rest) if r < 0), key=lambda j: (rest[j], j))


def _more_stock(problem: Problem) -> list[Way]:
    """A single lot of which more on hand would do."""
    layout, _ = layout_for(problem)
    ceiling = problem.order.kilograms + problem.order.within_kg
    found = []
    for j in [j for j in leaning(layout.program) if j < len(layout.units)][:_LOTS]:
        lot = problem.formula.columns[j]
        if not isinstance(lot, Lot):
            continue
        plenty = replace(lot, on_hand_kg=lot.on_hand_kg + ceiling / lot.usable, largest_pull_kg=None)
        more = _with_lot(problem, lot, plenty)
        there = layout_for(more)[0]
        costs = [_ONE if k == j else _ZERO for k in range(len(there.program.variables))]
        values = _finder(there.program)(costs)
        if values is None:
            continue
        needed = values[j] * there.units[j] / lot.usable
        extra = _rounded(needed - lot.on_hand_kg, 1)
        if extra <= 0:
            continue
        largest = None if lot.largest_pull_kg is None else max(lot.largest_pull_kg, lot.on_hand_kg + extra)
        grown = replace(lot, on_hand_kg=lot.on_hand_kg + extra, largest_pull_kg=largest)
        cost = least_cost(_with_lot(problem, lot, grown))
        if cost is not None:
            found.append(Way(Kind.STOCK, cost, extra / problem.order.kilograms, lots=((lot, extra),)))
    return found


def _with_lot(problem: Problem, old: Lot, new: Lot) -> Problem:
    """The problem with one lot changed in its amounts."""
    return with_lots(problem, [new if lot is old else lot for lot in problem.formula.lots if isinstance(lot, Lot)])


def with_lots(problem: Problem, lots: Sequence[Lot]) -> Problem:
    """The problem over other lots."""
    formula = type(problem.formula)(lots, problem.formula.additions, problem.formula.process)
    return replace(problem, formula=formula)


def _open_packs(problem: Problem) -> list[Way]:
    """Lots whose packs are opened, or whose smallest pull is waived: one alone, else all of them."""
    lots = [lot for lot in problem.formula.lots if isinstance(lot, Lot) and (lot.pack_kg or lot.smallest_pull_kg)]
    found: list[Way] = []
    for chosen in [*([lot] for lot in lots[: 2 * _LOTS]), lots]:
        if len(chosen) > 1 and found:
            break
        new = [
            replace(lot, pack_kg=None, smallest_pull_kg=None) if any(lot is c for c in chosen) else lot
            for lot in problem.formula.lots
            if isinstance(lot, Lot)
        ]
        cost = least_cost(with_lots(problem, new))
        if cost is not None:
            size = Fraction(len(chosen), 100)
            found.append(Way(Kind.PACKS, cost, size, lots=tuple((lot, _ZERO) for lot in chosen)))
    return found


# Buying, so that nothing gives way.


def purchases(problem: Problem, offered: dict[str, Fraction | None]) -> list[Way]:
    """The least to spend on offers so that a batch exists, each alone and, where none does, together.

    ``problem`` has the offers among its lots; ``offered`` are their prices by name, per kilogram as held (None: no
    price, kilograms are made least and nothing is said of the spend).
    """
    layout, _ = layout_for(problem)
    columns = {c.name: j for j, c in enumerate(problem.formula.columns) if c.name in offered}
    alone = []
    for name, j in columns.items():
        closed = [k for other, k in columns.items() if other != name]
        way = _bought(problem, layout, [j], closed, offered)
        if way is not None:
            alone.append(way)
    if alone or len(columns) < 2:
        return sorted(alone, key=lambda way: (way.spend is None, way.spend or _ZERO))
    every = _bought(problem, layout, list(columns.values()), [], offered)
    return [] if every is None else [every]


def _bought(
    problem: Problem, layout: Layout, bought: list[int], closed: list[int], prices: dict[str, Fraction | None]
) -> Way | None:
    program = _closed(layout.program, closed)
    names = {j: problem.formula.columns[j] for j in bought}
    per_unit = {}
    for j, lot in names.items():
        assert isinstance(lot, Lot)
        price = prices[lot.name]
        per_unit[j] = (_ONE if price is None else price) * layout.units[j] / lot.usable
    asked = [per_unit.get(j, _ZERO) for j in range(len(program.variables))]
    values = _finder(program)(asked)
    if values is None:
        return None
    # With the least spend held, the cheapest batch.
    least = _dot(asked, values)
    capped = Program(program.variables, (*program.rows, Row("least spend", tuple(asked), None, least)))
    best = cheapest(capped)
    if best is None:
        return None
    lots = []
    for j, lot in names.items():
        assert isinstance(lot, Lot)
        if best[j]:
            lots.append((lot, best[j] * layout.units[j] / lot.usable))
    priced = all(prices[lot.name] is not None for lot, _ in lots)
    return Way(Kind.PURCHASE, program.cost(best) if priced else None, _ZERO, lots=tuple(lots),
               spend=least if priced else None)  # fmt: skip


def _closed(program: Program, columns: Sequence[int]) -> Program:
    gone = set(columns)
    variables = tuple(replace(v, lo=_ZERO, hi=_ZERO) if j in gone else v for j, v in enumerate(program.variables))
    return Program(variables, program.rows)


def _dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(left, right, strict=False) if a and b), _ZERO)
