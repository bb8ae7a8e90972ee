"""``trimwright plan``: next week's batches from shared lots, and what to buy for them."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, argument, optional

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from optimizer.plan.report.outcome import Outcome


def plan(
    week: Annotated[str, argument("WEEK", "The week (YAML): days, batches, lots, offers, kitchen.")],
    tidy: shared.TidyOptions,
    what_happened: Typed = optional("FILE", "What really happened since a plan was made (YAML): plan the rest again."),
    orders: Typed = optional("FILE", "Write the order list there (CSV)."),
    pulls: Typed = optional("FILE", "Write the pull list there (CSV)."),
    html: shared.Html = None,
    units: shared.Units = None,
    time_limit: shared.TimeLimit = None,
    compare: bool = optional(
        None, "Also plan batch by batch, in order, to say what planning together saves.", default=True
    ),
    *,
    shown: shared.Shown,
) -> None:
    """Plan many batches over many days from shared lots and offers: cheapest together, weighed out and checked.

    Progress goes to standard error. Ctrl-C, like the time limit, takes the best plan found with its gap (exit code 3);
    where there is none yet it ends with *interrupted* (exit code 130).
    """
    wanted = {"--orders": orders, "--pulls": pulls, "--html": html}
    outcome = planned(week, what_happened, wanted, time_limit, {"units": units, **vars(tidy)}, compare=compare)
    if outcome is None:
        from optimizer.plan.report.plan_json import stopped_document
        from optimizer.plan.report.plan_page import stopped_page

        sys.stdout.write(stopped_document() if shown.json else stopped_page())
        raise typer.Exit(shared.TIME_LIMIT)
    _write(outcome, wanted)
    from optimizer.plan.report.plan_page import plan_page
    from optimizer.record import document

    sys.stdout.write(document("plan", outcome) if shown.json else plan_page(outcome, full=shown.full))
    raise typer.Exit(outcome.exit_code)


def planned(
    week: str, happened: Typed, wanted: Mapping[str, Typed], time_limit: Figure, keys: dict[str, Any], *, compare: bool
) -> Outcome | None:
    """The week planned, or what is left of it; None where the time was over before there was any plan.

    ``wanted`` are the files to be written, by their options, ``keys`` what the command line says beside the week.
    """
    shared.outputs(wanted)
    from optimizer.clock import OutOfTime, limited

    try:
        with shared.faults_on_stderr(), limited(None if time_limit is None else float(time_limit)):
            from optimizer.plan.files.week_file import read_week
            from optimizer.plan.run import plan_again, plan_week

            with shared.within_time(time_limit):
                read = read_week(week).with_keys(keys)
            recipes = [recipe.file for recipe in read.recipes]
            shared.outputs(wanted, [week, happened, read.lots.file, read.offers.file or None, *recipes])
            shared.say(read.warnings)
            outcome = plan_week(read, compare=compare) if happened is None else plan_again(read, happened)
    except OutOfTime:
        shared.not_written(wanted, "there is no plan")
        return None
    if outcome.plan.solved.interrupted and not outcome.plan.solved.found:
        raise KeyboardInterrupt
    return outcome


def _write(outcome: Outcome, wanted: Mapping[str, str | None]) -> None:
    """Write the files asked for, where there is a plan to write."""
    from optimizer.plan.report.plan_json import orders_csv, pulls_csv
    from optimizer.plan.report.plan_page import picture

    if not outcome.stands:
        shared.not_written(wanted, "there is no plan")
        return
    made: dict[str, Callable[[Outcome], str]] = {"--orders": orders_csv, "--pulls": pulls_csv, "--html": picture}
    for name, path in wanted.items():
        if path is not None:
            shared.write_text(path, made[name](outcome), name)
