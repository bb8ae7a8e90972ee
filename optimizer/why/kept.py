"""A linear program kept in the solver between many small changes, every answer of it settled in exact arithmetic.

A report on a conflict asks the same program a hundred questions that differ in a limit, a bound or the costs. Here the
program stands in HiGHS once, in floats, and beside it in whole numbers; the solver starts each time from where it
last stood. Of what it says only the basis, or the ray by which it found nothing, is used:

- a basis is solved for its vertex and its prices in whole numbers (Bareiss, Mathematics of Computation 22, 1968,
  565-578), which are then compared with every limit;
- a ray, rounded, proves that there is no point if the bound reckoned from it is above zero (Farkas).

Where either does not stand up, the exact simplex method settles the matter (see optimum).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import inf, lcm
from typing import Any

import numpy as np

from constraints.requirement import Row
from optimizer.solver.model import Basis, Place, Program, Variable
from optimizer.solver.optimum import settle
from optimizer.why.vertex import Vertex, vertex

_ZERO = Fraction(0)
_FINE = 2**40
"""Denominator to which a ray is rounded."""
_BY_ROWS, _MINIMISE = 2, 1
"""HiGHS: the matrix comes row by row; the cost is minimised."""


class Kept:
    """One program without whole numbers. Its rows, bounds and costs may change; columns and rows may be added."""

    def __init__(self, program: Program) -> None:
        self.variables = list(program.variables)
        self.labels = [row.label for row in program.rows]
        self.lo = [row.lo for row in program.rows]
        self.hi = [row.hi for row in program.rows]
        size = len(self.variables)
        self.whole = np.zeros((len(program.rows), size), dtype=object)
        self.den = [self._fill(i, row.coefs) for i, row in enumerate(program.rows)]
        self._highs = self._passed()

    # The program and its changes.

    @property
    def program(self) -> Program:
        """The program as it stands."""
        rows = (
            Row(label, tuple(Fraction(n, den) if n else _ZERO for n in line), lo, hi)
            for label, line, den, lo, hi in zip(self.labels, self.whole, self.den, self.lo, self.hi, strict=True)
        )
        return Program(tuple(self.variables), tuple(rows))

    def limit(self, i: int, lo: Fraction | None, hi: Fraction | None) -> None:
        """Put a row between other limits; with neither it is let go."""
        self.lo[i], self.hi[i] = lo, hi
        self._highs.changeRowBounds(i, -inf if lo is None else float(lo), inf if hi is None else float(hi))

    def bound(self, j: int, lo: Fraction, hi: Fraction) -> None:
        """Put a variable between other bounds."""
        v = self.variables[j]
        self.variables[j] = Variable(v.name, v.cost, lo, hi)
        self._highs.changeColBounds(j, float(lo), float(hi))

    def aim(self, costs: Mapping[int, Fraction]) -> None:
        """Put a cost on these variables and none on the others."""
        for j, v in enumerate(self.variables):
            cost = costs.get(j, _ZERO)
            if v.cost != cost:
                self.variables[j] = Variable(v.name, cost, v.lo, v.hi)
        size = len(self.variables)
        self._highs.changeColsCost(size, np.arange(size, dtype=np.int32), [float(v.cost) for v in self.variables])

    def add_row(self, row: Row) -> int:
        """Add a row over the variables there are; its place."""
        i = len(self.labels)
        self.labels.append(row.label)
        self.lo.append(row.lo)
        self.hi.append(row.hi)
        self.whole = np.vstack([self.whole, np.zeros((1, len(self.variables)), dtype=object)])
        self.den.append(self._fill(i, row.coefs))
        places = np.flatnonzero(self.whole[i]).astype(np.int32)
        self._highs.addRow(
            -inf if row.lo is None else float(row.lo), inf if row.hi is None else float(row.hi), len(places), places,
            (self.whole[i][places] / self.den[i]).astype(float),
        )  # fmt: skip
        return i

    def add_column(self, v: Variable, coefs: Sequence[Fraction]) -> int:
        """Add a variable with its coefficient in every row; its place."""
        j = len(self.variables)
        self.variables.append(v)
        self.whole = np.hstack([self.whole, np.zeros((len(self.labels), 1), dtype=object)])
        for i, a in enumerate(coefs):
            if self.den[i] % a.denominator:
                more = lcm(self.den[i], a.denominator) // self.den[i]
                self.whole[i] *= more
                self.den[i] *= more
            self.whole[i, j] = a.numerator * (self.den[i] // a.denominator)
        places = np.array([i for i, a in enumerate(coefs) if a], dtype=np.int32)
        found = [float(a) for a in coefs if a]
        self._highs.addCol(float(v.cost), float(v.lo), float(v.hi), len(places), places, found)
        return j

    # Questions.

    def guess(self) -> tuple[float, ...]:
        """The values at a cheapest point as the solver says, not proved; empty where it found none."""
        return tuple(self._highs.getSolution().col_value) if self._run() else ()

    def settle(self) -> Vertex | None:
        """The cheapest vertex, or None where there is no point; either one proved.

        Raises SolverDisagrees where neither can be proved.
        """
        if self._run():
            found = self._vertex()
            if found is not None and found.feasible and found.prices is not None:
                return found
        elif self._prices_of_ray():
            return None
        slow = settle(self.program)
        return None if slow is None else self._standing(slow.basis)

    def point(self) -> tuple[Fraction, ...]:
        """Some point, proved; empty where there is none, which is proved too. The costs are put to zero."""
        self.aim({})
        found = self.settle()
        return () if found is None else found.values

    def refutation(self) -> tuple[Fraction, ...]:
        """Prices of the rows that prove that there is no point; empty where there is one or no such proof."""
        return () if self._run() else self._prices_of_ray()

    # The solver.

    def _fill(self, i: int, coefs: Sequence[Fraction]) -> int:
        den = lcm(*{a.denominator for a in coefs}) if coefs else 1
        self.whole[i, :] = [a.numerator * (den // a.denominator) if a else 0 for a in coefs]
        return den

    def _passed(self) -> Any:
        import highspy

        highs = highspy.Highs()
        for option, value in (("output_flag", False), ("presolve", "off"), ("threads", 1), ("random_seed", 0)):
            highs.setOptionValue(option, value)
        size = len(self.variables)
        lines = [np.flatnonzero(line) for line in self.whole]
        starts = np.cumsum([0, *(len(places) for places in lines)])[:-1].astype(np.int32)
        index = np.concatenate(lines).astype(np.int32) if lines else np.zeros(0, np.int32)
        each = zip(self.whole, lines, self.den, strict=True)
        value = [(line[places] / den).astype(float) for line, places, den in each]
        highs.passModel(
            size, len(lines), len(index), _BY_ROWS, _MINIMISE, 0.0,
            np.array([float(v.cost) for v in self.variables]),
            np.array([float(v.lo) for v in self.variables]), np.array([float(v.hi) for v in self.variables]),
            np.array([-inf if lo is None else float(lo) for lo in self.lo]),
            np.array([inf if hi is None else float(hi) for hi in self.hi]),
            starts, index, np.concatenate(value) if value else np.zeros(0), np.zeros(size, dtype=np.int32),
        )  # fmt: skip
        return highs

    def _run(self) -> bool:
        """Solve from where the solver stands; False where it says that there is no point."""
        import highspy

        self._highs.run()
        return bool(self._highs.getModelStatus() == highspy.HighsModelStatus.kOptimal)

    # Exact arithmetic.

    def _vertex(self) -> Vertex | None:
        """The solver's basis solved exactly; None where it is singular."""
        import highspy

        basis = self._highs.getBasis()
        status = highspy.HighsBasisStatus
        places = {status.kBasic: Place.BASIC, status.kUpper: Place.UPPER}
        rows = tuple(places.get(state, Place.LOWER) for state in basis.row_status)
        return self._standing(Basis(tuple(places.get(state, Place.LOWER) for state in basis.col_status), rows))

    def _standing(self, basis: Basis) -> Vertex | None:
        return vertex(self.whole, self.den, self.lo, self.hi, self.variables, basis)

    def _prices_of_ray(self) -> tuple[Fraction, ...]:
        _, there, ray = self._highs.getDualRay()
        if not there:
            return ()
        most = max(map(abs, ray), default=0.0)
        if not most:
            return ()
        counts = [round(float(y) / most * _FINE) for y in ray]
        for sign in (1, -1):
            prices = [self._allowed(i, sign * n) for i, n in enumerate(counts)]
            if self._least(prices) > 0:
                return tuple(Fraction(n, _FINE) for n in prices)
        return ()

    def _allowed(self, i: int, price: int) -> int:
        """A price, or nothing where the limit it counts does not exist."""
        return 0 if (self.lo[i] if price > 0 else self.hi[i]) is None else price

    def _least(self, prices: Sequence[int]) -> Fraction:
        """The least cost that these prices leave where nothing costs anything, over _FINE (see exact.refutes)."""
        total = _ZERO
        used = [i for i, n in enumerate(prices) if n]
        for i in used:
            limit = self.lo[i] if prices[i] > 0 else self.hi[i]
            assert limit is not None
            total += prices[i] * limit
        den = lcm(*(self.den[i] for i in used)) if used else 1
        weights = np.array([prices[i] * (den // self.den[i]) for i in used], dtype=object)
        paid = weights @ self.whole[used] if used else []
        rest = _ZERO
        for n, v in zip(paid, self.variables, strict=bool(used)):
            if n:
                rest -= n * (v.lo if n < 0 else v.hi)
        return total + rest / den

