"""Plans as a whole: equal to a blend where there is one batch, weighed and checked, repaired, and refused in words."""

from __future__ import annotations

import csv
import json
import math
import os
import signal
import subprocess
import sys
import time
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
from weeks import START, RawBatch, RawLot, RawOffer, RawWeek, day, random_week

from constraints.as_typed import BadInput
from optimizer.answer import Status, blend
from optimizer.order import Asked, order_of
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import assemble_week
from optimizer.plan.report.outcome import gather, plan_week
from optimizer.plan.report.plan_json import PlanRecord, orders_csv, pulls_csv
from optimizer.plan.report.plan_page import picture, plan_page
from optimizer.plan.settle.engine import solve
from optimizer.plan.settle.find import find, in_order
from optimizer.problem import assemble
from optimizer.reading.recipe import read_both
from optimizer.record import answer_schema, plain

ROOT = Path(__file__).parents[1]


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "optimizer", "plan", *arguments], capture_output=True, text=True, cwd=ROOT, check=False
    )


def two_lots(kg: float = 40.0, last: int | None = None) -> list[RawLot]:
    return [RawLot("lean", "pork", 9.0, 4.0, kg, last=last), RawLot("fat", "pork", 62.0, 1.5, 30.0, last=last)]


@pytest.mark.parametrize("name", ["fresh", "smoked"])
def test_a_plan_of_one_batch_is_the_blend(name: str, tmp_path: Path) -> None:
    """Same optimum to the last digit, same kilograms, same cost as weighed."""
    recipe, lots = ROOT / f"examples/{name}.yaml", ROOT / f"examples/{name}-lots.csv"
    on = date(2026, 11, 25)
    week = {"start": str(on), "days": 1, "lots": str(lots), "batches": [
        {"name": "one", "recipe": str(recipe), "meat_kg": 25, "day": str(on)},
    ]}  # fmt: skip
    (tmp_path / "week.yaml").write_text(json.dumps(week))
    plan = find(assemble_week(read_week(str(tmp_path / "week.yaml"))))
    read, table = read_both(str(recipe), str(lots))
    asked = Asked(next_chance=on + timedelta(days=1))
    answer = blend(assemble(read, table, order_of(read, "--meat-kg", Fraction(25), on, asked)))
    assert answer.optimum is not None and answer.weighed is not None
    if plan.solved.exact:
        exact = plan.program.model.cost(plan.solved.exact)
        assert exact == answer.optimum.cost
    assert plan.solved.cost == pytest.approx(float(answer.optimum.cost), rel=1e-9)
    assert plan.status is Status.OPTIMAL
    assert name == "smoked" or plan.solved.exact  # a small linear week is settled exactly


def test_every_batch_is_weighed_checked_and_within_stock(tmp_path: Path) -> None:
    for seed in range(1000, 1012):
        world = assemble_week(read_week(random_week(seed, whole=True).write(tmp_path)))
        plan = find(world, gap=1e-6)
        if plan.money is None:
            continue
        assert plan.status is Status.OPTIMAL, (seed, plan.certificate)
        assert plan.certificate is not None and plan.certificate.gap is not None
        assert plan.certificate.gap >= -Fraction(1, 10**6), seed
        for one in plan.made:
            assert all(check.ok is True for check in one.answer.checks)
        used: dict[str, Fraction] = {}
        for one in plan.made:
            for s, kg in one.taken.items():
                name = world.supplies[s].name
                used[name] = used.get(name, Fraction(0)) + kg
        for lot in world.week.lots.lots:
            assert used.get(lot.name, 0) <= lot.on_hand_kg


def test_planning_together_is_never_dearer_than_in_order(tmp_path: Path) -> None:
    compared = 0
    for seed in range(40):
        world = assemble_week(read_week(random_week(seed, whole=False).write(tmp_path)))
        together, alone = solve(build(world).model), in_order(world)
        if together.found and alone.cost is not None and not world.week.entry.kitchen.cold_store:
            compared += 1
            assert together.cost <= alone.cost + 1e-5, seed
    assert compared >= 10


def test_a_short_horizon_does_not_wreck_the_first_week(tmp_path: Path) -> None:
    """What keeps is worth its price at the end, so one week alone spends no more than the first week of two."""
    lots = [
        RawLot("lean", "pork", 9.0, 4.0, 60.0), RawLot("dear lean", "pork", 9.0, 6.0, 60.0),
        RawLot("dying lean", "pork", 9.0, 5.0, 20.0, last=3), RawLot("fat", "pork", 62.0, 1.5, 60.0),
    ]  # fmt: skip
    first = [RawBatch("A", 30.0, 30.0, 2, 2, (24, 28)), RawBatch("B", 20.0, 20.0, 4, 4, (24, 28))]
    second = [RawBatch("C", 30.0, 30.0, 9, 9, (24, 28)), RawBatch("D", 20.0, 20.0, 11, 11, (24, 28))]
    pulls = {}
    for days, batches in ((7, first), (14, [*first, *second])):
        world = assemble_week(read_week(RawWeek(days, lots, batches).write(tmp_path)))
        plan = find(world)
        assert plan.status is Status.OPTIMAL
        value = sum(
            (kg * world.supplies[s].worth for one in plan.made if one.day < 7 for s, kg in one.taken.items()),
            Fraction(0),
        )
        dying = sum((kg for one in plan.made for s, kg in one.taken.items() if world.supplies[s].name == "dying lean"))
        pulls[days] = value, dying
    assert pulls[7][1] == pulls[14][1] == 20  # the dying lot is used up either way, before the lots that keep
    assert float(pulls[7][0]) == pytest.approx(float(pulls[14][0]), rel=0.002)


@pytest.mark.parametrize(("most", "used", "into"), [(20, 2.0, "A"), (0, 0.0, None)])
def test_what_dies_unused_is_named_with_the_way_to_save_it(
    most: int, used: float, into: str | None, tmp_path: Path
) -> None:
    """A batch that may take no lamb at all is no way to save it."""
    lots = [*two_lots(), RawLot("lamb", "lamb", 20.0, 7.0, 9.0, last=1)]
    batch = RawBatch("A", 10.0, 10.0, 0, 0, (24, 28), None)
    week = RawWeek(3, lots, [batch])
    path = week.write(tmp_path)
    recipe = json.loads((tmp_path / "r0.yaml").read_text())
    recipe["require"].append({"share": {"species": "lamb", "max_pct": most}})
    (tmp_path / "r0.yaml").write_text(json.dumps(recipe))
    outcome = plan_week(read_week(path))
    [dying] = outcome.expiring
    assert dying.lot == "lamb" and dying.save_in == into
    assert float(dying.kg) == pytest.approx(9.0 - used, abs=0.06)  # a fifth of ten kilograms is used, or none
    assert dying.lost == dying.kg * 7


def test_prices_of_limits_are_what_one_more_kilogram_saves(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 9.0, 4.0, 40.0, last=2), RawLot("fat", "pork", 62.0, 1.5, 30.0, last=2),
            RawLot("late lean", "pork", 9.0, 6.0, 40.0, first=1)]  # fmt: skip
    batches = [RawBatch(f"B{k}", 10.0, 20.0, 0, 1, (24, 28), None, 9.0, True) for k in range(2)]
    costs = []
    for room in (15.0, 16.0):
        world = assemble_week(read_week(RawWeek(2, lots, batches, grinder=room).write(tmp_path)))
        plan = find(world)
        costs.append((plan.solved.cost, sum(limit.saves for limit in gather(plan).limits)))
    assert costs[0][1] > 0
    assert costs[0][0] - costs[1][0] == pytest.approx(costs[0][1], rel=1e-6)


def infeasible(folder: Path) -> str:
    batches = [RawBatch("Mon A", 30.0, 30.0, 0, 0, (24, 28)), RawBatch("Mon B", 30.0, 30.0, 0, 0, (24, 28))]
    return RawWeek(2, two_lots(25.0), batches, grinder=50.0).write(folder)


def test_an_infeasible_week_names_batches_days_and_materials(tmp_path: Path) -> None:
    done = command(infeasible(tmp_path), "--json")
    assert done.returncode == 1
    document = json.loads(done.stdout)
    assert document["status"] == "infeasible" and document["orders"] == [] and document["batches"] == []
    found = document["no_plan"]
    assert set(found["batches"]) <= {"Mon A", "Mon B"} and found["batches"]
    ways = {way["way"]: way["changes"] for way in found["ways"]}
    short = sum(change["amount"] for change in ways["make less"])
    # the lean is the narrower limit: 25 kg of 9 % with fat of 62 % to 28 % make 25 * 53 / 34 kg
    assert short == pytest.approx(2 * 29.975 - 25 * 53 / 34, abs=0.2)
    assert found["cause"] == "the lots and deliveries hold 55 kg that its batches may take; 60 kg are asked."
    assert "have more of these lots or deliveries" not in ways and "have more room in the kitchen" not in ways
    mixed = {change["what"]: change for change in ways["the smallest mixture of these"]}
    assert mixed["grinder"]["date"] == day(0) and mixed["grinder"]["amount"] == pytest.approx(9.95, abs=0.1)
    page = command(infeasible(tmp_path)).stdout
    assert "NO SUCH PLAN EXISTS" in page and "Mon A" in page and "WEIGH OUT" not in page.upper()


@pytest.mark.parametrize(("kg", "more"), [(45, 2), (39, 1), (61, 3)])
def test_a_way_out_by_loads_is_as_many_whole_loads_as_the_batch_lacks(kg: float, more: int, tmp_path: Path) -> None:
    path = Path(RawWeek(1, two_lots(60.0), [RawBatch("A", kg, kg, 0, 0, (24, 28))], grinder=100.0).write(tmp_path))
    week = json.loads(path.read_text())
    week["kitchen"]["stages"] = [{"name": "smoker", "loads_per_day": 1, "load_kg": 20, "basis": "meat"}]
    path.write_text(json.dumps(week))
    ways = json.loads(command(str(path), "--json").stdout)["no_plan"]["ways"]
    room = next(way["changes"] for way in ways if way["way"] == "have more room in the kitchen")
    assert [(c["what"], c["amount"], c["unit"], c["date"]) for c in room] == [("smoker", more, "loads more", day(0))]
    assert more == math.ceil(kg / 20) - 1


def test_a_requirement_no_lot_can_meet_is_named(tmp_path: Path) -> None:
    path = RawWeek(1, [RawLot("one", "pork", 20.0, 3.0, 50.0)], [RawBatch("A", 5.0, 5.0, 0, 0, (24, 28))]).write(
        tmp_path
    )
    outcome = plan_week(read_week(path))
    assert outcome.plan.status is Status.INFEASIBLE and outcome.no_plan is not None
    assert [one.batch for one in outcome.no_plan.impossible] == ["A"]


def repairable(folder: Path) -> str:
    lots = [*two_lots(45.0), RawLot("spare lean", "pork", 10.0, 5.0, 30.0)]
    batches = [RawBatch(f"B{k}", 15.0, 15.0, k, k, (24, 28)) for k in range(4)]
    return RawWeek(4, lots, batches, [RawOffer("trim", "S", "pork", 12.0, 3.0, 5.0, lead=1)]).write(folder)


def test_repair_keeps_what_is_done_and_changes_as_few_batches_as_it_can(tmp_path: Path) -> None:
    path = repairable(tmp_path)
    (tmp_path / "plan.json").write_text(command(path, "--json").stdout)
    before = {b["batch"]: b for b in json.loads((tmp_path / "plan.json").read_text())["batches"]}
    happened = {"plan": "plan.json", "now": day(1), "fixed_through": day(3), "lots": [{"lot": "lean", "short_kg": 8}]}
    (tmp_path / "happened.yaml").write_text(json.dumps(happened))
    outcome = plan_week(read_week(path), str(tmp_path / "happened.yaml"))
    assert outcome.plan.status is Status.OPTIMAL
    after = {b["batch"]: b for b in plain(PlanRecord, outcome)["batches"]}
    assert after["B0"]["pulls"] == before["B0"]["pulls"] or [p["held_kg"] for p in after["B0"]["pulls"]] == [
        str(p["held_kg"]) for p in before["B0"]["pulls"]
    ]
    changed = [
        name for name in ("B1", "B2", "B3")
        if any(abs(x - y) > 1e-6 for x, y in zip(*(kilograms(b[name]) for b in (before, after)), strict=True))
    ]  # fmt: skip
    assert len(changed) <= (outcome.fewest_changes or 0) <= 1
    used = sum(p["held_kg"] for b in after.values() for p in b["pulls"] if p["lot"] == "lean" and b["batch"] != "B0")
    first = sum(p["held_kg"] for p in before["B0"]["pulls"] if p["lot"] == "lean")
    assert used + first <= 37 + 1e-9


def test_fixed_batches_stay_as_planned_though_others_would_be_cheaper_now(tmp_path: Path) -> None:
    path = repairable(tmp_path)
    (tmp_path / "plan.json").write_text(command(path, "--json").stdout)
    before = {b["batch"]: b for b in json.loads((tmp_path / "plan.json").read_text())["batches"]}
    lots = (tmp_path / "lots.csv").read_text().splitlines()
    at = lots[0].split(",").index("cost_per_kg")
    cheaper = [line.split(",") for line in lots]
    for row in cheaper:
        row[at] = "0.1" if row[0] == "spare lean" else row[at]
    (tmp_path / "lots.csv").write_text("".join(",".join(row) + "\n" for row in cheaper))
    changed = {}
    for through in (day(3), day(1), None):
        told = {"plan": "plan.json", "now": day(1), **({"fixed_through": through} if through else {})}
        (tmp_path / "happened.yaml").write_text(json.dumps(told))
        outcome = plan_week(read_week(path), str(tmp_path / "happened.yaml"))
        after = {b["batch"]: b for b in plain(PlanRecord, outcome)["batches"]}
        assert outcome.fewest_changes == (0 if through else None)
        changed[through] = {
            name for name in ("B1", "B2", "B3")
            if any(abs(x - y) > 0.2 for x, y in zip(*(kilograms(b[name]) for b in (before, after)), strict=True))
        }  # fmt: skip
    assert not changed[day(3)]
    assert changed[day(1)] and "B1" not in changed[day(1)]  # the later ones are free to take the cheap lot
    assert changed[None]


def kilograms(batch: dict[str, object]) -> list[float]:
    pulls = {p["lot"]: float(p["held_kg"]) for p in batch["pulls"]}  # type: ignore[attr-defined,index]
    return [pulls.get(name, 0.0) for name in ("lean", "fat", "spare lean", "trim")]


def test_repair_of_a_missed_delivery_and_a_fat_measured_again(tmp_path: Path) -> None:
    lots = [*two_lots(20.0), RawLot("spare lean", "pork", 10.0, 9.0, 60.0)]
    batches = [RawBatch(f"B{k}", 15.0, 15.0, k, k, (24, 28)) for k in range(3)]
    path = RawWeek(3, lots, batches, [RawOffer("trim", "S", "pork", 12.0, 3.0, 5.0, lead=1)]).write(tmp_path)
    plan = json.loads(command(path, "--json").stdout)
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    delivery = plan["orders"][0]
    happened = {
        "plan": "plan.json", "now": delivery["delivered"], "lots": [{"lot": "fat", "fat_pct": 58}],
        "deliveries": [{"offer": "trim", "day": delivery["delivered"], "missed": "yes"}],
    }  # fmt: skip
    (tmp_path / "happened.yaml").write_text(json.dumps(happened))
    done = command(path, "--what-happened", str(tmp_path / "happened.yaml"), "--json")
    document = json.loads(done.stdout)
    assert done.returncode == 0, done.stderr
    late = [p for b in document["batches"] for p in b["pulls"] if p["delivered"] == delivery["delivered"]]
    assert late == []
    happened["lots"] = [{"lot": "fatt", "fat_pct": "58"}]
    (tmp_path / "happened.yaml").write_text(json.dumps(happened))
    wrong = command(path, "--what-happened", str(tmp_path / "happened.yaml"))
    assert wrong.returncode == 2 and wrong.stdout == ""
    assert "did you mean fat?" in " ".join(wrong.stderr.split())


def test_the_command_writes_lists_and_a_picture(tmp_path: Path) -> None:
    path = repairable(tmp_path)
    files = {key: tmp_path / f"{key}.out" for key in ("orders", "pulls", "picture")}
    done = command(path, *(part for key, file in files.items() for part in (f"--{key}", str(file))))
    assert done.returncode == 0, done.stderr
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    pulls = list(csv.DictReader(files["pulls"].open()))
    assert {p["batch"] for p in pulls} == {"B0", "B1", "B2", "B3"}
    for name in ("B0", "B1", "B2", "B3"):
        assert sum(float(p["usable_kg"]) for p in pulls if p["batch"] == name) == pytest.approx(15, abs=0.0251)
    assert files["orders"].read_text().startswith("order_by,delivered,supplier,offer")
    drawn = files["picture"].read_text()
    assert drawn.startswith("<!doctype html>") and drawn.count("<rect") == 12 and "<script" not in drawn


def test_names_are_escaped_in_the_picture(tmp_path: Path) -> None:
    path = Path(repairable(tmp_path))
    path.write_text(path.read_text().replace("random week", "<b>&"))
    outcome = gather(find(assemble_week(read_week(str(path)))))
    assert "<b>&<" not in picture(outcome) and "&lt;b&gt;&amp;" in picture(outcome)
    assert orders_csv(outcome).count("\n") == 1 + len(outcome.plan.orders)
    assert pulls_csv(outcome).count("\n") == 1 + sum(len(one.taken) for one in outcome.plan.made)
    assert "DO NOT MAKE" not in plan_page(outcome, full=True)


def test_every_fault_of_every_file_is_told_at_once(tmp_path: Path) -> None:
    path = Path(repairable(tmp_path))
    week = json.loads(path.read_text())
    week["batches"][1]["meat_kg"] = -3
    week["batches"][2]["day"] = "2027-01-01"
    week["kitchen"]["stages"] = [{"name": "grinder", "kg_per_day": 5, "loads_per_day": 2}]
    path.write_text(json.dumps(week, indent=1))
    with pytest.raises(BadInput) as error:
        read_week(str(path))
    told = [str(fault) for fault in error.value.faults]
    assert len(told) >= 3 and all(":" in words for words in told)
    done = command(str(path))
    assert done.returncode == 2 and done.stdout == "" and "errors; nothing was computed" in done.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("trim,,", "supplier"), ("breaks=10=5", "fall in price"), ("pack_kg=0", "above 0"),
        ("delivery_days=Mon Foo", "no day of the week"), ("break_kind=some", "no kind of price break"),
        ("worth_after_per_kg=9", "hoard"), ("lead_days=1.5", "whole number"), ("fat_pct=127", "at most 100"),
    ],
)  # fmt: skip
def test_faults_of_offers(change: str, words: str, tmp_path: Path) -> None:
    path = repairable(tmp_path)
    rows = list(csv.DictReader((tmp_path / "offers.csv").open()))
    if change == "trim,,":
        rows[0]["supplier"] = ""
    else:
        key, _, value = change.partition("=")
        rows[0][key] = value
    with (tmp_path / "offers.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    with pytest.raises(BadInput) as error:
        read_week(path)
    assert any(words in str(fault) and "offers.csv:2" in str(fault) for fault in error.value.faults), error.value


def test_periods_lead_times_delivery_days_and_use_by(tmp_path: Path) -> None:
    path = repairable(tmp_path)
    (tmp_path / "offers.csv").write_text(
        "offer,supplier,fat_pct,cost_per_kg,price_from,price_to,lead_days,delivery_days,keeps_days,species\n"
        f"trim,S,12,3.0,{day(0)},{day(1)},1,Tue Thu,1,pork\n"
        f"trim,S,,2.5,{day(2)},{day(3)},,,,\n"
    )
    world = assemble_week(read_week(path))
    found = [
        (s.first, s.last, s.period.cost_per_kg) for s in world.supplies if s.offer is not None and s.period is not None
    ]
    assert START.weekday() == 0
    assert found == [(1, 2, Fraction(3)), (3, 3, Fraction("2.5"))]


def test_the_time_limit_keeps_the_best_plan_or_says_there_is_none(tmp_path: Path) -> None:
    from benchmark_plan import write_whole_week

    write_whole_week(tmp_path, 11)
    done = command(str(tmp_path / "week.yaml"), "--time-limit", "3", "--no-compare", "--json")
    document = json.loads(done.stdout)
    assert (done.returncode, document["status"]) in {(3, "time_limit"), (0, "optimal")}
    if document["certificate"]:
        assert document["certificate"]["reported_bound"] <= document["money"]["unrounded"] + 1e-6


@pytest.mark.parametrize("seconds", ["0.01", "0.2"])
def test_a_time_limit_holds_before_there_is_anything_to_weigh(seconds: str, tmp_path: Path) -> None:
    from benchmark_plan import write_whole_week

    write_whole_week(tmp_path, 11)
    done = command(str(tmp_path / "week.yaml"), "--time-limit", seconds, "--json")
    document = json.loads(done.stdout)
    assert (done.returncode, document["status"], document["batches"]) == (3, "time_limit", [])
    jsonschema.validate(document, answer_schema("plan"))
    page = command(str(tmp_path / "week.yaml"), "--time-limit", seconds).stdout
    assert "STOPPED AT THE TIME LIMIT before any plan was found." in page and "Cure is poisonous in excess" in page


def test_interrupting_keeps_the_best_plan(tmp_path: Path) -> None:
    from benchmark_plan import write_whole_week

    write_whole_week(tmp_path, 11)
    process = subprocess.Popen(
        [sys.executable, "-m", "optimizer", "plan", str(tmp_path / "week.yaml"), "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    assert process.stderr is not None
    deadline = time.monotonic() + 60
    for line in process.stderr:
        if ("gap" in line and "none yet" not in line) or time.monotonic() > deadline:
            break
    os.kill(process.pid, signal.SIGINT)
    out, said = process.communicate(timeout=90)
    document = json.loads(out)
    assert process.returncode in (0, 3), said
    assert document["status"] == {0: "optimal", 3: "time_limit"}[process.returncode]
    assert document["batches"]


def test_the_shipped_week_is_planned_weighed_and_bought() -> None:
    done = command("examples/week/week.yaml", "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert {b["batch"] for b in document["batches"]} >= {"Monday links", "market links", "smoked for the shop"}
    assert document["orders"] and document["in_order"]["saving"] >= -1e-6
    for batch in document["batches"]:
        for check in batch["answer"]["checks"]:
            assert check["ok"] is not False or not check["blocks"]
