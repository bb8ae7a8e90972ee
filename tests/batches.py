"""Batches from small tables of text, for tests that state their expected figure by hand."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from constraints.as_typed import exact
from constraints.formula import Batch
from constraints.identity import COLLAGEN
from constraints.laboratory import LaboratoryEntry
from constraints.quantities import FAT, MOISTURE, NITRATE, NITRITE, PROTEIN, SALT, Ingredient, Kind, Process
from constraints.substances import SUBSTANCES, SURFACE, kind_of

FIGURES = {"fat": FAT, "protein": PROTEIN, "moisture": MOISTURE, "salt": SALT, "collagen": COLLAGEN}
PLAIN_LOT = {"fat": "25", "protein": "16", "moisture": "58", "salt": "0"}
KINDS = {"cure": Kind.CURE, "water": Kind.WATER, "salt": Kind.SALT, "liquid": Kind.LIQUID, "spice": Kind.DRY}


def _figures(entry: Mapping[str, Any]) -> dict[str, Fraction]:
    return {name: exact(entry[key]) for key, name in FIGURES.items() if key in entry}


def lot_of(entry: Mapping[str, Any], number: int = 1) -> Ingredient:
    """A lot: pork shoulder of plain composition but for what the entry states."""
    figures = _figures({**PLAIN_LOT, **entry})
    material = entry.get("material", "shoulder")
    return Ingredient(f"lot {number}", Kind.LOT, figures, species=entry.get("species", "pork"), material=material)


def addition_of(entry: Mapping[str, Any]) -> Ingredient:
    """An addition: a substance by name, a cure with its strength in percent, water, salt or a spice."""
    what = entry.get("is", "spice")
    kind = KINDS.get(what) or kind_of(what)
    figures = _figures(entry)
    salts = "potassium_" if entry.get("metal") == "potassium" else ""
    for key, name in (("nitrite", NITRITE), ("nitrate", NITRATE)):
        if key in entry:
            figures[salts + name] = exact(entry[key]) * 10_000  # percent to mg/kg
    if kind is Kind.SALT:
        figures[SALT] = Fraction(100)
    if "surface" in entry:
        figures[SURFACE] = exact(entry["surface"])
    if "pct" in entry:
        figures[f"{what}_pct"] = exact(entry["pct"])
    return Ingredient(entry.get("name", what), kind, figures, substance=what if what in SUBSTANCES else "")


def batch_of(spec: Mapping[str, Any]) -> Batch:
    """A batch from ``lots``, ``add`` and ``yield``; without lots, 100 kg of the plain lot."""
    kilograms = {}
    for number, entry in enumerate(spec.get("lots", [{"kg": "100"}]), 1):
        kilograms[lot_of(entry, number)] = exact(entry["kg"])
    for entry in spec.get("add", []):
        kilograms[addition_of(entry)] = exact(entry["kg"])
    process = Process()
    if "yield" in spec:
        process = Process(exact(spec["yield"]) / 100, declared=True)
    return Batch(kilograms, process, LaboratoryEntry.model_validate(spec.get("found", {})).figures())
