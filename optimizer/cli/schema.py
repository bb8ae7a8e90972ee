"""``trimwright schema``: the JSON Schema of a file, for an editor to complete and check it."""

from __future__ import annotations

import sys
from enum import StrEnum
from typing import Annotated, Any

import typer


class What(StrEnum):
    """The files that have a schema."""

    RECIPE = "recipe"
    WEEK = "week"
    HAPPENED = "what-happened"
    TREATMENTS = "treatments"


def schema(
    what: Annotated[
        What,
        typer.Argument(
            metavar="[WHAT]",
            help="recipe, week (the file of trimwright plan), what-happened (the file of --what-happened) or "
            "treatments (your own tables for cook and dry).",
        ),
    ] = What.RECIPE,
) -> None:
    """Print the JSON Schema of a file; point your editor at it to complete and check the file as you type."""
    import json

    sys.stdout.write(json.dumps(schema_of(what), indent=2) + "\n")


def schema_of(what: What) -> dict[str, Any]:
    """The JSON Schema of a file."""
    from constraints.document.model import Strict

    model: type[Strict]
    if what is What.RECIPE:
        from optimizer.reading.entry import RecipeEntry as model
    elif what is What.WEEK:
        from optimizer.plan.files.week_file import WeekEntry as model
    elif what is What.TREATMENTS:
        from constraints.treatment import Treatments as model
    else:
        from optimizer.plan.files.happened import HappenedEntry as model
    return model.model_json_schema(by_alias=True)
