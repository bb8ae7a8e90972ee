"""The offers table: what suppliers sell, at what price, in what packs, and when they bring it.

The columns that an offer shares with a lot (material, species, composition and the like) are read by the very reader of
lots tables, so that every check of a lot is one of an offer. A further row of the same offer states another price
period and nothing else. A simpler table, for one batch, has the columns of a lots table: neither supplier nor price
are needed there.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from enum import StrEnum
from fractions import Fraction
from functools import partial
from itertools import pairwise
from math import ceil, floor
from typing import Any

from constraints.as_typed import ZERO, BadInput, Fault, Severity, exact, meant, trimmed
from constraints.document import read_text
from constraints.quantities import Lot
from optimizer.reading import table as tables
from optimizer.reading.lot_checks import STOCK_MOST, TableRow, judged, needed_cells, printable
from optimizer.reading.lots import lot_of, read_rows
from optimizer.reading.table import INSTEAD, NEEDED, NOT_HERE, OF_OFFERS, PERIOD, PRICE, Table, cut

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
PLENTY = Fraction(1_000_000)
"""Kilograms on offer where no largest order is stated: beyond any kitchen."""
_SIMPLER = {"lot": "offer", "offered_kg": "largest_order_kg", "on_hand_kg": "largest_order_kg",
            "on_hand_lb": "largest_order_lb"}  # fmt: skip
"""Columns of a simpler table, and what they are of an offer."""


class BreakKind(StrEnum):
    """Whether a price break lowers the price of every kilogram or only of those beyond it."""

    ALL_UNITS = "all_units"
    INCREMENTAL = "incremental"


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
        steps, paid = [(ZERO, price), *breaks], ZERO
        found = []
        for k, (start, cost) in enumerate(steps):
            end = steps[k + 1][0] if k + 1 < len(steps) else start
            found.append(cls(start, end, cost, paid - cost * start if beyond else ZERO))
            paid += cost * (end - start)
        return found

    @staticmethod
    def paid(ladder: Sequence[Stretch], kg: Fraction) -> Fraction:
        """Money for so many kilograms."""
        on = next(stretch for stretch in reversed(ladder) if kg >= stretch.lo)
        return on.price * kg + on.fixed


@dataclass(frozen=True)
class Period:
    """A price for deliveries from a day to a day (None: open), with breaks as (from kg, price per kg)."""

    cost_per_kg: Fraction
    price_from: date | None = None
    price_to: date | None = None
    breaks: tuple[tuple[Fraction, Fraction], ...] = ()

    @classmethod
    def of(cls, row: TableRow, faults: list[Fault]) -> Period | None:
        """The price that a row states; None with a fault more, or where one of the cell is known."""
        price, unit, typed = row.figures.get(PRICE), row.unit(PRICE)[1], row.typed.get("breaks", "")
        start, end = row.days.get("price_from"), row.days.get("price_to")
        breaks: list[tuple[Fraction, Fraction]] = []
        told: list[tuple[str, str, str]] = []
        if start and end and end < start:
            told.append(("price_to", f"price_to {end} is before price_from {start}", "on or after it"))
        try:
            for part in (typed.replace(",", ".") if row.commas else typed).split():
                weight, cost = part.split("=")
                breaks.append((exact(weight) * unit, exact(cost) / unit))
        except ValueError:
            told.append(("breaks", f"{typed!r} is no price break", "from=price, such as 50=3.10 100=2.95"))
        steps = pairwise([(ZERO, price), *breaks] if price is not None else ())
        if any(high <= low or cheap > dear or cheap < 0 for (low, dear), (high, cheap) in steps):
            found = "price breaks rise in kilograms and fall in price, to 0 at least"
            told.append(("breaks", found, "50=3.10 100=2.95"))
        faults += [row.fault(*one) for one in told]
        return None if price is None or told else cls(price, start, end, tuple(breaks))

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


@dataclass(frozen=True)
class Terms:
    """On what terms an offer is sold; kilograms as held, money as in the table, days of delivery from Monday, 0."""

    supplier: str
    break_kind: BreakKind
    delivery_days: frozenset[int]
    pack_kg: Fraction | None = None
    smallest_order_kg: Fraction = ZERO
    largest_order_kg: Fraction | None = None
    worth_after_per_kg: Fraction = ZERO
    lead_days: int = 0
    delivery_charge: Fraction = ZERO
    supplier_minimum: Fraction = ZERO
    keeps_days: int | None = None

    @classmethod
    def of(cls, row: TableRow, faults: list[Fault]) -> Terms:
        """What a row says of the terms, with what is wrong with it among the faults."""
        kind, named = row.typed.get("break_kind", ""), row.typed.get("delivery_days", "")
        days = {word: word.casefold()[:3] for word in (re.split(r"[\s+/]+", named) if named else WEEKDAYS)}
        told = list(printable(row, ["supplier"]))
        if kind not in ("", *BreakKind):
            allowed = " or ".join(f"'{one}'" for one in BreakKind)
            told.append(("break_kind", f"{kind!r} is no kind of price break", allowed))
        for word in (word for word, day in days.items() if day not in WEEKDAYS):
            told.append(("delivery_days", f"{word!r} is no day of the week", "such as Mon Thu, or blank"))
        whole = [name for name, column in OF_OFFERS.items() if column.unit == "days"]
        own = {field.name for field in fields(cls)}
        figures: dict[str, Any] = {k: int(x) if k in whole else x for k, x in row.figures.items() if k in own}
        on = frozenset(day for day, word in enumerate(WEEKDAYS) if word in days.values())
        least, most = row.figures.get("smallest_order_kg"), row.figures.get("largest_order_kg")
        if least and most is not None and least > most:
            told.append(("smallest_order_kg", "the smallest order is above the largest", "at most the largest"))
        faults += [row.fault(*one) for one in told]
        known = BreakKind.INCREMENTAL if kind == BreakKind.INCREMENTAL else BreakKind.ALL_UNITS
        return cls(row.typed.get("supplier", ""), known, on, **figures)


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

    def stretches(self, period: Period, most: Fraction, before: Fraction = ZERO) -> tuple[Stretch, ...]:
        """What may be ordered, up to the largest order worth giving; ``before`` was ordered already."""
        ladder, pack, least = self.ladder(period), self.terms.pack_kg, self.terms.smallest_order_kg
        top = max(most, least, ladder[-1].lo)
        top = top if pack is None else ceil(top / pack) * pack
        top = top if self.terms.largest_order_kg is None else min(top, self.terms.largest_order_kg - before)
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
    table = cut(text, file)
    simple = simple and bool(_lacking(table.header, NEEDED) or {*NOT_HERE, *_SIMPLER} & {*table.header})
    heads = tuple(_SIMPLER.get(name, name) if simple else name for name in table.header)
    spelt = dict(zip(heads, table.header, strict=True))
    needed = ("offer", "fat_pct") if simple else NEEDED
    lacking, known = _lacking(heads, needed), {*OF_OFFERS, *(_SIMPLER if simple else ())}
    heading = [*table.faults, *_header_faults(table, heads, tables.OTHER_WORDS if simple else NOT_HERE)]
    heading += tables.header_faults(table, known, lacking)
    if lacking or any(heads.count(name) > 1 for name in heads if name):
        raise BadInput(heading)  # what a row says would be open
    rows, free, found = read_rows(replace(table, header=heads, spelt={**spelt, "lot": spelt["offer"]}), OF_OFFERS)
    groups: dict[str, list[TableRow]] = {}
    for row in rows:
        groups.setdefault(row.typed["offer"], []).append(row)
    read = [_group(group, simple, found) for group in groups.values()]
    found += judged([lot for _, _, lot in read])[0]
    faulty, offers = {fault.line for fault in found if fault.severity is Severity.ERROR}, []
    for (terms, periods, of_lot), group in zip(read, groups.values(), strict=True):
        if faulty.isdisjoint(row.line for row in group):
            most = PLENTY if terms.largest_order_kg is None else terms.largest_order_kg
            lot = replace(lot_of(of_lot, free, ()), on_hand_kg=most)
            offers.append(Offer(lot.name, lot, periods, terms, lot.line))
            found += _hoarded(offers[-1], group[0])
    found += _supplier_faults(offers, file)
    found = [*heading, *found]
    if wrong := [fault for fault in found if fault.severity is Severity.ERROR]:
        raise BadInput(sorted(wrong, key=lambda fault: fault.line or 0))
    return OfferTable(file, tuple(offers), tuple(found), spelt["offer"])


def _lacking(header: Collection[str], needed: Iterable[str]) -> list[str]:
    """The columns needed that a header has neither by the kilogram nor by the pound."""
    return [name for name in needed if name not in header and INSTEAD.get(name) not in header]


def _header_faults(table: Table, heads: Sequence[str], refused: Collection[str]) -> Iterator[Fault]:
    """What an offers table cannot have; ``heads`` are its columns as a week's table calls them."""
    fault, first = partial(table.fault, table.header_line), dict[str, str]()
    for name, head in zip(table.header, heads, strict=True):
        if first.setdefault(head, name) != name:
            yield fault(name, f"both {first[head]} and {name} are given", "one of the two")
        elif name in refused:
            yield fault(name, f"an offer has no column {name}", NOT_HERE[name])
        elif name and head not in OF_OFFERS and (close := meant(name, tables.OWN)):
            yield fault(name, f"{name!r} is not a known column", close)


def _group(rows: Sequence[TableRow], simple: bool, faults: list[Fault]) -> tuple[Terms, tuple[Period, ...], TableRow]:
    """The terms and the prices of one offer, and what its first row says of a lot, of which there is plenty."""
    first, name = rows[0], rows[0].typed["offer"]
    priced = [row for row in rows if not simple or any(map(row.typed.get, PERIOD[1:]))]
    needed = [column for column in NEEDED if column != PRICE and not (simple and column == "supplier")]
    faults += [first.fault(*told) for told in needed_cells(first, needed, "offer")]
    for row in rows[1:]:
        for key in (k for k, cell in row.typed.items() if k not in PERIOD and cell and cell != first.typed[k]):
            faults.append(row.fault(key, f"{name!r} states another {key} than on line {first.line}", "the same"))
        if row not in priced:
            words = f"{name!r} stands on line {first.line} and again here, at no price"
            faults.append(row.fault("offer", words, "each offer once, or another price"))
    read: list[tuple[TableRow, Period]] = []
    for row in priced:
        if not row.typed.get(row.headed(PRICE)):
            faults.append(row.fault(PRICE, "this cell is blank", "price; every offer states it"))
        period = Period.of(row, faults)
        same = next((other for other, before in read if period is not None and period.meets(before)), None)
        if same is not None:  # the price of a day would be open
            words = f"this row and line {same.line} give prices for the same days"
            faults.append(row.fault("price_from" if "price_from" in row.typed else "offer", words, "one price a day"))
        read += [] if period is None else [(row, period)]
    own = {*tables.OWN, *(() if first in priced else (PRICE, INSTEAD[PRICE]))}
    typed = {key: cell for key, cell in first.typed.items() if cell and key not in own}
    figures = {key: value for key, value in first.figures.items() if key not in own}
    of_lot = replace(
        first, typed=typed | {"on_hand_kg": f"{STOCK_MOST}"} | ({"lot": name} if name else {}),
        figures=figures | {"on_hand_kg": STOCK_MOST},
    )  # fmt: skip
    return Terms.of(first, faults), tuple(period for _, period in read), of_lot


def _hoarded(offer: Offer, row: TableRow) -> Iterator[Fault]:
    """What is worth more left over than it is sold for."""
    lowest = min((period.lowest for period in offer.periods), default=None)
    for key, worth, words in (
        ("worth_after_per_kg", offer.terms.worth_after_per_kg, "worth {} a {} when left over"),
        ("salvage_per_kg", offer.lot.salvage_per_kg, "salvage of {} a {}"),
    ):
        if lowest is not None and worth > lowest:
            unit, kg = row.unit(key)
            said = words.format(trimmed(worth * kg), {"lb": "pound", "kg": "kilogram"}[unit])
            found = f"{said}, yet sold at {trimmed(lowest * kg, 4)}"
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
