"""Where rule packs come from: those that come with the tool, a user's own by file, and the tool's own guard.

A pack is checked as it is read: every name known, every id once, and that it holds together: every row can bind, no
two contradict or overlap, no class goes without.

Whether every salt of nitrite and nitrate that is brought in is judged: it is where a rule that blocks has a largest
figure on that very salt that can bind, as weighed in, or, where the law of the class has none, as left in the product.
The tool's own guard stands above every pack and judges the sum always.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import cache, cached_property
from importlib.resources import files
from itertools import combinations, product
from math import inf

from constraints.as_typed import PERCENT, PPM, BadInput, Fault, meant, nearest
from constraints.document import LATER, Parsed, packaged, parse, read_text, validate
from constraints.ingoing import NITRATE_SALTS, NITRITE_SALTS
from constraints.quantities import NITRITE, Ingredient, Kind, Process
from constraints.requirement import BY_ION, Origin, Requirement, Salt, Stage
from constraints.rules import Pack, PackRow, ProcessStep, Product, ProductClass
from constraints.substances import spread
from constraints.words import key


@cache
def shipped(folder: str = "packs") -> tuple[str, ...]:
    """Names of the packs, or of other files, that come with the tool."""
    every = (files("constraints") / folder).iterdir()
    return tuple(sorted(entry.name[:-5] for entry in every if entry.name.endswith(".yaml")))


def load_pack(name: str) -> Pack:
    """A shipped pack by name, or a pack of the user's own by its file's path (ending in ``.yaml``).

    Raises BadInput where there is no such pack or the file is faulty.
    """
    if name in shipped():
        return _shipped_pack(name)
    if not name.endswith((".yaml", ".yml")):
        raise no_such(name, f"there is no rule pack named {name!r}", nearest_pack(name), shipped())
    document = parse(read_text(name), name)
    pack = pack_in(document)
    others = [guard(), *map(_shipped_pack, shipped())]
    taken = ("pack", pack.pack, [one.pack for one in others]), ("title", pack.title, [one.title for one in others])
    faults = [
        document.fault((at,), f"{own!r} stands for a pack that comes with the tool", "a name of your own")
        for at, own, names in taken
        if key(own) in map(key, names)
    ]
    BadInput.raise_for(faults)
    return pack


def no_such(name: str, found: str, close: str | None, known: Iterable[str]) -> BadInput:
    """What is raised of a name that stands for nothing, with the one it is close to."""
    hint = f"did you mean {close}? " if close else ""
    return BadInput([Fault(name, None, None, found, f"{hint}known: {', '.join(known)}")])


def nearest_pack(name: str) -> str | None:
    """The shipped pack that a name is most likely meant for: by spelling, or by the title of its place."""
    titles = {_shipped_pack(pack).title: pack for pack in shipped()}
    close = nearest(name, [*shipped(), *titles])
    return titles.get(close, close) if close else None


_PROPERTY = {salt: name for name, salt in (*NITRITE_SALTS, *NITRATE_SALTS)}
GUARD = "guard"
"""The name of the tool's own pack, which stands above all others."""


@cache
def guard() -> Pack:
    """The tool's own limits, a rule pack of two rows."""
    return pack_in(packaged("guard.yaml"))


@cache
def _shipped_pack(name: str) -> Pack:
    # The tests read every row of a shipped pack; here only those that are in force are.
    return pack_in(packaged(f"packs/{name}.yaml"), LATER)


def pack_in(document: Parsed, context: object = None) -> Pack:
    """The pack in a document; with the context LATER its limits are read only when they are asked for.

    Raises BadInput with every fault: unknown kinds, keys and classes, rows without a source, blanks, repeated ids,
    a ``same_as`` that leads nowhere; and rows that can never bind, contradict one another or overlap in time.
    """
    pack = validate(document, Pack, context=context)
    base = _base_of(pack, document)
    BadInput.raise_for(_slips(pack, () if base is None else base.classes, document))
    whole = pack if base is None else _joined(pack, base)
    at = {row.id: i for i, row in enumerate(pack.rows)}
    found = () if context is LATER else flaws(whole, at)
    faults = [document.fault(("rows", at[f.where], "id"), f"{f.where}: {f.found}", f.allowed) for f in found]
    BadInput.raise_for(faults)
    return whole


def _base_of(pack: Pack, document: Parsed) -> Pack | None:
    """The pack that ``same_as`` names, which stands on its own feet."""
    if pack.same_as is None:
        return None
    if pack.same_as in shipped() and pack.same_as != pack.pack:
        base = load_pack(pack.same_as)
        if base.same_as is None:
            return base
    allowed = f"another shipped pack that is not itself the same as one: {', '.join(shipped())}"
    raise BadInput([document.fault(("same_as",), f"{pack.same_as!r} cannot be used here", allowed)])


def _joined(pack: Pack, base: Pack) -> Pack:
    """The pack with the base's classes and rows before its own."""
    rows = tuple(_taken_over(row, pack, base) for row in base.rows if pack.as_of is None or row.in_force_on(pack.as_of))
    update = {
        "not_covered": base.not_covered + pack.not_covered, "classes": base.classes + pack.classes,
        "rows": rows + pack.rows, "notes": (() if pack.as_of else base.notes) + pack.notes,
        "class_required": pack.class_required or base.class_required,
    }  # fmt: skip
    return pack.model_copy(update=update)


def _taken_over(row: PackRow, pack: Pack, base: Pack) -> PackRow:
    """A base's row under this pack's name; of those of one day, for good and without the year in its name."""
    name = f"{pack.pack}-{row.id.removeprefix(base.pack + '-')}"
    if pack.as_of is None:
        return row.model_copy(update={"id": name})
    source = f"retained, as it stood on {pack.as_of}: {row.source}"
    second_hand = f"read in the text of the {base.title}; that {pack.title} has not changed it since is second hand"
    note = "; ".join(filter(None, [row.note, second_hand]))
    update = {"id": re.sub(r"-\d{4}$", "", name), "source": source, "valid_to": None, "note": note}
    return row.model_copy(update=update)


def _slips(pack: Pack, wider: Sequence[ProductClass], document: Parsed) -> Iterator[Fault]:
    """Ids that stand twice, and names of classes that there are not."""
    for part, ids, others in (
        ("rows", [row.id for row in pack.rows], ()),
        ("classes", [c.id for c in pack.classes], [c.id for c in wider]),
    ):
        for i, name in enumerate(ids):
            if name in (*others, *ids[:i]):
                yield document.fault((part, i, "id"), f"{name!r} stands twice", "ids are unique")
    known = [c.id for c in (*pack.classes, *wider)]
    for part, names in (("rows", "classes"), ("rows", "not_classes"), ("classes", "also"), ("not_covered", "classes")):
        for i, entry in enumerate(getattr(pack, part)):
            for k, name in enumerate(getattr(entry, names)):
                if name not in known:
                    hint = meant(name, known, f"known: {', '.join(sorted(known))}")
                    yield document.fault((part, i, names, k), f"no product class {name!r} in this pack", hint)


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
        return replace(self.row.requirement(), origin=Origin("", ""))

    @cached_property
    def counts(self) -> str:
        """What it limits, whatever the limit: the same for two rows of one quantity over one base."""
        return repr(replace(self.limit, lo=None, hi=None))

    @cached_property
    def places(self) -> dict[str | None, frozenset[Product]]:
        """The classes it is for, None standing for a recipe without one, each with the products that it is for."""
        ids = [None, *(c.id for c in self.pack.classes)][self.pack.class_required :]
        products = _products(self.pack)
        mine = (name for name in ids if self.row.is_for(self.pack.belongs_to(name)))
        found = {name: self.pack.method_of(name) for name in mine}
        by_method = {m: frozenset(p for p in products if self.row.when.holds(p, m)) for m in set(found.values())}
        return {name: by_method[method] for name, method in found.items() if by_method[method]}

    @cached_property
    def lo(self) -> Fraction | float:
        """The least that it allows."""
        return -inf if self.limit.lo is None else self.limit.lo

    @cached_property
    def hi(self) -> Fraction | float:
        """The most that it allows."""
        return inf if self.limit.hi is None else self.limit.hi

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
        strict = other.lo >= self.lo and other.hi <= self.hi
        long = other.days[0] <= self.days[0] and self.days[1] <= other.days[1]
        wide = all(products <= other.places.get(name, frozenset()) for name, products in self.places.items())
        return strict and long and wide and other.row.blocks() >= self.row.blocks()


@cache
def _products(pack: Pack) -> tuple[Product, ...]:
    """Products of every kind that the conditions of a pack tell apart, with at most two steps and one addition each."""
    steps = [frozenset(s) for n in range(3) for s in combinations(ProcessStep, n)]
    uses = {frozenset(spread(row.when.uses)[:1]) for row in pack.rows}
    told = product((True, False), (True, False), steps, uses)
    return tuple(Product(cured, step, cold, pack.checked_on, used) for cured, cold, step, used in told)


def flaws(pack: Pack, own: Collection[str]) -> Iterator[Flaw]:
    """What is wrong with the rows of a pack whose ids are ``own``, by themselves and beside all others."""
    held = [_Held(pack, row) for row in pack.rows]
    for one in (row for row in held if row.row.id in own):
        if not one.places:
            yield Flaw(one.row.id, "this row can never be in force", "some class and product of the pack meets it")
        of_whole = one.limit.unit == "%" and one.row.requires.kind() not in _BEYOND_WHOLE
        some = (one.lo, one.hi) != (-inf, inf)
        if some and one.places and one.lo <= 0 and one.hi >= (PERCENT if of_whole else inf):
            yield Flaw(one.row.id, f"this row can never bind: {one.limit.words()}", "a limit that some batch breaks")
    groups: dict[str, list[_Held]] = {}
    for one in held:
        groups.setdefault(one.counts, []).append(one)
    for group in groups.values():
        for i, one in enumerate(group):
            yield from (flaw for flaw in _beside(one, group[:i]) if flaw.where in own)


def _beside(one: _Held, earlier: list[_Held]) -> Iterator[Flaw]:
    """What is wrong with a row beside others of the same quantity."""
    for other in (o for o in earlier if o.meets(one)):
        first, second = (one, other) if one.within(other) else (other, one)
        name, both = other.row.id, ((one, other), (other, one))
        if any(a.lo > b.hi for a, b in both):
            found = f"a limit below the floor of another: {one.limit.limits()}, and {name} asks {other.limit.limits()}"
            yield Flaw(one.row.id, found, "limits that can hold together")
        elif any(a.row.valid_to is not None and a.days[0] < b.days[0] <= a.days[1] for a, b in both):
            yield Flaw(one.row.id, f"this row and {name} follow each other and are in force together", "one at a time")
        elif first.within(second):
            found = f"this row can never bind: {second.row.id} is as strict wherever it holds"
            yield Flaw(first.row.id, found, "a limit that is the strictest somewhere")


def bare_classes(pack: Pack) -> Iterator[Flaw]:
    """Classes without any row on nitrite or nitrate in a pack that has some."""
    today = {row.id: row.requirement().regulates.substances for row in pack.listed(None, pack.checked_on)}
    for ion, salts in BY_ION.items():
        about = {name for name, counted in today.items() if not counted.isdisjoint(salts)}
        for entry in pack.classes if about else ():
            if about.isdisjoint(row.id for row in pack.listed(entry.id, pack.checked_on)):
                yield Flaw(entry.id, f"no row on {ion} is for the class {entry.id}", "as the other classes have")


def guarding(items: Iterable[Ingredient]) -> tuple[Requirement, ...]:
    """The guard's limits on whichever of nitrite and nitrate any of these ingredients brings."""
    salts = brought(items)
    every = (row.requirement(guard().pack) for row in guard().rows)
    return tuple(r for r in every if not r.regulates.substances.isdisjoint(salts))


def brought(items: Iterable[Ingredient]) -> frozenset[Salt]:
    """The salts that ingredients bring: a cure's and those stated as properties, and what rework was made with."""
    return frozenset[Salt]().union(*(_of(item) for item in items))


@cache
def _of(item: Ingredient) -> frozenset[Salt]:
    if item.parts:
        return brought(part for part, _ in item.parts)
    found = {**item.properties}
    if item.original_nitrite_ppm:
        found[NITRITE] = item.original_nitrite_ppm
    return frozenset(salt for salt, name in _PROPERTY.items() if found.get(name))


def judges(pack: Pack, product_class: str | None, in_force: Sequence[Requirement], salt: Salt) -> bool:
    """True where a pack's limits in force judge a salt: on what is put in, or on the residue where its class has no
    other figure.
    """
    if any(caps(r, salt) for r in in_force):
        return True
    residue = pack.pack in shipped() and any(_forbids(r, salt, Stage.RESIDUAL) for r in in_force)
    return residue and not knows(pack, pack.listed(product_class), salt)


def knows(pack: Pack, rows: Iterable[PackRow], salt: Salt) -> bool:
    """True where some of a pack's rows limit what is put in of a salt."""
    return any(caps(row.requirement(pack.pack), salt) for row in rows)


def caps(requirement: Requirement, salt: Salt) -> bool:
    """True for a rule that blocks beyond some ingoing amount of a salt that could be reached at all."""
    if not _forbids(requirement, salt, Stage.INGOING) or requirement.counted is None or requirement.hi is None:
        return False
    counted = requirement.counted.per_kg(pure(salt), Process()) / PPM
    return counted > 0 and requirement.hi / counted <= most(salt)


def most(salt: Salt) -> Fraction:
    """The guard's largest ingoing figure for a salt, as weighed, mg per kilogram of green meat."""
    return next(r.hi for r in guarding([pure(salt)]) if r.hi is not None)


def limits_cure(requirement: Requirement) -> bool:
    """True for a rule of a pack that forbids a batch beyond some ingoing amount of a salt of nitrite or nitrate."""
    return bool(requirement.origin.pack) and any(_forbids(requirement, salt, Stage.INGOING) for salt in Salt)


def ion_of(salts: Iterable[Salt]) -> str:
    """Salts in words: nitrite, nitrate, or both."""
    wanted = set(salts)
    return " and ".join(ion for ion, members in BY_ION.items() if not wanted.isdisjoint(members))


def pure(salt: Salt) -> Ingredient:
    """The salt itself, all of it, as a cure."""
    return Ingredient("the salt itself", Kind.CURE, {_PROPERTY[salt]: Fraction(PPM)})


def _forbids(requirement: Requirement, salt: Salt, stage: Stage) -> bool:
    origin, regulates = requirement.origin, requirement.regulates
    binding = requirement.hi is not None and origin.blocks and not origin.waived
    return binding and regulates.stage is stage and salt in regulates.substances
