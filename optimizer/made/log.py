"""Reading a probe log: a table as loggers write it, every figure as typed, every fault with its line.

Columns are known by the first word of their name (``ROLES``) or by what the command is told of them; temperatures end
in C or F. Times are stamps (``2026-11-25 06:10:00``, with or without an offset) or elapsed seconds to days.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from math import lcm

import numpy as np

from constraints.as_typed import BadInput, Fault, NotANumber, Severity, exact, refuse
from constraints.document import packaged_rows
from constraints.treatment import MINUTES, fahrenheit
from optimizer.made.curve import Readings, Whole
from optimizer.reading.table import cut, has_decimal_commas

_PROBES = packaged_rows("optimizer.made", "probes.csv")
ROLES = {row["holds"]: tuple(row["names"].split(" / ")) for row in _PROBES}
"""What a column holds, with the beginnings of names by which it is known."""
PLAIN = [row["holds"] for row in _PROBES if not row["degrees"]]
"""The columns that are no temperatures: per cent, pH, any unit of weight, and water activity."""
ELAPSED = {"s": "s sec second seconds", "min": "min mins minute minutes", "h": "h hr hour hours", "d": "d day days"}
"""Units of elapsed time, with the words by which each is known."""
_UNITS = {"c": "C", "celsius": "C", "f": "F", "fahrenheit": "F", "degc": "C", "degf": "F"}
_STAMP_WORDS = {"date", "time", "timestamp", "datetime", "stamp"}
_NO_READING = {"", "-", "--", "---", "nan", "na", "n/a", "null", "err", "error", "open", "fault"}
MOST_LOG_BYTES = 200_000_000
MOST_FAULTS = 20
"""Faults of one kind that are told one by one."""
MOST_DECIMALS = 6
COLDEST_F, HOTTEST_F = -120, 700
"""Degrees beyond which a figure is a sensor's sign for no reading; common practice, no source."""
LARGEST = 10**9
"""Beyond it no elapsed time, weight or percentage is meant."""
_HEAD_WITHIN = 60
_NONE = -(2**62)
_DATE = re.compile(
    r"(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})[T ,]+(\d{1,2})(:\d\d(?::\d\d(?:\.\d{1,6})?)?)\s*([AP]M)?", re.IGNORECASE
)
_ISO = (
    "YYYY-MM-DD HH:MM:SS, with or without an offset such as +01:00; the day too, and day and month told apart by some "
    "day past 12; or a column of minutes"
)


@dataclass(frozen=True, eq=False)
class Log:
    """A log read: curves by what they hold (temperatures in Fahrenheit), the first moment, warnings."""

    file: str
    curves: Mapping[str, tuple[Readings, ...]]
    start: datetime | None
    minutes: Fraction
    warnings: tuple[Fault, ...]

    def of(self, role: str) -> tuple[Readings, ...]:
        """The curves that hold something."""
        return self.curves.get(role, ())


def parse_log(text: str, file: str, unit: str | None = None, named: Mapping[str, str] | None = None) -> Log:
    """Read a log; ``unit`` is of temperatures whose column states none, ``named`` tells what odd columns hold.

    Raises BadInput with every fault of the file.
    """
    reader = _LogReader(text, file)
    times, roles = reader.named(unit or "", {name.casefold(): role for name, role in (named or {}).items()})
    start, ticks, tick = reader.clock(times)
    keep = reader.in_order(ticks, zoned=start is None or start.tzinfo is not None)
    curves: dict[str, tuple[Readings, ...]] = {}
    for place, (role, scale) in roles.items():
        curve = reader.curve(place, scale, ticks, tick, keep)
        curves[role] = (*curves.get(role, ()), *([] if curve is None else [curve]))
    BadInput.raise_for(reader.faults)
    return Log(file, curves, start, int(ticks[-1]) * tick, tuple(reader.faults))


class _LogReader:
    """The columns below the header, with the line of every row; lines of a logger's own above it are passed over."""

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        lines = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
        at = next((k for k, line in enumerate(lines[:_HEAD_WITHIN]) if _is_header(line)), None)
        if at is None:
            found = "no line names a column of times" if text.strip() else "the log is empty"
            allowed = f"time, minutes, seconds, hours or days above its figures, and {', '.join(ROLES)}"
            refuse(file, found, allowed, 1 if text.strip() else None)
        table = cut("\n" * at + "\n".join(lines[at:]), file)
        self.some(table.faults)
        if not table.rows:
            self.tell(at + 1, None, "the log holds no reading", "a line a reading")
        BadInput.raise_for(self.faults)
        self.header, self.header_line, self.lines = table.header, table.header_line, table.lines
        self.columns = list(zip(*table.rows, strict=True))
        self.commas = table.delimiter != "," and has_decimal_commas(x for column in self.columns for x in column[:1000])

    def tell(
        self, line: int | None, column: str | None, found: str, allowed: str, severity: Severity = Severity.ERROR
    ) -> None:
        """Add a fault."""
        self.faults.append(Fault(self.file, line, column, found, allowed, severity))

    def some(self, faults: Sequence[Fault]) -> None:
        """Add the first faults of a kind, and how many more there are."""
        self.faults += faults[:MOST_FAULTS]
        for first in faults[MOST_FAULTS:][:1]:
            found = f"{len(faults) - MOST_FAULTS} more of these, this the first: {first.found}"
            self.faults.append(replace(first, found=found, allowed=""))

    def rows(self, told: Iterable[tuple[int, str]], allowed: str, column: str | None = None) -> None:
        """Add what was found in some rows."""
        self.some([Fault(self.file, self.lines[i], column, found, allowed) for i, found in told])

    def named(self, unit: str, told: Mapping[str, str]) -> tuple[dict[int, str], dict[int, tuple[str, str]]]:
        """Places of times, each ``stamp`` or a unit, and of everything else with what it holds and its unit."""
        times = {place: time for place, name in enumerate(self.header) if (time := _time_unit(name))}
        roles: dict[int, tuple[str, str]] = {}
        for place, name in enumerate(self.header):
            words = _words(name)
            known = (x for x, names in ROLES.items() if re.match(rf"({'|'.join(names)})\d*( |$)", " ".join(words)))
            role = told.get(name.casefold()) or next(known, None)
            if place not in times and role:
                roles[place] = role, "" if role in PLAIN else _UNITS.get(words[-1], unit) if words else unit
                if role not in PLAIN and not roles[place][1]:
                    self.tell(self.header_line, name, f"{name} states neither C nor F", "core_c or core_f, or --unit")
        if {*times.values()} != {"stamp"} and len(times) != 1:
            found = f"{len(times)} columns of times"
            self.tell(self.header_line, None, found, "stamps or one column of elapsed time, not both")
        for name in told.keys() - {column.casefold() for column in self.header}:
            self.tell(self.header_line, None, f"no column is named {name!r}", ", ".join(self.header))
        ignored = [name for place, name in enumerate(self.header) if name and place not in times | roles]
        if ignored:
            allowed = "--column NAME=core if it is a core's probe; or " + ", ".join(ROLES)
            found = f"nothing is read from {', '.join(ignored)}"
            self.tell(self.header_line, None, found, allowed, Severity.WARNING)
        BadInput.raise_for(self.faults)
        return times, roles

    def clock(self, times: Mapping[int, str]) -> tuple[datetime | None, Whole, Fraction]:
        """First moment (None for elapsed time), ticks of every row, and minutes a tick."""
        place, unit = next(iter(times.items()))
        cells = self.columns[place]
        if unit != "stamp":
            read, scale, bad = _figures(cells, self.commas)
            self._bad(place, cells, bad | {text for text, value in read.items() if value == _NONE}, "a plain number")
            BadInput.raise_for(self.faults)
            ticks = np.array([read[cell] for cell in cells], dtype=np.int64)
            return None, ticks - ticks[0], MINUTES[unit] / scale  # a log begins with its first reading
        cells = tuple(map(" ".join, zip(*(self.columns[k] for k in times), strict=True)))
        moments, bad = _stamps(cells)
        self._bad(place, cells, bad, _ISO)
        if len({moment.tzinfo is None for moment in moments.values()}) > 1:
            self.tell(None, None, "some times have an offset and some have none", "all or none")
        BadInput.raise_for(self.faults)
        start, step = moments[cells[0]], timedelta(microseconds=1)
        ticks = np.array([(moments[cell] - start) // step for cell in cells], dtype=np.int64)
        return start, ticks, MINUTES["s"] / 1_000_000

    def in_order(self, ticks: Whole, *, zoned: bool) -> Whole:
        """Places of the rows to keep: a row that repeats the one before is passed over, a clock that goes back not."""
        change = np.diff(ticks)
        offset = "" if zoned else "; where clocks were changed, times with their offset, or minutes"
        back = [(i + 1, "the clock goes back here") for i in np.flatnonzero(change < 0).tolist()]
        self.rows(back, "rows in order of time" + offset)
        hour, usual = 3_600_000_000, np.median(change) if len(change) else 0
        ahead = np.flatnonzero((change >= hour) & (change <= hour + 2 * usual))
        if not zoned and 0 < usual < hour / 6 and len(ahead):
            found = "the clock jumps an hour ahead here: no reading, or clocks that were changed"
            self.tell(self.lines[ahead[0] + 1], None, found, "times with their offset if so", Severity.WARNING)
        same = np.flatnonzero(change == 0).tolist()
        other = "the same time again with other figures"
        unlike = [(i + 1, other) for i in same if any(column[i] != column[i + 1] for column in self.columns)]
        self.rows(unlike, "one line a moment; seconds where several are taken in a minute")
        if len(same) > len(unlike):
            found = f"{len(same) - len(unlike)} rows stand twice, this the first; each is counted once"
            self.tell(self.lines[same[0] + 1], None, found, "", Severity.WARNING)
        return np.flatnonzero(np.concatenate(([True], change != 0)))

    def curve(self, place: int, unit: str, ticks: Whole, tick: Fraction, keep: Whole) -> Readings | None:
        """One column as a curve, None where it holds nothing; what a temperature lacks is warned of."""
        name, cells = self.header[place], self.columns[place]
        read, scale, bad = _figures(cells, self.commas, unit)
        allowed = f"a plain number of at most {MOST_DECIMALS} decimals that a probe can show; nothing where it fell out"
        self._bad(place, cells, bad, allowed)
        values = np.array([read.get(cell, _NONE) for cell in cells], dtype=np.int64)
        held, out = keep[values[keep] != _NONE], keep[values[keep] == _NONE]
        if unit and len(out) and not bad:
            found = f"{name} has no reading in {len(out)} rows, this the first"
            done = "the line is drawn across" if len(held) else "none at all: it is left out"
            self.tell(self.lines[out[0]], name, found, done, Severity.WARNING)
        return Readings(name, ticks[held], values[held], tick, scale) if len(held) else None

    def _bad(self, place: int, cells: Sequence[str], bad: set[str], allowed: str) -> None:
        told = ((i, f"{cell.strip()[:40]!r} stands here") for i, cell in enumerate(cells) if cell in bad)
        self.rows(told, allowed, self.header[place])


def _is_header(line: str) -> bool:
    """True for a line of names of which one is of times and none a figure."""
    cells = [cell.strip(' "') for cell in re.split("[,;\t]", line)]
    return len(cells) > 1 and any(map(_time_unit, cells)) and not any(cell[:1].isdigit() for cell in cells)


def _words(name: str) -> list[str]:
    return re.sub(r"[^\w°]|_", " ", name.casefold()).replace("°", " ").split()


def _time_unit(name: str) -> str | None:
    """``stamp``, or the unit of elapsed time, where a name is one of a column of times."""
    words = _words(name)
    if not words or not {*words[:-1]} <= _STAMP_WORDS | {"elapsed"}:
        return None
    if words[-1] in _STAMP_WORDS:
        return "stamp"
    return next((unit for unit, names in ELAPSED.items() if words[-1] in names.split()), None)


def _stamps(cells: Sequence[str]) -> tuple[dict[str, datetime], set[str]]:
    """Every time as typed with its moment, those with an offset in UTC, and what could not be read."""
    found: dict[str, datetime] = {}
    other: dict[str, re.Match[str]] = {}
    for cell in dict.fromkeys(cells):
        try:
            moment = datetime.fromisoformat(cell.strip())
            if ":" in cell:
                found[cell] = moment if moment.tzinfo is None else moment.astimezone(UTC)
        except ValueError:
            if match := _DATE.fullmatch(cell.strip()):
                other[cell] = match
    day_first = any(m[2] == "." or (len(m[1]) < 3 and int(m[1]) > 12) for m in other.values())
    month_first = any(len(m[1]) < 3 and int(m[3]) > 12 for m in other.values())
    for cell, m in other.items():
        with suppress(ValueError):
            found[cell] = _moment(m, day_first=day_first, month_first=month_first)
    return found, {*cells} - found.keys()


def _moment(m: re.Match[str], *, day_first: bool, month_first: bool) -> datetime:
    """A date with slashes or points. Raises ValueError where day and month cannot be told apart, or are none."""
    by_year = len(m[1]) == 4
    year, month, day = m.group(*((1, 3, 4) if by_year else (4, 3, 1) if day_first else (4, 1, 3)))
    hour, half = int(m[5]), (m[7] or "").upper()
    if (not by_year and day_first == month_first) or (half and not 1 <= hour <= 12):
        raise ValueError
    hour = hour % 12 + 12 * (half == "PM") if half else hour
    return datetime.fromisoformat(f"{year}-{month:0>2}-{day:0>2} {hour:02}{m[6]}")


def _figures(cells: Sequence[str], commas: bool, unit: str = "") -> tuple[dict[str, int], int, set[str]]:
    """Every distinct cell as a whole number (``_NONE``: no reading), their scale, and the cells that are no figure."""
    low, high = (COLDEST_F, HOTTEST_F) if unit else (-LARGEST, LARGEST)
    every = set(cells)
    empty = {cell for cell in every if cell.strip().casefold() in _NO_READING}
    known: dict[str, Fraction] = {}
    for cell in every - empty:
        with suppress(NotANumber):
            value = fahrenheit(exact(cell, commas), unit or "F")
            if low <= value <= high and 5 * 10**MOST_DECIMALS % value.denominator == 0:
                known[cell] = value
    scale = lcm(*(value.denominator for value in known.values()))
    read = {cell: value.numerator * (scale // value.denominator) for cell, value in known.items()}
    return read | dict.fromkeys(empty, _NONE), scale, every - empty - known.keys()
