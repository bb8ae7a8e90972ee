"""The columns of a lots table that have a meaning of their own, and how a misspelt one is caught.

Any other column whose cells are all numbers is a free property under its own name. A slip in a known name
would therefore pass as a free property and its limit would silently not exist, so near misses are refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from types import MappingProxyType

from constraints.document import packaged_rows
from constraints.faults import Fault
from constraints.ingoing import COUNTED
from constraints.spelling import hidden, unprintable
from constraints.words import speaks_of_nitrite

AS_HELD = "as held"
USABLE = "usable"


@dataclass(frozen=True, slots=True)
class Column:
    """One known column: its unit, what its figure is counted on, and whether a table must have it.

    ``unit`` is empty for text. ``basis`` is "as held" for what lies in the cooler, bone and all, "usable" for
    the part that reaches the grinder, and empty where neither applies.
    """

    name: str
    unit: str
    basis: str
    needed: bool
    meaning: str


def columns_of(file: str) -> tuple[Column, ...]:
    """The columns in a table of this folder, which has a line for each in the order they are published."""
    return tuple(map(_column, packaged_rows("optimizer.reading", file)))


def _column(typed: Mapping[str, str]) -> Column:
    name, unit = typed["name"], typed["unit"]
    held = unit.removeprefix("money per ") in ("kg", "lb") or name == "usable_pct"
    basis = AS_HELD if held else USABLE if unit in ("%", "mg/kg", "points") else ""
    return Column(name, unit, basis, typed["needed"] == "yes", typed["meaning"])


_BY_WEIGHT = columns_of("columns.csv")
INSTEAD: Mapping[str, str] = MappingProxyType(
    {column.name: f"{column.name[:-2]}lb" for column in _BY_WEIGHT if column.name.endswith("kg")}
)
"""A column by the kilogram and its twin by the pound; each row fills one of the two."""
TWINS: Mapping[str, str] = MappingProxyType({**INSTEAD, **{lb: kg for kg, lb in INSTEAD.items()}})


def _with_twin(column: Column) -> tuple[Column, ...]:
    if column.name not in INSTEAD:
        return (column,)
    unit, meaning = column.unit.replace("kg", "lb"), f"in pounds, instead of {column.name}"
    return column, Column(INSTEAD[column.name], unit, column.basis, False, meaning)


COLUMNS: tuple[Column, ...] = tuple(one for column in _BY_WEIGHT for one in _with_twin(column))
"""Every known column, in the order it is published."""

KNOWN: Mapping[str, Column] = MappingProxyType({column.name: column for column in COLUMNS})

OTHER_WORDS = {"price_per_kg": "cost_per_kg", "price_per_lb": "cost_per_lb", "order_pack_kg": "pack_kg"}
"""Columns under other words that are asked for by their own."""
CLOSE = 0.89
"""Closeness from which a name counts as a slip; no source: tried on slips and honest names, see the tests."""

MOST_LISTED = 300
"""Letters of a header that a message repeats."""

_POUNDS = frozenset(("lb", "lbs", "pound", "pounds"))
_UNIT_WORDS = _POUNDS | {"pct", "percent", "kg", "g", "mg", "oz", "ppm", "per", "date"}


def _words(name: str) -> list[str]:
    spaced = name.replace("%", " pct ")
    return re.findall(r"[^\W\d_]+|\d+", spaced.casefold())


def _plain(name: str) -> str:
    return "".join(_words(name))


def _letters(name: str) -> str:
    """Equal for words in another order (pct_fat) and for letters in another order (slat_pct)."""
    return "".join(sorted(_plain(name)))


def _bare(name: str) -> str:
    """The name without its units: ``fat``, ``fat_g`` and ``fat (% by weight)`` are all about fat."""
    return "".join(word for word in _words(name) if word not in _UNIT_WORDS and not word.isdigit())


def _first_with(same: Callable[[str], str], name: str) -> str | None:
    wanted = same(name)
    return next((known for known in KNOWN if wanted and same(known) == wanted), None)


def near_miss(name: str) -> str | None:
    """Return the known column that ``name`` is most likely a slip of, or None for an honest name of its own.

    Compared without case and punctuation, then without order, without units, and last by closeness in
    spelling. A known name itself gives None.
    """
    if name in KNOWN or name in OTHER_WORDS:
        return OTHER_WORDS.get(name)
    for same in (_plain, _letters):
        if found := _first_with(same, name):
            return found
    found = _first_with(_bare, name)
    if found and KNOWN[found].unit not in ("", "yes/no", "meat or fat"):
        return found if _POUNDS.isdisjoint(_words(name)) else INSTEAD.get(found, found)
    by_plain = {_plain(known): known for known in KNOWN}
    close = get_close_matches(_plain(name), by_plain, n=1, cutoff=CLOSE)
    return by_plain[close[0]] if close else None


def _hint(name: str, known: str) -> str:
    """What to write for a slip: of a weight the column in the slip's own unit, or both where that is another."""
    meant = known
    if known in INSTEAD and "kg" not in _words(name):
        meant = f"{known} or {INSTEAD[known]}, in that unit"
    return f"write {meant}, or choose another name"


def free_names(header: Sequence[str]) -> tuple[str, ...]:
    """The names of a header that are neither known, nor slips, nor empty; each once, in order."""
    return tuple(dict.fromkeys(name for name in header if name and name not in KNOWN and not near_miss(name)))


def header_faults(header: Sequence[str], empty_columns: Sequence[bool], file: str, line: int) -> Iterator[Fault]:
    """Every fault of a header: names missing, twice, unnamed or misspelt.

    ``empty_columns`` tells for each name whether nothing stands below it; an unnamed one is then no fault.
    """
    slips = {name: known for name in dict.fromkeys(header) if (known := near_miss(name))}

    def fault(name: str | None, found: str, allowed: str) -> Fault:
        return Fault(file, line, name, found, allowed)

    for place, (name, empty) in enumerate(zip(header, empty_columns, strict=True), start=1):
        if not name and not empty:
            yield fault(None, f"column {place} has cells but no name", "a name at the head of each column")
        if unprintable(name):
            yield fault(None, f"the name {name!r} holds {hidden(name)}", "a name as it is seen, on one line")
        if name and name in header[: place - 1]:
            yield fault(name, f"column {name!r} stands twice", "each column once")
    for name in dict.fromkeys(header):
        if name in slips:
            yield fault(name, f"{name!r} is not a known column", _hint(name, slips[name]))
        elif name not in KNOWN and name not in COUNTED and speaks_of_nitrite(name):
            counted = f"nitrite and nitrate stand in {', '.join(COUNTED)}"
            yield fault(name, f"nothing counts the column {name!r}", counted)
    found = {*header, *slips.values()}
    for column in COLUMNS:
        names = [column.name, *filter(None, [INSTEAD.get(column.name)])]
        if column.needed and found.isdisjoint(names):
            listed = ", ".join(map(repr, filter(None, header)))[:MOST_LISTED]
            yield fault(column.name, f"a column {' or '.join(names)} is missing", f"the header has {listed}")
