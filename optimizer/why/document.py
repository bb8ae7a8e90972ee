"""What the JSON document of ``why`` is: money per unit of a limit, kilograms and prices of lots as held."""

from typing import Literal

from optimizer.answer import Status
from optimizer.bench import Reach
from optimizer.pages.answer_json import Blend, Bounds, PassingDose
from optimizer.record import Figure, Record, at
from optimizer.remarks import cause, verdict_of
from optimizer.verdict import VerdictPart
from optimizer.why.curves import CurveDrawn
from optimizer.why.ground import Means, NotSettled
from optimizer.why.prices import Direction
from optimizer.why.way import WayKind
from optimizer.why.what_if import MovedFigure, MovedLot
from optimizer.why.worth import PricedLot
from optimizer.wording import CAUTION

LIMITS = {"lo": "min", "hi": "max", "both": "size"}


class OneLimit(Bounds):
    """A limit; of the law it cannot be relaxed."""

    rule: str = at("requirement.origin.rule")
    legal: bool = at("requirement.origin.legal")


class Binding(OneLimit):
    """A limit that the batch sits on."""

    limit: Literal["min", "max", "size"] = at(lambda price: LIMITS[price.limit])
    figure: Figure
    means: Means
    loosen: Direction | None
    tighten: Direction | None
    one_unit_solved_again_saves: Figure | None = at("unit_saving")


class Room(OneLimit):
    """A limit that the batch does not reach, or breaks, and how far off it is: below zero where it is broken."""

    value: Figure | None
    margin: Figure | None


class Wanted(Record):
    """Kilograms wanted below a price."""

    below_per_kg: Figure = at(lambda pair: pair[0])
    kg: Figure = at(lambda pair: pair[1])


class Break(Record):
    """The price from so many kilograms on."""

    kg: Figure = at(lambda pair: pair[0])
    price_per_kg: Figure = at(lambda pair: pair[1])


class WorthOfOffer(Record):
    """The most to pay for an offer, and what to order at the price asked."""

    offer: str = at("offer.lot.name")
    price_per_kg: Figure | None = at("offer.price")
    means: Means
    left_out: str
    possible: bool
    needed: bool
    most_per_kg: Figure | None = at("most")
    kg_at_most: Figure = at("kg")
    wanted: list[Wanted] = at("steps")
    kg_at_price: Figure | None = at("kg_asked")
    saving_at_price: Figure | None = at("saving")
    cost_at_price: Figure | None = at("cost_asked")
    kg_to_order: Figure | None = at("order")
    order_costs: Figure | None
    order_pack_kg: Figure | None = at("offer.offer.terms.pack_kg")
    smallest_order_kg: Figure = at("offer.offer.terms.smallest_order_kg")
    cheaper_from: list[Break] = at("offer.breaks")
    not_counted: list[str] = at("offer.uncounted")


class Conceded(OneLimit):
    """A limit moved."""

    limit: Literal["min", "max", "size"] = at(lambda concession: LIMITS[concession.limit])
    old: Figure
    new: Figure


class LotOfWay(Record):
    """A lot of which so much more is to be had, or that is opened, left over or measured again."""

    lot: str = at(lambda pair: pair[0].name)
    fat_pct: Figure = at(lambda pair: pair[0].properties["fat_pct"])
    kg: Figure = at(lambda pair: pair[1])


class WayOut(Record):
    """One thing that would do; ``set`` is what ``--set`` takes to try it."""

    kind: WayKind
    cost: Figure | None
    cost_per_kg: Figure | None
    concessions: list[Conceded]
    lots: list[LotOfWay]
    spend: Figure | None
    figure_kg: Figure | None = at("figure")
    left_out: str | None = at("dropped.words")
    weighed: bool
    confidence: list[Figure] | None = at("probability")
    set: list[str] = at("typed")


class InConflict(OneLimit):
    """A limit of those that cannot hold together."""

    words: str = at("requirement.words")


class NoBatch(Record):
    """Why there is no batch, and what would do."""

    cause: str = at(lambda found: cause(found.answer))
    requirements: list[InConflict] = at(lambda found: list(map(Reach, found.answer.conflict_of)))
    smallest: bool = at(lambda found: found.answer.conflict is None or found.answer.conflict.smallest)
    certain: bool = at("answer.surely_none")
    packs_matter: bool = at(lambda found: found.answer.conflict is not None and found.answer.conflict.packs_matter)
    scale_prevents: list[str] = at(lambda found: [r.words() for r in found.answer.scale_prevents])
    ways: list[WayOut] = at("out")


class Set(Record):
    """A figure set anew."""

    path: str
    value: str


class WhatIf(Record):
    """Two answers side by side."""

    set: list[Set] = at("settings")
    saving: Figure | None
    old: Blend
    new: Blend
    lots: list[MovedLot]
    figures: list[MovedFigure]


class Why(Record):
    """Prices of limits, lots and offers of a batch; where there is none, why, and what would do."""

    status: Status = at("answer.status")
    verdict: VerdictPart = at(lambda found: verdict_of(found.answer))
    recipe: str = at("answer.problem.recipe.entry.name")
    currency: str = at("answer.problem.recipe.entry.currency")
    cost: Figure | None = at("ground.cost")
    means: Means | None = at("ground.means")
    unsaid: str
    binding: list[Binding] = at("limits")
    margins: list[Room]
    lots: list[PricedLot]
    offers: list[WorthOfOffer]
    conflict: NoBatch | None = at(lambda found: None if found.out is None else found)
    what_would_pass: list[PassingDose] = at("answer.lawful_doses")
    what_if: WhatIf | None = at("change")
    curves: list[CurveDrawn]
    unfinished: list[NotSettled]
    broken: list[Room] = at(lambda found: [c for c in found.answer.checks if c.broken and found.answer.grade.forbids])
    caution: str = at(lambda _: CAUTION)
