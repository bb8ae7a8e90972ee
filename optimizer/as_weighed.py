"""What was weighed as batches: its names found among lots and additions, its loads beside the whole, its additions
against their doses for the lots in it, its total of salt against the one wanted, and what would bring it back within a
limit: so much more of one lot, where one lot can do it.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Annotated

from constraints.as_typed import G_PER_KG, PERCENT, ZERO, BadInput, Fault, meant, trimmed
from constraints.asked import allowed
from constraints.formula import Batch, Dosing, Formula, NoDose
from constraints.quantities import SALT, Amount, Basis, Ingredient, Kind, Lot, MissingProperty, Weight
from constraints.requirement import Origin, Ratio, Requirement
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.reading.weighed import WeighedItem
from optimizer.record import NAMED, Exact, key
from optimizer.weighing.rounding import division_of

_SAME_HELD_KG = Fraction(1, 1000)
"""The same for a weight before bone and rind, which a reader may round to the gram."""
_SAME_KG = Fraction(1, 1_000_000)
"""Kilograms by which loads and whole may differ: decimals of thirds in a document, far below any scale."""
_FINE = 100
"""The limits of a total of salt are widened to whole hundredths of a percent."""
NEAR_DOSE = Fraction(1, 50)
"""Part of its dose by which an addition may be off, beside a scale division a load; common practice, no source."""
OFF_DOSE = Fraction(1, 10)
"""Part of its dose by which an addition may be off before it breaks the recipe; common practice, no source."""


def not_adding_up(whole: Batch, loads: Batch) -> tuple[str, ...]:
    """Items whose loads do not add up to the whole, in words."""
    said = []
    for item in dict.fromkeys((*whole.kilograms, *loads.kilograms)):
        stated, added = whole.kilograms.get(item, ZERO), loads.kilograms.get(item, ZERO)
        if abs(stated - added) > _SAME_KG:
            said.append(f"{item.name}: {trimmed(added, 6)} kg in the loads, {trimmed(stated, 6)} kg in the whole batch")
    return tuple(said)


def batch_of(recipe: Recipe, table: LotTable, weighed: Sequence[WeighedItem], file: str, faults: list[Fault]) -> Batch:
    """What was weighed as a batch; names that are neither lot nor addition are added to ``faults``."""
    lots: dict[str, Ingredient] = {lot.name: lot for lot in table.lots}
    additions = {addition.item.name: addition.item for addition in recipe.additions}
    found: dict[Ingredient, Fraction] = {}
    for entry in weighed:
        if entry.name in lots and entry.name in additions:
            both = f"{entry.name!r} is a lot and an addition"
            faults.append(Fault(file, entry.line or None, "item", both, "rename one"))
        item = lots.get(entry.name) or additions.get(entry.name)
        if item is None:
            hint = meant(entry.name, [*lots, *additions], "a lot of the table or an addition of the recipe")
            faults.append(Fault(file, entry.line or None, "item", f"no lot or addition is named {entry.name!r}", hint))
        elif entry.kilograms:
            found[item] = entry.kilograms
    if not faults and not any(isinstance(item, Lot) for item in found):
        faults.append(Fault(file, None, None, "no lot was weighed", "at least one line names a lot"))
    return Batch(found, recipe.process, recipe.found)


def whole_of(recipe: Recipe, table: LotTable, weighed: Sequence[WeighedItem], file: str) -> Batch:
    """What was weighed of a whole batch. Raises BadInput for names that are neither lot nor addition."""
    faults: list[Fault] = []
    found = batch_of(recipe, table, [item for item in weighed if not item.load], file, faults)
    BadInput.raise_for(faults)
    return found


def two_weights(table: LotTable, weighed: Sequence[WeighedItem]) -> Iterator[str]:
    """Lots whose weights as held and after bone and rind are both stated and do not belong together, in words."""
    lots = {lot.name: lot for lot in table.lots}
    for entry in weighed:
        lot = lots.get(entry.name)
        if lot is None or entry.held_kg is None:
            continue
        held = lot.held_kg(entry.kilograms)
        if abs(entry.held_kg - held) > _SAME_HELD_KG:
            where = f"load {entry.load}: " if entry.load else ""
            yield (
                f"{where}{lot.name}: {trimmed(entry.kilograms, 3)} kg was checked, which is {trimmed(held, 3)} kg "
                f"held; {trimmed(entry.held_kg, 3)} kg held stands beside it and counts for nothing"
            )


# Doses.


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
    def off_pct(self) -> Fraction | None:
        """By how much of its dose it is off; None where it has none."""
        return PERCENT * (self.weighed_kg / self.wanted_kg - 1) if self.wanted_kg else None

    @property
    def off(self) -> bool:
        """True where it is further from its dose than weighing explains."""
        return self._beyond(NEAR_DOSE)

    @property
    def breaks(self) -> bool:
        """True where it is so far off that the batch is not the recipe's; salt and cure have less room than spices."""
        return self._beyond(NEAR_DOSE if self.item.kind in (Kind.SALT, Kind.CURE) else OFF_DOSE)

    @property
    def forbids(self) -> bool:
        """True for a cure that is short by a tenth, or over by a tenth where no rule limits it.

        With too little of it the batch would count as cured and not be.
        """
        off, room = self.weighed_kg - self.wanted_kg, OFF_DOSE * self.wanted_kg
        return self.item.kind is Kind.CURE and (off < -room or (not self.guarded and off > room))

    def _beyond(self, share: Fraction) -> bool:
        return abs(self.weighed_kg - self.wanted_kg) > self.room_kg + share * self.wanted_kg


def doses(recipe: Recipe, batch: Batch, *, guarded: bool, loads: int = 1) -> tuple[Dose, ...]:
    """Every addition with a dose, in the order of the recipe; those left to the solver count as weighed.

    Empty where the doses need a figure that is not stated. ``guarded`` is whether a rule limits ingoing nitrite,
    ``loads`` how many mixer loads it was weighed in at least.
    """
    try:
        formula = Formula([item for item in batch.kilograms if isinstance(item, Lot)], recipe.additions, recipe.process)
        wanted = formula.exact_batch(tuple(batch.kilograms.get(c, ZERO) for c in formula.columns)).kilograms
    except (NoDose, MissingProperty):
        return ()
    meat = batch.amount(Weight(Basis.MEAT))
    found = []
    for addition in formula.dosed:
        item, weighed = addition.item, batch.kilograms.get(addition.item, ZERO)
        dose = max(wanted.get(item, ZERO), ZERO)
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
        weighed = batch.kilograms.get(addition.item, ZERO)
        room = NEAR_DOSE * target + PERCENT * divisions(recipe, batch, addition.item, weighed, loads)[1] / weight
        source = f"your recipe, line {line}; within a scale division a load and 2 %, common practice, no source"
        least, most = _FINE * max(target - room, ZERO), _FINE * (target + room)
        yield Ratio(
            what="total salt", basis=addition.basis.words, unit="%", origin=Origin("recipe", source),
            lo=Fraction(floor(least), _FINE), hi=Fraction(ceil(most), _FINE),
            over=Amount(SALT, Basis.BATCH), under=Weight(addition.basis),
        )  # fmt: skip


@dataclass(frozen=True)
class Mend:
    """Usable kilograms of a lot that, put in with the additions it carries, make the figure ``value``."""

    lot: Annotated[Lot, *NAMED]
    kilograms: Annotated[Exact, key("kg")]
    value: Exact


class Mender:
    """A weighed batch, the lots that could still go in, and the division of the meat scale in kilograms."""

    def __init__(self, recipe: Recipe, batch: Batch, lots: Iterable[Lot], division: Fraction) -> None:
        self.batch, self.division = batch, division
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
        have = self.batch.kilograms.get(lot, ZERO)
        most = int((lot.usable_kg - have) / self.division)
        with suppress(MissingProperty):
            count = _first(lambda n: broken.measure(self._with(lot, n)).ok is True, most)
            if count is None or not allowed(lot, have + count * self.division):
                return None
            after = self._with(lot, count)
            value = broken.measure(after).value
            if value is not None and all(requirement.measure(after).ok is not False for requirement in kept):
                return Mend(lot, count * self.division, value)
        return None

    def _with(self, lot: Lot, count: int) -> Batch:
        """The batch with so many divisions more of a lot, and the exact doses of what goes with them."""
        added = count * self.division
        items: dict[Ingredient, Fraction] = dict(self.batch.kilograms)
        items[lot] = items.get(lot, ZERO) + added
        for item, share in self.carried[lot]:
            items[item] = items.get(item, ZERO) + max(share, ZERO) * added
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
