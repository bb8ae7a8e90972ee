"""Cure: ingoing nitrite and nitrate.

Ingoing means weighed in, before anything reacts. A figure found in the finished product by analysis is another
matter and is never reckoned from the formula.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import ClassVar

from constraints.document import NotNegative
from constraints.formula import Batch, Formula
from constraints.ingredients import NITRATE, NITRITE, Ingredient, Lot
from constraints.limits import Band
from constraints.meaning import Regulates, Salt
from constraints.numbers import shown
from constraints.quantities import Basis, Process, Quantity, Weight
from constraints.requirement import Measurement, Origin, Ratio, Requirement
from constraints.row import Row
from constraints.substances import Form, factor

POTASSIUM_NITRITE = "potassium_nitrite_ppm"
POTASSIUM_NITRATE = "potassium_nitrate_ppm"

NITRITE_SALTS = ((NITRITE, Salt.SODIUM_NITRITE), (POTASSIUM_NITRITE, Salt.POTASSIUM_NITRITE))
NITRATE_SALTS = ((NITRATE, Salt.SODIUM_NITRATE), (POTASSIUM_NITRATE, Salt.POTASSIUM_NITRATE))

COUNTED = tuple(name for name, _ in (*NITRITE_SALTS, *NITRATE_SALTS))
"""Properties by which an ingredient states its nitrite and nitrate; nothing counts any other."""
WEAKEST_PCT = Fraction("0.4")
"""Weakest nitrite curing salt in ordinary trade, % (common practice, no source)."""
STRONGEST_PCT = Fraction(7)
"""Strongest nitrite premix in ordinary trade, % (common practice, no source); 100 is the pure salt."""
PURE_PCT = Fraction(100)
LEAST_SENSIBLE_PPM = Fraction(40)
"""Ingoing nitrite below which a declared cure is probably a typing error, mg/kg.

FSIS Directive 7620.3 (1995) p. 12 remarks that 40 ppm has some preservative effect (read as quoted).
"""
COARSE_DIVISION = Fraction(1, 100)
"""Scale division over cure weight above which the scale is too coarse; common practice, no source."""


@dataclass(frozen=True)
class Salts:
    """Milligrams of salts that an ingredient states as properties; what it does not state it does not have.

    ``terms`` are (factor, property) pairs, the factor converting the salt as weighed to the form asked for.
    """

    terms: tuple[tuple[Fraction, str], ...]

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """Milligrams in one kilogram of the ingredient, all forms converted.

        Of rework what was put in then counts, or what was found of it since where that is more.
        """
        return sum((share * _put_in(item, name) for share, name in self.terms), Fraction(0))


def _put_in(item: Ingredient, name: str) -> Fraction:
    found = item.properties.get(name, Fraction(0))
    if isinstance(item, Lot) and item.rework and name == NITRITE:
        return max(item.original_nitrite_ppm * item.green, found)
    return found


@dataclass(frozen=True)
class Fresh:
    """A quantity of everything but rework."""

    part: Quantity

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The quantity, zero for rework."""
        return Fraction(0) if isinstance(item, Lot) and item.rework else self.part.per_kg(item, process)


@dataclass(frozen=True, kw_only=True)
class Ingoing(Ratio):
    """An ingoing amount that holds over all green meat and, where there is rework, over the fresh meat alone too."""

    def alone(self) -> Ratio:
        """The fresh amount over the fresh meat."""
        return Ratio(
            what=f"{self.what}, fresh alone", basis=Basis.FRESH.words, unit=self.unit, origin=self.origin,
            hi=self.hi, over=Fresh(self.over), under=Weight(Basis.FRESH), scale=self.scale,
        )  # fmt: skip

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """One row a limit, and the largest figure once more for the fresh meat where a lot is rework."""
        own = super().rows(formula)
        if self.hi is None or not any(_is_rework(lot) for lot in formula.lots):
            return own
        return own + self.alone().rows(formula)

    def figure(self, batch: Batch) -> Measurement:
        """The larger of the two figures where there is rework; a smallest figure is over all green meat.

        Both figures are said, so that a largest and a smallest figure for one batch can be told apart.
        """
        found = super().figure(batch)
        if not any(_is_rework(item) for item in batch.kilograms):
            return found
        fresh = self.alone().measure(batch)
        if fresh.value is None or found.value is None or fresh.value == found.value:
            return found
        both = f"{shown(found.value, 2)} over all green meat, {shown(fresh.value, 2)} over the fresh meat alone"
        if self.hi is None:
            return replace(found, why=f"{both}; all of it counts")
        if fresh.value <= found.value:
            return replace(found, why=f"{both}; the larger counts")
        return Measurement(self, fresh.value, found.ok and fresh.ok, f"{both}; the larger counts")

    def fixed(self, formula: Formula) -> Fraction | None:
        """The figure where no lot is rework and every column has the same one."""
        return None if any(_is_rework(lot) for lot in formula.lots) else super().fixed(formula)


def _is_rework(item: Ingredient) -> bool:
    return isinstance(item, Lot) and item.rework


class Metal(StrEnum):
    """Whose salts are counted."""

    ANY = "any"
    SODIUM = "sodium"
    POTASSIUM = "potassium"

    def counts(self, salt: str) -> bool:
        """True where a salt, given as its formula, is one of those counted."""
        return self is Metal.ANY or salt.startswith({"sodium": "Na", "potassium": "K"}[self.value])


def salts(counted: Iterable[tuple[str, Salt]], form: Form, metal: Metal = Metal.ANY) -> Salts:
    """Milligrams of salts weighed in, all sources, in the form asked for."""
    return Salts(tuple((factor(salt, form), name) for name, salt in counted if metal.counts(salt)))


class IngoingEntry(Band):
    """An ingoing amount between limits."""

    what: ClassVar[str]
    counts: ClassVar[tuple[tuple[str, Salt], ...]]
    min_ppm: NotNegative | None = None
    """Smallest figure, mg/kg."""
    max_ppm: NotNegative | None = None
    """Largest figure, mg/kg."""
    basis: Basis = Basis.MEAT
    """What it is divided by: meat (green weight), batch or finished."""
    form: Form = Form.AS_WEIGHED
    """Chemical form in which it is expressed."""
    salts: Metal = Metal.ANY
    """Whose salts are counted: any, only sodium's, or only potassium's."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure, mg/kg."""
        return self.min_ppm, self.max_ppm

    def counted(self) -> Quantity:
        """What is counted, mg."""
        return salts(self.counts, self.form, self.salts)

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        what = self.what if self.salts is Metal.ANY else f"{self.what} from {self.salts} salts"
        form = f" {self.form.words}" if self.form.words else ""
        kind, basis = (Ingoing, Basis.GREEN) if self.basis is Basis.MEAT else (Ratio, self.basis)
        return kind(
            what=what + form, basis=basis.words, unit="ppm", origin=origin,
            lo=self.min_ppm, hi=self.max_ppm, over=self.counted(), under=Weight(basis),
            regulates=Regulates.ingoing(salt for _, salt in self.counts if self.salts.counts(salt)),
        )  # fmt: skip
