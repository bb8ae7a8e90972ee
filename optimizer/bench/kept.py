"""A program kept in the solver between many small changes, every answer of it settled in exact arithmetic.

A report on a conflict asks the same program a hundred questions that differ in a limit, a bound or the costs. Here the
program stands in HiGHS once, in floats, and beside it in whole numbers; the solver starts each time from where it
last stood. Of what it says only the basis, or the ray by which it found nothing, is used:

- the vertex of a basis and its prices are reckoned in whole numbers and compared with every limit (see vertex);
- a ray, rounded, proves that there is no point if the bound reckoned from it is above zero (Farkas).

Where either does not stand up, the exact simplex method settles the matter (see optimum).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from math import floor, gcd, inf, lcm
from typing import Any

import numpy as np

from constraints.row import Row
from optimizer import clock
from optimizer.bench.vertex import Vertex, vertex
from optimizer.solver.exact import Vertex as Proved
from optimizer.solver.exact import no_sum_fits
from optimizer.solver.model import Program, SolverDisagrees, Variable
from optimizer.solver.optimum import settle
from optimizer.solver.session import Session

_ZERO = Fraction(0)
_FINE = 2**40
"""Denominator to which a ray is rounded."""
_NODES = 300
"""Most linear programs solved to check a claim that whole numbers leave no point."""
MOST_NODES = 200
"""Nodes after which a search in whole numbers is given up; each is a linear program, and few need more than ten."""


@contextmanager
def searching(kept: Kept, nodes: int, gap: float = 0.0) -> Iterator[None]:
    """Within this a search in whole numbers is given up after so many nodes, or within a gap as a share of the cost."""
    before = kept.most_nodes, kept.gap
    kept.most_nodes, kept.gap = nodes, gap
    try:
        yield
    finally:
        kept.most_nodes, kept.gap = before


class Unsettled(Exception):
    """A search in whole numbers was given up before it found anything; nothing is known."""


class Kept:
    """One program. Its limits, bounds and costs may change; columns without whole numbers and rows may be added.

    ``settle``, ``guess`` and ``refutation`` leave whole numbers aside; ``best`` keeps them.
    """

    def __init__(self, program: Program) -> None:
        self.variables = [Variable(v.name, v.cost, v.lo, v.hi) for v in program.variables]
        self.counted = [j for j, v in enumerate(program.variables) if v.whole]
        self.labels = [row.label for row in program.rows]
        self.lo = [row.lo for row in program.rows]
        self.hi = [row.hi for row in program.rows]
        self.lines = np.zeros((len(program.rows), len(self.variables)), dtype=object)
        self.dens = [self._fill(i, row.coefs) for i, row in enumerate(program.rows)]
        self.certain = True
        self.most_nodes, self.gap = MOST_NODES, 0.0
        self._known: tuple[Fraction, ...] = ()
        self._linear = Session(program)
        self._solvers = [self._linear]

    # The program and its changes.

    @property
    def program(self) -> Program:
        """The program as it stands, without whole numbers."""
        rows = (
            Row(label, tuple(Fraction(n, den) if n else _ZERO for n in line), lo, hi)
            for label, line, den, lo, hi in zip(self.labels, self.lines, self.dens, self.lo, self.hi, strict=True)
        )
        return Program(tuple(self.variables), tuple(rows))

    def limit(self, i: int, lo: Fraction | None, hi: Fraction | None) -> None:
        """Put a row between other limits; with neither it is let go."""
        if (self.lo[i], self.hi[i]) == (lo, hi):
            return
        self.lo[i], self.hi[i] = lo, hi
        for session in self._solvers:
            session.limit(i, lo, hi)

    def bound(self, j: int, lo: Fraction, hi: Fraction) -> None:
        """Put a variable between other bounds."""
        v = self.variables[j]
        if (v.lo, v.hi) == (lo, hi):
            return
        self.variables[j] = Variable(v.name, v.cost, lo, hi)
        for session in self._solvers:
            session.bound(j, float(lo), float(hi))

    def coefficient(self, i: int, j: int, a: Fraction) -> None:
        """Put another coefficient in a row."""
        self._put(i, j, a)
        for session in self._solvers:
            session.coefficient(i, j, float(a))

    def _put(self, i: int, j: int, a: Fraction) -> None:
        if self.dens[i] % a.denominator:
            more = a.denominator // gcd(self.dens[i], a.denominator)
            self.lines[i] *= more
            self.dens[i] *= more
        self.lines[i, j] = a.numerator * (self.dens[i] // a.denominator)

    def aim(self, costs: Mapping[int, Fraction]) -> None:
        """Put a cost on these variables and none on the others."""
        for j, v in enumerate(self.variables):
            cost = costs.get(j, _ZERO)
            if v.cost != cost:
                self.variables[j] = Variable(v.name, cost, v.lo, v.hi)
        self.aim_about([float(costs[j]) if j in costs else 0.0 for j in range(len(self.variables))])

    def aim_about(self, costs: Any) -> None:
        """Put costs on the variables for a guess only: what is proved is proved for the costs last aimed at."""
        for session in self._solvers:
            session.costs(costs)

    def add_row(self, row: Row) -> int:
        """Add a row over the variables there are; its place."""
        i = len(self.labels)
        self.labels.append(row.label)
        self.lo.append(row.lo)
        self.hi.append(row.hi)
        self.lines = np.vstack([self.lines, np.zeros((1, len(self.variables)), dtype=object)])
        self.dens.append(self._fill(i, row.coefs))
        floats = (self.lines[i] / self.dens[i]).astype(float)
        for session in self._solvers:
            session.add_row(floats, -inf if row.lo is None else float(row.lo), inf if row.hi is None else float(row.hi))
        return i

    def add_columns(self, columns: Sequence[tuple[Variable, Mapping[int, Fraction]]]) -> list[int]:
        """Add variables, each with its coefficients by row; their places."""
        first = len(self.variables)
        self.lines = np.hstack([self.lines, np.zeros((len(self.labels), len(columns)), dtype=object)])
        for j, (v, coefs) in enumerate(columns, start=first):
            self.variables.append(v)
            for i, a in coefs.items():
                self._put(i, j, a)
            for session in self._solvers:
                session.add_column(float(v.cost), float(v.lo), float(v.hi), {i: float(a) for i, a in coefs.items()})
        return list(range(first, first + len(columns)))

    # Questions.

    def guess(self) -> tuple[float, ...]:
        """The values at a cheapest point as the solver says, not proved; empty where it found none."""
        return tuple(self._linear.values.tolist()) if self._linear.run() else ()

    def stand(self) -> Vertex | None:
        """The vertex at which the solver stands, exact and feasible; None where it is neither."""
        found = vertex(self.lines, self.dens, self.lo, self.hi, self.variables, self._linear.basis)
        return found if found is not None and found.feasible else None

    def settle(self) -> Vertex | None:
        """The cheapest vertex, or None where there is no point; either one proved.

        Raises SolverDisagrees where neither can be proved.
        """
        if self._linear.run():
            found = self.stand()
            if found is not None and found.prices is not None:
                return found
        elif self._refuting():
            return None
        slow = settle(self.program)
        return None if slow is None else self._as_vertex(slow)

    def point(self) -> tuple[Fraction, ...]:
        """Some point, proved; empty where there is none, which is proved too. Nothing costs anything afterwards."""
        self.aim({})
        if self._linear.run():
            found = self.stand()
            if found is not None:
                return found.values
        found = self.settle()
        return () if found is None else found.values

    def refuted(self) -> bool:
        """True where a ray proves that there is no point, whole numbers left aside."""
        return not self._linear.run() and bool(self._refuting())

    def leaning(self) -> list[int] | None:
        """Variables whose upper bounds the proof of a ray leans on, the most first; None without such a proof."""
        prices = () if self._linear.run() else self._refuting()
        if not prices:
            return None
        _, paid = self._paid(prices)
        return sorted((j for j, n in enumerate(paid) if n > 0), key=lambda j: (-paid[j], j))

    def best(self, *, checked: bool = True) -> tuple[Fraction, ...]:
        """The cheapest point in whole numbers, exact, with these as the solver chose them; empty where there is none.

        Without whole numbers both are proved. With them that there is none is proved as far as branching goes (not
        ``checked``: it is taken from the solver), and a cheapest one is searched for as far as ``most_nodes``;
        ``certain`` says whether it was far enough. Raises Unsettled where that search was not far enough for any point.
        """
        self.certain = True
        loose = self.settle()
        if loose is None or not self.counted:
            return () if loose is None else loose.values
        if self._parity():
            return ()
        chosen = self._solved_whole()
        if chosen:
            found = self._pinned(chosen)
            if found is not None:
                self._known = found.values
                return found.values
        elif not checked:
            self.certain = False
            return ()
        values, self.certain = self._branch()
        if chosen and not values:
            raise SolverDisagrees("the whole numbers the solver chose leave no exact batch")
        return values

    # The solver.

    def _fill(self, i: int, coefs: Sequence[Fraction]) -> int:
        used = [(j, a.numerator, a.denominator) for j, a in enumerate(coefs) if a is not _ZERO and a]
        den = lcm(*{below for _, _, below in used})
        for j, above, below in used:
            self.lines[i, j] = above * (den // below)
        return den

    def _as_vertex(self, proved: Proved) -> Vertex:
        found = vertex(self.lines, self.dens, self.lo, self.hi, self.variables, proved.basis)
        if found is None or found.values != proved.values:
            raise SolverDisagrees("two ways of exact arithmetic disagree")
        return found

    def _refuting(self) -> tuple[int, ...]:
        """The solver's ray, rounded, as prices over _FINE, if it proves that there is no point; else nothing."""
        ray = self._linear.ray
        most = max(map(abs, ray), default=0.0)
        if not most:
            return ()
        counts = [round(float(y) / most * _FINE) for y in ray]
        for sign in (1, -1):
            prices = tuple(self._allowed(i, sign * n) for i, n in enumerate(counts))
            if self._least(prices) > 0:
                return prices
        return ()

    def _allowed(self, i: int, price: int) -> int:
        """A price, or nothing where the limit it counts does not exist."""
        return 0 if (self.lo[i] if price > 0 else self.hi[i]) is None else price

    def _least(self, prices: Sequence[int]) -> Fraction:
        """A lower bound, times _FINE, on doing nothing at no cost; above zero there is no point (see exact.refutes)."""
        used = [i for i, n in enumerate(prices) if n]
        if not used:
            return _ZERO
        limits = [(self.lo[i] if prices[i] > 0 else self.hi[i]) or _ZERO for i in used]
        den, paid = self._paid(prices)
        rest = sum((n * (v.hi if n > 0 else v.lo) for n, v in zip(paid, self.variables, strict=True) if n), _ZERO)
        return sum((prices[i] * limit for i, limit in zip(used, limits, strict=True)), _ZERO) - rest / den

    def _paid(self, prices: Sequence[int]) -> tuple[int, Any]:
        """What the rows' prices pay for each variable, over a denominator, which comes first."""
        used = [i for i, n in enumerate(prices) if n]
        den = lcm(*(self.dens[i] for i in used))
        return den, np.array([prices[i] * (den // self.dens[i]) for i in used], dtype=object) @ self.lines[used]

    # Whole numbers.

    def _solved_whole(self) -> tuple[float, ...]:
        """What the solver chooses in whole numbers; empty where it says that there is nothing. Raises OutOfTime."""
        if len(self._solvers) == 1:
            program = self.program
            counted = {*self.counted}
            variables = (replace(v, whole=j in counted) for j, v in enumerate(self.variables))
            self._solvers.append(Session(Program(tuple(variables), program.rows), whole=True))
        session = self._solvers[1]
        if self._keeps(self._known):
            session.start([float(x) for x in self._known])
        if not session.run(nodes=self.most_nodes, gap=self.gap):
            return ()
        self.certain = not session.stopped and not self.gap
        if not session.found:
            clock.left()
            raise Unsettled
        return tuple(session.values.tolist())

    def _keeps(self, values: Sequence[Fraction]) -> bool:
        """Whether a point found earlier is still one, so that the search may start from it."""
        if len(values) != len(self.variables) or any(
            not v.lo <= x <= v.hi for v, x in zip(self.variables, values, strict=True)
        ):
            return False
        per = lcm(*(x.denominator for x in values))
        sums = self.lines @ np.array([x.numerator * (per // x.denominator) for x in values], dtype=object)
        return all(
            (lo is None or n >= lo * den * per) and (hi is None or n <= hi * den * per)
            for n, den, lo, hi in zip(sums, self.dens, self.lo, self.hi, strict=True)
        )

    def _pinned(self, values: Sequence[float]) -> Vertex | None:
        """The cheapest point with these whole numbers."""
        before = [(j, self.variables[j].lo, self.variables[j].hi) for j in self.counted]
        held = [(j, Fraction(round(values[j])), lo, hi) for j, lo, hi in before]
        if any(not lo <= x <= hi for _, x, lo, hi in held):
            return None
        try:
            for j, x, _, _ in held:
                self.bound(j, x, x)
            return self.settle()
        finally:
            for j, lo, hi in before:
                self.bound(j, lo, hi)

    def _branch(self) -> tuple[tuple[Fraction, ...], bool]:
        """The cheapest point in whole numbers by branch and bound, and whether the search was full."""
        before = [(j, self.variables[j].lo, self.variables[j].hi) for j in self.counted]
        best: Vertex | None = None
        full = True
        waiting: list[dict[int, tuple[Fraction, Fraction]]] = [{}]
        try:
            for _ in range(min(_NODES, self.most_nodes)):
                if not waiting:
                    break
                node = waiting.pop()
                for j, lo, hi in before:
                    self.bound(j, *node.get(j, (lo, hi)))
                found = self.settle()
                if found is None or (best is not None and found.cost >= best.cost):
                    continue
                x = found.values
                broken = [j for j in self.counted if x[j].denominator != 1]
                if not broken:
                    best = found
                    continue
                j = min(broken, key=lambda j: (abs(x[j] % 1 - Fraction(1, 2)), j))
                v, down = self.variables[j], Fraction(floor(x[j]))
                waiting += [{**node, j: (v.lo, down)}, {**node, j: (down + 1, v.hi)}]
            full = not waiting
        finally:
            for j, lo, hi in before:
                self.bound(j, lo, hi)
        return (() if best is None else best.values), full

    def _parity(self) -> bool:
        """True where some row of whole numbers alone has no sum that is between its limits."""
        counted = np.zeros(len(self.variables), dtype=bool)
        counted[self.counted] = True
        rows = zip(self.lines, self.dens, self.lo, self.hi, strict=True)
        return no_sum_fits(
            ([int(n) for n in line], lo * den, hi * den)
            for line, den, lo, hi in rows
            if lo is not None and hi is not None and not np.any(line[~counted])
        )
