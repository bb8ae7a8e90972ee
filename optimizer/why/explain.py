"""The whole explanation of one batch: prices where there is one, ways out where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from optimizer.answer import Answer
from optimizer.answer import Status as AnswerStatus
from optimizer.clock import OutOfTime
from optimizer.order import Order
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.solver.optimum import Optimum
from optimizer.why.curves import Curve
from optimizer.why.ground import Ground, ground_of
from optimizer.why.limits import LimitPrice, Margin, limit_prices
from optimizer.why.lots import LotPrice, by_use, lots_priced
from optimizer.why.offered import Offered, OfferWorth, offers_valued, with_offers
from optimizer.why.unfinished import Part, Unfinished, settled
from optimizer.why.way import WaysOut
from optimizer.why.ways import ways_for
from optimizer.why.what_if import Change

_ZERO = Fraction(0)
_PRICED = ((Part.PRICES, "prices of limits"), (Part.LOTS, "prices of lots"), (Part.OFFERS, "worth of offers"))


@dataclass(frozen=True)
class Explanation:
    """What ``why`` has to say. ``ground`` is None where no batch exists; then ``out`` holds what helps.

    ``unsaid`` says why prices are not given although there is a batch; empty where they are. ``unfinished`` names what
    time or a search that was given up did not allow.
    """

    answer: Answer
    ground: Ground | None = None
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    lots: tuple[LotPrice, ...] = ()
    offers: tuple[OfferWorth, ...] = ()
    out: WaysOut | None = None
    change: Change | None = None
    curves: tuple[Curve, ...] = ()
    unsaid: str = ""
    unfinished: tuple[Unfinished, ...] = ()

    def left(self, part: Part) -> bool:
        """True where something of a part is not settled."""
        return any(left.part is part for left in self.unfinished)


def explain(
    answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered] = (), *, detail: bool = True
) -> Explanation:
    """Explain an answer; ``offers`` are what could be bought beside the lots. Raises SolverDisagrees.

    Without ``detail`` it is not found how far prices hold.
    """
    if answer.status is AnswerStatus.TIME_LIMIT:
        return _untold(answer, "the search for the cheapest batch was stopped at its time limit", offers)
    if answer.optimum is not None and answer.optimum.values and answer.weighed is not None:
        found = _priced(answer, answer.optimum, recipe, lots, order, offers, detail=detail)
        if found is not None:
            return found
    if answer.conflict is None and not answer.scale_prevents:
        return Explanation(answer, unsaid="a limit that no choice of lots can change is broken")
    return _no_batch(answer, recipe, lots, order, offers)


def _untold(answer: Answer, why: str, offers: Sequence[Offered]) -> Explanation:
    """Nothing is priced, because time ran out."""
    parts = _PRICED if offers else _PRICED[:-1]
    return Explanation(answer, unsaid=why, unfinished=tuple(Unfinished(*part) for part in parts))


def _priced(
    answer: Answer,
    optimum: Optimum,
    recipe: Recipe,
    lots: LotTable,
    order: Order,
    offers: Sequence[Offered],
    *,
    detail: bool,
) -> Explanation | None:
    """Prices of limits, lots and offers, as far as time allows; None where the batch has no ground to stand on."""
    unfinished: list[Unfinished] = []
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    worths: list[OfferWorth] = []
    priced: list[LotPrice] = []
    try:
        ground = ground_of(answer.problem, optimum.values, optimum.basis, answer.kept)
    except OutOfTime:
        return _untold(answer, "the time was over before any was reckoned", offers)
    if ground is None:
        return None
    with settled(unfinished, Part.PRICES, "prices of limits"):
        limits, margins = limit_prices(ground, detail=detail)
    with settled(unfinished, Part.OFFERS, "worth of offers"):
        worths.extend(offers_valued(ground.cost, recipe, lots, offers, order, answer.kept, whole=ground.whole))
    with settled(unfinished, Part.LOTS, "prices of lots"):
        priced.extend(lots_priced(ground, unfinished, detail=detail))
    return Explanation(answer, ground, limits, margins, by_use(priced), tuple(worths), unfinished=tuple(unfinished))


def _no_batch(answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered]) -> Explanation:
    conflict, unfinished = answer.conflict, list[Unfinished]()
    worths: list[OfferWorth] = []
    if conflict is not None and not conflict.smallest:
        unfinished.append(Unfinished(Part.CONFLICT, "the smallest set that cannot hold together", conflict.stopped))
    out = ways_for(answer, with_offers(recipe, lots, offers, order) if offers else None, offers)
    if not any(r.fixed_value(answer.problem.formula) is not None for r in (conflict.requirements if conflict else ())):
        with settled(unfinished, Part.OFFERS, "offers"):
            worths.extend(offers_valued(None, recipe, lots, offers, order))
    return Explanation(answer, out=out, offers=tuple(worths), unfinished=(*out.unfinished, *unfinished))
