"""``trimwright sheet``: a batch, or a week, as a page to print and write on."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import Annotated, Any

import typer

from optimizer.cli import shared
from optimizer.cli.blend import cheapest
from optimizer.cli.plan import planned
from optimizer.cli.shared import Figure, Typed, argument, optional

MOST_LETTERS = 40
"""Letters of a batch code: it is written by hand on packs."""


def sheet(
    file: Annotated[str, argument("RECIPE|WEEK", "A recipe, with --lots; without them a week (YAML).")],
    lots: Typed = optional("LOTS", "Lots table (CSV) or ledger of the batch."),
    *,
    order: shared.OrderOptions,
    tidy: shared.TidyOptions,
    wished: shared.Wished,
    mixer_kg: shared.MixerKg = None,
    code: Typed = optional("CODE", "The batch's code. Default: L, its day, and the next number in the ledger."),
    what_happened: Typed = optional("FILE", "Of a week: what really happened since its plan was made (YAML)."),
    html: Typed = optional("FILE", "Write the page there. Default: standard output."),
    time_limit: shared.TimeLimit = None,
) -> None:
    """Lay out a batch sheet, or a week's orders, pulls and sheets, as one HTML page that prints on A4 and Letter.

    Every reading has a blank. Nothing is laid out for a batch that must not be made: the page then says only that.
    """
    shared.outputs({"--html": html}, (file, lots, what_happened))
    if code is not None and not (code.strip() and code.isprintable() and len(code) <= MOST_LETTERS):
        raise typer.BadParameter(f"1 to {MOST_LETTERS} letters that can be seen", param_hint="--code")
    if lots is None:
        if any((*vars(replace(order, units=None)).values(), *vars(wished).values(), mixer_kg, code)):
            said = "without --lots the file is a week, which states its own sizes, days, wishes and codes"
            raise typer.BadParameter(said)
        page, ending = _week(file, what_happened, html, time_limit, {"units": order.units, **vars(tidy)})
    elif what_happened is not None:
        raise typer.BadParameter("--what-happened is for a week, without --lots")
    else:
        shared.one_standard_input(file, lots)
        asked = order.read(tidy, mixer_kg=mixer_kg)
        with shared.within_time(time_limit):
            answer = cheapest(file, lots, asked, wished)
        from optimizer.sheet.batch_sheet import one_page

        page, ending = one_page(answer, lots, code), answer.status.exit_code
    if html is None:
        sys.stdout.write(page)
    else:
        shared.write_text(html, page, "--html")
    raise typer.Exit(ending)


def _week(file: str, what_happened: Typed, html: Typed, time_limit: Figure, keys: dict[str, Any]) -> tuple[str, int]:
    """The page of a week and how the command ends. Exits where the time was over before there was a plan."""
    outcome = planned(file, what_happened, {"--html": html}, time_limit, keys, compare=False)
    if outcome is None:
        from optimizer.plan.report.outcome import STOPPED

        sys.stderr.write(f"{STOPPED}; no sheet was laid out.\n")
        raise typer.Exit(shared.TIME_LIMIT)
    from optimizer.sheet.week import week_page

    return week_page(outcome), outcome.exit_code
