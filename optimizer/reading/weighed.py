"""Reading what was actually weighed: a small table, or the JSON document of a blend with the weights corrected."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from constraints.document import read_text
from constraints.faults import BadInput, Fault, meant
from constraints.numbers import G_PER_KG, KG_PER_LB, OZ_PER_LB, NotANumber, exact, trimmed
from optimizer.reading.table import cut, figure, has_decimal_commas

UNITS = {"kg": Fraction(1), "grams": Fraction(1, G_PER_KG), "lb": KG_PER_LB, "oz": KG_PER_LB / OZ_PER_LB}
"""Columns that may hold a weight, and kilograms in one unit. Pounds and ounces in one row are added."""


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
    return parse_weighed(read_text(path), "standard input" if path == "-" else path, recipe)


def parse_weighed(text: str, file: str, recipe: str = "", part: str = "after") -> tuple[WeighedItem, ...]:
    """Read what was weighed from text: JSON where it starts with a brace, else a table.

    Of a correction's document it is the corrected batch, or another ``part`` of it: ground or add.
    """
    if text.lstrip().startswith("{"):
        return tuple(_from_json(text, file, recipe, part))
    return tuple(_from_table(text, file))


def _from_table(text: str, file: str) -> Iterator[WeighedItem]:
    table, faults = cut(text, file)
    found = list(faults)
    if table is None:
        raise BadInput(found)
    names, known = table.header, ["item", LOAD, *UNITS]
    for name in names:
        if name not in known:
            hint = meant(name, known, f"columns are {', '.join(known)}")
            found.append(Fault(file, table.header_line, name, f"unknown column {name!r}", hint))
    for name in sorted({name for name in names if names.count(name) > 1}):
        found.append(Fault(file, table.header_line, name, f"the column {name!r} stands twice", "once"))
    if "item" not in names or not any(unit in names for unit in UNITS):
        allowed = f"item and one of {', '.join(UNITS)}"
        found.append(Fault(file, table.header_line, None, "a column is missing", allowed))
    if found:
        raise BadInput(found)
    commas = table.delimiter != "," and has_decimal_commas(cell for row in table.rows for cell in row)
    items = []
    for row, line in zip(table.rows, table.lines, strict=True):
        try:
            items.append(_line(dict(zip(names, map(str.strip, row), strict=True)), line, commas))
        except _Wrong as wrong:
            found += [Fault(file, line, *told) for told in wrong.args]
    found += _twice(items, file)
    if not items and not found:
        found.append(Fault(file, None, None, "nothing was weighed", "one line an item"))
    if found:
        raise BadInput(found)
    if LOAD in names:
        yield from _summed(items)
    yield from items


def _summed(items: Sequence[WeighedItem]) -> Iterator[WeighedItem]:
    """The whole batch of what was weighed load by load."""
    whole: dict[str, WeighedItem] = {}
    for item in items:
        had = whole.get(item.name)
        whole[item.name] = replace(item, load=0, kilograms=item.kilograms + (had.kilograms if had else 0))
    yield from whole.values()


class _Wrong(Exception):
    """What is wrong with a line: columns, what was found in each, and what is allowed."""


def _line(cells: dict[str, str], line: int, commas: bool) -> WeighedItem:
    """What a line says. Raises _Wrong."""
    name, given = cells["item"], [unit for unit in UNITS if cells.get(unit)]
    if not name:
        raise _Wrong(("item", "an item without a name", "a lot or an addition"))
    if len(given) != 1 and given != ["lb", "oz"]:
        found = f"{name} has {len(given)} weights" if given else f"{name} has no weight"
        raise _Wrong((None, found, "exactly one, or pounds with ounces"))
    values, wrong = [], []
    for unit in given:
        try:
            values.append(figure(cells[unit], commas))
            wrong += [(unit, f"{name} weighs less than nothing", "zero or more")] if values[-1] < 0 else []
        except NotANumber as error:
            wrong.append((unit, str(error), "a plain decimal number"))
    if wrong:
        raise _Wrong(*wrong)
    if len(given) > 1 and values[1] >= OZ_PER_LB:
        found = f"{name} has pounds and {trimmed(values[1])} ounces"
        raise _Wrong(("oz", found, f"with pounds, under {OZ_PER_LB} ounces"))
    load = cells.get(LOAD, "0")  # the whole batch where the table has no loads
    sound = load.isascii() and load.isdigit() and len(load) < len(str(MOST_LOADS))
    if LOAD in cells and not (sound and int(load)):
        found = f"{name} is of load {load!r}" if load else f"{name} names no load"
        raise _Wrong((LOAD, found, f"a whole number from 1 to {MOST_LOADS - 1}"))
    weights = (value * UNITS[unit] for value, unit in zip(values, given, strict=True))
    return WeighedItem(name, sum(weights, Fraction(0)), line, int(load))


def _twice(items: Sequence[WeighedItem], file: str) -> Iterator[Fault]:
    seen: dict[tuple[str, int], int] = {}
    for item in items:
        if (item.name, item.load) in seen:
            first = f"first in line {seen[item.name, item.load]}" if item.line else "add the weights up"
            where = f" in load {item.load}" if item.load else ""
            yield Fault(file, item.line or None, "item", f"{item.name!r} stands twice{where}", first)
        seen.setdefault((item.name, item.load), item.line)


class Twice(Exception):
    """A key that stands twice in one object of a JSON document."""


def as_typed(text: str) -> Any:
    """A JSON document with every figure as the text that was typed. Raises Twice, ValueError and RecursionError."""
    return json.loads(text, parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=_once)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise Twice(next(key for i, (key, _) in enumerate(pairs) if key in [k for k, _ in pairs[:i]]))
    return found


def _from_json(text: str, file: str, recipe: str, part: str) -> Iterator[WeighedItem]:
    try:
        data = as_typed(text)
    except Twice as error:
        raise BadInput([Fault(file, None, str(error), f"the key {str(error)!r} stands twice", "once")]) from None
    except (json.JSONDecodeError, RecursionError) as error:
        line = getattr(error, "lineno", None)
        raise BadInput([Fault(file, line, None, "this is not one JSON document", "the JSON of a blend")]) from None
    if recipe and data.get("recipe", recipe) != recipe:
        raise BadInput([Fault(file, None, "recipe", f"it is of {data['recipe']!r}", f"a batch of {recipe!r}")])
    yield from weighed_in(data, file, part)


def weighed_in(data: dict[str, Any], file: str, part: str = "after") -> tuple[WeighedItem, ...]:
    """What a blend's document, its figures as typed, says was weighed. Raises BadInput with every fault."""
    faults: list[Fault] = []
    correction = data.get("correction")
    data = correction[part] if isinstance(correction, dict) and isinstance(correction.get(part), dict) else data
    items = list(_weights(data, "", 0, file, faults))
    loads = data.get("loads")
    if loads is not None and not isinstance(loads, list):
        faults.append(Fault(file, None, "loads", "the key 'loads' holds no list", _AS_BLEND))
    for number, load in enumerate(loads if isinstance(loads, list) else (), start=1):
        at = f"loads[{number}]."
        inside = list(_weights(load, at, number, file, faults)) if isinstance(load, dict) else []
        if not inside:
            faults.append(Fault(file, None, at[:-1], "this load holds nothing", _AS_BLEND))
        items += inside
    if not items and not faults:
        faults.append(Fault(file, None, None, "nothing was weighed", "a blend that was not made has no weights"))
    faults += _twice(items, file)
    if faults:
        raise BadInput(faults)
    return tuple(items)


_AS_BLEND = "as in the JSON of a blend"


def held_back(text: str) -> Fraction | None:
    """Kilograms that a correction's document, read before without a fault, holds back; None where it holds none."""
    correction = as_typed(text).get("correction") if text.lstrip().startswith("{") else None
    kilograms = correction.get("held_back_kg") if isinstance(correction, dict) else None
    try:
        return None if kilograms is None else exact(kilograms) or None
    except NotANumber as error:
        said, key = str(error), "correction.held_back_kg"
        raise BadInput([Fault("the document", None, key, said, "a plain decimal number")]) from None


def _weights(data: dict[str, Any], place: str, load: int, file: str, faults: list[Fault]) -> Iterator[WeighedItem]:
    """What the whole batch, or one load of it, weighs; ``place`` is where in the document that stands."""
    for key, name, weight in (("lots", "lot", "kg"), ("weigh_out", "item", "grams")):
        entries = data.get(key)
        if not isinstance(entries, list):
            faults.append(Fault(file, None, f"{place}{key}", f"the key {key!r} holds no list", _AS_BLEND))
            continue
        for i, entry in enumerate(entries, start=1):
            at = f"{place}{key}[{i}]"
            if not isinstance(entry, dict) or not isinstance(entry.get(name), str):
                faults.append(Fault(file, None, at, f"no {name} here", _AS_BLEND))
                continue
            part, held = weight, None
            try:
                value = exact(str(entry.get(weight)))
                if value < 0:
                    faults.append(Fault(file, None, f"{at}.{weight}", "less than nothing", "zero or more"))
                if key == "lots" and entry.get("held_kg") is not None:
                    part = "held_kg"
                    held = exact(str(entry[part]))
            except NotANumber as error:
                faults.append(Fault(file, None, f"{at}.{part}", str(error), "a plain decimal number"))
                continue
            yield WeighedItem(entry[name], value * UNITS[weight], load=load, held_kg=held)
