"""What is to be weighed: how many loads, on which divisions, within which limits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from constraints.formula import Batch, Dosing, Formula
from constraints.quantities import Basis, Ingredient, Weight
from constraints.requirement import Hold, Requirement, Role
from constraints.row import Row
from optimizer.problem import Problem
from optimizer.solver.program import choices_of, holds_of, value_per_kg

_ZERO = Fraction(0)
_ONE = Fraction(1)


@dataclass(frozen=True)
class WeighedLimit:
    """One row of a requirement over what is weighed: ``lo <= columns . kg + added . kg <= hi``.

    ``columns`` are per kilogram of each column of the formula alone, ``added`` per kilogram of each dosed addition,
    ``exact`` per kilogram of each column with the exact doses it carries. ``whole`` limits hold for all loads together,
    the others for each. The mixer's size has no requirement.
    """

    requirement: Requirement | None
    columns: Sequence[Fraction]
    added: Sequence[Fraction]
    exact: Sequence[Fraction]
    lo: Fraction | None
    hi: Fraction | None
    whole: bool

    def off(self, formula: Formula, batch: Batch) -> Fraction:
        """By how much a batch, or a load, is above the limit (positive) or below it (negative)."""
        items = (*formula.columns, *(addition.item for addition in formula.dosed))
        weights = [batch.kilograms.get(item, _ZERO) for item in items]
        value = _dot((*self.columns, *self.added), weights)
        if self.hi is not None and value > self.hi:
            return value - self.hi
        return value - self.lo if self.lo is not None and value < self.lo else _ZERO


@dataclass(frozen=True)
class Weighing:
    """What is to be weighed: how many loads, on which divisions (kilograms), within which limits.

    ``cuts`` are rows over the columns that hold for every batch, and every load, that keeps the cones.
    """

    problem: Problem
    loads: int
    divisions: Mapping[Ingredient, Fraction]
    cuts: tuple[Row, ...] = ()
    given: tuple[WeighedLimit, ...] | None = None
    """The limits where they are others than the problem's."""
    shared: tuple[int, Fraction] = 1, _ZERO
    """Over how many loads it is yet to be shared, and the part of a division of a column that is left for that."""

    @cached_property
    def choices(self) -> list[Row]:
        """Rows over the use of the columns, yes or no."""
        return choices_of(self.problem)

    @cached_property
    def holds(self) -> tuple[Hold, ...]:
        """What each column may be, in usable kilograms."""
        return holds_of(self.problem)

    @cached_property
    def binding(self) -> list[Requirement]:
        """The requirements that the weighed batch must satisfy."""
        return binding(self.problem)

    @cached_property
    def limits(self) -> tuple[WeighedLimit, ...]:
        """Those requirements as rows over what is weighed, and the mixer's size; reckoned only where needed."""
        if self.given is not None:
            return self.given
        none = (_ZERO,) * len(self.problem.formula.dosed)
        touching = (WeighedLimit(None, row.coefs, none, row.coefs, row.lo, row.hi, whole=False) for row in self.cuts)
        return (*limits_of(self.problem, self.binding), *touching)

    def unit(self, j: int) -> Fraction:
        """Kilograms that one count of a column stands for: a pack, or a division."""
        return self.holds[j].step or self.divisions[self.problem.formula.columns[j]]

    def value(self, batch: Batch) -> Fraction:
        """What is minimised, on the lots of a batch with every addition at its exact dose; money."""
        kilograms = ((column, batch.kilograms.get(column)) for column in self.problem.formula.columns)
        return sum((value_per_kg(self.problem.formula, column) * kg for column, kg in kilograms if kg), _ZERO)

    def in_divisions(self, j: int) -> bool:
        """True where a column can be shared over the loads in whole divisions."""
        step = self.holds[j].step
        return step is None or (step / self.divisions[self.problem.formula.columns[j]]).denominator == 1

    def cost(self, j: int) -> Fraction:
        """Money that one count of a column costs, with the additions it carries."""
        return value_per_kg(self.problem.formula, self.problem.formula.columns[j]) * self.unit(j)

    def together(self, room: Fraction, used: Sequence[int] = ()) -> Weighing:
        """The loads as one, of which nearly any sharing in divisions keeps every limit.

        ``room`` is the part of one division of each unevenly shared column that every load is left free of a limit;
        where columns are said to be ``used``, of each of these and no others, which is sooner searched.
        """
        dosed = self.problem.formula.dosed
        none, found = (_ZERO,) * len(dosed), []
        for limit in self.limits:
            times = 1 if limit.whole else self.loads
            free = [abs(a) * self.divisions[d.item] * self.loads for d, a in zip(dosed, limit.added, strict=True)]
            if not limit.whole:
                free += [room * (self.loads - 1) * abs(limit.exact[j]) * self.unit(j) for j in used]
            lo, hi = (None if n is None else n * times for n in (limit.lo, limit.hi))
            lo, hi = None if lo is None else lo + sum(free), None if hi is None else hi - sum(free)
            found.append(replace(limit, columns=limit.exact, added=none, lo=lo, hi=hi))
        return replace(
            self, loads=1, given=tuple(found), shared=(self.loads, _ZERO if used else room * (self.loads - 1))
        )


def binding(problem: Problem) -> list[Requirement]:
    """What a weighed batch must satisfy: all the model imposed, and what no choice of lots changes, if it can hold."""
    apart = {id(r) for r in problem.measured_only}
    apart |= {id(r) for r in problem.requirements if r.measured_only(problem.formula)}
    for requirement in problem.fixed:
        value = requirement.fixed_value(problem.formula)
        absent = not value and requirement.lo is None
        if absent or not requirement.origin.blocks or value is None or not requirement.within(value):
            apart.add(id(requirement))
    return [r for r in problem.requirements if id(r) not in apart]


def limits_of(problem: Problem, requirements: Iterable[Requirement]) -> tuple[WeighedLimit, ...]:
    """Every limit that must hold over what is weighed, stock and packs apart."""
    formula = problem.formula
    apart = [replace(addition, dosing=Dosing.FREE) for addition in formula.additions]
    explicit = Formula(formula.lots, apart, formula.process)
    place = {column: k for k, column in enumerate(explicit.columns)}
    own = [place[column] for column in formula.columns]
    dosed = [place[addition.item] for addition in formula.dosed]
    carried = [[share for _, share in formula.carried(column)] for column in formula.columns]
    limits = []
    for requirement in requirements:
        if requirement.role is Role.STOCK:
            continue
        for row in requirement.rows(explicit):
            columns, added = tuple(row.coefs[k] for k in own), tuple(row.coefs[k] for k in dosed)
            exact = tuple(a + _dot(added, shares) for a, shares in zip(columns, carried, strict=True))
            whole = requirement.of_batch
            limits.append(WeighedLimit(requirement, columns, added, exact, row.lo, row.hi, whole))
    mixer = problem.order.mixer_kg
    if mixer is not None:
        exact = tuple(formula.total(Weight(Basis.BATCH), column) for column in formula.columns)
        limits.append(WeighedLimit(None, (_ONE,) * len(own), (_ONE,) * len(dosed), exact, None, mixer, whole=False))
    return tuple(limits)


def _dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(left, right, strict=True) if a and b), _ZERO)
