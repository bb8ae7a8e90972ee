"""The JSON document of ``blend``. Keys may be added, never renamed."""

from collections.abc import Callable
from datetime import date as Day
from fractions import Fraction
from functools import partial
from typing import Any, Literal

from constraints.as_typed import G_PER_KG
from constraints.quantities import FAT, MOISTURE, PROTEIN, Basis
from optimizer import order, summary
from optimizer.answer import Answer, HowSure, Status, unrounded
from optimizer.lawful import LawfulDose
from optimizer.ledger import MeasuredYield
from optimizer.record import Figure, Record, at
from optimizer.remarks import cause, cured_lots, left_out, notes, verdict_of, warnings
from optimizer.verdict import VerdictPart
from optimizer.wording import CAUTION


class Estimated(Record):
    """Which figures of the composition rest on estimates."""

    moisture_pct: bool = at(lambda names: MOISTURE in names)
    protein_pct: bool = at(lambda names: PROTEIN in names)


class Bounds(Record):
    """What a limit is on, and its figures."""

    what: str = at("requirement.what")
    basis: str = at("requirement.basis")
    unit: str = at("requirement.unit")
    min: Figure | None = at("requirement.lo")
    max: Figure | None = at("requirement.hi")


class LimitPart(Record):
    """One limit with the figure of what was weighed; ``ok`` null: arithmetic cannot decide, which is never a pass."""

    rule: str = at("requirement.origin.rule")
    what: str = at("requirement.what")
    value: Figure | None
    unit: str = at("requirement.unit")
    min: Figure | None = at("requirement.lo")
    max: Figure | None = at("requirement.hi")
    ok: bool | None
    blocks: bool = at("requirement.origin.blocks")
    """Whether breaking it forbids the batch, or only warns."""
    basis: str = at("requirement.basis")
    source: str = at("requirement.origin.source")
    status: str = at("requirement.origin.status")
    """How the figure was read."""
    note: str = at("requirement.origin.note")
    why: str
    """What is missing for a verdict, or what the figure leaves out."""


class CheckPart(LimitPart):
    """A limit on the batch that was found, and on the worst of its loads."""

    worst_load: Figure | None
    waived: bool = at("requirement.origin.waived")


class LotIn(Record):
    """Kilograms of a lot that reach the grinder."""

    lot: str = at("item.name")
    kg: Figure


class ItemIn(Record):
    """Grams of an addition."""

    item: str = at("item.name")
    grams: Figure = at(lambda taken: taken.kg * G_PER_KG)


class LotPart(Record):
    """A lot in the batch: ``kg`` reach the grinder, ``held_kg`` are taken from the cooler."""

    lot: str = at("item.name")
    material: str = at("item.material")
    kg: Figure
    held_kg: Figure
    cost: Figure
    suspicions: list[str] = at("item.suspicions")


class LotTaken(LotPart):
    """A lot of the whole batch, and what is left of it in the cooler, as held."""

    left_kg: Figure
    use_by: Day | None = at("item.use_by")
    fat_pct: Figure = at(lambda taken: taken.item.properties[FAT])


class ItemPart(ItemIn):
    """An addition to weigh out."""

    g_per_kg_meat: Figure = at(lambda taken: taken.per_kg_meat * G_PER_KG)


class LoadPart(Record):
    """One mixer load."""

    load: int = at(lambda numbered: numbered[0])
    lots: list[LotPart] = at(lambda numbered: summary.lots_in(numbered[1]))
    weigh_out: list[ItemPart] = at(lambda numbered: summary.items_in(numbered[1]))


class Ordered(Record):
    """The size asked for."""

    basis: Basis
    kg: Figure = at("kilograms")
    within_kg: Figure


class TidyPart(Record):
    """Least pull and remnant wanted of a lot, whether asked for or the default, and what they cost; money."""

    smallest_pull_kg: Figure = at("problem.order.tidy.pull.kilograms")
    pull_asked: bool = at("problem.order.tidy.pull.asked")
    smallest_remnant_kg: Figure = at("problem.order.tidy.remnant.kilograms")
    remnant_asked: bool = at("problem.order.tidy.remnant.asked")
    gave_way: bool = at(lambda a: bool(a.weighed) and a.problem.order.tidy not in (a.kept, a.problem.order.tidy.asked))
    price: Figure | None = at("tidy_price")


class CertificatePart(Record):
    """Money: cost as minimised, what no batch can undercut, and the difference; that in % of the cost too."""

    feasible: bool
    cost: Figure
    lower_bound: Figure | None
    gap: Figure | None
    gap_pct: Figure | None
    reported_bound: Figure | None = at("reported")
    """The solver's own bound, not proved."""


class ReachPart(Record):
    """How close one limit of a conflict can be met while the others hold."""

    what: str = at("requirement.what")
    unit: str = at("requirement.unit")
    value: Figure | None = at("nearest")


class ConflictPart(Record):
    """Why there is no batch; ``scale_prevents``: one exists, ``unrounded_kg``, and the scales cannot weigh it."""

    cause: str = at(cause)
    scale_prevents: bool = at(lambda answer: bool(answer.scale_prevents))
    certain: bool = at("surely_none")
    smallest: bool = at(lambda answer: bool(answer.conflict and answer.conflict.smallest))
    packs_matter: bool = at(lambda answer: bool(answer.conflict and answer.conflict.packs_matter))
    requirements: list[str] = at(lambda a: [r.words() for r in a.scale_prevents or a.conflict_of])
    nearest: list[ReachPart] = at(lambda answer: answer.conflict.reach if answer.conflict else ())
    unrounded_kg: dict[str, Figure] | None = at(lambda answer: _unrounded(answer) if answer.scale_prevents else None)


def _unrounded(answer: Answer) -> dict[str, Fraction] | None:
    batch = unrounded(answer)
    return None if batch is None else {item.name: kg for item, kg in batch.kilograms.items()}


class PassingDose(Record):
    """The dose that would be lawful, for an addition whose dose is not; null where no dose is."""

    addition: str
    key: str
    value: Figure | None
    words: str = at(LawfulDose.words)
    at: Literal["most", "least"] = at(lambda dose: "most" if dose.most else "least")


class NearChoice(Record):
    """A near-cheapest choice: what was wished for, and what it costs at several premiums."""

    wish: str
    figure: str = at("wish.words")
    premium_pct: Figure
    cheapest: Figure
    trade_off: list[order.Step] = at("steps")


class Blend(Record):
    """The answer of ``trimwright blend``. Weights are empty where nothing may be weighed out."""

    status: Status
    verdict: VerdictPart = at(verdict_of)
    other_names: list[str]
    recipe: str = at("problem.recipe.entry.name")
    rules: list[str] = at(lambda answer: [pack.pack for pack in answer.problem.packs])
    date: Day = at("problem.order.day")
    ordered: Ordered = at("problem.order")
    cured: bool = at(lambda answer: answer.problem.recipe.cured or bool(cured_lots(answer)))
    meat_kg: Figure | None = at(lambda answer: _of_batch(answer, summary.weight, Basis.MEAT))
    batch_kg: Figure | None = at(lambda answer: _of_batch(answer, summary.weight, Basis.BATCH))
    finished_kg: Figure | None = at(lambda answer: _of_batch(answer, summary.finished_kg))
    measured_yield: MeasuredYield | None = at("problem.recipe.measured")
    cost: summary.Cost | None = at(lambda answer: answer if answer.weighed and answer.optimum else None)
    lots: list[LotTaken] = at(lambda answer: _of_batch(answer, summary.lots_in) or [])
    tidy: TidyPart | None = at(lambda answer: answer if answer.problem.order.tidy else None)
    composition: summary.Shares | None = at(lambda answer: _of_batch(answer, summary.shares))
    estimated: Estimated | None = at(lambda answer: _of_batch(answer, summary.estimated_in))
    weigh_out: list[ItemPart] = at(lambda answer: _of_batch(answer, summary.items_in) or [])
    loads: list[LoadPart] = at(lambda answer: list(enumerate(answer.weighed.loads, 1)) if answer.weighed else [])
    casing: summary.Casing | None = at(lambda answer: _of_batch(answer, partial(summary.casing_need, answer.problem)))
    checks: list[CheckPart]
    dying: list[summary.Dying] = at(lambda answer: list(summary.dying_lots(answer.problem, answer.batch)))
    confidence: HowSure | None = at("sure")
    certificate: CertificatePart | None
    conflict: ConflictPart | None = at(lambda answer: answer if answer.scale_prevents or answer.conflict else None)
    what_would_pass: list[PassingDose] = at("lawful_doses")
    left_out: list[str] = at(lambda answer: left_out(answer.problem))
    warnings: list[str] = at(warnings)
    notes: list[str] = at(notes)
    caution: str = at(lambda answer: CAUTION)
    near: NearChoice | None


def _of_batch(answer: Answer, reckon: Callable[..., Any], *more: Any) -> Any:
    """A figure of the batch as weighed; None where there is none."""
    return None if answer.weighed is None else reckon(answer.weighed.total, *more)
