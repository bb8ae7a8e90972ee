"""Ways out blended to the end, onto the scales; and what helps where nothing but the scales stands in the way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from constraints.meaning import Role
from constraints.requirement import Requirement
from constraints.stock import batch_size
from optimizer.answer import Status, blend
from optimizer.problem import Problem
from optimizer.solver.model import SolverDisagrees
from optimizer.why.way import Concession, Kind, Way, conceded, in_order, with_requirements

_ZERO = Fraction(0)
FARTHER = (0, 1, 4, 20)
"""Steps by which a way goes farther until its batch can be weighed; common practice, no source."""
_MANY, _TRIES = 100, 12
"""Lots above which a blend takes too long to be tried, and how many are tried else."""
TOLD = 3
"""Ways that are blended to the end and told."""
_FINER_G = (20, 10, 5, 2, 1)
"""Divisions of a meat scale that are tried where only the scale prevents a batch, grams; common practice, no source."""
_WIDER = (1, 2, 4, 10, 20)
"""Tolerances on the weight that are tried then, in divisions of the meat scale; common practice, no source."""


def blended(way: Way) -> Way | None:
    """The way with its cost, if it can be weighed out and holds."""
    try:
        answer = blend(way.problem)
    except SolverDisagrees:
        return None
    if answer.status is not Status.OPTIMAL or answer.optimum is None:
        return None
    return replace(way, cost=answer.optimum.cost, weighed=True)


def best_weighed(ways: Sequence[Way]) -> list[Way]:
    """The ways in order, blended to the end until so many can be weighed, or as often as there is patience for."""
    found = list(in_order(ways))
    good, left = 0, 0 if found and len(found[0].problem.formula.lots) > _MANY else _TRIES
    for k, way in enumerate(found):
        for more in (way.farther(n) if n and way.farther is not None else way for n in FARTHER if way.cost is not None):
            if good == TOLD or not left:
                break
            left -= 1
            told = blended(more)
            if told is not None:
                found[k], good = replace(told, farther=way.farther), good + 1
                break
            if way.farther is None:
                break
    return found


def ways_to_weigh(problem: Problem, broken: Sequence[Requirement]) -> Iterator[Way]:
    """A finer scale, a wider tolerance on the weight, or a limit that rounding breaks a little wider, each blended."""
    order = problem.order
    for grams in _FINER_G:
        division = Fraction(grams, 1000)
        way = Way(Kind.SCALE, replace(problem, order=replace(order, meat_division_kg=division)), figure=division)
        if division < order.meat_division_kg and (told := blended(way)) is not None:
            yield told
            break
    for within in (count * order.meat_division_kg for count in _WIDER):
        size = batch_size(order.basis, order.kilograms, within)
        wider = with_requirements(problem, lambda r, size=size: size if r.role is Role.SIZE else r)  # type: ignore[misc]
        way = Way(Kind.TOLERANCE, replace(wider, order=replace(order, within_kg=within)), figure=within)
        if order.within_kg < within < order.kilograms / 2 and (told := blended(way)) is not None:
            yield told
            break
    for r in broken:
        sides = [] if r.origin.legal or r.role is Role.SIZE else [("lo", r.lo, -1), ("hi", r.hi, 1)]
        for limit, old, sign in sides:
            for step in (1, 2, 5, 10, 20, 50) if old is not None else ():
                c = Concession(r, limit, old or _ZERO, (old or _ZERO) + sign * Fraction(step, 100))
                if (told := blended(Way(Kind.LIMIT, conceded(problem, [c]), (c,)))) is not None:
                    yield told
                    break
