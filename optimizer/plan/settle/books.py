"""A plan as weighed: what it takes and leaves of every supply, what it costs, and what of it does not hold."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property

from constraints.numbers import trimmed
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.model.kitchen import Excess, rules_of
from optimizer.plan.model.world import World
from optimizer.plan.settle.read_off import Purchase, coarsest
from optimizer.plan.settle.weigh import WeighedBatch
from optimizer.record import Figure, Record
from optimizer.summary import paid, weight
from optimizer.weighing.rounding import minimised_cost

_ZERO = Fraction(0)


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
            found[s] = found.get(s, _ZERO) + kg
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
        return {s: sum(self.by_day[s].values(), _ZERO) for s in {**self.have, **self.by_day}}

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
                left -= self.by_day[s].get(day, _ZERO)
                gone = day < supply.first or (not supply.keeps and day >= supply.last)
                days.append(_ZERO if gone else left)
            found[s] = days
        return found

    def added_up(self, unrounded: float) -> Money:
        """What all of it costs, exactly; ``unrounded`` was minimised before the scales."""
        made = [(one.job.entry, one.answer.problem, w) for one in self.made if (w := one.answer.weighed) is not None]
        additions = sum((paid(w.total.kilograms, lots=False) for *_, w in made), _ZERO)
        used = sum((paid(w.total.kilograms) for *_, w in made), -additions)
        product = sum(
            entry.value_per_kg * weight(w.exactly_dosed(problem.formula), entry.basis)
            for entry, problem, w in made if entry.value_per_kg is not None
        )  # fmt: skip
        ordered = sum((o.money for o in self.orders), _ZERO)
        charges = sum({o.supply.drop: o.offer.terms.delivery_charge for o in self.orders}.values(), _ZERO)
        prices = {o.supply_index: o.price for o in self.orders}
        holding = left = lost = stock_used = bought_left = worth_used = _ZERO
        for s, rest in self.rest.items():
            supply, worth = self.world.supplies[s], self.world.supplies[s].worth
            nights = sum((k * supply.nights_to(day) for day, k in self.by_day[s].items()), rest * supply.nights)
            holding += self.world.holding * nights
            left += rest * worth if supply.keeps else _ZERO
            lost += _ZERO if supply.keeps else rest * (prices.get(s, supply.price) - worth)
            worth_used += self.taken[s] * worth
            bought_left += rest * worth if s in prices else _ZERO
            stock_used += _ZERO if s in prices else self.taken[s] * worth
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
            if gone > self.have.get(s, _ZERO):
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
            total = sum((one.kilograms(job.entry.basis) for one in parts), _ZERO)
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
