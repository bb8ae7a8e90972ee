"""The kinds of requirement a recipe or a rule pack may name. A new kind is one class and one line here."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, Protocol, cast

from pydantic import create_model

from constraints import composition, identity, ingoing, laboratory, on_hand
from constraints.document import Broken, Deferred, Ruled, Strict
from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT
from constraints.requirement import Origin, Requirement


class Entry(Protocol):
    """What a kind's class offers: it is validated from a file and builds its requirement."""

    def build(self) -> Requirement:
        """The requirement the entry stands for, of no origin."""


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
    "nitrite": ("IngoingNitrite", ingoing.NITRITE_SALTS, "", f"Ingoing nitrite{_FROM}"),
    "nitrate": ("IngoingNitrate", ingoing.NITRATE_SALTS, "", f"Ingoing nitrate{_FROM}"),
    "nitrite_and_nitrate": (
        "IngoingTogether", ingoing.NITRITE_SALTS + ingoing.NITRATE_SALTS, " together",
        "Ingoing nitrite and nitrate, added up in the form asked for.",
    ),
}  # fmt: skip
_FAMILIES = {
    "accelerator": ("cure accelerators", "Cure accelerators: ascorbates and erythorbates."),
    "acidulant": ("acidulants", "Acids, and what turns into acid."),
    "phosphate": ("phosphates", "Phosphates that are added; the phosphorus of the meat does not count."),
    "binder": ("binders and extenders", "Binders and extenders."),
    "antioxidant": ("antioxidants", "Antioxidants for fat."),
    "sulphite": (
        "sulphites", "Sulphur dioxide and sulphites, from additions and from what lots, liquids and inclusions state."
    ),
    "antimicrobial": ("antimicrobials", "Lactates and diacetate."),
}  # fmt: skip
KINDS: dict[str, type[Strict]] = {
    **{
        what: _like(composition.Component, f"{what.title()}Band", says, prop=prop, what=what)
        for what, (prop, says) in _COMPONENTS.items()
    },
    "property": composition.PropertyBand,
    "share": composition.Share,
    "amount": composition.GroupWeight,
    "ratio": composition.GroupRatio,
    "most_lots": on_hand.MostLotsEntry,
    "together": _like(on_hand.GroupEntry, "TogetherEntry", "Lots that go in all of them or none.", together=True),
    "apart": _like(on_hand.GroupEntry, "ApartEntry", "Lots of which at most one goes in.", together=False),
    "meat_to_fat": composition.MeatToFat,
    "lean_to_fat": composition.LeanToFat,
    **{
        f"ingoing_{ion}": _like(
            ingoing.IngoingEntry, name, says, what=f"ingoing {ion.replace('_', ' ')}{added}", counts=counts
        )
        for ion, (name, counts, added, says) in _INGOING.items()
    },
    **{
        family: _like(ingoing.FamilyAmount, family.title(), says, family=family, plural=plural)
        for family, (plural, says) in _FAMILIES.items()
    },
    "additive": ingoing.Additive,
    "addition_share": ingoing.AdditionShare,
    "not_listed": ingoing.NotListed,
    "surface": ingoing.Surface,
    "mixed_allowance": ingoing.MixedAllowance,
    "substance_share": ingoing.SubstanceShare,
    "added_water": identity.AddedWater,
    "fat_plus_added_water": identity.FatPlusAddedWater,
    "water_share": identity.WaterShare,
    "species_share": identity.SpeciesShare,
    "material_share": identity.MaterialShare,
    "meat_share": identity.MeatShare,
    "fat_free_flesh": identity.FatFreeFlesh,
    "fat_to_flesh": identity.FatToFlesh,
    "meat_protein": identity.MeatProtein,
    "meat_content": identity.MeatContentEntry,
    "salt_on_water": identity.SaltOnWater,
    "weight_loss": identity.WeightLoss,
    "required": identity.Required,
    "laboratory": laboratory.Laboratory,
}
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

    def entry(self) -> Entry:
        """The entry itself, read now where that was put off."""
        found = getattr(self, self.kind())
        return cast(Entry, found() if isinstance(found, partial) else found)

    def build(self, origin: Origin) -> Requirement:
        """The requirement the entry stands for."""
        return replace(self.entry().build(), origin=origin)


_FIELDS: dict[str, Any] = {kind: (Annotated[entry | None, Deferred(entry)], None) for kind, entry in KINDS.items()}

if TYPE_CHECKING:

    class OneRequirement(Named):
        """The model of one entry of a recipe's or a pack row's requirements."""
else:
    OneRequirement = create_model("OneRequirement", __base__=Named, **_FIELDS)
