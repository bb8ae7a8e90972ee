"""The pictures where limits are kept with a stated confidence: solved again at evenly spaced figures."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from constraints.ingredients import Lot
from constraints.requirement import Requirement
from optimizer.why.curves import Curve, Point, named_target
from optimizer.why.ground import Means
from optimizer.why.lots import PerHeld
from optimizer.why.sure.limits import SureGround, cost_with, moved_to, moving_of
from optimizer.why.sure.lots import ConeMarket

_ZERO = Fraction(0)
_SAMPLES = 24
_HALVINGS = 8
"""Halvings by which an end beyond which no batch exists is found."""


def sure_target_curve(ground: SureGround, requirement: Requirement) -> Curve | None:
    """Cost against a requirement's target; None where it has none."""
    side, title, axis = named_target(requirement)
    moving = moving_of(ground, requirement, side)
    if moving is None:
        return None
    start = moving.start

    def cost(figure: Fraction) -> Fraction | None:
        if ground.whole:
            return cost_with(ground, requirement, moved_to(requirement, side, figure))
        found = moving.at(figure)
        return None if found is None else found.cost

    wide = abs(start) / 2 or Fraction(1)
    top = start + wide if moving.ceiling is None else min(start + wide, moving.ceiling)
    low, shut_low = _edge(cost, start, max(start - wide, _ZERO))
    high, shut_high = _edge(cost, start, top)
    points = []
    for k in range(_SAMPLES + 1):
        figure = low + (high - low) * k / _SAMPLES
        found = cost(figure)
        if found is not None:
            points.append(Point(figure, found))
    return Curve(title, axis, tuple(points), Point(start, ground.cost), Means.CHANGED, (shut_low, shut_high))


def _edge(cost: Callable[[Fraction], Fraction | None], inside: Fraction, end: Fraction) -> tuple[Fraction, bool]:
    """The last figure towards an end at which a batch was found, and whether none was found at the end itself."""
    if cost(end) is not None:
        return end, False
    outside = end
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2
        if cost(middle) is None:
            outside = middle
        else:
            inside = middle
    return inside, True


def sure_price_curve(ground: SureGround, lot: Lot) -> Curve:
    """Cost against the price of one lot, from nothing to twice what it costs."""
    columns = ground.problem.formula.columns
    j = next(k for k, column in enumerate(columns) if column.name == lot.name)
    scale = PerHeld(ground.problem, lot, ground.layout.units[j])
    own = ground.free.program.variables[j].cost
    market = ConeMarket(ground.free, j, min(own, scale.cost(_ZERO)), ground.cost)
    now = scale.money(own) or _ZERO
    low, top = scale.money(market.floor) or _ZERO, now * 2 or Fraction(1)
    points, amounts = [], []
    for k in range(_SAMPLES + 1):
        price = low + (top - low) * k / _SAMPLES
        line = market.best(scale.cost(price))
        if line is not None:
            points.append(Point(price, line.at(scale.cost(price))))
            amounts.append((price, price, scale.kg(line.amount)))
    return Curve(
        f"Cost against the price of {lot.name}", f"price of {lot.name}, money per kg as held", tuple(points),
        Point(now, ground.cost), Means.CHANGED, amounts=tuple(amounts),
    )  # fmt: skip
