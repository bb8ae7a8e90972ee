"""A linear program that stays in HiGHS between changes of its bounds and added rows, in floating point.

What it says is a guide for a search and proves nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Any

from optimizer.solver.model import Program

_ALL = 2**31 - 1
_BY_ROWS, _MINIMISE = 2, 1
"""HiGHS: the matrix comes row by row; the cost is minimised."""


@dataclass(frozen=True)
class Point:
    """Values of the variables (a float array), their cost, and what a unit more of each would cost."""

    values: Any
    cost: float
    rest: Any


class Relaxation:
    """A program without its whole numbers. ``lo`` and ``hi`` are the program's own bounds as float arrays."""

    def __init__(self, program: Program) -> None:
        import highspy
        import numpy as np

        self.np, self._status = np, highspy.HighsModelStatus
        self.lo = np.array([float(v.lo) for v in program.variables])
        self.hi = np.array([float(v.hi) for v in program.variables])
        self._places = np.arange(len(self.lo), dtype=np.int32)
        self._highs = highs = highspy.Highs()
        for option, setting in {"output_flag": False, "threads": 1, "random_seed": 0, "presolve": "off"}.items():
            highs.setOptionValue(option, setting)
        terms = [term for row in program.rows for term in row.floats]
        starts = np.cumsum([0, *(len(row.terms) for row in program.rows)])[:-1].astype(np.int32)
        highs.passModel(
            len(self.lo), len(program.rows), len(terms), _BY_ROWS, _MINIMISE, 0.0,
            np.array([float(v.cost) for v in program.variables]), self.lo, self.hi,
            np.array([-inf if row.lo is None else float(row.lo) for row in program.rows]),
            np.array([inf if row.hi is None else float(row.hi) for row in program.rows]),
            starts, np.array([j for j, _ in terms], dtype=np.int32), np.array([a for _, a in terms]),
            np.zeros(len(self.lo), dtype=np.int32),
        )  # fmt: skip

    def solve(self, lo: Any, hi: Any) -> Point | None:
        """The cheapest point within these bounds, or None where there is none. Raises SolverDisagrees."""
        if not self._run(lo, hi, _ALL):
            return None
        solution = self._highs.getSolution()
        values, rest = self.np.array(solution.col_value), self.np.array(solution.col_dual)
        return Point(values, self._highs.getInfo().objective_function_value, rest)

    def bound(self, lo: Any, hi: Any, steps: int) -> float:
        """A lower bound on the cost within these bounds, as far as so many steps lead; infinite without any point."""
        return float(self._highs.getInfo().objective_function_value) if self._run(lo, hi, steps) else inf

    def cut(self, coefs: Any, limit: float) -> None:
        """Add the row ``coefs . x <= limit``."""
        places = self.np.flatnonzero(coefs).astype(self.np.int32)
        self._highs.addRow(-inf, limit, len(places), places, coefs[places])

    def _run(self, lo: Any, hi: Any, steps: int) -> bool:
        highs, status = self._highs, self._status
        highs.changeColsBounds(len(lo), self._places, lo, hi)
        highs.setOptionValue("simplex_iteration_limit", steps)
        for _ in range(2):
            highs.run()
            ended = highs.getModelStatus()
            if ended in (status.kOptimal, status.kIterationLimit):
                return True
            if ended == status.kInfeasible:
                return False
            highs.clearSolver()
        from optimizer.solver.optimum import SolverDisagrees

        raise SolverDisagrees(f"the solver left a linear program as {ended}")
