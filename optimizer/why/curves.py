"""The least cost as one figure moves over all its feasible range: a requirement's target, or one lot's price."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Annotated

from constraints.as_typed import ZERO, shown
from constraints.quantities import FAT, Amount, Lot
from constraints.requirement import Requirement
from optimizer.problem import Problem
from optimizer.record import Exact, key
from optimizer.why.ground import Ground, Means, family_of, moved_to
from optimizer.why.moving import halved
from optimizer.why.worth import Market, PriceLine, kinks

_SAMPLES = 24
_HALVINGS = 8
"""Halvings by which an end beyond which no batch exists is found."""


@dataclass(frozen=True)
class CurvePoint:
    """Cost at a figure."""

    figure: Exact
    cost: Exact


@dataclass(frozen=True)
class Kink(CurvePoint):
    """Cost at a figure, and what changes there."""

    kink: str = ""


@dataclass(frozen=True)
class AmountAlong:
    """Kilograms of a lot from one price to another."""

    start: Exact
    end: Exact
    kg: Exact


@dataclass(frozen=True)
class CurveDrawn:
    """Cost along one figure."""

    title: str
    axis: str
    means: Means
    points: tuple[Kink, ...]
    present: CurvePoint
    """Where the batch stands now."""
    closed: Annotated[tuple[bool, ...], key("no_batch_beyond")] = (False, False)
    amounts: tuple[AmountAlong, ...] = ()


def fat_requirement(problem: Problem) -> Requirement | None:
    """The recipe's first requirement on fat, else its first on any ratio that depends on the lots."""
    own = [r for r in problem.choosing if r.counted is not None and not r.origin.legal]
    return min(own, key=lambda r: not (isinstance(r.counted, Amount) and r.counted.name == FAT), default=None)


def target_curve(ground: Ground, requirement: Requirement) -> CurveDrawn | None:
    """Cost against a requirement's target: the middle of its band, or its one limit. None where it has none."""
    side = "lo" if requirement.hi is None else "hi" if requirement.lo is None else "both"
    what, name = requirement.what, {"both": "target", "hi": "largest", "lo": "smallest"}[side]
    family = family_of(ground, requirement, side)
    if family is None:
        return None

    def cost(figure: Fraction) -> Fraction | None:
        """Solved again, in whole numbers where the batch without them would not be made."""
        found = None if ground.whole else family.solved(figure)
        if ground.whole or (found is not None and not ground.made(found.values)):
            return ground.cost_with(requirement, moved_to(requirement, side, figure))
        return None if found is None else found.cost

    start, wide = family.start, abs(family.start) or Fraction(1)
    top = start + wide if family.ceiling is None else min(start + wide, family.ceiling)
    (low, shut_low), (high, shut_high) = (_edge(cost, start, end) for end in (max(start - wide, ZERO), top))
    points = tuple(Kink(figure, found) for figure in _evenly(low, high) if (found := cost(figure)) is not None)
    axis = f"{name} {what} of the {requirement.basis}, {requirement.unit or 'as a figure'}"
    title, means = f"Cost against the {name} {what}", ground.means_of_lots
    return CurveDrawn(title, axis, means, points, CurvePoint(start, ground.cost), (shut_low, shut_high))


def _evenly(low: Fraction, high: Fraction) -> list[Fraction]:
    return [low + (high - low) * k / _SAMPLES for k in range(_SAMPLES + 1)]


def _edge(cost: Callable[[Fraction], Fraction | None], inside: Fraction, end: Fraction) -> tuple[Fraction, bool]:
    """The last figure towards an end at which a batch was found, and whether none was found at the end itself."""
    if cost(end) is not None:
        return end, False
    return halved(lambda figure: cost(figure) is not None, inside, end, _HALVINGS), True


def price_curve(ground: Ground, lot: Lot) -> CurveDrawn:
    """Cost against the price of one lot, from nothing to beyond the price at which it is no longer used."""
    j = next(k for k, column in enumerate(ground.problem.formula.columns) if column.name == lot.name)
    market, there = Market.on(ground, j), ground
    now = market.money(market.program.variables[j].cost) or ZERO
    top = market.priced(max(now * 2, Fraction(1)))
    pieces = _pieces(market, top)
    if not all(ground.made(line.batch) for _, line in pieces):
        there = ground.chosen
        pieces = _pieces(Market.on(there, j), top)
    ends = [market.money(at) or ZERO for at in (*(at for at, _ in pieces), top)]
    used = [market.kg(line.amount) for _, line in pieces]
    points = [Kink(end, line.at(at)) for end, (at, line) in zip(ends, pieces, strict=False)]
    amounts = list(map(AmountAlong, ends, ends, used))
    if not ground.cones:
        for k in range(1, len(pieces)):
            points[k] = replace(points[k], kink=f"{shown(used[k - 1], 3)} kg below, {shown(used[k], 3)} kg above")
        points += [Kink(ends[-1], line.at(top)) for _, line in pieces[-1:]]
        amounts = list(map(AmountAlong, ends, ends[1:], used))
    money = ground.problem.recipe.entry.currency or "money"
    return CurveDrawn(
        f"Cost against the price of {lot.name}", f"price of {lot.name}, {money} per kg as held", there.means_of_lots,
        tuple(points), CurvePoint(now, ground.cost), amounts=tuple(amounts),
    )  # fmt: skip


def _pieces(market: Market, top: Fraction) -> list[tuple[Fraction, PriceLine]]:
    """The cheapest batches from price to price, or among cones at some prices."""
    if not market.free.cones:
        return kinks(market, market.floor, top)
    return [(price, line) for price in _evenly(market.floor, top) if (line := market.best(price)) is not None]


def dearest_lot(ground: Ground) -> Lot:
    """The lot on which most money is spent."""
    lots = [(j, column) for j, column in enumerate(ground.problem.formula.columns) if isinstance(column, Lot)]
    return max(lots, key=lambda pair: ground.values[pair[0]] * ground.layout.program.variables[pair[0]].cost)[1]


def curves_of(ground: Ground, name: str | None) -> Iterator[CurveDrawn]:
    """The curves that are drawn: cost against the target of fat, and the price of a lot, by name or the dearest."""
    requirement = fat_requirement(ground.problem)
    target = None if requirement is None else target_curve(ground, requirement)
    if target is not None:
        yield target
    named = next((lot for lot in ground.problem.formula.lots if isinstance(lot, Lot) and lot.name == name), None)
    yield price_curve(ground, named or dearest_lot(ground))
