"""A mass that is ground already: as one lot, made of the lots and additions in it, moved to what was measured of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import sqrt

from constraints.confidence import FatMethod, UnknownMethod, finding, method_named
from constraints.faults import BadInput, Fault
from constraints.formula import Batch
from constraints.numbers import PERCENT, trimmed
from constraints.quantities import FAT, MOISTURE, SALT, Amount, Basis, Ingredient, Kind, Lot, MissingProperty, stated
from optimizer.reading.lot_checks import SD_MOST, SUM_MOST
from optimizer.reading.recipe import Recipe
from optimizer.summary import composition, paid
from optimizer.taught import LEAN

_ZERO = Fraction(0)
FAR = Fraction(5)
"""Points by which a test may lie beyond the fattest or the leanest lot in a batch; common practice, no source (by eye
alone fat is known to 3 to 5 points)."""
LEAST_LEFT, MOST_LEFT = Fraction(1, 2), Fraction(21, 20)
"""Shares of what went in that a ground mass may weigh; common practice, no source."""
APART = Fraction("2.8")
"""Standard deviations between two readings of one sample that nineteen pairs of twenty keep to: the repeatability limit
of ISO 5725-6:1994, 4.1.4 (from memory)."""


@dataclass(frozen=True)
class MassMeasured:
    """What was measured of the mass as it is, percent by weight, and the standard deviation of fat in points."""

    fat: Fraction | None = None
    moisture: Fraction | None = None
    salt: Fraction | None = None
    sd: Fraction | None = None
    method: str = ""


def measured(
    readings: Sequence[Fraction], moisture: Fraction | None, salt: Fraction | None, sd: Fraction | None, method: str,
    own: Iterable[FatMethod] = (),
) -> MassMeasured:  # fmt: skip
    """What was measured, of several readings of fat their mean and its error. Raises BadInput where they disagree.

    ``own`` are methods beside the published ones.
    """
    if not readings:
        return MassMeasured(moisture=moisture, salt=salt)
    mean = sum(readings, _ZERO) / len(readings)
    try:
        error = sd if sd is not None or not method else method_named(method, own).sd(mean)
    except UnknownMethod as unknown:
        raise _bad("--method", str(unknown), unknown.hint) from None
    if error is not None and error > SD_MOST:
        said = f"a standard deviation of {trimmed(error, 3)} points"
        raise _bad("--fat-sd-pct", said, f"at most {trimmed(SD_MOST)}")
    apart, most = max(readings) - min(readings), FAR if error is None else APART * error
    if apart > most:
        said = f"the readings {', '.join(trimmed(r, 3) for r in readings)} % are {trimmed(apart, 3)} points apart"
        raise _bad("--measured-fat", said, f"at most {trimmed(most, 2)} for this method: test again")
    spread = None if error is None else Fraction(sqrt(error**2 / len(readings))).limit_denominator(10**6)
    return MassMeasured(mean, moisture, salt, spread, method)


def _bad(option: str, found: str, allowed: str) -> BadInput:
    return BadInput([Fault(option, None, None, found, allowed)])


def own_methods(recipe: Recipe) -> tuple[FatMethod, ...]:
    """The methods of finding fat that the recipe states itself."""
    asked = recipe.entry.confidence
    return asked.methods if asked else ()


def errors_of(recipe: Recipe, items: Iterable[Ingredient]) -> dict[Lot, Fraction | None]:
    """Standard deviation of each lot's fat, points, by its own method or the recipe's; None where it is not known."""
    asked, own = recipe.entry.confidence, own_methods(recipe)
    usual = (asked.usual_method or "") if asked else ""
    found = {lot: finding(lot, usual, own) for lot in items if isinstance(lot, Lot)}
    return {lot: None if error is None else error.sd for lot, error in found.items()}


@dataclass(frozen=True)
class GroundMass:
    """A ground mass: as one lot, what is in it by its lots' own figures, what was measured, and what once went in."""

    lot: Lot
    typed: Batch
    found: MassMeasured
    weighed: Batch

    @property
    def kilograms(self) -> Fraction:
        """Kilograms of the mass."""
        return self.lot.on_hand_kg

    @property
    def alone(self) -> Batch:
        """The mass as a batch."""
        return Batch({self.lot: self.kilograms}, self.typed.process)


def ground_of(
    recipe: Recipe, batch: Batch, kilograms: Fraction | None, found: MassMeasured, file: str, name: str = "as ground"
) -> GroundMass:
    """The mass that a batch was ground to. Raises BadInput where no such mass can have what was measured.

    ``kilograms`` is what it weighs (None: what went in); what was lost was lost of all alike.
    """
    items = dict(batch.kilograms)
    went_in = sum(items.values(), _ZERO)
    mass = went_in if kilograms is None else kilograms
    if not LEAST_LEFT <= mass / went_in <= MOST_LEFT:
        said = f"{trimmed(mass, 3)} kg cannot be left of {trimmed(went_in, 3)} kg"
        raise _bad("--ground-kg", said, f"what is in it, as {file} has to say")
    items = _scaled(items, mass)
    try:
        if found.salt is not None:
            items = _with_salt(recipe, items, found.salt, file)
        lots = {item: kg for item, kg in items.items() if isinstance(item, Lot)}
        moved = _as_measured(lots, items, found, file)
    except MissingProperty as missing:
        allowed = "state it, or leave out what was measured"
        raise BadInput([Fault(file, None, missing.property_name, str(missing), allowed)]) from None
    ground = Batch({moved.get(item, item): kg for item, kg in items.items() if kg}, recipe.process)
    names = dict.fromkeys(name for lot in moved.values() for name in lot.properties)
    fat = {FAT: sum((kg * moved[lot].properties[FAT] for lot, kg in lots.items()), _ZERO) / mass}
    roles = {lot.role: sum(kg for other, kg in lots.items() if other.role == lot.role) for lot in lots if lot.role}
    dates = [lot.use_by for lot in lots if lot.use_by is not None]
    lot = Lot(
        name=name, kind=Kind.LOT, properties=fat | composition(ground, Basis.BATCH, names),
        parts=tuple((item, kg / mass) for item, kg in ground.kilograms.items()),
        role=max(roles, key=lambda role: roles[role], default=""),  # the side with more weight; no source
        species=" and ".join(dict.fromkeys(lot.species for lot in lots if lot.species)),
        on_hand_kg=mass, held_cost_per_kg=paid(items) / mass, use_by=min(dates, default=None), use_up=True,
        cured=any(lot.cured for lot in lots), rework=any(lot.rework for lot in lots),
        fat_sd=_error(recipe, lots, found, mass), fat_method=found.method,
    )  # fmt: skip
    return GroundMass(lot, Batch(items, recipe.process), found, batch)


def _error(recipe: Recipe, lots: Mapping[Lot, Fraction], found: MassMeasured, mass: Fraction) -> Fraction | None:
    """Standard deviation of the meat's fat, points: of the test, or where there is none of the lots together.

    Raises BadInput where the recipe asks for confidence and the test states no error.
    """
    meat, asked = sum(lots.values(), _ZERO), recipe.entry.confidence
    if found.sd is not None:
        return found.sd * mass / meat
    if asked is not None and found.fat is not None:
        said = f"{asked.confidence().words} is asked for, and the error of the test is not stated"
        raise _bad("--measured-fat", said, "--method or --fat-sd-pct beside it")
    errors = errors_of(recipe, lots)
    if found.fat is not None or None in errors.values():
        return None
    return Fraction(sqrt(sum((lots[lot] * sd) ** 2 for lot, sd in errors.items() if sd is not None))) / meat


def _scaled(items: Mapping[Ingredient, Fraction], mass: Fraction) -> dict[Ingredient, Fraction]:
    factor = mass / sum(items.values(), _ZERO)
    return {item: kg * factor for item, kg in items.items()}


def _with_salt(
    recipe: Recipe, items: dict[Ingredient, Fraction], salt: Fraction, file: str
) -> dict[Ingredient, Fraction]:
    """The mass with so much salt in it that its total is as measured; the rest makes room for it."""
    added = next((a.item for a in recipe.additions if a.item.kind is Kind.SALT), None)
    if added is None:
        allowed = "a recipe with salt, or no --measured-salt"
        raise BadInput([Fault(recipe.file, None, "additions", "no salt is among the additions", allowed)])
    mass, others = sum(items.values(), _ZERO), {item: kg for item, kg in items.items() if item is not added}
    without = Batch(_scaled(others, mass), recipe.process)
    brought_pct, strength = without.amount(Amount(SALT, Basis.BATCH)) / mass, added.properties[SALT]
    share = (salt - brought_pct) / (strength - brought_pct)
    if not 0 <= share <= 1 - LEAST_LEFT * sum(others.values(), _ZERO) / mass:
        found = f"{trimmed(salt, 3)} % salt, and all but the salt weighed in brings {trimmed(brought_pct, 3)} %"
        raise _bad("--measured-salt", found, f"test again, or mend what is in {file}")
    return {**_scaled(others, mass * (1 - share)), added: mass * share}


def _as_measured(
    lots: Mapping[Lot, Fraction], items: Mapping[Ingredient, Fraction], found: MassMeasured, file: str
) -> dict[Ingredient, Lot]:
    """The lots in the mass, each moved so that together they are as measured; a figure not stated stays."""
    mass, meat = sum(items.values(), _ZERO), sum(lots.values(), _ZERO)
    moved = {lot: dict(lot.properties) for lot in lots}
    for option, name, figure in (("fat", FAT, found.fat), ("moisture", MOISTURE, found.moisture)):
        if figure is None or any(name not in lot.properties for lot in lots):
            continue
        rest = sum((kg * stated(item, name) for item, kg in items.items() if item not in lots), _ZERO)
        wanted = (figure * mass - rest) / meat
        low, high = min(lot.properties[name] for lot in lots), max(lot.properties[name] for lot in lots)
        if not max(low - FAR, _ZERO) <= wanted <= min(high + FAR, Fraction(PERCENT)):
            said = f"{trimmed(figure, 3)} % {option} of the mass is {trimmed(wanted, 2)} % of its meat"
            allowed = f"its lots have {trimmed(low, 2)} to {trimmed(high, 2)} %: test again, or mend what is in {file}"
            raise _bad(f"--measured-{option}", said, allowed)
        now = sum((lot.properties[name] * kg for lot, kg in lots.items()), _ZERO) / meat
        for figures in moved.values():
            _move(figures, name, wanted, now)
    parts = [sum((moved[lot].get(n, _ZERO) * kg for lot, kg in lots.items()), _ZERO) / meat for n in (FAT, *LEAN[:2])]
    if sum(parts) > SUM_MOST and (found.fat is not None or found.moisture is not None):
        said = f"fat, moisture and protein of the meat come to {trimmed(sum(parts, _ZERO), 1)} % by what was measured"
        raise _bad("--measured-fat", said, f"at most {trimmed(SUM_MOST)}: test again")
    return {lot: replace(lot, properties=figures, on_hand_kg=lot.held_kg(lots[lot])) for lot, figures in moved.items()}


def _move(figures: dict[str, Fraction], name: str, wanted: Fraction, now: Fraction) -> None:
    """One lot's figure on the way from a mean of ``now`` to ``wanted``, percent; what is not fat keeps its make-up."""
    old = figures[name]
    new = old * wanted / now if wanted < now else old + (PERCENT - old) * (wanted - now) / (PERCENT - now)
    figures[name] = new
    for other in LEAN if name == FAT and old < PERCENT else ():
        if other in figures:
            figures[other] *= (PERCENT - new) / (PERCENT - old)
