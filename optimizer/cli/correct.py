"""``trimwright correct``: a batch that is ground already, put right with the least that can be added."""

from __future__ import annotations

import sys
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, argument, flag, number, optional, today

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date as Day

    from optimizer.correction import Correction
    from optimizer.mass import Found
    from optimizer.order import Asked
    from optimizer.why.explain import Explanation

BOILS = 100
"""Degrees Celsius at which water boils."""


def correct(
    batch: Annotated[
        str,
        argument(
            "BATCH", "What is in it: a table or JSON as for check, or its code where LOTS is a ledger that has it."
        ),
    ],
    recipe: shared.RecipeOption,
    lots: shared.LotsFile,
    measured_fat: list[Fraction] | None = number(
        "%", "Fat found of the mass as it is. Several readings: their mean.", zero=True
    ),
    measured_moisture: Figure = number("%", "Moisture found of it.", zero=True),
    measured_salt: Figure = number("%", "Salt found of it.", zero=True),
    method: Typed = optional(
        "NAME", "How the fat was found: a method that trimwright columns lists, or the recipe's own."
    ),
    fat_sd_pct: Figure = number("POINTS", "Instead: standard deviation of one reading."),
    ground_kg: Figure = number("KG", "What it weighs. Default: what went in."),
    ground_lb: Figure = number("LB", "The same in pounds."),
    *,
    sizes: shared.Sizes,
    mixer_kg: shared.MixerKg = None,
    ground_c: Figure = number("C", "Its temperature, unfrozen.", zero=True),
    added_c: Figure = number("C", "Temperature of what is added, unfrozen.", zero=True),
    taken: bool = flag("LOTS no longer holds what is in the batch. Default: a table still does.", "--taken"),
    date: shared.Day = None,
    units: shared.Units = None,
    time_limit: shared.TimeLimit = None,
    html: shared.Html = None,
    sheet: Typed = optional("FILE", "Write a page to print there: what to pull and weigh, with blanks."),
    shown: shared.Shown,
) -> None:
    """Find the cheapest addition that brings a ground batch on target, or what to take out and add in a full mixer.

    A size (--batch-kg and its like) is what the batch is to weigh then. Default: as it comes.
    """
    from optimizer.mass import measured
    from optimizer.order import Asked

    shared.one_standard_input(batch, recipe, lots)
    size, (least, to) = sizes.one() if sizes.given() else (None, (Fraction(0), None))
    asked = date or today(), Asked(mixer_kg=mixer_kg, to=to, units=units), None if size is None else (size, least)
    weight, heat = _weight(ground_kg, ground_lb), _heat(ground_c, added_c)
    found = partial(measured, measured_fat or (), measured_moisture, measured_salt, fat_sd_pct, method or "")
    shared.outputs({"--html": html, "--sheet": sheet}, (batch, recipe, lots))
    with shared.within_time(time_limit):
        correction, why, out = _corrected((batch, recipe, lots), weight, found, asked, taken=taken)
        _write(correction, html, sheet, lots, batch if out else None)
        sys.stdout.write(_document(correction, why) if shown.json else _page(correction, why, heat, full=shown.full))
        raise typer.Exit(correction.exit_code)


def _weight(kg: Figure, lb: Figure) -> tuple[Fraction | None, bool]:
    """What the mass weighs, kilograms, and whether it was typed in pounds. A usage error where both are."""
    from constraints.numbers import KG_PER_LB

    if kg is not None and lb is not None:
        raise typer.BadParameter("give either --ground-kg or --ground-lb")
    return (kg, False) if lb is None else (lb * KG_PER_LB, True)


def _heat(ground: Figure, added: Figure) -> tuple[Fraction, Fraction] | None:
    """Temperatures of the mass and of what is added, in degrees. A usage error where one is missing."""
    if (ground is None) is not (added is None):
        raise typer.BadParameter("--ground-c and --added-c go together")
    if ground is None or added is None:
        return None
    for name, heat in (("--ground-c", ground), ("--added-c", added)):
        if heat > BOILS:
            raise typer.BadParameter(f"nothing raw is above {BOILS} C, where its water boils", param_hint=name)
    return ground, added


def _corrected(
    files: tuple[str, str, str],
    weight: tuple[Fraction | None, bool],
    found: Callable[..., Found],
    asked: tuple[Day, Asked, tuple[str, Fraction] | None],
    *,
    taken: bool,
) -> tuple[Correction, Explanation | None, bool]:
    """The files read and the correction; why there is none; and whether the batch stands in the ledger."""
    batch, recipe, lots = files
    with shared.faults_on_stderr(), shared.only_trusted():
        from optimizer.correction import correct as find
        from optimizer.mass import ground_of, own_methods
        from optimizer.reading.recipe import read_both
        from optimizer.store.made import batch_in
        from optimizer.why.explain import explain

        read, table = read_both(recipe, lots)
        shared.say([*read.warnings, *table.warnings])
        mass, table, out = batch_in(read, table, batch, lots)
        ground = ground_of(read, mass, weight[0], found(own_methods(read)), batch)
        correction = find(read, table, ground, *asked, taken=taken or out, pounds=weight[1] or table.in_pounds)
        if correction.answer.conflict is None or correction.over:
            return correction, None, out
        return correction, explain(correction.answer, read, correction.table, correction.order), out


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
    from optimizer.pages.record import document
    from optimizer.why.document import explanation_dict

    return document("correct", View(correction, explanation_dict(why)["conflict"] if why else None))


def _page(
    correction: Correction, why: Explanation | None, heat: tuple[Fraction, Fraction] | None, *, full: bool
) -> str:
    from optimizer.pages.correct_page import correct_page
    from optimizer.why.page import page

    return correct_page(correction, heat, full=full) + (page(why, full=full) if why else "")
