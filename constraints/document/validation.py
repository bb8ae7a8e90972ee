"""Check a document against a model, and put every fault in plain words at its place.

What may stand at a place is one thing: no file has a field of several shapes, so that a fault never has to guess which
of them was meant (a name that may also be a mapping is a field type of its own).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from pydantic_core.core_schema import ErrorType

from constraints.document.fields import what
from constraints.document.place import Loc, Parsed, Tree, quoted
from constraints.faults import BadInput, Fault, nearest, some

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


def _holds(tree: Tree, part: object) -> bool:
    if isinstance(tree, list):
        return isinstance(part, int) and part < len(tree)
    return isinstance(tree, dict) and part in tree


def _told(error: ErrorDetails, model: type[BaseModel], document: Parsed) -> Fault:
    """Put one validation error into plain words, at the deepest place of its loc that the file has."""
    kind = error["type"]
    path: Loc = ()
    wanted: Any = model
    at: Any = document.tree
    holder: tuple[Any, Tree] = (model, at)
    for part in error["loc"]:
        if _holds(at, part):
            holder, path = (wanted, at), (*path, part)
            wanted, at = _inner(wanted, part), at[part]
    if kind == "missing":
        name = error["loc"][-1]
        absent = f"entry {name + 1}" if isinstance(name, int) else f"the key {quoted(name)}"
        return document.fault(path, f"{absent} is missing", "it is required")
    if kind == "extra_forbidden":
        return document.fault(path, *_unknown_key(str(path[-1]), *holder), key=True)
    found, allowed = _words(error)
    if kind == "unfit":
        path = (*path, *error.get("ctx", {}).get("at", ()))
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


def _unknown_key(word: str, holder: Any, beside: Tree) -> tuple[str, str]:
    known = list(_keys(holder) or ())
    near = nearest(word, [name for name in known if not _holds(beside, name)]) or nearest(word, known)
    allowed = f"known keys: {some(known, MOST_LISTED, 'the schema')}" if known else "no such key"
    allowed = f"did you mean '{near}'?" if near else allowed
    if word.isdigit() and isinstance(beside, dict) and beside.get(word, "") is None:
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
        return _not_among(value, re.findall(r"'([^']*)'", str(context.get("expected", ""))))
    return (plain, "a value of another kind") if kind in _BUILT_IN else (error["msg"], "")  # a validator's own words


def _not_among(value: object, words: list[str]) -> tuple[str, str]:
    allowed = f"one of {', '.join(words)}"
    if not isinstance(value, str):
        return what(value) + _HERE, allowed
    near = nearest(value, words)
    return f"{quoted(value)} is not an allowed word", allowed + (f"; did you mean '{near}'?" if near else "")
