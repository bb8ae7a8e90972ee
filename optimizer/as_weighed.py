"""What was weighed as batches: its names found among lots and additions, its loads beside the whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.faults import BadInput, Fault, meant
from constraints.formula import Batch
from constraints.numbers import trimmed
from constraints.quantities import Ingredient, Lot
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.reading.weighed import WeighedItem

_ZERO = Fraction(0)
_SAME_HELD_KG = Fraction(1, 1000)
"""The same for a weight before bone and rind, which a reader may round to the gram."""
_SAME_KG = Fraction(1, 1_000_000)
"""Kilograms by which loads and whole may differ: decimals of thirds in a document, far below any scale."""


def summed(loads: Sequence[Batch], recipe: Recipe) -> Batch:
    """All loads together."""
    total: dict[Ingredient, Fraction] = {}
    for load in loads:
        for item, kilograms in load.kilograms.items():
            total[item] = total.get(item, _ZERO) + kilograms
    return Batch(total, recipe.process, recipe.found)


def not_adding_up(whole: Batch, loads: Batch) -> tuple[str, ...]:
    """Items whose loads do not add up to the whole, in words."""
    said = []
    for item in dict.fromkeys((*whole.kilograms, *loads.kilograms)):
        stated, added = whole.kilograms.get(item, _ZERO), loads.kilograms.get(item, _ZERO)
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
            faults.append(
                Fault(file, entry.line or None, "item", f"{entry.name!r} is a lot and an addition", "rename one")
            )
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
    if faults:
        raise BadInput(faults)
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
