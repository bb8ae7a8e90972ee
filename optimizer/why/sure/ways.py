"""Ways out where limits are kept with a stated confidence and no batch exists: each found and proved by solving again.

One limit moved as little as will do, a lower confidence, or lots measured again by the most precise bench method. The
figure is closed in on by halving, rounded outward to one a person can use and solved again, before whole scale
divisions: a batch on the edge of its confidence can seldom be weighed, and to search for one takes minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from constraints.confidence import measured_again
from constraints.ingredients import Lot
from constraints.meaning import Role
from constraints.requirement import Requirement
from optimizer.bench.rows import layout_for
from optimizer.conflict import Conflict
from optimizer.problem import Problem
from optimizer.solver.cone import cones_of
from optimizer.why.sure.stand import Curved
from optimizer.why.unfinished import Part, Unfinished, named
from optimizer.why.ways_out import (
    LEAST_ORDER,
    Concession,
    Kind,
    Way,
    WaysOut,
    conceded,
    farther,
    ranked,
    rounded,
)

_ZERO = Fraction(0)
_HALVINGS = 14
_PERCENT_STEP = Fraction(1, 100)
_LEAST_SURE = Fraction(51, 100)
_MOST_LOTS = 12
"""Lots that are each tried measured again."""


def sure_ways(problem: Problem, conflict: Conflict) -> WaysOut:
    """Every way found, by cost and size; what time did not allow is named."""
    legal = tuple(r for r in conflict.requirements if r.origin.legal)
    unfinished: list[Unfinished] = []
    ways: list[Way] = []
    for requirement in conflict.requirements:
        if not requirement.origin.legal:
            with named(unfinished, Part.WAYS_OUT, f"giving way on {requirement.what}"):
                ways += _moved(problem, requirement)
    with named(unfinished, Part.WAYS_OUT, "a lower confidence"):
        ways += _less_sure(problem)
    with named(unfinished, Part.WAYS_OUT, "lots measured again"):
        ways += _measured(problem)
    return WaysOut(ranked(ways), legal, tuple(unfinished))


def possible(problem: Problem) -> bool:
    """Whether a batch keeps every cone, whatever the scales."""
    return _curved(problem).cheapest() is not None


def _curved(problem: Problem) -> Curved:
    """The program of a problem with its cones."""
    layout, _ = layout_for(problem, any_size=True)
    size = len(layout.program.variables)
    cones = tuple(cone.over(layout.units, size) for cone in cones_of(problem.choosing, problem.formula))
    return Curved(layout.program, cones)


def _least_cost(problem: Problem) -> Fraction | None:
    """The unrounded least cost; None where there is no batch."""
    found = _curved(problem).cheapest()
    return None if found is None else found.cost


def _least(holds: Callable[[Fraction], bool], near: Fraction, far: Fraction) -> Fraction | None:
    """The figure nearest to ``near`` at which a question holds, to one part in some thousands; None: not at ``far``."""
    if not holds(far):
        return None
    for _ in range(_HALVINGS):
        middle = (near + far) / 2
        if holds(middle):
            far = middle
        else:
            near = middle
    return far


def _moved(problem: Problem, requirement: Requirement) -> Iterator[Way]:
    """Each limit of a requirement moved by itself."""
    for side, old, far in _sides(requirement):

        def holds(figure: Fraction, side: str = side, old: Fraction = old) -> bool:
            return possible(conceded(problem, [Concession(requirement, side, old, figure)]))

        figure = _least(holds, old, far)
        if figure is None:
            continue
        way = 1 if figure > old else -1
        for concessions in farther([Concession(requirement, side, old, rounded(figure, way))]):
            cost = _least_cost(conceded(problem, concessions))
            if cost is not None:
                kind = Kind.WEIGHT if side == "both" else Kind.LIMIT
                yield Way(kind, cost, concessions[0].share, tuple(concessions))
                break


def _sides(requirement: Requirement) -> Iterator[tuple[str, Fraction, Fraction]]:
    """Limits that may move, each with its figure and the farthest one looked at."""
    lo, hi = requirement.lo, requirement.hi
    if requirement.role is Role.SIZE and lo is not None and hi is not None:
        middle = (lo + hi) / 2
        yield "both", middle, middle / LEAST_ORDER
        return
    if hi is not None:
        yield "hi", hi, Fraction(100) if requirement.unit == "%" else 4 * hi
    if lo is not None and lo > 0:
        yield "lo", lo, _ZERO


def _less_sure(problem: Problem) -> list[Way]:
    """The confidence lowered for every limit, in whole percents."""
    asked = next((r.confidence for r in problem.choosing if r.confidence is not None), None)
    if asked is None or asked.probability <= _LEAST_SURE:
        return []

    def at(probability: Fraction) -> Problem:
        return _with(problem, [_surely(r, probability) for r in problem.requirements])

    found = _least(lambda p: possible(at(p)), asked.probability, _LEAST_SURE)
    if found is None:
        return []
    for steps in range(4):
        figure = (found // _PERCENT_STEP - steps) * _PERCENT_STEP
        cost = _least_cost(at(figure)) if figure >= _LEAST_SURE else None
        if cost is not None:
            size = (asked.probability - figure) / asked.probability
            return [Way(Kind.CONFIDENCE, cost, size, probability=(asked.probability, figure))]
    return []


def _surely(requirement: Requirement, probability: Fraction) -> Requirement:
    if requirement.confidence is None:
        return requirement
    return replace(requirement, confidence=replace(requirement.confidence, probability=probability))


def _measured(problem: Problem) -> list[Way]:
    """One lot measured again, those of the largest error first; where none will do alone, all of them."""
    known = next((r.confidence for r in problem.choosing if r.confidence is not None), None)
    if known is None:
        return []
    lots = [lot for lot in problem.formula.lots if isinstance(lot, Lot)]
    lots = [lot for lot in lots if known.measured_again(lot).finding(lot).sd < known.finding(lot).sd]
    lots.sort(key=lambda lot: (-known.finding(lot).sd * lot.usable_kg, lot.name))
    found: list[Way] = []
    for chosen in [*([lot] for lot in lots[:_MOST_LOTS]), lots]:
        if not chosen or (len(chosen) > 1 and found):
            continue
        requirements = list(problem.requirements)
        for lot in chosen:
            requirements = [measured_again(r, lot) for r in requirements]
        again = _with(problem, requirements)
        cost = _least_cost(again)
        if cost is not None:
            told = tuple((lot, _ZERO) for lot in chosen)
            found.append(Way(Kind.MEASURED, cost, _ZERO, lots=told))
    return found


def _with(problem: Problem, requirements: Sequence[Requirement]) -> Problem:
    """The problem with its requirements replaced one by one."""
    new = {id(old): r for old, r in zip(problem.requirements, requirements, strict=True)}

    def again(some: Sequence[Requirement]) -> tuple[Requirement, ...]:
        return tuple(new.get(id(r), r) for r in some)

    return replace(
        problem,
        requirements=again(problem.requirements),
        fixed=again(problem.fixed),
        measured_only=again(problem.measured_only),
    )
