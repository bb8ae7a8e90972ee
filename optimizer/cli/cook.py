"""``trimwright cook`` and ``trimwright dry``: what the probes logged, against the tables of a place."""

from __future__ import annotations

import re
import sys
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Html, Json, NoColor, RecipeOption, StopAfter, Typed, argument, figure, option

if TYPE_CHECKING:
    from constraints.treatment import Treatments
    from optimizer.made.found import Report
    from optimizer.made.log import Log
    from optimizer.made.product import Product

Batch = Annotated[Typed, option("BATCH", "What was weighed, as for check; with --lots.")]
Lots = Annotated[Typed, option("LOTS", "Lots table (CSV) of --batch.")]
Rules = Annotated[
    list[str] | None, option("PLACE", "Place whose tables hold, or your own file. Default: the recipe's rules.")
]
Unit = Annotated[Typed, option("C|F", "Unit of temperatures whose column states none.")]
Column = Annotated[list[str] | None, option("NAME=WHAT", "What an odd column holds, such as 'Temp 1=core'.")]
Error = Annotated[Typed, option("DEGREES", "The thermometer's error, in C with 0.5C, else in F.")]
Gap = Annotated[Typed, option("MIN", "Longest time without a reading that counts as unbroken.")]


def cook(
    recipe: RecipeOption,
    log: Annotated[Typed, argument("[LOG]", "Probe log (CSV). Without one: the plan.")] = None,
    batch: Batch = None,
    lots: Lots = None,
    rules: Rules = None,
    unit: Unit = None,
    column: Column = None,
    thermometer_error: Error = None,
    gap_min: Gap = None,
    water_activity: Annotated[Typed, option("AW", "Water activity, as measured.")] = None,
    at: Annotated[Typed, option("DEGREES", "Planned core, such as 62C or 144F.")] = None,
    minutes: Annotated[Typed, option("MIN", "Planned minutes at the core's temperature.")] = None,
    html: Html = None,
    time_limit: StopAfter = None,
    full: shared.Full = False,
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """Judge a cook and its cooling by its probe log; without a log, say how long a core must hold."""
    error, gap = _degrees(thermometer_error, change=True), figure(gap_min, "--gap-min")
    planned_at, planned_for = _degrees(at), figure(minutes, "--minutes")
    if log is not None and (at or minutes):
        raise typer.BadParameter("--at and --minutes are for a plan, without a log")
    shared.outputs({"--html": html}, (log, recipe, batch, lots))
    with shared.within_time(time_limit), shared.faults_on_stderr():
        from constraints.faults import BadInput

        product, places = _product(recipe, batch, lots, rules, water_activity)
        if log is None:
            from optimizer.made.schedule import planned, schedule_lines

            steps = product.recipe.entry.schedule
            lines = [product.recipe.entry.name, *planned(product, places, planned_at, planned_for)]
            sys.stdout.write("\n".join([*lines, *(schedule_lines(steps) if steps else ())]) + "\n")
            return
        from optimizer.made.cook import Asked, judge_cook, unit_faults

        read = _log(log, unit, column)
        doubts = list(unit_faults(read, sure=unit is not None))
        if doubts:
            raise BadInput(doubts)
        report = judge_cook(read, product, places, Asked(error or Fraction(0), gap))
    _print(report, html, full=full, json=json)


def dry(
    log: Annotated[str, argument("LOG", "Log (CSV): chamber, ph, weight, aw; cells may be empty.")],
    recipe: RecipeOption,
    batch: Batch = None,
    lots: Lots = None,
    rules: Rules = None,
    unit: Unit = None,
    column: Column = None,
    thermometer_error: Error = None,
    gap_min: Gap = None,
    freezing: Annotated[Typed, option("LOG", "Log of freezing (CSV): freezer or core.")] = None,
    loss_pct: Annotated[Typed, option("%", "Weight to lose. Default: the recipe's yield.")] = None,
    diameter_mm: Annotated[Typed, option("MM", "Diameter at stuffing.")] = None,
    piece_mm: Annotated[Typed, option("MM", "Largest piece of meat in it.")] = None,
    thick_cm: Annotated[Typed, option("CM", "Thickness of what was frozen.")] = None,
    tested: Annotated[bool, option(None, "The pork was tested for Trichinella: I hold the paper.", "--tested")] = False,
    html: Html = None,
    time_limit: StopAfter = None,
    full: shared.Full = False,
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """Judge fermenting, drying and freezing: degree-hours, weight loss, moisture to protein, Trichinella."""
    sizes = {"diameter_mm": diameter_mm, "piece_mm": piece_mm, "thick_cm": thick_cm, "loss_pct": loss_pct}
    typed = {name: figure(text, f"--{name.replace('_', '-')}") for name, text in sizes.items()}
    gap = figure(gap_min, "--gap-min")
    error = _degrees(thermometer_error, change=True) or Fraction(0)
    shared.outputs({"--html": html}, (log, recipe, batch, lots, freezing))
    with shared.within_time(time_limit), shared.faults_on_stderr():
        from optimizer.made.dry import Pieces, judge_dry

        product, places = _product(recipe, batch, lots, rules, None)
        read = _log(log, unit, column)
        frozen = None if freezing is None else _log(freezing, unit, column)
        report = judge_dry(read, frozen, product, places, Pieces(error=error, gap=gap, tested=tested, **typed))
    _print(report, html, full=full, json=json)


def _product(
    recipe: str, batch: Typed, lots: Typed, rules: list[str] | None, water_activity: Typed
) -> tuple[Product, tuple[Treatments, ...]]:
    """The product, and the treatments of the places named or, without any, of the recipe's rule packs."""
    from constraints.treatment import load_treatments
    from optimizer.made.product import product_of
    from optimizer.reading.recipe import read_recipe

    if (batch is None) != (lots is None):
        raise typer.BadParameter("--batch and --lots go together")
    read = read_recipe(recipe)
    shared.say(read.warnings)
    own = [name for name in read.entry.rules if not name.endswith((".yaml", ".yml"))]  # a rule pack has no treatments
    found = [load_treatments(name) for name in rules or own]
    product = product_of(read, batch, lots, figure(water_activity, "--water-activity"))
    return product, tuple(place for place in found if place is not None)


def _log(path: str, unit: Typed, column: list[str] | None) -> Log:
    from optimizer.made.log import ROLES, read_log

    if unit not in (None, "C", "F"):
        raise typer.BadParameter("C or F", param_hint="--unit")
    named = dict(text.rpartition("=")[::2] for text in column or [])
    if not set(named.values()) <= set(ROLES):
        raise typer.BadParameter(f"NAME=one of {', '.join(ROLES)}", param_hint="--column")
    read = read_log(path, unit, named)
    shared.say(read.warnings)
    return read


def _degrees(text: Typed, *, change: bool = False) -> Fraction | None:
    """A temperature typed with its unit, in Fahrenheit; ``change``: a difference, in it where no unit stands."""
    from constraints.numbers import exact
    from constraints.treatment import fahrenheit

    if text is None:
        return None
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?([CF]?)", text.strip(), re.ASCII | re.IGNORECASE)
    if found is None or not (found[2] or change):
        raise typer.BadParameter(f"{text!r} is no temperature with its unit, such as 62C or 144F")
    value, unit = exact(found[1]), found[2].upper() or "F"
    return value * Fraction(9, 5) if change and unit == "C" else value if change else fahrenheit(value, unit)


def _print(report: Report, html: Typed, *, full: bool, json: bool) -> None:
    from optimizer.made.page import page
    from optimizer.pages.record import document

    if html is not None:
        from optimizer.made.picture import picture as drawn

        shared.write_text(html, drawn(report), "--html")
    sys.stdout.write(document("cook", report) if json else page(report, full=full))
    raise typer.Exit(shared.NO_BATCH if report.hold else 0)
