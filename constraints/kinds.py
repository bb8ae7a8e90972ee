"""The kinds of requirement a recipe or a rule pack may name. A new kind is one class and one line here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol, cast

from pydantic import create_model, model_validator

from constraints.composition import FatBand, MoistureBand, PropertyBand, ProteinBand, SaltBand
from constraints.cure import Accelerator, IngoingNitrate, IngoingNitrite, IngoingTogether
from constraints.document import Strict
from constraints.requirement import Origin, Requirement
from constraints.shares import LeanToFat, MeatToFat, Share


class Entry(Protocol):
    """What a kind's class offers: it is validated from a file and builds its requirement."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement the entry stands for."""


KINDS: dict[str, type[Strict]] = {
    "fat": FatBand,
    "protein": ProteinBand,
    "moisture": MoistureBand,
    "salt": SaltBand,
    "property": PropertyBand,
    "share": Share,
    "meat_to_fat": MeatToFat,
    "lean_to_fat": LeanToFat,
    "ingoing_nitrite": IngoingNitrite,
    "ingoing_nitrate": IngoingNitrate,
    "ingoing_nitrite_and_nitrate": IngoingTogether,
    "accelerator": Accelerator,
}
"""Every kind by the key under which a file names it."""


class Named(Strict):
    """Exactly one kind of requirement with its figures."""

    @model_validator(mode="after")
    def _exactly_one(self) -> Named:
        if len(self.model_fields_set) != 1:
            raise ValueError("one entry names exactly one kind of requirement")
        return self

    def kind(self) -> str:
        """The key under which the kind is named."""
        return next(iter(self.model_fields_set))

    def build(self, origin: Origin) -> Requirement:
        """The requirement the entry stands for."""
        return cast(Entry, getattr(self, self.kind())).build(origin)


_FIELDS: dict[str, Any] = {kind: (entry | None, None) for kind, entry in KINDS.items()}

if TYPE_CHECKING:

    class OneRequirement(Named):
        """The model of one entry of a recipe's or a pack row's requirements."""
else:
    OneRequirement = create_model("OneRequirement", __base__=Named, **_FIELDS)
