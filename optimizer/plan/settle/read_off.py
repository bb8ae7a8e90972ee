"""What a solved program says: kilograms of every supply in every batch, and what to order, as exact figures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from math import ceil
from typing import Any

import numpy as np

from constraints.numbers import G_PER_KG
from optimizer.plan.model.blocks import DIVISION_KG, Block, WeekProgram
from optimizer.plan.model.world import Supply, World
from optimizer.plan.settle.engine import Solved
from optimizer.reading.offers import Offer, Stretch

_ZERO = Fraction(0)
NOTHING_KG = 1e-6
"""Kilograms below which the solver's figure is nothing."""
SPECK = Fraction(1, 10**6)
"""Kilograms that no scale shows, and what the solver's figures may be off, of a pack or a step."""
_PARTS = 10**9


@dataclass(frozen=True, eq=False)
class Planned:
    """One batch, or a part of one, on one day: usable kilograms of each supply and of each free addition.

    ``taken`` are kilograms as held, ``placed`` usable ones with their places among the columns of the formula, and
    ``amount`` those of the batch's basis.
    """

    block: Block
    kilograms: dict[int, Fraction]
    taken: dict[int, Fraction]
    free: tuple[Fraction, ...]
    placed: tuple[tuple[int, Fraction], ...]
    amount: Fraction


@dataclass(frozen=True)
class Purchase:
    """What to order: kilograms as held; money without the delivery charge."""

    supply_index: int
    supply: Supply
    kg: Fraction

    @property
    def offer(self) -> Offer:
        """The offer."""
        assert self.supply.offer is not None
        return self.supply.offer

    @property
    def delivered(self) -> date:
        """The day on which it comes."""
        assert self.supply.came is not None
        return self.supply.came

    @property
    def step(self) -> Fraction:
        """What it is rounded up to: a pack, or a division."""
        return self.offer.terms.pack_kg or DIVISION_KG

    @cached_property
    def money(self) -> Fraction:
        """At the price that its quantity earns."""
        assert self.supply.period is not None
        return Stretch.paid(self.offer.ladder(self.supply.period), self.kg) if self.kg else _ZERO

    @property
    def price(self) -> Fraction:
        """Money for a kilogram."""
        return self.money / self.kg

    @property
    def order_by(self) -> date:
        """The last day on which to order it."""
        return self.delivered - timedelta(days=self.offer.terms.lead_days)

    @property
    def packs(self) -> int | None:
        """Packs, where it is sold in packs."""
        return None if self.offer.terms.pack_kg is None else int(self.kg / self.offer.terms.pack_kg)


def near(value: float) -> Fraction:
    """A solver's figure as an exact one."""
    return Fraction(round(value * _PARTS), _PARTS)


def planned(program: WeekProgram, solved: Solved) -> list[Planned]:
    """The batches that the solution makes, by day and in the order of the file."""

    def value(column: int) -> Fraction:
        return solved.exact[column] if solved.exact else near(float(solved.values[column]))

    found, supplies = [], program.world.supplies
    for block in program.blocks:
        used = np.flatnonzero(solved.values[block.columns] > NOTHING_KG).tolist()
        if not used:
            continue
        kilograms = {int(block.supplies[k]): value(block.start + k) for k in used}
        taken = {s: kg / supplies[s].lot.usable for s, kg in kilograms.items()}
        free = tuple(max(value(column), _ZERO) for column in block.every[len(block.supplies) :].tolist())
        places = [*block.places[used].tolist(), *block.rows.free]
        placed = tuple(zip(places, (*kilograms.values(), *free), strict=True))
        weight = block.rows.weights[block.job.entry.basis]
        amount = sum((weight[at] * kg for at, kg in placed), _ZERO)
        found.append(Planned(block, kilograms, taken, free, placed, amount))
    return sorted(found, key=lambda p: (p.block.day, p.block.job.index))


def needed(batches: Iterable[Any]) -> defaultdict[int, Fraction]:
    """Of every supply the kilograms as held that batches, planned or weighed, take together."""
    found = defaultdict[int, Fraction](Fraction)
    for one in batches:
        for s, kg in one.taken.items():
            found[s] += kg
    return found


def orders(program: WeekProgram, solved: Solved) -> list[Purchase]:
    """What the solution buys, by day of delivery; packs whole, other quantities rounded up to a division."""
    found = []
    for s, buy in program.buys.items():
        order = Purchase(s, program.world.supplies[s], _ZERO)
        total = near(sum(float(solved.values[c]) for c in buy.columns))
        count = ceil(total / order.step - 10 * SPECK) if order.packs is None else round(total)
        found += [_up_to(order, count * order.step)] if count else []
    return sorted(found, key=lambda o: (o.delivered, o.offer.terms.supplier, o.offer.name))


def _up_to(order: Purchase, kg: Fraction) -> Purchase:
    """An order of so many kilograms, or of the largest there may be."""
    largest = order.offer.terms.largest_order_kg
    return replace(order, kg=kg if largest is None else min(kg, largest))


def with_room(program: WeekProgram, bought: Sequence[Purchase]) -> list[Purchase]:
    """Orders without packs with two divisions of the coarsest scale more, for the rounding of the batches."""
    step = coarsest(program.world)
    more = [_up_to(order, (ceil(order.kg / step) + 2) * step) for order in bought]
    return [old if old.packs is not None else new for old, new in zip(bought, more, strict=True)]


def coarsest(world: World) -> Fraction:
    """The coarsest division of the week's scales, kilograms."""
    return max([DIVISION_KG, *(job.recipe.entry.scales.meat_g / G_PER_KG for job in world.jobs)])


def needed_only(
    program: WeekProgram, need: Mapping[int, Fraction], bought: Sequence[Purchase], *, weighed: bool = False
) -> list[Purchase]:
    """The same orders without what no batch needs and what makes the plan no cheaper; ``need`` is as held.

    What keeps is worth its price, so that buying more of it costs a plan nothing; a kitchen still pays for it. A
    supplier's minimum is kept, and orders of materials that must be left at the end stay; once batches are ``weighed``
    so does the price that their books have.
    """
    closing = {c.material for c in program.world.week.entry.kitchen.closing}
    total = defaultdict[tuple[str, int], Fraction](Fraction)
    for order in bought:
        total[order.supply.drop] += order.money
    found = []
    for order in bought:
        if order.supply.lot.material not in closing:
            s, drop = order.supply_index, order.supply.drop
            short, besides = need.get(s, _ZERO) - program.stock.get(s, _ZERO), total[drop] - order.money
            order = _smallest(program, order, short, besides, weighed)
            total[drop] = besides + order.money
        found += [order] if order.kg else []
    return found


def _smallest(program: WeekProgram, order: Purchase, short: Fraction, besides: Fraction, weighed: bool) -> Purchase:
    """The smallest order that covers what is short and costs no more, less what is left of it, than this one.

    ``besides`` is what else the supplier delivers that day, money.
    """
    terms, segments = order.offer.terms, program.buys[order.supply_index].segments
    kept = program.world.holding * order.supply.nights - order.supply.worth
    for count in range(max(ceil(short / order.step - SPECK), 0), ceil(order.kg / order.step)):
        less = replace(order, kg=count * order.step)
        enough = besides + less.money >= terms.supplier_minimum or not besides + less.money
        allowed = not less.kg or any(part.lo <= less.kg <= part.hi for part in segments)
        same = not (weighed and less.kg) or less.price == order.price
        if enough and allowed and same and less.money + kept * less.kg <= order.money + kept * order.kg:
            return less
    return order
