"""What the explanation stands on: the exact optimum of a batch, its basis, and which requirement each row belongs to.

Prices are those of the unrounded optimum, before whole scale divisions. Where lots are sold in whole packs or have a
smallest pull, prices of limits are read with the chosen packs and pulls held (*fixed*), while prices of lots come from
solving the whole problem again at changed data (*solved again*). Which of the two it was is said with each figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from functools import cached_property

from constraints.cone import Cone
from constraints.meaning import Role
from constraints.numbers import PERCENT
from constraints.requirement import Requirement, widened
from constraints.row import Row
from optimizer.bench.rows import Owner, layout_for
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.exact import reduced_costs, vertex
from optimizer.solver.kept import Kept, searching
from optimizer.solver.model import Basis, Place, Program, SolverDisagrees
from optimizer.solver.optimum import held, settle
from optimizer.solver.program import Layout
from optimizer.solver.session import ALL
from optimizer.solver.simplex import Simplex
from optimizer.why.moving import Drift, Family
from optimizer.why.stand import Curved, Stand

_ZERO = Fraction(0)
_ONE = Fraction(1)


LEAST_ORDER = 50
"""An order is not made smaller than one part in so many; common practice, no source."""


_NOWHERE = Basis((), ())


class Means(StrEnum):
    """How a figure was found."""

    EXACT = "exact"
    FIXED = "packs and pulls held as chosen"
    SOLVED_AGAIN = "solved again with whole packs and pulls"
    CURVED = "price at the optimum, range by solving again at changed figures"
    CURVED_FIXED = "packs and pulls held as chosen; price at the optimum, range by solving again at changed figures"
    CHANGED = "by solving again at changed figures"


@dataclass(frozen=True)
class Ground:
    """The optimum explained. ``program`` is without whole numbers, or with them held as chosen; ``layout`` has them.

    Without cones figures are *exact*, from ``basis`` and ``prices``; with them they are *resolved*, from ``stand`` and
    by solving again (then there is no basis, and ``owners`` go on with those of the cones).
    """

    problem: Problem
    layout: Layout
    program: Program
    owners: tuple[Owner, ...]
    values: tuple[Fraction, ...]
    cost: Fraction
    cones: tuple[tuple[Requirement, Cone], ...] = ()
    prices: tuple[Fraction, ...] = ()
    basis: Basis = _NOWHERE

    @property
    def whole(self) -> bool:
        """True where whole packs or pulls are part of the problem."""
        return self.layout.program.whole

    @property
    def means(self) -> Means:
        """How prices of limits are found."""
        if self.cones:
            return Means.CURVED_FIXED if self.whole else Means.CURVED
        return Means.FIXED if self.whole else Means.EXACT

    @property
    def means_of_lots(self) -> Means:
        """How prices of lots are found."""
        return Means.CHANGED if self.cones else Means.SOLVED_AGAIN if self.whole else Means.EXACT

    @property
    def free(self) -> Curved:
        """The program with whole numbers to be chosen anew, and its cones."""
        return Curved(self.layout.program, tuple(cone for _, cone in self.cones))

    @cached_property
    def standing(self) -> Simplex:
        """A search standing at the optimum of the linear program; not to be moved, only copied."""
        return Simplex(self.program, self.basis)

    @cached_property
    def stand(self) -> Stand:
        """The optimum among the cones."""
        return Stand(Curved(self.program, self.free.cones), self.values)

    @cached_property
    def reduced(self) -> tuple[Fraction, ...]:
        """Reduced costs of the variables: cost less what the prices pay."""
        return self.stand.reduced if self.cones else reduced_costs(self.program, self.prices)

    @property
    def kilograms(self) -> tuple[Fraction, ...]:
        """Usable kilograms of each column."""
        return self.layout.kilograms(self.values)

    def cones_of(self, requirement: Requirement) -> tuple[Cone, ...]:
        """The cones of a requirement over the variables of the program."""
        units, size = self.layout.units, len(self.program.variables)
        return tuple(cone.over(units, size) for cone in requirement.cones(self.problem.formula))

    def cost_with(self, old: Requirement, new: Requirement) -> Fraction | None:
        """The least cost with one requirement replaced, everything solved again; None where there is no batch."""
        chosen = [new if r is old else r for r in self.problem.choosing]
        program = layout_for(self.problem, chosen, any_size=True)[0].program
        return least_cost(Curved(program, tuple(cone for r in chosen for cone in self.cones_of(r))))


def ground_of(problem: Problem, values: Sequence[Fraction] = (), basis: Basis | None = None) -> Ground | None:
    """The ground of a problem, or None where it has no batch.

    ``values`` and ``basis`` are those of an optimum already found (the blend shown), of which nothing is solved again;
    without them it is found here.
    """
    layout, owners = layout_for(problem, any_size=True)
    program = layout.program
    empty = Ground(problem, layout, program, owners, (), _ZERO)
    cones = tuple((r, cone) for r in problem.choosing for cone in empty.cones_of(r))
    found = replace(empty, cones=cones, owners=(*owners, *(Owner(r, f"{c.label}, with its error") for r, c in cones)))
    point = tuple(values) or ((program.whole or cones) and cheapest(found.free)) or ()
    if (program.whole or cones) and not point:
        return None
    linear = held(program, point) if program.whole else program
    if cones:
        return replace(found, program=linear, values=point, cost=program.cost(point))
    fits = basis is not None and (len(basis.variables), len(basis.rows)) == (len(linear.variables), len(linear.rows))
    settled = vertex(linear, basis) if basis is not None and fits else None
    settled = settle(linear) if settled is None else settled
    if settled is None:
        return None
    point = point or settled.values
    if not program.feasible(point) or program.cost(point) != program.cost(settled.values):
        raise SolverDisagrees("the batch shown is not the cheapest when solved again")
    return replace(
        found, program=linear, values=point, cost=program.cost(point), prices=settled.prices, basis=settled.basis
    )


def cheapest(curved: Curved) -> tuple[Fraction, ...] | None:
    """The cheapest point of a program with its cones, whole numbers as the solver chose them; None: there is none.

    Without whole numbers and cones both are proved. Raises SolverDisagrees where an answer cannot be made exact.
    """
    if curved.cones:
        found = curved.cheapest()
        return None if found is None else found.values
    kept = Kept(curved.program)
    with searching(kept, ALL):
        values = kept.best()
    if kept.stopped:
        raise OutOfTime
    return values or None


def least_cost(curved: Curved) -> Fraction | None:
    """What the cheapest point costs; None where there is none."""
    values = cheapest(curved)
    return None if values is None else curved.program.cost(values)


def moved_to(requirement: Requirement, side: str, figure: Fraction) -> Requirement:
    """The requirement with its limit (``lo``, ``hi``, or ``both`` by their middle) at another figure."""
    lo, hi = requirement.lo, requirement.hi
    if side == "both" and lo is not None and hi is not None:
        by = figure - (lo + hi) / 2
        return widened(requirement, lo + by, hi + by)
    return widened(requirement, figure if side == "lo" else lo, figure if side == "hi" else hi)


def family_of(ground: Ground, requirement: Requirement, side: str) -> Family | None:
    """The program as one requirement's limit moves: ``lo``, ``hi``, or ``both`` the same way.

    None where its rows do not move in proportion to the limit.
    """
    start = {"lo": requirement.lo, "hi": requirement.hi}.get(side)
    if side == "both" and requirement.lo is not None and requirement.hi is not None:
        start = (requirement.lo + requirement.hi) / 2
    if start is None:
        return None
    at = [
        i for i, owner in enumerate(ground.owners) if owner.requirement is requirement and i < len(ground.program.rows)
    ]
    rows, once, twice = (_rows(ground, moved_to(requirement, side, start + by)) for by in (0, 1, 2))
    if not len(at) == len(rows) == len(once) == len(twice):
        return None
    drifts = []
    for i, a, b, c in zip(at, rows, once, twice, strict=True):
        drift, check = _drift(i, a, b), _drift(i, b, c)
        if drift != check:
            return None
        if any(drift.coefs) or drift.lo or drift.hi:
            drifts.append(drift)

    def cones(figure: Fraction) -> tuple[Cone, ...]:
        moved = iter(ground.cones_of(moved_to(requirement, side, figure)))
        return tuple(next(moved) if r is requirement else cone for r, cone in ground.cones)

    least = start / LEAST_ORDER if requirement.role is Role.SIZE else _ZERO
    most = Fraction(PERCENT) if requirement.unit == "%" else None
    return Family(ground.program, start, tuple(drifts), cones, least, most) if drifts else None


def _rows(ground: Ground, requirement: Requirement) -> list[Row]:
    units = ground.layout.units
    more = (_ZERO,) * (len(ground.program.variables) - len(units))
    return [
        Row(row.label, tuple(a * u for a, u in zip(row.coefs, units, strict=True)) + more, row.lo, row.hi)
        for row in requirement.rows(ground.problem.formula)
    ]


def _drift(i: int, before: Row, after: Row) -> Drift:
    coefs = tuple(b - a for a, b in zip(before.coefs, after.coefs, strict=True))
    return Drift(i, coefs, (after.lo or _ZERO) - (before.lo or _ZERO), (after.hi or _ZERO) - (before.hi or _ZERO))


def stock_family(ground: Ground, j: int) -> tuple[Family, Ground]:
    """The program as the kilograms on hand of a column move, in units of its variable, and the ground on it.

    A row stands in place of the variable's bound.
    """
    program, basis = ground.program, ground.basis
    variable = program.variables[j]
    size = len(program.variables)
    unit = tuple(_ONE if k == j else _ZERO for k in range(size))
    rows = (*program.rows, Row(f"stock of {variable.name}", unit, None, variable.hi))
    plenty = (variable.hi + 1) * 1000
    variables = tuple(replace(v, hi=plenty) if k == j else v for k, v in enumerate(program.variables))
    opened = Program(variables, rows)
    drift = Drift(len(program.rows), (_ZERO,) * size, hi=_ONE)
    if not ground.cones:
        full = basis.variables[j] is Place.UPPER
        places = tuple(Place.BASIC if full and k == j else p for k, p in enumerate(basis.variables))
        basis = Basis(places, (*basis.rows, Place.UPPER if full else Place.BASIC))
    owners = list(ground.owners)
    owners.insert(len(program.rows), Owner(None, rows[-1].label))
    cones = ground.free.cones
    there = replace(ground, program=opened, basis=basis, owners=tuple(owners))
    return Family(opened, variable.hi, (drift,), lambda _: cones), there


def changes(ground: Ground, before: Basis, after: Basis, skip: Iterable[int] = ()) -> list[str]:
    """What is different between two neighbouring bases, in words: lots and requirements that take over or give way."""
    words = []
    names = [v.name for v in ground.program.variables]
    used = {
        (Place.BASIC, Place.LOWER): "{} drops out",
        (Place.UPPER, Place.LOWER): "{} drops out",
        (Place.LOWER, Place.BASIC): "{} comes in",
        (Place.BASIC, Place.UPPER): "{} is used up",
        (Place.LOWER, Place.UPPER): "{} is used up",
        (Place.UPPER, Place.BASIC): "{} is no longer used up",
    }
    for name, old, new in zip(names, before.variables, after.variables, strict=True):
        if old is not new:
            words.append(used[(old, new)].format(name))
    for i, (old, new) in enumerate(zip(before.rows, after.rows, strict=False)):
        owner = ground.owners[i] if i < len(ground.owners) else None
        if owner is None or i in skip or (old is Place.BASIC) == (new is Place.BASIC):
            continue
        name = owner.label if owner.requirement is None else f"{owner.label} ({owner.requirement.limits()})"
        words.append(f"{name} binds" if old is Place.BASIC else f"{name} no longer binds")
    return words
