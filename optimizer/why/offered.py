"""Offers not yet bought: reading their table, the most to pay for each and how many kilograms at that price.

The offers table of a week is read by the week's own reader; of its price periods the one of the batch's day counts. A
simpler table has the columns of a lots table. Its name column is ``offer`` or ``lot``; the price (``cost_per_kg``)
and the kilograms offered (``on_hand_kg``, ``offered_kg`` or ``largest_order_kg``) may be blank or
missing. Every cell is judged by the very reader of lots tables.

What is ordered comes in whole order packs and not below the smallest order; what is used of it may be any part.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil

from constraints.document import read_text
from constraints.faults import BadInput, Fault
from constraints.ingredients import Lot
from constraints.numbers import NotANumber, trimmed
from constraints.stock import Tidy
from optimizer.bench.rows import layout_for
from optimizer.order import Order
from optimizer.problem import Problem, assemble
from optimizer.reading.columns import OTHER_WORDS
from optimizer.reading.entry import WhenMissing
from optimizer.reading.lots import LotTable, parse_lots
from optimizer.reading.offer_columns import NEEDED, NOT_HERE, OWN, PRICE, BreakKind
from optimizer.reading.offers import Offer, Stretch
from optimizer.reading.offers import parse_offers as parse_week_offers
from optimizer.reading.recipe import Recipe
from optimizer.reading.table import Table, csv_line, cut, figure, has_decimal_commas
from optimizer.solver.model import Program
from optimizer.solver.program import holds_of
from optimizer.why.ground import Means, all_keep, imposing
from optimizer.why.lots import SHARES, Line, Market, PerHeld, amounts, entry, kinks, worth
from optimizer.why.stand import Curved, curved_of

_ZERO = Fraction(0)
_FILLED_PRICE, _FILLED_KG = "1", "1"
_HAIR = Fraction(1, 10**6)
"""Part of a pack too small to order another for: less than a solve's error."""
NAMES = {
    "lot": ("offer", "lot"),
    "on_hand_kg": ("offered_kg", "largest_order_kg", "on_hand_kg"),
}
"""Columns of a lots table and the names they may have in a table of offers."""
PASSED_OVER = frozenset(OWN) - {"offer", "largest_order_kg"}
"""Columns about ordering, which a lots table does not have."""


@dataclass(frozen=True, eq=False)
class Offered:
    """A lot on offer. ``price`` is money per kilogram as held, None where none is asked yet; ``limited`` says whether
    the kilograms of the lot are the offer's own or simply as many as the batch can take.

    ``pack`` and ``smallest`` are kilograms that an order comes in and that it is at least; ``breaks`` are lower prices
    for kilograms ordered from so many on, for all of them or, with ``beyond``, for those beyond. ``uncounted`` names
    what else the offer states and its worth to one batch does not count.
    """

    lot: Lot
    price: Fraction | None
    limited: bool
    pack: Fraction | None = None
    smallest: Fraction = _ZERO
    breaks: tuple[tuple[Fraction, Fraction], ...] = ()
    beyond: bool = False
    uncounted: tuple[str, ...] = ()

    def ordered(self, kg: Fraction) -> Fraction:
        """Kilograms to order so that so many can be used."""
        if not kg:
            return kg
        least = max(kg, self.smallest)
        return least if self.pack is None else ceil(least / self.pack - _HAIR) * self.pack

    def pays(self, kg: Fraction) -> Fraction | None:
        """Money for so many kilograms ordered; None where no price is asked."""
        if self.price is None:
            return None
        return Stretch.paid(Stretch.ladder(self.price, self.breaks, beyond=self.beyond), kg)


@dataclass(frozen=True)
class OfferedTable:
    """The offers of one file in file order."""

    file: str
    offers: tuple[Offered, ...]
    warnings: tuple[Fault, ...]


@dataclass(frozen=True)
class OfferWorth:
    """What an offer is worth to this batch, money per kilogram as held and kilograms as held.

    ``most`` is the most to pay, ``kg`` how many kilograms at that price (just below it), ``steps`` the kilograms wanted
    below each price, the highest first. ``most`` None: with ``needed`` no batch exists without it, so any price is
    better than none; else it is of no use even for nothing. At the price asked ``kg_asked`` are bought and ``saving``
    is saved. ``left_out`` says why it may not go in.
    """

    offer: Offered
    means: Means
    most: Fraction | None = None
    kg: Fraction = _ZERO
    needed: bool = False
    possible: bool = True
    steps: tuple[tuple[Fraction, Fraction], ...] = ()
    kg_asked: Fraction | None = None
    saving: Fraction | None = None
    cost_asked: Fraction | None = None
    left_out: str = ""

    @property
    def order(self) -> Fraction | None:
        """Kilograms to order for what is bought at the price asked."""
        return None if self.kg_asked is None else self.offer.ordered(self.kg_asked)

    @property
    def order_costs(self) -> Fraction | None:
        """Money for that order."""
        return None if self.order is None else self.offer.pays(self.order)


def read_offers(path: str, lots: LotTable, day: date) -> OfferedTable:
    """Read the offers file at ``path``. Raises BadInput with every fault of it."""
    return parse_offers(read_text(path), path, lots, day)


def parse_offers(text: str, file: str, lots: LotTable, day: date) -> OfferedTable:
    """Read an offers table from text, prices as on a day of delivery; an offer may not have the name of a lot at hand.

    Raises BadInput.
    """
    table, found = cut(text, file)
    if table is None:
        raise BadInput(found)
    known = set(table.header) | ({"cost_per_kg"} if set(PRICE) & set(table.header) else set())
    if set(NEEDED) <= known and not {*NOT_HERE, "offered_kg"} & known:
        week = parse_week_offers(text, file)
        _refuse_clashes([(offer.name, offer.line) for offer in week.offers], "offer", file, lots)
        return OfferedTable(file, tuple(_of_week(offer, day) for offer in week.offers), week.warnings)
    faults = [*found, *_header_faults(table, file)]
    if faults:
        raise BadInput(faults)
    head = {name: _lot_name(name) for name in table.header if name and name not in PASSED_OVER}
    back = {new: old for old, new in head.items()}
    filled = [name for name in ("cost_per_kg", "on_hand_kg") if name not in back]
    blank: dict[str, set[int]] = {"cost_per_kg": set(), "on_hand_kg": set()}
    lines = {table.header_line: csv_line([*head.values(), *_wanted(filled, head)], table.delimiter)}
    for row, line in zip(table.rows, table.lines, strict=True):
        cells = dict(zip(table.header, (cell.strip() for cell in row), strict=True))
        typed = {new: cells[old] for old, new in head.items()}
        for name, filler in (("cost_per_kg", _FILLED_PRICE), ("on_hand_kg", _FILLED_KG)):
            if not typed.get(name) and not _in_pounds(name, typed):
                blank[name].add(line)
                typed[name] = filler
        lines[line] = csv_line([typed[n] for n in [*head.values(), *_wanted(filled, head)]], table.delimiter)
    text = "\n".join(lines.get(n, "") for n in range(1, max(lines) + 1))
    try:
        read = parse_lots(text, file)
    except BadInput as error:
        raise BadInput([_renamed(fault, back) for fault in error.faults]) from None
    _refuse_clashes([(lot.name, lot.line) for lot in read.lots], back["lot"], file, lots)
    orders = _orders(table, file)
    told = [f for f in read.warnings if str(f.column) not in blank or f.line not in blank[str(f.column)]]
    offers = tuple(_offered(lot, blank, *orders.get(lot.line, (None, None))) for lot in read.lots)
    return OfferedTable(file, offers, tuple(_renamed(f, back) for f in told))


def _refuse_clashes(names: Sequence[tuple[str, int]], column: str, file: str, lots: LotTable) -> None:
    known = {lot.name for lot in lots.lots}
    faults = [
        Fault(file, line, column, f"{name!r} is the name of a lot at hand in {lots.file}", "another name")
        for name, line in names
        if name in known
    ]
    if faults:
        raise BadInput(faults)


def _of_week(offer: Offer, day: date) -> Offered:
    """An offer of a week as it stands on one day; without a price where none is in force then."""
    open_on = [period for period in offer.periods if period.covers(day)]
    period = open_on[0] if open_on else None
    uncounted = []
    if period is None:
        uncounted.append(f"no price is in force on {day.isoformat()}")
    terms = offer.terms
    if terms.delivery_charge:
        uncounted.append(f"a delivery charge of {trimmed(terms.delivery_charge)}")
    if terms.supplier_minimum:
        uncounted.append(f"the supplier's minimum of {trimmed(terms.supplier_minimum)}")
    if terms.lead_days:
        uncounted.append(f"delivery {terms.lead_days} day{'' if terms.lead_days == 1 else 's'} after the order")
    largest = terms.largest_order_kg
    lot = offer.lot if largest is None else replace(offer.lot, on_hand_kg=largest)
    return Offered(
        replace(lot, suspicions=()), None if period is None else period.price, largest is not None, terms.pack_kg,
        terms.smallest_order_kg, () if period is None else period.breaks,
        terms.break_kind is BreakKind.INCREMENTAL, tuple(uncounted),
    )  # fmt: skip


def _orders(table: Table, file: str) -> dict[int, tuple[Fraction | None, Fraction | None]]:
    """Order pack and smallest order by line, None where a cell is blank. Raises BadInput."""
    found: dict[int, list[Fraction | None]] = {line: [None, None] for line in table.lines}
    faults = []
    for k, name in enumerate(("pack_kg", "smallest_order_kg")):
        if name not in table.header:
            continue
        cells = table.cells(name)
        commas = table.delimiter != "," and has_decimal_commas(cells)
        for line, cell in zip(table.lines, cells, strict=True):
            try:
                value = figure(cell, commas) if cell else None
            except NotANumber as error:
                faults.append(Fault(file, line, name, str(error), "a plain number such as 24.5, or blank"))
                continue
            if value is not None and value <= 0:
                faults.append(Fault(file, line, name, f"{name} is {cell}", "above 0, or blank"))
            found[line][k] = value
    if faults:
        raise BadInput(faults)
    return {line: (pack, smallest) for line, (pack, smallest) in found.items()}


def _offered(lot: Lot, blank: Mapping[str, set[int]], pack: Fraction | None, smallest: Fraction | None) -> Offered:
    asked = lot.line not in blank["cost_per_kg"]
    price = lot.held_cost_per_kg if asked else None
    if not asked:
        lot = replace(lot, cost_per_kg=_ZERO, held_cost_per_kg=_ZERO)
    limited = lot.line not in blank["on_hand_kg"]
    return Offered(replace(lot, suspicions=()), price, limited, pack, smallest or _ZERO)


def _in_pounds(name: str, typed: Mapping[str, str]) -> bool:
    return bool(typed.get(name.replace("_kg", "_lb")))


def _wanted(filled: Sequence[str], head: Mapping[str, str]) -> list[str]:
    """Columns added because the table has none; not beside the same figure in pounds, which every row then states."""
    return [name for name in filled if name.replace("_kg", "_lb") not in head.values()]


def _lot_name(name: str) -> str:
    return next((known for known, names in NAMES.items() if name in names), name)


def _renamed(fault: Fault, back: Mapping[str, str]) -> Fault:
    return replace(fault, column=back.get(str(fault.column), fault.column))


def _header_faults(table: Table, file: str) -> Iterator[Fault]:
    for name in (name for name in table.header if name in OTHER_WORDS):
        yield Fault(file, table.header_line, name, f"an offer has no column {name}", NOT_HERE[name])
    for known, names in NAMES.items():
        given = [name for name in names if name in table.header]
        if len(given) > 1:
            found = f"both {given[0]} and {given[1]} are given"
            yield Fault(file, table.header_line, given[1], found, "one of the two")
        if known == "lot" and not given:
            listed = ", ".join(filter(None, table.header))
            yield Fault(file, table.header_line, "offer", "a column offer is missing", f"the header has {listed}")
    for name in sorted({n for n in table.header if n and table.header.count(n) > 1}):
        yield Fault(file, table.header_line, name, f"column {name!r} stands twice", "each column once")


def with_offers(recipe: Recipe, lots: LotTable, offers: Sequence[Offered], order: Order) -> Problem:
    """The problem with every offer among the lots; one that lacks a figure is left out by name."""
    eligible = recipe.entry.eligible.model_copy(update={"if_missing": WhenMissing.LEAVE_OUT})
    lenient = replace(recipe, entry=recipe.entry.model_copy(update={"eligible": eligible}))
    ceiling = order.kilograms + order.within_kg
    added = []
    for offer in offers:
        plenty = ceiling / offer.lot.usable
        added.append(offer.lot if offer.limited else replace(offer.lot, on_hand_kg=plenty))
    return assemble(lenient, replace(lots, lots=(*lots.lots, *added)), order)


def offers_valued(
    cost: Fraction | None,
    recipe: Recipe,
    lots: LotTable,
    offers: Sequence[Offered],
    order: Order,
    kept: Tidy | None = None,
    *,
    whole: bool = False,
) -> Iterator[OfferWorth]:
    """What each offer alone is worth, one after the other; ``cost`` is the least without it (None: no batch).

    ``kept`` are the pulls and remnants that every batch is to keep; ``whole`` where the batch needs rows for them.
    Raises OutOfTime on the way.
    """
    if not offers:
        return
    free = with_offers(recipe, lots, offers, order)
    tidy = free if kept is None else imposing(free, kept)
    why = {out.lot.name: out.why for out in free.left_out}
    columns = {column.name: j for j, column in enumerate(free.formula.columns)}
    taken = {columns[offer.lot.name] for offer in offers if offer.lot.name in columns}
    holds, units = holds_of(tidy), layout_for(free).units
    programs = [curved_of(problem) for problem in ([tidy] if whole or kept is None else [free, tidy])]
    for offer in offers:
        j = columns.get(offer.lot.name)
        if j is None:
            means = _means(programs[0])
            yield OfferWorth(offer, means, possible=False, left_out=why.get(offer.lot.name, "may not go in"))
            continue
        lot = free.formula.columns[j]
        assert isinstance(lot, Lot)
        scale = PerHeld(free, lot, units[j])
        for program in programs:
            market = Market(_without(program, taken - {j}), j, scale.cost(_ZERO), cost or _ZERO)
            told = _worth(market, scale, OfferWorth(offer, _means(program)), cost)
            if all(all_keep(holds, units, line.batch, about=bool(program.cones)) for line in market.quoted):
                break
        yield told


def _means(program: Curved) -> Means:
    return Means.CHANGED if program.cones else Means.SOLVED_AGAIN if program.program.whole else Means.EXACT


def _without(curved: Curved, columns: set[int]) -> Curved:
    """The program with nothing of these columns."""
    program = curved.program
    variables = tuple(replace(v, hi=_ZERO) if k in columns else v for k, v in enumerate(program.variables))
    return Curved(Program(variables, program.rows), curved.cones)


def _worth(market: Market, scale: PerHeld, told: OfferWorth, cost: Fraction | None) -> OfferWorth:
    """What one offer is worth."""
    if market.best(market.floor) is None:
        return replace(told, possible=False)
    bare = market.bare() if market.free.cones and cost is not None else None
    value = worth(market, market.floor, cost) if bare is None else entry(market, bare, market.floor)
    told = replace(told, most=scale.money(value.price), kg=scale.kg(value.amount), needed=value.needed)
    if value.price is not None and told.most is not None:
        if market.free.cones:
            told = replace(told, steps=((told.most, told.kg), *_more_below(market, scale, told.most)))
        else:
            lines = kinks(market, market.floor, value.price)
            market.quoted += [line for _, line in lines if line.amount]
            told = replace(told, steps=tuple(_steps(lines, value.price, scale)))
    return _asked(told, market, scale, cost)


def _more_below(market: Market, scale: PerHeld, most: Fraction) -> Iterator[tuple[Fraction, Fraction]]:
    """Prices below the most to pay, and the kilograms wanted at each, as held; only where they are more."""
    before = _ZERO
    for price, kg in amounts(market, scale, scale.cost(most), SHARES):
        if kg > before * Fraction(101, 100):
            before = kg
            yield price, kg


def _steps(
    lines: Sequence[tuple[Fraction, Line]], top: Fraction, scale: PerHeld
) -> Iterator[tuple[Fraction, Fraction]]:
    """Price and kilograms wanted just below it, the highest price first."""
    ends = [start for start, _ in lines[1:]] + [top]
    for end, (start, line) in sorted(zip(ends, lines, strict=True), key=lambda pair: -pair[0]):
        if end > start and line.amount:
            yield scale.money(end) or _ZERO, scale.kg(line.amount)


def _asked(told: OfferWorth, market: Market, scale: PerHeld, without: Fraction | None) -> OfferWorth:
    """What of an offer is bought at the price asked, and what that saves; nothing where that is too little to tell."""
    cost = None if told.offer.price is None else scale.cost(told.offer.price)
    line = None if cost is None else market.best(cost)
    market.quoted += [line] if line is not None else []
    if line is None or cost is None:
        return told
    saving = None if without is None else max(_ZERO, without - line.at(cost))
    bought = scale.kg(line.amount) if saving is None or saving >= market.slack else _ZERO
    return replace(told, kg_asked=bought, saving=saving, cost_asked=line.at(cost))
