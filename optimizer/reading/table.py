"""A table of text cells as a spreadsheet writes it: CSV with commas, semicolons or tabs.

Cells stay exactly as typed (``007``, ``1E5``, ``NA``, ``no``): nothing here guesses a type. They are cut by
hand, because the library's cutter tells neither on which line of the file a record began nor what is wrong with it.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from io import StringIO

from constraints.document.parsing import refuse
from constraints.faults import BadInput, Fault, Severity

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
