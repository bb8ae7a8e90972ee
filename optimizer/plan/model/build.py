"""The program of a week: kilograms of every supply in every batch on every day, what to buy, and the kitchen's limits.

Kilograms are usable ones. What is left at the end is not a variable: using a kilogram costs what it would have been
worth, and the stock is a constant. So a lot that dies inside the horizon costs its salvage, every other its book price,
and the end of the horizon is no cliff.

What makes the whole numbers tight: a batch made on one of several days has its size inside its yes-or-no row; an
order's quantity, price breaks and smallest order are one set of segments whose relaxation is the convex hull;
quantities are bounded by what the batches could use at most; and pairs of lot and batch that no plan can use are never
built.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from constraints.quantities import Basis
from constraints.requirement import Span
from constraints.row import Owner, RowKind
from optimizer.clock import left
from optimizer.plan.model.blocks import (
    Block,
    SupplyCosts,
    Uses,
    WeekPart,
    WeekProgram,
    amount,
    block_of,
    most_of,
    ones,
)
from optimizer.plan.model.kitchen import rules_of
from optimizer.plan.model.orders import besides, stock_and_orders
from optimizer.plan.model.world import Job, World
from optimizer.solver.model import Model, none_or

_ZERO, _ONE = Fraction(0), Fraction(1)


def build(world: World, wanted: WeekPart | None = None) -> WeekProgram:
    """Build the program of a week, or of some batches of it. Raises OutOfTime."""
    wanted = WeekPart() if wanted is None else wanted
    stock = world.stock if wanted.stock is None else wanted.stock
    kept = (kg * world.supplies[i].nights * world.holding for i, kg in stock.items() if world.holding)
    model = Model(constant=sum(kept, _ZERO))
    program = WeekProgram(world, model, stock=_held_back(world, stock, wanted.room.back), since=wanted.not_before)
    costs = wanted.costs or SupplyCosts(world, program.stock)
    for job in [world.jobs[i] for i in (range(len(world.jobs)) if wanted.jobs is None else wanted.jobs)]:
        left()
        if job.days and job.index not in wanted.room.without:
            _batch(program, job, costs)
    # The stock of a single block stands on its columns already.
    uses = _uses(program, only_offers=wanted.alone and len(program.blocks) == 1)
    uses |= {s: (np.zeros(0, dtype=np.int64), _ZERO) for s in besides(program, uses, wanted)}
    stock_and_orders(program, uses, wanted)
    for rule in rules_of(world):
        if not (wanted.alone and rule.whole_week):
            rule.rows(program, uses, wanted)
    program.stock = stock
    return program


def _held_back(world: World, stock: dict[int, Fraction], kg: Fraction) -> dict[int, Fraction]:
    """The stock with a little of every lot put by for the rounding of several batches that use one up."""
    if not kg:
        return stock
    return {s: have if world.supplies[s].lot.use_up else max(have - kg, _ZERO) for s, have in stock.items()}


def _batch(program: WeekProgram, job: Job, costs: SupplyCosts) -> None:
    """All blocks of one batch with its size: on one chosen day, made or left out as a whole, or in any parts."""
    model, entry = program.model, job.entry
    optional = entry.may_leave_out and job.lo > 0
    one_day = len(job.days) > 1 and not entry.may_split
    blocks = []
    for day in job.days:
        made = model.column(_ZERO, _ONE, whole=True) if one_day else None
        blocks.append(block_of(program, job, day, made, costs))
    if one_day:
        for block in blocks:
            _size(program, job, [block], block.made)
        columns = [b.made for b in blocks if b.made is not None]
        least = _ZERO if entry.may_leave_out or job.lo <= 0 else _ONE
        model.row(columns, ones(len(columns)), least, _ONE, Owner(RowKind.ONCE, job))
    elif optional:
        made = model.column(_ZERO, _ONE, whole=True)
        _size(program, job, blocks, made)
        if len(blocks) == 1:
            program.blocks[-1] = replace(blocks[0], made=made)
    else:
        _size(program, job, blocks, None)


def _size(program: WeekProgram, job: Job, blocks: Sequence[Block], made: int | None) -> None:
    """The kilograms of these blocks together, where a yes-or-no column says so if there is one."""
    model, kitchen, owner = program.model, program.world.week.entry.kitchen, Owner(RowKind.SIZE, job)
    if made is not None or kitchen.stages or kitchen.most_batches_a_day:
        columns = [amount(program, b, job.entry.basis) for b in blocks]
        if made is None:
            model.row(columns, ones(len(columns)), job.lo, job.hi, owner)
        else:
            model.rows.extend(none_or(dict.fromkeys(columns, _ONE), Span(job.lo, job.hi), made, owner=owner)[::-1])
        return
    # nothing else asks for a batch's kilograms: its size stands on the lots themselves
    first, *others = (block.weights(job.entry.basis) for block in blocks)
    model.row(np.concatenate([block.every for block in blocks]), first.joined(*others), job.lo, job.hi, owner)


def _uses(program: WeekProgram, *, only_offers: bool) -> Uses:
    """For each supply the columns that use it, and the most kilograms (usable) that all batches could use of it."""
    blocks, none = program.blocks, np.zeros(0, dtype=np.int64)
    supplies = np.concatenate([none, *(b.supplies for b in blocks)])
    columns = np.concatenate([none, *(b.columns for b in blocks)])
    owner = np.repeat(np.arange(len(blocks)), np.array([len(b.supplies) for b in blocks], dtype=np.int64))
    if only_offers:
        bought = program.world.offered[supplies]
        supplies, columns, owner = supplies[bought], columns[bought], owner[bought]
    order = np.argsort(supplies, kind="stable")
    supplies, columns, owner = supplies[order], columns[order], owner[order]
    names, starts = np.unique(supplies, return_index=True)
    tops = [most_of(b, Basis.MEAT) for b in blocks]
    found = {}
    for s, group, mine in zip(names, np.split(columns, starts[1:]), np.split(owner, starts[1:]), strict=False):
        most: dict[int, Fraction] = {}
        for b in mine:
            job = blocks[b].job.index
            most[job] = max(most.get(job, _ZERO), tops[b])
        found[int(s)] = group, sum(most.values(), _ZERO)
    return found
