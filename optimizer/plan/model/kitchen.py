"""The rules of the kitchen. Each states its rows in the program, its recheck on what was weighed, and its words.

A row of a rule is owned by the rule on its day, so that prices, ways out and room for the scales need to know no
rule by name.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from constraints.numbers import trimmed
from constraints.row import Owner, RowKind
from optimizer.plan.files.week_file import ClosingEntry, StageEntry, StoreEntry
from optimizer.plan.model.blocks import MOST_KG, Block, Uses, Wanted, WeekProgram, amount, made_on, most_of, ones
from optimizer.plan.model.world import World

if TYPE_CHECKING:
    from optimizer.plan.settle.weigh import Made

_ZERO = Fraction(0)
_ONE = Fraction(1)


@dataclass(frozen=True)
class Excess:
    """A limit of the kitchen that the weighed plan is over, or a closing stock it is short of, by ``by`` of its unit.

    ``owner`` is that of the row of the program in which room for it can be left; None where none can.
    """

    owner: Owner | None
    by: Fraction
    words: str


Levels = dict[int, list[Fraction]]
"""Kilograms as held of each supply at the end of each day, as weighed."""


class Rule(ABC):
    """A rule of the kitchen. ``whole_week``: a single batch cannot look after it; ``weight``: what a unit more of it
    counts when the smallest change is sought; ``more``: words for that change, which comes ``whole`` or not.
    """

    unit: ClassVar[str] = "kg"
    more: ClassVar[str] = "kg more"
    whole_week: ClassVar[bool] = False

    @property
    @abstractmethod
    def name(self) -> str:
        """The rule in words."""

    def words(self, world: World, day: int | None) -> str:
        """The rule, and when."""
        return self.name if day is None else f"{self.name} on {world.date(day)}"

    def limit_on(self, day: int | None = None) -> Owner:
        """The owner of its row on one day, or over the whole week."""
        return Owner(RowKind.LIMIT, self, day)

    @property
    def change(self) -> tuple[str, str, str, Fraction, bool]:
        """For a way out: what, in which words, the unit of its price, weight of a unit, whether it comes whole."""
        return self.name, self.more, self.unit, _ONE, False

    @abstractmethod
    def rows(self, program: WeekProgram, uses: Uses, wanted: Wanted) -> None:
        """Add its rows."""

    @abstractmethod
    def excesses(self, world: World, made: Sequence[Made], levels: Levels, since: int) -> Iterator[Excess]:
        """Where what was weighed does not keep it, to the gram; days before ``since`` are past."""


@dataclass(frozen=True)
class Stage(Rule):
    """A stage's capacity on every day; loads hold one batch each and are counted whole."""

    entry: StageEntry

    @property
    def name(self) -> str:
        """The stage's own name."""
        return self.entry.name

    @property
    def change(self) -> tuple[str, str, str, Fraction, bool]:
        """Kilograms, or whole loads."""
        if self.entry.load_kg is None:
            return super().change
        return self.name, "loads more", "load", self.entry.load_kg, True

    @property
    def limit(self) -> Fraction:
        """Kilograms or loads a day."""
        return self.entry.kg_per_day if self.entry.kg_per_day is not None else Fraction(self.entry.loads_per_day or 0)

    def rows(self, program: WeekProgram, uses: Uses, wanted: Wanted) -> None:
        """One row a day on which a batch passes it."""
        stage, world = self.entry, program.world
        by_day: dict[int, list[int]] = defaultdict(list)
        for block in program.blocks:
            if stage.batches is not None and block.job.name not in stage.batches:
                continue
            if stage.materials is not None:
                mine = [world.supplies[s].lot.material in stage.materials for s in block.supplies]
                by_day[block.day] += [int(c) for c in block.columns[np.array(mine, dtype=bool)]]
                continue
            passing = amount(program, block, stage.basis)
            by_day[block.day].append(passing if stage.load_kg is None else self._loads(program, block, passing, wanted))
        for day, columns in sorted(by_day.items()):
            owner = self.limit_on(day)
            gone = wanted.taken.get(owner, _ZERO) + wanted.room.at(owner)
            program.model.row(columns, ones(len(columns)), None, self.limit - gone, owner)

    def _loads(self, program: WeekProgram, block: Block, passing: int, wanted: Wanted) -> int:
        """The column that counts a batch's loads."""
        assert self.entry.load_kg is not None
        most = Fraction(ceil(most_of(block, self.entry.basis) / self.entry.load_kg))
        owner = self._loads_of(block.job.index, block.day)
        loads = program.model.column(_ZERO, most, whole=True)
        program.model.row([passing, loads], [_ONE, -self.entry.load_kg], None, -wanted.room.at(owner), owner)
        return loads

    def excesses(self, world: World, made: Sequence[Made], levels: Levels, since: int) -> Iterator[Excess]:
        """Days on which more passes it than it can take."""
        load = self.entry.load_kg
        by_day: dict[int, list[tuple[Fraction, Made]]] = defaultdict(list)
        for one in made:
            if self.entry.batches is None or one.job.name in self.entry.batches:
                by_day[one.day].append((self._passing(one), one))
        for day, batches in by_day.items():
            total = sum((kg if load is None else Fraction(ceil(kg / load)) for kg, _ in batches), _ZERO)
            if total <= self.limit:
                continue
            words = f"{self.words(world, day)}: {trimmed(total, 3)} {'kg' if load is None else 'loads'} of "
            words += trimmed(self.limit)
            if load is None:
                yield Excess(self.limit_on(day), total - self.limit, words)
                continue
            beyond, one = min(((kg % load, one) for kg, one in batches), key=lambda pair: pair[0])
            words += f"; {one.job.name} is {trimmed(beyond, 3)} kg more than whole loads of {trimmed(load)} kg"
            yield Excess(self._loads_of(one.job.index, day), beyond, words)

    def _loads_of(self, job: int, day: int) -> Owner:
        return Owner(RowKind.LINK, self, day, job)

    def _passing(self, one: Made) -> Fraction:
        """Kilograms of a batch as weighed that it counts."""
        if self.entry.materials is None or one.answer.weighed is None:
            return one.kilograms(self.entry.basis)
        items = one.answer.weighed.total.kilograms.items()
        return sum((kg for item, kg in items if item.material in self.entry.materials), _ZERO)


@dataclass(frozen=True)
class MostBatches(Rule):
    """No more batches on one day than the kitchen can start."""

    most: int

    @property
    def name(self) -> str:
        """The rule in words."""
        return "most batches a day"

    @property
    def change(self) -> tuple[str, str, str, Fraction, bool]:
        """A whole batch, which counts as ten kilograms."""
        return "batches a day", "more", "batch", Fraction(10), True

    def rows(self, program: WeekProgram, uses: Uses, wanted: Wanted) -> None:
        """One row a day on which too many could be made."""
        by_day: dict[int, list[Block]] = defaultdict(list)
        for block in program.blocks:
            by_day[block.day].append(block)
        for day, blocks in sorted(by_day.items()):
            most = self.most - wanted.counted.get(day, 0)
            if len(blocks) <= most:
                continue
            columns, sure = [], 0
            for block in blocks:
                made = made_on(program, block)
                columns += [] if made is None else [made]
                sure += made is None
            program.model.row(columns, ones(len(columns)), None, Fraction(most - sure), self.limit_on(day))

    def excesses(self, world: World, made: Sequence[Made], levels: Levels, since: int) -> Iterator[Excess]:
        """Days with more batches."""
        for day, count in Counter(one.day for one in made).items():
            if count > self.most:
                yield Excess(None, Fraction(count - self.most), f"{count} batches on {world.date(day)} of {self.most}")


@dataclass(frozen=True)
class Store(Rule):
    """Room in the cold store at the end of each day. What dies is gone that evening."""

    entry: StoreEntry
    whole_week: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """The cold store, and what is in it."""
        return "cold store" + (f" for {', '.join(self.entry.materials)}" if self.entry.materials else "")

    def _counts(self, material: str) -> bool:
        return self.entry.materials is None or material in self.entry.materials

    def rows(self, program: WeekProgram, uses: Uses, wanted: Wanted) -> None:
        """Stock of each day from the day before; nothing can be said against days that are past."""
        model, world = program.model, program.world
        terms: dict[int, list[tuple[int, Fraction]]] = defaultdict(list)
        arrived: dict[int, Fraction] = defaultdict(Fraction)
        for s, supply in enumerate(world.supplies):
            if self._counts(supply.lot.material) and (s in program.stock or s in program.buys):
                self._flows(program, uses, s, terms)
                arrived[supply.first] += program.stock.get(s, _ZERO)
        before = None
        for day in range(world.days):
            level = model.column(_ZERO, Fraction(MOST_KG))
            parts = [(level, _ONE), *terms[day], *([(before, -_ONE)] if before is not None else [])]
            columns, coefs = [c for c, _ in parts], [a for _, a in parts]
            model.row(columns, coefs, arrived[day], arrived[day])
            if day >= program.since:
                owner = self.limit_on(day)
                model.row([level], [1], None, self.entry.kg - wanted.room.at(owner), owner)
            before = level

    def _flows(self, program: WeekProgram, uses: Uses, s: int, terms: dict[int, list[tuple[int, Fraction]]]) -> None:
        """What of a supply leaves and enters the stock on each day."""
        supply, model = program.world.supplies[s], program.model
        out, have = -1 / supply.lot.usable, program.stock.get(s, _ZERO)
        for block in program.blocks:
            terms[block.day] += [(block.start + int(k), -out) for k in np.flatnonzero(block.supplies == s)]
        bought = [(c, -program.buys[s].unit) for c in program.buys[s].columns] if s in program.buys else []
        terms[supply.first] += bought
        if not supply.keeps:
            most = max((part.hi for part in program.buys[s].segments), default=_ZERO) if s in program.buys else _ZERO
            left = model.column(_ZERO, have + most)
            parts = [*((int(c), -out) for c in (uses[s][0] if s in uses else ())), *bought, (left, _ONE)]
            model.row([c for c, _ in parts], [a for _, a in parts], have, have)
            terms[supply.last].append((left, _ONE))

    def excesses(self, world: World, made: Sequence[Made], levels: Levels, since: int) -> Iterator[Excess]:
        """Evenings on which more is there than the room."""
        inside = [kgs for s, kgs in levels.items() if self._counts(world.supplies[s].lot.material)]
        for day in range(since, world.days):
            total = sum((kgs[day] for kgs in inside), _ZERO)
            if total > self.entry.kg:
                words = f"{self.words(world, day)}: {trimmed(total, 3)} kg of {trimmed(self.entry.kg)}"
                yield Excess(self.limit_on(day), total - self.entry.kg, words)


@dataclass(frozen=True)
class Closing(Rule):
    """Kilograms of a material that must be left and keep beyond the horizon."""

    entry: ClosingEntry
    more: ClassVar[str] = "kg less"
    whole_week: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """The stock and its material."""
        return f"closing stock of {self.entry.material}"

    def rows(self, program: WeekProgram, uses: Uses, wanted: Wanted) -> None:
        """One row: what is used of the material, less what is bought."""
        have, terms = _ZERO, list[tuple[int, Fraction]]()
        for s, supply in enumerate(program.world.supplies):
            if supply.lot.material != self.entry.material or not supply.keeps:
                continue
            have += program.stock.get(s, _ZERO)
            terms += [(int(c), 1 / supply.lot.usable) for c in (uses[s][0] if s in uses else ())]
            if s in program.buys:
                terms += [(c, -program.buys[s].unit) for c in program.buys[s].columns]
        owner = self.limit_on()
        most = have - self.entry.kg - wanted.room.at(owner)
        program.model.row([c for c, _ in terms], [a for _, a in terms], None, most, owner)

    def excesses(self, world: World, made: Sequence[Made], levels: Levels, since: int) -> Iterator[Excess]:
        """What is missing of it at the end."""
        mine = {s for s in levels if world.supplies[s].keeps and world.supplies[s].lot.material == self.entry.material}
        left = sum((levels[s][-1] for s in mine), _ZERO)
        if left < self.entry.kg:
            words = f"{self.name}: {trimmed(left, 3)} kg of {trimmed(self.entry.kg)}"
            yield Excess(self.limit_on(), self.entry.kg - left, words)


def rules_of(world: World) -> tuple[Rule, ...]:
    """The rules of a week's kitchen."""
    kitchen = world.week.entry.kitchen
    most = kitchen.most_batches_a_day
    return (
        *map(Stage, kitchen.stages), *(() if most is None else (MostBatches(most),)), *map(Store, kitchen.cold_store),
        *map(Closing, kitchen.closing),
    )  # fmt: skip
