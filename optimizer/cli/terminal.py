"""What a terminal gets that a pipe does not: its own width, bold headings, and colour, never colour alone."""

from __future__ import annotations

import os
import shutil
import sys
from typing import TextIO

from optimizer.wording import HEADINGS

_BOLD, _RED, _CARE = "bold", "bold red", "yellow"


def fit() -> None:
    """Make the pages as wide as the terminal, where standard output is one."""
    if is_terminal(sys.stdout):
        from optimizer.pages.tables import set_width

        set_width(shutil.get_terminal_size().columns)


def is_terminal(out: TextIO | None) -> bool:
    """True where somebody reads along; a terminal that says it is dumb gets plain text as well."""
    return out is not None and out.isatty() and os.environ.get("TERM") != "dumb"


def dressed(text: str) -> str:
    """A page with its headline and headings bold, *do not make* red, and warnings yellow; a JSON document as it is."""
    if text.startswith(("{", "[")):
        return text
    from io import StringIO

    from rich.console import Console
    from rich.text import Text

    console = Console(file=StringIO(), force_terminal=True, width=1000, highlight=False, legacy_windows=False)
    with console.capture() as caught:
        for line in text.splitlines():
            styled = Text(line)
            styled.stylize(*_style(line))
            console.print(styled, soft_wrap=True)
    return caught.get()


def _style(line: str) -> tuple[str, int, int]:
    """Style of a line, and from where to where."""
    from optimizer.verdict import HEADLINES, MADE_ALREADY, Grade

    if line.startswith(HEADLINES[Grade.DO_NOT_MAKE]):
        return _RED, 0, len(line)
    if line.startswith((*HEADLINES.values(), MADE_ALREADY)):
        return _BOLD, 0, len(line)
    if line.startswith("! ") or line.startswith(("warning ", "BROKEN ")):
        return _CARE, 0, len(line)
    name = next((name for name in HEADINGS if line.startswith(name)), "")
    whole = len(line) if line == line.upper() and line[:4].isalpha() else len(name)
    return _BOLD, 0, whole
