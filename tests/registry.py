"""Which figure of which JSON document is worked out again by whom: a key that nobody accounts for fails the suite.

A *path* names a key wherever it stands: ``.lots[].cost``. ``recomputes`` hands paths to a function that works the
figures out from the raw files and asserts that they are those of the document. ``left`` gives the reason why a key is
not worked out here: it holds words, or another test does it. That a recomputation sees what it is to see is tried by
spoiling each value of each path: the function must fail.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from math import copysign
from typing import Any

from raw import Raw

Recomputation = Callable[["Told"], None]
WORDS = "words, not a figure: what they say is looked at by tests of their own"


@dataclass
class Told:
    """A JSON document with the files it was made from."""

    kind: str
    document: Any
    raw: Raw
    more: Any = None
    """What else a recomputation needs: a document of the same order, raw files of a week."""


RECOMPUTED: dict[tuple[str, str], list[Recomputation]] = {}
LEFT: dict[tuple[str, str], str] = {}


def recomputes(kind: str, *paths: str) -> Callable[[Recomputation], Recomputation]:
    """The function accounts for these paths of a kind of document, each a prefix, a colon and keys."""

    def register(function: Recomputation) -> Recomputation:
        for path in spelled(paths):
            RECOMPUTED.setdefault((kind, path), []).append(function)
        return function

    return register


def left(kind: str, reason: str, *paths: str) -> None:
    """These paths are not worked out here, for a reason."""
    LEFT.update({(kind, path): reason for path in spelled(paths)})


def spelled(groups: Iterable[str]) -> Iterator[str]:
    """``.cost: cash additions`` stands for ``.cost.cash`` and ``.cost.additions``."""
    for group in groups:
        prefix, _, names = group.partition(": ")
        yield from (f"{prefix}.{name}" for name in names.split())


def leaves(value: Any, path: str = "", place: tuple[Any, ...] = ()) -> Iterator[tuple[str, tuple[Any, ...], Any]]:
    """Every value of a document with its path and its place."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{path}.{key}", (*place, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from leaves(inner, f"{path}[]", (*place, number))
    else:
        yield path, place, value


def keys(value: Any, path: str = "") -> Iterator[str]:
    """Every key of a document as a path, those of empty lists and of null included."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield f"{path}.{key}"
            yield from keys(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for inner in value:
            yield from keys(inner, f"{path}[]")


def within(kind: str, path: str) -> bool:
    """True where the path, or a part of it, is accounted for."""
    known = {known for of, known in (*RECOMPUTED, *LEFT) if of == kind}
    return any(
        one == path or one.startswith((f"{path}.", f"{path}[")) or path.startswith((f"{one}.", f"{one}["))
        for one in known
    )


def spoilt(document: Any, place: tuple[Any, ...], value: Any) -> Any:
    """A copy of the document with one value changed: a number by a thousandth, words by a letter."""
    changed: Any = copy.deepcopy(document)
    inner = changed
    for step in place[:-1]:
        inner = inner[step]
    if isinstance(value, bool):
        new: Any = not value
    elif isinstance(value, int):
        new = value + 1
    elif isinstance(value, float):
        new = value + copysign(abs(value) * 0.001 + 0.001, value)
    else:
        new = 1.0 if value is None else f"{value}?"
    inner[place[-1]] = new
    return changed
