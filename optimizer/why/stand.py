"""A program with cones at its optimum, and where everything stands there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

from constraints.requirement import Requirement
from optimizer import clock
from optimizer.problem import Problem
from optimizer.solver import cone
from optimizer.solver.conic import ConicUnits
from optimizer.solver.exact import reduced_costs
from optimizer.solver.kept import Kept, Unsettled, searching
from optimizer.solver.model import BasisStatus, Ending, SimplexBasis, SolverDisagrees
from optimizer.solver.optimum import Optimum, Ranks
from optimizer.solver.program import layout_of
from optimizer.solver.session import ALL

_ZERO = Fraction(0)
_ONE = Fraction(1)
TOUCH = 1e-6
"""Shortfall, as a share of the room a cone needs, within which the optimum is taken to lie on it."""
CLOSE = Fraction(1, 10**5)
"""Distance to a bound or limit, as a share of its scale, within which the optimum is taken to lie on it."""


class Curved(cone.ConeProgram):
    """A program and the cones over its variables."""

    def cheapest(self) -> Stand | None:
        """The optimum; None where no batch was found. Raises OutOfTime.

        Without cones either is proved, as far as whole numbers go; with them and without whole numbers a batch is
        missed only where those that keep the cones leave hardly any room.
        """
        clock.left()
        if not self.cones:
            values = in_whole(Kept(self.program))
            return Stand(self, values) if values else None
        try:
            found = self.settled(Ranks((), {}), plain=False)
        except SolverDisagrees:
            return None
        if found.ending is Ending.TIME_LIMIT:
            raise clock.OutOfTime
        return Stand(self, found.values, found) if found.values else None


def in_whole(kept: Kept) -> tuple[Fraction, ...] | None:
    """The cheapest point of a program kept in the solver. Raises OutOfTime where time or the search ends first."""
    with searching(kept, ALL), suppress(Unsettled):
        values = kept.best()
        if kept.certain:
            return values or None
    raise clock.OutOfTime


@dataclass(frozen=True)
class Stand:
    """A program with cones and its optimum; ``found`` has the prices that prove it, where it was found here."""

    curved: Curved
    values: tuple[Fraction, ...]
    found: Optimum | None = field(default=None, compare=False, repr=False)

    @cached_property
    def cost(self) -> Fraction:
        """Cost at the optimum."""
        return self.curved.program.cost(self.values)

    @cached_property
    def reduced(self) -> tuple[Fraction, ...]:
        """Reduced costs of the variables, by the prices of rows and cuts that prove the cost; whole numbers aside."""
        if self.found is None:
            again = self.curved.cheapest()
            return again.reduced if again is not None else (_ZERO,) * len(self.values)
        program = self.curved.program
        priced = replace(program, rows=(*program.rows, *self.found.cuts))
        return reduced_costs(priced, self.found.prices)

    @cached_property
    def reached(self) -> tuple[bool, ...]:
        """Whether the optimum lies on each cone."""
        return tuple(cone.shortfall(self.values) > -TOUCH for cone in self.curved.cones)

    @cached_property
    def places(self) -> SimplexBasis:
        """Where each variable, each row and, after the rows, each cone stands: at a limit, or between (basic)."""
        program, x = self.curved.program, self.values
        units = [Fraction(unit) for unit in ConicUnits.of(program).variables]
        sizes = zip(program.variables, x, units, strict=True)
        variables = tuple(_place(value, v.lo, v.hi, size) for v, value, size in sizes)
        rows = []
        for row in program.rows:
            used = sum((abs(a * x[j]) for j, a in row.terms if x[j]), _ZERO)
            largest = max((abs(a) * units[j] for j, a in row.terms), default=_ONE)
            rows.append(_place(row.value(x), row.lo, row.hi, max(used, largest)))
        return SimplexBasis(
            variables, (*rows, *(BasisStatus.UPPER if on else BasisStatus.BASIC for on in self.reached))
        )


def _place(value: Fraction, lo: Fraction | None, hi: Fraction | None, scale: Fraction) -> BasisStatus:
    near = CLOSE * scale
    if lo is not None and value - lo <= near:
        return BasisStatus.LOWER
    return BasisStatus.UPPER if hi is not None and hi - value <= near else BasisStatus.BASIC


def curved_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> Curved:
    """The program of a problem with its cones, under some requirements (None: its own)."""
    chosen = problem.choosing if requirements is None else requirements
    return Curved.of(layout_of(problem, chosen, any_size=True), chosen, problem.formula)


def halved(holds: Callable[[Fraction], bool], inside: Fraction, outside: Fraction, times: int) -> Fraction:
    """The last figure at which something holds on the way from one at which it does to one at which it does not."""
    for _ in range(times):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if holds(middle) else (inside, middle)
    return inside
