"""What the program of a week is made of: its blocks of columns, what is asked of it, and what its columns cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from constraints.asked import hold
from constraints.quantities import Basis, Lot
from constraints.requirement import Span
from constraints.row import Owner, Places, Row, Vector
from optimizer.plan.model.world import Job, RecipeRows, World
from optimizer.reading.offers import Stretch, Terms
from optimizer.solver.model import Model, none_or

_ZERO, _ONE = Fraction(0), Fraction(1)
MOST_KG = 10**6
"""Kilograms beyond any kitchen."""
DIVISION_KG = Fraction("0.05")
"""One usual scale division."""
Coefs = dict[int, Fraction]
"""Coefficients by column."""
Uses = dict[int, tuple[Places, Fraction]]
"""For each supply the columns that use it, and the most kilograms (usable) that all batches could use of it."""


@dataclass(frozen=True, eq=False)
class Block:
    """The columns of one batch on one day: ``supplies[k]`` stands at column ``start + k``, then free additions.

    ``places`` are those of all of them among the columns of the recipe's formula. ``own`` are the columns that are its
    kilograms of a basis, and (None) whether it is made.
    """

    job: Job
    day: int
    supplies: Places
    start: int
    places: Places
    rows: RecipeRows
    own: dict[Basis | None, int]

    @property
    def columns(self) -> Places:
        """Columns of the supplies."""
        return self.every[: len(self.supplies)]

    @property
    def every(self) -> Places:
        """All columns."""
        return np.arange(self.start, self.start + len(self.places), dtype=np.int64)

    def weights(self, basis: Basis) -> Vector:
        """The kilograms of a basis that each kilogram of its columns brings."""
        return self.rows.weights[basis].at(self.places)


@dataclass(frozen=True)
class Buy:
    """One offer on one day of delivery: columns in units of ``unit`` kilograms, one a segment."""

    terms: Terms
    unit: Fraction
    columns: tuple[int, ...]
    choices: tuple[int, ...]
    segments: tuple[Stretch, ...]


class SupplyCosts:
    """What a usable kilogram of each supply costs on each day, and how much of it there can be: computed once a day.

    ``stock`` stands instead of the opening stock, as held.
    """

    def __init__(self, world: World, stock: dict[int, Fraction] | None = None) -> None:
        self.world = world
        self.by_day: dict[int, Vector] = {}
        lots = [s.lot for s in world.supplies]
        self.special = np.array([x.pack_kg is not None or bool(x.smallest_pull_kg) for x in lots], dtype=bool)
        have = [s.lot.on_hand_kg if s.kg is None else s.kg if stock is None else stock.get(i, _ZERO)
                for i, s in enumerate(world.supplies)]  # fmt: skip
        self.most = Vector.of(self._usable(s, kg) for s, kg in enumerate(have))

    def hold(self, s: int, kg: Fraction) -> None:
        """So many kilograms of a supply, as held, are there now."""
        self.most = self.most.put(s, self._usable(s, kg))

    def _usable(self, s: int, kg: Fraction) -> Fraction:
        lot = self.world.supplies[s].lot
        return (kg if lot.largest_pull_kg is None else min(kg, lot.largest_pull_kg)) * lot.usable

    def on(self, day: int) -> Vector:
        """Costs, one a supply."""
        key = day if self.world.holding else 0
        if key not in self.by_day:
            holding = self.world.holding
            found = ((s, s.worth - (holding and holding * (s.nights - s.nights_to(key)))) for s in self.world.supplies)
            self.by_day[key] = Vector.of(worth / s.lot.usable for s, worth in found)
        return self.by_day[key]


@dataclass(frozen=True)
class RoomLeft:
    """What is left free for the scales: kilograms ``of`` limits of the kitchen, by the owner of their row, and
    kilograms of every lot held ``back``. The jobs ``without`` are left out.
    """

    of: dict[Owner | None, Fraction] = field(default_factory=dict)
    back: Fraction = _ZERO
    without: frozenset[int] = frozenset()

    def at(self, owner: Owner) -> Fraction:
        """Kilograms to leave free of a limit."""
        return self.of.get(owner, _ZERO)


@dataclass(frozen=True)
class WeekPart:
    """What part of a week to build.

    ``jobs`` None means all; ``stock`` stands instead of the opening stock, as held, and may hold deliveries already
    paid for. ``charged`` drops cost nothing more; nothing can be ordered before the day ``not_before``. ``taken`` is
    what of a limit of the kitchen is used already, ``counted`` how many batches a day already has. ``alone`` leaves out
    what only a whole week can keep: cold store, closing stock and lots to use up. ``ordered`` is what of a delivery was
    ordered before; of those ``settled`` nothing more comes. ``costs`` may be handed on between builds.
    """

    jobs: tuple[int, ...] | None = None
    stock: dict[int, Fraction] | None = None
    charged: frozenset[tuple[str, int]] = frozenset()
    not_before: int = 0
    taken: dict[Owner, Fraction] = field(default_factory=dict)
    counted: dict[int, int] = field(default_factory=dict)
    alone: bool = False
    ordered: dict[int, Fraction] = field(default_factory=dict)
    settled: frozenset[int] = frozenset()
    room: RoomLeft = field(default_factory=RoomLeft)
    costs: SupplyCosts | None = None


@dataclass
class WeekProgram:
    """The program of the part ``wanted``, and what its columns mean."""

    world: World
    model: Model
    wanted: WeekPart
    stock: dict[int, Fraction]
    blocks: list[Block] = field(default_factory=list)
    uses: Uses = field(default_factory=dict)
    buys: dict[int, Buy] = field(default_factory=dict)

    @cached_property
    def remnant(self) -> Fraction:
        """The smallest remnant that somebody asks for: the largest of any batch, kilograms as held."""
        return max((block.job.tidy.asked.remnant.kilograms for block in self.blocks), default=_ZERO)

    def asked_remnant(self, lot: Lot) -> Fraction:
        """The least that an opened lot must be left with where somebody asks for it, kilograms as held."""
        if lot.use_up:
            return _ZERO
        return self.remnant if lot.smallest_remnant_kg is None else lot.smallest_remnant_kg


def block_of(program: WeekProgram, job: Job, day: int, made: int | None, costs: SupplyCosts) -> Block:
    """Columns and rows of one batch on one day."""
    rows, (source, first, last, _) = job.rows[day], program.world.columns
    supplies = np.flatnonzero((rows.place[source] >= 0) & (first <= day) & (last >= day))
    places = np.append(rows.place[source[supplies]], np.array(rows.free, dtype=np.int64))
    block = Block(job, day, supplies, program.model.size, places, rows, {} if made is None else {None: made})
    worth, none = job.entry.value_per_kg or _ZERO, Vector.whole([0] * len(rows.free))
    cost = costs.on(day).at(supplies).joined(none).plus(rows.carried.at(places))
    cost = cost.plus(block.weights(job.entry.basis), -worth) if worth else cost
    most, lightest = costs.most.at(supplies), rows.lightest[job.entry.basis]
    most = most.capped(job.hi / lightest) if lightest > 0 else most
    program.model.variables.add(cost, most.joined(Vector.of(rows.free_most)))
    program.blocks.append(block)
    for row in rows.rows:
        _need(program, block, row)
    if rows.choices or job.tidy.asked.pull.kilograms or costs.special[supplies].any():
        _pulls(program, block)
    return block


def _need(program: WeekProgram, block: Block, row: Row) -> None:
    """One row of a recipe. A least weight is asked of what is made on a day, and of nothing where nothing is."""
    owner, lo, coefs = replace(row.owner, day=block.day, batch=block.job), row.lo, Vector.of(row.coefs).at(block.places)
    made = made_on(program, block) if lo else None
    if lo is not None and made is not None:
        program.model.row(np.append(block.every, made), coefs.joined(Vector.of([-lo])), _ZERO, None, owner)
        lo = None
    if lo is not None or row.hi is not None:
        program.model.row(block.every, coefs, lo, row.hi, owner)


def _pulls(program: WeekProgram, block: Block) -> None:
    """Whole packs, smallest pulls, and rules on which lots are opened, as yes-or-no columns where a lot has any."""
    model, supplies, uses = program.model, program.world.supplies, list[int]()
    for column, s in zip(block.columns.tolist(), block.supplies.tolist(), strict=True):
        limits = hold(replace(supplies[s].lot, use_up=False), block.job.tidy.asked)  # it is used up over the week
        if supplies[s].offer is None and limits.step is not None:
            packs = model.column(_ZERO, Fraction(limits.most // limits.step), whole=True)
            model.row([column, packs], [_ONE, -limits.step], _ZERO, _ZERO)
        if block.rows.choices or limits.least > 0:
            uses.append(used(model, [column], limits.least, model.variables[column].hi))
    for row in block.rows.choices:
        model.row(uses, Vector.of(row.coefs).at(block.places[: len(uses)]), row.lo, row.hi)


def amount(program: WeekProgram, block: Block, basis: Basis) -> int:
    """The column that is the kilograms of one basis in a block."""
    if basis not in block.own:
        block.own[basis] = at = program.model.column(_ZERO, most_of(block, basis))
        coefs = block.weights(basis).joined(Vector.whole([-1]))
        program.model.row(np.append(block.every, at), coefs, _ZERO, _ZERO)
    return block.own[basis]


def made_on(program: WeekProgram, block: Block) -> int | None:
    """The yes-or-no column of a batch, or a part of it, on its day; None where it is made in any case."""
    job = block.job
    if None not in block.own and not (job.lo > 0 and len(job.days) == 1 and not job.entry.may_leave_out):
        block.own[None] = used(program.model, [amount(program, block, job.entry.basis)], _ZERO, job.hi)
    return block.own.get(None)


def most_of(block: Block, basis: Basis) -> Fraction:
    """The most kilograms of a basis that a block's size allows."""
    own = block.job.entry.basis
    return block.job.hi * (_ONE if basis is own else block.rows.ratios[own])


def used(model: Model, columns: Sequence[int], least: Fraction, most: Fraction) -> int:
    """A yes-or-no column: ``least`` kilograms of these columns at least where it is one, none where it is zero."""
    use = model.column(_ZERO, _ONE if least <= most else _ZERO, whole=True)
    span = Span(least, min(most, sum(model.tops(columns), _ZERO)))
    model.rows.extend(none_or(dict.fromkeys(columns, _ONE), span, use))
    return use


def ones(count: int) -> Vector:
    """So many ones."""
    return Vector(np.ones(count, dtype=np.int64), 1, 1)
