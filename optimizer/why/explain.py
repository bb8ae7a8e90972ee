"""From files and figures set anew to the whole explanation of one batch: prices, or ways out where there is none."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial

from constraints.as_typed import BadInput, Fault, meant, refuse
from optimizer.answer import Answer, Status, blend
from optimizer.clock import OutOfTime
from optimizer.problem import Problem, assemble
from optimizer.reading.offers import read_offers
from optimizer.verdict import Grade
from optimizer.why.curves import CurveDrawn, curves_of
from optimizer.why.ground import GIVEN_UP, TIME, Ground, NotSettled, Section, ground_of, settled
from optimizer.why.offered import OfferWorth, OnOffer, offered, offers_valued, with_offers
from optimizer.why.prices import LimitPrice, Margin, limit_prices
from optimizer.why.way import Way
from optimizer.why.ways import ways_for
from optimizer.why.what_if import Change, Inputs, Setting, at_option, change_of, settings_of, with_settings
from optimizer.why.worth import PricedLot, lots_priced

_PRICED = ((Section.PRICES, "prices of limits"), (Section.LOTS, "prices of lots"), (Section.OFFERS, "worth of offers"))


@dataclass
class Explanation:
    """What ``why`` has to say, filled in part by part. Where no batch exists ``ground`` is None and ``out`` what helps.

    ``unsaid`` says why prices are not given although there is a batch; empty where they are. ``unfinished`` names what
    time or a search that was given up did not allow.
    """

    answer: Answer
    ground: Ground | None = None
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    lots: list[PricedLot] = field(default_factory=list)
    offers: list[OfferWorth] = field(default_factory=list)
    out: tuple[Way, ...] | None = None
    change: Change | None = None
    curves: list[CurveDrawn] = field(default_factory=list)
    unsaid: str = ""
    unfinished: list[NotSettled] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """That of the blend explained; that of one stopped at a time limit where a batch was found and time ran out."""
        grade, stopped = self.answer.grade, any(left.why == TIME for left in self.unfinished)
        return (Grade.BEST_FOUND if stopped and grade is Grade.MAKE else grade).exit_code


def explain(answer: Answer, shelf: OnOffer | None = None, *, detail: bool = True) -> Explanation:
    """Explain an answer; on the ``shelf`` is what could be bought beside the lots. Raises SolverDisagrees.

    Without ``detail`` it is not found how far prices hold.
    """
    found, optimum, late = Explanation(answer), answer.optimum, ""
    if answer.status is Status.TIME_LIMIT:
        late = "the search for the cheapest batch was stopped at its time limit"
    elif optimum is not None and optimum.values and answer.weighed is not None:
        try:
            found.ground = ground_of(answer.problem, optimum.values, optimum.basis, answer.kept)
        except OutOfTime:
            late = "the time was over before any was reckoned"
    if late:
        found.unsaid = late
        found.unfinished += [NotSettled(*part) for part in _PRICED[: None if shelf else -1]]
    elif found.ground is not None:
        _price(found, found.ground, shelf, detail=detail)
    elif answer.conflict is None and not answer.scale_prevents:
        found.unsaid = "a limit that no choice of lots can change is broken"
    else:
        _look_for_ways(found, shelf)
    return found


def _price(found: Explanation, ground: Ground, shelf: OnOffer | None, *, detail: bool) -> None:
    """Prices of limits, lots and offers, as far as time allows."""
    limits, lots, offers = (partial(settled, found.unfinished, *part) for part in _PRICED)
    with limits():
        found.limits, found.margins = limit_prices(ground, detail=detail)
    if shelf is not None:
        with offers():
            found.offers.extend(offers_valued(ground.cost, shelf, found.answer.kept, whole=ground.whole))
    with lots():
        found.lots.extend(lots_priced(ground, found.unfinished, detail=detail))
    found.lots.sort(key=lambda lot: (not lot.used_kg, lot.lot.name))


def _look_for_ways(found: Explanation, shelf: OnOffer | None) -> None:
    conflict, formula = found.answer.conflict, found.answer.problem.formula
    found.out = ways_for(found.answer, found.unfinished, shelf)
    if conflict is not None and not conflict.smallest:
        what = "the smallest set that cannot hold together"
        found.unfinished.append(NotSettled(Section.CONFLICT, what, TIME if conflict.stopped else GIVEN_UP))
    if shelf is not None and all(r.fixed_value(formula) is None for r in found.answer.conflict_of):
        with settled(found.unfinished, Section.OFFERS, "offers"):
            found.offers.extend(offers_valued(None, shelf))


@dataclass(frozen=True)
class Question:
    """What is asked of a batch: its problem, what could be bought beside its lots, the lot of the picture.

    ``settings`` are figures set anew, ``before`` the problem without them.
    """

    problem: Problem
    settings: tuple[Setting, ...] = ()
    before: Problem | None = None
    shelf: OnOffer | None = None
    lot: str | None = None


def question(
    inputs: Inputs, say: Callable[[Iterable[Fault]], None], changed: Sequence[str] = (),
    offers_file: str | None = None, lot: str | None = None,
) -> Question:  # fmt: skip
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
    shelf = None
    if offers_file is not None:
        read = read_offers(offers_file, simple=True)
        say(read.warnings)
        shelf = with_offers(recipe, table, offered(read, table, order.day), order) if read.offers else None
    names = [column.name for column in problem.formula.lots]
    if lot is not None and lot not in names:
        refuse("--lot", f"no eligible lot is named {lot!r}", meant(lot, names, "a lot that may go in"))
    return Question(problem, settings, before, shelf, lot)


def answered(asked: Question, *, with_curves: bool, detail: bool = True) -> Explanation:
    """Blend, explain and, where wanted, draw, within the time there is. Raises SolverDisagrees."""
    found = explain(blend(asked.problem), asked.shelf, detail=detail)
    if asked.before is not None:
        with settled(found.unfinished, Section.WHAT_IF, "the change against the recipe as it was"):
            old = blend(asked.before)
            if Status.TIME_LIMIT in (old.status, found.answer.status):
                raise OutOfTime
            found.change = change_of(asked.settings, old, found.answer)
    if with_curves and found.ground is not None:
        with settled(found.unfinished, Section.CURVES, "curves"):
            found.curves.extend(curves_of(found.ground, asked.lot))
    return found
