"""What a solved program says, kilograms of every supply in every batch and what to order, and the books of the plan
as weighed: what it takes and leaves of every supply, what it costs, and what of it does not hold.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np

from constraints.as_typed import G_PER_KG, ZERO, trimmed
from optimizer.plan.model.blocks import DIVISION_KG, Block, WeekProgram
from optimizer.plan.model.kitchen import Excess, rules_of
from optimizer.plan.model.world import Supply, World
from optimizer.plan.settle.engine import Solved
from optimizer.reading.offers import Offer, Stretch
from optimizer.record import Figure, Record
from optimizer.summary import paid, weight
from optimizer.weighing.rounding import minimised_cost

if TYPE_CHECKING:
    from optimizer.plan.settle.weigh import WeighedBatch

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
        return Stretch.paid(self.offer.ladder(self.supply.period), self.kg) if self.kg else ZERO

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
        free = tuple(max(value(column), ZERO) for column in block.every[len(block.supplies) :].tolist())
        places, weight = [*block.places[used].tolist(), *block.rows.free], block.rows.weights[block.job.entry.basis]
        placed = tuple(zip(places, (*kilograms.values(), *free), strict=True))
        amount = sum((weight[at] * kg for at, kg in placed), ZERO)
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
        order = Purchase(s, program.world.supplies[s], ZERO)
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
            s, besides = order.supply_index, total[order.supply.drop] - order.money
            order = _smallest(program, order, need.get(s, ZERO) - program.stock.get(s, ZERO), besides, weighed)
            total[order.supply.drop] = besides + order.money
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


# The books of a plan.


class Money(Record):
    """Money of a plan.

    ``minimised`` is what the plan minimised: lots and purchases at what using them costs (book price or salvage, of a
    purchase its price less the worth of what is left), additions, charges and holding, less what the product is worth.
    ``cash`` is paid in the week: orders, charges, additions and holding. ``used`` is the book value of the lots used,
    ``left`` the worth of what is left and keeps, ``lost`` book value less salvage of what dies unused. ``minimised`` is
    ``cash`` with ``stock_used`` (lots at hand, at what they are worth) and ``dose_rounding`` (additions at their exact
    doses less as weighed), less ``bought_left`` (worth of what was bought and is left) and ``product``.
    ``unrounded`` was minimised before the scales.
    """

    minimised: Figure
    cash: Figure
    orders: Figure
    charges: Figure
    additions: Figure
    holding: Figure
    used: Figure
    left: Figure
    lost: Figure
    product: Figure
    stock_used: Figure
    bought_left: Figure
    dose_rounding: Figure
    unrounded: Figure


@dataclass
class Books:
    """Batches as weighed and what is ordered for them; kilograms are as held.

    ``gone`` is what batches made before took (supply, day, kilograms), which was there until then.
    """

    program: WeekProgram
    made: list[WeighedBatch] = field(default_factory=list)
    orders: list[Purchase] = field(default_factory=list)
    gone: Sequence[tuple[int, int, Fraction]] = ()

    @property
    def world(self) -> World:
        """The week."""
        return self.program.world

    @cached_property
    def have(self) -> dict[int, Fraction]:
        """Of every supply what is there and what is bought."""
        found = self.program.stock | {order.supply_index: order.kg for order in self.orders}
        for s, _, kg in self.gone:
            found[s] = found.get(s, ZERO) + kg
        return found

    @cached_property
    def by_day(self) -> Mapping[int, Mapping[int, Fraction]]:
        """Of every supply what is taken on each day."""
        found: dict[int, dict[int, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
        taken = [(s, one.day, kg) for one in self.made for s, kg in one.taken.items()]
        for s, day, kg in (*self.gone, *taken):
            found[s][day] += kg
        return found

    @cached_property
    def taken(self) -> dict[int, Fraction]:
        """What is taken of every supply there is."""
        return {s: sum(self.by_day[s].values(), ZERO) for s in {**self.have, **self.by_day}}

    @cached_property
    def rest(self) -> dict[int, Fraction]:
        """What is left of every supply."""
        return {s: kg - self.taken[s] for s, kg in self.have.items()}

    @cached_property
    def levels(self) -> dict[int, list[Fraction]]:
        """Of every supply what is there at the end of each day; what has died is gone."""
        found = {}
        for s, left in self.have.items():
            supply, days = self.world.supplies[s], []
            for day in range(self.world.week.entry.days):
                left -= self.by_day[s].get(day, ZERO)
                gone = day < supply.first or (not supply.keeps and day >= supply.last)
                days.append(ZERO if gone else left)
            found[s] = days
        return found

    def added_up(self, unrounded: float) -> Money:
        """What all of it costs, exactly; ``unrounded`` was minimised before the scales."""
        made = [(one.job.entry, one.answer.problem, w) for one in self.made if (w := one.answer.weighed) is not None]
        additions = sum((paid(w.total.kilograms, lots=False) for *_, w in made), ZERO)
        used = sum((paid(w.total.kilograms) for *_, w in made), -additions)
        product = sum(
            entry.value_per_kg * weight(w.exactly_dosed(problem.formula), entry.basis)
            for entry, problem, w in made if entry.value_per_kg is not None
        )  # fmt: skip
        ordered = sum((o.money for o in self.orders), ZERO)
        charges = sum({o.supply.drop: o.offer.terms.delivery_charge for o in self.orders}.values(), ZERO)
        prices = {o.supply_index: o.price for o in self.orders}
        holding = left = lost = stock_used = bought_left = worth_used = ZERO
        for s, rest in self.rest.items():
            supply, worth = self.world.supplies[s], self.world.supplies[s].worth
            nights = sum((k * supply.nights_to(day) for day, k in self.by_day[s].items()), rest * supply.nights)
            holding += self.world.holding * nights
            left += rest * worth if supply.keeps else ZERO
            lost += ZERO if supply.keeps else rest * (prices.get(s, supply.price) - worth)
            worth_used += self.taken[s] * worth
            bought_left += rest * worth if s in prices else ZERO
            stock_used += ZERO if s in prices else self.taken[s] * worth
        cash = ordered + charges + additions + holding
        rounding = sum((minimised_cost(problem, w) for _, problem, w in made), -worth_used - additions)
        minimised = cash + stock_used + rounding - bought_left - product
        return Money(
            minimised=minimised, cash=cash, orders=ordered, charges=charges, additions=additions, holding=holding,
            used=used, left=left, lost=lost, product=product, stock_used=stock_used, bought_left=bought_left,
            dose_rounding=rounding, unrounded=unrounded,
        )  # fmt: skip

    def faults(self) -> list[str]:
        """What does not hold, in words; nothing where the plan is sound."""
        return [*self._stock_faults(), *self._order_faults(), *self._batch_faults()]

    def _stock_faults(self) -> Iterator[str]:
        """No more is used than there is, on its days, and of every lot as much as its table asks for."""
        for s, gone in self.taken.items():
            supply, lot = self.world.supplies[s], self.world.supplies[s].lot
            if gone > self.have.get(s, ZERO):
                yield f"more of {supply.name} is used than there is"
            for on in map(self.world.date, self.by_day[s]):
                if (lot.use_by and on > lot.use_by) or (lot.received and on < lot.received):
                    yield f"{supply.name} is used on {on}, outside its dates"
            left = self.program.stock.get(s, gone) - gone
            if lot.use_up and left > 0:
                yield f"{supply.name} was to be used up, and {trimmed(left, 3)} kg are left"
            if gone < lot.use_at_least_kg:
                yield f"{supply.name}: {trimmed(gone, 3)} kg are used, at least {trimmed(lot.use_at_least_kg, 3)}"

    def _order_faults(self) -> Iterator[str]:
        drops = defaultdict[tuple[str, int], Fraction](Fraction)
        for order in self.orders:
            terms, kg, name = order.offer.terms, order.kg, order.offer.name
            drops[order.supply.drop] += order.money
            if terms.pack_kg is not None and (kg / terms.pack_kg).denominator != 1:
                yield f"{name}: {trimmed(kg)} kg is no whole number of packs"
            if kg < terms.smallest_order_kg or (terms.largest_order_kg is not None and kg > terms.largest_order_kg):
                yield f"{name}: {trimmed(kg)} kg is outside what one may order"
            if order.offer.period(order.delivered) is None:
                yield f"{name} is not delivered on {order.delivered}"
        minimum = {o.offer.terms.supplier: o.offer.terms.supplier_minimum for o in self.orders}
        for (supplier, day), total in drops.items():
            if total < minimum[supplier]:
                yield f"{supplier}: {trimmed(total, 2)} on {self.world.date(day)} is below the minimum"

    def _batch_faults(self) -> Iterator[str]:
        """Every batch of the week has its size, on a day of its window."""
        for job in {block.job.index: block.job for block in self.program.blocks}.values():
            parts = [one for one in self.made if one.job is job]
            total = sum((one.kilograms(job.entry.basis) for one in parts), ZERO)
            if not parts and (job.entry.may_leave_out or job.lo <= 0):
                continue
            if not job.lo <= total <= job.hi:
                yield f"{job.name} has {trimmed(total, 3)} kg"
            if len(parts) > 1 and not job.entry.may_split:
                yield f"{job.name} is made in parts"
            if any(one.day not in job.days for one in parts):
                yield f"{job.name} is made outside its days"

    def excesses(self) -> list[Excess]:
        """Every limit of the kitchen, and remnant asked for, that is not kept; what no scale shows aside."""
        found = [excess for rule in rules_of(self.world) for excess in rule.excesses(self)]
        division = coarsest(self.world)
        for s, left in self.rest.items():
            supply, least = self.world.supplies[s], self.program.asked_remnant(self.world.supplies[s].lot)
            if self.taken[s] and supply.offer is None and division <= left < least:
                words = f"{supply.name}: {trimmed(left, 3)} kg left, at least {trimmed(least, 3)}"
                found.append(Excess(None, least - left, words))
        return found

    @cached_property
    def crumbs(self) -> tuple[str, ...]:
        """Pulls and remnants that are smaller than the default, which gave way, in words."""
        found, supplies, division = [], self.world.supplies, coarsest(self.world)
        for one in self.made:
            small = one.job.small_pulls(self.world, one.taken, self.have)
            found += [f"{trimmed(one.taken[s], 3)} kg of {supplies[s].name} in {one.job.name}" for s in small]
        least = {s: one.job.tidy.remnant.kilograms for one in self.made for s in one.taken}  # of the last use
        for s, usual in least.items():
            lot, left = supplies[s].lot, self.rest[s]
            if division <= left < usual <= self.have[s] and lot.smallest_remnant_kg is None:
                found.append(f"{trimmed(left, 3)} kg of {lot.name} left")
        return tuple(found)
