"""``trimwright rules``: the limits the tool knows, with their sources."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from optimizer.cli.shared import day, faults_on_stderr, figure


def rules(
    pack: Annotated[
        str | None, typer.Argument(metavar="[PACK]", help="Rule pack: a shipped one by name, your own by file.")
    ] = None,
    product_class: Annotated[
        str | None, typer.Option("--class", metavar="CLASS", help="Only limits for this class of product.")
    ] = None,
    date: Annotated[
        str | None, typer.Option(metavar="YYYY-MM-DD", help="Only limits in force on this day. Default: all.")
    ] = None,
    kg: Annotated[
        str | None, typer.Option(metavar="KG", help="Say what each limit means in grams for so many kilograms.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of the page.")] = False,
) -> None:
    """List the rule packs, or one pack's classes and limits with their sources."""
    from constraints.rules import load_pack
    from optimizer.pages.rules_page import Asked, pack_document, pack_page, packs_document, packs_page

    asked = Asked(product_class, None if date is None else day(date, "--date"), figure(kg, "--kg"))
    with faults_on_stderr():
        if pack is None:
            text = packs_document() if json else packs_page()
        else:
            read = load_pack(pack)
            text = pack_document(read, asked) if json else pack_page(read, asked)
    sys.stdout.write(text)
