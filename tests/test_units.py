"""The same kitchen priced or weighed in any unit has the same blend: the solver's tolerances know no unit."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction as F
from typing import Any

import pytest
from kitchens import Kitchen, random_kitchen
from packed import PackedKitchen, packed_kitchen
from uncertain import uncertain_kitchen

from constraints.quantities import Lot
from optimizer.answer import Answer, Status, blend
from optimizer.bench import with_lots
from optimizer.problem import Problem
from optimizer.why.ground import ground_of
from optimizer.why.worth import lot_price

SCALES = [F(1, 10**9), F(1, 10**4), F(10**4), F(10**9)]


def kitchens(*, sure: bool) -> list[Kitchen]:
    """Small kitchens without and with packs and pulls, whose additions cost nothing; ``sure`` ones ask confidence."""
    found: list[Kitchen] = []
    if sure:
        found += [PackedKitchen(**vars(uncertain_kitchen(seed, 6)), probability="0.9") for seed in range(5)]
        found += [replace(packed_kitchen(seed, 8), probability="0.9") for seed in range(4)]
    else:
        found += [random_kitchen(seed, size=6) for seed in range(3)]
        found += [packed_kitchen(seed, 12) for seed in range(3)]
    for kitchen in found:
        for addition in kitchen.additions:
            addition.pop("cost_per_kg", None)
    return found


def priced(problem: Problem, by: F) -> Problem:
    """The problem with every lot at so many times its price; additions cost nothing in these kitchens."""
    lots = [replace(lot, cost_per_kg=lot.cost_per_kg * by, salvage_per_kg=lot.salvage_per_kg * by)
            for lot in problem.formula.lots if isinstance(lot, Lot)]  # fmt: skip
    return with_lots(problem, lots)


def times(figure: Any, by: str) -> Any:
    """So many times a figure, in plain decimals."""
    return figure if figure in (None, "") else f"{Decimal(str(figure)) * Decimal(by):f}"


def used(answer: Answer) -> dict[str, F] | None:
    return None if answer.weighed is None else {item.name: kg for item, kg in answer.weighed.total.kilograms.items()}


@pytest.mark.parametrize("sure", [False, True])
@pytest.mark.parametrize("by", SCALES)
def test_money_in_any_unit(by: F, sure: bool) -> None:
    made = 0
    for kitchen in kitchens(sure=sure):
        problem = kitchen.problem()
        here, there = blend(problem), blend(priced(problem, by))
        assert here.status is there.status
        if here.status is not Status.OPTIMAL or here.optimum is None or there.optimum is None:
            continue
        made += 1
        assert here.optimum.cost * by == there.optimum.cost
        assert used(here) == used(there)
    assert made > 3


@pytest.mark.parametrize("sure", [False, True])
@pytest.mark.parametrize("by", ["0.001", "1000"])
def test_weights_in_any_unit(by: str, sure: bool) -> None:
    """Stock, packs, pulls, the order and the divisions of both scales, all so many times as large."""
    made = 0
    for kitchen in kitchens(sure=sure):
        larger = replace(kitchen, lots=[dict(lot) for lot in kitchen.lots])
        for lot in larger.lots:
            lot.update({key: times(kg, by) for key, kg in lot.items() if key.endswith("_kg") and "cost" not in key})
        for name in ("kilograms", "within_kg", "meat_g", "spice_g"):
            setattr(larger, name, times(getattr(kitchen, name), by))
        here, there = blend(kitchen.problem()), blend(larger.problem())
        assert here.status is there.status
        if here.status is not Status.OPTIMAL or here.optimum is None or there.optimum is None:
            continue
        made += 1
        assert here.optimum.cost * F(by) == there.optimum.cost
        assert used(there) == {name: kg * F(by) for name, kg in (used(here) or {}).items()}
    assert made > 3


@pytest.mark.parametrize("by", [F(1, 10**9), F(10**9)])
def test_worths_under_confidence_in_any_unit_of_money(by: F) -> None:
    """What each lot is worth and between which prices the blend stays, to the digits that solving again finds."""
    looked = 0
    for kitchen in kitchens(sure=True)[:1]:
        problem = kitchen.problem()
        here, there = ground_of(problem), ground_of(priced(problem, by))
        if here is None or there is None:
            assert here is there
            continue
        for j, (lot, dear) in enumerate(zip(here.problem.formula.lots, there.problem.formula.lots, strict=True)):
            assert isinstance(lot, Lot) and isinstance(dear, Lot)
            one, other = lot_price(here, j, lot), lot_price(there, j, dear)
            looked += 1
            assert (one.used_kg, one.needed) == (other.used_kg, other.needed)
            for first, second in ((one.stays_to, other.stays_to), (one.same_from, other.same_from)):
                assert (first is None) == (second is None), lot.name
                assert first is None or second is None or float(second / by) == pytest.approx(float(first), rel=1e-6)
    assert looked > 4
