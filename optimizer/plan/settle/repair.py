"""Repair: a new plan for what is left of a week, that changes as little as asked of the days already fixed.

What is done stays done: batches before ``now`` are taken from the plan as it stood, and so is every order whose day for
ordering is past. Of the batches from ``now`` to ``fixed_through`` as few as possible change, or at most as many as
allowed; a batch is unchanged where every lot's kilograms are those of the plan.

What was made is judged again, on today's files and on what the plan's document says was weighed. Every doubt is a
reason to hold a batch: a lot that may not go in, a limit that is broken, a dose that is off, figures that do not add
up, or a batch of which nothing can be said.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from constraints.as_typed import ONE, ZERO, BadInput, shown, trimmed
from constraints.formula import Batch
from constraints.quantities import Basis, Lot, MissingProperty, Weight
from optimizer.findings import Report, check
from optimizer.plan.files.happened import Happened, PlannedBatch, PlannedOrder, PulledLot
from optimizer.plan.model.blocks import Block, WeekPart, WeekProgram
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import Job, Supply, World
from optimizer.plan.settle.books import SPECK
from optimizer.plan.settle.engine import solve
from optimizer.reading.lots import LotTable
from optimizer.reading.weighed import weighed_in
from optimizer.verdict import Grade

Key = tuple[str, date | None]
"""A lot's name (no day), or an offer's name and its day of delivery."""
_SAME_KG = Fraction(1, 10**5)
"""Kilograms by which figures of a document may differ: decimals of thirds, far below any scale."""
Pulls = list[tuple[PulledLot, Lot | None]]
"""What went into a batch, each with its lot where it is still known."""


class Repaired:
    """What is still to be done.

    ``fewest`` is how many fixed batches may change, known once a program was made; ``gone`` is what the batches made
    took (supply, day, kilograms as held); ``missed`` are batches whose days are past; ``hold`` are doubts about batches
    made, in words; ``coming`` are the orders that are out.
    """

    def __init__(self, world: World, happened: Happened) -> None:
        entry, plan = happened.entry, happened.plan
        self.happened, now = happened, (entry.now - world.week.entry.start).days
        self.fewest: int | None = None
        done = [batch for batch in plan.batches if batch.date < entry.now]
        self.done = [shown for batch, shown in zip(plan.batches, happened.shown, strict=True) if batch in done]
        self.hold = tuple(dict.fromkeys(in_doubt(world, happened, done)))
        self.where = {(supply.name, supply.came): s for s, supply in enumerate(world.supplies)}
        stock, self.coming = _stock(world, happened, now)
        self.gone, used = list[tuple[int, int, Fraction]](), defaultdict[int, Fraction](Fraction)
        for batch, pull in [(one, pull) for one in done for pull in one.pulls]:
            s = self.where.get((pull.lot, pull.delivered))
            if s is not None:
                kg = min(pull.held_kg, stock.get(s, ZERO))
                self.gone.append((s, (batch.date - world.week.entry.start).days, kg))
                stock[s], used[s] = stock.get(s, ZERO) - kg, used[s] + kg
        told: dict[Key, Fraction | None] = {(name, None): of.counted_now_kg for name, of in happened.lots.items()}
        told |= {key: of.counted_now_kg for key, of in happened.deliveries.items()}
        stock |= {self.where[key]: kg for key, kg in told.items() if kg is not None and key in self.where}
        left = [(job, _is_done(job, done)) for job in (_rest_of(job, done, now) for job in world.jobs)]
        supplies = tuple(_from_now(supply, now, used[s]) for s, supply in enumerate(world.supplies))
        self.world = replace(world, supplies=supplies, jobs=tuple(job for job, _ in left))
        self.missed = tuple(job.name for job, is_done in left if not job.days and not is_done)
        self.wanted = WeekPart(
            jobs=tuple(job.index for job, is_done in left if job.days and not is_done), stock=stock, not_before=now,
            settled=frozenset(self.where[key] for key in happened.deliveries if key in self.where),
        )  # fmt: skip

    def make(self, wanted: WeekPart) -> WeekProgram:
        """Its program. A yes-or-no column is zero only where every pull of a fixed batch is the plan's; few are one."""
        program = build(self.world, wanted)
        entry, model, columns = self.happened.entry, program.model, list[int]()
        blocks = {(block.job.name, self.world.date(block.day)): block for block in program.blocks}
        for batch in self.happened.plan.batches:
            block = blocks.get((batch.batch, batch.date))
            if block is not None and entry.fixed_through is not None and batch.date <= entry.fixed_through:
                columns.append(model.column(ZERO, ONE, whole=True))
                pulls = {self.where.get((pull.lot, pull.delivered)): pull.held_kg for pull in batch.pulls}
                _unless(program, block, pulls, columns[-1])
        if columns:
            most = entry.most_changes
            fewest = solve(model.costing(dict.fromkeys(columns, ONE))) if most is None else None
            self.fewest = most if fewest is None else round(fewest.cost) if fewest.found else None
            if self.fewest is not None:
                model.row(columns, [1] * len(columns), hi=Fraction(self.fewest))
        return program


def _from_now(supply: Supply, now: int, used: Fraction) -> Supply:
    """A supply of which so many kilograms were used before: its nights are paid, and less is asked of it."""
    asked = max(supply.lot.use_at_least_kg - used, ZERO)
    return replace(supply, since=now, lot=replace(supply.lot, use_at_least_kg=asked))


def _stock(world: World, happened: Happened, now: int) -> tuple[dict[int, Fraction], tuple[PlannedOrder, ...]]:
    """Opening stock with the orders that are out: they come as planned, or as it turned out.

    An order is out where its day for ordering is past, and where something is told of its delivery.
    """
    planned: dict[Key, PlannedOrder] = {(o.offer, o.delivered): o for o in happened.plan.orders}
    coming = []
    stock = world.stock
    for s, supply in enumerate(world.supplies):
        if supply.came is None:
            continue
        order, told = planned.get((supply.name, supply.came)), happened.deliveries.get((supply.name, supply.came))
        if order is not None and (told is not None or supply.order_by < now):
            stock[s] = order.kg if told is None or told.counted_now_kg is not None else told.kg or ZERO
            coming.append(order.model_copy(update={"kg": stock[s]}))
    return stock, tuple(coming)


def _is_done(job: Job, done: Sequence[PlannedBatch]) -> bool:
    """True where nothing of a batch is left to be made."""
    return any(batch.batch == job.name for batch in done) and (not job.entry.may_split or job.lo <= 0)


def _rest_of(job: Job, done: Sequence[PlannedBatch], now: int) -> Job:
    """A batch on the days that are left; of one that may be made in parts only what is left of it."""
    parts = [batch for batch in done if batch.batch == job.name and job.entry.may_split]
    made = sum((batch.kilograms(job.entry.basis) for batch in parts), ZERO)
    days = tuple(day for day in job.days if day >= now)
    return replace(job, days=days, lo=job.lo - made, hi=job.hi - made)


def _unless(program: WeekProgram, block: Block, pulls: dict[int | None, Fraction], column: int) -> None:
    """Every kilogram as in the plan unless the batch is changed."""
    model, world = program.model, program.world
    for k, (s, most) in enumerate(zip(block.supplies.tolist(), model.tops(block.columns), strict=True)):
        usable, at = world.supplies[s].lot.usable, block.start + k
        planned, slack = pulls.get(s, ZERO) * usable, SPECK * usable
        model.row([at, column], [ONE, min(planned + slack - most, ZERO)], hi=planned + slack)
        if planned > slack:
            model.row([at, column], [ONE, planned - slack], lo=planned - slack)
    gone = pulls.keys() - set(block.supplies.tolist())
    if any(pulls[s] > SPECK for s in gone):  # what it used is no longer there at all
        model.row([column], [1], lo=ONE)


# Doubts about what was made.


def in_doubt(world: World, happened: Happened, done: Sequence[PlannedBatch]) -> Iterator[str]:
    """Every doubt about the batches made, each in words; ``world`` has the lots as they turned out."""
    yield from happened.plan.hold
    for made in done:
        job = next((job for job in world.jobs if job.name == made.batch), None)
        pulls = [(pull, _lot_of(world, pull)) for pull in made.pulls]
        found = (*_of_documents(job, made, pulls), *_measured(world, happened, job, made, pulls))
        yield from (f"{made.batch} of {made.date}: {words}." for words in dict.fromkeys(found))
    yield from _of_stock(world, happened, done)


def _lot_of(world: World, pull: PulledLot) -> Lot | None:
    """A lot as it is today, dates and all, or the delivery that was pulled from."""
    day, offers = pull.delivered, world.week.offers.offers
    if day is None:
        return next((lot for lot in world.week.lots.lots if lot.name == pull.lot), None)
    return next((replace(o.lot, received=day, use_by=o.use_by(day)) for o in offers if o.name == pull.lot), None)


def _of_documents(job: Job | None, made: PlannedBatch, pulls: Pulls) -> Iterator[str]:
    """What of a batch's own figures does not agree, with each other or with the week."""
    answer = made.answer
    if answer.get("status") not in ("optimal", "time_limit"):
        yield f"its own document says {answer.get('status')}, so that it was never to be made"
    if job is not None and answer.get("recipe") != job.recipe.entry.name:
        yield f"it was made by the recipe {answer.get('recipe')}, and is by {job.recipe.entry.name} today"
    if answer.get("date") != made.date.isoformat():
        yield f"its own document is of {answer.get('date')}"
    for pull, lot in pulls:
        if lot is None:
            yield f"{pull.lot} is in it, and no longer in your tables"
        elif abs(pull.held_kg * lot.usable - pull.kg) > _SAME_KG:
            yield f"{trimmed(pull.held_kg)} kg of {pull.lot} as held are not {trimmed(pull.kg)} kg usable"


def _measured(world: World, happened: Happened, job: Job | None, made: PlannedBatch, pulls: Pulls) -> Iterator[str]:
    """What the batch breaks, or cannot be told of it, with its lots as they turned out."""
    nothing = "so that nothing can be said of its limits"
    if job is None or made.date not in map(world.date, job.days):
        yield f"this week has no such batch on that day, {nothing}"
        return
    count = Counter(pull.lot for pull in made.pulls)  # of two deliveries of one offer each has its day in its name
    names = [f"{p.lot} of {p.delivered}" if p.delivered and count[p.lot] > 1 else p.lot for p, _ in pulls]
    lots = tuple(replace(lot, name=name) for name, (_, lot) in zip(names, pulls, strict=True) if lot is not None)
    table = LotTable(world.week.lots.file, lots, world.week.lots.properties, ())
    try:
        report = check(job.recipe, table, weighed_in(made.answer, "its document"), "its document", made.date)
    except BadInput as error:
        yield from (f"{fault.found}, {nothing}" for fault in error.faults)
        return
    except (MissingProperty, ValueError, ArithmeticError, KeyError, TypeError, AttributeError):
        yield f"the plan does not say what was weighed, {nothing}"
        return
    told = {pull.lot: happened.lots[pull.lot].words for pull in made.pulls if pull.lot in happened.lots}
    why = "".join(f"{words}; " for words in told.values() if words)
    yield from (f"{why}{words}" for words in _words(report))
    yield from _sums(made, report.batch, names)


def _words(report: Report) -> Iterator[str]:
    """Everything of a report that forbids a batch or misses its recipe."""
    for part in report.each if len(report.loads) > 1 or report.apart else (report,):
        load = f"load {part.load}: " if part.load else ""
        for finding in (f for f in part.findings if f.grade is not Grade.MAKE):
            r, why = finding.requirement, f"; {finding.why}" if finding.why else ""
            figure = "not known" if finding.value is None else f"{shown(finding.value, 2)} {r.unit}".strip()
            yield f"{load}{r.what} of the {r.basis} is {figure}, {r.limits()}{why}"
        yield from (
            f"{load}{trimmed(dose.weighed_kg * 1000, 3)} g of {dose.item.name}, and its dose is "
            f"{trimmed(dose.wanted_kg * 1000, 3)} g" for dose in part.doses if dose.breaks or dose.forbids
        )  # fmt: skip
    yield from (*report.unfit, *report.unlike, *report.apart)


def _sums(made: PlannedBatch, batch: Batch, names: Sequence[str]) -> Iterator[str]:
    """What was pulled against what was weighed, and the weights that the document states against their sums."""
    weighed = {item.name: kg for item, kg in batch.kilograms.items() if isinstance(item, Lot)}
    pulled = defaultdict[str, Fraction](Fraction)
    for name, pull in zip(names, made.pulls, strict=True):
        pulled[name] += pull.kg
    for name in dict.fromkeys((*weighed, *pulled)):
        a, b = weighed.get(name, ZERO), pulled.get(name, ZERO)
        if abs(a - b) > _SAME_KG:
            yield f"{trimmed(b, 4)} kg of {name} were pulled and {trimmed(a, 4)} kg weighed"
    for basis in (Basis.MEAT, Basis.BATCH):
        stated, added = made.kilograms(basis), batch.amount(Weight(basis))
        if abs(stated - added) > _SAME_KG:
            yield f"{trimmed(stated, 4)} kg of {basis} are stated, and its parts add up to {trimmed(added, 4)} kg"


def _of_stock(world: World, happened: Happened, done: Sequence[PlannedBatch]) -> Iterator[str]:
    """Lots and deliveries of which the batches made took more than there was: something else went in."""
    used = defaultdict[tuple[str, date | None], list[tuple[str, Fraction]]](list)
    for batch, pull in [(one, pull) for one in done for pull in one.pulls]:
        used[pull.lot, pull.delivered].append((batch.batch, pull.held_kg))
    came = {(o.offer, o.delivered): o.kg for o in happened.plan.orders}
    came |= {key: told.kg or ZERO for key, told in happened.deliveries.items() if told.counted_now_kg is None}
    lots = {lot.name: lot.on_hand_kg for lot in world.week.lots.lots}
    for (name, delivered), takers in used.items():
        had = lots.get(name, ZERO) if delivered is None else came.get((name, delivered))
        total = sum((kg for _, kg in takers), ZERO)
        if had is not None and total > had + _SAME_KG:
            batches = " and ".join(dict.fromkeys(batch for batch, _ in takers))
            said = f"{batches}: {trimmed(total, 3)} kg of {name} are said to be in"
            yield f"{said}, of which only {trimmed(had, 3)} kg were there: something else went in."
