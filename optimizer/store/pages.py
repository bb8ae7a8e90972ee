"""What the ledger says: balances, and a trace, as pages, picture and documents.

A trace goes from a lot forward, from a batch back, through rework and sales; every kilogram accounted for, the
difference named. The whole batch is at risk, not the lot's share of it. What was reversed is left out.
"""

import json
import sqlite3
import time
from calendar import monthrange
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date as Day
from fractions import Fraction

from constraints.as_typed import ZERO, shown, trimmed
from constraints.library import shipped
from constraints.treatment import load_treatments
from optimizer.ledger import HOLD, UNIT, NotRecorded, Past, balance, held, lots_of, opened
from optimizer.pages.chart import render
from optimizer.pages.tables import heading, paragraph, table, titled
from optimizer.reading.lot_checks import says_yes
from optimizer.reading.lots import taught
from optimizer.record import Figure, Record, at
from optimizer.wording import day_words

_HEADS = ("lot", "what", "kg", "use by", "from", "came", "fat typed", "by tests", "+-")
_COLUMN, _ROW, _WIDE = 250, 46, 190


class StockLot(Record):
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


class StockList(Record):
    """The answer of ``trimwright stock show``."""

    date: Day
    lots: list[StockLot]


def stock_on(path: str, day: Day) -> StockList:
    """Every lot with its balance, whether it may be used, and its fat as typed and by the tests."""
    sent = Past.of(path).suppliers
    rows = []
    with opened(path) as base:
        told = taught(base)
        lots = {lot.lot: lot for lot in told.lots} if told else {}
        for name, cells, product, left in lots_of(base):
            lot, by = lots.get(name), cells.get("use_by", "")
            rows.append(StockLot(
                lot=name, what=cells.get("material", ""), product=product, kg=left, use_by=by,
                past=bool(by) and by < day.isoformat(),
                hold=held(base, name) or (HOLD if says_yes(cells.get("on_hold", "")) else ""),
                supplier=cells.get("supplier") or sent.get(name, ""), received=cells.get("received", ""),
                typed_fat_pct=cells.get("fat_pct", ""), fat_pct=lot and lot.fat_pct,
                fat_sd_pct=lot and lot.fat_sd_pct, out_of_line=lot is not None and lot.out_of_line,
            ))  # fmt: skip
    return StockList(date=day, lots=rows)


def stock_page(stock: StockList, *, full: bool = False) -> str:
    """Every lot with its balance, product apart; ``full`` adds where it came from and what the tests say."""
    lines: list[str] = []
    for title, wanted in (("stock", False), ("product", True)):
        own = [_cells(row, full=full) for row in stock.lots if row.product is wanted]
        lines += titled(title, _HEADS[: len(own[0])], own, "<<><<<>>>"[: len(own[0])]) if own else []
    return "\n".join(lines or ["The ledger is empty."]) + "\n"


def _cells(row: StockLot, *, full: bool) -> list[str]:
    marks = [word for word, true in (("past", row.past), ("on hold", row.hold)) if true]
    cells = [row.lot, row.what, _kg(row.kg), " ".join([row.use_by, *marks]).strip()]
    fat = ("! " if row.out_of_line else "") + f"{float(row.fat_pct):.1f}" if row.fat_pct else ""
    tests = [fat, f"{float(row.fat_sd_pct):.1f}" if row.fat_sd_pct else ""]
    return [*cells, row.supplier, row.received, row.typed_fat_pct, *tests] if full else cells


def stock_html(stock: StockList) -> str:
    """The same as a page that prints."""
    return render("store/stock.html", title=f"Stock, {day_words(stock.date)}", heads=_HEADS,
                  rows=[_cells(row, full=True) for row in stock.lots])  # fmt: skip


def taught_page(path: str) -> str:
    """What the tests say of each lot's fat beside what was typed, and which lots are out of line."""
    with opened(path) as base:
        told, typed = taught(base), {name: cells.get("fat_pct", "") for name, cells, _, _ in lots_of(base)}
    if told is None:
        return "Recorded. Nothing is learnt of the lots: a lot in it states neither fat_sd_pct nor fat_method.\n"
    each = ((x.lot, shown(x.fat_pct, 2), shown(x.fat_sd_pct, 2), f"{x.standard_errors:.1f}") for x in told.lots)
    rows = [[lot, typed[lot], *figures] for lot, *figures in each]
    heads = ("lot", "fat typed", "by the tests", "+-", "moved, standard errors")
    lines = [*heading("what the tests say"), *table(heads, rows, "<>>>>")]
    if told.out_of_line:
        lines += paragraph(f"out of line by more than their errors explain: {', '.join(told.out_of_line)}", "! ")
    return "\n".join(lines) + "\n"


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
    way: str
    """Where it was traced to: forward or back."""
    lots: dict[str, LotBook] = field(default_factory=dict)
    batches: dict[str, BatchBook] = field(default_factory=dict)
    lines: list[TraceLine] = field(default_factory=list)
    seconds: float = 0

    @property
    def at_risk_kg(self) -> Fraction:
        """Kilograms of every batch reached, whole."""
        return sum((book.lots + book.additions for book in self.batches.values()), ZERO)

    @property
    def left_kg(self) -> Fraction:
        """Kilograms that are left of every lot reached."""
        return sum((book.left for book in self.lots.values()), ZERO)

    def of(self, *kinds: str) -> list[TraceLine]:
        """The lines of some kinds, in order."""
        return [line for line in self.lines if line.kind in kinds]


class Traced(Record):
    """The answer of ``trimwright trace``."""

    name: str
    direction: str = at("way")
    kg_at_risk: Figure = at("at_risk_kg")
    kg_left: Figure = at("left_kg")
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
        is_batch = bool(name) and base.execute("SELECT 1 FROM live WHERE batch = ?", (name,)).fetchone() is not None
        if not is_batch and base.execute("SELECT 1 FROM lot WHERE lot = ?", (name,)).fetchone() is None:
            raise NotRecorded(f"{path} knows neither a lot nor a batch named {name!r}")
        forward = not (is_batch if back is None else back)
        found = Trace(name, "forward" if forward else "back")
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
            onward = ("product", "rework") if of_batch is forward else ("pull",)
            there = (line for line in lines.values() if line.kind in onward)
            left += [(not of_batch, line.lot if of_batch else line.batch) for line in there]
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


def trace_page(found: Trace, *, full: bool = False) -> str:
    """The trace in the order a caller asks: who has it, which batches, which lots, who supplied, the books.

    ``full`` adds every document with its kind and reason.
    """
    lines = [*paragraph(f"{found.name}, traced {found.way} in {found.seconds:.2f} s")]
    if found.way == "forward":
        risk, left = _kg(found.at_risk_kg), _kg(found.left_kg)
        many = "batch" if len(found.batches) == 1 else "batches"
        lines += paragraph(f"At risk: {risk} kg in {len(found.batches)} {many}, whole batches counted; {left} kg left.")
    lines += paragraph(CAUTION)
    lines += titled("who received it", ("to", "lot", "kg", "when", "document", "by"), [
        [line.party, line.lot, _kg(line.kilograms), _time(line.at), line.document, line.person]
        for line in found.of("sell")
    ], "<<><<<")  # fmt: skip
    lines += titled("who supplied it", ("from", "lot", "what", "kg", "when", "document"), [
        [line.party or cells.get("supplier", ""), line.lot, cells.get("material", ""), _kg(line.kilograms),
         _time(line.at), line.document]
        for line in found.of("receive", "return") for cells in [found.lots[line.lot].as_received]
    ], "<<<><<")  # fmt: skip
    lines += titled("what went into which batch", ("batch", "lot or item", "kg", "when", "by"), [
        [line.batch, line.lot or line.item, _kg(line.into_batch), _time(line.at), line.person]
        for line in found.of("pull", "addition")
    ], "<<><<")  # fmt: skip
    books = ("lot", "came", "used", "sold", "wasted", "left", "unexplained")
    lines += titled("books of the lots, kg held", books, [
        [b.lot, *map(_kg, (b.came, b.used, b.sold, b.wasted, b.left, b.unexplained))] for b in found.lots.values()
    ], "<>>>>>>")  # fmt: skip
    lines += titled("books of the batches, kg", ("batch", "lots", "additions", "product", "rework", "lost or in it"), [
        [b.batch, *map(_kg, (b.lots, b.additions, b.product, b.rework, b.unexplained))] for b in found.batches.values()
    ], "<>>>>>")  # fmt: skip
    papers = dict.fromkeys((line.document, line.kind, _time(line.at), line.person, line.reason) for line in found.lines)
    lines += titled("documents", ("document", "what", "when", "by", "why"), list(papers), "<<<<<") if full else []
    return "\n".join([*lines, *_papers(found)]) + "\n"


def _papers(found: Trace) -> Iterator[str]:
    """How long the papers of the last supply are kept, by each place whose figure is known."""
    days = [line.at[:10] for line in found.of("sell")]
    if not days:
        return
    yield from heading("papers")
    last = Day.fromisoformat(max(days))
    for place in filter(None, map(load_treatments, shipped("treatments"))):
        if (papers := place.papers) is not None:
            start = last.replace(month=12, day=31) if papers.from_year_end else last
            until = day_words(keep_through(start, papers.years))
            yield from paragraph(f"{place.title}: keep them through {until} [{papers.source}; {papers.status}]")


def keep_through(day: Day, years: int) -> Day:
    """The same day so many years later; the last of February for a leap day."""
    return Day(day.year + years, day.month, min(day.day, monthrange(day.year + years, day.month)[1]))


def _time(at: str) -> str:
    return at[:16].replace("T", " ")


def _kg(kilograms: Fraction) -> str:
    return trimmed(kilograms, 6)


def picture(found: Trace) -> str:
    """Lots, batches and receivers as boxes in the order of time from left to right, with the lines between them."""
    moved = [(line.lot, line.batch, line.kilograms) for line in found.of("pull")]
    moved += [(line.batch, line.lot, line.kilograms) for line in found.of("product", "rework")]
    moved += [(line.lot, f"to {line.party}", line.kilograms) for line in found.of("sell")]
    links: dict[tuple[str, str], Fraction] = defaultdict(Fraction)
    for start, end, kilograms in moved:
        if start != end:
            links[start, end] += kilograms
    names = list(dict.fromkeys((found.name, *(name for link in links for name in link))))
    depth = dict.fromkeys(names, 0)
    for _ in names:
        for start, end in links:
            depth[end] = max(depth[end], min(depth[start] + 1, len(names)))
    rows: dict[int, int] = {}
    at = {}
    for name in names:
        at[name] = (depth[name] * _COLUMN + 10, rows.setdefault(depth[name], 0) * _ROW + 10)
        rows[depth[name]] += 1
    boxes = [{"name": n, "x": x, "y": y, "kind": "batch" if n in found.batches else "lot"} for n, (x, y) in at.items()]
    drawn = [(at[a][0] + _WIDE, at[a][1] + 17, at[b][0], at[b][1] + 17) for a, b in links]
    across, down = (max(depth.values()) + 1) * _COLUMN, max(rows.values()) * _ROW + 20
    rows_of = [(a, b, _kg(kilograms)) for (a, b), kilograms in links.items()]
    return render("store/trace.html", title=f"{found.name}: trace {found.way}", boxes=boxes, links=drawn, wide=_WIDE,
                  width=across, down=down, rows=rows_of)  # fmt: skip
