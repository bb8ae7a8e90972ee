"""Kilograms on the scales: what is to be weighed, and the nearest divisions, shared over the loads, with the additions
of each load's own lots.

What is said of them needs no trust in a solver: every requirement is measured on the weighed batch with fractions, and
the lower bound is weak duality: any prices whatever on the rows give a cost that no batch can undercut.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from math import ceil, floor

from constraints.as_typed import ONE, PERCENT, ZERO
from constraints.formula import Batch, Dosing, Formula, dot
from constraints.quantities import FAT, Basis, Ingredient, Kind, Lot, Weight
from constraints.requirement import Hold, Requirement, Role
from constraints.row import Row
from optimizer.problem import Problem
from optimizer.reading.entry import ScaleName
from optimizer.reading.recipe import Recipe
from optimizer.solver.exact import lower_bound
from optimizer.solver.optimum import Optimum
from optimizer.solver.program import Layout, choices_of, holds_of, relaxed, value_per_kg

_HALF = Fraction(1, 2)
FINE_ENOUGH = 100
"""A scale is fine enough for an item of at least so many divisions (1 %); common practice, no source."""


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

    def together(self, loads: int) -> tuple[Sequence[Fraction], Fraction | None, Fraction | None]:
        """The same on so many loads together, with every addition at its exact dose."""
        lo, hi = (None if n is None else n * (1 if self.whole else loads) for n in (self.lo, self.hi))
        return self.exact, lo, hi

    def off(self, formula: Formula, batch: Batch) -> Fraction:
        """By how much a batch, or a load, is above the limit (positive) or below it (negative)."""
        items = (*formula.columns, *(addition.item for addition in formula.dosed))
        value = dot((*self.columns, *self.added), [batch.kilograms.get(item, ZERO) for item in items])
        if self.hi is not None and value > self.hi:
            return value - self.hi
        return value - self.lo if self.lo is not None and value < self.lo else ZERO


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
    shared: tuple[int, Fraction] = 1, ZERO
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
        none = (ZERO,) * len(self.problem.formula.dosed)
        touching = (WeighedLimit(None, row.coefs, none, row.coefs, row.lo, row.hi, whole=False) for row in self.cuts)
        return (*limits_of(self.problem, self.binding), *touching)

    def unit(self, j: int) -> Fraction:
        """Kilograms that one count of a column stands for: a pack, or a division."""
        return self.holds[j].step or self.divisions[self.problem.formula.columns[j]]

    def value(self, batch: Batch) -> Fraction:
        """What is minimised, on the lots of a batch with every addition at its exact dose; money."""
        kilograms = ((column, batch.kilograms.get(column)) for column in self.problem.formula.columns)
        return sum((value_per_kg(self.problem.formula, column) * kg for column, kg in kilograms if kg), ZERO)

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
        none, found = (ZERO,) * len(dosed), []
        for limit in self.limits:
            free = [abs(a) * self.divisions[d.item] * self.loads for d, a in zip(dosed, limit.added, strict=True)]
            if not limit.whole:
                free += [room * (self.loads - 1) * abs(limit.exact[j]) * self.unit(j) for j in used]
            _, lo, hi = limit.together(self.loads)
            lo, hi = None if lo is None else lo + sum(free), None if hi is None else hi - sum(free)
            found.append(replace(limit, columns=limit.exact, added=none, lo=lo, hi=hi))
        shared = self.loads, ZERO if used else room * (self.loads - 1)
        return replace(self, loads=1, given=tuple(found), shared=shared)


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
            exact = tuple(a + dot(added, shares) for a, shares in zip(columns, carried, strict=True))
            limits.append(WeighedLimit(requirement, columns, added, exact, row.lo, row.hi, requirement.of_batch))
    mixer = problem.order.mixer_kg
    if mixer is not None:
        exact = tuple(formula.total(Weight(Basis.BATCH), column) for column in formula.columns)
        limits.append(WeighedLimit(None, (ONE,) * len(own), (ONE,) * len(dosed), exact, None, mixer, whole=False))
    return tuple(limits)


@dataclass(frozen=True)
class Weighed:
    """The batch as weighed. ``divisions`` are those of the scales each item was weighed on, kilograms.

    ``solved_again`` is True where nearest rounding broke a requirement.
    """

    loads: tuple[Batch, ...]
    total: Batch
    solved_again: bool
    divisions: Mapping[Ingredient, Fraction] = field(default_factory=dict)

    def exactly_dosed(self, formula: Formula) -> Batch:
        """The lots as weighed with every addition at its exact dose."""
        return formula.exact_batch(column_kg(formula, self.total))


def breaks(problem: Problem, requirements: Iterable[Requirement], weighed: Weighed) -> list[Requirement]:
    """Those of some requirements that do not hold on the whole batch, on any load alone, or with unrounded doses.

    The last keeps the batch inside the very problem whose cheapest cost is proved, so that the gap cannot be negative.
    Stock stands for a small pull or rest.
    """
    dosed = weighed.exactly_dosed(problem.formula)
    broken = []
    for requirement in requirements:
        alone = () if requirement.of_batch or len(weighed.loads) == 1 else weighed.loads
        if any(requirement.measure(batch).ok is False for batch in (weighed.total, dosed, *alone)):
            broken.append(requirement)
    if problem.order.imposed is not None and not broken:
        pairs = zip(holds_of(problem), column_kg(problem.formula, weighed.total), strict=True)
        if not all(hold.allows(kg) for hold, kg in pairs):
            broken = [r for r in problem.requirements if r.role is Role.STOCK]
    return broken


@dataclass(frozen=True)
class Certificate:
    """``cost`` of the weighed batch, ``lower_bound`` proved for every batch, ``gap`` their difference; money.

    ``reported`` is the solver's own tighter bound for a batch with whole packs, which is not proved.
    """

    feasible: bool
    cost: Fraction
    lower_bound: Fraction | None
    reported: float | None = None

    @property
    def gap(self) -> Fraction | None:
        """Money by which a cheaper batch could undercut this one at most."""
        return None if self.lower_bound is None else self.cost - self.lower_bound

    @property
    def gap_pct(self) -> Fraction | None:
        """The same in per cent of the cost; zero where there is none."""
        return None if self.gap is None else PERCENT * self.gap / abs(self.cost) if self.cost else ZERO


def certify(problem: Problem, layout: Layout, optimum: Optimum, weighed: Weighed) -> Certificate:
    """Recompute feasibility, cost and bound of a weighed batch from the data alone."""
    cost = minimised_cost(problem, weighed)
    bound = lower_bound(relaxed(layout.program), optimum.prices) if not layout.program.whole else optimum.bound
    return Certificate(not breaks(problem, binding(problem), weighed), cost, bound, optimum.reported)


def minimised_cost(problem: Problem, weighed: Weighed) -> Fraction:
    """What was minimised, on the lots as weighed with every addition at its exact dose; money."""
    formula = problem.formula
    return dot([value_per_kg(formula, column) for column in formula.columns], column_kg(formula, weighed.total))


def over_mixer(problem: Problem, weighed: Weighed) -> bool:
    """True where a load is more than the mixer takes."""
    mixer = problem.order.mixer_kg
    return mixer is not None and any(sum(load.kilograms.values(), ZERO) > mixer for load in weighed.loads)


def division_kg(problem: Problem, item: Ingredient, kilograms: Fraction) -> Fraction:
    """Division of the scale an item of this weight is weighed on, kilograms."""
    order = problem.order
    return division_of(problem.recipe, order.meat_division_kg, order.spice_division_kg, item, kilograms)


def division_of(recipe: Recipe, meat: Fraction, spice: Fraction, item: Ingredient, kilograms: Fraction) -> Fraction:
    """The same on a meat and a spice scale of these divisions, all in kilograms."""
    if isinstance(item, Lot):
        return meat
    named = {a.item: entry.scale for a, entry in zip(recipe.additions, recipe.entry.additions, strict=True)}
    scale = named.get(item)
    if scale is not None:
        return meat if scale is ScaleName.MEAT else spice
    return max(meat, spice) if kilograms >= FINE_ENOUGH * meat else spice


def divisions_of(problem: Problem, kilograms: Sequence[Fraction], loads: int) -> dict[Ingredient, Fraction]:
    """The division each item is weighed on, from what a load of the optimum holds of it."""
    exact = problem.formula.exact_batch(tuple(kilograms)).kilograms
    items = (*problem.formula.columns, *(addition.item for addition in problem.formula.dosed))
    return {item: division_kg(problem, item, exact.get(item, ZERO) / loads) for item in items}


def nearest_kg(plan: Weighing, kilograms: Sequence[Fraction]) -> list[Fraction]:
    """Nearest divisions whose sum is the weight ordered: floor, then the largest remainders go up.

    Packs stay, and what is to be emptied.
    """
    columns = plan.problem.formula.columns
    rounded = list(kilograms)
    loose = [
        j for j, limits in enumerate(plan.holds)
        if kilograms[j] and limits.step is None and not (limits.rest and kilograms[j] == limits.stock)
    ]  # fmt: skip
    lots = [j for j in loose if isinstance(columns[j], Lot)]
    for j in loose:
        if j not in lots:
            rounded[j] = plan.unit(j) * floor(kilograms[j] / plan.unit(j) + _HALF)
    total = sum((kilograms[j] for j in lots), ZERO)
    if not total:
        return rounded
    division = plan.problem.order.meat_division_kg
    wanted = _meat_wanted(plan.problem, kilograms, total)
    exact = {j: kilograms[j] * wanted / total / division for j in lots}
    spans = {j: plan.holds[j].span(division) for j in lots}
    most = {j: spans[j].hi for j in lots}
    counts = {j: min(max(Fraction(floor(exact[j])), spans[j].lo), most[j]) for j in lots}
    spare = int(floor(wanted / division + _HALF) - sum(counts.values()))
    while spare > 0 and (room := [j for j in lots if counts[j] < most[j]]):
        for j in sorted(room, key=lambda j: (counts[j] - exact[j], columns[j].name))[:spare]:
            counts[j] += 1
            spare -= 1
    for j in lots:
        rounded[j] = counts[j] * division
    return rounded


def _meat_wanted(problem: Problem, kilograms: Sequence[Fraction], loose: Fraction) -> Fraction:
    """Kilograms of loose lots that bring the batch to the weight ordered."""
    order = problem.order
    size = sum((kg for kg in problem.formula.exact_batch(tuple(kilograms)).kilograms.values()), ZERO)
    meat = sum((kg for c, kg in zip(problem.formula.columns, kilograms, strict=True) if isinstance(c, Lot)), ZERO)
    counted = meat if order.basis is Basis.MEAT else size
    wanted = order.kilograms
    if order.band:  # whatever the optimum weighs, on the divisions within the band
        division, low, high = order.meat_division_kg, wanted - order.within_kg, wanted + order.within_kg
        wanted = division * max(ceil(low / division), min(floor(high / division), floor(counted / division + _HALF)))
    return loose + (wanted - counted) * meat / counted


def split(plan: Weighing, kilograms: Sequence[Fraction]) -> list[list[Fraction]]:
    """Share each column over the loads, at most one division apart.

    The odd divisions go round in turn from lean to fat, so that loads come out alike in weight and in fat.
    """
    columns = plan.problem.formula.columns
    shares = [[ZERO] * len(columns) for _ in range(plan.loads)]
    turn = 0
    for j in sorted(range(len(columns)), key=lambda j: (columns[j].properties.get(FAT, ZERO), j)):
        division = plan.divisions[columns[j]]
        counts, turn = share(kilograms[j] / division, plan.loads, turn)
        for load, count in enumerate(counts):
            shares[load][j] = count * division
    return shares


def share(divisions: Fraction, loads: int, turn: int) -> tuple[list[Fraction], int]:
    """Share divisions (a pack may leave a broken one) over the loads, starting the extras at ``turn``."""
    each = Fraction(floor(divisions / loads))
    counts = [each] * loads
    rest = divisions - each * loads
    while rest > 0:
        counts[turn] += min(rest, ONE)
        rest, turn = rest - ONE, (turn + 1) % loads
    return counts, turn


def mended(plan: Weighing, shares: Sequence[Sequence[Fraction]]) -> tuple[Weighed, list[Requirement]]:
    """Weigh with nearest doses, and where those break a limit, with the neighbours that go the right way.

    Returns the weigh-out and what it still breaks.
    """
    formula = plan.problem.formula
    weighed = weighed_of(plan, shares)
    broken = breaks(plan.problem, plan.binding, weighed)
    ways: dict[Ingredient, int] = {}
    for limit in plan.limits if broken else ():
        batches = (weighed.total,) if limit.whole else weighed.loads
        off = max((limit.off(formula, batch) for batch in batches), key=abs)
        for addition, coef in zip(formula.dosed, limit.added, strict=True):
            if off and coef:
                ways[addition.item] = -1 if (coef > 0) == (off > 0) else 1
    if not ways:
        return weighed, broken
    again = weighed_of(plan, shares, ways=ways)
    still = breaks(plan.problem, plan.binding, again)
    return (again, still) if len(still) < len(broken) else (weighed, broken)


def weighed_of(
    plan: Weighing, shares: Sequence[Sequence[Fraction]], *, ways: Mapping[Ingredient, int] | None = None,
    doses: Sequence[Mapping[Ingredient, Fraction]] = (),
) -> Weighed:  # fmt: skip
    """Add to each load's lots its additions: as in ``doses``, else rounded up (1), down (-1) or to the nearest."""
    formula, process = plan.problem.formula, plan.problem.recipe.process
    exact = [formula.exact_batch(tuple(share)).kilograms for share in shares]
    loads = [{column: kg for column, kg in zip(formula.columns, share, strict=True) if kg} for share in shares]
    for addition in formula.dosed:
        item = addition.item
        division = plan.divisions[item]
        if item.kind is not Kind.CURE and doses and item in doses[0]:
            amounts = [dose[item] for dose in doses]
        else:
            way = -1 if item.kind is Kind.CURE else (ways or {}).get(item, 0)
            amounts = [division * _rounded(max(load.get(item, ZERO), ZERO) / division, way) for load in exact]
        for load, kg in zip(loads, amounts, strict=True):
            if kg:
                load[item] = kg
    batches = tuple(Batch(load, process) for load in loads)
    return Weighed(batches, Batch.together(batches, process, {}), False, plan.divisions)


def _rounded(count: Fraction, way: int) -> int:
    return floor(count) if way < 0 else ceil(count) if way > 0 else floor(count + _HALF)


def column_kg(formula: Formula, batch: Batch) -> tuple[Fraction, ...]:
    """Kilograms of each column of the formula in a batch."""
    return tuple(batch.kilograms.get(column, ZERO) for column in formula.columns)
