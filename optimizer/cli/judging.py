"""What was made, or is being made: ``trimwright check``, ``correct``, ``cook`` and ``dry``."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date as Date
from fractions import Fraction
from typing import Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, FromZero, Said, Typed
from optimizer.late import late

with late():
    from constraints import as_typed, document as files, formula, treatment
    from optimizer import correction as corrections, findings, order, record
    from optimizer.made import dry as drying, found as logs, heat, log as readings, log_page
    from optimizer.pages import chart, check_page, correct_page
    from optimizer.reading import recipe as recipes, weighed
    from optimizer.sheet import batch_sheet
    from optimizer.store import made as store
    from optimizer.why import document as reasons, explain, page

Judges = Annotated[list[str] | None, {"autocompletion": shared.complete_judge}]
BOILS = 100
"""Degrees Celsius at which water boils."""


def check(
    batch: str, recipe: str, lots: str, rules: Judges = None, laboratory: Typed = None, date: shared.Day = None,
    units: shared.Units = None, meat_tolerance_g: Figure = None, spice_tolerance_g: Figure = None,
    time_limit: Figure = None, *, shown: shared.Shown,
) -> Said:  # fmt: skip
    """Measure a weighed batch against its recipe and the rules of any places, the worst margin first."""
    on, typed = date or shared.today(), meat_tolerance_g or spice_tolerance_g
    tolerance = findings.Tolerance(meat_tolerance_g, spice_tolerance_g) if typed else None
    with shared.within_time(time_limit):
        read, table = recipes.read_both(recipe, lots)
        shared.say([*read.warnings, *table.warnings])
        read = recipes.judged_by(read, rules or [], laboratory or "", units)
        return checked(findings.check(read, table, weighed.read_weighed(batch), batch, on, tolerance), shown)


def checked(report: findings.Report, shown: shared.Shown) -> Said:
    """What is said of a checked batch."""
    return shown.said("check", report, check_page.check_page), check_page.verdict(report).grade.exit_code


@dataclass(frozen=True)
class Mass:
    """What was found of the mass as it is."""

    measured_fat: Annotated[list[Fraction] | None, {"parser": shared.not_negative}] = None
    measured_moisture: FromZero = None
    measured_salt: FromZero = None
    method: Typed = None
    fat_sd_pct: Figure = None
    ground_kg: Figure = None
    ground_lb: Figure = None
    ground_c: FromZero = None
    added_c: FromZero = None

    def heat(self) -> tuple[Fraction, Fraction] | None:
        """Temperatures of the mass and of what is added, in degrees. A usage error where one is missing or no meat's,
        and where the mass is weighed twice.
        """
        shared.misused(None not in (self.ground_kg, self.ground_lb), "give either --ground-kg or --ground-lb")
        shared.misused((self.ground_c is None) is not (self.added_c is None), "--ground-c and --added-c go together")
        if self.ground_c is None or self.added_c is None:
            return None
        for name, heat in (("--ground-c", self.ground_c), ("--added-c", self.added_c)):
            shared.misused(heat > BOILS, f"nothing raw is above {BOILS} C, where its water boils", name)
        return self.ground_c, self.added_c

    def ground(self, recipe: recipes.Recipe, batch: formula.Batch, file: str) -> corrections.GroundMass:
        """The mass that a batch was ground to. Raises BadInput where no such mass can have what was measured."""
        kilograms = self.ground_kg if self.ground_lb is None else self.ground_lb * as_typed.KG_PER_LB
        moisture, salt = self.measured_moisture, self.measured_salt
        said = corrections.MassMeasured(None, moisture, salt, self.fat_sd_pct, self.method or "")
        found = corrections.measured(self.measured_fat or (), said, recipe)
        return corrections.ground_of(recipe, batch, kilograms, found, file)


def correct(
    batch: str, recipe: str, lots: str, mass: Mass, sizes: shared.Sizes, mixer_kg: Figure = None, taken: bool = False,
    date: shared.Day = None, units: shared.Units = None, time_limit: Figure = None, html: Typed = None,
    sheet: Typed = None, *, shown: shared.Shown,
) -> Said:  # fmt: skip
    """Find the cheapest addition that brings a ground batch on target, or what to take out and add in a full mixer.

    A size (--batch-kg and its like) is what the batch is to weigh then. Default: as it comes.
    """
    shared.one_standard_input(batch, recipe, lots)
    size, (least, to) = sizes.one() if sizes.given() else (None, (Fraction(0), None))
    said = order.Asked(mixer_kg=mixer_kg, to=to, units=units)
    asked = date or shared.today(), said, None if size is None else (size, least)
    heat = mass.heat()
    shared.outputs({"--html": html, "--sheet": sheet}, (batch, recipe, lots))
    with shared.within_time(time_limit):
        found, why, out = _corrected((batch, recipe, lots), mass, asked, taken=taken)
        found = replace(found, heat=heat)
        if html is not None:
            shared.write_text(html, chart.batch_html(found.answer), "--html")
        if sheet is not None:
            shared.write_text(sheet, batch_sheet.corrected_page(found, lots, batch if out else None), "--sheet")
        if shown.json:
            ways = record.plain(reasons.Why, why)["conflict"] if why else None
            return record.document("correct", correct_page.corrected(found, ways)), found.grade.exit_code
        helps = page.page(why, full=shown.full) if why else ""
        return correct_page.correct_page(found, full=shown.full) + helps, found.grade.exit_code


def _corrected(
    named: tuple[str, str, str], mass: Mass, asked: tuple[Date, order.Asked, tuple[str, Fraction] | None], *,
    taken: bool,
) -> tuple[corrections.Correction, explain.Explanation | None, bool]:  # fmt: skip
    """The files read and the correction; why there is none; and whether the batch stands in the ledger."""
    batch, recipe, lots = named
    read, table = recipes.read_both(recipe, lots)
    shared.say([*read.warnings, *table.warnings])
    went_in, table, out = store.batch_in(read, table, batch, lots)
    ground, pounds = mass.ground(read, went_in, batch), mass.ground_lb is not None or table.in_pounds
    found = corrections.correct(read, table, ground, *asked, taken=taken or out, pounds=pounds)
    if found.answer.conflict is None or found.over:
        return found, None, out
    return found, explain.explain(found.answer), out


def in_fahrenheit(text: str, unit: str = "") -> Fraction:
    """A temperature typed with its unit, in Fahrenheit. A usage error where it is none."""
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?([CF]?)", text.strip(), re.ASCII | re.IGNORECASE)
    if found is None or not (found[2] or unit):
        raise typer.BadParameter(f"{text!r} is no temperature with its unit, such as 62C or 144F")
    return treatment.fahrenheit(as_typed.exact(found[1]), found[2].upper() or unit)


def error_of(text: str) -> Fraction:
    """A difference of temperatures, in Fahrenheit where no unit stands. A usage error where it is none."""
    return in_fahrenheit(text, "F") - in_fahrenheit("0", "C" if text.strip().upper().endswith("C") else "F")


Degrees = Annotated[Fraction | None, {"parser": in_fahrenheit}]


@dataclass(frozen=True)
class Logged:
    """What is told beside recipe and log, and how a log is read."""

    batch: Typed = None
    lots: Typed = None
    rules: list[str] | None = None
    unit: Typed = None
    column: list[str] | None = None
    thermometer_error: Annotated[Fraction | None, {"parser": error_of}] = None
    gap_min: Figure = None

    def product(
        self, recipe: str, water_activity: Figure = None
    ) -> tuple[logs.MadeProduct, tuple[treatment.Treatments, ...]]:
        """The product, and the treatments of the places named or, without any, of the recipe's rule packs."""
        shared.misused((self.batch is None) != (self.lots is None), "--batch and --lots go together")
        read = recipes.read_recipe(recipe)
        shared.say(read.warnings)
        own = [name for name in read.entry.rules if not name.endswith((".yaml", ".yml"))]  # they have no treatments
        found = [treatment.load_treatments(name) for name in self.rules or own]
        product = logs.made_product(read, self.batch, self.lots, water_activity)
        return product, tuple(place for place in found if place is not None)

    def log(self, path: str) -> readings.Log:
        """A log with its warnings said."""
        shared.misused(self.unit not in (None, "C", "F"), "C or F", "--unit")
        named = dict(text.rpartition("=")[::2] for text in self.column or [])
        if not set(named.values()) <= set(readings.ROLES):
            raise typer.BadParameter(f"NAME=one of {', '.join(readings.ROLES)}", param_hint="--column")
        text, file = files.read_text(path, readings.MOST_LOG_BYTES), files.label(path)
        read = readings.parse_log(text, file, self.unit, named)
        shared.say(read.warnings)
        return read


def cook(
    recipe: str, logged: Logged, shown: shared.Shown, log: Typed = None, water_activity: Figure = None,
    at: Degrees = None, minutes: Figure = None, html: Typed = None, time_limit: Figure = None,
) -> Said:  # fmt: skip
    """Judge a cook and its cooling by its probe log; without a log, say how long a core must hold."""
    shared.misused(log is not None and not (at is minutes is None), "--at and --minutes are for a plan, without a log")
    shared.misused(log is None and (shown.json or html), "--json and --html are of a log: a plan is a page of text")
    shared.outputs({"--html": html}, (log, recipe, logged.batch, logged.lots))
    with shared.within_time(time_limit):
        product, places = logged.product(recipe, water_activity)
        if log is None:
            return log_page.cook_plan(product, places, at, minutes), 0
        read = heat.in_its_unit(logged.log(log), sure=logged.unit is not None)
        asked = heat.HowRead(logged.thermometer_error or Fraction(0), logged.gap_min)
        report = heat.judge_cook(read, product, places, asked)
    return shown.said("cook", report, log_page.page, html, log_page.picture), int(bool(report.hold))


def dry(
    log: str, recipe: str, logged: Logged, shown: shared.Shown, freezing: Typed = None, loss_pct: Figure = None,
    diameter_mm: Figure = None, piece_mm: Figure = None, thick_cm: Figure = None, tested: bool = False,
    html: Typed = None, time_limit: Figure = None,
) -> Said:  # fmt: skip
    """Judge fermenting, drying and freezing: degree-hours, weight loss, moisture to protein, Trichinella."""
    shared.outputs({"--html": html}, (log, recipe, logged.batch, logged.lots, freezing))
    with shared.within_time(time_limit):
        product, places = logged.product(recipe)
        read, error = logged.log(log), logged.thermometer_error or Fraction(0)
        frozen = None if freezing is None else logged.log(freezing)
        sizes = (diameter_mm, piece_mm, thick_cm, tested, loss_pct)
        report = drying.judge_dry(read, product, places, drying.Pieces(error, logged.gap_min, *sizes, frozen))
    return shown.said("cook", report, log_page.page, html, log_page.picture), int(bool(report.hold))
