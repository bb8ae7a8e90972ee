"""Figures that follow from a weighed batch: cost, composition, casing. Exact; the page and the JSON only print them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import floor

from constraints.formula import Batch
from constraints.ingredients import FAT, MOISTURE, PROTEIN, SALT, Kind, Lot
from constraints.numbers import G_PER_KG, PERCENT
from constraints.quantities import Amount, Basis, MissingProperty, Weight
from optimizer.problem import Problem, dying
from optimizer.reading.entry import CasingEntry
from optimizer.weighing.certificate import minimised_cost
from optimizer.weighing.weighout import Weighed

_ZERO = Fraction(0)
KNOWN = (FAT, MOISTURE, PROTEIN, SALT)
"""Components shown on every basis where all ingredients state them."""


@dataclass(frozen=True)
class Costs:
    """Money. ``value_used`` is what was minimised, with additions at their exact dose; ``cash`` is paid money."""

    value_used: Fraction
    cash: Fraction
    additions: Fraction
    per_kg_batch: Fraction
    per_kg_finished: Fraction | None


@dataclass(frozen=True)
class Dying:
    """A lot that will not keep until the next chance to use it: kilograms as held, and money lost with what is left.

    The loss is book price less salvage on the kilograms that stay in the cooler.
    """

    lot: Lot
    used_kg: Fraction
    left_kg: Fraction
    loss: Fraction


@dataclass(frozen=True)
class CasingNeed:
    """Casing to prepare in metres (spare included), and the links the filling gives."""

    name: str
    filled_m: Fraction
    prepare_m: Fraction
    links: int | None
    link_g_raw: Fraction | None
    link_g_finished: Fraction | None


def weight(batch: Batch, basis: Basis) -> Fraction:
    """Kilograms of the basis in a batch."""
    return batch.amount(Weight(basis))


def finished_kg(problem: Problem, batch: Batch) -> Fraction | None:
    """Kilograms of finished product, or None where the recipe declares no yield."""
    return weight(batch, Basis.FINISHED) if problem.recipe.process.declared else None


def costs(problem: Problem, weighed: Weighed) -> Costs:
    """What the batch costs."""
    items = weighed.total.kilograms
    lots = sum((kg * item.book_per_kg for item, kg in items.items() if isinstance(item, Lot)), _ZERO)
    additions = sum((kg * item.cost_per_kg for item, kg in items.items() if not isinstance(item, Lot)), _ZERO)
    finished = finished_kg(problem, weighed.total)
    cash = lots + additions
    return Costs(
        value_used=minimised_cost(problem, weighed),
        cash=cash,
        additions=additions,
        per_kg_batch=cash / weight(weighed.total, Basis.BATCH),
        per_kg_finished=cash / finished if finished else None,
    )


def dying_lots(problem: Problem, batch: Batch | None) -> list[Dying]:
    """Every dying lot with what the batch takes of it and what is lost with the rest."""
    found = []
    for lot in problem.formula.lots:
        if isinstance(lot, Lot) and dying(lot, problem.order):
            used = lot.held_kg(batch.kilograms.get(lot, _ZERO)) if batch else _ZERO
            left = lot.on_hand_kg - used
            found.append(Dying(lot, used, left, left * (lot.held_cost_per_kg - lot.salvage_per_kg)))
    return found


def composition(batch: Batch, basis: Basis, names: Iterable[str] = KNOWN) -> dict[str, Fraction]:
    """Mean by weight of each component that every ingredient of the basis states; none where it weighs nothing."""
    total = weight(batch, basis)
    found: dict[str, Fraction] = {}
    for name in names if total else ():
        try:
            found[name] = batch.amount(Amount(name, basis)) / total
        except MissingProperty:
            continue
    return found


def casing_need(problem: Problem, batch: Batch) -> CasingNeed | None:
    """Casing and links for a batch, or None where the recipe names no casing. Part of a link is not counted."""
    casing: CasingEntry | None = problem.recipe.entry.casing
    if casing is None:
        return None
    metres = weight(batch, Basis.BATCH) / casing.kg_per_m
    prepare = metres * (1 + casing.spare_pct / PERCENT)
    if casing.link_cm is None:
        return CasingNeed(casing.name, metres, prepare, None, None, None)
    link_m = casing.link_cm / 100
    raw = casing.kg_per_m * link_m * G_PER_KG
    process = problem.recipe.process
    finished = raw * process.yield_fraction if process.declared else None
    return CasingNeed(casing.name, metres, prepare, floor(metres / link_m), raw, finished)


def unpriced(problem: Problem) -> list[str]:
    """Names of additions but water that state no price and count as 0."""
    return [a.item.name for a in problem.recipe.additions if not a.item.cost_per_kg and a.item.kind is not Kind.WATER]


def dry_additions(problem: Problem) -> list[str]:
    """Names of dry additions that state no composition and count as zero fat, moisture and protein."""
    return [
        a.item.name
        for a in problem.recipe.additions
        if a.item.kind in (Kind.DRY, Kind.SALT, Kind.CURE)
        and not any(name in a.item.properties for name in (FAT, MOISTURE, PROTEIN))
    ]
