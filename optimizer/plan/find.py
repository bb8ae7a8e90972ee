"""One week from its files to its plan: solved, weighed out, proved, and compared with planning batch by batch."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from fractions import Fraction

from optimizer.blend import Status
from optimizer.clock import Left
from optimizer.plan.build import Wanted, WeekProgram, build
from optimizer.plan.engine import Solved, Watch, solve
from optimizer.plan.money import Money, money
from optimizer.plan.proof import lower_bound, reduced_costs
from optimizer.plan.read_off import Order, needed_only, orders, planned, with_room
from optimizer.plan.recheck import faults as recheck
from optimizer.plan.settled import settled, small
from optimizer.plan.sure import CLOSE, ROUNDS, WHOLE_ROUNDS, add_cuts, uncertain
from optimizer.plan.weigh import Made, weigh_all
from optimizer.plan.world import World
from optimizer.solver.model import Ending

HELD_BACK_KG = Fraction("0.25")
"""Kilograms of every lot held back where rounding left a batch no way: five usual scale divisions."""
GAP = 5e-4
"""Relative gap at which the search for whole numbers stops; printed with the plan."""


@dataclass(frozen=True)
class Certificate:
    """``cost`` of the plan as weighed, ``lower_bound`` proved in exact arithmetic for the linear relaxation.

    ``reported`` is the solver's own bound with whole numbers, not proved; ``sound`` is True where every batch, the
    stock of every lot, every date and every order was checked again with fractions and holds.
    """

    sound: bool
    cost: Fraction
    lower_bound: Fraction | None
    reported: float | None
    faults: tuple[str, ...] = ()

    @property
    def gap(self) -> Fraction | None:
        """Money by which a cheaper plan could undercut this one at most."""
        return None if self.lower_bound is None else self.cost - self.lower_bound


@dataclass
class Plan:
    """Everything the page and the JSON document say."""

    status: Status
    world: World
    program: WeekProgram
    solved: Solved
    made: list[Made] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    money: Money | None = None
    certificate: Certificate | None = None
    relaxed: Solved | None = None
    seconds: dict[str, float] = field(default_factory=dict)


def find(world: World, *, time_limit: float | None = None, talk: bool = False, gap: float = GAP) -> Plan:
    """The cheapest plan of a week. Ctrl-C and the time limit end the search with the best plan found."""
    seconds: dict[str, float] = {}
    clock = time.perf_counter()
    program = build(world, Wanted())
    seconds["build"] = time.perf_counter() - clock
    left = Left(time_limit)
    plan = search(program, seconds, time_limit=time_limit, talk=talk, gap=gap)
    if plan.status is not Status.DO_NOT_MAKE or plan.certificate is None or left.over:
        return plan
    again = search(_with_room(program), seconds, time_limit=left.seconds, talk=talk, gap=gap)
    if again.certificate is None or again.status is Status.DO_NOT_MAKE:
        return plan
    again.certificate = replace(again.certificate, lower_bound=plan.certificate.lower_bound)
    return again


def _with_room(program: WeekProgram) -> WeekProgram:
    """The same week with a little of every lot held back, for the rounding of several batches that use one up."""
    less = {s: max(kg - HELD_BACK_KG, Fraction(0)) for s, kg in program.stock.items()}
    roomy = build(program.world, Wanted(stock=less))
    roomy.stock, roomy.sparse.constant = program.stock, program.sparse.constant
    return roomy


def search(
    program: WeekProgram,
    seconds: dict[str, float],
    *,
    time_limit: float | None = None,
    talk: bool = False,
    gap: float = GAP,
) -> Plan:
    """Solve a program and make a plan of it: small linear ones exactly, others by the solver and its bound."""
    world = program.world
    clock = time.perf_counter()
    left = Left(time_limit)
    relaxed = _relaxed(program, left)
    solved = relaxed
    if program.sparse.has_whole and relaxed.ending is Ending.OPTIMAL:
        solved = solve(program.sparse, time_limit=left.seconds, gap=gap, watch=Watch(talk))
        rounds = WHOLE_ROUNDS if uncertain(program) else 0
        while rounds and solved.found and not solved.interrupted and not left.over and add_cuts(program, solved):
            rounds -= 1
            solved = solve(program.sparse, time_limit=left.seconds, gap=gap, watch=Watch(talk))
        if len(relaxed.prices) < len(program.sparse.rows):
            relaxed = solve(program.sparse, relaxed=True)
    seconds["solve"] = time.perf_counter() - clock
    if not solved.found:
        status = Status.TIME_LIMIT if solved.ending is Ending.TIME_LIMIT else Status.INFEASIBLE
        return Plan(status, world, program, solved, relaxed=relaxed, seconds=seconds)
    return finish(program, solved, relaxed, seconds)


def _relaxed(program: WeekProgram, left: Left) -> Solved:
    """The linear relaxation, small ones settled exactly; with cuts where a batch asks for room for error."""
    if not uncertain(program):
        exact = settled(program.sparse) if small(program.sparse) else None
        return solve(program.sparse, relaxed=True, time_limit=left.seconds) if exact is None else exact
    relaxed = solve(program.sparse, relaxed=True, time_limit=left.seconds)
    still = 0
    for _ in range(ROUNDS):
        if still > 1 or left.over or not relaxed.found or not add_cuts(program, relaxed):
            break
        before, relaxed = relaxed.cost, solve(program.sparse, relaxed=True, time_limit=left.seconds)
        still = still + 1 if relaxed.cost - before <= CLOSE * abs(before) else 0
    return relaxed


def finish(program: WeekProgram, solved: Solved, relaxed: Solved, seconds: dict[str, float]) -> Plan:
    """Weigh out a solution, add up its money and prove what can be proved."""
    clock = time.perf_counter()
    parts, bought = planned(program, solved), orders(program, solved)
    dearer = reduced_costs(program.sparse, relaxed.prices)
    least = needed_only(program, parts, bought)
    made = weigh_all(program, parts, least, dearer)
    for more in (bought, with_room(program, bought)):
        if least != more and not all(one.sound for one in made):
            least, made = more, weigh_all(program, parts, more, dearer)
    bought = least
    seconds["weigh"] = time.perf_counter() - clock
    clock = time.perf_counter()
    added = money(program, made, bought)
    bound = lower_bound(program.sparse, relaxed.prices) if len(relaxed.prices) else None
    faults = tuple(recheck(program, made, bought))
    sound = not faults and all(one.sound for one in made)
    reported = solved.bound if program.sparse.has_whole else None
    certificate = Certificate(sound, added.minimised, bound, reported, faults)
    seconds["prove"] = time.perf_counter() - clock
    status = Status.TIME_LIMIT if solved.ending is Ending.TIME_LIMIT else Status.OPTIMAL
    if not sound:
        status = Status.DO_NOT_MAKE
    return Plan(
        status, program.world, program, solved, made, bought, added, certificate, relaxed, seconds
    )  # fmt: skip
