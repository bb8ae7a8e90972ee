"""Every planned batch weighed out and checked by the same path as a single blend.

Batches are weighed one after the other, first in the order they are made. Each is given the lots that the plan gives
it, and of each lot what no later batch needs; so rounding never takes what another batch was promised.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from itertools import chain, islice
from math import ceil, floor
from typing import NamedTuple

import numpy as np

from constraints.as_typed import G_PER_KG, ZERO
from constraints.asked import Stock, batch_size, floors
from constraints.formula import Formula
from constraints.quantities import Basis, Lot, Weight
from constraints.requirement import Role
from constraints.row import Floats, Row, Vector
from optimizer.answer import Answer, Status, blend, measured
from optimizer.clock import left
from optimizer.order import Asked, Order as Size, order_of
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.model.world import Job, Supply, World
from optimizer.plan.settle.books import SPECK, Planned, Purchase, near, needed
from optimizer.solver.optimum import Optimum
from optimizer.solver.program import Ending, SolverDisagrees, build, holds_of, value_per_kg
from optimizer.solver.session import Session
from optimizer.weighing.divisions import Lines
from optimizer.weighing.rounding import Certificate, minimised_cost
from optimizer.weighing.weighout import weigh_near

_FEW, _MANY = 10, 40
"""Lots beyond the planned ones of which a few divisions may be used, at first and where that will not do."""
_WHOLE = 20
"""Lots beyond the planned ones of which a whole pull may be used before, so that no divisions of one are crumbs."""
_DEAR = Fraction(3, 200)
"""Share of what its lots stand for in the books that a batch may cost more for the sake of that."""
_SOONER = 1e-5
"""Share of the dearest lot's cost by which one that lasts a day longer counts as dearer there."""
_TRIES = 4
"""Orders in which the batches of a plan are weighed at most."""
_GIVE = 2
"""Divisions by which a batch whose size the plan chose may be weighed lighter or heavier than its target."""
NEAR = 4
"""Scale divisions by which a weigh-out may take more of a lot than the plan."""


class _Reach(NamedTuple):
    """How many lots beyond the planned ones a try may use; whether of each lot no further ``near`` the plan than
    rounding needs, and even ``ahead`` of later batches; whether only ``whole`` pulls of the usual size.
    """

    helpers: int
    near: bool = False
    ahead: bool = False
    whole: bool = False


_ALONE = _Reach(0, near=True)
_REACHES = (_ALONE, _Reach(0, near=True, ahead=True), _Reach(_WHOLE, whole=True), _Reach(_FEW, near=True),
            _Reach(_MANY, near=True, ahead=True))  # fmt: skip
"""No lot of a few grams where there is a way: first of the planned lots alone, then with a whole pull of others."""


@dataclass(frozen=True, eq=False)
class WeighedBatch:
    """A batch as weighed: the answer of the same kind as a blend's, and kilograms as held taken of each supply.

    ``dearer`` is the money that a pull of another lot costs which is there for the sake of the scales alone.
    """

    world: World
    job: Job
    day: int
    answer: Answer
    taken: dict[int, Fraction]
    dearer: Fraction = ZERO

    @property
    def on(self) -> date:
        """Its date."""
        return self.world.date(self.day)

    @property
    def pulls(self) -> list[tuple[Supply, Fraction]]:
        """What it takes from the cooler, kilograms as held, by name."""
        taken = [(self.world.supplies[s], kg) for s, kg in sorted(self.taken.items())]
        return sorted(taken, key=lambda pull: pull[0].name)

    @property
    def sound(self) -> bool:
        """True where it may be made."""
        return self.answer.status is Status.OPTIMAL

    def kilograms(self, basis: Basis) -> Fraction:
        """Kilograms of a basis as weighed."""
        weighed = self.answer.weighed
        return weighed.total.amount(Weight(basis)) if weighed else ZERO

    @property
    def materials(self) -> dict[str, Fraction]:
        """Usable kilograms of every material."""
        found = defaultdict[str, Fraction](Fraction)
        for item, kg in self.answer.weighed.total.kilograms.items() if self.answer.weighed else ():
            if isinstance(item, Lot):
                found[item.material] += kg
        return found


def weigh_all(
    program: WeekProgram, plan: Sequence[Planned], bought: Sequence[Purchase], dearer: Floats
) -> list[WeighedBatch]:
    """Weigh every batch of a plan. ``dearer`` is each column's reduced cost (or empty), to pick helpers for rounding.

    A batch that finds no way to round because others took the last divisions of a lot is weighed before them.
    """
    sequence = list(plan)
    for _ in range(_TRIES):
        shelf, made = _Shelf(program, sequence, bought, dearer), list[WeighedBatch]()
        for part in sequence:
            left()
            for s, kg in part.taken.items():  # what it was promised is its own now
                shelf.promised[s] -= kg
            made.append(_weigh(shelf, part, made))
            shelf.take(made[-1].taken)
        failed = [part for part, one in zip(sequence, made, strict=True) if not one.sound]
        if not failed:
            break
        sequence = [*failed, *(part for part in sequence if part not in failed)]
    return sorted(made, key=lambda one: (one.day, one.job.index))


class _Shelf:
    """What is left of every supply, and what later batches were promised of it; kilograms as held."""

    def __init__(
        self, program: WeekProgram, plan: Sequence[Planned], bought: Sequence[Purchase], dearer: Floats
    ) -> None:
        self.world, self.dearer = program.world, dearer
        entry, kitchen = self.world.week.entry, self.world.week.entry.kitchen
        places = [stage.materials for stage in kitchen.stages] + [store.materials for store in kitchen.cold_store]
        # a pull of another lot may break what is asked of its material
        self.named = bool(entry.materials or kitchen.closing or any(places))
        self.there = program.stock | {order.supply_index: order.kg for order in bought}
        self.left = dict(self.there)
        self.paid = {order.supply_index: order.price for order in bought}
        self.last = {part.block.job.index: part for part in plan}
        self.promised = needed(plan)
        self.strict = any(part.block.job.tidy.asked.remnant.kilograms for part in plan)
        self.lots = [supply.lot for supply in self.world.supplies]
        self.emptied = {s for s, kg in self.promised.items() if abs(self.left.get(s, ZERO) - kg) < SPECK}
        self.asked = {s: lot.use_at_least_kg for s, lot in enumerate(self.lots) if lot.use_at_least_kg}

    def take(self, taken: dict[int, Fraction]) -> None:
        """A batch was weighed."""
        for s, kg in taken.items():
            self.left[s] -= kg
            self.asked[s] = max(self.asked.get(s, ZERO) - kg, ZERO)

    def most(self, part: Planned, s: int, reach: _Reach) -> Fraction:
        """What a batch may take of a supply: all that no later batch needs, or its own share rounded up to a division.

        So a lot that is used up over several batches does not leave the first of them no way to round. Ahead of later
        batches it is all that is left, what they were promised too: they look again.
        """
        left, division, usable = self.left.get(s, ZERO), _division(part), self.lots[s].usable
        own = ceil(part.kilograms[s] / division) * division / usable if s in part.kilograms else ZERO
        most = left if reach.ahead else max(left - self.promised[s], min(left, own), ZERO)
        return min(most, own + NEAR * division / usable) if reach.near else most

    def at_last(self, part: Planned, s: int) -> bool:
        """True where a batch is the last one that the plan gives a supply to."""
        return s in part.kilograms and not self.promised[s]

    def helpers(self, part: Planned, reach: _Reach) -> list[int]:
        """Supplies that the plan does not use here and that cost least to use: a division of one mends many a rounding.

        Where rules say which materials go together it is of those planned.
        """
        if not reach.helpers or not len(self.dearer):
            return []
        least = (part.block.job.tidy.pull.kilograms if reach.whole else _division(part)) - SPECK
        mine = {self.lots[s].material for s in part.kilograms} if self.world.week.entry.materials else None

        def helps(s: int) -> bool:
            free = self.left.get(s, ZERO) - (ZERO if reach.ahead else self.promised[s])
            mixes = mine is None or self.lots[s].material in mine
            return s not in part.kilograms and mixes and free * self.lots[s].usable >= least

        ranked = part.block.supplies[np.argsort(self.dearer[part.block.columns], kind="stable")].tolist()
        return list(islice(filter(helps, ranked), reach.helpers))


def _division(part: Planned) -> Fraction:
    return part.block.job.recipe.entry.scales.meat_g / G_PER_KG


def _weigh(shelf: _Shelf, part: Planned, before: Sequence[WeighedBatch]) -> WeighedBatch:
    """Weigh one batch from its planned lots and a little of a few more, else of many, else from all that is there."""
    size, tidy = _size(shelf, part, before), part.block.job.tidy
    whole = tidy.pull.kilograms > _division(part) and not (tidy.pull.asked or shelf.named)
    tries, best = list[_Try](), None
    for reach in (reach for reach in _REACHES if whole or not reach.whole):
        if best is None or reach.whole:
            tries.append(_Try(shelf, part, size, reach))
            found = tries[-1].as_planned()
            if found is not None and not any(found.job.small_pulls(shelf.world, found.taken, shelf.there)):
                return found
            best = best or found
    every = (_Reach(len(part.block.supplies), ahead=ahead) for ahead in (False, True))
    for one in chain((one for one in tries if not one.reach.whole), (_Try(shelf, part, size, one) for one in every)):
        if best is not None and best.taken:
            break
        best = one.blended()
    assert best is not None
    return best


class _Try:
    """A batch over its planned lots and some helpers: its recipe's problem with lots and size exchanged."""

    def __init__(self, shelf: _Shelf, part: Planned, size: Size, reach: _Reach) -> None:
        self.shelf, self.part, self.reach, base = shelf, part, reach, part.block.rows.problem
        caps = {s: shelf.most(part, s, reach) for s in (*part.kilograms, *shelf.helpers(part, reach))}
        self.names = _lots(shelf, part, caps, reach)
        own = {Role.SIZE: batch_size(size.basis, size.kilograms, size.within_kg), Role.STOCK: Stock.of([*self.names])}
        imposed = part.block.job.tidy if reach.whole else None
        self.problem = replace(
            base, order=replace(size, tidy=None, imposed=imposed), left_out=(),
            formula=Formula(tuple(self.names), base.recipe.additions, base.recipe.process),
            requirements=(*(own.get(r.role, r) for r in base.requirements), *floors([*self.names])),
        )  # fmt: skip

    def _made(self, answer: Answer, dearer: Fraction = ZERO) -> WeighedBatch:
        block, items = self.part.block, answer.weighed.total.kilograms.items() if answer.weighed is not None else ()
        taken = {self.names[item]: item.held_kg(kg) for item, kg in items if isinstance(item, Lot)}
        return WeighedBatch(self.shelf.world, block.job, block.day, answer, taken, dearer)

    def blended(self) -> WeighedBatch:
        """The batch blended afresh; what it costs at least is said of the week alone."""
        try:
            answer = blend(self.problem)
        except SolverDisagrees:
            answer = Answer(Status.INFEASIBLE, self.problem, ())
        certificate = answer.certificate and replace(answer.certificate, lower_bound=None, reported=None)
        return self._made(replace(answer, certificate=certificate, kept=None, tidy_price=None))

    def as_planned(self) -> WeighedBatch | None:
        """The planned kilograms on the divisions of the scales, by exchanging some; None where that finds nothing."""
        problem, free, dearer = self.problem, iter(self.part.free), ZERO
        given = (self.part.kilograms.get(s, ZERO) for s in self.names.values())
        planned = (*given, *(next(free, ZERO) for _ in problem.formula.columns[len(self.names) :]))
        kilograms = self._with_pulls() if self.reach.whole else planned
        cost = self._cost(kilograms)
        if self.reach.whole:
            dearer, pairs = cost - self._cost(planned), zip(self.names, kilograms, strict=False)
            if not kilograms or dearer > _DEAR * sum(lot.held_kg(kg) * lot.held_cost_per_kg for lot, kg in pairs):
                return None
        # only what the choice of lots decides; all the rest is measured once, on the batch as weighed
        apart = {id(r) for r in (*problem.fixed, *problem.measured_only)}
        chosen = tuple(r for r in problem.requirements if r.role is Role.SIZE or id(r) not in apart)
        weighed = weigh_near(replace(problem, requirements=chosen), kilograms, Lines.of(self._rows()))
        checks = measured(problem.requirements, weighed) if weighed is not None else ()
        if weighed is None or any(check.broken for check in checks):
            return None
        optimum = Optimum(Ending.OPTIMAL, kilograms, cost)
        certificate = Certificate(True, minimised_cost(problem, weighed), None)
        answer = Answer(Status.OPTIMAL, problem, checks, optimum, weighed, certificate)
        return self._made(answer, dearer)

    def _cost(self, kilograms: Sequence[Fraction]) -> Fraction:
        """What kilograms of the columns cost, money."""
        formula = self.problem.formula
        return sum((value_per_kg(formula, c) * kg for c, kg in zip(formula.columns, kilograms, strict=False)), ZERO)

    def _with_pulls(self) -> tuple[Fraction, ...]:
        """The cheapest kilograms of the columns with none or a whole pull of every lot; empty for none.

        Among equally cheap ones, of which a week with dying lots has many, what dies first goes first.
        """
        layout = build(self.problem.formula, holds_of(self.problem), [Row("", *row) for row in self._rows()])
        session, costs = Session(layout.program, whole=True), layout.program.vectors[0].floats
        last = np.array([self.shelf.world.supplies[s].last for s in self.names.values()])
        costs[: len(last)] += _SOONER * costs.max() * last
        session.costs(costs)
        return layout.kilograms([near(x) for x in session.values.tolist()]) if session.run() else ()

    def _rows(self) -> Iterator[tuple[Vector, Fraction | None, Fraction | None]]:
        """The rows of the recipe, the size and least weights of lots, over the columns of the formula."""
        rows, order, supplies = self.part.block.rows, self.problem.order, self.shelf.world.supplies
        at = np.array([*(rows.place[supplies[s].source] for s in self.names.values()), *rows.free], dtype=np.int64)
        yield from ((Vector.of(row.coefs).at(at), row.lo, row.hi) for row in rows.rows)
        yield rows.weights[order.basis].at(at), order.kilograms - order.within_kg, order.kilograms + order.within_kg
        for k, lot in enumerate(self.names):
            if lot.use_at_least_kg:
                yield Vector.whole([int(j == k) for j in range(len(at))]), lot.use_at_least_kg * lot.usable, None


def _size(shelf: _Shelf, part: Planned, before: Sequence[WeighedBatch]) -> Size:
    """How much to weigh: the batch's size, or what the plan chose, on whole divisions inside the band.

    The last part of a batch made in parts brings the whole to its size, and what a lot that is to be used up has left
    goes into the last batch that the plan gives it to.
    """
    job, division, last = part.block.job, _division(part), shelf.last[part.block.job.index] is part
    name, fixed, on = f"--{job.entry.basis}-kg", job.entry.fixed_kg, shelf.world.date(part.block.day)
    if fixed is not None and not job.entry.may_split:
        return order_of(job.recipe, name, fixed, on, Asked())
    done = sum((m.kilograms(job.entry.basis) for m in before if m.job is job), ZERO)
    lo, hi = max(job.lo - done, ZERO) if last else ZERO, max(job.hi - done, ZERO)
    wanted = part.amount if fixed is None or not last else (job.lo + job.hi) / 2 - done
    if fixed is None and job.entry.basis is not Basis.MEAT and hi - lo >= 2 * division:
        lo, hi = lo + division / 2, hi - division / 2  # additions bring a batch near its weight, not onto it
    dying = [s for s in part.kilograms if shelf.lots[s].use_up] if fixed is None else []
    ending = (s for s in dying if shelf.at_last(part, s))
    wanted += sum((shelf.left[s] * shelf.lots[s].usable - part.kilograms[s] for s in ending), ZERO)
    # what the plan leaves room for is not passed by rounding up, unless something must be used up
    steps = floor(min(max(wanted, lo), hi) / division + Fraction(1, 2) * bool(dying or fixed is not None))
    steps = max(min(steps, floor(hi / division)), ceil(lo / division) if lo <= hi else 0)
    roomy = (fixed is None or not last) and not dying and steps > 2 * _GIVE and (steps - 2 * _GIVE) * division >= lo
    give = _GIVE if roomy else 0
    asked = Asked(within_kg=(give + Fraction(1, 2)) * division) if give else Asked()
    middle = steps - give if fixed is None else steps  # of a fixed size the last part makes up for the others
    return order_of(job.recipe, name, max(middle, 1) * division, on, asked)


def _lots(shelf: _Shelf, part: Planned, caps: dict[int, Fraction], reach: _Reach) -> dict[Lot, int]:
    """A lot for each supply with the most to take of it, named apart where one offer was delivered twice.

    The last batch that the plan gives a lot to uses up what is to be used up, and what is still asked for of it; from
    the planned lots alone also what the plan empties by default.
    """
    world, wanted, tidy = shelf.world, part.block.job.tidy, reach is _ALONE
    pull = wanted.asked.pull.kilograms
    names = Counter(world.supplies[s].name for s, most in caps.items() if most)
    found = {}
    for s in sorted((s for s, most in caps.items() if most), key=lambda s: (world.supplies[s].name, s)):
        supply, lot, last = world.supplies[s], world.supplies[s].lot, shelf.at_last(part, s)
        name = lot.name if names[lot.name] == 1 else f"{lot.name} of {world.date(supply.first)}"
        emptied = last and s in shelf.emptied and lot.smallest_remnant_kg != 0
        changed = replace(
            lot, name=name, on_hand_kg=shelf.left[s], cost_per_kg=supply.worth / lot.usable,
            largest_pull_kg=caps[s] if lot.largest_pull_kg is None else min(caps[s], lot.largest_pull_kg),
            smallest_pull_kg=lot.smallest_pull_kg if lot.smallest_pull_kg is not None or not pull else pull,
            smallest_remnant_kg=wanted.remnant.kilograms if tidy and emptied else None,
            use_up=last and (lot.use_up or (emptied and bool(shelf.strict or lot.smallest_remnant_kg))),
            use_at_least_kg=shelf.asked.get(s, ZERO) if last else ZERO,
            held_cost_per_kg=shelf.paid.get(s, supply.price), suspicions=() if supply.offer else lot.suspicions,
        )  # fmt: skip
        found[changed] = s
    return found
