"""From files and figures set anew to the whole explanation of one batch: prices, or ways out where there is none."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from constraints.faults import BadInput, Fault, meant
from optimizer.answer import Answer, Status, blend
from optimizer.clock import OutOfTime
from optimizer.order import Order
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import LotTable
from optimizer.reading.offers import read_offers
from optimizer.reading.recipe import Recipe
from optimizer.why.curves import Curve, curves_of
from optimizer.why.ground import Ground, ground_of
from optimizer.why.offered import Offered, OfferWorth, offered, offers_valued, with_offers
from optimizer.why.prices import LimitPrice, Margin, limit_prices
from optimizer.why.unfinished import Section, Unfinished, settled
from optimizer.why.way import Way
from optimizer.why.ways import ways_for
from optimizer.why.what_if import Change, Inputs, Setting, at_option, change_of, settings_of, with_settings
from optimizer.why.worth import LotPrice, by_use, lots_priced

_PRICED = ((Section.PRICES, "prices of limits"), (Section.LOTS, "prices of lots"), (Section.OFFERS, "worth of offers"))


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
    out: tuple[Way, ...] | None = None
    change: Change | None = None
    curves: tuple[Curve, ...] = ()
    unsaid: str = ""
    unfinished: tuple[Unfinished, ...] = ()

    @property
    def exit_code(self) -> int:
        """That of the blend explained; that of one stopped at a time limit where a batch was found and time ran out."""
        status = self.answer.status
        stopped = any(left.time for left in self.unfinished)
        return Status.TIME_LIMIT.exit_code if stopped and status is Status.OPTIMAL else status.exit_code

    def left(self, part: Section) -> bool:
        """True where something of a part is not settled."""
        return any(left.part is part for left in self.unfinished)


def explain(
    answer: Answer, recipe: Recipe, lots: LotTable, order: Order, offers: Sequence[Offered] = (), *, detail: bool = True
) -> Explanation:
    """Explain an answer; ``offers`` are what could be bought beside the lots. Raises SolverDisagrees.

    Without ``detail`` it is not found how far prices hold.
    """
    if answer.status is Status.TIME_LIMIT:
        return _untold(answer, "the search for the cheapest batch was stopped at its limit", offers)
    wider = with_offers(recipe, lots, offers, order) if offers else None
    optimum = answer.optimum
    if optimum is not None and optimum.values and answer.weighed is not None:
        try:
            ground = ground_of(answer.problem, optimum.values, optimum.basis, answer.kept)
        except OutOfTime:
            return _untold(answer, "the time was over before any was reckoned", offers)
        if ground is not None:
            return _priced(answer, ground, wider, offers, detail=detail)
    if answer.conflict is None and not answer.scale_prevents:
        return Explanation(answer, unsaid="a limit that no choice of lots can change is broken")
    return _no_batch(answer, wider, offers)


def _untold(answer: Answer, why: str, offers: Sequence[Offered]) -> Explanation:
    """Nothing is priced, because time ran out."""
    parts = _PRICED if offers else _PRICED[:-1]
    return Explanation(answer, unsaid=why, unfinished=tuple(Unfinished(*part) for part in parts))


def _priced(
    answer: Answer, ground: Ground, wider: Problem | None, offers: Sequence[Offered], *, detail: bool
) -> Explanation:
    """Prices of limits, lots and offers, as far as time allows."""
    unfinished: list[Unfinished] = []
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    worths: list[OfferWorth] = []
    priced: list[LotPrice] = []
    with settled(unfinished, Section.PRICES, "prices of limits"):
        limits, margins = limit_prices(ground, detail=detail)
    if wider is not None:
        with settled(unfinished, Section.OFFERS, "worth of offers"):
            worths.extend(offers_valued(ground.cost, wider, offers, answer.kept, whole=ground.whole))
    with settled(unfinished, Section.LOTS, "prices of lots"):
        priced.extend(lots_priced(ground, unfinished, detail=detail))
    return Explanation(answer, ground, limits, margins, by_use(priced), tuple(worths), unfinished=tuple(unfinished))


def _no_batch(answer: Answer, wider: Problem | None, offers: Sequence[Offered]) -> Explanation:
    conflict, unfinished = answer.conflict, list[Unfinished]()
    worths: list[OfferWorth] = []
    if conflict is not None and not conflict.smallest:
        unfinished.append(Unfinished(Section.CONFLICT, "the smallest set that cannot hold together", conflict.stopped))
    ways, left = ways_for(answer, wider, offers)
    fixed = [
        r for r in (conflict.requirements if conflict else ()) if r.fixed_value(answer.problem.formula) is not None
    ]
    if wider is not None and not fixed:
        with settled(unfinished, Section.OFFERS, "offers"):
            worths.extend(offers_valued(None, wider, offers))
    return Explanation(answer, out=ways, offers=tuple(worths), unfinished=(*left, *unfinished))


@dataclass(frozen=True)
class Question:
    """What is asked of a batch: its problem and the files behind it, what could be bought, the lot of the picture.

    ``settings`` are figures set anew, ``before`` the problem without them.
    """

    problem: Problem
    files: tuple[Recipe, LotTable, Order]
    settings: tuple[Setting, ...] = ()
    before: Problem | None = None
    offers: tuple[Offered, ...] = ()
    lot: str | None = None


def question(
    inputs: Inputs,
    say: Callable[[Iterable[Fault]], None],
    changed: Sequence[str] = (),
    offers_file: str | None = None,
    lot: str | None = None,
) -> Question:
    """Everything read and put together, ``changed`` figures as typed, warnings said. Raises BadInput."""
    recipe, table, order = inputs.read()
    warnings = [*recipe.warnings, *table.warnings]
    say(warnings)
    settings = settings_of(changed)
    before = assemble(recipe, table, order) if settings else None
    try:
        if settings:
            recipe, table, order = with_settings(inputs, settings).read()
            known = {(fault.found, fault.allowed) for fault in warnings}
            new = [*recipe.warnings, *table.warnings]
            say([at_option(fault, settings) for fault in new if (fault.found, fault.allowed) not in known])
        problem = assemble(recipe, table, order)
    except BadInput as error:
        raise BadInput([at_option(fault, settings) for fault in error.faults]) from None
    offers: tuple[Offered, ...] = ()
    if offers_file is not None:
        read = read_offers(offers_file, simple=True)
        say(read.warnings)
        offers = offered(read, table, order.day)
    names = [column.name for column in problem.formula.lots]
    if lot is not None and lot not in names:
        hint = meant(lot, names, "a lot that may go in")
        raise BadInput([Fault("--lot", None, None, f"no eligible lot is named {lot!r}", hint)])
    return Question(problem, (recipe, table, order), settings, before, offers, lot)


def answered(asked: Question, *, with_curves: bool, detail: bool = True) -> Explanation:
    """Blend, explain and, where wanted, draw, within the time there is. Raises SolverDisagrees."""
    answer = blend(asked.problem)
    found = explain(answer, *asked.files, asked.offers, detail=detail)
    unfinished: list[Unfinished] = []
    if asked.before is not None:
        with settled(unfinished, Section.WHAT_IF, "the change against the recipe as it was"):
            old = blend(asked.before)
            if Status.TIME_LIMIT in (old.status, answer.status):
                raise OutOfTime
            found = replace(found, change=change_of(asked.settings, old, answer))
    curves: list[Curve] = []
    if with_curves and found.ground is not None:
        with settled(unfinished, Section.CURVES, "curves"):
            curves.extend(curves_of(found.ground, asked.lot))
    return replace(found, curves=tuple(curves), unfinished=(*found.unfinished, *unfinished))
