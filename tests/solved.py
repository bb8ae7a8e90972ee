"""What the solver says of a program, asked once, in floating point."""

from __future__ import annotations

import math
from dataclasses import dataclass

from optimizer.solver.program import Ending, Program, SimplexBasis
from optimizer.solver.session import ALL, Session


@dataclass(frozen=True)
class Outcome:
    """What the solver said. ``values`` are floats, empty unless it found a point.

    ``basis`` is there for a linear program, also where it is found infeasible; ``ray`` are then prices of the rows that
    should prove it. ``bound`` is the solver's own lower bound on cost, reported and not proved.
    """

    ending: Ending
    values: tuple[float, ...] = ()
    basis: SimplexBasis | None = None
    bound: float = -math.inf
    ray: tuple[float, ...] = ()


def solve(program: Program, *, nodes: int = ALL, gap: float = 0.0, stated: bool = False) -> Outcome:
    """Solve a program once (see ``Session``). Raises OutOfTime where time is over before a point is found."""
    session = Session(program, whole=program.whole, stated=stated)
    feasible = session.run(nodes=nodes, gap=gap)
    if not feasible:
        return Outcome(Ending.FAILED if session.stopped else Ending.INFEASIBLE, basis=session.basis, ray=session.ray)
    ending = Ending.TIME_LIMIT if session.stopped else Ending.OPTIMAL
    if not session.found:
        return Outcome(ending)
    bound = session.bound_found if program.whole else session.cost
    return Outcome(ending, tuple(session.values.tolist()), None if program.whole else session.basis, bound)
