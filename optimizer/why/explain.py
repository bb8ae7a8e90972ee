"""The whole explanation of one batch: prices where there is one, ways out where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from optimizer.blend import Answer
from optimizer.blend import Status as AnswerStatus
from optimizer.conflict import Conflict
from optimizer.problem import Order
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.why.bench import Bench
from optimizer.why.ground import Ground, ground_of
from optimizer.why.limits import LimitPrice, Margin, limit_prices
from optimizer.why.lots import LotPrice, lot_prices
from optimizer.why.materials import material_wanted
from optimizer.why.offers import Offered, OfferWorth, offer_worths, with_offers
from optimizer.why.scales import ways_to_weigh, weighed_way
from optimizer.why.ways_out import Way, WaysOut, named, purchases, ranked, ways_out
from optimizer.why.what_if import Change

if TYPE_CHECKING:
    from optimizer.why.sure.limits import SureGround

_ZERO = Fraction(0)
_MOST_WEIGHED = 100
"""Lots up to which every way out is also tried on the scales; above it only the cheapest one is."""


@dataclass(frozen=True)
class Explanation:
    """What ``why`` has to say. ``ground`` is None where no batch exists; then ``out`` and ``buy`` hold what helps.

    ``unsaid`` says why prices are not given although there is a batch; empty where they are. ``unfinished`` names what
    time or a search that was given up did not allow.
    """

    answer: Answer
    ground: Ground | SureGround | None = None
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    lots: tuple[LotPrice, ...] = ()
    offers: tuple[OfferWorth, ...] = ()
    out: WaysOut | None = None
    buy: tuple[Way, ...] = ()
    change: Change | None = None
    unsaid: str = ""
    unfinished: tuple[str, ...] = ()


def explain(
    answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered] = ()
) -> Explanation:
    """Explain an answer; ``offers`` are what could be bought beside the lots. Raises SolverDisagrees."""
    problem = answer.problem
    sure = any(requirement.cones(problem.formula) for requirement in problem.choosing)
    if answer.optimum is not None and answer.optimum.values and answer.weighed is not None:
        if answer.status is AnswerStatus.TIME_LIMIT:
            return Explanation(answer, unsaid="the search for the cheapest batch was stopped at its time limit")
        if sure:
            return _sure(answer, answer.optimum.values, recipe, lots, order, offers)
        ground = ground_of(problem, answer.optimum.values)
        if ground is not None:
            limits, margins = limit_prices(ground)
            worths = offer_worths(ground.cost, recipe, lots, offers, order)
            return Explanation(answer, ground, limits, margins, lot_prices(ground), worths)
    if answer.scale_prevents:
        return _off_the_scales(answer)
    if answer.conflict is None:
        return Explanation(answer, unsaid="a limit that no choice of lots can change is broken")
    if sure:
        return _sure_ways(answer, answer.conflict, recipe, lots, order, offers)
    return _no_batch(answer, answer.conflict, recipe, lots, order, offers)


def _sure(
    answer: Answer, values: Sequence[Fraction], recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation:
    """Prices where limits are kept with a stated confidence."""
    from optimizer.why.sure.explain import sure_prices, within_time  # late: only confidence pays for its imports

    found = sure_prices(answer.problem, values)
    if found is None:
        return Explanation(answer, unsaid="the batch could not be found again")
    unfinished = list(found.unfinished)
    worths: tuple[OfferWorth, ...] = ()
    with within_time(), named(unfinished, "offers"):
        worths = offer_worths(found.ground.cost, recipe, lots, offers, order)
    return Explanation(
        answer, found.ground, found.limits, found.margins, found.lots, worths, unfinished=tuple(unfinished)
    )


def _sure_ways(
    answer: Answer, conflict: Conflict, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation:
    """Ways out where limits are kept with a stated confidence."""
    from optimizer.why.sure.explain import within_time
    from optimizer.why.sure.ways import sure_ways

    worths: tuple[OfferWorth, ...] = ()
    with within_time():
        out = sure_ways(answer.problem, conflict)
        unfinished = list(out.unfinished)
        with named(unfinished, "offers"):
            worths = offer_worths(None, recipe, lots, offers, order)
    return Explanation(answer, out=out, offers=worths, unfinished=tuple(unfinished))


def _off_the_scales(answer: Answer) -> Explanation:
    unfinished: list[str] = []
    ways: list[Way] = []
    with named(unfinished, "ways to weigh the batch"):
        for way in ways_to_weigh(answer):
            ways.append(way)
    ways.sort(key=lambda way: way.cost or _ZERO)
    return Explanation(answer, out=WaysOut(tuple(ways), (), tuple(unfinished)))


def _no_batch(
    answer: Answer, conflict: Conflict, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation:
    problem = answer.problem
    unfinished: list[str] = []
    out = WaysOut((), ())
    bench = conflict.bench or (Bench(problem) if problem.formula.lots else None)
    if bench is not None:
        out = ways_out(bench, conflict)
        out = replace(out, ways=tuple(_weighed(bench, out.ways, unfinished)))
    buy: list[Way] = []
    worths: tuple[OfferWorth, ...] = ()
    if not any(r.fixed_value(problem.formula) is not None for r in conflict.requirements):
        if offers:
            with named(unfinished, "what to buy"):
                prices = {offer.lot.name: offer.price for offer in offers}
                buy += purchases(Bench(with_offers(recipe, lots, offers, order)), prices)
        if bench is not None:
            with named(unfinished, "the kind of material wanted"):
                wanted = material_wanted(bench)
                buy += [] if wanted is None else [wanted]
    with named(unfinished, "offers"):
        worths = offer_worths(None, recipe, lots, offers, order)
    return Explanation(
        answer, out=out, buy=tuple(buy), offers=worths, unfinished=(*out.unfinished, *unfinished)
    )  # fmt: skip


def _weighed(bench: Bench, ways: Sequence[Way], unfinished: list[str]) -> list[Way]:
    """The ways of moved limits tried on the scales, the best first and above a hundred lots only that one."""
    found: list[Way] = []
    left = len(ways) if len(bench.problem.formula.columns) <= _MOST_WEIGHED else 1
    for way in ways:
        if way.concessions and left:
            left -= 1
            with named(unfinished, "trying the ways on the scales"):
                way = weighed_way(bench, way)
        found.append(way)
    return list(ranked(found))
