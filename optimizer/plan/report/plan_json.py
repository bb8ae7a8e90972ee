"""The JSON document of a plan, and its order and pull lists as CSV. Keys may be added, never renamed."""

from collections.abc import Sequence
from datetime import date as Day
from typing import Annotated, Any

from pydantic import Field

from optimizer.answer import Status
from optimizer.pages.answer_json import Blend, CertificatePart
from optimizer.plan.files.happened import PlannedOrder
from optimizer.plan.report import outcome as told
from optimizer.plan.report.outcome import STOPPED, Outcome
from optimizer.plan.report.way_out import NoPlan
from optimizer.plan.settle.books import Money
from optimizer.plan.settle.find import Compared
from optimizer.reading.table import csv_line
from optimizer.record import Figure, Record, at, json_text, plain
from optimizer.verdict import Grade, VerdictPart
from optimizer.wording import CAUTION


class OrderPart(Record):
    """What to order: kilograms as held, its cost without the delivery charge."""

    offer: str = at("offer.name")
    supplier: str = at("offer.terms.supplier")
    material: str = at("supply.lot.material")
    kg: Figure
    packs: int | None
    cost_per_kg: Figure = at("price")
    cost: Figure = at("money")
    delivery_charge: Figure = at("offer.terms.delivery_charge")
    order_by: Day
    delivered: Day


class PullPart(Record):
    """What a batch takes from the cooler, of a lot or of a delivery; ``kg`` of it are usable."""

    lot: str = at(lambda pull: pull[0].name)
    delivered: Day | None = at(lambda pull: pull[0].came)
    material: str = at(lambda pull: pull[0].lot.material)
    held_kg: Figure = at(lambda pull: pull[1])
    kg: Figure = at(lambda pull: pull[1] * pull[0].lot.usable)


class BatchPart(Record):
    """One batch, or a part of one, on one day; ``answer`` is a blend's own document."""

    batch: str = at("job.name")
    date: Day = at("on")
    pulls: list[PullPart]
    figures: told.BatchFigures = at(lambda one: one)
    answer: Blend


class StockPart(Record):
    """Kilograms as held of a lot, or of a delivery, at the end of each day."""

    lot: str = at(lambda held: held[0].name)
    delivered: Day | None = at(lambda held: held[0].came)
    kg_at_end_of_day: list[Figure] = at(lambda held: held[1])


class PlanCertificate(CertificatePart):
    """As of a blend; with what does not hold, and what the scales did not allow to be kept to the gram."""

    faults: list[str]
    excess: list[str] = at(lambda found: [excess.words for excess in found.excess])


class TidyWeek(Record):
    """What tidy pulls and remnants cost, and the small ones that stay."""

    price: Figure = at("tidy_price")
    crumbs: list[str]


class UnusableLot(Record):
    """A lot that no day of the week can use."""

    lot: str = at(lambda pair: pair[0])
    why: str = at(lambda pair: pair[1])


class SizePart(Record):
    """Size of the program that was solved."""

    columns: int
    rows: int


class PlanRecord(Record):
    """The answer of ``trimwright plan``. Batches and orders are empty where nothing may be carried out."""

    status: str
    verdict: VerdictPart
    caution: str = at(lambda outcome: CAUTION)
    plan: str = at("plan.world.week.entry.name")
    start: Day = at("plan.world.week.entry.start")
    days: int = at("plan.world.week.entry.days")
    currency: str = at("plan.world.week.entry.currency")
    orders: list[OrderPart]
    batches: list[BatchPart | dict[str, Any]] = at(lambda outcome: [*outcome.done, *outcome.made])
    stock: list[StockPart] = at(lambda o: [(o.plan.world.supplies[s], levels) for s, levels in o.stock.items()])
    by_day: list[told.OfDay]
    expiring: list[told.Expiring]
    money: Money | None = at(lambda outcome: outcome.plan.money if outcome.stands else None)
    in_order: Compared | None
    limits: list[told.Priced]
    tidy: TidyWeek | None = at(lambda outcome: outcome.plan if outcome.stands else None)
    certificate: PlanCertificate | None = at("plan.certificate")
    no_plan: NoPlan | None
    fewest_changes: int | None
    missed: list[str]
    hold: list[str]
    coming: list[PlannedOrder]
    left_out: list[str] = at(lambda outcome: list(outcome.left_out_why))
    left_out_why: dict[str, str]
    left_over: list[told.LeftOver]
    lots_left_out: list[UnusableLot] = at(lambda o: list(o.lots_left_out.items()))
    size: SizePart = at(lambda o: {"columns": o.plan.program.model.size, "rows": len(o.plan.program.model.rows)})


class StoppedPlan(Record):
    """The answer where the time was over before there was anything to plan."""

    status: Status = at(lambda _: Status.TIME_LIMIT)
    verdict: VerdictPart = at(lambda _: VerdictPart.of(Grade.NO_ANSWER, (), words=STOPPED))
    orders: list[OrderPart] = at(lambda _: [])
    batches: list[BatchPart] = at(lambda _: [])
    money: Money | None = at(lambda _: None)
    certificate: PlanCertificate | None = at(lambda _: None)
    caution: str = at(lambda _: CAUTION)


Plans = Annotated[PlanRecord | StoppedPlan, Field(union_mode="left_to_right")]
"""What ``trimwright plan`` may answer."""


def stopped_document() -> str:
    """The document of a plan that was stopped."""
    return json_text(plain(StoppedPlan, None))


def orders_csv(outcome: Outcome) -> str:
    """The order list as CSV, one line an offer and delivery."""
    names = ("order_by", "delivered", "supplier", "offer", "material", "packs", "kg", "cost_per_kg", "cost")
    return _csv(outcome, names, [[row[name] for name in names] for row in plain(list[OrderPart], outcome.orders)])


def pulls_csv(outcome: Outcome) -> str:
    """The pull list as CSV, one line a lot and batch, as held and usable."""
    rows = [[one.on, one.job.name, *pull.values()] for one in outcome.made for pull in plain(list[PullPart], one.pulls)]
    return _csv(outcome, ("date", "batch", "lot", "delivered", "material", "held_kg", "usable_kg"), rows)


def _csv(outcome: Outcome, names: Sequence[str], rows: Sequence[list[Any]]) -> str:
    """A table in the week's unit."""
    heads, unit = list(names), outcome.unit
    for k, name in enumerate(names if unit.name == "lb" else ()):
        if name.endswith("kg"):
            heads[k], per = f"{name[:-2]}lb", float(1 / unit.kg if name.endswith("per_kg") else unit.kg)
            for row in rows:
                row[k] = round(row[k] / per, 4)
    lines = (["" if cell is None else str(cell) for cell in row] for row in (heads, *rows))
    return "".join(f"{csv_line(line, ',')}\n" for line in lines)
