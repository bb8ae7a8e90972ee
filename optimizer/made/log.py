"""Reading a probe log: a table as loggers write it, every figure as typed, every fault with its line.

Columns are known by the first word of their name (``ROLES``) or by what the command is told of them; temperatures end
in C or F. Times are stamps (``2026-11-25 06:10:00``, with or without an offset) or elapsed seconds to days.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from io import StringIO
from math import lcm

import numpy as np

from constraints.document import read_text
from constraints.faults import BadInput, Fault, Severity
from constraints.numbers import NotANumber, trimmed
from constraints.treatment import MINUTES, fahrenheit
from optimizer.made.curve import Curve, Whole
from optimizer.reading.table import delimiter_of, figure, has_decimal_commas

ROLES: dict[str, tuple[str, ...]] = {
    "core": ("core", "probe", "product", "internal", "centre", "center", "meat"),
    "surface": ("surface",),
    "chamber": ("chamber", "air", "oven", "smokehouse", "house", "room", "cooler"),
    "freezer": ("freezer",),
    "set": ("set", "setpoint"),
    "grind": ("grind", "grinder", "grinding"),
    "mix": ("mix", "mixer", "mixing", "batter"),
    "stuff": ("stuff", "stuffer", "stuffing"),
    "humidity": ("humidity", "rh"),
    "ph": ("ph",),
    "weight": ("weight",),
    "aw": ("aw",),
}
"""What a column holds, with the first words of names by which it is known."""
PLAIN = ("humidity", "ph", "weight", "aw")
"""The columns that are no temperatures: per cent, pH, any unit of weight, and water activity."""
ELAPSED = {
    "s": ("s", "sec", "second", "seconds"),
    "min": ("min", "mins", "minute", "minutes"),
    "h": ("h", "hr", "hour", "hours"),
    "d": ("d", "day", "days"),
}
_STAMP_WORDS = {"date", "time", "timestamp", "datetime", "stamp"}
_NO_READING = {"", "-", "--", "---", "nan", "na", "n/a", "null", "err", "error", "open", "fault"}
MOST_LOG_BYTES = 200_000_000
MOST_FAULTS = 20
"""Faults of one kind that are told one by one."""
MOST_DECIMALS = 6
COLDEST_F, HOTTEST_F = -120, 700
"""Degrees beyond which a figure is a sensor's sign for no reading; common practice, no source."""
_HEAD_WITHIN = 60
_DATE = re.compile(
    r"(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})[T ,]+(\d{1,2}):(\d\d)(?::(\d\d(?:\.\d{1,6})?))?\s*([AP]M)?", re.IGNORECASE
)
_ISO = "YYYY-MM-DD HH:MM:SS, with or without an offset such as +01:00"


@dataclass(frozen=True, eq=False)
class Log:
    """A log read: curves by what they hold (temperatures in Fahrenheit), the first moment, warnings."""

    file: str
    curves: Mapping[str, tuple[Curve, ...]]
    start: datetime | None
    minutes: Fraction
    warnings: tuple[Fault, ...]

    def of(self, role: str) -> tuple[Curve, ...]:
        """The curves that hold something."""
        return self.curves.get(role, ())

    def moment(self, minute: Fraction) -> str:
        """A minute of the log in words."""
        if self.start is None:
            return f"{trimmed(minute, 1)} min"
        return (self.start + timedelta(minutes=float(minute))).strftime("%a %H:%M")


@dataclass(frozen=True)
class _Rows:
    header: list[str]
    header_line: int
    rows: list[list[str]]
    lines: list[int]
    commas: bool


def read_log(path: str, unit: str | None = None, named: Mapping[str, str] | None = None) -> Log:
    """Read a log; ``unit`` is of temperatures whose column states none, ``named`` tells what odd columns hold.

    Raises BadInput with every fault of the file.
    """
    return parse_log(read_text(path, MOST_LOG_BYTES), "standard input" if path == "-" else path, unit, named)


def parse_log(text: str, file: str, unit: str | None = None, named: Mapping[str, str] | None = None) -> Log:
    """The same from text."""
    faults: list[Fault] = []
    table = _cut(text, file, faults)
    told = {name.casefold(): role for name, role in (named or {}).items()}
    stamps, elapsed, roles = _columns(table, file, unit, told, faults)
    if any(fault.severity is Severity.ERROR for fault in faults):
        raise BadInput(faults)
    columns = list(zip(*table.rows, strict=True))
    start, ticks, tick = _times(table, columns, stamps, elapsed, file, faults)
    keep = _in_order(table, ticks, file, faults, zoned=start is None or start.tzinfo is not None)
    curves: dict[str, list[Curve]] = {}
    for place, (role, scale) in roles.items():
        cells = columns[place]
        curve = _curve(table, place, cells, scale, (ticks, tick, keep), file, faults)
        if curve is not None:
            curves.setdefault(role, []).append(curve)
    warnings = tuple(fault for fault in faults if fault.severity is Severity.WARNING)
    if len(warnings) < len(faults):
        raise BadInput(faults)
    found = {role: tuple(every) for role, every in curves.items()}
    return Log(file, found, start, int(ticks[-1]) * tick, warnings)


def _cut(text: str, file: str, faults: list[Fault]) -> _Rows:
    """The rows of the table below the header; lines of a logger's own above it are passed over."""
    delimiter = delimiter_of(next((x for x in text.split("\n")[:_HEAD_WITHIN] if _has_times(x)), text))
    reader = csv.reader(StringIO(text.lstrip("\ufeff"), newline=""), delimiter=delimiter, strict=True)
    header: list[str] = []
    at, rows, lines, odd = 0, [], [], []
    try:
        for row in reader:
            if header:
                if len(row) != len(header):
                    row = row[: len(header)] if not "".join(row[len(header) :]).strip() else row
                    if len(row) != len(header):
                        odd += [(reader.line_num, len(row))] if "".join(row).strip() else []
                        continue
                rows.append(row)
                lines.append(reader.line_num)
            elif len(row) > 1 and any(_time_unit(cell) for cell in row):
                header, at = [cell.strip() for cell in row], reader.line_num
            elif reader.line_num > _HEAD_WITHIN:
                break
    except csv.Error as error:
        faults.append(Fault(file, reader.line_num, None, str(error), "a table as a logger or spreadsheet saves it"))
    if not header:
        found = "no line names a column of times" if text.strip() else "the log is empty"
        allowed = f"time, minutes, seconds, hours or days above its figures, and {', '.join(ROLES)}"
        raise BadInput([*faults, Fault(file, 1 if text.strip() else None, None, found, allowed)])
    if not rows:
        faults.append(Fault(file, at, None, "the log holds no reading", "a line a reading"))
    words = "one cell a column; where commas are decimal, semicolons between cells"
    faults += _some(file, [(n, None, f"{k} cells where the header has {len(header)}", words) for n, k in odd])
    commas = delimiter != "," and has_decimal_commas(cell for row in rows[:1000] for cell in row)
    return _Rows(header, at, rows, lines, commas)


def _has_times(line: str) -> bool:
    return any(_time_unit(cell) for cell in re.split("[,;\t]", line))


def _words(name: str) -> list[str]:
    return re.sub(r"[^\w°]|_", " ", name.casefold()).replace("°", " ").split()


def _time_unit(name: str) -> str | None:
    """``stamp``, or the unit of elapsed time, where a name is one of a column of times."""
    words = _words(name)
    if not words or not {*words[:-1]} <= _STAMP_WORDS | {"elapsed"}:
        return None
    if words[-1] in _STAMP_WORDS:
        return "stamp"
    return next((unit for unit, names in ELAPSED.items() if words[-1] in names), None)


def _columns(
    table: _Rows, file: str, unit: str | None, told: Mapping[str, str], faults: list[Fault]
) -> tuple[list[int], list[tuple[int, str]], dict[int, tuple[str, str]]]:
    """Places of stamps, of elapsed times, and of everything else with what it holds and its unit."""
    stamps: list[int] = []
    elapsed: list[tuple[int, str]] = []
    roles: dict[int, tuple[str, str]] = {}
    ignored = []
    for place, name in enumerate(table.header):
        time, role = _time_unit(name), told.get(name.casefold()) or _role(name)
        if time == "stamp":
            stamps.append(place)
        elif time is not None:
            elapsed.append((place, time))
        elif role is None:
            ignored += [name] if name else []
        else:
            scale = "" if role in PLAIN else _unit_of(name) or unit or ""
            if role not in PLAIN and not scale:
                found = f"{name} states neither C nor F"
                faults.append(Fault(file, table.header_line, name, found, "core_c or core_f, or --unit"))
            roles[place] = role, scale
    if bool(stamps) == bool(elapsed) or len(elapsed) > 1:
        found = f"{len(stamps) + len(elapsed)} columns of times"
        faults.append(Fault(file, table.header_line, None, found, "stamps or one column of elapsed time, not both"))
    for name in told.keys() - {column.casefold() for column in table.header}:
        faults.append(Fault(file, table.header_line, None, f"no column is named {name!r}", ", ".join(table.header)))
    if ignored:
        found = f"nothing is read from {', '.join(ignored)}"
        allowed = "--column NAME=core if it is a core's probe; or " + ", ".join(ROLES)
        faults.append(Fault(file, table.header_line, None, found, allowed, Severity.WARNING))
    return stamps, elapsed, roles


def _role(name: str) -> str | None:
    first = re.sub(r"\d+$", "", (_words(name) or [""])[0])
    joined = " ".join(_words(name))
    if joined.startswith(("water activity", "set point")):
        return "aw" if joined.startswith("water") else "set"
    return next((role for role, names in ROLES.items() if first in names), None)


def _unit_of(name: str) -> str | None:
    """C or F where the name ends in it."""
    last = (_words(name) or [""])[-1]
    return {"c": "C", "celsius": "C", "f": "F", "fahrenheit": "F", "degc": "C", "degf": "F"}.get(last)


def _times(
    table: _Rows,
    columns: Sequence[tuple[str, ...]],
    stamps: Sequence[int],
    elapsed: Sequence[tuple[int, str]],
    file: str,
    faults: list[Fault],
) -> tuple[datetime | None, Whole, Fraction]:
    """First moment (None for elapsed time), ticks of every row, and minutes a tick."""
    if elapsed:
        place, unit = elapsed[0]
        read, scale, bad = _figures(columns[place], table.commas, Fraction(1))
        bad |= {text for text, value in read.items() if value is None}
        faults += _bad_cells(table, place, columns[place], bad, file, "a plain number")
        ticks = np.array([read.get(cell) or 0 for cell in columns[place]], dtype=np.int64)
        return None, ticks, MINUTES[unit] / scale
    cells = (
        columns[stamps[0]]
        if len(stamps) == 1
        else [" ".join(x) for x in zip(*(columns[i] for i in stamps), strict=True)]
    )
    read_stamps, bad = _stamps(cells)
    faults += _bad_cells(table, stamps[0], cells, bad, file, _ISO + "; day and month told apart by some day past 12")
    moments = [read_stamps[cell] for cell in cells if cell in read_stamps]
    if len({moment.tzinfo is None for moment in moments}) > 1:
        faults.append(Fault(file, None, None, "some times have an offset and some have none", "all or none"))
    if any(fault.severity is Severity.ERROR for fault in faults):
        raise BadInput(faults)
    start, step = moments[0], timedelta(microseconds=1)
    ticks = np.array([(moment - start) // step for moment in moments], dtype=np.int64)
    return start, ticks, MINUTES["s"] / 1_000_000


def _stamps(cells: Sequence[str]) -> tuple[dict[str, datetime], set[str]]:
    """Every time as typed with its moment, those with an offset in UTC, and what could not be read."""
    found: dict[str, datetime] = {}
    other: dict[str, re.Match[str]] = {}
    bad: set[str] = set()
    for cell in dict.fromkeys(cells):
        try:
            moment = datetime.fromisoformat(cell.strip())
            found[cell] = moment if moment.tzinfo is None else moment.astimezone(UTC)
            if ":" not in cell:
                bad.add(cell)
        except ValueError:
            match = _DATE.fullmatch(cell.strip())
            other |= {cell: match} if match else {}
            bad |= set() if match else {cell}
    day_first = any(m[2] == "." or (len(m[1]) < 3 and int(m[1]) > 12) for m in other.values())
    month_first = any(len(m[1]) < 3 and int(m[3]) > 12 for m in other.values())
    for cell, m in other.items():
        try:
            found[cell] = _moment(m, day_first=day_first, month_first=month_first)
        except ValueError:
            bad.add(cell)
    return found, bad


def _moment(m: re.Match[str], *, day_first: bool, month_first: bool) -> datetime:
    """A date with slashes or points. Raises ValueError where day and month cannot be told apart, or are none."""
    first, second, third = int(m[1]), int(m[3]), int(m[4])
    if len(m[1]) == 4:
        year, month, day = first, second, third
    elif len(m[4]) == 4 and day_first != month_first:
        year, month, day = third, second if day_first else first, first if day_first else second
    else:
        raise ValueError
    hour = int(m[5])
    if m[8]:
        if not 1 <= hour <= 12:
            raise ValueError
        hour = hour % 12 + (12 if m[8].upper() == "PM" else 0)
    seconds = Fraction(m[7] or 0)
    return datetime(year, month, day, hour, int(m[6])) + timedelta(microseconds=int(seconds * 1_000_000))


def _in_order(table: _Rows, ticks: Whole, file: str, faults: list[Fault], *, zoned: bool) -> Whole:
    """Places of the rows to keep: a row that repeats the one before is passed over, a clock that goes back refused."""
    if not len(ticks):
        return ticks
    change = np.diff(ticks)
    back = "rows in order of time" + (
        "" if zoned else "; where clocks were changed, times with their offset, or minutes"
    )
    went = [(table.lines[i + 1], None, "the clock goes back here", back) for i in np.flatnonzero(change < 0).tolist()]
    same = np.flatnonzero(change == 0).tolist()
    unlike = [i for i in same if table.rows[i] != table.rows[i + 1]]
    words = "one line a moment; seconds where several are taken in a minute"
    faults += _some(file, went)
    faults += _some(file, [(table.lines[i + 1], None, "the same time again with other figures", words) for i in unlike])
    if len(same) > len(unlike):
        found = f"{len(same) - len(unlike)} rows stand twice, this the first; each is counted once"
        faults.append(Fault(file, table.lines[same[0] + 1], None, found, "", Severity.WARNING))
    return np.flatnonzero(np.concatenate(([True], change != 0)))


def _figures(
    cells: Sequence[str], commas: bool, factor: Fraction, unit: str = ""
) -> tuple[dict[str, int | None], int, set[str]]:
    """Every distinct cell as a whole number, the scale of these to the unit, and the cells that are no figure."""
    exact: dict[str, Fraction | None] = {}
    bad = set()
    for cell in set(cells):
        plain = cell.strip()
        try:
            value = None if plain.casefold() in _NO_READING else figure(plain, commas) * factor
        except NotANumber:
            bad.add(cell)
            continue
        if value is not None and (value * 10**MOST_DECIMALS).denominator != 1:
            bad.add(cell)
            continue
        exact[cell] = value if value is None or not unit else fahrenheit(value, unit)
        if unit and value is not None and not COLDEST_F <= (exact[cell] or 0) <= HOTTEST_F:
            bad.add(cell)
    scale = lcm(*(value.denominator for value in exact.values() if value is not None)) if exact else 1
    return {cell: None if value is None else int(value * scale) for cell, value in exact.items()}, scale, bad


def _curve(
    table: _Rows,
    place: int,
    cells: Sequence[str],
    unit: str,
    times: tuple[Whole, Fraction, Whole],
    file: str,
    faults: list[Fault],
) -> Curve | None:
    """One column as a curve; what it lacks is warned of where it is a temperature."""
    ticks, tick, keep = times
    name = table.header[place]
    read, scale, bad = _figures(cells, table.commas, Fraction(1), unit)
    allowed = f"a plain number of at most {MOST_DECIMALS} decimals that a probe can show; nothing where it fell out"
    faults += _bad_cells(table, place, cells, bad, file, allowed)
    values = [read.get(cell) for cell in cells]
    held = [i for i in keep.tolist() if values[i] is not None]
    if bad or not held:
        return None
    out = [i for i in keep.tolist() if values[i] is None]
    if unit and out:
        found = f"{name} has no reading in {len(out)} rows, this the first"
        faults.append(Fault(file, table.lines[out[0]], name, found, "the line is drawn across", Severity.WARNING))
    return Curve(name, ticks[held], np.array([values[i] for i in held], dtype=np.int64), tick, scale)


def _bad_cells(
    table: _Rows, place: int, cells: Sequence[str], bad: set[str], file: str, allowed: str
) -> Iterator[Fault]:
    if bad:
        name = table.header[place]
        rows = [i for i, cell in enumerate(cells) if cell in bad]
        yield from _some(
            file, [(table.lines[i], name, f"{cells[i].strip()[:40]!r} stands here", allowed) for i in rows]
        )


def _some(file: str, told: Sequence[tuple[int, str | None, str, str]]) -> Iterator[Fault]:
    """The first faults of a kind, and how many more there are."""
    for line, column, found, allowed in told[:MOST_FAULTS]:
        yield Fault(file, line, column, found, allowed)
    if len(told) > MOST_FAULTS:
        line, column, found, _ = told[MOST_FAULTS]
        yield Fault(file, line, column, f"{len(told) - MOST_FAULTS} more of these, this the first: {found}", "")
