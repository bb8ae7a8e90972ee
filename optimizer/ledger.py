"""The ledger: lots as typed, documents, and movements that are only ever added; balances follow from them, and who sent
a lot, which codes are used and what came out of past batches.

The standard ``sqlite3`` is all it takes: four tables, no query built from parts. The file itself refuses a changed or
deleted movement and a balance below zero, so that several processes and other programs cannot break it. Weights are
whole numbers of ``UNIT`` kilograms: kilograms to ten decimals, pounds to two, exact.
"""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from pathlib import Path

from constraints.as_typed import PERCENT, ZERO, hidden, shown, trimmed, unprintable
from optimizer.late import late
from optimizer.record import Exact

with late():
    import sqlite3
    import statistics

UNIT = Fraction(1, 10**10)
"""Kilograms."""
MOST_KG = 10**8
"""Kilograms of one movement at most; a whole number of units then fits 64 bits."""
PROGRAM, VERSION = 0x74726D77, 1
"""What marks a file as a ledger (application_id), and the version of its tables (user_version)."""
HEAD = b"SQLite format 3\0"
WAIT_SECONDS = 10.0
"""How long a process waits for another that is recording."""

_TOUCHED = """SELECT EXISTS (SELECT 1 FROM pragma_foreign_key_check)
  OR EXISTS (SELECT 1 FROM lot WHERE json_type(cells) <> 'object'
    OR EXISTS (SELECT 1 FROM json_each(cells) WHERE type <> 'text'))
  OR EXISTS (SELECT 1 FROM movement WHERE typeof(units) <> 'integer' OR typeof(into_batch) <> 'integer'
    OR kind = 'test' AND json_type(item) <> 'object')
  OR EXISTS (SELECT 1 FROM setting WHERE length(value) <> 1)"""
"""Whether another program wrote what this one never writes: each would fail somewhere as a fault of the program."""
_TAKEN = "the document {!r} is recorded already; nothing was recorded"
_COLUMNS = "document, kind, lot, item, units, into_batch, batch, reverses"


class NotRecorded(Exception):
    """Nothing was recorded; the words say why."""


@dataclass(frozen=True)
class Recording:
    """What a recording carries: its own name (never used twice), the time, who, from or to whom, and why."""

    name: str
    at: str
    person: str
    party: str = ""
    reason: str = ""

    @property
    def day(self) -> date:
        """Its day."""
        return date.fromisoformat(self.at[:10])


@dataclass(frozen=True)
class Movement:
    """Kilograms into (or out of, below zero) a lot; an addition has an item in place of a lot.

    ``into_batch`` is what reached the batch of it, kilograms after bone and rind.
    """

    kind: str
    lot: str | None
    kilograms: Fraction
    batch: str = ""
    item: str = ""
    into_batch: Fraction = ZERO


def units(kilograms: Fraction) -> int:
    """Kilograms as whole units. Raises NotRecorded for more decimals than are kept."""
    found = kilograms / UNIT
    if found.denominator != 1 or abs(kilograms) > MOST_KG:
        raise NotRecorded(f"{trimmed(abs(kilograms), 12)} kg has more decimals or is more than the ledger keeps")
    return int(found)


def is_ledger(path: str) -> bool:
    """True for a file that SQLite wrote."""
    try:
        with open(path, "rb") as file:
            return file.read(len(HEAD)) == HEAD
    except (OSError, ValueError):
        return False


def create(path: str) -> None:
    """Make an empty ledger where no file is."""
    try:
        open(path, "xb").close()
    except OSError as error:
        raise NotRecorded(f"{path} cannot be made: {error.strerror}") from None
    with closing(_connected(path)) as base, _said(path):
        tables = Path(__file__).with_name("ledger.sql").read_text("utf-8")
        base.executescript(f"BEGIN; {tables} PRAGMA application_id={PROGRAM}; PRAGMA user_version={VERSION}; COMMIT;")


def _connected(path: str) -> sqlite3.Connection:
    uri = "file:" + path.replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    base = sqlite3.connect(f"{uri}?mode=rw", uri=True, isolation_level=None, timeout=WAIT_SECONDS)
    base.execute("PRAGMA foreign_keys=ON")
    base.execute("PRAGMA synchronous=EXTRA")
    return base


@contextmanager
def _said(path: str) -> Iterator[None]:
    """What SQLite complains of, in words of the kitchen."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError, json.JSONDecodeError) as error:  # what cannot be decoded has no code
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
        words = {
            sqlite3.SQLITE_BUSY: "another is recording; try again",
            sqlite3.SQLITE_FULL: "the disk is full",
            sqlite3.SQLITE_READONLY: "the file or its folder may not be written",
            sqlite3.SQLITE_CANTOPEN: "the file cannot be opened, or its folder not be written",
            sqlite3.SQLITE_NOTADB: "the file is damaged or no ledger",
            sqlite3.SQLITE_CORRUPT: "the file is damaged",
            sqlite3.SQLITE_IOERR: "the disk failed or is full",
        }.get(code, str(error))
        raise NotRecorded(f"{path}: {words}; nothing was recorded") from None


@contextmanager
def opened(path: str) -> Iterator[sqlite3.Connection]:
    """A ledger to read or record in. Raises NotRecorded where it is none, damaged or of a later version."""
    if not is_ledger(path):
        found = "no ledger" if os.path.exists(path) else "there is no such file (stock new makes a ledger)"
        raise NotRecorded(f"{path}: {found}; nothing was done")
    with _said(path), closing(_connected(path)) as base:
        marks = ("PRAGMA application_id", "PRAGMA user_version", "PRAGMA quick_check(1)")
        program, version, sound = (base.execute(mark).fetchone()[0] for mark in marks)
        if program != PROGRAM:
            raise NotRecorded(f"{path} is a file of another program; nothing was done")
        if version != VERSION:
            raise NotRecorded(f"{path} is of version {version}; this tool knows version {VERSION}; nothing was done")
        if sound != "ok" or base.execute(_TOUCHED).fetchone()[0]:
            raise NotRecorded(f"{path}: the file is damaged; nothing was done")
        yield base


def new_document(path: str, name: str) -> None:
    """Raise NotRecorded where a document of that name is recorded."""
    with opened(path) as base:
        if base.execute("SELECT 1 FROM document WHERE document = ?", (name,)).fetchone():
            raise NotRecorded(_TAKEN.format(name))


def record(
    path: str, kind: str, document: Recording, movements: Sequence[Movement],
    lots: Mapping[str, Mapping[str, str]] | None = None, delimiter: str = "",
) -> None:  # fmt: skip
    """Add a document with its movements, and lots that are new (finished product, if so moved), all or nothing.

    Raises NotRecorded for a document that stands there already, a lot known with other cells, or a balance below zero.
    """
    with _recording(path, kind, document) as base:
        if delimiter:
            base.execute("INSERT INTO setting VALUES ('delimiter', ?) ON CONFLICT DO NOTHING", (delimiter,))
            (kept,) = base.execute("SELECT value FROM setting WHERE name = 'delimiter'").fetchone()
            if kept != delimiter:
                raise NotRecorded("other tables of this ledger part their cells in another way; nothing was recorded")
        product = {movement.lot for movement in movements if movement.kind == "product"}
        for name, cells in (lots or {}).items():
            _add_lot(base, name, cells, product=name in product)
        for movement in movements:
            _one_name(base, movement.batch)
            if kind == "sell":
                _free(base, movement.lot or "")
            _add(base, document.name, movement)


HOLD = "hold: "
"""How the reason of a batch begins that may not be made, or not sold under its name."""


def held(base: sqlite3.Connection, batch: str) -> str:
    """Why a batch is on hold by the last document that judged it, or nothing."""
    asked = "SELECT reason FROM document WHERE kind IN ('make', 'correct') AND document IN (SELECT document FROM live "
    found = base.execute(asked + "WHERE batch = ?) ORDER BY rowid DESC", (batch,)).fetchone()
    return str(found[0]) if found and found[0].startswith(HOLD) else ""


def _one_name(base: sqlite3.Connection, batch: str) -> None:
    """A batch has no name that a lot of material has: a trace of the one would be taken for the other's."""
    if unprintable(batch):
        raise NotRecorded(f"{batch!r} holds {hidden(batch)}; nothing was recorded")
    if base.execute("SELECT 1 FROM lot WHERE lot = ? AND NOT product", (batch,)).fetchone():
        raise NotRecorded(f"{batch!r} is a lot: a batch needs a code of its own; nothing was recorded")


def _free(base: sqlite3.Connection, lot: str) -> None:
    made = "SELECT batch FROM live WHERE lot = ? AND kind IN ('product', 'rework')"
    for (batch,) in base.execute(made, (lot,)).fetchall():
        if why := held(base, batch):
            raise NotRecorded(f"{lot} is on {why}; nothing was recorded")


@contextmanager
def _recording(path: str, kind: str, document: Recording) -> Iterator[sqlite3.Connection]:
    """A ledger in which a document has been begun; all that follows is recorded with it, or nothing."""
    for text in (document.name, document.person, document.party, document.reason):
        if unprintable(text):
            raise NotRecorded(f"{text!r} holds {hidden(text)}; nothing was recorded")
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    values = (document.name, kind, document.at, document.person, document.party, document.reason, now)
    with opened(path) as base:
        base.execute("BEGIN IMMEDIATE")
        try:
            base.execute("INSERT INTO document VALUES (?, ?, ?, ?, ?, ?, ?)", values)
            yield base
            base.execute("COMMIT")
        except BaseException as error:
            base.execute("ROLLBACK") if base.in_transaction else None
            if isinstance(error, sqlite3.IntegrityError):
                raise NotRecorded(_TAKEN.format(document.name)) from None
            raise


def _add_lot(base: sqlite3.Connection, name: str, cells: Mapping[str, str], *, product: bool) -> None:
    held = base.execute("SELECT cells FROM lot WHERE lot = ?", (name,)).fetchone()
    if held is None:
        if not product and base.execute("SELECT 1 FROM movement WHERE batch = ?", (name,)).fetchone():
            raise NotRecorded(f"{name!r} is a batch: a lot needs a name of its own; nothing was recorded")
        base.execute("INSERT INTO lot VALUES (?, ?, ?)", (name, json.dumps(cells, ensure_ascii=False), product))
        return
    known = json.loads(held[0])
    stock = ("on_hand_kg", "on_hand_lb")
    unlike = [key for key in {**known, **cells} if key not in stock and known.get(key, "") != cells.get(key, "")]
    if unlike:
        raise NotRecorded(f"the lot {name!r} is known with another {unlike[0]}: {known.get(unlike[0], '')!r}")


def _add(base: sqlite3.Connection, document: str, movement: Movement, reverses: int | None = None) -> None:
    values = (document, movement.kind, movement.lot, movement.item, units(movement.kilograms),
              units(movement.into_batch), movement.batch, reverses)  # fmt: skip
    try:
        base.execute(f"INSERT INTO movement ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", values)
    except sqlite3.IntegrityError as error:
        if str(error) == "below zero":
            left = trimmed(balance(base, movement.lot or ""), 6)
            if base.execute("SELECT 1 FROM lot WHERE lot = ?", (movement.lot,)).fetchone():
                raise NotRecorded(f"{movement.lot}: only {left} kg are there; nothing was recorded") from None
        if "reverses" in str(error):
            raise NotRecorded("it is reversed already; nothing was recorded") from None
        raise NotRecorded(f"the lot {movement.lot!r} is not in the ledger; nothing was recorded") from None


def balance(base: sqlite3.Connection, lot: str) -> Fraction:
    """Kilograms of a lot that are there."""
    (found,) = base.execute("SELECT COALESCE(SUM(units), 0) FROM movement WHERE lot = ?", (lot,)).fetchone()
    return Fraction(found) * UNIT


def count(path: str, document: Recording, lot: str, kilograms: Fraction) -> Fraction:
    """Record what was counted of a lot; returns the difference to what should be there."""
    with _recording(path, "count", document) as base:
        found = kilograms - balance(base, lot)
        _add(base, document.name, Movement("count", lot, found))
    return found


def reverse(path: str, wrong: str, document: Recording) -> int:
    """Take every movement of a document back by one more of its own; returns how many."""
    with _recording(path, "reverse", document) as base:
        asked = "SELECT id, lot, item, units, into_batch, batch FROM movement WHERE document = ? AND reverses IS NULL"
        rows = base.execute(asked, (wrong,)).fetchall()
        if not rows:
            raise NotRecorded(f"there is no document {wrong!r} that could be reversed; nothing was recorded")
        for number, lot, item, held, into, batch in sorted(rows, key=lambda row: int(row[3])):
            _add(base, document.name, Movement("reverse", lot, -held * UNIT, batch, item, -into * UNIT), number)
    return len(rows)


def backup(path: str, to: str) -> None:
    """Copy the ledger, whole, to a file that is not there, while others may be recording."""
    if os.path.exists(to):
        raise NotRecorded(f"{to} is there already; nothing was copied")
    with opened(path) as base, _said(to), closing(sqlite3.connect(to)) as copy:
        base.backup(copy)


def lots_of(base: sqlite3.Connection) -> Iterator[tuple[str, dict[str, str], bool, Fraction]]:
    """Every lot in the order it came, with its cells as typed, whether it is finished product, and its balance."""
    for name, cells, product in base.execute("SELECT lot, cells, product FROM lot ORDER BY rowid").fetchall():
        yield name, json.loads(cells), bool(product), balance(base, name)


LAST = 5
"""Batches of a recipe that its measured yield is of."""
_CAME_OUT = """
SELECT lot.cells, SUM(into_batch), SUM(CASE WHEN kind = 'product' THEN units ELSE 0 END),
  SUM(CASE WHEN kind = 'rework' THEN units ELSE 0 END)
FROM live JOIN lot ON lot.lot = live.batch AND lot.product WHERE kind IN ('pull', 'addition', 'product', 'rework')
GROUP BY batch ORDER BY MAX(at) DESC, MAX(id) DESC"""


@dataclass(frozen=True)
class MeasuredYield:
    """Finished weight, % of what was weighed in and not kept as rework: median and spread of the last batches."""

    median_pct: Exact
    lowest_pct: Exact
    highest_pct: Exact
    batches: int

    def words(self) -> str:
        """The same in words."""
        if self.batches == 1:
            return f"{shown(self.median_pct, 1)} % came out of the last batch"
        spread = f"{shown(self.lowest_pct, 1)} to {shown(self.highest_pct, 1)}"
        return f"{shown(self.median_pct, 1)} % ({spread}) came out of the last {self.batches} batches"


def measured_yield(path: str, recipe: str) -> MeasuredYield | None:
    """The yield of a recipe's last batches, by its name; None where nothing that came out was weighed."""
    with opened(path) as base:
        rows = base.execute(_CAME_OUT).fetchall()
    found = [
        PERCENT * Fraction(out, into - rework) for cells, into, out, rework in rows
        if json.loads(cells).get("material") == recipe and into > rework
    ][:LAST]  # fmt: skip
    return MeasuredYield(statistics.median(found), min(found), max(found), len(found)) if found else None


@dataclass(frozen=True)
class Past:
    """Who sent each lot, as far as it is known, and every document's name: none of them is free for a batch."""

    suppliers: dict[str, str]
    taken: frozenset[str]

    @classmethod
    def of(cls, lots: str) -> Past:
        """Of a ledger; nothing where the lots stand in a table."""
        if not is_ledger(lots):
            return cls({}, frozenset())
        with opened(lots) as base:
            sent = base.execute("SELECT lot, party FROM live WHERE kind = 'receive' AND party <> ''").fetchall()
            return cls(dict(sent), frozenset(name for (name,) in base.execute("SELECT document FROM document")))

    def free_code(self, day: date, nth: int = 1) -> str:
        """The nth code of a day that is not used: L, the day and a running number, short enough to write by hand."""
        codes = (f"L{day:%y%m%d}-{number}" for number in itertools.count(1))
        return next(itertools.islice((code for code in codes if code not in self.taken), nth - 1, None))
