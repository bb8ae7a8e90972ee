"""The columns of a lots table and of an offers table that have a meaning, and how a misspelt one is caught.

Any other column whose cells are all numbers is a free property under its own name. A slip in a known name
would therefore pass as a free property and its limit would silently not exist, so near misses are refused.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from types import MappingProxyType

from constraints.document import packaged_rows
from constraints.faults import Fault, hidden, unprintable
from constraints.ingoing import COUNTED
from constraints.words import speaks_of_nitrite
from optimizer.reading.table import Table

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

    @property
    def holds_figures(self) -> bool:
        """Whether its cells are numbers."""
        return self.unit not in ("", "date", "yes/no", "meat or fat")


def _columns_of(file: str) -> Iterator[Column]:
    """The columns in a table of this folder, which has a line for each in the order they are published."""
    for typed in packaged_rows("optimizer.reading", file):
        name, unit = typed["name"], typed["unit"]
        held = unit.removeprefix("money per ") in ("kg", "lb") or name == "usable_pct"
        basis = AS_HELD if held else USABLE if unit in ("%", "mg/kg", "points") else ""
        yield Column(name, unit, basis, typed["needed"] == "yes", typed["meaning"])


COLUMNS: tuple[Column, ...] = tuple(_columns_of("columns.csv"))
"""Every known column of a lots table, in the order it is published."""
OFFER_COLUMNS = tuple(_columns_of("offer_columns.csv"))
"""The columns of an offers table that a lots table does not have, or has with another meaning; published likewise."""
KNOWN: Mapping[str, Column] = MappingProxyType({column.name: column for column in COLUMNS})
OF_OFFERS: Mapping[str, Column] = MappingProxyType({**KNOWN, **{column.name: column for column in OFFER_COLUMNS}})
"""Every column that an offers table may have."""

NEEDED_OF_LOTS = tuple(column.name for column in COLUMNS if column.needed)
INSTEAD: Mapping[str, str] = MappingProxyType({lb[:-2] + "kg": lb for lb in OF_OFFERS if lb.endswith("lb")})
"""A column by the kilogram and its twin by the pound; each row fills one of the two."""
TWINS: Mapping[str, str] = MappingProxyType({**INSTEAD, **{lb: kg for kg, lb in INSTEAD.items()}})

OTHER_WORDS = {"price_per_kg": "cost_per_kg", "price_per_lb": "cost_per_lb", "order_pack_kg": "pack_kg"}
"""Columns under other words that are asked for by their own."""
CLOSE = 0.89
"""Closeness from which a name counts as a slip; no source: tried on slips and honest names, see the tests."""

MOST_LISTED = 300
"""Letters of a header that a message repeats."""

OWN = tuple(column.name for column in OFFER_COLUMNS)
PRICE = "cost_per_kg"
NEEDED = ("offer", "supplier", PRICE, "fat_pct")
"""Columns that every offers table has; in the simpler one of a batch neither supplier nor price is needed."""
PERIOD = ("offer", PRICE, INSTEAD[PRICE], "price_from", "price_to", "breaks")
"""Columns that a further row of the same offer may change."""
NOT_HERE = {
    "lot": "write offer", "on_hand_kg": "write largest_order_kg", "on_hand_lb": "write largest_order_lb",
    "received": "leave it out", "use_by": "write keeps_days", "on_hold": "leave it out", "use_up": "leave it out",
    "rework": "leave it out", "use_at_least_kg": "leave it out", "use_at_least_lb": "leave it out",
    **{name: f"write {known}, as in a lots table" for name, known in OTHER_WORDS.items()},
}  # fmt: skip
"""Columns that no week's offer has, and what to do about each."""

_POUNDS = frozenset(("lb", "lbs", "pound", "pounds"))
_UNIT_WORDS = _POUNDS | {"pct", "percent", "kg", "g", "mg", "oz", "ppm", "per", "date"}


def _words(name: str) -> list[str]:
    spaced = name.replace("%", " pct ")
    return re.findall(r"[^\W\d_]+|\d+", spaced.casefold())


def _plain(name: str) -> str:
    return "".join(_words(name))


def _bare(name: str) -> str:
    """The name without its units: ``fat``, ``fat_g`` and ``fat (% by weight)`` are all about fat."""
    return "".join(word for word in _words(name) if word not in _UNIT_WORDS and not word.isdigit())


def near_miss(name: str) -> str | None:
    """Return the known column of a lots table that ``name`` is most likely a slip of, or None for an honest name.

    Compared without case and punctuation, then without order, without units, and last by closeness in
    spelling. A known name itself gives None.
    """
    if name in KNOWN or name in OTHER_WORDS:
        return OTHER_WORDS.get(name)
    # sorted letters are equal for words in another order (pct_fat) and for letters in another order (slat_pct)
    for same in (_plain, lambda name: sorted(_plain(name)), _bare):
        found = next((known for known in KNOWN if same(name) and same(known) == same(name)), "")
        if found and (same is not _bare or KNOWN[found].unit not in ("", "yes/no", "meat or fat")):
            pounds = same is _bare and not _POUNDS.isdisjoint(_words(name))
            return INSTEAD.get(found, found) if pounds else found
    by_plain = {_plain(known): known for known in KNOWN}
    close = get_close_matches(_plain(name), by_plain, n=1, cutoff=CLOSE)
    return by_plain[close[0]] if close else None


def _hint(name: str, known: str) -> str:
    """What to write for a slip: of a weight the column in the slip's own unit, or both where that is another."""
    meant = known
    if known in INSTEAD and "kg" not in _words(name):
        meant = f"{known} or {INSTEAD[known]}, in that unit"
    return f"write {meant}, or choose another name"


def header_faults(
    table: Table, known: Collection[str] = KNOWN, needed: Iterable[str] = NEEDED_OF_LOTS
) -> Iterator[Fault]:
    """Every fault of a header: names missing, twice, misspelt, or none above cells that are filled.

    ``known`` and ``needed`` are columns, unless given those of a lots table.
    """
    header, fault = table.header, partial(table.fault, table.header_line)
    slips = {name: close for name in header if name not in known and (close := near_miss(name))}
    for place, name in enumerate(header):
        if not name and any(row[place].strip() for row in table.rows):
            yield fault(None, f"column {place + 1} has cells but no name", "a name at the head of each column")
        if unprintable(name):
            yield fault(None, f"the name {name!r} holds {hidden(name)}", "a name as it is seen, on one line")
        if name and name in header[:place]:
            yield fault(name, f"column {name!r} stands twice", "each column once")
    for name in dict.fromkeys(header):
        if name in slips:
            yield fault(name, f"{name!r} is not a known column", _hint(name, slips[name]))
        elif name not in known and name not in COUNTED and speaks_of_nitrite(name):
            counted = f"nitrite and nitrate stand in {', '.join(COUNTED)}"
            yield fault(name, f"nothing counts the column {name!r}", counted)
    found = {*header, *slips.values()}
    for name in needed:
        names = [name, *filter(None, [INSTEAD.get(name)])]
        if found.isdisjoint(names):
            listed = ", ".join(map(repr, filter(None, header)))[:MOST_LISTED]
            yield fault(name, f"a column {' or '.join(names)} is missing", f"the header has {listed}")
