"""What was made before a lot was measured again: batches that no longer keep their limits are to be held."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from weeks import RawBatch, RawLot, RawWeek, day

from constraints.as_typed import BadInput
from optimizer.plan.files.week_file import read_week
from optimizer.plan.report.outcome import Outcome, plan_week
from optimizer.plan.report.plan_json import PlanRecord
from optimizer.plan.report.plan_page import plan_page
from optimizer.record import plain
from optimizer.wording import CAUTION


def planned(folder: Path, salt: float = 0.0) -> tuple[str, dict[str, Any]]:
    """Two batches of 24 to 28 % fat from a lean and a fat lot, on two days, and the plan of them."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 60.0), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    path = RawWeek(3, lots, [RawBatch(f"B{k}", 15.0, 15.0, k, k, (24, 28), salt=salt) for k in range(2)], []).write(
        folder
    )
    plan = plain(PlanRecord, plan_week(read_week(path), compare=False))
    assert plan["status"] == "optimal"
    return path, plan


def after(path: str, folder: Path, plan: dict[str, Any], **told: Any) -> Outcome:
    (folder / "plan.json").write_text(json.dumps(plan))
    (folder / "happened.yaml").write_text(json.dumps({"plan": "plan.json", "now": day(1), **told}))
    return plan_week(read_week(path), str(folder / "happened.yaml"))


def test_a_fat_measured_again_puts_what_was_made_in_doubt(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    used = {p["lot"]: p["kg"] for p in plan["batches"][0]["pulls"]}
    outcome = after(path, tmp_path, plan, lots=[{"lot": "fat", "fat_pct": "80"}])
    fat = (9 * used["lean"] + 80 * used["fat"]) / (used["lean"] + used["fat"])
    assert fat > 28
    (words,) = outcome.hold
    assert words.startswith(f"B0 of {day(0)}: fat is 80 % fat, measured again; fat of the meat block is {fat:.2f} %")
    assert "between 24 and 28 %" in words
    assert outcome.grade.exit_code == 1
    assert "*** HOLD WHAT WAS MADE" in plan_page(outcome)


def test_a_fat_measured_again_that_changes_little_holds_nothing(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    outcome = after(path, tmp_path, plan, lots=[{"lot": "lean", "fat_pct": "8.9"}])
    assert outcome.hold == () and outcome.grade.exit_code == 0


def test_a_load_that_no_longer_keeps_a_limit_is_said(tmp_path: Path) -> None:
    """The whole stays at its fat and one load, put together from too much of the fat lot, does not."""
    path, plan = planned(tmp_path)
    answer = plan["batches"][0]["answer"]
    lean, fat = ({e["lot"]: e for e in answer["lots"]}[name]["kg"] for name in ("lean", "fat"))
    loads = [{"lots": [{"lot": "lean", "kg": lean / 2 + by}, {"lot": "fat", "kg": fat / 2 - by}],
              "weigh_out": answer["loads"][0]["weigh_out"]} for by in (2, -2)]  # fmt: skip
    answer["loads"] = loads
    said = after(path, tmp_path, plan, lots=[{"lot": "lean", "fat_pct": "8.9"}]).hold
    for load in (1, 2):
        assert any(f"load {load}: fat of the meat block" in words for words in said)


@pytest.mark.parametrize("spoilt", ["lots", "weigh_out", "name"])
def test_a_plan_that_does_not_say_what_was_weighed_is_held(tmp_path: Path, spoilt: str) -> None:
    path, plan = planned(tmp_path)
    if spoilt == "name":
        plan["batches"][0]["batch"] = "Bx"
    else:
        del plan["batches"][0]["answer"][spoilt]
    outcome = after(path, tmp_path, plan, lots=[{"lot": "lean", "fat_pct": "8.9"}])
    assert "nothing can be said of its limits" in outcome.hold[0]


def spoil(plan: dict[str, Any], kind: str) -> None:
    """One slip in what the plan's document says of the batch made."""
    made = plan["batches"][0]
    answer = made["answer"]
    if kind == "status":
        answer["status"] = "do_not_make"
    elif kind == "pulls":
        made["pulls"][0]["held_kg"] += 1
    elif kind == "sum":
        answer["meat_kg"] += 0.5
    elif kind == "batch":
        answer["batch_kg"] -= 0.5
    elif kind == "dose":
        for part in (answer, *answer["loads"]):
            part["weigh_out"][0]["grams"] *= 2
        answer["batch_kg"] += answer["weigh_out"][0]["grams"] / 2000
    elif kind == "load":
        answer["loads"][0]["weigh_out"][0]["grams"] *= 5
    elif kind == "weighed":
        for part in (answer, *answer["loads"]):
            part["lots"][0]["kg"] += 1
    elif kind == "lot":
        made["pulls"][0]["lot"] = "leaner"
    elif kind == "date":
        answer["date"] = day(2)


@pytest.mark.parametrize("kind", ["status", "pulls", "sum", "batch", "dose", "load", "weighed", "lot", "date"])
def test_a_document_that_does_not_add_up_is_held_though_nothing_was_told(tmp_path: Path, kind: str) -> None:
    path, plan = planned(tmp_path, salt=20)
    assert after(path, tmp_path, plan).hold == ()
    spoil(plan, kind)
    outcome = after(path, tmp_path, plan)
    assert outcome.hold and outcome.grade.exit_code == 1, kind
    assert plain(PlanRecord, outcome)["status"] == "hold" and plain(PlanRecord, outcome)["caution"] == CAUTION


@pytest.mark.parametrize(
    ("told", "words"),
    [({"on_hold": "yes"}, "on hold"), ({"recalled": "yes"}, "called back"), ({"species": "horse"}, "species horse"),
     ({"nitrite_ppm": 300}, "nitrite"), ({"use_by": "2026-11-29"}, "past its use-by")],
)  # fmt: skip
def test_what_is_told_of_a_lot_is_judged_in_what_was_made(tmp_path: Path, told: dict[str, Any], words: str) -> None:
    path, plan = planned(tmp_path)
    recipe = json.loads((tmp_path / "r0.yaml").read_text())
    recipe["eligible"] = {"species": ["pork"]}
    recipe["require"].append({"property": {"name": "nitrite_ppm", "max": 150}})
    for name in ("r0.yaml", "r1.yaml"):
        (tmp_path / name).write_text(json.dumps(recipe))
    outcome = after(path, tmp_path, plan, lots=[{"lot": "fat", **told}])
    assert any(words in said for said in outcome.hold), outcome.hold
    assert outcome.grade.exit_code == 1


@pytest.mark.parametrize("change", ["hold", "gone", "fat", "recipe", "limit"])
def test_what_was_made_is_judged_on_the_files_of_today(tmp_path: Path, change: str) -> None:
    """Nothing is told: the tables and the recipe themselves say something else now."""
    path, plan = planned(tmp_path, salt=20)
    table = (tmp_path / "lots.csv").read_text()
    recipe = json.loads((tmp_path / "r0.yaml").read_text())
    if change == "hold":
        first, *rows = table.splitlines()
        table = "\n".join([f"{first},on_hold", *(row + (",yes" if row.startswith("fat") else ",") for row in rows)])
    elif change == "gone":
        table = table.replace("fat,", "fatter,", 1)
    elif change == "fat":
        table = table.replace("62", "85", 1)
    elif change == "recipe":
        recipe["additions"][0]["g_per_kg_meat"] = 25
    else:
        recipe["require"][0]["fat"]["max_pct"] = 24.5
    (tmp_path / "lots.csv").write_text(table + "\n")
    (tmp_path / "r0.yaml").write_text(json.dumps(recipe))
    outcome = after(path, tmp_path, plan)
    assert outcome.hold and all(words.startswith("B0") for words in outcome.hold), outcome.hold


@pytest.mark.parametrize(
    ("told", "words"),
    [({"fat_pct": "0.18"}, "may be a fraction"), ({"short_kg": 4000}, "4000 kg short of"),
     ({"on_hand_kg": 4000}, "4000 kg of a lot of"), ({"counted_now_kg": 4000}, "4000 kg of a lot of"),
     ({"nitrite_ppm": 2000000}, "mg in a kilogram")],
)  # fmt: skip
def test_a_figure_that_no_kitchen_can_mean_is_an_error(tmp_path: Path, told: dict[str, Any], words: str) -> None:
    path, plan = planned(tmp_path)
    with pytest.raises(BadInput, match=words):
        after(path, tmp_path, plan, lots=[{"lot": "fat", **told}])


def test_what_was_held_stays_held_when_it_is_planned_once_more(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    held = after(path, tmp_path, plan, lots=[{"lot": "fat", "fat_pct": "80"}])
    again = after(path, tmp_path, plain(PlanRecord, held))
    assert again.hold == held.hold and again.grade.exit_code == 1


def test_what_is_counted_now_is_not_what_there_was_at_the_start(tmp_path: Path) -> None:
    """The batch made is left out of the count: nothing is in doubt, and the rest has just what was counted."""
    path, plan = planned(tmp_path)
    outcome = after(path, tmp_path, plan, lots=[{"lot": "lean", "counted_now_kg": 20}])
    assert outcome.hold == ()
    used = next(p["held_kg"] for p in plan["batches"][0]["pulls"] if p["lot"] == "lean")
    levels = {outcome.plan.world.supplies[s].name: kgs for s, kgs in outcome.stock.items()}["lean"]
    assert float(levels[0]) == pytest.approx(20) and float(levels[2]) == pytest.approx(20 - used, abs=0.2)


def test_a_plan_of_another_week_is_refused(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    plan["start"] = "2026-01-05"
    with pytest.raises(BadInput, match="the plan starts on 2026-01-05"):
        after(path, tmp_path, plan)


@pytest.mark.parametrize(
    ("at", "words"),
    [(20261130, "20261130"), ("2026-13-45", "2026-13-45"), ("2027-01-01", "on 2027-01-01"), (None, "twice")],
)
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
    assert outcome.no_plan is not None and outcome.grade.exit_code == 1
    assert outcome.no_plan.batches == ("B1",)
    assert outcome.no_plan.ways[0].changes


def test_a_week_whose_every_batch_is_made_still_has_its_plan(tmp_path: Path) -> None:
    """Nothing is left to choose, so that the program has no column."""
    path, plan = planned(tmp_path)
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    (tmp_path / "happened.yaml").write_text(json.dumps({"plan": "plan.json", "now": day(2)}))
    outcome = plan_week(read_week(path), str(tmp_path / "happened.yaml"))
    assert outcome.no_plan is None and outcome.grade.exit_code == 0 and not outcome.hold
    assert "PLAN, for what is still to be made." in plan_page(outcome)
