"""A plan as weighed, checked again from the files with fractions: stock, dates, orders and the kitchen's limits."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import ceil

from constraints.ingredients import Lot
from constraints.numbers import trimmed
from optimizer.plan.build import WeekProgram
from optimizer.plan.money import taken_by_day
from optimizer.plan.read_off import Order
from optimizer.plan.weigh import NEAR, Made

_ZERO = Fraction(0)


def faults(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> list[str]:
    """What does not hold, in words; nothing where the plan is sound."""
    return [
        *_stock(program, made, bought),
        *_used_up(program, made),
        *_orders(bought),
        *_batches(program, made),
        *_stages(program, made),
        *_stores(program, made, bought),
    ]


def _stock(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> Iterator[str]:
    world = program.world
    have = dict(program.stock)
    have.update({o.supply_index: o.kg for o in bought})
    for s, days in taken_by_day(made).items():
        supply = world.supplies[s]
        if sum(days.values(), _ZERO) > have.get(s, _ZERO):
            yield f"more of {supply.name} is used than there is"
        for day in days:
            on = world.date(day)
            if (supply.lot.use_by and on > supply.lot.use_by) or (supply.lot.received and on < supply.lot.received):
                yield f"{supply.name} is used on {on}, outside its dates"


def _used_up(program: WeekProgram, made: Sequence[Made]) -> Iterator[str]:
    """Every lot that is to be used up is."""
    taken = taken_by_day(made)
    for s, kg in program.stock.items():
        supply = program.world.supplies[s]
        left = kg - sum(taken.get(s, {}).values(), _ZERO)
        if supply.lot.use_up and left > 0:
            yield f"{supply.name} was to be used up, and {trimmed(left, 3)} kg are left"


def _orders(bought: Sequence[Order]) -> Iterator[str]:
    drops: dict[tuple[str, object], Fraction] = defaultdict(Fraction)
    for order in bought:
        offer = order.offer
        drops[(offer.supplier, order.delivered)] += order.money
        if offer.pack is not None and (order.kg / offer.pack).denominator != 1:
            yield f"{offer.name}: {trimmed(order.kg)} kg is no whole number of packs"
        if order.kg < offer.smallest or (offer.largest is not None and order.kg > offer.largest):
            yield f"{offer.name}: {trimmed(order.kg)} kg is outside what one may order"
        if offer.period(order.delivered) is None:
            yield f"{offer.name} is not delivered on {order.delivered}"
    minimum = {o.offer.supplier: o.offer.minimum for o in bought}
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


def _stages(program: WeekProgram, made: Sequence[Made]) -> Iterator[str]:
    """Capacities, allowing what the scales may move: the batch's tolerance, or of a material some divisions a lot."""
    kitchen = program.world.week.entry.kitchen
    for stage in kitchen.stages:
        used: dict[int, Fraction] = defaultdict(Fraction)
        slack: dict[int, Fraction] = defaultdict(Fraction)
        for one in made:
            if stage.batches is not None and one.job.name not in stage.batches:
                continue
            kg = one.kilograms(stage.basis)
            if stage.materials is not None and one.answer.weighed is not None:
                items = one.answer.weighed.total.kilograms.items()
                kg = sum((k for i, k in items if isinstance(i, Lot) and i.material in stage.materials), _ZERO)
            order = one.answer.problem.order
            give = order.within_kg + order.spice_division_kg * len(one.job.recipe.additions)
            if stage.load_kg is not None:
                used[one.day] += ceil((kg - give) / stage.load_kg)
            else:
                used[one.day] += kg
                lots = sum(isinstance(item, Lot) for item in one.answer.problem.formula.columns)
                slack[one.day] += lots * (NEAR + 1) * order.meat_division_kg if stage.materials else give
        limit = stage.kg_per_day if stage.kg_per_day is not None else Fraction(stage.loads_per_day or 0)
        for day, total in used.items():
            if total > limit + slack[day]:
                yield f"{stage.name} is over its capacity on {program.world.date(day)}"
    if kitchen.most_batches_a_day is not None:
        for day, count in Counter(one.day for one in made).items():
            if count > kitchen.most_batches_a_day:
                yield f"{count} batches on {program.world.date(day)}"


def _stores(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> Iterator[str]:
    world = program.world
    kitchen = world.week.entry.kitchen
    levels = stock_by_day(program, made, bought)
    for store in kitchen.cold_store:
        for day in range(program.since, world.days):
            total = sum(
                (kgs[day] for s, kgs in levels.items()
                 if store.materials is None or world.supplies[s].lot.material in store.materials), _ZERO
            )  # fmt: skip
            if total > store.kg + len(made):  # a kilogram a batch: what rounding may leave
                yield f"the cold store is over its room on {world.date(day)}"
    for closing in kitchen.closing:
        left = sum(
            (kgs[-1] for s, kgs in levels.items()
             if world.supplies[s].keeps and world.supplies[s].lot.material == closing.material), _ZERO
        )  # fmt: skip
        if left + len(made) < closing.kg:
            yield f"only {trimmed(left, 1)} kg of {closing.material} are left"


def stock_by_day(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> dict[int, list[Fraction]]:
    """Kilograms as held of every supply at the end of each day; what has died is gone."""
    world = program.world
    have = dict(program.stock)
    have.update({o.supply_index: o.kg for o in bought})
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
