"""Every figure of the JSON document of ``why`` where there is a batch, from problems that scipy solves again.

A price is the slope of the least cost on either side of a figure; a range ends where the slope changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from raw import F, Raw
from recomputed_batch import exactly, solver
from registry import WORDS, Told, left, recomputes

STEP = 1e-4
"""How far beside a figure a slope is taken, in its unit."""


def slope(value: float) -> Any:
    return pytest.approx(value, rel=1e-4, abs=5e-5)


def sized(raw: Raw, kg: float) -> float:
    """The least cost of so many kilograms."""
    key = f"{kg} kg"
    if key not in raw.found:
        raw.found[key] = replace(raw, kg=F(str(kg)), found={}).cheapest()[0]
    return float(raw.found[key])


def place_of(raw: Raw, price: Any) -> int:
    words = {"meat_to_fat": "meat-to-fat ratio"}
    kinds = [raw.limits(entry) for entry in raw.recipe["require"]]
    names = [f"share of {tag}" if kind == "share" else words.get(kind, kind) for kind, tag, *_ in kinds]
    return names.index(price["what"])


def side(cost: Callable[[float], float], here: float, way: float, found: Any) -> None:
    """One side of a figure: its slope, how far it goes, what was saved there, and the slope beyond."""
    end = found["until"]
    assert found["possible"] is True
    assert found["saves_per_unit"] == slope((cost(here) - cost(here + way * STEP)) / STEP)
    assert found["saved_there"] == solver(cost(here) - cost(end))
    before = (cost(end - way * STEP) - cost(end)) / STEP
    assert found["saves_per_unit_until"] == slope(before)
    assert found["straight"] is (abs(before - found["saves_per_unit"]) < 1e-3)
    beyond = cost(end + way * STEP)
    assert found["no_batch_beyond"] is (beyond == float("inf"))
    if not found["no_batch_beyond"]:
        assert found["saves_per_unit_beyond"] == slope((cost(end) - beyond) / STEP)


SIDE = "possible saves_per_unit until saves_per_unit_until saved_there straight no_batch_beyond saves_per_unit_beyond"


@recomputes("why", ": status recipe currency cost", ".binding[]: figure limit min max", f".binding[].loosen: {SIDE}",
            f".binding[].tighten: {SIDE}")  # fmt: skip
def limits(told: Told) -> None:
    raw, found = told.raw, told.document
    assert (found["status"], found["recipe"]) == ("optimal", raw.recipe["name"])
    assert found["currency"] == raw.recipe["currency"]
    assert found["cost"] == solver(raw.cheapest()[0])
    assert {price["what"] for price in found["binding"]} >= {"weight"}
    for price in found["binding"]:
        here = price["figure"]
        if price["limit"] == "size":
            assert (here, price["min"], price["max"]) == (
                float(raw.kg), float(raw.kg - raw.within_kg), float(raw.kg + raw.within_kg)
            )  # fmt: skip
            side(lambda kg: sized(raw, kg), here, -1.0, price["loosen"])
            side(lambda kg: sized(raw, kg), here, 1.0, price["tighten"])
            continue
        place, which = place_of(raw, price), price["limit"]
        lo, hi = raw.limits(raw.recipe["require"][place])[3:]
        asked = {"min": None if lo is None else float(lo), "max": None if hi is None else float(hi)}
        assert {"min": price["min"], "max": price["max"]} == asked and here == asked[which]
        way = 1.0 if which == "max" else -1.0

        def cost(limit: float, place: int = place, which: str = which) -> float:
            return raw.cheapest(limits={(place, which): limit})[0]

        side(cost, here, way, price["loosen"])
        side(cost, here, -way, price["tighten"])


@recomputes("why", ".margins[]: value margin min max")
def margins(told: Told) -> None:
    """The figure of what does not bind in scipy's cheapest batch, and how far it is from its nearer limit."""
    raw = told.raw
    kg = {name: F(x).limit_denominator(10**9) for name, x in raw.cheapest()[1].items()}
    kg |= raw.doses(kg)
    for one in told.document["margins"]:
        value = raw.figure(one, kg)
        assert value is not None and one["value"] == slope(float(value))
        near = [abs(one["value"] - x) for x in (one["min"], one["max"]) if x is not None]
        assert one["margin"] == solver(min(near))
        if not one["legal"]:
            lo, hi = raw.limits(raw.recipe["require"][place_of(raw, one)])[3:]
            assert (one["min"], one["max"]) == tuple(None if x is None else float(x) for x in (lo, hi))
        else:
            assert (one["min"], one["max"]) == (None, 50.0)  # 9 CFR 319.141: no more than 50 % fat


@recomputes("why", ".lots[]: lot used_kg price_per_kg used_up_to_per_kg kg_then needed same_blend_from_per_kg"
            " same_blend_to_per_kg", f".lots[].more_on_hand: {SIDE}")  # fmt: skip
def lots(told: Told) -> None:
    """A lot stays until its price takes it out, and its kilograms stay while the cost goes along one line with it."""
    raw, found = told.raw, told.document
    best, paid = found["cost"], F(0)
    assert sorted(one["lot"] for one in found["lots"]) == sorted(raw.eligible())
    for one in found["lots"]:
        name, price, used = one["lot"], one["price_per_kg"], one["used_kg"]
        assert price == float(F(raw.rows[name]["cost_per_kg"]))
        usable = exactly(used) * raw.usable(name)
        carried = sum(x * F(raw.added[a].get("cost_per_kg", "0")) for a, x in raw.doses({name: F(1)}).items())
        paid += exactly(used) * F(raw.rows[name]["cost_per_kg"]) + usable * carried

        def cost(per_kg: float, name: str = name) -> float:
            return raw.cheapest(prices={name: per_kg})[0]

        without = raw.cheapest(stock={name: 0.0})[0]
        assert one["needed"] is (without == float("inf"))
        up_to = one["used_up_to_per_kg"]
        assert cost(up_to) == solver(without) and cost(up_to - STEP) < without - STEP * one["kg_then"] / 2
        assert (without - cost(up_to - STEP)) / STEP == pytest.approx(one["kg_then"], rel=1e-4, abs=5e-4)
        for end, way in ((one["same_blend_from_per_kg"], -1.0), (one["same_blend_to_per_kg"], 1.0)):
            if end is None:
                assert (way < 0 and cost(0.0) == solver(best - price * used)) or (way > 0 and used == 0.0)
                continue
            assert cost(end) == solver(best + (end - price) * used)
            assert cost(end + way * STEP) < best + (end + way * STEP - price) * used - 1e-6
        if one["more_on_hand"] is not None:
            side(lambda kg, name=name: raw.cheapest(stock={name: kg})[0],  # type: ignore[misc]
                 float(F(raw.rows[name]["on_hand_kg"])), 1.0, one["more_on_hand"])  # fmt: skip
    assert float(paid) == solver(best)


def with_offer(raw: Raw, row: dict[str, str], per_kg: float) -> float:
    """The least cost where an offer is one more lot at a price."""
    lot = row | {"lot": row["offer"], "on_hand_kg": row.get("offered_kg") or "1000", "cost_per_kg": "1"}
    more: Raw = raw.found.setdefault(f"with {row['offer']}", replace(raw, lots=[*raw.lots, lot], found={}))
    return more.cheapest(prices={row["offer"]: per_kg})[0]


@recomputes("why", ".offers[]: offer price_per_kg most_per_kg kg_at_most kg_at_price saving_at_price cost_at_price"
            " kg_to_order order_costs possible needed", ".offers[].wanted[]: below_per_kg kg")  # fmt: skip
def offers(told: Told) -> None:
    raw, found = told.raw, told.document
    rows = {row["offer"]: row for row in told.more}
    best = found["cost"]
    assert [one["offer"] for one in found["offers"]] == list(rows)
    for one in found["offers"]:
        row = rows[one["offer"]]
        assert one["price_per_kg"] == (float(row["cost_per_kg"]) if row["cost_per_kg"] else None)
        if row["species"] != "pork":  # 9 CFR 319.141: pork alone
            nothing = ("most_per_kg", "kg_at_price", "saving_at_price", "cost_at_price", "kg_to_order", "order_costs")
            assert all(one[name] is None for name in nothing) and one["wanted"] == [] and one["kg_at_most"] == 0.0
            assert (one["possible"], one["needed"]) == (True, False)
            continue

        def cost(per_kg: float, row: dict[str, str] = row) -> float:
            return with_offer(raw, row, per_kg)

        assert (one["possible"], one["needed"]) == (True, False)
        most = one["most_per_kg"]
        assert cost(most) == solver(best) and cost(most - STEP) < best - 1e-6
        assert one["wanted"][0] == {"below_per_kg": most, "kg": one["kg_at_most"]}
        for step in one["wanted"]:
            below, kg = step["below_per_kg"], step["kg"]
            assert (cost(below) - cost(below - STEP)) / STEP == pytest.approx(kg, rel=1e-4, abs=5e-4)
            assert kg > (cost(below + STEP) - cost(below)) / STEP + 1e-3
        asked = one["price_per_kg"]
        assert one["cost_at_price"] == solver(cost(asked))
        assert one["saving_at_price"] == solver(best - cost(asked))
        taken = (cost(asked + STEP) - cost(asked - STEP)) / (2 * STEP)
        assert one["kg_at_price"] == one["kg_to_order"] == pytest.approx(taken, rel=1e-4, abs=5e-4)
        assert one["order_costs"] == solver(one["kg_to_order"] * asked)


@recomputes("why", ".curves[].present: figure cost", ".curves[].points[]: figure cost")
def curves(told: Told) -> None:
    """Cost along the target fat, and along the price of the lot most is spent on, at every point."""
    raw, found = told.raw, told.document
    fat, price = found["curves"]
    (place,) = (k for k, entry in enumerate(raw.recipe["require"]) if "fat" in entry)
    lo, hi = raw.limits(raw.recipe["require"][place])[3:]
    assert lo is not None and hi is not None
    target, within = float(lo + hi) / 2, float(hi - lo) / 2
    assert fat["present"] == {"figure": target, "cost": solver(found["cost"])}
    for point in fat["points"]:
        limits = {(place, "min"): point["figure"] - within, (place, "max"): point["figure"] + within}
        assert point["cost"] == solver(raw.cheapest(limits=limits)[0])
    name = price["title"].removeprefix("Cost against the price of ")
    assert price["present"] == {"figure": float(F(raw.rows[name]["cost_per_kg"])), "cost": solver(found["cost"])}
    assert (price["points"][0]["figure"], price["points"][-1]["figure"]) == (0.0, 2 * price["present"]["figure"])
    for point in price["points"]:
        assert point["cost"] == solver(raw.cheapest(prices={name: point["figure"]})[0])


left("why", "name what the figures are of", ".binding[]: rule what basis unit legal means one_unit_solved_again_saves",
     ".margins[]: rule what basis unit legal", ": means unsaid", ".lots[]: means",
     ".curves[]: title axis means",
     ".offers[]: means left_out order_pack_kg smallest_order_kg cheaper_from[] not_counted[]")  # fmt: skip
left("why", WORDS, ".binding[].loosen: beyond[]", ".binding[].tighten: beyond[]", ".lots[].more_on_hand: beyond[]",
     ".curves[].points[]: kink", ": caution unfinished[] broken[]")  # fmt: skip
left("why", "the ends of a curve are tried in test_why_command.py", ".curves[]: no_batch_beyond[] amounts[]",
     ".curves[].amounts[]: start end kg")  # fmt: skip
left("why", "ways out are typed in and solved again in test_why_ways.py, what-ifs in test_why_command.py; a verdict and"
     " doses that would pass are those of a blend", ": conflict what_if verdict what_would_pass")  # fmt: skip
