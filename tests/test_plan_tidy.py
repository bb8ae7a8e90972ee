"""Tidy pulls and remnants over days: asked for they hold, by default they give way, and what they cost is said."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmark_plan import write_week
from scipy.optimize import Bounds, LinearConstraint, milp
from weeks import RawBatch, RawLot, RawOffer, RawWeek

from optimizer.plan.files.week_file import MaterialRule, Scope, read_week
from optimizer.plan.model.kitchen import Together
from optimizer.plan.report.outcome import Outcome, plan_week
from optimizer.plan.report.plan_json import PlanRecord
from optimizer.plan.report.plan_page import plan_page
from optimizer.plan.settle import weigh
from optimizer.record import plain

LOTS = [
    RawLot("cheap lean", "pork", 8.0, 2.0, 19.8), RawLot("lean", "pork", 10.0, 4.0, 40.0),
    RawLot("fat", "pork", 62.0, 1.0, 30.0), RawLot("back fat", "pork", 70.0, 1.5, 15.0),
]  # fmt: skip
BATCHES = [RawBatch("A", 20.0, 20.0, 0, 0, (24, 26)), RawBatch("B", 20.0, 20.0, 1, 1, (24, 26))]


def planned(folder: Path, **keys: Any) -> Outcome:
    path = Path(RawWeek(2, LOTS, BATCHES).write(folder))
    path.write_text(json.dumps(json.loads(path.read_text()) | keys))
    return plan_week(read_week(str(path)), compare=False)


def semi_continuous(pull: float, rest: float) -> float:
    """The least cost by scipy: kilograms of each lot in each batch; whether it is in, opened, emptied."""
    lots, batches = len(LOTS), len(BATCHES)
    n = lots * batches
    cost = [lot.cost for _ in BATCHES for lot in LOTS] + [0.0] * (n + 2 * lots)
    rows: list[tuple[Any, float, float]] = []

    def row(terms: dict[int, float], lo: float, hi: float) -> None:
        line = np.zeros(len(cost))
        for column, value in terms.items():
            line[column] = value
        rows.append((line, lo, hi))

    for b in range(batches):
        row({b * lots + k: 1.0 for k in range(lots)}, 19.975, 20.025)
        row({b * lots + k: lot.fat - 26.0 for k, lot in enumerate(LOTS)}, -np.inf, 0.0)
        row({b * lots + k: lot.fat - 24.0 for k, lot in enumerate(LOTS)}, 0.0, np.inf)
    for k, lot in enumerate(LOTS):
        mine = [b * lots + k for b in range(batches)]
        opened, emptied = 2 * n + k, 2 * n + lots + k
        for j in mine:
            row({j: 1.0, n + j: -lot.kg}, -np.inf, 0.0)
            row({j: 1.0, n + j: -pull}, 0.0, np.inf)
            row({n + j: 1.0, opened: -1.0}, -np.inf, 0.0)
        row({**dict.fromkeys(mine, 1.0), emptied: -lot.kg}, 0.0, np.inf)
        row({**dict.fromkeys(mine, 1.0), opened: rest, emptied: -rest}, -np.inf, lot.kg)
    most = [lot.kg for _ in BATCHES for lot in LOTS] + [1.0] * (n + 2 * lots)
    lines = LinearConstraint(np.array([r for r, _, _ in rows]), [r for _, r, _ in rows], [r for _, _, r in rows])
    whole = [0] * n + [1] * (n + 2 * lots)
    return float(milp(cost, constraints=lines, bounds=Bounds(0, most), integrality=whole).fun)


@pytest.mark.parametrize(("pull", "rest"), [(1.0, 0.0), (3.0, 0.0), (0.0, 2.0), (2.0, 3.0)])
def test_what_is_asked_for_holds_and_costs_what_scipy_finds(pull: float, rest: float, tmp_path: Path) -> None:
    outcome = planned(tmp_path, smallest_pull=pull, smallest_remnant=rest)
    assert outcome.grade.exit_code == 0
    wanted = semi_continuous(pull, rest)
    assert outcome.plan.solved.cost == pytest.approx(wanted, abs=0.02 * wanted)
    assert outcome.plan.solved.cost >= wanted - 1e-6
    supplies = outcome.plan.world.supplies
    for one in outcome.plan.made:
        assert all(kg >= Fraction(str(pull)) for kg in one.taken.values())
    opened = {s for one in outcome.plan.made for s in one.taken}
    for s in opened:
        left = outcome.plan.rest[s]
        assert left < Fraction("0.05") or left >= Fraction(str(rest)), supplies[s].name


def test_the_default_makes_no_week_impossible_and_is_off_at_nought(tmp_path: Path) -> None:
    free, usual = planned(tmp_path, smallest_pull=0, smallest_remnant=0), planned(tmp_path)
    assert free.grade.exit_code == usual.grade.exit_code == 0
    assert free.plan.tidy_price == 0 and not free.plan.crumbs
    assert usual.plan.solved.cost == pytest.approx(free.plan.solved.cost + usual.plan.tidied)
    assert usual.plan.tidied >= -1e-9
    for one in usual.plan.made:  # 1 % of 20 kg, two divisions of 50 g at least
        assert all(kg >= Fraction("0.2") for kg in one.taken.values())
    assert plain(PlanRecord, usual)["tidy"] == {"price": usual.plan.tidy_price, "crumbs": list(usual.plan.crumbs)}


def test_what_gives_way_is_said(tmp_path: Path) -> None:
    """Two batches of 0.5 kg need a pinch of fat each, less than two divisions: they are made, and that is said."""
    lots = [RawLot("lean", "pork", 8.0, 2.0, 1.0), RawLot("fat", "pork", 90.0, 1.0, 0.2)]
    batches = [RawBatch(name, 0.5, 0.5, k, k, (14, 18)) for k, name in enumerate("AB")]
    path = RawWeek(2, lots, batches).write(tmp_path)
    outcome = plan_week(read_week(path), compare=False)
    assert outcome.grade.exit_code == 0 and outcome.plan.crumbs
    assert "for want of a better way: 0.05 kg of fat in A" in " ".join(plan_page(outcome).split())


MIXED = [RawLot("D", "pork", 20.0, 1.5, 30.0), RawLot("E", "pork", 18.0, 2.0, 30.0)]


def one_batch(folder: Path, *lots: RawLot, most: int = 26, **keys: Any) -> tuple[Outcome, dict[str, Fraction]]:
    """20 kg with at most so much fat, on one day; the plan and what is left of every lot, as held."""
    batch = RawBatch("A", 20.0, 20.0, 0, 0, (0, most))
    path = Path(RawWeek(1, list(lots), [batch]).write(folder))
    path.write_text(json.dumps(json.loads(path.read_text()) | keys))
    outcome = plan_week(read_week(str(path)), compare=False)
    assert outcome.grade.exit_code == 0
    taken = {
        s: sum((one.taken.get(s, Fraction(0)) for one in outcome.plan.made), Fraction(0)) for s in range(len(lots))
    }
    names = {s: outcome.plan.world.supplies[s].name for s in taken}
    return outcome, {names[s]: Fraction(str(lots[s].kg)) - kg for s, kg in taken.items()}


def test_a_lot_with_bone_of_which_next_to_nothing_is_left_is_emptied(tmp_path: Path) -> None:
    """60 % of 30 % fat in 40 % of D are 26 %: 12 kg of meat, 15 of 15.1 kg held. The rest asks for some leaner E."""
    outcome, left = one_batch(tmp_path, RawLot("C", "pork", 30.0, 1.0, 15.1, 80.0), *MIXED)
    assert left["C"] < Fraction("0.05") and not outcome.plan.crumbs
    assert left["E"] <= 30 - Fraction("0.2")
    _, free = one_batch(tmp_path, RawLot("C", "pork", 30.0, 1.0, 15.1, 80.0), *MIXED, smallest_remnant=0)
    assert Fraction("0.05") <= free["C"] < Fraction("0.2")


def test_a_remnant_that_is_asked_for_is_of_what_is_held(tmp_path: Path) -> None:
    """Of 16 kg held 1 would be left: 2 stay, for that is cheaper than leaner E beside all of it."""
    _, left = one_batch(tmp_path, RawLot("C", "pork", 30.0, 1.0, 16.0, 80.0), *MIXED, smallest_remnant=2)
    assert 2 <= left["C"] <= Fraction("2.3")


def test_a_pull_is_made_larger_as_held(tmp_path: Path) -> None:
    """26.05 % come to 26 % with 48 g of 5 %, half of it bone; 200 g are pulled, not 100 and not 400."""
    lots = (RawLot("A", "pork", 26.05, 1.0, 40.0), RawLot("B", "pork", 5.0, 4.0, 10.0, 50.0))
    _, left = one_batch(tmp_path, *lots)
    assert Fraction("0.2") <= 10 - left["B"] <= Fraction("0.3")


def test_a_remnant_that_cannot_be_helped_is_said(tmp_path: Path) -> None:
    """20 kg of meat are 25 of 25.15 kg held, and there is nothing else."""
    outcome, left = one_batch(tmp_path, RawLot("bone", "pork", 20.0, 1.0, 25.15, 80.0))
    assert Fraction("0.05") <= left["bone"] < Fraction("0.2")
    assert list(outcome.plan.crumbs) == [f"{float(left['bone']):.3g} kg of bone left"]


def test_of_a_delivery_in_packs_next_to_nothing_is_left_by_default(tmp_path: Path) -> None:
    """Of three packs of 5 kg and 30 % fat 14.9 kg go into 20 kg of at most 27.45 %: some leaner E empties them."""
    box = RawOffer("box", "S", "pork", 30.0, 1.0, pack=5.0)

    def left(**keys: Any) -> tuple[Fraction, Outcome]:
        path = Path(RawWeek(1, MIXED, [RawBatch("A", 20.0, 20.0, 0, 0, (0, 27.45))], [box]).write(tmp_path))
        path.write_text(json.dumps(json.loads(path.read_text()) | keys))
        outcome = plan_week(read_week(str(path)), compare=False)
        [order] = outcome.plan.orders
        assert outcome.grade.exit_code == 0 and order.packs == 3
        return outcome.plan.rest[order.supply_index], outcome

    usual, outcome = left()
    free, _ = left(smallest_remnant=0)
    assert usual < Fraction("0.05") <= free < Fraction("0.2")
    assert not outcome.plan.crumbs and outcome.plan.tidy_price > 0


def test_an_order_without_packs_is_what_is_used_in_whole_divisions(tmp_path: Path) -> None:
    """By hand: the only lot is an offer of which any weight may be ordered, at 80 % usable."""
    loose = RawOffer("loose", "S", "pork", 20.0, 1.0)
    path = RawWeek(1, [RawLot("none", "pork", 20.0, 9.0, 0.0)], [RawBatch("A", 20.0, 20.0, 0, 0, (0, 26))], [loose])
    outcome = plan_week(read_week(path.write(tmp_path)), compare=False)
    [order] = outcome.plan.orders
    taken = sum((one.taken[order.supply_index] for one in outcome.plan.made), Fraction(0))
    assert 0 <= order.kg - taken < Fraction("0.05") and not outcome.plan.crumbs


def test_weighing_leaves_few_crumbs_at_a_price_of_next_to_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The made-up weeks of the benchmark: most crumbs were divisions of a lot beyond the plan's, for the rounding."""
    write_week(tmp_path, 100, 25, rules=False)
    plan = plan_week(read_week(str(tmp_path / "week.yaml")), compare=False).plan
    monkeypatch.setattr(weigh, "_REACHES", tuple(reach for reach in weigh._REACHES if not reach.whole))
    before = plan_week(read_week(str(tmp_path / "week.yaml")), compare=False).plan
    small, many = (sum(" in " in words for words in found.crumbs) for found in (plan, before))
    assert plan.whole and before.whole and many >= 5
    assert 3 * small <= many
    assert plan.money is not None and before.money is not None
    more = plan.money.minimised - before.money.minimised
    assert more <= plan.money.used / 100
    said = plan.tidy_price - plan.tidied  # of each batch against its plan, which no scale can weigh
    assert before.tidy_price == before.tidied and float(more) <= said <= float(plan.money.used) / 100


def test_what_goes_together_is_checked_on_what_was_weighed(tmp_path: Path) -> None:
    """A plan of one material, two batches of 20 kg on two days, against rules that it was not made by, by hand."""
    plan = planned(tmp_path).plan
    assert all(supply.lot.material == "trim" for supply in plan.world.supplies)
    first = plan.made[0]
    kg = sum(first.taken.values(), Fraction(0))
    for rule, words in (
        (MaterialRule(most=1), []),
        (MaterialRule(smallest_kg=kg + 1), [f"at least {float(kg + 1):g}"] * 2),
        (MaterialRule(if_used=("trim",), then="lard", per=Scope.DAY), ["trim without lard"] * 2),
        (MaterialRule(if_used=("lard",), then="trim", per=Scope.DAY), []),
    ):
        check = Together("materials", ("materials", "kg more", "kg", Fraction(1), False), Fraction(0), rule)
        found = [excess.words for excess in check.excesses(plan)]
        assert len(found) == len(words) and all(some in said for some, said in zip(words, found, strict=True)), rule
