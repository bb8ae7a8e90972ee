"""Hostile inputs: each ends with the exit code, at the place and in the words that ``data/hostile.jsonl`` says.

A case changes one file of a small kitchen (``hostile_files``): figures that are none, dates that are none, names that
cannot be seen or told apart, formulas, cure under other names, files that are something else, broken JSON, bounds that
contradict. What a cook may mean is taken; what nobody can mean is refused where it stands, and nothing is computed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from fuzz import tried
from hostile_files import run
from where import ROOT

LINES = (ROOT / "tests" / "data" / "hostile.jsonl").read_text(encoding="utf-8").splitlines()
CASES: list[dict[str, Any]] = [json.loads(line) for line in LINES]


@pytest.mark.parametrize("case", CASES, ids=[ascii(case["id"])[1:-1] for case in CASES])
def test_a_hostile_input(case: dict[str, Any], tmp_path: Path) -> None:
    done = run(case, tmp_path)
    said = " ".join(done.stderr.split())
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    assert done.exit_code == case["code"], said or done.stdout
    assert case["at"] in said and case["says"] in said, said
    if case["code"] == 2:
        assert done.stdout == "" and ("nothing was computed." in said or said.startswith("Usage: "))
    else:
        headline = "MAKE IT", "PLAN"
        assert any(word in done.stdout for word in headline) is (case["code"] == 0) or "NOT MAKE" in done.stdout


def test_there_are_many_and_each_is_another() -> None:
    assert len({case["id"] for case in CASES}) == len(CASES) >= 400


@pytest.mark.parametrize("first", range(0, 400, 100))
def test_no_loader_falls_over_a_spoilt_file(first: int, tmp_path: Path) -> None:
    """A slice of ``fuzz.py``."""
    fallen = {seed: repr(error) for seed in range(first, first + 100) if (error := tried(seed, tmp_path))}
    assert not fallen
