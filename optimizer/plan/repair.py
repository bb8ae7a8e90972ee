"""Repair: what really happened, and a new plan that changes as little as asked of the days already fixed.

What is done stays done: batches before ``now`` are taken from the plan as it stood, and so is every order whose day for
ordering is past. Of the batches from ``now`` to ``fixed_through`` as few as possible change, or at most as many as
allowed; a batch is unchanged where every lot's kilograms are those of the plan.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import model_validator

from constraints.document import Day, Document, Name, NotNegative, Percent, Strict, Whole, YesNo, parse, read_text
from constraints.document import validate as checked
from constraints.faults import BadInput, Fault, nearest
from constraints.ingredients import FAT, Lot
from optimizer.blend import Status
from optimizer.plan.build import Block, Wanted, WeekProgram, build
from optimizer.plan.engine import solve
from optimizer.plan.in_doubt import in_doubt, kilograms_of
from optimizer.plan.week_file import Week
from optimizer.plan.world import Job, World

_ZERO = Fraction(0)
_ONE = Fraction(1)
MOST_KG = 10**6
"""Kilograms of a pull or an order above which a document is no plan of a kitchen."""
SAME_KG = Fraction(1, 10**6)
"""Kilograms as held within which a pull counts as unchanged: nothing that a scale shows."""


class LotHappened(Strict):
    """What turned out different about a lot."""

    lot: Name
    """The lot, as typed in the lots table."""
    short_kg: NotNegative | None = None
    """Kilograms as held that are missing."""
    on_hand_kg: NotNegative | None = None
    """Kilograms as held that there were at the start after all."""
    fat_pct: Percent | None = None
    """Fat measured again, %."""
    use_by: Day | None = None
    """Its last day of use after all."""

    @model_validator(mode="after")
    def _something(self) -> LotHappened:
        if len(self.model_fields_set) < 2:
            raise ValueError("say what happened: short_kg, on_hand_kg, fat_pct or use_by")
        if self.short_kg is not None and self.on_hand_kg is not None:
            raise ValueError("give either short_kg or on_hand_kg")
        return self


class DeliveryHappened(Strict):
    """What turned out different about a delivery of the plan."""

    offer: Name
    """The offer."""
    day: Day
    """The day it was to come."""
    missed: YesNo = False
    """Whether it did not come at all."""
    kg: NotNegative | None = None
    """Kilograms that came after all."""

    @model_validator(mode="after")
    def _something(self) -> DeliveryHappened:
        if self.missed == (self.kg is not None):
            raise ValueError("say either missed: yes or the kilograms that came")
        return self


class HappenedEntry(Strict):
    """What really happened since a plan was made."""

    plan: Name
    """The plan's JSON document, from the folder of this file."""
    now: Day
    """The first day that is not yet done."""
    fixed_through: Day | None = None
    """Last day whose batches should change as little as possible; none where it is not stated."""
    most_changes: Whole | None = None
    """Most batches of the fixed days that may change; as few as possible where it is not stated."""
    lots: tuple[LotHappened, ...] = ()
    """Lots that turned out different."""
    deliveries: tuple[DeliveryHappened, ...] = ()
    """Deliveries that turned out different."""


@dataclass(frozen=True)
class Happened:
    """What happened, read with the plan it happened to."""

    file: str
    entry: HappenedEntry
    document: Document
    plan: dict[str, Any]
    shown: dict[str, Any]
    """The plan once more, with its figures as numbers: what is done is shown as it was."""


@dataclass
class Repaired:
    """A program for what is still to be done. ``changed`` holds a yes-or-no column for each fixed batch."""

    program: WeekProgram
    again: Callable[[], WeekProgram]
    """The same program made anew, without holding to the plan."""
    changed: dict[str, int] = field(default_factory=dict)
    done: list[dict[str, Any]] = field(default_factory=list)
    gone: tuple[tuple[int, int, Fraction], ...] = ()
    """What the batches made took: supply, day and kilograms as held."""
    fewest: int | None = None
    missed: tuple[str, ...] = ()
    """Batches that were not made and whose days are past."""
    hold: tuple[str, ...] = ()
    """Batches already made of which something told since puts a check in doubt, each in words."""


def read_happened(path: str) -> Happened:
    """Read what happened and the plan it names. Raises BadInput with every fault."""
    document = parse(read_text(path), path)
    entry = checked(document, HappenedEntry)
    text = read_text(str(Path(path).parent / entry.plan))
    try:
        plan: Any = json.loads(text, parse_float=str, parse_int=str)
        shown = json.loads(text)
    except (ValueError, RecursionError):  # ValueError: no JSON, or an integer of thousands of digits
        plan = shown = None
    if not _is_plan(plan):
        raise BadInput([document.fault(("plan",), f"{entry.plan} is no plan", "the JSON document of a plan")])
    if plan.get("status") not in (Status.OPTIMAL, Status.TIME_LIMIT):
        raise BadInput([document.fault(("plan",), f"{entry.plan} is {plan.get('status')}", "a plan that was found")])
    told: dict[str, list[object]] = {
        "lots": [lot.lot for lot in entry.lots], "deliveries": [(d.offer, d.day) for d in entry.deliveries],
    }  # fmt: skip
    for key, names in told.items():
        twice = [i for i, name in enumerate(names) if name in names[:i]]
        if twice:
            raise BadInput([document.fault((key, i), "this was told above already", "each once") for i in twice])
    return Happened(path, entry, document, plan, shown)


def _is_plan(plan: Any) -> bool:
    """True for a document with every figure that a repair reads."""

    def text(value: Any) -> bool:
        return isinstance(value, str) and value != ""

    def kilograms(value: Any) -> bool:
        try:
            return text(value) and 0 <= kilograms_of(value) < MOST_KG
        except (ValueError, OverflowError):
            return False

    def pull(p: Any) -> bool:
        return isinstance(p, dict) and text(p.get("lot")) and "delivered" in p and kilograms(p.get("held_kg"))

    def batch(b: Any) -> bool:
        named = (
            isinstance(b, dict) and text(b.get("batch")) and text(b.get("date")) and isinstance(b.get("pulls"), list)
        )
        answer = named and isinstance(b.get("answer"), dict) and kilograms(b["answer"].get("meat_kg"))
        return answer and kilograms(b["answer"].get("batch_kg")) and all(pull(p) for p in b["pulls"])

    def order(o: Any) -> bool:
        return isinstance(o, dict) and text(o.get("offer")) and text(o.get("delivered")) and kilograms(o.get("kg"))

    if not isinstance(plan, dict) or not isinstance(plan.get("batches"), list):
        return False
    return isinstance(plan.get("orders"), list) and all(map(batch, plan["batches"])) and all(map(order, plan["orders"]))


def as_it_is(week: Week, happened: Happened) -> Week:
    """The week with its lots as they turned out. Raises BadInput for a lot or delivery that is not known."""
    faults = list(_unknown(week, happened))
    if faults:
        raise BadInput(faults)
    told = {entry.lot: entry for entry in happened.entry.lots}
    lots = tuple(_as_told(lot, told[lot.name]) if lot.name in told else lot for lot in week.lots.lots)
    return replace(week, lots=replace(week.lots, lots=lots))


def _unknown(week: Week, happened: Happened) -> Iterator[Fault]:
    names = {lot.name for lot in week.lots.lots}
    for i, entry in enumerate(happened.entry.lots):
        if entry.lot not in names:
            close = nearest(entry.lot, names)
            hint = f"did you mean {close}?" if close else "a lot of the lots table"
            yield happened.document.fault(("lots", i, "lot"), f"no lot is named {entry.lot!r}", hint)
    ordered = {(o["offer"], o["delivered"]) for o in happened.plan["orders"]}
    for i, delivery in enumerate(happened.entry.deliveries):
        if (delivery.offer, delivery.day.isoformat()) not in ordered:
            found = f"the plan has no delivery of {delivery.offer!r} on {delivery.day}"
            yield happened.document.fault(("deliveries", i), found, "a delivery of the plan")
    start = week.entry.start.isoformat()
    if happened.plan.get("start", start) != start:
        found = f"the plan starts on {happened.plan['start']}, and this week on {start}"
        yield happened.document.fault(("plan",), found, "the plan of this very week")
    dates, seen = {day.isoformat() for day in week.dates}, set()
    for batch in happened.plan["batches"]:
        at = (batch["batch"], batch["date"])
        if batch["date"] not in dates:
            found = f"the plan makes {batch['batch']} on {batch['date']}"
            yield happened.document.fault(("plan",), found, "a day of this week")
        elif at in seen:
            found = f"the plan makes {batch['batch']} on {batch['date']} twice"
            yield happened.document.fault(("plan",), found, "once")
        seen.add(at)
    if not week.dates[0] <= happened.entry.now <= week.dates[-1]:
        yield happened.document.fault(("now",), f"{happened.entry.now} is outside the week", "a day of the week")


def _as_told(lot: Lot, told: LotHappened) -> Lot:
    stock = lot.on_hand_kg if told.on_hand_kg is None else told.on_hand_kg
    stock = max(stock - (told.short_kg or _ZERO), _ZERO)
    properties = dict(lot.properties)
    if told.fat_pct is not None:
        properties[FAT] = told.fat_pct
    use_by = lot.use_by if told.use_by is None else told.use_by
    return replace(lot, on_hand_kg=stock, properties=MappingProxyType(properties), use_by=use_by)


def repaired(world: World, happened: Happened) -> Repaired:
    """The program of what is left of the week, holding to the plan as asked."""
    now = (happened.entry.now - world.week.entry.start).days
    world = replace(world, supplies=tuple(replace(s, since=now) for s in world.supplies))
    stock = {i: s.kg for i, s in enumerate(world.supplies) if s.kg is not None}
    stock.update(_committed(world, happened, now))
    today, both = happened.entry.now.isoformat(), zip(happened.plan["batches"], happened.shown["batches"], strict=True)
    past = [(batch, shown) for batch, shown in both if batch["date"] < today]
    done, told = [batch for batch, _ in past], [shown for _, shown in past]
    where = {(s.name, None if s.offer is None else world.date(s.first).isoformat()): i
             for i, s in enumerate(world.supplies)}  # fmt: skip
    gone: list[tuple[int, int, Fraction]] = []
    for batch in done:
        for pull in batch["pulls"]:
            at = where.get((pull["lot"], pull["delivered"]))
            if at is not None:
                gone.append((at, _day(world, batch["date"]), min(kilograms_of(pull["held_kg"]), stock.get(at, _ZERO))))
                stock[at] = stock.get(at, _ZERO) - gone[-1][2]
    assembled = world
    world = replace(world, jobs=tuple(_rest_of(job, done) for job in world.jobs))
    left = [job for job in world.jobs if not _is_done(job, done)]
    jobs = tuple(job.index for job in left if job.days[-1] >= now)

    def rest() -> WeekProgram:
        program = build(world, Wanted(jobs=jobs, stock=stock, not_before=now))
        for block in program.blocks:
            if block.day < now:
                _forbid(program, block)
        return program

    found = Repaired(
        rest(),
        rest,
        done=told,
        gone=tuple(gone),
        hold=tuple(in_doubt(assembled, {entry.lot: entry for entry in happened.entry.lots}, done)),
        missed=tuple(job.name for job in left if job.days[-1] < now),
    )
    _hold_to(found, world, happened, where, now)
    return found


def _is_done(job: Job, done: list[dict[str, Any]]) -> bool:
    """True where nothing of a batch is left to be made."""
    return any(batch["batch"] == job.name for batch in done) and (not job.entry.may_split or job.lo <= 0)


def _rest_of(job: Job, done: list[dict[str, Any]]) -> Job:
    """A batch that may be made in parts, with only what is left of it."""
    parts = [batch for batch in done if batch["batch"] == job.name]
    if not parts or not job.entry.may_split:
        return job
    key = f"{job.entry.basis}_kg"
    made = sum((kilograms_of(batch["answer"][key]) for batch in parts), _ZERO)
    return replace(job, lo=job.lo - made, hi=job.hi - made, made_kg=made)


def _committed(world: World, happened: Happened, now: int) -> dict[int, Fraction]:
    """Orders whose day for ordering is past: they come as planned, or as it turned out."""
    told = {(d.offer, d.day.isoformat()): d for d in happened.entry.deliveries}
    found = {}
    for i, supply in enumerate(world.supplies):
        if supply.offer is None or supply.first - supply.offer.lead_days >= now:
            continue
        day = world.date(supply.first).isoformat()
        for order in happened.plan["orders"]:
            if (order["offer"], order["delivered"]) == (supply.name, day):
                delivery = told.get((supply.name, day))
                found[i] = kilograms_of(order["kg"]) if delivery is None else delivery.kg or _ZERO
    return found


def _forbid(program: WeekProgram, block: Block) -> None:
    """Nothing more is made on a day that is done."""
    columns = block.columns
    program.sparse.row(("past", block.job.index, block.day), columns, [1] * len(columns), hi=_ZERO)


def _hold_to(
    found: Repaired, world: World, happened: Happened, where: dict[tuple[str, str | None], int], now: int
) -> None:
    """A yes-or-no column for each fixed batch: zero only where every pull is the plan's."""
    through = happened.entry.fixed_through
    if through is None:
        return
    last = (through - world.week.entry.start).days
    by_name = {job.name: job for job in world.jobs}
    fixed = [b for b in happened.plan["batches"] if now <= _day(world, b["date"]) <= last and b["batch"] in by_name]
    for batch in fixed:
        blocks = [
            b for b in found.program.blocks if b.job.name == batch["batch"] and b.day == _day(world, batch["date"])
        ]
        if not blocks:
            continue
        column = found.program.sparse.column(("changed", batch["batch"]), _ZERO, _ONE, whole=True)
        found.changed[batch["batch"]] = column
        pulls = {where.get((p["lot"], p["delivered"])): kilograms_of(p["held_kg"]) for p in batch["pulls"]}
        _unless(found.program, blocks[0], pulls, column)
    columns = list(found.changed.values())
    most = happened.entry.most_changes
    if not columns:
        return
    if most is None:
        most = fewest(found)
    if most is not None:
        found.fewest = most
        found.program.sparse.row(("most changes",), columns, [1] * len(columns), hi=Fraction(most))


def _day(world: World, text: str) -> int:
    return next((k for k, day in enumerate(world.week.dates) if day.isoformat() == text), -1)


def _unless(program: WeekProgram, block: Block, pulls: dict[int | None, Fraction], column: int) -> None:
    """Every kilogram as in the plan unless the batch is changed."""
    sparse, world = program.sparse, program.world
    tops = sparse.exact_hi(list(block.columns))
    for k, s in enumerate(block.supplies):
        usable = world.supplies[int(s)].lot.usable
        planned, slack = pulls.get(int(s), _ZERO) * usable, SAME_KG * usable
        most, at = tops[k], block.start + k
        if most > planned + slack:
            label = ("same most", block.job.index, int(s))
            sparse.row(label, [at, column], [_ONE, planned + slack - most], hi=planned + slack)
        if planned > slack:
            least = planned - slack
            sparse.row(("same least", block.job.index, int(s)), [at, column], [_ONE, least], lo=least)
    gone = [s for s in pulls if s is None or s not in {int(x) for x in block.supplies}]
    if any(pulls[s] > SAME_KG for s in gone):  # what it used is no longer there at all
        sparse.row(("changed anyway", block.job.index), [column], [1], lo=_ONE)


def fewest(found: Repaired) -> int | None:
    """The smallest number of fixed batches that must change; None where there is no plan at all."""
    trial = found.program.sparse.without_cost()
    for column in found.changed.values():
        trial.set_cost(column, _ONE)
    solved = solve(trial)
    return round(solved.cost) if solved.found else None
