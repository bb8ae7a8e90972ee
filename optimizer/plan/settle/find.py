"""The pipeline of a week: its program solved, tidied, weighed out, recomputed and proved, and planned batch by batch.

A requirement that must hold with a stated confidence is a cone, and every cut that its own ``cuts`` gives is a row that
no batch within the cone breaks. So the program with cuts stays a relaxation and its proved bound stays valid. A cut
holds at every size of a batch, as every row of a recipe does.

Tidy pulls and remnants that a week, a recipe or a lot asks for are in the program itself. The default is not: it would
make a search in whole numbers of every week. Crumbs of a solution are made large enough or closed, a lot or a delivery
in packs of which next to nothing is left is emptied, and the rest is solved again with every whole number held. Where
that has no solution the default gives way.

Planned in order each batch takes the cheapest lots still there and buys what it needs; what is left of a pack serves
the next. Stages and the number of batches a day keep their limits; what must be left at the end is put aside
beforehand; the cold store is left out, for a single batch cannot look after it. So the figure is, if anything, too kind
to planning in order.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np

from constraints.as_typed import ONE, ZERO
from constraints.row import Floats, Owner, Row, RowKind, Vector
from optimizer.answer import Status
from optimizer.clock import OutOfTime, left, limited
from optimizer.plan.model.blocks import WeekPart, WeekProgram
from optimizer.plan.model.kitchen import Excess, build
from optimizer.plan.model.world import World
from optimizer.plan.settle.books import Books, Money, Planned, near, needed, needed_only, orders, planned, with_room
from optimizer.plan.settle.engine import Solved, Watch, settled, solve
from optimizer.plan.settle.weigh import weigh_all
from optimizer.record import Figure, Record
from optimizer.solver.exact import lower_bound, multipliers
from optimizer.solver.program import Ending
from optimizer.weighing.rounding import Certificate

HELD_BACK_KG = Fraction("0.25")
"""Kilograms of every lot held back where rounding left a batch no way: five usual scale divisions."""
TRIES = 4
"""Further plans that are sought at most where the weighing broke something."""
SEARCH_SHARE, LONGEST_WEIGHING = 0.7, 10.0
"""Part of the time left that the search may take at least, and seconds left for weighing out what it finds at most."""
GAP = 5e-4
"""Relative gap at which the search for whole numbers stops; printed with the plan."""
ROUNDS, WHOLE_ROUNDS = 80, 12
"""Most rounds of cuts on the linear program, each of which brings it closer to the cones that it holds from outside,
and with whole numbers after those."""
CLOSE = 1e-7
"""Share of the cost by which two rounds in a row must still move it for a further one."""
_CLOSING = 2
"""Rounds of closing crumbs; each may leave new ones."""
_BESIDE = 20
"""Columns of a batch beside those of the solution that may take the place of a crumb: those that cost least."""
_ALONE_GAP, _ALONE_SECONDS = 1e-3, 2.0
"""Gap, and longest search, for one batch alone with whole numbers; the best found then counts."""


@dataclass(frozen=True)
class WeekCertificate(Certificate):
    """The certificate of a plan as weighed; its bound is of the linear relaxation.

    It is feasible where every batch, the stock of every lot, every date and every order was checked again with
    fractions and holds; ``faults`` say what does not. ``excess`` are limits of the kitchen that the scales did not
    allow to be kept to the gram.
    """

    faults: tuple[str, ...] = ()
    excess: tuple[Excess, ...] = ()


@dataclass(kw_only=True)
class Plan(Books):
    """A plan with its books, and how it was found: everything the page and the JSON document say."""

    status: Status
    solved: Solved
    money: Money | None = None
    certificate: WeekCertificate | None = None
    tidied: float = 0.0
    """What tidy pulls and remnants cost in the solution, money."""

    @property
    def tidy_price(self) -> float:
        """The same with what they cost for the sake of the scales."""
        return self.tidied + float(sum((one.dearer for one in self.made), ZERO))

    @property
    def broken(self) -> tuple[int, int, Fraction]:
        """What does not hold, the worst first: batches and faults, limits of the kitchen, money."""
        if self.certificate is None:
            return 10**6, 0, ZERO
        unsound = sum(not one.sound for one in self.made) + len(self.certificate.faults)
        return unsound, len(self.certificate.excess), self.certificate.cost

    @property
    def whole(self) -> bool:
        """True where everything holds as weighed."""
        return self.broken[:2] == (0, 0)


Maker = Callable[[WeekPart], WeekProgram]
"""What makes the program of a part of a week, or of what is left of one."""


def find(
    world: World, make: Maker | None = None, wanted: WeekPart | None = None, *, talk: bool = False, gap: float = GAP
) -> Plan:
    """The cheapest plan of a week. Ctrl-C and the time limit stood in end the search with the best plan found.

    Where what was weighed breaks anything, a plan is sought with room left for just that; the bound is always that of
    the week as it is. Where none keeps everything, the one with the fewest faults is returned, and says them. Raises
    OutOfTime where the limit is over before there is anything to weigh.
    """
    make, wanted = make or partial(build, world), wanted or WeekPart()
    first = best = last = search(make(wanted), talk=talk, gap=gap)
    try:
        for _ in range(TRIES):
            if last.certificate is None or last.whole or last.status is Status.TIME_LIMIT:
                break
            wanted = _with_room(wanted, last)
            last = search(make(wanted), talk=talk, gap=gap)
            if last.certificate is None:
                break
            if first.certificate is not None:
                last.certificate = replace(last.certificate, lower_bound=first.certificate.lower_bound)
            best = min(best, last, key=lambda plan: plan.broken)
    except OutOfTime:
        best.status = Status.TIME_LIMIT if best.whole else best.status
    return best


def _with_room(wanted: WeekPart, plan: Plan) -> WeekPart:
    """What is asked of the next try: room for what this one was over by, and without what cannot be weighed out."""
    assert plan.certificate is not None
    reserved = dict(wanted.reserved)
    for excess in plan.certificate.excess:
        reserved[excess.owner] = wanted.reserved.get(excess.owner, ZERO) + excess.by
    failed = [one.job for one in plan.made if not one.sound]
    if not failed and not plan.certificate.faults:
        return replace(wanted, reserved=reserved)
    without = {job.index for job in failed if job.entry.may_leave_out} if wanted.back else set()
    return replace(wanted, reserved=reserved, back=HELD_BACK_KG, without=wanted.without | without)


def search(program: WeekProgram, *, talk: bool = False, gap: float = GAP) -> Plan:
    """Solve a program and make a plan of it: small linear ones exactly, others by the solver and its bound.

    The search takes a part of the time left, so that what it finds can be weighed out. Raises OutOfTime.
    """
    seconds = left()
    with limited(None if seconds is None else max(SEARCH_SHARE * seconds, seconds - LONGEST_WEIGHING)):
        solved, relaxed = _solved(program, talk=talk, gap=gap)
    if not solved.found:
        status = Status.TIME_LIMIT if solved.ending is Ending.TIME_LIMIT else Status.INFEASIBLE
        return Plan(program, status=status, solved=solved)
    best = tidied(program, solved, relaxed.reduced)
    plan = finish(program, best, relaxed)
    plan.tidied = best.cost - solved.cost
    return plan


def _solved(program: WeekProgram, *, talk: bool, gap: float) -> tuple[Solved, Solved]:
    """The solution with whole numbers and the relaxation whose prices bound it; small linear ones settled exactly."""
    model = program.model
    relaxed = (None if _uncertain(program) else settled(model)) or solved_with_cuts(program, relaxed=True)
    if not model.whole or relaxed.ending is not Ending.OPTIMAL:
        return relaxed, relaxed
    try:
        solved = solved_with_cuts(program, gap=gap, watch=Watch(talk))
        if len(relaxed.prices) < len(model.rows):
            relaxed = solve(model, relaxed=True)
    except OutOfTime:
        solved = Solved(Ending.TIME_LIMIT)
    return solved, relaxed


def finish(program: WeekProgram, solved: Solved, relaxed: Solved) -> Plan:
    """Weigh out a solution, add up its money and prove what can be proved. Raises OutOfTime."""
    parts, bought = planned(program, solved), orders(program, solved)
    tries = [needed_only(program, needed(parts), bought)]
    for more in (bought, with_room(program, bought)):
        tries += [more] if more not in tries else []
    for some in tries:
        made = weigh_all(program, parts, some, relaxed.reduced)
        if all(one.sound for one in made):
            break
    books = Books(program, made, needed_only(program, needed(made), some, weighed=True))
    money, faults, excess = books.added_up(solved.cost), tuple(books.faults()), tuple(books.excesses())
    sound = not faults and all(one.sound for one in made)
    bound = lower_bound(program.model, multipliers(program.model, relaxed.prices)) if len(relaxed.prices) else None
    reported = solved.bound if program.model.whole else None
    status = Status.TIME_LIMIT if solved.ending is Ending.TIME_LIMIT else Status.OPTIMAL
    return Plan(
        program, made, books.orders, status=status if sound else Status.DO_NOT_MAKE, solved=solved, money=money,
        certificate=WeekCertificate(sound, money.minimised, bound, reported, faults, excess),
    )  # fmt: skip


# Room for the error of measured fat.


def solved_with_cuts(program: WeekProgram, **asked: Any) -> Solved:
    """Solve a program, again and again with the cuts that its batches break where one asks for room for error.

    ``asked`` is as of ``solve``. The program keeps the cuts.
    """
    found, still = solve(program.model, **asked), 0
    for _ in range(0 if not _uncertain(program) else ROUNDS if asked.get("relaxed") else WHOLE_ROUNDS):
        parts = planned(program, found) if found.found and not found.interrupted else []
        if still > 1 or not sum([_cut(program, part) for part in parts]):
            break
        before, found = found.cost, solve(program.model, **asked)
        still = still + 1 if found.cost - before <= CLOSE * abs(before) else 0
    return found


def _uncertain(program: WeekProgram) -> bool:
    """True where any batch asks for room for error."""
    rows = {id(block.rows): block.rows for block in program.blocks}.values()
    return any(r.cones(one.problem.formula) for one in rows for r in one.problem.choosing)


def _cut(program: WeekProgram, part: Planned) -> int:
    """Add the cuts that a batch of a solution breaks; their number."""
    block, problem = part.block, part.block.rows.problem
    kilograms = [ZERO] * len(problem.formula.columns)
    for place, kg in part.placed:
        kilograms[place] += kg
    cuts = [(r, row) for r in problem.choosing for row in r.cuts(problem.formula, tuple(kilograms))]
    for requirement, row in cuts:
        owner = Owner(RowKind.NEED, requirement, block.day, block.job)
        program.model.row(block.every, Vector.of(row.coefs).at(block.places), row.lo, row.hi, owner)
    return len(cuts)


# Tidy pulls and remnants.


def tidied(program: WeekProgram, solved: Solved, dearer: Floats) -> Solved:
    """The solution without crumbs, as far as there is one in time; ``dearer`` are reduced costs."""
    best, rows = solved, list[Row]()
    with suppress(OutOfTime):
        for _ in range(_CLOSING):
            parts = planned(program, best)
            pulls = _pulls(program, parts)
            bought = needed_only(program, needed(parts), orders(program, best))
            there = program.stock | {order.supply_index: order.kg for order in bought if order.packs is not None}
            remnants = _remnants(program, parts, there)
            if not pulls and not remnants:
                break
            none = [_row([int(row.sparse[0][0]) for row in pulls], None, ZERO)] if pulls else []
            tries = [[*pulls, *remnants], pulls, [*none, *remnants], none]
            solutions = ((_with(program, solved, dearer, [*rows, *some]), some) for some in tries)
            found, more = next(((one, some) for one, some in solutions if one.found), (None, []))
            if found is None:
                break
            best, rows = found, [*rows, *more]
    return best


def _row(columns: Sequence[int], lo: Fraction | None, hi: Fraction | None) -> Row:
    return Row.of("tidy", dict.fromkeys(columns, ONE), lo, hi)


def _with(program: WeekProgram, solved: Solved, dearer: Floats, rows: Sequence[Row]) -> Solved:
    """The same with further rows, over what is in the solution and what costs least beside it."""
    before, closed = len(program.model.rows), np.zeros(program.model.size, dtype=bool)
    for block in program.blocks if len(dearer) else ():
        rest = dearer[block.columns]
        beside = rest > np.partition(rest, _BESIDE)[_BESIDE] if len(rest) > _BESIDE else np.zeros(len(rest), dtype=bool)
        closed[block.columns] = beside & (solved.values[block.columns] <= 0)
    trial = replace(program, model=replace(program.model, rows=[*program.model.rows, *rows]))
    found = solved_with_cuts(trial, pinned=solved.values, closed=closed, start=solved)
    return replace(found, prices=found.prices[:before])


def _pulls(program: WeekProgram, parts: Sequence[Planned]) -> list[Row]:
    """For every crumb of a batch a row that makes it large enough."""
    found, world = [], program.world
    for block, taken in ((part.block, part.taken) for part in parts):
        pull = block.job.tidy.pull.kilograms
        for s in block.job.small_pulls(world, taken, program.stock):
            least = min(pull, program.stock.get(s, pull)) * world.supplies[s].lot.usable
            found.append(_row([block.start + block.supplies.tolist().index(s)], least, None))
    return found


def _remnants(program: WeekProgram, parts: Sequence[Planned], have: Mapping[int, Fraction]) -> list[Row]:
    """For every opened lot, and delivery in packs, with too little left a row that empties it."""
    found, supplies = [], program.world.supplies
    least = {s: part.block.job.tidy.remnant.kilograms for part in parts for s in part.taken}  # of the last use
    for s, kg in needed(parts).items():
        lot, there = supplies[s].lot, have.get(s, ZERO)
        typed = lot.smallest_remnant_kg is not None or lot.use_up
        if not typed and 0 < there - kg < least[s] <= there:
            found.append(_row(program.uses[s][0], there * lot.usable, None))
    return found


# Batch by batch.


class Compared(Record):
    """The week planned batch by batch, in order: its cost, or the batch for which nothing was left.

    ``saving`` is the money that planning together saves, both before rounding.
    """

    cost: Figure | None
    stuck: str | None = None
    saving: Figure | None = None


def in_order(world: World, together: float | None = None) -> Compared:
    """Plan the batches one after the other, by the first day of their window and then as they stand in the file.

    What closing stock the lots do not leave is bought in the end. ``together`` is what the week costs planned together.
    Raises OutOfTime.
    """
    kitchen, stock = world.week.entry.kitchen, world.stock
    entry = world.week.entry.model_copy(update={"kitchen": kitchen.model_copy(update={"cold_store": ()})})
    bare = replace(world, week=replace(world.week, entry=entry))
    aside = _put_aside(world, stock)
    wanted = WeekPart(
        stock=stock, reserved=defaultdict(Fraction), counted=defaultdict(int), ordered=defaultdict(Fraction),
        alone=True,
    )  # fmt: skip
    total = float(build(world, WeekPart(jobs=())).model.constant)
    jobs = sorted((job for job in world.jobs if job.days), key=lambda job: (job.days[0], job.index))
    for job in (*jobs, *([None] if kitchen.closing else [])):
        if job is None:
            stock |= {s: stock[s] + kg for s, kg in aside.items()}
        program = build(bare, replace(wanted, jobs=(job.index,)) if job else replace(wanted, jobs=(), alone=False))
        solved = solve(program.model, time_limit=_ALONE_SECONDS, gap=_ALONE_GAP)
        if not solved.found:
            return Compared(cost=None, stuck=job.name if job else "closing stock")
        total += solved.cost - float(program.model.constant)
        wanted = replace(wanted, charged=wanted.charged | _take(program, solved, wanted))
    return Compared(cost=total, saving=None if together is None else total - together)


def _put_aside(world: World, stock: dict[int, Fraction]) -> dict[int, Fraction]:
    """Take the closing stock off the lots that keep, as far as there is any: kilograms of each put aside."""
    aside: dict[int, Fraction] = defaultdict(Fraction)
    for closing in world.week.entry.kitchen.closing:
        wanted = closing.kg
        for s in sorted(stock, key=lambda s: world.supplies[s].worth):
            if world.supplies[s].lot.material == closing.material and world.supplies[s].keeps:
                kept = min(wanted, stock[s])
                stock[s] -= kept
                aside[s] += kept
                wanted -= kept
    return aside


def _take(program: WeekProgram, solved: Solved, wanted: WeekPart) -> set[tuple[str, int]]:
    """Lower the stock by what was used, put what was bought beyond it on the shelf, and use up the kitchen's limits.

    The drops that are charged.
    """
    world, stock, charged = program.world, wanted.stock or {}, set()
    for s, buy in program.buys.items():
        kg = near(sum(float(solved.values[column]) for column in buy.columns)) * buy.unit
        if kg:
            stock[s] = stock.get(s, ZERO) + kg
            wanted.ordered[s] += kg
            charged.add(world.supplies[s].drop)
    parts = planned(program, solved)
    for s, kg in needed(parts).items():
        stock[s] = max(stock.get(s, ZERO) - kg, ZERO)
    for row in program.model.rows:
        if row.owner.kind is RowKind.LIMIT:
            places, coefs = row.sparse
            wanted.reserved[row.owner] += near(float((solved.values[places] * coefs.floats).sum()))
    for day in {part.block.day for part in parts}:
        wanted.counted[day] += 1
    return charged
