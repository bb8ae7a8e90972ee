"""More freedom never makes a week dearer, and what a kitchen allows itself is taken.

Each week is drawn at random, then one thing in it is loosened; the optimum may only fall. ``python -m
tests.test_plan_freedom`` does it for 500 weeks; here stands a slice of them.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from weeks import RawBatch, RawLot, RawOffer, RawWeek, random_week

from optimizer.answer import Status
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import assemble_week
from optimizer.plan.report.outcome import Outcome, plan_week
from optimizer.plan.report.plan_page import plan_page
from optimizer.plan.settle.engine import solve
from optimizer.plan.settle.find import find
from optimizer.solver.exact import lower_bound, multipliers

KINDS = ("window", "split", "leave out", "band", "lot", "grinder", "room", "offer", "batches", "closing")


def loosened(week: RawWeek, kind: str, rng: random.Random) -> RawWeek:
    """The week with one freedom more."""
    k = rng.randrange(len(week.batches))
    batch = week.batches[k]
    if kind == "window":
        batch = replace(batch, first=max(batch.first - 1, 0), last=min(batch.last + 1, week.days - 1))
    elif kind == "split":
        batch = replace(batch, split=True)
    elif kind == "leave out":
        batch = replace(batch, leave_out=True)
    elif kind == "band":
        batch = replace(batch, lo=batch.lo * 0.9, hi=batch.hi * 1.1, fat=(batch.fat[0] - 1, batch.fat[1] + 1))
    batches = [*week.batches[:k], batch, *week.batches[k + 1 :]]
    week = replace(week, batches=batches)
    if kind == "lot" and not week.holding:  # where keeping costs, a lot more is no freedom
        return replace(week, lots=[*week.lots, RawLot("more", "pork", 25.0, 2.0, 30.0)])
    if kind == "grinder" and week.grinder is not None:
        return replace(week, grinder=week.grinder * 1.2)
    if kind == "room" and week.room is not None:
        return replace(week, room=week.room * 1.2)
    if kind == "offer":
        return replace(week, offers=[*week.offers, RawOffer("free box", "S3", "pork", 26.0, 1.5, 5.0)])
    if kind == "batches" and week.most_batches is not None:
        return replace(week, most_batches=week.most_batches + 1)
    if kind == "closing" and week.closing is not None:
        return replace(week, closing=week.closing * 0.5)
    return week


def dearer(seed: int, folder: Path) -> list[str]:
    """Freedoms that made this week dearer, or took its plan away, in words."""
    rng = random.Random(seed)
    week = random_week(seed, whole=seed % 3 > 0)
    strict = solve(build(assemble_week(read_week(week.write(folder)))).model, gap=1e-8)
    found = []
    kind = KINDS[seed % len(KINDS)]
    free = solve(build(assemble_week(read_week(loosened(week, kind, rng).write(folder)))).model, gap=1e-8)
    if strict.found and (not free.found or free.cost > strict.cost + 1e-4 + 1e-7 * abs(strict.cost)):
        found.append(f"{seed}, {kind}: {strict.cost} and then {free.cost}")
    return found


@pytest.mark.parametrize("start", range(0, 60, 20))
def test_more_freedom_never_gives_a_dearer_plan(start: int, tmp_path: Path) -> None:
    assert [words for seed in range(start, start + 20) for words in dearer(seed, tmp_path)] == []


def planned(path: str) -> Outcome:
    return plan_week(read_week(path), compare=False)


def test_a_delivery_may_serve_closing_stock_alone(tmp_path: Path) -> None:
    """No batch may take the lamb, and 12 kg of it must be left: three boxes of 5 kg at 3.00 are ordered."""
    week = RawWeek(2, [RawLot("lean", "pork", 26.0, 4.0, 40.0)], [RawBatch("A", 10.0, 10.0, 0, 0, (20, 30), 0.0)],
                   [RawOffer("box", "S", "beef", 20.0, 3.0, 5.0)])  # fmt: skip
    path = Path(week.write(tmp_path))
    offers = (tmp_path / "offers.csv").read_text().replace("box,S,trim", "box,S,beef trim")
    (tmp_path / "offers.csv").write_text(offers)
    entry = json.loads(path.read_text())
    entry["kitchen"]["closing"] = [{"material": "beef trim", "kg": 12}]
    path.write_text(json.dumps(entry))
    outcome = planned(str(path))
    assert outcome.plan.status is Status.OPTIMAL, outcome.no_plan
    [order] = outcome.plan.orders
    assert (order.kg, order.money) == (15, 45)
    certificate = outcome.plan.certificate
    assert certificate is not None and certificate.lower_bound is not None and outcome.plan.money is not None
    assert certificate.lower_bound <= outcome.plan.money.minimised == 40 + 45


def test_the_bound_knows_of_deliveries_that_no_batch_can_use(tmp_path: Path) -> None:
    """Closing stock from a cheap delivery lets the dear lot be kept: the bound must not be above that plan."""
    lots = [RawLot("dear", "pork", 26.0, 9.0, 20.0)]
    week = RawWeek(2, lots, [RawBatch("A", 20.0, 20.0, 0, 0, (20, 30))],
                   [RawOffer("late", "S", "pork", 26.0, 1.0, lead=1)], closing=20.0)  # fmt: skip
    world = assemble_week(read_week(week.write(tmp_path)))
    program = build(world).model
    solved = solve(program)
    assert solved.found and solved.cost == pytest.approx(9 * 19.975 + (20 - 0.025) * 1.0, abs=1e-4)
    assert float(lower_bound(program, multipliers(program, solved.prices))) <= solved.cost + 1e-6


def test_what_may_be_left_out_and_cannot_be_made_is_left_out(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 26.0, 4.0, 40.0)]
    can, cannot = RawBatch("A", 10.0, 10.0, 0, 0, (20, 30)), RawBatch("B", 10.0, 10.0, 0, 0, (60, 70), leave_out=True)
    outcome = planned(RawWeek(2, lots, [can, cannot]).write(tmp_path))
    assert outcome.plan.status is Status.OPTIMAL and outcome.grade.exit_code == 0
    assert [one.job.name for one in outcome.plan.made] == ["A"] and list(outcome.left_out_why) == ["B"]
    assert "- B is left out: it cannot be made: fat" in plan_page(outcome)


def test_what_may_be_split_and_left_out_is_split(tmp_path: Path) -> None:
    """40 kg through a grinder of 25 kg a day: only in two parts."""
    lots = [RawLot("lean", "pork", 26.0, 4.0, 60.0)]
    batch = RawBatch("A", 40.0, 40.0, 0, 1, (20, 30), None, 9.0, split=True, leave_out=True)
    outcome = planned(RawWeek(2, lots, [batch], grinder=25.0).write(tmp_path))
    assert outcome.plan.status is Status.OPTIMAL
    assert [one.day for one in outcome.plan.made] == [0, 1]
    assert float(sum(one.taken[0] for one in outcome.plan.made)) == pytest.approx(40, abs=0.026)


@pytest.mark.parametrize("kg", [48.0, 47.99, 12.3])
def test_a_week_of_lots_to_use_up_over_batches_of_free_size_is_made(kg: float, tmp_path: Path) -> None:
    batches = [RawBatch("A", 0.0, 40.0, 0, 0, (20, 30)), RawBatch("B", 0.0, 40.0, 1, 1, (20, 30))]
    path = RawWeek(2, [RawLot("one", "pork", 26.0, 4.0, kg)], batches).write(tmp_path)
    head, row = (tmp_path / "lots.csv").read_text().splitlines()
    (tmp_path / "lots.csv").write_text(f"{head},use_up\n{row},yes\n")
    outcome = planned(path)
    assert outcome.plan.status is Status.OPTIMAL, outcome.plan.certificate
    assert sum(kg for one in outcome.plan.made for kg in one.taken.values()) == Fraction(str(kg))


def test_a_grinder_is_not_passed_by_a_division(tmp_path: Path) -> None:
    """Bands that fill a grinder of 33.33 kg: what is weighed stays below it to the gram, or is said."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 60.0), RawLot("fat", "pork", 62.0, 1.5, 60.0)]
    batches = [RawBatch(f"B{k}", 5.0, 20.0, 0, 0, (24, 28), None, 9.0) for k in range(3)]
    outcome = planned(RawWeek(1, lots, batches, grinder=33.33).write(tmp_path))
    assert outcome.plan.status is Status.OPTIMAL and outcome.grade.exit_code == 0
    assert sum(kg for one in outcome.plan.made for kg in one.taken.values()) <= Fraction("33.33")


def test_an_excess_of_the_scales_is_said_and_not_called_all(tmp_path: Path) -> None:
    """60 and 24.05 kg through a grinder of 84: the tolerances would allow it, the scales do not."""
    lots = [RawLot("one", "pork", 26.0, 4.0, 100.0)]
    batches = [RawBatch("A", 60.0, 60.0, 0, 0, (20, 30)), RawBatch("B", 24.05, 24.05, 0, 0, (20, 30))]
    outcome = planned(RawWeek(1, lots, batches, grinder=84.0).write(tmp_path))
    page = plan_page(outcome)
    assert outcome.grade.exit_code == 1 and "84.05 kg of 84" in page
    assert "Every requirement of every batch holds" not in page and outcome.status == "not_all_holds"


def test_closing_stock_is_left_to_the_gram(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 9.0, 4.0, 30.03), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    batches = [RawBatch(f"B{k}", 8.0, 12.0, 0, 0, (24, 28), None, 9.0) for k in range(3)]
    outcome = planned(RawWeek(1, lots, batches, closing=31.31).write(tmp_path))
    left = sum(kgs[-1] for kgs in outcome.stock.values())
    assert outcome.grade.exit_code == 0 and left >= Fraction("31.31")


def test_nothing_is_ordered_that_is_not_used(tmp_path: Path) -> None:
    """Boxes of 10 kg: five batches of 10 kg need 50, however long the meat keeps."""
    lots = [RawLot("dear", "pork", 26.0, 9.0, 100.0)]
    batches = [RawBatch(f"B{k}", 10.0, 10.0, 1, 1, (20, 30)) for k in range(5)]
    plan = find(
        assemble_week(
            read_week(RawWeek(2, lots, batches, [RawOffer("box", "S", "pork", 26.0, 2.0, 10.0)]).write(tmp_path))
        )
    )
    assert sum(order.kg for order in plan.orders) in (40, 50)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        told = [words for seed in range(int((sys.argv[1:] or ["500"])[0])) for words in dearer(seed, Path(place))]
    sys.stdout.write("\n".join([*told, f"{len(told)} weeks dearer with more freedom"]) + "\n")
