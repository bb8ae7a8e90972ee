"""A program that stays in the solver between changes of its limits, bounds and costs, in floating point.

What it says is a guide and proves nothing: a basis, a ray or a point, from which exact arithmetic starts.

The solver's tolerances are absolute, so everything is handed to it in units of its own: kilograms over the size of the
batch, money over the dearest column, every row over its largest coefficient, each rounded to a power of two so that no
figure changes but in its exponent. The same kitchen priced or weighed in any unit is then the same program.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import frexp, inf, ldexp
from typing import Any

import numpy as np

from optimizer import clock
from optimizer.solver.model import Basis, Place, Program, SolverDisagrees
from optimizer.solver.statement import stated_in_highs

ALL = 2**31 - 1
"""As many steps of the simplex method as it takes."""
_BY_ROWS, _MINIMISE, _INFEASIBLE_POINT = 2, 1, 1
"""HiGHS: the matrix comes row by row; the cost is minimised; a point breaks a limit."""
_LARGEST_COST = 10
"""Exponent of two of the largest cost as the solver sees it, so that its tolerance is a ten billionth of it."""
_LINEAR = {"presolve": "off", "primal_feasibility_tolerance": 1e-9, "dual_feasibility_tolerance": 1e-9}
"""HiGHS: presolve would lose the basis of an infeasible program; figures in these units are around one."""
_SEARCH = {"mip_heuristic_run_root_reduced_cost": False, "mip_allow_restart": False}
"""HiGHS: no search in a smaller program of its own before the first node, which costs more than all nodes allowed."""


_ONE = Fraction(1)


def power(figure: float) -> float:
    """The power of two next above a figure, 1 for none."""
    return ldexp(1.0, frexp(figure)[1]) if figure and figure < inf else 1.0


@dataclass(frozen=True)
class Scales:
    """What the solver's units stand for: ``units`` of each variable, ``rows`` of each row."""

    units: Any
    rows: Any

    @classmethod
    def of(cls, lines: Sequence[Sequence[tuple[int, float]]], limits: Sequence[float], whole: Any) -> Scales:
        """Scales of rows given by their coefficients and the largest of their limits; ``whole`` numbers keep theirs."""
        free = [max((abs(a) for j, a in line if not whole[j]), default=0.0) for line in lines]
        sizes = [limit / largest for largest, limit in zip(free, limits, strict=True) if largest]
        units = np.where(whole, 1.0, power(max(sizes, default=0.0)))
        rows = np.array([power(max((abs(a) * units[j] for j, a in line), default=0.0)) for line in lines])
        return cls(units, rows)


class Session:
    """One program in HiGHS; with ``whole`` its whole numbers are kept. Figures go in and out in the program's units.

    ``stopped`` is True where the last search was given up at its steps or nodes before it was through.
    """

    def __init__(self, program: Program, *, whole: bool = False, stated: bool = False) -> None:
        """``stated``: the model is stated variable by variable in the modelling language (see statement)."""
        import highspy

        self._states, self._places = highspy.HighsModelStatus, highspy.HighsBasisStatus
        self._solution = highspy.HighsSolution
        self.whole, self.stopped = whole, False
        variables, rows = program.variables, program.rows
        counted = np.array([v.whole for v in variables], dtype=bool)
        self.lo = np.array([float(v.lo) for v in variables])
        self.hi = np.array([float(v.hi) for v in variables])
        # Divided exactly where whole numbers are searched for, so that no unit changes a bit of what is searched.
        tops = [max((abs(a) for _, a in row.terms), default=_ONE) if whole else _ONE for row in rows]
        lines: list[Sequence[tuple[int, float]]] = [
            [(j, float(a / top)) for j, a in row.terms] if whole else row.floats
            for row, top in zip(rows, tops, strict=True)
        ]
        lows = np.array([_low(None if row.lo is None else row.lo / top) for row, top in zip(rows, tops, strict=True)])
        highs = np.array([_high(None if row.hi is None else row.hi / top) for row, top in zip(rows, tops, strict=True)])
        finite = np.where(np.isfinite(lows), np.abs(lows), 0.0), np.where(np.isfinite(highs), np.abs(highs), 0.0)
        largest = np.maximum(*finite).tolist()
        scales = Scales.of(lines, largest, counted)
        self._units, self._rows, self._money = scales.units, scales.rows, 1.0
        scaled = [[(j, a * self._units[j] / row) for j, a in line] for line, row in zip(lines, self._rows, strict=True)]
        dearest = max((abs(v.cost) for v in variables), default=Fraction(0)) or Fraction(1)
        cost = self._priced(np.array([float(v.cost / dearest) if v.cost else 0.0 for v in variables]))
        self._money *= float(dearest)  # divided exactly, so that no unit of money changes a bit
        columns = (cost, self.lo / self._units, self.hi / self._units, counted & whole)
        row_lo, row_hi = lows / self._rows, highs / self._rows
        options: dict[str, Any] = {"output_flag": False, "threads": 1, "random_seed": 0, "mip_rel_gap": 0.0}
        options |= {} if stated and whole else _SEARCH if whole else _LINEAR
        self._highs = stated_in_highs(columns, scaled, row_lo, row_hi) if stated else highspy.Highs()
        for option, setting in options.items():
            self._highs.setOptionValue(option, setting)
        if not stated:
            self._pass(columns, scaled, row_lo, row_hi)
        self._rows = self._rows * np.array([float(top) for top in tops])

    def _pass(self, columns: tuple[Any, Any, Any, Any], lines: Sequence[Any], row_lo: Any, row_hi: Any) -> None:
        """Hand the whole program over at once."""
        cost, lo, hi, whole = columns
        terms = [term for line in lines for term in line]
        starts = np.cumsum([0, *map(len, lines)])[:-1].astype(np.int32)
        self._highs.passModel(
            len(cost), len(lines), len(terms), _BY_ROWS, _MINIMISE, 0.0, cost, lo, hi, row_lo, row_hi,
            starts, np.array([j for j, _ in terms], dtype=np.int32), np.array([a for _, a in terms], dtype=float),
            whole.astype(np.int32),
        )  # fmt: skip

    # Changes.

    def limit(self, i: int, lo: Fraction | None, hi: Fraction | None) -> None:
        """Put a row between other limits."""
        self._highs.changeRowBounds(i, _low(lo) / self._rows[i], _high(hi) / self._rows[i])

    def bound(self, j: int, lo: float, hi: float) -> None:
        """Put a variable between other bounds."""
        self._highs.changeColBounds(j, lo / self._units[j], hi / self._units[j])

    def bounds(self, lo: Any, hi: Any) -> None:
        """Put all variables between other bounds (float arrays)."""
        size = len(self._units)
        self._highs.changeColsBounds(size, np.arange(size, dtype=np.int32), lo / self._units, hi / self._units)

    def costs(self, costs: Any) -> None:
        """Put costs on the variables."""
        size = len(self._units)
        self._highs.changeColsCost(size, np.arange(size, dtype=np.int32), self._priced(np.asarray(costs, dtype=float)))

    def add_row(self, coefs: Any, lo: float, hi: float) -> None:
        """Add a row over the variables there are."""
        coefs = np.asarray(coefs, dtype=float)
        places = np.flatnonzero(coefs).astype(np.int32)
        scaled = coefs[places] * self._units[places]
        row = power(float(np.abs(scaled).max(initial=0.0)))
        self._rows = np.append(self._rows, row)
        self._highs.addRow(lo / row, hi / row, len(places), places, scaled / row)

    def add_column(self, cost: float, lo: float, hi: float, coefs: dict[int, float]) -> None:
        """Add a variable that need not be whole, with its coefficients by row."""
        unit = float(self._units.max(initial=1.0))
        places = np.array(list(coefs), dtype=np.int32)
        figures = np.array(list(coefs.values())) * unit / self._rows[places] if coefs else np.zeros(0)
        self._units = np.append(self._units, unit)
        self._highs.addCol(cost * unit / self._money, lo / unit, hi / unit, len(places), places, figures)

    def start(self, values: Sequence[float]) -> None:
        """Let a search in whole numbers start from a point."""
        start = self._solution()
        start.col_value = list(np.asarray(values) / self._units)
        self._highs.setSolution(start)

    # Questions.

    def run(self, *, steps: int = ALL, nodes: int = ALL, gap: float = 0.0) -> bool:
        """Solve from where the solver stands; False where it says that there is no point. Raises OutOfTime.

        ``steps`` and ``nodes`` bound the search, ``gap`` is the share of the cost at which one in whole numbers ends.
        """
        highs, states, left = self._highs, self._states, clock.left()
        highs.setOptionValue("time_limit", inf if left is None else highs.getRunTime() + left)
        highs.setOptionValue("simplex_iteration_limit", steps)
        if self.whole:
            highs.setOptionValue("mip_max_nodes", nodes)
            highs.setOptionValue("mip_rel_gap", gap)
        for _ in range(2):
            highs.run()
            ended = highs.getModelStatus()
            self.stopped = ended not in (states.kOptimal, states.kInfeasible)
            if ended == states.kTimeLimit and not self.found:
                raise clock.OutOfTime
            if ended in (states.kOptimal, states.kIterationLimit, states.kSolutionLimit, states.kTimeLimit):
                return True
            if ended in (states.kInfeasible, states.kUnboundedOrInfeasible):
                self.stopped = False
                return False
            highs.clearSolver()
        return False

    def least(self, lo: Any, hi: Any, steps: int) -> float:
        """A lower bound on the cost within these bounds, as far as so many steps lead; infinite without any point."""
        return self.cost if self.within(lo, hi, steps) else inf

    def within(self, lo: Any, hi: Any, steps: int = ALL) -> bool:
        """Solve within these bounds of the variables; False where there is no point. Raises SolverDisagrees."""
        self.bounds(lo, hi)
        possible = self.run(steps=steps)
        if self.stopped and not possible:
            raise SolverDisagrees("the solver left a linear program unsettled")
        return possible

    @property
    def found(self) -> bool:
        """True where there is a point that the solver takes as keeping everything."""
        return bool(self._highs.getInfo().primal_solution_status > _INFEASIBLE_POINT)

    @property
    def cost(self) -> float:
        """Cost of the point, or as far as a search by steps has come a lower bound on it."""
        return float(self._highs.getInfo().objective_function_value) * self._money

    @property
    def bound_found(self) -> float:
        """The lower bound on the cost that a search in whole numbers has come to."""
        return float(self._highs.getInfo().mip_dual_bound) * self._money

    @property
    def values(self) -> Any:
        """Values of the variables."""
        return np.array(self._highs.getSolution().col_value) * self._units

    @property
    def prices(self) -> Any:
        """What a unit more of each row's limit would cost."""
        return np.array(self._highs.getSolution().row_dual) / self._rows * self._money

    @property
    def basis(self) -> Basis:
        """Where everything stands."""
        basis, place = self._highs.getBasis(), {self._places.kBasic: Place.BASIC, self._places.kUpper: Place.UPPER}
        columns = tuple(place.get(state, Place.LOWER) for state in basis.col_status)
        return Basis(columns, tuple(place.get(state, Place.LOWER) for state in basis.row_status))

    @property
    def ray(self) -> Any:
        """Prices of the rows that should prove that there is no point; empty where the solver has none."""
        _, there, ray = self._highs.getDualRay()
        return np.array(ray) / self._rows if there else np.zeros(0)

    def _priced(self, costs: Any) -> Any:
        """Costs in the solver's units, the largest of them always alike."""
        self._money = power(float(np.abs(costs * self._units).max(initial=0.0))) * 2.0**-_LARGEST_COST
        return costs * self._units / self._money


def _low(limit: Fraction | None) -> float:
    return -inf if limit is None else float(limit)


def _high(limit: Fraction | None) -> float:
    return inf if limit is None else float(limit)
