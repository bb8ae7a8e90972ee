"""``trimwright blend``: the cheapest batch from the lots at hand."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, number, optional

if TYPE_CHECKING:
    from datetime import date as Day
    from fractions import Fraction

    from optimizer.answer import Answer
    from optimizer.order import Asked


def blend(
    recipe: shared.RecipeFile,
    lots: shared.LotsFile,
    order: shared.OrderOptions,
    tidy: shared.TidyOptions,
    wished: shared.Wished,
    meat_scale_g: Figure = number("G", "Division of the meat scale. Default: the recipe's, or 50."),
    spice_scale_g: Figure = number("G", "Division of the spice scale. Default: the recipe's, or 1."),
    mixer_kg: shared.MixerKg = None,
    time_limit: shared.TimeLimit = None,
    html: shared.Html = None,
    proof: Typed = optional("FILE", "Write the proof for anyone's checker to judge, as VIPR 1.0."),
    *,
    shown: shared.Shown,
) -> None:
    """Choose the cheapest lots that satisfy a recipe and its rules, weigh them out and check the batch."""
    shared.one_standard_input(recipe, lots)
    asked = order.read(tidy, meat_g=meat_scale_g, spice_g=spice_scale_g, mixer_kg=mixer_kg)
    shared.outputs({"--html": html, "--proof": proof}, (recipe, lots))
    with shared.within_time(time_limit):
        answer = cheapest(recipe, lots, asked, wished)
        _write(answer, html, proof)
        from optimizer.pages.batch_page import page
        from optimizer.record import document
        from optimizer.why.short import short_form

        text = document("blend", answer) if shown.json else page(answer, short_form(answer), full=shown.full)
    sys.stdout.write(text)
    raise typer.Exit(answer.status.exit_code)


def cheapest(recipe: str, lots: str, order: tuple[str, Fraction, Day, Asked], wished: shared.Wished) -> Answer:
    """The files read, and the cheapest batch of what is ordered, or the near-cheapest by a wish."""
    with shared.faults_on_stderr():
        from optimizer.order import order_of
        from optimizer.problem import assemble
        from optimizer.reading.recipe import read_both

        read, table = read_both(recipe, lots)
        shared.say([*read.warnings, *table.warnings])
        problem = assemble(read, table, order_of(read, *order))
    with shared.only_trusted(), shared.faults_on_stderr():
        if wished.prefer is None:
            from optimizer.answer import blend as find

            return find(problem)
        from optimizer.near import near_cheapest
        from optimizer.wish import wish_named

        return near_cheapest(problem, wish_named(wished.prefer), wished.premium_pct)


def _write(answer: Answer, html: Typed, proof: Typed) -> None:
    """The picture of the batch, or of the trade-off that was asked for, and the proof."""
    if html is not None:
        from optimizer.pages.pictures import batch_html, near_html

        drawn = batch_html(answer) if answer.near is None else near_html(answer)
        shared.write_text(html, drawn, "--html")
    if proof is not None:
        from optimizer.answer import proof_file

        text = proof_file(answer)
        if text is None:
            shared.not_written({"--proof": proof}, "there is no finished proof of linear rows alone")
        else:
            shared.write_text(proof, text, "--proof")
