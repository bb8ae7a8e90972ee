"""Treatments: cooking, cooling, fermenting, freezing and drying as an authority writes them, one YAML file a place.

Every table and option carries its source and how it was read. Temperatures stay in the unit of the source; durations
are minutes, exact. The files stand in ``treatments/``; no figure of theirs stands in Python.
"""

import re
from fractions import Fraction
from functools import cache
from typing import Annotated, Literal

from pydantic import Field, PlainValidator, WithJsonSchema

from constraints.as_typed import PERCENT, NotANumber, exact, nearest
from constraints.document import LATER, Strict, packaged, parse, read_text, refusal, validate
from constraints.document.fields import Day, Name, NotNegative, Number, Percent, Positive, Whole, YesNo
from constraints.library import no_such, shipped
from constraints.requirement import Provenance
from constraints.rules import READ_IN_LAW, OneRequirement

MINUTES = {"s": Fraction(1, 60), "min": Fraction(1), "h": Fraction(60), "d": Fraction(1440)}
"""Minutes in each unit of a duration."""


def _duration(value: object) -> Fraction:
    allowed = f"a figure and one of {', '.join(MINUTES)}, such as 90 min"
    typed = re.fullmatch(r"(\S+) (s|min|h|d)", value.strip()) if isinstance(value, str) else None
    try:
        if typed is not None and exact(typed[1]) >= 0:
            return exact(typed[1]) * MINUTES[typed[2]]
    except NotANumber:
        pass
    raise refusal(f"{value!r} is not a duration", allowed)


Duration = Annotated[Fraction, PlainValidator(_duration), WithJsonSchema({"type": "string"})]
"""Minutes, typed as ``90 min``, ``5 h``, ``20 d`` or ``67 s``."""
Scale = Literal["C", "F"]
"""Of a temperature: Celsius or Fahrenheit."""


def fahrenheit(value: Fraction, scale: str) -> Fraction:
    """A temperature in degrees Fahrenheit, exact (NIST SP 811, B.8)."""
    return value if scale == "F" else value * Fraction(9, 5) + 32


def celsius(value: Fraction) -> Fraction:
    """Degrees Fahrenheit as degrees Celsius, exact."""
    return (value - 32) * Fraction(5, 9)


class Sourced(Strict):
    """A table, option or figure with where it was read."""

    title: Name
    """What it is, in a few words."""
    source: Name
    """Document and section."""
    status: Provenance
    """How it was read."""
    note: Name | None = None
    """What else a reader should know, above all where sources disagree."""

    @property
    def passes(self) -> bool:
        """True where meeting it can pass a batch: what is only remembered never does."""
        return self.status is not Provenance.MEMORY

    @property
    def confirm(self) -> bool:
        """True where an authority must still confirm the figure: it was not read in the text itself."""
        return self.status not in READ_IN_LAW


class Kill(Sourced):
    """A table of least times at a core temperature; any one of its rows is enough."""

    unit: Scale
    """Of the temperatures."""
    species: tuple[Name, ...] = ()
    """Species or groups of them for which it holds where any is in the batch; none stated: any."""
    not_species: tuple[Name, ...] = ()
    """Species or groups for which it does not hold."""
    judges: YesNo = True
    """Whether it decides; else it is only shown."""
    rows: dict[Number, Duration]
    """Least time by temperature; 0 s is: reached."""


class ComeUp(Sourced):
    """The longest time the core may take between two temperatures on the way up."""

    unit: Scale
    start: Number
    end: Number
    within: Duration


class Humidity(Sourced):
    """Humid air during the cook, or what makes it needless."""

    least_pct: Percent
    """Relative humidity that counts."""
    share_pct: Percent
    """Least share of the cook with it."""
    at_least: Duration
    """And least time with it."""
    casings: tuple[Name, ...]
    """Words of a casing's name for which it is needless."""


class CoolingStage(Strict):
    """One stage of cooling: from a temperature (none stated: the end of the cook) down to another."""

    start: Number | None = None
    to: Number
    within: Duration | None = None
    """Longest time; none stated: it must only be reached."""
    from_first: YesNo = False
    """Whether the clock runs from the start of the first stage."""
    surface: YesNo = False
    """Whether the surface is meant; a core that never rises on the way down is enough too."""


class Option(Sourced):
    """One way of cooling; a product that meets its conditions may use it."""

    unit: Scale
    stages: tuple[CoolingStage, ...]
    begins_within: Duration | None = None
    """Longest time from the end of the cook to the start of the first stage."""
    requires: tuple[OneRequirement, ...] = ()
    """What the batch must hold."""
    max_water_activity: Positive | None = None
    """Largest water activity, measured."""


class Handling(Sourced):
    """A temperature that meat should not pass before the cook."""

    step: Literal["grind", "mix", "stuff"]
    unit: Scale
    at_most: Number


class SecondOpinion(Sourced):
    """A published heat resistance: D minutes at a temperature, z degrees a tenfold, and the reductions wanted."""

    unit: Scale
    at: Number
    d: Duration
    z: Positive
    logs: Positive


class DegreeHours(Sourced):
    """Limit on degree-hours above a base for chambers up to a temperature (none stated: any)."""

    unit: Scale
    base: Number
    below: Number | None = None
    at_most: Number | None = None
    less_than: Positive
    until_ph: Positive


class RatioMark(Sourced):
    """A largest moisture-to-protein ratio by which a kind of product is known."""

    ratio: Positive


class Freezing(Sourced):
    """Least times of freezing against Trichinella by temperature."""

    unit: Scale
    core: YesNo
    """Whether the core's temperature is meant; else the freezer's."""
    thickest_cm: Positive | None = None
    """Thickest pieces or layers for which it holds."""
    rows: dict[Number, Duration]


class DryStep(Strict):
    """Time in a room at or above a temperature, degrees Fahrenheit."""

    at_least: Number
    hours: Positive


class Diameter(Strict):
    """The steps for casings up to a diameter at stuffing, inches, and days in all since the cure went in."""

    up_to_in: Positive
    steps: tuple[DryStep, ...]
    days_in_all: Positive | None = None


class Drying(Sourced):
    """A method of salting and drying raw pork against Trichinella."""

    salt: tuple[Positive, Positive]
    """Least salt, so many parts of so many parts of what ``salt_of`` says."""
    salt_of: Literal["batch", "meat", "without_dry"]
    largest_piece_in: Positive
    diameters: tuple[Diameter, ...]
    warm_room_f: tuple[Number, ...] = ()
    """Columns of ``less_pct``: temperature of a warm room before drying."""
    less_pct: dict[Positive, tuple[NotNegative, ...]] = Field(default_factory=dict)
    """By hours in the warm room: per cent off the days of drying, whole days rounded down."""
    more_pct: dict[Positive, Positive] = Field(default_factory=dict)
    """By per cent of salt: per cent on the days of drying, whole days rounded up."""

    @property
    def salt_pct(self) -> Fraction:
        """Least salt, %."""
        return PERCENT * self.salt[0] / self.salt[1]


class Papers(Sourced):
    """How long records are kept after the goods were supplied."""

    years: Whole
    from_year_end: YesNo = False
    """Whether the years are counted from the last day of the year of supply."""


class Treatments(Strict):
    """What one place or authority says of heat, cold and drying."""

    place: Name
    title: Name
    authority: Name
    checked_on: Day
    next: Name
    """What a maker may do with a batch on hold."""
    notes: tuple[Name, ...] = ()
    kills: tuple[Kill, ...] = ()
    come_up: ComeUp | None = None
    humidity: Humidity | None = None
    cooling: tuple[Option, ...] = ()
    handling: tuple[Handling, ...] = ()
    opinions: tuple[SecondOpinion, ...] = ()
    degree_hours: tuple[DegreeHours, ...] = ()
    ratios: tuple[RatioMark, ...] = ()
    freezing: tuple[Freezing, ...] = ()
    drying: tuple[Drying, ...] = ()
    papers: Papers | None = None


class Carriers(Sourced):
    """Species that may carry Trichinella, and those of them in which freezing does not kill it."""

    species: tuple[Name, ...]
    not_by_freezing: tuple[Name, ...]


@cache
def carriers() -> Carriers:
    """The species that may carry Trichinella."""
    return validate(packaged("trichinella.yaml"), Carriers)


@cache
def _shipped(name: str) -> Treatments:
    return validate(packaged(f"treatments/{name}.yaml"), Treatments, context=LATER)


def load_treatments(name: str) -> Treatments | None:
    """A place's treatments by name, or your own by file (``.yaml``); None for a rule pack that comes with none.

    Raises BadInput where there is no such place or the file is faulty.
    """
    if name in shipped("treatments"):
        return _shipped(name)
    if name in shipped():
        return None
    if name.endswith((".yaml", ".yml")):
        return validate(parse(read_text(name), name), Treatments)
    raise no_such(name, f"no place named {name!r}", nearest(name, shipped("treatments")), shipped("treatments"))
