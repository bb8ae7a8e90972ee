"""Large kitchens without a batch, from a seed: 300 lots, 30 requirements, and one kind of conflict each.

Every figure of a kitchen is drawn about a blend that keeps all its requirements; then a conflict is put in. Invented
data throughout.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

import yaml

from optimizer.order import Asked, Order, order_of
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import LotTable, parse_lots
from optimizer.reading.recipe import Recipe, parse_recipe

LOTS, REQUIREMENTS, PROPERTIES = 300, 30, 16
MATERIALS = ("shoulder", "belly", "leg", "jowl", "trim", "back fat", "neck", "flank")
SPECIES = ("pork", "beef", "lamb")


@dataclass
class Crowd:
    """One kitchen: lots as rows of cells by column, requirements as entries of a recipe."""

    lots: list[dict[str, Any]]
    require: list[dict[str, dict[str, Any]]]
    kilograms: float = 240
    within_kg: str = "0.025"
    extra: dict[str, Any] = field(default_factory=dict)

    def files(self) -> tuple[Recipe, LotTable, Order]:
        """Through the real readers."""
        recipe = parse_recipe(yaml.safe_dump({"name": "crowd", "require": self.require, **self.extra}), "recipe")
        names = list(dict.fromkeys(name for lot in self.lots for name in lot))
        rows = [",".join(str(lot.get(name, "")) for name in names) for lot in self.lots]
        table = parse_lots("\n".join([",".join(names), *rows]) + "\n", "lots")
        asked = Asked(within_kg=Fraction(self.within_kg))
        return recipe, table, order_of(recipe, "--meat-kg", Fraction(str(self.kilograms)), date(2026, 11, 25), asked)

    def problem(self) -> Problem:
        """The problem of these files."""
        return assemble(*self.files())


def feasible(seed: int, lots: int = LOTS, requirements: int = REQUIREMENTS) -> Crowd:
    """A kitchen with a batch: a band about the figures of a blend of some forty lots."""
    rng = random.Random(seed)
    rows: list[dict[str, Any]] = []
    for i in range(lots):
        fat = round(rng.uniform(3, 40), 1) if rng.random() < 0.65 else round(rng.uniform(40, 92), 1)
        row: dict[str, Any] = {
            "lot": f"L{i:03d}", "on_hand_kg": round(rng.uniform(4, 40), 2), "fat_pct": fat,
            "protein_pct": round((100 - fat) * rng.uniform(0.18, 0.23), 1),
            "cost_per_kg": round(rng.uniform(0.8, 6 - fat / 20), 2),
            "role": "fat" if fat > 45 else "meat", "species": rng.choice(SPECIES), "material": rng.choice(MATERIALS),
        }  # fmt: skip
        row |= {f"p{k}": round(rng.uniform(1, 90), 1) for k in range(PROPERTIES)}
        rows.append(row)
    used = rng.sample(rows, min(40, lots))
    weights = [row["on_hand_kg"] * rng.uniform(0.3, 0.8) for row in used]
    crowd = Crowd(rows, [], kilograms=round(sum(weights), 1))
    crowd.require = _require(rng, used, weights, requirements)
    return crowd


def _require(
    rng: random.Random, used: list[dict[str, Any]], weights: list[float], count: int
) -> list[dict[str, dict[str, Any]]]:
    total = sum(weights)

    def mean(name: str) -> float:
        return sum(row[name] * kg for row, kg in zip(used, weights, strict=True)) / total

    def share(tag: str, named: str) -> float:
        return 100 * sum(kg for row, kg in zip(used, weights, strict=True) if row[tag] == named) / total

    found: list[dict[str, dict[str, Any]]] = [
        {"fat": {"min_pct": round(mean("fat_pct") - 1.5, 1), "max_pct": round(mean("fat_pct") + 0.5, 1)}},
        {"protein": {"min_pct": round(mean("protein_pct") - 0.7, 1)}},
        {"meat_to_fat": {"min": round(share("role", "meat") / share("role", "fat") * 0.8, 2)}},
    ]
    for name in SPECIES:
        low = max(0, share("species", name) - rng.uniform(3, 9))
        found.append({"share": {"species": name, "min_pct": round(low, 1), "max_pct": round(low + 18, 1)}})
    for name in MATERIALS:
        found.append({"share": {"material": name, "max_pct": round(share("material", name) + rng.uniform(1, 9), 1)}})
    for k in range(PROPERTIES):
        at, wide = mean(f"p{k}"), rng.uniform(0.4, 4)
        band: dict[str, Any] = {"name": f"p{k}", "max": round(at + wide, 1)}
        if rng.random() < 0.7:
            band["min"] = round(at - wide, 1)
        found.append({"property": band})
    return found[:count]


def _weight(crowd: Crowd, rng: random.Random) -> None:
    """More is ordered than there is."""
    crowd.kilograms = round(sum(row["on_hand_kg"] for row in crowd.lots) * rng.uniform(1.02, 1.3), 1)


def _lean(crowd: Crowd, rng: random.Random) -> None:
    """Leaner than the leanest stock allows at this weight."""
    crowd.require[0] = {"fat": {"max_pct": 4}}


def _fat_and_protein(crowd: Crowd, rng: random.Random) -> None:
    """More protein than meat of this fat has."""
    crowd.require[0] = {"fat": {"min_pct": 45, "max_pct": 48}}
    crowd.require[1] = {"protein": {"min_pct": 17}}


def _species(crowd: Crowd, rng: random.Random) -> None:
    """Smallest shares that add up to more than all."""
    for entry in crowd.require:
        if "species" in entry.get("share", {}):
            entry["share"] |= {"min_pct": 34, "max_pct": 60}


def _materials(crowd: Crowd, rng: random.Random) -> None:
    """Largest shares that add up to less than all."""
    for entry in crowd.require:
        if "material" in entry.get("share", {}):
            entry["share"]["max_pct"] = 12


def _bands(crowd: Crowd, rng: random.Random) -> None:
    """Every property wanted in a narrow band off the middle: many requirements together."""
    for entry in crowd.require:
        if "property" in entry:
            low = rng.randint(54, 64)
            entry["property"] = {"name": entry["property"]["name"], "min": low, "max": low + rng.randint(0, 3)}


def _two_at_once(crowd: Crowd, rng: random.Random) -> None:
    """Two conflicts that have nothing to do with each other."""
    _lean(crowd, rng)
    crowd.require[-1] = {"property": {"name": f"p{PROPERTIES - 1}", "min": 91}}


def _law(crowd: Crowd, rng: random.Random) -> None:
    """A law's largest share of fat against the recipe's smallest."""
    crowd.require[0] = {"fat": {"min_pct": 55}}
    crowd.extra = {"rules": ["us"], "product_class": "fresh_pork_sausage"}
    for row in crowd.lots:
        row["species"] = "pork"
    crowd.require = [entry for entry in crowd.require if "species" not in entry.get("share", {})]


def _tied(crowd: Crowd, rng: random.Random) -> None:
    """Lots of a few kinds only, so that vertices are degenerate; too lean for the fat lots that must be."""
    kinds = [dict(row) for row in crowd.lots[:12]]
    kept = ("lot", "on_hand_kg", "material", "species")
    for row in crowd.lots:
        row |= {name: value for name, value in rng.choice(kinds).items() if name not in kept}
    crowd.require[2] = {"meat_to_fat": {"max": 1.1}}
    crowd.require[0] = {"fat": {"max_pct": 12}}


def _packs_aside(crowd: Crowd, rng: random.Random) -> None:
    """Packs and smallest pulls, with a conflict that opened packs would not cure."""
    for row in crowd.lots:
        if rng.random() < 0.3:
            row["pack_kg"] = rng.choice((1, 2, 2.5))
        elif rng.random() < 0.2:
            row["smallest_pull_kg"] = 2
    _lean(crowd, rng)


def _packs_only(crowd: Crowd, rng: random.Random) -> None:
    """Every lot in packs of whole kilograms, and an order between two of them."""
    for row in crowd.lots:
        row["pack_kg"] = 2
        row["on_hand_kg"] = 2 * rng.randint(2, 20)
    crowd.kilograms = 2 * round(crowd.kilograms / 2) + 1


def _few_lots(crowd: Crowd, rng: random.Random) -> None:
    """Fewer lots allowed than the weight needs: whole numbers alone stand in the way."""
    crowd.require[-1] = {"most_lots": {"max": 3}}


KINDS: dict[str, Callable[[Crowd, random.Random], None]] = {
    "more than there is": _weight,
    "leaner than the stock": _lean,
    "fat against protein": _fat_and_protein,
    "species over all": _species,
    "materials under all": _materials,
    "many narrow bands": _bands,
    "two conflicts at once": _two_at_once,
    "law against recipe": _law,
    "few kinds of lots": _tied,
    "packs, linear conflict": _packs_aside,
    "packs alone": _packs_only,
    "most lots": _few_lots,
}
"""How each kind of conflict is put into a kitchen that has a batch."""


def crowd(kind: str, seed: int, lots: int = LOTS) -> Crowd:
    """A kitchen without a batch."""
    found = feasible(seed, lots)
    KINDS[kind](found, random.Random(seed + 1))
    return found
