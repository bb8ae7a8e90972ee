"""The file of a week: its YAML model, and the week with every file it names read, all faults of all files at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from pydantic import Field

from constraints.document import Broken, Day, Line, Loc, Name, NotNegative, Parsed, Positive, Ruled  # isort: skip
from constraints.document import Strict, Tree, Weight, Whole, YesNo, parse, read_text, validate  # isort: skip
from constraints.as_typed import ZERO, BadInput, Fault, meant
from constraints.quantities import Basis
from optimizer.clock import left
from optimizer.reading.entry import Units
from optimizer.reading.lots import LotTable, read_lots
from optimizer.reading.offers import Offer, OfferTable, read_offers
from optimizer.reading.recipe import Recipe, read_recipe

Read = TypeVar("Read")

LAST_YEAR = 9990
"""First year in which no week may start: Python's calendar ends with 9999."""
LONGEST = 62
"""Most days in a horizon: two months; a longer one is nearly always a slip."""


class Scope(StrEnum):
    """Where a rule on materials is counted: in every batch, or in everything made on a day."""

    BATCH = "batch"
    DAY = "day"


class BatchEntry(Ruled):
    """One batch of the week: what, how much, when, and what it is worth."""

    name: Name
    """The batch's own name, once in the week."""
    recipe: Name
    """The recipe's file, from the folder of the week's file."""
    meat_kg: Positive | None = None
    """Size, kilograms of meat block."""
    batch_kg: Positive | None = None
    """Size, kilograms of whole batch."""
    from_meat_kg: NotNegative | None = None
    """Smallest size, kilograms of meat block, where the plan may choose."""
    to_meat_kg: Positive | None = None
    """Largest size, kilograms of meat block."""
    from_batch_kg: NotNegative | None = None
    """Smallest size, kilograms of whole batch, where the plan may choose."""
    to_batch_kg: Positive | None = None
    """Largest size, kilograms of whole batch."""
    day: Day | None = None
    """The day it is made."""
    from_day: Day | None = None
    """First day it may be made; the first of the week where none is stated."""
    to_day: Day | None = None
    """Last day it may be made; the last of the week where none is stated."""
    may_split: YesNo = False
    """Whether it may be made in parts on several days of its window."""
    may_leave_out: YesNo = False
    """Whether it may be left out altogether; if it is made, it has at least its smallest size."""
    value_per_kg: NotNegative | None = None
    """What a kilogram (of meat block or whole batch, as its size is stated) is worth."""

    def _broken(self) -> Broken:
        sizes = (self.meat_kg, self.batch_kg, self.to_meat_kg, self.to_batch_kg)
        if sizes.count(None) != len(sizes) - 1:
            ways = "meat_kg, batch_kg, or to_meat_kg or to_batch_kg for a band"
            yield f"state the size of {self.name} once: {ways}"
        for basis in ("meat", "batch"):
            least, most = getattr(self, f"from_{basis}_kg"), getattr(self, f"to_{basis}_kg")
            if least is not None and most is None:
                yield f"from_{basis}_kg needs to_{basis}_kg"
            if least is not None and least > most:
                yield f"from_{basis}_kg is above to_{basis}_kg"
        if self.day is not None and (self.from_day is not None or self.to_day is not None):
            yield "give either a day or a window of days, not both"
        if self.from_day and self.to_day and self.from_day > self.to_day:
            yield "from_day is after to_day"

    @property
    def basis(self) -> Basis:
        """What its size counts."""
        return Basis.MEAT if self.meat_kg or self.to_meat_kg else Basis.BATCH

    @property
    def fixed_kg(self) -> Fraction | None:
        """Its size where it is fixed."""
        return self.meat_kg or self.batch_kg

    @property
    def band(self) -> tuple[Fraction, Fraction]:
        """Smallest and largest size, without any tolerance."""
        least = self.fixed_kg or self.from_meat_kg or self.from_batch_kg or ZERO
        return least, self.fixed_kg or self.to_meat_kg or self.to_batch_kg or ZERO


class StageEntry(Ruled):
    """A stage of the kitchen with its capacity, in kilograms or in loads a day."""

    name: Name
    """What it is, such as grinder, mixer or smoker."""
    kg_per_day: Positive | None = None
    """Capacity, kilograms a day."""
    loads_per_day: Whole | None = None
    """Capacity, loads a day; a load holds one batch only."""
    load_kg: Positive | None = None
    """With loads_per_day: kilograms in one load."""
    basis: Basis = Basis.BATCH
    """What is counted: meat (the meat block) or batch (everything that goes in)."""
    batches: tuple[Name, ...] | None = None
    """Batches that pass it; every batch where none is named."""
    materials: tuple[Name, ...] | None = None
    """Only kilograms of these materials are counted (with basis meat)."""

    def _broken(self) -> Broken:
        if (self.kg_per_day is None) == (self.loads_per_day is None):
            yield "state the capacity by exactly one of kg_per_day and loads_per_day"
        if (self.loads_per_day is None) != (self.load_kg is None):
            yield "loads_per_day and load_kg go together"
        if self.materials is not None and self.loads_per_day is not None:
            yield "loads are counted for batches, not for materials"


class StoreEntry(Strict):
    """Room in the cold store at the end of a day."""

    kg: Positive
    """Kilograms as held."""
    materials: tuple[Name, ...] | None = None
    """Only these materials are counted; all where none is named."""


class ClosingEntry(Strict):
    """Stock that must be left at the end, good beyond the last day."""

    material: Name
    """Material as typed in the lots or offers table."""
    kg: Positive
    """Kilograms as held."""


class KitchenEntry(Strict):
    """What the kitchen can do."""

    closed: tuple[Day, ...] = ()
    """Days on which nothing is made."""
    stages: tuple[StageEntry, ...] = ()
    """Stages with their capacities."""
    most_batches_a_day: Whole | None = None
    """Most batches on one day."""
    cold_store: tuple[StoreEntry, ...] = ()
    """Room in the cold store."""
    holding_per_kg_day: NotNegative = Fraction(0)
    """Cost of keeping a kilogram overnight; what dies on a day is gone by that evening."""
    closing: tuple[ClosingEntry, ...] = ()
    """Stock required at the end."""


class MaterialRule(Ruled):
    """A rule on which materials go together: a most, a smallest amount if used, or an if-this-then-that."""

    most: Whole | None = None
    """Most materials used."""
    smallest_kg: Positive | None = None
    """A material is used not at all or with at least so many kilograms."""
    if_used: tuple[Name, ...] | None = None
    """Where any of these materials is used ..."""
    then: Name | None = None
    """... this one is used too, with at least its smallest amount or 0.05 kg."""
    of: tuple[Name, ...] | None = None
    """The materials counted by most and smallest_kg; all where none is named."""
    per: Scope = Scope.BATCH
    """Where it is counted: batch or day."""

    def _broken(self) -> Broken:
        if (self.if_used is None) != (self.then is None):
            yield "if_used and then go together"
        if (self.most is not None) + (self.smallest_kg is not None) + (self.then is not None) != 1:
            yield "one rule states exactly one of most, smallest_kg, and if_used with then"


class WeekEntry(Ruled):
    """A week, or any horizon of days, for trimwright to plan."""

    name: Name = "week"
    """Name of the plan."""
    start: Day
    """First day."""
    days: Whole = 7
    """Number of days."""
    lots: Name
    """The lots table, from the folder of the week's file."""
    offers: Name | None = None
    """The offers table, from the folder of the week's file."""
    batches: tuple[BatchEntry, ...]
    """What is to be made."""
    kitchen: KitchenEntry = Field(default_factory=KitchenEntry)
    """What the kitchen can do."""
    materials: tuple[MaterialRule, ...] = ()
    """Rules on which materials go together, for every batch of the week."""
    smallest_pull: Weight | None = None
    """A lot used in a batch at all gives at least so much: kilograms, pounds (1 lb) or a share of the batch (1%)."""
    smallest_remnant: Weight | None = None
    """A lot opened is left, after its last use, with nothing or with at least so much, as smallest_pull."""
    units: Units = Units.KG
    """Weights on the page and in its lists: kg, or lb."""
    currency: Line = ""
    """Currency of every price, printed as typed."""

    def _broken(self) -> Broken:
        if not self.batches:
            yield "a week has at least one batch"
        if self.start.year >= LAST_YEAR:
            yield f"the week starts in {self.start.year}; the calendar ends soon after"
        if self.days > LONGEST:
            yield f"the horizon has {self.days} days; at most {LONGEST}"


@dataclass(frozen=True)
class Week:
    """A week with all its files. ``recipes`` has one recipe a batch, shared where the file is the same."""

    file: str
    entry: WeekEntry
    document: Parsed
    recipes: tuple[Recipe, ...]
    lots: LotTable
    offers: OfferTable
    warnings: tuple[Fault, ...] = ()

    def with_keys(self, keys: Mapping[str, object]) -> Week:
        """The week with some of its keys as asked for beside the file; None leaves one as it is."""
        given = {key: value for key, value in keys.items() if value is not None}
        return replace(self, entry=self.entry.model_copy(update=given))

    @property
    def dates(self) -> tuple[date, ...]:
        """The days of the horizon."""
        return tuple(self.entry.start + timedelta(days=k) for k in range(self.entry.days))


def read_week(path: str) -> Week:
    """Read a week's file and every file it names, from its folder; - is standard input.

    Raises BadInput with every fault of all of them, and OutOfTime.
    """
    document = parse(read_text(path), path)
    entry = validate(document, WeekEntry)
    faults = list(_faults(entry, document))

    def read(reader: Callable[[str], Read], name: str, *loc: str | int) -> Read | None:
        """A file that the week names. A fault of a whole file is one of the line that names it."""
        left()
        try:
            return reader(str((Path() if path == "-" else Path(path).parent) / name))
        except BadInput as error:
            for f in error.faults:
                faults.append(f if f.line is not None else document.fault(loc, f.found, f.allowed, severity=f.severity))
            return None

    recipes: dict[str, Recipe | None] = {}
    for i, batch in enumerate(entry.batches):
        if batch.recipe not in recipes:
            recipes[batch.recipe] = read(read_recipe, batch.recipe, "batches", i, "recipe")
    lots = read(read_lots, entry.lots, "lots")
    offers = OfferTable("", (), ()) if entry.offers is None else read(read_offers, entry.offers, "offers")
    found = tuple(recipe for batch in entry.batches if (recipe := recipes[batch.recipe]) is not None)
    if lots is not None and offers is not None and not faults:
        faults += _between(entry, document, lots, offers.offers)
    if faults or lots is None or offers is None:
        raise BadInput(dict.fromkeys(faults))
    said = dict.fromkeys(warning for recipe in found for warning in recipe.warnings)
    return Week(path, entry, document, found, lots, offers, (*said, *lots.warnings, *offers.warnings))


def _faults(entry: WeekEntry, document: Parsed) -> Iterator[Fault]:
    last = entry.start + timedelta(days=entry.days - 1)
    seen: dict[str, int] = {}
    for i, batch in enumerate(entry.batches):
        here = ("batches", i, "name")
        if batch.name in seen:
            yield document.fault(here, f"two batches are named {batch.name!r}", f"first in line {seen[batch.name]}")
        seen.setdefault(batch.name, document.mark(here)[0])
        for key in ("day", "from_day", "to_day"):
            found = getattr(batch, key)
            if found is not None and not entry.start <= found <= last:
                span = f"the week runs from {entry.start} to {last}"
                yield document.fault(("batches", i, key), f"{found} is outside the week", span)
        if batch.day is not None and batch.day in entry.kitchen.closed:
            yield document.fault(("batches", i, "day"), f"the kitchen is closed on {batch.day}", "another day")
    named = _named(document.tree, {"batches"})
    yield from unknown(document, named, set(seen), "no batch is named {!r}", "names of batches of this week")


def unknown(
    document: Parsed, named: Iterable[tuple[Loc, str]], known: Set[str], found: str, allowed: str
) -> Iterator[Fault]:
    """Names that stand for nothing, each with the place where it is; ``found`` says so of a name."""
    for loc, name in named:
        if name not in known:
            yield document.fault(loc, found.format(name), meant(name, known - {""}, allowed))


def _between(entry: WeekEntry, document: Parsed, lots: LotTable, offers: Sequence[Offer]) -> Iterator[Fault]:
    """Materials that no lot and no offer has, and names that stand for two things."""
    known = {lot.material for lot in lots.lots} | {offer.lot.material for offer in offers}
    words = "materials as typed in the lots and offers tables"
    named = _named(document.tree, {"material", "materials", "of", "if_used", "then"})
    yield from unknown(document, named, known, "no lot or offer has the material {!r}", words)
    names = {lot.name for lot in lots.lots}
    for offer in (offer for offer in offers if offer.name in names):
        found = f"{offer.name!r} is an offer and a lot"
        yield Fault(entry.offers or "", offer.line, "offer", found, "names of their own")


def _named(tree: Tree, keys: Set[str], loc: Loc = ()) -> Iterator[tuple[Loc, str]]:
    """Every name behind one of these keys, or in a list behind one, and where it is."""
    for part, entry in tree.items() if isinstance(tree, dict) else enumerate(tree or ()):
        if not isinstance(entry, str):
            yield from _named(entry, keys, (*loc, part))
        elif not keys.isdisjoint((part, *loc[-1:])):
            yield (*loc, part), entry.strip()
