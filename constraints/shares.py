"""Shares and ratios: meat to fat, lean to fat, and the share of a species, role, material or lot."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from pydantic import model_validator

from constraints.composition import PercentBand, PlainBand
from constraints.document import Name, Positive, YesNo
from constraints.formula import Formula
from constraints.ingredients import FAT
from constraints.numbers import PERCENT
from constraints.quantities import Amount, Basis, Sum, Tagged, Weight
from constraints.requirement import Origin, Ratio, Requirement

TAGS = ("species", "role", "material", "lot", "rework")
"""What a share may be of."""


@dataclass(frozen=True, kw_only=True)
class TagRatio(Ratio):
    """A ratio that counts tagged lots, and complains where no eligible lot carries the tag."""

    def complaints(self, formula: Formula) -> tuple[str, ...]:
        """Tags that no lot carries."""
        return tuple(
            f"no eligible lot has {part.tag} {' or '.join(sorted(part.values))}"
            for part in self.quantities()
            if isinstance(part, Tagged) and not any(part.per_kg(lot, formula.process) for lot in formula.lots)
        )


class RatioBand(PlainBand):
    """A ratio of two weights, which is never negative."""

    target: Positive | None = None
    """Figure aimed at."""
    min: Positive | None = None
    """Smallest figure."""
    max: Positive | None = None
    """Largest figure."""


class MeatToFat(RatioBand):
    """Kilograms of lots with role meat to kilograms of lots with role fat."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.limits()
        return TagRatio(
            what="meat-to-fat ratio", basis=Basis.MEAT.words, unit="kg/kg", origin=origin, lo=lo, hi=hi,
            over=Tagged("role", frozenset({"meat"})), under=Tagged("role", frozenset({"fat"})),
        )  # fmt: skip


class LeanToFat(RatioBand):
    """Lean to fat by analysis: (100 - fat) / fat over the meat block."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.limits()
        fat, weight = Amount(FAT, Basis.MEAT), Weight(Basis.MEAT)
        return Ratio(
            what="lean-to-fat ratio by analysis", basis=Basis.MEAT.words, unit="kg/kg", origin=origin, lo=lo, hi=hi,
            over=Sum(((Fraction(PERCENT), weight), (Fraction(-1), fat))), under=fat,
        )  # fmt: skip


class Share(PercentBand):
    """Share by weight of the lots of one species, role, material, or of one lot."""

    species: Name | None = None
    """Species as typed in the lots table."""
    role: Name | None = None
    """Role: meat or fat."""
    material: Name | None = None
    """Material as typed in the lots table."""
    lot: Name | None = None
    """One lot by its name."""
    rework: YesNo | None = None
    """yes: the lots that are rework; no: those that are not."""
    basis: Basis = Basis.MEAT
    """What the share is of: meat, batch or finished."""

    @model_validator(mode="after")
    def _one_tag(self) -> Share:
        if sum(getattr(self, tag) is not None for tag in TAGS) != 1:
            raise ValueError("a share names exactly one of species, role, material, lot or rework")
        return self

    def tagged(self) -> Tagged:
        """The lots that the share counts."""
        tag = next(tag for tag in TAGS if getattr(self, tag) is not None)
        value = getattr(self, tag)
        return Tagged(tag, frozenset({("yes" if value else "no") if tag == "rework" else value}))

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.limits()
        counted = self.tagged()
        name = next(iter(counted.values))
        return TagRatio(
            what=f"share of {counted.tag} {name}", basis=self.basis.words, unit="%", origin=origin, lo=lo, hi=hi,
            over=counted, under=Weight(self.basis), scale=Fraction(PERCENT),
        )  # fmt: skip
