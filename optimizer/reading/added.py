"""An addition of a recipe as it is typed: what it is, its dose, what it holds and what is said of its name."""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction

from pydantic import Field

from constraints.document import Broken, Name, Names, NotNegative, Number, Percent, Positive, Ruled, YesNo
from constraints.faults import meant
from constraints.numbers import PERCENT, trimmed
from constraints.quantities import Basis, Kind
from constraints.substances import FORMULAS, PRESERVATIVE, SUBSTANCES

PLAIN_KINDS = {
    "salt": Kind.SALT,
    "cure": Kind.CURE,
    "water": Kind.WATER,
    "liquid": Kind.LIQUID,
    "inclusion": Kind.INCLUSION,
    "spice": Kind.DRY,
}
"""What an addition may be, beside the regulated substances."""

DOSES = ("g_per_kg_meat", "g_per_kg_batch", "total_salt_pct", "ingoing_nitrite_ppm", "up_to_g_per_kg_meat")
"""The keys that state an addition's amount; each addition has exactly one of them."""


class CureSalt(StrEnum):
    """Which salt of nitrite or nitrate a cure holds."""

    SODIUM = "sodium"
    POTASSIUM = "potassium"


class ScaleName(StrEnum):
    """Which scale an item is weighed on."""

    MEAT = "meat"
    SPICE = "spice"


class AdditionEntry(Ruled):
    """Something added to the meat, with its dose and, where it matters, its composition."""

    name: Name
    """The name on the weigh-out."""
    is_: Name = Field("spice", alias="is")
    """What it is: salt, cure, water (ice too), liquid, inclusion, spice, or a regulated substance by name."""
    g_per_kg_meat: NotNegative | None = None
    """Grams per kilogram of meat block."""
    g_per_kg_batch: NotNegative | None = None
    """Grams per kilogram of whole batch, itself included."""
    total_salt_pct: Percent | None = None
    """For salt: total salt wanted, %; salt in cure, lots, liquids and inclusions is taken off."""
    ingoing_nitrite_ppm: Positive | None = None
    """For a cure: ingoing nitrite wanted, mg per kilogram of meat block, from its own stated strength."""
    up_to_g_per_kg_meat: Positive | None = None
    """For water or a liquid: left to the solver, at most so many grams per kilogram of meat block."""
    from_g_per_kg_meat: NotNegative | None = None
    """With up_to_g_per_kg_meat: at least so many grams per kilogram of meat block."""
    basis: Basis = Basis.BATCH
    """With total_salt_pct: what the percentage is of, meat, batch or finished."""
    nitrite_pct: Percent | None = None
    """For a cure: nitrite in it, % by weight, as its label states."""
    nitrate_pct: Percent | None = None
    """For a cure: nitrate in it, % by weight, as its label states."""
    nitrite_salt: CureSalt = CureSalt.SODIUM
    """Whether the nitrite is the sodium or the potassium salt."""
    nitrate_salt: CureSalt = CureSalt.SODIUM
    """Whether the nitrate is the sodium or the potassium salt."""
    confirm_strength: YesNo = False
    """For a cure of unusual strength: yes confirms that its label says so. It confirms no dose."""
    confirm_dose: YesNo = False
    """For a cure that brings unusually little nitrite: yes confirms that its dose is meant."""
    holds_no_nitrite: YesNo = False
    """For an addition named like a cure that is none: yes says that it brings no nitrite or nitrate."""
    from_plant: Name | None = None
    """For a cure made from a plant (celery powder, say): which plant; none for one that only sounds like it."""
    holds_no_cheese: YesNo = False
    """For an addition named like cheese that is none: yes says so."""
    holds_no_additive: YesNo = False
    """For an addition named like a regulated additive that holds none: yes says so."""
    allergens: Names | None = None
    """Allergens it holds, or none: milk, egg, mustard, soy, gluten, celery, nuts, peanuts, sesame, fish, crustaceans,
    molluscs, lupin, sulphites. Asked for where the name reads like one."""
    fat_pct: Percent | None = None
    """Fat, % by weight."""
    moisture_pct: Percent | None = None
    """Moisture, % by weight."""
    protein_pct: Percent | None = None
    """Protein, % by weight."""
    salt_pct: Percent | None = None
    """Salt, % by weight; for a cure all that is not nitrite or nitrate unless stated."""
    surface_pct: Percent | None = None
    """For a preservative that is not mixed in: so much % of what the casing or the surface is treated with."""
    properties: dict[str, Number] = Field(default_factory=dict)
    """Any further property that a requirement names."""
    cost_per_kg: NotNegative = Fraction(0)
    """Price, money per kilogram."""
    scale: ScaleName | None = None
    """The scale it is weighed on; where not stated, the meat scale if its division is at most 1 % of the amount."""

    def _broken(self) -> Broken:
        given = [key for key in DOSES if getattr(self, key) is not None]
        if len(given) != 1:
            yield f"state the amount of {self.name} by exactly one of {', '.join(DOSES)}"
        if self.is_ not in PLAIN_KINDS and self.is_ not in SUBSTANCES:
            known = [*PLAIN_KINDS, *SUBSTANCES]
            hint = meant(self.is_, known, f"known: {', '.join(known)}")
            yield f"{self.is_!r} is not something an addition can be; {hint}"
        if self.total_salt_pct is not None and self.is_ != "salt":
            yield "total_salt_pct belongs to an addition that is salt"
        if self.is_ != "cure" and any(
            figure is not None for figure in (self.nitrite_pct, self.nitrate_pct, self.ingoing_nitrite_ppm)
        ):
            yield "nitrite_pct, nitrate_pct and ingoing_nitrite_ppm belong to an addition that is cure"
        if self.surface_pct is not None and SUBSTANCES.get(self.is_) != PRESERVATIVE:
            yield f"surface_pct belongs to {', '.join(FORMULAS[PRESERVATIVE])}"
        if self.is_ == "cure" and not self.nitrite_pct and not self.nitrate_pct:
            yield "a cure states its nitrite_pct or its nitrate_pct, as its label does"
        if self.ingoing_nitrite_ppm is not None and not self.nitrite_pct:
            yield "ingoing_nitrite_ppm needs a cure that holds nitrite"
        if self.up_to_g_per_kg_meat is not None and self.is_ not in ("water", "liquid"):
            yield "only water or a liquid can be left to the solver"
        if self.from_g_per_kg_meat is not None and self.up_to_g_per_kg_meat is None:
            yield "from_g_per_kg_meat needs up_to_g_per_kg_meat"
        if (self.from_g_per_kg_meat or 0) > (self.up_to_g_per_kg_meat or self.from_g_per_kg_meat or 0):
            yield "from_g_per_kg_meat is above up_to_g_per_kg_meat"
        total = sum(getattr(self, key) or 0 for key in ("fat_pct", "moisture_pct", "protein_pct"))
        if total > PERCENT:
            yield f"fat, moisture and protein of {self.name} add up to {trimmed(Fraction(total))} %"
        if (self.nitrite_pct or 0) + (self.nitrate_pct or 0) > PERCENT:
            yield "nitrite and nitrate of a cure add up to more than 100 %"
