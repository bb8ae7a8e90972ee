"""A file's text, the tree of its values as typed and the places of these, refusing what may not stand in YAML."""

from __future__ import annotations

import codecs
import csv
import os
import re
import sys
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, NoReturn, TypeAlias, cast

import yaml

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


MOST_VALUES = 100_000
"""Most values in a file, those reached through an alias counted every time."""
DEEPEST = 50
"""Deepest nesting of lists and mappings."""

_UNTAGGED = "untagged"
# What YAML 1.2 (chapter 5.1) keeps out of a file, and a byte-order mark inside the text. Listing what is
# allowed instead would take the expression seven times as long to compile.
_UNPRINTABLE = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufeff\ufffe\uffff]")
_LONE_TAG = re.compile(r"(?:&\S+\s+)?!(?=\s|\Z)")
_TAG = re.compile(r"(?:&\S+\s+)?(!\S*)")


_TOO_MANY = "the file holds too many values", f"at most {MOST_VALUES}, those behind an alias counted every time"
_TOO_DEEP = "lists and mappings are nested too deep here", f"at most {DEEPEST} levels"


class _TooLarge(Exception):
    """The text nests too deep or holds too many values: the words for it, and the node."""


class _Composing:
    """Loader hooks: no implicit types, and the limits kept before memory or stack run out."""

    values = 0
    depth = 0

    def resolve(self, kind: type, value: str | None, implicit: object) -> str:
        """Give the tag of a node that has none of its own, so that any other tag was typed."""
        return _UNTAGGED

    def descend_resolver(self, parent: yaml.Node | None, index: object) -> None:
        """Count a node; called for every one but an alias."""
        self.values += 1
        self.depth += 1
        if parent is not None and self.values > MOST_VALUES:
            raise _TooLarge(_TOO_MANY, parent)
        if parent is not None and self.depth > DEEPEST + 1:
            raise _TooLarge(_TOO_DEEP, parent)

    def ascend_resolver(self) -> None:
        self.depth -= 1


_PureLoader: Any = type("_PureLoader", (_Composing, yaml.SafeLoader), {})
_LOADER = type("_FastLoader", (_Composing, yaml.CSafeLoader), {}) if yaml.__with_libyaml__ else _PureLoader


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
    try:
        root = _compose(text, file)
        if root is None or (isinstance(root, yaml.ScalarNode) and not root.style and not root.value):
            refuse(file, "the file is empty", _COLON)
        if not isinstance(root, yaml.MappingNode):
            refuse(file, f"{_kind(root)} stands at the top of the file", _COLON, *_start(root))
        walk = _Walk(text, file)
        tree, place = walk.node(root)
    except _TooLarge as error:
        (found, allowed), node = error.args
        refuse(file, found, allowed, *_start(node))
    if walk.found:
        raise BadInput(walk.found)
    return Parsed(file, cast("dict[str, Tree]", tree), place)


def packaged(name: str) -> Parsed:
    """A file of this package, sound because the tests read it, by its path in there; named by the last part of it."""
    return parse((files("constraints") / name).read_text(encoding="utf-8"), name.rpartition("/")[2])


def packaged_rows(package: str, file: str) -> list[dict[str, str]]:
    """The rows of a table that comes with a package, each by the names in its first line."""
    return list(csv.DictReader((files(package) / file).read_text(encoding="utf-8").splitlines()))


def _compose(text: str, file: str) -> Any:
    try:
        return yaml.compose(text, Loader=_LOADER)
    except yaml.MarkedYAMLError as error:
        raise BadInput([_syntax_fault(error, text, file)]) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        # The loader written in Python turns escapes and versions into numbers unchecked.
        refuse(file, "this is not YAML", "no \\U escapes and no % lines")


_COLON = "lines of 'key: value', with a space behind the colon"
_QUOTES = "put the whole text in quotes"


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


def _start(node: yaml.Node) -> Mark:
    return node.start_mark.line + 1, node.start_mark.column + 1


def _kind(node: yaml.Node) -> str:
    if isinstance(node, yaml.ScalarNode):
        return "a text"
    return "a list" if isinstance(node, yaml.SequenceNode) else "a mapping"


class _Walk:
    """Turns composed nodes into a tree and its places, collecting what may not stand in a document."""

    def __init__(self, text: str, file: str) -> None:
        self.text = text
        self.file = file
        self.found: dict[Fault, None] = {}  # keeps order; an alias visits its node, and its faults, again
        self.values = 0
        self.open: set[int] = set()

    def _say(self, node: yaml.Node, found: str, allowed: str) -> None:
        self.found[Fault(self.file, *_start(node), found, allowed)] = None

    def node(self, node: yaml.Node) -> tuple[Tree, Address]:
        """Return the tree and places of any node."""
        place = Address(_start(node), _start(node))
        tree: dict[str, Tree] | list[Tree] = [] if isinstance(node, yaml.SequenceNode) else {}
        if not self._enter(node):
            return tree, place
        if isinstance(node, yaml.ScalarNode):
            # Only the plain style can be empty without quotes; the C loader calls it '' and the other one None.
            return (None if not node.style and not node.value else self._printable(node)), place
        if isinstance(tree, dict):
            self._pairs(node, tree, place)
        else:
            for index, entry in enumerate(node.value):
                value, place.inside[index] = self.node(entry)
                tree.append(value)
        self.open.discard(id(node))
        return tree, place

    def _pairs(self, node: yaml.Node, tree: dict[str, Tree], place: Address) -> None:
        """Fill the tree and places of a mapping."""
        for key_node, value_node in node.value:
            key = self._key(key_node)
            value, inner = self.node(value_node)
            if key in tree:
                first, again = place.inside[key].key[0], _start(key_node)[0]
                found = f"the key {quoted(key)} stands on line {first} and again on line {again}"
                self._say(key_node, found, "each key once")
            elif key is not None:
                tree[key] = value
                inner.key = _start(key_node)
                if value is None:  # nothing stands anywhere, so the key has to do
                    inner.value = inner.key
                place.inside[key] = inner

    def _enter(self, node: yaml.Node) -> bool:
        """Count the node and check its tag; False when it stands inside itself."""
        self.values += 1
        if self.values > MOST_VALUES:
            raise _TooLarge(_TOO_MANY, node)
        at = node.start_mark.index
        if node.tag != _UNTAGGED or _LONE_TAG.match(self.text, at):
            typed = _TAG.match(self.text, at)
            tag = quoted(typed[1]) if typed else "a tag"
            self._say(node, f"the tag {tag} stands here", "a value without a tag; " + _QUOTES)
        if isinstance(node, yaml.ScalarNode):
            return True
        if id(node) in self.open:
            self._say(node, f"{_kind(node)} contains itself through an alias", "aliases of other values")
            return False
        if len(self.open) >= DEEPEST:
            raise _TooLarge(_TOO_DEEP, node)
        self.open.add(id(node))
        return True

    def _key(self, node: yaml.Node) -> str | None:
        if not isinstance(node, yaml.ScalarNode):
            self._say(node, f"{_kind(node)} stands as a key", "a text as a key; " + _QUOTES)
            return None
        self._enter(node)
        if not node.value:
            self._say(node, "an empty key stands here", "a text as a key")
            return None
        if node.value == "<<" and not node.style:
            self._say(node, "the merge key '<<' stands here", "the keys themselves, written out")
            return None
        return self._printable(node)

    def _printable(self, node: yaml.ScalarNode) -> str:
        value: str = node.value
        if bad := _UNPRINTABLE.search(value):
            self._say(node, f"an escape stands for the character U+{ord(bad[0]):04X}", "printable text")
        return value
