"""The published JSON Schema of a recipe, judged by an independent validator on recipes read by a plain YAML reader."""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

EXAMPLES = Path(__file__).parent.parent / "examples"
RECIPES = sorted(path for path in EXAMPLES.glob("*.yaml") if "require" in path.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    run = subprocess.run(
        [sys.executable, "-m", "optimizer", "schema"], capture_output=True, text=True, check=True, cwd=EXAMPLES.parent
    )
    found: dict[str, Any] = json.loads(run.stdout)
    jsonschema.Draft202012Validator.check_schema(found)
    return found


def recipe(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return found


def test_there_are_examples() -> None:
    assert len(RECIPES) >= 3


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_every_example_is_valid(path: Path, schema: dict[str, Any]) -> None:
    jsonschema.validate(recipe(path), schema)


@pytest.mark.parametrize(
    ("where", "key", "value"),
    [
        ((), "nmae", "x"),
        (("require", 0), "fta", {"target_pct": 20}),
        (("require", 0, "fat"), "target_pct", 120),
        (("require", 0, "fat"), "tolerance", 1),
        (("additions", 0), "g_per_kg", 3),
        (("additions", 0), "cost_per_kg", -1),
        (("casing",), "kg_per_m", 0),
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(
    where: tuple[str | int, ...], key: str, value: object, schema: dict[str, Any]
) -> None:
    wrong: Any = copy.deepcopy(recipe(EXAMPLES / "fresh.yaml"))
    place = wrong
    for part in where:
        place = place[part]
    place[key] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(wrong, schema)


def test_every_field_is_described(schema: dict[str, Any]) -> None:
    """An editor shows the description; a field without one is a field the user must guess."""
    undescribed = [
        f"{name}.{key}"
        for name, model in {"recipe": schema, **schema["$defs"]}.items()
        for key, field in model.get("properties", {}).items()
        if "description" not in field and name != "OneRequirement"
    ]
    assert not undescribed
