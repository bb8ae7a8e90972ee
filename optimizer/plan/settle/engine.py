"""Solving a large program: HiGHS, handed the whole matrix at once.

The method is chosen on evidence (tests/benchmark_plan.py --methods prints it): a program with many more columns than
rows is sifted; else interior point with crossover from INTERIOR_FROM coefficients up, primal simplex below. Everything
returned is floating point and trusted by nobody.
"""

from __future__ import annotations

import math
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import highspy
import numpy as np

from constraints.vector import Floats
from optimizer.clock import shorter
from optimizer.plan.model.sparse import Sparse
from optimizer.plan.settle.sift import Matrix, sift, worth_sifting
from optimizer.solver.model import Ending

INTERIOR_FROM = 500_000
"""Coefficients from which interior point with crossover was faster than the primal simplex on random weeks.

At 500 lots x 100 batches (258,000) the primal simplex took 2.5 to 3.5 s, interior point 4.1 to 5.5 s and the dual
simplex, the solver's own choice, 2.1 to 6.9 s; at 1,200 x 150 (945,000) they took 45 and 29 s.
"""
PRESOLVE_FROM = 1000
"""Columns from which presolving a linear program is worth it: 100 batches of 350 columns each took 0.39 s without and
0.68 s with it."""
_PRIMAL = 4
"""HiGHS: the primal simplex. A week starts from nothing used, and what dies at no cost makes the dual degenerate."""
_OTHERWISE = {"solver": "choose", "simplex_strategy": 1, "presolve": "choose"}
"""HiGHS: its own choice of method, with the dual simplex, where the first way came to nothing."""
_SEARCH = {"mip_heuristic_run_root_reduced_cost": False, "mip_allow_restart": False}
"""HiGHS: at the root of a week its sub-searches and restarts took longer than the tree. On integer weeks of the
benchmark 1.9, 2.9 and 13 s instead of 5.7, 4.4 and 15 s to 0.1 %; a fourth took more than a minute either way."""
_SAY_EVERY = 2.0
"""Seconds between two lines of progress."""
_BY_ROWS, _MINIMISE = 2, 1
"""HiGHS: the matrix comes row by row; the cost is minimised."""
_FEASIBLE_POINT = 2
"""HiGHS: the primal solution is feasible."""


@dataclass(frozen=True)
class Solved:
    """How a solve ended: values of the columns, prices of the rows (linear programs), cost and the solver's bound.

    ``exact`` holds the values as a proved vertex where a small linear week was settled in exact arithmetic.
    """

    ending: Ending
    values: Floats = field(default_factory=lambda: np.zeros(0))
    prices: Floats = field(default_factory=lambda: np.zeros(0))
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
    """What happens while the solver runs: progress on stderr where ``talk``, and a stop on Ctrl-C."""

    talk: bool = False
    stopped: bool = False
    _said: float = field(default_factory=time.monotonic)

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


@contextmanager
def _stop_on_interrupt(watch: Watch) -> Iterator[None]:
    """Ctrl-C stops the search and keeps the best plan; a second one ends the program as usual."""

    def stop(number: int, frame: object) -> None:
        if watch.stopped:
            raise KeyboardInterrupt
        watch.stopped = True

    try:
        old = signal.signal(signal.SIGINT, stop)
    except ValueError:  # not the main thread: nobody can press anything here
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, old)


def _as_arrays(program: Sparse) -> tuple[Floats, Floats, Any, Any, Floats]:
    """Row limits, row starts, column indices and coefficients, row by row."""
    lo = np.array([-math.inf if r.lo is None else float(r.lo) for r in program.rows])
    hi = np.array([math.inf if r.hi is None else float(r.hi) for r in program.rows])
    sizes = [len(r.columns) for r in program.rows]
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int32) if sizes else np.zeros(0, dtype=np.int32)
    index = np.concatenate([r.columns for r in program.rows]).astype(np.int32) if sizes else np.zeros(0, np.int32)
    value = np.concatenate([r.coefs.floats for r in program.rows]) if sizes else np.zeros(0)
    return lo, hi, starts, index, value


def coefficients(program: Sparse) -> int:
    """Number of coefficients in the rows."""
    return sum(len(row.columns) for row in program.rows)


def solve(
    program: Sparse,
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
    watch, time_limit = watch or Watch(), shorter(time_limit)
    whole = program.has_whole and not relaxed and pinned is None
    options = _options(program, whole, gap) | ({} if time_limit is None else {"time_limit": time_limit})
    lo, hi, starts, index, value = _as_arrays(program)
    with _stop_on_interrupt(watch):
        highs = _solver(options, watch, whole)
        if not whole and pinned is None and worth_sifting(program):
            sifted = sift(highs, program, lo, hi, Matrix.of(program.size, starts, index, value))
            if sifted is not None:
                cost = sifted.cost + float(program.constant)
                return Solved(Ending.OPTIMAL, sifted.values, sifted.prices, cost, cost)
            if watch.stopped or highs.getModelStatus() == highspy.HighsModelStatus.kTimeLimit:
                return Solved(Ending.TIME_LIMIT, interrupted=watch.stopped)
            highs = _solver(options, watch, whole)
        least, most = _bounds(program, pinned, closed)
        if closed is not None:
            starts, index, value = _without(closed, starts, index, value)
        highs.passModel(
            program.size, len(program.rows), len(index), _BY_ROWS, _MINIMISE, 0.0, program.cost, least, most,
            lo, hi, starts, index, value, (program.whole if whole else np.zeros(program.size)).astype(np.int32),
        )  # fmt: skip
        return _run(highs, program, whole, watch)


def _run(highs: highspy.Highs, program: Sparse, whole: bool, watch: Watch) -> Solved:
    """What a loaded program ends in, asked otherwise where the first way fails."""
    highs.run()
    found = _read(highs, program, whole, watch)
    if found.ending is not Ending.FAILED or whole:
        return found
    # HiGHS now and then leaves the primal simplex with an unknown status, also on tiny programs.
    for option, setting in _OTHERWISE.items():
        highs.setOptionValue(option, setting)
    highs.clearSolver()
    highs.run()
    return _read(highs, program, whole, watch)


def _bounds(program: Sparse, pinned: Floats | None, closed: Any) -> tuple[Floats, Floats]:
    """Lower and upper bounds of the columns."""
    least, most = np.zeros(program.size), program.hi
    if pinned is not None:
        least, most = (np.where(program.whole == 1, np.round(pinned), bound) for bound in (least, most))
    return least, most if closed is None else np.where(closed, 0.0, most)


def _without(closed: Any, starts: Any, index: Any, value: Floats) -> tuple[Any, Any, Floats]:
    """The matrix row by row without the entries of some columns."""
    kept = ~closed[index]
    before = np.concatenate([[0], np.cumsum(kept)])
    return before[starts].astype(np.int32), index[kept], value[kept]


def _solver(options: Mapping[str, Any], watch: Watch, whole: bool) -> Any:
    """A solver with its options set, which looks at ``watch`` whether it is to stop."""
    highs, kinds = highspy.Highs(), highspy.cb.HighsCallbackType
    for option, setting in options.items():
        highs.setOptionValue(option, setting)
    highs.setCallback(watch.callback, None)
    for kind in (kinds.kCallbackSimplexInterrupt, kinds.kCallbackIpmInterrupt, kinds.kCallbackMipInterrupt)[
        : 2 + whole
    ]:
        highs.startCallback(kind)
    return highs


def _options(program: Sparse, whole: bool, gap: float) -> dict[str, Any]:
    """The method chosen for a program."""
    options: dict[str, Any] = {"output_flag": False, "threads": 1, "random_seed": 0}
    if whole:
        return options | {"mip_rel_gap": gap, **_SEARCH}
    interior = coefficients(program) >= INTERIOR_FROM
    options |= {"solver": "ipm"} if interior else {"solver": "simplex", "simplex_strategy": _PRIMAL}
    return options | ({"presolve": "off"} if program.size < PRESOLVE_FROM else {})


def _read(highs: Any, program: Sparse, whole: bool, watch: Watch) -> Solved:
    status, states = highs.getModelStatus(), highspy.HighsModelStatus
    if status in (states.kInfeasible, states.kUnboundedOrInfeasible):
        return Solved(Ending.INFEASIBLE)
    stopped = status in (states.kTimeLimit, states.kInterrupt)
    info = highs.getInfo()
    constant = float(program.constant)
    bound = (info.mip_dual_bound if whole else info.objective_function_value) + constant
    if status == states.kModelEmpty:  # nothing to choose from: zero is the only plan, where every row takes it
        if any((row.lo is not None and row.lo > 0) or (row.hi is not None and row.hi < 0) for row in program.rows):
            return Solved(Ending.INFEASIBLE)
        return Solved(Ending.OPTIMAL, np.zeros(program.size), np.zeros(len(program.rows)), constant, constant)
    if not (stopped or status == states.kOptimal) or info.primal_solution_status != _FEASIBLE_POINT:
        return Solved(Ending.TIME_LIMIT if stopped else Ending.FAILED, interrupted=watch.stopped)
    if stopped and not whole:
        return Solved(Ending.TIME_LIMIT, interrupted=watch.stopped)
    solution = highs.getSolution()
    return Solved(
        Ending.TIME_LIMIT if stopped else Ending.OPTIMAL,
        np.array(solution.col_value),
        np.zeros(0) if whole else np.array(solution.row_dual),
        info.objective_function_value + constant,
        bound,
        watch.stopped,
    )
