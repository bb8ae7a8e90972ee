"""What came out of past batches, as the ledger has it, beside what the recipe says; worked out again in the test."""

from __future__ import annotations

import json
from pathlib import Path
from statistics import median

import pytest
from typer.testing import CliRunner
from where import ROOT

from optimizer.cli import app

RECIPE = str(ROOT / "examples" / "smoked.yaml")
DAY = ["--date", "2026-11-25"]


def run(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, list(words))
    assert done.exit_code == code, done.output
    return done.stdout


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "stock.db"
    run("stock", "new", str(path))
    run("stock", "receive", str(path), str(ROOT / "examples" / "smoked-lots.csv"), "--by", "AB", "--from", "Cliff Farm")
    return path


def blend(ledger: Path, recipe: str = RECIPE) -> str:
    return run("blend", recipe, "--lots", str(ledger), "--meat-kg", "6", *DAY, "--json")


def make(ledger: Path, code: str, day: int, *came: str, recipe: str = RECIPE) -> float:
    """Record a batch; returns the kilograms that went in."""
    document = blend(ledger, recipe)
    (ledger.parent / "batch.json").write_text(document)
    at = f"2026-11-{day:02}T06:10:00+00:00"
    batch = str(ledger.parent / "batch.json")
    run("stock", "make", str(ledger), batch, "--recipe", recipe, "--code", code, "--by", "AB", "--at", at, *came)
    return float(json.loads(document)["batch_kg"])


def test_the_measured_yield_is_the_median_and_spread_of_the_last_five(ledger: Path, tmp_path: Path) -> None:
    assert json.loads(blend(ledger))["measured_yield"] is None
    out = [4.0, 6.1, 5.9, 6.0, 6.5, 5.7]
    went_in = [make(ledger, f"B-{k}", 10 + k, "--out-kg", f"{kg}") for k, kg in enumerate(out)]
    make(ledger, "not weighed", 20)
    other = tmp_path / "other.yaml"
    other.write_text(Path(RECIPE).read_text("utf-8").replace("Breakwater rings, smoked", "others"), encoding="utf-8")
    make(ledger, "another recipe", 21, "--out-kg", "1", recipe=str(other))
    shares = [100 * kg / into for kg, into in zip(out, went_in, strict=True)][
        1:
    ]  # the first is the sixth from the last
    found = json.loads(blend(ledger))["measured_yield"]
    assert found == pytest.approx(
        {"median_pct": median(shares), "lowest_pct": min(shares), "highest_pct": max(shares), "batches": 5}
    )
    words = f"{median(shares):.1f} % ({min(shares):.1f} to {max(shares):.1f}) came out of the last 5 batches"
    page = " ".join(run("blend", RECIPE, "--lots", str(ledger), "--meat-kg", "6", *DAY).split())
    assert f"{words}; the recipe says 88 %" in page
    assert words in run("sheet", RECIPE, "--lots", str(ledger), "--meat-kg", "6", *DAY)


def test_rework_kept_out_has_not_been_lost(ledger: Path) -> None:
    into = make(ledger, "B-1", 10, "--out-kg", "5", "--rework-kg", "1.2")
    found = json.loads(blend(ledger))["measured_yield"]
    assert found["median_pct"] == pytest.approx(100 * 5 / (into - 1.2)) and found["batches"] == 1
    assert "came out of the last batch" in run("blend", RECIPE, "--lots", str(ledger), "--meat-kg", "6", *DAY)


def test_a_batch_taken_back_no_longer_counts(ledger: Path) -> None:
    make(ledger, "B-1", 10, "--out-kg", "5")
    run("stock", "reverse", str(ledger), "B-1", "--by", "AB", "--reason", "typed twice")
    assert json.loads(blend(ledger))["measured_yield"] is None


def test_why_knows_what_came_out_as_blend_does(ledger: Path) -> None:
    make(ledger, "B-1", 10, "--out-kg", "5")
    measured = json.loads(blend(ledger))["measured_yield"]
    asked = ["why", RECIPE, "--lots", str(ledger), "--meat-kg", "6", *DAY, "--set", "order.meat_kg=5", "--json"]
    change = json.loads(run(*asked))["what_if"]
    assert change["old"]["measured_yield"] == change["new"]["measured_yield"] == measured and measured["batches"] == 1
