"""From a lot forward, from a batch back, through rework and sales; every kilogram accounted for, the difference named.

The whole batch is at risk, not the lot's share of it. What was reversed is left out.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from optimizer.ledger import UNIT, NotRecorded, balance, opened

CAUTION = "Hold all that is left and ask your authority. What nobody recorded is not in it."


@dataclass(frozen=True)
class Line:
    """A movement as a trace shows it: kilograms above zero, with its document's time, person and other party."""

    kind: str
    lot: str
    batch: str
    kilograms: Fraction
    into_batch: Fraction
    at: str
    document: str
    person: str
    party: str
    item: str
    reason: str


@dataclass(frozen=True)
class LotBook:
    """received + returned = used + sold + wasted + left + unexplained, kilograms as held."""

    lot: str
    came: Fraction
    used: Fraction
    sold: Fraction
    wasted: Fraction
    left: Fraction
    unexplained: Fraction


@dataclass(frozen=True)
class BatchBook:
    """Kilograms that went in, and came out as product and rework; the rest is loss that nobody weighed."""

    batch: str
    lots: Fraction
    additions: Fraction
    product: Fraction
    rework: Fraction
    unexplained: Fraction


@dataclass
class Trace:
    """Everything one name leads to: its lots and batches, the lines between them, and their books."""

    name: str
    forward: bool
    lots: dict[str, LotBook] = field(default_factory=dict)
    batches: dict[str, BatchBook] = field(default_factory=dict)
    lines: list[Line] = field(default_factory=list)
    cells: dict[str, dict[str, str]] = field(default_factory=dict)

    @property
    def at_risk_kg(self) -> Fraction:
        """Kilograms of every batch reached, whole."""
        return sum((book.lots + book.additions for book in self.batches.values()), Fraction(0))

    def of(self, *kinds: str) -> list[Line]:
        """The lines of some kinds, in order."""
        return [line for line in self.lines if line.kind in kinds]


def trace(path: str, name: str, back: bool | None = None) -> Trace:
    """Follow a lot forward or a batch back, or as ``back`` says.

    Raises NotRecorded where the ledger knows neither lot nor batch of that name.
    """
    with opened(path) as base:
        base.execute("BEGIN")
        is_batch = base.execute("SELECT 1 FROM live WHERE batch = ?", (name,)).fetchone() is not None
        if not is_batch and base.execute("SELECT 1 FROM lot WHERE lot = ?", (name,)).fetchone() is None:
            raise NotRecorded(f"{path} knows neither a lot nor a batch named {name!r}")
        found = Trace(name, forward=not (is_batch if back is None else back))
        held: dict[int, Line] = {}
        left = [("batch" if is_batch else "lot", name)]
        while left:
            kind, here = left.pop()
            if here in (found.lots if kind == "lot" else found.batches):
                continue
            known = dict(_lines(base, kind, here))
            held.update(known)
            lines = known.values()
            if kind == "lot":
                found.lots[here] = lot_book(here, lines, balance(base, here))
                found.cells[here] = json.loads(
                    base.execute("SELECT cells FROM lot WHERE lot = ?", (here,)).fetchone()[0]
                )
                onward = ("pull",) if found.forward else ("product", "rework")
                left += [("batch", line.batch) for line in lines if line.kind in onward]
            else:
                found.batches[here] = batch_book(here, lines)
                onward = ("product", "rework") if found.forward else ("pull",)
                left += [("lot", line.lot) for line in lines if line.kind in onward]
        found.lines = sorted(held.values(), key=lambda line: line.at)
    return found


def _lines(base: sqlite3.Connection, kind: str, name: str) -> Iterator[tuple[int, Line]]:
    """The lines of a lot or a batch, each by the number of its movement."""
    asked = "SELECT id, kind, lot, batch, units, into_batch, at, document, person, party, item, reason FROM live WHERE "
    where = "lot = ? ORDER BY id" if kind == "lot" else "batch = ? ORDER BY id"
    for number, *row in base.execute(asked + where, (name,)).fetchall():
        sign = -1 if row[0] in ("pull", "sell", "waste") else 1  # what is put back is a pull below zero
        yield number, Line(row[0], row[1] or "", row[2], sign * row[3] * UNIT, row[4] * UNIT, *row[5:])


def lot_book(lot: str, lines: Iterable[Line], left: Fraction) -> LotBook:
    """The books of a lot; what a count found too little or too much is what nobody can explain."""
    total: dict[str, Fraction] = defaultdict(Fraction)
    for line in lines:
        total[line.kind] += line.kilograms
    came = total["receive"] + total["return"] + total["product"] + total["rework"]
    return LotBook(lot, came, total["pull"], total["sell"], total["waste"], left, -total["count"])


def batch_book(batch: str, lines: Iterable[Line]) -> BatchBook:
    """The books of a batch: kilograms that reached it, and what was weighed of it afterwards."""
    total: dict[str, Fraction] = defaultdict(Fraction)
    for line in lines:
        total[line.kind] += line.into_batch if line.kind in ("pull", "addition") else line.kilograms
    loss = total["pull"] + total["addition"] - total["product"] - total["rework"]
    return BatchBook(batch, total["pull"], total["addition"], total["product"], total["rework"], loss)
