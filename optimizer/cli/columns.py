"""``trimwright columns``: the columns that the tables may have, and the keys of the other files."""

from __future__ import annotations

import sys
from enum import StrEnum

from optimizer.cli.schema import file_schema
from optimizer.cli.shared import Json, NoColor, argument


class File(StrEnum):
    """Files that have columns or keys."""

    LOTS = "lots"
    RECIPE = "recipe"
    WEEK = "week"
    HAPPENED = "what-happened"


def columns(
    file: File = argument("[FILE]", "lots (and offers), recipe, week or what-happened.", default=File.LOTS),
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """List the columns of lots and offers tables, or the keys of another file, with unit, meaning and example."""
    if file is File.LOTS:
        from optimizer.pages.columns_page import columns_document, columns_page

        sys.stdout.write(columns_document() if json else columns_page())
        return
    from optimizer.pages.columns_page import keys_document, keys_page

    found = file_schema(file)
    sys.stdout.write(keys_document(found) if json else keys_page(f"{file} file".replace("-", " "), found))
