"""What the tool knows, reads and prints, its words, and files to start from.

``trimwright rules``, ``columns``, ``schema``, ``terms`` and ``new``.
"""

from __future__ import annotations

import os
import re
from enum import StrEnum
from json import dumps
from typing import Annotated, Any

from optimizer.cli import shared
from optimizer.cli.shared import Figure, NoColor, Said, Typed
from optimizer.late import late

with late():
    from constraints import as_typed, document as documents, library
    from optimizer import record
    from optimizer.pages import reference_page, tables

FILES = {
    "recipe": "optimizer.reading.entry:RecipeEntry",
    "week": "optimizer.plan.files.week_file:WeekEntry",
    "what-happened": "optimizer.plan.files.happened:HappenedEntry",
    "treatments": "constraints.treatment:Treatments",
}
"""The files that have a schema, and the model of each."""
What = StrEnum(
    "What",
    {"RECIPE": "recipe", "WEEK": "week", "HAPPENED": "what-happened", "TREATMENTS": "treatments", "ANSWER": "answer"},
)
"""What has a schema."""
File = StrEnum("File", {"LOTS": "lots", "RECIPE": "recipe", "WEEK": "week", "HAPPENED": "what-happened"})
"""Files that have columns or keys."""
Start = StrEnum("Start", "FRESH SMOKED DRY")
"""What to start from."""


def complete_answer(incomplete: str) -> list[str]:
    """Names of the documents that have a schema, for the shell."""
    return [name for name in record.ANSWERS if name.startswith(incomplete)]


def schema(what: What = What.RECIPE, command: Annotated[Typed, {"autocompletion": complete_answer}] = None) -> Said:
    """Print the JSON Schema of a file or an answer; point your editor at a file's to complete and check as you type."""
    said = f"say whose: schema answer {', '.join(record.ANSWERS)}"
    shared.misused((what is What.ANSWER) != (command in record.ANSWERS), said, "COMMAND")
    found = record.answer_schema(command) if command else file_schema(what)
    return dumps(found, indent=2) + "\n"


def file_schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a file."""
    return record.file_schema(FILES[name])


def columns(file: File = File.LOTS, no_color: NoColor = False, json: bool = False) -> Said:
    """List the columns of lots and offers tables, or the keys of another file, with unit, meaning and example."""
    if file is File.LOTS:
        known = reference_page.known_columns
        return record.document("columns", known()) if json else reference_page.columns_page()
    found = file_schema(file)
    if json:
        return record.document("keys", reference_page.keys_of(found))
    return reference_page.keys_page(f"{file} file".replace("-", " "), found)


def terms(word: Typed = None, no_color: NoColor = False, json: bool = False) -> Said:
    """Say what each word means here: one word per thing, in commands, options, keys and pages alike."""
    known = {row["word"]: row["meaning"] for row in documents.packaged_rows("optimizer", "terms.csv")}
    found = {name: text for name, text in known.items() if word is None or word.casefold() in name}
    shared.misused(not found, f"no term holds {word!r}; trimwright terms lists them all", "WORD")
    return record.document("terms", found) if json else "\n".join(tables.named([*found.items()], room=18)) + "\n"


def rules(
    pack: Annotated[Typed, {"autocompletion": shared.complete_pack}] = None,
    product_class: Annotated[Typed, {"autocompletion": shared.complete_class}] = None, date: shared.Day = None,
    kg: Figure = None, verify: bool = False, unread: bool = False, no_color: NoColor = False, json: bool = False,
) -> Said:  # fmt: skip
    """List the rule packs, or one pack's classes and limits with their sources."""
    day = date or (shared.today() if product_class else None)
    if pack is None and not unread and not verify and (product_class or date or kg):
        as_typed.refuse("rules", "a class, a day and kilograms are of one pack", "rules PACK")
    if verify or unread:
        packs = [library.load_pack(name) for name in (library.shipped() if pack is None else [pack])]
        return "".join(map(reference_page.verified, packs)) if verify else reference_page.unread_page(packs)
    if pack is None:
        if not json:
            return reference_page.packs_page()
        return record.document("rule-packs", [reference_page.Chosen(library.load_pack(n)) for n in library.shipped()])
    own = library.guard() if pack == library.GUARD else library.load_pack(pack)
    one = reference_page.Chosen(own, product_class, day, kg)
    return record.document("rules", one) if json else reference_page.pack_page(one)


def new(name: str, kind: Start = Start.FRESH, week: bool = False) -> Said:
    """Lay down a commented recipe with a lots table, or a week, to change into your own; nothing is overwritten."""
    recipe = f"{name}-recipe.yaml" if week else f"{name}.yaml"
    made = {recipe: f"{kind}.yaml", f"{name}-lots.csv": f"{kind}.csv"}
    made |= {f"{name}.yaml": "week.yaml", f"{name}-offers.csv": "offers.csv"} if week else {}
    said = "letters, digits, blanks, points and hyphens, so that files can bear it"
    shared.misused(not re.fullmatch(r"[\w-][\w .-]*", name), said, "NAME")
    for path in made:
        shared.misused(os.path.exists(path), f"{path} is there already, and nothing is overwritten", "NAME")
    for path, start in made.items():
        text = reference_page.starter(start, shared.today()).replace("RECIPE", recipe)
        shared.write_text(path, text.replace("NAME", name), "NAME")
    size = {Start.FRESH: 20, Start.SMOKED: 30, Start.DRY: 20}[kind]
    then = f"plan '{name}.yaml'" if week else f"blend '{name}.yaml' --lots '{name}-lots.csv' --meat-kg {size}"
    return "".join(f"{path}\n" for path in made) + f"Now change them, and: trimwright {then}\n"
