"""When no plan exists: which batches, days and materials cannot be had together, and the cheapest ways out.

The program is solved again with slack: batches may fall short, lots may be larger, stages and the like may have more
room. Each kind of slack is tried alone, so that the reader sees what each could do by itself, and the cheapest mixture
last. Requirements of recipes and rule packs are never relaxed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from constraints.requirement import Requirement
from optimizer.clock import OutOfTime
from optimizer.lawful import Dosed, LawfulDose, doses_instead
from optimizer.plan.model.blocks import MOST_KG, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.kitchen import Limit
from optimizer.plan.model.sparse import Label
from optimizer.plan.model.world import World
from optimizer.plan.settle.engine import Solved, solve

_ZERO = Fraction(0)
_ONE = Fraction(1)
_SEEN = 1e-6
_SHORT_WEIGHT = Fraction(1000)
"""Weight of a kilogram of a batch not made against one of stock or capacity: making less is the last resort."""
_SECONDS = 60.0


class Way(StrEnum):
    """A kind of way out."""

    LESS = "make less"
    STOCK = "have more of these lots or deliveries"
    ROOM = "have more room in the kitchen"
    MIXED = "the smallest mixture of these"


@dataclass(frozen=True)
class Change:
    """One thing that would have to change: what, on which day (None: any), and by how much of ``unit``."""

    what: str
    day: int | None
    amount: float
    unit: str


@dataclass(frozen=True)
class WayOut:
    """A way out with its changes; empty where this kind of change alone does not help."""

    way: Way
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class NoPlan:
    """Why no plan exists. ``impossible`` are requirements that no choice of lots can meet, with their batch."""

    batches: tuple[str, ...]
    limits: tuple[str, ...]
    materials: tuple[str, ...]
    ways: tuple[WayOut, ...]
    impossible: tuple[tuple[str, Requirement], ...] = ()

    def instead(self, world: World) -> Iterator[tuple[str, LawfulDose]]:
        """The doses that would pass where one is what makes a batch impossible, with the batch."""
        for job in world.jobs:
            broken = [requirement for batch, requirement in self.impossible if batch == job.name]
            first = next(iter(job.rows.values()))
            yield from ((job.name, dose) for dose in doses_instead(Dosed.of(first.problem), broken))


@dataclass
class _Slack:
    program: WeekProgram
    columns: dict[int, tuple[str, int | None, str]]


def impossible(world: World) -> tuple[tuple[str, Requirement], ...]:
    """Requirements that no choice of lots can meet, each with the batch it belongs to and that must be made."""
    found = []
    for job in world.jobs:
        if job.entry.may_leave_out or job.lo <= 0:
            continue
        for rows in {id(rows): rows for rows in job.rows.values()}.values():
            found += [(job.name, requirement) for requirement in rows.impossible]
    return tuple(found)


def no_plan(world: World, again: Callable[[], WeekProgram] | None = None) -> NoPlan:
    """Find out why a week has no plan, and what would help, as far as the time goes.

    ``again`` makes the program of what is left of one.
    """
    never = impossible(world)
    if never:  # the recipe itself has to change; what the rest of the week lacks is another question
        return NoPlan((), (), (), (), never)
    ways = []
    involved: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]] = ((), (), ())
    for way, kinds in ((Way.LESS, "s"), (Way.STOCK, "m"), (Way.ROOM, "r"), (Way.MIXED, "smr")):
        try:
            slack = _loosened(build(world) if again is None else again(), kinds)
            solved = solve(slack.program.sparse, time_limit=_SECONDS)
        except OutOfTime:
            break
        changes = _changes(slack, solved)
        if way is Way.LESS:
            involved = _involved(slack, solved, changes)
        ways.append(WayOut(way, changes))
    return NoPlan(*involved, tuple(ways), never)


def _loosened(program: WeekProgram, kinds: str) -> _Slack:
    """The program with the costs of slack alone, so that the smallest change is sought."""
    sparse = program.sparse
    sparse.free_of_cost()
    slack = _Slack(program, {})
    for at in range(len(sparse.rows)):  # rows are added while walking; those are no limits of their own
        label = sparse.rows[at].label
        if "s" in kinds:
            _short(slack, at, label)
        if "m" in kinds:
            _more_stock(slack, at, label)
        if "r" in kinds:
            _more_room(slack, at, label)
    return slack


def _short(slack: _Slack, at: int, label: Label) -> None:
    """A batch may fall short of its smallest size."""
    row = slack.program.sparse.rows[at]
    job = slack.program.world.jobs[label[1]] if label[0] in ("size", "once") else None
    if job is None or job.lo <= 0:
        return
    if label[0] == "size" and row.lo is not None:
        column = slack.program.sparse.column(_SHORT_WEIGHT, job.lo)
        slack.program.sparse.extend_row(at, column, 1)
        slack.columns[column] = (job.name, None, "kg short")
    elif label[0] == "once" and row.lo:
        column = slack.program.sparse.column(_SHORT_WEIGHT * job.lo, _ONE)
        slack.program.sparse.extend_row(at, column, 1)
        slack.columns[column] = (job.name, None, "left out")


def _more_stock(slack: _Slack, at: int, label: Label) -> None:
    """There may be more of a lot or a delivery than there is."""
    if label[0] != "stock":
        return
    world = slack.program.world
    supply = world.supplies[label[1]]
    if supply.offer is not None and supply.first < slack.program.since:
        return
    most = sum((job.hi for job in world.jobs), _ZERO)
    column = slack.program.sparse.column(_ONE, most)
    slack.program.sparse.extend_row(at, column, -1)
    day = supply.first if supply.offer is not None else None
    name = f"{supply.name} ({supply.lot.material})" if supply.lot.material else supply.name
    slack.columns[column] = (name, day, "kg usable more")


def _more_room(slack: _Slack, at: int, label: Label) -> None:
    """A rule of the kitchen may give way on one day, or over the week."""
    limit, sparse = label[0], slack.program.sparse
    if isinstance(limit, Limit):
        what, words, _, weight, whole = limit.rule.change
        column = sparse.column(weight, Fraction(MOST_KG), whole=whole)
        slack.columns[column] = (what, limit.day, words)
        sparse.extend_row(at, column, -1)


def _changes(slack: _Slack, solved: Solved) -> tuple[Change, ...]:
    if not solved.found:
        return ()
    found = []
    for column, (what, day, unit) in slack.columns.items():
        amount = float(solved.values[column])
        if amount > _SEEN:
            found.append(Change(what, day, amount, unit))
    return tuple(found)


def _involved(
    slack: _Slack, solved: Solved, changes: tuple[Change, ...]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Batches, limits and materials with a price on the least shortfall: what cannot be had together."""
    sparse, world = slack.program.sparse, slack.program.world
    linear = solve(sparse, pinned=solved.values) if sparse.has_whole and solved.found else solved
    batches = {change.what: None for change in changes}
    limits: dict[str, None] = {}
    materials: dict[str, None] = {}
    if not len(linear.prices):
        return tuple(batches), (), ()
    for row, price in zip(sparse.rows, linear.prices, strict=True):
        if abs(price) <= _SEEN:
            continue
        kind = row.label[0]
        if kind in ("size", "once"):
            batches[world.jobs[row.label[1]].name] = None
        elif kind == "stock":
            supply = world.supplies[row.label[1]]
            materials[supply.lot.material or supply.name] = None
        elif kind == "need":
            job, day, requirement = world.jobs[row.label[1]], row.label[2], row.label[3]
            limits[f"{job.name} on {world.date(day)}: {requirement.words()}"] = None
        elif isinstance(kind, Limit):
            limits[kind.words(world)] = None
    return tuple(batches), tuple(limits), tuple(materials)
