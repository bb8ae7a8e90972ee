"""What a blend would have judged beside the limits of recipe and law: packs, pulls, lots to use up, and the mixer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from fractions import Fraction

from constraints.formula import Batch
from constraints.numbers import G_PER_KG, KG_PER_LB, trimmed
from constraints.quantities import Basis, Weight
from optimizer.problem import why_left_out
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe

_ZERO = Fraction(0)


def against(
    recipe: Recipe, table: LotTable, day: date, whole: Batch, loads: Mapping[int, Batch], *, in_pounds: bool
) -> Iterator[str]:
    """What the lots' own limits and the mixer do not allow, with half a division of the meat scale to spare.

    Loads that were weighed apart are held to the mixer; a whole batch that needs several is named as not judged.
    """

    def say(kilograms: Fraction) -> str:
        return f"{trimmed(kilograms / KG_PER_LB, 2)} lb" if in_pounds else f"{trimmed(kilograms, 3)} kg"

    room = recipe.entry.scales.meat_g / G_PER_KG / 2
    for lot in table.lots:
        taken = lot.held_kg(whole.kilograms.get(lot, _ZERO))
        weighed = f"{lot.name}: {say(taken)} as held"
        if lot.use_up and not why_left_out(recipe, lot, day) and abs(lot.on_hand_kg - taken) > room:
            yield f"{weighed}, and all {say(lot.on_hand_kg)} of it are to be used up"
        if not taken or lot.use_up:
            continue
        if lot.largest_pull_kg is not None and taken > lot.largest_pull_kg + room:
            yield f"{weighed}, and {say(lot.largest_pull_kg)} is the most to pull"
        if lot.smallest_pull_kg is not None and taken < lot.smallest_pull_kg - room:
            yield f"{weighed}, and {say(lot.smallest_pull_kg)} is the least to pull"
        if lot.pack_kg is not None and abs(taken - round(taken / lot.pack_kg) * lot.pack_kg) > room:
            yield f"{weighed}, and it goes in by whole packs of {say(lot.pack_kg)}"
    for number, load in loads.items():
        weight, mixer = load.amount(Weight(Basis.BATCH)), recipe.entry.mixer_kg
        if mixer is not None and weight > mixer + room:
            yield f"load {number}: {say(weight)}, and the mixer takes {say(mixer)}"


def not_judged(recipe: Recipe, whole: Batch, loads: Mapping[int, Batch]) -> Iterator[str]:
    """What a blend judges and what was weighed does not show."""
    yield "the size ordered and whether it is the cheapest batch"
    weight, mixer = whole.amount(Weight(Basis.BATCH)), recipe.entry.mixer_kg
    if mixer is not None and weight > mixer and not loads:
        yield "the loads, for the mixer does not take all of it at once: weigh them apart"
