"""The kinds of requirement a recipe or a rule pack may name. A new kind is one class and one line here."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, Protocol, cast

from pydantic import create_model, model_validator

from constraints.additives import (
    Accelerator,
    Acidulant,
    Additive,
    Antimicrobial,
    Antioxidant,
    Binder,
    MixedAllowance,
    Phosphate,
    SubstanceShare,
    Sulphite,
)
from constraints.choices import ApartEntry, MostLotsEntry, TogetherEntry
from constraints.composition import FatBand, MoistureBand, PropertyBand, ProteinBand, SaltBand
from constraints.cure import IngoingNitrate, IngoingNitrite, IngoingTogether
from constraints.document import Deferred, Strict
from constraints.identity import (
    AddedWater,
    FatFreeFlesh,
    FatPlusAddedWater,
    FatToFlesh,
    MaterialShare,
    MeatProtein,
    MeatShare,
    Required,
    SaltOnWater,
    SpeciesShare,
    WaterShare,
    WeightLoss,
)
from constraints.laboratory import Laboratory
from constraints.meat_content import MeatContentEntry
from constraints.permitted import AdditionShare, NotListed, Surface
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
    "most_lots": MostLotsEntry,
    "together": TogetherEntry,
    "apart": ApartEntry,
    "meat_to_fat": MeatToFat,
    "lean_to_fat": LeanToFat,
    "ingoing_nitrite": IngoingNitrite,
    "ingoing_nitrate": IngoingNitrate,
    "ingoing_nitrite_and_nitrate": IngoingTogether,
    "accelerator": Accelerator,
    "acidulant": Acidulant,
    "phosphate": Phosphate,
    "binder": Binder,
    "antioxidant": Antioxidant,
    "sulphite": Sulphite,
    "antimicrobial": Antimicrobial,
    "additive": Additive,
    "addition_share": AdditionShare,
    "not_listed": NotListed,
    "surface": Surface,
    "mixed_allowance": MixedAllowance,
    "substance_share": SubstanceShare,
    "added_water": AddedWater,
    "fat_plus_added_water": FatPlusAddedWater,
    "water_share": WaterShare,
    "species_share": SpeciesShare,
    "material_share": MaterialShare,
    "meat_share": MeatShare,
    "fat_free_flesh": FatFreeFlesh,
    "fat_to_flesh": FatToFlesh,
    "meat_protein": MeatProtein,
    "meat_content": MeatContentEntry,
    "salt_on_water": SaltOnWater,
    "weight_loss": WeightLoss,
    "required": Required,
    "laboratory": Laboratory,
}
"""Every kind by the key under which a file names it."""


class Named(Strict):
    """Exactly one kind of requirement with its figures."""

    @model_validator(mode="after")
    def _exactly_one(self) -> Named:
        if len(self.model_fields_set) != 1:
            raise ValueError("one entry names exactly one kind of requirement")
        if getattr(self, self.kind()) is None:
            raise ValueError(f"nothing stands behind {self.kind()}")
        return self

    def kind(self) -> str:
        """The key under which the kind is named."""
        return next(iter(self.model_fields_set))

    def entry(self) -> Entry:
        """The entry itself, read now where that was put off."""
        found = getattr(self, self.kind())
        return cast(Entry, found() if isinstance(found, partial) else found)

    def build(self, origin: Origin) -> Requirement:
        """The requirement the entry stands for."""
        return self.entry().build(origin)


_FIELDS: dict[str, Any] = {kind: (Annotated[entry | None, Deferred(entry)], None) for kind, entry in KINDS.items()}

if TYPE_CHECKING:

    class OneRequirement(Named):
        """The model of one entry of a recipe's or a pack row's requirements."""
else:
    OneRequirement = create_model("OneRequirement", __base__=Named, **_FIELDS)
