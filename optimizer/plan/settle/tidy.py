"""Tidy pulls and remnants where nobody asked for them: a plan without crumbs, where there is one.

What a week, a recipe or a lot asks for is in the program itself. The default is not: it would make a search in whole
numbers of every week. Crumbs of a solution are made large enough or closed, a lot of which next to nothing is left is
emptied, and the rest is solved again with every whole number held. Where that has no solution, or a batch asks for room
for error, the default gives way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from constraints.numbers import trimmed
from constraints.row import Row
from constraints.vector import Floats
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.money import taken_by_day
from optimizer.plan.settle.read_off import NOTHING_KG, Planned, coarsest, planned
from optimizer.plan.settle.weigh import Made
from optimizer.solver.exact import reduced_about

_ZERO, _ONE = Fraction(0), Fraction(1)
_ROUNDS = 2
"""Rounds of closing crumbs; each may leave new ones."""
_BESIDE = 20
"""Columns of a batch beside those of the solution that may take the place of a crumb: those that cost least."""


def tidied(program: WeekProgram, solved: Solved, prices: Floats) -> Solved:
    """The solution without crumbs, as far as there is one. Raises OutOfTime."""
    best, rows = solved, list[Row]()
    dearer = reduced_about(program.model, prices)
    for _ in range(_ROUNDS):
        parts = planned(program, best)
        pulls, remnants = _pulls(program, parts), _remnants(program, parts)
        if not pulls and not remnants:
            break
        larger = [Row.of("tidy pull", {c: _ONE}, least, None) for c, least in pulls]
        none = [Row.of("tidy pull", {c: _ONE for c, _ in pulls}, None, _ZERO)] if pulls else []
        tries = [[*rows, *larger, *remnants], [*rows, *larger], [*rows, *none, *remnants], [*rows, *none]]
        found = next((one for some in tries if (one := _with(program, solved, dearer, some)) is not None), None)
        if found is None:
            break
        best, rows = found
    return best


def _with(program: WeekProgram, solved: Solved, dearer: Floats, rows: list[Row]) -> tuple[Solved, list[Row]] | None:
    """The same with further rows, over what is in the solution and what costs least beside it."""
    before, closed = program.model.rows, np.zeros(program.model.size, dtype=bool)
    for block in program.blocks if len(dearer) else ():
        rest = dearer[block.columns]
        beside = rest > np.partition(rest, _BESIDE)[_BESIDE] if len(rest) > _BESIDE else np.zeros(len(rest), dtype=bool)
        closed[block.columns] = beside & (solved.values[block.columns] <= NOTHING_KG)
    found = solve(replace(program.model, rows=[*before, *rows]), pinned=solved.values, closed=closed)
    return (replace(found, prices=found.prices[: len(before)]), rows) if found.found else None


def _pulls(program: WeekProgram, parts: list[Planned]) -> list[tuple[int, Fraction]]:
    """The column of every crumb of a batch, and what it should be; what has a smallest pull of its own aside."""
    found = []
    for part in parts:
        least, block = part.block.job.tidy.pull.kilograms, part.block
        for k, s in enumerate(block.supplies.tolist()):
            lot, kg = program.world.supplies[s].lot, part.kilograms.get(s, _ZERO)
            enough = min(least, program.stock.get(s, least)) * lot.usable
            if 0 < kg < enough and lot.smallest_pull_kg is None and not lot.use_up:
                found.append((block.start + k, enough))
    return found


def _remnants(program: WeekProgram, parts: list[Planned]) -> list[Row]:
    """For every opened lot with too little left a row that empties it."""
    found = []
    for s, (taken, least) in _used(parts).items():
        lot, have = program.world.supplies[s].lot, program.stock.get(s, _ZERO)
        left = have - taken / lot.usable
        typed = lot.smallest_remnant_kg is not None or lot.use_up or program.world.supplies[s].offer is not None
        if not typed and 0 < left < least <= have:
            columns = [b.start + int(k) for b in program.blocks for k in (b.supplies == s).nonzero()[0]]
            found.append(Row.of("tidy remnant", dict.fromkeys(columns, _ONE), have * lot.usable, None))
    return found


def _used(parts: list[Planned]) -> dict[int, tuple[Fraction, Fraction]]:
    """Of each supply the usable kilograms taken, and the smallest remnant at its last use."""
    found: dict[int, tuple[Fraction, Fraction]] = {}
    for part in parts:  # in the order of days
        for s, kg in part.kilograms.items():
            found[s] = found.get(s, (_ZERO, _ZERO))[0] + kg, part.block.job.tidy.remnant.kilograms
    return found


def crumbs(program: WeekProgram, made: Sequence[Made]) -> Iterator[str]:
    """Pulls, as weighed, that are smaller than they should be, and remnants, in words."""
    supplies, last = program.world.supplies, dict[int, Made]()
    for one in made:
        last |= dict.fromkeys(one.taken, one)
        for s, kg in one.taken.items():
            if 0 < kg < min(one.job.tidy.pull.kilograms, program.stock.get(s, kg + 1)) and not supplies[s].lot.use_up:
                yield f"{trimmed(kg, 3)} kg of {supplies[s].name} in {one.job.name}"
    taken, division = taken_by_day(made), coarsest(program.world)
    for s, one in last.items():
        have = program.stock.get(s, _ZERO)
        left = have - sum(taken[s].values(), _ZERO)
        least = one.job.tidy.remnant.kilograms
        if division <= left < least <= have and supplies[s].offer is None:
            yield f"{trimmed(left, 3)} kg of {supplies[s].name} left"
