"""Plain text tables and paragraphs for a terminal 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

WIDTH = 80
NARROWEST = 6
"""Letters below which a column is not wrapped further."""


def table(headings: Sequence[str], rows: Sequence[Sequence[str]], align: str) -> list[str]:
    """Lines of a table. ``align`` has one letter a column: ``<`` left, ``>`` right.

    Columns are as wide as their longest cell; where the table would be wider than the page, the widest left-aligned
    columns are wrapped.
    """
    cells = [list(headings), *[list(row) for row in rows]]
    widths = [max(len(row[j]) for row in cells) for j in range(len(headings))]
    texts = [j for j, side in enumerate(align) if side == "<"]
    while sum(widths) + 2 * (len(widths) - 1) > WIDTH:
        widest = max(texts, key=lambda j: widths[j])
        if widths[widest] <= NARROWEST:
            break
        widths[widest] -= 1
    lines = []
    for number, row in enumerate(cells):
        folded = [_fold(cell, width) for cell, width in zip(row, widths, strict=True)]
        for part in range(max(len(cell) for cell in folded)):
            shown = [cell[part] if part < len(cell) else "" for cell in folded]
            padded = [f"{text:{side}{w}}" for text, side, w in zip(shown, align, widths, strict=True)]
            lines.append("  ".join(padded).rstrip())
        if number == 0:
            lines.append("  ".join("-" * width for width in widths))
    return lines


def _fold(cell: str, width: int) -> list[str]:
    return [cell] if len(cell) <= width else wrap(cell, width) or [""]


def paragraph(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """Wrap a text, with ``first`` before the first line and ``rest`` (or blanks) before the others."""
    indent = " " * len(first) if rest is None else rest
    return wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False) or [first]


def heading(text: str) -> list[str]:
    """A blank line and a heading."""
    return ["", text.upper()]
