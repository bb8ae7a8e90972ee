"""A plan as weighed, checked again from the files with fractions: stock, dates, orders and the kitchen's limits."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil

from constraints.numbers import trimmed
from optimizer.plan.build import WeekProgram
from optimizer.plan.money import taken_by_day
from optimizer.plan.read_off import Order
from optimizer.plan.week_file import StageEntry
from optimizer.plan.weigh import Made

_ZERO = Fraction(0)


def faults(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> list[str]:
    """What does not hold, in words; nothing where the plan is sound."""
    return [
        *_stock(program, made, bought),
        *_used_up(program, made),
        *_orders(bought),
        *_batches(program, made),
        *_counts(program, made),
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


def _counts(program: WeekProgram, made: Sequence[Made]) -> Iterator[str]:
    """No more batches on a day than the kitchen can start."""
    most = program.world.week.entry.kitchen.most_batches_a_day
    for day, count in Counter(one.day for one in made).items():
        if most is not None and count > most:
            yield f"{count} batches on {program.world.date(day)}"


@dataclass(frozen=True)
class Excess:
    """A limit of the kitchen that the weighed plan is over, or a closing stock it is short of, by ``kg`` kilograms.

    ``label`` is the row of the program in which room for it can be left.
    """

    label: tuple[object, ...]
    kg: Fraction
    words: str


def excesses(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> list[Excess]:
    """Every limit of the kitchen that the plan as weighed does not keep, to the gram."""
    return [*_stages(program, made), *_stores(program, made, bought)]


def _stages(program: WeekProgram, made: Sequence[Made]) -> Iterator[Excess]:
    world = program.world
    for i, stage in enumerate(world.week.entry.kitchen.stages):
        used: dict[int, Fraction] = defaultdict(Fraction)
        over: dict[int, list[Excess]] = defaultdict(list)
        for one in made:
            if stage.batches is not None and one.job.name not in stage.batches:
                continue
            kg = _passing(stage, one)
            if stage.load_kg is None:
                used[one.day] += kg
                continue
            used[one.day] += ceil(kg / stage.load_kg)
            beyond = kg % stage.load_kg
            words = f"{one.job.name} is {trimmed(beyond, 3)} kg more than whole loads of {trimmed(stage.load_kg)} kg"
            over[one.day].append(Excess(("load", i, one.job.index, one.day), beyond, words))
        limit = stage.kg_per_day if stage.kg_per_day is not None else Fraction(stage.loads_per_day or 0)
        for day, total in used.items():
            if total <= limit:
                continue
            unit = "kg" if stage.load_kg is None else "loads"
            words = f"{stage.name} on {world.date(day)}: {trimmed(total, 3)} {unit} of {trimmed(limit)}"
            if stage.load_kg is None:
                yield Excess(("stage", i, day), total - limit, words)
            else:
                least = min(over[day], key=lambda one: one.kg)
                yield replace(least, words=f"{words}; {least.words}")


def _passing(stage: StageEntry, one: Made) -> Fraction:
    """Kilograms of a batch as weighed that a stage counts."""
    if stage.materials is None or one.answer.weighed is None:
        return one.kilograms(stage.basis)
    items = one.answer.weighed.total.kilograms.items()
    return sum((kg for item, kg in items if item.material in stage.materials), _ZERO)


def _stores(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> Iterator[Excess]:
    world = program.world
    kitchen = world.week.entry.kitchen
    levels = {world.supplies[s]: kgs for s, kgs in stock_by_day(program, made, bought).items()}
    for i, store in enumerate(kitchen.cold_store):
        inside = [kgs for s, kgs in levels.items() if store.materials is None or s.lot.material in store.materials]
        for day in range(program.since, world.days):
            total = sum((kgs[day] for kgs in inside), _ZERO)
            if total > store.kg:
                words = f"cold store on {world.date(day)}: {trimmed(total, 3)} kg of {trimmed(store.kg)}"
                yield Excess(("level", i, day), total - store.kg, words)
    for i, closing in enumerate(kitchen.closing):
        left = sum((kgs[-1] for s, kgs in levels.items() if s.keeps and s.lot.material == closing.material), _ZERO)
        if left < closing.kg:
            words = f"closing stock of {closing.material}: {trimmed(left, 3)} kg of {trimmed(closing.kg)}"
            yield Excess(("closing", i), closing.kg - left, words)


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
