"""A program through PuLP to HiGHS, and an outcome in floating point back.

Nothing here is trusted further on: feasibility, optimality and bounds are recomputed in exact arithmetic.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Any

from constraints.row import Row
from optimizer import clock

_FEASIBLE_POINT = 2
"""HiGHS: the primal solution is feasible."""


class Ending(StrEnum):
    """How a solve ended."""

    OPTIMAL = "optimal"
    INFEASIBLE = "infeasible"
    TIME_LIMIT = "time limit"
    FAILED = "failed"


class Place(StrEnum):
    """Where a variable or a row stands in a basis."""

    BASIC = "basic"
    LOWER = "lower"
    UPPER = "upper"


@dataclass(frozen=True)
class Variable:
    """A variable of the program: its cost per unit and its bounds; ``whole`` makes it an integer."""

    name: str
    cost: Fraction
    lo: Fraction
    hi: Fraction
    whole: bool = False


@dataclass(frozen=True)
class Program:
    """Minimise cost over the variables subject to the rows, each ``lo <= coefs . x <= hi``."""

    variables: tuple[Variable, ...]
    rows: tuple[Row, ...]

    @property
    def whole(self) -> bool:
        """True where any variable is an integer."""
        return any(variable.whole for variable in self.variables)

    def cost(self, values: Sequence[Fraction]) -> Fraction:
        """Cost of these values, exactly."""
        return sum((v.cost * x for v, x in zip(self.variables, values, strict=True) if x), Fraction(0))

    def feasible(self, values: Sequence[Fraction]) -> bool:
        """True where bounds, rows and whole numbers hold exactly."""
        point = tuple(values)
        bounded = all(v.lo <= x <= v.hi for v, x in zip(self.variables, point, strict=True))
        integral = all(x.denominator == 1 for v, x in zip(self.variables, point, strict=True) if v.whole)
        return bounded and integral and all(row.holds(point) for row in self.rows)


@dataclass(frozen=True)
class Basis:
    """Where every variable and every row stands. As many variables are basic as rows are not."""

    variables: tuple[Place, ...]
    rows: tuple[Place, ...]


@dataclass(frozen=True)
class Outcome:
    """What the solver said. ``values`` are floats, empty unless it found a point.

    ``basis`` is there for a linear program, also where it is found infeasible; ``ray`` are then prices of the rows that
    should prove it. ``bound`` is the solver's own lower bound on cost, reported and not proved.
    """

    ending: Ending
    values: tuple[float, ...] = ()
    basis: Basis | None = None
    bound: float = -math.inf
    ray: tuple[float, ...] = ()


def solve(program: Program, *, time_limit: float | None = None, gap: float = 0.0) -> Outcome:
    """Solve a program with PuLP and HiGHS.

    ``time_limit`` is in seconds, ``gap`` the relative gap at which an integer search stops. Prints nothing. Raises
    OutOfTime where the command's own limit is over.
    """
    import pulp

    time_limit = clock.shorter(time_limit)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # PuLP 3 warns of what PuLP 4 will rename
        problem, owners = _as_pulp(program)
    # Presolve would lose the basis of an infeasible linear program, from which the exact proof starts.
    presolve = "choose" if program.whole else "off"
    solver = pulp.HiGHS(
        msg=False, timeLimit=time_limit, gapRel=gap, threads=1, presolve=presolve, random_seed=0
    )  # fmt: skip
    problem.solve(solver)
    return _outcome(problem.solverModel, program, owners)


def _as_pulp(program: Program) -> tuple[Any, list[tuple[int, int]]]:
    """The PuLP problem, and for each of its constraints the row it comes from with its sense."""
    import pulp

    problem = pulp.LpProblem("batch", pulp.LpMinimize)
    variables = [
        pulp.LpVariable(f"x{i:05d}", float(v.lo), float(v.hi), pulp.LpInteger if v.whole else pulp.LpContinuous)
        for i, v in enumerate(program.variables)
    ]
    problem.addVariables(variables)
    costs = [(x, float(v.cost)) for x, v in zip(variables, program.variables, strict=True)]
    problem.setObjective(pulp.LpAffineExpression(costs))
    owners: list[tuple[int, int]] = []
    for i, row in enumerate(program.rows):
        terms = [(variables[j], a) for j, a in row.floats]
        for sense, limit in _sides(row):
            constraint = pulp.LpConstraint(pulp.LpAffineExpression(terms), sense, rhs=float(limit))
            problem.addConstraint(constraint, f"r{i:05d}_{len(owners)}")
            owners.append((i, sense))
    return problem, owners


def _sides(row: Row) -> list[tuple[int, Fraction]]:
    """PuLP has no ranged rows: equality, or one row a limit. Senses are -1 at most, 0 equal, 1 at least."""
    if row.lo is not None and row.lo == row.hi:
        return [(0, row.lo)]
    sides = []
    if row.hi is not None:
        sides.append((-1, row.hi))
    if row.lo is not None:
        sides.append((1, row.lo))
    return sides


def _outcome(highs: Any, program: Program, owners: list[tuple[int, int]]) -> Outcome:
    import highspy

    status, states = highs.getModelStatus(), highspy.HighsModelStatus
    if status in (states.kInfeasible, states.kUnboundedOrInfeasible):
        return Outcome(Ending.INFEASIBLE, basis=_basis(highs, program, owners), ray=_ray(highs, program, owners))
    info = highs.getInfo()
    if status not in (states.kOptimal, states.kTimeLimit) or info.primal_solution_status != _FEASIBLE_POINT:
        return Outcome(Ending.TIME_LIMIT if status == states.kTimeLimit else Ending.FAILED)
    ending = Ending.OPTIMAL if status == states.kOptimal else Ending.TIME_LIMIT
    bound = info.mip_dual_bound if program.whole else info.objective_function_value
    return Outcome(ending, tuple(highs.getSolution().col_value), _basis(highs, program, owners), bound)


def _basis(highs: Any, program: Program, owners: list[tuple[int, int]]) -> Basis | None:
    import highspy

    basis = highs.getBasis()
    if program.whole or not basis.valid:
        return None
    places = {
        highspy.HighsBasisStatus.kBasic: Place.BASIC,
        highspy.HighsBasisStatus.kUpper: Place.UPPER,
    }
    rows = [Place.BASIC] * len(program.rows)
    for (i, sense), state in zip(owners, basis.row_status, strict=True):
        if state != highspy.HighsBasisStatus.kBasic:
            rows[i] = Place.UPPER if sense < 0 else Place.LOWER
    return Basis(tuple(places.get(state, Place.LOWER) for state in basis.col_status), tuple(rows))


def _ray(highs: Any, program: Program, owners: list[tuple[int, int]]) -> tuple[float, ...]:
    if program.whole:
        return ()
    _, there, ray = highs.getDualRay()
    prices = [0.0] * len(program.rows)
    for (i, _), price in zip(owners, ray if there else (), strict=False):
        prices[i] += price
    return tuple(prices) if there else ()
