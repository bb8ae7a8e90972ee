"""Random kitchens from a seed: lots, a recipe and an order, as raw figures and as the problem made of them.

The figures are short decimals, so that a table, a recipe and an independent reckoning in floats all start from the
same numbers. Invented data throughout. ``Kitchen.problem`` goes through the real readers.
"""

from __future__ import annotations

import csv
import io
import json
import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

from constraints.quantities import Basis
from optimizer.order import Order
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

DAY = date(2026, 11, 25)
SPECIES = ("pork", "beef", "veal")
HOUSE = str(Path(__file__).parent / "data" / "house-cure.yaml")
"""A rule pack that judges a cure and never binds, so that a test need not know any law."""
MATERIALS = ("shoulder", "belly", "leg", "backfat", "trim")

Figure = float | int | str | None


@dataclass
class Kitchen:
    """Raw figures of one problem; ``lots`` are cells by column, ``require`` and ``additions`` entries of a recipe."""

    lots: list[dict[str, Any]]
    require: list[dict[str, dict[str, Any]]] = field(default_factory=list)
    additions: list[dict[str, Any]] = field(default_factory=list)
    yields: dict[str, float] | None = None
    basis: str = "meat"
    kilograms: float = 100
    within_kg: float = 0.025
    meat_g: float = 50
    spice_g: float = 1
    mixer_kg: float | None = None

    def recipe_text(self) -> str:
        """The recipe as a YAML document (JSON is YAML)."""
        recipe: dict[str, Any] = {"name": "test", "require": self.require, "additions": self.additions}
        if any(addition.get("is") == "cure" for addition in self.additions):
            recipe["rules"] = [HOUSE]
        if self.yields:
            recipe["yield"] = self.yields
        return json.dumps(recipe)

    def lots_text(self) -> str:
        """The lots as a CSV table."""
        names = list(dict.fromkeys(name for lot in self.lots for name in lot))
        text = io.StringIO()
        writer = csv.DictWriter(text, names, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.lots)
        return text.getvalue()

    def order(self) -> Order:
        """The order, exact."""

        def kg(grams: float) -> Fraction:
            return Fraction(str(grams)) / 1000

        return Order(
            basis=Basis(self.basis), kilograms=Fraction(str(self.kilograms)), within_kg=Fraction(str(self.within_kg)),
            day=DAY, meat_division_kg=kg(self.meat_g), spice_division_kg=kg(self.spice_g),
            mixer_kg=None if self.mixer_kg is None else Fraction(str(self.mixer_kg)),
        )  # fmt: skip

    def problem(self) -> Problem:
        """What the program makes of it."""
        return assemble(parse_recipe(self.recipe_text(), "recipe"), parse_lots(self.lots_text(), "lots"), self.order())


def figures(rng: random.Random, lo: float, hi: float, places: int = 2) -> float:
    """A short decimal between two figures."""
    return round(rng.uniform(lo, hi), places)


def random_lots(rng: random.Random, size: int, *, tied: bool = False, whole: float = 0) -> list[dict[str, Any]]:
    """Lots of a cooler: fat from 3 to 92 %, cheaper when fatter, some free, some with bone, few with salt.

    ``tied`` takes prices and compositions from a few values; ``whole`` is the share of lots with packs or a
    smallest pull.
    """
    lots: list[dict[str, Any]] = []
    kinds = [(f, figures(rng, 0.5, 5), figures(rng, 1, 30)) for f in (12, 20, 20, 35, 50, 85)]
    with_bone, with_cap = rng.random() < 0.3, rng.random() < 0.4
    for i in range(size):
        fat = figures(rng, 3, 40, 1) if rng.random() < 0.6 else figures(rng, 40, 92, 1)
        colour, price = figures(rng, 1, 30, 1), figures(rng, 0.8, 6 - fat / 20)
        if tied:
            fat, price, colour = rng.choice(kinds)
        if rng.random() < 0.06:
            price = 0
        moisture = round(76 - 0.76 * fat, 1)
        stock = figures(rng, 2, 60)
        lot: dict[str, Any] = {
            "lot": f"L{i:03d}", "on_hand_kg": stock, "fat_pct": fat, "cost_per_kg": price,
            "material": rng.choice(MATERIALS), "role": "fat" if fat > 45 else "meat", "species": rng.choice(SPECIES),
            "moisture_pct": moisture, "protein_pct": round(99 - fat - moisture, 1), "colour": colour,
        }  # fmt: skip
        if rng.random() < 0.6:
            lot["use_by"] = (DAY + timedelta(days=rng.randrange(0, 9))).isoformat()
        if with_bone and rng.random() < 0.3:
            lot["usable_pct"] = rng.choice((80, 85, 92.5, 97))
        if with_cap and rng.random() < 0.3:
            lot["largest_pull_kg"] = figures(rng, 1, stock, 1)
        if whole and rng.random() < whole:
            _whole_numbers(rng, lot)
        lots.append(lot)
    rng.shuffle(lots)
    return lots


def _whole_numbers(rng: random.Random, lot: dict[str, Any]) -> None:
    kind, most = rng.randrange(3), min(lot["on_hand_kg"], lot.get("largest_pull_kg", 1000))
    packs = [kg for kg in (1, 2, 2.5, 5, 7.5, 10) if kg <= most]
    if kind != 1 and packs:
        lot["pack_kg"] = rng.choice(packs)
    if kind != 0:
        lot["smallest_pull_kg"] = figures(rng, 0.5, max(0.5, most * 0.9), 1)


def random_additions(rng: random.Random, *, free: bool = True) -> list[dict[str, Any]]:
    """Salt in one of its ways, cure, spices, ice, an inclusion with its own composition, water left to the solver."""
    additions: list[dict[str, Any]] = []
    if rng.random() < 0.8:
        salt = {"name": "salt", "is": "salt", "cost_per_kg": 0.5}
        if rng.random() < 0.6:
            salt |= {"total_salt_pct": figures(rng, 1.2, 2.4, 1), "basis": rng.choice(("meat", "batch"))}
        else:
            salt["g_per_kg_meat"] = figures(rng, 12, 24, 1)
        additions.append(salt)
    if rng.random() < 0.5:
        additions.append({"name": "cure", "is": "cure", "nitrite_pct": 6.25, "g_per_kg_meat": 2.4, "cost_per_kg": 3})
    if rng.random() < 0.6:
        additions.append({"name": "pepper", "g_per_kg_meat": figures(rng, 1, 5, 1), "cost_per_kg": 11.5})
    if rng.random() < 0.5:
        additions.append({"name": "ice", "is": "water", "g_per_kg_batch": figures(rng, 20, 250, 0)})
    if rng.random() < 0.4:
        key = rng.choice(("g_per_kg_meat", "g_per_kg_batch"))
        additions.append({
            "name": "cheese", "is": "cheese", key: figures(rng, 20, 120, 0), "fat_pct": figures(rng, 20, 35, 1),
            "moisture_pct": 38, "protein_pct": 24, "salt_pct": 1.7, "cost_per_kg": 7.2, "properties": {"colour": 4},
        })  # fmt: skip
    if free and rng.random() < 0.2:
        least = figures(rng, 0, 40, 0)
        additions.append({
            "name": "wine", "is": "liquid", "from_g_per_kg_meat": least,
            "up_to_g_per_kg_meat": least + figures(rng, 5, 60, 0), "fat_pct": 0, "moisture_pct": 88, "protein_pct": 0,
            "salt_pct": 0, "cost_per_kg": figures(rng, 0, 4), "properties": {"colour": 60},
        })  # fmt: skip
    return additions


def band(rng: random.Random, near: float, spread: float, width: float) -> dict[str, float]:
    """A target with a tolerance, both limits, or one limit, near a figure."""
    at, kind = max(0.1, round(rng.gauss(near, spread), 2)), rng.randrange(4)
    within = figures(rng, 0.05, width)
    if kind == 0:
        return {"target": at, "within": within}
    if kind == 1:
        return {"min": at, "max": round(at + 2 * within, 4)}
    return {"max": at} if kind == 2 else {"min": at}


def random_requirements(rng: random.Random, kitchen: Kitchen) -> list[dict[str, dict[str, Any]]]:
    """One to five requirements of any family, near what some blend of the lots gives, or well off it."""
    bases = ["meat", "meat", "batch"] + (["finished"] if kitchen.yields else [])
    blend = [(lot, rng.uniform(0, lot["on_hand_kg"]) if rng.random() < 0.6 else 0.1) for lot in kitchen.lots]
    weight = sum(kg for _, kg in blend)
    off = rng.choice((0.2, 0.5, 1, 3))

    def mean(name: str) -> float:
        return sum(lot[name] * kg for lot, kg in blend) / weight

    def share(tag: str, named: object) -> float:
        return sum(kg for lot, kg in blend if lot[tag] == named) / weight

    found = [_percent(rng, "fat", mean("fat_pct"), off, bases)]
    kinds = ("meat_to_fat", "lean_to_fat", "share", "share", "property", "protein", "moisture")
    for kind in rng.sample(kinds, rng.randrange(5)):
        if kind == "meat_to_fat":
            if 0.02 < share("role", "fat") < 0.98:
                near = share("role", "meat") / share("role", "fat")
                found.append({kind: band(rng, near, off * near / 4, near / 2)})
        elif kind == "lean_to_fat":
            near = (100 - mean("fat_pct")) / mean("fat_pct")
            found.append({kind: band(rng, near, off * near / 8, near / 4)})
        elif kind == "share":
            tag = rng.choice(("species", "role", "material", "lot"))
            named = rng.choice(kitchen.lots)[tag]
            entry = _percent(rng, kind, 100 * share(tag, named), 4 * off, bases)
            entry[kind][tag] = named
            found.append(entry)
        elif kind == "property":
            found.append({kind: {"name": "colour", "basis": rng.choice(bases), **band(rng, mean("colour"), off, 3)}})
        else:
            found.append(_percent(rng, kind, mean(f"{kind}_pct"), off, bases))
    return found


def _percent(rng: random.Random, kind: str, near: float, spread: float, bases: list[str]) -> dict[str, dict[str, Any]]:
    limits = {f"{key}_pct": min(value, 100) for key, value in band(rng, min(near, 95), spread, 1.5 + spread).items()}
    return {kind: {"basis": rng.choice(bases), **limits}}


def random_kitchen(
    seed: int, *, size: int | None = None, tied: bool = False, whole: float = 0, free: bool = True
) -> Kitchen:
    """A kitchen with everything drawn from the seed; about half of them have a batch."""
    rng = random.Random(seed)
    count = size or rng.choice((2, 2, 3, 3, 4, 4, 5, 5, 6, 7, 8, 10, 12, 16, 24, 40, 60))
    kitchen = Kitchen(random_lots(rng, count, tied=tied, whole=whole), additions=random_additions(rng, free=free))
    if rng.random() < 0.4:
        kitchen.yields = {"finished_pct": figures(rng, 70, 97, 0), "fat_loss_pct": rng.choice((0, 0, 1, 2.5))}
    kitchen.require = random_requirements(rng, kitchen)
    kitchen.basis = rng.choice(("meat", "meat", "batch"))
    stock = sum(lot["on_hand_kg"] for lot in kitchen.lots)
    kitchen.kilograms = figures(rng, 5, min(500, max(10, stock * rng.choice((0.3, 0.6, 0.9, 1.1)))), 1)
    kitchen.within_kg = rng.choice((0.025, 0.05, 0.5))
    return kitchen
