"""The kinds of requirement a recipe or a rule pack may name. A new kind is one class and one line here."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, Protocol, cast

from pydantic import create_model, model_validator

from constraints.additives import (
    AdditionShare,
    Additive,
    FamilyAmount,
    MixedAllowance,
    NotListed,
    SubstanceShare,
    Surface,
)
from constraints.composition import Component, GroupRatio, GroupWeight, LeanToFat, MeatToFat, PropertyBand, Share
from constraints.cure import NITRATE_SALTS, NITRITE_SALTS, IngoingEntry
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
from constraints.ingredients import FAT, MOISTURE, PROTEIN, SALT
from constraints.laboratory import Laboratory
from constraints.meat_content import MeatContentEntry
from constraints.requirement import Origin, Requirement
from constraints.stock import ApartEntry, MostLotsEntry, TogetherEntry
from constraints.substances import ACCELERATOR, ACIDULANT, ANTIMICROBIAL, ANTIOXIDANT, BINDER, PHOSPHATE, SULPHITE


class Entry(Protocol):
    """What a kind's class offers: it is validated from a file and builds its requirement."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement the entry stands for."""


def _like(entry: type[Strict], name: str, says: str, **counts: Any) -> type[Strict]:
    """An entry of its own name that is another with what it counts filled in; ``says`` stands in the schema."""
    own = {"__module__": entry.__module__, "__qualname__": name, "__doc__": says, **counts}
    return cast(type[Strict], cast(Any, type(entry))(name, (entry,), own))


_COMPONENTS = {
    "fat": (FAT, "Fat by weight."),
    "protein": (PROTEIN, "Protein by weight."),
    "moisture": (MOISTURE, "Moisture by weight."),
    "salt": (SALT, "Salt by weight; the natural sodium of meat is not salt."),
}
_FROM = ", from the cure's own stated fraction and from cured lots."
_INGOING = {
    "nitrite": ("IngoingNitrite", NITRITE_SALTS, "", f"Ingoing nitrite{_FROM}"),
    "nitrate": ("IngoingNitrate", NITRATE_SALTS, "", f"Ingoing nitrate{_FROM}"),
    "nitrite_and_nitrate": (
        "IngoingTogether", NITRITE_SALTS + NITRATE_SALTS, " together",
        "Ingoing nitrite and nitrate, added up in the form asked for.",
    ),
}  # fmt: skip
_FAMILIES = {
    ACCELERATOR: ("cure accelerators", "Cure accelerators: ascorbates and erythorbates."),
    ACIDULANT: ("acidulants", "Acids, and what turns into acid."),
    PHOSPHATE: ("phosphates", "Phosphates that are added; the phosphorus of the meat does not count."),
    BINDER: ("binders and extenders", "Binders and extenders."),
    ANTIOXIDANT: ("antioxidants", "Antioxidants for fat."),
    SULPHITE: (
        "sulphites", "Sulphur dioxide and sulphites, from additions and from what lots, liquids and inclusions state."
    ),
    ANTIMICROBIAL: ("antimicrobials", "Lactates and diacetate."),
}  # fmt: skip
KINDS: dict[str, type[Strict]] = {
    **{
        what: _like(Component, f"{what.title()}Band", says, prop=prop, what=what)
        for what, (prop, says) in _COMPONENTS.items()
    },
    "property": PropertyBand,
    "share": Share,
    "amount": GroupWeight,
    "ratio": GroupRatio,
    "most_lots": MostLotsEntry,
    "together": TogetherEntry,
    "apart": ApartEntry,
    "meat_to_fat": MeatToFat,
    "lean_to_fat": LeanToFat,
    **{
        f"ingoing_{ion}": _like(IngoingEntry, name, says, what=f"ingoing {ion.replace('_', ' ')}{added}", counts=counts)
        for ion, (name, counts, added, says) in _INGOING.items()
    },
    **{
        family: _like(FamilyAmount, family.title(), says, family=family, plural=plural)
        for family, (plural, says) in _FAMILIES.items()
    },
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
