"""A week from its files to everything said of it, gathered once: the page and the JSON document only print it."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date as Day
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

from constraints.as_typed import ZERO
from constraints.quantities import FAT, SALT, Basis, Lot
from constraints.requirement import BY_ION, Stage
from constraints.row import RowKind
from optimizer.answer import Status
from optimizer.clock import OutOfTime
from optimizer.figures import Unit
from optimizer.late import late
from optimizer.plan.files.week_file import Week
from optimizer.plan.model.world import Job, assemble_week
from optimizer.plan.report.way_out import NoPlan, impossible, no_plan, unit_of
from optimizer.plan.settle.books import Books, Purchase
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.find import Compared, Plan, find, in_order
from optimizer.plan.settle.weigh import WeighedBatch
from optimizer.problem import barred
from optimizer.record import Figure, Record, at
from optimizer.remarks import warnings
from optimizer.summary import Cost, casing_need, composition
from optimizer.verdict import HEADLINES, Grade, VerdictPart
from optimizer.wording import day_words

with late():
    from optimizer.plan.files import happened
    from optimizer.plan.settle import repair

_WORTH_SAYING = 1e-6
"""Money from which a price is worth saying."""
STOPPED = "STOPPED AT THE TIME LIMIT before any plan was found"


class OfDay(Record):
    """A day's sums, kilograms as held."""

    date: Day
    used_kg: Figure
    delivered_kg: Figure
    left_kg: Figure


class Priced(Record):
    """What one more unit of a limit of the kitchen would save; with whole numbers where each is held."""

    what: str
    date: Day | None
    saves: Figure
    for_one_more: str
    whole_numbers_held: bool


class Expiring(Record):
    """What dies in the week with some left; money lost with it, and where a kilogram more of it would cost least."""

    lot: str
    last_day: Day
    kg: Figure
    lost: Figure
    save_in: str | None = None
    save_on: Day | None = None
    saving_costs_per_kg: Figure | None = None


class LeftOver(Record):
    """What was bought and is left when the week is over, and keeps."""

    offer: str
    delivered: Day
    kg: Figure
    worth: Figure
    use_by: Day | None
    days_good: int | None
    """Days of use after the week; null where it keeps."""


def _nitrite(one: WeighedBatch) -> Fraction | None:
    """Nitrite as weighed in, as the laws count it."""
    known = [(check.requirement.regulates, check.value) for check in one.answer.checks if check.value is not None]
    nitrite = {*BY_ION["nitrite"]}
    return max((x for of, x in known if of.stage is Stage.INGOING and of.substances & nitrite), default=None)


class BatchFigures(Record):
    """A batch at a glance: fat of the meat block, salt of the batch, ingoing nitrite, cash a kilogram of batch."""

    fat_pct: Figure | None = at(lambda one: composition(one.answer.weighed.total, Basis.MEAT).get(FAT))
    salt_pct: Figure | None = at(lambda one: composition(one.answer.weighed.total, Basis.BATCH).get(SALT))
    nitrite_ppm: Figure | None = at(_nitrite)
    links: int | None = at(lambda it: getattr(casing_need(it.answer.problem, it.answer.weighed.total), "links", None))
    cost_per_kg: Figure = at(lambda one: Cost.model_validate(one.answer).per_kg_batch)
    loads: int = at(lambda one: len(one.answer.weighed.loads))


@dataclass
class Outcome:
    """A plan with all that is said of it.

    Of what is left of a week: ``done`` are the batches made, ``missed`` those whose days are past, ``hold`` doubts
    about what was made, in words, ``coming`` orders that are out.
    """

    plan: Plan
    in_order: Compared | None = None
    limits: list[Priced] = field(default_factory=list)
    stock: dict[int, list[Fraction]] = field(default_factory=dict)
    by_day: list[OfDay] = field(default_factory=list)
    expiring: list[Expiring] = field(default_factory=list)
    no_plan: NoPlan | None = None
    done: list[dict[str, Any]] = field(default_factory=list)
    fewest_changes: int | None = None
    missed: tuple[str, ...] = ()
    hold: tuple[str, ...] = ()
    coming: tuple[happened.PlannedOrder, ...] = ()

    @property
    def stands(self) -> bool:
        """True where there is a plan that may be shown."""
        return self.plan.money is not None and self.plan.status is not Status.DO_NOT_MAKE

    @property
    def made(self) -> list[WeighedBatch]:
        """The batches that may be made."""
        return self.plan.made if self.stands else []

    @property
    def orders(self) -> list[Purchase]:
        """What to order."""
        return self.plan.orders if self.stands else []

    @property
    def unit(self) -> Unit:
        """In which weights are said."""
        return unit_of(self.plan.world)

    @property
    def currency(self) -> str:
        """The currency as it stands behind a sum."""
        return f" {self.plan.world.week.entry.currency}".rstrip()

    @property
    def grade(self) -> Grade:
        """What is to be done: *hold* where something already made must be held back goes before the plan's own."""
        if self.hold:
            return Grade.HOLD
        if self.plan.status is Status.DO_NOT_MAKE:
            return Grade.DO_NOT_MAKE
        if self.plan.money is None:
            return Grade.NO_ANSWER if self.plan.status is Status.TIME_LIMIT else Grade.NO_BATCH
        if self.plan.certificate is not None and self.plan.certificate.excess:
            return Grade.NOT_THE_RECIPE
        return Grade.BEST_FOUND if self.plan.status is Status.TIME_LIMIT else Grade.MAKE

    @property
    def verdict(self) -> VerdictPart:
        """The grade, in the words of plans, and how many limits of all batches bear each mark."""
        words = {
            Grade.MAKE: "PLAN", Grade.BEST_FOUND: "PLAN, the best found in time", Grade.NO_ANSWER: STOPPED,
            Grade.NO_BATCH: "NO SUCH PLAN EXISTS",
            Grade.NOT_THE_RECIPE: "NOT ALL HOLDS: the scales do not allow every limit of the kitchen to be kept",
        }.get(self.grade, HEADLINES[self.grade])  # fmt: skip
        if self.done or self.hold:
            words = words.replace("PLAN", "PLAN, for what is still to be made", 1)
        checks = [check for one in self.made for check in one.answer.checks]
        warned = sum(len(warnings(one.answer)) for one in self.made)
        return VerdictPart.of(self.grade, checks, warned, words=words)

    @property
    def status(self) -> str:
        """One word for the whole, as the grade has it: *optimal* is a plan that is to be carried out."""
        own = {Grade.HOLD: "hold", Grade.NOT_THE_RECIPE: "not_all_holds"}
        return own.get(self.grade, str(self.plan.status))

    @cached_property
    def left_out_why(self) -> dict[str, str]:
        """Batches that a plan leaves out, each with the reason."""
        known = {b["batch"] for b in self.done} | set(self.missed) | {one.job.name for one in self.plan.made}
        jobs = self.plan.world.jobs if self.plan.made else ()
        return {job.name: _why_left_out(job) for job in sorted(jobs, key=lambda j: j.name) if job.name not in known}

    @cached_property
    def left_over(self) -> tuple[LeftOver, ...]:
        """What was ordered, now or before, and no batch of the week uses."""
        supplies, rest = self.plan.world.supplies, self.plan.rest if self.stands else {}
        end = self.plan.world.week.dates[-1]
        mine = ((supplies[s], kg) for s, kg in sorted(rest.items()) if kg > 0 and supplies[s].offer is not None)
        return tuple(
            LeftOver(
                offer=s.name, delivered=s.came, kg=kg, worth=kg * s.worth, use_by=s.lot.use_by,
                days_good=None if s.lot.use_by is None else max((s.lot.use_by - end).days, 0),
            )
            for s, kg in mine if s.keeps and s.came is not None
        )  # fmt: skip

    @property
    def lots_left_out(self) -> dict[str, str]:
        """Lots that no day of the week can use, with the reason."""
        week, used = self.plan.world.week, {s.name for s in self.plan.world.supplies if s.offer is None}
        return {lot.name: _unusable(lot, week.dates) for lot in week.lots.lots if lot.name not in used}


def _why_left_out(job: Job) -> str:
    if not job.days:
        return "no day on which it can be made"
    broken = {r.words(): None for rows in job.rows.values() for r in rows.impossible}
    if broken:
        return f"it cannot be made: {'; '.join(broken)}"
    return "not worth making, or there is not enough for it"


def _unusable(lot: Lot, dates: Sequence[Day]) -> str:
    late = lot.received is not None and lot.received > dates[-1]
    after = f"comes on {day_words(lot.received)}, after the week" if late else "nothing of it can be used"
    return barred(lot, dates[0]) or after


def plan_week(week: Week, what_happened: str | None = None, *, compare: bool = True) -> Outcome:
    """Plan a week, or what is left of it after something else happened than was planned.

    Raises BadInput where its files do not fit together, OutOfTime where there is no time for a plan.
    """
    if what_happened is None:
        world = assemble_week(week)
        plan = find(world, talk=True)
        if plan.status is Status.INFEASIBLE or impossible(world):
            return _without(plan)
        return gather(plan, compare=compare and not plan.solved.interrupted)
    since = happened.read_happened(what_happened, week)
    rest = repair.Repaired(assemble_week(since.week), since)
    plan = find(rest.world, rest.make, rest.wanted, talk=True)
    outcome = _without(plan) if plan.status is Status.INFEASIBLE else gather(plan, rest.gone)
    done, missed = rest.done, rest.missed
    return replace(outcome, done=done, fewest_changes=rest.fewest, missed=missed, hold=rest.hold, coming=rest.coming)


def _without(plan: Plan) -> Outcome:
    """There is no plan: say why. Nothing of what the solver has is shown."""
    never = impossible(plan.world)
    status = Status.DO_NOT_MAKE if any(requirement.origin.legal for _, requirement in never) else Status.INFEASIBLE
    if not never:
        sys.stderr.write("no plan; looking for the reasons and the ways out\n")
    return Outcome(Plan(plan.program, status=status, solved=plan.solved), no_plan=no_plan(plan.program))


def gather(plan: Plan, gone: Sequence[tuple[int, int, Fraction]] = (), *, compare: bool = False) -> Outcome:
    """All figures of a plan that was found; ``gone`` is what batches already made took: supply, day, kilograms.

    ``compare`` plans batch by batch too. What has to be solved for is left out where the time is over.
    """
    found, books = Outcome(plan), Books(plan.program, plan.made, plan.orders, gone)
    if not found.stands:
        return found
    with suppress(OutOfTime):
        found.in_order = in_order(plan.world, plan.solved.cost) if compare else None
    linear = plan.solved
    if plan.program.model.whole:
        with suppress(OutOfTime):
            linear = solve(plan.program.model, pinned=plan.solved.values)
    found.limits = sorted(_priced(plan, linear), key=lambda limit: -limit.saves)
    found.stock, found.by_day = books.levels, list(_by_day(books))
    found.expiring = list(_expiring(plan, linear))
    return found


def _priced(plan: Plan, linear: Solved) -> Iterator[Priced]:
    """Every kitchen limit that costs anything; ``linear`` has the prices of all rows, or none."""
    for row, price in zip(plan.program.model.rows, linear.prices, strict=False):
        rule, day = row.owner.what, row.owner.day
        if row.owner.kind is RowKind.LIMIT and abs(price) > _WORTH_SAYING:
            yield Priced(
                what=rule.name, date=None if day is None else plan.world.date(day), for_one_more=rule.change[2],
                saves=-float(price), whole_numbers_held=plan.program.model.whole,
            )  # fmt: skip


def _expiring(plan: Plan, linear: Solved) -> Iterator[Expiring]:
    supplies, paid = plan.world.supplies, {o.supply_index: o.price for o in plan.orders}
    dying = [(supplies[s], s, kg) for s, kg in plan.rest.items() if kg > 0 and not supplies[s].keeps]
    cheapest = _cheapest_use(plan, linear) if dying else {}
    for supply, s, kg in sorted(dying, key=lambda one: (one[0].last, one[0].name)):
        last, lost = plan.world.date(supply.last), kg * (paid.get(s, supply.price) - supply.worth)
        yield Expiring(lot=supply.name, last_day=last, kg=kg, lost=lost, **cheapest.get(s, {}))


def _cheapest_use(plan: Plan, linear: Solved) -> dict[int, dict[str, Any]]:
    """For each supply the batch and the day where a kilogram more of it costs least, and what it costs there.

    No use is a column that a row leaves no room at all, such as lamb where all meat must be pork.
    """
    rest, found = linear.reduced.copy(), dict[int, dict[str, Any]]()
    for row in plan.program.model.rows if len(rest) else ():
        places, coefs = row.sparse
        if any(bound == 0 and (sign * coefs.floats >= 0).all() for bound, sign in ((row.hi, 1), (row.lo, -1))):
            rest[places[coefs.floats != 0]] = np.inf
    for block in sorted(plan.program.blocks, key=lambda b: (b.job.name, b.day)) if len(rest) else ():
        costs = rest[block.columns]
        best = np.array([found[s]["saving_costs_per_kg"] if s in found else np.inf for s in block.supplies.tolist()])
        for k in np.flatnonzero(costs < best):
            use = block.job.name, plan.world.date(block.day), float(costs[k])
            found[int(block.supplies[k])] = dict(zip(("save_in", "save_on", "saving_costs_per_kg"), use, strict=True))
    return {s: {**use, "saving_costs_per_kg": max(use["saving_costs_per_kg"], 0.0)} for s, use in found.items()}


def _by_day(books: Books) -> Iterator[OfDay]:
    """Each day with kilograms as held used, delivered, and in stock at its end."""
    supplies = books.world.supplies
    for day, on in enumerate(books.world.week.dates):
        came = (kg for s, kg in books.have.items() if supplies[s].offer is not None and supplies[s].first == day)
        yield OfDay(
            date=on, used_kg=sum((days.get(day, ZERO) for days in books.by_day.values()), ZERO),
            delivered_kg=sum(came, ZERO), left_kg=sum((levels[day] for levels in books.levels.values()), ZERO),
        )  # fmt: skip
