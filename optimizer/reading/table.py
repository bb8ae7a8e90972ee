"""A table of text cells as a spreadsheet writes it, CSV with commas, semicolons or tabs; and the columns of lots tables
and offers tables that have a meaning, and how a misspelt one is caught.

Cells stay exactly as typed (``007``, ``1E5``, ``NA``, ``no``): nothing here guesses a type. They are cut by
hand, because the library's cutter tells neither on which line of the file a record began nor what is wrong with it.

Any further column whose cells are all numbers is a free property under its own name. A slip in a known name
would therefore pass as a free property and its limit would silently not exist, so near misses are refused.
"""

import csv
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import partial
from io import StringIO
from types import MappingProxyType

from constraints.as_typed import BadInput, Fault, Severity, hidden, refuse, unprintable
from constraints.document import packaged_rows
from constraints.ingoing import COUNTED
from constraints.words import speaks_of_nitrite

DELIMITERS = (",", ";", "\t")
_SPOKEN = {",": "comma", ";": "semicolon", "\t": "tab"}

_CLOSED = "a cell that begins with a quote ends with one; a quote inside it is written twice"

_NO_TEXT = re.compile("[\0\ud800-\udfff]")
_COMMA_NUMBER = re.compile(r"[+-]?(\d+,\d*|,\d+|\d{1,3}(\.\d{3})+,\d+)", re.ASCII)
_NUMBER_LIKE = re.compile(r"[+-]?\d+([.,]\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a file, cut into cells.

    ``header`` holds the names trimmed of surrounding blanks; every row has as many cells as the header, as
    typed; ``lines`` holds the line of the file, from 1, on which each row begins; ``faults`` are of rows left out.
    ``spelt`` are names in the file that its columns have under other names here.
    """

    file: str
    header: tuple[str, ...]
    header_line: int
    delimiter: str
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    faults: tuple[Fault, ...] = ()
    spelt: Mapping[str, str] = field(default_factory=dict)

    def cells(self, name: str) -> tuple[str, ...]:
        """Every cell below the first column called ``name``, from top to bottom, trimmed of blanks."""
        place = self.header.index(name)
        return tuple(row[place].strip() for row in self.rows)

    def fault(
        self, line: int | None, column: str | None, found: str, allowed: str, severity: Severity = Severity.ERROR
    ) -> Fault:
        """A fault of its file."""
        return Fault(self.file, line, self.spelt.get(column or "", column), found, allowed, severity)

    def records(self) -> Iterator[tuple[int, dict[str, str]]]:
        """The line of each row and its cells by their column, trimmed of blanks."""
        for line, row in zip(self.lines, self.rows, strict=True):
            yield line, dict(zip(self.header, map(str.strip, row), strict=True))

    def has_decimal_commas(self, known: Iterable[str], further: Iterable[str] = ()) -> bool:
        """Whether 24,5 means twenty-four and a half here; never where a comma parts the cells.

        The ``known`` columns of figures decide; only if they hold whole numbers alone, those of the ``further`` ones
        that hold nothing but numbers are asked.
        """
        if self.delimiter == ",":
            return False
        cells = [cell for name in known if name in self.header for cell in self.cells(name)]
        if any("." in cell for cell in cells) or has_decimal_commas(cells):
            return has_decimal_commas(cells)
        columns = ([cell for cell in self.cells(name) if cell] for name in further)
        return any(has_decimal_commas(column) for column in columns if all(map(_NUMBER_LIKE.fullmatch, column)))


@dataclass(frozen=True, slots=True)
class _Record:
    """One record: the line it begins on, its cells, how many empty ones end it, and its fault with the line, if any."""

    line: int
    cells: list[str]
    empty_end: int
    fault: tuple[int, str] | None


def cut(text: str, file: str) -> Table:
    """Cut ``text`` into cells. Raises BadInput where that makes no table.

    A record with too many or too few cells is a fault and is left out of the table; records that are wholly
    blank are left out silently. Line ends may be LF, CRLF or CR; inside a quoted cell they come out as LF.
    """
    plain = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    if odd := _NO_TEXT.search(plain):
        line = plain.count("\n", 0, odd.start()) + 1
        found = "a NUL byte" if odd[0] == "\0" else "half a character"
        refuse(file, found, "plain text, as a spreadsheet saves CSV", line)
    delimiter = _delimiter_of(plain)
    blank = str.maketrans("", "", f'"{delimiter}')
    records = [r for r in _records(plain, delimiter) if r.fault or "".join(r.cells).translate(blank).strip()]
    if not records:
        refuse(file, "the table is empty", "a line of column names, then a line a lot")
    faults = [Fault(file, at, None, words, _CLOSED) for at, words in (r.fault for r in records if r.fault)]
    if records[0].fault:
        raise BadInput(faults)
    width = len(records[0].cells)
    rows, lines = [], []
    for record in (record for record in records if record.fault is None):
        extra = len(record.cells) - width
        if width - records[0].empty_end <= len(record.cells) and extra <= record.empty_end:
            cells = [*record.cells, *[""] * -extra][:width]
            rows.append(tuple(cell[1:] if cell[:1] == "'" and _RUN.match(cell) else cell for cell in cells))
            lines.append(record.line)
        else:
            found = f"{len(record.cells)} cells where the header has {width}"
            faults.append(Fault(file, record.line, None, found, _count_hint(extra > 0, delimiter)))
    header = tuple(name.strip() for name in rows[0])
    return Table(file, header, lines[0], delimiter, tuple(rows[1:]), tuple(lines[1:]), tuple(faults))


_RUN = re.compile("'*[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
"""Beginnings of a cell that a spreadsheet would run as a formula: = + - @ tab, carriage return, line feed and the
full-width forms (OWASP, CSV Injection), behind any marks that say it is text."""


_FIGURE = re.compile(r"[+-]?[\d.,]+", re.ASCII)


def csv_line(cells: Iterable[str], delimiter: str) -> str:
    """One line of a table, as ``cut`` reads it back."""
    text = StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator="").writerow(map(text_cell, cells))
    return text.getvalue().replace("\n", " ")


def text_cell(text: str) -> str:
    """A text as a cell that no spreadsheet runs: what would be a formula, and is no figure, gets a mark before it.

    ``cut`` takes the mark off again.
    """
    return f"'{text}" if _RUN.match(text) and not _FIGURE.fullmatch(text) else text


def _delimiter_of(text: str) -> str:
    """The delimiter found most often, outside quotes, in the first line with words in it; else a comma."""
    first = next((line for line in text.split("\n") if line.strip(' \t,;"')), "")
    bare = re.sub(r'"[^"]*"?', "", first)
    return max(DELIMITERS, key=bare.count)


def _records(text: str, delimiter: str) -> Iterator[_Record]:
    """Cut the records one by one; a quoted cell may run over several lines."""
    quoted = re.compile(rf'"((?>[^"]*(?:""[^"]*)*))("?)([^{delimiter}\n]*)')
    bare = re.compile(rf"[^{delimiter}\n]*")
    at, line = 0, 1
    while at < len(text):
        start, cells, fault = at, [], None
        at = text.find("\n", start) % (len(text) + 1)  # -1 is the end of the text
        if '"' in text[start:at]:
            at = start - 1
            while at < start or text[at : at + 1] == delimiter:
                at += 1
                cell = quoted.match(text, at) or bare.match(text, at)
                assert cell is not None  # a bare cell may be empty, so it always matches
                words = _quote_fault(cell)
                fault = fault or ((line + text.count("\n", start, at), words) if words else None)
                cells.append(cell[1].replace('""', '"') + cell[3] if cell.re.groups else cell[0])
                at = cell.end()
        typed = text[start:at]
        end = typed[len(typed.rstrip(f" \u00a0{delimiter}")) :]
        yield _Record(line, cells or typed.split(delimiter), end.count(delimiter), fault)
        line += typed.count("\n") + 1
        at += 1


def _quote_fault(cell: re.Match[str]) -> str:
    if not cell.re.groups:
        return "a blank stands before an opening quote" if cell[0].lstrip().startswith('"') else ""
    if not cell[2]:
        return "a quote is opened and never closed"
    return f"{cell[3].strip()[:20]!r} stands after a closing quote" if cell[3].strip() else ""


def _count_hint(too_many: bool, delimiter: str) -> str:
    if too_many and delimiter == ",":
        return "one cell a column; a decimal comma makes two cells of one, and text with a comma needs quotes"
    return f"one cell a column, with a {_SPOKEN[delimiter]} between cells even where a cell is empty"


def has_decimal_commas(cells: Iterable[str]) -> bool:
    """True where at least one of ``cells`` is a number with a decimal comma."""
    return any("," in cell and _COMMA_NUMBER.fullmatch(cell.strip()) for cell in cells)


# The columns that have a meaning.

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
    return re.findall(r"[^\W\d_]+|\d+", name.replace("%", " pct ").casefold())


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
