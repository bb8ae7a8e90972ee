"""A program, a basis of it, and what a solver says of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from constraints.row import Row
from constraints.vector import quick


class SolverDisagrees(Exception):
    """The solver's answer did not stand up to exact recomputation; nothing of it is shown."""


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
        used = {j: quick(x) for j, x in enumerate(point) if x}
        return bounded and integral and all(row.keeps(used) for row in self.rows)


def relaxed(program: Program) -> Program:
    """The same program without whole numbers."""
    free = tuple(Variable(v.name, v.cost, v.lo, v.hi) for v in program.variables)
    return Program(free, program.rows)


@dataclass(frozen=True)
class Basis:
    """Where every variable and every row stands. As many variables are basic as rows are not."""

    variables: tuple[Place, ...]
    rows: tuple[Place, ...]
