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

from optimizer.record import ANSWERS

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


# What the commands print with --json: the schema as a user gets it, judged by the same independent validator.

FRESH = ("examples/fresh.yaml", "--lots", "examples/fresh-lots.csv", "--date", "2026-11-25", "--meat-kg")
SMALL = ("--recipe", "tests/data/small/plain.yaml", "--lots", "tests/data/small/lots.csv", "--date", "2026-11-25")
PRINTED: dict[str, list[tuple[str, ...]]] = {
    "blend": [("blend", *FRESH, "25"), ("blend", *FRESH, "900"), ("blend", *FRESH, "20", "--prefer", "fewest-lots")],
    "check": [("check", "tests/data/small/weighed.csv", *SMALL)],
    "columns": [("columns",), ("columns", "lots")],
    "keys": [("columns", "recipe"), ("columns", "week"), ("columns", "what-happened")],
    "terms": [("terms",)],
    "cook": [
        ("cook", "examples/cook/smoked.csv", "--recipe", "examples/cook/smoked.yaml"),
        ("cook", "examples/cook/slow-cooling.csv", "--recipe", "examples/cook/smoked.yaml"),
    ],
    "correct": [("correct", "tests/data/small/weighed.csv", *SMALL, "--measured-fat", "30", "--fat-sd-pct", "1")],
    "dry": [("dry", "examples/cook/dry.csv", "--recipe", "examples/cook/dry.yaml")],
    "plan": [("plan", "examples/week/week.yaml"), ("plan", "tests/data/small/week/week.yaml")],
    "rules": [("rules", "us"), ("rules", "eu", "--class", "heat_treated")],
    "rule-packs": [("rules",)],
    "stock": [("stock", "show", "LEDGER")],
    "trace": [("trace", "LEDGER", "S-14"), ("trace", "LEDGER", "S-14", "--back")],
    "why": [
        ("why", *FRESH, "25", "--offers", "examples/offers.csv", "--set", "lot.S-15.cost_per_kg=3"),
        ("why", "examples/why/lean.yaml", *FRESH[1:], "60"),
    ],
}


def run(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", *words], capture_output=True, text=True, check=False, cwd=EXAMPLES.parent
    )
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


def printed(*words: str) -> Any:
    return json.loads(run(*words))


def test_every_answer_has_a_schema_and_a_case_here() -> None:
    assert set(PRINTED) == set(ANSWERS)


@pytest.mark.parametrize("name", PRINTED)
def test_what_is_printed_keeps_the_published_schema(name: str, tmp_path: Path) -> None:
    ledger = str(tmp_path / "stock.db")
    if name in ("stock", "trace"):
        run("stock", "new", ledger)
        run("stock", "receive", ledger, "examples/fresh-lots.csv", "--by", "AB")
    schema = printed("schema", "answer", name)
    jsonschema.Draft202012Validator.check_schema(schema)
    judge = jsonschema.Draft202012Validator(schema)
    for words in PRINTED[name]:
        found = printed(*(ledger if word == "LEDGER" else word for word in words), "--json")
        judge.validate(found)
        part = found if isinstance(found, dict) else found[0]
        key = next(iter(part))
        lacking = (
            [{k: part[k] for k in part if k != key}] if name != "terms" else []
        )  # which are whatever was asked for
        for spoilt in ({**part, "further": 1}, {**part, key: ["spoilt"]}, *lacking):
            assert not judge.is_valid(spoilt if isinstance(found, dict) else [spoilt])
