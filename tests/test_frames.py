"""The door for notebooks and scripts gives what the command gives."""

from __future__ import annotations

import doctest
import json

import pandas
import pytest
from typer.testing import CliRunner
from where import ROOT

import optimizer.frames
from constraints.as_typed import BadInput
from optimizer import cheapest_batch
from optimizer.cli import app

SMOKED = str(ROOT / "examples" / "smoked.yaml")
LOTS = str(ROOT / "examples" / "smoked-lots.csv")


def test_the_example_in_its_words() -> None:
    assert doctest.testmod(optimizer.frames) == (0, 9)


def test_frames_hold_what_the_document_holds() -> None:
    words = ["blend", SMOKED, "--lots", LOTS, "--meat-kg", "60", "--date", "2026-11-25"]
    document = json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)
    table = pandas.read_csv(LOTS, dtype=object)
    for lots in (LOTS, table):
        found = cheapest_batch(SMOKED, lots, meat_kg=60, date="2026-11-25")
        assert found.lots.to_dict("records") == document["lots"]
        assert found.weigh_out.to_dict("records") == document["weigh_out"]
        assert list(found.checks["rule"]) == [check["rule"] for check in document["checks"]]
        assert found.loads.groupby("item")["kg"].sum()["salt"] == pytest.approx(
            next(item["grams"] for item in document["weigh_out"] if item["item"] == "salt") / 1000
        )
    assert found.page() == CliRunner().invoke(app, words).stdout


def test_faults_are_raised_and_a_size_is_asked_for() -> None:
    with pytest.raises(BadInput, match="nme"):
        cheapest_batch({"nme": "t"}, LOTS, meat_kg=10)
    with pytest.raises(ValueError, match="exactly one"):
        cheapest_batch(SMOKED, LOTS)
    with pytest.raises(AttributeError):
        optimizer.no_such_door  # noqa: B018


def test_a_day_with_a_time_is_that_day() -> None:
    """A notebook's dates are Timestamps, which are dates to Python and no day to JSON."""
    for date in ("2026-11-25", pandas.Timestamp("2026-11-25 14:30"), pandas.Timestamp("2026-11-25").date()):
        assert cheapest_batch(SMOKED, LOTS, meat_kg=60, date=date).document["date"] == "2026-11-25"
