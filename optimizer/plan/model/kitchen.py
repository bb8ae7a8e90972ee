"""The rules of the kitchen, and the program of a week under them.

Each rule states its rows in the program, its recheck on what was weighed, and its words. A row of a rule is owned by
the rule on its day, so that prices, ways out and room for the scales need to know no rule by name.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, ClassVar, TypeVar

from constraints.as_typed import ONE, ZERO, trimmed
from constraints.quantities import Basis
from constraints.row import Owner, Row, RowKind
from optimizer.clock import left
from optimizer.plan.files.week_file import MaterialRule, Scope, StageEntry

from optimizer.plan.model.blocks import DIVISION_KG, Block, Coefs, WeekPart, WeekProgram  # isort: skip
from optimizer.plan.model.blocks import add_batch, add_stock, amount, made_on, most_of, used, uses_of  # isort: skip
from optimizer.plan.model.world import World
from optimizer.solver.program import Model

if TYPE_CHECKING:
    from optimizer.plan.settle.books import Books
    from optimizer.plan.settle.weigh import WeighedBatch

Item = TypeVar("Item")
Key = TypeVar("Key")
Where = tuple[int | None, int]


@dataclass(frozen=True)
class Excess:
    """A limit of the kitchen that the weighed plan is over, or a closing stock it is short of, by ``by`` of its unit.

    ``owner`` is that of the row of the program in which room for it can be left; None where none can.
    """

    owner: Owner | None
    by: Fraction
    words: str


Change = tuple[str, str, str, Fraction, bool]
"""For a way out: what, in which words, the unit of its price, weight of a unit, whether it comes whole."""


@dataclass(frozen=True)
class Rule(ABC):
    """A rule of the kitchen: ``sign`` times its figure is at most ``sign`` times ``limit``.

    ``whole_week``: a single batch cannot look after it.
    """

    name: str
    change: Change
    limit: Fraction
    sign: ClassVar[int] = 1
    whole_week: ClassVar[bool] = False

    def words(self, world: World, day: int | None) -> str:
        """The rule, and when."""
        return self.name if day is None else f"{self.name} on {world.date(day)}"

    def limit_on(self, day: int | None = None) -> Owner:
        """The owner of its row on one day, or over the whole week."""
        return Owner(RowKind.LIMIT, self, day)

    def link(self, batch: int | None, day: int, name: str = "") -> Owner:
        """The owner of a row in which room for a batch, or for a material, can be left."""
        return Owner(RowKind.LINK, (self, name), day, batch)

    @abstractmethod
    def rows(self, program: WeekProgram) -> None:
        """Add its rows to a program."""

    @abstractmethod
    def excesses(self, books: Books) -> Iterator[Excess]:
        """What of it a plan as weighed does not keep."""

    def row(self, program: WeekProgram, day: int | None, terms: Coefs, there: Fraction = ZERO) -> None:
        """Its row on a day, of which so much is ``there``; less what is used already and is left for the scales."""
        owner = self.limit_on(day)
        limit = self.sign * (self.limit - there) - program.wanted.reserved.get(owner, ZERO)
        program.model.rows.append(Row.of("", terms, None, limit, owner))

    def over(self, books: Books, day: int | None, found: Fraction, unit: str = "kg") -> Iterator[Excess]:
        """The excess of a day on which so much was found, where that breaks the limit."""
        if (by := self.sign * (found - self.limit)) > 0:
            words = f"{self.words(books.world, day)}: {trimmed(found, 3)} {unit} of {trimmed(self.limit)}"
            yield Excess(self.limit_on(day), by, words)


@dataclass(frozen=True)
class KitchenStage(Rule):
    """A stage of the kitchen with its capacity a day, in kilograms or in loads."""

    entry: StageEntry

    def _passes(self, batch: str) -> bool:
        return self.entry.batches is None or batch in self.entry.batches

    def rows(self, program: WeekProgram) -> None:
        """One row a day on which a batch passes it."""
        by_day: dict[int, Coefs] = defaultdict(dict)
        for block in (block for block in program.blocks if self._passes(block.job.name)):
            if self.entry.materials is None:
                columns = [amount(program, block, self.entry.basis)]
            else:
                names = (program.world.supplies[s].lot.material for s in block.supplies)
                columns = [block.start + k for k, name in enumerate(names) if name in self.entry.materials]
            if self.entry.load_kg is not None:
                columns = [self._loads(program, block, columns[0], self.entry.load_kg)]
            by_day[block.day] |= dict.fromkeys(columns, ONE)
        for day, terms in sorted(by_day.items()):
            self.row(program, day, terms)

    def _loads(self, program: WeekProgram, block: Block, passing: int, load: Fraction) -> int:
        """The column that counts a batch's loads."""
        most, owner = Fraction(ceil(most_of(block, self.entry.basis) / load)), self.link(block.job.index, block.day)
        loads = program.model.column(ZERO, most, whole=True)
        program.model.row([passing, loads], [ONE, -load], None, -program.wanted.reserved.get(owner, ZERO), owner)
        return loads

    def excesses(self, books: Books) -> Iterator[Excess]:
        """Days on which more passes it than it can take."""
        load = self.entry.load_kg
        mine = (one for one in books.made if self._passes(one.job.name))
        for day, made in _grouped(mine, lambda one: one.day).items():
            batches = [(self._passing(one), one) for one in made]
            if load is None:
                yield from self.over(books, day, sum((kg for kg, _ in batches), ZERO))
                continue
            for excess in self.over(books, day, Fraction(sum(ceil(kg / load) for kg, _ in batches)), "loads"):
                beyond, one = min(((kg % load, one) for kg, one in batches), key=lambda pair: pair[0])
                more = f"; {one.job.name} is {trimmed(beyond, 3)} kg more than whole loads of {trimmed(load)} kg"
                yield Excess(self.link(one.job.index, day), beyond, excess.words + more)

    def _passing(self, one: WeighedBatch) -> Fraction:
        """Kilograms of a batch as weighed that it counts."""
        if self.entry.materials is None:
            return one.kilograms(self.entry.basis)
        return sum((kg for name, kg in one.materials.items() if name in self.entry.materials), ZERO)


@dataclass(frozen=True)
class MostBatches(Rule):
    """No more batches on one day than the kitchen can start."""

    def rows(self, program: WeekProgram) -> None:
        """One row a day on which too many could be made."""
        for day, blocks in sorted(_grouped(program.blocks, lambda block: block.day).items()):
            most = self.limit - program.wanted.counted.get(day, 0)
            if len(blocks) > most:
                made = [made_on(program, block) for block in blocks]
                columns = [column for column in made if column is not None]
                program.model.row(columns, [1] * len(columns), None, most - made.count(None), self.limit_on(day))

    def excesses(self, books: Books) -> Iterator[Excess]:
        """Days with more batches."""
        for day, count in Counter(one.day for one in books.made).items():
            if count > self.limit:
                yield Excess(None, count - self.limit, f"{count} batches on {books.world.date(day)} of {self.limit}")


@dataclass(frozen=True)
class Store(Rule):
    """Room in the cold store at the end of each day, for some materials or all. What dies is gone that evening."""

    materials: tuple[str, ...] | None
    whole_week: ClassVar[bool] = True

    def _days(self, program: WeekProgram) -> Iterable[tuple[int, int | None]]:
        """The days at whose end it holds, each with that of its owner; nothing can be said against days past."""
        return ((day, day) for day in range(program.wanted.not_before, program.world.week.entry.days))

    def _there(self, world: World, s: int, day: int) -> bool:
        """True where it counts a supply that is there at the end of a day."""
        supply = world.supplies[s]
        mine = self.materials is None or supply.lot.material in self.materials
        return mine and supply.first <= day and (supply.keeps or day < supply.last)

    def rows(self, program: WeekProgram) -> None:
        """A row for each day: what is there and is bought, less what is used up to then."""
        days = {column: block.day for block in program.blocks for column in block.columns.tolist()}
        for day, owned in self._days(program):
            there, terms = ZERO, Coefs()
            for s in sorted({*program.stock, *program.buys, *program.uses}):
                if self._there(program.world, s, day):
                    there += program.stock.get(s, ZERO)
                    out, buy = -self.sign / program.world.supplies[s].lot.usable, program.buys.get(s)
                    columns = program.uses[s][0] if s in program.uses else []
                    terms |= {column: out for column in columns if days[column] <= day}
                    terms |= {} if buy is None else dict.fromkeys(buy.columns, self.sign * buy.unit)
            self.row(program, owned, terms, there)

    def excesses(self, books: Books) -> Iterator[Excess]:
        """Evenings on which more is there than the room, or less than was asked."""
        for day, owned in self._days(books.program):
            there = (kgs[day] for s, kgs in books.levels.items() if self._there(books.world, s, day))
            yield from self.over(books, owned, sum(there, ZERO))


@dataclass(frozen=True)
class Closing(Store):
    """Kilograms of a material that must be left and keep beyond the horizon."""

    sign: ClassVar[int] = -1

    def _days(self, program: WeekProgram) -> Iterable[tuple[int, int | None]]:
        """The last one, as of the whole week."""
        return ((program.world.week.entry.days - 1, None),)


@dataclass(frozen=True)
class Together(Rule):
    """Which materials go together in every batch, or on every day, as yes-or-no columns."""

    entry: MaterialRule

    def _where(self, one: Block | WeighedBatch) -> Where:
        """The batch, where it is counted in every batch, and the day of a block or of a batch as weighed."""
        return None if self.entry.per is Scope.DAY else one.job.index, one.day

    def rows(self, program: WeekProgram) -> None:
        """Rows for every batch, or for all that is made on a day."""
        for where, blocks in _grouped(program.blocks, self._where).items():
            self._rows_in(program, blocks, where)

    def _rows_in(self, program: WeekProgram, blocks: Sequence[Block], where: Where) -> None:
        rule, model, supplies = self.entry, program.model, program.world.supplies
        every = [(block.start + k, s) for block in blocks for k, s in enumerate(block.supplies.tolist())]
        columns = _grouped(every, lambda pair: supplies[pair[1]].lot.material)
        most = sum((most_of(block, Basis.MEAT) for block in blocks), ZERO)

        def use(name: str, least: Fraction = ZERO) -> int:
            return used(model, [column for column, _ in columns[name]], least, most)

        names = [name for name in rule.of or sorted(columns) if name in columns]
        if rule.smallest_kg is not None:
            for name in names:
                use(name, rule.smallest_kg + program.wanted.reserved.get(self.link(*where, name), ZERO))
        elif rule.most is None:
            # one usual division counts as used where a rule names no smallest amount
            then = [use(rule.then, DIVISION_KG)] if rule.then is not None and rule.then in columns else []
            for name in (name for name in rule.if_used or () if name in columns):
                model.row([use(name), *then], [1, *[-1 for _ in then]], hi=ZERO)
        elif len(names) > rule.most:
            model.row([use(name) for name in names], [1] * len(names), hi=Fraction(rule.most))

    def excesses(self, books: Books) -> Iterator[Excess]:
        """Batches, or days, whose materials as weighed do not go together."""
        rule = self.entry
        for where, batches in _grouped(books.made, self._where).items():
            kg = defaultdict[str, Fraction](Fraction)
            for name, more in (pair for one in batches for pair in one.materials.items()):
                kg[name] += more
            place = "all that is made" if where[0] is None else batches[0].job.name
            place = f"{place} on {books.world.date(where[1])}"
            mine = [name for name in rule.of or sorted(kg) if name in kg]
            for name in mine if rule.smallest_kg is not None else ():
                if (short := (rule.smallest_kg or ZERO) - kg[name]) > 0:
                    words = f"{place}: {trimmed(kg[name], 3)} kg of {name}, at least {trimmed(kg[name] + short, 3)}"
                    yield Excess(self.link(*where, name), short, words)
            if rule.most is not None and len(mine) > rule.most:
                yield Excess(None, Fraction(len(mine) - rule.most), f"{place}: {len(mine)} materials of {rule.most}")
            lonely = {*(rule.if_used or ())} & kg.keys() if rule.then not in kg else set()
            yield from (Excess(None, DIVISION_KG, f"{place}: {name} without {rule.then}") for name in sorted(lonely))


def _grouped(items: Iterable[Item], key: Callable[[Item], Key]) -> dict[Key, list[Item]]:
    found: dict[Key, list[Item]] = defaultdict(list)
    for item in items:
        found[key(item)].append(item)
    return found


def rules_of(world: World) -> Iterator[Rule]:
    """The rules of a week's kitchen."""
    entry, kitchen = world.week.entry, world.week.entry.kitchen
    for st in kitchen.stages:
        change = _by_kg(st.name) if st.load_kg is None else (st.name, "loads more", "load", st.load_kg, True)
        yield KitchenStage(st.name, change, st.kg_per_day or Fraction(st.loads_per_day or ZERO), st)
    if kitchen.most_batches_a_day is not None:  # a whole batch counts as ten kilograms
        change = "batches a day", "more", "batch", Fraction(10), True
        yield MostBatches("most batches a day", change, Fraction(kitchen.most_batches_a_day))
    for store in kitchen.cold_store:
        name = "cold store" + (f" for {', '.join(store.materials)}" if store.materials else "")
        yield Store(name, _by_kg(name), store.kg, store.materials)
    for closing in kitchen.closing:
        name = f"closing stock of {closing.material}"
        yield Closing(name, _by_kg(name, "kg less"), closing.kg, (closing.material,))
    yield from (Together("materials", _by_kg("materials"), ZERO, rule) for rule in entry.materials)


def _by_kg(name: str, more: str = "kg more") -> Change:
    return name, more, "kg", ONE, False


def build(world: World, wanted: WeekPart | None = None) -> WeekProgram:
    """Build the program of a week, or of some batches of it. Raises OutOfTime."""
    wanted, supplies = wanted or WeekPart(), world.supplies
    stock = world.stock if wanted.stock is None else wanted.stock
    nights = sum((kg * supplies[s].nights for s, kg in stock.items()), ZERO) if world.holding else ZERO
    program = WeekProgram(world, Model(constant=nights * world.holding), wanted, stock)
    if wanted.back:  # a little of every lot is put by for the rounding of several batches that use one up
        program.stock = {s: x if supplies[s].lot.use_up else max(x - wanted.back, ZERO) for s, x in stock.items()}
    reach = world.reach(program.stock) if wanted.reach is None else wanted.reach
    for job in world.jobs if wanted.jobs is None else [world.jobs[i] for i in wanted.jobs]:
        left()
        if job.days and job.index not in wanted.without:
            add_batch(program, job, reach)
    program.uses = uses_of(program)
    add_stock(program)
    for rule in rules_of(world):
        if not (wanted.alone and rule.whole_week):
            rule.rows(program)
    program.stock = stock
    return program
