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
from typing import Annotated, Any

from pydantic import PlainValidator, ValidationError, model_validator

from constraints.document import Day, Name, NotNegative, Positive, Strict, read_text, refusal
from constraints.faults import BadInput, Fault, Severity, nearest
from constraints.ingredients import Lot
from constraints.numbers import KG_PER_LB, NotANumber, exact, trimmed
from optimizer.plan.files.ladder import Stretch
from optimizer.reading.columns import COLUMNS
from optimizer.reading.lots import parse_lots
from optimizer.reading.offer_columns import NEEDED, NOT_HERE, OFFER_COLUMNS, OWN, PERIOD, PRICE, BreakKind
from optimizer.reading.table import Table, csv_line, cut, figure, has_decimal_commas

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
FIGURES = (*PRICE, *(c.name for c in OFFER_COLUMNS if c.unit not in ("", "date")))
MOST_DAYS = 3650
"""Most days of lead or of keeping: ten years; more is a slip."""
PLENTY = 1_000_000
"""Kilograms on offer where no largest order is stated: beyond any kitchen."""
_ZERO = Fraction(0)


def _days(value: object) -> int:
    days = value if isinstance(value, Fraction) else None
    if days is None or days.denominator != 1 or not 0 <= days <= MOST_DAYS:
        raise refusal(f"{trimmed(days) if days is not None else value}", f"a whole number of days, 0 to {MOST_DAYS}")
    return int(days)


def _breaks(value: object) -> tuple[tuple[Fraction, Fraction], ...]:
    try:
        parts = [part.split("=") for part in str(value).split()]
        return tuple((exact(kg), exact(price)) for kg, price in parts)
    except ValueError:
        raise refusal(f"{value!r} is no price break", "from=price, such as 50=3.10 100=2.95") from None


def _weekdays(value: object) -> frozenset[int]:
    words = re.split(r"[\s+/]+", str(value))
    for word in words:
        if word.casefold()[:3] not in WEEKDAYS:
            raise refusal(f"{word!r} is no day of the week", "such as Mon Thu, or blank")
    return frozenset(WEEKDAYS.index(word.casefold()[:3]) for word in words)


class OfferRow(Strict):
    """One row of the table, blank cells left out; kilograms as held, money as in the table."""

    offer: Name
    supplier: Name
    cost_per_kg: NotNegative
    price_from: Day | None = None
    price_to: Day | None = None
    breaks: Annotated[tuple[tuple[Fraction, Fraction], ...], PlainValidator(_breaks)] = ()
    break_kind: BreakKind = BreakKind.ALL_UNITS
    pack_kg: Positive | None = None
    smallest_order_kg: NotNegative = _ZERO
    largest_order_kg: NotNegative | None = None
    worth_after_per_kg: NotNegative = _ZERO
    lead_days: Annotated[int, PlainValidator(_days)] = 0
    delivery_days: Annotated[frozenset[int], PlainValidator(_weekdays)] = frozenset(range(7))
    delivery_charge: NotNegative = _ZERO
    supplier_minimum: NotNegative = _ZERO
    keeps_days: Annotated[int | None, PlainValidator(_days)] = None
    in_pounds: bool = False
    """Whether the price is by the pound, and the breaks with it."""

    @model_validator(mode="after")
    def _sound(self) -> OfferRow:
        if self.price_from and self.price_to and self.price_to < self.price_from:
            found = f"price_to {self.price_to} is before price_from {self.price_from}"
            raise refusal(found, "on or after it", ("price_to",))
        if self.largest_order_kg is not None and self.smallest_order_kg > self.largest_order_kg:
            raise refusal("the smallest order is above the largest", "at most the largest", ("smallest_order_kg",))
        for (low, dear), (high, cheap) in pairwise([(_ZERO, self.cost_per_kg), *self.steps]):
            if high <= low or cheap > dear or cheap < 0:
                found = "price breaks rise in kilograms and fall in price, to 0 at least"
                raise refusal(found, "50=3.10 100=2.95", ("breaks",))
        return self

    @property
    def steps(self) -> tuple[tuple[Fraction, Fraction], ...]:
        """The breaks by the kilogram."""
        unit = KG_PER_LB if self.in_pounds else 1
        return tuple((weight * unit, price / unit) for weight, price in self.breaks)


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
        return (self.first or date.min) <= day <= (self.last or date.max)


@dataclass(frozen=True, eq=False)
class Offer:
    """What a supplier sells, on its ``terms``. ``lot`` carries what it is made of; ``line`` is of its first row."""

    name: str
    lot: Lot
    periods: tuple[Period, ...]
    terms: OfferRow
    line: int

    def period(self, day: date) -> Period | None:
        """The price in force for a delivery on this day; None where nothing is delivered at any price."""
        if day.weekday() not in self.terms.delivery_days:
            return None
        return next((period for period in self.periods if period.covers(day)), None)

    def ladder(self, period: Period) -> list[Stretch]:
        """Its prices by kilograms ordered."""
        return Stretch.ladder(period.price, period.breaks, beyond=self.terms.break_kind is BreakKind.INCREMENTAL)

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
    groups: dict[str, list[_Line]] = {}
    for row, number in zip(table.rows, table.lines, strict=True):
        typed = dict(zip(table.header, (cell.strip() for cell in row), strict=True))
        group = groups.setdefault(typed["offer"], [])
        first = {k: cell for k, cell in group[0].typed.items() if k not in PERIOD} if group else {}
        group.append(_Line.of(file, number, typed, first, commas))
    lots, warnings = _lots(table, groups, file, faults)
    offers = [offer for name, group in groups.items() if (offer := _offer(name, group, lots, faults)) is not None]
    faults += _supplier_faults(offers, file)
    if faults:
        raise BadInput(sorted(faults, key=lambda fault: fault.line or 0))
    return OfferTable(file, tuple(offers), warnings)


@dataclass(frozen=True)
class _Line:
    """One row: its cells as ``typed``, what could be ``read`` of them, and its ``faults``."""

    file: str
    number: int
    typed: Mapping[str, str]
    read: OfferRow | None
    faults: tuple[Fault, ...]

    @classmethod
    def of(cls, file: str, number: int, typed: Mapping[str, str], first: Mapping[str, str], commas: bool) -> _Line:
        """Read a row; what it leaves blank is as in the ``first`` row of its offer. Pounds become kilograms."""
        line = cls(file, number, typed, None, ())
        both = {**first, **{k: cell for k, cell in typed.items() if cell}}
        cells: dict[str, Any] = {k: cell for k, cell in both.items() if cell and k in (*OWN, *PRICE)}
        faults = []
        for name in [k for k in FIGURES if k in cells]:
            try:
                cells[name] = figure(cells[name], commas)
            except NotANumber as error:
                faults.append(line.fault(name, str(error), "a plain number such as 24.5"))
                del cells[name]
            else:
                by_kg, per = f"{name[:-2]}kg", KG_PER_LB if "per_" in name else 1 / KG_PER_LB
                if name.endswith("_lb") and by_kg in cells:
                    faults.append(line.fault(name, f"both {by_kg} and {name} are given", "one of the two in a row"))
                elif name.endswith("_lb"):
                    cells[by_kg] = cells.pop(name) / per
        cells["in_pounds"] = "cost_per_lb" in both
        if commas and "breaks" in cells:
            cells["breaks"] = cells["breaks"].replace(",", ".")
        try:
            return replace(line, read=OfferRow.model_validate(cells), faults=tuple(faults))
        except ValidationError as error:
            known = {fault.column for fault in faults}
            refused = (line._refused(one) for one in error.errors(include_url=False))
            return replace(line, faults=(*faults, *(fault for fault in refused if fault.column not in known)))

    def _refused(self, error: Any) -> Fault:
        words = error.get("ctx", {})
        column = str((*error["loc"], *words.get("at", ()), "offer")[0])
        if error["type"] == "missing":
            return self.fault(column, "this cell is blank", "every offer states it")
        found = words.get("found") or f"{error['input']!r} is no kind of price break"
        return self.fault(column, f"{column}: {found}", str(words.get("allowed") or words.get("expected")))

    def fault(self, column: str, found: str, allowed: str) -> Fault:
        """A fault of this row; a kilogram column may stand for the pound column that is filled in."""
        twin = f"{column[:-2]}lb"
        headed = twin if column.endswith("kg") and not self.typed.get(column) and self.typed.get(twin) else column
        return Fault(self.file, self.number, headed, found, allowed)


def _header_faults(table: Table, file: str) -> Iterator[Fault]:
    for name in NEEDED:
        if not {name, *(PRICE if name in PRICE else ())} & set(table.header):
            listed = ", ".join(filter(None, table.header))
            yield Fault(file, table.header_line, name, f"a column {name} is missing", f"the header has {listed}")
    for name in sorted({n for n in table.header if n and table.header.count(n) > 1}):
        yield Fault(file, table.header_line, name, f"column {name!r} stands twice", "each column once")
    for name in table.header:
        if name in NOT_HERE:
            yield Fault(file, table.header_line, name, f"an offer has no column {name}", NOT_HERE[name])
        elif name and name not in (*OWN, *(c.name for c in COLUMNS)) and (close := nearest(name, OWN)):
            yield Fault(file, table.header_line, name, f"{name!r} is not a known column", f"did you mean {close}?")


def _lots(
    table: Table, groups: Mapping[str, Sequence[_Line]], file: str, faults: list[Fault]
) -> tuple[dict[str, Lot], tuple[Fault, ...]]:
    """The offers as lots, through the reader of lots tables; every row keeps its line so that faults have it."""
    shared = [name for name in table.header if name and name not in OWN]
    if not groups:
        return {}, ()
    lines = {
        first.number: csv_line([name, str(PLENTY), *(first.typed[key] for key in shared)], table.delimiter)
        for name, (first, *_) in groups.items()
    }
    lines[table.header_line] = csv_line(["lot", "on_hand_kg", *shared], table.delimiter)
    text = "\n".join(lines.get(n, "") for n in range(1, max(lines) + 1))
    try:
        read = parse_lots(text, file)
    except BadInput as error:
        told, lots = error.faults, {}
    else:
        told, lots = read.warnings, {lot.name: lot for lot in read.lots}
    own = [line.faults for group in groups.values() for line in group]
    known = {(fault.line, fault.column) for some in own for fault in some}
    said = [replace(f, column="offer") if f.column == "lot" else f for f in told if f.column != "on_hand_kg"]
    faults += [f for f in said if f.severity is Severity.ERROR and (f.line, f.column) not in known]
    return lots, tuple(fault for fault in said if fault.severity is Severity.WARNING)


def _offer(name: str, lines: Sequence[_Line], lots: Mapping[str, Lot], faults: list[Fault]) -> Offer | None:
    first, lot = lines[0], lots.get(name)
    before = len(faults)
    for line in lines:
        own = line is first
        faults += [fault for fault in line.faults if own or fault.column in PERIOD]
        changed = [k for k, cell in line.typed.items() if k not in PERIOD and cell and cell != first.typed[k]]
        faults += [line.fault(k, f"{name!r} states another {k} than on line {first.number}", "the same")
                   for k in changed]  # fmt: skip
    faults += _overlaps(lines)
    rows = [line.read for line in lines if line.read is not None]
    if len(rows) < len(lines) or lot is None:
        return None
    terms = rows[0]
    periods = tuple(Period(r.price_from, r.price_to, r.cost_per_kg, r.steps) for r in rows)
    lowest = min(period.lowest for period in periods)
    for key, worth, words in (
        ("worth_after_per_kg", terms.worth_after_per_kg, "worth {} a kilogram when left over"),
        ("salvage_per_kg", lot.salvage_per_kg, "salvage of {} a kilogram"),
    ):
        if worth > lowest:
            found = f"{words.format(trimmed(worth))}, yet sold at {trimmed(lowest)}"
            faults.append(first.fault(key, found, "at most the lowest price, or the plan would hoard"))
    return Offer(name, lot, periods, terms, first.number) if len(faults) == before else None


def _overlaps(lines: Sequence[_Line]) -> Iterator[Fault]:
    """Rows of one offer whose periods share a day would leave its price open."""
    spans = [(r.price_from or date.min, r.price_to or date.max, line) for line in lines if (r := line.read) is not None]
    for k, (first, last, line) in enumerate(spans):
        for start, end, other in spans[:k]:
            if first <= end and start <= last:
                found = f"this row and line {other.number} give prices for the same days"
                yield line.fault("price_from" if "price_from" in line.typed else "offer", found, "one price a day")
                break


def _supplier_faults(offers: Sequence[Offer], file: str) -> Iterator[Fault]:
    """A supplier's charge and minimum are one figure, whatever offer they stand beside."""
    seen: dict[str, Offer] = {}
    for offer in offers:
        supplier = offer.terms.supplier
        first = seen.setdefault(supplier, offer)
        for column in ("delivery_charge", "supplier_minimum"):
            if getattr(offer.terms, column) != getattr(first.terms, column):
                found = f"{supplier} has another {column} on line {first.line}"
                yield Fault(file, offer.line, column, found, "one figure a supplier")
