"""``trimwright correct``: a batch that is ground already, put right with the least that can be added."""

from __future__ import annotations

import sys
from functools import partial
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Typed, argument, option

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date as Day
    from fractions import Fraction

    from optimizer.correction import Correction
    from optimizer.mass import Found
    from optimizer.order import Asked
    from optimizer.why.explain import Explanation


def correct(
    batch: Annotated[
        str,
        argument(
            "BATCH", "What is in it: a table or JSON as for check, or its code where LOTS is a ledger that has it."
        ),
    ],
    recipe: shared.RecipeOption,
    lots: shared.LotsFile,
    measured_fat: Annotated[
        list[str] | None, option("%", "Fat found of the mass as it is. Several readings: their mean.")
    ] = None,
    measured_moisture: Annotated[Typed, option("%", "Moisture found of it.")] = None,
    measured_salt: Annotated[Typed, option("%", "Salt found of it.")] = None,
    method: Annotated[
        Typed, option("NAME", "How the fat was found: a method that trimwright columns lists, or the recipe's own.")
    ] = None,
    fat_sd_pct: Annotated[Typed, option("POINTS", "Instead: standard deviation of one reading.")] = None,
    ground_kg: Annotated[Typed, option("KG", "What it weighs. Default: what went in.")] = None,
    ground_lb: Annotated[Typed, option("LB", "The same in pounds.")] = None,
    meat_kg: shared.MeatKg = None,
    batch_kg: shared.BatchKg = None,
    meat_lb: shared.MeatLb = None,
    batch_lb: shared.BatchLb = None,
    mixer_kg: shared.MixerKg = None,
    ground_c: Annotated[Typed, option("C", "Its temperature, unfrozen.", "--ground-c")] = None,
    added_c: Annotated[Typed, option("C", "Temperature of what is added, unfrozen.", "--added-c")] = None,
    taken: Annotated[
        bool, option(None, "LOTS no longer holds what is in the batch. Default: a table still does.", "--taken")
    ] = False,
    date: shared.Day = None,
    time_limit: shared.TimeLimit = None,
    html: shared.Html = None,
    sheet: Annotated[Typed, option("FILE", "Write a page to print there: what to pull and weigh, with blanks.")] = None,
    full: shared.Full = False,
    no_color: shared.NoColor = False,
    json: shared.Json = False,
) -> None:
    """Find the cheapest addition that brings a ground batch on target, or what to take out and add in a full mixer.

    A size (--batch-kg and its like) is what the batch is to weigh then. Default: as it comes.
    """
    from optimizer.order import Asked

    shared.one_standard_input(batch, recipe, lots)
    sizes = (meat_kg, batch_kg, meat_lb, batch_lb)
    size, to = shared.size_of(*sizes) if any(sizes) else (None, None)
    asked = (shared.day(date, "--date"), Asked(mixer_kg=shared.figure(mixer_kg, "--mixer-kg"), to=to), size)
    weight, heat = _weight(ground_kg, ground_lb), _heat(ground_c, added_c)
    found = _found(measured_fat or (), measured_moisture, measured_salt, fat_sd_pct, method)
    shared.outputs({"--html": html, "--sheet": sheet}, (batch, recipe, lots))
    with shared.within_time(time_limit):
        correction, why, out = _corrected((batch, recipe, lots), weight, found, asked, taken=taken)
        _write(correction, html, sheet, lots, batch if out else None)
        sys.stdout.write(_document(correction, why) if json else _page(correction, why, heat, full=full))
        raise typer.Exit(correction.exit_code)


def _weight(ground_kg: Typed, ground_lb: Typed) -> tuple[Fraction | None, bool]:
    """What the mass weighs, kilograms, and whether it was typed in pounds. A usage error where both are."""
    from constraints.numbers import KG_PER_LB

    kg, lb = shared.figure(ground_kg, "--ground-kg"), shared.figure(ground_lb, "--ground-lb")
    if kg is not None and lb is not None:
        raise typer.BadParameter("give either --ground-kg or --ground-lb")
    return (kg, False) if lb is None else (lb * KG_PER_LB, True)


def _heat(ground_c: Typed, added_c: Typed) -> tuple[Fraction, Fraction] | None:
    """Temperatures of the mass and of what is added, in degrees. A usage error where one is missing."""
    ground, added = shared.figure(ground_c, "--ground-c", zero=True), shared.figure(added_c, "--added-c", zero=True)
    if (ground is None) is not (added is None):
        raise typer.BadParameter("--ground-c and --added-c go together")
    return None if ground is None or added is None else (ground, added)


def _found(fat: Sequence[str], moisture: Typed, salt: Typed, sd: Typed, method: Typed) -> Callable[..., Found]:
    """What was measured of the mass; it is read when the recipe's own methods are known."""
    from optimizer.mass import measured

    readings = [reading for text in fat if (reading := shared.figure(text, "--measured-fat", zero=True)) is not None]
    return partial(
        measured, readings, shared.figure(moisture, "--measured-moisture", zero=True),
        shared.figure(salt, "--measured-salt", zero=True), shared.figure(sd, "--fat-sd-pct"), method or "",
    )  # fmt: skip


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
        from optimizer.pages.blend_picture import html as drawn

        shared.write_text(html, drawn(correction.answer), "--html")
    if sheet is not None:
        from optimizer.sheet.page import corrected_page

        shared.write_text(sheet, corrected_page(correction, lots, code), "--sheet")


def _document(correction: Correction, why: Explanation | None) -> str:
    from optimizer.pages.correct_json import View
    from optimizer.pages.record import document
    from optimizer.why.document import explanation_dict

    return document("correct", View(correction, explanation_dict(why)["conflict"] if why else None))


def _page(
    correction: Correction, why: Explanation | None, heat: tuple[Fraction, Fraction] | None, *, full: bool
) -> str:
    from optimizer.pages.correct_page import correct_page
    from optimizer.why.page import page

    return correct_page(correction, heat, full=full) + (page(why, full=full) if why else "")
