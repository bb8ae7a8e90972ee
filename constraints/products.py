"""What a rule pack needs to know of a product to choose its rows, and the conditions that rows state on it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Annotated

from pydantic import Field

from constraints.document import Name, Strict, YesNo
from constraints.limits import among
from constraints.meaning import BY_ION
from constraints.substances import FORMULAS, SUBSTANCES, spread

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

    @property
    def of_some(self) -> bool:
        """True where it is about some products only."""
        return bool(self.classes or self.when.model_fields_set)
