"""Prices under a stated confidence against a general conic solver asked again at other figures, and against its duals.

The conic solver (clarabel, by cvxpy) reads a program built from the raw figures (see uncertain.py).
"""

from __future__ import annotations

import copy
import itertools
import json
import random
import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import cvxpy as cp
import numpy as np
import pytest
from kitchens import Kitchen
from matrices import matrix_of
from packed import packed_kitchen
from uncertain import cone_rows, factors, raw_sd, socp, uncertain_kitchen, z_of

from constraints.asked import Kilograms
from constraints.quantities import Lot
from optimizer.bench import Conflict
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.offers import parse_offers
from optimizer.reading.recipe import parse_recipe
from optimizer.why import ways
from optimizer.why.curves import price_curve, target_curve
from optimizer.why.ground import Ground, Means, family_of, ground_of
from optimizer.why.offered import offered, offers_valued, with_offers
from optimizer.why.prices import Direction, LimitPrice, Margin, dearest, limit_prices
from optimizer.why.way import WayKind
from optimizer.why.ways import ways_out
from optimizer.why.worth import PricedLot, lot_price

ROOT = Path(__file__).parents[1]
SURE = 0.95
SEEDS = range(48)


def confident_problem(kitchen: Kitchen, *, shared: bool) -> Problem:
    recipe = json.loads(kitchen.recipe_text())
    recipe["confidence"] = {"probability": SURE, "shared_by_method": shared}
    lots = parse_lots(kitchen.lots_text(), "lots")
    return assemble(parse_recipe(json.dumps(recipe), "recipe"), lots, kitchen.order())


def asked(seed: int) -> tuple[Kitchen, bool]:
    return uncertain_kitchen(seed, random.Random(seed).choice((3, 3, 4, 4, 5))), seed % 3 == 0


@cache
def grounds() -> list[tuple[Kitchen, bool, Ground]]:
    found = []
    for seed in SEEDS:
        kitchen, shared = asked(seed)
        ground = ground_of(confident_problem(kitchen, shared=shared))
        if ground is not None:
            found.append((kitchen, shared, ground))
    return found


def moved(kitchen: Kitchen, price: LimitPrice, figure: Fraction) -> Kitchen | None:
    """The raw kitchen with a limit at another figure; None for a limit that is no figure of it."""
    other = copy.deepcopy(kitchen)
    if isinstance(price.requirement, Kilograms):
        other.kilograms = float(figure)
        return other
    for entry in other.require:
        for name, limits in entry.items():
            key = {"lo": "min", "hi": "max"}[price.limit] + ("_pct" if name == "fat" else "")
            if key in limits and Fraction(str(limits[key])) == price.figure:
                limits[key] = float(figure)
                return other
    return None


def cost_at(kitchen: Kitchen, shared: bool, price: LimitPrice, figure: Fraction) -> float | None:
    other = moved(kitchen, price, figure)
    assert other is not None
    return socp(other, SURE, shared=shared)


@cache
def limits_of(k: int) -> tuple[tuple[LimitPrice, ...], tuple[Margin, ...]]:
    return limit_prices(grounds()[k][2])


def sides(k: int) -> Iterator[tuple[LimitPrice, Direction, int]]:
    for price in limits_of(k)[0]:
        for side, way in ((price.loosen, price.up), (price.tighten, -price.up)):
            if side is not None:
                yield price, side, way


@pytest.mark.parametrize("part", range(4))
def test_prices_and_ranges_of_limits_against_a_conic_solver_asked_again(part: int) -> None:
    """A second-order difference at the price, the saving at the range's end, and nothing beyond the last batch."""
    kitchens = prices = 0
    for k in range(part, len(grounds()), 4):
        kitchen, shared, ground = grounds()[k]
        base = socp(kitchen, SURE, shared=shared)
        assert base is not None and base == pytest.approx(float(ground.cost), rel=1e-6)
        kitchens += 1
        for price, side, way in sides(k):
            if moved(kitchen, price, price.figure) is None:
                continue
            prices += 1
            if not side.possible:
                step = Fraction(1, 500) * max(abs(price.figure), Fraction(1))
                assert cost_at(kitchen, shared, price, price.figure + way * step) is None
                continue
            assert side.saves is not None and side.until is not None
            width = abs(side.until - price.figure)
            h = min(width / 60, abs(price.figure) / 1000)
            one, two = (cost_at(kitchen, shared, price, price.figure + way * k * h) for k in (1, 2))
            assert one is not None and two is not None
            difference = (4 * (base - one) - (base - two)) / float(2 * h)
            noise = 1e-7 * max(1, base) / float(h)
            assert difference == pytest.approx(float(side.saves), rel=5e-3, abs=noise + 1e-4)
            there = cost_at(kitchen, shared, price, side.until)
            assert there is not None and side.saved_there is not None
            assert base - there == pytest.approx(float(side.saved_there), rel=1e-4, abs=2e-6 * max(1, base))
            if side.ends_there:
                past = side.until + way * width / 100
                assert cost_at(kitchen, shared, price, past) is None
    assert kitchens >= 7
    assert prices >= 20


def test_no_batch_beyond_all_that_there_is() -> None:
    """10 and 9.975 kg on hand and 20 kg ordered, give or take 25 g: no batch is heavier, and many are lighter.

    The lighter one saves the price of the dearer lot, 3 a kilogram.
    """
    lots = [{"lot": "A", "on_hand_kg": 10, "fat_pct": 20, "cost_per_kg": 3, "fat_sd_pct": 1},
            {"lot": "B", "on_hand_kg": 9.975, "fat_pct": 25, "cost_per_kg": 2, "fat_sd_pct": 1}]  # fmt: skip
    ground = ground_of(confident_problem(Kitchen(lots, [{"fat": {"max_pct": 40}}], kilograms=20), shared=False))
    assert ground is not None and ground.cones
    (price,) = (price for price in limit_prices(ground)[0] if isinstance(price.requirement, Kilograms))
    assert price.tighten is not None and not price.tighten.possible and price.tighten.saves is None
    assert price.loosen is not None and price.loosen.saves == pytest.approx(Fraction(3))


def test_short_form_names_the_limit_whose_slack_saves_most() -> None:
    """Savings of a small step by the conic solver, for every limit of the kitchen, none of which saves more."""
    told = 0
    for kitchen, shared, ground in grounds()[:8]:
        found = dearest(ground)
        if found is None:
            continue
        requirement, way, saves = found
        prices = [p for p in limit_prices(ground)[0] if not isinstance(p.requirement, Kilograms)]
        for price in prices:
            by = Fraction(1, 500) if price.requirement.unit == "%" else Fraction(1, 50_000)
            nearby = moved(kitchen, price, price.figure + price.up * by)
            cost = None if nearby is None else socp(nearby, SURE, shared=shared)
            if cost is not None:
                assert (float(ground.cost) - cost) / float(by) <= float(saves) * 1.001 + 1e-3
        same = next(p for p in prices if p.requirement is requirement and p.up == way)
        assert same.loosen is not None and same.loosen.saves == saves
        told += 1
    assert told >= 3


def test_beyond_a_range_other_lots_or_limits_decide() -> None:
    """Half way inside the blend stands as it does now; a hundredth beyond it stands otherwise."""
    looked = 0
    for k in range(0, len(grounds()), 4):
        ground = grounds()[k][2]
        for price, side, way in sides(k):
            moving = family_of(ground, price.requirement, price.limit)
            if not side.possible or side.until is None or not side.beyond or side.ends_there or moving is None:
                continue
            if side.beyond == ("no further was looked",):
                continue
            width = abs(side.until - price.figure)
            half, past = (moving.solved(price.figure + way * width * k / 100) for k in (50, 101))
            assert half is not None and half.places == ground.stand.places
            assert past is None or past.places != ground.stand.places
            looked += 1
    assert looked > 20


def conic_prices(kitchen: Kitchen, shared: bool) -> tuple[dict[float, float], float]:
    """From the duals of the conic solver: money a point for each limit on fat, and money a kilogram of the order."""
    matrix = matrix_of(kitchen)
    x = cp.Variable(len(matrix.cost))
    spread = factors(kitchen, shared=shared)
    cones = []
    for (row, slope), limit in zip(cone_rows(kitchen), fat_limits(kitchen), strict=True):
        held = z_of(SURE) * slope * cp.norm(spread @ x) <= -(row @ x)
        cones.append((limit, held))
    lo, hi = np.isfinite(matrix.row_lo), np.isfinite(matrix.row_hi)
    low, high = matrix.rows[lo] @ x >= matrix.row_lo[lo], matrix.rows[hi] @ x <= matrix.row_hi[hi]
    problem = cp.Problem(
        cp.Minimize(matrix.cost @ x),
        [x >= matrix.lo, x <= np.minimum(matrix.hi, 1e5), low, high, *(c for _, c in cones)],
    )
    problem.solve(solver="CLARABEL", tol_gap_abs=1e-10, tol_gap_rel=1e-10, tol_feas=1e-10)
    weight = float(np.sum(x.value[: len(kitchen.lots)]))
    prices = {limit: float(c.dual_value) * weight for limit, c in cones}
    order = float(np.sum(low.dual_value[np.isclose(matrix.row_lo[lo], kitchen.kilograms - kitchen.within_kg)]))
    return prices, order


def fat_limits(kitchen: Kitchen) -> list[float]:
    (limits,) = (entry["fat"] for entry in kitchen.require)
    return [limits[key] for key in ("min_pct", "max_pct") if key in limits]


def test_prices_are_the_duals_of_a_conic_solver() -> None:
    looked = 0
    for k in range(0, len(grounds()), 3):
        kitchen, shared, _ = grounds()[k]
        if kitchen.additions or any("fat" not in entry for entry in kitchen.require):
            continue
        fat, order = conic_prices(kitchen, shared)
        binding = limits_of(k)[0] if looked < 12 else ()
        for price in binding:
            if price.loosen is None or price.loosen.saves is None or price.tighten is None or not price.tighten.saves:
                continue
            size = isinstance(price.requirement, Kilograms)
            dual = order if size else fat[float(price.figure)]
            ends = sorted((float(price.loosen.saves), -float(price.tighten.saves)))
            room = 1e-3 * max(1.0, abs(dual))
            assert ends[0] - room <= dual <= ends[1] + room
            looked += 1
    assert looked >= 8


def at_price(kitchen: Kitchen, name: str, price: float) -> Kitchen:
    other = copy.deepcopy(kitchen)
    next(lot for lot in other.lots if lot["lot"] == name)["cost_per_kg"] = price
    return other


def without(kitchen: Kitchen, name: str) -> Kitchen:
    other = copy.deepcopy(kitchen)
    next(lot for lot in other.lots if lot["lot"] == name)["on_hand_kg"] = 0
    return other


def check_lot(kitchen: Kitchen, shared: bool, ground: Ground, found: PricedLot) -> None:
    name, tol = found.lot.name, 2e-6 * max(1.0, float(ground.cost))

    def cost(price: float) -> float:
        value = socp(at_price(kitchen, name, price), SURE, shared=shared)
        assert value is not None
        return value

    bare = socp(without(kitchen, name), SURE, shared=shared)
    assert found.needed == (bare is None)
    if bare is not None and found.stays_to is not None:
        at = float(found.stays_to)
        assert cost(at + 0.01) == pytest.approx(bare, abs=tol)
        assert cost(at - 0.1) < bare
        assert cost(at - 0.1) <= bare + tol - 0.09 * float(found.kg_then) * 0.9
    for end in (found.same_from, found.same_to):
        if found.used_kg and end is not None and end != found.price:
            step = float(end - found.price) * 0.9
            line = float(ground.cost) + float(found.used_kg) * step
            assert cost(float(found.price) + step) == pytest.approx(line, abs=tol)


@pytest.mark.parametrize("part", range(2))
def test_prices_of_lots_against_a_conic_solver_asked_again(part: int) -> None:
    looked = 0
    for kitchen, shared, ground in grounds()[part::6]:
        if len(kitchen.lots) > 6:
            continue
        for j, lot in enumerate(ground.problem.formula.columns):
            if isinstance(lot, Lot):
                found = lot_price(ground, j, lot)
                check_lot(kitchen, shared, ground, found)
                looked += 1
    assert looked > 15


def test_another_kilogram_of_a_lot_used_up() -> None:
    looked = 0
    for kitchen, shared, ground in grounds():
        base = socp(kitchen, SURE, shared=shared)
        for j, lot in enumerate(ground.problem.formula.columns):
            found = lot_price(ground, j, lot) if isinstance(lot, Lot) and ground.values[j] > 1 else None
            if found is None or found.more is None or found.more.saves is None or found.more.until is None:
                continue
            other = copy.deepcopy(kitchen)
            h = min(0.2, float(found.more.until - found.used_kg) / 50)
            next(raw for raw in other.lots if raw["lot"] == found.lot.name)["on_hand_kg"] += h
            again = socp(other, SURE, shared=shared)
            assert again is not None and base is not None
            assert (base - again) / h == pytest.approx(float(found.more.saves), rel=0.02, abs=1e-4 + 1e-7 * base / h)
            looked += 1
        if looked >= 6:
            break
    assert looked >= 6


def test_what_offers_are_worth() -> None:
    looked = more = 0
    for kitchen, shared, ground in grounds()[1::4]:
        fat = sum(lot["fat_pct"] for lot in kitchen.lots) / len(kitchen.lots)
        offer = {"lot": "new", "on_hand_kg": 10000, "fat_pct": round(fat, 1), "fat_sd_pct": 0.5, "cost_per_kg": 0}
        if kitchen.additions:
            offer["moisture_pct"] = round(76 - 0.76 * offer["fat_pct"], 1)
        lots = parse_lots(kitchen.lots_text(), "lots")
        cells = {"offer": "new", **{k: v for k, v in offer.items() if k not in ("lot", "on_hand_kg", "cost_per_kg")}}
        text = ",".join(cells) + "\n" + ",".join(map(str, cells.values())) + "\n"
        offers = offered(parse_offers(text, "offers", simple=True), lots, kitchen.order().day)
        order = kitchen.order()
        shelf = with_offers(ground.problem.recipe, lots, offers, order)
        worth = next(offers_valued(ground.cost, shelf))
        other = copy.deepcopy(kitchen)
        other.lots.append(offer)

        def cost(price: float, other: Kitchen = other, shared: bool = shared) -> float:
            value = socp(at_price(other, "new", price), SURE, shared=shared)
            assert value is not None
            return value

        if worth.most is None:
            continue
        tol = 2e-6 * max(1.0, float(ground.cost))
        assert cost(float(worth.most) + 0.01) == pytest.approx(float(ground.cost), abs=tol)
        assert cost(float(worth.most) * 0.9) < float(ground.cost) - tol
        for (dearer, less), (price, kg) in itertools.pairwise(worth.steps):
            assert dearer > price > 0 and kg > less * Fraction(999, 1000)
        more += len(worth.steps) > 2
        for price, kg in worth.steps[1:3]:
            h = 0.01 * float(price)
            near = sorted((cost(float(price) + k * h) - cost(float(price) + (k - 1) * h)) / h for k in (0, 1))
            assert near[0] - 2 * tol / h <= float(kg) <= near[1] + 2 * tol / h
        looked += 1
    assert looked >= 6 and more >= 6


def every_choice(ground: Ground) -> list[tuple[Fraction, tuple[Fraction, ...]]]:
    """Cost and counts of every choice of packs that keeps rows and cones, each tried."""
    program = ground.free.program
    found = []
    for count in itertools.product(*(range(int(v.lo), int(v.hi) + 1) for v in program.variables)):
        values = tuple(map(Fraction, count))
        if program.feasible(values) and all(cone.holds(values) for cone in ground.free.cones):
            found.append((program.cost(values), values))
    return found


def test_whole_packs_against_every_choice() -> None:
    looked = 0
    for seed in range(500, 520):
        rng = random.Random(seed)
        kitchen = uncertain_kitchen(seed, rng.choice((3, 4)), packs=True, tight=2)
        for lot in kitchen.lots:
            lot["on_hand_kg"] = min(lot["on_hand_kg"], 5 * lot["pack_kg"])
        kitchen.kilograms = sum(lot["on_hand_kg"] for lot in kitchen.lots) * rng.choice((0.3, 0.5))
        ground = ground_of(confident_problem(kitchen, shared=bool(seed % 2)))
        if ground is None:
            continue
        choices = every_choice(ground)
        assert ground.cost == min(cost for cost, _ in choices)
        for j, lot in enumerate(ground.problem.formula.columns):
            assert isinstance(lot, Lot) and lot.pack_kg is not None
            found = lot_price(ground, j, lot)
            own = ground.free.program.variables[j].cost
            bare = [cost for cost, x in choices if not x[j]]
            assert found.needed == (not bare)
            if not bare:
                assert found.kg_then == min(x[j] for _, x in choices) * lot.pack_kg
                continue
            ends = [(min(bare) - cost + own * x[j]) / x[j] for cost, x in choices if x[j]]
            wanted = max(ends, default=None)
            if wanted is None or wanted < 0:
                assert found.stays_to is None or found.stays_to <= 0
            else:
                assert found.stays_to is not None
                assert float(found.stays_to) == pytest.approx(float(wanted / lot.pack_kg), abs=1e-5)
            looked += 1
    assert looked >= 20


def test_packs_beside_loose_lots_are_solved_again() -> None:
    """A unit of slack with everything chosen anew is what a fresh blend of the widened kitchen saves."""
    looked = 0
    for seed in range(8):
        kitchen = packed_kitchen(seed, 8)
        kitchen.probability = str(SURE)
        ground = ground_of(kitchen.problem())
        if ground is None:
            continue
        for price in limit_prices(ground)[0]:
            if price.limit != "hi" or price.unit_saving is None or "fat" not in price.requirement.what:
                continue
            wider = copy.deepcopy(kitchen)
            (band,) = (entry["fat"] for entry in wider.require if "fat" in entry)
            band["max_pct"] = round(band["max_pct"] + 1, 1)
            again = ground_of(wider.problem())
            assert again is not None
            assert float(ground.cost - again.cost) == pytest.approx(float(price.unit_saving), abs=1e-5)
            assert price.unit_saving >= 0
            looked += 1
    assert looked >= 1


def test_pictures_lie_on_the_curve() -> None:
    looked = 0
    for kitchen, shared, ground in grounds()[2:30:6]:
        fat = next((r for r in ground.problem.choosing if r.what == "fat" and r.lo is None), None)
        fat = None if kitchen.additions else fat  # then there is a limit on the finished product too
        curve = None if fat is None else target_curve(ground, fat)
        if curve is not None and fat is not None:
            for point in curve.points[2:-2:7]:
                other = copy.deepcopy(kitchen)
                (band,) = (entry["fat"] for entry in other.require if "basis" not in entry.get("fat", {"basis": 0}))
                band["max_pct"] = float(point.figure)
                assert socp(other, SURE, shared=shared) == pytest.approx(float(point.cost), rel=2e-6)
        lot = next(c for c in ground.problem.formula.columns if isinstance(c, Lot))
        prices = price_curve(ground, lot)
        for point in prices.points[::8]:
            other = at_price(kitchen, lot.name, float(point.figure))
            assert socp(other, SURE, shared=shared) == pytest.approx(float(point.cost), rel=2e-6, abs=1e-5)
        for part, dearer in itertools.pairwise(prices.amounts):
            assert dearer.kg <= part.kg + Fraction(1, 1000)
        looked += 1
    assert looked >= 4


def test_margin_is_the_room_left_beside_the_error() -> None:
    """The distance to the nearer limit less z standard deviations of the batch, from the raw figures."""
    looked = 0
    for k in range(0, len(grounds()), 2):
        kitchen, shared, ground = grounds()[k]
        for found in limits_of(k)[1] if not looked else ():
            r = found.requirement
            if r.what != "fat" or found.margin is None or kitchen.additions:
                continue
            weights = [float(kg) for kg in ground.kilograms]
            error = z_of(SURE) * np.linalg.norm(factors(kitchen, shared=shared) @ weights) / sum(weights)
            value = float(found.value or 0)
            gaps = [value - float(r.lo)] if r.lo is not None else []
            gaps += [float(r.hi) - value] if r.hi is not None else []
            assert float(found.margin) == pytest.approx(min(gaps) - error, abs=1e-3)
            looked += 1
    assert looked >= 1


def test_ways_out_give_a_batch_and_little_less_does_not() -> None:
    """Limits and confidences told, against the conic solver a hair farther; half way there it finds no batch."""
    looked: dict[WayKind, int] = {}
    for seed in range(60):
        kitchen, shared = asked(seed)
        if len(kitchen.lots) > 5 or sum(looked.values()) > 25 or socp(kitchen, SURE, shared=shared) is not None:
            continue
        problem = confident_problem(kitchen, shared=shared)
        reaches = [
            r for r in problem.choosing if (r.confidence is not None or isinstance(r, Kilograms)) and not r.origin.legal
        ]
        ways = ways_out(problem, Conflict(tuple(reaches), (), False), [])
        for way in ways:
            if way.kind is WayKind.CONFIDENCE:
                assert way.probability is not None
                told, short = float(way.probability[1]), float(sum(way.probability)) / 2
                there = socp(kitchen, told - 0.005, shared=shared)
                assert there is not None and there <= float(way.cost or 0) * (1 + 1e-6)
                assert short - told < 0.015 or socp(kitchen, short, shared=shared) is None
            elif way.kind is WayKind.LIMIT:
                (c,) = way.concessions
                price = LimitPrice(c.requirement, c.limit, c.old, Means.CURVED, None, None, 1)
                if moved(kitchen, price, c.new) is None:
                    continue
                there = cost_at(kitchen, shared, price, c.new + (c.new - c.old) / 50)
                assert there is not None and there <= float(way.cost or 0) * (1 + 1e-6)
                assert (
                    abs(c.new - c.old) < Fraction(1, 25) or cost_at(kitchen, shared, price, (c.old + c.new) / 2) is None
                )
            else:
                continue
            looked[way.kind] = looked.get(way.kind, 0) + 1
    assert looked[WayKind.LIMIT] >= 5
    assert looked[WayKind.CONFIDENCE] >= 3


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_lots_are_measured_again_by_how_many_kilograms_of_fat_they_may_be_off(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The error in points times the kilograms there are, the largest first, by the raw cells."""
    kitchen = uncertain_kitchen(seed, 9)
    problem = confident_problem(kitchen, shared=False)
    tried: list[Lot] = []
    monkeypatch.setattr(ways, "_alone_or_all", lambda lots, *_: iter(tried.extend(lots) or ()))
    conflict = Conflict(tuple(r for r in problem.choosing if r.confidence is not None), (), False)
    assert not list(ways._Search(problem, conflict).measured())
    off = {lot["lot"]: raw_sd(lot) * lot["on_hand_kg"] * lot.get("usable_pct", 100) for lot in kitchen.lots}
    assert len(tried) > 4 and [lot.name for lot in tried] == sorted(off.keys() & {lot.name for lot in tried},
                                                                  key=lambda name: -off[name])  # fmt: skip


def command(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    recipe = (ROOT / "examples/fresh.yaml").read_text(encoding="utf-8")
    asking = "confidence: {probability: 0.95, usual_method: nir_bench}\nrequire:"
    (tmp_path / "fresh.yaml").write_text(recipe.replace("require:", asking, 1), encoding="utf-8")
    line = [sys.executable, "-m", "optimizer", "why", str(tmp_path / "fresh.yaml"), "--lots",
            "examples/fresh-lots.csv", "--meat-kg", "25", "--date", "2026-11-25", *words]  # fmt: skip
    return subprocess.run(line, capture_output=True, text=True, cwd=ROOT, check=False)


def test_page_and_document_say_by_which_means(tmp_path: Path) -> None:
    page = command(tmp_path, "--offers", "examples/offers.csv", "--full")
    text = " ".join(page.stdout.split())
    assert page.returncode == 0
    assert max(map(len, page.stdout.splitlines())) <= 80
    for words in (
        "found by solving again at changed figures", "each point more saves 0.78 crowns",
        "with 95 % confidence", "little by little", "At the 3.10 asked buy 11.13 kg and save 3.21 crowns",
    ):  # fmt: skip
        assert words in text, words
    found: dict[str, Any] = json.loads(command(tmp_path, "--json").stdout)
    assert found["unsaid"] == "" and found["unfinished"] == []
    assert "solving again at changed figures" in found["means"]
    assert {lot["means"] for lot in found["lots"]} == {"by solving again at changed figures"}
    assert len(found["curves"]) == 2
