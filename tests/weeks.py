"""Random weeks from a seed, as raw figures, as files, and as a textbook program in floats that scipy judges.

Nothing of the program is used for the matrix: stock is carried from day to day in columns of its own, a batch on one of
several days is a yes-or-no column with a big bound, a delivery charge likewise. Invented data throughout.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp

START = date(2026, 11, 30)
"""A Monday."""


@dataclass
class RawLot:
    """A lot, or one delivery of an offer; days count from 0, ``last`` may lie beyond the end."""

    name: str
    species: str
    fat: float
    cost: float
    kg: float = 0.0
    usable: float = 100.0
    first: int = 0
    last: int | None = None
    salvage: float = 0.0


@dataclass
class RawOffer:
    """An offer; ``breaks`` are (from kg, price)."""

    name: str
    supplier: str
    species: str
    fat: float
    price: float
    pack: float | None = None
    smallest: float = 0.0
    largest: float | None = None
    breaks: list[tuple[float, float]] = field(default_factory=list)
    kind: str = "all_units"
    lead: int = 0
    keeps: int | None = None
    charge: float = 0.0
    minimum: float = 0.0


@dataclass
class RawBatch:
    """A batch: size, window, fat band, largest share of beef in percent (None: free), worth a kilogram."""

    name: str
    lo: float
    hi: float
    first: int
    last: int
    fat: tuple[float, float]
    beef: float | None = None
    value: float | None = None
    split: bool = False
    salt: float = 0.0
    leave_out: bool = False


@dataclass
class RawWeek:
    """A whole week; ``grinder`` is kilograms of meat a day."""

    days: int
    lots: list[RawLot]
    batches: list[RawBatch]
    offers: list[RawOffer] = field(default_factory=list)
    grinder: float | None = None
    most_batches: int | None = None
    holding: float = 0.0
    room: float | None = None
    closing: float | None = None

    def write(self, folder: Path) -> str:
        """Write the files of the week; the path of its YAML file."""
        names = "lot,material,species,on_hand_kg,usable_pct,fat_pct,cost_per_kg,salvage_per_kg,received,use_by"
        rows = [
            f"{x.name},trim,{x.species},{x.kg},{x.usable},{x.fat},{x.cost},{x.salvage},{day(x.first)},"
            + ("" if x.last is None else day(x.last))
            for x in self.lots
        ]
        (folder / "lots.csv").write_text("\n".join([names, *rows]) + "\n")
        batches = []
        for k, b in enumerate(self.batches):
            require: list[dict[str, Any]] = [{"fat": {"min_pct": b.fat[0], "max_pct": b.fat[1]}}]
            if b.beef is not None:
                require.append({"share": {"species": "beef", "max_pct": b.beef}})
            additions = [{"name": "salt", "is": "salt", "g_per_kg_meat": b.salt, "cost_per_kg": 2}] if b.salt else []
            recipe = {"name": b.name, "require": require, "additions": additions}
            (folder / f"r{k}.yaml").write_text(json.dumps(recipe))
            entry: dict[str, Any] = {"name": b.name, "recipe": f"r{k}.yaml"}
            if b.lo == b.hi:
                entry["meat_kg"] = b.lo
            else:
                entry |= {"from_meat_kg": b.lo, "to_meat_kg": b.hi}
            entry |= {"from_day": day(b.first), "to_day": day(b.last), "may_split": "yes" if b.split else "no"}
            if b.leave_out:
                entry["may_leave_out"] = "yes"
            if b.value is not None:
                entry["value_per_kg"] = b.value
            batches.append(entry)
        kitchen: dict[str, Any] = {"holding_per_kg_day": self.holding}
        if self.grinder is not None:
            kitchen["stages"] = [{"name": "grinder", "kg_per_day": self.grinder, "basis": "meat"}]
        if self.most_batches is not None:
            kitchen["most_batches_a_day"] = self.most_batches
        if self.room is not None:
            kitchen["cold_store"] = [{"kg": self.room}]
        if self.closing is not None:
            kitchen["closing"] = [{"material": "trim", "kg": self.closing}]
        week: dict[str, Any] = {
            "name": "random week", "start": day(0), "days": self.days, "lots": "lots.csv", "batches": batches,
            "kitchen": kitchen,
        }  # fmt: skip
        if self.offers:
            week["offers"] = "offers.csv"
            (folder / "offers.csv").write_text(self._offers())
        path = folder / "week.yaml"
        path.write_text(json.dumps(week))
        return str(path)

    def _offers(self) -> str:
        names = (
            "offer,supplier,material,species,fat_pct,cost_per_kg,pack_kg,smallest_order_kg,largest_order_kg,"
            "breaks,break_kind,lead_days,keeps_days,delivery_charge,supplier_minimum"
        )
        rows = []
        for o in self.offers:
            breaks = " ".join(f"{kg}={price}" for kg, price in o.breaks)
            cells = [
                o.name, o.supplier, "trim", o.species, o.fat, o.price, o.pack, o.smallest, o.largest, breaks, o.kind,
                o.lead, o.keeps, o.charge, o.minimum,
            ]  # fmt: skip
            rows.append(",".join("" if c is None else str(c) for c in cells))
        return "\n".join([names, *rows]) + "\n"


def day(number: int) -> str:
    """The date of a day number."""
    return (START + timedelta(days=number)).isoformat()


class Textbook:
    """Columns and rows by name, in floats, for scipy."""

    def __init__(self) -> None:
        self.at: dict[Any, int] = {}
        self.cost: list[float] = []
        self.hi: list[float] = []
        self.whole: list[int] = []
        self.rows: list[dict[int, float]] = []
        self.lo_rows: list[float] = []
        self.hi_rows: list[float] = []
        self.constant = 0.0

    def var(self, name: Any, cost: float = 0.0, hi: float = np.inf, *, whole: bool = False) -> int:
        """A new column from 0 up."""
        self.at[name] = len(self.cost)
        self.cost.append(cost)
        self.hi.append(hi)
        self.whole.append(int(whole))
        return self.at[name]

    def row(self, terms: dict[int, float], lo: float = -np.inf, hi: float = np.inf) -> None:
        """A new row."""
        self.rows.append(terms)
        self.lo_rows.append(lo)
        self.hi_rows.append(hi)

    def solve(self, *, gap: float = 1e-9) -> OptimizeResult:
        """scipy's answer."""
        matrix = np.zeros((len(self.rows), len(self.cost)))
        for i, terms in enumerate(self.rows):
            for j, value in terms.items():
                matrix[i, j] += value
        return milp(
            np.array(self.cost), integrality=np.array(self.whole), bounds=Bounds(0, np.array(self.hi)),
            constraints=LinearConstraint(matrix, np.array(self.lo_rows), np.array(self.hi_rows)),
            options={"mip_rel_gap": gap},
        )  # fmt: skip


WITHIN = 0.025
"""Half a division of the usual meat scale: the tolerance on a fixed size."""


def textbook(week: RawWeek) -> Textbook:
    """The week as a textbook would write it down."""
    book = Textbook()
    supplies: list[tuple[RawLot, RawOffer | None]] = [(lot, None) for lot in week.lots]
    for offer in week.offers:
        for d in range(offer.lead, week.days):
            last = None if offer.keeps is None else d + offer.keeps
            supplies.append((RawLot(f"{offer.name}/{d}", offer.species, offer.fat, 0.0, 0, 100, d, last), offer))
    use: dict[tuple[int, int], list[tuple[int, float]]] = {}
    blocks = _batches(book, week, supplies, use)
    bought = _orders(book, week, supplies)
    _stock(book, week, supplies, use, bought)
    _limits(book, week, blocks)
    return book


def _batches(book: Textbook, week: RawWeek, supplies: Any, use: Any) -> dict[tuple[int, int], dict[int, float]]:
    blocks: dict[tuple[int, int], dict[int, float]] = {}
    for k, b in enumerate(week.batches):
        give = WITHIN if b.lo == b.hi else 0.0
        days = range(b.first, b.last + 1)
        for d in days:
            terms: dict[int, float] = {}
            fat: dict[int, float] = {}
            beef: dict[int, float] = {}
            for s, (lot, _) in enumerate(supplies):
                last = week.days if lot.last is None else lot.last
                if not lot.first <= d <= last:
                    continue
                x = book.var(("x", s, k, d), b.salt / 1000 * 2 - (b.value or 0.0), b.hi + give)
                use.setdefault((s, d), []).append((x, 100 / lot.usable))
                terms[x], fat[x] = 1.0, lot.fat
                beef[x] = float(lot.species == "beef")
            blocks[k, d] = terms
            book.row({x: fat[x] - b.fat[1] for x in terms}, hi=0)
            book.row({x: fat[x] - b.fat[0] for x in terms}, lo=0)
            if b.beef is not None:
                book.row({x: beef[x] - b.beef / 100 for x in terms}, hi=0)
        if len(days) > 1 and not b.split:
            made = [book.var(("made", k, d), hi=1, whole=True) for d in days]
            book.row(dict.fromkeys(made, 1.0), lo=1 if b.lo > 0 else 0, hi=1)
            for d, y in zip(days, made, strict=True):
                book.row({**blocks[k, d], y: -1000.0}, hi=0)
        every = {x: 1.0 for d in days for x in blocks[k, d]}
        book.row(every, lo=b.lo - give, hi=b.hi + give)
    return blocks


def _orders(book: Textbook, week: RawWeek, supplies: Any) -> dict[int, list[tuple[int, float]]]:
    bought: dict[int, list[tuple[int, float]]] = {}
    money: dict[tuple[str, int], dict[int, float]] = {}
    drops: dict[tuple[str, int], int] = {}
    for s, (lot, offer) in enumerate(supplies):
        if offer is None:
            continue
        key = (offer.supplier, lot.first)
        if key not in drops and (offer.charge or offer.minimum):
            drops[key] = book.var(("drop", key), offer.charge, 1, whole=True)
        unit = offer.pack or 1.0
        steps = [(0.0, offer.price), *offer.breaks]
        top = 3000.0 if offer.largest is None else offer.largest
        chosen = []
        paid = 0.0
        for n, (start, price) in enumerate(steps):
            end = steps[n + 1][0] if n + 1 < len(steps) else top
            fixed = paid - price * start if offer.kind == "incremental" else 0.0
            paid += price * (end - start)
            q = book.var(("q", s, n), price * unit, top / unit, whole=offer.pack is not None)
            z = book.var(("z", s, n), fixed, 1, whole=True)
            chosen.append(z)
            book.row({q: unit, z: -min(end, top)}, hi=0)
            book.row({q: unit, z: -max(start, offer.smallest)}, lo=0)
            bought.setdefault(s, []).append((q, unit))
            money.setdefault(key, {})[q] = price * unit
            money[key][z] = fixed
        book.row(dict.fromkeys(chosen, 1.0), hi=1)
        if key in drops:
            book.row({**dict.fromkeys(chosen, 1.0), drops[key]: -1.0}, hi=0)
    for key, drop in drops.items():
        minimum = next(o.minimum for _, o in supplies if o is not None and o.supplier == key[0])
        if minimum:
            book.row({**money[key], drop: -minimum}, lo=0)
    return bought


def _stock(book: Textbook, week: RawWeek, supplies: Any, use: Any, bought: Any) -> None:
    closing: dict[int, float] = {}
    room: dict[int, dict[int, float]] = {d: {} for d in range(week.days)}
    for s, (lot, offer) in enumerate(supplies):
        end = week.days - 1
        keeps = lot.last is None or lot.last > end
        stop = end if lot.last is None else min(lot.last, end)
        if stop < lot.first or lot.first > end:
            continue
        before = None
        worth = lot.cost if keeps else lot.salvage
        for d in range(lot.first, stop + 1):
            gone = not keeps and d == stop  # what dies is gone that evening and not kept overnight
            level = book.var(("level", s, d), (0.0 if gone else week.holding) - (worth if d == stop else 0.0))
            terms = {level: 1.0}
            if before is not None:
                terms[before] = -1.0
            for x, factor in use.get((s, d), []):
                terms[x] = terms.get(x, 0.0) + factor
            if d == lot.first:
                for q, unit in bought.get(s, []):
                    terms[q] = -unit
            have = lot.kg if d == lot.first else 0.0
            book.row(terms, lo=have, hi=have)
            if not gone:
                room[d][level] = 1.0
            before = level
        if offer is None:
            book.constant += worth * lot.kg
        if keeps and before is not None:
            closing[before] = 1.0
    if week.room is not None:
        for levels in room.values():
            book.row(levels, hi=week.room)
    if week.closing is not None:
        book.row(closing, lo=week.closing)


def _limits(book: Textbook, week: RawWeek, blocks: Any) -> None:
    for d in range(week.days):
        here = [(k, terms) for (k, on), terms in blocks.items() if on == d]
        if week.grinder is not None:
            book.row({x: 1.0 for _, terms in here for x in terms}, hi=week.grinder)
        if week.most_batches is not None:
            count: dict[int, float] = {}
            for k, terms in here:
                y = book.var(("any", k, d), hi=1, whole=True)
                book.row({**terms, y: -1000.0}, hi=0)
                count[y] = 1.0
            book.row(count, hi=week.most_batches)


def random_week(seed: int, *, whole: bool) -> RawWeek:
    """A small week; with ``whole`` also windows, packs, breaks, charges and counts."""
    rng = random.Random(seed)

    def figure(lo: float, hi: float) -> float:
        return round(rng.uniform(lo, hi), 2)

    days = rng.randint(1, 5)
    lots = []
    for k in range(rng.randint(4, 9)):
        first = rng.randint(0, max(days - 2, 0)) if rng.random() < 0.3 else 0
        last = None if rng.random() < 0.4 else first + rng.randint(0, 6)
        cost = figure(0.5, 6)
        lots.append(RawLot(
            f"L{k}", "beef" if k == 2 else rng.choice(["pork", "pork", "beef"]),
            figure(2, 90) if k > 1 else (8.0, 60.0)[k], cost,
            figure(5, 60), rng.choice([100.0, 100.0, 85.0]), first, last,
            figure(0, 0.4) if rng.random() < 0.3 else 0.0,
        ))  # fmt: skip
    batches = []
    for k in range(rng.randint(1, 4)):
        low, band = figure(15, 35), rng.random() < 0.4
        size = figure(5, 30)
        first = rng.randint(0, days - 1)
        split = not whole or rng.random() < 0.3
        last = rng.randint(first, days - 1) if whole or rng.random() < 0.4 else first
        batches.append(RawBatch(
            f"B{k}", round(size * 0.5, 2) if band else size, size, first, last, (low, round(low + figure(1, 8), 2)),
            figure(0, 50) if rng.random() < 0.4 else None, figure(1, 9) if band else None, split,
            18.0 if rng.random() < 0.5 else 0.0,
        ))  # fmt: skip
    week = RawWeek(days, lots, batches)
    if rng.random() < 0.5:
        week.grinder = figure(25, 70)
    if rng.random() < 0.3:
        week.holding = figure(0.01, 0.1)
    if rng.random() < 0.2:
        week.closing = figure(5, 40)
    if rng.random() < 0.2:
        week.room = figure(100, 300)
    if whole and rng.random() < 0.4:
        week.most_batches = rng.randint(1, 2)
    _random_offers(week, rng, figure, whole=whole)
    return week


def _random_offers(week: RawWeek, rng: random.Random, figure: Any, *, whole: bool) -> None:
    charge, minimum = {}, {}
    for supplier in ("S1", "S2"):
        charge[supplier] = figure(2, 12) if whole and rng.random() < 0.6 else 0.0
        minimum[supplier] = figure(10, 60) if whole and rng.random() < 0.4 else 0.0
    for k in range(rng.randint(1, 3)):
        price, supplier = figure(1, 5), rng.choice(["S1", "S2"])
        breaks: list[tuple[float, float]] = []
        kind = "all_units"
        if whole and rng.random() < 0.6:
            first = float(rng.choice([10, 20]))
            breaks = [(first, round(price * 0.9, 2))]
            if rng.random() < 0.5:
                breaks.append((first * 2, round(price * 0.8, 2)))
            kind = rng.choice(["all_units", "incremental"])
        week.offers.append(RawOffer(
            f"O{k}", supplier, rng.choice(["pork", "beef"]), figure(5, 80), price,
            float(rng.choice([2.5, 5, 10])) if whole and rng.random() < 0.6 else None,
            float(rng.choice([5, 10])) if whole and rng.random() < 0.3 else 0.0,
            float(rng.choice([30, 60])) if rng.random() < 0.4 else None, breaks, kind,
            rng.randint(0, 1), rng.choice([None, 1, 3]), charge[supplier], minimum[supplier],
        ))  # fmt: skip
