"""Rule packs: the law and the house's own standards as data, one YAML file a place.

A row carries its figure, basis, form, product classes, method, source, how the source was read and when it is in
force. No legal figure stands in Python. The format is described in packs/README.md.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import date
from enum import StrEnum

from pydantic import Field, model_validator

from constraints.document import Day, Name, Strict, YesNo
from constraints.faults import BadInput, Fault
from constraints.kinds import OneRequirement
from constraints.limits import SubstanceNames
from constraints.meaning import Role
from constraints.products import Method, NotCovered, Product, When
from constraints.requirement import Origin, Requirement, Status

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
    needs: SubstanceNames = ()
    """Substances without which a product is none of this class."""


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
