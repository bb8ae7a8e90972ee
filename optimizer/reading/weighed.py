"""Reading what was actually weighed: a small table, or the JSON document of a blend with the weights corrected."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from typing import Any

from constraints.as_typed import G_PER_KG, KG_PER_LB, OZ_PER_LB, exact, meant, refuse, trimmed  # isort: skip
from constraints.as_typed import BadInput, Fault, NotANumber  # isort: skip
from constraints.document import read_text
from constraints.document.parsing import label
from optimizer.reading.table import Table, cut

UNITS = {"kg": Fraction(1), "grams": Fraction(1, G_PER_KG), "lb": KG_PER_LB, "oz": KG_PER_LB / OZ_PER_LB}
"""Columns that may hold a weight, and kilograms in one unit. Pounds and ounces in one row are added."""


_PLAIN = "a plain decimal number"
_NO_JSON = "this is not one JSON document"
LOAD = "load"
"""Column for the number of the mixer load, and that key in a JSON document."""
MOST_LOADS = 1000
"""Loads of one batch above which the figure is a slip; common practice, no source."""


@dataclass(frozen=True)
class WeighedItem:
    """One line of what was weighed: the item's name, kilograms, its line (0 in a JSON document) and its mixer load.

    Load 0 is the whole batch. What was weighed load by load is there twice: in its load, and in the whole. ``held_kg``
    is a lot's weight before bone and rind, where the document states that too.
    """

    name: str
    kilograms: Fraction
    line: int = 0
    load: int = 0
    held_kg: Fraction | None = None


def read_weighed(path: str, recipe: str = "") -> tuple[WeighedItem, ...]:
    """Read what was weighed. Raises BadInput with every fault of the file, and for a document of another ``recipe``."""
    return parse_weighed(read_text(path), label(path), recipe)


def parse_weighed(text: str, file: str, recipe: str = "", part: str = "after") -> tuple[WeighedItem, ...]:
    """Read what was weighed from text: JSON where it starts with a brace, else a table.

    Of a correction's document it is the corrected batch, or another ``part`` of it: ground or add.
    """
    if not text.lstrip().startswith("{"):
        return tuple(_from_table(text, file))
    data = as_typed(text, file)
    if recipe and data.get("recipe", recipe) != recipe:
        refuse(file, f"it is of {data['recipe']!r}", f"a batch of {recipe!r}", None, "recipe")
    return weighed_in(data, file, part)


def _from_table(text: str, file: str) -> Iterator[WeighedItem]:
    table = cut(text, file)
    found, names, known = list(table.faults), table.header, ("item", LOAD, *UNITS)
    in_header = partial(table.fault, table.header_line)
    for name in names:
        if name not in known:
            hint = meant(name, known, f"columns are {', '.join(known)}")
            found.append(in_header(name, f"unknown column {name!r}", hint))
    found += [in_header(name, f"the column {name!r} stands twice", "once") for name in known if names.count(name) > 1]
    if "item" not in names or not any(unit in names for unit in UNITS):
        found.append(in_header(None, "a column is missing", f"item and one of {', '.join(UNITS)}"))
    BadInput.raise_for(found)
    commas = table.has_decimal_commas(UNITS)
    items = [item for line, cells in table.records() for item in _line(table, line, cells, commas, found)]
    found += _twice(items, file)
    if not items and not found:
        found.append(table.fault(None, None, "nothing was weighed", "one line an item"))
    BadInput.raise_for(found)
    whole: dict[str, WeighedItem] = {}
    for item in items if LOAD in names else ():  # the whole batch of what was weighed load by load
        so_far = whole[item.name].kilograms if item.name in whole else 0
        whole[item.name] = replace(item, load=0, kilograms=item.kilograms + so_far)
    yield from (*whole.values(), *items)


def _line(table: Table, line: int, cells: dict[str, str], commas: bool, faults: list[Fault]) -> Iterator[WeighedItem]:
    """What a line says; nothing, with faults more, where that cannot be read."""
    name, given = cells["item"], [unit for unit in UNITS if cells.get(unit)]
    told: list[tuple[str | None, str, str]] = []
    if not name:
        told.append(("item", "an item without a name", "a lot or an addition"))
    elif len(given) != 1 and given != ["lb", "oz"]:
        found = f"{name} has {len(given)} weights" if given else f"{name} has no weight"
        told.append((None, found, "exactly one, or pounds with ounces"))
    values = {}
    for unit in given if not told else ():
        try:
            values[unit] = exact(cells[unit], commas)
        except NotANumber as error:
            told.append((unit, str(error), _PLAIN))
    told += [(unit, f"{name} weighs less than nothing", "zero or more") for unit in values if values[unit] < 0]
    if len(given) > 1 and values.get("oz", 0) >= OZ_PER_LB and not told:
        found = f"{name} has pounds and {trimmed(values['oz'])} ounces"
        told.append(("oz", found, f"with pounds, under {OZ_PER_LB} ounces"))
    load = cells.get(LOAD, "0")  # the whole batch where the table has no loads
    sound = load.isascii() and load.isdigit() and len(load) < len(str(MOST_LOADS))
    if LOAD in cells and not (sound and int(load)) and not told:
        found = f"{name} is of load {load!r}" if load else f"{name} names no load"
        told.append((LOAD, found, f"a whole number from 1 to {MOST_LOADS - 1}"))
    faults += [table.fault(line, *one) for one in told]
    if not told:
        yield WeighedItem(name, sum((values[unit] * UNITS[unit] for unit in values), Fraction(0)), line, int(load))


def _twice(items: Sequence[WeighedItem], file: str) -> Iterator[Fault]:
    seen: dict[tuple[str, int], int] = {}
    for item in items:
        if (item.name, item.load) in seen:
            first = f"first in line {seen[item.name, item.load]}" if item.line else "add the weights up"
            where = f" in load {item.load}" if item.load else ""
            yield Fault(file, item.line or None, "item", f"{item.name!r} stands twice{where}", first)
        seen.setdefault((item.name, item.load), item.line)


def as_typed(text: str, file: str, found: str = _NO_JSON, allowed: str = "the JSON of a blend") -> Any:
    """A JSON document with every figure as the text that was typed. Raises BadInput."""
    once = partial(_once, file)
    try:
        return json.loads(text, parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=once)
    except (json.JSONDecodeError, RecursionError) as error:
        refuse(file, found, allowed, getattr(error, "lineno", None))


def _once(file: str, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of a JSON document, in which no key stands twice."""
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            refuse(file, f"the key {key!r} stands twice", "once", None, key)
        found[key] = value
    return found


def weighed_in(data: dict[str, Any], file: str, part: str = "after") -> tuple[WeighedItem, ...]:
    """What a blend's document, its figures as typed, says was weighed. Raises BadInput with every fault."""
    faults: list[Fault] = []
    correction = data.get("correction")
    data = correction[part] if isinstance(correction, dict) and isinstance(correction.get(part), dict) else data
    items, loads = list(_weights(data, "", 0, file, faults)), data.get("loads")
    loads = [] if loads is None else loads
    if not isinstance(loads, list):
        faults.append(Fault(file, None, "loads", "the key 'loads' holds no list", _AS_BLEND))
    for number, load in enumerate(loads if isinstance(loads, list) else (), start=1):
        at = f"loads[{number}]"
        inside = list(_weights(load, f"{at}.", number, file, faults)) if isinstance(load, dict) else []
        items += inside
        faults += [] if inside else [Fault(file, None, at, "this load holds nothing", _AS_BLEND)]
    if not items and not faults:
        faults.append(Fault(file, None, None, "nothing was weighed", "a blend that was not made has no weights"))
    faults += _twice(items, file)
    BadInput.raise_for(faults)
    return tuple(items)


_AS_BLEND = "as in the JSON of a blend"


def held_back(text: str) -> Fraction | None:
    """Kilograms that a correction's document, read before without a fault, holds back; None where it holds none."""
    correction = as_typed(text, "the document").get("correction") if text.lstrip().startswith("{") else None
    kilograms = correction.get("held_back_kg") if isinstance(correction, dict) else None
    try:
        return None if kilograms is None else exact(kilograms) or None
    except NotANumber as error:
        refuse("the document", str(error), _PLAIN, None, "correction.held_back_kg")


def _weights(data: dict[str, Any], place: str, load: int, file: str, faults: list[Fault]) -> Iterator[WeighedItem]:
    """What the whole batch, or one load of it, weighs; ``place`` is where in the document that stands."""
    for key, name, weight in (("lots", "lot", "kg"), ("weigh_out", "item", "grams")):
        entries = data.get(key)
        if not isinstance(entries, list):
            faults.append(Fault(file, None, f"{place}{key}", f"the key {key!r} holds no list", _AS_BLEND))
        for i, entry in enumerate(entries if isinstance(entries, list) else (), start=1):
            at = f"{place}{key}[{i}]"
            if not isinstance(entry, dict) or not isinstance(entry.get(name), str):
                faults.append(Fault(file, None, at, f"no {name} here", _AS_BLEND))
                continue
            values = []
            for part in (weight, *(["held_kg"] if key == "lots" and entry.get("held_kg") is not None else [])):
                try:
                    values.append(exact(str(entry.get(part))))
                except NotANumber as error:
                    faults.append(Fault(file, None, f"{at}.{part}", str(error), _PLAIN))
                    break
            if values and values[0] < 0:
                faults.append(Fault(file, None, f"{at}.{weight}", "less than nothing", "zero or more"))
            held = values[1] if len(values) > 1 else None
            yield from [WeighedItem(entry[name], values[0] * UNITS[weight], 0, load, held)] if values else []
