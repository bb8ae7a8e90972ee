"""Composition: fat, protein, moisture, salt, or any numeric property, on meat, batch or finished product."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

from pydantic import model_validator

from constraints.document import Name, NotNegative, Number, Percent, Strict
from constraints.limits import sound
from constraints.quantities import Amount, Basis, Weight
from constraints.requirement import Origin, Ratio, Requirement

BARE_TARGET_PCT = Fraction("0.05")
"""Tolerance of a target stated without one, in percentage points; common practice, no source."""

BARE_TARGET_SHARE = Fraction("0.01")
"""Tolerance of a ratio's or property's target stated without one, as a share of it; common practice, no source."""


def limits_of(
    target: Fraction | None, within: Fraction | None, lo: Fraction | None, hi: Fraction | None, bare: Fraction
) -> tuple[Fraction | None, Fraction | None]:
    """The limits that a target with its tolerance, or a band, stands for. Raises ValueError where they clash."""
    if target is not None:
        if lo is not None or hi is not None:
            raise ValueError("give either a target or a smallest and largest figure, not both")
        spread = bare if within is None else within
        return target - spread, target + spread
    if within is not None:
        raise ValueError("a tolerance needs a target")
    sound(lo, hi, "give a target, a smallest or a largest figure")
    return lo, hi


class PercentBand(Strict):
    """A percentage by weight: a target with its tolerance, or a band."""

    target_pct: Percent | None = None
    """Figure aimed at, %."""
    within_pct: NotNegative | None = None
    """Tolerance about the target, percentage points; 0.05 where it is not stated."""
    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""

    @model_validator(mode="after")
    def _limits_agree(self) -> PercentBand:
        self.limits()
        return self

    def limits(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure, %."""
        lo, hi = limits_of(self.target_pct, self.within_pct, self.min_pct, self.max_pct, BARE_TARGET_PCT)
        return (None if lo is None else max(lo, Fraction(0))), hi


class PlainBand(Strict):
    """A figure without a fixed unit: a target with its tolerance, or a band."""

    target: Number | None = None
    """Figure aimed at."""
    within: NotNegative | None = None
    """Tolerance about the target; one hundredth of it where it is not stated."""
    min: Number | None = None
    """Smallest figure."""
    max: Number | None = None
    """Largest figure."""

    @model_validator(mode="after")
    def _limits_agree(self) -> PlainBand:
        self.limits()
        return self

    def limits(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure."""
        bare = abs(self.target or Fraction(0)) * BARE_TARGET_SHARE
        return limits_of(self.target, self.within, self.min, self.max, bare)


class Component(PercentBand):
    """One component by weight on a stated basis."""

    prop: ClassVar[str]
    what: ClassVar[str]
    basis: Basis = Basis.MEAT
    """What the percentage is of: meat (the meat block), batch (everything that goes in) or finished."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.limits()
        return band(self.what, self.prop, self.basis, lo, hi, "%", origin)


class PropertyBand(PlainBand):
    """Any numeric column of the lots table, as its mean by weight."""

    name: Name
    """The column's name."""
    basis: Basis = Basis.MEAT
    """What the mean is over: meat, batch or finished."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        lo, hi = self.limits()
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
