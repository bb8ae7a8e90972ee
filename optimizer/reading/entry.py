"""A recipe as it is typed: the model that is published as JSON Schema, and what is sound by itself in each part."""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction

from pydantic import Field

from constraints.confidence import ConfidenceEntry
from constraints.document import Broken, Positive, PositivePercent, Ruled, Strict, Weight, YesNo, refusal
from constraints.document.fields import Line, Name, NameOrEach, Names, NotNegative, Number, Percent
from constraints.laboratory import LaboratoryEntry
from constraints.numbers import G_PER_KG, PERCENT, PI, trimmed
from constraints.quantities import FromFat
from constraints.rules import OneRequirement, ProcessStep
from optimizer.reading.added import AdditionEntry


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
        if (self.kg_per_m is None) == (self.diameter_mm is None):
            yield "a casing states what fills it, by one of kg_per_m and diameter_mm"
        for one, other in (("diameter_mm", "density_kg_per_l"), ("cost_per_hank", "hank_m")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                yield f"{one} and {other} go together"
        if self.link_cm is not None and self.link_g is not None:
            yield "a link is stated by one of link_cm and link_g"
        if self.cost_per_m is not None and self.cost_per_hank is not None:
            yield "a price is stated by one of cost_per_m and cost_per_hank"

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
        if (self.set_c is None) == (self.set_f is None):
            yield "a step says what the chamber is set to, by one of set_c and set_f"
        if self.until_core_c is not None and self.until_core_f is not None:
            yield "one of until_core_c and until_core_f"
        if self.minutes is None and self.until_core_c is None and self.until_core_f is None:
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
    confidence: ConfidenceEntry | None = None
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
