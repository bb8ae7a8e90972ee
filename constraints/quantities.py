"""What goes into a batch, lots and additions, and what can be counted in it: so much per kilogram of each ingredient.

An ingredient is data only. Weights are kilograms, composition is percent by weight of the usable part,
``*_ppm`` figures are milligrams per kilogram.

Every requirement is a quantity divided by a quantity, held between two limits. A quantity is linear in the
kilograms of the ingredients, so the same definition gives the solver its coefficients and the check its figure.

Moisture and protein of a raw lot that states only its fat are estimated by species, where a recipe asks for that. The
lines stand in estimates.yaml with their source. What a cut is off its line is an error like that of a measured fat: of
moisture one source of error, of protein what follows from that error (the more water, the less protein) and what is
left beside it. Lots that are cured, salted or worked in again are estimated from nothing.

Lots are picked by species or by words in their material. Species are the everyday English names that a lots table
uses. A name that stands nowhere here is an error where a rule depends on the species: counted silently as "something
else" it could hide poultry or foreign meat.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from functools import cache
from types import MappingProxyType
from typing import Any, dataclass_transform

from constraints.as_typed import ONE, PERCENT, ZERO
from constraints.document import Day, Name, NotNegative, Number, Percent, Strict, Whole, packaged, validate

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

    Of ``rework``, ``green`` is the share of its weight that was green meat and ``original_nitrite_ppm`` the nitrite
    then put in, mg per kilogram of that green meat.
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
    rework: bool = False
    green: Fraction = Fraction(1)
    original_nitrite_ppm: Fraction = Fraction(0)


def every(items: Iterable[Ingredient]) -> tuple[Ingredient, ...]:
    """The ingredients, in place of a ground mass what is in it."""
    return tuple(part for item in items for part in ([part for part, _ in item.parts] or [item]))


@dataclass(frozen=True, eq=False, kw_only=True)
class Lot(Ingredient):
    """A lot in the cooler. ``on_hand_kg``, ``held_cost_per_kg``, packs and pulls are as held, bone and all.

    ``usable`` is the share that reaches the grinder (0 < usable <= 1); composition and every requirement are on
    usable kilograms. ``cost_per_kg`` of the base class is what a usable kilogram costs to use: its book price, or its
    salvage value where the lot will not keep until it could be used again. ``salvage_per_kg`` is money per kilogram as
    held, negative where disposal costs. ``fat_sd`` is the standard deviation of the fat figure in percentage points,
    ``fat_method`` how it was measured.
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


class FromFat(StrEnum):
    """What can be estimated."""

    MOISTURE = "moisture"
    PROTEIN = "protein"

    @property
    def property_name(self) -> str:
        """The lots table's column."""
        return {"moisture": MOISTURE, "protein": PROTEIN}[self.value]


class Off(StrEnum):
    """The independent errors of a lot's estimates."""

    FIRST = "first"
    BESIDE = "beside"


class FatLine(Strict):
    """A component as a line over fat, all in % by weight."""

    at_no_fat: Percent
    per_fat: Number
    sd: NotNegative
    """Standard deviation of a cut off the line, percentage points."""


class Species(Strict):
    """The lines of one group of species."""

    names: tuple[Name, ...]
    """Species as a lots table names them."""
    cuts: Whole
    """Cuts that the lines were fitted to."""
    least_fat_pct: Percent
    """Leanest of them."""
    most_fat_pct: Percent
    """Fattest of them."""
    moisture: FatLine
    protein: FatLine
    protein_per_moisture: Number
    """Points of protein off its line for each point of moisture off its own."""
    protein_sd_beside: NotNegative
    """Standard deviation of protein off its line beside that, percentage points."""


class Estimates(Strict):
    """The published lines."""

    title: Name
    source: Name
    checked_on: Day
    lines: tuple[Species, ...]


@cache
def estimates() -> Estimates:
    """The lines that come with the tool."""
    return validate(packaged("estimates.yaml"), Estimates)


def lines_of(item: Ingredient) -> Species | None:
    """The lines for a raw lot; None where there are none for its species, or it is not plain raw meat."""
    raw = isinstance(item, Lot) and not (item.cured or item.rework or item.properties.get(SALT))
    if not raw or FAT not in item.properties:
        return None
    species = item.species.strip().casefold()
    return next((one for one in estimates().lines if species in one.names), None)


def estimated(item: Ingredient, name: str, asked: frozenset[str], off: Off | None = None) -> Fraction | None:
    """A property of a raw lot that does not state it, %; None where it is not asked for or cannot be told.

    With ``off`` one standard deviation of that error more.
    """
    lines = lines_of(item) if name in asked and name not in item.properties else None
    if lines is None:
        return None
    line = lines.moisture if name == MOISTURE else lines.protein
    figure = max(line.at_no_fat + line.per_fat * item.properties[FAT], ZERO)
    if off is None:
        return figure
    first, beside = line.sd, ZERO
    if name == PROTEIN and MOISTURE in asked and MOISTURE not in item.properties:
        first, beside = lines.protein_per_moisture * lines.moisture.sd, lines.protein_sd_beside
    return figure + (first if off is Off.FIRST else beside)


class Basis(StrEnum):
    """What a figure is divided by.

    meat: the meat block, all lots. green: green weight, all lots but of rework only the part that was green meat.
    fresh: the lots that are not rework. batch: everything that goes in. finished: what is left of the batch after the
    declared yield.
    """

    MEAT = "meat"
    GREEN = "green"
    FRESH = "fresh"
    BATCH = "batch"
    FINISHED = "finished"

    @property
    def words(self) -> str:
        """The basis as it stands in a sentence."""
        lots = {"meat": "meat block", "green": "green weight", "fresh": "fresh green weight"}
        return lots.get(self.value) or {"batch": "whole batch", "finished": "finished product"}[self.value]


_OF_LOTS = (Basis.MEAT, Basis.GREEN, Basis.FRESH)
"""Those in which additions do not count."""


class MissingProperty(Exception):
    """An ingredient does not state a property that a requirement needs."""

    def __init__(self, ingredient: Ingredient, name: str, found: str = "") -> None:
        super().__init__(found or f"{ingredient.name} does not state {name}")
        self.ingredient = ingredient
        self.property_name = name


@dataclass(frozen=True)
class Process:
    """What happens between mixer and pack, as fractions of the batch's weight.

    ``yield_fraction`` is finished kilograms per kilogram of batch (above 0); ``fat_loss`` is the part of the loss
    that is fat. All other loss is water. ``declared`` is False where the recipe states no yield. ``estimates`` are the
    properties that may be estimated from a lot's fat, ``off`` which error they are one standard deviation off by.
    """

    yield_fraction: Fraction = ONE
    fat_loss: Fraction = ZERO
    declared: bool = False
    estimates: frozenset[str] = frozenset()
    off: Off | None = None

    @property
    def water_loss(self) -> Fraction:
        """Kilograms of water lost per kilogram of batch (negative where the product gains water)."""
        return 1 - self.yield_fraction - self.fat_loss


@dataclass_transform(frozen_default=True)
class Quantity:
    """Something that can be counted: a frozen, hashable value with one method. Every kind is a dataclass."""

    def __init_subclass__(cls) -> None:
        dataclass(frozen=True)(cls)

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The quantity in one kilogram of ``item``. Raises MissingProperty where it is not known."""
        raise NotImplementedError


def in_one_kg(quantity: Quantity, item: Ingredient, process: Process) -> Fraction:
    """A quantity in one kilogram of an ingredient; of a ground mass in all its parts. Raises MissingProperty."""
    if not item.parts:
        return quantity.per_kg(item, process)
    return sum((share * quantity.per_kg(part, process) for part, share in item.parts), ZERO)


def stated(item: Ingredient, name: str, process: Process | None = None) -> Fraction:
    """The figure of a property, zero where the kind of ingredient says so; estimated where the process allows it.

    Water is pure moisture; a dry addition's unstated property is zero; a lot, liquid or inclusion that does not
    state it raises MissingProperty.
    """
    figure = item.properties.get(name)
    if figure is not None:
        return figure
    if item.kind is Kind.WATER and name == MOISTURE:
        return Fraction(PERCENT)
    if not item.kind.states_composition:
        return ZERO
    estimate = estimated(item, name, process.estimates, process.off) if process and process.estimates else None
    if estimate is None:
        raise MissingProperty(item, name)
    return estimate


class Weight(Quantity):
    """Kilograms of the basis per kilogram of ingredient."""

    basis: Basis

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """1 for what belongs to the basis; the yield for the finished product."""
        if self.basis in _OF_LOTS:
            return _of_lots(item, self.basis)
        return process.yield_fraction if self.basis is Basis.FINISHED else ONE


def _of_lots(item: Ingredient, basis: Basis) -> Fraction:
    """The part of a kilogram that belongs to a basis of lots."""
    if item.kind is not Kind.LOT:
        return ZERO
    if basis is Basis.MEAT or not item.rework:
        return ONE
    return item.green if basis is Basis.GREEN else ZERO


class Amount(Quantity):
    """A property times kilograms, counted over a basis, in the property's own unit times kilograms.

    In the finished product fat and moisture are what is left after the declared losses; everything else stays.
    """

    name: str
    basis: Basis

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The property of the ingredient, or zero outside the basis."""
        if self.basis in _OF_LOTS and not _of_lots(item, self.basis):
            return ZERO
        losses = {FAT: process.fat_loss, MOISTURE: process.water_loss} if self.basis is Basis.FINISHED else {}
        return stated(item, self.name, process) - PERCENT * losses.get(self.name, ZERO)


class Tagged(Quantity):
    """Kilograms of the lots that carry a tag, for example species pork, role fat, or one lot by name."""

    tag: str
    values: frozenset[str]

    @property
    def words(self) -> str:
        """What they carry, in words."""
        return f"{self.tag} {' or '.join(sorted(self.values))}"

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """1 for a lot that carries the tag, else 0. Raises MissingProperty for a lot whose tag is blank."""
        if item.kind is not Kind.LOT:
            return ZERO
        value = getattr(item, "name" if self.tag == "lot" else self.tag, False)
        found = ("yes" if value else "no") if isinstance(value, bool) else value
        if not found:
            raise MissingProperty(item, self.tag)
        return ONE if found in self.values else ZERO


class Sum(Quantity):
    """A weighted sum of quantities."""

    terms: tuple[tuple[Fraction, Quantity], ...]

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The sum of the terms in one kilogram of the ingredient."""
        return sum((factor * part.per_kg(item, process) for factor, part in self.terms), ZERO)


_TREE: dict[str, Any] = packaged("species.yaml").tree
NAMES: dict[str, tuple[str, ...]] = {species: tuple(names) for species, names in _TREE.items()}
"""Species by the name rules use, with the names a lots table may use."""

_BIRDS = frozenset({"chicken", "turkey", "duck", "goose", "guinea_fowl", "other_bird"})
GROUPS: dict[str, frozenset[str]] = {
    **{name: frozenset({name}) for name in NAMES},
    "poultry": _BIRDS - {"other_bird"},
    "bird": _BIRDS,
    "other_mammal": frozenset(NAMES) - _BIRDS - {"pig", "rabbit"},
}
"""What a rule may name: a species, or one of poultry, bird, other_mammal (neither pig nor rabbit)."""

_BY_NAME = {name: species for species, names in NAMES.items() for name in (species, *names)}


def species_of(item: Ingredient) -> str:
    """The species of a lot as rules name it. Raises MissingProperty where it is blank, or a name they do not know."""
    found = _BY_NAME.get(item.species.strip().casefold())
    if found is None:
        names = ", ".join(sorted(name for names in NAMES.values() for name in names))
        unknown = f"{item.name} states the species {item.species!r}; the rules know {names}"
        raise MissingProperty(item, "species", unknown if item.species else "")
    return found


def members(groups: tuple[str, ...]) -> frozenset[str]:
    """The species in some groups. KeyError where there is no such group."""
    return frozenset().union(*(GROUPS[name] for name in groups))


def speaks_of(text: str, words: frozenset[str]) -> bool:
    """True where a text holds one of the words as whole words, in any case, the last one in the plural too."""
    return any(re.search(rf"\b{re.escape(word)}(s|es)?\b", text, re.IGNORECASE) for word in words)


class OfLots(Quantity):
    """A quantity counted over some lots only.

    ``species`` are the species counted (None: every one), ``words`` what their material must speak of (empty:
    anything), ``not_words`` what it must not. With ``where_stated`` a lot of no stated material is not counted.
    """

    part: Quantity
    species: frozenset[str] | None = None
    words: frozenset[str] = frozenset()
    not_words: frozenset[str] = frozenset()
    where_stated: bool = False

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The quantity of a lot that is counted, else 0."""
        return self.part.per_kg(item, process) if self.counts(item) else Fraction(0)

    def counts(self, item: Ingredient) -> bool:
        """True for a lot that is counted. Raises MissingProperty where species or material is needed and blank."""
        if item.kind is not Kind.LOT or (self.where_stated and not speaks_of(item.material, self.words)):
            return False
        if self.species is not None and species_of(item) not in self.species:
            return False
        if (self.words or self.not_words) and not item.material:
            raise MissingProperty(item, "material")
        return not speaks_of(item.material, self.not_words) and (not self.words or speaks_of(item.material, self.words))
