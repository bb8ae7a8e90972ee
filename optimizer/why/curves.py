"""The least cost as one figure moves over all its feasible range: a requirement's target, or one lot's price."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.ingredients import FAT, Lot
from constraints.numbers import shown
from constraints.quantities import Amount
from constraints.requirement import Requirement, widened
from optimizer.bench.bench import Bench
from optimizer.problem import Problem
from optimizer.solver.program import Layout
from optimizer.why.ground import Ground, Means, changes, family_of
from optimizer.why.limits import cost_with
from optimizer.why.lots import Line, Market, PerHeld, kinks
from optimizer.why.moving import Segment, beside, trace

_ZERO = Fraction(0)
_BEND_POINTS = 8
_SAMPLES = 24


@dataclass(frozen=True)
class Point:
    """Cost at a figure. ``kink`` says what changes there; empty where nothing does."""

    figure: Fraction
    cost: Fraction
    kink: str = ""


@dataclass(frozen=True)
class Curve:
    """A curve with its axis title and the point where the batch stands now. ``means`` says how it was found.

    ``closed`` is True at an end beyond which no batch exists. ``amounts`` are kilograms of a lot, from price to price.
    """

    title: str
    axis: str
    points: tuple[Point, ...]
    present: Point
    means: Means
    closed: tuple[bool, bool] = (False, False)
    amounts: tuple[tuple[Fraction, Fraction, Fraction], ...] = ()


def fat_requirement(problem: Problem) -> Requirement | None:
    """The recipe's first requirement on fat, else its first on any ratio that depends on the lots."""
    own: list[Requirement] = []
    fat: list[Requirement] = []
    for r in problem.choosing:
        if r.counted is not None and not r.origin.legal:
            own.append(r)
            fat += [r] if isinstance(r.counted, Amount) and r.counted.name == FAT else []
    return next(iter([*fat, *own]), None)


def named_target(requirement: Requirement) -> tuple[str, str, str]:
    """Which limits of a requirement move together as its target (``both``, ``lo`` or ``hi``), a title and an axis."""
    side = "lo" if requirement.hi is None else "hi" if requirement.lo is None else "both"
    unit = f" {requirement.unit}" if requirement.unit else ""
    name = {"both": "target", "hi": "largest", "lo": "smallest"}[side]
    axis = f"{name} {requirement.what} of the {requirement.basis},{unit or ' as a figure'}"
    return side, f"Cost against the {name} {requirement.what}", axis


def target_curve(ground: Ground, requirement: Requirement) -> Curve | None:
    """Cost against a requirement's target: the middle of its band, or its one limit. None where it has none."""
    side, title, axis = named_target(requirement)
    family = family_of(ground, requirement, side)
    if family is None:
        return None
    present = Point(family.start, ground.cost)
    if ground.whole:
        return _sampled(ground, requirement, side, family.start, title, axis)
    down = beside(family, family.start, -1, ground.basis)
    up = beside(family, family.start, 1, ground.basis)
    before = [down, *trace(family, down, -1)] if down is not None else []
    after = [up, *trace(family, up, 1)] if up is not None else []
    segments = [*reversed(before), *after]
    skip = {drift.row for drift in family.drifts}
    width = _width(requirement)
    low, high = _first(segments, present, width), _last(segments, present, width)
    points: list[Point] = [Point(low, segments[0].cost_at(low))] if segments else [present]
    for here, there in zip(segments, [*segments[1:], None], strict=True):
        end = high if there is None or here.hi is None else here.hi
        points += _along(here, points[-1].figure, end)
        words = "" if there is None else "; ".join(changes(ground, here.basis, there.basis, skip))
        points.append(Point(end, here.cost_at(end), words))
    closed = (bool(segments) and segments[0].lo == low, bool(segments) and segments[-1].hi == high)
    return Curve(title, axis, tuple(points), present, Means.EXACT, closed)


def _width(requirement: Requirement) -> Fraction:
    ends = [abs(x) for x in (requirement.lo, requirement.hi) if x is not None]
    return max(ends, default=Fraction(1)) / 2 or Fraction(1)


def _first(segments: list[Segment], present: Point, width: Fraction) -> Fraction:
    """The left end: where batches end, or a little beyond the last kink where they do not."""
    if not segments:
        return present.figure
    return segments[0].lo if segments[0].lo is not None else (segments[0].hi or present.figure) - width


def _last(segments: list[Segment], present: Point, width: Fraction) -> Fraction:
    if not segments:
        return present.figure
    return segments[-1].hi if segments[-1].hi is not None else (segments[-1].lo or present.figure) + width


def _along(here: Segment, start: Fraction, end: Fraction) -> list[Point]:
    """Points inside a bent piece; none where it is straight."""
    if here.straight:
        return []
    steps = [start + (end - start) * k / _BEND_POINTS for k in range(1, _BEND_POINTS)]
    return [Point(figure, here.cost_at(figure)) for figure in steps]


def _sampled(
    ground: Ground, requirement: Requirement, side: str, start: Fraction, title: str, axis: str
) -> Curve | None:
    """With whole packs the curve may jump: solved again at evenly spaced figures of the range."""
    terms = requirement.terms(ground.problem.formula)
    if terms is None:
        return None
    others = [r for r in ground.problem.choosing if r is not requirement]
    bench = Bench(ground.problem, others)
    low, high = bench.extreme(terms, 1), bench.extreme(terms, -1)
    if low is None or high is None:
        return None
    points = []
    for k in range(_SAMPLES + 1):
        figure = low + (high - low) * k / _SAMPLES
        by = figure - start
        lo = requirement.lo + by if requirement.lo is not None and side in ("lo", "both") else requirement.lo
        hi = requirement.hi + by if requirement.hi is not None and side in ("hi", "both") else requirement.hi
        cost = cost_with(ground, requirement, widened(requirement, lo, hi))
        if cost is not None:
            points.append(Point(figure, cost))
    return Curve(title, axis, tuple(points), Point(start, ground.cost), Means.SOLVED_AGAIN)


def price_curve(ground: Ground, lot: Lot) -> Curve:
    """Cost against the price of one lot, from nothing to beyond the price at which it is no longer used."""
    columns = ground.problem.formula.columns
    j = next(k for k, column in enumerate(columns) if column.name == lot.name)
    scale = PerHeld(ground.problem, lot, ground.layout.units[j])
    program = ground.layout.program
    own = program.variables[j].cost
    floor = min(own, scale.cost(_ZERO))
    now = scale.money(own) or _ZERO
    market = Market(program, j, None if ground.whole else ground.standing, floor)
    top = scale.cost(max(now * 2, Fraction(1)))
    lines: list[tuple[Fraction, Line]] = kinks(market, floor, top)
    points, amounts = [], []
    for k, (start, line) in enumerate(lines):
        end = lines[k + 1][0] if k + 1 < len(lines) else top
        price, until = scale.money(start) or _ZERO, scale.money(end) or _ZERO
        before = scale.kg(lines[max(k - 1, 0)][1].amount)
        words = f"{shown(before, 3)} kg below, {shown(scale.kg(line.amount), 3)} kg above" if k else ""
        points.append(Point(price, line.at(start), words))
        amounts.append((price, until, scale.kg(line.amount)))
        if k + 1 == len(lines):
            points.append(Point(until, line.at(end)))
    means = Means.SOLVED_AGAIN if ground.whole else Means.EXACT
    return Curve(
        f"Cost against the price of {lot.name}", f"price of {lot.name}, money per kg as held", tuple(points),
        Point(now, ground.cost), means, amounts=tuple(amounts),
    )  # fmt: skip


def dearest_lot(problem: Problem, layout: Layout, values: Sequence[Fraction]) -> Lot:
    """The lot on which most money is spent."""
    spent = [
        (values[j] * layout.program.variables[j].cost, column)
        for j, column in enumerate(problem.formula.columns)
        if isinstance(column, Lot)
    ]
    return max(spent, key=lambda pair: pair[0])[1]
