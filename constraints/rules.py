"""Rule packs: the law and the house's own standards as data, one YAML file a place.

A row carries its figure, basis, form, product classes, method, source, how the source was read and when it is in
force. No legal figure stands in Python. The format is described in packs/README.md.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import date
from enum import StrEnum
from functools import cache
from importlib.resources import files

from pydantic import Field, model_validator

from constraints.document import LATER, Day, Document, Name, Strict, YesNo, parse, read_text, validate
from constraints.faults import BadInput, Fault, nearest
from constraints.kinds import OneRequirement
from constraints.limits import known
from constraints.meaning import Role
from constraints.products import Method, NotCovered, Product, When
from constraints.requirement import Origin, Requirement, Status
from constraints.spelling import key
from constraints.substances import SUBSTANCES

READ_IN_LAW = frozenset({Status.PRIMARY, Status.QUOTED, Status.STATE_COPY, Status.COMPUTED, Status.YOURS})
"""Statuses whose figure blocks by itself; any other only warns unless it protects health."""


class Layer(StrEnum):
    """Law binds; guidance is what an authority advises; house is your own or a customer's."""

    LAW = "law"
    GUIDANCE = "guidance"
    HOUSE = "house"


class ProductClass(Strict):
    """A class of product that a pack knows."""

    id: Name
    """The name a recipe uses."""
    title: Name
    """The class in words."""
    source: Name
    """Where the class is defined."""
    also: tuple[Name, ...] = ()
    """Wider classes whose rows are for it too."""
    method: Method = Method.COMMINUTED
    """How its cure gets into the meat."""
    made: When = Field(default_factory=When)
    """How what bears the name is made; only looked at where another name is sought for a batch."""
    needs: tuple[Name, ...] = ()
    """Substances without which a product is none of this class."""

    @model_validator(mode="after")
    def _known_needs(self) -> ProductClass:
        known(self.needs, SUBSTANCES, "a substance that an addition can be", "needs")
        return self


class PackRow(Strict):
    """One limit with everything needed to judge it and to look it up."""

    id: Name
    """Name of the row, unique over all packs."""
    requires: OneRequirement
    """The limit, as one kind of requirement."""
    classes: tuple[Name, ...] = ()
    """Product classes it is for; none stated means every class."""
    not_classes: tuple[Name, ...] = ()
    """Product classes it is not for."""
    when: When = Field(default_factory=When)
    """Further conditions."""
    layer: Layer = Layer.LAW
    """Law, guidance or house."""
    protects_health: YesNo = False
    """Whether it blocks whatever its status."""
    only_warns: YesNo = False
    """Whether it warns whatever its status: a figure above which the maker looks into it, or one reading of two."""
    source: Name
    """Document and section."""
    status: Status
    """How the figure was read."""
    valid_from: Day | None = None
    """First day in force."""
    valid_to: Day | None = None
    """Last day in force."""
    printed_as: Name | None = None
    """The figure as the source prints it, where that differs from the exact one."""
    note: Name | None = None
    """What else a reader should know."""

    @model_validator(mode="after")
    def _days_in_order(self) -> PackRow:
        if self.valid_from is not None and self.valid_to is not None and self.valid_from > self.valid_to:
            raise ValueError("valid_from is after valid_to")
        return self

    def is_for(self, classes: Collection[str]) -> bool:
        """True for a product that belongs to these classes, whatever else it is."""
        named = not self.classes or any(name in classes for name in self.classes)
        return named and not any(name in classes for name in self.not_classes)

    def in_force_on(self, day: date) -> bool:
        """True on a day between the first and the last it is in force."""
        return (self.valid_from is None or self.valid_from <= day) and (self.valid_to is None or day <= self.valid_to)

    def blocks(self) -> bool:
        """True where breaking it forbids the batch."""
        if self.layer is Layer.GUIDANCE or self.only_warns:
            return False
        return self.protects_health or self.status in READ_IN_LAW

    def requirement(self, pack: str = "") -> Requirement:
        """The row as a requirement with its origin."""
        notes = [f"printed as {self.printed_as}"] if self.printed_as else []
        notes += [f"in force from {self.valid_from}"] if self.valid_from else []
        notes += [f"in force to {self.valid_to}"] if self.valid_to else []
        notes += [self.note] if self.note else []
        origin = Origin(
            rule=self.id, source=self.source, status=self.status, blocks=self.blocks(),
            legal=self.layer is Layer.LAW, protects_health=self.protects_health, note="; ".join(notes), pack=pack,
        )  # fmt: skip
        built = self.requires.build(origin)
        return replace(built, role=Role.LAW) if origin.legal else built


class Pack(Strict):
    """A rule pack."""

    pack: Name
    """The name a recipe uses."""
    title: Name
    """The place or standard in words."""
    authority: Name
    """Who has the last word."""
    checked_on: Day
    """When the figures were last read."""
    same_as: Name | None = None
    """Another pack whose classes and rows hold here too; its rows get this pack's name."""
    as_of: Day | None = None
    """With same_as: the day on which they were taken over; what changed there later does not count here."""
    class_required: YesNo = False
    """Whether a recipe must name its product class: no limit that matters holds for every class."""
    notes: tuple[Name, ...] = ()
    """What the pack does not hold, and what a reader of any of its figures should know."""
    not_covered: tuple[NotCovered, ...] = ()
    """What a maker must see to beside these rows."""
    classes: tuple[ProductClass, ...] = ()
    """Product classes."""
    rows: tuple[PackRow, ...]
    """The limits."""

    def belongs_to(self, product_class: str | None) -> frozenset[str]:
        """A class together with every wider class it is also."""
        wider = {entry.id: entry.also for entry in self.classes}
        found: set[str] = set()
        left = [] if product_class is None else [product_class]
        while left:
            name = left.pop()
            if name not in found:
                found.add(name)
                left += wider.get(name, ())
        return frozenset(found)

    def in_force(self, product: Product, product_class: str | None) -> tuple[PackRow, ...]:
        """The rows for this product on its day. Raises BadInput where the pack needs a product class."""
        if product_class is None and self.class_required:
            ids = ", ".join(entry.id for entry in self.classes)
            found = f"the rule pack {self.pack} needs a product class, and the recipe names none"
            raise BadInput([Fault(self.pack, None, None, found, f"product_class: one of {ids}")])
        classes = self.belongs_to(product_class)
        method = self.method_of(product_class)
        return tuple(
            row
            for row in self.rows
            if row.is_for(classes) and row.in_force_on(product.day) and row.when.holds(product, method)
        )

    def method_of(self, product_class: str | None) -> Method:
        """How the cure gets into a class."""
        return next((c.method for c in self.classes if c.id == product_class), Method.COMMINUTED)

    def leaves_unsaid(self, product: Product, product_class: str | None) -> tuple[str, ...]:
        """What this product needs and none of its rows judges, in a few words each; what every product needs is not."""
        classes, method = self.belongs_to(product_class), self.method_of(product_class)
        about = (e for e in self.not_covered if e.of_some and (not e.classes or not classes.isdisjoint(e.classes)))
        return tuple(dict.fromkeys(what for e in about if e.when.holds(product, method) for what in e.what))

    def listed(self, product_class: str | None = None, day: date | None = None) -> tuple[PackRow, ...]:
        """Every row that can be for a class on a day, whatever else the product is; None: any class, any day."""
        classes = self.belongs_to(product_class)
        return tuple(
            row
            for row in self.rows
            if (product_class is None or row.is_for(classes)) and (day is None or row.in_force_on(day))
        )

    def requirements(self, product: Product, product_class: str | None) -> tuple[Requirement, ...]:
        """Every limit in force for this product, as requirements. Raises BadInput as ``in_force`` does."""
        found = [row.requirement(self.pack) for row in self.in_force(product, product_class)]
        return tuple(requirement.beside(found) for requirement in found)


@cache
def shipped() -> tuple[str, ...]:
    """Names of the packs that come with the tool."""
    folder = files("constraints") / "packs"
    return tuple(sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".yaml")))


def load_pack(name: str) -> Pack:
    """A shipped pack by name, or a pack of the user's own by its file's path (ending in ``.yaml``).

    Raises BadInput where there is no such pack or the file is faulty.
    """
    if name.endswith((".yaml", ".yml")):
        return _own_pack(read_text(name), name)
    if name not in shipped():
        close = nearest_pack(name)
        hint = f"did you mean {close}? " if close else ""
        known = f"known: {', '.join(shipped())}"
        raise BadInput([Fault(name, None, None, f"there is no rule pack named {name!r}", hint + known)])
    return _shipped_pack(name)


def nearest_pack(name: str) -> str | None:
    """The shipped pack that a name is most likely meant for: by spelling, or by the title of its place."""
    titles = {_shipped_pack(pack).title: pack for pack in shipped()}
    close = nearest(name, [*shipped(), *titles])
    return titles.get(close, close) if close else None


GUARD = "guard"
"""The name of the tool's own pack, which stands above all others."""


@cache
def guard() -> Pack:
    """The tool's own limits, a rule pack of two rows."""
    return read_pack((files("constraints") / "guard.yaml").read_text(encoding="utf-8"), "guard.yaml")


def _own_pack(text: str, file: str) -> Pack:
    """A pack of the user's own; it takes the name and the title of no other."""
    pack = read_pack(text, file)
    taken = {key(known) for known in (*shipped(), GUARD)}
    titles = {key(known.title) for known in (*map(_shipped_pack, shipped()), guard())}
    faults = []
    for at, name, others in (("pack", pack.pack, taken), ("title", pack.title, titles)):
        if key(name) in others:
            found = f"{name!r} stands for a pack that comes with the tool"
            faults.append(parse(text, file).fault((at,), found, "a name of your own"))
    if faults:
        raise BadInput(faults)
    return pack


@cache
def _shipped_pack(name: str) -> Pack:
    text = (files("constraints") / "packs" / f"{name}.yaml").read_text(encoding="utf-8")
    # The tests read every row of a shipped pack; here only those that are in force are.
    return read_pack(text, f"{name}.yaml", LATER)


def read_pack(text: str, file: str, context: object = None) -> Pack:
    """Read a pack from text; with the context LATER its limits are read only when they are asked for.

    Raises BadInput with every fault: unknown kinds, keys and classes, rows without a source, blanks, repeated ids,
    a ``same_as`` that leads nowhere; and rows that can never bind, contradict one another or overlap in time.
    """
    document = parse(text, file)
    pack = validate(document, Pack, context=context)
    base = _base_of(pack, document)
    wider = () if base is None else base.classes
    faults = [
        *_repeated("rows", [row.id for row in pack.rows], (), document),
        *_repeated("classes", [c.id for c in pack.classes], [c.id for c in wider], document),
        *_unknown_classes(pack, [c.id for c in (*pack.classes, *wider)], document),
    ]
    if faults:
        raise BadInput(faults)
    whole = pack if base is None else _joined(pack, base)
    faults = [] if context is LATER else [*_flaws(pack, whole, document)]
    if faults:
        raise BadInput(faults)
    return whole


def _flaws(pack: Pack, whole: Pack, document: Document) -> Iterator[Fault]:
    """Rows of this file that can never bind, contradict others or overlap them."""
    from constraints.verify import flaws  # late: it is about packs that are read

    at = {row.id: i for i, row in enumerate(pack.rows)}
    for flaw in flaws(whole, at):
        yield document.fault(("rows", at[flaw.where], "id"), f"{flaw.where}: {flaw.found}", flaw.allowed)


def _base_of(pack: Pack, document: Document) -> Pack | None:
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
    required = pack.class_required or base.class_required
    update = {
        "not_covered": base.not_covered + pack.not_covered,
        "classes": base.classes + pack.classes,
        "rows": rows + pack.rows,
        "notes": (() if pack.as_of else base.notes) + pack.notes,
        "class_required": required,
    }
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


def _repeated(key: str, ids: list[str], others: Collection[str], document: Document) -> Iterator[Fault]:
    seen = set(others)
    for i, name in enumerate(ids):
        if name in seen:
            yield document.fault((key, i, "id"), f"{name!r} stands twice", "ids are unique")
        seen.add(name)


def _unknown_classes(pack: Pack, known: list[str], document: Document) -> Iterator[Fault]:
    places = [(("rows", i, "classes"), row.classes) for i, row in enumerate(pack.rows)]
    places += [(("rows", i, "not_classes"), row.not_classes) for i, row in enumerate(pack.rows)]
    places += [(("classes", i, "also"), entry.also) for i, entry in enumerate(pack.classes)]
    places += [(("not_covered", i, "classes"), entry.classes) for i, entry in enumerate(pack.not_covered)]
    for loc, name in [((*loc, k), name) for loc, names in places for k, name in enumerate(names)]:
        if name not in known:
            close = nearest(name, known)
            hint = f"did you mean {close}?" if close else f"known: {', '.join(sorted(known))}"
            yield document.fault(loc, f"no product class {name!r} in this pack", hint)
