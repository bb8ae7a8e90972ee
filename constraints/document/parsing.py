"""A file's text, the tree of its values as typed and the places of these, refusing what may not stand in YAML."""

from __future__ import annotations

import codecs
import csv
import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, TypeAlias

import yaml

from constraints.as_typed import BadInput, Fault, Severity, refuse

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
    named = (part if isinstance(part, int) or re.fullmatch(r"[\w-]+", part) else quoted(part) for part in loc)
    return "".join(f"[{one + 1}]" if isinstance(one, int) else f".{one}" for one in named).removeprefix(".")


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
        reason = clean(getattr(error, "strerror", None) or "nothing to read from")
        refuse(file, f"the file cannot be read: {reason}", "a file that can be opened")


MOST_VALUES = 100_000
"""Most values in a file, those reached through an alias counted every time."""
DEEPEST = 50
"""Deepest nesting of lists and mappings."""

# What YAML 1.2 (chapter 5.1) keeps out of a file, and a byte-order mark inside the text. Listing what is
# allowed instead would take the expression seven times as long to compile.
_UNPRINTABLE = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufeff\ufffe\uffff]")
_LONE_TAG = re.compile(r"(?:&\S+\s+)?!(?=\s|\Z)")
_TAG = re.compile(r"(?:&\S+\s+)?(!\S*)")


_LOADER: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader
_COLON = "lines of 'key: value', with a space behind the colon"
_QUOTES = "put the whole text in quotes"


def parse(text: str, file: str) -> Parsed:
    """Parse one YAML mapping into text with places; the scalars are the text as typed.

    Raises BadInput: one fault for broken syntax, or all of these at once: duplicate keys, keys that are no
    text, tags, merge keys, aliases that contain themselves, characters that may not stand in a file.
    """
    file = label(file)
    text = text.removeprefix("\ufeff")
    if bad := _UNPRINTABLE.search(text):
        mark = text.count("\n", 0, bad.start()) + 1, bad.start() - text.rfind("\n", 0, bad.start())
        refuse(file, f"the character U+{ord(bad[0]):04X} may not stand in a file", "printable text", *mark)
    reader = _Reader(text, file)
    try:
        tree, place = reader.document()
    except yaml.MarkedYAMLError as error:
        raise BadInput([_syntax_fault(error, text, file)]) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        # The loader written in Python turns escapes and versions into numbers unchecked.
        refuse(file, "this is not YAML", "no \\U escapes and no % lines")
    if tree is None:
        refuse(file, "the file is empty", _COLON)
    if not isinstance(tree, dict):
        refuse(file, f"{_kind(tree)} stands at the top of the file", _COLON, *place.value)
    BadInput.raise_for(reader.found)
    return Parsed(file, tree, place)


def packaged(name: str) -> Parsed:
    """A file of this package, sound because the tests read it, by its path in there; named by the last part of it."""
    return parse((files("constraints") / name).read_text(encoding="utf-8"), name.rpartition("/")[2])


def packaged_rows(package: str, file: str) -> list[dict[str, str]]:
    """The rows of a table that comes with a package, each by the names in its first line."""
    return list(csv.DictReader((files(package) / file).read_text(encoding="utf-8").splitlines()))


def _syntax_fault(error: yaml.MarkedYAMLError, text: str, file: str) -> Fault:
    mark, opened = error.problem_mark or error.context_mark, error.context_mark
    said = f"{error.context or ''} {error.problem or ''}"
    # Pieces of the parser's own message, what to say for each, and whether to say it where the construct opened.
    pieces = packaged_rows("constraints.document", "syntax.csv")
    found, allowed, where = next((r["found"], r["allowed"], r["where"]) for r in pieces if r["piece"] in said)
    if mark is None:
        return Fault(file, None, None, found, allowed)
    before = text[text.rfind("\n", 0, mark.index) + 1 : mark.index]
    if text[mark.index : mark.index + 1] == "\t" and not before.strip():
        found, allowed, where = "the line is indented with a tab", "spaces only", "mark"
    mark = opened if where == "opening" and opened is not None else mark
    return Fault(file, mark.line + 1, mark.column + 1, found, allowed)


def _kind(tree: Tree) -> str:
    return "a mapping" if isinstance(tree, dict) else "a list" if isinstance(tree, list) else "a text"


def _height(tree: Tree) -> int:
    """How many lists and mappings are nested in one another."""
    inner = tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else None
    return 0 if inner is None else 1 + max(map(_height, inner), default=0)


class _Reader:
    """Turns the parser's events into a tree and its places, collecting what may not stand in a document."""

    def __init__(self, text: str, file: str) -> None:
        self.text, self.file = text, file
        self.events: Iterator[Any] = yaml.parse(text, Loader=_LOADER)
        self.found: list[Fault] = []
        self.values = 0
        self.open: list[Mark] = []
        self.anchors: dict[str, tuple[Tree, Address, int]] = {}  # with how many values: none while it is open

    def document(self) -> tuple[Tree, Address]:
        """Tree and places of the one document; of none, nothing."""
        next(self.events)  # the stream starts
        if isinstance(next(self.events), yaml.StreamEndEvent):
            return None, Address((1, 1), (1, 1))
        found = self.node(next(self.events))
        next(self.events)  # the document ends
        if not isinstance(last := next(self.events), yaml.StreamEndEvent):
            raise yaml.MarkedYAMLError(problem="another document", problem_mark=last.start_mark)
        return found

    def _say(self, mark: Mark, found: str, allowed: str) -> None:
        self.found.append(Fault(self.file, *mark, found, allowed))

    def _enter(self, values: int, levels: int, mark: Mark) -> None:
        """Count values and levels of nesting, so that the limits are kept before memory or stack run out."""
        self.values += values
        if self.values > MOST_VALUES:
            allowed = f"at most {MOST_VALUES}, those behind an alias counted every time"
            refuse(self.file, "the file holds too many values", allowed, *self.open[-1])
        if levels and len(self.open) + levels > DEEPEST:
            refuse(self.file, "lists and mappings are nested too deep here", f"at most {DEEPEST} levels", *mark)

    def node(self, event: Any) -> tuple[Tree, Address]:
        """Tree and places of any node, its anchor remembered."""
        mark = event.start_mark.line + 1, event.start_mark.column + 1
        if isinstance(event, yaml.AliasEvent):
            return self._alias(event, mark)
        before, place, inside = self.values, Address(mark, mark), not isinstance(event, yaml.ScalarEvent)
        self._enter(1, inside, mark)
        at = event.start_mark.index
        if event.tag is not None or _LONE_TAG.match(self.text, at):
            typed = _TAG.match(self.text, at)
            tag = quoted(typed[1]) if typed else "a tag"
            self._say(mark, f"the tag {tag} stands here", "a value without a tag; " + _QUOTES)
        if event.anchor in self.anchors:
            raise yaml.MarkedYAMLError(problem="duplicate anchor", problem_mark=event.start_mark)
        if event.anchor is not None:
            self.anchors[event.anchor] = [] if isinstance(event, yaml.SequenceStartEvent) else {}, place, 0
        if not inside and (bad := _UNPRINTABLE.search(event.value)):
            self._say(mark, f"an escape stands for the character U+{ord(bad[0]):04X}", "printable text")
        # Only the plain style can stand for nothing without quotes.
        tree = self._inside(event, place) if inside else event.value if event.value or event.style else None
        if event.anchor is not None:
            self.anchors[event.anchor] = tree, place, self.values - before
        return tree, place

    def _alias(self, event: Any, mark: Mark) -> tuple[Tree, Address]:
        """What an alias stands for; what is inside it is counted and nested once more."""
        if event.anchor not in self.anchors:
            raise yaml.MarkedYAMLError(problem="undefined alias", problem_mark=event.start_mark)
        tree, place, values = self.anchors[event.anchor]
        if not values:
            self._say(place.value, f"{_kind(tree)} contains itself through an alias", "aliases of other values")
        self._enter(values, _height(tree), mark)
        return tree, Address(place.value, place.value, place.inside)

    def _inside(self, event: Any, place: Address) -> Tree:
        """The tree of a list or a mapping, its places filled in."""
        self.open.append(place.value)
        tree: dict[str, Tree] | list[Tree] = [] if isinstance(event, yaml.SequenceStartEvent) else {}
        while not isinstance(event := next(self.events), yaml.CollectionEndEvent):
            if isinstance(tree, dict):
                self._pair(event, tree, place)
            else:
                value, place.inside[len(tree)] = self.node(event)
                tree.append(value)
        self.open.pop()
        return tree

    def _pair(self, event: Any, tree: dict[str, Tree], place: Address) -> None:
        """Add a key and its value to a mapping."""
        key, at = self._key(event)
        value, inner = self.node(next(self.events))
        if key in tree:
            found = f"the key {quoted(key)} stands on line {place.inside[key].key[0]} and again on line {at[0]}"
            self._say(at, found, "each key once")
        elif key is not None:
            tree[key] = value
            # Where nothing stands behind the key, the key has to do.
            place.inside[key] = Address(at if value is None else inner.value, at, inner.inside)

    def _key(self, event: Any) -> tuple[str | None, Mark]:
        """A key as typed, None for what can be none, and where it stands."""
        key, place = self.node(event)
        if isinstance(key, (dict, list)):
            self._say(place.value, f"{_kind(key)} stands as a key", "a text as a key; " + _QUOTES)
        elif not key:
            self._say(place.value, "an empty key stands here", "a text as a key")
        elif key == "<<" and isinstance(event, yaml.ScalarEvent) and not event.style:
            self._say(place.value, "the merge key '<<' stands here", "the keys themselves, written out")
        else:
            return key, place.value
        return None, place.value
