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
from fractions import Fraction

import numpy as np

from constraints.quantities import Basis
from constraints.requirement import Span
from constraints.row import Owner, Places, Row, RowKind, Vector
from optimizer.clock import left

from optimizer.plan.model.blocks import DIVISION_KG, Block, Buy, SupplyCosts, Uses  # isort: skip
from optimizer.plan.model.blocks import WeekPart, WeekProgram, amount, block_of, most_of, ones  # isort: skip
from optimizer.plan.model.kitchen import rules_of
from optimizer.plan.model.world import Job, Supply, World
from optimizer.solver.model import Model, none_or

_ZERO, _ONE = Fraction(0), Fraction(1)
_NONE: Places = np.zeros(0, dtype=np.int64)


def build(world: World, wanted: WeekPart | None = None) -> WeekProgram:
    """Build the program of a week, or of some batches of it. Raises OutOfTime."""
    wanted, supplies = wanted or WeekPart(), world.supplies
    stock = world.stock if wanted.stock is None else wanted.stock
    nights = sum((kg * supplies[s].nights for s, kg in stock.items()), _ZERO) if world.holding else _ZERO
    program = WeekProgram(world, Model(constant=nights * world.holding), wanted, stock)
    if wanted.room.back:  # a little of every lot is put by for the rounding of several batches that use one up
        program.stock = {s: x if supplies[s].lot.use_up else max(x - wanted.room.back, _ZERO) for s, x in stock.items()}
    costs = wanted.costs or SupplyCosts(world, program.stock)
    for job in world.jobs if wanted.jobs is None else [world.jobs[i] for i in wanted.jobs]:
        left()
        if job.days and job.index not in wanted.room.without:
            _batch(program, job, costs)
    program.uses = _uses(program)
    _stock_and_orders(program)
    for rule in rules_of(world):
        if not (wanted.alone and rule.whole_week):
            rule.rows(program)
    program.stock = stock
    return program


def _batch(program: WeekProgram, job: Job, costs: SupplyCosts) -> None:
    """All blocks of one batch with its size: on one chosen day, made or left out as a whole, or in any parts."""
    model, entry, choices = program.model, job.entry, list[int]()
    one_day, optional = len(job.days) > 1 and not entry.may_split, entry.may_leave_out and job.lo > 0
    for days in [(day,) for day in job.days] if one_day else [job.days]:
        made = model.column(_ZERO, _ONE, whole=True) if one_day or optional else None
        choices += [] if made is None else [made]
        blocks = [block_of(program, job, day, made if len(days) == 1 else None, costs) for day in days]
        _size(program, job, blocks, made)
    if one_day:
        least = _ZERO if entry.may_leave_out or job.lo <= 0 else _ONE
        model.row(choices, ones(len(choices)), least, _ONE, Owner(RowKind.ONCE, job))


def _size(program: WeekProgram, job: Job, blocks: Sequence[Block], made: int | None) -> None:
    """The kilograms of these blocks together, where a yes-or-no column says so if there is one."""
    model, kitchen, owner = program.model, program.world.week.entry.kitchen, Owner(RowKind.SIZE, job)
    if made is not None or kitchen.stages or kitchen.most_batches_a_day:
        total = dict.fromkeys((amount(program, b, job.entry.basis) for b in blocks), _ONE)
        if made is None:
            model.rows.append(Row.of("", total, job.lo, job.hi, owner))
        else:
            model.rows.extend(none_or(total, Span(job.lo, job.hi), made, owner=owner)[::-1])
        return
    # nothing else asks for a batch's kilograms: its size stands on the lots themselves
    first, *others = (block.weights(job.entry.basis) for block in blocks)
    model.row(np.concatenate([block.every for block in blocks]), first.joined(*others), job.lo, job.hi, owner)


def _uses(program: WeekProgram) -> Uses:
    """For each supply the columns that use it, and the most kilograms (usable) that all batches could use of it.

    Then deliveries that no batch can use and that may be worth ordering: for closing stock, or a supplier's minimum.
    """
    world, blocks, alone = program.world, program.blocks, program.wanted.alone
    supplies = np.concatenate([_NONE, *(b.supplies for b in blocks)])
    columns = np.concatenate([_NONE, *(b.columns for b in blocks)])
    jobs = np.concatenate([_NONE, *(np.full(len(b.supplies), b.job.index) for b in blocks)])
    if alone and len(blocks) == 1:  # the stock of a single block stands on its columns already
        bought = world.columns[3][supplies] > 0
        supplies, columns, jobs = supplies[bought], columns[bought], jobs[bought]
    tops: dict[int, Fraction] = {}
    for block in blocks:
        tops[block.job.index] = max(tops.get(block.job.index, _ZERO), most_of(block, Basis.MEAT))
    order = np.argsort(supplies, kind="stable")
    names, starts = np.unique(supplies[order], return_index=True)
    parts = (np.split(one[order], starts[1:]) for one in (columns, jobs))
    found: Uses = {
        s: (group, sum((tops[i] for i in set(mine.tolist())), _ZERO))
        for s, group, mine in zip(names.tolist(), *parts, strict=False)
    }
    materials = () if alone else {c.material for c in world.week.entry.kitchen.closing}
    rest = [(s, x) for s, x in enumerate(world.supplies) if x.offer is not None and s not in found]
    more = {s for s, x in rest if x.keeps and x.lot.material in materials}
    drops = {world.supplies[s].drop for s in (*found, *more)}
    more |= {s for s, x in rest if x.offer is not None and x.offer.terms.supplier_minimum and x.drop in drops}
    return found | dict.fromkeys(sorted(more), (_NONE, _ZERO))


def _stock_and_orders(program: WeekProgram) -> None:
    """Stock of every lot, quantities of every delivery, and what a supplier asks for a drop."""
    model, wanted, drops = program.model, program.wanted, defaultdict[tuple[str, int], list[Buy]](list)
    for s, (columns, most) in program.uses.items():
        supply, lot = program.world.supplies[s], program.world.supplies[s].lot
        have, owner = program.stock.get(s, _ZERO) * lot.usable, Owner(RowKind.STOCK, supply)
        if supply.offer is None:
            low = None if wanted.alone else have if lot.use_up else lot.use_at_least_kg * lot.usable or None
            if low is not None or most > have:
                model.row(columns, ones(len(columns)), low, have, owner)
            rest = program.asked_remnant(lot)
            if rest and len(columns) and not wanted.alone:
                _remnant(model, columns, have, rest * lot.usable)
            continue
        late = supply.order_by < wanted.not_before or s in wanted.settled
        buy = None if late else _buy(program, s, most / lot.usable + _beyond_use(program, supply))
        total = dict.fromkeys(columns.tolist(), _ONE)
        if buy is not None:
            program.buys[s] = buy
            drops[supply.drop].append(buy)
            total |= dict.fromkeys(buy.columns, -lot.usable * buy.unit)
        if total:
            model.rows.append(Row.of("", total, None, have, owner))
    for key, buys in drops.items():
        _drop(program, buys, charged=key in wanted.charged)


def _remnant(model: Model, columns: Places, have: Fraction, rest: Fraction) -> None:
    """Of an opened lot all is used, or at least so much is left; two divisions more for the scales."""
    emptied, both = model.column(_ZERO, _ONE, whole=True), ones(len(columns))
    most = max(have - rest - 2 * DIVISION_KG, _ZERO) if have > rest else _ZERO  # unopened, where it has no more
    places = np.append(columns, emptied)
    model.row(places, both.joined(Vector.of([most - have])), None, most)
    model.row(places, both.joined(Vector.of([-have])), _ZERO, None)


def _beyond_use(program: WeekProgram, supply: Supply) -> Fraction:
    """Kilograms worth buying though no batch uses them: closing stock, and what a supplier's minimum may need."""
    closing = program.world.week.entry.kitchen.closing
    offer, period = supply.offer, supply.period
    assert offer is not None and period is not None
    least = offer.terms.supplier_minimum / period.lowest if period.lowest else _ZERO
    return sum((c.kg for c in closing if c.material == supply.lot.material), least)


def _buy(program: WeekProgram, s: int, most: Fraction) -> Buy | None:
    """Columns for one offer on one day of delivery; None where it cannot be bought."""
    supply, model = program.world.supplies[s], program.model
    offer, period = supply.offer, supply.period
    assert offer is not None and period is not None
    parts = offer.stretches(period, most, program.wanted.ordered.get(s, _ZERO))
    if not parts:
        return None
    unit = offer.terms.pack_kg or _ONE
    choose = len(parts) > 1 or parts[0].lo > 0 or parts[0].fixed != 0
    columns, choices = [], []
    kept = program.world.holding * supply.nights - supply.worth
    for part in parts:
        at = model.column((part.price + kept) * unit, part.hi / unit, whole=offer.terms.pack_kg is not None)
        columns.append(at)
        if choose:
            choices.append(model.column(part.fixed, _ONE, whole=True))
            model.rows.extend(none_or({at: _ONE}, Span(part.lo / unit, part.hi / unit), choices[-1]))
    return Buy(offer.terms, unit, tuple(columns), tuple(choices), parts)


def _drop(program: WeekProgram, buys: Sequence[Buy], *, charged: bool) -> None:
    """A supplier's delivery charge and minimum on one day, and one price segment an offer."""
    model, terms, drop, money = program.model, buys[0].terms, list[int](), dict[int, Fraction]()
    if (terms.delivery_charge or terms.supplier_minimum) and not charged:
        drop.append(model.column(terms.delivery_charge, _ONE, whole=True))
    for buy in buys:
        if buy.choices:
            signs = [1] * len(buy.choices) + [-1] * len(drop)
            model.row([*buy.choices, *drop], signs, hi=_ONE - len(drop))
        elif drop:  # without a choice it is one stretch from nothing up
            model.rows.extend(none_or({buy.columns[0]: _ONE}, Span(_ZERO, buy.segments[0].hi / buy.unit), drop[0]))
        money |= {c: part.price * buy.unit for c, part in zip(buy.columns, buy.segments, strict=True)}
        money |= {z: part.fixed for z, part in zip(buy.choices, buy.segments, strict=False) if part.fixed}
    if drop and terms.supplier_minimum:
        model.rows.append(Row.of("", {**money, drop[0]: -terms.supplier_minimum}, _ZERO, None))
