"""From a week's files to what a plan chooses from: sources, supplies and jobs.

A *source* is a lot or an offer as a recipe sees it: one composition. A *supply* is a source with dates: a lot is one,
an offer is one for each day on which it can be delivered. A *job* is a batch with its recipe's rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

from constraints.as_typed import ONE, ZERO, BadInput, Fault
from constraints.asked import Tidy
from constraints.quantities import Basis, Lot, Weight
from constraints.requirement import Requirement, Role
from constraints.row import Places, Row, Vector
from optimizer.clock import left
from optimizer.order import Asked, order_of
from optimizer.plan.files.week_file import BatchEntry, Week
from optimizer.problem import Problem, assemble, below_a_division, order_faults, rows_of
from optimizer.reading.lots import LotTable
from optimizer.reading.offers import Offer, Period
from optimizer.reading.recipe import Recipe, legal_requirements, product_of
from optimizer.solver.program import choices_of


@dataclass(frozen=True, eq=False)
class Supply:
    """A source with dates, as day numbers from 0: usable from ``first`` to ``last``. Kilograms and money as held.

    ``worth`` is what a kilogram left unused is worth: book price (of an offer: its worth afterwards) where it keeps
    beyond the horizon, else salvage. Of a delivery the plan chooses the kilograms, up to its lot's.

    A kilogram is kept, and paid for, every night after a day at whose end it is in stock: what is used that day, and
    what dies that day, is gone by the evening; what keeps is paid for beyond the last day too. ``since`` is the day
    from which a plan pays: where days are done, their nights are paid.
    """

    source: int
    lot: Lot
    first: int
    last: int
    worth: Fraction
    keeps: bool
    offer: Offer | None = None
    period: Period | None = None
    since: int = 0

    @property
    def nights(self) -> int:
        """Nights that a kilogram left unused is kept."""
        return self.nights_to(self.last + 1 if self.keeps else self.last)

    def nights_to(self, day: int) -> int:
        """Nights that a kilogram used on a day is kept before."""
        return max(day - max(self.first, self.since), 0)

    def cost(self, day: int, holding: Fraction) -> Fraction:
        """What a usable kilogram used on a day costs: its worth were it left, less the nights it would be kept then."""
        return (self.worth - holding * (self.nights - self.nights_to(day))) / self.lot.usable

    @property
    def name(self) -> str:
        """The lot's or the offer's name."""
        return self.lot.name

    @property
    def drop(self) -> tuple[str, int]:
        """Supplier and day of a delivery."""
        return ("" if self.offer is None else self.offer.terms.supplier), self.first

    @property
    def order_by(self) -> int:
        """The last day on which a delivery can be ordered."""
        return self.first - (0 if self.offer is None else self.offer.terms.lead_days)

    @property
    def came(self) -> date | None:
        """Day of delivery; None for a lot."""
        return None if self.offer is None else self.lot.received

    @property
    def price(self) -> Fraction:
        """Book price of a kilogram as held; of an offer the price of the day before any break."""
        return self.lot.held_cost_per_kg if self.period is None else self.period.cost_per_kg


@dataclass(frozen=True, eq=False)
class RecipeRows:
    """A recipe's rows over every source it takes, computed once and shared by all its batches.

    ``place[s]`` is the column of source s, or -1. ``carried`` is the money that a usable kilogram brings along in
    additions (of a free addition: its own cost too). ``free_most`` are the most kilograms of the ``free`` additions in
    one of a batch. ``choices`` are rows over which lots are opened at all, one for used and zero for not.
    """

    problem: Problem
    place: Places
    rows: tuple[Row, ...]
    carried: Vector
    weights: dict[Basis, Vector]
    free: tuple[int, ...]
    free_most: Vector
    impossible: tuple[Requirement, ...]
    choices: list[Row]

    @cached_property
    def lightest(self) -> dict[Basis, Fraction]:
        """The least kilograms of each basis that one kilogram of a lot brings."""
        lots = len(self.carried) - len(self.free)
        return {b: Fraction(int(min(each.num[:lots], default=0)), each.den) for b, each in self.weights.items()}

    @cached_property
    def ratios(self) -> dict[Basis, Fraction]:
        """The most kilograms of the other basis that a kilogram of each can be."""
        meat, batch = self.weights[Basis.MEAT], self.weights[Basis.BATCH]
        pairs = {Basis.MEAT: zip(meat, batch, strict=True), Basis.BATCH: zip(batch, meat, strict=True)}
        return {own: max((other / one for one, other in pair if one), default=ONE) for own, pair in pairs.items()}


@dataclass(frozen=True, eq=False)
class Job:
    """A batch of the week. ``lo`` and ``hi`` are kilograms of its basis, tolerance included; days are numbers.

    ``tidy`` is what is wanted of its pulls, and of remnants it leaves. What of it was made before is no longer in
    ``lo`` and ``hi``.
    """

    index: int
    entry: BatchEntry
    recipe: Recipe
    days: tuple[int, ...]
    lo: Fraction
    hi: Fraction
    rows: dict[int, RecipeRows]
    tidy: Tidy

    @property
    def name(self) -> str:
        """The batch's own name."""
        return self.entry.name

    def small_pulls(self, world: World, taken: Mapping[int, Fraction], there: Mapping[int, Fraction]) -> Iterator[int]:
        """Supplies of which less is taken than is usual, kilograms as held; where a lot says its own or goes, none."""
        for s, kg in taken.items():
            lot, least = world.supplies[s].lot, self.tidy.pull.kilograms
            if 0 < kg < min(least, there.get(s, least)) and lot.smallest_pull_kg is None and not lot.use_up:
                yield s


@dataclass(frozen=True)
class World:
    """Everything a plan is built from."""

    week: Week
    supplies: tuple[Supply, ...]
    jobs: tuple[Job, ...]

    @property
    def holding(self) -> Fraction:
        """Money that a kilogram costs a night."""
        return self.week.entry.kitchen.holding_per_kg_day

    @property
    def stock(self) -> dict[int, Fraction]:
        """Kilograms as held of every lot at the start."""
        return {s: x.lot.on_hand_kg for s, x in enumerate(self.supplies) if x.offer is None}

    @cached_property
    def columns(self) -> tuple[Places, ...]:
        """Of every supply its source, its first and last day, and 1 where it comes in packs or has a smallest pull."""
        packed = (s.lot.pack_kg is not None or bool(s.lot.smallest_pull_kg) for s in self.supplies)
        rows = [(s.source, s.first, s.last, one) for s, one in zip(self.supplies, packed, strict=True)]
        return tuple(np.array(rows, dtype=np.int64).reshape(-1, 4).T)

    @cached_property
    def costs(self) -> list[Vector]:
        """What a usable kilogram of every supply costs on each day, or on any where nothing is paid for keeping it."""
        days = range(self.week.entry.days if self.holding else 1)
        return [Vector.of(s.cost(day, self.holding) for s in self.supplies) for day in days]

    def reach(self, stock: Mapping[int, Fraction]) -> Vector:
        """The most that a batch may take of every supply, usable kilograms; of a delivery as much as there may be."""
        found = [stock.get(s, ZERO) if x.offer is None else x.lot.on_hand_kg for s, x in enumerate(self.supplies)]
        for s, lot in enumerate(supply.lot for supply in self.supplies):
            if lot.largest_pull_kg is not None:
                found[s] = min(found[s], lot.largest_pull_kg)
            if lot.usable != 1:
                found[s] *= lot.usable
        return Vector.of(found)

    def date(self, day: int) -> date:
        """The date of a day number."""
        return self.week.entry.start + timedelta(days=day)


def assemble_week(week: Week) -> World:
    """Put a week's files together. Raises BadInput with every fault found between them."""
    lots = sorted(week.lots.lots, key=lambda lot: lot.name)
    offers = sorted(week.offers.offers, key=lambda offer: offer.name)
    reach = [o.lot.on_hand_kg if (most := o.terms.largest_order_kg) is None else most for o in offers]
    every = [*lots, *(replace(o.lot, on_hand_kg=kg) for o, kg in zip(offers, reach, strict=True))]
    # a plan looks after dates and a lot's least weight itself, over the days
    sources = [replace(lot, use_by=None, received=None, use_at_least_kg=ZERO) for lot in every]
    return World(week, tuple(_supplies(week, lots, offers, sources)), _jobs(week, sources))


def _supplies(week: Week, lots: list[Lot], offers: list[Offer], sources: list[Lot]) -> Iterator[Supply]:
    """Each lot that some day can use, and of each offer one for each day on which it can be delivered."""
    start, end = week.dates[0], week.dates[-1]

    def dated(source: int, lot: Lot, first: int, kept: Fraction, **own: Any) -> Supply:
        keeps = lot.use_by is None or lot.use_by > end
        last = (end if keeps or lot.use_by is None else lot.use_by) - start
        return Supply(source, lot, first, last.days, kept if keeps else lot.salvage_per_kg, keeps, **own)

    for i, lot in enumerate(lots):
        first = max((lot.received - start).days, 0) if lot.received else 0
        supply = dated(i, lot, first, lot.held_cost_per_kg)
        if lot.on_hand_kg and not lot.on_hold and first <= supply.last:
            yield supply
    for i, offer in enumerate(offers, len(lots)):
        for day, on in list(enumerate(week.dates))[offer.terms.lead_days :]:
            if (period := offer.period(on)) is not None:
                lot = replace(sources[i], received=on, use_by=offer.use_by(on))
                yield dated(i, lot, day, offer.terms.worth_after_per_kg, offer=offer, period=period)


def _jobs(week: Week, sources: Sequence[Lot]) -> tuple[Job, ...]:
    entry, closed = week.entry, week.entry.kitchen.closed
    table = LotTable(week.lots.file, tuple(sources), week.lots.properties, ())
    made: dict[tuple[object, ...], RecipeRows] = {}
    faults: list[Fault] = []
    jobs = []
    for i, (batch, recipe) in enumerate(zip(entry.batches, week.recipes, strict=True)):
        first, last = batch.day or batch.from_day or week.dates[0], batch.day or batch.to_day or week.dates[-1]
        days = tuple(day for day, on in enumerate(week.dates) if first <= on <= last and on not in closed)
        if not days and not batch.may_leave_out:
            faults.append(week.document.fault(("batches", i), f"{batch.name} has no day on which it can be made", ""))
        rows: dict[int, RecipeRows] = {}
        size, (lo, hi) = f"--{batch.basis}-kg", batch.band
        asked = Asked(smallest_pull=entry.smallest_pull, smallest_remnant=entry.smallest_remnant)
        order = order_of(recipe, size, hi, entry.start, asked)
        faults += [_at_home(fault, week, size, i, batch) for fault in order_faults(recipe, order)]
        for day in days:
            left()
            on = week.dates[day]
            # what tells apart days with other limits, and sizes of which the scales lose a dose
            legal = ((r.origin.rule, r.lo, r.hi) for r in legal_requirements(recipe, product_of(recipe, on), [])[1])
            key = recipe.file, below_a_division(recipe, order), tuple(legal)
            try:
                if key not in made:
                    made[key] = recipe_rows(assemble(recipe, table, order_of(recipe, size, hi, on, Asked())), sources)
                rows[day] = made[key]
            except BadInput as error:
                faults += [_at_home(fault, week, size, i, batch) for fault in error.faults]
                break
        within, tidy = order.within_kg if batch.fixed_kg else ZERO, order.tidy
        assert tidy is not None
        jobs.append(Job(i, batch, recipe, days, lo - within, hi + within, rows, tidy))
    BadInput.raise_for(faults)
    return tuple(jobs)


def _at_home(fault: Fault, week: Week, size: str, i: int, batch: BatchEntry) -> Fault:
    """A fault of an offer is one of the offers table, and a fault of a size one of the batch that states it."""
    if fault.file == size:
        key = f"{batch.basis}_kg" if batch.fixed_kg is not None else f"to_{batch.basis}_kg"
        return week.document.fault(("batches", i, key), fault.found, fault.allowed)
    offered = any(repr(offer.name) in fault.found for offer in week.offers.offers)
    return replace(fault, file=week.offers.file) if fault.file == week.lots.file and offered else fault


def recipe_rows(problem: Problem, sources: Sequence[Lot]) -> RecipeRows:
    """The rows of a recipe over all sources: its size aside, every row holds at any size of a batch.

    Its limits are zero, or kilograms asked of whatever is made on one day.
    """
    formula = problem.formula
    place = np.full(len(sources), -1, dtype=np.int64)
    place[formula.places] = np.arange(len(formula.lots))
    rows = []
    for row in rows_of(problem):
        if row.owner.what.role is Role.SIZE:
            continue
        if (row.lo or row.hi) and not row.owner.what.of_batch:
            raise AssertionError(f"{row.label} does not hold at every size of a batch")
        rows.append(replace(row, coefs=Vector.of(row.coefs)))
    lots = len(formula.lots)
    own = Vector.whole([0] * lots).joined(Vector.of(a.item.cost_per_kg for a in formula.free))
    carried = Vector.of(formula.carried_costs()).at(formula.kind_of).plus(own)
    weights = {basis: formula.totals(Weight(basis)) for basis in (Basis.MEAT, Basis.BATCH)}
    fixed = [(r, r.fixed_value(formula)) for r in problem.fixed]
    impossible = tuple(r for r, v in fixed if v is not None and not r.within(v) and r.origin.blocks)
    if impossible:  # what no lot can mend leaves no lot to use
        place = np.full(len(place), -1, dtype=np.int64)
    return RecipeRows(
        problem, place, tuple(rows), carried, weights, tuple(range(lots, len(formula.columns))),
        Vector.of(a.most or ZERO for a in formula.free), impossible, choices_of(problem),
    )  # fmt: skip
