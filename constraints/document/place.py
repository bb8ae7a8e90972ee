"""What was typed and where it stands: the tree of a file, and the places of its values."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TypeAlias

from constraints.faults import Fault, Severity

Tree: TypeAlias = "dict[str, Tree] | list[Tree] | str | None"
"""Typed text, nested; None is a key with nothing behind it."""
Loc: TypeAlias = tuple[str | int, ...]
"""The way to a value: keys and list indices (from 0) from the top of the tree."""
Mark: TypeAlias = tuple[int, int]
"""Line and column, from 1."""


@dataclass(slots=True)
class Place:
    """Where a value stands, where its key stands, and the places inside it."""

    value: Mark
    key: Mark
    inside: dict[str | int, Place] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Document:
    """A file read: its name, its values as typed, and where each stands."""

    file: str
    tree: dict[str, Tree]
    place: Place

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
