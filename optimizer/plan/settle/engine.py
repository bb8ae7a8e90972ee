"""Solving a large program: HiGHS, handed the whole matrix at once, or the few columns of it that matter.

The method is chosen on evidence (tests/benchmark_plan.py --methods prints it): a program with many more columns than
rows is sifted; else interior point with crossover from INTERIOR_FROM coefficients up, primal simplex below. Everything
returned is floating point and trusted by nobody.

A week has a column for every lot and batch, and a row for every limit; nearly all columns end at zero. Sifting shows
the solver some of each batch's columns first. Its prices then show which of the others would make the plan cheaper,
those are added, and where none would, the solution is the optimum of the whole program (Bixby, Gregory, Lustig, Marsten
and Shanno, Operations Research 40(5), 1992; from memory). Rows that the first columns cannot reach are filled by
artificial columns at a price no plan would pay; where one stays, the whole program is solved instead.
"""

from __future__ import annotations

import math
import signal
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import highspy
import numpy as np

from constraints.row import Floats, Places, Vector
from optimizer import clock
from optimizer.solver.exact import reduced_costs
from optimizer.solver.optimum import Kept
from optimizer.solver.program import Ending, Model, SolverDisagrees
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
_FROM_BASIS = {"simplex_strategy": 1, "dual_simplex_cost_perturbation_multiplier": 0.0}
"""HiGHS: the dual simplex at the very costs of the basis that it starts from, the best there is without further rows:
135 and 15 ms for a second solve of a week of 500 x 100."""
_BASIC = highspy.HighsBasisStatus.kBasic
_OTHERWISE = {"solver": "choose", "simplex_strategy": 1, "presolve": "choose"}
"""HiGHS: its own choice of method, with the dual simplex, where the first way came to nothing."""
MOST_COLUMNS, MOST_ROWS = 240, 60
"""Largest program settled exactly: beyond it a dense rational inverse takes longer than a cook waits."""
COLUMNS_PER_ROW, FEWEST_COLUMNS = 4, 1500
"""Least columns a row, and in all, for which sifting is worth it."""
FIRST, MORE = 12, 20
"""Columns of a block at the start, and at most so many more a round: on weeks of 200 x 50 to 2,000 x 200 sifting then
took a third to a half of the time of the best method on the whole matrix (tests/benchmark_plan.py)."""
_ROUNDS = 200
_PRICIER = 1e3
"""Price of an artificial column, as a multiple of the dearest real one."""
_TOLERANCE = 1e-7
"""Reduced cost, in money, from which a column counts as making the plan cheaper: the solver's own tolerance."""
_SAY_EVERY = 2.0
"""Seconds between two lines of progress."""


SiftedBasis = tuple[set[int], Sequence[Any]]
"""The basic columns of a program, and where its rows stand, as the solver says it."""


@dataclass(frozen=True)
class Solved:
    """How a solve ended: values of the columns, of linear programs prices of the rows and ``reduced`` costs (what one
    more unit of a column would cost), cost and the solver's bound.

    ``exact`` holds the values as a proved vertex where a small linear week was settled in exact arithmetic, ``basis``
    the basic columns, and where the rows stand, where a week was sifted.
    """

    ending: Ending
    values: Floats = field(default_factory=lambda: np.zeros(0))
    prices: Floats = field(default_factory=lambda: np.zeros(0))
    reduced: Floats = field(default_factory=lambda: np.zeros(0))
    cost: float = math.nan
    bound: float = -math.inf
    interrupted: bool = False
    exact: tuple[Fraction, ...] = ()
    basis: SiftedBasis | None = None

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
        with suppress(ValueError):  # in another thread than the first nobody can press anything
            self._before = signal.signal(signal.SIGINT, self._interrupted)

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _interrupted(self, number: int, frame: object) -> None:
        if self.stopped:
            raise KeyboardInterrupt
        self.stopped = True

    def over(self, session: Session) -> None:
        """Let the solver look at it, and say how far it is."""
        kinds = highspy.cb.HighsCallbackType
        session.highs.setCallback(self._looked, None)
        for kind in (kinds.kCallbackSimplexInterrupt, kinds.kCallbackIpmInterrupt, kinds.kCallbackMipInterrupt):
            if session.whole or kind != kinds.kCallbackMipInterrupt:
                session.highs.startCallback(kind)

    def _looked(self, kind: Any, message: str, out: Any, into: Any, data: Any) -> None:
        # The solver's own logging call is not made while its output is off, so its other call is used for both.
        now = time.monotonic()
        if kind == highspy.cb.HighsCallbackType.kCallbackMipInterrupt and self.talk and now - self._said >= _SAY_EVERY:
            self._said = now
            gap = "none yet" if not math.isfinite(out.mip_gap) else f"{100 * out.mip_gap:.3f} %"
            best = "none yet" if out.mip_primal_bound >= 1e30 else f"{out.mip_primal_bound:.2f}"
            sys.stderr.write(f"{out.running_time:6.0f} s: best {best}, at least {out.mip_dual_bound:.2f}, gap {gap}\n")
            sys.stderr.flush()
        if self.stopped:
            into.user_interrupt = True


def worth_sifting(program: Model) -> bool:
    """True for a large program with many more columns than rows."""
    return program.size >= max(FEWEST_COLUMNS, COLUMNS_PER_ROW * len(program.rows))


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
    program: Model, *, relaxed: bool = False, time_limit: float | None = None, gap: float = 0.0,
    watch: Watch | None = None, pinned: Floats | None = None, closed: Any = None, start: Solved | None = None,
) -> Solved:  # fmt: skip
    """Solve a program; ``relaxed`` drops the whole numbers, ``pinned`` holds them at these values as a linear program,
    with nothing of the columns ``closed`` (a mask). ``start`` is how the same program without its last rows ended.

    ``gap`` is relative, ``time_limit`` in seconds, as long as the limit stood in allows. Raises OutOfTime where nothing
    is left of that limit.
    """
    watch = watch or Watch()
    clock.left()
    whole = program.whole and not relaxed and pinned is None
    with clock.limited(time_limit), watch:
        session = Session(program, whole=whole, options={}, load=False)
        watch.over(session)
        cost, least, most, counted = session.columns
        if pinned is not None:
            held = program.vectors[3].num != 0
            least, most = (np.where(held, np.round(pinned), bound) for bound in (least, most))
        session.columns = cost, least, most if closed is None else np.where(closed, least, most), counted
        try:
            sifted = None
            if (relaxed or not program.whole) and worth_sifting(program):
                sifted = _Sifting(session, program, start.basis if start else None).run()
            return sifted or _run(session, program, gap, watch)
        except clock.OutOfTime:
            return Solved(Ending.TIME_LIMIT, interrupted=watch.stopped)


def _run(session: Session, program: Model, gap: float, watch: Watch) -> Solved:
    """What a whole program ends in. HiGHS now and then leaves the primal simplex with an unknown status."""
    method = {"solver": "ipm"} if len(session.matrix.values) >= INTERIOR_FROM else _SIMPLEX
    session.load(SEARCH if session.whole else method | ({"presolve": "off"} if program.size < PRESOLVE_FROM else {}))
    session.otherwise = {} if session.whole else _OTHERWISE
    if not session.run(gap=gap):
        return Solved(Ending.FAILED if session.stopped else Ending.INFEASIBLE)
    if session.stopped and not session.whole:
        raise clock.OutOfTime
    cost, none = session.cost + float(program.constant), np.zeros(0)
    if not session.whole:
        return Solved(Ending.OPTIMAL, session.values, session.prices, session.reduced, cost, cost, watch.stopped)
    ending, bound = Ending.TIME_LIMIT if session.stopped else Ending.OPTIMAL, session.bound_found
    return Solved(ending, session.values, none, none, cost, bound + float(program.constant), watch.stopped)


class _Sifting:
    """The solver with the columns it has been shown: at first artificial ones for the rows that zero does not keep.

    These stand behind the real ones; of column j are the entries ``starts[j]`` to ``starts[j + 1]``.
    """

    def __init__(self, session: Session, program: Model, start: SiftedBasis | None) -> None:
        self.session, self.block, self.constant = session, program.variables.blocks, float(program.constant)
        cost, _, most, _ = session.columns
        matrix, self.size, rows = session.matrix, len(cost), len(session.matrix.lo)
        short, over = np.flatnonzero(matrix.lo > 0), np.flatnonzero(matrix.hi < 0)
        added = len(short) + len(over)
        self.cost = np.append(cost, np.full(added, _PRICIER * (float(np.abs(cost).max(initial=0.0)) + 1.0)))
        self.most = np.append(most, np.full(added, np.inf))
        columns = np.append(matrix.columns, self.size + np.arange(added))
        order = np.argsort(columns, kind="stable")
        self.column = columns[order]
        self.row = np.concatenate([np.repeat(np.arange(rows), np.diff(matrix.starts)), short, over])[order]
        self.value = np.concatenate([matrix.values, np.ones(len(short)), -np.ones(len(over))])[order]
        self.starts = np.searchsorted(self.column, np.arange(self.size + added + 1))
        self.shown, self.inside = np.zeros(0, dtype=np.int64), self.most <= 0
        none = np.zeros(0, dtype=np.int32)
        session.highs.addRows(rows, matrix.lo, matrix.hi, 0, np.zeros(rows, dtype=np.int32), none, np.zeros(0))
        some = np.flatnonzero(~self.inside[: self.size])
        few = len(some) <= (FIRST + MORE) * (int(self.block[-1]) + 1)
        first = some if few else some[_first(self.block[some], self.cost[some])]
        basic, stand = start or (set[int](), [])
        first = np.array(sorted(basic.union(first.tolist())), dtype=np.int64)
        self._show(np.append(self.size + np.arange(added), first))
        if start is not None:
            basis, lower = highspy.HighsBasis(), highspy.HighsBasisStatus.kLower
            basis.col_status = [_BASIC if j in basic else lower for j in self.shown.tolist()]
            basis.row_status, basis.valid = [*stand, *[_BASIC] * (rows - len(stand))], True
        taken = start is not None and session.highs.setBasis(basis) == highspy.HighsStatus.kOk
        for option, setting in (_FROM_BASIS if taken else _SIMPLEX).items():
            session.highs.setOptionValue(option, setting)

    def run(self) -> Solved | None:
        """The optimum of a linear program that is not loaded yet; None says nothing of it: it may have no solution.

        Raises OutOfTime, also where the solver was stopped.
        """
        for _ in range(_ROUNDS):
            if not self.session.run():
                return None
            if self.session.stopped:
                raise clock.OutOfTime
            prices = self.session.prices
            paid = np.bincount(self.column, prices[self.row] * self.value, len(self.cost)).astype(float)
            rest = (self.cost - paid)[: self.size]
            cheaper = np.flatnonzero((rest < -_TOLERANCE) & ~self.inside[: self.size])
            cheaper = cheaper[np.lexsort((rest[cheaper], self.block[cheaper]))]  # of each block what saves most first
            new = cheaper[_ranks(self.block[cheaper]) < MORE]
            if not len(new):
                break
            self._show(new)
        else:
            return None
        values = np.zeros(len(self.cost))
        values[self.shown] = self.session.highs.getSolution().col_value
        if values[self.size :].sum() > _TOLERANCE:  # an artificial column is still in use
            return None
        cost = float(self.cost[: self.size] @ values[: self.size]) + self.constant
        basis = self.session.highs.getBasis()
        basic = {j for j, state in zip(self.shown.tolist(), basis.col_status, strict=True) if state == _BASIC}
        stand = basic.intersection(range(self.size)), basis.row_status
        return Solved(Ending.OPTIMAL, values[: self.size], prices, rest, cost, cost, basis=stand)

    def _show(self, new: Places) -> None:
        """Show the solver more columns."""
        counts = self.starts[new + 1] - self.starts[new]
        starts = np.concatenate([[0], np.cumsum(counts)])
        at = np.repeat(self.starts[new] - starts[:-1], counts) + np.arange(starts[-1])
        self.session.highs.addCols(
            len(new), self.cost[new], np.zeros(len(new)), self.most[new], len(at),
            starts[:-1].astype(np.int32), self.row[at].astype(np.int32), self.value[at],
        )  # fmt: skip
        self.shown = np.append(self.shown, new)
        self.inside[new] = True


def _first(block: Places, cost: Floats) -> Places:
    """Of each block all columns or FIRST spread over it, and half as many of the cheapest; the same at every run."""
    spread = np.random.default_rng(0).random(len(block))
    orders = [(np.lexsort((key, block)), most) for key, most in ((spread, FIRST), (cost, FIRST // 2))]
    return np.array(sorted({j for order, most in orders for j in order[_ranks(block[order]) < most].tolist()}))


def _ranks(block: Places) -> Places:
    """Place of each entry within its block; the blocks come in order."""
    return np.arange(len(block)) - np.searchsorted(block, block)
