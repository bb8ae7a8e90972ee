"""``trimwright check``: what was actually weighed, against the rules of any places."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, argument, complete_judge, number, option, optional, today

Weighed = Annotated[
    str,
    argument(
        "BATCH",
        "What was weighed: a table with item and kg, grams, lb or oz, and load where each was weighed apart, or the "
        "JSON of a blend with the weights corrected.",
    ),
]
Rules = Annotated[
    list[str] | None,
    option(
        "PACK[=CLASS]",
        "Rule pack to judge by, with a product class. May be repeated. Default: the recipe's.",
        autocompletion=complete_judge,
    ),
]


def check(
    batch: Weighed,
    recipe: shared.RecipeOption,
    lots: shared.LotsFile,
    rules: Rules = None,
    laboratory: Typed = optional("FILE", "What a laboratory found (YAML), as laboratory: in a recipe."),
    date: shared.Day = None,
    units: shared.Units = None,
    meat_tolerance_g: Figure = number("G", "How far the weight of a lot may be off."),
    spice_tolerance_g: Figure = number("G", "How far any other weight may be off."),
    time_limit: shared.StopAfter = None,
    *,
    shown: shared.Shown,
) -> None:
    """Measure a weighed batch against its recipe and the rules of any places, the worst margin first."""
    from optimizer.findings import Tolerance
    from optimizer.findings import check as find
    from optimizer.pages.check_page import check_page, verdict
    from optimizer.reading.recipe import analysed, judged_by, read_both
    from optimizer.reading.weighed import read_weighed
    from optimizer.record import document

    on, typed = date or today(), meat_tolerance_g or spice_tolerance_g
    tolerance = Tolerance(meat_tolerance_g, spice_tolerance_g) if typed else None
    with shared.within_time(time_limit):
        with shared.faults_on_stderr():
            read, table = read_both(recipe, lots)
            shared.say([*read.warnings, *table.warnings])
            read = (analysed(read, laboratory) if laboratory else read).in_units(units)
            weighed = read_weighed(batch)
            report = find(judged_by(read, rules or []), table, weighed, batch, on, tolerance)
        text = document("check", report) if shown.json else check_page(report, full=shown.full)
    sys.stdout.write(text)
    raise typer.Exit(verdict(report).grade.exit_code)
