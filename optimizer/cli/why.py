"""``trimwright why``: what each line costs, what a lot is worth, and what to do where nothing fits."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Typed, option, optional

Changed = Annotated[
    list[str] | None,
    option(
        "PATH=VALUE",
        "What if: any figure of the input, such as lot.P-31.cost_per_kg=2.10, require.1.max_pct=27, "
        "addition.salt.g_per_kg_meat=15 or order.meat_kg=60. May be repeated.",
        "--set",
    ),
]


def why(
    recipe: shared.RecipeFile,
    lots: shared.LotsFile,
    order: shared.OrderOptions,
    tidy: shared.TidyOptions,
    offers: Typed = optional("OFFERS", "Table of offers (CSV), the columns of a lots table."),
    changed: Changed = None,
    html: shared.Html = None,
    lot: Typed = optional("LOT", "Lot of the picture. Default: the one most is spent on."),
    time_limit: shared.TimeLimit = None,
    *,
    shown: shared.Shown,
) -> None:
    """Say what each requirement costs, what each lot and offer is worth, or why no batch exists and the ways out."""
    shared.one_standard_input(recipe, lots, offers)
    size, figure, on, asked = order.read(tidy)
    shared.outputs({"--html": html}, (recipe, lots, offers))
    with shared.within_time(time_limit):
        with shared.faults_on_stderr():
            from constraints.document import read_text
            from optimizer.reading.lots import lots_text
            from optimizer.why.explain import answered, question
            from optimizer.why.what_if import Inputs

            names = ["standard input" if name == "-" else name for name in (recipe, lots)]
            texts = [read_text(recipe), lots_text(lots)]
            inputs = Inputs(texts[0], names[0], texts[1], names[1], (size, figure), on, asked)
            asking = question(inputs, shared.say, changed or (), offers, lot)
        with shared.only_trusted():
            found = answered(asking, with_curves=bool(shown.json or html), detail=shown.json or shown.full)
        if html:
            from optimizer.why import picture

            shared.write_text(html, picture.html(found), "--html")
        if shown.json:
            from optimizer.record import document

            sys.stdout.write(document("why", found))
        else:
            from optimizer.why.page import page

            sys.stdout.write(page(found, full=shown.full))
        raise typer.Exit(found.exit_code)
