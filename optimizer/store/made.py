"""Recording in the ledger: tables of lots received, and batches as weighed with what came of them."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from fractions import Fraction
from math import ceil, floor

from constraints.cure import NITRATE_SALTS, NITRITE_SALTS, Salts
from constraints.document import read_text
from constraints.faults import BadInput, Fault
from constraints.formula import Batch
from constraints.ingredients import FAT, MOISTURE, PROTEIN, SALT, Lot
from constraints.numbers import PERCENT, trimmed
from constraints.quantities import Basis
from optimizer.as_weighed import batch_of
from optimizer.ledger import UNIT, Document, Movement, is_ledger, new_document, opened, record
from optimizer.reading.lots import LotTable, parse_lots, read_lots
from optimizer.reading.recipe import Recipe, read_recipe
from optimizer.reading.stocked import exported
from optimizer.reading.table import cut
from optimizer.reading.weighed import WeighedItem, read_weighed
from optimizer.summary import composition, weight

GRAM = Fraction(1, 1000)
DECIMALS = 6


def receive(path: str, table: str, document: Document) -> int:
    """Record every lot of a lots table as received; returns how many. Raises BadInput for a faulty table."""
    text = read_text(table)
    read = parse_lots(text, table)
    cells, _ = cut(text, table)
    assert cells is not None
    rows = [
        {key: cell.strip() for key, cell in zip(cells.header, row, strict=True) if key and cell.strip()}
        for row in cells.rows
    ]
    movements = [Movement("receive", lot.name, lot.on_hand_kg) for lot in read.lots]
    record(path, "receive", document, movements, {row["lot"]: row for row in rows}, delimiter=cells.delimiter)
    return len(rows)


def batch_in(recipe: Recipe, table: LotTable, batch: str, lots: str) -> tuple[Batch, LotTable, bool]:
    """What is in a batch: from its file, or by its code from a ledger; with the lots, and whether it is off them.

    Raises BadInput where a ledger knows neither, or has product of it already.
    """
    faults: list[Fault] = []
    taken = not os.path.exists(batch) and batch != "-" and is_ledger(lots)
    if taken:
        table = parse_lots(exported(lots, every=True), lots)
    every = _recorded(lots, batch) if taken else read_weighed(batch, recipe.entry.name)
    found = batch_of(recipe, table, [item for item in every if not item.load], batch, faults)
    if faults:
        raise BadInput(faults)
    return found, table, taken


def _recorded(path: str, code: str) -> tuple[WeighedItem, ...]:
    """What a ledger says went into a batch. Raises BadInput where that is nothing, or it was made already."""
    with opened(path) as base:
        rows = base.execute("SELECT kind, lot, item, into_batch FROM live WHERE batch = ?", (code,)).fetchall()
    if not rows or any(kind == "product" for kind, *_ in rows):
        why = "product of it is recorded: what is made is not ground any more" if rows else "no file and no such batch"
        raise BadInput([Fault(path, None, None, f"{code}: {why}", "a file, or the code of a batch not yet stuffed")])
    total: dict[str, Fraction] = {}
    for _, lot, item, into in rows:
        total[lot or item] = total.get(lot or item, Fraction(0)) + into * UNIT
    return tuple(WeighedItem(name, kg) for name, kg in total.items())


def make(
    path: str, weighed: str, recipe: str, document: Document, out_kg: Fraction | None, rework_kg: Fraction | None
) -> str:
    """Record a batch as weighed: its pulls, its additions, and what came out of it as lots of their own.

    Returns what is odd of it in words, or nothing.

    The batch's code is the document's name; its product is the lot of that name, its rework ``CODE rework``.
    """
    new_document(path, document.name)  # said before the lots it used up are missed
    read, table = read_recipe(recipe), read_lots(path)
    faults: list[Fault] = []
    items = [item for item in read_weighed(weighed) if not item.load]
    batch = batch_of(read, table, items, weighed, faults)
    if faults:
        raise BadInput(faults)
    held = {item.name: item.held_kg for item in items if item.held_kg is not None}
    code = document.name
    movements, lots, product = list(_went_in(batch, held, code)), {}, frozenset({code})
    if out_kg is not None:
        lots[code] = {"lot": code, "material": read.entry.name}
        movements.append(Movement("product", code, out_kg, code))
    if rework_kg is not None:
        again = f"{code} rework"
        lots[again] = _rework(again, read, batch, document.at[:10]) | {"on_hand_kg": trimmed(rework_kg, 10)}
        parse_lots(_one_line(lots[again]), f"the rework of {code}")
        movements.append(Movement("rework", again, rework_kg, code))
    record(path, "make", document, movements, lots, product=product)
    came, went = (out_kg or 0) + (rework_kg or 0), weight(batch, Basis.BATCH)
    return f"; {trimmed(Fraction(came), 4)} kg came out of {trimmed(went, 4)} kg: weigh again" if came > went else ""


def _went_in(batch: Batch, held: dict[str, Fraction], code: str) -> Iterator[Movement]:
    """Pulls as held, bone and all, and additions; what is a gram from all of a lot is all of it."""
    for item, kilograms in batch.kilograms.items():
        into = round(kilograms / UNIT) * UNIT
        if not isinstance(item, Lot):
            yield Movement("addition", None, Fraction(0), code, item.name, into)
            continue
        pulled = held.get(item.name, item.held_kg(kilograms))
        whole = abs(pulled - item.on_hand_kg) < GRAM
        yield Movement("pull", item.name, -round((item.on_hand_kg if whole else pulled) / UNIT) * UNIT, code, "", into)


def _rework(name: str, recipe: Recipe, batch: Batch, day: str) -> dict[str, str]:
    """The cells of a lot of rework: what a later batch must know of it."""
    lots = [(item, kg) for item, kg in batch.kilograms.items() if isinstance(item, Lot)]
    figures = composition(batch, Basis.BATCH, (FAT, MOISTURE, PROTEIN, SALT))
    total, green = weight(batch, Basis.BATCH), weight(batch, Basis.GREEN)
    worth = sum((kg * lot.book_per_kg for lot, kg in lots), Fraction(0)) / total
    nitrite, nitrate = (
        batch.amount(Salts(tuple((Fraction(1), name) for name, _ in salts))) for salts in (NITRITE_SALTS, NITRATE_SALTS)
    )
    put_in = nitrite / green if green else Fraction(0)
    dates = [lot.use_by for lot, _ in lots if lot.use_by is not None]
    cells = {key: trimmed(value, DECIMALS) for key, value in figures.items()} | {
        "lot": name,
        "material": f"{recipe.entry.name}, rework",
        "species": " and ".join(dict.fromkeys(lot.species for lot, _ in lots if lot.species)),
        "cost_per_kg": trimmed(worth, DECIMALS),
        "received": day,
        "use_by": min(dates).isoformat() if dates else "",
        "rework": "yes",
        "cured": "yes" if nitrite or nitrate else "",
        "green_pct": trimmed(PERCENT * green / total, DECIMALS),
        "original_nitrite_ppm": trimmed(Fraction(ceil(put_in * 10**DECIMALS), 10**DECIMALS), DECIMALS),
        "nitrite_ppm": trimmed(Fraction(floor(100 * nitrite / total), 100)) if nitrite or nitrate else "",
        "nitrate_ppm": trimmed(nitrate / total, DECIMALS) if nitrite or nitrate else "",
    }
    return {key: cell for key, cell in cells.items() if cell}


def _one_line(cells: dict[str, str]) -> str:
    """The cells as a table of one lot."""
    return "\n".join(",".join(json.dumps(x, ensure_ascii=False) for x in row) for row in (cells, cells.values())) + "\n"
