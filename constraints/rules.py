"""Rule packs: the law and the house's own standards as data, one YAML file a place; and the kinds of limit they name.

A row carries its figure, basis, form, product classes, method, source, how the source was read and when it is in
force; what is known of a product chooses the rows. A recipe may waive rows by name: they are still measured and said,
and bind nothing; what blocks never is. No legal figure stands in Python. The format is described in packs/README.md.

A new kind of requirement is one class and one line in ``KINDS``.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, cast

from pydantic import Field, create_model

from constraints import asked, identity, ingoing, laboratory
from constraints.as_typed import meant, refuse
from constraints.document import Broken, Day, Deferred, Name, Ruled, Strict, YesNo
from constraints.limits import SubstanceNames, among
from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT
from constraints.requirement import BY_ION, Origin, Provenance, Requirement, Role, Salt
from constraints.substances import FORMULAS, SUBSTANCES, spread


def _like(entry: type[Strict], name: str, says: str, **counts: Any) -> type[Strict]:
    """An entry of its own name that is another with what it counts filled in; ``says`` stands in the schema."""
    own = {"__module__": entry.__module__, "__qualname__": name, "__doc__": says, **counts}
    return cast(type[Strict], cast(Any, type(entry))(name, (entry,), own))


def _component(prop: str, says: str) -> type[Strict]:
    what = prop.removesuffix("_pct")
    return _like(asked.Component, f"{what.title()}Band", says, prop=prop, what=what)


def _ingoing(name: str, counts: tuple[tuple[str, Salt], ...], what: str, says: str) -> type[Strict]:
    return _like(ingoing.IngoingEntry, name, says, what=f"ingoing {what}", counts=counts)


def _family(family: str, plural: str, says: str) -> type[Strict]:
    return _like(ingoing.FamilyAmount, family.title(), says, family=family, plural=plural)


def _key(entry: type[Strict]) -> str:
    """A kind's name in a file: that of its class, in small letters."""
    name = entry.__name__.removesuffix("Entry").removesuffix("Band")
    return _OTHERWISE.get(name) or re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()


_OTHERWISE = {"GroupWeight": "amount", "GroupRatio": "ratio", "IngoingTogether": "ingoing_nitrite_and_nitrate"}
_STATED = "from the cure's own stated fraction and from cured lots."
_SULPHITES = "Sulphur dioxide and sulphites, from additions and from what lots, liquids and inclusions state."
_KINDS = (
    _component(FAT, "Fat by weight."),
    _component(PROTEIN, "Protein by weight."),
    _component(MOISTURE, "Moisture by weight."),
    _component(SALT, "Salt by weight; the natural sodium of meat is not salt."),
    asked.PropertyBand, asked.Share, asked.GroupWeight, asked.GroupRatio, asked.MostLotsEntry,
    _like(asked.GroupEntry, "TogetherEntry", "Lots that go in all of them or none.", together=True),
    _like(asked.GroupEntry, "ApartEntry", "Lots of which at most one goes in.", together=False),
    asked.MeatToFat, asked.LeanToFat,
    _ingoing("IngoingNitrite", ingoing.NITRITE_SALTS, "nitrite", f"Ingoing nitrite, {_STATED}"),
    _ingoing("IngoingNitrate", ingoing.NITRATE_SALTS, "nitrate", f"Ingoing nitrate, {_STATED}"),
    _ingoing(
        "IngoingTogether", ingoing.NITRITE_SALTS + ingoing.NITRATE_SALTS, "nitrite and nitrate together",
        "Ingoing nitrite and nitrate, added up in the form asked for.",
    ),
    _family("accelerator", "cure accelerators", "Cure accelerators: ascorbates and erythorbates."),
    _family("acidulant", "acidulants", "Acids, and what turns into acid."),
    _family("phosphate", "phosphates", "Phosphates that are added; the phosphorus of the meat does not count."),
    _family("binder", "binders and extenders", "Binders and extenders."),
    _family("antioxidant", "antioxidants", "Antioxidants for fat."),
    _family("sulphite", "sulphites", _SULPHITES),
    _family("antimicrobial", "antimicrobials", "Lactates and diacetate."),
    ingoing.Additive, ingoing.AdditionShare, ingoing.NotListed, ingoing.Surface, ingoing.MixedAllowance,
    ingoing.SubstanceShare, identity.AddedWater, identity.FatPlusAddedWater, identity.WaterShare,
    identity.SpeciesShare, identity.MaterialShare, identity.MeatShare, identity.FatFreeFlesh, identity.FatToFlesh,
    identity.MeatProtein, identity.MeatContentEntry, identity.SaltOnWater, identity.WeightLoss, identity.Required,
    laboratory.Laboratory,
)  # fmt: skip
KINDS: dict[str, type[Strict]] = {_key(entry): entry for entry in _KINDS}
"""Every kind by the key under which a file names it."""


class Named(Ruled):
    """Exactly one kind of requirement with its figures."""

    def _broken(self) -> Broken:
        if len(self.model_fields_set) != 1:
            yield "one entry names exactly one kind of requirement"
        if getattr(self, self.kind()) is None:
            yield f"nothing stands behind {self.kind()}"

    def kind(self) -> str:
        """The key under which the kind is named."""
        return next(iter(self.model_fields_set))

    def entry(self) -> Any:
        """The entry itself, which can ``build`` its requirement; read now where that was put off."""
        found = getattr(self, self.kind())
        return found() if isinstance(found, partial) else found

    def build(self, origin: Origin) -> Requirement:
        """The requirement the entry stands for."""
        built: Requirement = self.entry().build()
        return replace(built, origin=origin)


_FIELDS: dict[str, Any] = {kind: (Annotated[entry | None, Deferred(entry)], None) for kind, entry in KINDS.items()}

if TYPE_CHECKING:

    class OneRequirement(Named):
        """The model of one entry of a recipe's or a pack row's requirements."""
else:
    OneRequirement = create_model("OneRequirement", __base__=Named, **_FIELDS)


USED = ("salt", "cure", "water", "liquid", "inclusion", "spice", "casing", *(f"potassium_{ion}" for ion in BY_ION))
"""What a recipe may add beside regulated substances, casing too, and a cure's salt where all is potassium's."""


UsedNames = Annotated[tuple[Name, ...], among([*USED, *FORMULAS, *SUBSTANCES], "something that can be added")]
"""Names of what a recipe adds."""


class ProcessStep(StrEnum):
    """What is done with the batch after stuffing."""

    COOKED = "cooked"
    SMOKED = "smoked"
    FERMENTED = "fermented"
    DRIED = "dried"


class Method(StrEnum):
    """How the cure gets into the meat: mixed into comminuted meat, rubbed on pieces, by a bath, or pumped in."""

    COMMINUTED = "comminuted"
    DRY_CURED = "dry_cured"
    IMMERSION = "immersion"
    PUMPED = "pumped"


@dataclass(frozen=True)
class Product:
    """What a pack needs to know of a batch to choose its rows."""

    cured: bool
    steps: frozenset[ProcessStep]
    keep_refrigerated: bool
    day: date
    uses: frozenset[str] = frozenset()
    """What is added: substances, kinds of addition, and a cure salt of potassium where there is no other of its ion."""


class When(Strict):
    """Conditions under which a row applies; what is not stated does not matter."""

    cured: YesNo | None = None
    """Whether nitrite or nitrate is added."""
    keep_refrigerated: YesNo | None = None
    """Whether the product is sold to be kept refrigerated."""
    methods: tuple[Method, ...] = ()
    """Applies to classes cured in one of these ways only."""
    steps: tuple[ProcessStep, ...] = ()
    """Applies where any of these steps is done."""
    no_steps: tuple[ProcessStep, ...] = ()
    """Applies where none of these steps is done."""
    uses: UsedNames = ()
    """Applies where one of these is added: a substance, a family of them, spice and the like, or potassium_nitrite."""
    uses_none: UsedNames = ()
    """Applies where none of these is added."""

    def words(self) -> str:
        """The conditions in words; nothing where there are none."""
        said = {key: getattr(self, key) for key in type(self).model_fields if key in self.model_fields_set}
        plain = {key: "yes" if v is True else "no" if v is False else " or ".join(v) for key, v in said.items()}
        return "; ".join(f"{key.replace('_', ' ')}: {text}" for key, text in plain.items())

    def holds(self, product: Product, method: Method) -> bool:
        """True where the product, cured by this method, meets every condition."""
        return (
            (self.cured is None or self.cured == product.cured)
            and (self.keep_refrigerated is None or self.keep_refrigerated == product.keep_refrigerated)
            and (not self.methods or method in self.methods)
            and (not self.steps or not product.steps.isdisjoint(self.steps))
            and product.steps.isdisjoint(self.no_steps)
            and (not self.uses or not product.uses.isdisjoint(spread(self.uses)))
            and product.uses.isdisjoint(spread(self.uses_none))
        )


class NotCovered(Strict):
    """What the pack's rows leave unsaid of a product, though the law or safety asks for it."""

    what: tuple[Name, ...]
    """In a few words each."""
    classes: tuple[Name, ...] = ()
    """Product classes it is about; none stated means every class."""
    when: When = Field(default_factory=When)
    """Further conditions."""


READ_IN_LAW = frozenset(
    {Provenance.PRIMARY, Provenance.QUOTED, Provenance.STATE_COPY, Provenance.COMPUTED, Provenance.YOURS}
)
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


class PackRow(Ruled):
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
    status: Provenance
    """How the figure was read."""
    valid_from: Day | None = None
    """First day in force."""
    valid_to: Day | None = None
    """Last day in force."""
    printed_as: Name | None = None
    """The figure as the source prints it, where that differs from the exact one."""
    note: Name | None = None
    """What else a reader should know."""

    def _broken(self) -> Broken:
        if self.valid_from is not None and self.valid_to is not None and self.valid_from > self.valid_to:
            yield "valid_from is after valid_to"

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
        said = {"printed as": self.printed_as, "in force from": self.valid_from, "in force to": self.valid_to}
        notes = [*(f"{words} {what}" for words, what in said.items() if what), *filter(None, [self.note])]
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
            left += () if name in found else wider.get(name, ())
            found.add(name)
        return frozenset(found)

    def in_force(self, product: Product, product_class: str | None) -> tuple[PackRow, ...]:
        """The rows for this product on its day. Raises BadInput where the pack needs a product class."""
        if product_class is None and self.class_required:
            ids = ", ".join(entry.id for entry in self.classes)
            found = f"the rule pack {self.pack} needs a product class, and the recipe names none"
            refuse(self.pack, found, f"product_class: one of {ids}")
        classes, method = self.belongs_to(product_class), self.method_of(product_class)
        rows = (row for row in self.rows if row.is_for(classes) and row.in_force_on(product.day))
        return tuple(row for row in rows if row.when.holds(product, method))

    def method_of(self, product_class: str | None) -> Method:
        """How the cure gets into a class."""
        return next((c.method for c in self.classes if c.id == product_class), Method.COMMINUTED)

    def leaves_unsaid(self, product: Product, product_class: str | None) -> tuple[str, ...]:
        """What this product needs and none of its rows judges, in a few words each; what every product needs is not."""
        classes, method = self.belongs_to(product_class), self.method_of(product_class)
        of_some = (e for e in self.not_covered if e.classes or e.when.model_fields_set)
        about = (e for e in of_some if not e.classes or not classes.isdisjoint(e.classes))
        return tuple(dict.fromkeys(what for e in about if e.when.holds(product, method) for what in e.what))

    def listed(self, product_class: str | None = None, day: date | None = None) -> tuple[PackRow, ...]:
        """Every row that can be for a class on a day, whatever else the product is; None: any class, any day."""
        classes = self.belongs_to(product_class)
        rows = (row for row in self.rows if product_class is None or row.is_for(classes))
        return tuple(row for row in rows if day is None or row.in_force_on(day))

    def requirements(self, product: Product, product_class: str | None) -> tuple[Requirement, ...]:
        """Every limit in force for this product, as requirements. Raises BadInput as ``in_force`` does."""
        found = [row.requirement(self.pack) for row in self.in_force(product, product_class)]
        return tuple(requirement.beside(found) for requirement in found)


def waived(requirements: Iterable[Requirement], names: Collection[str]) -> tuple[Requirement, ...]:
    """The requirements with those named by their row taken out of force: still measured, binding nothing.

    What blocks stays as it is; ask ``not_waivable`` first.
    """

    def without_force(one: Requirement) -> Requirement:
        note = "; ".join(filter(None, [one.origin.note, "waived by your recipe"]))
        return replace(one, origin=replace(one.origin, legal=False, waived=True, note=note))

    return tuple(without_force(r) if r.origin.rule in names and not r.origin.blocks else r for r in requirements)


def not_waivable(requirements: Iterable[Requirement], names: Iterable[str]) -> dict[str, str]:
    """Names that cannot be waived, each with the reason in words."""
    rows = {r.origin.rule: r.origin for r in requirements if r.origin.pack}
    refused = {}
    for name in names:
        if name not in rows:
            refused[name] = "; ".join(filter(None, ["no such row is in force for this product", meant(name, rows)]))
        elif rows[name].blocks:
            health = "it protects health" if rows[name].protects_health else "its text was read in the law"
            refused[name] = f"a row that blocks is never waived: {health}"
    return refused
