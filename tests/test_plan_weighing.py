"""What weighing out does to a plan: it costs no more than the scales explain, and orders and books say what is paid."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from weeks import RawBatch, RawLot, RawOffer, RawWeek, day

from constraints.quantities import Basis, Lot
from optimizer.answer import Status
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.world import assemble_week
from optimizer.plan.settle.books import Books
from optimizer.plan.settle.find import Plan, find
from optimizer.record import plain

ROOT = Path(__file__).parents[1]


def planned(path: str) -> Plan:
    return find(assemble_week(read_week(path)))


def test_the_scales_cost_the_example_week_next_to_nothing() -> None:
    """Lots that die on one day are shared by several batches; none may take what another was given."""
    plan = planned(str(ROOT / "examples/week/week.yaml"))
    assert plan.status is Status.OPTIMAL and plan.money is not None
    assert float(plan.money.minimised) <= plan.solved.cost * 1.01


@pytest.mark.parametrize("seed", range(6))
def test_lots_that_die_are_used_as_planned(seed: int, tmp_path: Path) -> None:
    """Three batches share lots that cost nothing because they die: weighed, they still need no new meat."""
    kg = 20.0 + seed / 10
    lots = [
        RawLot("dying lean", "pork", 9.0, 4.0, 3 * kg * 0.64 + 0.3, last=2),
        RawLot("dying fat", "pork", 62.0, 1.5, 3 * kg * 0.36 + 0.3, last=2),
        RawLot("keeping", "pork", 27.0, 5.0, 60.0),
    ]
    batches = [RawBatch(f"B{k}", kg, kg, k, k, (26, 28.5)) for k in range(3)]
    plan = planned(RawWeek(5, lots, batches).write(tmp_path))
    assert plan.status is Status.OPTIMAL and plan.money is not None
    assert float(plan.money.minimised) <= plan.solved.cost + 3 * 0.15 * 5.0  # three divisions a batch of the dearest


def to_use_up(folder: Path, name: str) -> None:
    """Let a lot have to be used up."""
    head, *lots = (folder / "lots.csv").read_text().splitlines()
    rows = [f"{line},{'yes' if line.startswith(name) else ''}" for line in lots]
    (folder / "lots.csv").write_text("\n".join([f"{head},use_up", *rows]) + "\n")


def use_up_week(folder: Path, batches: int) -> str:
    lots = [RawLot("odd", "pork", 20.0, 3.0, 10.01), RawLot("rest", "pork", 24.0, 1.0, 80.0)]
    path = RawWeek(3, lots, [RawBatch(f"B{k}", 20.0, 20.0, k, k, (20, 26)) for k in range(batches)]).write(folder)
    to_use_up(folder, "odd")
    return path


@pytest.mark.parametrize("batches", [1, 3])
def test_a_lot_to_use_up_is_used_up_to_the_gram(batches: int, tmp_path: Path) -> None:
    """It is dearer than the other, and no whole number of scale divisions."""
    plan = planned(use_up_week(tmp_path, batches))
    assert plan.status is Status.OPTIMAL, plan.certificate
    used = sum(kg for one in plan.made for s, kg in one.taken.items() if plan.world.supplies[s].name == "odd")
    assert used == Fraction("10.01")


def test_a_lot_to_use_up_may_be_used_up_by_several_batches(tmp_path: Path) -> None:
    """60 kg to use up in a batch of 40 and one of 60: neither alone could take all of it within its fat."""
    lots = [RawLot("odd", "pork", 18.0, 3.0, 60.0), RawLot("fat", "pork", 60.0, 1.0, 80.0),
            RawLot("lean", "pork", 8.0, 4.0, 80.0)]  # fmt: skip
    batches = [RawBatch("B0", 40.0, 40.0, 0, 0, (25, 27)), RawBatch("B1", 60.0, 60.0, 1, 1, (25, 27))]
    path = RawWeek(3, lots, batches).write(tmp_path)
    to_use_up(tmp_path, "odd")
    plan = planned(path)
    assert plan.status is Status.OPTIMAL, plan.certificate
    taken = [kg for one in plan.made for s, kg in one.taken.items() if plan.world.supplies[s].name == "odd"]
    assert len(taken) == 2 and sum(taken) == 60


def test_a_lot_to_use_up_with_bone_makes_no_batch_larger_than_its_meat_asks(tmp_path: Path) -> None:
    """10.01 kg, of which 8.008 are meat, go into the 20 kg that are the least of a batch; more would only cost."""
    lots = [RawLot("odd", "pork", 20.0, 3.0, 10.01, 80.0), RawLot("rest", "pork", 24.0, 1.0, 80.0)]
    path = RawWeek(1, lots, [RawBatch("A", 20.0, 40.0, 0, 0, (20, 26))]).write(tmp_path)
    to_use_up(tmp_path, "odd")
    plan = planned(path)
    assert plan.status is Status.OPTIMAL, plan.certificate
    [one] = plan.made
    assert {plan.world.supplies[s].name: kg for s, kg in one.taken.items()}["odd"] == Fraction("10.01")
    assert float(one.kilograms(Basis.MEAT)) == pytest.approx(20, abs=0.06)


def test_a_batch_that_uses_a_lot_up_is_no_larger_than_its_band(tmp_path: Path) -> None:
    """Every kilogram more is worth 10; the most, 40.03 kg, is 800.6 divisions of the scale."""
    lots = [RawLot("odd", "pork", 20.0, 3.0, 10.01), RawLot("rest", "pork", 24.0, 1.0, 80.0)]
    path = RawWeek(1, lots, [RawBatch("A", 20.0, 40.03, 0, 0, (20, 26), value=10.0)]).write(tmp_path)
    to_use_up(tmp_path, "odd")
    plan = planned(path)
    assert plan.status is Status.OPTIMAL, plan.certificate
    assert Fraction("39.97") <= plan.made[0].kilograms(Basis.MEAT) <= Fraction("40.03")


def test_a_lot_to_use_up_that_is_left_is_a_fault(tmp_path: Path) -> None:
    plan = planned(use_up_week(tmp_path, 3))
    one = next(m for m in plan.made if any(plan.world.supplies[s].name == "odd" for s in m.taken))
    s = next(s for s in one.taken if plan.world.supplies[s].name == "odd")
    one.taken[s] -= Fraction("0.05")
    assert any("was to be used up, and 0.05 kg are left" in fault for fault in Books(plan.program, plan.made).faults())


def bought(folder: Path, **offer: object) -> Plan:
    """60 kg from 10 kg at hand and boxes of 10 kg at 4.00, 3.00 from 50 kg on, that keep."""
    lots = [RawLot("A", "pork", 25.0, 3.0, 10.0)]
    settings = {"pack": 10.0, "breaks": [(50.0, 3.0)], "keeps": 20} | offer
    box = RawOffer("boxes", "Hill", "pork", 25.0, 4.0, **settings)  # type: ignore[arg-type]
    return planned(RawWeek(3, lots, [RawBatch("one", 60.0, 60.0, 1, 1, (24, 26))], [box]).write(folder))


def test_no_box_is_ordered_that_no_batch_needs(tmp_path: Path) -> None:
    """A box more that keeps is worth its price, so that the minimum is tied; the smaller order is the answer."""
    plan = bought(tmp_path)
    assert plan.status is Status.OPTIMAL
    assert [(order.kg, order.money) for order in plan.orders] == [(50, 150)]


def test_a_minimum_still_buys_more_than_is_needed(tmp_path: Path) -> None:
    plan = bought(tmp_path, minimum=200.0)
    assert plan.status is Status.OPTIMAL
    assert [(order.kg, order.money) for order in plan.orders] == [(70, 210)]


def test_meat_that_was_ordered_stands_in_the_books_at_what_was_paid(tmp_path: Path) -> None:
    plan = bought(tmp_path)
    assert plan.money is not None and plan.money.used == 10 * 3 + 50 * 3
    [one] = plan.made
    assert one.answer.weighed is not None
    lots = {i.name: i for i in one.answer.weighed.total.kilograms if isinstance(i, Lot)}
    assert lots["boxes"].book_per_kg == 3


@pytest.mark.parametrize("afresh", [False, True])
def test_a_batch_of_a_plan_claims_no_optimum_of_its_own(
    afresh: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether it is weighed from what was planned, or blended afresh where that finds no way to round."""
    from optimizer.plan.report.outcome import gather
    from optimizer.plan.report.plan_json import PlanRecord
    from optimizer.plan.report.plan_page import plan_page

    if afresh:
        monkeypatch.setattr("optimizer.plan.settle.weigh._Try.as_planned", lambda _: None)
    outcome = gather(bought(tmp_path))
    page = plan_page(outcome, full=True)
    assert "Proved: no such batch" not in page and "MAKE IT" in page
    assert "1000000" not in page
    certificate = plain(PlanRecord, outcome)["batches"][0]["answer"]["certificate"]
    assert certificate["feasible"] is True and certificate["gap"] is None
    assert json.dumps(certificate) and day(0) == "2026-11-30" and "Mon 30 Nov" in page
