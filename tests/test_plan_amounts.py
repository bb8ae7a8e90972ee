"""Kilograms in weeks: amounts that recipes ask of each batch, and a lot's least weight over the week, against scipy."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from weeks import START, RawBatch, RawLot, RawWeek, day

from constraints.as_typed import BadInput
from constraints.quantities import Basis
from optimizer.answer import Status
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import assemble_week
from optimizer.plan.report.outcome import Outcome, plan_week
from optimizer.plan.report.plan_json import PlanRecord
from optimizer.plan.settle.engine import solve
from optimizer.record import plain

WITHIN = 0.025
"""Half a division of the usual meat scale."""


@dataclass
class Job:
    """A batch: kilograms, days, and kilograms of the group ``of`` that are asked of it whenever it is made."""

    lo: float
    hi: float
    days: tuple[int, ...]
    of: list[int]
    least: float
    most: float
    value: float = 0.0
    leave_out: bool = False
    split: bool = False


class Kitchen:
    """Five lots with least weights of their own, and four batches: fixed, on either of two days, free and in parts."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        self.fat = [draw.choice([5, 12, 22, 40, 65]) for _ in range(5)]
        self.price = [draw.randint(10, 90) / 10 for _ in range(5)]
        self.stock = [draw.randint(15, 40) for _ in range(5)]
        self.floor = [draw.choice([0, 0, 2, 6]) for _ in range(5)]
        group = [draw.sample(range(5), 2) for _ in range(4)]
        least = [draw.choice([0.0, 1.0, 3.0]) for _ in range(4)]
        self.jobs = [
            Job(15, 15, (0,), group[0], least[0], 9),
            Job(10, 10, (0, 1), group[1], least[1], 6, leave_out=draw.random() < 0.5, value=draw.choice([0.0, 6.0])),
            Job(0, 12, (1,), group[2], least[2], 7, value=5.0),
            Job(14, 14, (0, 1), group[3], least[3], 8, split=True),
        ]

    def write(self, folder: Path) -> str:
        rows = [f"L{i},{self.stock[i]},{self.fat[i]},{self.price[i]},{self.floor[i] or ''}" for i in range(5)]
        (folder / "lots.csv").write_text("\n".join(["lot,on_hand_kg,fat_pct,cost_per_kg,use_at_least_kg", *rows, ""]))
        batches: list[dict[str, Any]] = []
        for k, job in enumerate(self.jobs):
            amount = {"lot": [f"L{i}" for i in job.of], "min_kg": job.least, "max_kg": job.most}
            require = [{"fat": {"min_pct": 12, "max_pct": 35}}, {"amount": amount}]
            (folder / f"r{k}.yaml").write_text(json.dumps({"name": f"R{k}", "require": require}))
            size = {"meat_kg": job.lo} if job.lo == job.hi else {"from_meat_kg": job.lo, "to_meat_kg": job.hi}
            batches.append({"name": f"B{k}", "recipe": f"r{k}.yaml", **size, "value_per_kg": job.value,
                            "from_day": day(job.days[0]), "to_day": day(job.days[-1]),
                            "may_leave_out": "yes" if job.leave_out else "no",
                            "may_split": "yes" if job.split else "no"})  # fmt: skip
        path = folder / "week.yaml"
        path.write_text(json.dumps({"name": "w", "start": str(START), "days": 2, "lots": "lots.csv",
                                    "batches": batches}))  # fmt: skip
        return str(path)

    def cheapest(self) -> float | None:
        """By scipy: kilograms of each lot in each batch on each day, and whether it is made on it."""
        places = [(k, d) for k, job in enumerate(self.jobs) for d in job.days]
        n = len(places) * 5
        cost = [self.price[i] - self.jobs[k].value for k, _ in places for i in range(5)] + [0.0] * len(places)
        rows: list[tuple[Any, float, float]] = []

        def row(terms: dict[int, float], lo: float = -np.inf, hi: float = np.inf) -> None:
            line = np.zeros(len(cost))
            for column, value in terms.items():
                line[column] = value
            rows.append((line, lo, hi))

        for p, (k, _) in enumerate(places):
            job, mine, made = self.jobs[k], range(5 * p, 5 * p + 5), n + p
            row({j: self.fat[j % 5] - 35.0 for j in mine}, hi=0)
            row({j: self.fat[j % 5] - 12.0 for j in mine}, lo=0)
            group = {5 * p + i: 1.0 for i in job.of}
            row({**group, made: -job.least}, lo=0)
            row(group, hi=job.most)
            row({**dict.fromkeys(mine, 1.0), made: -job.hi - WITHIN * (job.lo == job.hi)}, hi=0)
            if not job.split:
                row({**dict.fromkeys(mine, 1.0), made: -job.lo + WITHIN * (job.lo == job.hi)}, lo=0)
        for k, job in enumerate(self.jobs):
            at = [p for p, (other, _) in enumerate(places) if other == k]
            if job.split:
                row({5 * p + i: 1.0 for p in at for i in range(5)}, job.lo - WITHIN, job.hi + WITHIN)
            else:
                row({n + p: 1.0 for p in at}, 0.0 if job.leave_out or not job.lo else 1.0, 1.0)
        for i in range(5):
            row({5 * p + i: 1.0 for p in range(len(places))}, self.floor[i], self.stock[i])
        found = milp(
            np.array(cost), integrality=np.array([0] * n + [1] * len(places)),
            bounds=Bounds(0, np.array([100.0] * n + [1.0] * len(places))),
            constraints=LinearConstraint(np.array([r for r, _, _ in rows]), [a for _, a, _ in rows],
                                         [b for _, _, b in rows]),
            options={"mip_rel_gap": 0.0},
        )  # fmt: skip
        return float(found.fun) if found.status == 0 else None


@pytest.mark.parametrize("block", range(3))
def test_kilograms_asked_for_hold_in_every_batch_at_the_cost_that_scipy_finds(block: int, tmp_path: Path) -> None:
    seen = 0
    for seed in range(20 * block, 20 * block + 20):
        kitchen = Kitchen(seed)
        program = build(assemble_week(read_week(kitchen.write(tmp_path))))
        found, expected = solve(program.model), kitchen.cheapest()
        assert found.found == (expected is not None), seed
        if expected is not None:
            assert found.cost == pytest.approx(expected, abs=1e-5), seed
            seen += 1
    assert seen > 8


def taken(outcome: Outcome, lot: str) -> Fraction:
    supplies = outcome.plan.world.supplies
    return sum((kg for one in outcome.plan.made for s, kg in one.taken.items() if supplies[s].name == lot), Fraction(0))


@pytest.mark.parametrize("seed", range(0, 24, 2))
def test_as_weighed_too(seed: int, tmp_path: Path) -> None:
    kitchen = Kitchen(seed)
    outcome = plan_week(read_week(kitchen.write(tmp_path)), compare=False)
    if kitchen.cheapest() is None:
        assert outcome.plan.status is Status.INFEASIBLE and outcome.no_plan is not None
        return
    assert outcome.plan.whole
    assert all(taken(outcome, f"L{i}") >= kitchen.floor[i] for i in range(5))
    for one in outcome.plan.made:
        job = kitchen.jobs[int(one.job.name[1])]
        kg = sum(float(one.taken.get(s, 0)) for s, x in enumerate(outcome.plan.world.supplies)
                 if int(x.name[1]) in job.of)  # fmt: skip
        assert job.least - 1e-9 <= kg <= job.most + 1e-9


def dear(folder: Path, floor: float, **first: Any) -> str:
    """A cheap lot, a dear one of which so much must be used, and a batch on each of two days."""
    (folder / "lots.csv").write_text(
        f"lot,on_hand_kg,fat_pct,cost_per_kg,use_at_least_kg\ncheap,60,20,2,\ndear,30,20,9,{floor}\n"
    )
    (folder / "r.yaml").write_text(json.dumps({"name": "R", "require": [{"fat": {"max_pct": 30}}]}))
    batches = [{"name": f"B{d}", "recipe": "r.yaml", "meat_kg": 10, "day": day(d)} for d in range(2)]
    batches[0] |= first
    path = folder / "week.yaml"
    path.write_text(json.dumps({"name": "w", "start": str(START), "days": 2, "lots": "lots.csv", "batches": batches}))
    return str(path)


def test_a_least_weight_that_no_batch_can_take_is_said_with_what_would_work(tmp_path: Path) -> None:
    outcome = plan_week(read_week(dear(tmp_path, 25)), compare=False)
    assert outcome.no_plan is not None
    assert outcome.no_plan.cause == "1 lot must be used, and no batch can take 5 kg of dear."
    way = outcome.no_plan.ways[0].changes[0]
    assert (way.what, way.unit) == ("dear", "kg usable less than its use_at_least_kg")
    assert 4.9 < float(way.amount) < 5.2  # the size of two batches is 20 kg within their tolerance


def test_of_a_least_weight_only_the_rest_is_asked_of_what_is_left_of_a_week(tmp_path: Path) -> None:
    path = dear(tmp_path, 15)
    first = plan_week(read_week(path), compare=False)
    assert 15 <= taken(first, "dear") <= Fraction("15.1")  # a division or two for the scales
    (tmp_path / "plan.json").write_text(json.dumps(plain(PlanRecord, first)))
    (tmp_path / "happened.yaml").write_text(json.dumps({"plan": "plan.json", "now": day(1)}))
    rest = plan_week(read_week(path), str(tmp_path / "happened.yaml"))
    first.plan.made = [one for one in first.plan.made if one.day == 0]
    done = taken(first, "dear")
    assert rest.stands and 0 < done < 15
    assert 15 - done <= taken(rest, "dear") <= Fraction("15.1") - done


@pytest.mark.parametrize("most", [1, 2])
def test_two_deliveries_of_an_offer_are_two_lots_where_a_recipe_counts_them(most: int, tmp_path: Path) -> None:
    (tmp_path / "lots.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg\nold,5,20,2\n")
    (tmp_path / "offers.csv").write_text(
        "offer,supplier,fat_pct,cost_per_kg,largest_order_kg,keeps_days\nfresh,S,20,3,30,5\n"
    )
    (tmp_path / "r.yaml").write_text(json.dumps({"name": "R", "require": [{"most_lots": {"max": most}}]}))
    batch = {"name": "B", "recipe": "r.yaml", "meat_kg": 50, "day": day(1)}
    path = tmp_path / "week.yaml"
    path.write_text(json.dumps({"name": "w", "start": str(START), "days": 2, "lots": "lots.csv",
                                "offers": "offers.csv", "batches": [batch]}))  # fmt: skip
    outcome = plan_week(read_week(str(path)), compare=False)
    assert outcome.plan.status is (Status.OPTIMAL if most == 2 else Status.INFEASIBLE)
    assert len(outcome.orders) == (2 if most == 2 else 0)  # of 30 kg at most each, on two days


def test_each_batch_of_a_recipe_takes_water_by_its_own_size(tmp_path: Path) -> None:
    (tmp_path / "lots.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg\nlean,200,10,4\nfat,200,60,2\n")
    additions = [{"name": "salt", "is": "salt", "g_per_kg_meat": 18},
                 {"name": "ice", "is": "water", "up_to_g_per_kg_meat": 200}]  # fmt: skip
    recipe = {"name": "R", "require": [{"fat": {"max_pct": 30}}], "additions": additions}
    (tmp_path / "r.yaml").write_text(json.dumps(recipe))
    batches = [{"name": f"B{d}", "recipe": "r.yaml", "batch_kg": 10 * 10**d, "day": day(d)} for d in range(2)]
    path = tmp_path / "week.yaml"
    path.write_text(json.dumps({"name": "w", "start": str(START), "days": 2, "lots": "lots.csv", "batches": batches}))
    outcome = plan_week(read_week(str(path)), compare=False)
    for one, size in zip(outcome.plan.made, (10, 100), strict=True):  # water costs nothing: as much as may go in
        assert float(one.kilograms(Basis.MEAT)) == pytest.approx(size / 1.218, abs=0.06)


def of_one_recipe(folder: Path, *sizes: float) -> str:
    """Batches of these sizes by one recipe with 2 g of pepper a kilogram, on a spice scale of 1 g."""
    (folder / "lots.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg\nlean,200,10,4\n")
    pepper = [{"name": "pepper", "g_per_kg_meat": 2}]
    (folder / "r.yaml").write_text(json.dumps({"name": "R", "require": [], "additions": pepper}))
    batches = [{"name": f"B{d}", "recipe": "r.yaml", "meat_kg": size, "day": day(d)} for d, size in enumerate(sizes)]
    path = folder / "week.yaml"
    path.write_text(json.dumps({"name": "w", "start": str(START), "days": 2, "lots": "lots.csv", "batches": batches}))
    return str(path)


def test_a_dose_below_the_scale_is_kept_whatever_batch_of_its_recipe_comes_first(tmp_path: Path) -> None:
    outcome = plan_week(read_week(of_one_recipe(tmp_path, 20, 0.4)), compare=False)
    kept = [[c.requirement.what for c in one.answer.checks].count("pepper weighed in") for one in outcome.plan.made]
    assert kept == [0, 1]  # of 40 g and of 0.8 g


@pytest.mark.parametrize("sizes", [(20, 0.02), (0.02, 20)])
def test_a_size_that_the_scale_does_not_know_is_refused_in_any_batch(sizes: tuple[float, ...], tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"0\.02 kg on a meat scale of 0\.05 kg says nothing"):
        assemble_week(read_week(of_one_recipe(tmp_path, *sizes)))


def test_of_a_lot_in_packs_whole_packs_go_in(tmp_path: Path) -> None:
    """17 kg of one fat: three packs of 5 kg of the cheaper lot and 2 kg of the other."""
    lots = [RawLot("packs", "pork", 25.0, 2.0, 40.0), RawLot("loose", "pork", 25.0, 4.0, 40.0)]
    path = RawWeek(2, lots, [RawBatch("A", 17.0, 17.0, 0, 0, (24, 26)), RawBatch("B", 12.0, 12.0, 1, 1, (24, 26))])
    week = path.write(tmp_path)
    head, *rows = (tmp_path / "lots.csv").read_text().splitlines()
    rows = [f"{line},{5 if line.startswith('packs') else ''}" for line in rows]
    (tmp_path / "lots.csv").write_text("\n".join([f"{head},pack_kg", *rows]) + "\n")
    batches = plain(PlanRecord, plan_week(read_week(week), compare=False))["batches"]
    pulls = [{pull["lot"]: pull["held_kg"] for pull in batch["pulls"]} for batch in batches]
    assert [one["packs"] for one in pulls] == [15, 10]
    assert [one["loose"] for one in pulls] == [pytest.approx(kg, abs=0.026) for kg in (2, 2)]
