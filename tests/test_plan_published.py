"""A published multi-period blending problem with its published optimum, and tiny weeks by trying everything.

The food manufacture problem of H. P. Williams, Model Building in Mathematical Programming (Wiley): five raw oils over
six months, two refining lines, storage, hardness, and in its second version three logical conditions. Prices, figures
and both optima (107,843 and 100,279 pounds) are written down from memory and not read in the book.
"""

from __future__ import annotations

import itertools
from datetime import date, timedelta
from pathlib import Path

import pytest
from scipy.optimize import linprog
from weeks import RawBatch, RawLot, RawOffer, RawWeek, day

from optimizer.answer import Status
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import assemble_week
from optimizer.plan.settle.engine import solve
from optimizer.plan.settle.find import find

PRICES = {
    "VEG 1": (110, 130, 110, 120, 100, 90),
    "VEG 2": (120, 130, 140, 110, 120, 100),
    "OIL 1": (130, 110, 130, 120, 150, 140),
    "OIL 2": (110, 90, 100, 120, 110, 80),
    "OIL 3": (115, 115, 95, 125, 105, 135),
}
HARDNESS = {"VEG 1": 8.8, "VEG 2": 6.1, "OIL 1": 2.0, "OIL 2": 4.2, "OIL 3": 5.0}
LINEAR, LOGICAL = 107_843, 100_279
"""Published optimum profits, pounds, from memory."""


def food_manufacture(folder: Path, *, logical: bool) -> str:
    """The problem as a week of six days: tons as kilograms, months as days."""
    start = date(2026, 1, 1)
    days = [start + timedelta(days=k) for k in range(6)]
    lots = ["lot,material,on_hand_kg,fat_pct,cost_per_kg,hardness"]
    lots += [f"stock of {oil},{oil},500,0,0,{hard}" for oil, hard in HARDNESS.items()]
    offers = ["offer,supplier,material,fat_pct,hardness,cost_per_kg,price_from,price_to,worth_after_per_kg"]
    for oil, prices in PRICES.items():
        offers += [f"{oil},market,{oil},0,{HARDNESS[oil]},{p},{d},{d},0" for p, d in zip(prices, days, strict=True)]
    (folder / "lots.csv").write_text("\n".join(lots) + "\n")
    (folder / "offers.csv").write_text("\n".join(offers) + "\n")
    (folder / "blend.yaml").write_text("name: product\nrequire:\n  - property: {name: hardness, min: 3, max: 6}\n")
    week = ["start: 2026-01-01", "days: 6", "lots: lots.csv", "offers: offers.csv", "batches:"]
    for k, d in enumerate(days):
        week.append(f"  - {{name: month {k + 1}, recipe: blend.yaml, to_meat_kg: 450, day: {d}, value_per_kg: 150}}")
    week += ["kitchen:", "  holding_per_kg_day: 5", "  stages:"]
    week.append("    - {name: vegetable, basis: meat, kg_per_day: 200, materials: [VEG 1, VEG 2]}")
    week.append("    - {name: other, basis: meat, kg_per_day: 250, materials: [OIL 1, OIL 2, OIL 3]}")
    week += ["  cold_store:", *[f"    - {{kg: 1000, materials: [{oil}]}}" for oil in PRICES]]
    week += ["  closing:", *[f"    - {{material: {oil}, kg: 500}}" for oil in PRICES]]
    if logical:
        week += ["materials:", "  - {most: 3}", "  - {smallest_kg: 20}"]
        week.append("  - {if_used: [VEG 1, VEG 2], then: OIL 3}")
    path = folder / "week.yaml"
    path.write_text("\n".join(week) + "\n")
    return str(path)


@pytest.mark.parametrize(("logical", "published"), [(False, LINEAR), (True, LOGICAL)])
def test_food_manufacture_reaches_the_published_profit(logical: bool, published: int, tmp_path: Path) -> None:
    world = assemble_week(read_week(food_manufacture(tmp_path, logical=logical)))
    plan = find(world, gap=1e-7)
    assert -plan.solved.cost == pytest.approx(published, abs=0.6)
    assert plan.status is Status.OPTIMAL, plan.certificate
    assert plan.certificate is not None and plan.certificate.lower_bound is not None
    assert float(plan.certificate.lower_bound) <= plan.solved.cost + 1e-6


def cheapest_by_trying(week: RawWeek) -> float:
    """Every day of every batch and every number of packs tried; what is left is linear and small."""
    offer = week.offers[0]
    assert offer.pack is not None
    deliveries = range(offer.lead, week.days)
    best = float("inf")
    windows = [range(b.first, b.last + 1) for b in week.batches]
    for days in itertools.product(*windows):
        for packs in itertools.product(range(4), repeat=len(deliveries)):
            kg = [n * offer.pack for n in packs]
            if any(q and q < offer.smallest for q in kg):
                continue
            paid = [q * next((p for k, p in reversed(offer.breaks) if q >= k), offer.price) for q in kg]
            if any(q and m < offer.minimum for q, m in zip(kg, paid, strict=True)):
                continue
            charge = offer.charge * sum(q > 0 for q in kg)
            bought = [  # what is paid for is paid for, used or not
                RawLot(f"o{d}", offer.species, offer.fat, 0.0, q, 100, d) for d, q in zip(deliveries, kg, strict=True)
            ]
            used = cheapest_use(week, days, [*week.lots, *bought])
            if used is not None:
                best = min(best, sum(paid) + charge + used)
    return best


def cheapest_use(week: RawWeek, days: tuple[int, ...], lots: list[RawLot]) -> float | None:
    """The least value used when days and stock are given."""
    cost, rows, limits, size = [], [], [], []
    pairs = [(k, s) for k in range(len(week.batches)) for s in range(len(lots))]
    for k, s in pairs:
        lot = lots[s]
        keeps = lot.last is None or lot.last > week.days - 1
        cost.append(lot.cost if keeps else lot.salvage)
        usable = lot.first <= days[k] and (lot.last is None or days[k] <= lot.last)
        size.append((0.0, week.batches[k].hi if usable else 0.0))
    for k, b in enumerate(week.batches):
        rows.append([(lots[s].fat - b.fat[1]) * (j == k) for j, s in pairs])
        rows.append([(b.fat[0] - lots[s].fat) * (j == k) for j, s in pairs])
        rows.append([-1.0 * (j == k) for j, s in pairs])
        limits += [0, 0, -(b.hi - 0.025)]
    for s, lot in enumerate(lots):
        rows.append([1.0 * (t == s) for _, t in pairs])
        limits.append(lot.kg)
    found = linprog(cost, rows, limits, bounds=size)
    return found.fun if found.status == 0 else None


@pytest.mark.parametrize("seed", range(4))
def test_tiny_weeks_by_trying_everything(seed: int, tmp_path: Path) -> None:
    lots = [
        RawLot("lean", "pork", 9.0, 4.0, 9.0 + seed, first=0, last=1),
        RawLot("fat", "pork", 62.0, 1.5, 12.0, first=0, last=2),
    ]
    batches = [
        RawBatch("A", 8.0, 8.0, 0, 1, (24, 28)), RawBatch("B", 7.0 + seed, 7.0 + seed, 0, 2, (22, 27)),
    ]  # fmt: skip
    offer = RawOffer(
        "trim", "S", "pork", 15.0, 3.2, 5.0, 5.0, 15.0, [(10.0, 2.6)], "all_units", 1, None, 3.0 + seed, 14.0 + 4 * seed
    )
    week = RawWeek(3, lots, batches, [offer])
    solved = solve(build(assemble_week(read_week(week.write(tmp_path)))).model, gap=0.0)
    tried = cheapest_by_trying(week)
    assert solved.found == (tried < float("inf"))
    if solved.found:
        assert solved.cost == pytest.approx(tried, abs=1e-5)
    assert day(0) == "2026-11-30"
