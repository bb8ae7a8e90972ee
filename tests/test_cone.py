"""The confident optimum against a conic solver, brute force and its own proof."""

from __future__ import annotations

import itertools
import json
import random
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from kitchens import Kitchen
from properties import scaled
from uncertain import socp, uncertain_kitchen

from constraints.confidence import Confidence, best_bench
from constraints.requirement import Requirement, confident, measured_again
from constraints.row import Cone
from optimizer.answer import worth_remeasuring
from optimizer.clock import OutOfTime, limited
from optimizer.problem import Problem
from optimizer.solver.cone import Held, cones_of, optimise_with_cuts
from optimizer.solver.exact import lower_bound
from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import Ending, Layout, layout_of, relaxed

NINETY_FIVE = Fraction("0.95")


def sure(probability: Fraction, shared: bool = False) -> Confidence:
    return Confidence(probability=probability, shared_by_method=shared)


def asked(problem: Problem, confidence: Confidence) -> tuple[Requirement, ...]:
    return tuple(confident(requirement, confidence, problem.formula) for requirement in problem.choosing)


def solved(kitchen: Kitchen, confidence: Confidence) -> tuple[Problem, Layout, tuple[Requirement, ...], Held]:
    problem = kitchen.problem()
    layout, requirements = layout_of(problem), asked(problem, confidence)
    ranks = ranks_of(problem.formula.columns)
    return problem, layout, requirements, optimise_with_cuts(layout, requirements, problem.formula, ranks)


def assert_sound(layout: Layout, problem: Problem, requirements: tuple[Requirement, ...], held: Held) -> None:
    """Feasible with every cone, exactly; and no dearer than the prices prove."""
    optimum = held.optimum
    assert layout.program.feasible(optimum.values)
    kilograms = layout.kilograms(optimum.values)
    assert all(cone.holds(kilograms) for cone in cones_of(requirements, problem.formula))
    assert not any(requirement.cuts(problem.formula, kilograms) for requirement in requirements)
    batch = problem.formula.exact_batch(kilograms)
    assert all(requirement.measure(batch).ok for requirement in requirements)
    bound = lower_bound(relaxed(held.layout.program), optimum.prices)
    assert bound == optimum.bound
    assert bound is not None and bound <= optimum.cost == layout.program.cost(optimum.values)


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("block", range(6))
def test_a_conic_solver_finds_the_same_cost(block: int, shared: bool) -> None:
    found = 0
    for seed in range(block * 10, block * 10 + 10):
        rng = random.Random(seed)
        size, p = rng.choice((2, 3, 5, 8, 12, 20, 30)), rng.choice(("0.9", "0.95", "0.99"))
        kitchen = uncertain_kitchen(seed, size, tight=rng.choice((0.6, 1.0, 1.5)))
        problem, layout, requirements, held = solved(kitchen, sure(Fraction(p), shared))
        wanted = socp(kitchen, float(p), shared=shared)
        if wanted is None:
            assert held.optimum.ending is Ending.INFEASIBLE and held.optimum.certain, seed
            assert not held.optimum.values
            continue
        assert held.optimum.ending is Ending.OPTIMAL, seed
        assert float(held.optimum.cost) == pytest.approx(wanted, rel=1e-6, abs=1e-6), seed
        assert_sound(layout, problem, requirements, held)
        assert float(held.optimum.cost - held.optimum.bound) <= 1e-8 * max(1.0, wanted), seed
        found += 1
    assert found >= 5


def exact_cheapest(layout: Layout, cones: list[Cone]) -> Fraction | None:
    """The least cost over all whole numbers of packs, every one tried."""
    counts = itertools.product(*(range(int(v.lo), int(v.hi) + 1) for v in layout.program.variables))
    best = None
    for count in counts:
        values = tuple(map(Fraction, count))
        if layout.program.feasible(values) and all(cone.holds(layout.kilograms(values)) for cone in cones):
            cost = layout.program.cost(values)
            best = cost if best is None or cost < best else best
    return best


def test_whole_packs_against_every_choice() -> None:
    found = 0
    for seed in range(40):
        rng = random.Random(seed)
        kitchen = uncertain_kitchen(500 + seed, rng.choice((2, 3, 4)), packs=True, tight=2)
        for lot in kitchen.lots:
            lot["on_hand_kg"] = min(lot["on_hand_kg"], 5 * lot["pack_kg"])
        kitchen.kilograms = sum(lot["on_hand_kg"] for lot in kitchen.lots) * rng.choice((0.3, 0.5))
        problem, layout, requirements, held = solved(kitchen, sure(Fraction("0.9"), rng.random() < 0.5))
        wanted = exact_cheapest(layout, list(cones_of(requirements, problem.formula)))
        if wanted is None:
            assert held.optimum.ending is Ending.INFEASIBLE, seed
            continue
        assert held.optimum.ending is Ending.OPTIMAL, seed
        assert held.optimum.cost == wanted, seed
        assert layout.program.feasible(held.optimum.values)
        assert held.optimum.bound is not None and held.optimum.bound <= wanted
        said = held.optimum.bound if held.optimum.reported is None else held.optimum.reported
        assert float(said) == pytest.approx(float(wanted), rel=1e-7)
        found += 1
    assert found >= 15


def test_packs_beside_loose_lots_against_a_conic_solve_of_every_choice() -> None:
    found = 0
    for seed in range(5):
        kitchen = uncertain_kitchen(900 + seed, 5, tight=2)
        for lot in kitchen.lots[:2]:
            lot["pack_kg"], lot["on_hand_kg"] = 5, 15
        problem, layout, requirements, held = solved(kitchen, sure(NINETY_FIVE, bool(seed % 2)))
        columns = [column.name for column in problem.formula.columns]
        packed = [columns.index(lot["lot"]) for lot in kitchen.lots[:2]]
        assert [bool(v.whole) for v in layout.program.variables].count(True) == len(packed)
        costs = []
        for counts in itertools.product(range(4), repeat=2):
            fixed = np.full(len(kitchen.lots) + len(kitchen.additions), np.nan)
            fixed[:2] = [5 * count for count in counts]
            cost = socp(kitchen, 0.95, shared=bool(seed % 2), fixed=fixed)
            costs += [] if cost is None else [cost]
        if not costs:
            assert held.optimum.ending is Ending.INFEASIBLE, seed
            continue
        assert float(held.optimum.cost) == pytest.approx(min(costs), rel=1e-6), seed
        kilograms = layout.kilograms(held.optimum.values)
        assert all(cone.holds(kilograms) for cone in cones_of(requirements, problem.formula))
        found += 1
    assert found >= 3


def test_without_cones_or_where_none_is_reached_the_plain_optimum_is_the_answer() -> None:
    kitchen = uncertain_kitchen(3, 12)
    kitchen.require = [{"fat": {"max_pct": 99.5}}]
    problem, layout, requirements, held = solved(kitchen, sure(NINETY_FIVE))
    ranks = ranks_of(problem.formula.columns)
    plain = optimise(layout.program, ranks)
    assert cones_of(requirements, problem.formula)
    assert held.optimum == held.plain == plain
    assert optimise_with_cuts(layout, problem.choosing, problem.formula, ranks).optimum == plain
    assert held.price == 0


def test_confidence_costs_money_and_more_of_it_the_surer_one_is() -> None:
    kitchen = uncertain_kitchen(7, 15)
    prices = [solved(kitchen, sure(Fraction(p)))[3].price for p in ("0.6", "0.8", "0.95", "0.99")]
    assert None not in prices
    assert prices == sorted(prices) and prices[0] < prices[-1]


def test_between_equals_that_err_together_the_earlier_date_goes_first() -> None:
    lots = [
        {"lot": name, "on_hand_kg": 30, "fat_pct": 20, "cost_per_kg": 3, "fat_method": "nir_belt", "use_by": day}
        for name, day in (("late", "2026-12-05"), ("early", "2026-11-27"))
    ]
    fat = {"lot": "fat", "on_hand_kg": 30, "fat_pct": 80, "cost_per_kg": 1, "fat_method": "nir_belt"}
    kitchen = Kitchen([*lots, fat], require=[{"fat": {"max_pct": 36}}], kilograms=40)
    problem, layout, requirements, held = solved(kitchen, sure(NINETY_FIVE, True))
    assert_sound(layout, problem, requirements, held)
    assert held.price
    taken = dict(zip((c.name for c in problem.formula.columns), layout.kilograms(held.optimum.values), strict=True))
    assert taken["early"] == 30
    assert 0 < taken["late"] < 10


def test_no_batch_is_proved_and_said() -> None:
    kitchen = uncertain_kitchen(7, 15)
    kitchen.require = [{"fat": {"min_pct": 29.9, "max_pct": 30.1}}]
    problem, _, _, held = solved(kitchen, sure(NINETY_FIVE))
    assert held.plain.values
    assert held.optimum.ending is Ending.INFEASIBLE and held.optimum.certain
    assert held.price is None
    refuted = optimise(relaxed(held.layout.program), ranks_of(problem.formula.columns))
    assert refuted.ending is Ending.INFEASIBLE


def test_a_time_limit_ends_the_search_without_a_claim() -> None:
    kitchen = uncertain_kitchen(21, 30, packs=True)
    kitchen.kilograms = 100
    problem = kitchen.problem()
    requirements = asked(problem, sure(NINETY_FIVE))
    ranks = ranks_of(problem.formula.columns)
    with limited(1e-3), pytest.raises(OutOfTime):
        optimise_with_cuts(layout_of(problem), requirements, problem.formula, ranks)


@pytest.mark.parametrize(("money", "mass"), [(-9, 0), (-3, 0), (9, 0), (0, -2), (0, 2)])
def test_no_unit_of_money_or_mass_changes_the_batch(money: int, mass: int) -> None:
    for seed, size in ((3, 12), (7, 5), (24, 20), (40, 8)):
        kitchen = uncertain_kitchen(seed, size)
        _, layout, _, one = solved(kitchen, sure(NINETY_FIVE))
        _, other, _, two = solved(scaled(kitchen, money, mass), sure(NINETY_FIVE))
        assert one.price, seed
        assert float(two.optimum.cost) == pytest.approx(float(one.optimum.cost) * 10.0 ** (money + mass), rel=1e-9)
        first, second = layout.kilograms(one.optimum.values), other.kilograms(two.optimum.values)
        assert [float(kg) / 10.0**mass for kg in second] == pytest.approx(list(map(float, first)), rel=1e-5, abs=1e-5)


def test_scipy_comes_with_the_conic_solver_and_is_not_loaded(tmp_path: Path) -> None:
    """A blend with confidence that costs money, in a process of its own; clarabel was asked, scipy was not."""
    kitchen = uncertain_kitchen(7, 15)
    recipe = json.loads(kitchen.recipe_text()) | {"confidence": {"probability": 0.95}}
    (tmp_path / "recipe.yaml").write_text(json.dumps(recipe))
    (tmp_path / "lots.csv").write_text(kitchen.lots_text())
    script = """
import sys
from optimizer.cli import main
try:
    main()
finally:
    print(sorted({name.partition(".")[0] for name in sys.modules} & {"clarabel", "scipy"}), file=sys.stderr)
"""
    asked_for = ["recipe.yaml", "--lots", "lots.csv", "--batch-kg", str(kitchen.kilograms)]
    command = [sys.executable, "-c", script, "blend", *asked_for]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines()[-1] == "['clarabel']"


@pytest.mark.parametrize("shared", [False, True])
def test_the_lots_worth_measuring_again_are_those_that_save_most(shared: bool) -> None:
    kitchen = uncertain_kitchen(48, 10)
    problem, layout, requirements, held = solved(kitchen, sure(NINETY_FIVE, shared))
    ranks = ranks_of(problem.formula.columns)
    found = worth_remeasuring(problem, requirements, held, most=4)
    savings = {}
    for lot in problem.formula.lots:
        again = tuple(measured_again(requirement, lot) for requirement in requirements)
        cost = optimise_with_cuts(layout, again, problem.formula, ranks).optimum.cost
        savings[lot.name] = float(held.optimum.cost - cost)
    first = sorted(savings, key=lambda name: -savings[name])[: len(found)]
    assert len(found) >= 2
    assert [entry.lot for entry in found] == first
    fat = {lot.name: lot.properties["fat_pct"] for lot in problem.formula.lots}
    for entry in found:
        assert float(entry.saving) == pytest.approx(savings[entry.lot], abs=1e-6)
        assert entry.sd_then == best_bench(fat[entry.lot]).sd(fat[entry.lot]) < entry.sd_now


figure = st.integers(-60, 60).map(lambda n: Fraction(n, 7))
weight = st.integers(0, 40).map(lambda n: Fraction(n, 3))


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_cut_holds_wherever_the_cone_holds_and_not_where_it_was_laid(data: st.DataObject) -> None:
    size = data.draw(st.integers(1, 4))
    coefs = tuple(data.draw(figure) for _ in range(size))
    errors = tuple(tuple((j, data.draw(figure)) for j in range(size)) for _ in range(data.draw(st.integers(1, 3))))
    cone = Cone("row", coefs, data.draw(figure), Fraction(data.draw(st.integers(1, 4))), errors)
    at = tuple(data.draw(weight) for _ in range(size))
    row = cone.cut(at)
    if row is None:
        assert cone.variance(at) == 0
        return
    if not cone.holds(at) and cone.shortfall(at) > 1e-9:
        assert not row.holds(at)
    for _ in range(5):
        other = tuple(data.draw(weight) for _ in range(size))
        # the cut may never ask for more than the cone: its excess over the plain row is at most z times the spread
        excess = row.value(other) - sum(a * x for a, x in zip(coefs, other, strict=True))
        assert excess <= 0 or excess * excess <= cone.z**2 * cone.variance(other)
        if cone.holds(other):
            assert row.holds(other)
