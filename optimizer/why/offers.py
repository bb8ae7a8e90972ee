"""Offers not yet bought: reading their table, the most to pay for each and how many kilograms at that price.

The table has the columns of a lots table. Its name column is ``offer`` or ``lot``; the price (``cost_per_kg`` or
``price_per_kg``) and the kilograms offered (``on_hand_kg``, ``offered_kg`` or ``largest_order_kg``) may be blank or
missing. Every cell is judged by the very reader of lots tables.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.document import read_text
from constraints.faults import BadInput, Fault
from constraints.ingredients import Lot
from optimizer.bench.rows import layout_for
from optimizer.problem import Order, Problem, assemble
from optimizer.reading.lots import LotTable, parse_lots
from optimizer.reading.recipe import Recipe, WhenMissing
from optimizer.reading.table import Table, cut
from optimizer.solver.model import Program
from optimizer.solver.program import Layout
from optimizer.why.ground import Ground, Means
from optimizer.why.lots import Line, Market, PerHeld, kinks, worth

_ZERO = Fraction(0)
_FILLED_PRICE, _FILLED_KG = "1", "1"
NAMES = {
    "lot": ("offer", "lot"),
    "cost_per_kg": ("price_per_kg", "cost_per_kg"),
    "on_hand_kg": ("offered_kg", "largest_order_kg", "on_hand_kg"),
    "pack_kg": ("order_pack_kg", "pack_kg"),
    "smallest_pull_kg": ("smallest_order_kg", "smallest_pull_kg"),
}
"""Columns of a lots table and the names they may have in a table of offers."""
PASSED_OVER = frozenset({
    "supplier", "price_from", "price_to", "breaks", "break_kind", "delivery_days", "lead_days", "delivery_charge",
    "keeps_days", "supplier_minimum", "worth_after_per_kg",
})  # fmt: skip
"""Columns about buying over several days, which one batch does not ask for."""


@dataclass(frozen=True, eq=False)
class Offered:
    """A lot on offer. ``price`` is money per kilogram as held, None where none is asked yet; ``limited`` says whether
    the kilograms of the lot are the offer's own or simply as many as the batch can take.
    """

    lot: Lot
    price: Fraction | None
    limited: bool


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


def read_offers(path: str, lots: LotTable) -> OfferedTable:
    """Read the offers file at ``path``. Raises BadInput with every fault of it."""
    return parse_offers(read_text(path), path, lots)


def parse_offers(text: str, file: str, lots: LotTable) -> OfferedTable:
    """Read an offers table from text; an offer may not have the name of a lot at hand. Raises BadInput."""
    table, found = cut(text, file)
    if table is None:
        raise BadInput(found)
    faults = [*found, *_header_faults(table, file)]
    if faults:
        raise BadInput(faults)
    head = {name: _lot_name(name) for name in table.header if name and name not in PASSED_OVER}
    back = {new: old for old, new in head.items()}
    filled = [name for name in ("cost_per_kg", "on_hand_kg") if name not in back]
    blank: dict[str, set[int]] = {"cost_per_kg": set(), "on_hand_kg": set()}
    lines = {table.header_line: _csv_line([*head.values(), *_wanted(filled, head)], table.delimiter)}
    for row, line in zip(table.rows, table.lines, strict=True):
        cells = dict(zip(table.header, (cell.strip() for cell in row), strict=True))
        typed = {new: cells[old] for old, new in head.items()}
        for name, filler in (("cost_per_kg", _FILLED_PRICE), ("on_hand_kg", _FILLED_KG)):
            if not typed.get(name) and not _in_pounds(name, typed):
                blank[name].add(line)
                typed[name] = filler
        lines[line] = _csv_line([typed[n] for n in [*head.values(), *_wanted(filled, head)]], table.delimiter)
    text = "\n".join(lines.get(n, "") for n in range(1, max(lines) + 1))
    try:
        read = parse_lots(text, file)
    except BadInput as error:
        raise BadInput([_renamed(fault, back) for fault in error.faults]) from None
    clashes = {lot.name for lot in lots.lots}
    faults = [
        Fault(file, lot.line, back["lot"], f"{lot.name!r} is the name of a lot at hand in {lots.file}", "another name")
        for lot in read.lots
        if lot.name in clashes
    ]
    if faults:
        raise BadInput(faults)
    told = [f for f in read.warnings if str(f.column) not in blank or f.line not in blank[str(f.column)]]
    return OfferedTable(file, tuple(_offered(lot, blank) for lot in read.lots), tuple(_renamed(f, back) for f in told))


def _offered(lot: Lot, blank: Mapping[str, set[int]]) -> Offered:
    asked = lot.line not in blank["cost_per_kg"]
    price = lot.held_cost_per_kg if asked else None
    if not asked:
        lot = replace(lot, cost_per_kg=_ZERO, held_cost_per_kg=_ZERO)
    return Offered(replace(lot, suspicions=()), price, lot.line not in blank["on_hand_kg"])


def _in_pounds(name: str, typed: Mapping[str, str]) -> bool:
    return bool(typed.get(name.replace("_kg", "_lb")))


def _wanted(filled: Sequence[str], head: Mapping[str, str]) -> list[str]:
    """Columns added because the table has none; not beside the same figure in pounds, which every row then states."""
    return [name for name in filled if name.replace("_kg", "_lb") not in head.values()]


def _lot_name(name: str) -> str:
    return next((known for known, names in NAMES.items() if name in names), name)


def _renamed(fault: Fault, back: Mapping[str, str]) -> Fault:
    return replace(fault, column=back.get(str(fault.column), fault.column))


def _csv_line(cells: Sequence[str], delimiter: str) -> str:
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator="").writerow(cells)
    return text.getvalue().replace("\n", " ")


def _header_faults(table: Table, file: str) -> Iterator[Fault]:
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


def offer_worths(
    ground: Ground | None, recipe: Recipe, lots: LotTable, offers: Sequence[Offered], order: Order
) -> tuple[OfferWorth, ...]:
    """What each offer alone is worth, in the order of its table; without a ground no batch exists without offers."""
    return tuple(offers_valued(ground, recipe, lots, offers, order))


def offers_valued(
    ground: Ground | None, recipe: Recipe, lots: LotTable, offers: Sequence[Offered], order: Order
) -> Iterator[OfferWorth]:
    """What each offer alone is worth, one after the other. Raises OutOfTime on the way."""
    if not offers:
        return
    problem = with_offers(recipe, lots, offers, order)
    layout, _ = layout_for(problem)
    why = {out.lot.name: out.why for out in problem.left_out}
    columns = {column.name: j for j, column in enumerate(problem.formula.columns)}
    taken = {offer.lot.name for offer in offers}
    for offer in offers:
        name = offer.lot.name
        means = Means.SOLVED_AGAIN if layout.program.whole else Means.EXACT
        if name not in columns:
            yield OfferWorth(offer, means, possible=False, left_out=why.get(name, "may not go in"))
            continue
        others = [columns[other] for other in taken - {name} if other in columns]
        alone = without_columns(layout.program, others)
        yield _worth(problem, replace(layout, program=alone), columns[name], offer, means, ground)


def without_columns(program: Program, columns: Sequence[int]) -> Program:
    """The program with nothing of these columns."""
    gone = set(columns)
    variables = tuple(replace(v, hi=_ZERO) if j in gone else v for j, v in enumerate(program.variables))
    return Program(variables, program.rows)


def _worth(problem: Problem, layout: Layout, j: int, offer: Offered, means: Means, ground: Ground | None) -> OfferWorth:
    lot = problem.formula.columns[j]
    assert isinstance(lot, Lot)
    scale = PerHeld(problem, lot, layout.units[j])
    floor = scale.cost(_ZERO)
    market = Market(layout.program, j, None, floor)
    first = market.best(floor)
    if first is None:
        return OfferWorth(offer, means, possible=False)
    value = worth(market, floor, None if ground is None else ground.cost)
    if value.price is None:
        return _asked(OfferWorth(offer, means, None, scale.kg(value.amount), value.needed), market, scale, ground)
    lines = kinks(market, floor, value.price)
    steps = tuple(_steps(lines, value.price, scale))
    answer = OfferWorth(offer, means, scale.money(value.price), scale.kg(value.amount), steps=steps)
    return _asked(answer, market, scale, ground)


def _steps(
    lines: Sequence[tuple[Fraction, Line]], top: Fraction, scale: PerHeld
) -> Iterator[tuple[Fraction, Fraction]]:
    """Price and kilograms wanted just below it, the highest price first."""
    ends = [start for start, _ in lines[1:]] + [top]
    for end, (start, line) in sorted(zip(ends, lines, strict=True), key=lambda pair: -pair[0]):
        if end > start and line.amount:
            yield scale.money(end) or _ZERO, scale.kg(line.amount)


def _asked(answer: OfferWorth, market: Market, scale: PerHeld, ground: Ground | None) -> OfferWorth:
    if answer.offer.price is None:
        return answer
    cost = scale.cost(answer.offer.price)
    line = market.best(cost)
    if line is None:
        return answer
    saving = None if ground is None else ground.cost - line.at(cost)
    return replace(answer, kg_asked=scale.kg(line.amount), saving=saving, cost_asked=line.at(cost))
