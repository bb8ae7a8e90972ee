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

from constraints.requirement import Requirement, widened
from constraints.row import Row
from optimizer.bench.rows import Owner, layout_for
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.exact import vertex
from optimizer.solver.kept import Kept, searching
from optimizer.solver.model import Basis, Place, Program, SolverDisagrees
from optimizer.solver.optimum import held, settle
from optimizer.solver.program import Layout
from optimizer.solver.session import ALL
from optimizer.solver.simplex import Simplex
from optimizer.why.moving import Drift, Family

_ZERO = Fraction(0)
_ONE = Fraction(1)


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
    """The optimum explained. ``program`` is linear: without whole numbers, or with them held as chosen."""

    problem: Problem
    layout: Layout
    program: Program
    owners: tuple[Owner, ...]
    values: tuple[Fraction, ...]
    cost: Fraction
    prices: tuple[Fraction, ...]
    basis: Basis

    @property
    def whole(self) -> bool:
        """True where whole packs or pulls are part of the problem."""
        return self.layout.program.whole

    @property
    def means(self) -> Means:
        """How prices of limits are found."""
        return Means.FIXED if self.whole else Means.EXACT

    @cached_property
    def standing(self) -> Simplex:
        """A search standing at the optimum of the linear program; not to be moved, only copied."""
        return Simplex(self.program, self.basis)

    @property
    def kilograms(self) -> tuple[Fraction, ...]:
        """Usable kilograms of each column."""
        return self.layout.kilograms(self.values)


def ground_of(problem: Problem, values: Sequence[Fraction] = (), basis: Basis | None = None) -> Ground | None:
    """The ground of a problem, or None where it has no batch.

    ``values`` and ``basis`` are those of an optimum already found (the blend shown), of which nothing is solved again;
    without them it is found here.
    """
    layout, owners = layout_for(problem, any_size=True)
    program = layout.program
    if program.whole and not values:
        values = cheapest(program) or ()
        if not values:
            return None
    linear = held(program, values) if program.whole else program
    fits = basis is not None and (len(basis.variables), len(basis.rows)) == (len(linear.variables), len(linear.rows))
    found = vertex(linear, basis) if basis is not None and fits else None
    found = settle(linear) if found is None else found
    if found is None:
        return None
    point = tuple(values) if values else found.values
    if not program.feasible(point) or program.cost(point) != program.cost(found.values):
        raise SolverDisagrees("the batch shown is not the cheapest when solved again")
    return Ground(problem, layout, linear, owners, point, program.cost(point), found.prices, found.basis)


def cheapest(program: Program) -> tuple[Fraction, ...] | None:
    """The cheapest exact point of a program, whole numbers as the solver chose them; None where there is none.

    Without whole numbers both are proved. Raises SolverDisagrees where an answer cannot be made exact, and OutOfTime.
    """
    kept = Kept(program)
    with searching(kept, ALL):
        values = kept.best()
    if kept.stopped:
        raise OutOfTime
    return values or None


def family_of(ground: Ground, requirement: Requirement, side: str) -> Family | None:
    """The program as one requirement's limit moves: ``lo``, ``hi``, or ``both`` the same way.

    None where its rows do not move in proportion to the limit.
    """
    start = {"lo": requirement.lo, "hi": requirement.hi}.get(side)
    if side == "both" and requirement.lo is not None and requirement.hi is not None:
        start = (requirement.lo + requirement.hi) / 2
    if start is None:
        return None
    at = [i for i, owner in enumerate(ground.owners) if owner.requirement is requirement]
    rows = _rows(ground, requirement, side, 0)
    once, twice = _rows(ground, requirement, side, 1), _rows(ground, requirement, side, 2)
    if not len(at) == len(rows) == len(once) == len(twice):
        return None
    drifts = []
    for i, a, b, c in zip(at, rows, once, twice, strict=True):
        drift, check = _drift(i, a, b), _drift(i, b, c)
        if drift != check:
            return None
        if any(drift.coefs) or drift.lo or drift.hi:
            drifts.append(drift)
    return Family(ground.program, start, tuple(drifts)) if drifts else None


def _rows(ground: Ground, requirement: Requirement, side: str, by: int) -> list[Row]:
    lo, hi = requirement.lo, requirement.hi
    moved = widened(
        requirement,
        lo + by if lo is not None and side in ("lo", "both") else lo,
        hi + by if hi is not None and side in ("hi", "both") else hi,
    )
    size = len(ground.program.variables)
    units = ground.layout.units
    found = []
    for row in moved.rows(ground.problem.formula):
        coefs = tuple(a * u for a, u in zip(row.coefs, units, strict=True)) + (_ZERO,) * (size - len(units))
        found.append(Row(row.label, coefs, row.lo, row.hi))
    return found


def _drift(i: int, before: Row, after: Row) -> Drift:
    coefs = tuple(b - a for a, b in zip(before.coefs, after.coefs, strict=True))
    return Drift(i, coefs, (after.lo or _ZERO) - (before.lo or _ZERO), (after.hi or _ZERO) - (before.hi or _ZERO))


def stock_family(ground: Ground, j: int) -> tuple[Family, Basis]:
    """The program as the kilograms on hand of a column move, in units of its variable, and the basis in it.

    A row stands in place of the variable's bound.
    """
    program = ground.program
    variable = program.variables[j]
    size = len(program.variables)
    unit = tuple(_ONE if k == j else _ZERO for k in range(size))
    rows = (*program.rows, Row(f"stock of {variable.name}", unit, None, variable.hi))
    plenty = (variable.hi + 1) * 1000
    variables = tuple(replace(v, hi=plenty) if k == j else v for k, v in enumerate(program.variables))
    family = Family(Program(variables, rows), variable.hi, (Drift(len(program.rows), (_ZERO,) * size, hi=_ONE),))
    full = ground.basis.variables[j] is Place.UPPER
    places = tuple(Place.BASIC if full and k == j else p for k, p in enumerate(ground.basis.variables))
    return family, Basis(places, (*ground.basis.rows, Place.UPPER if full else Place.BASIC))


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
