"""Orders in the program of a week: stock of lots, quantities of deliveries on their ladders of prices, and drops."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from constraints.requirement import Span
from constraints.row import Owner, Places, RowKind, Vector
from optimizer.plan.model.blocks import Buy, Uses, WeekPart, WeekProgram, ones
from optimizer.plan.model.world import Supply
from optimizer.solver.model import Model, none_or

_ZERO, _ONE = Fraction(0), Fraction(1)
DIVISION_KG = Fraction("0.05")
"""One usual scale division."""


def besides(program: WeekProgram, uses: Uses, wanted: WeekPart) -> list[int]:
    """Deliveries that no batch can use and that may be worth ordering: for closing stock, or a supplier's minimum."""
    closing = () if wanted.alone else program.world.week.entry.kitchen.closing
    materials = {c.material for c in closing}
    rest = [(s, x) for s, x in enumerate(program.world.supplies) if x.offer is not None and s not in uses]
    found = {s for s, x in rest if x.keeps and x.lot.material in materials}
    drops = {program.world.supplies[s].drop for s in (*uses, *found)}
    found |= {s for s, x in rest if x.offer is not None and x.offer.terms.supplier_minimum and x.drop in drops}
    return sorted(found)


def stock_and_orders(program: WeekProgram, uses: Uses, wanted: WeekPart) -> None:
    """Stock of every lot, quantities of every delivery, and what a supplier asks for a drop."""
    model, world = program.model, program.world
    drops: dict[tuple[str, int], list[Buy]] = defaultdict(list)
    for s, (columns, most) in uses.items():
        supply = world.supplies[s]
        usable, owner = supply.lot.usable, Owner(RowKind.STOCK, supply)
        have = program.stock.get(s, _ZERO) * usable
        if supply.offer is None:
            low = None if wanted.alone else have if supply.lot.use_up else supply.lot.use_at_least_kg * usable or None
            if low is not None or most > have:
                model.row(columns, ones(len(columns)), low, have, owner)
            rest = asked_remnant(program, supply)
            if rest and len(columns) and not wanted.alone:
                _remnant(model, columns, have, rest * usable)
            continue
        late = supply.order_by < wanted.not_before or s in wanted.settled
        worth_buying = most / usable + _beyond_use(program, supply)
        buy = None if late else _buy(program, s, worth_buying, wanted.ordered.get(s, _ZERO))
        bought = () if buy is None else buy.columns
        if buy is not None:
            program.buys[s] = buy
            drops[supply.drop].append(buy)
        if bought or len(columns):
            coefs = ones(len(columns)).joined(Vector.of(-usable * (buy.unit if buy else _ZERO) for _ in bought))
            model.row([*columns.tolist(), *bought], coefs, None, have, owner)
    for key, buys in drops.items():
        _drop(program, key, buys, charged=key in wanted.charged)


def asked_remnant(program: WeekProgram, supply: Supply) -> Fraction:
    """The least that an opened lot must be left with where somebody asks for it, kilograms as held."""
    if supply.lot.use_up:
        return _ZERO
    return program.remnant if supply.lot.smallest_remnant_kg is None else supply.lot.smallest_remnant_kg


def _remnant(model: Model, columns: Places, have: Fraction, rest: Fraction) -> None:
    """Of an opened lot all is used, or at least so much is left; two divisions more for the scales."""
    emptied, both = model.column(_ZERO, _ONE, whole=True), ones(len(columns))
    most = max(have - rest - 2 * DIVISION_KG, _ZERO) if have > rest else _ZERO  # unopened, where it has no more
    places = np.append(columns, emptied)
    model.row(places, both.joined(Vector.of([most - have])), None, most)
    model.row(places, both.joined(Vector.of([-have])), _ZERO, None)


def _beyond_use(program: WeekProgram, supply: Supply) -> Fraction:
    """Kilograms worth buying though no batch uses them: closing stock, and what a supplier's minimum may need."""
    entry = program.world.week.entry
    closing = sum((c.kg for c in entry.kitchen.closing if c.material == supply.lot.material), _ZERO)
    offer, period = supply.offer, supply.period
    assert offer is not None and period is not None
    return closing + (offer.terms.supplier_minimum / period.lowest if period.lowest else _ZERO)


def _buy(program: WeekProgram, s: int, most: Fraction, before: Fraction) -> Buy | None:
    """Columns for one offer on one day of delivery; None where it cannot be bought."""
    supply, model = program.world.supplies[s], program.model
    offer = supply.offer
    assert offer is not None
    assert supply.period is not None
    parts = offer.stretches(supply.period, most, before)
    if not parts:
        return None
    unit = offer.terms.pack_kg or _ONE
    choose = len(parts) > 1 or parts[0].lo > 0 or parts[0].fixed != 0
    columns, choices = [], []
    kept = program.world.holding * supply.nights - supply.worth
    for part in parts:
        cost = (part.price + kept) * unit
        at = model.column(cost, part.hi / unit, whole=offer.terms.pack_kg is not None)
        columns.append(at)
        if choose:
            z = model.column(part.fixed, _ONE, whole=True)
            choices.append(z)
            model.rows.extend(none_or({at: _ONE}, Span(part.lo / unit, part.hi / unit), z))
    return Buy(s, unit, tuple(columns), tuple(choices), parts)


def _drop(program: WeekProgram, key: tuple[str, int], buys: Sequence[Buy], *, charged: bool) -> None:
    """A supplier's delivery charge and minimum on one day, and one price segment an offer."""
    model, world = program.model, program.world
    offer = world.supplies[buys[0].supply].offer
    assert offer is not None
    drop = None
    if (offer.terms.delivery_charge or offer.terms.supplier_minimum) and not charged:
        drop = model.column(offer.terms.delivery_charge, _ONE, whole=True)
    terms, with_drop = list[tuple[int, Fraction]](), [] if drop is None else [drop]
    for buy in buys:
        if buy.choices:
            signs = [1] * len(buy.choices) + [-1] * len(with_drop)
            model.row([*buy.choices, *with_drop], signs, hi=_ONE - len(with_drop))
        elif drop is not None:
            for column, part in zip(buy.columns, buy.segments, strict=True):
                model.row([column, drop], [_ONE, -part.hi / buy.unit], hi=_ZERO)
        terms += [(c, p.price * buy.unit) for c, p in zip(buy.columns, buy.segments, strict=True)]
        terms += [(c, p.fixed) for c, p in zip(buy.choices, buy.segments, strict=False) if p.fixed]
    if drop is not None and offer.terms.supplier_minimum:
        columns, coefs = [c for c, _ in terms], [a for _, a in terms]
        model.row([*columns, drop], [*coefs, -offer.terms.supplier_minimum], lo=_ZERO)
