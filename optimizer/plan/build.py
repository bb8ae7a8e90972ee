"""The program of a week: kilograms of every supply in every batch on every day, what to buy, and the kitchen's limits.

Kilograms are usable ones. What is left at the end is not a variable: using a kilogram costs what it would have been
worth, and the stock is a constant. So a lot that dies inside the horizon costs its salvage, every other its book price,
and the end of the horizon is no cliff.

What makes the whole numbers tight: a batch made on one of several days has its size inside its yes-or-no row; an
order's quantity, price breaks and smallest order are one set of segments whose relaxation is the convex hull;
quantities are bounded by what the batches could use at most; and pairs of lot and batch that no plan can use are never
built.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import ceil, floor

import numpy as np

from constraints.ingredients import Lot
from constraints.quantities import Basis
from constraints.requirement import Hold
from constraints.stock import hold
from constraints.vector import Vector
from optimizer.clock import left
from optimizer.plan.offers import BreakKind
from optimizer.plan.sparse import Sparse, Whole, exact_array
from optimizer.plan.week_file import MaterialRule, Scope
from optimizer.plan.world import Job, RecipeRows, Supply, World

_ZERO = Fraction(0)
_ONE = Fraction(1)
MOST_KG = 10**6
"""Kilograms beyond any kitchen."""
LEAST_USED = Fraction("0.05")
"""Kilograms from which a material counts as used where a rule names no smallest amount: one usual scale division."""


@dataclass(frozen=True, eq=False)
class Block:
    """The columns of one batch on one day: ``supplies[k]`` stands at column ``start + k``, then free additions."""

    job: Job
    day: int
    supplies: Whole
    start: int
    free: tuple[int, ...]
    rows: RecipeRows
    made: int | None = None
    amounts: dict[Basis, int] = field(default_factory=dict)

    @property
    def columns(self) -> Whole:
        """Columns of the supplies."""
        return np.arange(self.start, self.start + len(self.supplies), dtype=np.int64)


@dataclass(frozen=True)
class Segment:
    """A stretch of an order's quantity: from ``lo`` to ``hi`` kilograms at ``price``, plus ``fixed`` money."""

    lo: Fraction
    hi: Fraction
    price: Fraction
    fixed: Fraction


@dataclass(frozen=True)
class Buy:
    """One offer on one day of delivery: columns in units of ``unit`` kilograms, one a segment."""

    supply: int
    unit: Fraction
    columns: tuple[int, ...]
    choices: tuple[int, ...]
    segments: tuple[Segment, ...]


@dataclass
class WeekProgram:
    """The program, and what its columns mean. ``since`` is the first day that is not past."""

    world: World
    sparse: Sparse
    blocks: list[Block] = field(default_factory=list)
    buys: dict[int, Buy] = field(default_factory=dict)
    drops: dict[tuple[str, int], int] = field(default_factory=dict)
    stock: dict[int, Fraction] = field(default_factory=dict)
    since: int = 0


class Costs:
    """What a usable kilogram of each supply costs on each day, and how much of it there can be: computed once a day.

    ``stock`` stands instead of the opening stock, as held.
    """

    def __init__(self, world: World, stock: dict[int, Fraction] | None = None) -> None:
        self.world = world
        self.by_day: dict[int, tuple[object, object]] = {}
        limits = [_pull(s.lot) for s in world.supplies]
        self.special = np.array([x.step is not None or x.least > 0 for x in limits], dtype=bool)
        self._pull = [x.most if s.lot.largest_pull_kg is not None else None
                      for s, x in zip(world.supplies, limits, strict=True)]  # fmt: skip
        self.most = np.empty(len(limits), dtype=object)
        self.most_floats = np.zeros(len(limits))
        for s, supply in enumerate(world.supplies):
            have = supply.lot.on_hand_kg if supply.kg is None else supply.kg
            self.hold(s, have if stock is None or supply.kg is None else stock.get(s, _ZERO))

    def hold(self, s: int, kg: Fraction) -> None:
        """So many kilograms of a supply, as held, are there now."""
        usable, pull = kg * self.world.supplies[s].lot.usable, self._pull[s]
        self.most[s] = usable if pull is None else min(pull, usable)
        self.most_floats[s] = float(self.most[s])

    def on(self, day: int) -> tuple[object, object]:
        """Exact costs and their floats, one a supply."""
        key = day if self.world.holding else 0
        if key not in self.by_day:
            found = [self._use(s, key) for s in self.world.supplies]
            self.by_day[key] = exact_array(found), np.array([float(x) for x in found])
        return self.by_day[key]

    def _use(self, supply: Supply, day: int) -> Fraction:
        saved = self.world.holding * (supply.nights - supply.nights_to(day)) if self.world.holding else _ZERO
        return (supply.worth - saved) / supply.lot.usable


def _pull(lot: Lot) -> Hold:
    """What one batch may take of a lot: a lot to be used up is used up over the week, not by one batch."""
    return hold(replace(lot, use_up=False))


@dataclass(frozen=True)
class Room:
    """What is left free for the scales: kilograms ``of`` limits of the kitchen, by the label of their row, and
    kilograms of every lot held ``back``. The jobs ``without`` are left out.
    """

    of: dict[tuple[object, ...], Fraction] = field(default_factory=dict)
    back: Fraction = _ZERO
    without: frozenset[int] = frozenset()

    def at(self, *label: object) -> Fraction:
        """Kilograms to leave free of a limit."""
        return self.of.get(label, _ZERO)


@dataclass(frozen=True)
class Wanted:
    """What part of a week to build.

    ``jobs`` None means all; ``stock`` stands instead of the opening stock, as held, and may hold deliveries already
    paid for. ``charged`` drops cost nothing more; nothing can be ordered before the day ``not_before``. ``taken`` is
    what of a stage is used on a day, ``counted`` how many batches a day already has. ``alone`` leaves out what only a
    whole week can keep: cold store, closing stock and lots to use up. ``ordered`` is what of a delivery was ordered
    before; of those ``settled`` nothing more comes. ``costs`` may be handed on between builds.
    """

    jobs: tuple[int, ...] | None = None
    stock: dict[int, Fraction] | None = None
    charged: frozenset[tuple[str, int]] = frozenset()
    not_before: int = 0
    taken: dict[tuple[int, int], Fraction] = field(default_factory=dict)
    counted: dict[int, int] = field(default_factory=dict)
    alone: bool = False
    ordered: dict[int, Fraction] = field(default_factory=dict)
    settled: frozenset[int] = frozenset()
    room: Room = field(default_factory=Room)
    costs: Costs | None = None


def build(world: World, wanted: Wanted | None = None) -> WeekProgram:
    """Build the program of a week, or of some batches of it. Raises OutOfTime."""
    wanted = Wanted() if wanted is None else wanted
    opening = {i: s.kg for i, s in enumerate(world.supplies) if s.kg is not None}
    stock = opening if wanted.stock is None else wanted.stock
    program = WeekProgram(world, Sparse(), stock=_held_back(world, stock, wanted.room.back), since=wanted.not_before)
    program.sparse.constant = sum(
        (kg * world.supplies[i].nights * world.holding for i, kg in stock.items()), _ZERO
    ) if world.holding else _ZERO  # fmt: skip
    costs = wanted.costs or Costs(world, program.stock)
    for job in [world.jobs[i] for i in (range(len(world.jobs)) if wanted.jobs is None else wanted.jobs)]:
        left()
        if job.days and job.index not in wanted.room.without:
            _batch(program, job, costs)
    # The stock of a single block stands on its columns already.
    uses = _uses(program, only_offers=wanted.alone and len(program.blocks) == 1)
    uses |= {s: (np.zeros(0, dtype=np.int64), _ZERO) for s in _besides(program, uses, wanted)}
    _buy_and_stock(program, uses, wanted)
    _kitchen(program, uses, wanted)
    _material_rules(program)
    program.stock = stock
    return program


def _held_back(world: World, stock: dict[int, Fraction], kg: Fraction) -> dict[int, Fraction]:
    """The stock with a little of every lot put by for the rounding of several batches that use one up."""
    if not kg:
        return stock
    return {s: have if world.supplies[s].lot.use_up else max(have - kg, _ZERO) for s, have in stock.items()}


def _batch(program: WeekProgram, job: Job, costs: Costs) -> None:
    """All blocks of one batch with its size: on one chosen day, made or left out as a whole, or in any parts."""
    sparse, entry = program.sparse, job.entry
    optional = entry.may_leave_out and job.lo > 0
    one_day = len(job.days) > 1 and not entry.may_split
    blocks = []
    for day in job.days:
        made = sparse.column(("made", job.index, day), _ZERO, _ONE, whole=True) if one_day else None
        blocks.append(_block(program, job, day, made, costs))
    if one_day:
        for block in blocks:
            _size(program, job, [block], block.made, ("size", job.index, block.day))
        columns = [b.made for b in blocks if b.made is not None]
        least = _ZERO if entry.may_leave_out or job.lo <= 0 else _ONE
        sparse.row(("once", job.index), columns, [1] * len(columns), lo=least, hi=_ONE)
    elif optional:
        made = sparse.column(("made", job.index), _ZERO, _ONE, whole=True)
        _size(program, job, blocks, made, ("size", job.index))
        if len(blocks) == 1:
            program.blocks[-1] = replace(blocks[0], made=made)
    else:
        _size(program, job, blocks, None, ("size", job.index))


def _size(program: WeekProgram, job: Job, blocks: Sequence[Block], made: int | None, label: tuple[object, ...]) -> None:
    """The kilograms of these blocks together, where a yes-or-no column says so if there is one."""
    sparse, kitchen = program.sparse, program.world.week.entry.kitchen
    if made is not None or kitchen.stages or kitchen.most_batches_a_day:
        columns = [_amount(program, b, job.entry.basis) for b in blocks]
        ones = [_ONE] * len(columns)
        if made is None:
            sparse.row(label, columns, ones, lo=job.lo, hi=job.hi)
            return
        sparse.row((*label, "least"), [*columns, made], [*ones, -job.lo], lo=_ZERO)
        sparse.row((*label, "most"), [*columns, made], [*ones, -job.hi], hi=_ZERO)
        return
    # nothing else asks for a batch's kilograms: its size stands on the lots themselves
    parts = [_weights(program, b, job.entry.basis) for b in blocks]
    coefs = Vector(np.concatenate([w.num for _, w in parts]), parts[0][1].den)
    sparse.row(label, np.concatenate([c for c, _ in parts]), coefs, lo=job.lo, hi=job.hi)


def _block(program: WeekProgram, job: Job, day: int, made: int | None, costs: Costs) -> Block:
    """Columns and rows of one batch on one day."""
    world, sparse, rows = program.world, program.sparse, job.rows[day]
    first, last = world.spans
    supplies = np.flatnonzero((rows.place[world.source_of] >= 0) & (first <= day) & (last >= day))
    at = rows.place[world.source_of[supplies]]
    exact, floats = costs.on(day)
    weight = rows.weights[job.entry.basis]
    lightest = rows.lightest[job.entry.basis]
    ceiling = job.hi / lightest if lightest > 0 else max(costs.most, default=_ZERO)
    parts = [exact[supplies], rows.carried[at]]  # type: ignore[index]
    cost = floats[supplies] + rows.carried_floats[at]  # type: ignore[index]
    if job.entry.value_per_kg is not None:
        parts.append(exact_array([-job.entry.value_per_kg * Fraction(int(w), weight.den) for w in weight.num[at]]))
        cost = cost - float(job.entry.value_per_kg) * weight.floats[at]
    most = np.minimum(costs.most_floats[supplies], float(ceiling))
    start = sparse.block(parts, [costs.most[supplies], np.full(len(at), ceiling, dtype=object)], (cost, most))
    free = tuple(_free(program, job, day, rows, k) for k in range(len(rows.free)))
    block = Block(job, day, supplies, start, free, rows, made)
    program.blocks.append(block)
    columns = np.concatenate([block.columns, np.array(free, dtype=np.int64)])
    places = np.concatenate([at, np.array(rows.free, dtype=np.int64)])
    for requirement, label, coefs, lo, hi in rows.rows:
        sparse.row(("need", job.index, day, requirement, label), columns, coefs.at(places), lo, hi)
    if rows.choices or costs.special[supplies].any():
        _pulls(program, block)
    return block


def _free(program: WeekProgram, job: Job, day: int, rows: RecipeRows, k: int) -> int:
    """A column for an addition that is left to the solver."""
    place = rows.free[k]
    cost = rows.carried[place]
    if job.entry.value_per_kg is not None:
        weight = rows.weights[job.entry.basis]
        cost -= job.entry.value_per_kg * weight[place]
    return program.sparse.column(("free", job.index, day, k), cost, rows.free_most[k])


def _amount(program: WeekProgram, block: Block, basis: Basis) -> int:
    """The column that is the kilograms of one basis in a block."""
    if basis not in block.amounts:
        sparse = program.sparse
        at = sparse.column(("amount", block.job.index, block.day, basis), _ZERO, _most_of(block, basis))
        columns, weight = _weights(program, block, basis)
        coefs = weight.joined(Vector.whole([-1]))
        sparse.row(("amount", block.job.index, block.day, basis), np.append(columns, at), coefs, _ZERO, _ZERO)
        block.amounts[basis] = at
    return block.amounts[basis]


def _weights(program: WeekProgram, block: Block, basis: Basis) -> tuple[Whole, Vector]:
    """The columns of a block and the kilograms of a basis that each of their kilograms brings."""
    rows = block.rows
    places = rows.place[program.world.source_of[block.supplies]]
    columns = np.concatenate([block.columns, np.array(block.free, dtype=np.int64)])
    return columns, rows.weights[basis].at(np.concatenate([places, np.array(rows.free, dtype=np.int64)]))


def _most_of(block: Block, basis: Basis) -> Fraction:
    """The most kilograms of a basis that a block's size allows."""
    if basis is block.job.entry.basis:
        return block.job.hi
    return block.job.hi * block.rows.most_ratio(block.job.entry.basis, basis)


def _pulls(program: WeekProgram, block: Block) -> None:
    """Whole packs, smallest pulls, and rules on which lots are opened, as yes-or-no columns where a lot has any."""
    sparse, world = program.sparse, program.world
    used: dict[str, int] = {}
    choices = block.rows.choices
    most = sparse.exact_hi(list(block.columns)) if choices else []
    for k, s in enumerate(block.supplies):
        lot, column = world.supplies[s].lot, block.start + k
        limits = _pull(lot)
        if world.supplies[s].offer is None and limits.step is not None:
            packs = sparse.column(
                ("packs", block.job.index, block.day, s), _ZERO, Fraction(limits.most // limits.step), whole=True
            )  # fmt: skip
            sparse.row(("packs", block.job.index, block.day, s), [column, packs], [_ONE, -limits.step], _ZERO, _ZERO)
        if choices or limits.least > 0:
            top = most[k] if choices else sparse.exact_hi([column])[0]
            used[lot.name] = _used(program, ("open", block.job.index, block.day, s), [column], [top], limits.least, top)
    for requirement, row in choices:
        terms = [
            (used[c.name], a)
            for c, a in zip(block.rows.problem.formula.columns, row.coefs, strict=True)
            if a and isinstance(c, Lot) and c.name in used
        ]
        if terms:
            label = ("lots", block.job.index, block.day, requirement)
            sparse.row(label, [c for c, _ in terms], [a for _, a in terms], row.lo, row.hi)


def _used(
    program: WeekProgram,
    label: tuple[object, ...],
    columns: Sequence[int] | Whole,
    each: Sequence[Fraction],
    least: Fraction,
    most: Fraction,
) -> int:
    """A yes-or-no column: ``least`` kilograms of these columns at least where it is one, none where it is zero."""
    sparse = program.sparse
    use = sparse.column(("use", *label), _ZERO, _ONE if least <= most else _ZERO, whole=True)
    both = [*columns, use]
    top = min(most, sum(each, _ZERO))
    sparse.row(("use most", *label), both, [*[_ONE] * len(columns), -top], hi=_ZERO)
    if least > 0:
        sparse.row(("use least", *label), both, [*[_ONE] * len(columns), -least], lo=_ZERO)
    return use


def _uses(program: WeekProgram, *, only_offers: bool) -> dict[int, tuple[Whole, Fraction]]:
    """For each supply the columns that use it, and the most kilograms (usable) that all batches could use of it."""
    if not any(len(b.supplies) for b in program.blocks):
        return {}
    supplies = np.concatenate([b.supplies for b in program.blocks])
    columns = np.concatenate([b.columns for b in program.blocks])
    owner = np.repeat(np.arange(len(program.blocks)), [len(b.supplies) for b in program.blocks])
    if only_offers:
        bought = program.world.offered[supplies]
        supplies, columns, owner = supplies[bought], columns[bought], owner[bought]
        if not len(supplies):
            return {}
    order = np.argsort(supplies, kind="stable")
    supplies, columns, owner = supplies[order], columns[order], owner[order]
    names, starts = np.unique(supplies, return_index=True)
    tops = [_most_of(b, Basis.MEAT) if b.job.entry.basis is not Basis.MEAT else b.job.hi for b in program.blocks]
    found = {}
    for s, group, mine in zip(names, np.split(columns, starts[1:]), np.split(owner, starts[1:]), strict=True):
        most: dict[int, Fraction] = {}
        for b in mine:
            job = program.blocks[b].job.index
            most[job] = max(most.get(job, _ZERO), tops[b])
        found[int(s)] = group, sum(most.values(), _ZERO)
    return found


def _besides(program: WeekProgram, uses: dict[int, tuple[Whole, Fraction]], wanted: Wanted) -> list[int]:
    """Deliveries that no batch can use and that may be worth ordering: for closing stock, or a supplier's minimum."""
    closing = () if wanted.alone else program.world.week.entry.kitchen.closing
    materials = {c.material for c in closing}
    rest = [(s, x) for s, x in enumerate(program.world.supplies) if x.offer is not None and s not in uses]
    found = {s for s, x in rest if x.keeps and x.lot.material in materials}
    drops = {program.world.supplies[s].drop for s in (*uses, *found)}
    found |= {s for s, x in rest if x.offer is not None and x.offer.minimum and x.drop in drops}
    return sorted(found)


def _ones(count: int) -> Vector:
    return Vector(np.ones(count, dtype=np.int64), 1, 1)


def _buy_and_stock(program: WeekProgram, uses: dict[int, tuple[Whole, Fraction]], wanted: Wanted) -> None:
    """Stock of every lot, quantities of every delivery, and what a supplier asks for a drop."""
    sparse, world = program.sparse, program.world
    drops: dict[tuple[str, int], list[Buy]] = defaultdict(list)
    for s, (columns, most) in uses.items():
        supply = world.supplies[s]
        usable = supply.lot.usable
        have = program.stock.get(s, _ZERO) * usable
        if supply.offer is None and (supply.lot.use_up or most > have):
            low = have if supply.lot.use_up and not wanted.alone else None
            sparse.row(("stock", s), columns, _ones(len(columns)), low, have)
        if supply.offer is None:
            continue
        late = supply.first - supply.offer.lead_days < wanted.not_before or s in wanted.settled
        worth_buying = most / usable + _beyond_use(program, supply)
        buy = None if late else _buy(program, s, worth_buying, wanted.ordered.get(s, _ZERO))
        if buy is None and not len(columns):
            continue
        if buy is None:
            sparse.row(("stock", s), columns, _ones(len(columns)), None, have)
            continue
        program.buys[s] = buy
        coefs = _ones(len(columns)).joined(Vector.of([-usable * buy.unit] * len(buy.columns)))
        sparse.row(("stock", s), np.concatenate([columns, np.array(buy.columns)]), coefs, None, have)
        drops[(supply.offer.supplier, supply.first)].append(buy)
    for key, buys in drops.items():
        _drop(program, key, buys, charged=key in wanted.charged)


def segments(supply: Supply, most: Fraction, before: Fraction = _ZERO) -> tuple[Segment, ...]:
    """The stretches of an order's quantity, up to the largest order worth giving; ``before`` was ordered already."""
    offer, period = supply.offer, supply.period
    assert offer is not None and period is not None
    steps = [(_ZERO, period.price), *period.breaks]
    top = max(most, offer.smallest, steps[-1][0])
    if offer.pack is not None:
        top = ceil(top / offer.pack) * offer.pack
    if offer.largest is not None:
        top = min(top, offer.largest - before)
    found, paid = [], _ZERO
    for k, (start, price) in enumerate(steps):
        end = steps[k + 1][0] if k + 1 < len(steps) else top
        fixed = paid - price * start if offer.kind is BreakKind.INCREMENTAL else _ZERO
        paid += price * (end - start)
        lo, hi = max(start, offer.smallest), min(end, top)
        if offer.pack is not None:
            lo, hi = ceil(lo / offer.pack) * offer.pack, floor(hi / offer.pack) * offer.pack
        if hi >= lo and hi > 0:
            found.append(Segment(lo, hi, price, fixed))
    return tuple(found)


def _beyond_use(program: WeekProgram, supply: Supply) -> Fraction:
    """Kilograms worth buying though no batch uses them: closing stock, and what a supplier's minimum may need."""
    entry = program.world.week.entry
    closing = sum((c.kg for c in entry.kitchen.closing if c.material == supply.lot.material), _ZERO)
    offer, period = supply.offer, supply.period
    assert offer is not None and period is not None
    lowest = min([period.price, *(price for _, price in period.breaks)])
    return closing + (offer.minimum / lowest if lowest else _ZERO)


def _buy(program: WeekProgram, s: int, most: Fraction, before: Fraction) -> Buy | None:
    """Columns for one offer on one day of delivery; None where it cannot be bought."""
    supply, sparse = program.world.supplies[s], program.sparse
    offer = supply.offer
    assert offer is not None
    parts = segments(supply, most, before)
    if not parts:
        return None
    unit = offer.pack or _ONE
    choose = len(parts) > 1 or parts[0].lo > 0 or parts[0].fixed != 0
    columns, choices = [], []
    kept = program.world.holding * supply.nights - supply.worth
    for k, part in enumerate(parts):
        cost = (part.price + kept) * unit
        at = sparse.column(("buy", s, k), cost, part.hi / unit, whole=offer.pack is not None)
        columns.append(at)
        if choose:
            z = sparse.column(("order", s, k), part.fixed, _ONE, whole=True)
            choices.append(z)
            sparse.row(("order most", s, k), [at, z], [_ONE, -part.hi / unit], hi=_ZERO)
            if part.lo > 0:
                sparse.row(("order least", s, k), [at, z], [_ONE, -part.lo / unit], lo=_ZERO)
    return Buy(s, unit, tuple(columns), tuple(choices), parts)


def _drop(program: WeekProgram, key: tuple[str, int], buys: Sequence[Buy], *, charged: bool) -> None:
    """A supplier's delivery charge and minimum on one day, and one price segment an offer."""
    sparse, world = program.sparse, program.world
    offer = world.supplies[buys[0].supply].offer
    assert offer is not None
    drop = None
    if (offer.charge or offer.minimum) and not charged:
        drop = sparse.column(("drop", *key), offer.charge, _ONE, whole=True)
        program.drops[key] = drop
    terms: list[tuple[int, Fraction]] = []
    for buy in buys:
        if buy.choices:
            row = [*buy.choices] + ([drop] if drop is not None else [])
            signs = [1] * len(buy.choices) + ([-1] if drop is not None else [])
            sparse.row(("one price", buy.supply), row, signs, hi=_ZERO if drop is not None else _ONE)
        elif drop is not None:
            for column, part in zip(buy.columns, buy.segments, strict=True):
                sparse.row(("with drop", buy.supply), [column, drop], [_ONE, -part.hi / buy.unit], hi=_ZERO)
        terms += [(c, p.price * buy.unit) for c, p in zip(buy.columns, buy.segments, strict=True)]
        terms += [(c, p.fixed) for c, p in zip(buy.choices, buy.segments, strict=False) if p.fixed]
    if drop is not None and offer.minimum:
        columns, coefs = [c for c, _ in terms], [a for _, a in terms]
        sparse.row(("minimum", *key), [*columns, drop], [*coefs, -offer.minimum], lo=_ZERO)


def _kitchen(program: WeekProgram, uses: dict[int, tuple[Whole, Fraction]], wanted: Wanted) -> None:
    """Stages, most batches a day, cold store and closing stock."""
    kitchen = program.world.week.entry.kitchen
    for i in range(len(kitchen.stages)):
        _stage(program, i, wanted)
    if kitchen.most_batches_a_day is not None:
        _most_batches(program, kitchen.most_batches_a_day, wanted)
    if wanted.alone:
        return
    for i in range(len(kitchen.cold_store)):
        _store(program, i, uses, wanted)
    for i, closing in enumerate(kitchen.closing):
        _closing(program, i, closing.material, closing.kg + wanted.room.at("closing", i), uses)


def _stage(program: WeekProgram, i: int, wanted: Wanted) -> None:
    """A stage's capacity on every day; loads hold one batch each and are counted whole."""
    sparse, world = program.sparse, program.world
    stage = world.week.entry.kitchen.stages[i]
    by_day: dict[int, list[int]] = defaultdict(list)
    for block in program.blocks:
        if stage.batches is not None and block.job.name not in stage.batches:
            continue
        if stage.materials is not None:
            mine = [world.supplies[s].lot.material in stage.materials for s in block.supplies]
            by_day[block.day] += [int(c) for c in block.columns[np.array(mine, dtype=bool)]]
            continue
        amount = _amount(program, block, stage.basis)
        if stage.load_kg is None:
            by_day[block.day].append(amount)
            continue
        most = Fraction(ceil(_most_of(block, stage.basis) / stage.load_kg))
        loads = sparse.column(("loads", i, block.job.index, block.day), _ZERO, most, whole=True)
        label = ("load", i, block.job.index, block.day)
        sparse.row(label, [amount, loads], [_ONE, -stage.load_kg], hi=-wanted.room.at(*label))
        by_day[block.day].append(loads)
    limit = stage.kg_per_day if stage.kg_per_day is not None else Fraction(stage.loads_per_day or 0)
    for day, columns in sorted(by_day.items()):
        gone = wanted.taken.get((i, day), _ZERO) + wanted.room.at("stage", i, day)
        sparse.row(("stage", i, day), columns, _ones(len(columns)), None, limit - gone)


def _most_batches(program: WeekProgram, limit: int, wanted: Wanted) -> None:
    """No more batches on one day than the kitchen can start."""
    by_day: dict[int, list[Block]] = defaultdict(list)
    for block in program.blocks:
        by_day[block.day].append(block)
    for day, blocks in sorted(by_day.items()):
        most = limit - wanted.counted.get(day, 0)
        if len(blocks) <= most:
            continue
        columns, sure = [], 0
        for block in blocks:
            if block.made is not None:
                columns.append(block.made)
            elif block.job.lo > 0 and len(block.job.days) == 1:
                sure += 1
            else:
                amount = block.amounts[block.job.entry.basis]
                label = ("any", block.job.index, day)
                columns.append(_used(program, label, [amount], [block.job.hi], _ZERO, block.job.hi))
        program.sparse.row(("most batches", day), columns, [1] * len(columns), None, Fraction(most - sure))


def _store(program: WeekProgram, i: int, uses: dict[int, tuple[Whole, Fraction]], wanted: Wanted) -> None:
    """Stock at the end of each day, from the day before, and never above the room. What dies is gone that evening.

    Days that are past have all the room there is: nothing can be said against them.
    """
    sparse, world = program.sparse, program.world
    store = world.week.entry.kitchen.cold_store[i]
    inside = {
        s: supply for s, supply in enumerate(world.supplies)
        if (store.materials is None or supply.lot.material in store.materials)
        and (s in program.stock or s in program.buys)
    }  # fmt: skip
    terms: dict[int, list[tuple[int, Fraction]]] = defaultdict(list)
    arrived: dict[int, Fraction] = defaultdict(Fraction)
    for s, supply in inside.items():
        out = -1 / supply.lot.usable
        for block in program.blocks:
            where = np.flatnonzero(block.supplies == s)
            terms[block.day] += [(block.start + int(k), -out) for k in where]
        bought = [(c, program.buys[s].unit) for c in program.buys[s].columns] if s in program.buys else []
        terms[supply.first] += [(c, -unit) for c, unit in bought]
        arrived[supply.first] += program.stock.get(s, _ZERO)
        if not supply.keeps:
            left = sparse.column(("dead", i, s), _ZERO, program.stock.get(s, _ZERO) + _bought_most(program, s))
            used = [(int(c), -out) for c in uses[s][0]] if s in uses else []
            parts = [*used, *[(c, -unit) for c, unit in bought], (left, _ONE)]
            have = program.stock.get(s, _ZERO)
            sparse.row(("dead", i, s), [c for c, _ in parts], [a for _, a in parts], have, have)
            terms[supply.last].append((left, _ONE))
    before = None
    for day in range(world.days):
        room = store.kg - wanted.room.at("level", i, day)
        level = sparse.column(("level", i, day), _ZERO, room if day >= wanted.not_before else Fraction(MOST_KG))
        parts = [(level, _ONE), *terms[day], *([(before, -_ONE)] if before is not None else [])]
        sparse.row(("level", i, day), [c for c, _ in parts], [a for _, a in parts], arrived[day], arrived[day])
        before = level


def _bought_most(program: WeekProgram, s: int) -> Fraction:
    return max((part.hi for part in program.buys[s].segments), default=_ZERO) if s in program.buys else _ZERO


def _closing(
    program: WeekProgram, i: int, material: str, kg: Fraction, uses: dict[int, tuple[Whole, Fraction]]
) -> None:
    """Kilograms of a material that must be left and keep beyond the horizon."""
    world = program.world
    have, terms = _ZERO, list[tuple[int, Fraction]]()
    for s, supply in enumerate(world.supplies):
        if supply.lot.material != material or not supply.keeps:
            continue
        have += program.stock.get(s, _ZERO)
        terms += [(int(c), 1 / supply.lot.usable) for c in (uses[s][0] if s in uses else ())]
        if s in program.buys:
            terms += [(c, -program.buys[s].unit) for c in program.buys[s].columns]
    program.sparse.row(("closing", i), [c for c, _ in terms], [a for _, a in terms], None, have - kg)


def _material_rules(program: WeekProgram) -> None:
    """Most materials, smallest amounts and if-this-then-that, in every batch or on every day."""
    rules = program.world.week.entry.materials
    if not rules:
        return
    for scope in Scope:
        mine = [rule for rule in rules if rule.per is scope]
        if not mine:
            continue
        groups: dict[tuple[int, ...], list[Block]] = defaultdict(list)
        for block in program.blocks:
            groups[(block.day,) if scope is Scope.DAY else (block.job.index, block.day)].append(block)
        for where, blocks in groups.items():
            _rules_in(program, where, blocks, mine)


def _rules_in(
    program: WeekProgram, where: tuple[int, ...], blocks: Sequence[Block], rules: Sequence[MaterialRule]
) -> None:
    sparse, world = program.sparse, program.world
    columns: dict[str, list[int]] = defaultdict(list)
    for block in blocks:
        for k, s in enumerate(block.supplies):
            columns[world.supplies[s].lot.material].append(block.start + k)
    most = sum((_most_of(b, Basis.MEAT) for b in blocks), _ZERO)
    cap = {name: _cap(program, name, blocks, most) for name in columns}
    least: dict[str, Fraction] = {}
    counted: set[str] = set()
    for rule in rules:
        names = set(rule.of or columns)
        if rule.smallest_kg is not None:
            for name in names & set(columns):
                least[name] = max(least.get(name, _ZERO), rule.smallest_kg)
        if rule.most is not None:
            counted |= names
        if rule.then is not None:
            counted |= {*(rule.if_used or ()), rule.then}
            least.setdefault(rule.then, LEAST_USED)
    use = {}
    for name in sorted((counted | set(least)) & set(columns)):
        label = ("material", name, *where)
        tops = sparse.exact_hi(columns[name])
        use[name] = _used(program, label, columns[name], tops, least.get(name, _ZERO), cap[name])
    for rule in rules:
        _rule_rows(program, where, rule, use, columns)


def _cap(program: WeekProgram, name: str, blocks: Sequence[Block], most: Fraction) -> Fraction:
    """The most of a material that fits: no more than the batches hold or a stage for that material lets through."""
    stages = program.world.week.entry.kitchen.stages
    limits = [st.kg_per_day for st in stages if st.materials and name in st.materials and st.kg_per_day is not None]
    return min([most, *limits]) if len({block.day for block in blocks}) == 1 else most


def _rule_rows(
    program: WeekProgram, where: tuple[int, ...], rule: MaterialRule, use: dict[str, int], columns: dict[str, list[int]]
) -> None:
    sparse = program.sparse
    if rule.most is not None:
        names = [n for n in (rule.of or sorted(columns)) if n in use]
        if len(names) > rule.most:
            limit = Fraction(rule.most)
            sparse.row(("most materials", *where), [use[n] for n in names], [1] * len(names), hi=limit)
    if rule.then is not None:
        for name in rule.if_used or ():
            if name not in use:
                continue
            label = ("if used", name, rule.then, *where)
            if rule.then in use:
                sparse.row(label, [use[name], use[rule.then]], [1, -1], hi=_ZERO)
            else:
                sparse.row(label, [use[name]], [1], hi=_ZERO)
