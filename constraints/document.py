"""A YAML text as a tree of typed text in which every value has a place, and its check against a model.

YAML would turn ``no`` into false, ``007`` into 7 and ``1.5`` into a binary float. Here every scalar stays
the text that was typed; the field types below (``Number``, ``Day``, ...) read that text, and every fault of
a file is reported at once with its line and column. Lines, columns and list entries are counted from 1.
"""

from __future__ import annotations

import ast
import codecs
import inspect
import os
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import Enum
from fractions import Fraction
from functools import cache, partial
from itertools import pairwise
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NoReturn, TypeAlias, TypeVar, Union, cast, get_args, get_origin

import yaml

# Looking for plugins reads the metadata of every installed package; none is used here.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

from pydantic import (
    BaseModel,
    ConfigDict,
    PlainSerializer,
    PlainValidator,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic.fields import FieldInfo
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import ErrorDetails, PydanticCustomError
from pydantic_core.core_schema import CoreSchema, ErrorType, ModelSchema, with_info_plain_validator_function

from constraints.faults import BadInput, Fault, Severity, nearest
from constraints.numbers import PERCENT, NotANumber, exact, trimmed

Tree: TypeAlias = "dict[str, Tree] | list[Tree] | str | None"
"""Typed text, nested; None is a key with nothing behind it."""
Loc: TypeAlias = tuple[str | int, ...]
"""The way to a value: keys and list indices (from 0) from the top of the tree."""
Mark: TypeAlias = tuple[int, int]
"""Line and column, from 1."""

MOST_BYTES = 20_000_000
"""Largest file read, in bytes: far above any recipe, and small enough to refuse a wrong file quickly."""
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


# ---------------------------------------------------------------------------------------------------------
# Reading


def read_text(path: str) -> str:
    """Read a whole UTF-8 file, or standard input when ``path`` is ``-``, without its byte-order mark.

    Raises BadInput with one fault when there is no such file, it is a directory, cannot be opened, is larger
    than MOST_BYTES or is not UTF-8.
    """
    file = _label(path)
    data = _read_bytes(path, file)
    if len(data) > MOST_BYTES:
        _refuse(file, f"the file is larger than {MOST_BYTES // 1_000_000} MB", "a recipe or a rule pack")
    save = "save the file as UTF-8"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_BE)):
        _refuse(file, "the file is UTF-16 (or UTF-32) text", save)
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        _refuse(file, "the file holds NUL bytes: it is UTF-16 text, or no text at all", save, line)
    data = data.removeprefix(codecs.BOM_UTF8)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8")) + 1
        found = f"line {line} holds the byte 0x{data[error.start]:02X}, which is not UTF-8"
    _refuse(file, found, save, line, column)


def _label(path: str) -> str:
    return "standard input" if path == "-" else path


def _refuse(file: str, found: str, allowed: str, line: int | None = None, column: int | None = None) -> NoReturn:
    raise BadInput([Fault(file, line, column, found, allowed)]) from None


def _read_bytes(path: str, file: str) -> bytes:
    """Read at most one byte more than the limit, so that an endless source ends too."""
    try:
        if path == "-":
            return sys.stdin.buffer.read(MOST_BYTES + 1)
        if os.path.isdir(path):
            _refuse(file, "this is a directory", "a file")
        with open(path, "rb") as handle:
            return handle.read(MOST_BYTES + 1)
    except FileNotFoundError:
        _refuse(file, "there is no such file", "the path of a file, or - for standard input")
    except PermissionError:
        _refuse(file, "you may not read this file", "a file you have permission to read")
    except (OSError, ValueError, AttributeError) as error:
        # ValueError: a NUL in the path, or a closed stream. AttributeError: no standard input at all.
        reason = getattr(error, "strerror", None) or "nothing to read from"
        _refuse(file, f"the file cannot be read: {_clean(reason)}", "a file that can be opened")


# ---------------------------------------------------------------------------------------------------------
# The document and its places


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
        words = _clean(f"{path}: {found}" if path else found)
        return Fault(self.file, line, column, words, _clean(allowed), severity)


def shown_path(loc: Loc) -> str:
    """Write a loc as people count: ``("additions", 1, "grams")`` is ``additions[2].grams``."""
    words = ""
    for part in loc:
        if isinstance(part, int):
            words += f"[{part + 1}]"
        else:
            name = part if re.fullmatch(r"[\w-]+", part) else _quoted(part)
            words += f".{name}" if words else name
    return words


def _clean(text: str) -> str:
    """Escape control characters, so that a file cannot steer the terminal that shows its faults."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _quoted(text: str, longest: int = 60) -> str:
    return f"'{_clean(text if len(text) <= longest else text[:longest] + '...')}'"


# ---------------------------------------------------------------------------------------------------------
# Parsing


class _TooLarge(Exception):
    """The text nests too deep or holds too many values; carries the words and the place."""

    def __init__(self, found: str, allowed: str, mark: Mark) -> None:
        super().__init__(found)
        self.found, self.allowed, self.mark = found, allowed, mark


def _too_many(mark: Mark) -> _TooLarge:
    allowed = f"at most {MOST_VALUES}, those behind an alias counted every time"
    return _TooLarge("the file holds too many values", allowed, mark)


def _too_deep(mark: Mark) -> _TooLarge:
    return _TooLarge("lists and mappings are nested too deep here", f"at most {DEEPEST} levels", mark)


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
            raise _too_many(_start(parent))
        if parent is not None and self.depth > DEEPEST + 1:
            raise _too_deep(_start(parent))

    def ascend_resolver(self) -> None:
        self.depth -= 1


class _PureLoader(_Composing, yaml.SafeLoader):
    pass


_LOADER: Any = _PureLoader
if yaml.__with_libyaml__:

    class _FastLoader(_Composing, yaml.CSafeLoader):
        pass

    _LOADER = _FastLoader


def parse(text: str, file: str) -> Document:
    """Parse one YAML mapping into text with places; the scalars are the text as typed.

    Raises BadInput: one fault for broken syntax, or all of these at once: duplicate keys, keys that are no
    text, tags, merge keys, aliases that contain themselves, characters that may not stand in a file.
    """
    file = _label(file)
    text = text.removeprefix("\ufeff")
    if bad := _UNPRINTABLE.search(text):
        mark = text.count("\n", 0, bad.start()) + 1, bad.start() - text.rfind("\n", 0, bad.start())
        _refuse(file, f"the character U+{ord(bad[0]):04X} may not stand in a file", "printable text", *mark)
    try:
        root = _compose(text, file)
        if root is None or (isinstance(root, yaml.ScalarNode) and not root.style and not root.value):
            _refuse(file, "the file is empty", _COLON)
        if not isinstance(root, yaml.MappingNode):
            _refuse(file, f"{_kind(root)} stands at the top of the file", _COLON, *_start(root))
        walk = _Walk(text, file)
        tree, place = walk.mapping(root)
    except _TooLarge as error:
        _refuse(file, error.found, error.allowed, *error.mark)
    if walk.faults:
        raise BadInput(walk.faults)
    return Document(file, tree, place)


def _compose(text: str, file: str) -> yaml.Node | None:
    try:
        root: yaml.Node | None = yaml.compose(text, Loader=_LOADER)
        return root
    except yaml.MarkedYAMLError as error:
        raise BadInput([_syntax_fault(error, text, file)]) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        # The loader written in Python turns escapes and versions into numbers unchecked.
        _refuse(file, "this is not YAML", "no \\U escapes and no % lines")


_COLON = "lines of 'key: value', with a space behind the colon"
_QUOTES = "put the whole text in quotes"
_LINE_UP = "line up the keys of one mapping under each other; put a text that holds ': ' in quotes"
_ESCAPE = "'\\\\' for a backslash, or single quotes around the text"
_AT_MARK, _AT_OPENING = False, True
# A piece of the parser's own message, then what to say and whether to say it where the construct opened.
_SYNTAX = (
    ("another document", "a second document starts here", "one document in a file", _AT_MARK),
    ("nesting depth", "lists and mappings are nested too deep here", f"at most {DEEPEST} levels", _AT_MARK),
    ("mapping values are not allowed", "a colon cannot stand here", _LINE_UP, _AT_MARK),
    ("entries are not allowed", "a list entry cannot stand here", "each '- ' on its own line", _AT_MARK),
    ("mapping keys are not allowed", "a question mark cannot stand here", _QUOTES, _AT_MARK),
    ("could not find expected ':'", "this line has no colon", _COLON, _AT_OPENING),
    ("unexpected end of stream", "the quote opened here is never closed", "a closing quote", _AT_OPENING),
    ("unexpected document", "the quote opened here is never closed", "a closing quote", _AT_OPENING),
    ("undefined alias", "'*' names an anchor that stands nowhere above", _QUOTES, _AT_MARK),
    ("duplicate anchor", "this anchor ('&') stands a second time", "each anchor once", _AT_MARK),
    ("scanning an alias", "a text cannot start with '*'", _QUOTES, _AT_OPENING),
    ("scanning an anchor", "a text cannot start with '&'", _QUOTES, _AT_OPENING),
    (" tag", "a text cannot start with '!'", _QUOTES, _AT_OPENING),
    ("directive", "a line cannot start with '%'", _QUOTES, _AT_MARK),
    ("incompatible", "a line cannot start with '%'", _QUOTES, _AT_MARK),
    ("escape", "this backslash starts no known escape", _ESCAPE, _AT_MARK),
    ("hexadecimal", "this backslash starts no known escape", _ESCAPE, _AT_MARK),
    ("cannot start any token", "a text cannot start with this character", _QUOTES, _AT_MARK),
    ("flow sequence", "the '[' opened here is not closed, or a comma is missing", "[a, b]", _AT_OPENING),
    ("flow mapping", "the '{' opened here is not closed, or a comma is missing", "{key: value}", _AT_OPENING),
    ("block scalar", "something stands behind '|' or '>'", "the text on the lines below", _AT_OPENING),
    ("node content", "this character cannot stand where a value is needed", _QUOTES, _AT_MARK),
    ("", "this does not fit what stands before it", _LINE_UP, _AT_MARK),
)


def _syntax_fault(error: yaml.MarkedYAMLError, text: str, file: str) -> Fault:
    mark = error.problem_mark or error.context_mark
    said = f"{error.context or ''} {error.problem or ''}"
    if mark is not None:
        before = text[text.rfind("\n", 0, mark.index) + 1 : mark.index]
        if text[mark.index : mark.index + 1] == "\t" and not before.strip():
            found = "the line is indented with a tab"
            return Fault(file, mark.line + 1, mark.column + 1, found, "spaces only")
    found, allowed, opening = next(row[1:] for row in _SYNTAX if row[0] in said)
    if opening and error.context_mark is not None:
        mark = error.context_mark
    if mark is None:
        return Fault(file, None, None, found, allowed)
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

    @property
    def faults(self) -> list[Fault]:
        return list(self.found)

    def _say(self, node: yaml.Node, found: str, allowed: str) -> None:
        self.found[Fault(self.file, *_start(node), found, allowed)] = None

    def node(self, node: yaml.Node) -> tuple[Tree, Place]:
        """Return the tree and places of any node."""
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node)
        if isinstance(node, yaml.SequenceNode):
            return self._sequence(node)
        assert isinstance(node, yaml.ScalarNode)
        self._enter(node)
        # Only the plain style can be empty without quotes; the C loader calls it '' and the other one None.
        empty = not node.style and not node.value
        return (None if empty else self._printable(node)), Place(_start(node), _start(node))

    def mapping(self, node: yaml.MappingNode) -> tuple[dict[str, Tree], Place]:
        """Return the tree and places of a mapping."""
        tree: dict[str, Tree] = {}
        place = Place(_start(node), _start(node))
        if not self._enter(node):
            return tree, place
        for key_node, value_node in node.value:
            key = self._key(key_node)
            value, inner = self.node(value_node)
            if key in tree:
                first, again = place.inside[key].key[0], _start(key_node)[0]
                found = f"the key {_quoted(key)} stands on line {first} and again on line {again}"
                self._say(key_node, found, "each key once")
            elif key is not None:
                tree[key] = value
                inner.key = _start(key_node)
                if value is None:  # nothing stands anywhere, so the key has to do
                    inner.value = inner.key
                place.inside[key] = inner
        self.open.discard(id(node))
        return tree, place

    def _sequence(self, node: yaml.SequenceNode) -> tuple[Tree, Place]:
        tree: list[Tree] = []
        place = Place(_start(node), _start(node))
        if not self._enter(node):
            return tree, place
        for index, entry in enumerate(node.value):
            value, place.inside[index] = self.node(entry)
            tree.append(value)
        self.open.discard(id(node))
        return tree, place

    def _enter(self, node: yaml.Node) -> bool:
        """Count the node and check its tag; False when it stands inside itself."""
        self.values += 1
        if self.values > MOST_VALUES:
            raise _too_many(_start(node))
        at = node.start_mark.index
        if node.tag != _UNTAGGED or _LONE_TAG.match(self.text, at):
            typed = _TAG.match(self.text, at)
            tag = _quoted(typed[1]) if typed else "a tag"
            self._say(node, f"the tag {tag} stands here", "a value without a tag; " + _QUOTES)
        if isinstance(node, yaml.ScalarNode):
            return True
        if id(node) in self.open:
            self._say(node, f"{_kind(node)} contains itself through an alias", "aliases of other values")
            return False
        if len(self.open) >= DEEPEST:
            raise _too_deep(_start(node))
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


# ---------------------------------------------------------------------------------------------------------
# Field types: each reads the typed text, and takes the Python value it would make


def refusal(found: str, allowed: str, at: Loc = ()) -> PydanticCustomError:
    """Make the error for a model's validator to raise; it reaches the user as a fault in these words.

    ``at`` leads from the value being validated to the part that is at fault.
    """
    words: dict[str, Any] = {"found": found, "allowed": allowed, "at": at}
    return PydanticCustomError("unfit", "{found} (allowed: {allowed})", words)


def _figure(value: object, allowed: str) -> tuple[Fraction, str]:
    """Return the exact figure, and the figure as it is to be shown."""
    if isinstance(value, Fraction) or (isinstance(value, int) and not isinstance(value, bool)):
        return Fraction(value), trimmed(Fraction(value))
    if isinstance(value, float):
        raise refusal(f"{value} is a binary float and not exact", f"{allowed}, as text, int or Fraction")
    if not isinstance(value, str):
        raise refusal(f"{_what(value)} stands here", allowed)
    try:
        return exact(value), value.strip()
    except NotANumber as error:
        raise refusal(str(error), allowed) from None


def _number(
    allowed: str, low: int | None = None, high: int | None = None, above: int | None = None
) -> Callable[[object], Fraction]:
    """Make a reader of figures with low <= figure <= high and above < figure."""

    def read(value: object) -> Fraction:
        figure, typed = _figure(value, allowed)
        if (low is not None and figure < low) or (above is not None and figure <= above):
            raise refusal(f"{typed} is too small", allowed)
        if high is not None and figure > high:
            raise refusal(f"{typed} is too large", allowed)
        return figure

    return read


def _whole(value: object) -> int:
    allowed = "a whole number of 1 or more"
    figure, typed = _figure(value, allowed)
    if figure.denominator != 1:
        raise refusal(f"{typed} is not a whole number", allowed)
    if figure < 1:
        raise refusal(f"{typed} is too small", allowed)
    return int(figure)


def _yes_no(value: object) -> bool:
    if isinstance(value, bool):
        return value
    word = value.strip().casefold() if isinstance(value, str) else ""
    if word in ("true", "yes"):
        return True
    if word in ("false", "no"):
        return False
    raise refusal(f"{_what(value)} stands here", "true, false, yes or no")


def _day(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    allowed = "a date as YYYY-MM-DD"
    typed = value.strip() if isinstance(value, str) else ""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", typed, re.ASCII):
        raise refusal(f"{_what(value)} stands here", allowed)
    try:
        return date.fromisoformat(typed)
    except ValueError:
        raise refusal(f"{typed} is an impossible date", f"{allowed} that the calendar has") from None


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise refusal(f"{_what(value)} stands here", "a text that is not empty")
    return value.strip()


def _in_json(value: Fraction) -> int | float:
    """For showing only (a schema's defaults, JSON output): JSON has no exact fractions."""
    return value.numerator if value.denominator == 1 else float(value)


_JSON = PlainSerializer(_in_json, when_used="json")

Number = Annotated[Fraction, PlainValidator(_number("a number")), _JSON, WithJsonSchema({"type": "number"})]
"""Any figure, exact."""
Positive = Annotated[
    Fraction,
    PlainValidator(_number("a number above 0", above=0)),
    _JSON,
    WithJsonSchema({"type": "number", "exclusiveMinimum": 0}),
]
"""A figure > 0, exact."""
NotNegative = Annotated[
    Fraction,
    PlainValidator(_number("a number of 0 or more", low=0)),
    _JSON,
    WithJsonSchema({"type": "number", "minimum": 0}),
]
"""A figure >= 0, exact."""
Percent = Annotated[
    Fraction,
    PlainValidator(_number(f"a number from 0 to {PERCENT}", low=0, high=PERCENT)),
    _JSON,
    WithJsonSchema({"type": "number", "minimum": 0, "maximum": PERCENT}),
]
"""Percent, 0 <= figure <= 100, exact."""
PositivePercent = Annotated[
    Fraction,
    PlainValidator(_number(f"a number above 0 and at most {PERCENT}", above=0, high=PERCENT)),
    _JSON,
    WithJsonSchema({"type": "number", "exclusiveMinimum": 0, "maximum": PERCENT}),
]
"""Percent, 0 < figure <= 100, exact."""
Whole = Annotated[int, PlainValidator(_whole), WithJsonSchema({"type": "integer", "minimum": 1})]
"""A whole number >= 1."""
YesNo = Annotated[bool, PlainValidator(_yes_no), WithJsonSchema({"type": "boolean"})]
"""true, false, yes or no, in any case."""
Day = Annotated[date, PlainValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
"""A day of the calendar as YYYY-MM-DD."""
Name = Annotated[str, PlainValidator(_name), WithJsonSchema({"type": "string", "minLength": 1, "pattern": r"\S"})]
"""A text that is not empty, without spaces around it."""


class _JsonSchema(GenerateJsonSchema):
    """Writes exact defaults as the numbers that their fields' schema promises, not as text."""

    def encode_default(self, dft: Any) -> Any:
        return super().encode_default(_default_in_json(dft))

    def model_schema(self, schema: ModelSchema) -> JsonSchemaValue:
        found = super().model_schema(schema)
        model: type[BaseModel] = schema["cls"]
        for name, words in _attribute_docstrings(model).items():
            info = model.model_fields.get(name)
            key = name if info is None or info.alias is None else info.alias
            if key in found.get("properties", {}):
                found["properties"][key].setdefault("description", words)
        return found


def _attribute_docstrings(model: type[BaseModel]) -> dict[str, str]:
    """The texts below the fields of a model and of its bases, by the field's name; a model made on the fly has none."""
    found: dict[str, str] = {}
    for owner in reversed(model.__mro__):
        found |= _texts_by_class(owner.__module__).get(owner.__qualname__, {})
    return found


@cache
def _texts_by_class(module: str) -> dict[str, dict[str, str]]:
    """Of every class at the top of a module's source, the text below each of its annotated names."""
    try:
        tree = ast.parse(inspect.getsource(sys.modules[module]))
    except (KeyError, OSError, TypeError):
        return {}
    return {part.name: _texts(part.body) for part in tree.body if isinstance(part, ast.ClassDef)}


def _texts(body: list[ast.stmt]) -> dict[str, str]:
    found = {}
    for named, text in pairwise(body):
        if not isinstance(named, ast.AnnAssign) or not isinstance(named.target, ast.Name):
            continue
        if isinstance(text, ast.Expr) and isinstance(text.value, ast.Constant):
            found[named.target.id] = inspect.cleandoc(str(text.value.value))
    return found


def _default_in_json(value: Any) -> Any:
    if isinstance(value, Fraction):
        return _in_json(value)
    if isinstance(value, (list, tuple)):
        return [_default_in_json(entry) for entry in value]
    if isinstance(value, dict):
        return {key: _default_in_json(entry) for key, entry in value.items()}
    return value


LATER = {"later": True}
"""Validation context of a file known to be sound: what is Deferred is read only when it is asked for."""


class Deferred:
    """Marks a field whose model is built only where a file uses it: there are many kinds, and most files use few."""

    def __init__(self, model: type[BaseModel]) -> None:
        self.model = model

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """Validate with the model, whose errors keep their places; with LATER, not before it is asked for."""
        return with_info_plain_validator_function(self._read)

    def _read(self, value: Any, info: ValidationInfo) -> Any:
        if info.context is LATER:
            return partial(self.model.model_validate, value)
        return self.model.model_validate(value)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: Any) -> dict[str, Any]:
        """The model's own JSON Schema."""
        self.model.model_rebuild()
        found: dict[str, Any] = handler(self.model.__pydantic_core_schema__)
        return found


class Strict(BaseModel):
    """Base of everything read from a file: unknown keys are errors, and a model never changes once read."""

    # Attribute docstrings are read only for the JSON Schema: reading them needs the source, at every start.
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True)

    @classmethod
    def model_json_schema(cls, *args: Any, **kwargs: Any) -> dict[str, Any]:
        """Return the JSON Schema of the file; attribute docstrings are its descriptions."""
        if len(args) < 3:  # by_alias, ref_template, schema_generator
            kwargs.setdefault("schema_generator", _JsonSchema)
        return super().model_json_schema(*args, **kwargs)


# ---------------------------------------------------------------------------------------------------------
# What a model wants at a place


@dataclass(frozen=True)
class _Wanted:
    """What may stand at a place: one annotation, or several of a union (None and wrappers taken off)."""

    options: tuple[Any, ...]
    discriminator: Any = None

    @property
    def only(self) -> Any:
        return self.options[0] if len(self.options) == 1 else None

    @property
    def model(self) -> type[BaseModel] | None:
        only = self.only
        return only if isinstance(only, type) and issubclass(only, BaseModel) else None

    def known_keys(self) -> list[str]:
        """Return the keys of the model that stands here, as they are written in a file."""
        return list(_fields(self.model)) if self.model else []

    def kinds(self) -> Iterator[Any]:
        """Yield the plain annotations that may stand here, those of nested unions too."""
        for option in self.options:
            inner = _wanted(option)
            yield from inner.options if inner.options == (option,) else inner.kinds()

    def words(self) -> list[str]:
        """Return the fixed words that may stand here."""
        found: list[str] = []
        for kind in self.kinds():
            if get_origin(kind) is Literal:
                found += [str(word) for word in get_args(kind)]
            elif isinstance(kind, type) and issubclass(kind, Enum):
                found += [str(member.value) for member in kind]
        return found

    def described(self) -> str:
        """Say what may stand here."""
        said = dict.fromkeys([f"one of {', '.join(self.words())}"] if self.words() else [])
        for kind in self.kinds():
            base = get_origin(kind) or kind
            if isinstance(base, type) and not issubclass(base, Enum):
                said.update(dict.fromkeys([words for kinds, words in _KINDS if issubclass(base, kinds)][:1]))
        return " or ".join(said) or "a value of another kind"

    def entry(self, part: str | int) -> _Wanted:
        """Return what may stand behind a key, or as an entry of a list."""
        if self.model is not None:
            info = _fields(self.model).get(str(part))
            return _wanted(info.annotation, info.discriminator) if info else _UNKNOWN
        arguments = get_args(self.only)
        base = get_origin(self.only)
        if not isinstance(base, type) or not arguments:
            return _UNKNOWN
        if issubclass(base, tuple) and arguments[-1] is not Ellipsis:
            return _wanted(arguments[part]) if isinstance(part, int) and part < len(arguments) else _UNKNOWN
        return _wanted(arguments[0] if isinstance(part, int) else arguments[-1])

    def keys(self) -> _Wanted:
        """Return what the keys of a free mapping may be."""
        arguments = get_args(self.only)
        return _wanted(arguments[0]) if len(arguments) > 1 else _UNKNOWN

    def branch(self, tag: str) -> _Wanted:
        """Find the option that an error's label means: a discriminator's word or a type's name."""
        for option in self.options:
            extras = get_args(option)[1:] if get_origin(option) is Annotated else ()
            if any(getattr(extra, "tag", None) == tag for extra in extras):
                return _wanted(option)
        for option in self.options:
            wanted = _wanted(option)
            if self.discriminator is not None and tag in wanted.entry(self.discriminator).words():
                return wanted
        named = [(_wanted(option), _type_name(option)) for option in self.options]
        for fits in ("{}", r"{}\[.*", r"function.*\b{}\]"):
            for wanted, name in named:
                if re.fullmatch(fits.format(re.escape(name)), tag):
                    return wanted
        return _UNKNOWN


def _type_name(annotation: Any) -> str:
    only = _wanted(annotation).only
    return str(getattr(get_origin(only) or only, "__name__", "?"))


_UNKNOWN = _Wanted(())
_LIST = "a list of '- ' lines"
_MAPPING = "a mapping of 'key: value' lines"
_KINDS: tuple[tuple[tuple[type, ...], str], ...] = (
    ((bool,), "true or false"),
    ((int,), "a whole number"),
    ((Fraction, float), "a number"),
    ((date,), "a date as YYYY-MM-DD"),
    ((str,), "a text"),
    ((dict, BaseModel), _MAPPING),
    ((list, tuple, set, frozenset), _LIST),
)


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Map the keys that a file writes to a model's fields."""
    fields: dict[str, FieldInfo] = {}
    for name, info in model.model_fields.items():
        alias = info.validation_alias if isinstance(info.validation_alias, str) else info.alias
        fields[alias or name] = info
    return fields


def _wanted(annotation: Any, discriminator: Any = None) -> _Wanted:
    """Take off Annotated, ``| None``, named aliases and root models."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation, *extras = get_args(annotation)
            named = [extra.discriminator for extra in extras if getattr(extra, "discriminator", None)]
            discriminator = named[0] if named else discriminator
        elif origin in (Union, UnionType):
            options = tuple(option for option in get_args(annotation) if option is not NoneType)
            if len(options) != 1:
                return _Wanted(options, discriminator)
            annotation = options[0]
        elif hasattr(annotation, "__value__"):
            annotation = annotation.__value__
        elif isinstance(annotation, type) and getattr(annotation, "__pydantic_root_model__", False):
            info = cast("type[BaseModel]", annotation).model_fields["root"]
            annotation, discriminator = info.annotation, info.discriminator
        else:
            return _Wanted((annotation,), discriminator)


# ---------------------------------------------------------------------------------------------------------
# Validation

M = TypeVar("M", bound=BaseModel)


def validate(document: Document, model: type[M], *, blanks: bool = False, context: Any = None) -> M:
    """Build the model from the document; raises BadInput with every fault, in the order of the file.

    A key with nothing behind it is a fault even where the model takes None, unless ``blanks`` is true: a
    limit left blank must not become no limit. ``context`` may be LATER.
    """
    told: list[_Told] = []
    built: M | None = None
    try:
        built = model.model_validate(document.tree, context=context)
    except ValidationError as error:
        told = _settled([_told(one, model, document.tree) for one in error.errors(include_url=False)])
    if not blanks:
        seen = {one.path for one in told}
        told += [_Told(loc, _what(None) + _HERE, _BLANK) for loc in _blanks(document.tree) if loc not in seen]
    if built is not None and not told:
        return built
    told.sort(key=lambda one: document.mark(one.path, key=one.key))
    faults = [document.fault(one.path, one.found, one.allowed, key=one.key) for one in told]
    raise BadInput(dict.fromkeys(faults))


_HERE = " stands here"
_BLANK = "a value; leave the key out where none is meant"


def _blanks(tree: Tree, loc: Loc = ()) -> Iterator[Loc]:
    if tree is None:
        yield loc
    elif not isinstance(tree, str):
        for part in tree if isinstance(tree, dict) else range(len(tree)):
            yield from _blanks(_entry(tree, part), (*loc, part))


def _holds(tree: Tree, part: object) -> bool:
    if isinstance(tree, list):
        return isinstance(part, int) and part < len(tree)
    return isinstance(tree, dict) and part in tree


def _entry(tree: Any, part: str | int) -> Tree:
    entry: Tree = tree[part]
    return entry


@dataclass(frozen=True)
class _Spot:
    """Where an error's loc leads.

    ``holder`` is what is wanted one step above and ``beside`` what stands there; ``branches`` are the union
    alternatives on the way, outermost first: where the union stands and the label of the alternative.
    """

    path: Loc
    wanted: _Wanted
    holder: _Wanted
    beside: Tree
    key: bool
    branches: tuple[tuple[Loc, str], ...]


def _spot(loc: Loc, model: type[BaseModel], tree: Tree) -> _Spot:
    """Follow a loc through model and tree; the labels of union alternatives in it are not in the tree."""
    wanted, holder = _wanted(model), _UNKNOWN
    path: Loc = ()
    beside: Tree = None
    branches: list[tuple[Loc, str]] = []
    key = False
    for part in loc:
        if len(wanted.options) > 1 and isinstance(part, str):
            if wanted.discriminator is None:
                branches.append((path, part))
            wanted = wanted.branch(part)
        elif _holds(tree, part):
            path, holder, wanted = (*path, part), wanted, wanted.entry(part)
            beside, tree = tree, _entry(tree, part)
        elif part == "[key]":
            key, wanted = True, holder.keys()
    return _Spot(path, wanted, holder, beside, key, tuple(branches))


@dataclass(frozen=True)
class _Told:
    """One fault before it has a line.

    ``shape``: the value is of another kind than wanted, so that this alternative of a union was not meant;
    ``lack``: something is missing inside the value.
    """

    path: Loc
    found: str
    allowed: str
    key: bool = False
    shape: bool = False
    lack: bool = False
    branches: tuple[tuple[Loc, str], ...] = ()


def _told(error: ErrorDetails, model: type[BaseModel], tree: Tree) -> _Told:
    """Put one validation error into plain words."""
    spot = _spot(error["loc"], model, tree)
    kind, value = error["type"], error["input"]
    context = error.get("ctx", {})
    if kind in ("missing", "union_tag_not_found"):
        found, allowed = _lacking(error, spot)
        return _Told(spot.path, found, allowed, lack=True, branches=spot.branches)
    if kind == "extra_forbidden":
        found, allowed = _unknown_key(spot)
        return _Told(spot.path, found, allowed, key=True, branches=spot.branches)
    path = spot.path
    if kind == "union_tag_invalid" and _holds(value, spot.wanted.discriminator):
        path = (*path, str(spot.wanted.discriminator))
    elif kind == "unfit":
        path = (*path, *context.get("at", ()))
    found, allowed = _words(error, spot.wanted)
    found = f"as a key, {found}" if spot.key else found
    shape = kind in _SHAPES or (kind in ("unfit", "literal_error", "enum") and not isinstance(value, str))
    return _Told(path, found, allowed, spot.key, shape, branches=spot.branches)


def _unknown_key(spot: _Spot) -> tuple[str, str]:
    word = str(spot.path[-1]) if spot.path else ""
    known = spot.holder.known_keys()
    absent = [name for name in known if not _holds(spot.beside, name)]
    near = nearest(word, absent) or nearest(word, known)
    allowed = f"known keys: {', '.join(known)}" if known else "no such key"
    allowed = f"did you mean '{near}'?" if near else allowed
    if word.isdigit() and _holds(spot.beside, word) and _entry(spot.beside, word) is None:
        allowed = "no decimal comma: {a: 1,5} is read as {a: 1, 5: }; write 1.5"
    return f"unknown key {_quoted(word)}", allowed


def _lacking(error: ErrorDetails, spot: _Spot) -> tuple[str, str]:
    name: object = error["loc"][-1] if error["loc"] else ""
    required = "it is required"
    if error["type"] == "union_tag_not_found":
        name = spot.wanted.discriminator
        if not isinstance(name, str):
            return "what stands here is of no known kind", spot.wanted.described()
        words = [word for option in spot.wanted.options for word in _wanted(option).entry(name).words()]
        required += f": one of {', '.join(words)}" if words else ""
    if isinstance(name, int):
        return f"entry {name + 1} is missing", required
    return f"the key {_quoted(str(name))} is missing", required


def _words(error: ErrorDetails, wanted: _Wanted) -> tuple[str, str]:
    """Say what was found and what is allowed, for an error of a value."""
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    found, allowed = f"{_what(value)} cannot stand here", wanted.described()
    if kind == "unfit":
        found, allowed = str(context.get("found", "")), str(context.get("allowed", ""))
    elif kind in ("value_error", "assertion_error"):
        found, allowed = str(context.get("error", "")) or found, ""
    elif kind not in _BUILT_IN:
        found, allowed = error["msg"], ""  # a validator's own words
    elif kind == "union_tag_invalid":
        typed = _entry(value, str(wanted.discriminator)) if _holds(value, wanted.discriminator) else None
        found, allowed = _not_among(typed, _listed(str(context.get("expected_tags", ""))))
    elif kind in ("literal_error", "enum"):
        found, allowed = _not_among(value, wanted.words() or _listed(str(context.get("expected", ""))))
    elif kind in _SHAPES:
        found, allowed = _what(value) + _HERE, _SHAPES[kind]
    elif kind in _LIMITS:
        found, allowed = _beyond(kind, value, context)
    elif kind in _FIGURES:
        found = f"{str(value).strip()} cannot stand here"
        try:
            exact(str(value))
        except NotANumber as hint:
            found = str(hint)
    return found, allowed


def _beyond(kind: str, value: object, context: dict[str, Any]) -> tuple[str, str]:
    """Say how a value breaks a limit that the field itself sets."""
    name, words, allowed = _LIMITS[kind]
    limit = context.get(name)
    if exact_limit := re.fullmatch(r"(?:Fraction\()?(-?\d+)(?:, |/)(\d+)\)?", str(limit)):
        limit = trimmed(Fraction(int(exact_limit[1]), int(exact_limit[2])))
    what = re.sub("^a ", "this ", _what(value))
    if kind in _OF_FIGURES and isinstance(value, (str, int, Fraction)):
        what = value.strip() if isinstance(value, str) else str(value)
    return f"{what} {words}", allowed.format(limit)


def _what(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return f"the text {_quoted(value)}"
    if isinstance(value, (dict, BaseModel)):
        return "a mapping"
    if isinstance(value, (list, tuple, set, frozenset)):
        return "a list"
    return _quoted(str(value))


def _not_among(value: object, words: list[str]) -> tuple[str, str]:
    allowed = f"one of {', '.join(words)}"
    if not isinstance(value, str):
        return _what(value) + _HERE, allowed
    near = nearest(value, words)
    return f"{_quoted(value)} is not an allowed word", allowed + (f"; did you mean '{near}'?" if near else "")


def _listed(expected: str) -> list[str]:
    """Take the words out of a list such as ``'a', 'b' or 'c'``."""
    return [one or other for one, other in re.findall(r"""'([^']*)'|"([^"]*)\"""", expected)]


_BUILT_IN = frozenset(get_args(ErrorType))
_SHAPES = {
    **dict.fromkeys(("model_type", "model_attributes_type", "dataclass_type"), _MAPPING),
    **dict.fromkeys(("dict_type", "mapping_type"), _MAPPING),
    **dict.fromkeys(("list_type", "tuple_type", "set_type", "frozen_set_type", "iterable_type"), _LIST),
    **dict.fromkeys(("float_type", "decimal_type", "fraction_type"), "a number"),
    "string_type": "a text",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "date_type": "a date as YYYY-MM-DD",
    "none_required": "nothing",
}
_OF_FIGURES = ("greater_than", "greater_than_equal", "less_than", "less_than_equal", "multiple_of")
_LIMITS = {
    "greater_than": ("gt", "is too small", "more than {}"),
    "greater_than_equal": ("ge", "is too small", "at least {}"),
    "less_than": ("lt", "is too large", "less than {}"),
    "less_than_equal": ("le", "is too large", "at most {}"),
    "multiple_of": ("multiple_of", "does not fit", "a multiple of {}"),
    "too_short": ("min_length", "is too short", "at least {} entries"),
    "too_long": ("max_length", "is too long", "at most {} entries"),
    "string_too_short": ("min_length", "is too short", "at least {} characters"),
    "string_too_long": ("max_length", "is too long", "at most {} characters"),
    "string_pattern_mismatch": ("pattern", "has another form", "a text of the form {}"),
}
_FIGURES = (
    *("int_parsing", "int_parsing_size", "float_parsing", "decimal_parsing", "fraction_parsing"),
    "finite_number",
)


def _settled(told: list[_Told], depth: int = 0) -> list[_Told]:
    """Keep, of each union that failed, the faults of the alternative that was most likely meant."""
    settled = [one for one in told if len(one.branches) <= depth]
    unions: dict[Loc, dict[str, list[_Told]]] = {}
    for one in told:
        if len(one.branches) > depth:
            loc, label = one.branches[depth]
            unions.setdefault(loc, {}).setdefault(label, []).append(one)
    for loc, by_label in unions.items():
        settled += _likeliest([_settled(ones, depth + 1) for ones in by_label.values()], loc)
    return settled


def _likeliest(alternatives: list[list[_Told]], loc: Loc) -> list[_Told]:
    """Pick the alternative whose kind fits and that has the fewest faults; join several plain refusals."""
    fitting = [told for told in alternatives if not any(one.shape and one.path == loc for one in told)]
    fitting = fitting or alternatives
    if len(fitting) == 1 or any(one.path != loc or one.lack for told in fitting for one in told):
        return min(fitting, key=len)
    said = dict.fromkeys(one.allowed for told in fitting for one in told if one.allowed)
    return [replace(fitting[0][0], allowed=" or ".join(said))]
