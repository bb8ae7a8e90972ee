"""Room for the error of measured fat in plans: linear cuts added to the program until every batch keeps its confidence.

A requirement that must hold with a stated confidence is a cone, and every cut that its own ``cuts`` gives is a row that
no batch within the cone breaks. So the program with cuts stays a relaxation and its proved bound stays valid. A cut
holds at every size of a batch, as every row of a recipe does.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from constraints.row import Owner, RowKind, Vector
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.read_off import Planned, planned

_ZERO = Fraction(0)
ROUNDS = 80
"""Most rounds of cuts on the linear program; each brings it closer to the cones it holds from outside."""
WHOLE_ROUNDS = 12
"""Most rounds of cuts with whole numbers, after those on the relaxation."""
CLOSE = 1e-7
"""Share of the cost by which two rounds in a row must still move it for a further one."""


def solved_with_cuts(program: WeekProgram, **asked: Any) -> Solved:
    """Solve a program, again and again with the cuts that its batches break where one asks for room for error.

    ``asked`` is as of ``solve``. The program keeps the cuts.
    """
    found, still = solve(program.model, **asked), 0
    for _ in range(0 if not uncertain(program) else ROUNDS if asked.get("relaxed") else WHOLE_ROUNDS):
        if still > 1 or not found.found or found.interrupted or not _add_cuts(program, found):
            break
        before, found = found.cost, solve(program.model, **asked)
        still = still + 1 if found.cost - before <= CLOSE * abs(before) else 0
    return found


def uncertain(program: WeekProgram) -> bool:
    """True where any batch asks for room for error."""
    rows = {id(block.rows): block.rows for block in program.blocks}.values()
    return any(r.cones(one.problem.formula) for one in rows for r in one.problem.choosing)


def _add_cuts(program: WeekProgram, solved: Solved) -> int:
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
    cuts = [(r, row) for r in rows.problem.choosing for row in r.cuts(formula, tuple(kilograms))]
    for requirement, row in cuts:
        owner = Owner(RowKind.NEED, requirement, block.day, block.job)
        program.model.row(block.every, Vector.of(row.coefs).at(block.places), row.lo, row.hi, owner)
    return len(cuts)
