"""Room for the error of measured fat in plans: linear cuts added to the program until every batch keeps its confidence.

A requirement that must hold with a stated confidence is a cone, and every cut that its own ``cuts`` gives is a row that
no batch within the cone breaks. So the program with cuts stays a relaxation and its proved bound stays valid. A cut
holds at every size of a batch, as every row of a recipe does.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from constraints.vector import Vector
from optimizer.plan.model.blocks import Block, WeekProgram
from optimizer.plan.settle.engine import Solved
from optimizer.plan.settle.read_off import Planned, planned

_ZERO = Fraction(0)
ROUNDS = 80
"""Most rounds of cuts on the linear program; each brings it closer to the cones it holds from outside."""
WHOLE_ROUNDS = 12
"""Most rounds of cuts with whole numbers, after those on the relaxation."""
CLOSE = 1e-7
"""Share of the cost by which two rounds in a row must still move it for a further one."""


def uncertain(program: WeekProgram) -> bool:
    """True where any batch asks for room for error."""
    rows = {id(block.rows): block.rows for block in program.blocks}.values()
    return any(r.cones(one.problem.formula) for one in rows for r in one.problem.choosing)


def add_cuts(program: WeekProgram, solved: Solved) -> int:
    """Add the cuts that the batches of a solution break; their number."""
    return sum(_cuts_of(program, part) for part in planned(program, solved))


def _cuts_of(program: WeekProgram, part: Planned) -> int:
    block, world = part.block, program.world
    rows, formula = block.rows, block.rows.problem.formula
    kilograms = [_ZERO] * len(formula.columns)
    for s, kg in part.kilograms.items():
        kilograms[int(rows.place[world.supplies[s].source])] += kg
    for place, kg in zip(rows.free, part.free, strict=True):
        kilograms[place] = kg
    count = 0
    for requirement in rows.problem.choosing:
        for row in requirement.cuts(formula, tuple(kilograms)):
            _add(
                program, block, ("need", block.job.index, block.day, requirement, row.label), row.coefs, row.lo, row.hi
            )
            count += 1
    return count


def _add(
    program: WeekProgram,
    block: Block,
    label: tuple[object, ...],
    coefs: Sequence[Fraction],
    lo: Fraction | None,
    hi: Fraction | None,
) -> None:
    """A row over the formula's columns as one over a block's."""
    places = block.rows.place[program.world.source_of[block.supplies]]
    at = np.concatenate([places, np.array(block.rows.free, dtype=np.int64)])
    columns = np.concatenate([block.columns, np.array(block.free, dtype=np.int64)])
    program.sparse.row(label, columns, Vector.of(coefs).at(at), lo, hi)
