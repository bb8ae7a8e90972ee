"""When no plan exists: the cause in one sentence, and at most three ways out, each solved again as it is said.

The program is solved again with slack: lots that must be used up may be left, there may be more of a lot or more room,
batches may fall short. Each kind is tried alone, and then the cheapest mixture of several. Requirements of recipes
and rule packs are never relaxed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from datetime import date as Day
from enum import StrEnum
from fractions import Fraction
from math import ceil

from constraints.requirement import Requirement
from optimizer.clock import OutOfTime
from optimizer.lawful import Dosed, LawfulDose, doses_instead
from optimizer.pages.record import Figure, Record
from optimizer.plan.model.blocks import MOST_KG, Costs, Wanted, WeekProgram
from optimizer.plan.model.build import build
from optimizer.plan.model.kitchen import Limit
from optimizer.plan.model.sparse import Row
from optimizer.plan.model.world import World
from optimizer.plan.report.unit import Unit
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.read_off import coarsest
from optimizer.wording import counted, day_words

_ZERO = Fraction(0)
_ONE = Fraction(1)
_SEEN = 1e-6
_SHORT_WEIGHT = Fraction(1000)
"""Weight of a kilogram of a batch not made against one of stock or capacity: making less is the last resort."""
_SECONDS = 60.0
_WAYS = 3


class Way(StrEnum):
    """A kind of way out, in the order in which they are tried."""

    USE_UP = "let these lots not be used up"
    ROOM = "have more room in the kitchen"
    STOCK = "have more of these lots or deliveries"
    LESS = "make less"
    MIXED = "the smallest mixture of these"


class Change(Record):
    """One thing to change, by how much of its unit."""

    what: str
    date: Day | None
    amount: Figure
    unit: str


class WayOut(Record):
    """A way out that was solved again as it stands here."""

    way: Way
    changes: list[Change]


@dataclass(frozen=True)
class NoPlan:
    """Why no plan exists. ``impossible`` are requirements that no choice of lots can meet, with their batch.

    ``batches``, ``limits`` and ``materials`` have a price on the least shortfall: they cannot be had together.
    """

    cause: str
    ways: tuple[WayOut, ...] = ()
    batches: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()
    materials: tuple[str, ...] = ()
    impossible: tuple[tuple[str, Requirement], ...] = ()

    def instead(self, world: World) -> Iterator[tuple[str, LawfulDose]]:
        """The doses that would pass where one is what makes a batch impossible, with the batch."""
        for job in world.jobs:
            broken = [requirement for batch, requirement in self.impossible if batch == job.name]
            first = next(iter(job.rows.values()))
            yield from ((job.name, dose) for dose in doses_instead(Dosed.of(first.problem), broken))


@dataclass(frozen=True)
class _Slack:
    """A column that gives a row room: its way, what it is in words, its weight, most, sign, and whether it is whole."""

    way: Way
    what: str
    day: Day | None
    unit: str
    weight: Fraction
    most: Fraction
    sign: int
    whole: bool = False


@dataclass
class _Loosened:
    """A program with slack, whose cost is the slack alone."""

    program: WeekProgram
    columns: dict[int, _Slack] = field(default_factory=dict)

    @classmethod
    def of(cls, program: WeekProgram, ways: Collection[Way]) -> _Loosened:
        """Give every row the slack of these ways."""
        sparse, found = program.sparse, cls(program)
        sparse.free_of_cost()
        for at, row in enumerate(list(sparse.rows)):
            for slack in (slack for slack in _slacks(program, row) if slack.way in ways):
                column = sparse.column(slack.weight, slack.most, whole=slack.whole)
                sparse.extend_row(at, column, slack.sign)
                found.columns[column] = slack
        return found

    def used(self, solved: Solved) -> set[Way]:
        """The kinds of change that a solution makes."""
        return {s.way for column, s in self.columns.items() if solved.found and solved.values[column] > _SEEN}

    def changes(self, solved: Solved) -> Iterator[Change]:
        """What a solution would have changed, rounded to be enough on the scales; each slack is held to that."""
        for column, slack in self.columns.items():
            amount = float(solved.values[column])
            whole = slack.whole or slack.unit == "left out"
            step = _ONE if whole else coarsest(self.program.world)
            said = (ceil(Fraction(amount - _SEEN) / step) + (not whole)) * step if amount > _SEEN else _ZERO
            self.program.sparse.row(("said",), [column], [1], hi=said)
            if said:
                yield Change(what=slack.what, date=slack.day, amount=said, unit=slack.unit)


def _slacks(program: WeekProgram, row: Row) -> Iterator[_Slack]:
    """The room that a row could be given."""
    world, (kind, *about) = program.world, row.label
    if kind in ("size", "once") and row.lo is not None and world.jobs[about[0]].lo > 0:
        job = world.jobs[about[0]]
        if kind == "size":
            yield _Slack(Way.LESS, job.name, None, "kg short", _SHORT_WEIGHT, job.lo, 1)
        elif row.lo:
            yield _Slack(Way.LESS, job.name, None, "left out", _SHORT_WEIGHT * job.lo, _ONE, 1)
    elif kind == "stock":
        supply = world.supplies[about[0]]
        most = sum((job.hi for job in world.jobs), _ZERO)
        name = f"{supply.name} ({supply.lot.material})" if supply.lot.material else supply.name
        if supply.offer is None or supply.first >= program.since:
            yield _Slack(Way.STOCK, name, supply.came, "kg usable more", _ONE, most, -1)
        if row.lo:
            words = "kg usable left" if supply.lot.use_up else "kg usable less than its use_at_least_kg"
            yield _Slack(Way.USE_UP, name, None, words, _ONE, most, 1)
    elif isinstance(kind, Limit):
        what, words, _, weight, whole = kind.rule.change
        day = None if kind.day is None else world.date(kind.day)
        yield _Slack(Way.ROOM, what, day, words, weight, Fraction(MOST_KG), -1, whole)


def impossible(world: World) -> tuple[tuple[str, Requirement], ...]:
    """Requirements that no choice of lots can meet, each with the batch it belongs to and that must be made."""
    found = []
    for job in world.jobs:
        if job.entry.may_leave_out or job.lo <= 0:
            continue
        for rows in {id(rows): rows for rows in job.rows.values()}.values():
            found += [(job.name, requirement) for requirement in rows.impossible]
    return tuple(found)


def no_plan(world: World, again: Callable[[Costs | None], WeekProgram] | None = None) -> NoPlan:
    """Find out why a week has no plan, and what would help, as far as the time goes.

    ``again`` makes the program of what is left of one, with other stock to choose from.
    """
    never = impossible(world)
    if never:  # the recipe itself has to change; what the rest of the week lacks is another question
        batch, requirement = never[0]
        return NoPlan(f"{batch} can never meet {requirement.words()}.", impossible=never)
    ways: list[WayOut] = []
    involved: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]] = ((), (), ())
    every = [way for way in Way if way is not Way.MIXED]
    again = again or (lambda costs: build(world, Wanted(costs=costs)))
    program = again(None)
    plenty = Costs(world, dict.fromkeys(range(len(world.supplies)), Fraction(MOST_KG)))
    try:
        for way in Way:
            kinds = every if way is Way.MIXED else [way]
            slack = _Loosened.of(again(plenty if Way.STOCK in kinds else None), kinds)
            solved = solve(slack.program.sparse, time_limit=_SECONDS)
            if way is Way.LESS:
                involved = _involved(slack, solved)
            if way is Way.MIXED and len(ways) and len(slack.used(solved)) < 2:
                continue  # a mixture of one kind was said already
            if solved.found and (changes := list(slack.changes(solved))) and solve(slack.program.sparse).found:
                ways.append(WayOut(way=way, changes=changes))
    except OutOfTime:
        pass
    return NoPlan(_cause(program, ways, involved[1]), tuple(ways[:_WAYS]), *involved)


def _cause(program: WeekProgram, ways: list[WayOut], limits: tuple[str, ...]) -> str:
    """One sentence: what has to give first."""
    if not ways:
        return f"these do not go together: {'; '.join(limits[:2])}." if limits else "it is not known why."
    first, unit = ways[0], Unit.of(program.world)
    said = [f"{unit.amount(c.amount, 'kg')} of {c.what}" for c in first.changes]
    if first.way is Way.USE_UP:
        lots = [s.lot for s in program.world.supplies]
        kept, least = sum(lot.use_up for lot in lots), sum(lot.use_at_least_kg > 0 for lot in lots)
        must = f"{counted(kept, 'lot')} must be used up" if kept else f"{counted(least, 'lot')} must be used"
        return f"{must}, and no batch can take {' and '.join(said)}."
    if first.way is Way.ROOM:
        rooms = [
            f"{c.what}{f' on {day_words(c.date, c.date)}' if c.date else ''}, {unit.amount(c.amount, c.unit)}"
            for c in first.changes
        ]
        return f"the kitchen has no room for it: {'; '.join(rooms)}."
    there, asked = _there(program), sum((job.entry.band[0] for job in {b.job for b in program.blocks}), _ZERO)
    if there is not None and there < asked:
        return (
            f"the lots and deliveries hold {unit.near(there)} that its batches may take; {unit.near(asked)} are asked."
        )
    if first.way is Way.STOCK:
        return f"it lacks {' and '.join(said)}."
    return f"{' and '.join(dict.fromkeys(c.what for c in first.changes))} cannot all be made as asked."


def _there(program: WeekProgram) -> Fraction | None:
    """Usable kilograms that any batch may take; None where orders have no end."""
    total = _ZERO
    for s in {int(s) for block in program.blocks for s in block.supplies}:
        supply, buy = program.world.supplies[s], program.buys.get(s)
        if buy is not None and supply.offer is not None and supply.offer.terms.largest_order_kg is None:
            return None
        ordered = max((part.hi for part in buy.segments), default=_ZERO) if buy is not None else _ZERO
        total += (program.stock.get(s, _ZERO) + ordered) * supply.lot.usable
    return total


def _involved(slack: _Loosened, solved: Solved) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Batches, limits and materials with a price on the least shortfall: what cannot be had together."""
    sparse, world = slack.program.sparse, slack.program.world
    linear = solve(sparse, pinned=solved.values) if sparse.has_whole and solved.found else solved
    short = [s.what for column, s in slack.columns.items() if solved.found and solved.values[column] > _SEEN]
    batches, limits, materials = dict.fromkeys(short), dict[str, None](), dict[str, None]()
    for row, price in zip(sparse.rows, linear.prices, strict=False):
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
