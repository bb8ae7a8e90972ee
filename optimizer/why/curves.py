"""The least cost as one figure moves over all its feasible range: a requirement's target, or one lot's price."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from constraints.numbers import shown
from constraints.quantities import FAT, Amount, Lot
from constraints.requirement import Requirement
from optimizer.problem import Problem
from optimizer.why.ground import Ground, Means, family_of, moved_to
from optimizer.why.stand import halved
from optimizer.why.worth import Market, PriceLine, kinks, market_on

_ZERO = Fraction(0)
_SAMPLES = 24
_HALVINGS = 8
"""Halvings by which an end beyond which no batch exists is found."""


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

    def cost(figure: Fraction) -> Fraction | None:
        """Solved again, in whole numbers where the batch without them would not be made."""
        if ground.whole:
            return ground.cost_with(requirement, moved_to(requirement, side, figure))
        found = family.solved(figure)
        if found is None or ground.made(found.values):
            return None if found is None else found.cost
        return ground.cost_with(requirement, moved_to(requirement, side, figure))

    start, wide = family.start, abs(family.start) or Fraction(1)
    top = start + wide if family.ceiling is None else min(start + wide, family.ceiling)
    low, shut_low = _edge(cost, start, max(start - wide, _ZERO))
    high, shut_high = _edge(cost, start, top)
    points = [Point(figure, found) for figure in _evenly(low, high) if (found := cost(figure)) is not None]
    return Curve(title, axis, tuple(points), present, ground.means_of_lots, (shut_low, shut_high))


def _evenly(low: Fraction, high: Fraction) -> list[Fraction]:
    return [low + (high - low) * k / _SAMPLES for k in range(_SAMPLES + 1)]


def _edge(cost: Callable[[Fraction], Fraction | None], inside: Fraction, end: Fraction) -> tuple[Fraction, bool]:
    """The last figure towards an end at which a batch was found, and whether none was found at the end itself."""
    if cost(end) is not None:
        return end, False
    return halved(lambda figure: cost(figure) is not None, inside, end, _HALVINGS), True


def price_curve(ground: Ground, lot: Lot) -> Curve:
    """Cost against the price of one lot, from nothing to beyond the price at which it is no longer used."""
    j = next(k for k, column in enumerate(ground.problem.formula.columns) if column.name == lot.name)
    market = market_on(ground, j)
    own = market.program.variables[j].cost
    now = market.money(own) or _ZERO
    top = market.priced(max(now * 2, Fraction(1)))
    there, pieces = ground, _pieces(market, top)
    if not all(ground.made(line.batch) for _, line in pieces):
        there = ground.chosen
        pieces = _pieces(market_on(there, j), top)
    points, amounts = [], []
    for k, (at, line) in enumerate(pieces):
        end = pieces[k + 1][0] if k + 1 < len(pieces) else top
        price, until = market.money(at) or _ZERO, market.money(end) or _ZERO
        before = market.kg(pieces[max(k - 1, 0)][1].amount)
        words = f"{shown(before, 3)} kg below, {shown(market.kg(line.amount), 3)} kg above" if k else ""
        points.append(Point(price, line.at(at), "" if ground.cones else words))
        amounts.append((price, price if ground.cones else until, market.kg(line.amount)))
        if k + 1 == len(pieces) and not ground.cones:
            points.append(Point(until, line.at(end)))
    money = ground.problem.recipe.entry.currency or "money"
    return Curve(
        f"Cost against the price of {lot.name}", f"price of {lot.name}, {money} per kg as held", tuple(points),
        Point(now, ground.cost), there.means_of_lots, amounts=tuple(amounts),
    )  # fmt: skip


def _pieces(market: Market, top: Fraction) -> list[tuple[Fraction, PriceLine]]:
    """The cheapest batches from price to price, or among cones at some prices."""
    if not market.free.cones:
        return kinks(market, market.floor, top)
    return [(price, line) for price in _evenly(market.floor, top) if (line := market.best(price)) is not None]


def dearest_lot(ground: Ground) -> Lot:
    """The lot on which most money is spent."""
    spent = [
        (ground.values[j] * ground.layout.program.variables[j].cost, column)
        for j, column in enumerate(ground.problem.formula.columns)
        if isinstance(column, Lot)
    ]
    return max(spent, key=lambda pair: pair[0])[1]


def curves_of(ground: Ground, name: str | None) -> Iterator[Curve]:
    """The curves that are drawn: cost against the target of fat, and the price of a lot, by name or the dearest."""
    requirement = fat_requirement(ground.problem)
    target = None if requirement is None else target_curve(ground, requirement)
    if target is not None:
        yield target
    named = next((lot for lot in ground.problem.formula.lots if isinstance(lot, Lot) and lot.name == name), None)
    yield price_curve(ground, named or dearest_lot(ground))
