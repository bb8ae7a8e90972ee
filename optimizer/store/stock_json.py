"""The JSON documents of ``stock show`` and ``trace``."""

from __future__ import annotations

from datetime import date as Day
from typing import Any, NamedTuple

from optimizer.pages.record import Figure, Record, at
from optimizer.store.trace import CAUTION, LotBook, Trace


class Lot(Record):
    """A lot of the ledger: what is left of it, and what tests say of its fat beside what was typed."""

    lot: str
    what: str
    product: bool
    """Whether it came out of a batch."""
    kg: Figure
    use_by: str
    past: bool
    hold: str
    supplier: str
    received: str
    typed_fat_pct: str
    fat_pct: Figure | None
    fat_sd_pct: Figure | None
    out_of_line: bool


class Stock(Record):
    """The answer of ``trimwright stock show``."""

    date: Day
    lots: list[Lot]


class TracedLot(Record):
    """came = used + sold + wasted + left + unexplained, kilograms as held."""

    lot: str = at("book.lot")
    came: Figure = at("book.came")
    used: Figure = at("book.used")
    sold: Figure = at("book.sold")
    wasted: Figure = at("book.wasted")
    left: Figure = at("book.left")
    unexplained: Figure = at("book.unexplained")
    as_received: dict[str, str] = at("cells")


class TracedBatch(Record):
    """Kilograms that went in and came out; the rest is loss that nobody weighed."""

    batch: str
    lots: Figure
    additions: Figure
    product: Figure
    rework: Figure
    unexplained: Figure


class Movement(Record):
    """A movement, kilograms above zero."""

    kind: str
    lot: str
    batch: str
    kilograms: Figure
    into_batch: Figure
    at: str
    document: str
    person: str
    party: str
    item: str
    reason: str


class Followed(NamedTuple):
    """A trace with the seconds it took."""

    trace: Trace
    seconds: float

    @property
    def lots(self) -> list[Book]:
        """The book of each lot with its cells as received."""
        return [Book(book, self.trace.cells[lot]) for lot, book in self.trace.lots.items()]


class Book(NamedTuple):
    """A lot's book, and its row of the table it came with."""

    book: LotBook
    cells: dict[str, Any]


class Traced(Record):
    """The answer of ``trimwright trace``."""

    name: str = at("trace.name")
    direction: str = at(lambda found: "forward" if found.trace.forward else "back")
    kg_at_risk: Figure = at("trace.at_risk_kg")
    lots: list[TracedLot]
    batches: list[TracedBatch] = at(lambda found: list(found.trace.batches.values()))
    movements: list[Movement] = at("trace.lines")
    caution: str = at(lambda found: CAUTION)
    seconds: Figure
