"""What was made before a lot was measured again: batches that no longer keep their limits are to be held."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from weeks import RawBatch, RawLot, RawWeek, day

from constraints.faults import BadInput
from optimizer.plan.outcome import Outcome
from optimizer.plan.plan_json import plan_dict
from optimizer.plan.plan_page import plan_page
from optimizer.plan.run import plan_again, plan_week
from optimizer.plan.week_file import read_week


def planned(folder: Path) -> tuple[str, dict[str, Any]]:
    """Two batches of 24 to 28 % fat from a lean and a fat lot, on two days, and the plan of them."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 60.0), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    path = RawWeek(3, lots, [RawBatch(f"B{k}", 15.0, 15.0, k, k, (24, 28)) for k in range(2)], []).write(folder)
    plan = plan_dict(plan_week(read_week(path), compare=False, talk=False))
    assert plan["status"] == "optimal"
    return path, plan


def after(path: str, folder: Path, plan: dict[str, Any], **told: Any) -> Outcome:
    (folder / "plan.json").write_text(json.dumps(plan))
    (folder / "happened.yaml").write_text(json.dumps({"plan": "plan.json", "now": day(1), **told}))
    return plan_again(read_week(path), str(folder / "happened.yaml"), talk=False)


def test_a_fat_measured_again_puts_what_was_made_in_doubt(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    used = {p["lot"]: p["kg"] for p in plan["batches"][0]["pulls"]}
    outcome = after(path, tmp_path, plan, lots=[{"lot": "fat", "fat_pct": "80"}])
    fat = (9 * used["lean"] + 80 * used["fat"]) / (used["lean"] + used["fat"])
    assert fat > 28
    (words,) = outcome.hold
    assert words.startswith(f"B0 of {day(0)}: fat is 80 % fat, measured again; fat of the meat block is {fat:.2f} %")
    assert "between 24 and 28 %" in words
    assert outcome.exit_code == 1
    assert "*** HOLD WHAT WAS MADE" in plan_page(outcome)


def test_a_fat_measured_again_that_changes_little_holds_nothing(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    outcome = after(path, tmp_path, plan, lots=[{"lot": "lean", "fat_pct": "8.9"}])
    assert outcome.hold == () and outcome.exit_code == 0


def test_a_load_that_no_longer_keeps_a_limit_is_said(tmp_path: Path) -> None:
    """The whole stays at its fat and one load, put together from too much of the fat lot, does not."""
    path, plan = planned(tmp_path)
    answer = plan["batches"][0]["answer"]
    lean, fat = ({e["lot"]: e for e in answer["lots"]}[name]["kg"] for name in ("lean", "fat"))
    loads = [{"lots": [{"lot": "lean", "kg": lean / 2 + by}, {"lot": "fat", "kg": fat / 2 - by}],
              "weigh_out": answer["loads"][0]["weigh_out"]} for by in (2, -2)]  # fmt: skip
    answer["loads"] = loads
    (words,) = after(path, tmp_path, plan, lots=[{"lot": "lean", "fat_pct": "8.9"}]).hold
    assert "load 1: fat of the meat block" in words


@pytest.mark.parametrize("spoilt", ["lots", "weigh_out", "name"])
def test_a_plan_that_does_not_say_what_was_weighed_is_held(tmp_path: Path, spoilt: str) -> None:
    path, plan = planned(tmp_path)
    if spoilt == "name":
        plan["batches"][0]["batch"] = "Bx"
    else:
        del plan["batches"][0]["answer"][spoilt]
    outcome = after(path, tmp_path, plan, lots=[{"lot": "lean", "fat_pct": "8.9"}])
    assert "nothing can be said of its limits" in outcome.hold[0]


def test_a_plan_of_another_week_is_refused(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    plan["start"] = "2026-01-05"
    with pytest.raises(BadInput, match="the plan starts on 2026-01-05"):
        after(path, tmp_path, plan)


@pytest.mark.parametrize(("at", "words"), [(20261130, "on 20261130"), ("2026-13-45", "on 2026-13-45"), (None, "twice")])
def test_a_batch_of_no_day_of_the_week_or_made_twice_is_refused(tmp_path: Path, at: object, words: str) -> None:
    """Its meat would not be taken off the stock, or be taken off twice."""
    path, plan = planned(tmp_path)
    if at is None:
        plan["batches"].append(plan["batches"][0])
    else:
        plan["batches"][0]["date"] = at
    with pytest.raises(BadInput, match=words):
        after(path, tmp_path, plan)


def test_what_is_done_is_no_reason_that_the_rest_has_no_plan(tmp_path: Path) -> None:
    """All the lean meat that was left is gone, so that only the batch still to be made cannot be."""
    path, plan = planned(tmp_path)
    used = next(p["held_kg"] for p in plan["batches"][0]["pulls"] if p["lot"] == "lean")
    outcome = after(path, tmp_path, plan, lots=[{"lot": "lean", "on_hand_kg": f"{used}"}])
    assert outcome.no_plan is not None and outcome.exit_code == 1
    assert outcome.no_plan.batches == ("B1",)
    assert outcome.no_plan.ways[0].changes
