"""What was typed and where it stands: a file's text, the tree of its values, and the places of these."""

from __future__ import annotations

import codecs
import os
import re
import sys
from dataclasses import dataclass, field
from typing import NoReturn, TypeAlias

from constraints.faults import BadInput, Fault, Severity

Tree: TypeAlias = "dict[str, Tree] | list[Tree] | str | None"
"""Typed text, nested; None is a key with nothing behind it."""
Loc: TypeAlias = tuple[str | int, ...]
"""The way to a value: keys and list indices (from 0) from the top of the tree."""
Mark: TypeAlias = tuple[int, int]
"""Line and column, from 1."""


@dataclass(slots=True)
class Address:
    """Where a value stands, where its key stands, and the places inside it."""

    value: Mark
    key: Mark
    inside: dict[str | int, Address] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Parsed:
    """A file read: its name, its values as typed, and where each stands."""

    file: str
    tree: dict[str, Tree]
    place: Address

    def mark(self, loc: Loc, *, key: bool = False) -> Mark:
        """Return line and column of the value at ``loc``, or of the nearest parent's value.

        With ``key``, of the key instead: an unknown key is at fault itself, and not its value.
        """
        place = self.place
        for part in loc:
            inner = place.inside.get(part)
            if inner is None:
                return place.value
            place = inner
        return place.key if key else place.value

    def fault(
        self, loc: Loc, found: str, allowed: str, *, key: bool = False, severity: Severity = Severity.ERROR
    ) -> Fault:
        """Make a fault at the value (with ``key``, at the key) of ``loc``, for checks after ``validate``."""
        line, column = self.mark(loc, key=key)
        path = shown_path(loc[:-1] if key else loc)  # a fault of a key is one of the mapping it stands in
        words = clean(f"{path}: {found}" if path else found)
        return Fault(self.file, line, column, words, clean(allowed), severity)


def shown_path(loc: Loc) -> str:
    """Write a loc as people count: ``("additions", 1, "grams")`` is ``additions[2].grams``."""
    words = ""
    for part in loc:
        if isinstance(part, int):
            words += f"[{part + 1}]"
        else:
            name = part if re.fullmatch(r"[\w-]+", part) else quoted(part)
            words += f".{name}" if words else name
    return words


def clean(text: str) -> str:
    """Escape control characters, so that a file cannot steer the terminal that shows its faults."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def quoted(text: str, longest: int = 60) -> str:
    """Put a text in quotes, shortened to ``longest`` characters."""
    return f"'{clean(text if len(text) <= longest else text[:longest] + '...')}'"


MOST_BYTES = 20_000_000
"""Largest file read, in bytes: far above any recipe, and small enough to refuse a wrong file quickly."""


def read_text(path: str, most: int = MOST_BYTES) -> str:
    """Read a whole UTF-8 file, or standard input when ``path`` is ``-``, without its byte-order mark.

    Raises BadInput with one fault when there is no such file, it is a directory, cannot be opened, is larger
    than ``most`` bytes or is not UTF-8.
    """
    file = label(path)
    data = _read_bytes(path, file, most)
    if len(data) > most:
        refuse(file, f"the file is larger than {most // 1_000_000} MB", "a recipe, a rule pack or a table")
    save = "save the file as UTF-8"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_BE)):
        refuse(file, "the file is UTF-16 (or UTF-32) text", save)
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        refuse(file, "the file holds NUL bytes: it is UTF-16 text, or no text at all", save, line)
    data = data.removeprefix(codecs.BOM_UTF8)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8")) + 1
        found = f"line {line} holds the byte 0x{data[error.start]:02X}, which is not UTF-8"
    refuse(file, found, save, line, column)


def label(path: str) -> str:
    """Name a file as faults show it."""
    return "standard input" if path == "-" else path


def refuse(file: str, found: str, allowed: str, line: int | None = None, column: int | None = None) -> NoReturn:
    """Raise BadInput with one fault of a file."""
    raise BadInput([Fault(file, line, column, found, allowed)]) from None


def _read_bytes(path: str, file: str, most: int) -> bytes:
    """Read at most one byte more than the limit, so that an endless source ends too."""
    try:
        if path == "-":
            return sys.stdin.buffer.read(most + 1)
        if os.path.isdir(path):
            refuse(file, "this is a directory", "a file")
        with open(path, "rb") as handle:
            return handle.read(most + 1)
    except FileNotFoundError:
        refuse(file, "there is no such file", "the path of a file, or - for standard input")
    except PermissionError:
        refuse(file, "you may not read this file", "a file you have permission to read")
    except (OSError, ValueError, AttributeError) as error:
        # ValueError: a NUL in the path, or a closed stream. AttributeError: no standard input at all.
        reason = getattr(error, "strerror", None) or "nothing to read from"
        refuse(file, f"the file cannot be read: {clean(reason)}", "a file that can be opened")
