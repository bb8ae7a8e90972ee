"""Moisture and protein of a raw lot that states only its fat, by species, where a recipe asks for that.

The lines stand in estimates.yaml with their source. What a cut is off its line is an error like that of a measured fat:
of moisture one source of error, of protein what follows from that error (the more water, the less protein) and what is
left beside it. Lots that are cured, salted or worked in again are estimated from nothing.
"""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction
from functools import cache

from constraints.document import Day, Name, NotNegative, Number, Percent, Strict, Whole, packaged, validate
from constraints.ingredients import FAT, MOISTURE, PROTEIN, SALT, Ingredient, Lot
from constraints.numbers import ZERO


class Component(StrEnum):
    """What can be estimated."""

    MOISTURE = "moisture"
    PROTEIN = "protein"

    @property
    def property_name(self) -> str:
        """The lots table's column."""
        return {"moisture": MOISTURE, "protein": PROTEIN}[self.value]


class Off(StrEnum):
    """The independent errors of a lot's estimates."""

    FIRST = "first"
    BESIDE = "beside"


class Line(Strict):
    """A component as a line over fat, all in % by weight."""

    at_no_fat: Percent
    per_fat: Number
    sd: NotNegative
    """Standard deviation of a cut off the line, percentage points."""


class Species(Strict):
    """The lines of one group of species."""

    names: tuple[Name, ...]
    """Species as a lots table names them."""
    cuts: Whole
    """Cuts that the lines were fitted to."""
    least_fat_pct: Percent
    """Leanest of them."""
    most_fat_pct: Percent
    """Fattest of them."""
    moisture: Line
    protein: Line
    protein_per_moisture: Number
    """Points of protein off its line for each point of moisture off its own."""
    protein_sd_beside: NotNegative
    """Standard deviation of protein off its line beside that, percentage points."""


class Estimates(Strict):
    """The published lines."""

    title: Name
    source: Name
    checked_on: Day
    lines: tuple[Species, ...]


@cache
def published() -> Estimates:
    """The lines that come with the tool."""
    return validate(packaged("estimates.yaml"), Estimates)


def lines_of(item: Ingredient) -> Species | None:
    """The lines for a raw lot; None where there are none for its species, or it is not plain raw meat."""
    raw = isinstance(item, Lot) and not (item.cured or item.rework or item.properties.get(SALT))
    if not raw or FAT not in item.properties:
        return None
    species = item.species.strip().casefold()
    return next((one for one in published().lines if species in one.names), None)


def estimated(item: Ingredient, name: str, asked: frozenset[str], off: Off | None = None) -> Fraction | None:
    """A property of a raw lot that does not state it, %; None where it is not asked for or cannot be told.

    With ``off`` one standard deviation of that error more.
    """
    lines = lines_of(item) if name in asked and name not in item.properties else None
    if lines is None:
        return None
    line = lines.moisture if name == MOISTURE else lines.protein
    figure = max(line.at_no_fat + line.per_fat * item.properties[FAT], ZERO)
    if off is None:
        return figure
    first, beside = line.sd, ZERO
    if name == PROTEIN and MOISTURE in asked and MOISTURE not in item.properties:
        first, beside = lines.protein_per_moisture * lines.moisture.sd, lines.protein_sd_beside
    return figure + (first if off is Off.FIRST else beside)
