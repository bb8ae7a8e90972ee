"""Repair: a new plan for what is left of a week, that changes as little as asked of the days already fixed.

What is done stays done: batches before ``now`` are taken from the plan as it stood, and so is every order whose day for
ordering is past. Of the batches from ``now`` to ``fixed_through`` as few as possible change, or at most as many as
allowed; a batch is unchanged where every lot's kilograms are those of the plan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from optimizer.plan.files.happened import Happened, PlannedBatch, PlannedOrder
from optimizer.plan.model.blocks import Block, RoomLeft, SupplyCosts, WeekPart, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.world import Job, Supply, World
from optimizer.plan.settle.engine import solve
from optimizer.plan.settle.in_doubt import in_doubt
from optimizer.plan.settle.read_off import SPECK

_ZERO = Fraction(0)
_ONE = Fraction(1)
Key = tuple[str, date | None]
"""A lot's name (no day), or an offer's name and its day of delivery."""


class Repaired:
    """What is still to be done.

    ``fewest`` is how many fixed batches may change, known once a program was made; ``gone`` is what the batches made
    took (supply, day, kilograms as held); ``missed`` are batches whose days are past; ``hold`` are doubts about batches
    made, in words; ``coming`` are the orders that are out.
    """

    def __init__(self, world: World, happened: Happened) -> None:
        entry, plan = happened.entry, happened.plan
        self.happened, now = happened, (entry.now - world.week.entry.start).days
        self.fewest: int | None = None
        done = [batch for batch in plan.batches if batch.date < entry.now]
        self.done = [shown for batch, shown in zip(plan.batches, happened.shown, strict=True) if batch in done]
        self.hold = tuple(dict.fromkeys(in_doubt(world, happened, done)))
        self.where = {(supply.name, supply.came): s for s, supply in enumerate(world.supplies)}
        stock, self.coming = _stock(world, happened, now)
        self.gone, used = list[tuple[int, int, Fraction]](), defaultdict[int, Fraction](Fraction)
        for batch, pull in [(one, pull) for one in done for pull in one.pulls]:
            s = self.where.get((pull.lot, pull.delivered))
            if s is not None:
                kg = min(pull.held_kg, stock.get(s, _ZERO))
                self.gone.append((s, (batch.date - world.week.entry.start).days, kg))
                stock[s], used[s] = stock.get(s, _ZERO) - kg, used[s] + kg
        told: dict[Key, Fraction | None] = {(name, None): of.counted_now_kg for name, of in happened.lots.items()}
        told |= {key: of.counted_now_kg for key, of in happened.deliveries.items()}
        stock |= {self.where[key]: kg for key, kg in told.items() if kg is not None and key in self.where}
        left = [(job, _is_done(job, done)) for job in (_rest_of(job, done, now) for job in world.jobs)]
        supplies = tuple(_from_now(supply, now, used[s]) for s, supply in enumerate(world.supplies))
        self.world = replace(world, supplies=supplies, jobs=tuple(job for job, _ in left))
        self.missed = tuple(job.name for job, is_done in left if not job.days and not is_done)
        self.wanted = WeekPart(
            jobs=tuple(job.index for job, is_done in left if job.days and not is_done), stock=stock, not_before=now,
            settled=frozenset(self.where[key] for key in happened.deliveries if key in self.where),
        )  # fmt: skip

    def again(self, costs: SupplyCosts | None) -> WeekProgram:
        """Its program without holding to the plan, with other stock to choose from."""
        return build(self.world, replace(self.wanted, costs=costs))

    def make(self, room: RoomLeft) -> WeekProgram:
        """Its program. A yes-or-no column is zero only where every pull of a fixed batch is the plan's; few are one."""
        program = build(self.world, replace(self.wanted, room=room))
        entry, model, columns = self.happened.entry, program.model, list[int]()
        blocks = {(block.job.name, self.world.date(block.day)): block for block in program.blocks}
        for batch in self.happened.plan.batches:
            block = blocks.get((batch.batch, batch.date))
            if block is not None and entry.fixed_through is not None and batch.date <= entry.fixed_through:
                columns.append(model.column(_ZERO, _ONE, whole=True))
                pulls = {self.where.get((pull.lot, pull.delivered)): pull.held_kg for pull in batch.pulls}
                _unless(program, block, pulls, columns[-1])
        if columns:
            most = entry.most_changes
            fewest = solve(model.costing(dict.fromkeys(columns, _ONE))) if most is None else None
            self.fewest = most if fewest is None else round(fewest.cost) if fewest.found else None
            if self.fewest is not None:
                model.row(columns, [1] * len(columns), hi=Fraction(self.fewest))
        return program


def _from_now(supply: Supply, now: int, used: Fraction) -> Supply:
    """A supply of which so many kilograms were used before: its nights are paid, and less is asked of it."""
    asked = max(supply.lot.use_at_least_kg - used, _ZERO)
    return replace(supply, since=now, lot=replace(supply.lot, use_at_least_kg=asked))


def _stock(world: World, happened: Happened, now: int) -> tuple[dict[int, Fraction], tuple[PlannedOrder, ...]]:
    """Opening stock with the orders that are out: they come as planned, or as it turned out.

    An order is out where its day for ordering is past, and where something is told of its delivery.
    """
    planned: dict[Key, PlannedOrder] = {(o.offer, o.delivered): o for o in happened.plan.orders}
    coming = []
    stock = world.stock
    for s, supply in enumerate(world.supplies):
        if supply.came is None:
            continue
        order, told = planned.get((supply.name, supply.came)), happened.deliveries.get((supply.name, supply.came))
        if order is not None and (told is not None or supply.order_by < now):
            stock[s] = order.kg if told is None or told.counted_now_kg is not None else told.kg or _ZERO
            coming.append(order.model_copy(update={"kg": stock[s]}))
    return stock, tuple(coming)


def _is_done(job: Job, done: Sequence[PlannedBatch]) -> bool:
    """True where nothing of a batch is left to be made."""
    return any(batch.batch == job.name for batch in done) and (not job.entry.may_split or job.lo <= 0)


def _rest_of(job: Job, done: Sequence[PlannedBatch], now: int) -> Job:
    """A batch on the days that are left; of one that may be made in parts only what is left of it."""
    parts = [batch for batch in done if batch.batch == job.name and job.entry.may_split]
    made = sum((batch.kilograms(job.entry.basis) for batch in parts), _ZERO)
    days = tuple(day for day in job.days if day >= now)
    return replace(job, days=days, lo=job.lo - made, hi=job.hi - made)


def _unless(program: WeekProgram, block: Block, pulls: dict[int | None, Fraction], column: int) -> None:
    """Every kilogram as in the plan unless the batch is changed."""
    model, world = program.model, program.world
    for k, (s, most) in enumerate(zip(block.supplies.tolist(), model.tops(block.columns), strict=True)):
        usable, at = world.supplies[s].lot.usable, block.start + k
        planned, slack = pulls.get(s, _ZERO) * usable, SPECK * usable
        if most > planned + slack:
            model.row([at, column], [_ONE, planned + slack - most], hi=planned + slack)
        if planned > slack:
            model.row([at, column], [_ONE, planned - slack], lo=planned - slack)
    gone = pulls.keys() - set(block.supplies.tolist())
    if any(pulls[s] > SPECK for s in gone):  # what it used is no longer there at all
        model.row([column], [1], lo=_ONE)
