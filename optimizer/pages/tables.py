"""Plain text tables and paragraphs as wide as the terminal, on which some letters take two columns or none."""

from collections.abc import Iterable, Sequence
from contextvars import ContextVar
from itertools import zip_longest
from textwrap import wrap
from unicodedata import category, combining, east_asian_width

from optimizer.wording import GAP

Rows = Sequence[Sequence[str]]
WIDTH, LEAST_WIDTH, MOST_WIDTH = 80, 60, 140
"""Columns of a page that goes to no terminal, and of one that does at least and at most."""
_page: ContextVar[int] = ContextVar("page", default=WIDTH)
NARROWEST = 6
"""Columns below which a column of a table is not wrapped further."""


def width() -> int:
    """Columns of the page."""
    return _page.get()


def set_width(wanted: int) -> None:
    """Make the pages from here on so wide, within reason."""
    _page.set(min(max(wanted, LEAST_WIDTH), MOST_WIDTH))


def visible(text: str) -> str:
    """The text with every character that steers instead of showing written out: control, bidirectional, line ends."""
    if text.isascii() and text.isprintable():
        return text
    steers = {x for x in text if category(x) in ("Cc", "Cf", "Cs", "Zl", "Zp")} - _JOINERS
    return "".join(f"\\u{ord(x):04x}" if x in steers else x for x in text)


_JOINERS = {"\u200c", "\u200d"}
"""Without these, words of some scripts cannot be written."""


def columns(text: str) -> int:
    """Columns that a text takes on a terminal: two for a wide East Asian letter (UAX 11), none for a combining one."""
    if text.isascii():
        return len(text)
    return sum(2 if east_asian_width(x) in "WF" else 0 if combining(x) else 1 for x in text)


def wrapped(text: str, width: int, first: str = "", rest: str = "", *, hyphens: bool = False) -> list[str]:
    """Lines of a text at most so wide on a terminal, with ``first`` before the first and ``rest`` before the others."""
    if columns(first + rest + text) == len(first + rest + text):
        return wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=hyphens)
    lines: list[str] = []
    line, empty = first, True
    for word in text.split():
        if not empty and columns(line) + 1 + columns(word) <= width:
            line += f" {word}"
            continue
        if not empty:
            lines.append(line)
            line = rest
        for letter in word:
            if columns(line) + columns(letter) > width and line not in (first, rest):
                lines.append(line)
                line = rest
            line += letter
        empty = False
    return lines if empty else [*lines, line]


def table(headings: Sequence[str], rows: Rows, align: str, *, ruled: bool = True) -> list[str]:
    """Lines of a table. ``align`` has one letter a column: ``<`` left, ``>`` right; ``ruled`` draws a line below.

    Columns are as wide as their longest cell; where the table would be wider than the page, the widest of the
    left-aligned columns and of the headings over figures are wrapped.
    """
    cells = [[visible(cell) for cell in row] for row in (headings, *rows)]
    widths = [max(columns(row[j]) for row in cells) for j in range(len(headings))]
    figures = [max((columns(row[j]) for row in cells[1:]), default=0) for j in range(len(headings))]
    least = [NARROWEST if side == "<" else max(figures[j], NARROWEST) for j, side in enumerate(align)]
    whole = [max((columns(word) for row in cells for word in row[j].split()), default=0) for j in range(len(headings))]
    while sum(widths) + 2 * (len(widths) - 1) > width():
        loose = [j for j, width in enumerate(widths) if width > least[j]]
        if not loose:
            break
        loose = [j for j in loose if widths[j] > whole[j]] or loose  # a name is broken only where nothing else gives
        widths[max(loose, key=lambda j: (align[j] == "<", widths[j]))] -= 1
    lines = []
    for number, row in enumerate(cells):
        if number == 0 and not any(row):
            continue
        folded = [
            [cell] if columns(cell) <= width else wrapped(cell, width, hyphens=True)
            for cell, width in zip(row, widths, strict=True)
        ]
        for shown in zip_longest(*folded, fillvalue=""):
            padded = [_padded(text, side, width) for text, side, width in zip(shown, align, widths, strict=True)]
            lines.append("  ".join(padded).rstrip().replace(GAP, " "))
        lines += ["  ".join("-" * width for width in widths)] if number == 0 and ruled else []
    return lines


def _padded(text: str, side: str, width: int) -> str:
    blanks = " " * (width - columns(text))
    return text + blanks if side == "<" else blanks + text


def paragraph(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """Wrap a text, with ``first`` before the first line and ``rest`` (or blanks) before the others."""
    indent = " " * columns(first) if rest is None else rest
    return [line.replace(GAP, " ") for line in wrapped(visible(text), width(), first, indent)] or [first]


def listed(said: Iterable[tuple[str, str]]) -> list[str]:
    """A paragraph each, with what stands before it."""
    return [line for first, text in said for line in paragraph(text, first)]


def heading(text: str) -> list[str]:
    """A blank line and a heading."""
    return ["", *paragraph(text.upper())]


def titled(title: str, heads: Sequence[str], rows: Rows, align: str, *, ruled: bool = True) -> list[str]:
    """A table below its heading; nothing where it has no rows."""
    return [*heading(title), *table(heads, rows, align, ruled=ruled)] if rows else []


def named(rows: Sequence[tuple[str, str]], *, room: int = 10) -> list[str]:
    """Lines of a name and what is said of it, the names in a column of their own."""
    room = max([room, *[columns(name) + 2 for name, _ in rows if columns(name) < 18]])
    return [line for name, text in rows for line in paragraph(text, name + " " * max(room - columns(name), 2))]
