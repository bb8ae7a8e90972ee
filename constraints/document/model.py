"""The base of everything read from a file, and its JSON Schema."""

from __future__ import annotations

import ast
import inspect
import sys
from fractions import Fraction
from functools import cache, partial
from itertools import pairwise
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationInfo
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core.core_schema import CoreSchema, ModelSchema, with_info_plain_validator_function

from constraints.document.fields import in_json


class JsonSchema(GenerateJsonSchema):
    """Writes exact defaults as the numbers that their fields' schema promises, not as text."""

    def encode_default(self, dft: Any) -> Any:
        """Return a default as it stands in JSON."""
        return super().encode_default(_default_in_json(dft))

    def model_schema(self, schema: ModelSchema) -> JsonSchemaValue:
        """Return the schema of a model, its attribute docstrings as descriptions."""
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
            found[named.target.id] = " ".join(str(text.value.value).split())
    return found


def _default_in_json(value: Any) -> Any:
    if isinstance(value, Fraction):
        return in_json(value)
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
            kwargs.setdefault("schema_generator", JsonSchema)
        return super().model_json_schema(*args, **kwargs)
