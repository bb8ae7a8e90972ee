"""What follows from a recipe itself, beside what it requires: doses that the scales keep, and losses there can be."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil

from constraints.faults import Fault
from constraints.formula import Addition, Dosing, Formula
from constraints.numbers import G_PER_KG, PERCENT, ZERO, trimmed
from constraints.quantities import FAT, MOISTURE, SALT, Amount, Basis, Ingredient, Kind, MissingProperty, Weight
from constraints.requirement import Origin, Ratio, Requirement
from optimizer.order import Order
from optimizer.reading.entry import ScaleName
from optimizer.reading.recipe import Recipe

LEAST_OF_CURE = Fraction(9, 10)
"""Least part of a cure's dose that rounding to the scale may leave; common practice, no source."""
ROUNDED_DOSE = 2
"""How many times more or less than its dose a scale may make of any other addition; common practice, no source."""


@dataclass(frozen=True)
class Portion:
    """Kilograms of one addition."""

    item: Ingredient

    def per_kg(self, item: Ingredient, process: object) -> Fraction:
        """1 for the addition itself, else 0."""
        return Fraction(item is self.item)


def below_a_division(recipe: Recipe, order: Order) -> frozenset[int]:
    """The additions, by their place, of whose dose a load holds less than a division of their scale."""
    loads = 1 if order.mixer_kg is None else ceil(order.kilograms / order.mixer_kg) + 1
    scales: dict[ScaleName | None, Fraction] = {ScaleName.MEAT: order.meat_division_kg}
    divisions = (scales.get(entry.scale, order.spice_division_kg) for entry in recipe.entry.additions)
    doses = (addition.rate * order.kilograms / loads for addition in recipe.additions)
    return frozenset(i for i, (dose, least) in enumerate(zip(doses, divisions, strict=True)) if 0 < dose < least)


def own_rows(recipe: Recipe, formula: Formula, order: Order, faults: list[Fault]) -> list[Requirement]:
    """What follows from the recipe itself: salt is not taken out, no more water is lost than there is."""
    own, small = list[Requirement](), below_a_division(recipe, order)
    for i, addition in enumerate(recipe.additions):
        if addition.dosing is Dosing.FREE:
            own.append(free_band(addition))
        elif addition.item.kind is Kind.CURE and addition.rate:
            own.append(_cure_kept(addition))
        elif i in small:
            own.append(_dose_kept(addition))
        if addition.dosing is not Dosing.TOTAL_SALT:
            continue
        shares = [dict(formula.carried(column))[addition.item] for column in formula.columns]
        if shares and all(share < 0 for share in shares):
            at = ("additions", i, "total_salt_pct")
            found = f"total salt of {trimmed(PERCENT * addition.rate)} % is exceeded before any {addition.item.name}"
            faults.append(recipe.document.fault(at, found, "lots, cure, liquids and inclusions bring more"))
        elif any(share < 0 for share in shares):
            own.append(_grams(addition, f"{addition.item.name} to add", Basis.MEAT, ZERO, source="total salt"))
    return own + _losses(recipe, formula, faults)


def _losses(recipe: Recipe, formula: Formula, faults: list[Fault]) -> list[Requirement]:
    """No more water, and no more fat, is lost than there is; nothing where a figure is not stated."""
    process, origin = recipe.process, Origin("recipe", "no more is lost than there is")
    losses = ((MOISTURE, process.water_loss, "finished_pct", "water"), (FAT, process.fat_loss, "fat_loss_pct", "fat"))
    kept: list[Requirement] = []
    for name, loss, key, what in losses if process.declared else ():
        left = Amount(name, Basis.FINISHED)
        try:
            amounts = formula.totals(left) if loss else ()
        except MissingProperty:
            continue
        if amounts and all(amount < 0 for amount in amounts):
            found = f"the yield loses more {what} than the batch holds"
            faults.append(recipe.document.fault(("yield", key), found, "a smaller loss"))
        if loss:
            word = name.removesuffix("_pct")
            kept.append(
                Ratio(
                    what=f"{word} left after the yield", basis=Basis.FINISHED.words, unit="%", origin=origin, lo=ZERO,
                    over=left, under=Weight(Basis.FINISHED),
                )
            )  # fmt: skip
    return kept


def _grams(
    addition: Addition, what: str, basis: Basis, lo: Fraction, hi: Fraction | None = None, source: str = "your recipe"
) -> Requirement:
    """Grams of an addition per kilogram of a basis; the limits are kilograms per kilogram."""
    return Ratio(
        what=what, basis=basis.words, unit="g/kg", origin=Origin("recipe", source), lo=lo * G_PER_KG,
        hi=None if hi is None else hi * G_PER_KG, over=Portion(addition.item), under=Weight(basis),
        scale=Fraction(G_PER_KG),
    )  # fmt: skip


def _weighed_in(addition: Addition, lo: Fraction, hi: Fraction | None, source: str) -> Requirement:
    basis, said = Basis.BATCH if addition.basis is Basis.BATCH else Basis.FRESH, f"your recipe; {source}"
    return _grams(addition, f"{addition.item.name} weighed in", basis, lo, hi, f"{said}, common practice, no source")


def _cure_kept(addition: Addition) -> Requirement:
    """A scale so coarse that it takes most of the cure away must not make an uncured batch of a cured one."""
    return _weighed_in(addition, addition.rate * LEAST_OF_CURE, None, "nine tenths of the dose at least")


def _dose_kept(addition: Addition) -> Requirement:
    """A scale whose division is more than a dose must leave neither nothing of it nor a multiple."""
    source = "from half of the dose to twice as much on your scale"
    lo, hi = addition.rate / ROUNDED_DOSE, addition.rate * ROUNDED_DOSE
    found = _weighed_in(addition, lo, hi, source)
    if addition.dosing is not Dosing.TOTAL_SALT:
        return found
    return Ratio(
        what="total salt as weighed", basis=addition.basis.words, unit="%", origin=found.origin,
        lo=PERCENT * lo, hi=PERCENT * hi, over=Amount(SALT, Basis.BATCH), under=Weight(addition.basis),
    )  # fmt: skip


def free_band(addition: Addition) -> Requirement:
    """The band of an addition left to the solver, g per kilogram of meat block."""
    return _grams(addition, addition.item.name, Basis.MEAT, addition.least, addition.most)
