"""Faults of an input file, as values with an address, and what may be wrong with a name.

A reader collects every fault of a file before it gives up, so that the user mends the file once.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum


class Severity(StrEnum):
    """How a fault ends: an error stops the run with exit code 2, a warning is only said."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: where it is, what was found there and what is allowed.

    ``line`` counts from 1 and is None when the whole file is meant; ``column`` is a column's name in a table
    or a position counted from 1 in a text file.
    """

    file: str
    line: int | None
    column: str | int | None
    found: str
    allowed: str
    severity: Severity = Severity.ERROR

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)
        words = f"{place}: {self.severity}: {self.found}"
        return f"{words} ({self.allowed})" if self.allowed else words


class BadInput(Exception):
    """Raised once a reader has collected every fault of its file; carries all of them."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    @classmethod
    def raise_for(cls, faults: Iterable[Fault]) -> None:
        """Raise it with all of some faults, each once, where one of them is an error."""
        each_once = dict.fromkeys(faults)
        if any(fault.severity is Severity.ERROR for fault in each_once):
            raise cls(each_once)


_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Characters that are letters or marks and show nothing (Default_Ignorable_Code_Point, and the blank of Braille)."""

_JOINED = re.compile("(?<=[\u0600-\u0dff])[\u200c\u200d]")
"""Joiners within a script that cannot be written without them."""


def unprintable(text: str) -> bool:
    """True where a name holds what is not seen as it stands: control, direction, line break, or nothing at all."""
    if text.isascii():
        return not text.isprintable()
    plain = _JOINED.sub("", text)
    return not plain.isprintable() or _UNSEEN.search(plain) is not None


def hidden(text: str) -> str:
    """The first character of a text that is not seen as it stands, in words."""
    seen = _JOINED.sub("", text)
    first = next(c for c in seen if not c.isprintable() or _UNSEEN.match(c))
    return f"the character U+{ord(first):04X} {unicodedata.name(first, 'control')}"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word closest to ``word`` in spelling, or None when nothing is close."""

    def plain(text: str) -> str:
        return "".join(letter for letter in text.casefold() if letter.isalnum())

    by_plain = {plain(name): name for name in known}
    found = get_close_matches(plain(word), by_plain, n=1, cutoff=0.75)
    return by_plain[found[0]] if found else None


def meant(word: str, known: Iterable[str], otherwise: str = "") -> str:
    """The known word that is most likely meant, as a question; where nothing is close what else there is to say."""
    close = nearest(word, known)
    return f"did you mean {close}?" if close else otherwise


def some(names: Sequence[str], most: int, where: str) -> str:
    """The first of some names, and where all of them stand."""
    listed = ", ".join(names[:most])
    return listed if len(names) <= most else f"{listed} and {len(names) - most} more, see {where}"


def likely(word: str, known: Iterable[str]) -> str:
    """The known name closest to a word, or the first few with a word that begins with it; empty where there is none."""
    names, start = list(known), word.casefold()
    holding = [name for name in names if any(part.startswith(start) for part in name.split("_"))]
    return nearest(word, names) or " or ".join(holding[:4])
