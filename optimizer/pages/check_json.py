"""The JSON document of ``check``."""

from __future__ import annotations

from datetime import date as Day

from constraints.numbers import G_PER_KG
from constraints.quantities import Basis
from optimizer.pages.answer_json import Estimated, Limit, PassingDose, Shares, VerdictPart, shares
from optimizer.pages.check_page import verdict, warnings_of
from optimizer.pages.record import Figure, Record, at
from optimizer.remarks import known_to_contain
from optimizer.summary import estimated_in, weight
from optimizer.verdict import Grade
from optimizer.wording import CAUTION


class Mend(Record):
    """Kilograms of a lot that, put in with its additions, would bring the figure to ``value``."""

    lot: str = at("lot.name")
    kg: Figure = at("kilograms")
    value: Figure


class Finding(Limit):
    """A limit as weighed, with the range of its figure within the scales' tolerance where one was given."""

    low: Figure | None
    high: Figure | None
    whole_range: bool | None
    """Whether the verdict is the same over all of that range."""
    forbids: bool
    mend: Mend | None


class Dose(Record):
    """An addition as weighed against its dose for the lots weighed."""

    item: str = at("item.name")
    grams: Figure = at(lambda dose: dose.weighed_kg * G_PER_KG)
    dose_grams: Figure = at(lambda dose: dose.wanted_kg * G_PER_KG)
    off: bool
    breaks: bool
    forbids: bool


class Place(Record):
    """The findings under one rule pack, or under the recipe itself."""

    rules: str = at("name")
    title: str
    checks: list[Finding] = at("findings")


class Part(Record):
    """What is measured of the whole batch and of each load alike."""

    meat_kg: Figure = at(lambda report: weight(report.batch, Basis.MEAT))
    batch_kg: Figure = at(lambda report: weight(report.batch, Basis.BATCH))
    off_dose: list[Dose] = at("off")
    doses: list[Dose]
    places: list[Place]


class Load(Part):
    """One mixer load, checked alone."""

    load: int
    status: Grade = at("grade")


class Checked(Part):
    """The answer of ``trimwright check``."""

    status: Grade = at(lambda report: verdict(report).grade)
    verdict: VerdictPart = at(verdict)
    other_names: list[str]
    recipe: str = at("recipe.entry.name")
    date: Day = at("day")
    composition: Shares = at(lambda report: shares(report.batch))
    estimated: Estimated = at(lambda report: estimated_in(report.batch))
    unfit: list[str]
    loads: list[Load]
    loads_apart: list[str] = at("apart")
    held_apart: list[str] = at("unlike")
    against: list[str]
    not_judged: list[str]
    what_would_pass: list[PassingDose] = at("instead")
    warnings: list[str] = at(warnings_of)
    notes: list[str] = at(lambda report: known_to_contain(report.recipe))
    caution: str = at(lambda report: CAUTION)
