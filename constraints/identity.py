"""Identity: what a named product must be. Fat ceilings, added water, poultry, minimum meat, species, required parts.

A rule pack names the figures; nothing here knows a place or a product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.document import Broken, Name, NotNegative, Percent, Positive, Strict, YesNo
from constraints.formula import Batch
from constraints.ingredients import FAT, MOISTURE, PROTEIN, SALT, Ingredient, Kind
from constraints.limits import Base, Limit, Reckoned, SpeciesNames, Worst, of_parts, without
from constraints.numbers import G_PER_KG, ONE, PERCENT, ZERO, shown, trimmed
from constraints.quantities import GROUPS, Amount, Basis, OfLots, Process, Quantity, Sum, Weight, members, speaks_of
from constraints.requirement import Measured, Measurement, Origin, Requirement

MEAT = Weight(Basis.MEAT)
MEAT_FAT = Amount(FAT, Basis.MEAT)
MEAT_PROTEIN = Amount(PROTEIN, Basis.MEAT)
"""Protein of the lots, % times kilograms; protein of milk, soy and other additions is left out."""
WHOLE = Fraction(PERCENT)


class Part(Reckoned):
    """A percentage of a base."""

    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""


@dataclass(frozen=True, kw_only=True)
class WaterByAnalysis(Limit):
    """Added water: its figure is shown as zero where it comes out below; its largest figure is never below zero.

    ``moisture`` and ``protein`` are its two parts in percent times kilograms, ``times`` what a kilogram of protein
    accounts for.
    """

    moisture: Quantity
    protein: Quantity
    times: Fraction

    def figure(self, batch: Batch) -> Measurement:
        """The figure on this batch, zero where it would be negative, and how it comes about."""
        verdict = super().figure(batch)
        if verdict.value is None:
            return verdict
        under = batch.amount(self.under)
        moisture, protein = (shown(batch.amount(part) / under, 2) for part in (self.moisture, self.protein))
        why = f"moisture {moisture} % less {trimmed(self.times)} times meat protein {protein} %"
        return replace(verdict, value=max(verdict.value, ZERO), why=why if verdict.value > 0 else f"{why}: none")


class _Water(Reckoned):
    """Added water by analysis: moisture less so many times the meat protein."""

    basis: Base = Base.FINISHED
    """What the percentage is of: batch or finished."""
    max_pct: Percent
    """Largest figure, %."""
    moisture_per_protein: Positive
    """Kilograms of moisture that a kilogram of meat protein accounts for."""

    def _broken(self) -> Broken:
        yield from super()._broken()
        if self.basis not in (Base.BATCH, Base.FINISHED):
            yield "the basis is batch or finished"

    def added_water(self) -> Quantity:
        """Added water, % times kilograms; below zero where the meat has lost some of its own."""
        moisture = Amount(MOISTURE, Basis(self.basis.value))
        return Sum(((ONE, moisture), (-self.moisture_per_protein, MEAT_PROTEIN)))


class AddedWater(_Water):
    """Added water: moisture less so many times the meat protein, zero where that is below zero."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        moisture = Amount(MOISTURE, Basis(self.basis.value))
        return self.figure(
            "added water", self.added_water(), origin, kind=WaterByAnalysis, scale=ONE,
            moisture=without(moisture, self.without), protein=without(MEAT_PROTEIN, self.without),
            times=self.moisture_per_protein,
        )  # fmt: skip


class FatPlusAddedWater(_Water):
    """Fat and added water together; added water below zero counts as zero."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for: fat alone, and fat with added water, are both at most the figure."""
        fat = Amount(FAT, Basis(self.basis.value))
        both = Sum(((ONE, fat), (ONE, self.added_water())))
        named = (("fat", fat), ("fat plus added water", both))
        parts = tuple(self.figure(what, over, origin, scale=ONE) for what, over in named)
        return of_parts(Worst, parts, "fat plus added water")


@dataclass(frozen=True)
class WaterAdded:
    """Kilograms of the additions that are water or ice; wine, stock and the like are not counted."""

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """1 for water, else 0."""
        return ONE if item.kind is Kind.WATER else ZERO


class WaterShare(Part):
    """Water and ice put in, as a share of a base that holds them too."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        return self.figure("water and ice put in", WaterAdded(), origin)


class SpeciesShare(Part):
    """The share of some species, or of every species other than some."""

    species: SpeciesNames = ()
    """Species or groups counted: pig, cattle, poultry, bird and so on."""
    other_than: SpeciesNames = ()
    """Instead: every species but these is counted."""
    called: Name | None = None
    """What is counted, in a few words."""

    def _broken(self) -> Broken:
        yield from super()._broken()
        if bool(self.species) == bool(self.other_than):
            yield "give species, or other_than"

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        named = members(self.species or self.other_than)
        counted = named if self.species else members(tuple(GROUPS)) - named
        words = " and ".join(name.replace("_", " ") for name in self.species or self.other_than)
        what = words if self.species else f"meat other than {words}"
        return self.figure(self.called or what, OfLots(MEAT, counted), origin)


class MaterialShare(Part):
    """The share of lots whose material speaks of one of some words, for example liver."""

    words: tuple[Name, ...]
    """Words looked for in the material."""
    species: SpeciesNames = ()
    """Lots of these species or groups only; none stated means any."""
    where_stated: YesNo = False
    """Whether a lot of no stated material counts as none of it; else its material must be stated."""
    called: Name | None = None
    """What is counted, in a few words."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        what = self.called or " or ".join(self.words)
        species = members(self.species) if self.species else None
        lots = OfLots(MEAT, species, words=frozenset(self.words), where_stated=self.where_stated)
        return self.figure(what, lots, origin)


class MeatShare(Part):
    """The share of meat with its fat: all lots but those whose material speaks of what does not count as meat."""

    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat in the rule's sense."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        return self.figure("meat", OfLots(MEAT, not_words=frozenset(self.not_counted)), origin)


def fat_free(not_counted: tuple[str, ...]) -> Quantity:
    """Kilograms of meat flesh without its fat, of lots whose material speaks of none of the words."""
    flesh = Sum(((ONE, MEAT), (Fraction(-1, PERCENT), MEAT_FAT)))
    return OfLots(flesh, not_words=frozenset(not_counted))


class FatFreeFlesh(Part):
    """Meat flesh without its fat, as a share of a base."""

    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat flesh."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        return self.figure("fat-free meat flesh", fat_free(self.not_counted), origin)


class FatToFlesh(Strict):
    """Fat of everything that goes in, as a percentage of the fat-free meat flesh (not of the sausage)."""

    max_pct: NotNegative
    """Largest figure, %."""
    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat flesh."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        return Limit(
            what="fat", basis="fat-free meat flesh", unit="%", origin=origin, hi=self.max_pct,
            over=Amount(FAT, Basis.BATCH), under=fat_free(self.not_counted),
        )  # fmt: skip


class MeatProtein(Reckoned):
    """Protein of the meat alone; protein of milk, soy, gelatin and other additions is not counted."""

    basis: Base = Base.FINISHED
    """What the percentage is of: batch or finished."""
    min_pct: Percent | None = None
    """Smallest figure, %."""
    total_pct: Percent | None = None
    """Instead: the total protein that the product must have, %."""
    less_pct: NotNegative = ZERO
    """With total_pct: percentage points by which meat protein may stay below it."""
    fat_free: YesNo = False
    """Whether the percentage is of the product without its fat."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """The least that there must be, %."""
        if (self.min_pct is None) == (self.total_pct is None):
            raise ValueError("give min_pct, or total_pct with less_pct")
        return self.min_pct if self.total_pct is None else self.total_pct - self.less_pct, None

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        basis, under = self.base_words(), self.under()
        if self.fat_free:
            fat = without(Amount(FAT, Basis(self.basis.value)), self.without)
            basis, under = f"{basis} without its fat", Sum(((ONE, under), (Fraction(-1, PERCENT), fat)))
        return self.figure("meat protein", MEAT_PROTEIN, origin, basis=basis, under=under, scale=ONE)


class WeightLoss(Strict):
    """What the finished product weighs less than the fresh meat, % of the fresh meat."""

    min_pct: Percent
    """Smallest figure, %."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        lost = Sum(((ONE, MEAT), (-ONE, Weight(Basis.FINISHED))))
        return Limit(
            what="loss of weight", basis="fresh meat", unit="%", origin=origin, lo=self.min_pct,
            over=lost, under=MEAT, scale=WHOLE,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Brine(Limit):
    """Salt of the water phase, kept too where a laboratory found the product dry enough."""

    or_water_activity: Fraction | None

    def figure(self, batch: Batch) -> Measurement:
        """The figure, and whether it or the water activity found keeps the limit."""
        verdict, found = super().figure(batch), batch.laboratory.get("water_activity")
        dry = self.or_water_activity is not None and found is not None and found <= self.or_water_activity
        return replace(verdict, ok=True) if dry else verdict


class SaltOnWater(Strict):
    """Salt of the water phase: salt over salt plus water, in the batch or in the finished product."""

    basis: Basis = Basis.FINISHED
    """Where the water is counted: batch or finished."""
    min_pct: Percent
    """Smallest figure, %."""
    or_water_activity: Positive | None = None
    """The water activity found by a laboratory up to which less salt is lawful too."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        salt, water = Amount(SALT, self.basis), Amount(MOISTURE, self.basis)
        return Brine(
            or_water_activity=self.or_water_activity,
            what="salt", basis=f"salt and water of the {self.basis.words}", unit="%", origin=origin, lo=self.min_pct,
            over=salt, under=Sum(((ONE, salt), (ONE, water))), scale=WHOLE,
        )  # fmt: skip


@dataclass(frozen=True)
class Called:
    """Kilograms of the additions that are one of some substances, or whose name speaks of one of some words."""

    words: frozenset[str]

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """1 for such an addition, else 0."""
        if item.kind is Kind.LOT:
            return ZERO
        return Fraction(item.substance in self.words or speaks_of(item.name, self.words))


@dataclass(frozen=True, kw_only=True)
class Present(Measured, Limit):
    """Something must be in the batch at all."""

    def within(self, value: Fraction) -> bool:
        """True for any amount above nothing."""
        return value > 0

    def words(self) -> str:
        """The rule in one sentence."""
        return f"{self.what} in the {self.basis} {self.limits()}"

    def limits(self) -> str:
        """The rule in words."""
        return "is required"


class Required(Strict):
    """One of some additions must be there, by the substance it is or by a word in its name."""

    any_of: tuple[Name, ...]
    """Substances or words; one of them is enough."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        return Present(
            what=" or ".join(name.replace("_", " ") for name in self.any_of), basis=Basis.BATCH.words, unit="g/kg",
            origin=origin, over=Called(frozenset(self.any_of)), under=Weight(Basis.BATCH), scale=Fraction(G_PER_KG),
        )  # fmt: skip
