"""One thing that can be done where no batch exists, the problem with it, how it is typed, and its batch on the scales.

Ways are blended to the end; and there is what helps where nothing but the scales stands in the way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fractions import Fraction
from itertools import islice
from math import ceil, floor

from constraints.as_typed import ZERO, trimmed
from constraints.asked import batch_size
from constraints.quantities import Lot
from constraints.requirement import Requirement, Role
from optimizer.answer import Status, blend
from optimizer.bench import with_requirements
from optimizer.figures import Unit
from optimizer.order import MOST_WITHIN
from optimizer.problem import Problem
from optimizer.remarks import inward
from optimizer.solver.program import SolverDisagrees
from optimizer.why.ground import limit_of, moved_to

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
_MOST = Fraction(1, 2)
"""Share of a figure beyond which giving way is giving up most of it; common practice, no source."""


class WayKind(StrEnum):
    """What is done."""

    LIMIT = "limit"
    LIMITS = "limits together"
    DROPPED = "left out"
    WEIGHT = "weight of the order"
    USE_UP = "not used up"
    STOCK = "more of a kind"
    PACKS = "packs opened"
    PURCHASE = "purchase"
    SCALE = "scales"
    TOLERANCE = "tolerance on the weight"
    CONFIDENCE = "lower confidence"
    MEASURED = "measured again"


@dataclass(frozen=True)
class Concession:
    """One limit moved: ``limit`` is ``lo``, ``hi`` or ``both`` (the weight), from a figure to a figure in its unit."""

    requirement: Requirement
    limit: str
    old: Fraction
    new: Fraction

    @classmethod
    def to(cls, problem: Problem, requirement: Requirement, figure: Fraction) -> Concession:
        """The limit moved to take in a figure, rounded to something a person can say and a batch can keep."""
        hi = requirement.hi
        side = "both" if requirement.role is Role.SIZE else "hi" if hi is not None and figure > hi else "lo"
        old = limit_of(requirement, side) or ZERO
        way = 1 if figure > old else -1
        return cls(requirement, side, old, inward(problem, figure, way) if side == "both" else rounded(figure, way))

    @property
    def share(self) -> Fraction:
        """The move as a share of the old figure."""
        return abs(self.new - self.old) / abs(self.old) if self.old else abs(self.new - self.old)

    @property
    def moved(self) -> Requirement:
        """The requirement with its limit moved."""
        r = self.requirement
        if r.role is Role.SIZE:
            within = min((r.hi or ZERO) - self.old, self.new * MOST_WITHIN)
            return replace(r, lo=self.new - within, hi=self.new + within)
        return moved_to(r, self.limit, self.new)

    def farther(self, steps: int) -> Concession:
        """So many steps farther from the old figure, a step being the last place in which the figure is told."""
        return replace(self, new=self.new + (steps if self.new > self.old else -steps) * _last_place(self.new))


@dataclass(frozen=True)
class Way:
    """One way out: ``problem`` is the problem with it, ``cost`` the least cost of that before the scales.

    ``lots`` are kilograms as held to be had more or to buy for ``spend``, or lots opened, not used up or measured again
    (zero). ``weighed`` is True where it was blended to the end. ``sure`` is False where a slightly cheaper batch may
    exist. ``figure`` is a scale or a tolerance in kilograms, ``probability`` a confidence asked for and a lower one
    that will do. ``farther`` makes the same way with so many steps more.
    """

    kind: WayKind
    problem: Problem = field(compare=False, repr=False)
    concessions: tuple[Concession, ...] = ()
    lots: tuple[tuple[Lot, Fraction], ...] = ()
    cost: Fraction | None = None
    spend: Fraction | None = None
    figure: Fraction | None = None
    dropped: Requirement | None = None
    probability: tuple[Fraction, Fraction] | None = None
    weighed: bool = False
    sure: bool = True
    farther: Callable[[int], Way] | None = field(default=None, compare=False, repr=False)

    @property
    def cost_per_kg(self) -> Fraction | None:
        """Least cost for a kilogram of what is made."""
        return None if self.cost is None else self.cost / self.problem.order.kilograms

    @property
    def drastic(self) -> bool:
        """True where most of what was asked for is given up."""
        return any(c.share > _MOST and not (c.limit == "both" and c.new > c.old) for c in self.concessions)

    @property
    def rank(self) -> tuple[bool, bool, Fraction]:
        """The cheaper first, at the cost a kilogram of what is made; what gives up most of what was asked for last."""
        return self.drastic, self.cost is None, self.cost_per_kg or ZERO

    @property
    def typed(self) -> tuple[str, ...]:
        """The figures that ``why --set`` takes to try it; empty where it is no figure."""
        if self.kind is WayKind.STOCK:
            return tuple(_stock_typed(self.problem, lot, kg) for lot, kg in self.lots)
        if self.kind is WayKind.USE_UP:
            return tuple(f"lot.{lot.name}.use_up=no" for lot, _ in self.lots)
        if self.figure is not None:
            key, per = ("meat_scale_g", 1000) if self.kind is WayKind.SCALE else ("within_kg", 1)
            return (f"order.{key}={trimmed(self.figure * per, 9)}",)
        found = [_limit_typed(self.problem, c) for c in self.concessions]
        return tuple(found) if all(found) else ()


def _stock_typed(problem: Problem, lot: Lot, kg: Fraction) -> str:
    unit = Unit.of(pounds=problem.lots_in_pounds)
    held = Fraction(ceil((lot.on_hand_kg + kg) / unit.kg * 1000), 1000)
    return f"lot.{lot.name}.on_hand_{unit.name}={trimmed(held)}"


def _limit_typed(problem: Problem, c: Concession) -> str:
    if c.limit == "both":
        return f"order.{problem.order.basis}_{problem.unit.name}={trimmed(c.new / problem.unit.kg, 9)}"
    for k, own in enumerate(problem.recipe.requirements):
        if own.origin is not c.requirement.origin:
            continue
        keys = vars(next(e for e in vars(problem.recipe.entry.require[k]).values() if e is not None))
        target = next((key for key in ("target_pct", "target") if keys.get(key) is not None), None)
        if target is not None:
            return f"require.{k + 1}.{target.replace('target', 'within')}={trimmed(abs(c.new - keys[target]), 9)}"
        side = {"lo": "min", "hi": "max"}[c.limit]
        key = next((key for key in keys if key.startswith(side) and keys[key] == c.old), None)
        return f"require.{k + 1}.{key}={trimmed(c.new, 9)}" if key else ""
    return ""


def in_order(ways: Sequence[Way]) -> tuple[Way, ...]:
    """The cheapest of each kind first, then the others, each time the cheaper first."""
    ranked = sorted(ways, key=lambda way: way.rank)
    first = {way.kind: way for way in reversed(ranked)}
    return tuple(sorted(ranked, key=lambda way: (way.rank[0], way is not first[way.kind])))


def _last_place(figure: Fraction) -> Fraction:
    """A last place that is a fiftieth of a figure at most, a hundredth at most."""
    step = Fraction(1, 100)
    while step > abs(figure) / 50 and step > Fraction(1, 10**6):
        step /= 10
    return step


def rounded(figure: Fraction, way: int) -> Fraction:
    """A figure rounded up (``way`` 1) or down to its last place."""
    step = _last_place(figure)
    return (ceil(figure / step) if way > 0 else floor(figure / step)) * step


def conceded(problem: Problem, concessions: Sequence[Concession]) -> Problem:
    """The problem with limits moved, and an order of another size."""
    new = {id(c.requirement): c.moved for c in concessions}
    order = problem.order
    for size in (c.moved for c in concessions if c.limit == "both"):
        lo, hi = size.lo or ZERO, size.hi or ZERO
        order = replace(order, kilograms=(lo + hi) / 2, within_kg=(hi - lo) / 2)
    return replace(with_requirements(problem, lambda r: new.get(id(r), r)), order=order)


# On the scales.


def blended(way: Way) -> Way | None:
    """The way with its cost, if it can be weighed out and holds."""
    with suppress(SolverDisagrees):
        answer = blend(way.problem)
        if answer.status is Status.OPTIMAL and answer.optimum is not None:
            return replace(way, cost=answer.optimum.cost, weighed=True)
    return None


def best_weighed(ways: Sequence[Way]) -> list[Way]:
    """The ways in order, blended to the end until so many can be weighed, or as often as there is patience for."""
    found = list(in_order(ways))
    good, left = 0, 0 if found and len(found[0].problem.formula.lots) > _MANY else _TRIES
    for k, way in enumerate(found):
        for n in FARTHER if way.farther is not None else FARTHER[:1]:
            if good == TOLD or not left or way.cost is None:
                break
            left -= 1
            told = blended(way.farther(n) if n and way.farther is not None else way)
            if told is not None:
                found[k], good = replace(told, farther=way.farther), good + 1
                break
    return found


def ways_to_weigh(problem: Problem, broken: Sequence[Requirement]) -> Iterator[Way]:
    """A finer scale, a wider tolerance on the weight, or a limit that rounding breaks a little wider, each blended."""
    sides = [_loosened(problem, r, limit) for r in broken for limit in ("lo", "hi")]
    for tried in (_finer(problem), _wider(problem), *sides):
        yield from islice((told for way in tried if (told := blended(way)) is not None), 1)


def _finer(problem: Problem) -> Iterator[Way]:
    for division in (Fraction(grams, 1000) for grams in _FINER_G):
        if division < problem.order.meat_division_kg:
            order = replace(problem.order, meat_division_kg=division)
            yield Way(WayKind.SCALE, replace(problem, order=order), figure=division)


def _wider(problem: Problem) -> Iterator[Way]:
    order = problem.order
    for within in (count * order.meat_division_kg for count in _WIDER):
        if order.within_kg < within < order.kilograms / 2:
            size = batch_size(order.basis, order.kilograms, within)
            wider = with_requirements(problem, lambda r, size=size: size if r.role is Role.SIZE else r)  # type: ignore[misc]
            yield Way(WayKind.TOLERANCE, replace(wider, order=replace(order, within_kg=within)), figure=within)


def _loosened(problem: Problem, r: Requirement, limit: str) -> Iterator[Way]:
    old: Fraction | None = None if r.origin.legal or r.role is Role.SIZE else getattr(r, limit)
    for share in (Fraction(n, 100) for n in (1, 2, 5, 10, 20, 50)):
        if old is None:
            return
        c = Concession(r, limit, old, old + share if limit == "hi" else old - share)
        yield Way(WayKind.LIMIT, conceded(problem, [c]), (c,))
