"""What a command's JSON document is: a view of its result, each key with its type and where it comes from.

A document is one class: an annotated name is a key, the type is what stands there, and ``at`` says where it is found
in the result where that is no attribute of the same name. The document is its dump, the published schema its schema;
figures stay exact until they are dumped, each as the float nearest to it.
"""

import json
from collections.abc import Callable
from fractions import Fraction
from functools import cache, reduce
from inspect import ismethod
from pkgutil import resolve_name
from typing import Annotated, Any

from pydantic import Field, PlainSerializer, PlainValidator, TypeAdapter, WithJsonSchema, model_validator

from constraints.document.fields import JsonSchema, Strict

_FIGURE = PlainValidator(lambda figure: figure), PlainSerializer(float), WithJsonSchema({"type": "number"})
Figure = Annotated[Any, *_FIGURE]
"""A figure, exact where it was reckoned so; its unit is in the key's name or stands beside it."""
Exact = Annotated[Fraction, *_FIGURE]
"""The same for a result that is itself the part of a document: a dataclass with ``key`` where its names are others."""

ANSWERS = {
    "blend": "optimizer.pages.answer_json:Blend",
    "columns": "optimizer.pages.reference_page:Columns",
    "check": "optimizer.pages.check_page:Checked",
    "cook": "optimizer.made.log_page:JudgedLog",
    "correct": "optimizer.pages.correct_page:Corrected",
    "dry": "optimizer.made.log_page:JudgedLog",
    "keys": "optimizer.pages.reference_page:Keys",
    "plan": "optimizer.plan.report.plan_json:Plans",
    "rules": "optimizer.pages.reference_page:Rules",
    "rule-packs": "optimizer.pages.reference_page:Packs",
    "stock": "optimizer.store.pages:StockList",
    "terms": "optimizer.pages.reference_page:Terms",
    "trace": "optimizer.store.pages:Traced",
    "why": "optimizer.why.document:Why",
}
"""The type of each document, by the name that ``trimwright schema answer`` knows it by."""


class Record(Strict):
    """Base of every document and of its parts. A mapping in place of a result is taken key by key."""

    @model_validator(mode="before")
    @classmethod
    def _read(cls, found: Any) -> Any:
        if isinstance(found, (dict, cls)):
            return found
        return {
            name: field.default_factory(found) if field.default_factory else getattr(found, name)  # type: ignore[call-arg]
            for name, field in cls.model_fields.items()
        }


NAMED = PlainValidator(lambda item: item), PlainSerializer(lambda item: item.name), WithJsonSchema({"type": "string"})
"""What stands in a document by its name."""


def key(name: str) -> Any:
    """A field of a result that has another name in its document."""
    return Field(serialization_alias=name)


def at(where: str | Callable[[Any], Any]) -> Any:
    """A key that is found elsewhere: by a function, or at a path of attributes, each called where it is a method.

    The path ends in None where a part of it is None.
    """
    if callable(where):
        return Field(default_factory=where)
    path = where.split(".")
    return Field(default_factory=lambda found: reduce(_inside, path, found))


def _inside(found: Any, name: str) -> Any:
    inner = None if found is None else getattr(found, name)
    return inner() if ismethod(inner) else inner


def plain(kind: Any, found: Any) -> Any:
    """The document of a result as plain data; ``kind`` is a Record, or a list of one."""
    adapter = _adapter(kind)
    return adapter.dump_python(adapter.validate_python(found), mode="json", by_alias=True)


_adapter = cache(TypeAdapter)
"""Building one takes longer than most documents."""


def document(name: str, found: Any) -> str:
    """The document of a command's result as it is printed."""
    return json_text(plain(resolve_name(ANSWERS[name]), found))


def json_text(found: Any) -> str:
    """Two blanks a level, letters as they are, and a newline at the end."""
    return json.dumps(found, indent=2, ensure_ascii=False) + "\n"


class AnswerSchema(JsonSchema):
    """Every key of an answer is always there, so that none has a default."""

    def default_schema(self, schema: Any) -> dict[str, Any]:
        """Without the default."""
        return self.generate_inner(schema["schema"])

    def field_is_required(self, field: Any, total: bool) -> bool:
        """Always."""
        return True


def file_schema(model: str) -> dict[str, Any]:
    """The JSON Schema of a file, by the place of its model."""
    return dict(resolve_name(model).model_json_schema(by_alias=True, schema_generator=JsonSchema))


def answer_schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a command's document."""
    return TypeAdapter(resolve_name(ANSWERS[name])).json_schema(mode="serialization", schema_generator=AnswerSchema)
