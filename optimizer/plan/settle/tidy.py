"""Tidy pulls and remnants where nobody asked for them: a plan without crumbs, where there is one.

What a week, a recipe or a lot asks for is in the program itself. The default is not: it would make a search in whole
numbers of every week. Crumbs of a solution are made large enough or closed, a lot or a delivery in packs of which next
to nothing is left is emptied, and the rest is solved again with every whole number held; where a batch asks for room
for error, with the cuts that this breaks. Where that has no solution the default gives way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from constraints.row import Floats, Row
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.settle.cone_cuts import solved_with_cuts
from optimizer.plan.settle.engine import Solved
from optimizer.plan.settle.read_off import NOTHING_KG, Planned, Purchase, needed, needed_only, orders, planned

_ZERO, _ONE = Fraction(0), Fraction(1)
_ROUNDS = 2
"""Rounds of closing crumbs; each may leave new ones."""
_BESIDE = 20
"""Columns of a batch beside those of the solution that may take the place of a crumb: those that cost least."""


def tidied(program: WeekProgram, solved: Solved, dearer: Floats) -> Solved:
    """The solution without crumbs, as far as there is one; ``dearer`` are reduced costs. Raises OutOfTime."""
    best, rows = solved, list[Row]()
    for _ in range(_ROUNDS):
        parts = planned(program, best)
        pulls = _pulls(program, parts)
        remnants = _remnants(program, parts, needed_only(program, needed(program.world, parts), orders(program, best)))
        if not pulls and not remnants:
            break
        larger = [_row([column], least, None) for column, least in pulls]
        none = [_row([column for column, _ in pulls], None, _ZERO)] if pulls else []
        tries = [[*rows, *larger, *remnants], [*rows, *larger], [*rows, *none, *remnants], [*rows, *none]]
        found = next((one for some in tries if (one := _with(program, solved, dearer, some)) is not None), None)
        if found is None:
            break
        best, rows = found
    return best


def _row(columns: Sequence[int], lo: Fraction | None, hi: Fraction | None) -> Row:
    return Row.of("tidy", dict.fromkeys(columns, _ONE), lo, hi)


def _with(program: WeekProgram, solved: Solved, dearer: Floats, rows: list[Row]) -> tuple[Solved, list[Row]] | None:
    """The same with further rows, over what is in the solution and what costs least beside it."""
    before, closed = len(program.model.rows), np.zeros(program.model.size, dtype=bool)
    for block in program.blocks if len(dearer) else ():
        rest = dearer[block.columns]
        beside = rest > np.partition(rest, _BESIDE)[_BESIDE] if len(rest) > _BESIDE else np.zeros(len(rest), dtype=bool)
        closed[block.columns] = beside & (solved.values[block.columns] <= NOTHING_KG)
    trial = replace(program, model=replace(program.model, rows=[*program.model.rows, *rows]))
    found = solved_with_cuts(trial, pinned=solved.values, closed=closed)
    return (replace(found, prices=found.prices[:before]), rows) if found.found else None


def _pulls(program: WeekProgram, parts: list[Planned]) -> list[tuple[int, Fraction]]:
    """The column of every crumb of a batch, and what it should be."""
    found, world = [], program.world
    for part in parts:
        job, usable = part.block.job, {s: world.supplies[s].lot.usable for s in part.kilograms}
        held = {s: kg / usable[s] for s, kg in part.kilograms.items()}
        for s in job.small_pulls(world, held, program.stock):
            enough = min(job.tidy.pull.kilograms, program.stock.get(s, job.tidy.pull.kilograms)) * usable[s]
            found.append((part.block.start + part.block.supplies.tolist().index(s), enough))
    return found


def _remnants(program: WeekProgram, parts: list[Planned], bought: Sequence[Purchase]) -> list[Row]:
    """For every opened lot, and delivery in packs, with too little left a row that empties it."""
    found, taken, supplies = [], needed(program.world, parts), program.world.supplies
    least = {s: part.block.job.tidy.remnant.kilograms for part in parts for s in part.kilograms}  # of the last use
    have = program.stock | {order.supply_index: order.kg for order in bought if order.packs is not None}
    for s, kg in taken.items():
        lot, there = supplies[s].lot, have.get(s, _ZERO)
        typed = lot.smallest_remnant_kg is not None or lot.use_up
        if not typed and 0 < there - kg < least[s] <= there:
            columns = [b.start + int(k) for b in program.blocks for k in (b.supplies == s).nonzero()[0]]
            found.append(_row(columns, there * lot.usable, None))
    return found
