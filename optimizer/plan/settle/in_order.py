"""Planning batch by batch, in order: what a week costs when each batch is planned alone as its turn comes.

Each batch takes the cheapest lots still there and buys what it needs; what is left of a pack serves the next. Stages
and the number of batches a day keep their limits; what must be left at the end is put aside beforehand; the cold store
is left out, for a single batch cannot look after it. So the figure is, if anything, too kind to planning in order.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from fractions import Fraction

from constraints.row import RowKind
from optimizer.plan.model.blocks import SupplyCosts, WeekPart, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.world import World
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.read_off import near, needed, planned
from optimizer.record import Figure, Record

_ZERO = Fraction(0)
_GAP = 1e-3
_SECONDS = 2.0
"""Longest search for one batch with whole numbers; the best found then counts."""


class Compared(Record):
    """The week planned batch by batch, in order: its cost, or the batch for which nothing was left.

    ``saving`` is the money that planning together saves, both before rounding.
    """

    cost: Figure | None
    stuck: str | None = None
    saving: Figure | None = None


def in_order(world: World) -> Compared:
    """Plan the batches one after the other, by the first day of their window and then as they stand in the file.

    What closing stock the lots do not leave is bought in the end. Raises OutOfTime.
    """
    stock = world.stock
    aside = _put_aside(world, stock)
    wanted = WeekPart(
        stock=stock, taken=defaultdict(Fraction), counted=defaultdict(int), ordered=defaultdict(Fraction), alone=True,
        costs=SupplyCosts(world, stock),
    )  # fmt: skip
    total = float(build(world, WeekPart(jobs=(), costs=wanted.costs)).model.constant)
    for job in sorted((job for job in world.jobs if job.days), key=lambda job: (job.days[0], job.index)):
        program, solved = _cheapest(world, replace(wanted, jobs=(job.index,)))
        if not solved.found:
            return Compared(cost=None, stuck=job.name)
        total += solved.cost - float(program.model.constant)
        wanted = replace(wanted, charged=wanted.charged | _take(program, solved, wanted))
    kitchen = world.week.entry.kitchen
    if not kitchen.closing:
        return Compared(cost=total)
    for s, kg in aside.items():
        stock[s] += kg
    entry = world.week.entry.model_copy(update={"kitchen": kitchen.model_copy(update={"cold_store": ()})})
    bare = replace(world, week=replace(world.week, entry=entry))
    program, solved = _cheapest(bare, WeekPart(jobs=(), stock=stock, charged=wanted.charged, ordered=wanted.ordered))
    if not solved.found:
        return Compared(cost=None, stuck="closing stock")
    return Compared(cost=total + solved.cost - float(program.model.constant))


def _cheapest(world: World, wanted: WeekPart) -> tuple[WeekProgram, Solved]:
    program = build(world, wanted)
    return program, solve(program.model, time_limit=_SECONDS, gap=_GAP)


def _put_aside(world: World, stock: dict[int, Fraction]) -> dict[int, Fraction]:
    """Take the closing stock off the lots that keep, as far as there is any: kilograms of each put aside."""
    aside: dict[int, Fraction] = defaultdict(Fraction)
    for closing in world.week.entry.kitchen.closing:
        wanted = closing.kg
        for s in sorted(stock, key=lambda s: world.supplies[s].worth):
            if world.supplies[s].lot.material == closing.material and world.supplies[s].keeps:
                kept = min(wanted, stock[s])
                stock[s] -= kept
                aside[s] += kept
                wanted -= kept
    return aside


def _take(program: WeekProgram, solved: Solved, wanted: WeekPart) -> set[tuple[str, int]]:
    """Lower the stock by what was used, put what was bought beyond it on the shelf, and use up the kitchen's limits.

    The drops that are charged.
    """
    world, stock, charged = program.world, wanted.stock or {}, set()
    for s, buy in program.buys.items():
        kg = near(sum(float(solved.values[column]) for column in buy.columns)) * buy.unit
        if kg:
            stock[s] = stock.get(s, _ZERO) + kg
            wanted.ordered[s] += kg
            charged.add(world.supplies[s].drop)
    parts = planned(program, solved)
    for s, kg in needed(parts).items():
        stock[s] = max(stock.get(s, _ZERO) - kg, _ZERO)
        if wanted.costs is not None and world.supplies[s].offer is None:
            wanted.costs.hold(s, stock[s])
    for row in program.model.rows:
        if row.owner.kind is RowKind.LIMIT:
            places, coefs = row.sparse
            wanted.taken[row.owner] += near(float((solved.values[places] * coefs.floats).sum()))
    for day in {part.block.day for part in parts}:
        wanted.counted[day] += 1
    return charged
