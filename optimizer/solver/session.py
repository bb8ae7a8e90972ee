"""A program that stays in the solver between changes of its limits, bounds and costs, in floating point.

What it says is a guide and proves nothing: a basis, a ray or a point, from which exact arithmetic starts.

The solver's tolerances are absolute, so everything is handed to it in units of its own: kilograms over the size of the
batch, money over the dearest column, every row over its largest coefficient, each rounded to a power of two so that no
figure changes but in its exponent. The same kitchen priced or weighed in any unit is then the same program.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import frexp, inf, isinf, ldexp
from typing import Any

import numpy as np

from constraints.as_typed import ONE
from constraints.row import Floats, Places, Row
from optimizer import clock
from optimizer.solver.program import BasisStatus, Program, SimplexBasis, SolverDisagrees

ALL = 2**31 - 1
"""As many steps of the simplex method as it takes."""
_BY_ROWS, _MINIMISE, _INFEASIBLE_POINT = 2, 1, 1
"""HiGHS: the matrix comes row by row; the cost is minimised; a point breaks a limit."""
_ALWAYS: dict[str, Any] = {"output_flag": False, "threads": 1, "random_seed": 0, "mip_rel_gap": 0.0}
_LARGEST_COST = 10
"""Exponent of two of the largest cost as the solver sees it, so that its tolerance is a ten billionth of it."""
_LINEAR = {"presolve": "off", "primal_feasibility_tolerance": 1e-9, "dual_feasibility_tolerance": 1e-9}
"""HiGHS: presolve would lose the basis of an infeasible program; figures in these units are around one."""
SEARCH = {"mip_heuristic_run_root_reduced_cost": False, "mip_allow_restart": False}
"""HiGHS: no search in a smaller program of its own before the first node, which costs more than all nodes allowed. On
integer weeks of the benchmark 1.9, 2.9 and 13 s instead of 5.7, 4.4 and 15 s to 0.1 %; a fourth took over a minute."""
_FEW = SEARCH | dict.fromkeys((f"mip_heuristic_run_{name}" for name in ("feasibility_jump", "rins", "rens")), False)
"""HiGHS: of a few whole numbers no guesses before the first node and at it: they took 120 of 200 ms of 12 batches."""


def power(figure: float) -> float:
    """The power of two next above a figure, 1 for none."""
    return ldexp(1.0, frexp(figure)[1]) if figure and figure < inf else 1.0


@dataclass(frozen=True)
class Matrix:
    """Rows one after the other: of row i the entries ``starts[i]`` to ``starts[i + 1]``, between ``lo`` and ``hi``.

    Each was divided, exactly, by what stands in ``tops``.
    """

    starts: Places
    columns: Places
    values: Floats
    lo: Floats
    hi: Floats
    tops: Floats

    @classmethod
    def of(cls, rows: Sequence[Row], *, shares: bool) -> Matrix:
        """The matrix of some rows, with ``shares`` each divided by its largest coefficient: no unit changes a bit."""
        lines = [(at, *(a.shares if shares else (a.floats, ONE))) for at, a in (row.sparse for row in rows)]
        return cls(
            np.cumsum([0, *(len(places) for places, _, _ in lines)]),
            np.concatenate([np.zeros(0, dtype=np.int64), *(places for places, _, _ in lines)]),
            np.concatenate([np.zeros(0), *(shares for _, shares, _ in lines)]),
            np.array([_float(r.lo and r.lo / top, -inf) for r, (_, _, top) in zip(rows, lines, strict=True)]),
            np.array([_float(r.hi and r.hi / top, inf) for r, (_, _, top) in zip(rows, lines, strict=True)]),
            np.array([float(top) for _, _, top in lines]),
        )

    def largest(self, values: Floats) -> Floats:
        """The largest of some figures of the entries, for each row; 0 where it has none."""
        found = np.zeros(len(self.lo))
        np.maximum.at(found, np.repeat(np.arange(len(self.lo)), np.diff(self.starts)), values)
        return found


def stated_in_highs(columns: tuple[Any, Any, Any, Any], matrix: Matrix) -> Any:
    """The HiGHS object of a PuLP model; ``columns`` are costs, lower and upper bounds, and which are whole.

    PuLP knows no row between two limits: such a row is stated with its upper one and HiGHS is told the lower.
    """
    import pulp

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # PuLP 3 warns of what PuLP 4 will rename
        problem = pulp.LpProblem("batch", pulp.LpMinimize)
        cost, lo, hi, whole = columns
        kinds = [pulp.LpInteger if counted else pulp.LpContinuous for counted in whole]
        variables = [pulp.LpVariable(f"x{j:05d}", lo[j], hi[j], kind) for j, kind in enumerate(kinds)]
        problem.addVariables(variables)
        problem.setObjective(pulp.LpAffineExpression(list(zip(variables, cost.tolist(), strict=True))))
        entries = list(zip(matrix.columns.tolist(), matrix.values.tolist(), strict=True))
        for i, (low, high) in enumerate(zip(matrix.lo, matrix.hi, strict=True)):
            sense, limit = (1, low) if isinf(high) else (-1, high)
            line = entries[matrix.starts[i] : matrix.starts[i + 1]]
            terms = pulp.LpAffineExpression([(variables[j], a) for j, a in line])
            problem.addConstraint(pulp.LpConstraint(terms, sense, rhs=float(limit)), f"r{i:05d}")
        solver = pulp.HiGHS(msg=False)
        solver.createAndConfigureSolver(problem)
        solver.buildSolverModel(problem)
    highs = problem.solverModel
    for i, (low, high) in enumerate(zip(matrix.lo, matrix.hi, strict=True)):
        highs.changeRowBounds(i, low, high)
    return highs


class Session:
    """One program in HiGHS; with ``whole`` its whole numbers are kept. Figures go in and out in the program's units.

    ``stopped`` is True where the last search was given up at its steps or nodes before it was through.
    """

    def __init__(
        self, program: Program, *, whole: bool = False, stated: bool = False, options: dict[str, Any] | None = None,
        load: bool = True,
    ) -> None:  # fmt: skip
        """``stated``: the model is stated variable by variable in the modelling language.

        With ``options`` of its own a program, that of a week, keeps its units; without ``load`` it is not loaded yet.
        """
        import highspy

        self._states, self._places = highspy.HighsModelStatus, highspy.HighsBasisStatus
        self.whole, self.stopped, self.otherwise = whole, False, dict[str, Any]()
        cost, hi, lo, counted = program.vectors
        matrix, integers = Matrix.of(program.rows, shares=options is None), counted.num != 0
        self.lo, self.hi, costs = lo.floats, hi.floats, cost.floats
        self._units, self._rows, self._money = np.ones(len(cost)), np.ones(len(matrix.lo)), 1.0
        if options is None:
            matrix = self._in_own_units(matrix, integers)
            shares, dearest = cost.shares
            costs = self._priced(shares)
            self._money *= float(dearest)  # divided exactly, so that no unit of money changes a bit
        self.matrix = matrix
        self.columns = (costs, self.lo / self._units, self.hi / self._units, integers & whole)
        self.highs = stated_in_highs(self.columns, self.matrix) if stated else highspy.Highs()
        chosen: dict[str, Any] = _FEW if whole else _LINEAR
        for option, setting in (_ALWAYS | (chosen if options is None else options)).items():
            self.highs.setOptionValue(option, setting)
        if load and not stated:
            self.load({})

    def _in_own_units(self, matrix: Matrix, integers: Any) -> Matrix:
        """Find the units of the variables and rows; the matrix in these."""
        free = matrix.largest(np.where(integers[matrix.columns], 0.0, np.abs(matrix.values)))
        ends = (np.where(np.isfinite(limits), np.abs(limits), 0.0) for limits in (matrix.lo, matrix.hi))
        sizes = np.maximum(*ends)[free > 0] / free[free > 0]
        self._units = np.where(integers, 1.0, power(float(sizes.max(initial=0.0))))
        values = matrix.values * self._units[matrix.columns]
        rows = np.array([power(top) for top in matrix.largest(np.abs(values)).tolist()])
        self._rows = rows * matrix.tops
        values /= np.repeat(rows, np.diff(matrix.starts))
        return replace(matrix, values=values, lo=matrix.lo / rows, hi=matrix.hi / rows)

    def load(self, options: Mapping[str, Any]) -> None:
        """Hand the whole program over at once."""
        for option, setting in options.items():
            self.highs.setOptionValue(option, setting)
        (cost, lo, hi, whole), matrix = self.columns, self.matrix
        self.highs.passModel(
            len(cost), len(matrix.lo), len(matrix.values), _BY_ROWS, _MINIMISE, 0.0, cost, lo, hi, matrix.lo, matrix.hi,
            matrix.starts[:-1].astype(np.int32), matrix.columns.astype(np.int32), matrix.values, whole.astype(np.int32),
        )  # fmt: skip

    # Changes.

    def limit(self, i: int, lo: Fraction | None, hi: Fraction | None) -> None:
        """Put a row between other limits."""
        self.highs.changeRowBounds(i, _float(lo, -inf) / self._rows[i], _float(hi, inf) / self._rows[i])

    def bound(self, j: int, lo: float, hi: float) -> None:
        """Put a variable between other bounds."""
        self.lo[j], self.hi[j] = lo, hi
        self.highs.changeColBounds(j, lo / self._units[j], hi / self._units[j])

    def bounds(self, lo: Any, hi: Any) -> None:
        """Put all variables between other bounds (float arrays)."""
        size = len(self._units)
        self.highs.changeColsBounds(size, np.arange(size, dtype=np.int32), lo / self._units, hi / self._units)

    def costs(self, costs: Any) -> None:
        """Put costs on the variables."""
        size = len(self._units)
        self.highs.changeColsCost(size, np.arange(size, dtype=np.int32), self._priced(np.asarray(costs, dtype=float)))

    def add_row(self, row: Row) -> None:
        """Add a row over the variables there are."""
        places, coefs = row.sparse
        scaled = coefs.floats * self._units[places]
        top = power(float(np.abs(scaled).max(initial=0.0)))
        self._rows = np.append(self._rows, top)
        limits = _float(row.lo, -inf) / top, _float(row.hi, inf) / top
        self.highs.addRow(*limits, len(places), places.astype(np.int32), scaled / top)

    def add_column(self, cost: float, lo: float, hi: float, coefs: dict[int, float]) -> None:
        """Add a variable that need not be whole, with its coefficients by row."""
        unit = float(self._units.max(initial=1.0))
        places = np.array(list(coefs), dtype=np.int32)
        figures = np.array(list(coefs.values())) * unit / self._rows[places] if coefs else np.zeros(0)
        self._units = np.append(self._units, unit)
        self.lo, self.hi = np.append(self.lo, lo), np.append(self.hi, hi)
        self.highs.addCol(cost * unit / self._money, lo / unit, hi / unit, len(places), places, figures)

    # Questions.

    def run(self, *, steps: int = ALL, nodes: int = ALL, gap: float = 0.0) -> bool:
        """Solve from where the solver stands; False where it says that there is no point. Raises OutOfTime.

        ``steps`` and ``nodes`` bound the search, ``gap`` is the share of the cost at which one in whole numbers ends.
        """
        highs, states, left = self.highs, self._states, clock.left()
        highs.setOptionValue("time_limit", inf if left is None else highs.getRunTime() + left)
        highs.setOptionValue("simplex_iteration_limit", steps)
        if self.whole:
            highs.setOptionValue("mip_max_nodes", nodes)
            highs.setOptionValue("mip_rel_gap", gap)
        for again in (self.otherwise, {}):
            highs.run()
            ended = highs.getModelStatus()
            if ended == states.kModelEmpty:  # nothing to choose from: zero is the only point, where every row takes it
                self.stopped = False
                return bool((self.matrix.lo <= 0).all() and (self.matrix.hi >= 0).all())
            self.stopped = ended not in (states.kOptimal, states.kInfeasible)
            if ended in (states.kTimeLimit, states.kInterrupt) and not self.found:
                raise clock.OutOfTime
            if ended in (
                states.kOptimal, states.kIterationLimit, states.kSolutionLimit, states.kTimeLimit, states.kInterrupt
            ):  # fmt: skip
                return True
            if ended in (states.kInfeasible, states.kUnboundedOrInfeasible):
                self.stopped = False
                return False
            for option, setting in again.items():
                highs.setOptionValue(option, setting)
            highs.clearSolver()
        return False

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
        return bool(self.highs.getInfo().primal_solution_status > _INFEASIBLE_POINT)

    @property
    def cost(self) -> float:
        """Cost of the point, or as far as a search by steps has come a lower bound on it."""
        return float(self.highs.getInfo().objective_function_value) * self._money

    @property
    def bound_found(self) -> float:
        """The lower bound on the cost that a search in whole numbers has come to."""
        return float(self.highs.getInfo().mip_dual_bound) * self._money

    @property
    def values(self) -> Any:
        """Values of the variables."""
        return np.array(self.highs.getSolution().col_value) * self._units

    @property
    def prices(self) -> Any:
        """What a unit more of each row's limit would cost."""
        return np.array(self.highs.getSolution().row_dual) / self._rows * self._money

    @property
    def reduced(self) -> Any:
        """What a unit more of each variable would cost."""
        return np.array(self.highs.getSolution().col_dual) / self._units * self._money

    @property
    def basis(self) -> SimplexBasis:
        """Where everything stands."""
        basis, place = (
            self.highs.getBasis(),
            {self._places.kBasic: BasisStatus.BASIC, self._places.kUpper: BasisStatus.UPPER},
        )
        columns = tuple(place.get(state, BasisStatus.LOWER) for state in basis.col_status)
        return SimplexBasis(columns, tuple(place.get(state, BasisStatus.LOWER) for state in basis.row_status))

    @property
    def ray(self) -> Any:
        """Prices of the rows that should prove that there is no point; empty where the solver has none."""
        _, there, ray = self.highs.getDualRay()
        return np.array(ray) / self._rows if there else np.zeros(0)

    def _priced(self, costs: Any) -> Any:
        """Costs in the solver's units, the largest of them always alike."""
        self._money = power(float(np.abs(costs * self._units).max(initial=0.0))) * 2.0**-_LARGEST_COST
        return costs * self._units / self._money


def _float(limit: Fraction | None, none: float) -> float:
    return none if limit is None else float(limit)
