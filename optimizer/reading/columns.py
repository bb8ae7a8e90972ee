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

from constraints.cure import COUNTED
from constraints.faults import Fault
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


def _column(name: str, unit: str, meaning: str, *, needed: bool = False) -> Column:
    usable, held = unit in ("%", "mg/kg", "points"), unit in ("kg", "money per kg") or name == "usable_pct"
    basis = AS_HELD if held else USABLE if usable else ""
    return Column(name, unit, basis, needed, meaning)


_BY_WEIGHT = (
    _column("lot", "", "name of the lot, text as typed, once in the table", needed=True),
    _column("on_hand_kg", "kg", "stock; 0 keeps the lot in the table but out of the batch", needed=True),
    _column("fat_pct", "%", "fat, percent by weight (27, not 0.27)", needed=True),
    _column("cost_per_kg", "money per kg", "price; 0 for free trim", needed=True),
    _column("material", "", "what the lot is, such as pork shoulder"),
    _column("role", "meat or fat", "the side of a meat to fat ratio the lot counts on"),
    _column("species", "", "animal, such as pork or beef"),
    _column("protein_pct", "%", "protein, percent by weight"),
    _column("moisture_pct", "%", "water, percent by weight"),
    _column("salt_pct", "%", "salt already added, percent by weight; blank is 0 unless cured"),
    _column("collagen_pct", "%", "connective tissue: hydroxyproline times 8; some packs need it"),
    _column("use_by", "date", "last day of use, YYYY-MM-DD"),
    _column("received", "date", "day received, YYYY-MM-DD"),
    _column("pack_kg", "kg", "weight of one pack where only whole packs are pulled"),
    _column("smallest_pull_kg", "kg", "least weight worth pulling, if the lot is used at all; 0: any"),
    _column("smallest_remnant_kg", "kg", "least weight to leave of it, unless it is emptied; 0: any"),
    _column("largest_pull_kg", "kg", "most weight to pull for one batch"),
    _column("use_at_least_kg", "kg", "least weight that must go into this batch, or over a week into all; blank is 0"),
    _column("usable_pct", "%", "share of the held weight that reaches the grinder; blank is 100"),
    _column("nitrite_ppm", "mg/kg", "sodium nitrite already in the lot; blank is 0 unless cured"),
    _column("nitrate_ppm", "mg/kg", "nitrate already in the lot; blank is 0 unless cured"),
    _column("salvage_per_kg", "money per kg", "worth if it is not used in time; below 0 if disposal costs"),
    _column("use_up", "yes/no", "whether the whole lot must go into this batch; blank is no"),
    _column("rework", "yes/no", "whether the lot is finished or seasoned product worked in again"),
    _column("green_pct", "%", "of rework: share of its weight that was green meat"),
    _column("original_nitrite_ppm", "mg/kg", "of rework: nitrite put in then, on its green meat"),
    _column("fat_sd_pct", "points", "standard deviation of the fat figure, percentage points"),
    _column("fat_as_typed_pct", "%", "fat as it was typed, where a ledger's tests say otherwise now"),
    _column("fat_method", "", "how the fat was measured, one of the methods listed below"),
    _column("cured", "yes/no", "whether the lot was cured before; blank is no"),
    _column("on_hold", "yes/no", "whether the lot must not be used for now; blank is no"),
)

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
