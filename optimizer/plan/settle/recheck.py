"""A plan as weighed, checked again from the files with fractions: stock, dates, orders and the kitchen's limits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.numbers import trimmed
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.model.kitchen import Excess, rules_of
from optimizer.plan.model.orders import asked_remnant
from optimizer.plan.settle.money import taken_by_day
from optimizer.plan.settle.read_off import Order, coarsest
from optimizer.plan.settle.weigh import Made

_ZERO = Fraction(0)


def faults(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> list[str]:
    """What does not hold, in words; nothing where the plan is sound."""
    return [
        *_stock(program, made, bought),
        *_used_up(program, made),
        *_orders(bought),
        *_batches(program, made),
    ]


def _stock(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> Iterator[str]:
    world = program.world
    have = have_of(program, bought)
    for s, days in taken_by_day(made).items():
        supply = world.supplies[s]
        if sum(days.values(), _ZERO) > have.get(s, _ZERO):
            yield f"more of {supply.name} is used than there is"
        for day in days:
            on = world.date(day)
            if (supply.lot.use_by and on > supply.lot.use_by) or (supply.lot.received and on < supply.lot.received):
                yield f"{supply.name} is used on {on}, outside its dates"


def _used_up(program: WeekProgram, made: Sequence[Made]) -> Iterator[str]:
    """Every lot that is to be used up is, and of every lot with a least weight of its own that much is used."""
    taken = taken_by_day(made)
    for s, kg in program.stock.items():
        supply = program.world.supplies[s]
        gone = sum(taken.get(s, {}).values(), _ZERO)
        left, least = kg - gone, supply.lot.use_at_least_kg
        if gone < least:
            yield f"{supply.name}: {trimmed(gone, 3)} kg are used, at least {trimmed(least, 3)}"
        if supply.lot.use_up and left > 0:
            yield f"{supply.name} was to be used up, and {trimmed(left, 3)} kg are left"


def _orders(bought: Sequence[Order]) -> Iterator[str]:
    drops: dict[tuple[str, object], Fraction] = defaultdict(Fraction)
    for order in bought:
        offer = order.offer
        drops[(offer.terms.supplier, order.delivered)] += order.money
        if offer.terms.pack_kg is not None and (order.kg / offer.terms.pack_kg).denominator != 1:
            yield f"{offer.name}: {trimmed(order.kg)} kg is no whole number of packs"
        if order.kg < offer.terms.smallest_order_kg or (
            offer.terms.largest_order_kg is not None and order.kg > offer.terms.largest_order_kg
        ):
            yield f"{offer.name}: {trimmed(order.kg)} kg is outside what one may order"
        if offer.period(order.delivered) is None:
            yield f"{offer.name} is not delivered on {order.delivered}"
    minimum = {o.offer.terms.supplier: o.offer.terms.supplier_minimum for o in bought}
    for (supplier, delivered), total in drops.items():
        if total < minimum[supplier]:
            yield f"{supplier}: {trimmed(total, 2)} on {delivered} is below the minimum"


def _batches(program: WeekProgram, made: Sequence[Made]) -> Iterator[str]:
    """Every batch of the week has its size, on a day of its window."""
    for job in {block.job.index: block.job for block in program.blocks}.values():
        parts = [one for one in made if one.job is job]
        total = sum((one.kilograms(job.entry.basis) for one in parts), _ZERO)
        if not parts and (job.entry.may_leave_out or job.lo <= 0):
            continue
        if not job.lo <= total <= job.hi:
            yield f"{job.name} has {trimmed(total, 3)} kg"
        if len(parts) > 1 and not job.entry.may_split:
            yield f"{job.name} is made in parts"
        if any(one.day not in job.days for one in parts):
            yield f"{job.name} is made outside its days"


def excesses(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> list[Excess]:
    """Every limit of the kitchen that the plan as weighed does not keep, to the gram."""
    levels = stock_by_day(program, made, bought)
    rules = rules_of(program.world)
    found = [excess for rule in rules for excess in rule.excesses(program.world, made, levels, program.since)]
    return [*found, *_remnants(program, made)]


def _remnants(program: WeekProgram, made: Sequence[Made]) -> Iterator[Excess]:
    """Opened lots that are left with less than somebody asked for; what no scale shows aside."""
    taken, division = taken_by_day(made), coarsest(program.world)
    for s, days in taken.items():
        supply = program.world.supplies[s]
        least, left = asked_remnant(program, supply), program.stock.get(s, _ZERO) - sum(days.values(), _ZERO)
        if supply.offer is None and division <= left < least:
            yield Excess(None, least - left, f"{supply.name}: {trimmed(left, 3)} kg left, at least {trimmed(least, 3)}")


def have_of(program: WeekProgram, bought: Sequence[Order]) -> dict[int, Fraction]:
    """Kilograms as held of every supply: what is there and what is bought."""
    return program.stock | {order.supply_index: order.kg for order in bought}


def stock_by_day(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> dict[int, list[Fraction]]:
    """Kilograms as held of every supply at the end of each day; what has died is gone."""
    world = program.world
    have = have_of(program, bought)
    taken = taken_by_day(made)
    found = {}
    for s, kg in have.items():
        supply = world.supplies[s]
        left, levels = kg, []
        for day in range(world.days):
            left -= taken.get(s, {}).get(day, _ZERO)
            gone = day < supply.first or (not supply.keeps and day >= supply.last)
            levels.append(_ZERO if gone else left)
        found[s] = levels
    return found
