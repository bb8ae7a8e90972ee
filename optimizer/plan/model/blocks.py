"""What the program of a week is made of: kilograms of every supply in every batch on every day, and what to buy.

Kilograms are usable ones. What is left at the end is not a variable: using a kilogram costs what it would have been
worth, and the stock is a constant. So a lot that dies inside the horizon costs its salvage, every other its book price,
and the end of the horizon is no cliff.

What makes the whole numbers tight: a batch made on one of several days has its size inside its yes-or-no row; an
order's quantity, price breaks and smallest order are one set of segments whose relaxation is the convex hull;
quantities are bounded by what the batches could use at most; and pairs of lot and batch that no plan can use are never
built.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from constraints.as_typed import ONE, ZERO
from constraints.asked import hold
from constraints.quantities import Basis, Lot
from constraints.requirement import Span
from constraints.row import Owner, Places, Row, RowKind, Vector
from optimizer.plan.model.world import Job, RecipeRows, World
from optimizer.reading.offers import Stretch, Terms
from optimizer.solver.program import Model, none_or

DIVISION_KG = Fraction("0.05")
"""One usual scale division."""
Coefs = dict[int, Fraction]
"""Coefficients by column."""
Uses = dict[int, tuple[list[int], Fraction]]
"""For each supply the columns that use it, and the most kilograms (usable) that all batches could use of it."""


@dataclass(frozen=True, eq=False)
class Block:
    """The columns of one batch on one day: ``supplies[k]`` stands at column ``start + k``, then free additions.

    ``places`` are those of all of them among the columns of the recipe's formula. ``own`` are the columns that are its
    kilograms of a basis, and (None) whether it is made.
    """

    job: Job
    day: int
    supplies: Places
    start: int
    places: Places
    rows: RecipeRows
    own: dict[Basis | None, int]

    @property
    def columns(self) -> Places:
        """Columns of the supplies."""
        return self.every[: len(self.supplies)]

    @property
    def every(self) -> Places:
        """All columns."""
        return np.arange(self.start, self.start + len(self.places), dtype=np.int64)

    def weights(self, basis: Basis) -> Vector:
        """The kilograms of a basis that each kilogram of its columns brings."""
        return self.rows.weights[basis].at(self.places)


@dataclass(frozen=True)
class Buy:
    """One offer on one day of delivery: columns in units of ``unit`` kilograms, one a segment."""

    terms: Terms
    unit: Fraction
    columns: tuple[int, ...]
    choices: tuple[int, ...]
    segments: tuple[Stretch, ...]


@dataclass(frozen=True)
class WeekPart:
    """What part of a week to build.

    ``jobs`` None means all; ``stock`` stands instead of the opening stock, as held, and may hold deliveries already
    paid for. ``charged`` drops cost nothing more; nothing can be ordered before the day ``not_before``.
    ``reserved`` is what of a limit of the kitchen, by the owner of its row, is used already or left free for the
    scales, and ``back`` the kilograms of every lot held back for them; ``counted`` is how many batches a day already
    has. ``alone`` leaves out what only a whole week can keep: cold store, closing stock and lots to use up; the jobs
    ``without`` are left out. ``ordered`` is what of a delivery was ordered before; of those ``settled`` nothing more
    comes. ``reach`` is what a batch may take of each supply, where that is not the stock.
    """

    jobs: tuple[int, ...] | None = None
    stock: dict[int, Fraction] | None = None
    charged: frozenset[tuple[str, int]] = frozenset()
    not_before: int = 0
    reserved: dict[Owner | None, Fraction] = field(default_factory=dict)
    back: Fraction = ZERO
    counted: dict[int, int] = field(default_factory=dict)
    alone: bool = False
    ordered: dict[int, Fraction] = field(default_factory=dict)
    settled: frozenset[int] = frozenset()
    without: frozenset[int] = frozenset()
    reach: Vector | None = None


@dataclass
class WeekProgram:
    """The program of the part ``wanted``, and what its columns mean."""

    world: World
    model: Model
    wanted: WeekPart
    stock: dict[int, Fraction]
    blocks: list[Block] = field(default_factory=list)
    uses: Uses = field(default_factory=dict)
    buys: dict[int, Buy] = field(default_factory=dict)

    @cached_property
    def remnant(self) -> Fraction:
        """The smallest remnant that somebody asks for: the largest of any batch, kilograms as held."""
        return max((block.job.tidy.asked.remnant.kilograms for block in self.blocks), default=ZERO)

    def asked_remnant(self, lot: Lot) -> Fraction:
        """The least that an opened lot must be left with where somebody asks for it, kilograms as held."""
        if lot.use_up:
            return ZERO
        return self.remnant if lot.smallest_remnant_kg is None else lot.smallest_remnant_kg


def block_of(program: WeekProgram, job: Job, day: int, made: int | None, reach: Vector) -> Block:
    """Columns and rows of one batch on one day."""
    world, rows, (source, first, last, packed) = program.world, job.rows[day], program.world.columns
    supplies = np.flatnonzero((rows.place[source] >= 0) & (first <= day) & (last >= day))
    places = np.append(rows.place[source[supplies]], np.array(rows.free, dtype=np.int64))
    block = Block(job, day, supplies, program.model.size, places, rows, {} if made is None else {None: made})
    worth, none = job.entry.value_per_kg or ZERO, Vector.whole([0] * len(rows.free))
    cost = world.costs[day if world.holding else 0].at(supplies).joined(none).plus(rows.carried.at(places))
    cost = cost.plus(block.weights(job.entry.basis), -worth) if worth else cost
    most, lightest = reach.at(supplies), rows.lightest[job.entry.basis]
    most = most.capped(job.hi / lightest) if lightest > 0 else most
    program.model.variables.add(cost, most.joined(rows.free_most.times(job.hi)))
    program.blocks.append(block)
    for row in rows.rows:
        _need(program, block, row)
    if rows.choices or job.tidy.asked.pull.kilograms or packed[supplies].any():
        _pulls(program, block)
    return block


def _need(program: WeekProgram, block: Block, row: Row) -> None:
    """One row of a recipe. A least weight is asked of what is made on a day, and of nothing where nothing is."""
    owner, lo, coefs = replace(row.owner, day=block.day, batch=block.job), row.lo, Vector.of(row.coefs).at(block.places)
    made = made_on(program, block) if lo else None
    if lo is not None and made is not None:
        program.model.row(np.append(block.every, made), coefs.joined(Vector.of([-lo])), ZERO, None, owner)
        lo = None
    if lo is not None or row.hi is not None:
        program.model.row(block.every, coefs, lo, row.hi, owner)


def _pulls(program: WeekProgram, block: Block) -> None:
    """Whole packs, smallest pulls, and rules on which lots are opened, as yes-or-no columns where a lot has any."""
    model, supplies, uses = program.model, program.world.supplies, list[int]()
    for column, s in zip(block.columns.tolist(), block.supplies.tolist(), strict=True):
        limits = hold(replace(supplies[s].lot, use_up=False), block.job.tidy.asked)  # it is used up over the week
        if supplies[s].offer is None and limits.step is not None:
            packs = model.column(ZERO, Fraction(limits.most // limits.step), whole=True)
            model.row([column, packs], [ONE, -limits.step], ZERO, ZERO)
        if block.rows.choices or limits.least > 0:
            uses.append(used(model, [column], limits.least, model.variables[column].hi))
    for row in block.rows.choices:
        model.row(uses, Vector.of(row.coefs).at(block.places[: len(uses)]), row.lo, row.hi)


def amount(program: WeekProgram, block: Block, basis: Basis) -> int:
    """The column that is the kilograms of one basis in a block."""
    if basis not in block.own:
        block.own[basis] = at = program.model.column(ZERO, most_of(block, basis))
        program.model.row(np.append(block.every, at), block.weights(basis).joined(Vector.whole([-1])), ZERO, ZERO)
    return block.own[basis]


def made_on(program: WeekProgram, block: Block) -> int | None:
    """The yes-or-no column of a batch, or a part of it, on its day; None where it is made in any case."""
    job = block.job
    if None not in block.own and not (job.lo > 0 and len(job.days) == 1 and not job.entry.may_leave_out):
        block.own[None] = used(program.model, [amount(program, block, job.entry.basis)], ZERO, job.hi)
    return block.own.get(None)


def most_of(block: Block, basis: Basis) -> Fraction:
    """The most kilograms of a basis that a block's size allows."""
    own = block.job.entry.basis
    return block.job.hi * (ONE if basis is own else block.rows.ratios[own])


def used(model: Model, columns: Sequence[int], least: Fraction, most: Fraction) -> int:
    """A yes-or-no column: ``least`` kilograms of these columns at least where it is one, none where it is zero."""
    use = model.column(ZERO, ONE if least <= most else ZERO, whole=True)
    span = Span(least, min(most, sum(model.tops(columns), ZERO)))
    model.rows.extend(none_or(dict.fromkeys(columns, ONE), span, use))
    return use


def add_batch(program: WeekProgram, job: Job, reach: Vector) -> None:
    """All blocks of one batch with its size: on one chosen day, made or left out as a whole, or in any parts."""
    model, entry, choices = program.model, job.entry, list[int]()
    one_day, optional = len(job.days) > 1 and not entry.may_split, entry.may_leave_out and job.lo > 0
    for days in [(day,) for day in job.days] if one_day else [job.days]:
        made = model.column(ZERO, ONE, whole=True) if one_day or optional else None
        choices += [] if made is None else [made]
        blocks = [block_of(program, job, day, made if len(days) == 1 else None, reach) for day in days]
        _size(program, job, blocks, made)
    if one_day:
        least = ZERO if entry.may_leave_out or job.lo <= 0 else ONE
        model.row(choices, Vector.whole([1] * len(choices)), least, ONE, Owner(RowKind.ONCE, job))


def _size(program: WeekProgram, job: Job, blocks: Sequence[Block], made: int | None) -> None:
    """The kilograms of these blocks together, where a yes-or-no column says so if there is one."""
    model, kitchen, owner = program.model, program.world.week.entry.kitchen, Owner(RowKind.SIZE, job)
    if made is not None or kitchen.stages or kitchen.most_batches_a_day:
        total = dict.fromkeys((amount(program, b, job.entry.basis) for b in blocks), ONE)
        if made is None:
            model.rows.append(Row.of("", total, job.lo, job.hi, owner))
        else:
            model.rows.extend(none_or(total, Span(job.lo, job.hi), made, owner=owner)[::-1])
        return
    # nothing else asks for a batch's kilograms: its size stands on the lots themselves
    first, *others = (block.weights(job.entry.basis) for block in blocks)
    model.row(np.concatenate([block.every for block in blocks]), first.joined(*others), job.lo, job.hi, owner)


def uses_of(program: WeekProgram) -> Uses:
    """For each supply the columns that use it, and the most kilograms (usable) that all batches could use of it.

    Then deliveries that no batch can use and that may be worth ordering: for closing stock, or a supplier's minimum.
    """
    world, alone, jobs = program.world, program.wanted.alone, defaultdict[int, set[int]](set)
    columns, tops = defaultdict[int, list[int]](list), defaultdict[int, Fraction](Fraction)
    single = alone and len(program.blocks) == 1  # the stock of a single block stands on its columns already
    for block in program.blocks:
        job = block.job.index
        tops[job] = max(tops[job], most_of(block, Basis.MEAT))
        stand = block.supplies >= (len(world.stock) if single else 0)  # lots come first
        for column, s in zip(block.columns[stand].tolist(), block.supplies[stand].tolist(), strict=True):
            columns[s].append(column)
            jobs[s].add(job)
    sums = {some: sum((tops[job] for job in some), ZERO) for some in {*map(frozenset, jobs.values())}}
    found: Uses = {s: (columns[s], sums[frozenset(jobs[s])]) for s in sorted(columns)}
    materials = () if alone else {c.material for c in world.week.entry.kitchen.closing}
    rest = [(s, x) for s, x in enumerate(world.supplies) if x.offer is not None and s not in found]
    more = {s for s, x in rest if x.keeps and x.lot.material in materials}
    drops = {world.supplies[s].drop for s in (*found, *more)}
    more |= {s for s, x in rest if x.offer is not None and x.offer.terms.supplier_minimum and x.drop in drops}
    return found | {s: ([], ZERO) for s in sorted(more)}


def add_stock(program: WeekProgram) -> None:
    """Stock of every lot, quantities of every delivery, and what a supplier asks for a drop."""
    model, wanted, drops = program.model, program.wanted, defaultdict[tuple[str, int], list[Buy]](list)
    for s, (columns, most) in program.uses.items():
        supply, lot = program.world.supplies[s], program.world.supplies[s].lot
        have, owner = program.stock.get(s, ZERO) * lot.usable, Owner(RowKind.STOCK, supply)
        if supply.offer is None:
            low = None if wanted.alone else have if lot.use_up else lot.use_at_least_kg * lot.usable or None
            if low is not None or most > have:
                model.row(columns, Vector.whole([1] * len(columns)), low, have, owner)
            rest = program.asked_remnant(lot)
            if rest and len(columns) and not wanted.alone:
                _remnant(model, columns, have, rest * lot.usable)
            continue
        late = supply.order_by < wanted.not_before or s in wanted.settled
        buy = None if late else _buy(program, s, most / lot.usable)
        total = dict.fromkeys(columns, ONE)
        if buy is not None:
            program.buys[s] = buy
            drops[supply.drop].append(buy)
            total |= dict.fromkeys(buy.columns, -lot.usable * buy.unit)
        if total:
            model.rows.append(Row.of("", total, None, have, owner))
    for key, buys in drops.items():
        _drop(program, buys, charged=key in wanted.charged)


def _remnant(model: Model, columns: list[int], have: Fraction, rest: Fraction) -> None:
    """Of an opened lot all is used, or at least so much is left; two divisions more for the scales."""
    total, emptied = dict.fromkeys(columns, ONE), model.column(ZERO, ONE, whole=True)
    most = max(have - rest - 2 * DIVISION_KG, ZERO) if have > rest else ZERO  # unopened, where it has no more
    model.rows.append(Row.of("", {**total, emptied: most - have}, None, most))
    model.rows.append(Row.of("", {**total, emptied: -have}, ZERO, None))


def _buy(program: WeekProgram, s: int, most: Fraction) -> Buy | None:
    """Columns for one offer on one day of delivery, of which batches use ``most``; None where it cannot be bought."""
    supply, model = program.world.supplies[s], program.model
    offer, period = supply.offer, supply.period
    assert offer is not None and period is not None
    # what may be worth buying though no batch uses it: closing stock, and what a supplier's minimum needs
    closing = program.world.week.entry.kitchen.closing
    most += offer.terms.supplier_minimum / period.lowest if period.lowest else ZERO
    most += sum((c.kg for c in closing if c.material == supply.lot.material), ZERO)
    parts = offer.stretches(period, most, program.wanted.ordered.get(s, ZERO))
    if not parts:
        return None
    unit = offer.terms.pack_kg or ONE
    choose = len(parts) > 1 or parts[0].lo > 0 or parts[0].fixed != 0
    columns, choices = [], []
    kept = program.world.holding * supply.nights - supply.worth
    for part in parts:
        at = model.column((part.price + kept) * unit, part.hi / unit, whole=offer.terms.pack_kg is not None)
        columns.append(at)
        if choose:
            choices.append(model.column(part.fixed, ONE, whole=True))
            model.rows.extend(none_or({at: ONE}, Span(part.lo / unit, part.hi / unit), choices[-1]))
    return Buy(offer.terms, unit, tuple(columns), tuple(choices), parts)


def _drop(program: WeekProgram, buys: Sequence[Buy], *, charged: bool) -> None:
    """A supplier's delivery charge and minimum on one day, and one price segment an offer."""
    model, terms, drop, money = program.model, buys[0].terms, list[int](), dict[int, Fraction]()
    if (terms.delivery_charge or terms.supplier_minimum) and not charged:
        drop.append(model.column(terms.delivery_charge, ONE, whole=True))
    for buy in buys:
        if buy.choices:
            signs = [1] * len(buy.choices) + [-1] * len(drop)
            model.row([*buy.choices, *drop], signs, hi=ONE - len(drop))
        elif drop:  # without a choice it is one stretch from nothing up
            model.rows.extend(none_or({buy.columns[0]: ONE}, Span(ZERO, buy.segments[0].hi / buy.unit), drop[0]))
        money |= {c: part.price * buy.unit for c, part in zip(buy.columns, buy.segments, strict=True)}
        money |= {z: part.fixed for z, part in zip(buy.choices, buy.segments, strict=False) if part.fixed}
    if drop and terms.supplier_minimum:
        model.rows.append(Row.of("", {**money, drop[0]: -terms.supplier_minimum}, ZERO, None))
