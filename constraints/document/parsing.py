"""Parse a YAML text into typed text with places, refusing what may not stand in a file."""

from __future__ import annotations

import csv
import re
from importlib.resources import files
from typing import Any, cast

import yaml

from constraints.document.place import Address, Mark, Parsed, Tree, label, quoted, refuse
from constraints.faults import BadInput, Fault

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
