"""Confidence together with packs, pulls, a most-lots limit and groups, against every choice by a conic solver.

Every subset of the lots that keeps count and groups is taken, with every number of packs of those that come in packs;
the conic solver settles the lots that do not. Nothing of the program's own rows is used.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from packed import PackedKitchen, packed_kitchen
from uncertain import socp

from optimizer.answer import _cheapest
from optimizer.solver.program import Ending

LOTS, MOST_PACKS = 6, 3
PROBABILITY = 0.9


def small(seed: int, *, shared: bool) -> PackedKitchen:
    """Six lots, of which none holds more than three packs."""
    kitchen = packed_kitchen(seed, LOTS, tight=2.0)
    for lot in kitchen.lots:
        if "pack_kg" in lot:
            lot["on_hand_kg"] = min(lot["on_hand_kg"], MOST_PACKS * lot["pack_kg"])
            lot.pop("largest_pull_kg", None)
            if lot.get("smallest_pull_kg", 0) > lot["on_hand_kg"]:
                del lot["smallest_pull_kg"]
    kitchen.kilograms = round(sum(lot["on_hand_kg"] for lot in kitchen.lots) * 0.3, 1)
    return replace(kitchen, within_kg=1.5, probability=str(PROBABILITY), shared=shared)


def uses(kitchen: PackedKitchen) -> Iterator[tuple[int, ...]]:
    """Every set of lots that keeps the most-lots limit and the groups."""
    asked = {key: entry for require in kitchen.require for key, entry in require.items()}
    names = [lot["lot"] for lot in kitchen.lots]
    for use in itertools.product((0, 1), repeat=len(names)):
        used = {name for name, taken in zip(names, use, strict=True) if taken}
        together, apart = (set(asked.get(key, {}).get("lots", ())) for key in ("together", "apart"))
        if (
            len(used) <= asked["most_lots"]["max"]
            and len(used & apart) <= 1
            and len(used & together) in (0, len(together))
        ):
            yield use


def bounds(lot: dict[str, float], taken: int) -> list[tuple[float, float]]:
    """Lower and upper kilograms of a lot for every way to use it."""
    if not taken:
        return [(0.0, 0.0)]
    most = min(lot["on_hand_kg"], lot.get("largest_pull_kg", lot["on_hand_kg"]))
    least = lot.get("smallest_pull_kg", 0.0)
    if "pack_kg" not in lot:
        return [(least, most)] if least <= most else []
    counts = range(1, int(round(most / lot["pack_kg"], 9)) + 1)
    return [(n * lot["pack_kg"],) * 2 for n in counts if n * lot["pack_kg"] >= least]


def cheapest(kitchen: PackedKitchen) -> float | None:
    """The least cost over every choice."""
    best = None
    plain = replace(kitchen, require=[entry for entry in kitchen.require if "fat" in entry])
    cost = np.array([lot["cost_per_kg"] for lot in kitchen.lots])
    for use in uses(kitchen):
        for choice in itertools.product(*map(bounds, kitchen.lots, use)):
            lo, hi = map(np.array, zip(*choice, strict=True))
            light = hi.sum() < kitchen.kilograms - kitchen.within_kg - 1e-9
            heavy = lo.sum() > kitchen.kilograms + kitchen.within_kg + 1e-9
            if light or heavy or (best is not None and cost @ lo > best):
                continue
            found = socp(plain, PROBABILITY, shared=kitchen.shared, within=(lo, hi))
            if found is not None and (best is None or found < best):
                best = found
    return best


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("block", range(3))
def test_the_cheapest_of_every_choice_is_found(block: int, shared: bool) -> None:
    found = 0
    for seed in range(block * 4, block * 4 + 4):
        kitchen = small(seed, shared=shared)
        problem = kitchen.problem()
        assert any(requirement.confidence is not None for requirement in problem.choosing)
        held = _cheapest(problem)
        wanted = cheapest(kitchen)
        if wanted is None:
            assert held.optimum.ending is Ending.INFEASIBLE, seed
            continue
        assert held.optimum.ending is Ending.OPTIMAL, seed
        assert float(held.optimum.cost) == pytest.approx(wanted, rel=1e-6), seed
        assert held.plain.cost <= held.optimum.cost
        assert held.optimum.bound is not None and held.optimum.bound <= held.optimum.cost + Fraction(1, 10**6)
        found += 1
    assert found >= 1
