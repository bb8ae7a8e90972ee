"""Every planned batch weighed out and checked by the same path as a single blend.

Batches are weighed one after the other, first in the order they are made. Each is given the lots that the plan gives
it, and of each lot what no later batch needs; so rounding never takes what another batch was promised.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from itertools import islice
from math import ceil, floor

import numpy as np

from constraints.formula import Formula
from constraints.ingredients import Ingredient, Lot
from constraints.meaning import Role
from constraints.numbers import G_PER_KG
from constraints.quantities import Basis, Weight
from constraints.stock import Stock, batch_size, floors
from constraints.vector import Floats, Vector
from optimizer.answer import Answer, Status, blend, measured
from optimizer.clock import left
from optimizer.order import Asked, order_of
from optimizer.order import Order as Size
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.model.world import Job
from optimizer.plan.settle.read_off import Order, Planned
from optimizer.problem import Problem
from optimizer.solver.model import Ending, SolverDisagrees
from optimizer.solver.optimum import Optimum
from optimizer.solver.program import layout_of, value_per_kg
from optimizer.weighing.certificate import Certificate, certify, minimised_cost
from optimizer.weighing.exchange import Lines
from optimizer.weighing.rounding import Weighed
from optimizer.weighing.weighout import ScalePrevents, weigh_near, weigh_out

_ZERO = Fraction(0)
_FEW, _MANY = 10, 40
"""Lots beyond the planned ones that the first try may use some divisions of, and the second what is free of them."""
_SPECK = Fraction(1, 10**6)
"""Kilograms that are nothing."""
_TRIES = 4
"""Orders in which the batches of a plan are weighed at most."""
_GIVE = 2
"""Divisions by which a batch whose size the plan chose may be weighed lighter or heavier than its target."""
NEAR = 4
"""Scale divisions by which a weigh-out may take more of a lot than the plan."""


@dataclass(frozen=True, eq=False)
class Made:
    """A batch as weighed: the answer of the same kind as a blend's, and kilograms as held taken of each supply."""

    job: Job
    day: int
    on: date
    answer: Answer
    taken: dict[int, Fraction]

    @property
    def sound(self) -> bool:
        """True where it may be made."""
        return self.answer.status is Status.OPTIMAL

    def kilograms(self, basis: Basis) -> Fraction:
        """Kilograms of a basis as weighed."""
        weighed = self.answer.weighed
        return weighed.total.amount(Weight(basis)) if weighed else _ZERO


def weigh_all(
    program: WeekProgram, plan: Sequence[Planned], bought: Sequence[Order], dearer: Floats | None = None
) -> list[Made]:
    """Weigh every batch of a plan. ``dearer`` is each column's reduced cost, to pick helpers for the rounding.

    A batch that finds no way to round because others took the last divisions of a lot is weighed before them.
    """
    sequence = list(plan)
    made: list[Made] = []
    for _ in range(_TRIES):
        made = _in_turn(_Shelf(program, sequence, bought), sequence, dearer)
        failed = [part for part, one in zip(sequence, made, strict=True) if not one.sound]
        if not failed:
            break
        sequence = [*failed, *(part for part in sequence if part not in failed)]
    return sorted(made, key=lambda one: (one.day, one.job.index))


def _in_turn(shelf: _Shelf, plan: Sequence[Planned], dearer: Floats | None) -> list[Made]:
    """Weigh batches one after the other from one shelf."""
    made: list[Made] = []
    for part in plan:
        left()
        shelf.turn(part)
        one = _weigh(shelf, part, made, dearer)
        shelf.take(one.taken)
        made.append(one)
    return made


class _Shelf:
    """What is left of every supply, and what later batches were promised of it; kilograms as held."""

    def __init__(self, program: WeekProgram, plan: Sequence[Planned], bought: Sequence[Order]) -> None:
        self.world = program.world
        self.left = dict(program.stock)
        self.paid = {order.supply_index: order.price for order in bought}
        for order in bought:
            self.left[order.supply_index] = self.left.get(order.supply_index, _ZERO) + order.kg
        self.last = {part.block.job.index: part for part in plan}
        self.promised: dict[int, Fraction] = defaultdict(Fraction)
        for part in plan:
            for s, kg in part.kilograms.items():
                self.promised[s] += kg / self.world.supplies[s].lot.usable
        asked = {part.block.job.tidy.asked.remnant.kilograms for part in plan} != {_ZERO}
        self.emptied = {
            s for s, kg in self.promised.items()
            if (asked or self.world.supplies[s].lot.smallest_remnant_kg) and abs(self.left[s] - kg) < _SPECK
        }  # fmt: skip
        self.asked = {s: x.lot.use_at_least_kg for s, x in enumerate(self.world.supplies) if x.lot.use_at_least_kg}
        self.there = np.zeros(len(self.world.supplies), dtype=bool)
        for s in self.left:
            self._look(s)

    def take(self, taken: dict[int, Fraction]) -> None:
        """A batch was weighed."""
        for s, kg in taken.items():
            self.left[s] -= kg
            self.asked[s] = max(self.asked.get(s, _ZERO) - kg, _ZERO)
            self._look(s)

    def _look(self, s: int) -> None:
        """Whether anything of a supply is left that is promised to nobody."""
        self.there[s] = self.left[s] > self.promised.get(s, _ZERO)

    def turn(self, part: Planned) -> None:
        """A batch's turn has come: what it was promised is its own now."""
        for s, kg in part.kilograms.items():
            self.promised[s] -= kg / self.world.supplies[s].lot.usable
            self._look(s)

    def free(self, part: Planned, s: int) -> Fraction:
        """What a batch may take of a supply: all that no later batch needs, or its own share rounded up to a division.

        So a lot that is used up over several batches does not leave the first of them no way to round.
        """
        left = self.left.get(s, _ZERO)
        rest = max(left - self.promised.get(s, _ZERO), _ZERO)
        own = part.kilograms.get(s)
        return rest if own is None else max(min(left, _rounded_up(part, own) / self.usable(s)), rest)

    def near(self, part: Planned, s: int) -> Fraction:
        """As ``free``, but no further from the plan than rounding needs."""
        return min(self.free(part, s), self.ahead(part, s))

    def ahead(self, part: Planned, s: int) -> Fraction:
        """No further from the plan than rounding needs, and that even of what later batches were promised."""
        most = _rounded_up(part, part.kilograms.get(s, _ZERO)) + NEAR * _division(part)
        return min(self.left.get(s, _ZERO), most / self.usable(s))

    def open(self, part: Planned, s: int, *, promised: bool) -> Fraction:
        """What a batch blended afresh may take; in need also what later batches were promised, who then look again."""
        return self.left.get(s, _ZERO) if promised else self.free(part, s)

    def usable(self, s: int) -> Fraction:
        """Usable share of a supply."""
        return self.world.supplies[s].lot.usable

    def to_be_used_up(self, part: Planned) -> dict[int, bool]:
        """Supplies of a batch that the week must use up; True where this is the last batch they go into."""
        mine = (s for s in part.kilograms if self.world.supplies[s].lot.use_up)
        return {s: not self.promised.get(s) for s in mine}


def _division(part: Planned) -> Fraction:
    return part.block.job.recipe.entry.scales.meat_g / G_PER_KG


def _rounded_up(part: Planned, kg: Fraction) -> Fraction:
    division = _division(part)
    return ceil(kg / division) * division


def _weigh(shelf: _Shelf, part: Planned, before: Sequence[Made], dearer: Floats | None) -> Made:
    """Weigh one batch from its planned lots and a little of a few more, else of many, else from all that is there."""
    block = part.block
    on = shelf.world.date(block.day)
    size = _size(shelf, part, on, before)
    answer = None
    names: dict[Ingredient, int] = {}
    # No lot of a few grams where there is a way: first of the planned lots alone.
    tries = [(0, shelf.near), (0, shelf.ahead), (_FEW, shelf.near), (_MANY, shelf.free), (_MANY, shelf.ahead)]
    posed = []
    for helpers, most in tries:
        caps = {s: most(part, s) for s in (*part.kilograms, *_helpers(shelf, part, dearer, helpers, most))}
        names = _lots(shelf, part, {s: kg for s, kg in caps.items() if kg})
        posed.append((names, _problem(part, size, names)))
        answer = _as_planned(shelf, part, posed[-1][1], names)
        if answer is not None:
            break
    for names, problem in posed if answer is None else ():
        answer = _searched(part, problem, names)
        if answer is not None:
            break
    for promised in (False, True):
        if answer is None or answer.weighed is None:
            open_ = {int(s): shelf.open(part, int(s), promised=promised) for s in block.supplies}
            names = _lots(shelf, part, {s: kg for s, kg in open_.items() if kg})
            answer = _blended(_problem(part, size, names))
    assert answer is not None
    taken = {}
    if answer.weighed is not None:
        taken = {names[i]: i.held_kg(kg) for i, kg in answer.weighed.total.kilograms.items() if isinstance(i, Lot)}
    return Made(block.job, block.day, on, answer, taken)


def _blended(problem: Problem) -> Answer:
    """The batch blended afresh."""
    try:
        answer = blend(problem)
    except SolverDisagrees:
        return Answer(Status.INFEASIBLE, problem, ())
    return replace(answer, certificate=_of_week(answer.certificate), of_week=True)


def _of_week(certificate: Certificate | None) -> Certificate | None:
    """What holds of a batch stays; what it costs at least is said of the week alone."""
    return None if certificate is None else replace(certificate, lower_bound=None, reported=None)


def _helpers(
    shelf: _Shelf, part: Planned, dearer: Floats | None, count: int, most: Callable[[Planned, int], Fraction]
) -> list[int]:
    """Supplies that the plan does not use here and that cost least to use: a division of one mends many a rounding."""
    block = part.block
    if not count or dearer is None or not len(dearer):
        return []
    there = np.flatnonzero(shelf.there[block.supplies]) if most != shelf.ahead else np.arange(len(block.supplies))
    ranked = (int(s) for s in block.supplies[there[np.argsort(dearer[block.start + there], kind="stable")]])
    return list(islice((s for s in ranked if s not in part.kilograms and most(part, s) >= _division(part)), count))


def _size(shelf: _Shelf, part: Planned, on: date, before: Sequence[Made]) -> Size:
    """How much to weigh: the batch's size, or what the plan chose, on whole divisions inside the band.

    The last part of a batch made in parts brings the whole to its size, and what a lot that is to be used up has left
    goes into the last batch that the plan gives it to.
    """
    job, division, last = part.block.job, _division(part), shelf.last[part.block.job.index] is part
    name, fixed = f"--{job.entry.basis}-kg", job.entry.fixed_kg
    if fixed is not None and not job.entry.may_split:
        return order_of(job.recipe, name, fixed, on, Asked())
    done = sum((m.kilograms(job.entry.basis) for m in before if m.job is job), _ZERO)
    fixed = None if fixed is None else fixed - job.made_kg
    lo = max(job.lo - done, _ZERO) if last else _ZERO
    hi = max(job.hi - done, _ZERO)
    wanted = part.amount if fixed is None or not last else fixed - done
    if fixed is None and job.entry.basis is not Basis.MEAT:  # additions bring a batch near its weight, not onto it
        lo, hi = (lo + division / 2, hi - division / 2) if hi - lo >= 2 * division else (lo, hi)
    dying = shelf.to_be_used_up(part) if fixed is None else {}
    wanted += sum((shelf.left[s] * shelf.usable(s) - part.kilograms[s] for s, gone in dying.items() if gone), _ZERO)
    # what the plan leaves room for is not passed by rounding up, unless something must be used up
    steps = floor(min(max(wanted, lo), hi) / division + Fraction(1, 2) * bool(dying or fixed is not None))
    steps = max(min(steps, floor(hi / division)), ceil(lo / division) if lo <= hi else 0)
    roomy = (fixed is None or not last) and not dying and steps > 2 * _GIVE and (steps - 2 * _GIVE) * division >= lo
    give = _GIVE if roomy else 0
    asked = Asked(within_kg=(give + Fraction(1, 2)) * division) if give else Asked()
    middle = steps - give if fixed is None else steps  # of a fixed size the last part makes up for the others
    return order_of(job.recipe, name, max(middle, 1) * division, on, asked)


def _lots(shelf: _Shelf, part: Planned, caps: dict[int, Fraction]) -> dict[Ingredient, int]:
    """A lot for each supply with the most to take of it, named apart where one offer was delivered twice.

    What is to be used up is used up by the last batch that the plan gives it to.
    """
    world = shelf.world
    names = Counter(world.supplies[s].name for s in caps)
    found: dict[Ingredient, int] = {}
    for s in sorted(caps, key=lambda s: (world.supplies[s].name, s)):
        supply = world.supplies[s]
        lot = supply.lot
        name = lot.name if names[lot.name] == 1 else f"{lot.name} of {world.date(supply.first)}"
        most = caps[s] if lot.largest_pull_kg is None else min(caps[s], lot.largest_pull_kg)
        use_up = (lot.use_up or s in shelf.emptied) and s in part.kilograms and not shelf.promised.get(s)
        found[
            replace(
                lot, name=name, on_hand_kg=shelf.left[s], largest_pull_kg=most, cost_per_kg=supply.worth / lot.usable,
                use_up=use_up, smallest_remnant_kg=None, smallest_pull_kg=_least(part, lot),
                use_at_least_kg=_asked(shelf, part, s), held_cost_per_kg=_paid(shelf, s),
                suspicions=() if supply.offer else lot.suspicions,
            )
        ] = s  # fmt: skip
    return found


def _least(part: Planned, lot: Lot) -> Fraction | None:
    """The smallest pull that somebody asks for; remnants are looked after over the days."""
    asked = part.block.job.tidy.asked.pull.kilograms
    return lot.smallest_pull_kg if lot.smallest_pull_kg is not None or not asked else asked


def _asked(shelf: _Shelf, part: Planned, s: int) -> Fraction:
    """What is still to be used of a lot's least weight, where this is the last batch that the plan gives it to."""
    return shelf.asked.get(s, _ZERO) if s in part.kilograms and not shelf.promised.get(s) else _ZERO


def _paid(shelf: _Shelf, s: int) -> Fraction:
    """Book price of a kilogram as held: what was paid for it."""
    return shelf.paid.get(s, shelf.world.supplies[s].price)


def _problem(part: Planned, size: Size, lots: dict[Ingredient, int]) -> Problem:
    """The problem of one batch over these lots: its recipe's own, with its formula and size exchanged."""
    base = part.block.rows.problem
    formula = Formula(tuple(lots), base.recipe.additions, base.recipe.process)
    given = [item for item in lots if isinstance(item, Lot)]
    weight, stock = batch_size(size.basis, size.kilograms, size.within_kg), Stock.of(given)
    every = tuple(weight if r.role is Role.SIZE else stock if r.role is Role.STOCK else r for r in base.requirements)
    every += tuple(floors(given))
    return replace(base, order=replace(size, tidy=None), formula=formula, requirements=every, left_out=())


def _as_planned(shelf: _Shelf, part: Planned, problem: Problem, names: dict[Ingredient, int]) -> Answer | None:
    """The planned kilograms on the divisions of the scales, by exchanging some; None where that finds nothing."""
    kilograms = _kilograms(part, problem, names)
    near = weigh_near(_quick(problem), kilograms, _lines(shelf, part, problem, names))
    if near is None:
        return None
    pairs = zip(problem.formula.columns, kilograms, strict=True)
    cost = sum((value_per_kg(problem.formula, c) * kg for c, kg in pairs), _ZERO)
    optimum = Optimum(Ending.OPTIMAL, tuple(kilograms), cost)
    return _checked(problem, optimum, near, Certificate(True, minimised_cost(problem, near), None))


def _lines(shelf: _Shelf, part: Planned, problem: Problem, names: dict[Ingredient, int]) -> Lines:
    """The rows of a batch's recipe, and its size, over the columns of its formula."""
    rows, order = part.block.rows, problem.order
    at = [int(rows.place[shelf.world.supplies[s].source]) for s in names.values()] + list(rows.free)
    places, lines = np.array(at, dtype=np.int64), [*(row.coefs for row in rows.rows), rows.weights[order.basis]]
    floats = [Vector.of(line).at(places).floats for line in lines]
    limits = [(row.lo, row.hi) for row in rows.rows]
    limits.append((order.kilograms - order.within_kg, order.kilograms + order.within_kg))
    for k, lot in enumerate(names):
        if isinstance(lot, Lot) and lot.use_at_least_kg:
            floats.append(np.eye(len(at))[k])
            limits.append((lot.use_at_least_kg * lot.usable, None))
    lo = np.array([-np.inf if low is None else float(low) for low, _ in limits])
    hi = np.array([np.inf if high is None else float(high) for _, high in limits])
    return Lines(np.array(floats), lo, hi)


def _kilograms(part: Planned, problem: Problem, names: dict[Ingredient, int]) -> list[Fraction]:
    """What the plan takes of each column of a batch's formula."""
    free = iter(part.free)
    columns = problem.formula.columns
    return [part.kilograms.get(names[c], _ZERO) if c in names else next(free, _ZERO) for c in columns]


def _quick(problem: Problem) -> Problem:
    """The problem with only what the choice of lots decides; all the rest is measured once, on the batch as weighed."""
    apart = {id(r) for r in (*problem.fixed, *problem.measured_only)}
    size = tuple(r for r in problem.requirements if r.role is Role.SIZE)
    others = (r for r in problem.requirements if id(r) not in apart and r.role is not Role.SIZE)
    return replace(problem, requirements=(*size, *others))


def _checked(problem: Problem, optimum: Optimum, weighed: Weighed, certificate: Certificate) -> Answer | None:
    """The answer where every limit that forbids a batch holds, else None."""
    checks = measured(problem.requirements, weighed)
    if any(check.broken for check in checks):
        return None
    return Answer(Status.OPTIMAL, problem, checks, optimum, weighed, _of_week(certificate), of_week=True)


def _searched(part: Planned, problem: Problem, names: dict[Ingredient, int]) -> Answer | None:
    """The batch near the planned kilograms by the full search of a weigh-out; None where there is none of its lots."""
    quick, kilograms = _quick(problem), _kilograms(part, problem, names)
    layout = layout_of(problem)
    values = [kg / unit for kg, unit in zip(kilograms, layout.units, strict=True)]
    values += [Fraction(1)] * (len(layout.program.variables) - len(values))
    cost = layout.program.cost(values)
    optimum = Optimum(Ending.OPTIMAL, tuple(values), cost, prices=(_ZERO,) * len(layout.program.rows))
    try:
        weighed = weigh_out(quick, layout, optimum)
    except ScalePrevents:
        return None
    certificate = certify(quick, layout, optimum, weighed)
    return _checked(problem, optimum, weighed, certificate) if certificate.feasible else None
