"""A program kept in the solver between many small changes, every answer of it settled in exact arithmetic.

The solver starts each time from where it last stood. Of what it says only the basis, or the ray by which it found
nothing, is used: the vertex of a basis and its prices are reckoned exactly and compared with every limit, a ray,
rounded, proves that there is no point (see exact). Where neither stands up, the exact simplex method settles it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from math import inf

from constraints.row import Row
from optimizer import clock
from optimizer.solver.exact import Vertex, refuted_by
from optimizer.solver.lattice import whole
from optimizer.solver.model import Program, Variable
from optimizer.solver.session import Session
from optimizer.solver.simplex import settled
from optimizer.solver.tree import Bounds

_ZERO = Fraction(0)
MOST_NODES = 1_000
"""Nodes after which a search in whole numbers is given up; each is a linear program, and few need more than ten."""
MOMENT = 0.3
"""Seconds left to make an exact batch of what a search that was stopped has found."""


@contextmanager
def searching(kept: Kept, nodes: int, gap: Fraction = _ZERO) -> Iterator[None]:
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

    ``settle`` leaves whole numbers aside; ``best`` keeps them. ``certain`` says whether the
    last search in whole numbers went to its end, so that it proves what it found; where not, ``reported`` is a lower
    bound that is not proved. ``tied`` are the parts of its tree in which something else may cost as little.
    """

    def __init__(self, program: Program, *, stated: bool = False) -> None:
        """``stated``: the program is stated in the modelling language (see session)."""
        self.variables = [replace(v, whole=False) if v.whole else v for v in program.variables]
        self.counted = [j for j, v in enumerate(program.variables) if v.whole]
        self.rows = list(program.rows)
        self.certain, self.reported = True, -inf
        self.tied: list[Bounds] = []
        self.most_nodes, self.gap = MOST_NODES, _ZERO
        self._linear = Session(program, stated=stated)

    # The program and its changes.

    @property
    def program(self) -> Program:
        """The program as it stands, without whole numbers."""
        return Program(tuple(self.variables), tuple(self.rows))

    @property
    def whole_program(self) -> Program:
        """The program as it stands."""
        counted = {*self.counted}
        return Program(
            tuple(replace(v, whole=True) if j in counted else v for j, v in enumerate(self.variables)), tuple(self.rows)
        )

    def limit(self, i: int, lo: Fraction | None, hi: Fraction | None) -> None:
        """Put a row between other limits; with neither it is let go."""
        if (self.rows[i].lo, self.rows[i].hi) == (lo, hi):
            return
        self.rows[i] = self.rows[i].between(lo, hi)
        self._linear.limit(i, lo, hi)

    def bound(self, j: int, lo: Fraction, hi: Fraction) -> None:
        """Put a variable between other bounds."""
        v = self.variables[j]
        if (v.lo, v.hi) == (lo, hi):
            return
        self.variables[j] = replace(v, lo=lo, hi=hi)
        self._linear.bound(j, float(lo), float(hi))

    def aim(self, costs: Mapping[int, Fraction]) -> None:
        """Put a cost on these variables and none on the others."""
        for j, v in enumerate(self.variables):
            cost = costs.get(j, _ZERO)
            if v.cost != cost:
                self.variables[j] = replace(v, cost=cost)
        self._linear.costs([float(costs[j]) if j in costs else 0.0 for j in range(len(self.variables))])

    def add_row(self, row: Row) -> int:
        """Add a row over the variables there are; its place."""
        self.rows.append(row)
        self._linear.add_row(row)
        return len(self.rows) - 1

    def add_columns(self, columns: Sequence[tuple[Variable, Mapping[int, Fraction]]]) -> list[int]:
        """Add variables, each with its coefficients by row; their places."""
        first = len(self.variables)
        new: dict[int, dict[int, Fraction]] = {}
        for j, (v, coefs) in enumerate(columns, start=first):
            self.variables.append(v)
            for i, a in coefs.items():
                new.setdefault(i, {})[j] = a
            self._linear.add_column(float(v.cost), float(v.lo), float(v.hi), {i: float(a) for i, a in coefs.items()})
        for i, further in new.items():
            self.rows[i] = self.rows[i].plus(further)
        return list(range(first, first + len(columns)))

    # Questions without whole numbers.

    def settle(self) -> Vertex | None:
        """The cheapest vertex, or None where there is no point; either one proved.

        Raises SolverDisagrees where neither can be proved.
        """
        return settled(self.program, self._linear, possible=self._linear.run())[0]

    def leaning(self) -> list[int] | None:
        """Variables whose upper bounds the proof of a ray leans on, the most first; None without such a proof."""
        prices = () if self._linear.run() else refuted_by(self.program, self._linear.ray)
        if not prices:
            return None
        paid = [_ZERO] * len(self.variables)
        for row, price in zip(self.rows, prices, strict=True):
            for j, a in row.terms if price else ():
                paid[j] += price * a
        return sorted((j for j, n in enumerate(paid) if n > 0), key=lambda j: (-paid[j], j))

    # Whole numbers.

    def best(self) -> tuple[Fraction, ...]:
        """The cheapest point in whole numbers, exact; empty where there is none, which is proved.

        With whole numbers it is searched for as far as ``most_nodes`` and time lead; ``certain`` says whether that was
        far enough. Raises Unsettled where nodes ran out before any point was found, OutOfTime where time did.
        """
        self.certain = True
        loose = self.settle()
        found = self.chosen() if loose is not None and self.counted else loose
        return () if found is None else found.values

    def chosen(self) -> Vertex | None:
        """As ``best``, where it is known that there are points without whole numbers: the vertex among those chosen."""
        with clock.doing("searching in whole packs"):
            values, proof = whole(self.whole_program, self.most_nodes, self.gap, self._linear)
        self.certain, self.reported, self.tied = proof.closed and not self.gap, proof.reported, proof.tied
        if not values:
            if proof.closed:
                return None
            clock.left()
            raise Unsettled
        with clock.moment(MOMENT):
            return proof.best if proof.held else self.pinned(values)

    def pinned(self, values: Sequence[float | Fraction]) -> Vertex | None:
        """The cheapest point with these whole numbers."""
        held = [(j, Fraction(round(values[j]))) for j in self.counted]
        if any(not self.variables[j].lo <= x <= self.variables[j].hi for j, x in held):
            return None
        before = [(j, self.variables[j].lo, self.variables[j].hi) for j in self.counted]
        try:
            for j, x in held:
                self.bound(j, x, x)
            return self.settle()
        finally:
            for j, lo, hi in before:
                self.bound(j, lo, hi)
