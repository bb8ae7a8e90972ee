"""A program with cones at its optimum: where everything stands there, and what its limits' prices are.

At the optimum each cone that is reached is replaced by the cut that touches it there. The linear program with these
cuts has the same optimum, so its prices are those of the program with cones (the first-order conditions are the same;
Boyd and Vandenberghe, Convex Optimization, 2004, 5.5.3). When a limit moves, the rows and cuts at the optimum move by
so much a unit; what that changes in the least cost at first is read from the bases of the linear program a hair to
either side, so that a price that differs left and right is found on both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from constraints.cone import Cone
from constraints.row import Row
from optimizer import clock
from optimizer.bench.rows import layout_for
from optimizer.problem import Problem
from optimizer.solver import cone
from optimizer.solver.conic import Units
from optimizer.solver.exact import reduced_costs
from optimizer.solver.model import Basis, Ending, Place, Program, SolverDisagrees, Variable
from optimizer.solver.optimum import Ranks
from optimizer.why.moving import Drift, Family, segment, solved

_ZERO = Fraction(0)
_ONE = Fraction(1)
TOUCH = 1e-6
"""Shortfall, as a share of the room a cone needs, within which the optimum is taken to lie on it."""
_NEAR = -0.02
"""Shortfall above which a cone gets a cut."""
CLOSE = Fraction(1, 10**5)
"""Distance to a bound or limit, as a share of its scale, within which the optimum is taken to lie on it."""
_HAIR = Fraction(1, 10**6)
"""Step aside at which a price is read, as a share of the figure's size."""


class Curved(cone.Curved):
    """A program and the cones over its variables."""

    def cheapest(self) -> Stand | None:
        """The optimum; None where no batch was found. Raises OutOfTime.

        Without whole numbers a batch is missed only where those that keep the cones leave hardly any room.
        """
        clock.left()
        try:
            found = self.settled(Ranks((), ()), plain=False).optimum
        except SolverDisagrees:
            return None
        if found.ending is Ending.TIME_LIMIT:
            raise clock.OutOfTime
        return Stand(self, found.values) if found.values else None


@dataclass(frozen=True)
class Stand:
    """A program with cones and its optimum."""

    curved: Curved
    values: tuple[Fraction, ...]

    @cached_property
    def cost(self) -> Fraction:
        """Cost at the optimum."""
        return self.curved.program.cost(self.values)

    @cached_property
    def reached(self) -> tuple[bool, ...]:
        """Whether the optimum lies on each cone."""
        return tuple(cone.shortfall(self.values) > -TOUCH for cone in self.curved.cones)

    @cached_property
    def places(self) -> Basis:
        """Where each variable, each row and, after the rows, each cone stands: at a limit, or between (basic)."""
        program, x = self.curved.program, self.values
        units = [Fraction(unit) for unit in Units.of(program).variables]
        sizes = zip(program.variables, x, units, strict=True)
        variables = tuple(_place(value, v.lo, v.hi, size) for v, value, size in sizes)
        rows = []
        for row in program.rows:
            used = sum((abs(a * x[j]) for j, a in row.terms if x[j]), _ZERO)
            largest = max((abs(a) * units[j] for j, a in row.terms), default=_ONE)
            rows.append(_place(row.value(x), row.lo, row.hi, max(used, largest)))
        return Basis(variables, (*rows, *(Place.UPPER if on else Place.BASIC for on in self.reached)))

    @cached_property
    def cuts(self) -> tuple[tuple[int, Row], ...]:
        """Cuts that touch the cones at the optimum, each with the place of its cone."""
        near = [(k, c) for k, c in enumerate(self.curved.cones) if c.shortfall(self.values) > _NEAR]
        return tuple((k, row) for k, c in near if (row := c.cut(self.values)) is not None)

    @cached_property
    def linear(self) -> Program:
        """The program with the cuts after its rows; whole numbers are held as they are."""
        program = self.curved.program
        rows = (*program.rows, *(row for _, row in self.cuts))
        return Program(tuple(_held(v, x) for v, x in zip(program.variables, self.values, strict=True)), rows)

    @cached_property
    def basis(self) -> Basis:
        """An optimal basis of the linear program."""
        return self._solved[0]

    @cached_property
    def prices(self) -> tuple[Fraction, ...]:
        """Prices of the rows and cuts."""
        return self._solved[1]

    @cached_property
    def reduced(self) -> tuple[Fraction, ...]:
        """Reduced costs of the variables: cost less what the prices pay."""
        return reduced_costs(self.linear, self.prices)

    @cached_property
    def _solved(self) -> tuple[Basis, tuple[Fraction, ...]]:
        search = solved(self.linear)
        if search is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        return search.basis, search.prices()

    def slope(self, drifts: Sequence[Drift], cones: Sequence[Cone], scale: Fraction, way: int) -> Fraction | None:
        """Change of the least cost per unit of a figure that goes up (``way`` 1) or down (-1), at first.

        ``drifts`` say how the program's rows move per unit, ``cones`` are the cones one unit further. None where the
        linear program has no point that way: there is none with the cones either.
        """
        family = Family(self.linear, _ZERO, (*self._still(drifts), *self._turned(cones)))
        hair = way * _HAIR * max(abs(scale), _ONE)
        search = solved(family.at(hair), self.basis)
        return None if search is None else segment(family, hair, search.basis).slope_at(hair)

    def _still(self, drifts: Sequence[Drift]) -> list[Drift]:
        """The same moves of the rows at the optimum as moves of their limits alone."""
        zero = (_ZERO,) * len(self.values)
        found = []
        for drift in drifts:
            moved = sum((e * x for e, x in zip(drift.coefs, self.values, strict=True) if e and x), _ZERO)
            found.append(Drift(drift.row, zero, drift.lo - moved, drift.hi - moved))
        return found

    def _turned(self, cones: Sequence[Cone]) -> list[Drift]:
        """How much tighter each cut is one unit further, as a move of its limit."""
        zero = (_ZERO,) * len(self.values)
        first = len(self.curved.program.rows)
        found = []
        for i, (k, _) in enumerate(self.cuts):
            by = _tighter(self.curved.cones[k], cones[k], self.values)
            if by:
                found.append(Drift(first + i, zero, hi=-by))
        return found


def _tighter(now: Cone, then: Cone, x: Sequence[Fraction]) -> Fraction:
    """Change of a cone's left side less its limit at a point, to first order, from one cone to another."""
    moved = now.margin(x) - then.margin(x)
    before, after = now.spread(x), then.spread(x)
    length = float(sum(part * part for part in before)) ** 0.5
    if len(before) != len(after) or not length:
        return moved
    turned = sum(a * (b - a) for a, b in zip(before, after, strict=True))
    return moved + now.z * turned / Fraction(length)


def _held(v: Variable, value: Fraction) -> Variable:
    return replace(v, lo=value, hi=value, whole=False) if v.whole else v


def _place(value: Fraction, lo: Fraction | None, hi: Fraction | None, scale: Fraction) -> Place:
    near = CLOSE * scale
    if lo is not None and value - lo <= near:
        return Place.LOWER
    return Place.UPPER if hi is not None and hi - value <= near else Place.BASIC


def curved_of(problem: Problem) -> Curved:
    """The program of a problem with its cones."""
    layout, _ = layout_for(problem, any_size=True)
    size = len(layout.program.variables)
    cones = tuple(found.over(layout.units, size) for found in cone.cones_of(problem.choosing, problem.formula))
    return Curved(layout.program, cones)
