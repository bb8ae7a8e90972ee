"""The whole explanation of one batch: prices where there is one, ways out where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from optimizer.blend import Answer, blend
from optimizer.blend import Status as AnswerStatus
from optimizer.problem import Order, Problem
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.solver.optimum import SolverDisagrees
from optimizer.why.ground import Ground, ground_of
from optimizer.why.limits import LimitPrice, Margin, limit_prices
from optimizer.why.lots import LotPrice, lot_prices
from optimizer.why.materials import material_wanted
from optimizer.why.offers import Offered, OfferWorth, offer_worths, with_offers
from optimizer.why.ways_out import Kind, Way, WaysOut, farther, purchases, ways_out
from optimizer.why.what_if import Change

_FINER_G = (20, 10, 5, 2, 1)
"""Divisions of a meat scale that are tried where only the scale prevents a batch, grams; common practice, no source."""


_MOST_WEIGHED = 100
"""Lots up to which a way out is also tried on the scales, which takes longer than all the rest of a report."""


@dataclass(frozen=True)
class Explanation:
    """What ``why`` has to say. ``ground`` is None where no batch exists; then ``out`` and ``buy`` hold what helps.

    ``unsaid`` says why prices are not given although there is a batch; empty where they are.
    """

    answer: Answer
    ground: Ground | None = None
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    lots: tuple[LotPrice, ...] = ()
    offers: tuple[OfferWorth, ...] = ()
    out: WaysOut | None = None
    buy: tuple[Way, ...] = ()
    change: Change | None = None
    unsaid: str = ""


def explain(
    answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered] = ()
) -> Explanation:
    """Explain an answer; ``offers`` are what could be bought beside the lots. Raises SolverDisagrees."""
    problem = answer.problem
    if any(requirement.cones(problem.formula) for requirement in problem.choosing):
        return Explanation(answer, unsaid="a limit is kept with a stated confidence, which is not linear")
    if answer.optimum is not None and answer.optimum.values and answer.weighed is not None:
        if answer.status is AnswerStatus.TIME_LIMIT:
            return Explanation(answer, unsaid="the search for the cheapest batch was stopped at its time limit")
        ground = ground_of(problem, answer.optimum.values)
        if ground is not None:
            limits, margins = limit_prices(ground)
            worths = offer_worths(ground, recipe, lots, offers, order)
            return Explanation(answer, ground, limits, margins, lot_prices(ground), worths)
    if answer.scale_prevents:
        return Explanation(answer, out=WaysOut(tuple(_scales(problem)), ()))
    if answer.conflict is None:
        return Explanation(answer, unsaid="a limit that no choice of lots can change is broken")
    out = WaysOut((), ())
    if problem.formula.lots:
        out = ways_out(problem, answer.conflict)
        ways = [_weighed(problem, way) if way.concessions else way for way in out.ways]
        out = replace(out, ways=tuple(sorted(ways, key=lambda way: (way.cost is None, way.cost or 0))))
    buy: list[Way] = []
    if not any(r.fixed_value(problem.formula) is not None for r in answer.conflict.requirements):
        if offers:
            prices = {offer.lot.name: offer.price for offer in offers}
            buy += purchases(with_offers(recipe, lots, offers, order), prices)
        wanted = material_wanted(problem) if problem.formula.lots else None
        buy += [] if wanted is None else [wanted]
    worths = offer_worths(None, recipe, lots, offers, order)
    return Explanation(answer, out=out, buy=tuple(buy), offers=worths)


def _weighed(problem: Problem, way: Way) -> Way:
    """The way, or the same a little farther, with which a batch can be weighed; as it was where none of them can."""
    if len(problem.formula.columns) > _MOST_WEIGHED:
        return way
    for changed, told in farther(problem, way):
        try:
            if blend(changed).status is AnswerStatus.OPTIMAL:
                return replace(told, weighed=True)
        except SolverDisagrees:
            continue
    return way


def _scales(problem: Problem) -> list[Way]:
    """Finer scales or a wider tolerance with which the batch can be weighed, each blended to the end."""
    order = problem.order
    found = []
    for grams in _FINER_G:
        division = Fraction(grams, 1000)
        if division >= order.meat_division_kg:
            continue
        answer = blend(replace(problem, order=replace(order, meat_division_kg=division)))
        if answer.status is AnswerStatus.OPTIMAL and answer.optimum is not None:
            found.append(Way(Kind.SCALE, answer.optimum.cost, division, spend=division))
            break
    return found
