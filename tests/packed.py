"""Kitchens with packs, pulls, a count limit and groups, whose fat is only measured; from a seed. Invented data.

The batch is asked for about a blend of a few of the lots that itself keeps packs, pulls, count and groups, so that
nearly every kitchen has a batch without confidence, and most have one with it.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from typing import Any

from kitchens import Kitchen, figures
from uncertain import METHODS

SDS = (0.3, 0.6, 1.0, 1.5, 2, 3)
"""Standard deviations of a lot's fat, points."""


@dataclass
class PackedKitchen(Kitchen):
    """A kitchen that may ask for confidence: ``probability`` (None: it does not), ``shared`` by the method of lots."""

    probability: str | None = None
    shared: bool = False

    def recipe_text(self) -> str:
        """The recipe as a YAML document (JSON is YAML)."""
        recipe = json.loads(super().recipe_text())
        if self.probability is not None:
            recipe["confidence"] = {"probability": float(self.probability), "shared_by_method": self.shared}
        return json.dumps(recipe)


def packed_kitchen(seed: int, size: int = 40, *, tight: float = 1.0, loose: float = 0.5) -> PackedKitchen:
    """Lots of which a share of ``loose`` is not in packs, and a band of fat about a blend of 3 to 8 of them."""
    rng = random.Random(seed)
    lots = [_lot(rng, i, loose) for i in range(size)]
    used = rng.sample(lots, min(size, rng.randint(3, 8)))
    pulls = [_pull(rng, lot) for lot in used]
    together = [lot["lot"] for lot in rng.sample(used, 2)] if rng.random() < 0.5 else []
    others = [lot["lot"] for lot in lots if lot not in used]
    apart = [used[0]["lot"], *rng.sample(others, min(len(others), 2))] if rng.random() < 0.5 else []
    kilograms = sum(pulls)
    fat = sum(lot["fat_pct"] * kg for lot, kg in zip(used, pulls, strict=True)) / kilograms
    wide = 0.5 if any("pack_kg" not in lot for lot in used) else 1.5
    kitchen = PackedKitchen(lots, kilograms=round(kilograms, 1), within_kg=wide)
    kitchen.require = [_band(rng, fat, tight), {"most_lots": {"max": len(used) + rng.randint(0, 1)}}]
    if together:
        kitchen.require.append({"together": {"lots": together}})
    if len(apart) > 1:
        kitchen.require.append({"apart": {"lots": apart}})
    return kitchen


def _lot(rng: random.Random, i: int, loose: float) -> dict[str, Any]:
    fat = figures(rng, 3, 40, 1) if rng.random() < 0.6 else figures(rng, 40, 92, 1)
    lot: dict[str, Any] = {
        "lot": f"L{i:02d}", "on_hand_kg": figures(rng, 8, 60, 1), "fat_pct": fat,
        "cost_per_kg": figures(rng, 0.8, 7 - fat / 20),
    }  # fmt: skip
    if rng.random() < 0.5:
        lot["fat_sd_pct"] = rng.choice(SDS)
    else:
        lot["fat_method"] = rng.choice(METHODS)
    if rng.random() >= loose:
        lot["pack_kg"] = rng.choice((2, 2.5, 4, 5, 7.5))
    if rng.random() < 0.4:
        lot["smallest_pull_kg"] = figures(rng, 1, 8, 1)
    if rng.random() < 0.3:
        lot["largest_pull_kg"] = figures(rng, 8, max(8.1, lot["on_hand_kg"]), 1)
    return lot


def _pull(rng: random.Random, lot: dict[str, Any]) -> float:
    """A weight that the lot allows, kilograms."""
    most = min(lot["on_hand_kg"], lot.get("largest_pull_kg", lot["on_hand_kg"]))
    kg = rng.uniform(lot.get("smallest_pull_kg", 1), most)
    pack = lot.get("pack_kg")
    return float(kg if pack is None else max(1, most // pack if rng.random() < 0.3 else kg // pack) * pack)


def _band(rng: random.Random, fat: float, tight: float) -> dict[str, dict[str, Any]]:
    low, high = fat - tight * rng.uniform(1, 4), fat + tight * rng.uniform(1, 4)
    band = {"max_pct": round(min(high, 99), 1)}
    if rng.random() < 0.7 and low > 1:
        band["min_pct"] = round(low, 1)
    return {"fat": band}
