"""Recording in the ledger: tables of lots received, and batches as weighed with what came of them."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from math import ceil, floor
from operator import itemgetter

from constraints.as_typed import ONE, PERCENT, ZERO, refuse, trimmed
from constraints.document import read_text
from constraints.formula import Batch
from constraints.ingoing import NITRATE_SALTS, NITRITE_SALTS, Salts
from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT, Basis, Lot, MissingProperty
from optimizer import ledger
from optimizer.as_weighed import whole_of
from optimizer.correction import MassMeasured, ground_of
from optimizer.findings import Report, check
from optimizer.ledger import Movement, NotRecorded, Recording
from optimizer.problem import barred
from optimizer.reading.lots import LotTable, exported, parse_lots, read_lots
from optimizer.reading.recipe import Recipe, read_recipe
from optimizer.reading.table import csv_line, cut
from optimizer.reading.weighed import WeighedItem, held_back, parse_weighed, read_weighed
from optimizer.summary import weight
from optimizer.taught import Assay, assay_of

GRAM = Fraction(1, 1000)
DECIMALS = 6


def receive(path: str, table: str, document: Recording) -> int:
    """Record every lot of a lots table as received; returns how many. Raises BadInput for a faulty table."""
    text = read_text(table)
    read = parse_lots(text, table)
    cells = cut(text, table)
    rows = [{key: cell for key, cell in row.items() if key and cell} for _, row in cells.records()]
    movements = [Movement("receive", lot.name, lot.on_hand_kg) for lot in read.lots]
    named = {row["lot"]: row for row in rows}
    ledger.record(path, "receive", document, movements, named, delimiter=cells.delimiter)
    return len(rows)


def batch_in(recipe: Recipe, table: LotTable, batch: str, lots: str) -> tuple[Batch, LotTable, bool]:
    """What is in a batch: from its file, or by its code from a ledger; with the lots, and whether it is off them.

    Raises BadInput where a ledger knows neither, or has product of it already.
    """
    if os.path.exists(batch) or batch == "-" or not ledger.is_ledger(lots):
        return whole_of(recipe, table, read_weighed(batch, recipe.entry.name), batch), table, False
    table, mixed = parse_lots(exported(lots, every=True), lots), _Mixed.of(lots, batch)
    if mixed.made or not mixed.there:
        why = "product of it is recorded: what is made is not ground any more"
        why = why if mixed.made else "no file and no such batch"
        refuse(lots, f"{batch}: {why}", "a file, or the code of a batch not yet stuffed")
    return whole_of(recipe, table, mixed.items(), batch), table, True


@dataclass(frozen=True)
class _Mixed:
    """What a ledger says is in a batch: of each name kilograms as held and into it, and whether product came of it."""

    path: str
    code: str
    there: Mapping[str, tuple[Fraction, Fraction]]
    made: bool

    @classmethod
    def of(cls, path: str, code: str) -> _Mixed:
        """Read it. What was held back was of the mass as it was, of all in it alike.

        That is before what a correction added, or as made.
        """
        asked = "SELECT document, kind, COALESCE(lot, item), units, into_batch FROM live WHERE batch = ? ORDER BY id"
        with ledger.opened(path) as base:
            rows = base.execute(asked, (code,)).fetchall()
        total: dict[str, tuple[Fraction, Fraction]] = {}
        for document, group in groupby(rows, itemgetter(0)):
            lines = list(group)
            back = sum((units * ledger.UNIT for _, kind, _, units, _ in lines if kind == "rework"), ZERO)
            total = total if document == code else _less(total, back)
            for _, kind, name, taken, into in lines:
                if kind in ("pull", "addition"):
                    out, kilograms = total.get(name, (ZERO, ZERO))
                    total[name] = out - taken * ledger.UNIT, kilograms + into * ledger.UNIT
            total = _less(total, back) if document == code else total
        there = {name: both for name, both in total.items() if both[1]}
        return cls(path, code, there, any(row[1] == "product" for row in rows))

    def not_out(self) -> _Mixed:
        """The same. Raises NotRecorded where there is no such batch, or product came out of it."""
        if self.made or not self.there:
            why = "product of it is recorded" if self.made else "there is no such batch"
            raise NotRecorded(f"{self.code}: {why}; nothing was recorded")
        return self

    def items(self, added: Mapping[str, Fraction] | None = None, kept: Fraction = ONE) -> list[WeighedItem]:
        """What is in it, of which a part is kept and something added."""
        into, more = {name: into for name, (_, into) in self.there.items()}, added or {}
        return [WeighedItem(n, into.get(n, ZERO) * kept + more.get(n, ZERO)) for n in dict.fromkeys((*into, *more))]

    def lots(self) -> LotTable:
        """The lots of the ledger, used up or not, with what is in the batch already put back."""
        table = parse_lots(exported(self.path, every=True), self.path)
        had = ((lot, self.there.get(lot.name, (ZERO, ZERO))[0]) for lot in table.lots)
        return replace(table, lots=tuple(replace(lot, on_hand_kg=lot.on_hand_kg + held) for lot, held in had))

    def went_in(self, batch: Batch, held: Mapping[str, Fraction]) -> Iterator[Movement]:
        """Pulls as held, bone and all, and additions, less what is in already; all of a lot but a gram is all of it."""
        named = {item.name: item for item in batch.kilograms}
        for name in dict.fromkeys((*named, *self.there)):
            item, (had, had_into) = named.get(name), self.there.get(name, (ZERO, ZERO))
            more = (ZERO if item is None else batch.kilograms[item]) - had_into
            pulled, into = ZERO, _whole(more)
            if isinstance(item, Lot):
                pulled = held.get(name, had + item.held_kg(more))
                pulled = item.on_hand_kg if abs(pulled - item.on_hand_kg) < GRAM else pulled
            if taken := _whole(pulled - had):
                yield Movement("pull", name, -taken, self.code, "", into)
            elif into and not (isinstance(item, Lot) or had):
                yield Movement("addition", None, ZERO, self.code, name, into)

    def record(
        self, kind: str, document: Recording, report: Report, mixed: tuple[Batch, Batch], held: Mapping[str, Fraction],
        out_kg: Fraction | None, rework_kg: Fraction | None,
    ) -> Recorded:  # fmt: skip
        """Record a batch that was judged, ``mixed`` as it is now and as its rework was, with what came out of it."""
        lots, code, name = dict[str, dict[str, str]](), self.code, report.recipe.entry.name
        moves = [*self.went_in(mixed[0], held)]
        hold = "; ".join(dict.fromkeys(_forbidding(report))) if report.grade.forbids else ""
        with ledger.opened(self.path) as base:
            before = ledger.held(base, code)  # what was held back of it is as it was
        if out_kg is not None:
            moves.append(Movement("product", code, out_kg, code))
            lots[code] = {"lot": code, "material": name}
        if rework_kg is not None:
            again = f"{document.name} rework"
            lots[again] = _rework(again, report.recipe, mixed[1], document.at[:10])
            lots[again] |= {"on_hand_kg": trimmed(rework_kg, 10)} | ({"on_hold": "yes"} if hold or before else {})
            table = "\n".join(csv_line(row, ",") for row in (lots[again], lots[again].values()))
            parse_lots(table, f"the rework of {code}")
            moves.append(Movement("rework", again, rework_kg, code))
        signed = replace(document, reason=ledger.HOLD + hold) if hold else document
        ledger.record(self.path, kind, signed, moves, lots)
        came = (out_kg or ZERO) + ((rework_kg or ZERO) if kind == "make" else ZERO)
        went = weight(report.batch, Basis.BATCH)
        odd = f"{trimmed(came, 4)} kg came out of {trimmed(went, 4)} kg: weigh again" if came > went else ""
        return Recorded(report, hold, odd)


def _less(there: dict[str, tuple[Fraction, Fraction]], back: Fraction) -> dict[str, tuple[Fraction, Fraction]]:
    """What is in a batch, less so many kilograms of it as mixed."""
    mass = sum((into for _, into in there.values()), ZERO)
    kept = max(1 - back / mass, ZERO) if mass else ONE
    return {name: (out * kept, into * kept) for name, (out, into) in there.items()}


@dataclass(frozen=True)
class Recorded:
    """A batch as it was recorded: what ``check`` says of it, why it is on hold, and what is odd, in words."""

    report: Report
    hold: str
    odd: str


def make(
    path: str, weighed: str, recipe: str, document: Recording, out_kg: Fraction | None, rework_kg: Fraction | None
) -> Recorded:
    """Record a batch as weighed: its pulls, its additions, and what came out of it as lots of their own.

    The batch's code is the document's name; its product is the lot of that name, its rework ``CODE rework``. What was
    pulled for it before is not pulled again. What may not be made is recorded as on hold.
    """
    ledger.new_document(path, document.name)  # said before the lots it used up are missed
    read = read_recipe(recipe)
    mixed = _Mixed.of(path, document.name)
    items = read_weighed(weighed, read.entry.name)
    report = check(read, mixed.lots(), items, weighed, document.day)
    held = {item.name: item.held_kg for item in items if item.held_kg is not None and not item.load}
    return mixed.record("make", document, report, (report.batch, report.batch), held, out_kg, rework_kg)


def correct(
    path: str, change: str, recipe: str, code: str, document: Recording, out_kg: Fraction | None,
    rework_kg: Fraction | None,
) -> Recorded:  # fmt: skip
    """Record what was put into a batch that stands in the ledger, and what was held back of it as rework.

    ``change`` is a table of what was added, or the document of ``correct``, which says what is held back too unless
    ``rework_kg`` does. The whole batch is judged again.
    """
    ledger.new_document(path, document.name)
    read, text = read_recipe(recipe), read_text(change)
    mixed = _Mixed.of(path, code).not_out()
    table = mixed.lots()
    added = {i.name: i.kilograms for i in parse_weighed(text, change, read.entry.name, "add") if not i.load}
    rework_kg = held_back(text) if rework_kg is None else rework_kg
    kept = 1 - (rework_kg or ZERO) / sum((into for _, into in mixed.there.values()), ZERO)
    if kept <= 0:
        raise NotRecorded(f"{code} holds no more than was held back of it; nothing was recorded")
    report = check(read, table, mixed.items(added, kept), change, document.day)
    whole, before = (whole_of(read, table, mixed.items(more), change) for more in (added, None))
    return mixed.record("correct", document, report, (whole, before), {}, out_kg, rework_kg)


def _forbidding(report: Report) -> Iterator[str]:
    """Why a batch may not be made, or not sold under its name."""
    yield from report.unfit
    for part in report.each:
        yield from (f.requirement.words() for place in part.places for f in place.findings if f.grade.forbids)
        yield from (f"{dose.item.name} is far off its dose" for dose in part.doses if dose.forbids)


def pull(path: str, lot: str, kilograms: Fraction, code: str, document: Recording) -> str:
    """Take so much of a lot, as held, for a batch that will be made; returns why it may not go in, or nothing.

    Raises NotRecorded where it is not there.
    """
    ledger.new_document(path, code)  # what is made already is put right, not pulled for
    found = next((one for one in read_lots(path).lots if one.name == lot), None)
    if found is None:
        raise NotRecorded(f"the lot {lot!r} is not there; nothing was recorded")
    into = _whole(kilograms * found.usable)
    ledger.record(path, "pull", document, [Movement("pull", lot, -kilograms, code, "", into)])
    return barred(found, document.day)


def sell(path: str, lot: str, kilograms: Fraction, document: Recording) -> None:
    """Take out what was sold. Raises NotRecorded where it is on hold, past its use-by or not there."""
    for found in read_lots(path).lots:
        if found.name == lot and (why := barred(found, document.day)):
            raise NotRecorded(f"{lot} is {why}; nothing was recorded")
    ledger.record(path, "sell", document, [Movement("sell", lot, -kilograms)])


def came_out(path: str, code: str, kilograms: Fraction, recipe: str, document: Recording) -> None:
    """Record what came out of a batch that was recorded before. Raises NotRecorded where that is so already."""
    _Mixed.of(path, code).not_out()
    lots = {code: {"lot": code, "material": read_recipe(recipe).entry.name}}
    ledger.record(path, "out", document, [Movement("product", code, kilograms, code)], lots)


def analysed(path: str, name: str, fat: Fraction, sd: Fraction, recipe: str | None, document: Recording) -> None:
    """Record the fat found of a lot or of a batch as it is in the ledger, per cent, with its standard deviation.

    A batch needs its recipe, for the fat that additions bring. Raises NotRecorded and BadInput.
    """
    mixed = _Mixed.of(path, name)
    assay = Assay({name: ONE}, fat, sd)
    if mixed.there and recipe is None:
        raise NotRecorded(f"{name} is a batch: say --recipe, which has the fat of what was added; nothing was recorded")
    if mixed.there and recipe is not None:
        try:
            assay = assay_of(whole_of(read_recipe(recipe), mixed.lots(), mixed.items(), recipe), fat, sd)
        except MissingProperty as missing:
            raise NotRecorded(f"{missing}; nothing was recorded") from None
    kept = {"fat_pct": str(fat), "sd": str(sd), "shares": {n: str(x) for n, x in assay.shares.items()}}
    line = json.dumps({**kept, "rest": str(assay.rest)}, ensure_ascii=False)
    lot, batch = (None, name) if mixed.there else (name, "")
    ledger.record(path, "test", document, [Movement("test", lot, ZERO, batch, line)])


def _whole(kilograms: Fraction) -> Fraction:
    return round(kilograms / ledger.UNIT) * ledger.UNIT


def _rework(name: str, recipe: Recipe, batch: Batch, day: str) -> dict[str, str]:
    """The cells of a lot of rework: what a later batch must know of it."""
    lot = ground_of(recipe, batch, None, MassMeasured(), name).lot
    total, green = weight(batch, Basis.BATCH), weight(batch, Basis.GREEN)
    both = (Salts(tuple((ONE, name) for name, _ in salts)) for salts in (NITRITE_SALTS, NITRATE_SALTS))
    nitrite, nitrate = map(batch.amount, both)
    put_in = nitrite / green if green else ZERO
    shown = {key: lot.properties[key] for key in (FAT, MOISTURE, PROTEIN, SALT) if key in lot.properties}
    cells = {key: trimmed(value, DECIMALS) for key, value in shown.items()} | {
        "lot": name, "material": f"{recipe.entry.name}, rework", "species": lot.species, "role": lot.role,
        "cost_per_kg": trimmed(lot.held_cost_per_kg, DECIMALS), "received": day,
        "use_by": lot.use_by.isoformat() if lot.use_by else "", "rework": "yes",
        "cured": "yes" if nitrite or nitrate else "",
        "green_pct": trimmed(PERCENT * green / total, DECIMALS),
        "original_nitrite_ppm": trimmed(Fraction(ceil(put_in * 10**DECIMALS), 10**DECIMALS), DECIMALS),
        "nitrite_ppm": trimmed(Fraction(floor(100 * nitrite / total), 100)) if nitrite or nitrate else "",
        "nitrate_ppm": trimmed(nitrate / total, DECIMALS) if nitrite or nitrate else "",
    }  # fmt: skip
    return {key: cell for key, cell in cells.items() if cell}
