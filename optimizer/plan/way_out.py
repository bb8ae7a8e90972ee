"""When no plan exists: which batches, days and materials cannot be had together, and the cheapest ways out.

The program is solved again with slack: batches may fall short, lots may be larger, stages and the like may have more
room. Each kind of slack is tried alone, so that the reader sees what each could do by itself, and the cheapest mixture
last. Requirements of recipes and rule packs are never relaxed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from constraints.requirement import Requirement
from optimizer.clock import OutOfTime
from optimizer.lawful import LawfulDose, doses_instead
from optimizer.plan.build import WeekProgram, build
from optimizer.plan.engine import Solved, solve
from optimizer.plan.proof import reduced_costs
from optimizer.plan.sparse import Label
from optimizer.plan.world import World

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
            yield from ((job.name, dose) for dose in doses_instead(first.problem, broken))


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
    before = range(sparse.size)
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
    if "r" in kinds:
        _more_store(slack, before)
    return slack


def _short(slack: _Slack, at: int, label: Label) -> None:
    """A batch may fall short of its smallest size."""
    row = slack.program.sparse.rows[at]
    job = slack.program.world.jobs[label[1]] if label[0] in ("size", "once") else None
    if job is None or job.lo <= 0:
        return
    if label[0] == "size" and row.lo is not None:
        column = slack.program.sparse.column(("short", job.index), _SHORT_WEIGHT, job.lo)
        slack.program.sparse.extend_row(at, column, 1)
        slack.columns[column] = (job.name, None, "kg short")
    elif label[0] == "once" and row.lo:
        column = slack.program.sparse.column(("left out", job.index), _SHORT_WEIGHT * job.lo, _ONE)
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
    column = slack.program.sparse.column(("more", label[1]), _ONE, most)
    slack.program.sparse.extend_row(at, column, -1)
    day = supply.first if supply.offer is not None else None
    name = f"{supply.name} ({supply.lot.material})" if supply.lot.material else supply.name
    slack.columns[column] = (name, day, "kg usable more")


def _more_room(slack: _Slack, at: int, label: Label) -> None:
    """A stage or a day may take more, and less may be left at the end."""
    world = slack.program.world
    kitchen, sparse = world.week.entry.kitchen, slack.program.sparse
    if label[0] == "stage":
        stage = kitchen.stages[label[1]]
        loads = stage.load_kg is not None
        column = sparse.column(("room", *label), stage.load_kg or _ONE, Fraction(10**6), whole=loads)
        slack.columns[column] = (stage.name, label[2], "loads more" if loads else "kg more")
    elif label[0] == "most batches":
        column = sparse.column(("room", *label), Fraction(10), Fraction(len(world.jobs)), whole=True)
        slack.columns[column] = ("batches a day", label[1], "more")
    elif label[0] == "closing":
        closing = kitchen.closing[label[1]]
        column = sparse.column(("room", *label), _ONE, closing.kg)
        slack.columns[column] = (f"closing stock of {closing.material}", None, "kg less")
    else:
        return
    sparse.extend_row(at, column, -1)


def _more_store(slack: _Slack, columns: Iterable[int]) -> None:
    """The cold store may hold more than its room."""
    sparse, world = slack.program.sparse, slack.program.world
    for at in columns:
        label = sparse.labels.get(at, ("",))
        if label[0] == "level" and label[2] >= slack.program.since:
            store = world.week.entry.kitchen.cold_store[label[1]]
            sparse.set_bounds(at, _ZERO, store.kg + 10**6)
            extra = sparse.column(("room", *label), _ONE, Fraction(10**6))
            sparse.row(("store", label[1], label[2]), [at, extra], [1, -1], hi=store.kg)
            slack.columns[extra] = ("cold store", label[2], "kg more")


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
        elif kind == "stage":
            stage = world.week.entry.kitchen.stages[row.label[1]]
            limits[f"{stage.name} on {world.date(row.label[2])}"] = None
        elif kind == "most batches":
            limits[f"most batches on {world.date(row.label[1])}"] = None
        elif kind == "closing":
            limits[f"closing stock of {world.week.entry.kitchen.closing[row.label[1]].material}"] = None
    rest = reduced_costs(sparse, linear.prices)
    for column, label in sparse.labels.items():
        if label[0] == "level" and rest[column] < -_SEEN:
            limits[f"cold store on {world.date(label[2])}"] = None
    return tuple(batches), tuple(limits), tuple(materials)
