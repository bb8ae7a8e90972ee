"""Planning batch by batch, in order: what a week costs when each batch is planned alone as its turn comes.

Each batch takes the cheapest lots still there and buys what it needs; what is left of a pack serves the next. Stages
and the number of batches a day keep their limits; what must be left at the end is put aside beforehand; the cold store
is left out, for a single batch cannot look after it. So the figure is, if anything, too kind to planning in order.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.row import Owner, RowKind
from optimizer.plan.model.blocks import Costs, Wanted, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.world import World
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.read_off import near, planned

_ZERO = Fraction(0)
_GAP = 1e-3
_SECONDS = 2.0
"""Longest search for one batch with whole numbers; the best found then counts."""


@dataclass(frozen=True)
class InOrder:
    """Cost of the week planned batch by batch, as minimised and unrounded; None with the batch that had no plan."""

    cost: float | None
    stuck: str = ""


def in_order(world: World) -> InOrder:
    """Plan the batches one after the other, by the first day of their window and then as they stand in the file.

    What closing stock the lots do not leave is bought in the end. Raises OutOfTime.
    """
    stock = {i: s.kg for i, s in enumerate(world.supplies) if s.kg is not None}
    aside = _put_aside(world, stock)
    costs = Costs(world, stock)
    taken: dict[Owner, Fraction] = defaultdict(Fraction)
    counted: dict[int, int] = defaultdict(int)
    ordered: dict[int, Fraction] = defaultdict(Fraction)
    charged: set[tuple[str, int]] = set()
    total = float(build(world, Wanted(jobs=(), costs=costs)).model.constant)
    for job in sorted((job for job in world.jobs if job.days), key=lambda job: (job.days[0], job.index)):
        wanted = Wanted(
            jobs=(job.index,), stock=stock, charged=frozenset(charged), taken=taken, counted=counted,
            alone=True, ordered=ordered, costs=costs,
        )  # fmt: skip
        program = build(world, wanted)
        solved = solve(program.model, time_limit=_SECONDS, gap=_GAP)
        if not solved.found:
            return InOrder(None, job.name)
        total += solved.cost - float(program.model.constant)
        _take(program, solved, stock, charged, ordered)
        for s in {s for part in planned(program, solved) for s in part.kilograms if world.supplies[s].offer is None}:
            costs.hold(s, stock[s])
        _count(program, solved, taken, counted)
    if not world.week.entry.kitchen.closing:
        return InOrder(total)
    for s, kg in aside.items():
        stock[s] += kg
    kitchen = world.week.entry.kitchen.model_copy(update={"cold_store": ()})
    entry = world.week.entry.model_copy(update={"kitchen": kitchen})
    bare = replace(world, week=replace(world.week, entry=entry))
    program = build(bare, Wanted(jobs=(), stock=stock, charged=frozenset(charged), ordered=ordered))
    solved = solve(program.model, time_limit=_SECONDS, gap=_GAP)
    if not solved.found:
        return InOrder(None, "closing stock")
    return InOrder(total + solved.cost - float(program.model.constant))


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


def _take(
    program: WeekProgram,
    solved: Solved,
    stock: dict[int, Fraction],
    charged: set[tuple[str, int]],
    ordered: dict[int, Fraction],
) -> None:
    """Lower the stock by what was used, and put what was bought beyond it on the shelf."""
    world = program.world
    for s, buy in program.buys.items():
        kg = near(sum(float(solved.values[column]) for column in buy.columns)) * buy.unit
        supply = world.supplies[s]
        if kg and supply.offer is not None:
            stock[s] = stock.get(s, _ZERO) + kg
            ordered[s] += kg
            charged.add((supply.offer.terms.supplier, supply.first))
    for part in planned(program, solved):
        for s, kg in part.kilograms.items():
            stock[s] = max(stock.get(s, _ZERO) - kg / world.supplies[s].lot.usable, _ZERO)


def _count(program: WeekProgram, solved: Solved, taken: dict[Owner, Fraction], counted: dict[int, int]) -> None:
    """Use up the stages' capacities and the places for batches."""
    for row in program.model.rows:
        if row.owner.kind is RowKind.LIMIT:
            places, coefs = row.sparse
            taken[row.owner] += near(float((solved.values[places] * coefs.floats).sum()))
    for day in {part.block.day for part in planned(program, solved)}:
        counted[day] += 1
