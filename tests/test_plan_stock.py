"""Stock at the end of each day, and the money for keeping it: one figure, also after days that are done."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from weeks import RawBatch, RawLot, RawOffer, RawWeek, day, random_week

from constraints.as_typed import BadInput
from optimizer.plan.files.week_file import read_week
from optimizer.plan.report.outcome import Outcome, plan_week
from optimizer.plan.report.plan_json import PlanRecord
from optimizer.record import plain


def kept(outcome: Outcome, start: int = 0) -> Fraction:
    """Kilograms in stock at the end of each day from ``start``, added up."""
    return sum((sum(levels[start:], Fraction(0)) for levels in outcome.stock.values()), Fraction(0))


@pytest.mark.parametrize("seed", range(4000, 4012))
def test_what_is_paid_for_keeping_is_the_stock_of_every_evening(seed: int, tmp_path: Path) -> None:
    week = random_week(seed, whole=False)
    week.holding = 0.05
    outcome = plan_week(read_week(week.write(tmp_path)), compare=False)
    if outcome.plan.money is not None:
        assert outcome.plan.money.holding == Fraction("0.05") * kept(outcome)


def test_what_dies_is_not_kept_the_night_after_its_last_day(tmp_path: Path) -> None:
    """10 kg that die on the second day are kept one night, 10 kg that keep three."""
    lots = [RawLot("dies", "pork", 26.0, 4.0, 20.0, last=1), RawLot("keeps", "pork", 26.0, 4.0, 10.0)]
    week = RawWeek(3, lots, [RawBatch("A", 10.0, 10.0, 0, 0, (20, 30))], holding=0.5)
    outcome = plan_week(read_week(week.write(tmp_path)), compare=False)
    assert outcome.plan.money is not None
    left = {outcome.plan.world.supplies[s].name: [float(kg) for kg in levels] for s, levels in outcome.stock.items()}
    assert left == {"dies": [10, 0, 0], "keeps": [10, 10, 10]}
    assert outcome.plan.money.holding == 20


def test_days_that_are_done_show_the_stock_there_was(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 9.0, 4.0, 45.0), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    batches = [RawBatch(f"B{k}", 15.0, 15.0, k, k, (24, 28)) for k in range(4)]
    offers = [RawOffer("trim", "S", "pork", 12.0, 3.0, 5.0, lead=1)]
    path = RawWeek(4, lots, batches, offers, holding=0.01).write(tmp_path)
    before = plan_week(read_week(path), compare=False)
    (tmp_path / "plan.json").write_text(json.dumps(plain(PlanRecord, before)))
    happened = {"plan": "plan.json", "now": day(2), "fixed_through": day(3)}
    (tmp_path / "happened.yaml").write_text(json.dumps(happened))
    after = plan_week(read_week(path), str(tmp_path / "happened.yaml"))

    def levels(outcome: Outcome) -> dict[tuple[str, int], list[float]]:
        supplies = outcome.plan.world.supplies
        return {
            (supplies[s].name, supplies[s].first): [round(float(kg), 6) for kg in kgs[:2]]
            for s, kgs in outcome.stock.items() if any(kgs[:2])
        }  # fmt: skip

    assert levels(after) == levels(before)
    rows = [
        [float(kg) for row in one.by_day[:2] for kg in (row.used_kg, row.delivered_kg, row.left_kg)]
        for one in (before, after)
    ]
    assert rows[0] == pytest.approx(rows[1])
    assert after.plan.money is not None
    assert after.plan.money.holding == Fraction("0.01") * kept(after, 2)


def bought(folder: Path) -> tuple[str, dict[str, object]]:
    """A week that cannot do without the deliveries of one offer, and its plan."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 20.0), RawLot("fat", "pork", 62.0, 1.5, 40.0),
            RawLot("spare", "pork", 10.0, 9.0, 80.0)]  # fmt: skip
    batches = [RawBatch(f"B{k}", 15.0, 15.0, k, k, (24, 28)) for k in range(4)]
    path = RawWeek(4, lots, batches, [RawOffer("trim", "S", "pork", 12.0, 3.0, 5.0, lead=1)]).write(folder)
    return path, plain(PlanRecord, plan_week(read_week(path), compare=False))


def again(path: str, folder: Path, plan: dict[str, object], now: int, **told: object) -> Outcome:
    (folder / "plan.json").write_text(json.dumps(plan))
    (folder / "happened.yaml").write_text(json.dumps({"plan": "plan.json", "now": day(now), **told}))
    return plan_week(read_week(path), str(folder / "happened.yaml"))


@pytest.mark.parametrize("now", [0, 1, 2])
def test_a_delivery_said_missed_is_never_ordered_again_for_that_day(now: int, tmp_path: Path) -> None:
    path, plan = bought(tmp_path)
    first = plan["orders"][0]["delivered"]  # type: ignore[index]
    outcome = again(path, tmp_path, plan, now, deliveries=[{"offer": "trim", "day": first, "missed": "yes"}])
    if not outcome.hold:  # what was made of it already is in doubt instead
        assert outcome.plan.status == "optimal"
    assert all(order.delivered.isoformat() != first for order in outcome.plan.orders)
    assert bool(outcome.hold) == (now > 1)


@pytest.mark.parametrize("figure", ["kg", "counted_now_kg"])
def test_a_delivery_of_ten_times_what_was_ordered_may_be_and_more_is_a_slip(figure: str, tmp_path: Path) -> None:
    path, plan = bought(tmp_path)
    (first, *_) = json.loads(json.dumps(plan))["orders"]
    came = {"offer": "trim", "day": first["delivered"]}
    ten = 10 * Fraction(str(first["kg"]))
    assert again(path, tmp_path, plan, 2, deliveries=[{**came, figure: float(ten)}]).no_plan is None
    with pytest.raises(BadInput, match="kg of a delivery of"):
        again(path, tmp_path, plan, 2, deliveries=[{**came, figure: float(ten) + 0.1}])


def test_mass_is_conserved_over_a_week_repaired_twice(tmp_path: Path) -> None:
    """Of every lot and delivery: what was there is what all batches took and what is left at the end."""
    path, plan = bought(tmp_path)
    first = again(path, tmp_path, plan, 1, lots=[{"lot": "fat", "short_kg": 4}])
    second = again(path, tmp_path, plain(PlanRecord, first), 2, lots=[{"lot": "fat", "short_kg": 4}])
    document = json.loads(json.dumps(plain(PlanRecord, second)))
    assert second.hold == () and {b["batch"] for b in document["batches"]} == {"B0", "B1", "B2", "B3"}
    taken: dict[tuple[str, object], float] = {}
    for batch in document["batches"]:
        for pull in batch["pulls"]:
            key = pull["lot"], pull["delivered"]
            taken[key] = taken.get(key, 0.0) + float(pull["held_kg"])
    left = {(row["lot"], row["delivered"]): row["kg_at_end_of_day"][-1] for row in document["stock"]}
    came = {("lean", None): 20.0, ("fat", None): 36.0, ("spare", None): 80.0}
    for order in (*document["coming"], *document["orders"]):
        came[order["offer"], order["delivered"]] = order["kg"]
    assert set(taken) <= set(came)
    for key, kg in came.items():
        assert kg == pytest.approx(taken.get(key, 0.0) + left.get(key, 0.0), abs=1e-6), key


def test_past_days_are_no_conflict(tmp_path: Path) -> None:
    """The first day was over the grinder's capacity as told, and only what is left has no plan."""
    path, plan = bought(tmp_path)
    week = json.loads(Path(path).read_text())
    week["kitchen"]["stages"] = [{"name": "grinder", "kg_per_day": 16, "basis": "meat"}]
    week["kitchen"]["cold_store"] = [{"kg": 30}]
    Path(path).write_text(json.dumps(week))
    outcome = again(path, tmp_path, plan, 2)
    assert outcome.no_plan is not None
    assert all(day(0) not in words and day(1) not in words for words in outcome.no_plan.limits)
    assert all(
        change.date is None or change.date.isoformat() >= day(2)
        for way in outcome.no_plan.ways
        for change in way.changes
    )
