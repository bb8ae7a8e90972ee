"""Figures that follow from a weighed batch: cost, composition, casing. Exact; the page and the JSON only print them."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date as Day
from fractions import Fraction
from functools import partial
from math import floor
from typing import Any, NamedTuple

from constraints.as_typed import G_PER_KG, PERCENT, ZERO
from constraints.formula import Batch

from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT, Amount, Basis, Ingredient, Lot  # isort: skip
from constraints.quantities import MissingProperty, Weight, estimated, every  # isort: skip
from optimizer.problem import Problem, dying
from optimizer.record import Figure, Record, at

KNOWN = (FAT, MOISTURE, PROTEIN, SALT)
"""Components shown on every basis where all ingredients state them."""
Shares = dict[Basis, dict[str, Figure] | None]
"""Composition by weight on each basis, in per cent; null for the finished product where no yield is declared."""


class Cost(Record):
    """Money of the batch; ``optimum`` is the least cost before the scales, ``value_used`` what was minimised."""

    optimum: Figure = at("optimum.cost")
    value_used: Figure = at("certificate.cost")
    cash: Figure = at(lambda answer: paid(answer.batch))
    additions: Figure = at(lambda answer: paid(answer.batch, lots=False))
    per_kg_batch: Figure = at(lambda answer: paid(answer.batch) / weight(answer.weighed.total, Basis.BATCH))
    per_kg_finished: Figure | None = at(lambda a: paid(a.batch) / kg if (kg := finished_kg(a.weighed.total)) else None)
    currency: str = at("problem.recipe.entry.currency")


class Dying(Record):
    """A lot that will not keep until the next chance; kilograms as held, money lost with what is left of it."""

    lot: str
    use_by: Day | None
    used_kg: Figure
    left_kg: Figure
    loss: Figure


class Casing(Record):
    """Casing to prepare, the links that the filling gives, and money; ``cost`` is that of the casing alone.

    What a link and a kilogram cost holds meat, additions and, where it has a price, casing.
    """

    name: str
    kg_per_m: Figure
    density_kg_per_l: Figure | None
    """What the filling of a metre was reckoned with; null where it was measured."""
    filled_m: Figure
    prepare_m: Figure
    hanks: Figure | None
    cost: Figure | None
    links: int | None
    link_cm: Figure | None
    link_g_raw: Figure | None
    link_g_finished: Figure | None
    cost_per_link: Figure | None
    cost_per_kg_raw: Figure
    cost_per_kg_finished: Figure | None


def weight(batch: Batch, basis: Basis) -> Fraction:
    """Kilograms of the basis in a batch."""
    return batch.amount(Weight(basis))


def finished_kg(batch: Batch) -> Fraction | None:
    """Kilograms of finished product, or None where the recipe declares no yield."""
    return weight(batch, Basis.FINISHED) if batch.process.declared else None


def paid(items: Mapping[Ingredient, Fraction], *, lots: bool = True) -> Fraction:
    """What kilograms of lots (if asked for) and additions are paid, money."""
    prices = {item: item.book_per_kg if isinstance(item, Lot) else item.cost_per_kg for item in items}
    return sum((kg * prices[item] for item, kg in items.items() if lots or not isinstance(item, Lot)), ZERO)


class Taken(NamedTuple):
    """So many kilograms of an item in a batch with so much meat block; of a lot those that reach the grinder."""

    item: Any
    kg: Fraction
    meat_kg: Fraction = ZERO

    @property
    def held_kg(self) -> Fraction:
        """What is taken from the cooler for it."""
        return Fraction(self.item.held_kg(self.kg))

    @property
    def left_kg(self) -> Fraction:
        """What is left there, as held."""
        return Fraction(self.item.on_hand_kg - self.held_kg)

    @property
    def cost(self) -> Fraction:
        """Money at the book price."""
        return Fraction(self.kg * self.item.book_per_kg)

    @property
    def per_kg_meat(self) -> Fraction:
        """Kilograms for one of the meat block."""
        return self.kg / self.meat_kg


def _taken(batch: Batch, *, lots: bool) -> list[Taken]:
    """The lots of a batch, or what is added."""
    meat = weight(batch, Basis.MEAT)
    return [Taken(item, kg, meat) for item, kg in batch.kilograms.items() if isinstance(item, Lot) is lots]


lots_in, items_in = partial(_taken, lots=True), partial(_taken, lots=False)


def dying_lots(problem: Problem, items: Mapping[Ingredient, Fraction]) -> Iterator[Dying]:
    """Every dying lot with what is taken of it, of the kilograms in a batch, and what is lost with the rest.

    The loss is book price less salvage on the kilograms that stay in the cooler.
    """
    for lot in problem.formula.lots:
        if isinstance(lot, Lot) and dying(lot, problem.order):
            taken = Taken(lot, items.get(lot, ZERO))
            left, loss = taken.left_kg, taken.left_kg * (lot.held_cost_per_kg - lot.salvage_per_kg)
            yield Dying(lot=lot.name, use_by=lot.use_by, used_kg=taken.held_kg, left_kg=left, loss=loss)


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


def shares(batch: Batch) -> dict[Basis, dict[str, Fraction] | None]:
    """Composition on each basis; None of the finished product where no yield is declared."""
    declared = batch.process.declared
    return {basis: composition(batch, basis) if declared or basis is not Basis.FINISHED else None for basis in Basis}


def told(batch: Batch) -> dict[Basis, dict[str, Fraction]]:
    """Composition on the bases that pages speak of: the finished product only where a yield is declared."""
    bases = (Basis.MEAT, Basis.BATCH, Basis.FINISHED)[: 3 if batch.process.declared else 2]
    return {basis: composition(batch, basis) for basis in bases}


def estimated_in(batch: Batch) -> tuple[str, ...]:
    """Components of a batch that are estimated of at least one lot in it, those of a ground mass included."""
    asked, items = batch.process.estimates, every(batch.kilograms)
    return tuple(name for name in KNOWN if any(estimated(item, name, asked) is not None for item in items))


def casing_need(problem: Problem, batch: Batch) -> Casing | None:
    """Casing, spare included, and links for a batch; None where none is named. Part of a link is not counted."""
    casing = problem.recipe.entry.casing
    if casing is None:
        return None
    raw, finished, link = weight(batch, Basis.BATCH), finished_kg(batch), casing.link_kg
    filled = raw / casing.fills
    prepare = filled * (1 + casing.spare_pct / PERCENT)
    cost = None if casing.per_m is None else prepare * casing.per_m
    in_all = paid(batch.kilograms) + (cost or ZERO)
    links = None if link is None else floor(raw / link)
    return Casing(
        name=casing.name, kg_per_m=casing.fills, density_kg_per_l=casing.density_kg_per_l, filled_m=filled,
        prepare_m=prepare, hanks=prepare / casing.hank_m if casing.hank_m else None, cost=cost, links=links,
        link_cm=link and link / casing.fills * 100, link_g_raw=link and link * G_PER_KG,
        link_g_finished=link * G_PER_KG * finished / raw if link and finished else None,
        cost_per_link=in_all / links if links else None, cost_per_kg_raw=in_all / raw,
        cost_per_kg_finished=in_all / finished if finished else None,
    )  # fmt: skip
