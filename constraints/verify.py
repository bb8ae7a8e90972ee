"""Whether a rule pack holds together: every row can bind, no two contradict or overlap, no class goes without."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import cache, cached_property
from itertools import combinations, product

from constraints.meaning import BY_ION
from constraints.numbers import PERCENT
from constraints.products import Method, ProcessStep, Product
from constraints.requirement import Origin, Requirement
from constraints.rules import Pack, PackRow
from constraints.substances import spread

_UNNAMED = Origin("", "")
_BEYOND_WHOLE = ("fat_to_flesh", "property", "salt_on_water")
"""Kinds whose percentage may be above 100, or is of no whole."""


@dataclass(frozen=True)
class Flaw:
    """What is wrong with a row, or a class, by its id."""

    where: str
    found: str
    allowed: str


@dataclass(frozen=True)
class _Held:
    """A row with where and when it holds."""

    pack: Pack
    row: PackRow

    @cached_property
    def limit(self) -> Requirement:
        """The row as a requirement of no origin."""
        return replace(self.row.requirement(), origin=_UNNAMED)

    @cached_property
    def counts(self) -> str:
        """What it limits, whatever the limit: the same for two rows of one quantity over one base."""
        return repr(replace(self.limit, lo=None, hi=None))

    @cached_property
    def places(self) -> dict[str | None, frozenset[Product]]:
        """The classes it is for, None standing for a recipe without one, each with the products that it is for."""
        ids = [None, *(c.id for c in self.pack.classes)][self.pack.class_required :]
        by_method = {
            method: frozenset(p for p in _products(self.pack) if self.row.when.holds(p, method)) for method in Method
        }
        mine = {
            name: by_method[self.pack.method_of(name)] for name in ids if self.row.is_for(self.pack.belongs_to(name))
        }
        return {name: products for name, products in mine.items() if products}

    @property
    def days(self) -> tuple[date, date]:
        """First and last day in force."""
        return self.row.valid_from or date.min, self.row.valid_to or date.max

    def meets(self, other: _Held) -> bool:
        """True where some product has both on some day."""
        first, last = max(self.days[0], other.days[0]), min(self.days[1], other.days[1])
        here, there = self.places, other.places
        return first <= last and any(name in there and here[name] & there[name] for name in here)

    def within(self, other: _Held) -> bool:
        """True where the other holds wherever and whenever this does, is as strict, and forbids as much."""
        lo, hi, theirs = self.limit.lo, self.limit.hi, other.limit
        strict = (lo is None or (theirs.lo is not None and theirs.lo >= lo)) and (
            hi is None or (theirs.hi is not None and theirs.hi <= hi)
        )
        long = other.days[0] <= self.days[0] and self.days[1] <= other.days[1]
        wide = all(products <= other.places.get(name, frozenset()) for name, products in self.places.items())
        return strict and long and wide and other.row.blocks() >= self.row.blocks()


@cache
def _products(pack: Pack) -> tuple[Product, ...]:
    """Products of every kind that the conditions of a pack tell apart, with at most two steps and one addition each."""
    steps = [frozenset(s) for n in range(3) for s in combinations(ProcessStep, n)]
    uses = {frozenset(spread(row.when.uses)[:1]) for row in pack.rows}
    return tuple(
        Product(cured, step, cold, pack.checked_on, used)
        for cured, cold, step, used in product((True, False), (True, False), steps, uses)
    )


def flaws(pack: Pack, own: Collection[str]) -> Iterator[Flaw]:
    """What is wrong with the rows of a pack whose ids are ``own``, by themselves and beside all others."""
    held = [_Held(pack, row) for row in pack.rows]
    for one in (row for row in held if row.row.id in own):
        if not one.places:
            yield Flaw(one.row.id, "this row can never be in force", "some class and product of the pack meets it")
        elif _cannot_break(one):
            yield Flaw(one.row.id, f"this row can never bind: {one.limit.words()}", "a limit that some batch breaks")
    groups: dict[str, list[_Held]] = {}
    for one in held:
        groups.setdefault(one.counts, []).append(one)
    for group in groups.values():
        for i, one in enumerate(group):
            yield from (flaw for flaw in _beside(one, group[:i]) if flaw.where in own)


def _cannot_break(held: _Held) -> bool:
    limit, least = held.limit, Fraction(0)
    open_above = limit.hi is None or (
        limit.unit == "%" and limit.hi >= PERCENT and held.row.requires.kind() not in _BEYOND_WHOLE
    )
    return (limit.lo, limit.hi) != (None, None) and open_above and (limit.lo is None or limit.lo <= least)


def _beside(one: _Held, earlier: list[_Held]) -> Iterator[Flaw]:
    """What is wrong with a row beside others of the same quantity."""
    for other in (o for o in earlier if o.meets(one)):
        first, second = (one, other) if one.within(other) else (other, one)
        name = other.row.id
        if _against(one, other) or _against(other, one):
            found = f"a limit below the floor of another: {one.limit.limits()}, and {name} asks {other.limit.limits()}"
            yield Flaw(one.row.id, found, "limits that can hold together")
        elif _follow(one, other) or _follow(other, one):
            yield Flaw(one.row.id, f"this row and {name} follow each other and are in force together", "one at a time")
        elif first.within(second):
            found = f"this row can never bind: {second.row.id} is as strict wherever it holds"
            yield Flaw(first.row.id, found, "a limit that is the strictest somewhere")


def _against(one: _Held, other: _Held) -> bool:
    return one.limit.lo is not None and other.limit.hi is not None and one.limit.lo > other.limit.hi


def _follow(one: _Held, other: _Held) -> bool:
    """True where one begins after the other did and before it ends."""
    return other.row.valid_to is not None and other.days[0] < one.days[0] <= other.days[1]


def bare_classes(pack: Pack) -> Iterator[Flaw]:
    """Classes without any row on nitrite or nitrate in a pack that has some."""
    today = {row.id: row.requirement().regulates.substances for row in pack.listed(None, pack.checked_on)}
    for ion, salts in BY_ION.items():
        about = {name for name, counted in today.items() if not counted.isdisjoint(salts)}
        for entry in pack.classes if about else ():
            if about.isdisjoint(row.id for row in pack.listed(entry.id, pack.checked_on)):
                yield Flaw(entry.id, f"no row on {ion} is for the class {entry.id}", "as the other classes have")
