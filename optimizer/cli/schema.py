"""``trimwright schema``: the JSON Schema of a file, for an editor to complete and check it, and of the answers."""

from __future__ import annotations

import json
import sys
from enum import StrEnum
from importlib import import_module
from typing import Any

import typer

from optimizer.cli.shared import Typed, argument

FILES = {
    "recipe": "optimizer.reading.entry:RecipeEntry",
    "week": "optimizer.plan.files.week_file:WeekEntry",
    "what-happened": "optimizer.plan.files.happened:HappenedEntry",
    "treatments": "constraints.treatment:Treatments",
}
"""The files that have a schema, and the model of each."""


class What(StrEnum):
    """What has a schema."""

    RECIPE = "recipe"
    WEEK = "week"
    HAPPENED = "what-happened"
    TREATMENTS = "treatments"
    ANSWER = "answer"


def complete_answer(incomplete: str) -> list[str]:
    """Names of the documents that have a schema, for the shell."""
    from optimizer.pages.record import ANSWERS

    return [name for name in ANSWERS if name.startswith(incomplete)]


def schema(
    what: What = argument(
        "[WHAT]",
        "recipe, week (the file of trimwright plan), what-happened (the file of --what-happened), treatments "
        "(your own tables for cook and dry), or answer (what --json prints).",
        default=What.RECIPE,
    ),
    command: Typed = argument(
        "[COMMAND]", "The command whose answer it is.", default=None, autocompletion=complete_answer
    ),
) -> None:
    """Print the JSON Schema of a file or an answer; point your editor at a file's to complete and check as you type."""
    from optimizer.pages.record import ANSWERS, answer_schema

    if (what is What.ANSWER) != (command in ANSWERS):
        raise typer.BadParameter(f"say whose: schema answer {', '.join(ANSWERS)}", param_hint="COMMAND")
    found = answer_schema(command) if command else file_schema(what)
    sys.stdout.write(json.dumps(found, indent=2) + "\n")


def file_schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a file."""
    module, _, model = FILES[name].partition(":")
    found: dict[str, Any] = getattr(import_module(module), model).model_json_schema(by_alias=True)
    return found
