"""What an offer is worth where limits are kept with a stated confidence, by solving again at changed prices."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from constraints.ingredients import Lot
from optimizer.problem import Problem
from optimizer.solver.cone import cones_of
from optimizer.solver.program import Layout
from optimizer.why.ground import Means
from optimizer.why.lots import PerHeld
from optimizer.why.offers import Offered, OfferWorth, asked
from optimizer.why.sure.lots import ConeMarket, entry
from optimizer.why.sure.stand import Curved

_ZERO = Fraction(0)
_SHARES = (Fraction(1, 100), Fraction(5, 100), Fraction(10, 100), Fraction(25, 100), Fraction(1, 2))
"""Shares of the most to pay, below it, at which the kilograms wanted are told."""


def sure_worth(problem: Problem, layout: Layout, j: int, offer: Offered, cost: Fraction | None) -> OfferWorth:
    """What one offer is worth; ``cost`` is the least without it (None: no batch). Raises OutOfTime."""
    lot = problem.formula.columns[j]
    assert isinstance(lot, Lot)
    scale = PerHeld(problem, lot, layout.units[j])
    size = len(layout.program.variables)
    cones = tuple(cone.over(layout.units, size) for cone in cones_of(problem.choosing, problem.formula))
    market = ConeMarket(Curved(layout.program, cones), j, scale.cost(_ZERO), cost or _ZERO)
    bare = market.bare()
    if bare is None and market.best(market.floor) is None:
        return OfferWorth(offer, Means.CHANGED, possible=False)
    if bare is None:
        least = market.least(1).amount
        return asked(OfferWorth(offer, Means.CHANGED, None, scale.kg(least), needed=True), market, scale, cost)
    found = entry(market, bare)
    answer = OfferWorth(offer, Means.CHANGED, scale.money(found.price), scale.kg(found.amount))
    if answer.most is not None:
        answer = replace(answer, steps=((answer.most, answer.kg), *_wanted(market, scale, answer.most)))
    return asked(answer, market, scale, cost)


def _wanted(market: ConeMarket, scale: PerHeld, most: Fraction) -> Iterator[tuple[Fraction, Fraction]]:
    """Prices below the most to pay, and the kilograms wanted at each, as held; only where they are more."""
    before = _ZERO
    for share in _SHARES:
        price = most * (1 - share)
        line = market.best(scale.cost(price))
        if line is not None and scale.kg(line.amount) > before * Fraction(101, 100):
            before = scale.kg(line.amount)
            yield price, before
