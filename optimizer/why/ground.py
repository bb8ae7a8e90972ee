"""What the explanation stands on: the exact optimum of a batch, its basis, and which requirement each row belongs to.

Prices are those of the unrounded optimum, before whole scale divisions. Where lots are sold in whole packs or have a
smallest pull, prices of limits are read with the chosen packs and pulls held (*fixed*), while prices of lots come from
solving the whole problem again at changed data (*solved again*). Which of the two it was is said with each figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from typing import Final, Literal

from constraints.as_typed import ONE, PERCENT, ZERO
from constraints.asked import Tidy
from constraints.formula import Batch
from constraints.requirement import Hold, Requirement, Role
from constraints.row import Cone, Row
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.exact import reduced_costs, vertex
from optimizer.solver.optimum import Kept, Unsettled, held, settle
from optimizer.solver.program import BasisStatus, Layout, Program, SimplexBasis, SolverDisagrees, holds_of, layout_of
from optimizer.why.moving import CLOSE, Curved, Drift, Family, Stand, curved_of

LEAST_ORDER = 50
"""An order is not made smaller than one part in so many; common practice, no source."""
_NOWHERE = SimplexBasis((), ())
_ENTERS = BasisStatus.LOWER, BasisStatus.BASIC


class Means(StrEnum):
    """How a figure was found."""

    EXACT = "exact"
    FIXED = "packs and pulls held as chosen"
    SOLVED_AGAIN = "solved again with whole packs and pulls"
    CURVED = "price at the optimum, range by solving again at changed figures"
    CURVED_FIXED = "packs and pulls held as chosen; price at the optimum, range by solving again at changed figures"
    CHANGED = "by solving again at changed figures"


class Section(StrEnum):
    """The parts of an explanation, by the names they have in its JSON document."""

    CONFLICT = "conflict"
    PRICES = "prices"
    LOTS = "lots"
    WAYS_OUT = "ways_out"
    OFFERS = "offers"
    CURVES = "curves"
    WHAT_IF = "what_if"


TIME: Final = "time"
GIVEN_UP: Final = "search given up"


@dataclass(frozen=True)
class NotSettled:
    """What time, or a search that was given up, did not allow."""

    part: Section
    what: str
    why: Literal["time", "search given up"] = TIME

    def words(self) -> str:
        """In one sentence."""
        return f"{self.what}: the {'time was over' if self.why == TIME else 'search was given up'}."


@contextmanager
def settled(unfinished: list[NotSettled], part: Section, what: str) -> Iterator[None]:
    """Name what time did not allow or what could not be settled; the batch itself stands all the same."""
    try:
        yield
    except (OutOfTime, Unsettled, SolverDisagrees) as stopped:
        unfinished.append(NotSettled(part, what, TIME if isinstance(stopped, OutOfTime) else GIVEN_UP))


@dataclass(frozen=True)
class Ground:
    """The optimum explained. ``program`` is without whole numbers, or with them held as chosen; ``layout`` has them.

    Without cones figures are *exact*, from ``basis`` and ``prices``; with them they are *resolved*, from ``stand`` and
    by solving again (then there is no basis).
    """

    problem: Problem
    layout: Layout
    program: Program
    values: tuple[Fraction, ...]
    cost: Fraction
    cones: tuple[tuple[Requirement, Cone], ...] = ()
    prices: tuple[Fraction, ...] = ()
    basis: SimplexBasis = _NOWHERE
    kept: Tidy | None = None
    """What the batch keeps of pulls and remnants; the program has rows of it only where ``whole``."""
    more: int | None = None
    """The column of which there may be more on hand."""

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

    @cached_property
    def free(self) -> Curved:
        """The program with whole numbers to be chosen anew, and its cones; what is learnt of them serves every lot."""
        return Curved(self.layout.program, tuple(cone for _, cone in self.cones))

    @cached_property
    def posed(self) -> Problem:
        """The problem with pulls and remnants kept as the batch keeps them."""
        return self.problem if self.kept is None else imposing(self.problem, self.kept)

    @cached_property
    def holds(self) -> tuple[Hold, ...]:
        """What each column may be."""
        return holds_of(self.problem)

    @cached_property
    def _holds(self) -> tuple[Hold, ...]:
        if self.kept is None or self.whole:
            return ()
        holds = list(holds_of(self.posed))
        if self.more is not None:
            holds[self.more] = replace(holds[self.more], most=10 * holds[self.more].most + 1, stock=ZERO, rest=ZERO)
        return tuple(holds)

    def made(self, values: Sequence[Fraction]) -> bool:
        """True where a batch of the program keeps pulls and remnants as the kitchen does, so that it would be made."""
        return all_keep(self._holds, self.layout.units, values, about=bool(self.cones))

    def made_at(self, family: Family, figure: Fraction) -> bool:
        """True where the cheapest batch at another figure would be made, or there is none."""
        found = family.solved(figure)
        return found is None or self.made(found.values)

    @cached_property
    def chosen(self) -> Ground:
        """The ground with the choice of lots held as it was made, pulls and remnants kept."""
        found = ground_of(self.posed, self.values)
        if found is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        return found

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

    @cached_property
    def batch(self) -> Batch:
        """The batch with doses as they follow, not rounded."""
        return self.problem.formula.exact_batch(self.kilograms)

    def cones_of(self, requirement: Requirement) -> tuple[Cone, ...]:
        """The cones of a requirement over the variables of the program."""
        units, size = self.layout.units, len(self.program.variables)
        return tuple(cone.over(units, size) for cone in requirement.cones(self.problem.formula))

    def cost_with(self, old: Requirement, new: Requirement) -> Fraction | None:
        """The least cost with one requirement replaced, everything solved again; None where there is no batch."""
        found = curved_of(self.posed, [new if r is old else r for r in self.problem.choosing]).cheapest()
        return None if found is None else found.cost


def imposing(problem: Problem, tidy: Tidy) -> Problem:
    """The problem with rows for pulls and remnants."""
    return replace(problem, order=replace(problem.order, imposed=tidy))


def least_of(hold: Hold) -> Fraction:
    """The least that is taken of a column if anything is, in whole packs where it has them."""
    span = hold.span(hold.step)
    least = span.lo if span.lo <= span.hi or span.every is None else span.every
    return max(least, ONE) if hold.step is not None else least


def all_keep(holds: Sequence[Hold], units: Sequence[Fraction], values: Sequence[Fraction], *, about: bool) -> bool:
    """True where the weights of a batch keep pulls and remnants; ``about``: but for the error of solving again."""
    for hold, unit, x in zip(holds, units, values, strict=False):
        kilograms = unit * x
        if about and kilograms <= CLOSE:
            kilograms = ZERO
        elif about and abs(hold.stock - kilograms) <= CLOSE * hold.stock:
            kilograms = hold.stock
        if not hold.allows(kilograms):
            return False
    return True


def ground_of(
    problem: Problem, values: Sequence[Fraction] = (), basis: SimplexBasis | None = None, kept: Tidy | None = None
) -> Ground | None:
    """The ground of a problem, or None where it has no batch.

    ``values`` and ``basis`` are those of an optimum already found (the blend shown), of which nothing is solved again;
    without them it is found here. ``kept`` are pulls and remnants that the optimum keeps without rows for them.
    """
    layout = layout_of(problem, any_size=True)
    program = layout.program
    if kept is not None and (program.whole or kept == problem.order.imposed or kept.says_nothing):
        return ground_of(imposing(problem, kept), values, basis)
    point = tuple(values)
    if point and len(point) < len(program.variables):
        whole = Kept(program)
        for j, x in enumerate(point):
            whole.bound(j, x, x)
        point = whole.best()
    empty = Ground(problem, layout, program, (), ZERO, kept=kept)
    found = replace(empty, cones=tuple((r, cone) for r in problem.choosing for cone in empty.cones_of(r)))
    if (program.whole or found.cones) and not point:
        best = found.free.cheapest()
        if best is None:
            return None
        point = best.values
    linear = held(program, point) if program.whole else program
    if found.cones:
        return replace(found, program=linear, values=point, cost=program.cost(point))
    fits = basis is not None and (len(basis.variables), len(basis.rows)) == (len(linear.variables), len(linear.rows))
    settled = (vertex(linear, basis) if basis is not None and fits else None) or settle(linear)
    if settled is None:
        return None
    point = point or settled.values
    if not program.feasible(point) or program.cost(point) != settled.cost:
        raise SolverDisagrees("the batch shown is not the cheapest when solved again")
    return replace(found, program=linear, values=point, cost=settled.cost, prices=settled.prices, basis=settled.basis)


def limit_of(requirement: Requirement, side: str) -> Fraction | None:
    """The figure of a limit, ``lo``, ``hi`` or the middle of ``both``; None where there is none."""
    lo, hi = requirement.lo, requirement.hi
    if side == "both":
        return None if lo is None or hi is None else (lo + hi) / 2
    return lo if side == "lo" else hi


def moved_to(requirement: Requirement, side: str, figure: Fraction) -> Requirement:
    """The requirement with its limit (``lo``, ``hi``, or ``both`` by their middle) at another figure."""
    by = figure - (limit_of(requirement, side) or ZERO)
    lo = requirement.lo if requirement.lo is None or side == "hi" else requirement.lo + by
    hi = requirement.hi if requirement.hi is None or side == "lo" else requirement.hi + by
    return replace(requirement, lo=lo, hi=hi)


def family_of(ground: Ground, requirement: Requirement, side: str) -> Family | None:
    """The program as one requirement's limit moves: ``lo``, ``hi``, or ``both`` the same way.

    None where its rows do not move in proportion to the limit.
    """
    start, formula = limit_of(requirement, side), ground.problem.formula
    if start is None:
        return None
    at = [i for i, row in enumerate(ground.program.rows) if row.owner.what is requirement]
    moved = [moved_to(requirement, side, start + by).rows(formula) for by in (0, 1, 2)]
    if any(len(rows) != len(at) for rows in moved):
        return None
    rows, once, twice = ([row.over(ground.layout.units) for row in rows] for rows in moved)
    drifts, check = (list(map(_drift, at, *pair)) for pair in ((rows, once), (once, twice)))
    if drifts != check:
        return None
    drifts = [drift for drift in drifts if any(drift.coefs) or drift.lo or drift.hi]

    def cones(figure: Fraction) -> tuple[Cone, ...]:
        moved = iter(ground.cones_of(moved_to(requirement, side, figure)))
        return tuple(next(moved) if r is requirement else cone for r, cone in ground.cones)

    least = start / LEAST_ORDER if requirement.role is Role.SIZE else ZERO
    most = Fraction(PERCENT) if requirement.unit == "%" else None
    return Family(ground.program, start, tuple(drifts), cones, least, most) if drifts else None


def _drift(i: int, before: Row, after: Row) -> Drift:
    coefs = tuple(b - a for a, b in zip(before.coefs, after.coefs, strict=True))
    return Drift(i, coefs, (after.lo or ZERO) - (before.lo or ZERO), (after.hi or ZERO) - (before.hi or ZERO))


def stock_family(ground: Ground, j: int, per: Fraction) -> tuple[Family, Ground]:
    """The program as the kilograms on hand of a column move, ``per`` unit of its variable, and the ground on it.

    A row stands in place of the variable's bound.
    """
    program, basis, prices = ground.program, ground.basis, ground.prices
    variable = program.variables[j]
    stock = Row.of(f"stock of {variable.name}", {j: per}, None, variable.hi * per)
    plenty = replace(variable, hi=(variable.hi + 1) * 1000)
    opened = Program((*program.variables[:j], plenty, *program.variables[j + 1 :]), (*program.rows, stock))
    if not ground.cones:
        full = basis.variables[j] is BasisStatus.UPPER
        prices = (*prices, ground.reduced[j] / per if full else ZERO)
        places = tuple(BasisStatus.BASIC if full and k == j else p for k, p in enumerate(basis.variables))
        basis = SimplexBasis(places, (*basis.rows, BasisStatus.UPPER if full else BasisStatus.BASIC))
    there = replace(ground, program=opened, basis=basis, prices=prices, more=j)
    drift = Drift(len(program.rows), (ZERO,), hi=ONE)
    return Family(opened, variable.hi * per, (drift,), lambda _: ground.free.cones), there


def changes(ground: Ground, before: SimplexBasis, after: SimplexBasis, skip: Iterable[int] = ()) -> list[str]:
    """What is different between two neighbouring bases, in words: lots and requirements that take over or give way."""
    words = []
    told = {BasisStatus.LOWER: "drops out", BasisStatus.UPPER: "is used up", BasisStatus.BASIC: "is no longer used up"}
    for v, old, new in zip(ground.program.variables, before.variables, after.variables, strict=True):
        if old is not new:
            words.append(f"{v.name} {'comes in' if (old, new) == _ENTERS else told[new]}")
    limits = [(row.label, row.owner.what) for row in ground.program.rows]
    limits += [(f"{cone.label}, with its error", requirement) for requirement, cone in ground.cones]
    for i, (old, new, (name, requirement)) in enumerate(zip(before.rows, after.rows, limits, strict=False)):
        if i in skip or (old is BasisStatus.BASIC) == (new is BasisStatus.BASIC):
            continue
        name = name if requirement is None else f"{name} ({requirement.limits()})"
        words.append(f"{name} binds" if old is BasisStatus.BASIC else f"{name} no longer binds")
    return words
