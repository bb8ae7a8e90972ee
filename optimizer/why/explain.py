"""The whole explanation of one batch: prices where there is one, ways out where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from optimizer.bench.bench import Bench
from optimizer.blend import Answer
from optimizer.blend import Status as AnswerStatus
from optimizer.clock import OutOfTime
from optimizer.conflict import Conflict
from optimizer.problem import Order
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.why.ground import Ground, ground_of
from optimizer.why.limits import LimitPrice, Margin, limit_prices
from optimizer.why.lots import LotPrice, by_use, lots_priced
from optimizer.why.materials import material_wanted
from optimizer.why.offers import Offered, OfferWorth, offers_valued, with_offers
from optimizer.why.scales import ways_to_weigh, weighed_way
from optimizer.why.unfinished import Part, Unfinished, named
from optimizer.why.ways_out import Way, WaysOut, purchases, ranked, ways_out
from optimizer.why.what_if import Change

if TYPE_CHECKING:
    from optimizer.why.sure.limits import SureGround

_ZERO = Fraction(0)
_PRICED = ((Part.PRICES, "prices of limits"), (Part.LOTS, "prices of lots"), (Part.OFFERS, "worth of offers"))
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
    unfinished: tuple[Unfinished, ...] = ()

    def left(self, part: Part) -> bool:
        """True where something of a part is not settled."""
        return any(left.part is part for left in self.unfinished)


def explain(
    answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered] = ()
) -> Explanation:
    """Explain an answer; ``offers`` are what could be bought beside the lots. Raises SolverDisagrees."""
    problem = answer.problem
    sure = any(requirement.cones(problem.formula) for requirement in problem.choosing)
    if answer.status is AnswerStatus.TIME_LIMIT:
        return _untold(answer, "the search for the cheapest batch was stopped at its time limit", offers)
    if answer.optimum is not None and answer.optimum.values and answer.weighed is not None:
        if sure:
            return _sure(answer, answer.optimum.values, recipe, lots, order, offers)
        found = _priced(answer, recipe, lots, order, offers)
        if found is not None:
            return found
    if answer.scale_prevents:
        return _off_the_scales(answer)
    if answer.conflict is None:
        return Explanation(answer, unsaid="a limit that no choice of lots can change is broken")
    if sure:
        return _sure_ways(answer, answer.conflict, recipe, lots, order, offers)
    return _no_batch(answer, answer.conflict, recipe, lots, order, offers)


def _untold(answer: Answer, why: str, offers: Sequence[Offered]) -> Explanation:
    """Nothing is priced, because time ran out."""
    parts = _PRICED if offers else _PRICED[:-1]
    return Explanation(answer, unsaid=why, unfinished=tuple(Unfinished(*part) for part in parts))


def _priced(
    answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation | None:
    """Prices of limits, lots and offers, as far as time allows; None where the batch has no ground to stand on."""
    unfinished: list[Unfinished] = []
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    worths: list[OfferWorth] = []
    priced: list[LotPrice] = []
    ground = None
    try:
        known = () if answer.optimum is None else (answer.optimum.values, answer.optimum.basis)
        ground = ground_of(answer.problem, *known)
    except OutOfTime:
        return _untold(answer, "the time was over before any was reckoned", offers)
    if ground is None:
        return None
    with named(unfinished, Part.PRICES, "prices of limits"):
        limits, margins = limit_prices(ground)
    with named(unfinished, Part.OFFERS, "worth of offers"):
        worths.extend(offers_valued(ground.cost, recipe, lots, offers, order))
    with named(unfinished, Part.LOTS, "prices of lots"):
        priced.extend(lots_priced(ground))
    return Explanation(answer, ground, limits, margins, by_use(priced), tuple(worths), unfinished=tuple(unfinished))


def _sure(
    answer: Answer, values: Sequence[Fraction], recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation:
    """Prices where limits are kept with a stated confidence."""
    from optimizer.why.sure.explain import settled, sure_prices  # late: only confidence pays for it

    try:
        found = sure_prices(answer.problem, values)
    except OutOfTime:
        return _untold(answer, "the time was over before any was reckoned", offers)
    if found is None:
        return Explanation(answer, unsaid="the batch could not be found again")
    unfinished = list(found.unfinished)
    worths: list[OfferWorth] = []
    with settled(unfinished, Part.OFFERS, "worth of offers"):
        worths.extend(offers_valued(found.ground.cost, recipe, lots, offers, order))
    return Explanation(
        answer, found.ground, found.limits, found.margins, found.lots, tuple(worths), unfinished=tuple(unfinished)
    )


def _sure_ways(
    answer: Answer, conflict: Conflict, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation:
    """Ways out where limits are kept with a stated confidence."""
    from optimizer.why.sure.explain import settled
    from optimizer.why.sure.ways import sure_ways

    unfinished: list[Unfinished] = []
    worths: list[OfferWorth] = []
    out = None
    with settled(unfinished, Part.WAYS_OUT, "ways out"):
        out = sure_ways(answer.problem, conflict)
        unfinished += out.unfinished
        with settled(unfinished, Part.OFFERS, "worth of offers"):
            worths.extend(offers_valued(None, recipe, lots, offers, order))
    return Explanation(answer, out=out, offers=tuple(worths), unfinished=tuple(unfinished))


def _off_the_scales(answer: Answer) -> Explanation:
    unfinished: list[Unfinished] = []
    ways: list[Way] = []
    with named(unfinished, Part.WAYS_OUT, "ways to weigh the batch"):
        ways.extend(ways_to_weigh(answer))
    ways.sort(key=lambda way: way.cost or _ZERO)
    return Explanation(answer, out=WaysOut(tuple(ways), ()), unfinished=tuple(unfinished))


def _no_batch(
    answer: Answer, conflict: Conflict, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]
) -> Explanation:
    problem = answer.problem
    unfinished: list[Unfinished] = []
    if not conflict.smallest:
        unfinished.append(Unfinished(Part.CONFLICT, "the smallest set that cannot hold together", conflict.stopped))
    out = WaysOut((), ())
    bench = conflict.bench or (Bench(problem) if problem.formula.lots else None)
    if bench is not None:
        out = ways_out(bench, conflict)
        out = replace(out, ways=tuple(_weighed(bench, out.ways, unfinished)))
    buy: list[Way] = []
    worths: list[OfferWorth] = []
    if not any(r.fixed_value(problem.formula) is not None for r in conflict.requirements):
        if offers:
            with named(unfinished, Part.WAYS_OUT, "what to buy"):
                prices = {offer.lot.name: offer.price for offer in offers}
                buy += purchases(Bench(with_offers(recipe, lots, offers, order)), prices)
        if bench is not None:
            with named(unfinished, Part.WAYS_OUT, "the kind of material wanted"):
                wanted = material_wanted(bench)
                buy += [] if wanted is None else [wanted]
        with named(unfinished, Part.OFFERS, "offers"):
            worths.extend(offers_valued(None, recipe, lots, offers, order))
    return Explanation(
        answer, out=out, buy=tuple(buy), offers=tuple(worths), unfinished=(*out.unfinished, *unfinished)
    )  # fmt: skip


def _weighed(bench: Bench, ways: Sequence[Way], unfinished: list[Unfinished]) -> list[Way]:
    """The ways of moved limits tried on the scales, the best first and above a hundred lots only that one."""
    found: list[Way] = []
    left = len(ways) if len(bench.problem.formula.columns) <= _MOST_WEIGHED else 1
    for way in ways:
        if way.concessions and left:
            left -= 1
            with named(unfinished, Part.WAYS_OUT, "trying the ways on the scales"):
                way = weighed_way(bench, way)
        found.append(way)
    return list(ranked(found))
