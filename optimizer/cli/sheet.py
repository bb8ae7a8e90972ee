"""``trimwright sheet``: a batch, or a week, as a page to print and write on."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Typed, argument, option

if TYPE_CHECKING:
    from datetime import date
    from fractions import Fraction

MOST_LETTERS = 40
"""Letters of a batch code: it is written by hand on packs."""


def sheet(
    file: Annotated[str, argument("RECIPE|WEEK", "A recipe (with --lots), or a week (YAML).")],
    lots: Annotated[Typed, option("LOTS", "Lots table (CSV) or ledger of the batch.")] = None,
    meat_kg: shared.MeatKg = None,
    batch_kg: shared.BatchKg = None,
    meat_lb: shared.MeatLb = None,
    batch_lb: shared.BatchLb = None,
    date: shared.Day = None,
    next_chance: shared.NextChance = None,
    code: Annotated[
        Typed, option("CODE", "The batch's code. Default: L, its day, and the next number in the ledger.")
    ] = None,
    what_happened: Annotated[
        Typed, option("FILE", "Of a week: what really happened since its plan was made (YAML).")
    ] = None,
    html: Annotated[Typed, option("FILE", "Write the page there. Default: standard output.")] = None,
    time_limit: shared.TimeLimit = None,
) -> None:
    """Lay out a batch sheet, or a week's orders, pulls and sheets, as one HTML page that prints on A4 and Letter.

    Every reading has a blank. Nothing is laid out for a batch that must not be made: the page then says only that.
    """
    shared.outputs({"--html": html}, (file, lots, what_happened))
    sizes = (meat_kg, batch_kg, meat_lb, batch_lb)
    if code is not None and not (code.strip() and code.isprintable() and len(code) <= MOST_LETTERS):
        raise typer.BadParameter(f"1 to {MOST_LETTERS} letters that can be seen", param_hint="--code")
    if lots is None:
        if any(sizes) or date or next_chance or code:
            raise typer.BadParameter("sizes, days and --code are for one batch, with --lots; a week states its own")
        page, ending = _week(file, what_happened, time_limit)
    elif what_happened is not None:
        raise typer.BadParameter("--what-happened is for a week, without --lots")
    else:
        shared.one_standard_input(file, lots)
        on = shared.day(date, "--date")
        later = shared.later_day(next_chance, on, "--next-chance")
        page, ending = _batch(file, lots, shared.size_of(*sizes), on, later, code, time_limit)
    if html is None:
        sys.stdout.write(page)
    else:
        shared.write_text(html, page, "--html")
    raise typer.Exit(ending)


def _batch(
    recipe: str,
    lots: str,
    sized: tuple[tuple[str, Fraction], Fraction | None],
    on: date,
    later: date | None,
    code: str | None,
    limit: str | None,
) -> tuple[str, int]:
    """The sheet of one batch, and the exit code."""
    with shared.within_time(limit), shared.only_trusted(), shared.faults_on_stderr():
        from optimizer.blend import blend
        from optimizer.order import Asked, order_of
        from optimizer.problem import assemble
        from optimizer.reading.both import read_both
        from optimizer.sheet.batch import Sheet
        from optimizer.sheet.page import Past, sheet_page

        read, table = read_both(recipe, lots)
        shared.say([*read.warnings, *table.warnings])
        answer = blend(assemble(read, table, order_of(read, *sized[0], on, Asked(to=sized[1], next_chance=later))))
        past = Past.of(lots)
        found = Sheet(answer, code or past.free_code(on), read.entry.name, past.suppliers)
        return sheet_page("Batch sheet" if found.made else "No batch", [found]), answer.status.exit_code


def _week(week: str, what_happened: str | None, limit: str | None) -> tuple[str, int]:
    """The lists and sheets of a week, and the exit code."""
    from optimizer.clock import OutOfTime

    try:
        with shared.within_time(limit), shared.faults_on_stderr():
            from optimizer.plan.files.week_file import read_week
            from optimizer.plan.run import plan_again, plan_week
            from optimizer.sheet.week import week_page

            read = read_week(week)
            shared.say(read.warnings)
            outcome = plan_again(read, what_happened) if what_happened else plan_week(read, compare=False)
    except OutOfTime:
        raise typer.Exit(shared.TIME_LIMIT) from None
    return week_page(outcome), outcome.exit_code
