"""``trimwright rules``, ``columns``, ``schema`` and ``terms``: what the tool knows, reads and prints, and its words."""

from __future__ import annotations

import sys
from datetime import date as Date
from enum import StrEnum
from importlib import import_module
from json import dumps
from typing import Any

import typer

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Json, NoColor, Typed, argument, flag, number, optional

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
    from optimizer.record import ANSWERS

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
    from optimizer.record import ANSWERS, answer_schema

    if (what is What.ANSWER) != (command in ANSWERS):
        raise typer.BadParameter(f"say whose: schema answer {', '.join(ANSWERS)}", param_hint="COMMAND")
    found = answer_schema(command) if command else file_schema(what)
    sys.stdout.write(dumps(found, indent=2) + "\n")


def file_schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a file."""
    module, _, model = FILES[name].partition(":")
    found: dict[str, Any] = getattr(import_module(module), model).model_json_schema(by_alias=True)
    return found


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
    from optimizer.pages.columns_page import columns_document, columns_page, keys_document, keys_page

    if file is File.LOTS:
        sys.stdout.write(columns_document() if json else columns_page())
    else:
        found = file_schema(file)
        sys.stdout.write(keys_document(found) if json else keys_page(f"{file} file".replace("-", " "), found))


def terms(
    word: Typed = argument("[WORD]", "Only words that hold this one.", default=None),
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """Say what each word means here: one word per thing, in commands, options, keys and pages alike."""
    from optimizer.pages.tables import named
    from optimizer.wording import TERMS

    found = {name: text for name, text in TERMS.items() if word is None or word.casefold() in name}
    if not found:
        raise typer.BadParameter(f"no term holds {word!r}; trimwright terms lists them all", param_hint="WORD")
    text = dumps(found, indent=2) if json else "\n".join(named(list(found.items()), room=18))
    sys.stdout.write(text + "\n")


def rules(
    pack: Typed = argument(
        "[PACK]",
        "Rule pack: a shipped one by name, your own by file.",
        default=None,
        autocompletion=shared.complete_pack,
    ),
    product_class: Typed = optional(
        "CLASS", "Only limits for this class of product.", "--class", autocompletion=shared.complete_class
    ),
    date: Date | None = optional(
        "YYYY-MM-DD", "Only limits in force on this day. Default: all; of one class, today's.", parser=shared.day
    ),
    kg: Figure = number("KG", "Say what each limit means in grams for so many kilograms. Default: 10 for one class."),
    verify: bool = flag("Prove that the pack's limits bind, agree and leave no class without.", "--verify"),
    unread: bool = flag("List the limits that were not read in the law's own words.", "--unread"),
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """List the rule packs, or one pack's classes and limits with their sources."""
    from constraints.faults import BadInput, Fault
    from constraints.library import GUARD, guard, load_pack, shipped
    from optimizer.pages.rules_page import Chosen, pack_page, packs_page, unread_page, verified
    from optimizer.record import document

    day = date or (shared.today() if product_class else None)
    with shared.faults_on_stderr():
        if pack is None and not unread and not verify and (product_class or date or kg):
            raise BadInput([Fault("rules", None, None, "a class, a day and kilograms are of one pack", "rules PACK")])
        if verify or unread:
            packs = [load_pack(name) for name in (shipped() if pack is None else [pack])]
            text = "".join(map(verified, packs)) if verify else unread_page(packs)
        elif pack is None:
            text = document("rule-packs", [Chosen(load_pack(name)) for name in shipped()]) if json else packs_page()
        else:
            chosen = Chosen(guard() if pack == GUARD else load_pack(pack), product_class, day, kg)
            text = document("rules", chosen) if json else pack_page(chosen)
    sys.stdout.write(text)
