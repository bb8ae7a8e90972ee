"""Solving a large program: HiGHS, handed the whole matrix at once.

The method is chosen on evidence (tests/benchmark_plan.py --methods prints it): a program with many more columns than
rows is sifted; else interior point with crossover from INTERIOR_FROM coefficients up, primal simplex below. Everything
returned is floating point and trusted by nobody.
"""

from __future__ import annotations

import math
import signal
import sys
import threading
import time
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import highspy
import numpy as np

from constraints.row import Floats, Vector
from optimizer import clock
from optimizer.plan.settle.sift import sift, worth_sifting
from optimizer.solver.exact import reduced_costs
from optimizer.solver.kept import Kept
from optimizer.solver.model import Ending, Model, SolverDisagrees
from optimizer.solver.session import SEARCH, Session

INTERIOR_FROM = 500_000
"""Coefficients from which interior point with crossover was faster than the primal simplex on random weeks.

At 500 lots x 100 batches (258,000) the primal simplex took 2.5 to 3.5 s, interior point 4.1 to 5.5 s and the dual
simplex, the solver's own choice, 2.1 to 6.9 s; at 1,200 x 150 (945,000) they took 45 and 29 s.
"""
PRESOLVE_FROM = 1000
"""Columns from which presolving a linear program is worth it: 100 batches of 350 columns each took 0.39 s without and
0.68 s with it."""
_SIMPLEX = {"solver": "simplex", "simplex_strategy": 4}
"""HiGHS: the primal simplex. A week starts from nothing used, and what dies at no cost makes the dual degenerate."""
_OTHERWISE = {"solver": "choose", "simplex_strategy": 1, "presolve": "choose"}
"""HiGHS: its own choice of method, with the dual simplex, where the first way came to nothing."""
MOST_COLUMNS, MOST_ROWS = 240, 60
"""Largest program settled exactly: beyond it a dense rational inverse takes longer than a cook waits."""
_SAY_EVERY = 2.0
"""Seconds between two lines of progress."""


@dataclass(frozen=True)
class Solved:
    """How a solve ended: values of the columns, of linear programs prices of the rows and ``reduced`` costs (what one
    more unit of a column would cost), cost and the solver's bound.

    ``exact`` holds the values as a proved vertex where a small linear week was settled in exact arithmetic.
    """

    ending: Ending
    values: Floats = field(default_factory=lambda: np.zeros(0))
    prices: Floats = field(default_factory=lambda: np.zeros(0))
    reduced: Floats = field(default_factory=lambda: np.zeros(0))
    cost: float = math.nan
    bound: float = -math.inf
    interrupted: bool = False
    exact: tuple[Fraction, ...] = ()

    @property
    def found(self) -> bool:
        """True where there is a plan; of a week whose every batch is made nothing is left to choose."""
        return bool(len(self.values)) or self.ending is Ending.OPTIMAL


@dataclass
class Watch:
    """What happens while the solver runs: progress on stderr where ``talk``, and a stop on Ctrl-C.

    It keeps the best plan found; a second Ctrl-C ends the program as usual.
    """

    talk: bool = False
    stopped: bool = False
    _said: float = field(default_factory=time.monotonic)
    _before: Any = None

    def __enter__(self) -> None:
        if threading.current_thread() is threading.main_thread():  # in another nobody can press anything
            self._before = signal.signal(signal.SIGINT, self._interrupted)

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _interrupted(self, number: int, frame: object) -> None:
        if self.stopped:
            raise KeyboardInterrupt
        self.stopped = True

    def callback(self, kind: Any, message: str, out: Any, into: Any, data: Any) -> None:
        """Called by the solver."""
        # The solver's own logging call is not made while its output is off, so its other call is used for both.
        if kind == highspy.cb.HighsCallbackType.kCallbackMipInterrupt:
            self._say(out)
        if self.stopped:
            into.user_interrupt = True

    def _say(self, out: Any) -> None:
        now = time.monotonic()
        if not self.talk or now - self._said < _SAY_EVERY:
            return
        self._said = now
        gap = "none yet" if not math.isfinite(out.mip_gap) else f"{100 * out.mip_gap:.3f} %"
        best = "none yet" if out.mip_primal_bound >= 1e30 else f"{out.mip_primal_bound:.2f}"
        sys.stderr.write(f"{out.running_time:6.0f} s: best {best}, at least {out.mip_dual_bound:.2f}, gap {gap}\n")
        sys.stderr.flush()


def coefficients(program: Model) -> int:
    """Number of coefficients in the rows."""
    return sum(len(row.sparse[0]) for row in program.rows)


def settled(program: Model) -> Solved | None:
    """The exact optimum of a small linear program, or that there is none; None for any other, or where it gave up.

    A plan of one batch then equals that blend.
    """
    if program.whole or not 0 < program.size <= MOST_COLUMNS or len(program.rows) > MOST_ROWS:
        return None
    try:
        found = Kept(program).settle()
    except SolverDisagrees:
        return None
    if found is None:
        return Solved(Ending.INFEASIBLE)
    cost, rest = float(found.cost), reduced_costs(program, found.prices)
    values, prices, reduced = (Vector.of(part).floats for part in (found.values, found.prices, rest))
    return Solved(Ending.OPTIMAL, values, prices, reduced, cost, cost, exact=found.values)


def solve(
    program: Model,
    *,
    relaxed: bool = False,
    time_limit: float | None = None,
    gap: float = 0.0,
    watch: Watch | None = None,
    pinned: Floats | None = None,
    closed: Any = None,
) -> Solved:
    """Solve a program; ``relaxed`` drops the whole numbers, ``pinned`` holds them at these values as a linear program,
    with nothing of the columns ``closed`` (a mask).

    ``gap`` is relative, ``time_limit`` in seconds, as long as the limit stood in allows. Raises OutOfTime where nothing
    is left of that limit.
    """
    watch = watch or Watch()
    clock.left()
    whole = program.whole and not relaxed and pinned is None
    options, sifting = _options(program, whole), (relaxed or not program.whole) and worth_sifting(program)
    with clock.limited(time_limit), watch:
        session = Session(program, whole=whole, options=_SIMPLEX if sifting else options, load=False)
        _watched(session, watch)
        cost, least, most, counted = session.columns
        if pinned is not None:
            held = program.vectors[3].num != 0
            least, most = (np.where(held, np.round(pinned), bound) for bound in (least, most))
        session.columns = cost, least, most if closed is None else np.where(closed, least, most), counted
        sifted = sift(session, program.variables.blocks) if sifting else None
        if sifted is not None:
            money = float(cost @ sifted[0]) + float(program.constant)
            return Solved(Ending.OPTIMAL, *sifted, money, money)
        if sifting and (watch.stopped or clock.over()):
            return Solved(Ending.TIME_LIMIT, interrupted=watch.stopped)
        session.load(options)
        return _run(session, program, gap, watch)


def _run(session: Session, program: Model, gap: float, watch: Watch) -> Solved:
    """What a loaded program ends in. HiGHS now and then leaves the primal simplex with an unknown status."""
    session.otherwise = {} if session.whole else _OTHERWISE
    try:
        possible = session.run(gap=gap)
    except clock.OutOfTime:
        return Solved(Ending.TIME_LIMIT, interrupted=watch.stopped)
    if not possible:
        return Solved(Ending.FAILED if session.stopped else Ending.INFEASIBLE)
    if session.stopped and not session.whole:
        return Solved(Ending.TIME_LIMIT, interrupted=watch.stopped)
    constant = float(program.constant)
    bound = session.bound_found if session.whole else session.cost
    ending = Ending.TIME_LIMIT if session.stopped else Ending.OPTIMAL
    prices, reduced = (np.zeros(0), np.zeros(0)) if session.whole else (session.prices, session.reduced)
    return Solved(ending, session.values, prices, reduced, session.cost + constant, bound + constant, watch.stopped)


def _watched(session: Session, watch: Watch) -> None:
    """Let the solver look at ``watch`` whether it is to stop."""
    kinds = highspy.cb.HighsCallbackType
    session.highs.setCallback(watch.callback, None)
    for kind in (kinds.kCallbackSimplexInterrupt, kinds.kCallbackIpmInterrupt, kinds.kCallbackMipInterrupt):
        if session.whole or kind != kinds.kCallbackMipInterrupt:
            session.highs.startCallback(kind)


def _options(program: Model, whole: bool) -> dict[str, Any]:
    """The method chosen for a program."""
    if whole:
        return SEARCH
    presolve = {"presolve": "off"} if program.size < PRESOLVE_FROM else {}
    if coefficients(program) >= INTERIOR_FROM:
        return {**presolve, "solver": "ipm"}
    return {**presolve, **_SIMPLEX}
