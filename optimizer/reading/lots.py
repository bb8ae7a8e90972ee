"""The lots table: what lies in the cooler, read from a CSV file, checked, and made into lots.

All checks run before the reader gives up, so that a table is mended once. What a ledger has left is such a table too:
the cells of every lot as they were typed, and its balance.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cached_property, partial
from types import MappingProxyType
from typing import Any

from constraints.as_typed import KG_PER_LB, PERCENT, ZERO, BadInput, Fault, Severity, exact, refuse, trimmed
from constraints.confidence import UnknownMethod, method_named
from constraints.document import read_text
from constraints.document.parsing import label
from constraints.formula import Figures
from constraints.quantities import NITRATE, NITRITE, SALT, Kind, Lot
from optimizer.late import late
from optimizer.reading.lot_checks import FLAGS, TEXTS, TableRow, judged, out_of_range

from optimizer.reading.table import COLUMNS, INSTEAD, KNOWN, USABLE, Column, Table  # isort: skip
from optimizer.reading.table import csv_line, cut, header_faults, near_miss  # isort: skip

with late():  # most kitchens have a table
    import sqlite3

    from optimizer import ledger, taught as learning

_PULLS = ("pack_kg", "smallest_pull_kg", "smallest_remnant_kg", "largest_pull_kg")
_NO_COMPOSITION = frozenset({"green_pct", "original_nitrite_ppm", "fat_sd_pct", "fat_as_typed_pct"})
_ZERO_UNLESS_CURED = (SALT, NITRITE, NITRATE)
_COMPOSITION = frozenset(column.name for column in COLUMNS if column.basis == USABLE) - _NO_COMPOSITION
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


@dataclass(frozen=True)
class LotTable:
    """The lots of one file in file order, and what was suspicious about them.

    ``properties`` names, in file order, each composition column and each free numeric column with at least
    one figure. ``in_pounds`` is True where most lots state their stock in pounds. Salt, nitrite and nitrate are zero
    in a lot not marked cured even where the file has no such column.
    """

    file: str
    lots: tuple[Lot, ...]
    properties: tuple[str, ...]
    warnings: tuple[Fault, ...]
    in_pounds: bool = False

    @cached_property
    def figures(self) -> Figures:
        """The quantities of all lots, reckoned once for every recipe."""
        return Figures(self.lots)


def read_lots(path: str) -> LotTable:
    """Read the lots file at ``path``, or standard input for ``-``; raises BadInput with every fault of it."""
    return parse_lots(lots_text(path), label(path))


def lots_text(path: str) -> str:
    """The text of a lots table: a file, standard input for ``-``, or what a ledger has left. Raises BadInput."""
    return exported(path, learned=True) if path != "-" and ledger.is_ledger(path) else read_text(path)


def parse_lots(text: str, file: str) -> LotTable:
    """Read a lots table from text; ``file`` is the name that faults carry.

    Raises BadInput with every error and warning of the table if there is at least one error.
    """
    table = cut(text, file)
    rows, free, told = read_rows(table)
    if not rows and not table.faults:
        told.append(table.fault(table.header_line, None, "no lot stands below the header", "a line for each lot"))
    judgement, suspicions = judged(rows)
    found = [*table.faults, *header_faults(table), *told, *judgement]
    found.sort(key=lambda fault: fault.line or 0)
    BadInput.raise_for(found)
    lots = tuple(lot_of(row, free, words) for row, words in zip(rows, suspicions, strict=True))
    stated = [name for name in table.header if name in free or (name in _COMPOSITION and any(table.cells(name)))]
    pounds = sum(row.headed("on_hand_kg") != "on_hand_kg" for row in rows)
    return LotTable(file, lots, tuple(stated), tuple(found), 2 * pounds > len(rows))


def read_rows(table: Table, known: Mapping[str, Column] = KNOWN) -> tuple[list[TableRow], tuple[str, ...], list[Fault]]:
    """Read every cell below the ``known`` columns and below those of nothing but numbers.

    Returns the rows, the names of the free properties, and every fault of a cell, figures out of range included.
    """
    typed = {name: table.cells(name) for name in table.header if name}
    numbers = [name for name, column in known.items() if column.holds_figures and name in typed]
    days = [name for name, column in known.items() if column.unit == "date" and name in typed]
    further = [name for name in typed if name not in known and not near_miss(name)]
    commas = table.has_decimal_commas(numbers, further)
    number = partial(exact, decimal_comma=commas), f"a plain number such as {'24,5' if commas else '24.5'}"
    read: dict[str, list[Any]] = {}
    faults: list[Fault] = []
    for name in (*numbers, *further, *days):
        read[name], wrong = _read_cells(table, name, *(_A_DAY if name in days else number))
        faults += [_ignored(table, name, wrong)] if wrong and name in further else wrong
        if name in further and (wrong or not any(typed[name])):
            del read[name]
    rows: list[TableRow] = []
    for place, line in enumerate(table.lines):
        cells = {name: column[place] for name, column in typed.items()}
        given = {name: value for name, values in read.items() if (value := values[place]) is not None}
        dates = {name: given.pop(name) for name in days if name in given}
        for by_kg, by_lb in INSTEAD.items():
            faults += _turn_pounds(table, given, by_kg, by_lb, line) if by_lb in known and by_lb in given else ()
        rows.append(TableRow(table, line, cells, given, dates, commas))
        faults += [rows[-1].fault(*told) for told in out_of_range(rows[-1], known)]
    return rows, tuple(name for name in further if name in read), faults


def _read_cells(table: Table, name: str, read: Callable[[str], Any], allowed: str) -> tuple[list[Any], list[Fault]]:
    """Read the cells of a column; a blank one is None, and so is one that cannot be read, which is a fault."""
    known: dict[str, Any] = {"": None}  # percentages recur, and an exact number takes long to read
    faults: list[Fault] = []
    cells = table.cells(name)
    for line, cell in zip(table.lines, cells, strict=True):
        if known.get(cell) is None and cell:
            try:
                known[cell] = read(cell)
            except ValueError as fault:
                known[cell] = None
                faults.append(table.fault(line, name, str(fault), allowed))
    return [known[cell] for cell in cells], faults


def _day(typed: str) -> date:
    """Read a day. Raises ValueError."""
    if not _DAY.fullmatch(typed):
        raise ValueError(f"{typed!r} is not a date as it is written here")
    try:
        return date.fromisoformat(typed)
    except ValueError:
        raise ValueError(f"{typed!r} is not a day of the calendar") from None


_A_DAY = _day, "YYYY-MM-DD, such as 2026-03-09"


def _turn_pounds(table: Table, figures: dict[str, Fraction], by_kg: str, by_lb: str, line: int) -> Iterator[Fault]:
    """Put what a row gives by the pound in the kilogram's column, exactly; both in one row is a fault."""
    pounds = figures.pop(by_lb)
    if by_kg in figures:
        yield table.fault(line, by_lb, f"both {by_kg} and {by_lb} are given", "one of the two in a row")
    else:
        figures[by_kg] = pounds / KG_PER_LB if "_per_" in by_kg else pounds * KG_PER_LB


def _ignored(table: Table, name: str, wrong: Sequence[Fault]) -> Fault:
    """The warning that a further column is no property; it names the first bad cell if most are numbers."""
    first, line, what, needed = wrong[0], table.header_line, "it holds text", "only columns of numbers are used"
    if 2 * len(wrong) < sum(map(bool, table.cells(name))):
        line, what, needed = first.line or 0, first.found, "numbers or blanks alone, to be a property"
    return table.fault(line, name, f"column {name!r} is ignored: {what}", needed, Severity.WARNING)


def lot_of(row: TableRow, free: Sequence[str], suspicions: tuple[str, ...]) -> Lot:
    """Build the lot of a row without faults."""
    figures = row.figures
    usable, price = figures.get("usable_pct", Fraction(PERCENT)) / PERCENT, figures.get("cost_per_kg", ZERO)
    known = {} if row.says("cured") else dict.fromkeys(_ZERO_UNLESS_CURED, ZERO)
    stated = {name: value for name, value in figures.items() if name in _COMPOSITION or name in free}
    plain: dict[str, Any] = {name: row.typed.get(name, "") for name in (*TEXTS, "fat_method")}
    plain |= {name: figures.get(name) for name in _PULLS} | {flag: row.says(flag) for flag in FLAGS}
    return Lot(
        name=row.typed["lot"], kind=Kind.LOT, properties=MappingProxyType(known | stated), line=row.line, **plain,
        on_hand_kg=figures["on_hand_kg"], held_cost_per_kg=price, usable=usable,
        cost_per_kg=price / usable, use_by=row.days.get("use_by"), received=row.days.get("received"),
        use_at_least_kg=figures.get("use_at_least_kg", ZERO), salvage_per_kg=figures.get("salvage_per_kg", ZERO),
        green=figures.get("green_pct", Fraction(PERCENT)) / PERCENT, fat_sd=figures.get("fat_sd_pct"),
        original_nitrite_ppm=figures.get("original_nitrite_ppm", ZERO),
        suspicions=suspicions,
    )  # fmt: skip


def exported(path: str, *, every: bool = False, learned: bool = False) -> str:
    """The lots that are there as a lots table, every cell as it was typed. Raises BadInput where it cannot be read.

    ``every`` adds those that are used up, ``learned`` puts what the tests say of each lot's fat in place of what was
    typed, and that beside it.
    """
    try:
        with ledger.opened(path) as base:
            (mark,) = base.execute("SELECT value FROM setting WHERE name = 'delimiter'").fetchone() or (",",)
            told = taught(base) if learned else None
            rows = [
                _held(cells, left, mark) | (_as_told(told, name, cells, mark) if told else {})
                for name, cells, product, left in ledger.lots_of(base)
                if not product and (every or left or not _typed(cells, mark))
            ]
    except ledger.NotRecorded as error:
        refuse(path, str(error), "a ledger that trimwright stock made")
    header = list(dict.fromkeys(key for row in rows for key in row)) or ["lot", "on_hand_kg", "fat_pct", "cost_per_kg"]
    lines = [header, *([row.get(name, "") for name in header] for row in rows)]
    return "".join(f"{csv_line(line, mark)}\n" for line in lines)


def taught(base: sqlite3.Connection) -> learning.Taught | None:
    """What the tests recorded say together of the lots' fat; None where nothing can be learnt.

    A lot of no stated error is known by its own first test; a test of a batch with one that has none teaches nothing.
    """
    rows = base.execute("SELECT item FROM live WHERE kind = 'test' ORDER BY id").fetchall()
    tests = [
        learning.Assay({name: Fraction(share) for name, share in kept["shares"].items()},
              *(Fraction(kept[key]) for key in ("fat_pct", "sd", "rest")))
        for kept in (json.loads(item) for (item,) in rows)
    ]  # fmt: skip
    cells = {name: found for name, found, _, _ in ledger.lots_of(base)}
    known: dict[str, tuple[Fraction, Fraction]] = {}
    for name in dict.fromkeys(name for test in tests for name in test.shares):
        stated = _stated(cells[name])
        own = next((test for test in tests if set(test.shares) == {name}), None)
        if stated is not None:
            known[name] = stated
        elif own is not None:
            known[name] = own.figure, own.sd
            tests.remove(own)
    tests = [test for test in tests if all(name in known for name in test.shares)]
    return learning.estimate(known, tests) if known else None


def _stated(cells: Mapping[str, str]) -> tuple[Fraction, Fraction] | None:
    """A lot's fat and its standard deviation as typed, or by its method; None where neither is stated."""
    commas = any("," in cells.get(key, "") for key in ("fat_pct", "fat_sd_pct"))
    fat = exact(cells.get("fat_pct") or "0", commas)
    if cells.get("fat_sd_pct"):
        return fat, exact(cells["fat_sd_pct"], commas)
    with suppress(KeyError, UnknownMethod):
        return fat, method_named(cells["fat_method"]).sd(fat)
    return None


def _as_told(told: learning.Taught, name: str, cells: Mapping[str, str], delimiter: str) -> dict[str, str]:
    """The cells of a lot's fat by the tests, and as typed; none where no test is of it."""
    if name not in told.known:
        return {}
    commas = delimiter != "," and any("," in cell for cell in cells.values())
    (fat, sd), typed = told.of(name), exact(cells.get("fat_pct") or "0", commas)
    lean = {key: exact(cells[key], commas) for key in learning.LEAN if cells.get(key) and typed < PERCENT}
    new = {"fat_pct": fat, "fat_sd_pct": sd, **{k: x * (PERCENT - fat) / (PERCENT - typed) for k, x in lean.items()}}
    said = {key: trimmed(value, 3).replace(".", "," if commas else ".") for key, value in new.items()}
    return said | {"fat_as_typed_pct": cells.get("fat_pct", "")}


def _typed(cells: Mapping[str, str], delimiter: str) -> Fraction:
    """Kilograms of a lot as its table had them."""
    key = "on_hand_kg" if cells.get("on_hand_kg") else "on_hand_lb"
    read = exact(cells.get(key) or "0", delimiter != "," and "," in cells.get(key, ""))
    return read if key == "on_hand_kg" else read * KG_PER_LB


def _held(cells: dict[str, str], left: Fraction, delimiter: str) -> dict[str, str]:
    """The cells with what is left of the lot; as typed where all of it is there."""
    if left == _typed(cells, delimiter):
        return cells
    pounds = "on_hand_lb" in cells and not cells.get("on_hand_kg")
    said = trimmed(left / KG_PER_LB if pounds else left, 10)
    commas = delimiter != "," and any("," in cell for cell in cells.values())
    return cells | {"on_hand_lb" if pounds else "on_hand_kg": said.replace(".", ",") if commas else said}
