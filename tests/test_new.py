"""What a newcomer starts from: starters that run, the keys of every file, and the words."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result
from where import HOME

from constraints.document.parsing import packaged_rows
from optimizer.cli import COMMANDS, app
from optimizer.cli.reference import file_schema


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


@pytest.mark.parametrize("kind", ["fresh", "smoked", "dry"])
def test_a_starter_runs_as_it_is_told_to(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = run("new", "my links", "--kind", kind)
    assert done.exit_code == 0, done.output
    told = done.stdout.splitlines()[-1].split("trimwright ")[1]
    assert told.startswith("blend 'my links.yaml' --lots 'my links-lots.csv' --meat-kg ")
    assert Path("my links.yaml").read_text("utf-8").startswith(f"# trimwright {told}\n")
    blended = run("blend", "my links.yaml", "--lots", "my links-lots.csv", "--meat-kg", told.split()[-1])
    assert blended.exit_code == 0, blended.output
    assert blended.stdout.splitlines()[1].startswith("MAKE IT. ")
    assert len(blended.stdout.splitlines()) <= 60
    assert run("new", "my links").exit_code == 2  # nothing is overwritten
    assert run("new", "../links").exit_code == 2


def test_a_week_to_start_from_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("new", "w", "--week").exit_code == 0
    assert Path("w-recipe.yaml").read_text("utf-8").startswith("# trimwright blend 'w-recipe.yaml' --lots 'w-lots.csv'")
    done = run("plan", "w.yaml")
    assert done.exit_code == 0, done.output


def leaves(node: Any) -> set[str]:
    """Names of all keys of a schema, wherever they stand in it."""
    held = node.get("properties", {})
    parts = [*held.values(), *node.get("$defs", {}).values(), *node.get("anyOf", ())]
    parts += [node["items"]] if "items" in node else []
    return set(held).union(*map(leaves, parts))


@pytest.mark.parametrize("file", ["recipe", "week", "what-happened"])
def test_every_key_of_the_schema_is_listed_with_its_meaning(file: str) -> None:
    page, found = run("columns", file), json.loads(run("columns", file, "--json").stdout)
    assert page.exit_code == 0
    schema = file_schema(file)
    assert {key["name"].rpartition(".")[2] for key in found} == leaves(schema)
    for key in found:
        assert key["name"].rpartition(".")[2] in page.stdout
        assert key["meaning"], key["name"]
    assert max(map(len, page.stdout.splitlines())) <= 80


def test_examples_come_from_the_starters() -> None:
    found = {key["name"]: key for key in json.loads(run("columns", "recipe", "--json").stdout)}
    assert found["additions[].ingoing_nitrite_ppm"]["example"] == "150"
    assert found["additions[].ingoing_nitrite_ppm"]["unit"] == "mg/kg"
    assert found["mixer_kg"] | {"meaning": ""} == {
        "name": "mixer_kg", "needed": False, "unit": "kg", "meaning": "", "default": "", "example": "20",
    }  # fmt: skip


def test_terms_are_told() -> None:
    page = run("terms").stdout
    assert all(row["word"] in page for row in packaged_rows("optimizer", "terms.csv"))
    assert list(json.loads(run("terms", "ingoing", "--json").stdout)) == ["ingoing"]
    assert run("terms", "no such word").exit_code == 2


@pytest.mark.parametrize(
    ("line", "wanted"),
    [("rules u", "us"), ("rules us --class fra", "frankfurter"), ("check b --rules us=bock", "us=bockwurst")],
)
def test_the_shell_completes_packs_and_classes(line: str, wanted: str) -> None:
    words = ["trimwright", *line.split()]
    env = {
        "_TRIMWRIGHT_COMPLETE": "complete_bash",
        "COMP_WORDS": " ".join(words),
        "COMP_CWORD": str(len(words) - 1),
    }
    done = CliRunner().invoke(app, [], env=env, prog_name="trimwright")
    assert wanted in done.stdout.split(), done.output


def test_what_is_said_of_every_option_stands_in_some_help() -> None:
    """A row of the table that no command takes, or takes otherwise, would be words without an option."""
    stock = [name for name in run("stock", "--help").stdout.split() if name.isalpha()]
    words = [[name] for name in COMMANDS] + [["stock", name] for name in {*stock}]
    said = {"".join(CliRunner().invoke(app, [*asked, "--help"]).stdout.split()) for asked in words}
    with (HOME / "optimizer" / "cli" / "options.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 100
    for row in rows:
        told = "".join(row["words"].split())
        names = "".join(row["names"].split()[-1:]) if "/" not in row["names"] else row["names"].partition("/")[0]
        assert any(told in page and names in page and row["metavar"] in page for page in said), row
