"""Repair: a new plan for what is left of a week, that changes as little as asked of the days already fixed.

What is done stays done: batches before ``now`` are taken from the plan as it stood, and so is every order whose day for
ordering is past. Of the batches from ``now`` to ``fixed_through`` as few as possible change, or at most as many as
allowed; a batch is unchanged where every lot's kilograms are those of the plan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any

from optimizer.plan.files.happened import Happened, PlannedBatch, PlannedOrder
from optimizer.plan.model.blocks import Block, Costs, Room, Wanted, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.world import Job, Supply, World
from optimizer.plan.settle.engine import solve
from optimizer.plan.settle.in_doubt import in_doubt

_ZERO = Fraction(0)
_ONE = Fraction(1)
SAME_KG = Fraction(1, 10**6)
"""Kilograms as held within which a pull counts as unchanged: nothing that a scale shows."""


@dataclass
class Repaired:
    """What is still to be done: ``make`` makes its program, ``again`` the same without holding to the plan.

    ``fewest`` is how many fixed batches may change, known once a program was made; ``gone`` is what the batches made
    took (supply, day, kilograms as held); ``missed`` are batches whose days are past; ``hold`` are doubts about batches
    made, in words; ``coming`` are the orders that are out.
    """

    world: World
    make: Callable[[Room], WeekProgram]
    again: Callable[[Costs | None], WeekProgram]
    done: list[Any] = field(default_factory=list)
    gone: tuple[tuple[int, int, Fraction], ...] = ()
    fewest: int | None = None
    missed: tuple[str, ...] = ()
    hold: tuple[str, ...] = ()
    coming: tuple[PlannedOrder, ...] = ()


Where = dict[tuple[str, date | None], int]
"""Supply of a lot's name (no day) or of an offer's name and its day of delivery."""


def repaired(world: World, happened: Happened) -> Repaired:
    """The program of what is left of the week, holding to the plan as asked."""
    now = (happened.entry.now - world.week.entry.start).days
    done = [batch for batch in happened.plan.batches if batch.date < happened.entry.now]
    hold = tuple(dict.fromkeys(in_doubt(world, happened, done)))
    where: Where = {
        (s.name, None if s.offer is None else world.date(s.first)): i for i, s in enumerate(world.supplies)
    }  # fmt: skip
    stock, coming = _stock(world, happened, now)
    gone = _take(world, stock, where, done)
    used = defaultdict[int, Fraction](Fraction)
    for s, _, kg in gone:
        used[s] += kg
    world = replace(world, supplies=tuple(_from_now(x, now, used[s]) for s, x in enumerate(world.supplies)))
    counted: dict[tuple[str, date | None], Fraction | None] = {
        (name, None): told.counted_now_kg for name, told in happened.lots.items()
    }
    counted.update({key: told.counted_now_kg for key, told in happened.deliveries.items()})
    stock.update({where[key]: kg for key, kg in counted.items() if kg is not None and key in where})
    world = replace(world, jobs=tuple(_rest_of(job, done, now) for job in world.jobs))
    left = [job for job in world.jobs if not _is_done(job, done)]
    wanted = Wanted(
        jobs=tuple(job.index for job in left if job.days), stock=stock, not_before=now,
        settled=frozenset(where[key] for key in happened.deliveries if key in where),
    )  # fmt: skip

    def rest(costs: Costs | None) -> WeekProgram:
        return build(world, replace(wanted, costs=costs))

    def make(room: Room) -> WeekProgram:
        program = build(world, replace(wanted, room=room))
        _hold_to(found, program, happened, where)
        return program

    shown = [plain for batch, plain in zip(happened.plan.batches, happened.shown, strict=True) if batch in done]
    found = Repaired(
        world, make, rest, done=shown, gone=gone, hold=hold, coming=coming,
        missed=tuple(job.name for job in left if not job.days),
    )  # fmt: skip
    return found


def _from_now(supply: Supply, now: int, used: Fraction) -> Supply:
    """A supply of which so many kilograms were used before: its nights are paid, and less is asked of it."""
    asked = max(supply.lot.use_at_least_kg - used, _ZERO)
    return replace(supply, since=now, lot=replace(supply.lot, use_at_least_kg=asked))


def _stock(world: World, happened: Happened, now: int) -> tuple[dict[int, Fraction], tuple[PlannedOrder, ...]]:
    """Opening stock with the orders that are out: they come as planned, or as it turned out.

    An order is out where its day for ordering is past, and where something is told of its delivery.
    """
    stock = {i: s.kg for i, s in enumerate(world.supplies) if s.kg is not None}
    planned = {(o.offer, o.delivered): o for o in happened.plan.orders}
    coming = []
    for i, supply in enumerate(world.supplies):
        key = (supply.name, world.date(supply.first))
        order, told = planned.get(key), happened.deliveries.get(key)
        if (
            supply.offer is None
            or order is None
            or (told is None and supply.first - supply.offer.terms.lead_days >= now)
        ):
            continue
        kg = order.kg if told is None or told.counted_now_kg is not None else told.kg or _ZERO
        stock[i] = kg
        coming.append(order.model_copy(update={"kg": kg}))
    return stock, tuple(coming)


def _take(
    world: World, stock: dict[int, Fraction], where: Where, done: Sequence[PlannedBatch]
) -> tuple[tuple[int, int, Fraction], ...]:
    """Take what the batches made pulled off the stock: supply, day and kilograms as held."""
    gone = []
    for batch in done:
        for pull in batch.pulls:
            at = where.get((pull.lot, pull.delivered))
            if at is not None:
                day = (batch.date - world.week.entry.start).days
                gone.append((at, day, min(pull.held_kg, stock.get(at, _ZERO))))
                stock[at] = stock.get(at, _ZERO) - gone[-1][2]
    return tuple(gone)


def _is_done(job: Job, done: Sequence[PlannedBatch]) -> bool:
    """True where nothing of a batch is left to be made."""
    return any(batch.batch == job.name for batch in done) and (not job.entry.may_split or job.lo <= 0)


def _rest_of(job: Job, done: Sequence[PlannedBatch], now: int) -> Job:
    """A batch on the days that are left; of one that may be made in parts only what is left of it."""
    job = replace(job, days=tuple(day for day in job.days if day >= now))
    parts = [batch for batch in done if batch.batch == job.name]
    if not parts or not job.entry.may_split:
        return job
    made = sum((batch.kilograms(job.entry.basis) for batch in parts), _ZERO)
    return replace(job, lo=job.lo - made, hi=job.hi - made, made_kg=made)


def _hold_to(found: Repaired, program: WeekProgram, happened: Happened, where: Where) -> None:
    """A yes-or-no column for each fixed batch: zero only where every pull is the plan's; as few ones as can be."""
    through, now = happened.entry.fixed_through, happened.entry.now
    if through is None:
        return
    blocks = {(block.job.name, program.world.date(block.day)): block for block in program.blocks}
    columns = []
    for batch in happened.plan.batches:
        block = blocks.get((batch.batch, batch.date))
        if block is None or not now <= batch.date <= through:
            continue
        columns.append(program.model.column(_ZERO, _ONE, whole=True))
        pulls = {where.get((pull.lot, pull.delivered)): pull.held_kg for pull in batch.pulls}
        _unless(program, block, pulls, columns[-1])
    if not columns:
        return
    most = happened.entry.most_changes
    found.fewest = _fewest(program, columns) if most is None else most
    if found.fewest is not None:
        program.model.row(columns, [1] * len(columns), hi=Fraction(found.fewest))


def _unless(program: WeekProgram, block: Block, pulls: dict[int | None, Fraction], column: int) -> None:
    """Every kilogram as in the plan unless the batch is changed."""
    model, world = program.model, program.world
    tops = model.tops(block.columns)
    for k, s in enumerate(block.supplies):
        usable = world.supplies[int(s)].lot.usable
        planned, slack = pulls.get(int(s), _ZERO) * usable, SAME_KG * usable
        most, at = tops[k], block.start + k
        if most > planned + slack:
            model.row([at, column], [_ONE, planned + slack - most], hi=planned + slack)
        if planned > slack:
            least = planned - slack
            model.row([at, column], [_ONE, least], lo=least)
    gone = [s for s in pulls if s is None or s not in {int(x) for x in block.supplies}]
    if any(pulls[s] > SAME_KG for s in gone):  # what it used is no longer there at all
        model.row([column], [1], lo=_ONE)


def _fewest(program: WeekProgram, columns: Sequence[int]) -> int | None:
    """The smallest number of fixed batches that must change; None where there is no plan at all."""
    solved = solve(program.model.costing(dict.fromkeys(columns, _ONE)))
    return round(solved.cost) if solved.found else None
