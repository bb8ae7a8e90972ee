"""What is printed of the ledger: balances, and a trace as a page and as a picture."""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date as Day
from fractions import Fraction

from constraints.numbers import ZERO, shown, trimmed
from constraints.treatment import load_treatments, places
from optimizer.ledger import HOLD, held, lots_of, opened
from optimizer.pages.chart import render
from optimizer.pages.tables import heading, paragraph, table
from optimizer.past import Past
from optimizer.reading.stocked import taught
from optimizer.record import Figure, Record
from optimizer.store.trace import CAUTION, Trace
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


class Stock(Record):
    """The answer of ``trimwright stock show``."""

    date: Day
    lots: list[StockLot]


def stock_rows(path: str, day: Day) -> list[StockLot]:
    """Every lot with its balance, whether it may be used, and its fat as typed and by the tests."""
    sent = Past.of(path).suppliers
    rows = []
    with opened(path) as base:
        told = taught(base)
        for name, cells, product, left in lots_of(base):
            fat, sd = told.of(name) if told and name in told.names else (None, None)
            by = cells.get("use_by", "")
            rows.append(StockLot(
                lot=name, what=cells.get("material", ""), product=product, kg=left, use_by=by,
                past=bool(by) and by < day.isoformat(),
                hold=held(base, name) or (HOLD if cells.get("on_hold") in ("yes", "true", "1") else ""),
                supplier=cells.get("supplier") or sent.get(name, ""), received=cells.get("received", ""),
                typed_fat_pct=cells.get("fat_pct", ""), fat_pct=fat, fat_sd_pct=sd,
                out_of_line=told is not None and name in told.out_of_line,
            ))  # fmt: skip
    return rows


def stock_page(rows: Sequence[StockLot], *, full: bool = False) -> str:
    """Every lot with its balance, product apart; ``full`` adds where it came from and what the tests say."""
    lines: list[str] = []
    for title, wanted in (("stock", False), ("product", True)):
        own = [_cells(row, full=full) for row in rows if row.product is wanted]
        if own:
            lines += heading(title) + table(_HEADS[: len(own[0])], own, "<<><<<>>>"[: len(own[0])])
    return "\n".join(lines or ["The ledger is empty."]) + "\n"


def _cells(row: StockLot, *, full: bool) -> list[str]:
    marks = [word for word, true in (("past", row.past), ("on hold", row.hold)) if true]
    cells = [row.lot, row.what, _kg(row.kg), " ".join([row.use_by, *marks]).strip()]
    fat = ("! " if row.out_of_line else "") + f"{float(row.fat_pct):.1f}" if row.fat_pct else ""
    tests = [fat, f"{float(row.fat_sd_pct):.1f}" if row.fat_sd_pct else ""]
    return [*cells, row.supplier, row.received, row.typed_fat_pct, *tests] if full else cells


def stock_html(rows: Sequence[StockLot], day: Day) -> str:
    """The same as a page that prints."""
    return render("store/stock.html", title=f"Stock, {day_words(day)}", heads=_HEADS,
                  rows=[_cells(row, full=True) for row in rows])  # fmt: skip


def taught_page(path: str) -> str:
    """What the tests say of each lot's fat beside what was typed, and which lots are out of line."""
    with opened(path) as base:
        told, typed = taught(base), {name: cells.get("fat_pct", "") for name, cells, _, _ in lots_of(base)}
    if told is None:
        return "Recorded. Nothing is learnt of the lots: a lot in it states neither fat_sd_pct nor fat_method.\n"
    rows = []
    for name, moved in zip(told.names, told.moved, strict=True):
        fat, sd = told.of(name)
        rows.append([name, typed[name], shown(fat, 2), shown(sd, 2), f"{moved:.1f}"])
    heads = ("lot", "fat typed", "by the tests", "+-", "moved, standard errors")
    lines = [*heading("what the tests say"), *table(heads, rows, "<>>>>")]
    if told.out_of_line:
        lines += paragraph(f"out of line by more than their errors explain: {', '.join(told.out_of_line)}", "! ")
    return "\n".join(lines) + "\n"


def trace_page(found: Trace, *, full: bool = False) -> str:
    """The trace in the order a caller asks: who has it, which batches, which lots, who supplied, the books.

    ``full`` adds every document with its kind and reason.
    """
    lines = [*paragraph(f"{found.name}, traced {found.way} in {found.seconds:.2f} s")]
    if found.forward:
        risk, left = _kg(found.at_risk_kg), _kg(sum((book.left for book in found.lots.values()), ZERO))
        many = "batch" if len(found.batches) == 1 else "batches"
        lines += paragraph(f"At risk: {risk} kg in {len(found.batches)} {many}, whole batches counted; {left} kg left.")
    lines += paragraph(CAUTION)
    lines += _listed("who received it", ("to", "lot", "kg", "when", "document", "by"), [
        [line.party, line.lot, _kg(line.kilograms), _time(line.at), line.document, line.person]
        for line in found.of("sell")
    ])  # fmt: skip
    lines += _listed("who supplied it", ("from", "lot", "what", "kg", "when", "document"), [
        [line.party or cells.get("supplier", ""), line.lot, cells.get("material", ""), _kg(line.kilograms),
         _time(line.at), line.document]
        for line in found.of("receive", "return") for cells in [found.lots[line.lot].as_received]
    ])  # fmt: skip
    lines += _listed("what went into which batch", ("batch", "lot or item", "kg", "when", "by"), [
        [line.batch, line.lot or line.item, _kg(line.into_batch), _time(line.at), line.person]
        for line in found.of("pull", "addition")
    ])  # fmt: skip
    books = ("lot", "came", "used", "sold", "wasted", "left", "unexplained")
    lines += _listed("books of the lots, kg held", books, [
        [b.lot, *map(_kg, (b.came, b.used, b.sold, b.wasted, b.left, b.unexplained))] for b in found.lots.values()
    ], "<>>>>>>")  # fmt: skip
    lines += _listed("books of the batches, kg", ("batch", "lots", "additions", "product", "rework", "lost or in it"), [
        [b.batch, *map(_kg, (b.lots, b.additions, b.product, b.rework, b.unexplained))] for b in found.batches.values()
    ], "<>>>>>")  # fmt: skip
    papers = dict.fromkeys((line.document, line.kind, _time(line.at), line.person, line.reason) for line in found.lines)
    lines += _listed("documents", ("document", "what", "when", "by", "why"), list(papers)) if full else []
    return "\n".join([*lines, *_papers(found)]) + "\n"


def _papers(found: Trace) -> Iterator[str]:
    """How long the papers of the last supply are kept, by each place whose figure is known."""
    days = [line.at[:10] for line in found.of("sell")]
    if not days:
        return
    yield from heading("papers")
    last = Day.fromisoformat(max(days))
    for place in filter(None, map(load_treatments, places())):
        if (papers := place.papers) is not None:
            until = keep_through(last.replace(month=12, day=31) if papers.from_year_end else last, papers.years)
            yield from paragraph(f"{place.title}: keep them through {until} [{papers.source}; {papers.status}]")


def keep_through(day: Day, years: int) -> Day:
    """The same day so many years later; the last of February for a leap day."""
    return Day(day.year + years, day.month, min(day.day, monthrange(day.year + years, day.month)[1]))


def _listed(title: str, names: Sequence[str], rows: Sequence[Sequence[str]], align: str = "") -> Iterator[str]:
    if rows:
        yield from heading(title)
        yield from table(names, rows, align or "".join(">" if name == "kg" else "<" for name in names))


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
