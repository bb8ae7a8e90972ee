"""What README shows is run as it stands there: the first command, the lots and the recipe, the files it describes."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from constraints.document import parse, validate
from optimizer.cli import COMMANDS
from optimizer.pages.reference_page import known_columns
from optimizer.plan.files.happened import HappenedEntry
from optimizer.record import document

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """The fenced blocks of a language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


def run(*words: str, folder: Path = ROOT) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", *words], cwd=folder, capture_output=True, text=True, check=False,
        timeout=120, env={**os.environ, "PYTHONUTF8": "1"},
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


@cache
def schema(*what: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run("schema", *what)[1])
    return found


def test_the_first_two_commands_are_the_only_ones_marked_sh() -> None:
    first, second = blocks("sh")
    assert "pip install" in first and "trimwright blend examples/fresh.yaml" in first
    assert "pytest" in second


def test_the_page_shown_is_the_page_printed() -> None:
    """Equally cheap batches may differ by the solver's version, so lots and what they weigh are not compared."""
    shown = blocks("text")[0].splitlines()
    words = shlex.split(blocks("sh")[0].split("/trimwright ")[1])
    code, out, _ = run(*words)
    printed = out.splitlines()
    assert code == 0
    assert shown[2] == printed[0]
    heads = [line for line in shown if line and line == line.upper() and line[0].isalpha()]
    assert heads[:3] == ["TAKE", "COMES OUT", "WATCH"]
    assert [line for line in printed if line in heads] == heads
    for start in ("WEIGH, one load of", "nitrite ", "Proved: "):
        (line,) = (line for line in shown if line.startswith(start))
        assert line in printed
    assert re.match(r"MAKE IT\. All \d+ limits hold\. ", shown[3]) and shown[3].split(".", 2)[2] in printed[1]


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """The lots and the recipe of README under the names README gives them."""
    (tmp_path / "cooler.csv").write_text(blocks("csv")[0], encoding="utf-8")
    (tmp_path / "slipway.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    return tmp_path


def test_the_recipe_and_the_lots_shown_make_a_batch(written: Path) -> None:
    (command,) = re.findall(r"`trimwright (blend slipway\.yaml [^`]+)`", README)
    code, out, err = run(*shlex.split(command), folder=written)
    assert code == 0, err
    assert err == ""
    assert "MAKE IT" in out
    assert "no product class stated" not in out
    assert "\n! " not in out


def test_the_recipe_shown_holds_the_target_it_shows(written: Path) -> None:
    """Fat, lamb, nitrite and salt reckoned here from the weights of the document."""
    words = ("blend", "slipway.yaml", "--lots", "cooler.csv", "--meat-kg", "40", "--date", "2026-11-25", "--json")
    found = json.loads(run(*words, folder=written)[1])
    fat = {"S-14": 17.99, "B-09": 53.01, "L-03": 21.59}
    kg = {lot["lot"]: lot["kg"] for lot in found["lots"]}
    grams = {item["item"]: item["grams"] for item in found["weigh_out"]}
    assert 24 <= sum(fat[name] * kg[name] for name in kg) / sum(kg.values()) <= 26
    assert 0.20 <= kg["L-03"] / sum(kg.values()) <= 0.35
    assert grams["pink cure"] * 62_500 / (1000 * sum(kg.values())) == pytest.approx(150, abs=0.5)
    salt = grams["salt"] + 0.9375 * grams["pink cure"]
    assert salt / 10 / (0.88 * found["batch_kg"]) == pytest.approx(2.1, abs=0.001)


def test_the_recipe_shown_is_valid_by_the_schema() -> None:
    jsonschema.validate(yaml.safe_load(blocks("yaml")[0]), schema())


def test_both_ways_to_name_classes_are_read(written: Path) -> None:
    text = blocks("yaml")[0]
    (rules, classes) = re.findall(r"`(rules: \[us, eu\])` and\n?`(product_class: \{[^}]*\})`", README)[0]
    text = re.sub(r"^rules:.*$", rules, text, flags=re.MULTILINE)
    text = re.sub(r"^product_class:.*$", classes, text, flags=re.MULTILINE)
    (written / "both.yaml").write_text(text, encoding="utf-8")
    code, out, err = run("blend", "both.yaml", "--lots", "cooler.csv", "--meat-kg", "40", "--date", "2026-11-25",
                         folder=written)  # fmt: skip
    assert code in (0, 1), err
    assert "Rules: United States" in out and "; European Union" in " ".join(out.split())


# The week.


def test_what_happened_as_shown_is_read() -> None:
    shown = blocks("yaml")[1]
    entry = validate(parse(shown, "happened.yaml"), HappenedEntry)
    assert entry.deliveries[0].kg == 80
    jsonschema.validate(json.loads(json.dumps(yaml.safe_load(shown), default=str)), schema("what-happened"))
    offers = (ROOT / "examples" / "week" / "offers.csv").read_text(encoding="utf-8")
    assert entry.deliveries[0].offer in offers
    assert entry.lots[0].lot in (ROOT / "examples" / "week" / "lots.csv").read_text(encoding="utf-8")


def test_the_shipped_week_is_valid_by_its_schema() -> None:
    week = yaml.safe_load((ROOT / "examples" / "week" / "week.yaml").read_text(encoding="utf-8"))
    jsonschema.validate(json.loads(json.dumps(week, default=str)), schema("week"))
    week["batches"][0]["meat_kgs"] = 5
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(json.loads(json.dumps(week, default=str)), schema("week"))


def test_every_column_that_readme_names_for_offers_is_listed() -> None:
    section = README.split("## The week")[1].split("## What the answer")[0]
    offers = {
        column["name"] for column in json.loads(document("columns", known_columns())) if column["table"] == "offers"
    }
    paragraph = next(part for part in section.split("\n\n") if part.startswith("The **offers** table"))
    named = {word for word in re.findall(r"`(\w+)`", paragraph) if "_" in word or word in ("supplier", "breaks")}
    assert len(named) >= 10
    assert named <= offers


def test_every_example_is_described() -> None:
    told = (ROOT / "examples" / "README.md").read_text(encoding="utf-8")
    for path in (ROOT / "examples").iterdir():
        named = f"{path.name}/" if path.is_dir() else path.name
        assert path.name == "README.md" or named in told, named


def test_every_command_is_in_the_table() -> None:
    table = README.split("## The commands")[1].split("## The week")[0]
    assert set(COMMANDS) == set(re.findall(r"`trimwright (\w+)", table))
