"""``trimwright correct``: a batch that is ground already, put right with the least that can be added."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, argument, flag, number, optional, today

if TYPE_CHECKING:
    from datetime import date as Day

    from constraints.formula import Batch
    from optimizer.correction import Correction
    from optimizer.mass import GroundMass
    from optimizer.order import Asked
    from optimizer.reading.recipe import Recipe
    from optimizer.why.explain import Explanation

BOILS = 100
"""Degrees Celsius at which water boils."""


@dataclass(frozen=True)
class Mass:
    """What was found of the mass as it is."""

    measured_fat: list[Fraction] | None = number(
        "%", "Fat found of the mass as it is. Several readings: their mean.", zero=True
    )
    measured_moisture: Figure = number("%", "Moisture found of it.", zero=True)
    measured_salt: Figure = number("%", "Salt found of it.", zero=True)
    method: Typed = optional(
        "NAME", "How the fat was found: a method that trimwright columns lists, or the recipe's own."
    )
    fat_sd_pct: Figure = number("POINTS", "Instead: standard deviation of one reading.")
    ground_kg: Figure = number("KG", "What it weighs. Default: what went in.")
    ground_lb: Figure = number("LB", "The same in pounds.")
    ground_c: Figure = number("C", "Its temperature, unfrozen.", zero=True)
    added_c: Figure = number("C", "Temperature of what is added, unfrozen.", zero=True)

    def heat(self) -> tuple[Fraction, Fraction] | None:
        """Temperatures of the mass and of what is added, in degrees. A usage error where one is missing or no meat's,
        and where the mass is weighed twice.
        """
        if self.ground_kg is not None and self.ground_lb is not None:
            raise typer.BadParameter("give either --ground-kg or --ground-lb")
        if (self.ground_c is None) is not (self.added_c is None):
            raise typer.BadParameter("--ground-c and --added-c go together")
        if self.ground_c is None or self.added_c is None:
            return None
        for name, heat in (("--ground-c", self.ground_c), ("--added-c", self.added_c)):
            if heat > BOILS:
                raise typer.BadParameter(f"nothing raw is above {BOILS} C, where its water boils", param_hint=name)
        return self.ground_c, self.added_c

    def ground(self, recipe: Recipe, batch: Batch, file: str) -> GroundMass:
        """The mass that a batch was ground to. Raises BadInput where no such mass can have what was measured."""
        from constraints.numbers import KG_PER_LB
        from optimizer.mass import ground_of, measured, own_methods

        kilograms = self.ground_kg if self.ground_lb is None else self.ground_lb * KG_PER_LB
        found = measured(
            self.measured_fat or (), self.measured_moisture, self.measured_salt, self.fat_sd_pct, self.method or "",
            own_methods(recipe),
        )  # fmt: skip
        return ground_of(recipe, batch, kilograms, found, file)


def correct(
    batch: Annotated[
        str,
        argument(
            "BATCH", "What is in it: a table or JSON as for check, or its code where LOTS is a ledger that has it."
        ),
    ],
    recipe: shared.RecipeOption,
    lots: shared.LotsFile,
    mass: Mass,
    sizes: shared.Sizes,
    mixer_kg: shared.MixerKg = None,
    taken: bool = flag("LOTS no longer holds what is in the batch. Default: a table still does.", "--taken"),
    date: shared.Day = None,
    units: shared.Units = None,
    time_limit: shared.TimeLimit = None,
    html: shared.Html = None,
    sheet: Typed = optional("FILE", "Write a page to print there: what to pull and weigh, with blanks."),
    *,
    shown: shared.Shown,
) -> None:
    """Find the cheapest addition that brings a ground batch on target, or what to take out and add in a full mixer.

    A size (--batch-kg and its like) is what the batch is to weigh then. Default: as it comes.
    """
    from optimizer.order import Asked

    shared.one_standard_input(batch, recipe, lots)
    size, (least, to) = sizes.one() if sizes.given() else (None, (Fraction(0), None))
    asked = date or today(), Asked(mixer_kg=mixer_kg, to=to, units=units), None if size is None else (size, least)
    heat = mass.heat()
    shared.outputs({"--html": html, "--sheet": sheet}, (batch, recipe, lots))
    with shared.within_time(time_limit):
        correction, why, out = _corrected((batch, recipe, lots), mass, asked, taken=taken)
        _write(correction, html, sheet, lots, batch if out else None)
        sys.stdout.write(_document(correction, why) if shown.json else _page(correction, why, heat, full=shown.full))
        raise typer.Exit(correction.exit_code)


def _corrected(
    files: tuple[str, str, str], mass: Mass, asked: tuple[Day, Asked, tuple[str, Fraction] | None], *, taken: bool
) -> tuple[Correction, Explanation | None, bool]:
    """The files read and the correction; why there is none; and whether the batch stands in the ledger."""
    batch, recipe, lots = files
    with shared.faults_on_stderr(), shared.only_trusted():
        from optimizer.correction import correct as find
        from optimizer.reading.recipe import read_both
        from optimizer.store.made import batch_in
        from optimizer.why.explain import explain

        read, table = read_both(recipe, lots)
        shared.say([*read.warnings, *table.warnings])
        went_in, table, out = batch_in(read, table, batch, lots)
        ground, pounds = mass.ground(read, went_in, batch), mass.ground_lb is not None or table.in_pounds
        found = find(read, table, ground, *asked, taken=taken or out, pounds=pounds)
        if found.answer.conflict is None or found.over:
            return found, None, out
        return found, explain(found.answer, read, found.table, found.order), out


def _write(correction: Correction, html: Typed, sheet: Typed, lots: str, code: str | None) -> None:
    """The picture and the sheet that were asked for; ``code`` of a batch in the ledger."""
    if html is not None:
        from optimizer.pages.pictures import batch_html

        shared.write_text(html, batch_html(correction.answer), "--html")
    if sheet is not None:
        from optimizer.sheet.batch_sheet import corrected_page

        shared.write_text(sheet, corrected_page(correction, lots, code), "--sheet")


def _document(correction: Correction, why: Explanation | None) -> str:
    from optimizer.pages.correct_page import View
    from optimizer.record import document
    from optimizer.why.document import explanation_dict

    return document("correct", View(correction, explanation_dict(why)["conflict"] if why else None))


def _page(
    correction: Correction, why: Explanation | None, heat: tuple[Fraction, Fraction] | None, *, full: bool
) -> str:
    from optimizer.pages.correct_page import correct_page
    from optimizer.why.page import page

    return correct_page(correction, heat, full=full) + (page(why, full=full) if why else "")
