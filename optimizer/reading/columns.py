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


COLUMNS: tuple[Column, ...] = (
    Column("lot", "", "", True, "name of the lot, text as typed, once in the table"),
    Column("on_hand_kg", "kg", AS_HELD, True, "stock; 0 keeps the lot in the table but out of the batch"),
    Column("on_hand_lb", "lb", AS_HELD, False, "stock in pounds, instead of on_hand_kg"),
    Column("fat_pct", "%", USABLE, True, "fat, percent by weight (27, not 0.27)"),
    Column("cost_per_kg", "money per kg", AS_HELD, True, "price; 0 for free trim"),
    Column("cost_per_lb", "money per lb", AS_HELD, False, "price per pound, instead of cost_per_kg"),
    Column("material", "", "", False, "what the lot is, such as pork shoulder"),
    Column("role", "meat or fat", "", False, "the side of a meat to fat ratio the lot counts on"),
    Column("species", "", "", False, "animal, such as pork or beef"),
    Column("protein_pct", "%", USABLE, False, "protein, percent by weight"),
    Column("moisture_pct", "%", USABLE, False, "water, percent by weight"),
    Column("salt_pct", "%", USABLE, False, "salt already added, percent by weight; blank is 0 unless cured"),
    Column("collagen_pct", "%", USABLE, False, "connective tissue: hydroxyproline times 8; some packs need it"),
    Column("use_by", "date", "", False, "last day of use, YYYY-MM-DD"),
    Column("received", "date", "", False, "day received, YYYY-MM-DD"),
    Column("pack_kg", "kg", AS_HELD, False, "weight of one pack where only whole packs are pulled"),
    Column("smallest_pull_kg", "kg", AS_HELD, False, "least weight worth pulling, if the lot is used at all; 0: any"),
    Column("smallest_remnant_kg", "kg", AS_HELD, False, "least weight to leave of it, unless it is emptied; 0: any"),
    Column("largest_pull_kg", "kg", AS_HELD, False, "most weight to pull for one batch"),
    Column("usable_pct", "%", AS_HELD, False, "share of the held weight that reaches the grinder; blank is 100"),
    Column("nitrite_ppm", "mg/kg", USABLE, False, "sodium nitrite already in the lot; blank is 0 unless cured"),
    Column("nitrate_ppm", "mg/kg", USABLE, False, "nitrate already in the lot; blank is 0 unless cured"),
    Column(
        "salvage_per_kg", "money per kg", AS_HELD, False, "worth if it is not used in time; below 0 if disposal costs"
    ),
    Column("use_up", "yes/no", "", False, "whether the whole lot must go into this batch; blank is no"),
    Column("rework", "yes/no", "", False, "whether the lot is finished or seasoned product worked in again"),
    Column("green_pct", "%", USABLE, False, "of rework: share of its weight that was green meat"),
    Column("original_nitrite_ppm", "mg/kg", USABLE, False, "of rework: nitrite put in then, on its green meat"),
    Column("fat_sd_pct", "points", USABLE, False, "standard deviation of the fat figure, percentage points"),
    Column("fat_method", "", "", False, "how the fat was measured, one of the methods listed below"),
    Column("cured", "yes/no", "", False, "whether the lot was cured before; blank is no"),
    Column("on_hold", "yes/no", "", False, "whether the lot must not be used for now; blank is no"),
)
"""Every known column, in the order it is published."""

KNOWN: Mapping[str, Column] = MappingProxyType({column.name: column for column in COLUMNS})

INSTEAD: Mapping[str, str] = MappingProxyType({"on_hand_kg": "on_hand_lb", "cost_per_kg": "cost_per_lb"})
"""A needed column and the one that may stand in its place."""

CLOSE = 0.89
"""Closeness from which a name counts as a slip; no source: tried on slips and honest names, see the tests."""

MOST_LISTED = 300
"""Letters of a header that a message repeats."""

_UNIT_WORDS = frozenset(("pct", "percent", "kg", "g", "mg", "lb", "lbs", "oz", "ppm", "per", "date"))


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
    if name in KNOWN:
        return None
    for same in (_plain, _letters):
        if found := _first_with(same, name):
            return found
    found = _first_with(_bare, name)
    if found and KNOWN[found].unit not in ("", "yes/no", "meat or fat"):
        return found
    by_plain = {_plain(known): known for known in KNOWN}
    close = get_close_matches(_plain(name), by_plain, n=1, cutoff=CLOSE)
    return by_plain[close[0]] if close else None


def free_names(header: Sequence[str]) -> tuple[str, ...]:
    """The names of a header that are neither known, nor slips, nor empty; each once, in order."""
    return tuple(dict.fromkeys(name for name in header if name and name not in KNOWN and not near_miss(name)))


def header_faults(header: Sequence[str], empty_columns: Sequence[bool], file: str, line: int) -> Iterator[Fault]:
    """Every fault of a header: names missing, twice, unnamed, misspelt, or in two units at once.

    ``empty_columns`` tells for each name whether nothing stands below it; an unnamed one is then no fault.
    """
    slips = {name: known for name in dict.fromkeys(header) if (known := near_miss(name))}
    for place, (name, empty) in enumerate(zip(header, empty_columns, strict=True), start=1):
        if not name and not empty:
            yield Fault(file, line, None, f"column {place} has cells but no name", "a name at the head of each column")
        if unprintable(name):
            yield Fault(
                file, line, None, f"the name {name!r} holds {hidden(name)}", "a name as it is seen, on one line"
            )
        if name and name in header[: place - 1]:
            yield Fault(file, line, name, f"column {name!r} stands twice", "each column once")
    for name in dict.fromkeys(header):
        if name not in KNOWN and name not in slips and name not in COUNTED and speaks_of_nitrite(name):
            counted = ", ".join(COUNTED)
            yield Fault(
                file, line, name, f"nothing counts the column {name!r}", f"nitrite and nitrate stand in {counted}"
            )
    for name, known in slips.items():
        yield Fault(file, line, name, f"{name!r} is not a known column", f"write {known}, or choose another name")
    for name, other in INSTEAD.items():
        if name in header and other in header:
            yield Fault(file, line, other, f"both {name} and {other} are given", "one of the two")
    found = {*header, *slips.values()}
    for column in COLUMNS:
        other = INSTEAD.get(column.name, "")
        if column.needed and not found & {column.name, other}:
            names = f"{column.name} or {other}" if other else column.name
            listed = ", ".join(map(repr, filter(None, header)))[:MOST_LISTED]
            yield Fault(file, line, column.name, f"a column {names} is missing", f"the header has {listed}")
