"""``trimwright new``: a recipe or a week to start from, which runs as it is."""

from __future__ import annotations

import os
import re
import sys
from datetime import date, timedelta
from enum import StrEnum
from importlib.resources import files
from typing import Annotated

import typer

from optimizer.cli.shared import argument, flag, optional, write_text

_DAY = re.compile(r"\{\+(\d+)\}")
"""A day of a starter, counted from today: ``{+3}`` is in three days."""


class Start(StrEnum):
    """What to start from."""

    FRESH = "fresh"
    SMOKED = "smoked"
    DRY = "dry"


def new(
    name: Annotated[str, argument("NAME", "Name of the product, and of the files.")],
    kind: Start = optional(None, "fresh, smoked (and cooked), or dry (and fermented).", default=Start.FRESH),
    week: bool = flag("A week of two batches with an offer to order from.", "--week"),
) -> None:
    """Lay down a commented recipe with a lots table, or a week, to change into your own; nothing is overwritten."""
    recipe = f"{name}-recipe.yaml" if week else f"{name}.yaml"
    made = {recipe: f"{kind}.yaml", f"{name}-lots.csv": f"{kind}.csv"}
    if week:
        made |= {f"{name}.yaml": "week.yaml", f"{name}-offers.csv": "offers.csv"}
    if not re.fullmatch(r"[\w-][\w .-]*", name):
        said = "letters, digits, blanks, points and hyphens, so that files can bear it"
        raise typer.BadParameter(said, param_hint="NAME")
    for path in made:
        if os.path.exists(path):
            raise typer.BadParameter(f"{path} is there already, and nothing is overwritten", param_hint="NAME")
    for path, start in made.items():
        text = (files("optimizer") / "starters" / start).read_text("utf-8").replace("RECIPE", recipe)
        write_text(path, _DAY.sub(_dated, text).replace("NAME", name), "NAME")
        sys.stdout.write(f"{path}\n")
    size = {Start.FRESH: 20, Start.SMOKED: 30, Start.DRY: 20}[kind]
    then = f"plan '{name}.yaml'" if week else f"blend '{name}.yaml' --lots '{name}-lots.csv' --meat-kg {size}"
    sys.stdout.write(f"Now change them, and: trimwright {then}\n")


def _dated(found: re.Match[str]) -> str:
    return (date.today() + timedelta(int(found[1]))).isoformat()
