"""Check a document against a model, and put every fault in plain words at its place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from pydantic_core.core_schema import ErrorType

from constraints.document.fields import what
from constraints.document.place import Document, Loc, Tree, quoted
from constraints.document.wanted import A_LIST, A_MAPPING, UNKNOWN, Wanted, wanted_at
from constraints.faults import BadInput, nearest
from constraints.numbers import NotANumber, exact, trimmed

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
        told += [_Told(loc, what(None) + _HERE, _BLANK) for loc in _blanks(document.tree) if loc not in seen]
    if built is not None and not told:
        return built
    told.sort(key=lambda one: document.mark(one.path, key=one.key))
    faults = [document.fault(one.path, one.found, one.allowed, key=one.key) for one in told]
    raise BadInput(dict.fromkeys(faults))


MOST_LISTED = 12
"""Keys that a message lists before it leaves the rest to the schema."""
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
    wanted: Wanted
    holder: Wanted
    beside: Tree
    key: bool
    branches: tuple[tuple[Loc, str], ...]


def _spot(loc: Loc, model: type[BaseModel], tree: Tree) -> _Spot:
    """Follow a loc through model and tree; the labels of union alternatives in it are not in the tree."""
    wanted, holder = wanted_at(model), UNKNOWN
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
    more = f" and {len(known) - MOST_LISTED} more, see the schema" if len(known) > MOST_LISTED else ""
    allowed = f"known keys: {', '.join(known[:MOST_LISTED])}{more}" if known else "no such key"
    allowed = f"did you mean '{near}'?" if near else allowed
    if word.isdigit() and _holds(spot.beside, word) and _entry(spot.beside, word) is None:
        allowed = "no decimal comma: {a: 1,5} is read as {a: 1, 5: }; write 1.5"
    return f"unknown key {quoted(word)}", allowed


def _lacking(error: ErrorDetails, spot: _Spot) -> tuple[str, str]:
    name: object = error["loc"][-1] if error["loc"] else ""
    required = "it is required"
    if error["type"] == "union_tag_not_found":
        name = spot.wanted.discriminator
        if not isinstance(name, str):
            return "what stands here is of no known kind", spot.wanted.described()
        words = [word for option in spot.wanted.options for word in wanted_at(option).entry(name).words()]
        required += f": one of {', '.join(words)}" if words else ""
    if isinstance(name, int):
        return f"entry {name + 1} is missing", required
    return f"the key {quoted(str(name))} is missing", required


def _words(error: ErrorDetails, wanted: Wanted) -> tuple[str, str]:
    """Say what was found and what is allowed, for an error of a value."""
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    found, allowed = f"{what(value)} cannot stand here", wanted.described()
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
        found, allowed = what(value) + _HERE, _SHAPES[kind]
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
    named = re.sub("^a ", "this ", what(value))
    if kind in _OF_FIGURES and isinstance(value, (str, int, Fraction)):
        named = value.strip() if isinstance(value, str) else str(value)
    return f"{named} {words}", allowed.format(limit)


def _not_among(value: object, words: list[str]) -> tuple[str, str]:
    allowed = f"one of {', '.join(words)}"
    if not isinstance(value, str):
        return what(value) + _HERE, allowed
    near = nearest(value, words)
    return f"{quoted(value)} is not an allowed word", allowed + (f"; did you mean '{near}'?" if near else "")


def _listed(expected: str) -> list[str]:
    """Take the words out of a list such as ``'a', 'b' or 'c'``."""
    return [one or other for one, other in re.findall(r"""'([^']*)'|"([^"]*)\"""", expected)]


_BUILT_IN = frozenset(get_args(ErrorType))
_SHAPES = {
    **dict.fromkeys(("model_type", "model_attributes_type", "dataclass_type"), A_MAPPING),
    **dict.fromkeys(("dict_type", "mapping_type"), A_MAPPING),
    **dict.fromkeys(("list_type", "tuple_type", "set_type", "frozen_set_type", "iterable_type"), A_LIST),
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
