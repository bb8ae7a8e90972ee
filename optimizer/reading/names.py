"""What names of additions speak of, and whether the recipe says what is meant: cure, additives, allergens, cheese.

A name decides nothing. What reads like a source of nitrite, an allergen or cheese and is not declared is a fault that
says how to declare it, or how to say that it is none.
"""

from __future__ import annotations

from collections.abc import Iterator

from constraints.cure import COUNTED
from constraints.document import Document
from constraints.faults import Fault, nearest
from constraints.spelling import key, look_alikes
from constraints.substances import CHEESE, FORMULAS, SUBSTANCES, SUGAR
from constraints.words import (
    additive_in,
    allergen_of,
    allergens_in,
    allergens_known,
    speaks_of_cheese,
    speaks_of_cured_meat,
    speaks_of_nitrite,
    speaks_of_plant,
)
from optimizer.reading.added import PLAIN_KINDS, AdditionEntry
from optimizer.reading.entry import RecipeEntry

NO_ALLERGENS = NOT_A_PLANT = "none"
"""What a recipe writes for an addition that reads like an allergen, or a plant, and is none."""


def contains(item: AdditionEntry) -> tuple[str, ...]:
    """The allergens that an addition is known to hold, by what it states and what it is."""
    own = allergen_of(item.is_)
    stated = [name for name in item.allergens or () if name != NO_ALLERGENS]
    return tuple(dict.fromkeys([*([own] if own else []), *stated]))


def name_faults(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    """Every fault of the additions' names."""
    yield from _twice(entry, document)
    for i, item in enumerate(entry.additions):
        at = ("additions", i)
        for field, found, allowed in (*_cure(item), *_additive(item), *_cheese(item), *_allergens(item)):
            yield document.fault((*at, field), found, allowed)


def _twice(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for i, item in enumerate(entry.additions):
        line, column = document.mark(("additions", i, "name"))
        if item.name in seen:
            first = f"first in line {seen[item.name]}"
            yield Fault(document.file, line, column, f"two additions are named {item.name!r}", first)
        seen.setdefault(item.name, line)
    for other, name in look_alikes(seen):
        found = f"{name!r} looks like {other!r} in line {seen[other]}, and is written with other letters"
        yield Fault(document.file, seen[name], None, found, "names that can be told apart")


def _cure(item: AdditionEntry) -> Iterator[tuple[str, str, str]]:
    """Named like a cure and none, or declared as one and said to be none: its nitrite would count wrongly."""
    brings = item.is_ == "cure" or any(item.properties.get(name) for name in COUNTED)
    if item.holds_no_nitrite and brings:
        yield "holds_no_nitrite", f"{item.name} holds no nitrite, and states some", "one or the other"
    stated = item.is_ == "cure" or any(name in item.properties for name in COUNTED)
    if speaks_of_cured_meat(item.name) and not stated and not item.holds_no_nitrite:
        like, cure = ("a cure", "is: cure with its nitrite_pct or nitrate_pct") if speaks_of_nitrite(item.name) else (
            "cured meat", "properties: {nitrite_ppm: what it holds}")  # fmt: skip
        found = f"{item.name} is named like {like}, but is: {item.is_}"
        yield "name", found, f"write {cure}, or holds_no_nitrite: yes if it brings none"
    if speaks_of_plant(item.name) and brings and item.from_plant is None:
        found = f"{item.name} reads like a cure made from a plant"
        yield "name", found, "from_plant: the plant's name, because a label says so; or from_plant: none"


def _additive(item: AdditionEntry) -> Iterator[tuple[str, str, str]]:
    """Named like a regulated additive, and neither declared nor said to hold a stated part of one: no limit sees it."""
    meant = additive_in(item.name)
    if meant is None or meant == CHEESE or item.holds_no_additive:
        return
    family = SUBSTANCES.get(meant, meant)
    stated = any(f"{name}_pct" in item.properties for name in FORMULAS[family])
    if (item.is_ in PLAIN_KINDS or SUBSTANCES[item.is_] == SUGAR) and not stated:
        found = f"{item.name} is named like an additive, but is: {item.is_}, so no limit on {meant} sees it"
        names = [meant] if meant in SUBSTANCES else [*FORMULAS[family]][:3]
        part = f"properties: {{{names[0]}_pct: its share}} for a blend or solution"
        yield "name", found, f"write is: {' or '.join(names)}, {part}, or holds_no_additive: yes if it holds none"


def _cheese(item: AdditionEntry) -> Iterator[tuple[str, str, str]]:
    """Named like cheese and not declared: limits that leave cheese out would count it."""
    if item.is_ != CHEESE and not item.holds_no_cheese and speaks_of_cheese(item.name):
        found = f"{item.name} is named like cheese, but is: {item.is_}"
        yield "name", found, "write is: cheese, or holds_no_cheese: yes if it is none"


def _allergens(item: AdditionEntry) -> Iterator[tuple[str, str, str]]:
    """An allergen that the name speaks of, or that is stated and unknown or contradicted."""
    stated, known = item.allergens, (*allergens_known(), NO_ALLERGENS)
    for name in stated or ():
        if name not in known:
            close = nearest(name, known)
            yield "allergens", f"{name!r} is no allergen known here", _meant(close, known)
    if stated and NO_ALLERGENS in stated and (len(stated) > 1 or allergen_of(item.is_)):
        yield "allergens", f"{item.name} states none, and holds some", "none alone, for what holds no allergen"
    own = allergen_of(item.is_)
    asked = [name for name in allergens_in(item.name) if name != own]
    if asked and stated is None and not (own and key(item.name) == key(item.is_)):
        found = f"{item.name} reads like {' and '.join(asked)}"
        yield "name", found, f"allergens: [{', '.join(asked)}], or allergens: none if it holds none"


def _meant(close: str | None, known: tuple[str, ...]) -> str:
    return f"did you mean {close}?" if close else f"one of {', '.join(known)}"
