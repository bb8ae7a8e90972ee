"""Whether a way out can also be weighed, and what helps where nothing but the scales stands in the way.

A batch on the edge of its limits can seldom be weighed in whole divisions, so one well inside them is looked for first:
the batch with the most room to every limit, rounded to the scales and then measured as a weigh-out is. Only where that
does not hold is the whole way of a blend gone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from math import floor

from constraints.formula import Batch
from constraints.ingredients import Kind, Lot
from constraints.meaning import Role
from constraints.requirement import Requirement, widened
from optimizer.bench.bench import Bench
from optimizer.blend import Answer, Status, blend
from optimizer.problem import Problem
from optimizer.solver.model import SolverDisagrees, Variable
from optimizer.weighing.weighout import Weighed, broken_by, division_kg
from optimizer.why.ways_out import Concession, Way, applied, conceded, conceding, farther
from optimizer.why.ways_out import Kind as Gives

_ZERO = Fraction(0)
_HALF = Fraction(1, 2)
_MOST_BLENDED = 100
"""Lots up to which a way out is blended to the end where the quick try fails; above it that takes seconds each."""
_FINER_G = (20, 10, 5, 2, 1)
"""Divisions of a meat scale that are tried where only the scale prevents a batch, grams; common practice, no source."""
_WIDER = (1, 2, 4, 10, 20)
"""Tolerances on the weight that are tried then, in divisions of the meat scale; common practice, no source."""
_STEPS = (1, 2, 5, 10, 20, 50)
"""Hundredths of the unit by which a limit that rounding breaks is moved then; common practice, no source."""


def weighed_way(bench: Bench, way: Way) -> Way:
    """The way, or the same a little farther, with which a batch can be weighed; as it was where none of them can."""
    for concessions in farther(way.concessions):
        changed = conceded(bench.problem, concessions)
        if _quickly(bench, changed, concessions) or (
            len(changed.formula.columns) <= _MOST_BLENDED and _blended(changed)
        ):
            return next((replace(told, weighed=True) for told in applied(bench, concessions)), way)
    return way


def _blended(problem: Problem) -> bool:
    try:
        return blend(problem).status is Status.OPTIMAL
    except SolverDisagrees:
        return False


def _quickly(bench: Bench, problem: Problem, concessions: Sequence[Concession]) -> bool:
    """True where the roomiest batch, rounded to the scales, holds; says nothing where it does not."""
    order = problem.order
    if bench.whole or order.mixer_kg is not None or any(r.cones(problem.formula) for r in problem.choosing):
        return False
    moved = [(c.requirement, conceding(c)) for c in concessions if bench.rows_of(c.requirement)]
    kilograms = _roomiest(bench, moved)
    if not kilograms:
        return False
    items = dict(zip(problem.formula.columns, _rounded(problem, kilograms), strict=True))
    exact = problem.formula.exact_batch(tuple(items.values())).kilograms
    for addition in problem.formula.dosed:
        kg = exact.get(addition.item, _ZERO)
        division = division_kg(problem, addition.item, kg)
        count = kg / division
        items[addition.item] = division * floor(count if addition.item.kind is Kind.CURE else count + _HALF)
    batch = Batch({item: kg for item, kg in items.items() if kg}, problem.recipe.process)
    return not broken_by(problem, Weighed((batch,), batch, solved_again=False))


def _roomiest(bench: Bench, moved: Sequence[tuple[Requirement, Requirement]]) -> tuple[float, ...]:
    """Kilograms of the columns, in floating point, with the most room to every limit and the weight as ordered.

    Empty where there are none.
    """
    kept = bench.kept
    with bench.conceding(moved):
        room: dict[int, Fraction] = {}
        for i, (lo, hi) in enumerate([(row.lo, row.hi) for row in kept.rows]):
            if lo is not None and hi is not None:
                kept.limit(i, (lo + hi) / 2, (lo + hi) / 2)
            elif (lo is not None or hi is not None) and kept.rows[i].terms:
                size = max(abs(a) for _, a in kept.rows[i].terms)
                room[i] = size if lo is None else -size
        (j,) = kept.add_columns([(Variable("room", _ZERO, _ZERO, Fraction(1000)), room)])
        kept.aim({j: Fraction(-1)})
        x = kept.guess()
        kept.bound(j, _ZERO, _ZERO)
    return tuple(float(u) * v for u, v in zip(bench.layout.units, x, strict=False))


def _rounded(problem: Problem, kilograms: Sequence[float]) -> list[Fraction]:
    """Whole divisions of every column, their sum that of the columns: floor, then the largest remainders go up."""
    columns = problem.formula.columns
    units = [division_kg(problem, c, Fraction(kg)) for c, kg in zip(columns, kilograms, strict=True)]
    exact = [Fraction(kg) / unit for kg, unit in zip(kilograms, units, strict=True)]
    counts = [floor(x + Fraction(1, 10**6)) for x in exact]
    lots = [j for j, c in enumerate(columns) if isinstance(c, Lot) and counts[j] < floor(c.usable_kg / units[j])]
    spare = round(sum(exact, _ZERO)) - sum(counts)
    for j in sorted(lots, key=lambda j: counts[j] - exact[j])[: max(spare, 0)]:
        counts[j] += 1
    return [count * unit for count, unit in zip(counts, units, strict=True)]


# Where only the scales prevent a batch.


def ways_to_weigh(answer: Answer) -> Iterator[Way]:
    """A finer scale, a wider tolerance on the weight, or one limit a little wider, each blended to the end."""
    problem = answer.problem
    order = problem.order
    for grams in _FINER_G:
        division = Fraction(grams, 1000)
        if division < order.meat_division_kg:
            cost = _cost_of(replace(problem, order=replace(order, meat_division_kg=division)))
            if cost is not None:
                yield Way(Gives.SCALE, cost, _ZERO, spend=division)
                break
    for count in _WIDER:
        within = count * order.meat_division_kg
        if within > order.within_kg and 2 * within < order.kilograms:
            cost = _cost_of(_within(problem, within))
            if cost is not None:
                yield Way(Gives.TOLERANCE, cost, within / order.kilograms, spend=within)
                break
    for requirement in answer.scale_prevents:
        if not requirement.origin.legal and requirement.role is not Role.SIZE:
            yield from _a_little_wider(problem, requirement)


def _cost_of(problem: Problem) -> Fraction | None:
    """The unrounded least cost of a problem that can be weighed; None where it cannot."""
    try:
        answer = blend(problem)
    except SolverDisagrees:
        return None
    return answer.optimum.cost if answer.status is Status.OPTIMAL and answer.optimum is not None else None


def _within(problem: Problem, within: Fraction) -> Problem:
    """The problem with another tolerance on the weight."""
    order = replace(problem.order, within_kg=within)

    def again(requirements: Sequence[Requirement]) -> tuple[Requirement, ...]:
        return tuple(
            widened(r, order.kilograms - within, order.kilograms + within) if r.role is Role.SIZE else r
            for r in requirements
        )

    return replace(problem, order=order, requirements=again(problem.requirements), fixed=again(problem.fixed))


def _a_little_wider(problem: Problem, requirement: Requirement) -> Iterator[Way]:
    """The first small step of each limit with which the batch can be weighed."""
    for limit, old, sign in (("lo", requirement.lo, -1), ("hi", requirement.hi, 1)):
        if old is None:
            continue
        for step in _STEPS:
            way = Concession(requirement, limit, old, old + sign * Fraction(step, 100))
            cost = _cost_of(conceded(problem, [way]))
            if cost is not None:
                yield Way(Gives.LIMIT, cost, way.share, (way,), weighed=True)
                break
