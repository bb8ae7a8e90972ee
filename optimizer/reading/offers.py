"""The offers table: what suppliers sell, at what price, in what packs, and when they bring it.

The columns that an offer shares with a lot (material, species, composition and the like) are read by the very reader of
lots tables, so that every check of a lot is one of an offer. A further row of the same offer states another price
period and nothing else. A simpler table, for one batch, has the columns of a lots table: neither supplier nor price
are needed there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BeforeValidator, PlainValidator, ValidationError, ValidationInfo, model_validator

from constraints.document import Day, Line, Name, NotNegative, Positive, Strict, read_text, refusal
from constraints.faults import BadInput, Fault, Severity, meant
from constraints.numbers import KG_PER_LB, NotANumber, exact, trimmed
from constraints.quantities import Lot
from optimizer.reading.columns import INSTEAD, KNOWN, OTHER_WORDS
from optimizer.reading.lot_checks import STOCK_MOST
from optimizer.reading.lots import parse_lots
from optimizer.reading.offer_columns import NEEDED, NOT_HERE, OWN, PERIOD, PRICE, BreakKind
from optimizer.reading.table import Table, csv_line, cut, figure, has_decimal_commas

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MOST_DAYS = 3650
"""Most days of lead or of keeping: ten years; more is a slip."""
PLENTY = Fraction(1_000_000)
"""Kilograms on offer where no largest order is stated: beyond any kitchen."""
_ZERO = Fraction(0)
Cells = TypeVar("Cells", bound=Strict)
_SIMPLER = {"lot": "offer", "offered_kg": "largest_order_kg", "on_hand_kg": "largest_order_kg",
            "on_hand_lb": "largest_order_lb"}  # fmt: skip
"""Columns of a simpler table, and what they are of an offer."""
_BY_POUND = {f"{name[:-2]}lb": name for name in (*INSTEAD, *OWN) if name.endswith("kg")}
"""The kilogram column that a pound column stands for."""


def _number(cell: str, info: ValidationInfo[dict[str, Any]]) -> Fraction:
    try:
        return figure(cell, info.context["commas"])
    except NotANumber as error:
        raise refusal(str(error), "a plain number such as 24.5") from None


def _by_kilogram(value: Fraction, info: ValidationInfo[dict[str, Any]]) -> Fraction:
    """What was judged as typed, by the kilogram."""
    return value * Fraction(info.context.get(str(info.field_name), 1))


def _days(value: Fraction) -> int:
    if value.denominator != 1 or not 0 <= value <= MOST_DAYS:
        raise refusal(trimmed(value), f"a whole number of days, 0 to {MOST_DAYS}")
    return int(value)


def _breaks(cell: str, info: ValidationInfo[dict[str, Any]]) -> tuple[tuple[Fraction, Fraction], ...]:
    per, commas = Fraction(info.context.get(PRICE[0], 1)), info.context["commas"]
    try:
        parts = [part.split("=") for part in (cell.replace(",", ".") if commas else cell).split()]
        return tuple((exact(weight) / per, exact(price) * per) for weight, price in parts)
    except ValueError:
        raise refusal(f"{cell!r} is no price break", "from=price, such as 50=3.10 100=2.95") from None


def _weekdays(cell: str) -> frozenset[int]:
    words = re.split(r"[\s+/]+", cell)
    for word in words:
        if word.casefold()[:3] not in WEEKDAYS:
            raise refusal(f"{word!r} is no day of the week", "such as Mon Thu, or blank")
    return frozenset(WEEKDAYS.index(word.casefold()[:3]) for word in words)


_Pack = Annotated[Positive, BeforeValidator(_number), AfterValidator(_by_kilogram)]
_Figure = Annotated[NotNegative, BeforeValidator(_number), AfterValidator(_by_kilogram)]
_Days = Annotated[int, PlainValidator(_days), BeforeValidator(_number)]


@dataclass(frozen=True)
class Stretch:
    """A stretch of an order's quantity: from ``lo`` to ``hi`` kilograms at ``price``, plus ``fixed`` money."""

    lo: Fraction
    hi: Fraction
    price: Fraction
    fixed: Fraction

    @classmethod
    def ladder(cls, price: Fraction, breaks: Sequence[tuple[Fraction, Fraction]], *, beyond: bool) -> list[Stretch]:
        """The stretches from no kilograms up; with ``beyond`` a lower price is for the kilograms beyond its break only.

        The last one has no end: its ``hi`` is its ``lo``.
        """
        steps, paid = [(_ZERO, price), *breaks], _ZERO
        found = []
        for k, (start, cost) in enumerate(steps):
            end = steps[k + 1][0] if k + 1 < len(steps) else start
            found.append(cls(start, end, cost, paid - cost * start if beyond else _ZERO))
            paid += cost * (end - start)
        return found

    @staticmethod
    def paid(ladder: Sequence[Stretch], kg: Fraction) -> Fraction:
        """Money for so many kilograms."""
        on = next(stretch for stretch in reversed(ladder) if kg >= stretch.lo)
        return on.price * kg + on.fixed


class Period(Strict):
    """A price for deliveries from a day to a day (None: open), with breaks as (from kg, price per kg)."""

    cost_per_kg: _Figure
    price_from: Day | None = None
    price_to: Day | None = None
    breaks: Annotated[tuple[tuple[Fraction, Fraction], ...], PlainValidator(_breaks)] = ()

    @model_validator(mode="after")
    def _sound(self) -> Period:
        if self.price_from and self.price_to and self.price_to < self.price_from:
            found = f"price_to {self.price_to} is before price_from {self.price_from}"
            raise refusal(found, "on or after it", ("price_to",))
        for (low, dear), (high, cheap) in pairwise([(_ZERO, self.cost_per_kg), *self.breaks]):
            if high <= low or cheap > dear or cheap < 0:
                found = "price breaks rise in kilograms and fall in price, to 0 at least"
                raise refusal(found, "50=3.10 100=2.95", ("breaks",))
        return self

    @property
    def lowest(self) -> Fraction:
        """The lowest price of any quantity."""
        return min([self.cost_per_kg, *(price for _, price in self.breaks)])

    def covers(self, day: date) -> bool:
        """True where the price holds on this day of delivery."""
        return (self.price_from or date.min) <= day <= (self.price_to or date.max)

    def meets(self, other: Period) -> bool:
        """True where both hold on some day."""
        return any(one.covers(two.price_from or date.min) for one, two in ((self, other), (other, self)))


class Terms(Strict):
    """On what terms an offer is sold; kilograms as held, money as in the table."""

    offer: Name
    supplier: Line
    break_kind: BreakKind = BreakKind.ALL_UNITS
    pack_kg: _Pack | None = None
    smallest_order_kg: _Figure = _ZERO
    largest_order_kg: _Figure | None = None
    worth_after_per_kg: _Figure = _ZERO
    lead_days: _Days = 0
    delivery_days: Annotated[frozenset[int], PlainValidator(_weekdays)] = frozenset(range(7))
    delivery_charge: _Figure = _ZERO
    supplier_minimum: _Figure = _ZERO
    keeps_days: _Days | None = None

    @model_validator(mode="after")
    def _sound(self) -> Terms:
        if self.largest_order_kg is not None and self.smallest_order_kg > self.largest_order_kg:
            raise refusal("the smallest order is above the largest", "at most the largest", ("smallest_order_kg",))
        return self


@dataclass(frozen=True, eq=False)
class Offer:
    """What a supplier sells, on its ``terms``. ``lot`` carries what it is made of; ``line`` is of its first row.

    No ``periods``: no price is asked yet, as a simpler table may have it.
    """

    name: str
    lot: Lot
    periods: tuple[Period, ...]
    terms: Terms
    line: int

    def period(self, day: date) -> Period | None:
        """The price in force for a delivery on this day; None where nothing is delivered at any price."""
        if day.weekday() not in self.terms.delivery_days:
            return None
        return next((period for period in self.periods if period.covers(day)), None)

    def ladder(self, period: Period) -> list[Stretch]:
        """Its prices by kilograms ordered."""
        return Stretch.ladder(period.cost_per_kg, period.breaks, beyond=self.terms.break_kind is BreakKind.INCREMENTAL)

    def stretches(self, period: Period, most: Fraction, before: Fraction = _ZERO) -> tuple[Stretch, ...]:
        """What may be ordered, up to the largest order worth giving; ``before`` was ordered already."""
        ladder, pack, least = self.ladder(period), self.terms.pack_kg, self.terms.smallest_order_kg
        top = max(most, least, ladder[-1].lo)
        if pack is not None:
            top = ceil(top / pack) * pack
        if self.terms.largest_order_kg is not None:
            top = min(top, self.terms.largest_order_kg - before)
        found = []
        for k, part in enumerate(ladder):
            lo, hi = max(part.lo, least), min(part.hi if k + 1 < len(ladder) else top, top)
            if pack is not None:
                lo, hi = ceil(lo / pack) * pack, floor(hi / pack) * pack
            if hi >= lo and hi > 0:
                found.append(replace(part, lo=lo, hi=hi))
        return tuple(found)

    def use_by(self, delivered: date) -> date | None:
        """Last day of use of what is delivered on a day."""
        days = self.terms.keeps_days
        return None if days is None else delivered + timedelta(days=days)


@dataclass(frozen=True)
class OfferTable:
    """The offers of one file in file order; ``named`` is the column of their names."""

    file: str
    offers: tuple[Offer, ...]
    warnings: tuple[Fault, ...]
    named: str = "offer"


def read_offers(path: str, *, simple: bool = False) -> OfferTable:
    """Read the offers file at ``path``, as ``parse_offers``."""
    return parse_offers(read_text(path), path, simple=simple)


def parse_offers(text: str, file: str, *, simple: bool = False) -> OfferTable:
    """Read an offers table from text; with ``simple`` it may be a simpler one. Raises BadInput with every fault."""
    table, cutting = cut(text, file)
    if table is None:
        raise BadInput(cutting)
    lacking = {*NEEDED} - {*table.header} - ({PRICE[0]} if PRICE[1] in table.header else set())
    simple = simple and bool(lacking or {*NOT_HERE, *_SIMPLER} & {*table.header})
    faults = [*cutting, *_header_faults(table, file, lacking, simple)]
    if faults:
        raise BadInput(faults)
    heads = [_SIMPLER.get(name, name) if simple else name for name in table.header]
    spelt = dict(zip(heads, table.header, strict=True))
    commas = table.delimiter != "," and has_decimal_commas(cell for row in table.rows for cell in row)
    groups: dict[str, list[_Row]] = {}
    for cells, number in zip(table.rows, table.lines, strict=True):
        row = _Row(file, number, dict(zip(heads, map(str.strip, cells), strict=True)), spelt, commas, simple)
        groups.setdefault(row.typed["offer"], []).append(row)
    read = {name: _read_group(rows, faults) for name, rows in groups.items()}
    firsts = {name: rows[0] for name, rows in groups.items()}
    lots, warnings = _lots(table, firsts, faults) if groups else ({}, ())
    offers = []
    for name, (terms, periods) in read.items():
        if terms is not None and name in lots:
            lot = replace(lots[name], on_hand_kg=PLENTY if (most := terms.largest_order_kg) is None else most)
            lot = lot if periods else replace(lot, cost_per_kg=_ZERO, held_cost_per_kg=_ZERO)
            offers.append(Offer(name, lot, periods, terms, firsts[name].number))
            faults += _hoarded(offers[-1], firsts[name])
    faults += _supplier_faults(offers, file)
    if faults:
        raise BadInput(sorted(faults, key=lambda fault: fault.line or 0))
    return OfferTable(file, tuple(offers), warnings, spelt["offer"])


@dataclass(frozen=True)
class _Row:
    """One row: its cells as ``typed``, by the columns of an offer, each ``spelt`` as in the file.

    In a ``simple`` table much may be blank.
    """

    file: str
    number: int
    typed: Mapping[str, str]
    spelt: Mapping[str, str]
    commas: bool
    simple: bool

    @property
    def priced(self) -> bool:
        """True where it states a price, or something of one, or has to."""
        return not self.simple or any(map(self.typed.get, PERIOD[1:]))

    def read(self, kind: type[Cells], faults: list[Fault]) -> Cells | None:
        """What it says of the terms, or of a price; None with a fault more."""
        given = {k: cell for k, cell in self.typed.items() if cell and _BY_POUND.get(k, k) in kind.model_fields}
        context: dict[str, object] = {"commas": self.commas}
        cells = {"supplier": ""} if self.simple and kind is Terms else {}
        for name, cell in given.items():
            key = _BY_POUND.get(name, name)
            if name != key:
                context[key] = 1 / KG_PER_LB if "per_" in name else KG_PER_LB
                if key in given:
                    faults.append(self.fault(name, f"both {key} and {name} are given", "one of the two in a row"))
            cells[key] = cell
        try:
            return kind.model_validate(cells, context=context)
        except ValidationError as error:
            faults += map(self._refused, error.errors(include_url=False))
            return None

    def _refused(self, error: Any) -> Fault:
        words = error.get("ctx", {})
        column = str((*error["loc"], *words.get("at", ()))[0])
        if error["type"] == "missing":
            return self.fault(column, "this cell is blank", "every offer states it")
        found = words.get("found") or f"{error['input']!r} is no kind of price break"
        return self.fault(column, f"{self.headed(column)}: {found}", str(words.get("allowed") or words.get("expected")))

    def headed(self, column: str) -> str:
        """The column as the file has it: the pound column where that one stands for a kilogram column."""
        twin = f"{column[:-2]}lb"
        typed = twin if twin in _BY_POUND and twin in self.typed and not self.typed.get(column) else column
        return self.spelt.get(typed, typed)

    def fault(self, column: str, found: str, allowed: str) -> Fault:
        """A fault of this row."""
        return Fault(self.file, self.number, self.headed(column), found, allowed)


def _header_faults(table: Table, file: str, lacking: set[str], simple: bool) -> Iterator[Fault]:
    def fault(name: str, found: str, allowed: str) -> Fault:
        return Fault(file, table.header_line, name, found, allowed)

    for name in NEEDED:
        if name in lacking and (not simple or (name == "offer" and "lot" not in table.header)):
            yield fault(name, f"a column {name} is missing", f"the header has {', '.join(filter(None, table.header))}")
    heads: dict[str, str] = {}
    for name in filter(None, table.header):
        key = _SIMPLER.get(name, name) if simple else name
        if heads.get(key) == name:
            yield fault(name, f"column {name!r} stands twice", "each column once")
        elif key in heads:
            yield fault(name, f"both {heads[key]} and {name} are given", "one of the two")
        elif name in (OTHER_WORDS if simple else NOT_HERE):
            yield fault(name, f"an offer has no column {name}", NOT_HERE[name])
        elif key not in (*OWN, *KNOWN) and (close := meant(name, OWN)):
            yield fault(name, f"{name!r} is not a known column", close)
        heads.setdefault(key, name)


def _read_group(rows: Sequence[_Row], faults: list[Fault]) -> tuple[Terms | None, tuple[Period, ...]]:
    """The terms and the prices of one offer."""
    first, name = rows[0], rows[0].typed["offer"]
    for row in rows[1:]:
        for key in (k for k, cell in row.typed.items() if k not in PERIOD and cell and cell != first.typed[k]):
            faults.append(row.fault(key, f"{name!r} states another {key} than on line {first.number}", "the same"))
        if not row.priced:
            words = f"{name!r} stands on line {first.number} and again here, at no price"
            faults.append(row.fault("offer", words, "each offer once, or another price"))
    read = [(row, period) for row in rows if row.priced and (period := row.read(Period, faults)) is not None]
    for k, (row, period) in enumerate(read):
        same = next((other for other, before in read[:k] if period.meets(before)), None)
        if same is not None:  # the price of a day would be open
            words = f"this row and line {same.number} give prices for the same days"
            faults.append(row.fault("price_from" if "price_from" in row.typed else "offer", words, "one price a day"))
    return first.read(Terms, faults), tuple(period for _, period in read)


def _lots(table: Table, firsts: Mapping[str, _Row], faults: list[Fault]) -> tuple[dict[str, Lot], tuple[Fault, ...]]:
    """The offers as lots, through the reader of lots tables; every row keeps its line so that faults have it."""
    one = next(iter(firsts.values()))
    shared = dict.fromkeys((*(name for name in one.typed if name and name not in OWN), PRICE[0]))
    lines = {table.header_line: csv_line(["lot", "on_hand_kg", *shared], table.delimiter)}
    for name, row in firsts.items():
        cells = row.typed if row.priced else {**row.typed, PRICE[0]: "1"}
        of_lot = [name, str(STOCK_MOST), *(cells.get(key, "") for key in shared)]
        lines[row.number] = csv_line(of_lot, table.delimiter)
    try:
        read = parse_lots("\n".join(lines.get(n, "") for n in range(1, max(lines) + 1)), one.file)
    except BadInput as error:
        told, lots = error.faults, {}
    else:
        told, lots = read.warnings, {lot.name: replace(lot, suspicions=()) for lot in read.lots}
    known = {(fault.line, fault.column) for fault in faults}
    filled = {(row.number, price) for row in firsts.values() if not row.priced for price in PRICE}
    kept = [f for f in told if (f.line, f.column) not in filled]
    said = [replace(f, column=one.spelt["offer"]) if f.column == "lot" else f for f in kept]
    faults += [f for f in said if f.severity is Severity.ERROR and (f.line, f.column) not in known]
    return lots, tuple(fault for fault in said if fault.severity is Severity.WARNING)


def _hoarded(offer: Offer, row: _Row) -> Iterator[Fault]:
    """What is worth more left over than it is sold for."""
    lowest = min((period.lowest for period in offer.periods), default=None)
    for key, worth, words in (
        ("worth_after_per_kg", offer.terms.worth_after_per_kg, "worth {} a {} when left over"),
        ("salvage_per_kg", offer.lot.salvage_per_kg, "salvage of {} a {}"),
    ):
        if lowest is not None and worth > lowest:
            unit, kg = ("pound", KG_PER_LB) if row.headed(key).endswith("lb") else ("kilogram", Fraction(1))
            found = f"{words.format(trimmed(worth * kg), unit)}, yet sold at {trimmed(lowest * kg, 4)}"
            yield row.fault(key, found, "at most the lowest price, or the plan would hoard")


def _supplier_faults(offers: Sequence[Offer], file: str) -> Iterator[Fault]:
    """A supplier's charge and minimum are one figure, whatever offer they stand beside."""
    seen: dict[str, Offer] = {}
    for offer in (offer for offer in offers if offer.terms.supplier):
        supplier = offer.terms.supplier
        first = seen.setdefault(supplier, offer)
        for column in ("delivery_charge", "supplier_minimum"):
            if getattr(offer.terms, column) != getattr(first.terms, column):
                found = f"{supplier} has another {column} on line {first.line}"
                yield Fault(file, offer.line, column, found, "one figure a supplier")
