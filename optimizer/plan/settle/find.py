"""One week from its files to its plan: solved, weighed out, proved, and compared with planning batch by batch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction

from optimizer.answer import Status
from optimizer.clock import OutOfTime, left, limited
from optimizer.plan.model.blocks import RoomLeft, WeekPart, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.kitchen import Excess
from optimizer.plan.model.world import World
from optimizer.plan.settle.books import Books, Money
from optimizer.plan.settle.cone_cuts import solved_with_cuts, uncertain
from optimizer.plan.settle.engine import Solved, Watch, settled, solve
from optimizer.plan.settle.read_off import Purchase, needed, needed_only, orders, planned, with_room
from optimizer.plan.settle.tidy import tidied
from optimizer.plan.settle.weigh import WeighedBatch, weigh_all
from optimizer.solver.exact import lower_bound, multipliers
from optimizer.solver.model import Ending
from optimizer.weighing.rounding import Certificate

_ZERO = Fraction(0)
HELD_BACK_KG = Fraction("0.25")
"""Kilograms of every lot held back where rounding left a batch no way: five usual scale divisions."""
TRIES = 4
"""Further plans that are sought at most where the weighing broke something."""
SEARCH_SHARE = 0.7
"""Part of the time left that the search may take at least: the rest is for weighing out what it finds."""
LONGEST_WEIGHING = 10.0
"""Seconds left for weighing at most."""
GAP = 5e-4
"""Relative gap at which the search for whole numbers stops; printed with the plan."""


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
    """What tidy pulls and remnants cost before rounding, money."""

    @property
    def tidy_price(self) -> float:
        """The same with what the scales add to it."""
        return self.tidied + float(sum((one.dearer for one in self.made), _ZERO))

    @property
    def broken(self) -> tuple[int, int, Fraction]:
        """What does not hold, the worst first: batches and faults, limits of the kitchen, money."""
        if self.certificate is None:
            return 10**6, 0, _ZERO
        unsound = sum(not one.sound for one in self.made) + len(self.certificate.faults)
        return unsound, len(self.certificate.excess), self.certificate.cost

    @property
    def whole(self) -> bool:
        """True where everything holds as weighed."""
        return self.broken[:2] == (0, 0)


Maker = Callable[[RoomLeft], WeekProgram]
"""What makes a program of a week, or of what is left of one, with room left where it is asked for."""


def find(world: World, make: Maker | None = None, *, talk: bool = False, gap: float = GAP) -> Plan:
    """The cheapest plan of a week. Ctrl-C and the time limit stood in end the search with the best plan found.

    Where what was weighed breaks anything, a plan is sought with room left for just that; the bound is always that of
    the week as it is. Where none keeps everything, the one with the fewest faults is returned, and says them. Raises
    OutOfTime where the limit is over before there is anything to weigh.
    """
    make = make or (lambda room: build(world, WeekPart(room=room)))
    room = RoomLeft()
    first = best = last = search(make(room), talk=talk, gap=gap)
    try:
        for _ in range(TRIES):
            if last.certificate is None or last.whole or last.status is Status.TIME_LIMIT:
                break
            room = _with_room(room, last)
            last = search(make(room), talk=talk, gap=gap)
            if last.certificate is None:
                break
            if first.certificate is not None:
                last.certificate = replace(last.certificate, lower_bound=first.certificate.lower_bound)
            best = min(best, last, key=lambda plan: plan.broken)
    except OutOfTime:
        best.status = Status.TIME_LIMIT if best.whole else best.status
    return best


def _with_room(room: RoomLeft, plan: Plan) -> RoomLeft:
    """What is asked of the next try: room for what this one was over by, and without what cannot be weighed out."""
    assert plan.certificate is not None
    of = dict(room.of)
    for excess in plan.certificate.excess:
        of[excess.owner] = room.of.get(excess.owner, _ZERO) + excess.by
    failed = [one.job for one in plan.made if not one.sound]
    if not failed and not plan.certificate.faults:
        return replace(room, of=of)
    without = {job.index for job in failed if job.entry.may_leave_out} if room.back else set()
    return RoomLeft(of, HELD_BACK_KG, room.without | without)


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
    try:
        tidy = tidied(program, solved, relaxed.reduced)
    except OutOfTime:
        tidy = solved
    plan = finish(program, tidy, relaxed)
    plan.tidied = tidy.cost - solved.cost
    return plan


def _solved(program: WeekProgram, *, talk: bool, gap: float) -> tuple[Solved, Solved]:
    """The solution with whole numbers and the relaxation whose prices bound it; small linear ones settled exactly."""
    model = program.model
    relaxed = (None if uncertain(program) else settled(model)) or solved_with_cuts(program, relaxed=True)
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
    made = list[WeighedBatch]()
    tried: list[list[Purchase]] = []
    for some in (needed_only(program, needed(program.world, parts), bought), bought, with_room(program, bought)):
        if some not in tried:
            tried.append(some)
            made = weigh_all(program, parts, some, relaxed.reduced)
        if all(one.sound for one in made):
            break
    taken = Books(program, made).taken
    books = Books(program, made, needed_only(program, taken, tried[-1], weighed=True))
    money, faults, excess = books.added_up(), tuple(books.faults()), tuple(books.excesses())
    sound = not faults and all(one.sound for one in made)
    prices = multipliers(program.model, relaxed.prices) if len(relaxed.prices) else ()
    bound = lower_bound(program.model, prices) if prices else None
    reported = solved.bound if program.model.whole else None
    status = Status.TIME_LIMIT if solved.ending is Ending.TIME_LIMIT else Status.OPTIMAL
    return Plan(
        program, made, books.orders, status=status if sound else Status.DO_NOT_MAKE, solved=solved, money=money,
        certificate=WeekCertificate(sound, money.minimised, bound, reported, faults, excess),
    )  # fmt: skip
