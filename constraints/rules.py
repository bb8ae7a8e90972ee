"""Rule packs: the law and the house's own standards as data, one YAML file a place.

A row carries its figure, basis, form, product classes, source, how the source was read and when it is in force.
No legal figure stands in Python.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from importlib.resources import files

from pydantic import Field

from constraints.document import Day, Document, Name, Strict, YesNo, parse, read_text, validate
from constraints.faults import BadInput, Fault, nearest
from constraints.kinds import OneRequirement
from constraints.requirement import Origin, Requirement, Status

READ_IN_LAW = frozenset({Status.PRIMARY, Status.QUOTED, Status.STATE_COPY, Status.COMPUTED, Status.YOURS})
"""Statuses whose figure blocks by itself; any other only warns unless it protects health."""


class Layer(StrEnum):
    """Law binds; guidance is what an authority advises; house is your own or a customer's."""

    LAW = "law"
    GUIDANCE = "guidance"
    HOUSE = "house"


class ProcessStep(StrEnum):
    """What is done with the batch after stuffing."""

    COOKED = "cooked"
    SMOKED = "smoked"
    FERMENTED = "fermented"
    DRIED = "dried"


@dataclass(frozen=True)
class Product:
    """What a pack needs to know of a batch to choose its rows."""

    cured: bool
    steps: frozenset[ProcessStep]
    keep_refrigerated: bool
    day: date


class When(Strict):
    """Conditions under which a row applies; what is not stated does not matter."""

    cured: YesNo | None = None
    """Whether nitrite or nitrate is added."""
    keep_refrigerated: YesNo | None = None
    """Whether the product is sold to be kept refrigerated."""
    steps: tuple[ProcessStep, ...] = ()
    """Applies where any of these steps is done."""

    def holds(self, product: Product) -> bool:
        """True where the product meets every condition."""
        return (
            (self.cured is None or self.cured == product.cured)
            and (self.keep_refrigerated is None or self.keep_refrigerated == product.keep_refrigerated)
            and (not self.steps or not product.steps.isdisjoint(self.steps))
        )


class ProductClass(Strict):
    """A class of product that a pack knows."""

    id: Name
    """The name a recipe uses."""
    title: Name
    """The class in words."""
    source: Name
    """Where the class is defined."""


class PackRow(Strict):
    """One limit with everything needed to judge it and to look it up."""

    id: Name
    """Name of the row, unique over all packs."""
    requires: OneRequirement
    """The limit, as one kind of requirement."""
    classes: tuple[Name, ...] = ()
    """Product classes it is for; none stated means every class."""
    when: When = Field(default_factory=When)
    """Further conditions."""
    layer: Layer = Layer.LAW
    """Law, guidance or house."""
    protects_health: YesNo = False
    """Whether it blocks whatever its status."""
    source: Name
    """Document and section."""
    status: Status
    """How the figure was read."""
    valid_from: Day | None = None
    """First day in force."""
    valid_to: Day | None = None
    """Last day in force."""
    printed_as: Name | None = None
    """The figure as the source prints it, where that is rounded."""
    note: Name | None = None
    """What else a reader should know."""

    def applies(self, product: Product, product_class: str | None) -> bool:
        """True where the row is in force for this product on its day."""
        return (
            (not self.classes or product_class in self.classes)
            and (self.valid_from is None or self.valid_from <= product.day)
            and (self.valid_to is None or product.day <= self.valid_to)
            and self.when.holds(product)
        )

    def blocks(self) -> bool:
        """True where breaking it forbids the batch."""
        if self.layer is Layer.GUIDANCE:
            return False
        return self.protects_health or self.status in READ_IN_LAW

    def requirement(self) -> Requirement:
        """The row as a requirement with its origin."""
        notes = [f"printed as {self.printed_as}"] if self.printed_as else []
        notes += [self.note] if self.note else []
        origin = Origin(
            rule=self.id, source=self.source, status=self.status, blocks=self.blocks(),
            legal=self.layer is Layer.LAW, protects_health=self.protects_health, note="; ".join(notes),
        )  # fmt: skip
        return self.requires.build(origin)


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
    classes: tuple[ProductClass, ...] = ()
    """Product classes."""
    rows: tuple[PackRow, ...]
    """The limits."""

    def requirements(self, product: Product, product_class: str | None) -> tuple[Requirement, ...]:
        """Every limit in force for this product, as requirements."""
        return tuple(row.requirement() for row in self.rows if row.applies(product, product_class))


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
        return read_pack(read_text(name), name)
    if name not in shipped():
        close = nearest(name, shipped())
        hint = f"; did you mean {close}?" if close else ""
        known = ", ".join(shipped())
        raise BadInput([Fault(name, None, None, f"there is no rule pack named {name!r}", f"known: {known}{hint}")])
    text = (files("constraints") / "packs" / f"{name}.yaml").read_text(encoding="utf-8")
    return read_pack(text, f"{name}.yaml")


def read_pack(text: str, file: str) -> Pack:
    """Read a pack from text. Raises BadInput with every fault: unknown kinds, unknown classes, repeated ids."""
    document = parse(text, file)
    pack = validate(document, Pack)
    faults = [*_repeated(pack, document), *_unknown_classes(pack, document)]
    if faults:
        raise BadInput(faults)
    return pack


def _repeated(pack: Pack, document: Document) -> list[Fault]:
    seen: set[str] = set()
    faults = []
    for i, row in enumerate(pack.rows):
        if row.id in seen:
            line, column = document.mark(("rows", i, "id"))
            faults.append(Fault(document.file, line, column, f"the row {row.id!r} stands twice", "ids are unique"))
        seen.add(row.id)
    return faults


def _unknown_classes(pack: Pack, document: Document) -> list[Fault]:
    known = {entry.id for entry in pack.classes}
    faults = []
    for i, row in enumerate(pack.rows):
        for k, name in enumerate(row.classes):
            if name not in known:
                line, column = document.mark(("rows", i, "classes", k))
                close = nearest(name, known)
                hint = f"did you mean {close}?" if close else f"known: {', '.join(sorted(known))}"
                faults.append(Fault(document.file, line, column, f"no product class {name!r} in this pack", hint))
    return faults
