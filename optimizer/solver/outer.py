"""Cones with whole numbers, by outer approximation (Duran and Grossmann, Mathematical Programming 36, 1986, 307-339).

Search in whole numbers with the cuts known so far; fix the whole numbers found and settle the rest with cones; cut at
both points; and again, until the search leaves nothing cheaper. What the prices of the linear program with cuts rule
out is left out of the search from the first batch on.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import ceil, floor

from constraints.cone import Cone
from constraints.row import Row
from optimizer.solver.cutting import GAP, Found, Search, rounded
from optimizer.solver.exact import reduced_costs
from optimizer.solver.fold import Folded, fold
from optimizer.solver.model import Ending, Outcome, Program, solve
from optimizer.solver.optimum import Optimum, Ranks, SolverDisagrees, optimise
from optimizer.solver.program import relaxed
from optimizer.solver.tangents import Tangents

_ZERO = Fraction(0)
_SEARCHES = 100
"""Most searches in whole numbers; one to ten are usual."""
_BEATEN = 1e-8
"""Share of the cost by which the solver's own bound may stay below it at the end."""
_FEW = 1
"""Searches with cuts alone; after them tangents are used as well, which are more rows but hold in every mixture."""
_NEAR = 0.02
"""Share of the room needed within which a cone that is kept gets tangents."""
_FIRM = Fraction(1, 10**6)
"""Share of the room needed by which a cut is drawn in where the same whole numbers come back and still break a cone."""


@dataclass
class Outer:
    """One search: the program, its cones and what is known so far."""

    program: Program
    cones: tuple[Cone, ...]
    ranks: Ranks
    deadline: float | None
    rounds: int = 0
    cuts: list[Row] = field(default_factory=list)
    best: Optimum | None = None
    reported: float = float("-inf")
    seen: set[tuple[int, ...]] = field(default_factory=set)
    tangents: Tangents = field(init=False)

    def __post_init__(self) -> None:
        self.tangents = Tangents(self.cones)

    def run(self) -> Found:
        """The optimum; its ending is TIME_LIMIT where the search stopped before nothing cheaper was left."""
        plain = optimise(self.program, self.ranks, time_limit=self._left())
        search = Search(self.cones, self.ranks)
        if not plain.values or search.keeps(plain.values):
            return Found(plain, (), plain=plain)
        loose = replace(search.linear(relaxed(self.program)), plain=plain)
        self.rounds += search.rounds
        if not loose.optimum.values:
            return loose
        base = Program(self.program.variables, (*self.program.rows, *loose.cuts))
        done = False
        for _ in range(_SEARCHES):
            outcome = self._ask(self._master(base, loose))
            if outcome.ending in (Ending.TIME_LIMIT, Ending.FAILED):
                break
            done = not outcome.values or self._beaten() or not self._cut(outcome.values)
            if done and outcome.values and self.best is None:
                raise SolverDisagrees("the whole numbers the solver chose leave no exact batch")
            if done:
                break
        if done and self.best is not None:
            self._better_ranked(self._master(base, loose))
        return self._answer(loose, search, done)

    def _left(self) -> float | None:
        return None if self.deadline is None else max(self.deadline - time.monotonic(), 0.01)

    def _master(self, base: Program, loose: Found) -> Program:
        narrow = base if self.best is None else _narrowed(base, loose.optimum, self.best.cost)
        master = Program(narrow.variables, (*narrow.rows, *self.cuts))
        return self.tangents.program(master) if len(self.seen) > _FEW and self.best is not None else master

    def _ask(self, master: Program) -> Outcome:
        """Search in whole numbers, and settle the rest with those it finds."""
        self.rounds += 1
        outcome = solve(master, time_limit=self._left())
        if outcome.ending is Ending.INFEASIBLE and self.best is not None:
            self.reported = float(self.best.cost)
        elif outcome.ending is not Ending.INFEASIBLE:
            self.reported = max(self.reported, outcome.bound)
        if outcome.values:
            found = self._pinned(outcome.values)
            if found is not None and (self.best is None or found.cost < self.best.cost):
                self.best = found
        return outcome

    def _beaten(self) -> bool:
        """True where the solver's own bound leaves nothing cheaper than the best batch."""
        if self.best is None:
            return False
        cost = float(self.best.cost)
        return cost - self.reported <= _BEATEN * max(1.0, abs(cost))

    def _cut(self, values: Sequence[float]) -> bool:
        """Cut at a point of the search and at the best batch; False where the point breaks no cone."""
        near = tuple(rounded(value) for value in values[: len(self.program.variables)])
        counts = tuple(round(x) for v, x in zip(self.program.variables, near, strict=True) if v.whole)
        firm = _FIRM if counts in self.seen else _ZERO
        self.seen.add(counts)
        broken = [cone for cone in self.cones if not cone.holds(near)]
        points = [near] if self.best is None else [near, self.best.values]
        for point in points:
            self.tangents.learn(tuple(map(float, point)), near=_NEAR)
            for cone in broken:
                row = cone.cut(point)
                if row is not None and row.hi is not None:
                    room = Fraction(float(cone.z) * float(cone.variance(point)) ** 0.5)
                    self.cuts.append(replace(row, hi=row.hi - firm * room))
        return bool(broken)

    def _pinned(self, x: Sequence[float]) -> Optimum | None:
        """The optimum with whole numbers fixed at these values, or None."""
        fixed = _fixed(self.program, x)
        if any(not v.lo <= f.lo <= v.hi for v, f in zip(self.program.variables, fixed.variables, strict=True)):
            return None
        folded = fold(fixed, self.cones)
        values: tuple[Fraction, ...] | None = folded.fixed
        if folded.free:
            values = self._near(folded, [*(x[j] for j in folded.free), 1.0])
        if values is None or not self.program.feasible(values) or not all(cone.holds(values) for cone in self.cones):
            return None
        return Optimum(Ending.OPTIMAL, values, self.program.cost(values))

    def _near(self, folded: Folded, x: Sequence[float]) -> tuple[Fraction, ...] | None:
        """Values of all variables at the optimum of what is left free, sought from a point."""
        inner = Search(folded.cones, Ranks((), ()))
        try:
            found = inner.near(folded.program, x)
        except SolverDisagrees:
            found = None
        self.rounds += inner.rounds
        return None if found is None else folded.unfold(found.values)

    def _better_ranked(self, master: Program) -> None:
        """Other whole numbers that cost no more, and use sooner what ought to be used sooner."""
        assert self.best is not None
        places = (*self.ranks.places, *[_ZERO] * (len(master.variables) - len(self.ranks.places)))
        if not any(places) or not self._has_twins():
            return
        ranked = tuple(replace(v, cost=place) for v, place in zip(master.variables, places, strict=True))
        outcome = solve(Program(ranked, master.rows), time_limit=self._left())
        other = self._pinned(outcome.values) if outcome.values else None
        if other is not None and other.cost <= self.best.cost + GAP * max(Fraction(1), abs(self.best.cost)):
            self.best = other

    def _has_twins(self) -> bool:
        """True where two variables cost the same and count the same in every cone, so that equals can be exchanged."""
        kinds = [(v.cost, *(c.coefs[j] for c in self.cones)) for j, v in enumerate(self.program.variables)]
        counted = [kind for kind in kinds if any(kind[1:])]
        return len(set(counted)) < len(counted)

    def _answer(self, loose: Found, search: Search, done: bool) -> Found:
        bound, prices = loose.optimum.bound, loose.optimum.prices
        if self.best is None:
            ended = Ending.INFEASIBLE if done else Ending.TIME_LIMIT
            return replace(loose, optimum=Optimum(ended, bound=bound, reported=self.reported, certain=False))
        values = search.ranked(_fixed(self.program, self.best.values), self.best.values)
        ended = Ending.OPTIMAL if done else Ending.TIME_LIMIT
        return replace(loose, optimum=Optimum(ended, values, self.best.cost, bound, self.reported, prices))


def _fixed(program: Program, x: Sequence[float | Fraction]) -> Program:
    """The program with whole numbers fixed at these values."""
    variables = []
    for v, value in zip(program.variables, x, strict=False):
        at = Fraction(round(value))
        variables.append(replace(v, lo=at, hi=at, whole=False) if v.whole else v)
    return Program(tuple(variables), program.rows)


def _narrowed(cut: Program, loose: Optimum, cost: Fraction) -> Program:
    """The program less what cannot be in a batch that costs no more than ``cost``.

    The prices of the linear program with cuts prove its bound; a variable with a reduced cost that moves off its bound
    adds that much for every unit.
    """
    room = cost - (loose.bound or _ZERO)
    variables = []
    for v, rest in zip(cut.variables, reduced_costs(cut, loose.prices), strict=True):
        lo, hi = v.lo, v.hi
        if rest > 0:
            hi = min(hi, lo + room / rest)
        elif rest < 0:
            lo = max(lo, hi + room / rest)
        if v.whole:
            lo, hi = Fraction(ceil(lo)), Fraction(floor(hi))
        variables.append(replace(v, lo=lo, hi=max(lo, hi)))
    dearest = Row("no dearer", tuple(v.cost for v in cut.variables), None, cost)
    return Program(tuple(variables), (*cut.rows, dearest))
