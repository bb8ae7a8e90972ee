"""The lots table: what lies in the cooler, read from a CSV file, checked, and made into lots.

All checks run before the reader gives up, so that a table is mended once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cached_property
from types import MappingProxyType
from typing import Any

from constraints.document import read_text
from constraints.faults import BadInput, Fault, Severity
from constraints.formula import Figures
from constraints.numbers import KG_PER_LB, PERCENT, ZERO, NotANumber
from constraints.quantities import NITRATE, NITRITE, SALT, Kind, Lot
from optimizer.reading.columns import COLUMNS, INSTEAD, KNOWN, USABLE, free_names, header_faults
from optimizer.reading.lot_checks import (
    FLAGS,
    ROW_CHECKS,
    ROW_WARNINGS,
    SUSPICIONS,
    TABLE_CHECKS,
    TEXTS,
    LotRow,
    whole_of,
)
from optimizer.reading.table import Table, cut, figure, has_decimal_commas

_DATES = tuple(column.name for column in COLUMNS if column.unit == "date")
_PULLS = ("pack_kg", "smallest_pull_kg", "smallest_remnant_kg", "largest_pull_kg")
_NO_COMPOSITION = frozenset({"green_pct", "original_nitrite_ppm", "fat_sd_pct", "fat_as_typed_pct"})
_ZERO_UNLESS_CURED = (SALT, NITRITE, NITRATE)
_FIGURES = tuple(c.name for c in COLUMNS if c.unit and c.name not in (*FLAGS, *_DATES, "role"))
_COMPOSITION = frozenset(name for name in _FIGURES if KNOWN[name].basis == USABLE) - _NO_COMPOSITION
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_NUMBER_LIKE = re.compile(r"[+-]?\d+([.,]\d+)?", re.ASCII)


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
    return parse_lots(lots_text(path), "standard input" if path == "-" else path)


def lots_text(path: str) -> str:
    """The text of a lots table: a file, standard input for ``-``, or what a ledger has left. Raises BadInput."""
    from optimizer.ledger import is_ledger  # late: most kitchens have a table, and the database takes its time to load
    from optimizer.reading.stocked import exported

    return exported(path, learned=True) if path != "-" and is_ledger(path) else read_text(path)


def parse_lots(text: str, file: str) -> LotTable:
    """Read a lots table from text; ``file`` is the name that faults carry.

    Raises BadInput with every error and warning of the table if there is at least one error.
    """
    table, faults = cut(text, file)
    if table is None:
        raise BadInput(faults)
    rows, free, cell_faults = _read_cells(table, file)
    empty = [not any(row[place].strip() for row in table.rows) for place in range(len(table.header))]
    found = [*faults, *header_faults(table.header, empty, file, table.header_line), *cell_faults]
    if not rows and not faults:
        found.append(Fault(file, table.header_line, None, "no lot stands below the header", "a line for each lot"))
    for severity, checks in ((Severity.ERROR, ROW_CHECKS), (Severity.WARNING, ROW_WARNINGS)):
        found += [row.fault(*told, severity) for row in rows for check in checks for told in check(row)]
    found += [fault for table_check in TABLE_CHECKS for fault in table_check(rows)]
    whole = whole_of(rows)
    suspicious = [(row, [told for check in SUSPICIONS for told in check(row, whole)]) for row in rows]
    found += [row.fault(*one, Severity.WARNING) for row, told in suspicious for one in told]
    found.sort(key=lambda fault: fault.line or 0)
    if any(fault.severity is Severity.ERROR for fault in found):
        raise BadInput(found)
    lots = tuple(_lot(row, free, tuple(words for _, words, _ in told)) for row, told in suspicious)
    stated = [name for name in table.header if name in free or (name in _COMPOSITION and any(table.cells(name)))]
    pounds = sum(row.headed("on_hand_kg") != "on_hand_kg" for row in rows)
    return LotTable(file, lots, tuple(stated), tuple(found), 2 * pounds > len(rows))


def _read_cells(table: Table, file: str) -> tuple[list[LotRow], tuple[str, ...], list[Fault]]:
    """Read every cell; return the rows, the names of the free properties, and every fault of a cell."""
    typed = {name: table.cells(name) for name in table.header if name}
    comma = _uses_decimal_commas(table)
    figures: dict[str, list[Fraction | None]] = {}
    faults: list[Fault] = []
    for name in (name for name in _FIGURES if name in typed):
        figures[name], wrong = _read_figures(table, name, comma, file)
        faults += wrong
    free: list[str] = []
    for name in free_names(table.header):
        values, wrong = _read_figures(table, name, comma, file)
        if wrong:
            faults.append(_ignored(table, name, wrong))
        elif any(typed[name]):
            figures[name] = values
            free.append(name)
    rows: list[LotRow] = []
    for place, line in enumerate(table.lines):
        cells = {name: column[place] for name, column in typed.items()}
        given = {name: value for name, values in figures.items() if (value := values[place]) is not None}
        faults += _turn_pounds(given, file, line)
        days, wrong_days = _read_days(cells, file, line)
        faults += wrong_days
        rows.append(LotRow(file, line, cells, given, days))
    return rows, tuple(free), faults


def _uses_decimal_commas(table: Table) -> bool:
    """Whether 24,5 means twenty-four and a half here; never where a comma parts the cells.

    The known columns decide; only if they hold whole numbers alone, columns of nothing but numbers are asked.
    """
    if table.delimiter == ",":
        return False
    known = [cell for name in _FIGURES if name in table.header for cell in table.cells(name)]
    if has_decimal_commas(known):
        return True
    if any("." in cell for cell in known):
        return False
    further = [[cell for cell in table.cells(name) if cell] for name in free_names(table.header)]
    return any(has_decimal_commas(cells) for cells in further if all(map(_NUMBER_LIKE.fullmatch, cells)))


def _read_figures(table: Table, name: str, decimal_comma: bool, file: str) -> tuple[list[Fraction | None], list[Fault]]:
    """Read a column of numbers; a blank cell is None, and so is one that is no number, which is a fault."""
    read: dict[str, Fraction | None] = {"": None}  # percentages recur, and an exact number takes long to read
    faults: list[Fault] = []
    example = "24,5" if decimal_comma else "24.5"
    cells = table.cells(name)
    for line, cell in zip(table.lines, cells, strict=True):
        if read.get(cell) is None and cell:
            try:
                read[cell] = figure(cell, decimal_comma)
            except NotANumber as fault:
                read[cell] = None
                faults.append(Fault(file, line, name, str(fault), f"a plain number such as {example}"))
    return [read[cell] for cell in cells], faults


def _turn_pounds(figures: dict[str, Fraction], file: str, line: int) -> Iterator[Fault]:
    """Put what a row gives by the pound in the kilogram's column, exactly; both in one row is a fault."""
    for by_kg, by_lb in INSTEAD.items():
        pounds = figures.pop(by_lb, None)
        if pounds is not None and by_kg in figures:
            yield Fault(file, line, by_lb, f"both {by_kg} and {by_lb} are given", "one of the two in a row")
        elif pounds is not None:
            figures[by_kg] = pounds / KG_PER_LB if KNOWN[by_kg].unit.startswith("money") else pounds * KG_PER_LB


def _ignored(table: Table, name: str, wrong: Sequence[Fault]) -> Fault:
    """The warning that a further column is no property; it names the first bad cell if most are numbers."""
    first, line, what, needed = wrong[0], table.header_line, "it holds text", "only columns of numbers are used"
    if 2 * len(wrong) < sum(map(bool, table.cells(name))):
        line, what, needed = first.line or 0, first.found, "numbers or blanks alone, to be a property"
    return Fault(first.file, line, name, f"column {name!r} is ignored: {what}", needed, Severity.WARNING)


def _read_days(cells: Mapping[str, str], file: str, line: int) -> tuple[dict[str, date], list[Fault]]:
    days: dict[str, date] = {}
    faults: list[Fault] = []
    for name in filter(cells.get, _DATES):
        typed = cells[name]
        try:
            days[name] = date.fromisoformat(typed if _DAY.fullmatch(typed) else "")
        except ValueError:
            what = "is not a day of the calendar" if _DAY.fullmatch(typed) else "is not a date as it is written here"
            faults.append(Fault(file, line, name, f"{typed!r} {what}", "YYYY-MM-DD, such as 2026-03-09"))
    return days, faults


def _lot(row: LotRow, free: Sequence[str], suspicions: tuple[str, ...]) -> Lot:
    """Build the lot of a row without faults."""
    figures = row.figures
    usable = figures.get("usable_pct", Fraction(PERCENT)) / PERCENT
    known = {} if row.cured else dict.fromkeys(_ZERO_UNLESS_CURED, ZERO)
    stated = {name: value for name, value in figures.items() if name in _COMPOSITION or name in free}
    plain: dict[str, Any] = {name: row.typed.get(name, "") for name in (*TEXTS, "fat_method")}
    plain |= {name: figures.get(name) for name in _PULLS} | {flag: row.says(flag) for flag in FLAGS}
    return Lot(
        name=row.typed["lot"], kind=Kind.LOT, properties=MappingProxyType(known | stated), line=row.line, **plain,
        on_hand_kg=figures["on_hand_kg"], held_cost_per_kg=figures["cost_per_kg"], usable=usable,
        cost_per_kg=figures["cost_per_kg"] / usable, use_by=row.days.get("use_by"), received=row.days.get("received"),
        use_at_least_kg=figures.get("use_at_least_kg", ZERO), salvage_per_kg=figures.get("salvage_per_kg", ZERO),
        green=figures.get("green_pct", Fraction(PERCENT)) / PERCENT, fat_sd=figures.get("fat_sd_pct"),
        original_nitrite_ppm=figures.get("original_nitrite_ppm", ZERO),
        suspicions=suspicions,
    )  # fmt: skip
