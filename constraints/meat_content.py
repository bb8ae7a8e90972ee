"""Meat content after the deduction of excess fat and connective tissue, species group by species group.

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

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from constraints.document import Broken, Name, Percent, Positive, Ruled, refusal
from constraints.formula import Batch, Formula
from constraints.identity import MEAT, MEAT_FAT, MEAT_PROTEIN
from constraints.ingredients import PROTEIN, Ingredient, Kind, every
from constraints.limits import Reckoned, SpeciesNames
from constraints.numbers import ONE, PERCENT, ZERO
from constraints.quantities import Amount, Basis, OfLots, Quantity, Sum, members
from constraints.requirement import Measurement, Origin, Requirement
from constraints.row import Row

COLLAGEN = "collagen_pct"
"""Collagen, % by weight of the lot (hydroxyproline times 8); a column of the lots table."""
_MOST_GROUPS = 4


@dataclass(frozen=True)
class Deduction:
    """The limits of one species group: ``fat_pct`` of its meat, ``collagen_pct`` of its meat protein."""

    species: frozenset[str]
    fat_pct: Fraction
    collagen_pct: Fraction
    tissue_per_collagen: Fraction

    @property
    def fat_ratio(self) -> Fraction:
        """Kilograms of fat allowed per kilogram of everything else."""
        return self.fat_pct / (PERCENT - self.fat_pct)

    def tissue_terms(self) -> tuple[tuple[Fraction, Quantity], ...]:
        """Excess connective tissue without its "max", kilograms, as terms over the lots."""
        per_other = self.collagen_pct / (PERCENT - self.collagen_pct)
        weight = self.tissue_per_collagen / PERCENT
        collagen = Amount(COLLAGEN, Basis.MEAT)
        return ((weight * (1 + per_other), collagen), (-weight * per_other, MEAT_PROTEIN))

    def smallest_of(self, *, tissue: bool) -> Iterator[Quantity]:
        """The linear figures of which the group's meat content is the smallest, kilograms."""
        lean = 1 + self.fat_ratio
        fat = ((-lean / PERCENT, MEAT_FAT),)
        excess = self.tissue_terms() if tissue else ()
        for part in ((), excess) if tissue else ((),):
            yield Sum(((ONE, MEAT), *((-factor, q) for factor, q in part)))
            yield Sum(((lean, MEAT), *fat, *((-lean * factor, q) for factor, q in part)))


@dataclass(frozen=True, kw_only=True)
class MeatContent(Requirement):
    """Meat content after deduction as a share of the base, at least ``lo`` percent.

    Collagen is often not known. For a group with a lot that does not state it, excess fat alone is taken off: the
    figure is then the most it can be, so it can break the limit but never proves that it is kept.
    """

    deductions: tuple[Deduction, ...]
    not_counted: frozenset[str]
    under: Quantity

    def quantities(self) -> tuple[Quantity, ...]:
        """Species, fat and base; collagen and protein are used where they are stated."""
        return (*(self._of(d, MEAT_FAT) for d in self.deductions), self.under)

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """One row for every way to pick one linear figure of each group present."""
        choices = []
        for deduction in self._present(formula.lots):
            tissue = not self._silent(deduction, formula.lots)
            choices.append([self._of(deduction, part) for part in deduction.smallest_of(tissue=tissue)])
        least = (self.lo or ZERO) / PERCENT
        rows = []
        for picked in product(*choices):
            whole = Sum((*((ONE, part) for part in picked), (-least, self.under)))
            coefs = tuple(formula.total(whole, column) for column in formula.columns)
            rows.append(Row(f"{self.what} at least", coefs, lo=ZERO))
        return tuple(rows)

    def measured_only(self, formula: Formula) -> bool:
        """True where some lot does not state its collagen."""
        return any(self._silent(deduction, formula.lots) for deduction in self.deductions)

    def figure(self, batch: Batch) -> Measurement:
        """Meat content of this batch; no pass where collagen is not known."""
        lots = [item for item in batch.kilograms if item.kind is Kind.LOT]
        content, silent = ZERO, []
        for deduction in self._present(lots):
            missing = self._silent(deduction, lots)
            parts = deduction.smallest_of(tissue=not missing)
            content += min(batch.amount(self._of(deduction, part)) for part in parts)
            silent += missing
        under = batch.amount(self.under)
        if not under:
            return Measurement(self, None, False)
        value = PERCENT * content / under
        if not silent:
            return Measurement(self, value, self.within(value))
        why = f"excess fat only: {_lacking(silent)}; the figure is the most it can be"
        return Measurement(self, value, None if self.within(value) else False, why)

    def _of(self, deduction: Deduction, part: Quantity) -> Quantity:
        return OfLots(part, deduction.species, not_words=self.not_counted)

    def _counted(self, deduction: Deduction, lots: Iterable[Ingredient]) -> list[Ingredient]:
        group = OfLots(MEAT, deduction.species, not_words=self.not_counted)
        return [lot for lot in every(lots) if group.counts(lot)]

    def _present(self, lots: Iterable[Ingredient]) -> list[Deduction]:
        known = list(lots)
        return [deduction for deduction in self.deductions if self._counted(deduction, known)]

    def _silent(self, deduction: Deduction, lots: Iterable[Ingredient]) -> list[Ingredient]:
        counted = self._counted(deduction, lots)
        return [lot for lot in counted if COLLAGEN not in lot.properties or PROTEIN not in lot.properties]


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
        yield from super()._broken()
        if not 1 <= len(self.limits) <= _MOST_GROUPS:
            yield f"give the limits of one to {_MOST_GROUPS} species groups"
        seen: set[str] = set()
        for i, entry in enumerate(self.limits):
            if seen & members(entry.species):
                yield refusal("a species of this group stands in another one too", "each once", ("limits", i))
            seen |= members(entry.species)

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        deductions = tuple(
            Deduction(members(e.species), e.fat_pct, e.collagen_of_protein_pct, self.tissue_per_collagen)
            for e in self.limits
        )
        return MeatContent(
            what=f"{self.called} after deduction of excess fat and connective tissue", basis=self.base_words(),
            unit="%", origin=origin, lo=self.min_pct, deductions=deductions,
            not_counted=frozenset(self.not_counted), under=self.under(),
        )  # fmt: skip
