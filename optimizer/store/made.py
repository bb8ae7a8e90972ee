"""Recording in the ledger: tables of lots received, and batches as weighed with what came of them."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil, floor

from constraints.cure import NITRATE_SALTS, NITRITE_SALTS, Salts
from constraints.document import read_text
from constraints.faults import BadInput, Fault
from constraints.formula import Batch
from constraints.ingredients import FAT, MOISTURE, PROTEIN, SALT, Lot
from constraints.numbers import PERCENT, trimmed
from constraints.quantities import Basis, MissingProperty
from optimizer.as_weighed import batch_of
from optimizer.findings import Report, check
from optimizer.ledger import (
    HOLD,
    UNIT,
    Document,
    Movement,
    NotRecorded,
    held,
    is_ledger,
    new_document,
    opened,
    record,
)
from optimizer.mass import Found, ground_of
from optimizer.problem import barred
from optimizer.reading.lots import LotTable, parse_lots, read_lots
from optimizer.reading.recipe import Recipe, read_recipe
from optimizer.reading.stocked import exported
from optimizer.reading.table import cut
from optimizer.reading.weighed import WeighedItem, held_back, parse_weighed, read_weighed
from optimizer.summary import weight
from optimizer.taught import Assay, assay_of

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
    there, made = _there(path, code)
    if made or not there:
        why = "product of it is recorded: what is made is not ground any more" if made else "no file and no such batch"
        raise BadInput([Fault(path, None, None, f"{code}: {why}", "a file, or the code of a batch not yet stuffed")])
    return tuple(WeighedItem(name, into) for name, (_, into) in there.items())


def _there(path: str, code: str) -> tuple[dict[str, tuple[Fraction, Fraction]], bool]:
    """Kilograms as held and into the batch of all that is in it, by name, and whether product came out of it.

    What was held back was of the mass as it was, of all in it alike: before what a correction added, or as made.
    """
    asked = "SELECT document, kind, COALESCE(lot, item), units, into_batch FROM live WHERE batch = ? ORDER BY id"
    with opened(path) as base:
        rows = base.execute(asked, (code,)).fetchall()
    total: dict[str, tuple[Fraction, Fraction]] = {}
    for document in dict.fromkeys(row[0] for row in rows):
        lines = [row[1:] for row in rows if row[0] == document]
        back = sum((units * UNIT for kind, _, units, _ in lines if kind == "rework"), Fraction(0))
        if document != code:
            total = _less(total, back)
        for kind, name, taken, into in lines:
            if kind in ("pull", "addition"):
                before = total.get(name, (Fraction(0), Fraction(0)))
                total[name] = before[0] - taken * UNIT, before[1] + into * UNIT
        if document == code:
            total = _less(total, back)
    return {name: both for name, both in total.items() if both[1]}, any(r[1] == "product" for r in rows)


def _less(there: dict[str, tuple[Fraction, Fraction]], back: Fraction) -> dict[str, tuple[Fraction, Fraction]]:
    """What is in a batch, less so many kilograms of it as mixed."""
    mass = sum((into for _, into in there.values()), Fraction(0))
    kept = max(1 - back / mass, Fraction(0)) if mass else Fraction(1)
    return {name: (out * kept, into * kept) for name, (out, into) in there.items()}


@dataclass(frozen=True)
class Made:
    """A batch as it was recorded: what ``check`` says of it, why it is on hold, and what is odd, in words."""

    report: Report
    hold: str
    odd: str


def make(
    path: str, weighed: str, recipe: str, document: Document, out_kg: Fraction | None, rework_kg: Fraction | None
) -> Made:
    """Record a batch as weighed: its pulls, its additions, and what came out of it as lots of their own.

    The batch's code is the document's name; its product is the lot of that name, its rework ``CODE rework``. What was
    pulled for it before is not pulled again. What may not be made is recorded as on hold.
    """
    new_document(path, document.name)  # said before the lots it used up are missed
    read = read_recipe(recipe)
    there, _ = _there(path, document.name)
    items = read_weighed(weighed, read.entry.name)
    report = check(read, _as_before(path, there), items, weighed, date.fromisoformat(document.at[:10]))
    held = {item.name: item.held_kg for item in items if item.held_kg is not None and not item.load}
    moves = [*_went_in(report.batch, held, document.name, there), *_out(document.name, out_kg)]
    return _record(path, "make", document.name, document, report, report.batch, moves, rework_kg)


def correct(
    path: str,
    change: str,
    recipe: str,
    code: str,
    document: Document,
    out_kg: Fraction | None,
    rework_kg: Fraction | None,
) -> Made:
    """Record what was put into a batch that stands in the ledger, and what was held back of it as rework.

    ``change`` is a table of what was added, or the document of ``correct``, which says what is held back too unless
    ``rework_kg`` does. The whole batch is judged again.
    """
    new_document(path, document.name)
    read = read_recipe(recipe)
    there = _not_out(path, code)
    table, day, faults = _as_before(path, there), date.fromisoformat(document.at[:10]), list[Fault]()
    into = {name: kg for name, (_, kg) in there.items()}
    text = read_text(change)
    added = {i.name: i.kilograms for i in parse_weighed(text, change, read.entry.name, "add") if not i.load}
    rework_kg = held_back(text) if rework_kg is None else rework_kg
    kept = 1 - (rework_kg or Fraction(0)) / sum(into.values(), Fraction(0))
    if kept <= 0:
        raise NotRecorded(f"{code} holds no more than was held back of it; nothing was recorded")
    report = check(read, table, _together(into, added, kept), change, day)
    before, whole = (batch_of(read, table, _together(into, more), change, faults) for more in ({}, added))
    moves = [*_went_in(whole, {}, code, there), *_out(code, out_kg)]
    return _record(path, "correct", code, document, report, before, moves, rework_kg)


def _together(
    into: Mapping[str, Fraction], added: Mapping[str, Fraction], kept: Fraction = Fraction(1)
) -> list[WeighedItem]:
    """What is in a batch of which a part is kept and something added."""
    names = dict.fromkeys((*into, *added))
    return [WeighedItem(n, into.get(n, Fraction(0)) * kept + added.get(n, Fraction(0))) for n in names]


def _out(code: str, out_kg: Fraction | None) -> list[Movement]:
    """The product that came out."""
    return [] if out_kg is None else [Movement("product", code, out_kg, code)]


def _as_before(path: str, there: Mapping[str, tuple[Fraction, Fraction]]) -> LotTable:
    """The lots of a ledger, used up or not, with what is in a batch already put back."""
    table = parse_lots(exported(path, every=True), path)
    zero = (Fraction(0), Fraction(0))
    lots = (replace(lot, on_hand_kg=lot.on_hand_kg + there.get(lot.name, zero)[0]) for lot in table.lots)
    return replace(table, lots=tuple(lots))


def _record(
    path: str,
    kind: str,
    code: str,
    document: Document,
    report: Report,
    rework: Batch,
    movements: Sequence[Movement],
    rework_kg: Fraction | None,
) -> Made:
    """Record a batch that was judged, with what came out of it as lots of their own; ``rework`` is what that is of."""
    moves, lots = list(movements), dict[str, dict[str, str]]()
    hold = "; ".join(dict.fromkeys(_forbidding(report))) if report.forbidden else ""
    with opened(path) as base:
        before = held(base, code)  # what was held back of it is as it was
    out = sum((move.kilograms for move in moves if move.kind == "product"), Fraction(0))
    if out:
        lots[code] = {"lot": code, "material": report.recipe.entry.name}
    if rework_kg is not None:
        again = f"{document.name} rework"
        lots[again] = _rework(again, report.recipe, rework, document.at[:10])
        lots[again] |= {"on_hand_kg": trimmed(rework_kg, 10)} | ({"on_hold": "yes"} if hold or before else {})
        parse_lots(_one_line(lots[again]), f"the rework of {code}")
        moves.append(Movement("rework", again, rework_kg, code))
    signed = replace(document, reason=HOLD + hold) if hold else document
    record(path, kind, signed, moves, lots, product=frozenset({code}))
    came, went = out + (rework_kg if rework_kg and kind == "make" else 0), weight(report.batch, Basis.BATCH)
    odd = f"{trimmed(Fraction(came), 4)} kg came out of {trimmed(went, 4)} kg: weigh again" if came > went else ""
    return Made(report, hold, odd)


def _forbidding(report: Report) -> Iterator[str]:
    """Why a batch may not be made, or not sold under its name."""
    yield from report.unfit
    for part in report.each:
        yield from (f.requirement.words() for place in part.places for f in place.findings if f.forbids)
        yield from (f"{dose.item.name} is far off its dose" for dose in part.doses if dose.forbids)


def _went_in(
    batch: Batch, held: Mapping[str, Fraction], code: str, there: Mapping[str, tuple[Fraction, Fraction]]
) -> Iterator[Movement]:
    """Pulls as held, bone and all, and additions, less what is in already; a gram from all of a lot is all of it."""
    named = {item.name: item for item in batch.kilograms}
    for name in dict.fromkeys((*named, *there)):
        item, (had, had_into) = named.get(name), there.get(name, (Fraction(0), Fraction(0)))
        kilograms = batch.kilograms[item] if item is not None else Fraction(0)
        into = round((kilograms - had_into) / UNIT) * UNIT
        if not (isinstance(item, Lot) or had):
            yield from [Movement("addition", None, Fraction(0), code, name, into)] if into else []
            continue
        pulled = Fraction(0)
        if isinstance(item, Lot):
            pulled = held.get(name, had + item.held_kg(kilograms - had_into))
            pulled = item.on_hand_kg if abs(pulled - item.on_hand_kg) < GRAM else pulled
        if taken := round((pulled - had) / UNIT) * UNIT:
            yield Movement("pull", name, -taken, code, "", into)


def pull(path: str, lot: str, kilograms: Fraction, code: str, document: Document) -> str:
    """Take so much of a lot, as held, for a batch that will be made; returns why it may not go in, or nothing.

    Raises NotRecorded where it is not there.
    """
    new_document(path, code)  # what is made already is put right, not pulled for
    found = next((one for one in read_lots(path).lots if one.name == lot), None)
    if found is None:
        raise NotRecorded(f"the lot {lot!r} is not there; nothing was recorded")
    record(path, "pull", document, [Movement("pull", lot, -kilograms, code, "", _whole(kilograms * found.usable))])
    return barred(found, date.fromisoformat(document.at[:10]))


def sell(path: str, lot: str, kilograms: Fraction, document: Document) -> None:
    """Take out what was sold. Raises NotRecorded where it is on hold, past its use-by or not there."""
    found = next((one for one in read_lots(path).lots if one.name == lot), None)
    if found is not None and (why := barred(found, date.fromisoformat(document.at[:10]))):
        raise NotRecorded(f"{lot} is {why}; nothing was recorded")
    record(path, "sell", document, [Movement("sell", lot, -kilograms)])


def came_out(path: str, code: str, kilograms: Fraction, recipe: str, document: Document) -> None:
    """Record what came out of a batch that was recorded before. Raises NotRecorded where that is so already."""
    _not_out(path, code)
    cells = {"lot": code, "material": read_recipe(recipe).entry.name}
    record(path, "out", document, _out(code, kilograms), {code: cells}, product=frozenset({code}))


def _not_out(path: str, code: str) -> dict[str, tuple[Fraction, Fraction]]:
    """What is in a batch, as ``_there``. Raises NotRecorded where it is none, or product came out of it."""
    there, made = _there(path, code)
    if made or not there:
        why = "product of it is recorded" if made else "there is no such batch"
        raise NotRecorded(f"{code}: {why}; nothing was recorded")
    return there


def analysed(path: str, name: str, fat: Fraction, sd: Fraction, recipe: str | None, document: Document) -> None:
    """Record the fat found of a lot or of a batch as it is in the ledger, per cent, with its standard deviation.

    A batch needs its recipe, for the fat that additions bring. Raises NotRecorded and BadInput.
    """
    there, _ = _there(path, name)
    assay, faults = Assay({name: Fraction(1)}, fat, sd), list[Fault]()
    if there and recipe is None:
        raise NotRecorded(f"{name} is a batch: say --recipe, which has the fat of what was added; nothing was recorded")
    if there and recipe is not None:
        items = [WeighedItem(item, into) for item, (_, into) in there.items()]
        found = batch_of(read_recipe(recipe), _as_before(path, there), items, recipe, faults)
        try:
            assay = assay_of(found, fat, sd)
        except MissingProperty as missing:
            raise NotRecorded(f"{missing}; nothing was recorded") from None
    if faults:
        raise BadInput(faults)
    kept = {"fat_pct": str(fat), "sd": str(sd), "shares": {n: str(x) for n, x in assay.shares.items()}}
    line = json.dumps({**kept, "rest": str(assay.rest)}, ensure_ascii=False)
    lot, batch = (None, name) if there else (name, "")
    record(path, "test", document, [Movement("test", lot, Fraction(0), batch, line)])


def _whole(kilograms: Fraction) -> Fraction:
    return round(kilograms / UNIT) * UNIT


def _rework(name: str, recipe: Recipe, batch: Batch, day: str) -> dict[str, str]:
    """The cells of a lot of rework: what a later batch must know of it."""
    lot = ground_of(recipe, batch, None, Found(), name).lot
    total, green = weight(batch, Basis.BATCH), weight(batch, Basis.GREEN)
    nitrite, nitrate = (
        batch.amount(Salts(tuple((Fraction(1), name) for name, _ in salts))) for salts in (NITRITE_SALTS, NITRATE_SALTS)
    )
    put_in = nitrite / green if green else Fraction(0)
    shown = {key: lot.properties[key] for key in (FAT, MOISTURE, PROTEIN, SALT) if key in lot.properties}
    cells = {key: trimmed(value, DECIMALS) for key, value in shown.items()} | {
        "lot": name,
        "material": f"{recipe.entry.name}, rework",
        "species": lot.species,
        "role": lot.role,
        "cost_per_kg": trimmed(lot.held_cost_per_kg, DECIMALS),
        "received": day,
        "use_by": lot.use_by.isoformat() if lot.use_by else "",
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
