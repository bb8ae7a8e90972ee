"""``trimwright correct``: a batch that is ground already, put right with the least that can be added."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Typed, argument, option


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
    on, asked = shared.day(date, "--date"), Asked(mixer_kg=shared.figure(mixer_kg, "--mixer-kg"), to=to)
    weights = [shared.figure(ground_kg, "--ground-kg"), shared.figure(ground_lb, "--ground-lb")]
    if None not in weights:
        raise typer.BadParameter("give either --ground-kg or --ground-lb")
    ground_t, added_t = (
        shared.figure(text, name, zero=True) for text, name in ((ground_c, "--ground-c"), (added_c, "--added-c"))
    )
    if (ground_t is None) is not (added_t is None):
        raise typer.BadParameter("--ground-c and --added-c go together")
    readings = [shared.figure(text, "--measured-fat", zero=True) for text in measured_fat or ()]
    moisture = shared.figure(measured_moisture, "--measured-moisture", zero=True)
    salt, sd = shared.figure(measured_salt, "--measured-salt", zero=True), shared.figure(fat_sd_pct, "--fat-sd-pct")
    shared.outputs({"--html": html, "--sheet": sheet}, (batch, recipe, lots))
    with shared.within_time(time_limit):
        with shared.faults_on_stderr(), shared.only_trusted():
            from constraints.numbers import KG_PER_LB
            from optimizer.correct import correct as find
            from optimizer.mass import ground_of, measured, own_methods
            from optimizer.reading.both import read_both
            from optimizer.store.made import batch_in
            from optimizer.why.document import explanation_dict
            from optimizer.why.explain import explain
            from optimizer.why.page import page

            read, table = read_both(recipe, lots)
            shared.say([*read.warnings, *table.warnings])
            mass, table, out = batch_in(read, table, batch, lots)
            weight = weights[0] if weights[1] is None else weights[1] * KG_PER_LB
            found = measured(
                [r for r in readings if r is not None], moisture, salt, sd, method or "", own_methods(read)
            )
            ground = ground_of(read, mass, weight, found, batch)
            taken, pounds = taken or out, weights[1] is not None or table.in_pounds
            correction = find(read, table, ground, on, asked, size, taken=taken, pounds=pounds)
            why = None
            if correction.answer.conflict is not None and not correction.over:
                why = explain(correction.answer, read, correction.table, correction.order)
        from optimizer.pages.blend_picture import html as drawn
        from optimizer.pages.correct_json import View
        from optimizer.pages.correct_page import correct_page
        from optimizer.pages.record import document

        if html is not None:
            shared.write_text(html, drawn(correction.answer), "--html")
        if sheet is not None:
            from optimizer.sheet.page import corrected_page

            shared.write_text(sheet, corrected_page(correction, lots, batch if out else None), "--sheet")
        if json:
            sys.stdout.write(document("correct", View(correction, explanation_dict(why)["conflict"] if why else None)))
        else:
            heat = None if ground_t is None or added_t is None else (ground_t, added_t)
            sys.stdout.write(correct_page(correction, heat, full=full) + (page(why, full=full) if why else ""))
        raise typer.Exit(correction.exit_code)
