"""``why`` within a time limit: what is cut off is named part by part, and ample time changes nothing."""

from __future__ import annotations

import json
import time
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from crowds import crowd
from test_why_command import FRESH, LEAN, ROOT, document, run

from optimizer.answer import Status, blend
from optimizer.clock import OutOfTime, left, limited, moment, over
from optimizer.order import Asked
from optimizer.record import document as record
from optimizer.why.explain import Question, answered, explain, question as asked_of
from optimizer.why.ground import TIME, Section
from optimizer.why.page import page
from optimizer.why.what_if import Inputs

DAY = date(2026, 11, 25)
NONE = 1e-6
"""Seconds in which nothing can be searched for."""
PACKS = """name: packs
require:
  - fat: {min_pct: 20, max_pct: 24}
  - most_lots: {max: 4}
"""


def question(recipe: str, lots: str, size: str, kilograms: int, **more: Any) -> Question:
    texts = [(ROOT / "examples" / name).read_text(encoding="utf-8") for name in (recipe, lots)]
    inputs = Inputs(texts[0], recipe, texts[1], lots, (size, Fraction(kilograms)), DAY, Asked())
    return asked_of(inputs, lambda _: None, **more)


def test_ample_time_changes_nothing() -> None:
    words = [*FRESH, "--meat-kg", "25", "--offers", "examples/offers.csv", "--set", "lot.S-14.cost_per_kg=2.10"]
    with_limit, without = document(*words, "--time-limit", "600"), document(*words)
    assert with_limit == without
    assert without["unfinished"] == [] and without["curves"]


def test_ample_time_changes_nothing_where_no_batch_exists() -> None:
    assert document(*LEAN, "--time-limit", "600") == document(*LEAN)


@pytest.mark.parametrize("limit", ["0", "-1", "soon"])
def test_a_limit_is_judged_as_a_blends_is(limit: str) -> None:
    both = [run(word, *FRESH[1:], "--meat-kg", "25", "--time-limit", limit) for word in ("why", "blend")]
    assert [one.returncode for one in both] == [2, 2]
    assert len({one.stderr.splitlines()[-2:][0] for one in both}) == 1


def test_what_is_cut_off_is_named_part_by_part() -> None:
    asked = question(
        "odds-and-ends.yaml", "odds-and-ends-lots.csv", "--batch-kg", 60, changed=("lot.B-01.cost_per_kg=1",)
    )
    with limited(NONE):
        found = answered(asked, with_curves=True)
    parts = {left.part for left in found.unfinished}
    assert {Section.LOTS, Section.PRICES} <= parts
    assert all(left.why == TIME for left in found.unfinished)
    assert found.answer.status is Status.OPTIMAL and found.exit_code == 3  # stopped at a time limit
    text, told = page(found), json.loads(record("why", found))
    assert "NOT SETTLED" in text and "* prices of lots: the time was over." in text
    assert "No requirement binds" not in text
    assert {"part": "lots", "what": "prices of lots", "why": "time"} in told["unfinished"]
    assert found.lots != answered(asked, with_curves=False).lots


def test_no_batch_and_no_time_is_said_and_nothing_is_claimed() -> None:
    kitchen = crowd("leaner than the stock", 1, 60)
    problem = kitchen.problem()
    with limited(NONE):
        answer = blend(problem)
    assert answer.status is Status.INFEASIBLE and answer.conflict is not None
    assert answer.conflict.stopped and not answer.conflict.smallest
    with limited(NONE):
        found = explain(answer)
    assert {Section.CONFLICT, Section.WAYS_OUT} <= {left.part for left in found.unfinished}
    text = " ".join(page(found, full=True).split()).lower()
    assert "not shown to be the smallest such set" in text and "none was found in the time there was." in text
    assert "leaving out any one of them" not in text and "law, or no single figure" not in text


@pytest.mark.parametrize("limit", [NONE, 0.02, 0.1, 0.4])
@pytest.mark.parametrize("name", ["lean", "fresh", "odds"])
def test_no_limit_is_too_short_for_an_answer(name: str, limit: float) -> None:
    recipe, lots, size = {
        "lean": ("why/lean.yaml", "fresh-lots.csv", "--meat-kg"),
        "fresh": ("fresh.yaml", "fresh-lots.csv", "--meat-kg"),
        "odds": ("odds-and-ends.yaml", "odds-and-ends-lots.csv", "--batch-kg"),
    }[name]
    offers = {} if name == "odds" else {"offers_file": str(ROOT / "examples/offers.csv")}
    with limited(limit):
        found = answered(question(recipe, lots, size, 60, **offers), with_curves=True)
    assert page(found) and json.loads(record("why", found))
    assert found.exit_code == (1 if name == "lean" else 3 if found.unfinished else 0)


@pytest.mark.parametrize("kind", ["packs alone", "most lots", "law against recipe"])
def test_a_conflict_in_whole_numbers_ends_in_time(kind: str) -> None:
    kitchen = crowd(kind, 2, 60)
    problem = kitchen.problem()
    start = time.process_time()
    with limited(1.0):
        found = explain(blend(problem))
    assert time.process_time() - start < 5
    assert found.out is not None


def test_packs_that_cannot_be_searched_in_time_are_said_to_be_unsettled(tmp_path: Path) -> None:
    rows = [f"L{k},{20 + k % 7},{5 + 3 * k % 40},{2 + k % 5},{1 + k % 3}" for k in range(40)]
    (tmp_path / "l.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg,pack_kg\n" + "\n".join(rows) + "\n")
    (tmp_path / "r.yaml").write_text(PACKS)
    words = ["why", str(tmp_path / "r.yaml"), "--lots", str(tmp_path / "l.csv"), "--meat-kg", "60", "--json"]
    found = run(*words, "--date", "2026-11-25", "--time-limit", "0.01")
    told = json.loads(found.stdout)
    assert found.returncode == 3 and "Traceback" not in found.stderr
    assert {left["part"] for left in told["unfinished"]} >= {"lots"}


def test_a_limit_within_a_limit_ends_with_the_first() -> None:
    assert left() is None
    with limited(100), limited(1000):
        inner = left()
        assert inner is not None and 90 < inner <= 100
        with moment(1000):
            assert (left() or 0) > 100
    with limited(NONE):
        while not over():
            pass
        with pytest.raises(OutOfTime):
            left()
    assert left() is None
