"""The JSON document of a plan, and its order and pull lists as CSV. Keys may be added, never renamed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date as Day
from fractions import Fraction
from typing import Any, NamedTuple

from constraints.numbers import KG_PER_LB
from optimizer.pages.answer_json import Blend, Certificate, VerdictPart
from optimizer.pages.record import Figure, Record, at, json_text, plain
from optimizer.plan.model.world import Supply
from optimizer.plan.report.outcome import STOPPED, Expiring, Figures, LeftOver, Outcome, Priced, by_day, figures_of
from optimizer.plan.report.way_out import WayOut
from optimizer.plan.settle.weigh import Made
from optimizer.reading.table import text_cell
from optimizer.verdict import Grade
from optimizer.wording import CAUTION


class OrderPart(Record):
    """What to order: kilograms as held, money without the delivery charge."""

    offer: str = at("offer.name")
    supplier: str = at("offer.terms.supplier")
    material: str = at("supply.lot.material")
    kg: Figure
    packs: int | None
    price_per_kg: Figure = at("price")
    money: Figure
    delivery_charge: Figure = at("offer.terms.delivery_charge")
    order_by: Day
    delivered: Day


class Pull(NamedTuple):
    """What a batch takes of a supply, kilograms as held."""

    supply: Supply
    held_kg: Fraction


class PullPart(Record):
    """What a batch takes from the cooler, of a lot or of a delivery; ``kg`` of it are usable."""

    lot: str = at("supply.name")
    delivered: Day | None = at("supply.came")
    material: str = at("supply.lot.material")
    held_kg: Figure
    kg: Figure = at(lambda pull: pull.held_kg * pull.supply.lot.usable)


class Batch(NamedTuple):
    """A batch of a plan."""

    outcome: Outcome
    one: Made


class BatchPart(Record):
    """One batch, or a part of one, on one day; ``answer`` is a blend's own document."""

    batch: str = at("one.job.name")
    date: Day = at("one.on")
    pulls: list[PullPart] = at(lambda made: pulls(*made))
    figures: Figures = at(lambda made: figures_of(made.one))
    answer: Blend = at("one.answer")


class StockPart(Record):
    """Kilograms as held of a lot, or of a delivery, at the end of each day."""

    lot: str = at("supply.name")
    delivered: Day | None = at("supply.came")
    kg_at_end_of_day: list[Figure]


class DayPart(Record):
    """A day's sums, kilograms as held."""

    date: Day
    used_kg: Figure
    delivered_kg: Figure
    stock_kg: Figure


class MoneyPart(Record):
    """The books of the week; ``minimised`` is cash with stock used and rounding, less what is left and the product."""

    minimised: Figure
    cash: Figure
    orders: Figure
    charges: Figure
    additions: Figure
    holding: Figure
    used: Figure
    left: Figure
    lost: Figure
    product: Figure
    stock_used: Figure
    bought_left: Figure
    dose_rounding: Figure
    unrounded: Figure


class InOrderPart(Record):
    """The week planned batch by batch, in order: its cost, or the batch for which nothing was left."""

    cost: Figure | None
    stuck: str | None
    saving: Figure | None


class PlanCertificate(Certificate):
    """As of a blend; with what does not hold, and what the scales did not allow to be kept to the gram."""

    feasible: bool = at("sound")
    faults: list[str]
    excess: list[str] = at(lambda found: [excess.words for excess in found.excess])


class ImpossiblePart(Record):
    """A requirement that no choice of lots can meet."""

    batch: str = at(lambda pair: pair[0])
    requirement: str = at(lambda pair: pair[1].words())


class NoPlanPart(Record):
    """Why there is no plan, in one sentence and by what is involved, and what would help."""

    cause: str
    impossible: list[ImpossiblePart]
    batches: list[str]
    limits: list[str]
    materials: list[str]
    ways: list[WayOut]


class TidyPart(Record):
    """What tidy pulls and remnants cost before the scales, and the small ones that stay."""

    price: Figure = at("tidy_price")
    crumbs: list[str]


class ComingPart(Record):
    """An order of the plan before that is out."""

    offer: str
    delivered: Day
    kg: Figure


class LotPart(Record):
    """A lot that no day of the week can use."""

    lot: str = at(lambda pair: pair[0])
    why: str = at(lambda pair: pair[1])


class SizePart(Record):
    """Size of the program that was solved."""

    columns: int
    rows: int


def _shown(part: Callable[[Outcome], Any]) -> Any:
    """A part of a plan that may be shown; nothing of one that may not."""
    return at(lambda outcome: part(outcome) if outcome.stands else [])


class PlanRecord(Record):
    """The answer of ``trimwright plan``. Batches and orders are empty where nothing may be carried out."""

    status: str
    verdict: VerdictPart
    caution: str = at(lambda outcome: CAUTION)
    plan: str = at("plan.world.week.entry.name")
    start: Day = at("plan.world.week.entry.start")
    days: int = at("plan.world.week.entry.days")
    currency: str = at("plan.world.week.entry.currency")
    orders: list[OrderPart] = _shown(lambda outcome: outcome.plan.orders)
    batches: list[BatchPart | dict[str, Any]] = at(lambda outcome: [*outcome.done, *_made(outcome)])
    stock: list[StockPart] = _shown(lambda outcome: _stock(outcome))
    by_day: list[DayPart] = _shown(lambda o: [dict(zip(DayPart.model_fields, day, strict=True)) for day in by_day(o)])
    expiring: list[Expiring] = _shown(lambda outcome: outcome.expiring)
    money: MoneyPart | None = at(lambda outcome: _money(outcome))
    in_order: InOrderPart | None = at(lambda outcome: _in_order(outcome))
    limits: list[Priced]
    tidy: TidyPart | None = at(lambda outcome: outcome.plan if outcome.stands else None)
    certificate: PlanCertificate | None = at("plan.certificate")
    no_plan: NoPlanPart | None
    fewest_changes: int | None
    missed: list[str]
    hold: list[str]
    coming: list[ComingPart] = at(lambda outcome: [vars(order) for order in outcome.coming])
    left_out: list[str] = at(lambda outcome: list(outcome.left_out_why))
    left_out_why: dict[str, str]
    left_over: list[LeftOver] = _shown(lambda outcome: outcome.left_over)
    lots_left_out: list[LotPart] = at(lambda outcome: list(outcome.lots_left_out.items()))
    size: SizePart = at(lambda o: {"columns": o.plan.program.sparse.size, "rows": len(o.plan.program.sparse.rows)})


def _made(outcome: Outcome) -> list[Batch]:
    return [Batch(outcome, one) for one in outcome.plan.made] if outcome.stands else []


def pulls(outcome: Outcome, one: Made) -> list[Pull]:
    """What a batch takes from the cooler, by name."""
    supplies = outcome.plan.world.supplies
    return [Pull(supplies[s], one.taken[s]) for s in sorted(one.taken, key=lambda s: (supplies[s].name, s))]


def _stock(outcome: Outcome) -> list[dict[str, Any]]:
    found = ((outcome.plan.world.supplies[s], levels) for s, levels in outcome.stock.items())
    return [{"lot": s.name, "delivered": s.came, "kg_at_end_of_day": levels} for s, levels in found]


def _money(outcome: Outcome) -> dict[str, Any] | None:
    found = outcome.plan.money if outcome.stands else None
    return None if found is None else {**vars(found), "unrounded": outcome.plan.solved.cost}


def _in_order(outcome: Outcome) -> dict[str, Any] | None:
    found = outcome.in_order
    if found is None:
        return None
    return {"cost": found.cost, "stuck": found.stuck or None, "saving": outcome.saving}


def plan_dict(outcome: Outcome) -> dict[str, Any]:
    """The plan as plain data, numbers as floats nearest to the exact figures."""
    found: dict[str, Any] = plain(PlanRecord, outcome)
    return found


def plan_document(outcome: Outcome) -> str:
    """The plan as one JSON document, ending in a newline."""
    return json_text(plan_dict(outcome))


def stopped_document() -> str:
    """The document where the time was over before there was anything to plan."""
    verdict = {"grade": str(Grade.NO_ANSWER), "headline": f"{STOPPED}.", "warnings": 0, "limits": {}}
    found: dict[str, Any] = {"status": "time_limit", "verdict": verdict, "orders": [], "batches": [], "money": None,
             "certificate": None, "caution": CAUTION}  # fmt: skip
    return json_text(found)


def orders_csv(outcome: Outcome) -> str:
    """The order list as CSV, one line an offer and delivery."""
    names = ("order_by", "delivered", "supplier", "offer", "material", "packs", "kg", "price_per_kg", "money")
    rows = [plain(OrderPart, order) for order in outcome.plan.orders] if outcome.stands else []
    return _csv(outcome, names, [[row[name] for name in names] for row in rows])


def pulls_csv(outcome: Outcome) -> str:
    """The pull list as CSV, one line a lot and batch, as held and usable."""
    rows = []
    for one in outcome.plan.made if outcome.stands else ():
        for pull in pulls(outcome, one):
            rows.append([one.on.isoformat(), one.job.name, *plain(PullPart, pull).values()])
    return _csv(outcome, ("date", "batch", "lot", "delivered", "material", "held_kg", "usable_kg"), rows)


def _csv(outcome: Outcome, names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """A table in the week's unit."""
    import pandas  # late: only where a list is asked for

    cells = [[text_cell(cell) if isinstance(cell, str) else cell for cell in row] for row in rows]
    table = pandas.DataFrame(cells, columns=list(names), dtype=object)
    if outcome.plan.world.week.entry.units == "lb":
        for name in (name for name in names if name.endswith("kg")):
            unit = 1 / KG_PER_LB if name.endswith("per_kg") else KG_PER_LB
            table[name] = [round(x / float(unit), 4) for x in table[name]]
        table = table.rename(columns=lambda name: f"{name[:-2]}lb" if name.endswith("kg") else name)
    return str(table.to_csv(index=False, lineterminator="\n"))
