"""When no plan exists: the cause in one sentence, and at most three ways out, each solved again as it is said.

The program is solved again with slack: lots that must be used up may be left, there may be more of a lot or more room,
batches may fall short. Each kind is tried alone, and then the cheapest mixture of several. Requirements of recipes
and rule packs are never relaxed.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import date as Day
from enum import StrEnum
from fractions import Fraction
from itertools import groupby
from math import ceil
from typing import NamedTuple

from constraints.as_typed import ONE, ZERO, trimmed
from constraints.requirement import Requirement
from constraints.row import Row, RowKind
from optimizer.clock import OutOfTime
from optimizer.figures import Unit
from optimizer.lawful import Dosed, LawfulDose, doses_instead
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import Job, World
from optimizer.plan.settle.books import coarsest
from optimizer.plan.settle.engine import Solved, solve
from optimizer.reading.offers import PLENTY
from optimizer.record import Figure, Record, at
from optimizer.wording import counted, day_words

_SEEN = 1e-6
_SHORT_WEIGHT = Fraction(1000)
"""Weight of a kilogram of a batch not made against one of stock or capacity: making less is the last resort."""
_SECONDS = 60.0
_WAYS = 3
_HUNDREDTH = Fraction(1, 100)


class WeekWay(StrEnum):
    """A kind of way out, in the order in which they are tried."""

    USE_UP = "let these lots not be used up"
    ROOM = "have more room in the kitchen"
    STOCK = "have more of these lots or deliveries"
    LESS = "make less"
    MIXED = "the smallest mixture of these"


class WeekChange(Record):
    """One thing to change, by how much of its unit."""

    what: str
    date: Day | None
    amount: Figure
    unit: str

    def said(self, unit: Unit, between: str) -> str:
        """What, when and by how much, in the week's unit."""
        when = f" on {day_words(self.date, self.date)}" if self.date else ""
        return f"{self.what}{when}{between}{amount(unit, self.amount, self.unit)}"


class WeekWayOut(Record):
    """A way out that was solved again as it stands here."""

    way: WeekWay
    changes: list[WeekChange]


class Impossible(Record):
    """A requirement that no choice of lots can meet, with its batch."""

    batch: str = at(lambda pair: pair[0].name)
    requirement: str = at(lambda pair: pair[1].words())


class NoPlan(Record):
    """Why no plan exists, in one sentence and by what is involved, and what would help.

    ``batches``, ``limits`` and ``materials`` have a price on the least shortfall: they cannot be had together.
    """

    cause: str
    impossible: tuple[Impossible, ...] = ()
    batches: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()
    materials: tuple[str, ...] = ()
    ways: tuple[WeekWayOut, ...] = ()


class _Slack(NamedTuple):
    """A column that gives a row room: its way, what it is in words, its weight, most, sign, and whether it is whole."""

    way: WeekWay
    what: str
    day: Day | None
    unit: str
    weight: Fraction
    most: Fraction
    sign: int
    whole: bool = False


def _loosened(program: WeekProgram, ways: Collection[WeekWay]) -> dict[int, _Slack]:
    """Give every row the slack of these ways, by column, which is then all that costs."""
    model, found = program.model.costing({}), {}
    program.model = model
    for i, row in enumerate(list(model.rows)):
        for slack in (slack for slack in _slacks(program, row) if slack.way in ways):
            column = model.column(slack.weight, slack.most, whole=slack.whole)
            model.rows[i] = model.rows[i].plus({column: Fraction(slack.sign)})
            found[column] = slack
    return found


def _changes(program: WeekProgram, slacks: Mapping[int, _Slack], used: Mapping[int, float]) -> Iterator[WeekChange]:
    """What a solution would have changed, rounded to be enough on the scales; each slack is held to that."""
    for column, slack in slacks.items():
        whole = slack.whole or slack.unit == "left out"
        step = ONE if whole else coarsest(program.world)
        said = (ceil(Fraction(used[column] - _SEEN) / step) + (not whole)) * step if column in used else ZERO
        program.model.row([column], [1], hi=said)
        if said:
            yield WeekChange(what=slack.what, date=slack.day, amount=said, unit=slack.unit)


def _slacks(program: WeekProgram, row: Row) -> Iterator[_Slack]:
    """The room that a row could be given."""
    world, kind, owner = program.world, row.owner.kind, row.owner.what
    if kind in (RowKind.SIZE, RowKind.ONCE) and row.lo is not None and owner.lo > 0:
        if kind is RowKind.SIZE:
            yield _Slack(WeekWay.LESS, owner.name, None, "kg short", _SHORT_WEIGHT, owner.lo, 1)
        elif row.lo:
            yield _Slack(WeekWay.LESS, owner.name, None, "left out", _SHORT_WEIGHT * owner.lo, ONE, 1)
    elif kind is RowKind.STOCK:
        supply, most = owner, sum((job.hi for job in world.jobs), ZERO)
        name = f"{supply.name} ({supply.lot.material})" if supply.lot.material else supply.name
        if supply.offer is None or supply.first >= program.wanted.not_before:
            yield _Slack(WeekWay.STOCK, name, supply.came, "kg usable more", ONE, most, -1)
        if row.lo:
            words = "kg usable left" if supply.lot.use_up else "kg usable less than its use_at_least_kg"
            yield _Slack(WeekWay.USE_UP, name, None, words, ONE, most, 1)
    elif kind is RowKind.LIMIT:
        what, words, _, weight, whole = owner.change
        day = None if row.owner.day is None else world.date(row.owner.day)
        yield _Slack(WeekWay.ROOM, what, day, words, weight, PLENTY, -1, whole)


def impossible(world: World) -> list[tuple[Job, Requirement]]:
    """Requirements that no choice of lots can meet, each with the batch it belongs to and that must be made."""
    return [
        (job, requirement) for job in world.jobs if job.lo > 0 and not job.entry.may_leave_out
        for rows in {id(rows): rows for rows in job.rows.values()}.values() for requirement in rows.impossible
    ]  # fmt: skip


def instead(world: World) -> Iterator[tuple[str, LawfulDose]]:
    """The doses that would pass where one is what makes a batch impossible, with the batch."""
    for job, pairs in groupby(impossible(world), key=lambda pair: pair[0]):
        dosed = Dosed.of(next(iter(job.rows.values())).problem)
        yield from ((job.name, dose) for dose in doses_instead(dosed, [requirement for _, requirement in pairs]))


def no_plan(first: WeekProgram) -> NoPlan:
    """Find out why a week, or what is left of one, has no plan, and what would help, as far as the time goes."""
    world, never = first.world, impossible(first.world)
    if never:  # the recipe itself has to change; what the rest of the week lacks is another question
        cause = f"{never[0][0].name} can never meet {never[0][1].words()}."
        return NoPlan.model_validate({"cause": cause, "impossible": never})
    ways, involved = list[WeekWayOut](), dict[str, tuple[str, ...]]()
    plenty = world.reach(dict.fromkeys(range(len(world.supplies)), PLENTY))
    with suppress(OutOfTime):
        for way in WeekWay:
            kinds = [kind for kind in WeekWay if way in (kind, WeekWay.MIXED)]
            program = build(world, replace(first.wanted, reach=plenty if WeekWay.STOCK in kinds else None))
            slacks = _loosened(program, kinds)
            solved = solve(program.model, time_limit=_SECONDS)
            there = ((column, float(solved.values[column])) for column in (slacks if solved.found else ()))
            used = {column: value for column, value in there if value > _SEEN}
            if way is WeekWay.LESS:
                involved = _involved(program, solved, [slacks[column].what for column in used])
            if way is WeekWay.MIXED and ways and len({slacks[column].way for column in used}) < 2:
                continue  # a mixture of one kind was said already
            if used and (changes := list(_changes(program, slacks, used))) and solve(program.model).found:
                ways.append(WeekWayOut(way=way, changes=changes))
    cause = _cause(first, ways, involved.get("limits", ()))
    return NoPlan.model_validate({"cause": cause, "ways": ways[:_WAYS], **involved})


def unit_of(world: World) -> Unit:
    """The unit in which a week says weights."""
    return Unit.of(pounds=world.week.entry.units == "lb")


def amount(unit: Unit, figure: Fraction, of: str) -> str:
    """A change of so much ``of`` a unit, which may be words that start with kg; rounded so that it is enough."""
    if not of.startswith("kg"):
        return f"{trimmed(figure, 2)} {of}"
    return f"{trimmed(ceil(figure / unit.kg / _HUNDREDTH) * _HUNDREDTH, 2)} {unit.name}{of[2:]}"


def _cause(program: WeekProgram, ways: list[WeekWayOut], limits: tuple[str, ...]) -> str:
    """One sentence: what has to give first."""
    if not ways:
        return f"these do not go together: {'; '.join(limits[:2])}." if limits else "it is not known why."
    first, unit = ways[0], unit_of(program.world)
    said = " and ".join(f"{amount(unit, c.amount, 'kg')} of {c.what}" for c in first.changes)
    if first.way is WeekWay.USE_UP:
        lots = [s.lot for s in program.world.supplies]
        kept, least = sum(lot.use_up for lot in lots), sum(lot.use_at_least_kg > 0 for lot in lots)
        must = f"{counted(kept, 'lot')} must be used up" if kept else f"{counted(least, 'lot')} must be used"
        return f"{must}, and no batch can take {said}."
    if first.way is WeekWay.ROOM:
        return f"the kitchen has no room for it: {'; '.join(c.said(unit, ', ') for c in first.changes)}."
    there, asked = _there(program), sum((job.entry.band[0] for job in {b.job for b in program.blocks}), ZERO)
    if there is not None and there < asked:
        hold, want = unit.said(there, 2), unit.said(asked, 2)
        return f"the lots and deliveries hold {hold} that its batches may take; {want} are asked."
    if first.way is WeekWay.STOCK:
        return f"it lacks {said}."
    return f"{' and '.join(dict.fromkeys(c.what for c in first.changes))} cannot all be made as asked."


def _there(program: WeekProgram) -> Fraction | None:
    """Usable kilograms that any batch may take; None where orders have no end."""
    total = ZERO
    for s in {int(s) for block in program.blocks for s in block.supplies}:
        supply, buy = program.world.supplies[s], program.buys.get(s)
        if buy is not None and supply.offer is not None and supply.offer.terms.largest_order_kg is None:
            return None
        ordered = max((part.hi for part in buy.segments), default=ZERO) if buy is not None else ZERO
        total += (program.stock.get(s, ZERO) + ordered) * supply.lot.usable
    return total


def _involved(program: WeekProgram, solved: Solved, short: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Batches, limits and materials with a price on the least shortfall: what cannot be had together."""
    model, world = program.model, program.world
    linear = solve(model, pinned=solved.values) if model.whole and solved.found else solved
    batches, limits, materials = dict.fromkeys(short), dict[str, None](), dict[str, None]()
    for row, price in zip(model.rows, linear.prices, strict=False):
        if abs(price) <= _SEEN:
            continue
        owner = row.owner
        if owner.kind in (RowKind.SIZE, RowKind.ONCE):
            batches[owner.what.name] = None
        elif owner.kind is RowKind.STOCK:
            materials[owner.what.lot.material or owner.what.name] = None
        elif owner.kind is RowKind.NEED and owner.day is not None:
            limits[f"{owner.batch.name} on {world.date(owner.day)}: {owner.what.words()}"] = None
        elif owner.kind is RowKind.LIMIT:
            limits[owner.what.words(world, owner.day)] = None
    return {"batches": tuple(batches), "limits": tuple(limits), "materials": tuple(materials)}
