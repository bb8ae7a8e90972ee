"""What goes into a batch: lots of meat and fat, and everything added to them.

An ingredient is data only. Weights are kilograms, composition is percent by weight of the usable part,
``*_ppm`` figures are milligrams per kilogram.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType

FAT = "fat_pct"
MOISTURE = "moisture_pct"
PROTEIN = "protein_pct"
SALT = "salt_pct"
NITRITE = "nitrite_ppm"
NITRATE = "nitrate_ppm"


class Kind(StrEnum):
    """What an ingredient is; the kind decides which figures it must state and which count as zero."""

    LOT = "lot"
    WATER = "water"
    LIQUID = "liquid"
    INCLUSION = "inclusion"
    SALT = "salt"
    CURE = "cure"
    DRY = "dry"

    @property
    def states_composition(self) -> bool:
        """True where an unstated property is unknown; a dry addition's unstated property is zero."""
        return self in (Kind.LOT, Kind.LIQUID, Kind.INCLUSION)


@dataclass(frozen=True, eq=False)
class Ingredient:
    """One thing that goes into the batch.

    ``properties`` maps a property's name to its figure: ``*_pct`` percent by weight, ``*_ppm`` mg/kg, any
    other name as the user defined it. ``substance`` names a regulated substance, or is empty. ``parts`` are what a mass
    already ground is made of, each with its share of the weight; whatever is counted in it is counted in them.
    """

    name: str
    kind: Kind
    properties: Mapping[str, Fraction] = field(default_factory=lambda: MappingProxyType({}))
    species: str = ""
    role: str = ""
    material: str = ""
    substance: str = ""
    cost_per_kg: Fraction = Fraction(0)
    parts: tuple[tuple[Ingredient, Fraction], ...] = ()


def every(items: Iterable[Ingredient]) -> tuple[Ingredient, ...]:
    """The ingredients, in place of a ground mass what is in it."""
    return tuple(part for item in items for part in ([part for part, _ in item.parts] or [item]))


@dataclass(frozen=True, eq=False, kw_only=True)
class Lot(Ingredient):
    """A lot in the cooler. ``on_hand_kg``, ``held_cost_per_kg``, packs and pulls are as held, bone and all.

    ``usable`` is the share that reaches the grinder (0 < usable <= 1); composition and every requirement are on
    usable kilograms. ``cost_per_kg`` of the base class is what a usable kilogram costs to use: its book price, or its
    salvage value where the lot will not keep until it could be used again. ``salvage_per_kg`` is money per kilogram as
    held, negative where disposal costs. Of rework, ``green`` is the share of its weight that was green meat and
    ``original_nitrite_ppm`` the nitrite then put in, mg per kilogram of that green meat. ``fat_sd`` is the
    standard deviation of the fat figure in percentage points, ``fat_method`` how it was measured.
    """

    on_hand_kg: Fraction
    held_cost_per_kg: Fraction
    usable: Fraction = Fraction(1)
    use_by: date | None = None
    received: date | None = None
    pack_kg: Fraction | None = None
    smallest_pull_kg: Fraction | None = None
    smallest_remnant_kg: Fraction | None = None
    largest_pull_kg: Fraction | None = None
    use_at_least_kg: Fraction = Fraction(0)
    cured: bool = False
    on_hold: bool = False
    salvage_per_kg: Fraction = Fraction(0)
    use_up: bool = False
    rework: bool = False
    green: Fraction = Fraction(1)
    original_nitrite_ppm: Fraction = Fraction(0)
    fat_sd: Fraction | None = None
    fat_method: str = ""
    line: int = 0
    suspicions: tuple[str, ...] = ()

    @property
    def usable_kg(self) -> Fraction:
        """Usable kilograms on hand."""
        return self.on_hand_kg * self.usable

    @property
    def book_per_kg(self) -> Fraction:
        """Book price of a usable kilogram."""
        return self.held_cost_per_kg / self.usable

    def held_kg(self, usable_kg: Fraction) -> Fraction:
        """Kilograms to pull from the cooler, as held, for so many usable kilograms."""
        return usable_kg / self.usable
