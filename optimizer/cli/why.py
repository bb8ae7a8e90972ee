"""``trimwright why``: what each line costs, what a lot is worth, and what to do where nothing fits."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from optimizer.cli.shared import (
    NO_BATCH,
    BatchKg,
    BatchLb,
    Day,
    Full,
    Json,
    LotsFile,
    MeatKg,
    MeatLb,
    NextChance,
    NoColor,
    RecipeFile,
    TimeLimit,
    WithinKg,
    day,
    faults_on_stderr,
    figure,
    later_day,
    one_standard_input,
    outputs,
    say,
    size_of,
    within_time,
    write_text,
)


def why(
    recipe: RecipeFile,
    lots: LotsFile,
    meat_kg: MeatKg = None,
    batch_kg: BatchKg = None,
    meat_lb: MeatLb = None,
    batch_lb: BatchLb = None,
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
    picture: Annotated[str | None, typer.Option(metavar="FILE", help="Write the pictures as an HTML page.")] = None,
    lot: Annotated[
        str | None, typer.Option(metavar="LOT", help="Lot of the picture. Default: the one most is spent on.")
    ] = None,
    date: Day = None,
    next_chance: NextChance = None,
    within_kg: WithinKg = None,
    time_limit: TimeLimit = None,
    full: Full = False,
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """Say what each requirement costs, what each lot and offer is worth, or why no batch exists and the ways out."""
    size = size_of(meat_kg, batch_kg, meat_lb, batch_lb)
    one_standard_input(recipe, lots, offers)
    on = day(date, "--date")
    tolerance, next_day = figure(within_kg, "--within-kg"), later_day(next_chance, on, "--next-chance")
    outputs({"--picture": picture}, (recipe, lots, offers))
    with within_time(time_limit):
        with faults_on_stderr():
            from constraints.document import read_text
            from optimizer.order import Asked
            from optimizer.reading.lots import lots_text
            from optimizer.why.ask import Question, answered
            from optimizer.why.what_if import Inputs

            asked = Asked(within_kg=tolerance, next_chance=next_day)
            names = ["standard input" if name == "-" else name for name in (recipe, lots)]
            texts = [read_text(recipe), lots_text(lots)]
            inputs = Inputs(texts[0], names[0], texts[1], names[1], size, on, asked)
            question = Question(inputs, tuple(changed or ()), offers, lot)
            question = question.read(say)
        from optimizer.solver.model import SolverDisagrees

        try:
            found = answered(question, with_curves=bool(json or picture))
        except SolverDisagrees as error:
            sys.stderr.write(f"no answer that can be trusted: {error}. Do not make.\n")
            raise typer.Exit(NO_BATCH) from None
        if picture:
            write_text(picture, found.html(), "--picture")
        sys.stdout.write(found.document() if json else found.page(full=full))
        raise typer.Exit(found.exit_code)
