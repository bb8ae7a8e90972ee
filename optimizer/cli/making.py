"""What is to be made: ``trimwright blend``, ``why``, ``plan`` and ``sheet``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from datetime import date as Day
from fractions import Fraction
from functools import partial
from typing import Any

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Said, Typed
from optimizer.late import late

with late():
    from constraints import document as files
    from optimizer import answer as answers, clock, near, order as orders, problem
    from optimizer.pages import batch_page, chart
    from optimizer.plan.files import week_file
    from optimizer.plan.report import outcome as outcomes, plan_json, plan_page
    from optimizer.reading import lots as tables, recipe as recipes
    from optimizer.sheet import batch_sheet
    from optimizer.why import explain, page, short, what_if

MOST_LETTERS = 40
"""Letters of a batch code: it is written by hand on packs."""


def blend(
    recipe: str, lots: str, order: shared.OrderOptions, tidy: shared.TidyOptions, wished: shared.Wished,
    meat_scale_g: Figure = None, spice_scale_g: Figure = None, mixer_kg: Figure = None, time_limit: Figure = None,
    html: Typed = None, proof: Typed = None, *, shown: shared.Shown,
) -> Said:  # fmt: skip
    """Choose the cheapest lots that satisfy a recipe and its rules, weigh them out and check the batch."""
    shared.one_standard_input(recipe, lots)
    asked = order.read(tidy, meat_g=meat_scale_g, spice_g=spice_scale_g, mixer_kg=mixer_kg)
    shared.outputs({"--html": html, "--proof": proof}, (recipe, lots))
    with shared.within_time(time_limit):
        answer = _cheapest(recipe, lots, asked, wished)
        if proof is not None:
            proved = answers.proof_file(answer)
            if proved is None:
                shared.not_written({"--proof": proof}, "there is no finished proof of linear rows alone")
            else:
                shared.write_text(proof, proved, "--proof")
        drawn = chart.batch_html if answer.near is None else chart.near_html
        paged = partial(batch_page.page, short_why=() if shown.json else short.short_form(answer))
        return shown.said("blend", answer, paged, html, drawn), answer.grade.exit_code


def _cheapest(
    recipe: str, lots: str, order: tuple[str, Fraction, Day, orders.Asked], wished: shared.Wished
) -> answers.Answer:
    """The files read, and the cheapest batch of what is ordered, or the near-cheapest by a wish."""
    read, table = recipes.read_both(recipe, lots)
    shared.say([*read.warnings, *table.warnings])
    posed = problem.assemble(read, table, orders.order_of(read, *order))
    if wished.prefer is None:
        return answers.blend(posed)
    return near.near_cheapest(posed, orders.wish_named(wished.prefer), wished.premium_pct)


def why(
    recipe: str, lots: str, order: shared.OrderOptions, tidy: shared.TidyOptions, offers: Typed = None,
    changed: list[str] | None = None, html: Typed = None, lot: Typed = None, time_limit: Figure = None, *,
    shown: shared.Shown,
) -> Said:  # fmt: skip
    """Say what each requirement costs, what each lot and offer is worth, or why no batch exists and the ways out."""
    shared.one_standard_input(recipe, lots, offers)
    size, figure, on, asked = order.read(tidy)
    shared.outputs({"--html": html}, (recipe, lots, offers))
    with shared.within_time(time_limit):
        names = [files.label(name) for name in (recipe, lots)]
        texts = [files.read_text(recipe), tables.lots_text(lots)]
        inputs = what_if.Inputs(texts[0], names[0], texts[1], names[1], (size, figure), on, asked)
        asking = explain.question(inputs, shared.say, changed or (), offers, lot)
        found = explain.answered(asking, with_curves=bool(shown.json or html), detail=shown.json or shown.full)
        return shown.said("why", found, page.page, html, page.html), found.exit_code


def plan(
    week: str, tidy: shared.TidyOptions, what_happened: Typed = None, orders: Typed = None, pulls: Typed = None,
    html: Typed = None, units: shared.Units = None, time_limit: Figure = None, compare: bool = True, *,
    shown: shared.Shown,
) -> Said:  # fmt: skip
    """Plan many batches over many days from shared lots and offers: cheapest together, weighed out and checked.

    Progress goes to standard error. Ctrl-C, like the time limit, takes the best plan found with its gap (exit code 3);
    where there is none yet it ends with *interrupted* (exit code 130).
    """
    wanted = {"--orders": orders, "--pulls": pulls, "--html": html}
    outcome = _planned(week, what_happened, wanted, time_limit, {"units": units, **vars(tidy)}, compare=compare)
    if outcome is None:
        return plan_json.stopped_document() if shown.json else plan_page.stopped_page(), shared.TIME_LIMIT
    made = {"--orders": plan_json.orders_csv, "--pulls": plan_json.pulls_csv, "--html": plan_page.picture}
    if not outcome.stands:
        shared.not_written(wanted, "there is no plan")
    for name, path in wanted.items() if outcome.stands else ():
        if path is not None:
            shared.write_text(path, made[name](outcome), name)
    return shown.said("plan", outcome, plan_page.plan_page), outcome.grade.exit_code


def _planned(
    week: str, happened: Typed, wanted: Mapping[str, Typed], time_limit: Figure, keys: dict[str, Any], *, compare: bool
) -> outcomes.Outcome | None:
    """The week planned, or what is left of it; None where the time was over before there was any plan.

    ``wanted`` are the files to be written, by their options, ``keys`` what the command line says beside the week.
    """
    shared.outputs(wanted)
    try:
        with clock.limited(None if time_limit is None else float(time_limit)):
            with shared.within_time(time_limit):
                read = week_file.read_week(week).with_keys(keys)
            own = [recipe.file for recipe in read.recipes]
            shared.outputs(wanted, [week, happened, read.lots.file, read.offers.file or None, *own])
            shared.say(read.warnings)
            outcome = outcomes.plan_week(read, happened, compare=compare)
    except clock.OutOfTime:
        shared.not_written(wanted, "there is no plan")
        return None
    if outcome.plan.solved.interrupted and not outcome.plan.solved.found:
        raise KeyboardInterrupt
    return outcome


def sheet(
    file: str, lots: Typed = None, *, order: shared.OrderOptions, tidy: shared.TidyOptions, wished: shared.Wished,
    mixer_kg: Figure = None, code: Typed = None, what_happened: Typed = None, html: Typed = None,
    time_limit: Figure = None,
) -> Said:  # fmt: skip
    """Lay out a batch sheet, or a week's orders, pulls and sheets, as one HTML page that prints on A4 and Letter.

    Every reading has a blank. Nothing is laid out for a batch that must not be made: the page then says only that.
    """
    shared.outputs({"--html": html}, (file, lots, what_happened))
    if code is not None and not (code.strip() and code.isprintable() and len(code) <= MOST_LETTERS):
        raise typer.BadParameter(f"1 to {MOST_LETTERS} letters that can be seen", param_hint="--code")
    if lots is None:
        said = "without --lots the file is a week, which states its own sizes, days, wishes and codes"
        shared.misused(any((*vars(replace(order, units=None)).values(), *vars(wished).values(), mixer_kg, code)), said)
        keys = {"units": order.units, **vars(tidy)}
        outcome = _planned(file, what_happened, {"--html": html}, time_limit, keys, compare=False)
        if outcome is None:
            sys.stderr.write(f"{outcomes.STOPPED}; no sheet was laid out.\n")
            return "", shared.TIME_LIMIT
        page, ending = batch_sheet.week_page(outcome), outcome.grade.exit_code
    else:
        shared.misused(what_happened is not None, "--what-happened is for a week, without --lots")
        shared.one_standard_input(file, lots)
        asked = order.read(tidy, mixer_kg=mixer_kg)
        with shared.within_time(time_limit):
            answer = _cheapest(file, lots, asked, wished)
        page, ending = batch_sheet.one_page(answer, lots, code), answer.grade.exit_code
    if html is None:
        return page, ending
    shared.write_text(html, page, "--html")
    return "", ending
