"""Field types, each reading the typed text and taking the Python value it would make; the base of all models; and
the check of a document against a model, every fault in plain words at its place.

What may stand at a place is one thing: no file has a field of several shapes, so that a fault never has to guess which
of them was meant (a name that may also be a mapping is a field type of its own).
"""

from __future__ import annotations

import ast
import inspect
import json
import re
import sys
from collections.abc import Callable, Iterator
from datetime import date, datetime
from fractions import Fraction
from functools import cache, partial
from itertools import chain, pairwise
from types import NoneType, UnionType
from typing import Annotated, Any, Self, TypeAlias, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, ValidationInfo, model_validator
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import ErrorDetails, PydanticCustomError, core_schema
from pydantic_core.core_schema import ErrorType

from constraints.as_typed import PERCENT, BadInput, Fault, NotANumber, exact, hidden  # isort: skip
from constraints.as_typed import nearest, some, trimmed, unprintable, weight  # isort: skip
from constraints.document.parsing import Loc, Parsed, Tree, quoted


def what(value: object) -> str:
    """Name a value of a file in plain words."""
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return f"the text {quoted(value)}"
    if isinstance(value, (dict, BaseModel)):
        return "a mapping"
    if isinstance(value, (list, tuple, set, frozenset)):
        return "a list"
    return quoted(str(value))


def refusal(found: str, allowed: str, at: Loc = ()) -> PydanticCustomError:
    """Make the error for a model's validator to raise; it reaches the user as a fault in these words.

    ``at`` leads from the value being validated to the part that is at fault.
    """
    words: dict[str, Any] = {"found": found, "allowed": allowed, "at": at}
    return PydanticCustomError("unfit", "{found} (allowed: {allowed})", words)


def _figures(
    allowed: str, low: int | None = None, high: int | None = None, above: int | None = None, *, whole: bool = False
) -> Reads:
    """A reader of figures with low <= figure <= high and above < figure, or of whole numbers."""

    def read(value: object) -> Fraction | int:
        if isinstance(value, float):
            raise refusal(f"{value} is a binary float and not exact", f"{allowed}, as text, int or Fraction")
        if not isinstance(value, (str, int, Fraction)) or isinstance(value, bool):
            raise refusal(f"{what(value)} stands here", allowed)
        try:
            figure = exact(value) if isinstance(value, str) else Fraction(value)
        except NotANumber as error:
            raise refusal(str(error), allowed) from None
        typed = value.strip() if isinstance(value, str) else trimmed(figure)
        if whole and figure.denominator != 1:
            raise refusal(f"{typed} is not a whole number", allowed)
        if (low is not None and figure < low) or (above is not None and figure <= above):
            raise refusal(f"{typed} is too small", allowed)
        if high is not None and figure > high:
            raise refusal(f"{typed} is too large", allowed)
        return int(figure) if whole else figure

    limits = {"exclusiveMinimum": above, "minimum": low, "maximum": high}
    stated = {key: limit for key, limit in limits.items() if limit is not None}
    return Reads(read, type="integer" if whole else "number", **stated)


_YES_NO = {"true": True, "yes": True, "false": False, "no": False}


def _yes_no(value: object) -> bool:
    word = str(value).strip().casefold() if isinstance(value, (str, bool)) else ""
    if word not in _YES_NO:
        raise refusal(f"{what(value)} stands here", "true, false, yes or no")
    return _YES_NO[word]


def _day(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    allowed, typed = "a date as YYYY-MM-DD", value.strip() if isinstance(value, str) else ""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", typed, re.ASCII):
        raise refusal(f"{what(value)} stands here", allowed)
    try:
        return date.fromisoformat(typed)
    except ValueError:
        raise refusal(f"{typed} is an impossible date", f"{allowed} that the calendar has") from None


def _weight(value: object) -> Callable[[Fraction, Fraction], Fraction]:
    allowed = "a weight such as 0.5, 0.5 kg or 1 lb, or a share of the batch such as 1%"
    if isinstance(value, float):
        raise refusal(f"{value} is a binary float and not exact", allowed)
    try:
        return weight(str(value))
    except NotANumber as error:
        raise refusal(str(error), allowed) from None


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise refusal(f"{what(value)} stands here", "a text that is not empty")
    if unprintable(value.strip()):
        raise refusal(f"the name holds {hidden(value.strip())}", "a name as it is seen, on one line")
    return value.strip()


def _names(value: object) -> tuple[str, ...]:
    """A list of names, or one."""
    return tuple(map(_name, value if isinstance(value, (list, tuple)) else [value]))


def _name_or_each(value: object) -> str | dict[str, str]:
    """A name, or a mapping of names."""
    for key, one in value.items() if isinstance(value, dict) else ():
        if not isinstance(one, str) or not one.strip() or unprintable(one.strip()):
            raise refusal(f"{what(one)} stands here", "a name as it is seen", (key,))
    return {key: one.strip() for key, one in value.items()} if isinstance(value, dict) else _name(value)


def in_json(value: Fraction) -> int | float:
    """For showing only (a schema's defaults, JSON output): JSON has no exact fractions."""
    return value.numerator if value.denominator == 1 else float(value)


class Reads:
    """How a field is read from what was typed, and its JSON Schema; nothing is built of the type itself."""

    def __init__(self, read: Callable[[Any], object], **schema: Any) -> None:
        self.read, self.schema = read, schema

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Read by the function alone; figures are shown in JSON as its numbers."""
        shown = core_schema.plain_serializer_function_ser_schema(in_json, when_used="json")
        serialization = shown if self.schema.get("type") == "number" else None
        return core_schema.no_info_plain_validator_function(self.read, serialization=serialization)

    def __get_pydantic_json_schema__(self, schema: core_schema.CoreSchema, handler: Any) -> dict[str, Any]:
        """The schema as stated."""
        return dict(self.schema)


_A_WEIGHT = [{"type": "number", "minimum": 0}, {"type": "string", "pattern": r"\d *(kg|lb|%)?$"}]
_A_NAME = {"type": "string", "minLength": 1, "pattern": r"\S"}
_NAMES_BY_KEY = {"type": "object", "additionalProperties": _A_NAME}

Number = Annotated[Fraction, _figures("a number")]
"""Any figure, exact."""
Positive = Annotated[Fraction, _figures("a number above 0", above=0)]
"""A figure > 0, exact."""
NotNegative = Annotated[Fraction, _figures("a number of 0 or more", low=0)]
"""A figure >= 0, exact."""
Percent = Annotated[Fraction, _figures(f"a number from 0 to {PERCENT}", low=0, high=PERCENT)]
"""Percent, 0 <= figure <= 100, exact."""
PositivePercent = Annotated[Fraction, _figures(f"a number above 0 and at most {PERCENT}", above=0, high=PERCENT)]
"""Percent, 0 < figure <= 100, exact."""
Whole = Annotated[int, _figures("a whole number of 1 or more", low=1, whole=True)]
"""A whole number >= 1."""
YesNo = Annotated[bool, Reads(_yes_no, type="boolean")]
"""true, false, yes or no, in any case."""
Weight = Annotated[Callable[[Fraction, Fraction], Fraction], Reads(_weight, anyOf=_A_WEIGHT)]
"""A weight in kilograms (``1 kg``), pounds (``1 lb``), the units of its reader, or a share of the batch (``1%``)."""
Day = Annotated[date, Reads(_day, type="string", format="date")]
"""A day of the calendar as YYYY-MM-DD."""
Name = Annotated[str, Reads(_name, **_A_NAME)]
"""A text on one line that is not empty, as it is seen, without spaces around it."""
Line = Annotated[str, Reads(lambda value: _name(value) if value != "" else "", type="string")]
"""A name, or nothing."""
Names = Annotated[tuple[str, ...], Reads(_names, anyOf=[_A_NAME, {"type": "array", "items": _A_NAME}])]
"""One name or a list of them."""
NameOrEach = Annotated[str | dict[str, str], Reads(_name_or_each, anyOf=[_A_NAME, _NAMES_BY_KEY])]
"""One name, or one behind each key."""


class JsonSchema(GenerateJsonSchema):
    """Writes exact defaults as the numbers that their fields' schema promises, not as text."""

    def encode_default(self, dft: Any) -> Any:
        """Return a default as it stands in JSON."""
        return json.loads(json.dumps(dft, default=in_json))

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        """Return the schema of a model, its attribute docstrings as descriptions; of one made on the fly its bases'."""
        found = super().model_schema(schema)
        model: type[BaseModel] = schema["cls"]
        for owner in model.__mro__:
            for name, words in _attribute_docstrings(owner.__module__).get(owner.__qualname__, {}).items():
                info = model.model_fields.get(name)
                key = name if info is None or info.alias is None else info.alias
                if key in found.get("properties", {}):
                    found["properties"][key].setdefault("description", words)
        return found


@cache
def _attribute_docstrings(module: str) -> dict[str, dict[str, str]]:
    """Of every class at the top of a module's source, the text below each of its annotated names."""
    try:
        tree = ast.parse(inspect.getsource(sys.modules[module]))
    except (KeyError, OSError, TypeError):
        return {}
    found: dict[str, dict[str, str]] = {}
    for one in (part for part in tree.body if isinstance(part, ast.ClassDef)):
        for pair in pairwise(one.body):
            match pair:
                case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=text)):
                    found.setdefault(one.name, {})[name] = " ".join(str(text).split())
    return found


LATER = {"later": True}
"""Validation context of a file known to be sound: what is Deferred is read only when it is asked for."""


class Deferred:
    """Marks a field whose model is built only where a file uses it: there are many kinds, and most files use few."""

    def __init__(self, model: type[BaseModel]) -> None:
        self.model = model

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Validate with the model, whose errors keep their places; with LATER, not before it is asked for."""
        return core_schema.with_info_plain_validator_function(self._read)

    def _read(self, value: Any, info: ValidationInfo) -> Any:
        if info.context is LATER:
            return partial(self.model.model_validate, value)
        return self.model.model_validate(value)

    def __get_pydantic_json_schema__(self, schema: core_schema.CoreSchema, handler: Any) -> dict[str, Any]:
        """The model's own JSON Schema."""
        self.model.model_rebuild()
        found: dict[str, Any] = handler(self.model.__pydantic_core_schema__)
        return found


class Strict(BaseModel):
    """Base of everything read from a file: unknown keys are errors, and a model never changes once read."""

    # Attribute docstrings are read only for the JSON Schema: reading them needs the source, at every start.
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True)


Broken: TypeAlias = Iterator[str | PydanticCustomError]
"""What the rules between the fields of a model ask that are broken."""


class Ruled(Strict):
    """A model whose fields must go together: refused by the first rule broken of its own and its bases' ``_broken``."""

    @model_validator(mode="after")
    def _keeps_its_rules(self) -> Self:
        rules = (vars(owner).get("_broken") for owner in reversed(type(self).__mro__))
        for asked in chain.from_iterable(rule(self) for rule in rules if rule):
            raise ValueError(asked) if isinstance(asked, str) else asked
        return self


M = TypeVar("M", bound=BaseModel)
MOST_LISTED = 12
"""Keys that a message lists before it leaves the rest to the schema."""
_HERE = " stands here"
_BLANK = "a value; leave the key out where none is meant"
_A_LIST, _A_MAPPING = "a list of '- ' lines", "a mapping of 'key: value' lines"
_BUILT_IN = frozenset(get_args(ErrorType))
_SHAPES = {
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type", "mapping_type"), _A_MAPPING),
    **dict.fromkeys(("list_type", "tuple_type", "set_type", "frozen_set_type", "iterable_type"), _A_LIST),
    "string_type": "a text",
}


def validate(document: Parsed, model: type[M], *, context: Any = None) -> M:
    """Build the model from the document; raises BadInput with every fault, in the order of the file.

    A key with nothing behind it is a fault even where the model takes None: a limit left blank must not become no
    limit. ``context`` may be LATER.
    """
    faults: list[Fault] = []
    built: M | None = None
    try:
        built = model.model_validate(document.tree, context=context)
    except ValidationError as error:
        faults = [_told(one, model, document) for one in error.errors(include_url=False)]
    seen = {(fault.line, fault.column) for fault in faults}
    silent = (loc for loc in _blanks(document.tree) if document.mark(loc) not in seen)
    faults += [document.fault(loc, what(None) + _HERE, _BLANK) for loc in silent]
    if built is not None and not faults:
        return built
    raise BadInput(dict.fromkeys(sorted(faults, key=lambda fault: (fault.line, fault.column))))


def _blanks(tree: Tree, loc: Loc = ()) -> Iterator[Loc]:
    if tree is None:
        yield loc
    elif not isinstance(tree, str):
        for part, entry in tree.items() if isinstance(tree, dict) else enumerate(tree):
            yield from _blanks(entry, (*loc, part))


def _told(error: ErrorDetails, model: type[BaseModel], document: Parsed) -> Fault:
    """Put one validation error into plain words, at the deepest place of its loc that the file has."""
    kind = error["type"]
    path: Loc = ()
    wanted: Any = model
    at: Any = document.tree
    for part in error["loc"]:
        if part in (at if isinstance(at, dict) else range(len(at)) if isinstance(at, list) else ()):
            path, holder, beside = (*path, part), wanted, at
            wanted, at = _inner(wanted, part), at[part]
    if kind == "missing":
        name = error["loc"][-1]
        absent = f"entry {name + 1}" if isinstance(name, int) else f"the key {quoted(name)}"
        return document.fault(path, f"{absent} is missing", "it is required")
    if kind == "extra_forbidden":
        return document.fault(path, *_unknown_key(str(path[-1]), holder, beside), key=True)
    found, allowed = _words(error)
    path = (*path, *error.get("ctx", {}).get("at", ())) if kind == "unfit" else path
    key = error["loc"][-1:] == ("[key]",)
    return document.fault(path, f"as a key, {found}" if key else found, allowed, key=key)


def _inner(annotation: Any, part: str | int) -> Any:
    """What is wanted behind a key, or as an entry of a list; None where nothing is known of it."""
    keys = _keys(annotation)
    if keys is not None:
        return keys.get(str(part))
    arguments = [one for one in get_args(_bare(annotation)) if one is not Ellipsis]
    if not arguments:
        return None
    return arguments[part] if isinstance(part, int) and part < len(arguments) else arguments[-1]


def _bare(annotation: Any) -> Any:
    """An annotation without what is noted beside it, and without None."""
    while get_origin(annotation) in (Annotated, Union, UnionType):
        annotation = next(one for one in get_args(annotation) if one is not NoneType)
    return annotation


def _keys(annotation: Any) -> dict[str, Any] | None:
    """The keys of a model as a file writes them, each with what is wanted behind it; None for anything else."""
    bare = _bare(annotation)
    if not isinstance(bare, type) or not issubclass(bare, BaseModel):
        return None
    return {field.alias or name: field.annotation for name, field in bare.model_fields.items()}


def _unknown_key(word: str, holder: Any, beside: dict[str, Tree]) -> tuple[str, str]:
    known = list(_keys(holder) or ())
    near = nearest(word, [name for name in known if name not in beside]) or nearest(word, known)
    allowed = f"known keys: {some(known, MOST_LISTED, 'the schema')}" if known else "no such key"
    allowed = f"did you mean '{near}'?" if near else allowed
    if word.isdigit() and beside.get(word, "") is None:
        allowed = "no decimal comma: {a: 1,5} is read as {a: 1, 5: }; write 1.5"
    return f"unknown key {quoted(word)}", allowed


def _words(error: ErrorDetails) -> tuple[str, str]:
    """Say what was found and what is allowed, for an error of a value."""
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    if kind == "unfit":
        return str(context.get("found", "")), str(context.get("allowed", ""))
    plain = f"{what(value)} cannot stand here"
    if kind in ("value_error", "assertion_error"):
        return str(context.get("error", "")) or plain, ""
    if kind in _SHAPES:
        return what(value) + _HERE, _SHAPES[kind]
    if kind in ("literal_error", "enum"):
        words = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        near = nearest(value, words) if isinstance(value, str) else None
        found = f"{quoted(value)} is not an allowed word" if isinstance(value, str) else what(value) + _HERE
        return found, f"one of {', '.join(words)}" + (f"; did you mean '{near}'?" if near else "")
    return (plain, "a value of another kind") if kind in _BUILT_IN else (error["msg"], "")  # a validator's own words
