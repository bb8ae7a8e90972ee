"""The offers table: what suppliers sell, at what price, in what packs, and when they bring it.

The columns that an offer shares with a lot (material, species, composition and the like) are read by the very reader of
lots tables, so that every check of a lot is one of an offer. A further row of the same offer states another price
period and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor

from constraints.document import read_text
from constraints.faults import BadInput, Fault, Severity, nearest
from constraints.ingredients import Lot
from constraints.numbers import NotANumber, trimmed
from constraints.spelling import hidden, unprintable
from optimizer.plan.files.ladder import Stretch
from optimizer.reading.lots import parse_lots
from optimizer.reading.offer_columns import NEEDED, NOT_HERE, OFFER_COLUMNS, OWN, PERIOD, BreakKind
from optimizer.reading.table import Table, csv_line, cut, figure, has_decimal_commas

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
FIGURES = tuple(c.name for c in OFFER_COLUMNS if c.unit not in ("", "date"))
BORROWED = {"offer": "lot", "price_per_kg": "cost_per_kg"}
"""Columns under the name that a lots table has for them."""
_NO_MONEY = Fraction(0)
MOST_DAYS = 3650
"""Most days of lead or of keeping: ten years; more is a slip."""
PLENTY = 1_000_000
"""Kilograms on offer where no largest order is stated: beyond any kitchen."""


@dataclass(frozen=True)
class Period:
    """A price for deliveries from a day to a day (None: open), with breaks as (from kg, price per kg)."""

    first: date | None
    last: date | None
    price: Fraction
    breaks: tuple[tuple[Fraction, Fraction], ...] = ()

    @property
    def lowest(self) -> Fraction:
        """The lowest price of any quantity."""
        return min([self.price, *(price for _, price in self.breaks)])

    def covers(self, day: date) -> bool:
        """True where the price holds on this day of delivery."""
        return (self.first is None or self.first <= day) and (self.last is None or day <= self.last)


@dataclass(frozen=True, eq=False)
class Offer:
    """What a supplier sells. ``lot`` carries material and composition; kilograms are as held, money as in the table.

    ``largest`` is None where nothing limits an order; ``keeps_days`` None where it keeps beyond any horizon.
    """

    name: str
    supplier: str
    lot: Lot
    periods: tuple[Period, ...]
    kind: BreakKind
    pack: Fraction | None
    smallest: Fraction
    largest: Fraction | None
    lead_days: int
    weekdays: frozenset[int]
    charge: Fraction
    minimum: Fraction
    keeps_days: int | None
    worth_after: Fraction
    line: int

    def period(self, day: date) -> Period | None:
        """The price in force for a delivery on this day; None where nothing is delivered at any price."""
        if day.weekday() not in self.weekdays:
            return None
        return next((period for period in self.periods if period.covers(day)), None)

    def ladder(self, period: Period) -> list[Stretch]:
        """Its prices by kilograms ordered."""
        return Stretch.ladder(period.price, period.breaks, beyond=self.kind is BreakKind.INCREMENTAL)

    def stretches(self, period: Period, most: Fraction, before: Fraction = Fraction(0)) -> tuple[Stretch, ...]:
        """What may be ordered, up to the largest order worth giving; ``before`` was ordered already."""
        ladder = self.ladder(period)
        top = max(most, self.smallest, ladder[-1].lo)
        if self.pack is not None:
            top = ceil(top / self.pack) * self.pack
        if self.largest is not None:
            top = min(top, self.largest - before)
        found = []
        for k, part in enumerate(ladder):
            lo, hi = max(part.lo, self.smallest), min(part.hi if k + 1 < len(ladder) else top, top)
            if self.pack is not None:
                lo, hi = ceil(lo / self.pack) * self.pack, floor(hi / self.pack) * self.pack
            if hi >= lo and hi > 0:
                found.append(replace(part, lo=lo, hi=hi))
        return tuple(found)

    def use_by(self, delivered: date) -> date | None:
        """Last day of use of what is delivered on a day."""
        return None if self.keeps_days is None else delivered + timedelta(days=self.keeps_days)


@dataclass(frozen=True)
class OfferTable:
    """The offers of one file in file order."""

    file: str
    offers: tuple[Offer, ...]
    warnings: tuple[Fault, ...]


def read_offers(path: str) -> OfferTable:
    """Read the offers file at ``path``. Raises BadInput with every fault of it."""
    return parse_offers(read_text(path), path)


def parse_offers(text: str, file: str) -> OfferTable:
    """Read an offers table from text. Raises BadInput with every fault."""
    table, found = cut(text, file)
    if table is None:
        raise BadInput(found)
    faults = [*found, *_header_faults(table, file)]
    if faults:
        raise BadInput(faults)
    commas = table.delimiter != "," and has_decimal_commas(
        cell for name in FIGURES if name in table.header for cell in table.cells(name)
    )
    rows = [
        _Row(file, line, dict(zip(table.header, (cell.strip() for cell in row), strict=True)), commas)
        for row, line in zip(table.rows, table.lines, strict=True)
    ]
    groups: dict[str, list[_Row]] = {}
    for row in rows:
        supplier = row.typed.get("supplier", "")
        if unprintable(supplier):
            faults.append(row.fault("supplier", f"{supplier!r} holds {hidden(supplier)}", "a name as it is seen"))
        groups.setdefault(row.typed["offer"], []).append(row)
    lots, warnings = _lots(table, groups, file, faults)
    offers = [offer for name, group in groups.items() if (offer := _offer(name, group, lots, faults)) is not None]
    faults += _supplier_faults(offers, file)
    if faults:
        raise BadInput(sorted(faults, key=lambda fault: fault.line or 0))
    return OfferTable(file, tuple(offers), warnings)


@dataclass(frozen=True)
class _Row:
    """One row as typed."""

    file: str
    line: int
    typed: Mapping[str, str]
    commas: bool

    def number(self, name: str, faults: list[Fault], default: Fraction | None = None) -> Fraction | None:
        """A figure of 0 or more; the default where the cell is blank."""
        cell = self.typed.get(name, "")
        if not cell:
            return default
        try:
            value = figure(cell, self.commas)
        except NotANumber as error:
            faults.append(self.fault(name, str(error), "a plain number such as 24.5"))
            return default
        if value < 0:
            faults.append(self.fault(name, f"{name} is {cell}", "0 or more"))
        return value

    def whole(self, name: str, faults: list[Fault]) -> int | None:
        """A whole number of 0 or more, None where the cell is blank."""
        value = self.number(name, faults)
        if value is not None and value.denominator != 1:
            faults.append(self.fault(name, f"{name} is {self.typed[name]}", "a whole number of days"))
        if value is not None and value > MOST_DAYS:
            faults.append(self.fault(name, f"{name} is {self.typed[name]}", f"at most {MOST_DAYS} days"))
            return MOST_DAYS
        return None if value is None else int(value)

    def day(self, name: str, faults: list[Fault]) -> date | None:
        """A date, None where the cell is blank."""
        cell = self.typed.get(name, "")
        if not cell:
            return None
        try:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell, re.ASCII):
                raise ValueError
            return date.fromisoformat(cell)
        except ValueError:
            faults.append(self.fault(name, f"{cell!r} is not a date as it is written here", "YYYY-MM-DD"))
            return None

    def fault(self, column: str, found: str, allowed: str) -> Fault:
        """A fault of this row."""
        return Fault(self.file, self.line, column, found, allowed)


def _header_faults(table: Table, file: str) -> Iterator[Fault]:
    for name in NEEDED:
        if name not in table.header:
            listed = ", ".join(filter(None, table.header))
            yield Fault(file, table.header_line, name, f"a column {name} is missing", f"the header has {listed}")
    for name in sorted({n for n in table.header if n and table.header.count(n) > 1}):
        yield Fault(file, table.header_line, name, f"column {name!r} stands twice", "each column once")
    for name in table.header:
        if name in NOT_HERE:
            hint = {"pack_kg": "write order_pack_kg", "cost_per_kg": "write price_per_kg", "lot": "write offer"}
            yield Fault(file, table.header_line, name, f"an offer has no column {name}", hint.get(name, "leave it out"))
        elif name and name not in OWN and (close := nearest(name, OWN)):
            yield Fault(file, table.header_line, name, f"{name!r} is not a known column", f"did you mean {close}?")


def _lots(
    table: Table, groups: Mapping[str, Sequence[_Row]], file: str, faults: list[Fault]
) -> tuple[dict[str, Lot], tuple[Fault, ...]]:
    """The offers as lots, through the reader of lots tables; every row keeps its line so that faults have it."""
    shared = [name for name in table.header if name and name not in OWN]
    lines: dict[int, str] = {}
    if not groups:
        return {}, ()
    for name, (row, *_) in groups.items():
        cells = [name, row.typed["price_per_kg"], str(PLENTY), *(row.typed[key] for key in shared)]
        lines[row.line] = csv_line(cells, table.delimiter)
    head = csv_line([*BORROWED.values(), "on_hand_kg", *shared], table.delimiter)
    text = "\n".join([head if n == table.header_line else lines.get(n, "") for n in range(1, max(lines) + 1)])
    back = {new: old for old, new in BORROWED.items()}
    try:
        read = parse_lots(text, file)
    except BadInput as error:
        told = error.faults
        lots = {}
    else:
        told = read.warnings
        lots = {lot.name: lot for lot in read.lots}
    said = [replace(f, column=back.get(str(f.column), f.column)) for f in told if f.column != "on_hand_kg"]
    faults += [fault for fault in said if fault.severity is Severity.ERROR]
    return lots, tuple(fault for fault in said if fault.severity is Severity.WARNING)


def _offer(name: str, rows: Sequence[_Row], lots: Mapping[str, Lot], faults: list[Fault]) -> Offer | None:
    first = rows[0]
    before = len(faults)
    periods = tuple(period for row in rows if (period := _period(row, faults)) is not None)
    kind = first.typed.get("break_kind", "") or BreakKind.ALL_UNITS
    if kind not in tuple(BreakKind):
        faults.append(first.fault("break_kind", f"{kind!r} is no kind of price break", "all_units or incremental"))
    for row in rows[1:]:
        changed = [k for k, cell in row.typed.items() if k not in PERIOD and cell and cell != first.typed[k]]
        faults += [row.fault(k, f"{name!r} states another {k} than on line {first.line}", "the same") for k in changed]
    if not first.typed["supplier"]:
        faults.append(first.fault("supplier", "this cell is blank", "who sells it"))
    pack, largest = first.number("order_pack_kg", faults), first.number("largest_order_kg", faults)
    smallest = first.number("smallest_order_kg", faults, Fraction(0)) or Fraction(0)
    if pack == 0:
        faults.append(first.fault("order_pack_kg", "order_pack_kg is 0", "above 0, or blank"))
    if largest is not None and smallest > largest:
        faults.append(
            first.fault("smallest_order_kg", "the smallest order is above the largest", "at most the largest")
        )
    lowest = min((period.lowest for period in periods), default=_NO_MONEY)
    worth = first.number("worth_after_per_kg", faults, _NO_MONEY) or _NO_MONEY
    if worth > lowest:
        found = f"worth {trimmed(worth)} a kilogram when left over, yet sold at {trimmed(lowest)}"
        faults.append(first.fault("worth_after_per_kg", found, "at most the lowest price, or the plan would hoard"))
    salvage = lots[name].salvage_per_kg if name in lots else _NO_MONEY
    if salvage > lowest:
        found = f"salvage of {trimmed(salvage)} a kilogram, yet sold at {trimmed(lowest)}"
        faults.append(first.fault("salvage_per_kg", found, "at most the lowest price, or the plan would hoard"))
    faults += _overlaps(rows)
    lead, keeps = first.whole("lead_days", faults) or 0, first.whole("keeps_days", faults)
    weekdays = _weekdays(first, faults)
    charge = first.number("delivery_charge", faults, Fraction(0)) or Fraction(0)
    minimum = first.number("supplier_minimum", faults, Fraction(0)) or Fraction(0)
    if len(faults) > before or name not in lots:
        return None
    return Offer(
        name, first.typed["supplier"], lots[name], periods, BreakKind(kind), pack, smallest, largest,
        lead, weekdays, charge, minimum, keeps, worth, first.line,
    )  # fmt: skip


def _period(row: _Row, faults: list[Fault]) -> Period | None:
    price = row.number("price_per_kg", faults)
    first, last = row.day("price_from", faults), row.day("price_to", faults)
    if first and last and last < first:
        faults.append(row.fault("price_to", f"price_to {last} is before price_from {first}", "on or after it"))
    breaks: list[tuple[Fraction, Fraction]] = []
    for part in row.typed.get("breaks", "").split():
        kg, sign, cost = part.partition("=")
        try:
            breaks.append((figure(kg, row.commas), figure(cost, row.commas)))
        except NotANumber:
            sign = ""
        if not sign:
            faults.append(row.fault("breaks", f"{part!r} is no price break", "from=price, such as 50=3.10 100=2.95"))
    steps = [(Fraction(0), price or Fraction(0)), *breaks]
    for (low, dear), (high, cheap) in pairwise(steps):
        if high <= low or cheap > dear:
            faults.append(row.fault("breaks", "price breaks rise in kilograms and fall in price", "50=3.10 100=2.95"))
            break
        if cheap < 0:
            faults.append(row.fault("breaks", f"a price of {trimmed(cheap)} is below 0", "0 or more"))
            break
    return None if price is None else Period(first, last, price, tuple(breaks))


def _overlaps(rows: Sequence[_Row]) -> Iterator[Fault]:
    """Rows of one offer whose periods share a day would leave its price open."""
    spans = [(row.day("price_from", []) or date.min, row.day("price_to", []) or date.max, row) for row in rows]
    for k, (first, last, row) in enumerate(spans):
        for start, end, other in spans[:k]:
            if first <= end and start <= last:
                found = f"this row and line {other.line} give prices for the same days"
                yield row.fault("price_from" if "price_from" in row.typed else "offer", found, "one price a day")
                break


def _weekdays(row: _Row, faults: list[Fault]) -> frozenset[int]:
    cell = row.typed.get("delivery_days", "")
    if not cell:
        return frozenset(range(7))
    found = set()
    for word in re.split(r"[\s+/]+", cell):
        short = word.casefold()[:3]
        if short not in WEEKDAYS:
            faults.append(row.fault("delivery_days", f"{word!r} is no day of the week", "such as Mon Thu, or blank"))
        else:
            found.add(WEEKDAYS.index(short))
    return frozenset(found)


def _supplier_faults(offers: Sequence[Offer], file: str) -> Iterator[Fault]:
    """A supplier's charge and minimum are one figure, whatever offer they stand beside."""
    seen: dict[str, Offer] = {}
    for offer in offers:
        first = seen.setdefault(offer.supplier, offer)
        for column, mine, other in (
            ("delivery_charge", offer.charge, first.charge),
            ("supplier_minimum", offer.minimum, first.minimum),
        ):
            if mine != other:
                found = f"{offer.supplier} has another {column} on line {first.line}"
                yield Fault(file, offer.line, column, found, "one figure a supplier")
