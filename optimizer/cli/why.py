"""``trimwright why``: what each line costs, what a lot is worth, and what to do where nothing fits."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from optimizer.cli.shared import NO_BATCH, day, faults_on_stderr, figure, later_day, say


def why(
    recipe: Annotated[str, typer.Argument(metavar="RECIPE", help="Recipe (YAML), or - for standard input.")],
    lots: Annotated[str, typer.Option(metavar="LOTS", help="Lots table (CSV), or - for standard input.")],
    meat_kg: Annotated[str | None, typer.Option(metavar="KG", help="Size: kilograms of meat block.")] = None,
    batch_kg: Annotated[str | None, typer.Option(metavar="KG", help="Size: kilograms of whole batch.")] = None,
    meat_lb: Annotated[str | None, typer.Option(metavar="LB", help="Size: pounds of meat block.")] = None,
    batch_lb: Annotated[str | None, typer.Option(metavar="LB", help="Size: pounds of whole batch.")] = None,
    offers: Annotated[
        str | None, typer.Option(metavar="OFFERS", help="Table of offers (CSV), the columns of a lots table.")
    ] = None,
    changed: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="PATH=VALUE",
            help="What if: any figure of the input, such as lot.P-31.cost_per_kg=2.10, require.1.max_pct=27, "
            "addition.salt.g_per_kg_meat=15 or order.meat_kg=60. May be repeated.",
        ),
    ] = None,
    html: Annotated[str | None, typer.Option(metavar="FILE", help="Write the pictures to an HTML file.")] = None,
    lot: Annotated[
        str | None, typer.Option(metavar="LOT", help="Lot of the picture. Default: the one most is spent on.")
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM-DD", help="Day of the batch, for use-by dates and rules. Default: today."),
    ] = None,
    next_chance: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM-DD", help="Next day on which lots left over can be used."),
    ] = None,
    within_kg: Annotated[
        str | None,
        typer.Option(metavar="KG", help="Tolerance on the size. Default: half a division of the meat scale."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of the page.")] = False,
) -> None:
    """Say what each requirement costs, what each lot and offer is worth, or why no batch exists and the ways out."""
    sizes = {
        "--meat-kg": figure(meat_kg, "--meat-kg"),
        "--batch-kg": figure(batch_kg, "--batch-kg"),
        "--meat-lb": figure(meat_lb, "--meat-lb"),
        "--batch-lb": figure(batch_lb, "--batch-lb"),
    }
    given = [(name, value) for name, value in sizes.items() if value is not None]
    if len(given) != 1:
        raise typer.BadParameter("give the size of the batch by exactly one of " + ", ".join(sizes))
    if [recipe, lots, offers].count("-") > 1:
        raise typer.BadParameter("only one of the files can be standard input", param_hint="--lots")
    on = day(date, "--date")
    tolerance, next_day = figure(within_kg, "--within-kg"), later_day(next_chance, on, "--next-chance")
    with faults_on_stderr():
        from constraints.document import read_text
        from optimizer.order import Asked
        from optimizer.why.ask import Question, answered
        from optimizer.why.what_if import Inputs

        asked = Asked(within_kg=tolerance, next_chance=next_day)
        names = ["standard input" if name == "-" else name for name in (recipe, lots)]
        texts = [read_text(recipe), read_text(lots)]
        inputs = Inputs(texts[0], names[0], texts[1], names[1], given[0], on, asked)
        question = Question(inputs, tuple(changed or ()), offers, lot)
        question = question.read(say)
    from optimizer.optimum import SolverDisagrees

    try:
        found = answered(question, with_curves=bool(json or html))
    except SolverDisagrees as error:
        sys.stderr.write(f"no answer that can be trusted: {error}. Do not make.\n")
        raise typer.Exit(NO_BATCH) from None
    if html:
        try:
            with open(html, "w", encoding="utf-8") as file:
                file.write(found.html())
        except OSError as error:
            raise typer.BadParameter(f"{html}: {error.strerror}", param_hint="--html") from None
    sys.stdout.write(found.document() if json else found.page())
    raise typer.Exit(found.exit_code)
