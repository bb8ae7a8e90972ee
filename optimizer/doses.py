"""Additions of a weighed batch against their doses for the lots in it, its total of salt against the one wanted, and
what would bring it back within a limit: so much more of one lot, where one lot can do it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from constraints.asked import allowed
from constraints.formula import Batch, Dosing, Formula, NoDose
from constraints.numbers import G_PER_KG, PERCENT
from constraints.quantities import SALT, Amount, Basis, Ingredient, Kind, Lot, MissingProperty, Weight
from constraints.requirement import Origin, Ratio, Requirement
from optimizer.reading.recipe import Recipe
from optimizer.weighing.rounding import division_of

_ZERO = Fraction(0)
_FINE = 100
"""The limits of a total of salt are widened to whole hundredths of a percent."""
NEAR_DOSE = Fraction(1, 50)
"""Part of its dose by which an addition may be off, beside a scale division a load; common practice, no source."""
OFF_DOSE = Fraction(1, 10)
"""Part of its dose by which an addition may be off before it breaks the recipe; common practice, no source."""


@dataclass(frozen=True)
class Dose:
    """An addition as weighed and as the recipe doses it for the lots weighed; kilograms.

    ``division_kg`` is the division of its scale, and ``room_kg`` that of all mixer loads, each rounded by itself.
    ``meat_kg`` is the meat block for which the weight would be the dose, None where it has no dose. ``guarded`` is
    True where a rule limits what a cure brings.
    """

    item: Ingredient
    weighed_kg: Fraction
    wanted_kg: Fraction
    division_kg: Fraction
    room_kg: Fraction
    meat_kg: Fraction | None = None
    guarded: bool = True

    @property
    def off(self) -> bool:
        """True where it is further from its dose than weighing explains."""
        return self._beyond(NEAR_DOSE)

    @property
    def breaks(self) -> bool:
        """True where it is so far off that the batch is not the recipe's; salt and cure have less room than spices."""
        strict = self.item.kind in (Kind.SALT, Kind.CURE)
        return self._beyond(NEAR_DOSE if strict else OFF_DOSE)

    @property
    def forbids(self) -> bool:
        """True for a cure that is short by a tenth, or over by a tenth where no rule limits it.

        With too little of it the batch would count as cured and not be.
        """
        if self.item.kind is not Kind.CURE:
            return False
        return self.weighed_kg < self.wanted_kg * (1 - OFF_DOSE) or (
            not self.guarded and self.weighed_kg > self.wanted_kg * (1 + OFF_DOSE)
        )

    def _beyond(self, share: Fraction) -> bool:
        return abs(self.weighed_kg - self.wanted_kg) > self.room_kg + share * self.wanted_kg


def doses(recipe: Recipe, batch: Batch, *, guarded: bool, loads: int = 1) -> tuple[Dose, ...]:
    """Every addition with a dose, in the order of the recipe; those left to the solver count as weighed.

    Empty where the doses need a figure that is not stated. ``guarded`` is whether a rule limits ingoing nitrite,
    ``loads`` how many mixer loads it was weighed in at least.
    """
    lots = [item for item in batch.kilograms if isinstance(item, Lot)]
    try:
        formula = Formula(lots, recipe.additions, recipe.process)
        wanted = formula.exact_batch(tuple(batch.kilograms.get(c, _ZERO) for c in formula.columns)).kilograms
    except (NoDose, MissingProperty):
        return ()
    meat = batch.amount(Weight(Basis.MEAT))
    found = []
    for addition in formula.dosed:
        item, dose = addition.item, max(wanted.get(addition.item, _ZERO), _ZERO)
        weighed = batch.kilograms.get(item, _ZERO)
        division, room = divisions(recipe, batch, item, dose, loads)
        found.append(Dose(item, weighed, dose, division, room, meat * weighed / dose if dose else None, guarded))
    return tuple(found)


def divisions(
    recipe: Recipe, batch: Batch, item: Ingredient, kilograms: Fraction, loads: int = 1
) -> tuple[Fraction, Fraction]:
    """The division of the scale that weighs so much of an item, and that of all mixer loads of a batch, kilograms.

    ``loads`` is how many they are at least.
    """
    scales, mixer = recipe.entry.scales, recipe.entry.mixer_kg
    division = division_of(recipe, scales.meat_g / G_PER_KG, scales.spice_g / G_PER_KG, item, kilograms)
    needed = 1 if mixer is None else ceil(batch.amount(Weight(Basis.BATCH)) / mixer)
    return division, division * max(loads, needed)


def salt_targets(recipe: Recipe, batch: Batch, loads: int = 1) -> Iterator[Requirement]:
    """The total of salt that the recipe wants, as a requirement: within a scale division a load and 2 %."""
    for i, addition in enumerate(recipe.additions):
        if addition.dosing is not Dosing.TOTAL_SALT:
            continue
        line, _ = recipe.document.mark(("additions", i))
        target = PERCENT * addition.rate
        weight = batch.amount(Weight(addition.basis))
        weighed = batch.kilograms.get(addition.item, _ZERO)
        room = NEAR_DOSE * target + PERCENT * divisions(recipe, batch, addition.item, weighed, loads)[1] / weight
        source = f"your recipe, line {line}; within a scale division a load and 2 %, common practice, no source"
        least, most = _FINE * max(target - room, _ZERO), _FINE * (target + room)
        yield Ratio(
            what="total salt", basis=addition.basis.words, unit="%", origin=Origin("recipe", source),
            lo=Fraction(floor(least), _FINE), hi=Fraction(ceil(most), _FINE),
            over=Amount(SALT, Basis.BATCH), under=Weight(addition.basis),
        )  # fmt: skip


@dataclass(frozen=True)
class Mend:
    """Usable kilograms of a lot that, put in with the additions it carries, make the figure ``value``."""

    lot: Lot
    kilograms: Fraction
    value: Fraction


class Mender:
    """A weighed batch, the lots that could still go in, and the division of the meat scale in kilograms."""

    def __init__(self, recipe: Recipe, batch: Batch, lots: Iterable[Lot], division: Fraction) -> None:
        self.batch = batch
        self.division = division
        weighed = [item for item in batch.kilograms if isinstance(item, Lot)]
        self.lots = [lot for lot in lots if not lot.rework]
        try:
            formula = Formula([*weighed, *self.lots], recipe.additions, recipe.process)
            self.carried = {lot: formula.carried(lot) for lot in self.lots}
        except (NoDose, MissingProperty):
            self.lots, self.carried = [], {}

    def mend(self, broken: Requirement, kept: Sequence[Requirement]) -> Mend | None:
        """The smallest single pull that brings a requirement within its limits and breaks none of ``kept``."""
        found = [mend for lot in self.lots if (mend := self._by(lot, broken, kept)) is not None]
        return min(found, key=lambda m: (m.kilograms, m.lot.book_per_kg, m.lot.name), default=None)

    def _by(self, lot: Lot, broken: Requirement, kept: Sequence[Requirement]) -> Mend | None:
        have = self.batch.kilograms.get(lot, _ZERO)
        most = int((lot.usable_kg - have) / self.division)
        try:
            count = _first(lambda n: broken.measure(self._with(lot, n)).ok is True, most)
            if count is None or not allowed(lot, have + count * self.division):
                return None
            after = self._with(lot, count)
            value = broken.measure(after).value
            if value is None or any(requirement.measure(after).ok is False for requirement in kept):
                return None
        except MissingProperty:
            return None
        return Mend(lot, count * self.division, value)

    def _with(self, lot: Lot, count: int) -> Batch:
        """The batch with so many divisions more of a lot, and the exact doses of what goes with them."""
        added = count * self.division
        items: dict[Ingredient, Fraction] = dict(self.batch.kilograms)
        items[lot] = items.get(lot, _ZERO) + added
        for item, share in self.carried[lot]:
            items[item] = items.get(item, _ZERO) + max(share, _ZERO) * added
        return Batch(items, self.batch.process)


def _first(holds: Callable[[int], bool], most: int) -> int | None:
    """The smallest count from 1 to ``most`` that holds, where those that hold are one run of neighbours.

    Counts that grow by a tenth are tried, so that a run shorter than that may be missed.
    """
    below, count = 0, 1
    while count <= most and not holds(count):
        below, count = count, max(count + 1, count * 11 // 10)
    untried = range(below + 1, count)
    return None if count > most else below + 1 + bisect_left(untried, True, key=holds)
