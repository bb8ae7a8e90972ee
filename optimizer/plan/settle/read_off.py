"""What a solved program says: kilograms of every supply in every batch, and what to order, as exact figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from math import ceil

import numpy as np

from constraints.numbers import G_PER_KG
from optimizer.plan.model.blocks import Block, Buy, WeekProgram
from optimizer.plan.model.world import Supply, World
from optimizer.plan.settle.engine import Solved
from optimizer.reading.offers import Offer, Stretch

_ZERO = Fraction(0)
NOTHING_KG = 1e-6
"""Kilograms below which the solver's figure is nothing."""
_PARTS = 10**9
ORDER_STEP_KG = Fraction("0.05")
"""An order without packs is rounded up to this: one usual scale division."""


@dataclass(frozen=True, eq=False)
class Planned:
    """One batch, or a part of one, on one day: usable kilograms of each supply and of each free addition."""

    block: Block
    kilograms: dict[int, Fraction]
    free: tuple[Fraction, ...]
    amount: Fraction


@dataclass(frozen=True, eq=False)
class Order:
    """What to order: kilograms as held, the price a kilogram, and money without the delivery charge."""

    supply_index: int
    supply: Supply
    kg: Fraction
    price: Fraction
    money: Fraction
    delivered: date
    order_by: date

    @property
    def offer(self) -> Offer:
        """The offer."""
        assert self.supply.offer is not None
        return self.supply.offer

    @property
    def drop(self) -> tuple[str, date]:
        """Supplier and day of delivery."""
        return self.offer.terms.supplier, self.delivered

    @property
    def packs(self) -> int | None:
        """Packs, where it is sold in packs."""
        return None if self.offer.terms.pack_kg is None else int(self.kg / self.offer.terms.pack_kg)


def near(value: float) -> Fraction:
    """A solver's figure as an exact one."""
    return Fraction(round(value * _PARTS), _PARTS)


def value_of(solved: Solved, column: int) -> Fraction:
    """The value of a column: exact where the week was settled exactly, else the solver's figure."""
    return solved.exact[column] if solved.exact else near(float(solved.values[column]))


def planned(program: WeekProgram, solved: Solved) -> list[Planned]:
    """The batches that the solution makes, by day and in the order of the file."""
    found = []
    for block in program.blocks:
        values = solved.values[block.columns]
        used = np.flatnonzero(values > NOTHING_KG)
        if not len(used):
            continue
        kilograms = {int(block.supplies[k]): value_of(solved, block.start + int(k)) for k in used}
        free = tuple(max(value_of(solved, c), _ZERO) for c in block.free)
        amount = _amount(program, block, kilograms, free)
        found.append(Planned(block, kilograms, free, amount))
    return sorted(found, key=lambda p: (p.block.day, p.block.job.index))


def _amount(program: WeekProgram, block: Block, kilograms: dict[int, Fraction], free: tuple[Fraction, ...]) -> Fraction:
    """Kilograms of the basis that a batch's size counts."""
    rows = block.rows
    weight = rows.weights[block.job.entry.basis]
    places = [int(rows.place[program.world.supplies[s].source]) for s in kilograms]
    parts = zip([*places, *rows.free], [*kilograms.values(), *free], strict=True)
    return sum((weight[at] * kg for at, kg in parts), _ZERO)


def orders(program: WeekProgram, solved: Solved) -> list[Order]:
    """What the solution buys, by day of delivery; packs whole, other quantities rounded up to a division."""
    found = []
    for s, buy in program.buys.items():
        total = sum(float(solved.values[c]) for c in buy.columns)
        if total * float(buy.unit) <= NOTHING_KG:
            continue
        supply = program.world.supplies[s]
        assert supply.offer is not None
        kg = round(total) * buy.unit if supply.offer.terms.pack_kg is not None else _rounded_up(total, supply.offer)
        if kg:
            found.append(order_of(program, s, kg))
    return sorted(found, key=lambda o: (o.delivered, o.offer.terms.supplier, o.offer.name))


def with_room(program: WeekProgram, bought: Sequence[Order]) -> list[Order]:
    """Orders without packs with two divisions of the coarsest scale more, for the rounding of the batches."""
    step = coarsest(program.world)
    found = []
    for order in bought:
        kg = ceil(order.kg / step) * step + 2 * step
        fixed = order.offer.terms.pack_kg is not None or (
            order.offer.terms.largest_order_kg is not None and kg > order.offer.terms.largest_order_kg
        )
        found.append(order if fixed else order_of(program, order.supply_index, kg))
    return found


def coarsest(world: World) -> Fraction:
    """The coarsest division of the week's scales, kilograms."""
    return max([ORDER_STEP_KG, *(job.recipe.entry.scales.meat_g / G_PER_KG for job in world.jobs)])


def needed_only(program: WeekProgram, parts: Sequence[Planned], bought: Sequence[Order]) -> list[Order]:
    """The same orders without packs that no batch needs and that make the plan no cheaper.

    What keeps is worth its price, so that buying more of it costs a plan nothing; a kitchen still pays for it. A
    supplier's minimum is kept, and orders of materials that must be left at the end stay.
    """
    kitchen = program.world.week.entry.kitchen
    closing = {c.material for c in kitchen.closing}
    need: dict[int, Fraction] = {}
    for part in parts:
        for s, kg in part.kilograms.items():
            need[s] = need.get(s, _ZERO) + kg / program.world.supplies[s].lot.usable
    total: dict[tuple[str, date], Fraction] = {}
    for order in bought:
        total[order.drop] = total.get(order.drop, _ZERO) + order.money
    found = []
    for order in bought:
        kg = order.kg
        if order.offer.terms.pack_kg is not None and order.supply.lot.material not in closing:
            besides = total[order.drop] - order.money
            kg = _fewest_packs(program, order, need.get(order.supply_index, _ZERO), besides)
            total[order.drop] = besides + (paid(order.supply, kg) if kg else _ZERO)
        if kg:
            found.append(order if kg == order.kg else order_of(program, order.supply_index, kg))
    return found


def _fewest_packs(program: WeekProgram, order: Order, need: Fraction, besides: Fraction) -> Fraction:
    """The smallest order that covers a need and costs no more, less what is left of it, than this one.

    ``besides`` is what else the supplier delivers that day, money.
    """
    supply, offer, buy = order.supply, order.offer, program.buys[order.supply_index]
    pack = offer.terms.pack_kg
    assert pack is not None
    short = need - program.stock.get(order.supply_index, _ZERO)
    kept = program.world.holding * supply.nights - supply.worth
    now = order.money + kept * order.kg
    for count in range(max(ceil(short / pack - Fraction(1, 10**6)), 0), int(order.kg / pack)):
        kg = count * pack
        money = paid(supply, kg) if kg else _ZERO
        enough = besides + money >= offer.terms.supplier_minimum or not besides + money
        if enough and (not kg or fits(buy, kg)) and money + kept * kg <= now:
            return kg
    return order.kg


def _rounded_up(total: float, offer: Offer) -> Fraction:
    kg = ceil(near(total) / ORDER_STEP_KG - Fraction(1, 10**5)) * ORDER_STEP_KG
    return kg if offer.terms.largest_order_kg is None else min(kg, offer.terms.largest_order_kg)


def order_of(program: WeekProgram, s: int, kg: Fraction) -> Order:
    """An order of so many kilograms at the price that its quantity earns."""
    world = program.world
    supply = world.supplies[s]
    assert supply.offer is not None
    delivered = world.date(supply.first)
    money = paid(supply, kg)
    return Order(s, supply, kg, money / kg, money, delivered, delivered - timedelta(days=supply.offer.terms.lead_days))


def paid(supply: Supply, kg: Fraction) -> Fraction:
    """Money for so many kilograms with the price breaks of the offer, without the delivery charge."""
    assert supply.offer is not None and supply.period is not None
    return Stretch.paid(supply.offer.ladder(supply.period), kg)


def fits(order: Buy, kg: Fraction) -> bool:
    """True where a quantity is one that the offer allows."""
    return any(part.lo <= kg <= part.hi for part in order.segments)
