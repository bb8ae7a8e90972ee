"""Figures that follow from a weighed batch: cost, composition, casing. Exact; the page and the JSON only print them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import floor

from constraints.formula import Batch
from constraints.numbers import G_PER_KG, PERCENT

from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT, Amount, Basis, Ingredient, Lot  # isort: skip
from constraints.quantities import MissingProperty, Weight, estimated, every  # isort: skip
from optimizer.problem import Problem, dying
from optimizer.reading.entry import CasingEntry
from optimizer.weighing.rounding import Weighed, minimised_cost

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
    """Casing to prepare in metres (spare included), the links that the filling gives, and money.

    ``density_kg_per_l`` is None where the filling of a metre was measured. ``cost`` is that of what is prepared, None
    without a price; what a link and a kilogram cost holds meat, additions and, where it has a price, casing.
    """

    name: str
    kg_per_m: Fraction
    density_kg_per_l: Fraction | None
    filled_m: Fraction
    prepare_m: Fraction
    hanks: Fraction | None
    cost: Fraction | None
    links: int | None
    link_cm: Fraction | None
    link_g_raw: Fraction | None
    link_g_finished: Fraction | None
    cost_per_link: Fraction | None
    cost_per_kg_raw: Fraction
    cost_per_kg_finished: Fraction | None


def weight(batch: Batch, basis: Basis) -> Fraction:
    """Kilograms of the basis in a batch."""
    return batch.amount(Weight(basis))


def finished_kg(problem: Problem, batch: Batch) -> Fraction | None:
    """Kilograms of finished product, or None where the recipe declares no yield."""
    return weight(batch, Basis.FINISHED) if problem.recipe.process.declared else None


def costs(problem: Problem, weighed: Weighed) -> Costs:
    """What the batch costs."""
    cash, finished = paid(weighed.total.kilograms), finished_kg(problem, weighed.total)
    return Costs(
        value_used=minimised_cost(problem, weighed),
        cash=cash,
        additions=paid(weighed.total.kilograms, lots=False),
        per_kg_batch=cash / weight(weighed.total, Basis.BATCH),
        per_kg_finished=cash / finished if finished else None,
    )


def paid(items: Mapping[Ingredient, Fraction], *, lots: bool = True) -> Fraction:
    """What kilograms of lots (if asked for) and additions are paid, money."""
    prices = {item: item.book_per_kg if isinstance(item, Lot) else item.cost_per_kg for item in items}
    return sum((kg * prices[item] for item, kg in items.items() if lots or not isinstance(item, Lot)), _ZERO)


def dying_lots(problem: Problem, items: Mapping[Ingredient, Fraction]) -> list[Dying]:
    """Every dying lot with what is taken of it, of the kilograms in a batch, and what is lost with the rest."""
    found = []
    for lot in problem.formula.lots:
        if isinstance(lot, Lot) and dying(lot, problem.order):
            used = lot.held_kg(items.get(lot, _ZERO))
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


def estimated_in(batch: Batch) -> tuple[str, ...]:
    """Components of a batch that are estimated of at least one lot in it, those of a ground mass included."""
    asked, items = batch.process.estimates, every(batch.kilograms)
    return tuple(name for name in KNOWN if any(estimated(item, name, asked) is not None for item in items))


def casing_need(problem: Problem, batch: Batch) -> CasingNeed | None:
    """Casing and links for a batch, or None where the recipe names no casing. Part of a link is not counted."""
    casing: CasingEntry | None = problem.recipe.entry.casing
    if casing is None:
        return None
    raw, finished, link = weight(batch, Basis.BATCH), finished_kg(problem, batch), casing.link_kg
    filled = raw / casing.fills
    prepare = filled * (1 + casing.spare_pct / PERCENT)
    cost = None if casing.per_m is None else prepare * casing.per_m
    in_all = paid(batch.kilograms) + (cost or _ZERO)
    links = None if link is None else floor(raw / link)
    return CasingNeed(
        casing.name, casing.fills, casing.density_kg_per_l, filled, prepare,
        hanks=prepare / casing.hank_m if casing.hank_m else None, cost=cost, links=links,
        link_cm=link and link / casing.fills * 100, link_g_raw=link and link * G_PER_KG,
        link_g_finished=link * G_PER_KG * finished / raw if link and finished else None,
        cost_per_link=in_all / links if links else None, cost_per_kg_raw=in_all / raw,
        cost_per_kg_finished=in_all / finished if finished else None,
    )  # fmt: skip
