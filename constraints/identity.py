"""Identity: what a named product must be. Fat ceilings, added water, poultry, minimum meat, species, required parts.

A rule pack names the figures; nothing here knows a place or a product.

Meat content is reckoned after the deduction of excess fat and connective tissue, species group by species group.
For meat M, fat F, meat protein P and collagen C of one group, with a largest fat L (% of meat) and a largest collagen
K (% of meat protein), k = L / (100 - L) and w kilograms of connective tissue per kilogram of collagen::

    excess connective tissue  T = max(0, w * (C - K * (P - C) / (100 - K)))
    excess fat                E = max(0, F - k * (M - F - T))
    meat content              M - T - E

Connective tissue comes off first. Because every "max" takes away, meat content is the smallest of four linear
figures, M - t and (1 + k) * (M - F - t) for t = 0 and t = T without its "max"; so a smallest meat content is four
linear rows (for several groups: one for every way to pick one of the four from each), and exact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from typing import cast

from constraints.as_typed import G_PER_KG, ONE, PERCENT, ZERO, shown, trimmed
from constraints.document import Broken, Name, NotNegative, Percent, Positive, Ruled, Strict, YesNo, refusal
from constraints.formula import Batch, Formula
from constraints.limits import Band, Base, Limit, Reckoned, SpeciesNames, Worst, of_parts, without

from constraints.quantities import FAT, GROUPS, MOISTURE, PROTEIN, SALT, Amount, Basis, Ingredient, Kind  # isort: skip
from constraints.quantities import OfLots, Process, Quantity, Sum, Weight, every, members, speaks_of  # isort: skip
from constraints.requirement import Measured, Measurement, Requirement
from constraints.row import Row

MEAT = Weight(Basis.MEAT)
MEAT_FAT = Amount(FAT, Basis.MEAT)
MEAT_PROTEIN = Amount(PROTEIN, Basis.MEAT)
"""Protein of the lots, % times kilograms; protein of milk, soy and other additions is left out."""


class Part(Reckoned):
    """A percentage of a base."""

    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""


class WaterByAnalysis(Limit):
    """Added water: its figure is shown as zero where it comes out below; its largest figure is never below zero.

    It counts moisture and, taken off it, so many times the meat protein.
    """

    def figure(self, batch: Batch) -> Measurement:
        """The figure on this batch, zero where it would be negative, and how it comes about."""
        verdict = super().figure(batch)
        if verdict.value is None:
            return verdict
        under, terms = batch.amount(self.under), cast(Sum, self.over).terms
        (moisture, protein), times = (shown(batch.amount(part) / under, 2) for _, part in terms), terms[1][0]
        why = f"moisture {moisture} % less {trimmed(-times)} times meat protein {protein} %"
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
        if self.basis not in (Base.BATCH, Base.FINISHED):
            yield "the basis is batch or finished"

    def added_water(self) -> Quantity:
        """Added water, % times kilograms; below zero where the meat has lost some of its own."""
        terms = ((ONE, Amount(MOISTURE, Basis(self.basis.value))), (-self.moisture_per_protein, MEAT_PROTEIN))
        return Sum(tuple((factor, without(part, self.without)) for factor, part in terms))


class AddedWater(_Water):
    """Added water: moisture less so many times the meat protein, zero where that is below zero."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        water = self.added_water()
        return self.figure("added water", water, kind=WaterByAnalysis, over=water, scale=ONE)


class FatPlusAddedWater(_Water):
    """Fat and added water together; added water below zero counts as zero."""

    def build(self) -> Requirement:
        """The requirement this entry stands for: fat alone, and fat with added water, are both at most the figure."""
        fat, said = Amount(FAT, Basis(self.basis.value)), "fat plus added water"
        both = Sum(((ONE, fat), (ONE, self.added_water())))
        parts = (self.figure("fat", fat, scale=ONE), self.figure(said, both, scale=ONE))
        return of_parts(Worst, parts, said)


class WaterShare(Part):
    """Water and ice put in, as a share of a base that holds them too."""

    def build(self) -> Requirement:
        """The requirement this entry stands for; wine, stock and the like are not counted."""
        return self.figure("water and ice put in", Called(frozenset(), Kind.WATER))


class SpeciesShare(Part):
    """The share of some species, or of every species other than some."""

    species: SpeciesNames = ()
    """Species or groups counted: pig, cattle, poultry, bird and so on."""
    other_than: SpeciesNames = ()
    """Instead: every species but these is counted."""
    called: Name | None = None
    """What is counted, in a few words."""

    def _broken(self) -> Broken:
        if bool(self.species) == bool(self.other_than):
            yield "give species, or other_than"

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        named = members(self.species or self.other_than)
        counted = named if self.species else members(tuple(GROUPS)) - named
        words = " and ".join(self.species or self.other_than).replace("_", " ")
        what = words if self.species else f"meat other than {words}"
        return self.figure(self.called or what, OfLots(MEAT, counted))


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

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        what = self.called or " or ".join(self.words)
        species = members(self.species) if self.species else None
        lots = OfLots(MEAT, species, words=frozenset(self.words), where_stated=self.where_stated)
        return self.figure(what, lots)


class MeatShare(Part):
    """The share of meat with its fat: all lots but those whose material speaks of what does not count as meat."""

    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat in the rule's sense."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        return self.figure("meat", OfLots(MEAT, not_words=frozenset(self.not_counted)))


def fat_free(not_counted: tuple[str, ...]) -> Quantity:
    """Kilograms of meat flesh without its fat, of lots whose material speaks of none of the words."""
    return OfLots(Sum(((ONE, MEAT), (Fraction(-1, PERCENT), MEAT_FAT))), not_words=frozenset(not_counted))


class FatFreeFlesh(Part):
    """Meat flesh without its fat, as a share of a base."""

    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat flesh."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        return self.figure("fat-free meat flesh", fat_free(self.not_counted))


class FatToFlesh(Band):
    """Fat of everything that goes in, as a percentage of the fat-free meat flesh (not of the sausage)."""

    max_pct: NotNegative
    """Largest figure, %."""
    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat flesh."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        flesh = fat_free(self.not_counted)
        return self.ratio("fat", "fat-free meat flesh", Amount(FAT, Basis.BATCH), flesh, kind=Limit, scale=ONE)


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

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        basis, under = self.base_words(), self.under()
        if self.fat_free:
            fat = without(Amount(FAT, Basis(self.basis.value)), self.without)
            basis, under = f"{basis} without its fat", Sum(((ONE, under), (Fraction(-1, PERCENT), fat)))
        return self.figure("meat protein", MEAT_PROTEIN, basis=basis, under=under, scale=ONE)


class WeightLoss(Band):
    """What the finished product weighs less than the fresh meat, % of the fresh meat."""

    min_pct: Percent
    """Smallest figure, %."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        lost = Sum(((ONE, MEAT), (-ONE, Weight(Basis.FINISHED))))
        return self.ratio("loss of weight", "fresh meat", lost, MEAT, kind=Limit)


class Brine(Limit):
    """Salt of the water phase, kept too where a laboratory found the product dry enough."""

    or_water_activity: Fraction | None = None

    def figure(self, batch: Batch) -> Measurement:
        """The figure, and whether it or the water activity found keeps the limit."""
        verdict, found = super().figure(batch), batch.laboratory.get("water_activity")
        dry = self.or_water_activity is not None and found is not None and found <= self.or_water_activity
        return replace(verdict, ok=True) if dry else verdict


class SaltOnWater(Band):
    """Salt of the water phase: salt over salt plus water, in the batch or in the finished product."""

    basis: Basis = Basis.FINISHED
    """Where the water is counted: batch or finished."""
    min_pct: Percent
    """Smallest figure, %."""
    or_water_activity: Positive | None = None
    """The water activity found by a laboratory up to which less salt is lawful too."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        salt, water = Amount(SALT, self.basis), Amount(MOISTURE, self.basis)
        basis, both = f"salt and water of the {self.basis.words}", Sum(((ONE, salt), (ONE, water)))
        return self.ratio("salt", basis, salt, both, kind=Brine, or_water_activity=self.or_water_activity)


class Called(Quantity):
    """Kilograms of the additions that are one of some substances or a kind, or whose name speaks of some words."""

    words: frozenset[str]
    kind: Kind | None = None

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """1 for such an addition, or one of the kind, else 0."""
        if item.kind is Kind.LOT:
            return ZERO
        return Fraction(item.kind is self.kind or item.substance in self.words or speaks_of(item.name, self.words))


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

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        return Present(
            what=" or ".join(self.any_of).replace("_", " "), basis=Basis.BATCH.words, unit="g/kg",
            over=Called(frozenset(self.any_of)), under=Weight(Basis.BATCH), scale=Fraction(G_PER_KG),
        )  # fmt: skip


COLLAGEN = "collagen_pct"
"""Collagen, % by weight of the lot (hydroxyproline times 8); a column of the lots table."""
_MOST_GROUPS = 4


@dataclass(frozen=True)
class Deduction:
    """One species group: its meat, its excess connective tissue without the "max", and the linear figures of which its
    meat content is the smallest, kilograms; the last two of the four take the tissue off.
    """

    meat: OfLots
    tissue: Quantity
    smallest_of: tuple[Quantity, ...]

    @classmethod
    def of(
        cls, species: frozenset[str], fat_pct: Fraction, collagen_pct: Fraction, tissue_per_collagen: Fraction,
        not_counted: Iterable[str] = (),
    ) -> Deduction:  # fmt: skip
        """With the largest fat, % of the group's meat, and the largest collagen, % of its meat protein."""
        per_other, weight = collagen_pct / (PERCENT - collagen_pct), tissue_per_collagen / PERCENT
        collagen = Amount(COLLAGEN, Basis.MEAT)
        tissue = Sum(((weight * (1 + per_other), collagen), (-weight * per_other, MEAT_PROTEIN)))
        lean, off = PERCENT / (PERCENT - fat_pct), ((-ONE, tissue),)
        whole, flesh = ((ONE, MEAT),), ((ONE, MEAT), (Fraction(-1, PERCENT), MEAT_FAT))
        figures = (whole, ((lean, Sum(flesh)),), (*whole, *off), ((lean, Sum((*flesh, *off))),))
        meat, *parts = (OfLots(Sum(terms), species, not_words=frozenset(not_counted)) for terms in (whole, *figures))
        return cls(meat, tissue, tuple(parts))


class MeatContent(Requirement):
    """Meat content after deduction as a share of the base, at least ``lo`` percent.

    Collagen is often not known. For a group with a lot that does not state it, excess fat alone is taken off: the
    figure is then the most it can be, so it can break the limit but never proves that it is kept.
    """

    deductions: tuple[Deduction, ...]
    under: Quantity

    def quantities(self) -> tuple[Quantity, ...]:
        """Species, fat and base; collagen and protein are used where they are stated."""
        return (*(deduction.smallest_of[1] for deduction in self.deductions), self.under)

    def _known(self, lots: Iterable[Ingredient]) -> tuple[list[tuple[Quantity, ...]], list[Ingredient]]:
        """The linear figures that are known of each group present, and the lots that do not state their collagen."""
        known, silent, items = [], [], every(lots)
        for deduction in self.deductions:
            group = [lot for lot in items if deduction.meat.counts(lot)]
            lacking = [lot for lot in group if COLLAGEN not in lot.properties or PROTEIN not in lot.properties]
            known += [deduction.smallest_of[: 2 if lacking else 4]] if group else []
            silent += lacking
        return known, silent

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """One row for every way to pick one linear figure of each group present."""
        least = (-(self.lo or ZERO) / PERCENT, self.under)
        rows = []
        for picked in product(*self._known(formula.lots)[0]):
            whole = Sum((*((ONE, part) for part in picked), least))
            coefs = tuple(formula.total(whole, column) for column in formula.columns)
            rows.append(Row(f"{self.what} at least", coefs, lo=ZERO))
        return tuple(rows)

    def measured_only(self, formula: Formula) -> bool:
        """True where some lot does not state its collagen."""
        return bool(self._known(formula.lots)[1])

    def figure(self, batch: Batch) -> Measurement:
        """Meat content of this batch; no pass where collagen is not known."""
        known, silent = self._known(batch.kilograms)
        content = sum((min(map(batch.amount, parts)) for parts in known), ZERO)
        under = batch.amount(self.under)
        if not under:
            return Measurement(self, None, False)
        value = PERCENT * content / under
        if not silent:
            return Measurement(self, value, self.within(value))
        why = f"excess fat only: {_lacking(silent)}; the figure is the most it can be"
        return Measurement(self, value, None if self.within(value) else False, why)


def _lacking(lots: Iterable[Ingredient]) -> str:
    """Which lots do not state what, such as ``A, B without collagen_pct; C without protein_pct``."""
    by_name: dict[str, list[str]] = {}
    for lot in sorted(lots, key=lambda lot: lot.name):
        lacks = " and ".join(name for name in (COLLAGEN, PROTEIN) if name not in lot.properties)
        by_name.setdefault(lacks, []).append(lot.name)
    return "; ".join(f"{', '.join(names)} without {lacks}" for lacks, names in by_name.items())


class DeductionEntry(Ruled):
    """The limits of one species group."""

    species: SpeciesNames
    """Species or groups: pig, bird, rabbit, other_mammal and so on."""
    fat_pct: Percent
    """Largest fat, % of the group's meat."""
    collagen_of_protein_pct: Percent
    """Largest collagen, % of the group's meat protein."""

    def _broken(self) -> Broken:
        if PERCENT in (self.fat_pct, self.collagen_of_protein_pct):
            yield "both figures are below 100 %"


class MeatContentEntry(Reckoned):
    """Meat content after the deduction of excess fat and connective tissue."""

    min_pct: Percent
    """Smallest meat content, %."""
    limits: tuple[DeductionEntry, ...]
    """Limits for each species group; species that stand in none of them do not count as meat."""
    tissue_per_collagen: Positive
    """Kilograms of connective tissue that a kilogram of collagen stands for."""
    not_counted: tuple[Name, ...] = ()
    """Words in the material of lots that are no meat in the rule's sense."""
    called: Name = "meat content"
    """What is counted, in a few words."""

    def _broken(self) -> Broken:
        if not 1 <= len(self.limits) <= _MOST_GROUPS:
            yield f"give the limits of one to {_MOST_GROUPS} species groups"
        seen: set[str] = set()
        for i, entry in enumerate(self.limits):
            if seen & members(entry.species):
                yield refusal("a species of this group stands in another one too", "each once", ("limits", i))
            seen |= members(entry.species)

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        limits = ((members(e.species), e.fat_pct, e.collagen_of_protein_pct) for e in self.limits)
        return MeatContent(
            what=f"{self.called} after deduction of excess fat and connective tissue", basis=self.base_words(),
            unit="%", lo=self.min_pct, under=self.under(),
            deductions=tuple(Deduction.of(*one, self.tissue_per_collagen, self.not_counted) for one in limits),
        )  # fmt: skip
