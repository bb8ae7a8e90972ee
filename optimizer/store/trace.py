"""From a lot forward, from a batch back, through rework and sales; every kilogram accounted for, the difference named.

The whole batch is at risk, not the lot's share of it. What was reversed is left out.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from constraints.numbers import ZERO
from optimizer.ledger import UNIT, NotRecorded, balance, opened
from optimizer.record import Figure, Record, at

CAUTION = "Hold all that is left and ask your authority. What nobody recorded is not in it."


class TraceLine(Record):
    """A movement as a trace shows it: kilograms above zero, with its document's time, person and other party."""

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


class LotBook(Record):
    """came = used + sold + wasted + left + unexplained, kilograms as held; and the row of the table it came with."""

    lot: str
    came: Figure
    used: Figure
    sold: Figure
    wasted: Figure
    left: Figure
    unexplained: Figure
    as_received: dict[str, str]


class BatchBook(Record):
    """Kilograms that went in, and came out as product and rework; the rest is loss that nobody weighed."""

    batch: str
    lots: Figure
    additions: Figure
    product: Figure
    rework: Figure
    unexplained: Figure


@dataclass
class Trace:
    """Everything one name leads to: its lots and batches, the lines between them, and their books."""

    name: str
    forward: bool
    lots: dict[str, LotBook] = field(default_factory=dict)
    batches: dict[str, BatchBook] = field(default_factory=dict)
    lines: list[TraceLine] = field(default_factory=list)
    seconds: float = 0

    @property
    def at_risk_kg(self) -> Fraction:
        """Kilograms of every batch reached, whole."""
        return sum((book.lots + book.additions for book in self.batches.values()), ZERO)

    @property
    def way(self) -> str:
        """Where it was traced to."""
        return "forward" if self.forward else "back"

    def of(self, *kinds: str) -> list[TraceLine]:
        """The lines of some kinds, in order."""
        return [line for line in self.lines if line.kind in kinds]


class Traced(Record):
    """The answer of ``trimwright trace``."""

    name: str
    direction: str = at("way")
    kg_at_risk: Figure = at("at_risk_kg")
    lots: list[LotBook] = at(lambda found: list(found.lots.values()))
    batches: list[BatchBook] = at(lambda found: list(found.batches.values()))
    movements: list[TraceLine] = at("lines")
    caution: str = at(lambda found: CAUTION)
    seconds: Figure


def trace(path: str, name: str, back: bool | None = None) -> Trace:
    """Follow a lot forward or a batch back, or as ``back`` says.

    Raises NotRecorded where the ledger knows neither lot nor batch of that name.
    """
    begun = time.perf_counter()
    with opened(path) as base:
        base.execute("BEGIN")
        is_batch = base.execute("SELECT 1 FROM live WHERE batch = ?", (name,)).fetchone() is not None
        if not is_batch and base.execute("SELECT 1 FROM lot WHERE lot = ?", (name,)).fetchone() is None:
            raise NotRecorded(f"{path} knows neither a lot nor a batch named {name!r}")
        found = Trace(name, forward=not (is_batch if back is None else back))
        held: dict[int, TraceLine] = {}
        left = [(is_batch, name)]
        while left:
            of_batch, here = left.pop()
            if here in (found.batches if of_batch else found.lots):
                continue
            lines = dict(_lines(base, "batch" if of_batch else "lot", here))
            held |= lines
            if of_batch:
                found.batches[here] = batch_book(here, lines.values())
            else:
                found.lots[here] = lot_book(base, here, lines.values())
            onward = ("product", "rework") if of_batch is found.forward else ("pull",)
            left += [
                (not of_batch, line.lot if of_batch else line.batch) for line in lines.values() if line.kind in onward
            ]
        found.lines = sorted(held.values(), key=lambda line: line.at)
    found.seconds = time.perf_counter() - begun
    return found


def _lines(base: sqlite3.Connection, kind: str, name: str) -> Iterator[tuple[int, TraceLine]]:
    """The lines of a lot or a batch, each by the number of its movement."""
    asked = "SELECT id, kind, lot, batch, units, into_batch, at, document, person, party, item, reason FROM live WHERE "
    where = "lot = ? ORDER BY id" if kind == "lot" else "batch = ? ORDER BY id"
    for number, made, lot, batch, units, into, *said in base.execute(asked + where, (name,)).fetchall():
        sign = -1 if made in ("pull", "sell", "waste") else 1  # what is put back is a pull below zero
        cells = made, lot or "", batch, sign * units * UNIT, into * UNIT, *said
        yield number, TraceLine(**dict(zip(TraceLine.model_fields, cells, strict=True)))


def _totals(lines: Iterable[TraceLine], into_batch: tuple[str, ...] = ()) -> dict[str, Fraction]:
    """Kilograms by the kind of movement, of some kinds those that reached the batch."""
    total: dict[str, Fraction] = defaultdict(Fraction)
    for line in lines:
        total[line.kind] += line.into_batch if line.kind in into_batch else line.kilograms
    return total


def lot_book(base: sqlite3.Connection, lot: str, lines: Iterable[TraceLine]) -> LotBook:
    """The books of a lot; what a count found too little or too much is what nobody can explain."""
    total = _totals(lines)
    (cells,) = base.execute("SELECT cells FROM lot WHERE lot = ?", (lot,)).fetchone()
    return LotBook(
        lot=lot, came=total["receive"] + total["return"] + total["product"] + total["rework"], used=total["pull"],
        sold=total["sell"], wasted=total["waste"], left=balance(base, lot), unexplained=-total["count"],
        as_received=json.loads(cells),
    )  # fmt: skip


def batch_book(batch: str, lines: Iterable[TraceLine]) -> BatchBook:
    """The books of a batch: kilograms that reached it, and what was weighed of it afterwards."""
    total = _totals(lines, ("pull", "addition"))
    lots, additions, product, rework = (total[kind] for kind in ("pull", "addition", "product", "rework"))
    return BatchBook(batch=batch, lots=lots, additions=additions, product=product, rework=rework,
                     unexplained=lots + additions - product - rework)  # fmt: skip
