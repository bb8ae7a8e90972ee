"""``trimwright cook`` and ``trimwright dry``: what the probes logged, against the tables of a place."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, RecipeOption, StopAfter, Typed, argument, flag, number, optional

if TYPE_CHECKING:
    from constraints.treatment import Treatments
    from optimizer.made.found import LogReport
    from optimizer.made.log import Log
    from optimizer.made.product import MadeProduct


def degrees(text: str, unit: str = "") -> Fraction:
    """A temperature typed with its unit, in Fahrenheit. A usage error where it is none."""
    from constraints.numbers import exact
    from constraints.treatment import fahrenheit

    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?([CF]?)", text.strip(), re.ASCII | re.IGNORECASE)
    if found is None or not (found[2] or unit):
        raise typer.BadParameter(f"{text!r} is no temperature with its unit, such as 62C or 144F")
    return fahrenheit(exact(found[1]), found[2].upper() or unit)


def error_of(text: str) -> Fraction:
    """A difference of temperatures, in Fahrenheit where no unit stands. A usage error where it is none."""
    return degrees(text, "F") - degrees("0", "C" if text.strip().upper().endswith("C") else "F")


@dataclass(frozen=True)
class Logged:
    """What is told beside recipe and log, and how a log is read."""

    batch: Typed = optional("BATCH", "What was weighed, as for check; with --lots.")
    lots: Typed = optional("LOTS", "Lots table (CSV) of --batch.")
    rules: list[str] | None = optional(
        "PLACE", "Place whose tables hold, or your own file. Default: the recipe's rules."
    )
    unit: Typed = optional("C|F", "Unit of temperatures whose column states none.")
    column: list[str] | None = optional("NAME=WHAT", "What an odd column holds, such as 'Temp 1=core'.")
    thermometer_error: Figure = optional(
        "DEGREES", "The thermometer's error, in C with 0.5C, else in F.", parser=error_of
    )
    gap_min: Figure = number("MIN", "Longest time without a reading that counts as unbroken.")

    def product(self, recipe: str, water_activity: Figure = None) -> tuple[MadeProduct, tuple[Treatments, ...]]:
        """The product, and the treatments of the places named or, without any, of the recipe's rule packs."""
        from constraints.treatment import load_treatments
        from optimizer.made.product import product_of
        from optimizer.reading.recipe import read_recipe

        if (self.batch is None) != (self.lots is None):
            raise typer.BadParameter("--batch and --lots go together")
        read = read_recipe(recipe)
        shared.say(read.warnings)
        own = [name for name in read.entry.rules if not name.endswith((".yaml", ".yml"))]  # they have no treatments
        found = [load_treatments(name) for name in self.rules or own]
        product = product_of(read, self.batch, self.lots, water_activity)
        return product, tuple(place for place in found if place is not None)

    def log(self, path: str) -> Log:
        """A log with its warnings said."""
        from constraints.document import read_text
        from optimizer.made.log import MOST_LOG_BYTES, ROLES, parse_log

        if self.unit not in (None, "C", "F"):
            raise typer.BadParameter("C or F", param_hint="--unit")
        named = dict(text.rpartition("=")[::2] for text in self.column or [])
        if not set(named.values()) <= set(ROLES):
            raise typer.BadParameter(f"NAME=one of {', '.join(ROLES)}", param_hint="--column")
        text, file = read_text(path, MOST_LOG_BYTES), "standard input" if path == "-" else path
        read = parse_log(text, file, self.unit, named)
        shared.say(read.warnings)
        return read


def cook(
    recipe: RecipeOption,
    logged: Logged,
    shown: shared.Shown,
    log: Typed = argument("[LOG]", "Probe log (CSV). Without one: the plan.", default=None),
    water_activity: Figure = number("AW", "Water activity, as measured."),
    at: Figure = optional("DEGREES", "Planned core, such as 62C or 144F.", parser=degrees),
    minutes: Figure = number("MIN", "Planned minutes at the core's temperature."),
    html: shared.Html = None,
    time_limit: StopAfter = None,
) -> None:
    """Judge a cook and its cooling by its probe log; without a log, say how long a core must hold."""
    if log is not None and not (at is minutes is None):
        raise typer.BadParameter("--at and --minutes are for a plan, without a log")
    shared.outputs({"--html": html}, (log, recipe, logged.batch, logged.lots))
    with shared.within_time(time_limit), shared.faults_on_stderr():
        from constraints.faults import BadInput

        product, places = logged.product(recipe, water_activity)
        if log is None:
            from optimizer.made.log_page import plan_page

            sys.stdout.write(plan_page(product, places, at, minutes))
            return
        from optimizer.made.heat import HowRead, judge_cook, unit_faults

        read = logged.log(log)
        doubts = list(unit_faults(read, sure=logged.unit is not None))
        if doubts:
            raise BadInput(doubts)
        report = judge_cook(read, product, places, HowRead(logged.thermometer_error or Fraction(0), logged.gap_min))
    _print(report, html, shown)


def dry(
    log: Annotated[str, argument("LOG", "Log (CSV): chamber, ph, weight, aw; cells may be empty.")],
    recipe: RecipeOption,
    logged: Logged,
    shown: shared.Shown,
    freezing: Typed = optional("LOG", "Log of freezing (CSV): freezer or core."),
    loss_pct: Figure = number("%", "Weight to lose. Default: the recipe's yield."),
    diameter_mm: Figure = number("MM", "Diameter at stuffing."),
    piece_mm: Figure = number("MM", "Largest piece of meat in it."),
    thick_cm: Figure = number("CM", "Thickness of what was frozen."),
    tested: bool = flag("The pork was tested for Trichinella: I hold the paper.", "--tested"),
    html: shared.Html = None,
    time_limit: StopAfter = None,
) -> None:
    """Judge fermenting, drying and freezing: degree-hours, weight loss, moisture to protein, Trichinella."""
    shared.outputs({"--html": html}, (log, recipe, logged.batch, logged.lots, freezing))
    with shared.within_time(time_limit), shared.faults_on_stderr():
        from optimizer.made.dry import Pieces, judge_dry

        product, places = logged.product(recipe)
        read, error = logged.log(log), logged.thermometer_error or Fraction(0)
        frozen = None if freezing is None else logged.log(freezing)
        sizes = (diameter_mm, piece_mm, thick_cm, tested, loss_pct)
        report = judge_dry(read, product, places, Pieces(error, logged.gap_min, *sizes, frozen))
    _print(report, html, shown)


def _print(report: LogReport, html: Typed, shown: shared.Shown) -> None:
    from optimizer.made.log_page import page, picture
    from optimizer.record import document

    if html is not None:
        shared.write_text(html, picture(report), "--html")
    sys.stdout.write(document("cook", report) if shown.json else page(report, full=shown.full))
    raise typer.Exit(shared.NO_BATCH if report.hold else 0)
