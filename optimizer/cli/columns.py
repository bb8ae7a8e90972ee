"""``trimwright columns``: the columns that the tables may have."""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def columns(
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of the table.")] = False,
) -> None:
    """List the columns of lots and offers tables with unit, basis and meaning, and the methods of finding fat."""
    from optimizer.pages.columns_page import columns_document, columns_page

    sys.stdout.write(columns_document() if json else columns_page())
