"""What recipes ask of composition: components, properties, and shares, weights and ratios of groups of lots."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any, ClassVar

from constraints.document import Broken, Name, Names, NotNegative, Number, Percent, Positive, Ruled, YesNo
from constraints.formula import Batch, Formula
from constraints.limits import Band
from constraints.numbers import KG_PER_LB, PERCENT
from constraints.on_hand import Kilograms, nobody
from constraints.quantities import FAT, Amount, Basis, Sum, Tagged, Weight
from constraints.requirement import Measurement, Origin, Ratio, Requirement

BARE_TARGET_PCT = Fraction("0.05")
"""Tolerance of a target stated without one, in percentage points; common practice, no source."""

BARE_TARGET_SHARE = Fraction("0.01")
"""Tolerance of a ratio's or property's target stated without one, as a share of it; common practice, no source."""


def _target(target: Fraction | None, within: Fraction | None, lo: Any, hi: Any, bare: Fraction) -> Any:
    """The limits that a target with its tolerance, or a band, stands for. Raises ValueError where they clash."""
    if target is None:
        if within is not None:
            raise ValueError("a tolerance needs a target")
        return lo, hi
    if lo is not None or hi is not None:
        raise ValueError("give either a target or a smallest and largest figure, not both")
    spread = bare if within is None else within
    return target - spread, target + spread


class PercentBand(Band):
    """A percentage by weight: a target with its tolerance, or a band."""

    missing = "give a target, a smallest or a largest figure"
    target_pct: Percent | None = None
    """Figure aimed at, %."""
    within_pct: NotNegative | None = None
    """Tolerance about the target, percentage points; 0.05 where it is not stated."""
    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure, %."""
        lo, hi = _target(self.target_pct, self.within_pct, self.min_pct, self.max_pct, BARE_TARGET_PCT)
        return (None if lo is None else max(lo, Fraction(0))), hi


class PlainBand(Band):
    """A figure without a fixed unit: a target with its tolerance, or a band."""

    missing = "give a target, a smallest or a largest figure"
    target: Number | None = None
    """Figure aimed at."""
    within: NotNegative | None = None
    """Tolerance about the target; one hundredth of it where it is not stated."""
    min: Number | None = None
    """Smallest figure."""
    max: Number | None = None
    """Largest figure."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure."""
        bare = abs(self.target or Fraction(0)) * BARE_TARGET_SHARE
        lo, hi = _target(self.target, self.within, self.min, self.max, bare)
        return lo, hi


class Component(PercentBand):
    """One component by weight on a stated basis."""

    prop: ClassVar[str]
    what: ClassVar[str]
    basis: Basis = Basis.MEAT
    """What the percentage is of: meat (the meat block), batch (everything that goes in) or finished."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.between()
        return band(self.what, self.prop, self.basis, lo, hi, "%", origin)


class PropertyBand(PlainBand):
    """Any numeric column of the lots table, as its mean by weight."""

    name: Name
    """The column's name."""
    basis: Basis = Basis.MEAT
    """What the mean is over: meat, batch or finished."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.between()
        unit = "%" if self.name.endswith("_pct") else "mg/kg" if self.name.endswith("_ppm") else ""
        return band(self.name, self.name, self.basis, lo, hi, unit, origin)


def band(
    what: str, prop: str, basis: Basis, lo: Fraction | None, hi: Fraction | None, unit: str, origin: Origin
) -> Ratio:
    """A property's mean by weight over a basis, between limits in the property's own unit."""
    return Ratio(
        what=what, basis=basis.words, unit=unit, origin=origin, lo=lo, hi=hi,
        over=Amount(prop, basis), under=Weight(basis),
    )  # fmt: skip


TAGS = ("species", "role", "material", "lot", "rework")
"""What a group of lots may be picked by."""


@dataclass(frozen=True, kw_only=True)
class TagRatio(Ratio):
    """A ratio that counts tagged lots, and complains where no eligible lot carries the tag.

    With none of either group there is nothing to keep in a ratio: it holds, as its rows do.
    """

    def figure(self, batch: Batch) -> Measurement:
        """The ratio on this batch; value None where there is nothing to divide by."""
        if batch.amount(self.over) or batch.amount(self.under):
            return super().figure(batch)
        return Measurement(self, None, True, "none of either is in the batch")

    def complaints(self, formula: Formula) -> tuple[str, ...]:
        """Tags that no lot carries."""
        return nobody(self.quantities(), formula)


class LotGroup(Ruled):
    """The lots of some species, roles or materials, or some lots by name."""

    species: Names | None = None
    """Species as typed in the lots table, one or a list."""
    role: Names | None = None
    """Role: meat or fat."""
    material: Names | None = None
    """Material as typed in the lots table, one or a list."""
    lot: Names | None = None
    """Lots by name, one or a list."""
    rework: YesNo | None = None
    """yes: the lots that are rework; no: those that are not."""

    def _broken(self) -> Broken:
        yield from super()._broken()
        if sum(getattr(self, tag) not in (None, ()) for tag in TAGS) != 1:
            what = "a share" if isinstance(self, Share) else "a group of lots"
            yield f"{what} names exactly one of species, role, material, lot or rework"

    def tagged(self) -> Tagged:
        """The lots that it counts."""
        tag = next(tag for tag in TAGS if getattr(self, tag) is not None)
        value = getattr(self, tag)
        return Tagged(tag, frozenset(["yes" if value else "no"] if tag == "rework" else value))


def _named(counted: Tagged) -> str:
    return f"{counted.tag} {' or '.join(sorted(counted.values))}"


class RatioBand(PlainBand):
    """A ratio of two weights, which is never negative."""

    target: Positive | None = None
    """Figure aimed at."""
    min: Positive | None = None
    """Smallest figure."""
    max: Positive | None = None
    """Largest figure."""

    def ratio(self, what: str, over: Tagged, under: Tagged, origin: Origin) -> Requirement:
        """Kilograms of one group to kilograms of another."""
        lo, hi = self.between()
        return TagRatio(
            what=what, basis=Basis.MEAT.words, unit="kg/kg", origin=origin, lo=lo, hi=hi, over=over, under=under
        )


class MeatToFat(RatioBand):
    """Kilograms of lots with role meat to kilograms of lots with role fat."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        meat, fat = (Tagged("role", frozenset({role})) for role in ("meat", "fat"))
        return self.ratio("meat-to-fat ratio", meat, fat, origin)


class GroupRatio(RatioBand):
    """Kilograms of one group of lots to kilograms of another."""

    of: LotGroup
    """The group above the line."""
    to: LotGroup
    """The group below it."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        of, to = self.of.tagged(), self.to.tagged()
        return self.ratio(f"ratio of {_named(of)} to {_named(to)}", of, to, origin)


class LeanToFat(RatioBand):
    """Lean to fat by analysis: (100 - fat) / fat over the meat block."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.between()
        fat, weight = Amount(FAT, Basis.MEAT), Weight(Basis.MEAT)
        return Ratio(
            what="lean-to-fat ratio by analysis", basis=Basis.MEAT.words, unit="kg/kg", origin=origin, lo=lo, hi=hi,
            over=Sum(((Fraction(PERCENT), weight), (Fraction(-1), fat))), under=fat,
        )  # fmt: skip


class Share(LotGroup, PercentBand):
    """Share by weight of a group of lots."""

    basis: Basis = Basis.MEAT
    """What the share is of: meat, batch or finished."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.between()
        counted = self.tagged()
        return TagRatio(
            what=f"share of {_named(counted)}", basis=self.basis.words, unit="%", origin=origin, lo=lo, hi=hi,
            over=counted, under=Weight(self.basis), scale=Fraction(PERCENT),
        )  # fmt: skip


class GroupWeight(Band, LotGroup):
    """Kilograms of a group of lots in the whole batch, after bone and rind."""

    missing = "give a smallest or a largest weight"
    min_kg: NotNegative | None = None
    """Least weight, kilograms."""
    max_kg: NotNegative | None = None
    """Most weight, kilograms."""
    min_lb: NotNegative | None = None
    """Least weight, pounds."""
    max_lb: NotNegative | None = None
    """Most weight, pounds."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Least and most, kilograms."""
        for side in ("min", "max"):
            if None not in (getattr(self, f"{side}_kg"), getattr(self, f"{side}_lb")):
                raise ValueError(f"one of {side}_kg and {side}_lb")
        sides = ((self.min_kg, self.min_lb), (self.max_kg, self.max_lb))
        lo, hi = (kg if lb is None else lb * KG_PER_LB for kg, lb in sides)
        return lo, hi

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        (lo, hi), counted = self.between(), self.tagged()
        return Kilograms(
            what=_named(counted), basis=Basis.MEAT.words, unit="kg", origin=origin, lo=lo, hi=hi,
            over=counted,
        )  # fmt: skip
