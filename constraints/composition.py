"""What recipes ask of composition: components, properties, and shares, weights and ratios of groups of lots."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, ClassVar

from constraints.document import Broken, Name, Names, NotNegative, Number, Percent, Positive, Ruled, YesNo
from constraints.limits import Band
from constraints.numbers import KG_PER_LB, ONE, PERCENT, ZERO
from constraints.on_hand import Kilograms
from constraints.quantities import FAT, Amount, Basis, Quantity, Sum, Tagged, Weight
from constraints.requirement import Requirement

BARE_TARGET_PCT = Fraction("0.05")
"""Tolerance of a target stated without one, in percentage points; common practice, no source."""

BARE_TARGET_SHARE = Fraction("0.01")
"""Tolerance of a ratio's or property's target stated without one, as a share of it; common practice, no source."""


class Target(Band):
    """A target with its tolerance, or a band."""

    missing = "give a target, a smallest or a largest figure"
    unit: ClassVar[str] = ""
    """The end of the keys: ``_pct`` or nothing."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure that they stand for. Raises ValueError where they clash."""
        target, within, lo, hi = (getattr(self, key + self.unit) for key in ("target", "within", "min", "max"))
        if target is None and within is not None:
            raise ValueError("a tolerance needs a target")
        if target is not None:
            if lo is not None or hi is not None:
                raise ValueError("give either a target or a smallest and largest figure, not both")
            bare = BARE_TARGET_PCT if self.unit else abs(target) * BARE_TARGET_SHARE
            spread = bare if within is None else within
            lo, hi = target - spread, target + spread
        return (max(lo, ZERO) if self.unit and lo is not None else lo), hi


class PercentBand(Target):
    """A percentage by weight: a target with its tolerance, or a band."""

    unit = "_pct"
    target_pct: Percent | None = None
    """Figure aimed at, %."""
    within_pct: NotNegative | None = None
    """Tolerance about the target, percentage points; 0.05 where it is not stated."""
    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""


class PlainBand(Target):
    """A figure without a fixed unit: a target with its tolerance, or a band."""

    target: Number | None = None
    """Figure aimed at."""
    within: NotNegative | None = None
    """Tolerance about the target; one hundredth of it where it is not stated."""
    min: Number | None = None
    """Smallest figure."""
    max: Number | None = None
    """Largest figure."""


class Component(PercentBand):
    """One component by weight on a stated basis."""

    prop: ClassVar[str]
    what: ClassVar[str]
    basis: Basis = Basis.MEAT
    """What the percentage is of: meat (the meat block), batch (everything that goes in) or finished."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        return _mean(self, self.what, self.prop, self.basis, "%")


class PropertyBand(PlainBand):
    """Any numeric column of the lots table, as its mean by weight."""

    name: Name
    """The column's name."""
    basis: Basis = Basis.MEAT
    """What the mean is over: meat, batch or finished."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        unit = "%" if self.name.endswith("_pct") else "mg/kg" if self.name.endswith("_ppm") else ""
        return _mean(self, self.name, self.name, self.basis, unit)


def _mean(limits: Band, what: str, prop: str, basis: Basis, unit: str) -> Requirement:
    """A property's mean by weight over a basis, in the property's own unit."""
    return limits.ratio(what, basis.words, Amount(prop, basis), Weight(basis), unit=unit, scale=ONE)


TAGS = ("species", "role", "material", "lot", "rework")
"""What a group of lots may be picked by."""


_NEITHER = "none of either is in the batch"
"""What is said of a ratio of groups where there is nothing to keep in a ratio, so that it holds, as its rows do."""


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


class RatioBand(PlainBand):
    """A ratio of two weights, which is never negative."""

    target: Positive | None = None
    """Figure aimed at."""
    min: Positive | None = None
    """Smallest figure."""
    max: Positive | None = None
    """Largest figure."""

    def of_weights(self, what: str, over: Quantity, under: Quantity, **further: Any) -> Requirement:
        """Kilograms of something in the meat block to kilograms of something else."""
        return self.ratio(what, Basis.MEAT.words, over, under, unit="kg/kg", scale=ONE, **further)


class MeatToFat(RatioBand):
    """Kilograms of lots with role meat to kilograms of lots with role fat."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        meat, fat = (Tagged("role", frozenset({role})) for role in ("meat", "fat"))
        return self.of_weights("meat-to-fat ratio", meat, fat, nothing=_NEITHER)


class GroupRatio(RatioBand):
    """Kilograms of one group of lots to kilograms of another."""

    of: LotGroup
    """The group above the line."""
    to: LotGroup
    """The group below it."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        of, to = self.of.tagged(), self.to.tagged()
        return self.of_weights(f"ratio of {of.words} to {to.words}", of, to, nothing=_NEITHER)


class LeanToFat(RatioBand):
    """Lean to fat by analysis: (100 - fat) / fat over the meat block."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        fat = Amount(FAT, Basis.MEAT)
        lean = Sum(((Fraction(PERCENT), Weight(Basis.MEAT)), (-ONE, fat)))
        return self.of_weights("lean-to-fat ratio by analysis", lean, fat)


class Share(LotGroup, PercentBand):
    """Share by weight of a group of lots."""

    basis: Basis = Basis.MEAT
    """What the share is of: meat, batch or finished."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        of, whole = self.tagged(), Weight(self.basis)
        return self.ratio(f"share of {of.words}", self.basis.words, of, whole, nothing=_NEITHER)


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

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        (lo, hi), counted = self.between(), self.tagged()
        return Kilograms(what=counted.words, basis=Basis.MEAT.words, unit="kg", lo=lo, hi=hi, over=counted)
