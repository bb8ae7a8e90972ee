"""What a model wants at a place, said in plain words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import Enum
from fractions import Fraction
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, cast, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo


@dataclass(frozen=True)
class Wanted:
    """What may stand at a place: one annotation, or several of a union (None and wrappers taken off)."""

    options: tuple[Any, ...]
    discriminator: Any = None

    @property
    def only(self) -> Any:
        """The one annotation, or None where there are several or none."""
        return self.options[0] if len(self.options) == 1 else None

    @property
    def model(self) -> type[BaseModel] | None:
        """The model that stands here, or None."""
        only = self.only
        return only if isinstance(only, type) and issubclass(only, BaseModel) else None

    def known_keys(self) -> list[str]:
        """Return the keys of the model that stands here, as they are written in a file."""
        return list(_fields(self.model)) if self.model else []

    def kinds(self) -> Iterator[Any]:
        """Yield the plain annotations that may stand here, those of nested unions too."""
        for option in self.options:
            inner = wanted_at(option)
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

    def entry(self, part: str | int) -> Wanted:
        """Return what may stand behind a key, or as an entry of a list."""
        if self.model is not None:
            info = _fields(self.model).get(str(part))
            return wanted_at(info.annotation, info.discriminator) if info else UNKNOWN
        arguments = get_args(self.only)
        base = get_origin(self.only)
        if not isinstance(base, type) or not arguments:
            return UNKNOWN
        if issubclass(base, tuple) and arguments[-1] is not Ellipsis:
            return wanted_at(arguments[part]) if isinstance(part, int) and part < len(arguments) else UNKNOWN
        return wanted_at(arguments[0] if isinstance(part, int) else arguments[-1])

    def keys(self) -> Wanted:
        """Return what the keys of a free mapping may be."""
        arguments = get_args(self.only)
        return wanted_at(arguments[0]) if len(arguments) > 1 else UNKNOWN

    def branch(self, tag: str) -> Wanted:
        """Find the option that an error's label means: a discriminator's word or a type's name."""
        for option in self.options:
            extras = get_args(option)[1:] if get_origin(option) is Annotated else ()
            if any(getattr(extra, "tag", None) == tag for extra in extras):
                return wanted_at(option)
        for option in self.options:
            wanted = wanted_at(option)
            if self.discriminator is not None and tag in wanted.entry(self.discriminator).words():
                return wanted
        named = [(wanted_at(option), _type_name(option)) for option in self.options]
        for fits in ("{}", r"{}\[.*", r"function.*\b{}\]"):
            for wanted, name in named:
                if re.fullmatch(fits.format(re.escape(name)), tag):
                    return wanted
        return UNKNOWN


def _type_name(annotation: Any) -> str:
    only = wanted_at(annotation).only
    return str(getattr(get_origin(only) or only, "__name__", "?"))


UNKNOWN = Wanted(())
A_LIST = "a list of '- ' lines"
A_MAPPING = "a mapping of 'key: value' lines"
_KINDS: tuple[tuple[tuple[type, ...], str], ...] = (
    ((bool,), "true or false"),
    ((int,), "a whole number"),
    ((Fraction, float), "a number"),
    ((date,), "a date as YYYY-MM-DD"),
    ((str,), "a text"),
    ((dict, BaseModel), A_MAPPING),
    ((list, tuple, set, frozenset), A_LIST),
)


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Map the keys that a file writes to a model's fields."""
    fields: dict[str, FieldInfo] = {}
    for name, info in model.model_fields.items():
        alias = info.validation_alias if isinstance(info.validation_alias, str) else info.alias
        fields[alias or name] = info
    return fields


def wanted_at(annotation: Any, discriminator: Any = None) -> Wanted:
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
                return Wanted(options, discriminator)
            annotation = options[0]
        elif hasattr(annotation, "__value__"):
            annotation = annotation.__value__
        elif isinstance(annotation, type) and getattr(annotation, "__pydantic_root_model__", False):
            info = cast("type[BaseModel]", annotation).model_fields["root"]
            annotation, discriminator = info.annotation, info.discriminator
        else:
            return Wanted((annotation,), discriminator)
