"""Regulated substances an addition may be, by the plain name a recipe uses, and how much of them is in an item.

The table (substances.yaml) holds names, families and chemical formulas only; every figure about them stands in a rule
pack. A name without a formula has no other chemical form.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from importlib.resources import files
from typing import Any

from constraints.chemistry import conversion
from constraints.document import parse
from constraints.ingredients import Ingredient, Kind
from constraints.numbers import PERCENT
from constraints.quantities import Process

ACCELERATOR = "accelerator"
ACIDULANT = "acidulant"
PHOSPHATE = "phosphate"
BINDER = "binder"
ANTIOXIDANT = "antioxidant"
SULPHITE = "sulphite"
ANTIMICROBIAL = "antimicrobial"
CHEESE = "cheese"
PRESERVATIVE = "preservative"
SUGAR = "sugar"
CULTURE = "culture"
SURFACE = "surface_pct"
"""Property of an addition that is not mixed in: so much % of what casing or surface is treated with."""


def _families() -> dict[str, dict[str, str]]:
    text = (files("constraints") / "substances.yaml").read_text(encoding="utf-8")
    tree: dict[str, Any] = parse(text, "substances.yaml").tree
    return {family: dict(n) if isinstance(n, dict) else dict.fromkeys(n, "") for family, n in tree.items()}


FORMULAS = _families()
"""Family, then substance, then chemical formula (empty: none needed)."""

SUBSTANCES: dict[str, str] = {name: family for family, names in FORMULAS.items() for name in names}
"""Family of every substance, by the name a recipe writes behind ``is``."""


FREE = (SUGAR, CULTURE)
"""Families that few limits ask for, so that a name alone is not asked about."""


def spread(names: Iterable[str]) -> tuple[str, ...]:
    """The substances named, a family standing for all of its own."""
    return tuple(dict.fromkeys(one for name in names for one in FORMULAS.get(name, (name,))))


def kind_of(name: str) -> Kind:
    """What kind of ingredient a substance is: cheese is an inclusion with its own composition, all else is dry."""
    return Kind.INCLUSION if SUBSTANCES.get(name) == CHEESE else Kind.DRY


def conversion_of(name: str, expressed: str) -> Fraction:
    """Grams in the chemical form ``expressed`` (a formula) per gram of a substance weighed.

    Raises ValueError where the substance has no such form.
    """
    formula = FORMULAS[SUBSTANCES[name]][name]
    if not formula:
        raise ValueError(f"{name} cannot be expressed as {expressed}")
    return conversion(formula, expressed)


def share_of(name: str, item: Ingredient) -> Fraction:
    """The part of an item, from 0 to 1, that is the substance.

    An item that states ``<substance>_pct`` holds that much of it, be it a bought blend, a solution (sodium lactate
    of 60 %) or a lot made earlier; else an item that is the substance is all of it.
    """
    stated = item.properties.get(f"{name}_pct")
    if stated is not None:
        return stated / PERCENT
    return Fraction(item.substance == name)


@dataclass(frozen=True)
class Substances:
    """Kilograms of substances, each times its factor: ``terms`` are (substance, factor).

    What only treats the casing or the surface is counted where ``on_surface`` says so.
    """

    terms: tuple[tuple[str, Fraction], ...]
    on_surface: bool = False

    @classmethod
    def plain(cls, names: Iterable[str], *, on_surface: bool = False) -> Substances:
        """The named substances as weighed."""
        return cls(tuple((name, Fraction(1)) for name in names), on_surface)

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """Kilograms in one kilogram of the item."""
        if SURFACE in item.properties and not self.on_surface:
            return Fraction(0)
        shares = ((factor, share_of(name, item)) for name, factor in self.terms)
        return sum((factor * share for factor, share in shares if share), Fraction(0))
