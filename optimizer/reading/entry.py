"""A recipe as it is typed: the model that is published as JSON Schema, and what is sound by itself in each part."""

from collections.abc import Collection
from enum import StrEnum
from fractions import Fraction

from pydantic import Field

from constraints.as_typed import G_PER_KG, PERCENT, PI, meant, trimmed
from constraints.confidence import Confidence
from constraints.document import Broken, Positive, PositivePercent, Ruled, Strict, Weight, YesNo, refusal
from constraints.document.fields import Line, Name, NameOrEach, Names, NotNegative, Number, Percent
from constraints.laboratory import LaboratoryEntry
from constraints.quantities import Basis, FromFat, Kind
from constraints.rules import OneRequirement, ProcessStep
from constraints.substances import FORMULAS, PRESERVATIVE, SUBSTANCES


def given(entry: Strict, keys: Collection[str]) -> int:
    """How many of some keys an entry states."""
    return sum(getattr(entry, key) is not None for key in keys)


PLAIN_KINDS = {"salt": Kind.SALT, "cure": Kind.CURE, "water": Kind.WATER, "liquid": Kind.LIQUID,
               "inclusion": Kind.INCLUSION, "spice": Kind.DRY}  # fmt: skip
"""What an addition may be, beside the regulated substances."""

DOSES = ("g_per_kg_meat", "g_per_kg_batch", "total_salt_pct", "ingoing_nitrite_ppm", "up_to_g_per_kg_meat")
"""The keys that state an addition's amount; each addition has exactly one of them."""


_OF_CURE = ("nitrite_pct", "nitrate_pct", "ingoing_nitrite_ppm")


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
        known, water = [*PLAIN_KINDS, *SUBSTANCES], ("water", "liquid")
        is_cure, of_cure = self.is_ == "cure", tuple(getattr(self, key) for key in _OF_CURE)
        hint = "" if self.is_ in known else meant(self.is_, known, f"known: {', '.join(known)}")
        least, most = self.from_g_per_kg_meat, self.up_to_g_per_kg_meat
        held = Fraction(sum((self.fat_pct or 0, self.moisture_pct or 0, self.protein_pct or 0)))
        salted, spread = self.total_salt_pct is not None, self.surface_pct is not None
        stray, preserves = of_cure != (None, None, None), SUBSTANCES.get(self.is_) == PRESERVATIVE
        rules = {
            f"state the amount of {self.name} by exactly one of {', '.join(DOSES)}": given(self, DOSES) != 1,
            f"{self.is_!r} is not something an addition can be; {hint}": self.is_ not in known,
            "total_salt_pct belongs to an addition that is salt": salted and self.is_ != "salt",
            f"{', '.join(_OF_CURE[:2])} and {_OF_CURE[2]} belong to an addition that is cure": stray and not is_cure,
            f"surface_pct belongs to {', '.join(FORMULAS[PRESERVATIVE])}": spread and not preserves,
            "a cure states its nitrite_pct or its nitrate_pct, as its label does": is_cure and not any(of_cure[:2]),
            "ingoing_nitrite_ppm needs a cure that holds nitrite": of_cure[2] is not None and not self.nitrite_pct,
            "only water or a liquid can be left to the solver": most is not None and self.is_ not in water,
            "from_g_per_kg_meat needs up_to_g_per_kg_meat": least is not None and most is None,
            "from_g_per_kg_meat is above up_to_g_per_kg_meat": (least or 0) > (most or least or 0),
            f"fat, moisture and protein of {self.name} add up to {trimmed(held)} %": held > PERCENT,
            "nitrite and nitrate of a cure add up to more than 100 %": sum(x or 0 for x in of_cure[:2]) > PERCENT,
        }
        return (words for words, broken in rules.items() if broken)


def may_be_fraction(figure: Fraction) -> bool:
    """True for a percentage that was perhaps meant as a fraction of one."""
    return 0 < figure < 1


class YieldEntry(Ruled):
    """What is left of the batch when it is finished."""

    finished_pct: PositivePercent
    """Finished weight, % of the batch's weight."""
    fat_loss_pct: Percent = Fraction(0)
    """The part of the loss that is fat, % of the batch's weight; all other loss is water."""

    def _broken(self) -> Broken:
        if may_be_fraction(self.finished_pct):
            given = trimmed(self.finished_pct)
            found = f"a finished weight of {given} % is less than a hundredth of the batch"
            yield refusal(found, f"percent: {trimmed(PERCENT * self.finished_pct)}, not {given}", ("finished_pct",))
        if self.finished_pct + self.fat_loss_pct > PERCENT:
            yield "finished weight and fat loss add up to more than the batch"


class Units(StrEnum):
    """Units that weights are said in."""

    KG = "kg"
    LB = "lb"


class CasingEntry(Ruled):
    """The casing and the links."""

    name: Name = "casing"
    """What casing."""
    kg_per_m: Positive | None = None
    """Filling as measured, kilograms of batch per metre of casing."""
    diameter_mm: Positive | None = None
    """In place of kg_per_m: inner diameter as stuffed, millimetres; with density_kg_per_l."""
    density_kg_per_l: Positive | None = None
    """What a litre of the filling weighs, kilograms: weigh one."""
    spare_pct: NotNegative = Fraction(0)
    """Casing to prepare beyond what the filling needs, %."""
    link_cm: Positive | None = None
    """Length of one link, centimetres."""
    link_g: Positive | None = None
    """In place of link_cm: raw weight of one link, grams."""
    cost_per_m: NotNegative | None = None
    """Price of a metre, in the recipe's currency."""
    cost_per_hank: NotNegative | None = None
    """In place of cost_per_m: price of a hank; with hank_m."""
    hank_m: Positive | None = None
    """Metres in a hank."""
    soak: Line = ""
    """How it is rinsed and soaked, in your own words; printed on the sheet."""

    def _broken(self) -> Broken:
        for keys, counts, words in (
            (("kg_per_m", "diameter_mm"), (1,), "a casing states what fills it, by one of kg_per_m and diameter_mm"),
            (("diameter_mm", "density_kg_per_l"), (0, 2), "diameter_mm and density_kg_per_l go together"),
            (("cost_per_hank", "hank_m"), (0, 2), "cost_per_hank and hank_m go together"),
            (("link_cm", "link_g"), (0, 1), "a link is stated by one of link_cm and link_g"),
            (("cost_per_m", "cost_per_hank"), (0, 1), "a price is stated by one of cost_per_m and cost_per_hank"),
        ):
            if given(self, keys) not in counts:
                yield words

    @property
    def fills(self) -> Fraction:
        """Kilograms of batch in a metre: as measured, or a cylinder of so many litres."""
        if self.kg_per_m is not None:
            return self.kg_per_m
        assert self.diameter_mm is not None and self.density_kg_per_l is not None
        return PI * self.diameter_mm**2 / 4 / 1000 * self.density_kg_per_l

    @property
    def link_kg(self) -> Fraction | None:
        """Kilograms of one raw link; None where links are not stated."""
        if self.link_g is not None:
            return self.link_g / G_PER_KG
        return None if self.link_cm is None else self.fills * self.link_cm / 100

    @property
    def per_m(self) -> Fraction | None:
        """Money a metre; None where no price is stated."""
        if self.cost_per_hank is not None and self.hank_m is not None:
            return self.cost_per_hank / self.hank_m
        return self.cost_per_m


class ScalesEntry(Strict):
    """Divisions of the scales."""

    meat_g: Positive = Fraction(50)
    """Division of the meat scale, grams."""
    spice_g: Positive = Fraction(1)
    """Division of the spice scale, grams."""


class MethodEntry(Strict):
    """One step of the work, in the maker's own words."""

    do: Name
    """What is done."""
    read: Names = ()
    """What is read and written down: a blank on the sheet for each."""
    each_load: YesNo = False
    """Whether it is done, and written down, for every mixer load."""


class StepEntry(Ruled):
    """One step of the smokehouse: what the chamber is set to, for how long or until which core."""

    name: Name
    """What is done."""
    set_c: Number | None = None
    """Chamber, degrees Celsius."""
    set_f: Number | None = None
    """Chamber, degrees Fahrenheit."""
    humidity_pct: Percent | None = None
    """Relative humidity, %."""
    minutes: Positive | None = None
    """How long, minutes."""
    until_core_c: Number | None = None
    """Core at which the step ends, degrees Celsius."""
    until_core_f: Number | None = None
    """Core at which the step ends, degrees Fahrenheit."""

    def _broken(self) -> Broken:
        if given(self, ("set_c", "set_f")) != 1:
            yield "a step says what the chamber is set to, by one of set_c and set_f"
        if (ends := given(self, ("until_core_c", "until_core_f"))) > 1:
            yield "one of until_core_c and until_core_f"
        if self.minutes is None and not ends:
            yield "a step says how long it lasts: minutes, until_core_c or until_core_f"


class WhenMissing(StrEnum):
    """What to do with a lot that lacks a property that a requirement needs."""

    ERROR = "error"
    LEAVE_OUT = "leave_out"


class EligibleEntry(Ruled):
    """Which lots may go in; what is not stated does not restrict."""

    species: tuple[Name, ...] | None = None
    """Species allowed, as typed in the lots table."""
    material: tuple[Name, ...] | None = None
    """Materials allowed."""
    lot: tuple[Name, ...] | None = None
    """Lots allowed."""
    leave_out: tuple[Name, ...] = ()
    """Lots left out by name."""
    if_missing: WhenMissing = WhenMissing.ERROR
    """A lot that lacks a property a requirement needs: an error, or left out by name."""

    def _broken(self) -> Broken:
        for tag in ("species", "material", "lot"):
            if getattr(self, tag) == ():
                yield refusal("an empty list lets no lot in", "one name or more, or leave the key away", (tag,))


class RecipeEntry(Strict):
    """A sausage recipe for trimwright."""

    name: Name
    """Name of the product."""
    rules: tuple[Name, ...] = ()
    """Rule packs to keep: shipped ones by name, your own by file."""
    product_class: NameOrEach | None = None
    """Class of product in the packs; one name for all of them, or one for each pack."""
    waive: tuple[Name, ...] = ()
    """Rows of the packs not to impose, by id; only rows that warn and do not block can be waived."""
    steps: tuple[ProcessStep, ...] = ()
    """What is done after stuffing: cooked, smoked, fermented, dried."""
    cured: YesNo = False
    """Declares a cured product; a cure must then be among the additions."""
    keep_refrigerated: YesNo = True
    """Whether it is sold to be kept refrigerated."""
    made_without_nitrite: YesNo = False
    """Says in as many words that a cured, smoked, fermented or dried product is meant to hold no nitrite."""
    eligible: EligibleEntry = Field(default_factory=EligibleEntry)
    """Which lots may go in."""
    require: tuple[OneRequirement, ...] = ()
    """What the batch must satisfy."""
    estimate: tuple[FromFat, ...] = ()
    """Moisture, protein: what may be estimated from a lot's fat where the lots table does not state it."""
    confidence: Confidence | None = None
    """How sure every limit on fat must be, the lots' fat being only a measurement."""
    additions: tuple[AdditionEntry, ...] = ()
    """What is added to the meat."""
    yield_: YieldEntry | None = Field(None, alias="yield")
    """Finished weight, where it differs from the batch."""
    casing: CasingEntry | None = None
    """Casing and links."""
    laboratory: LaboratoryEntry | None = None
    """What a laboratory found in the batch that is checked; a blend is judged without it."""
    method: tuple[MethodEntry, ...] = ()
    """How it is made, step by step: printed on the sheet, each step with its box."""
    schedule: tuple[StepEntry, ...] = ()
    """The steps of smokehouse and cooling, in order."""
    scales: ScalesEntry = Field(default_factory=ScalesEntry)
    """Divisions of the scales."""
    mixer_kg: Positive | None = None
    """Largest load of the mixer, kilograms of whole batch."""
    smallest_pull: Weight | None = None
    """A lot used at all is used at least so much: kilograms as held, pounds (1 lb) or a share of the batch (1%). Where
    not stated about 1 % of the batch and two divisions of the meat scale, given up where it leaves no batch; 0: any."""
    smallest_remnant: Weight | None = None
    """An opened lot is left with nothing or with at least so much, as smallest_pull."""
    currency: Line = ""
    """Currency of every price, printed as typed."""
    units: Units | None = None
    """What weights are said in on pages; where not stated, as the size is given or the lots table weighs."""
