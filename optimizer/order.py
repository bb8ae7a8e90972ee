"""The order: how much to make, in kilograms, with the scales and the mixer of the recipe or of the command.

And what to look for among the near-cheapest batches, with what it costs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction
from math import ceil

from constraints.as_typed import G_PER_KG, KG_PER_LB, ONE, meant, refuse
from constraints.asked import Least, Tidy
from constraints.quantities import Basis
from optimizer.reading.entry import Units
from optimizer.reading.recipe import Recipe
from optimizer.record import Figure, Record

SIZES = {"--meat-kg": (Basis.MEAT, ONE), "--batch-kg": (Basis.BATCH, ONE),
         "--meat-lb": (Basis.MEAT, KG_PER_LB), "--batch-lb": (Basis.BATCH, KG_PER_LB)}  # fmt: skip
"""Ways to state a size: what is weighed, and kilograms in one unit."""

MOST_WITHIN = Fraction(1, 50)
"""Share of a batch that its tolerance is at most unless one is given; common practice, no source."""


@dataclass(frozen=True)
class Order:
    """How much to make and when. ``within_kg`` is the tolerance on the weight, printed with it.

    With ``band`` that tolerance is what was asked for: any weight within it is as good as another. ``next_chance`` is
    the next day on which a lot left over could be used; a lot whose use-by is before it is dying.
    ``tidy`` is what is wanted of pulls and remnants (None: nothing), ``imposed`` what of it the program holds.
    """

    basis: Basis
    kilograms: Fraction
    within_kg: Fraction
    day: date
    meat_division_kg: Fraction
    spice_division_kg: Fraction
    mixer_kg: Fraction | None = None
    in_pounds: bool | None = None
    next_chance: date | None = None
    tidy: Tidy | None = None
    imposed: Tidy | None = None
    band: bool = False


@dataclass(frozen=True)
class Asked:
    """What a command may say instead of the recipe or the default: kilograms, grams for the divisions, and a day.

    ``to`` is what the size may go up to where it is a band, in the size's own unit.
    """

    to: Fraction | None = None
    within_kg: Fraction | None = None
    meat_g: Fraction | None = None
    spice_g: Fraction | None = None
    mixer_kg: Fraction | None = None
    next_chance: date | None = None
    units: Units | None = None
    smallest_pull: Callable[[Fraction, Fraction], Fraction] | None = None
    smallest_remnant: Callable[[Fraction, Fraction], Fraction] | None = None


TIDY_SHARE, TIDY_DIVISIONS = Fraction(1, 100), 2
"""Share of the batch, and divisions of the meat scale, that pulls and remnants have at least unless a recipe or a
command says otherwise; common practice, no source."""


def order_of(recipe: Recipe, size: str, figure: Fraction, day: date, asked: Asked) -> Order:
    """The order for a size stated one of the ways of SIZES.

    Unless given, the tolerance on the weight is half a division of the meat scale, so that some whole number of
    divisions lies within it; on a whole batch, whose additions are rounded too, it is a whole division. It is never
    more than a share of the batch: a scale too coarse for that is said to be so.
    """
    basis, kilograms = SIZES[size]
    scales = recipe.entry.scales
    meat_division = (asked.meat_g or scales.meat_g) / G_PER_KG
    units = asked.units or (Units.LB if size.endswith("lb") else recipe.entry.units)
    usual = meat_division / 2 if basis is Basis.MEAT else meat_division
    within = min(usual, figure * kilograms * MOST_WITHIN) if asked.within_kg is None else asked.within_kg
    if asked.to is not None:
        figure, within = (figure + asked.to) / 2, (asked.to - figure) * kilograms / 2
    least = (asked.smallest_pull or recipe.entry.smallest_pull, asked.smallest_remnant or recipe.entry.smallest_remnant)
    unit = KG_PER_LB if units is Units.LB else ONE
    divisions = max(TIDY_DIVISIONS, ceil(figure * kilograms * TIDY_SHARE / meat_division))
    usually = Least(divisions * meat_division, asked=False)
    return Order(
        basis=basis, kilograms=figure * kilograms, within_kg=within, band=asked.to is not None, day=day,
        meat_division_kg=meat_division, spice_division_kg=(asked.spice_g or scales.spice_g) / G_PER_KG,
        mixer_kg=asked.mixer_kg or recipe.entry.mixer_kg, in_pounds=None if units is None else units is Units.LB,
        next_chance=asked.next_chance,
        tidy=Tidy(*(usually if one is None else Least(one(figure * kilograms, unit)) for one in least)),
    )  # fmt: skip


class Wish(StrEnum):
    """What to look for among the near-cheapest batches; in ``words``, with what its figure counts."""

    FEWEST_LOTS = "fewest-lots", "fewest lots"
    MOST_DYING = "most-dying", "most dying trim, kg as held"
    MIDDLE = "middle", "closest to the middle of the fat band, points off"

    words: str

    def __new__(cls, name: str, words: str) -> Wish:
        """The name is the value."""
        wish = str.__new__(cls, name)
        wish._value_, wish.words = name, words
        return wish

    @property
    def places(self) -> int:
        """Decimals that its figure is shown with."""
        return 0 if self is Wish.FEWEST_LOTS else 3


def wish_named(name: str) -> Wish:
    """The wish of that name. Raises BadInput, with the nearest one, where there is none."""
    for wish in Wish:
        if wish == name:
            return wish
    refuse("--prefer", f"{name!r} is not a wish", meant(name, list(Wish), f"one of {', '.join(Wish)}"))


class Step(Record):
    """The best that a premium buys."""

    premium_pct: Figure
    cost: Figure
    figure: Figure


@dataclass(frozen=True)
class Near:
    """What was wished for within a premium, and the trade-off up to it; ``cheapest`` is the cost before the scales."""

    wish: Wish
    premium_pct: Fraction
    cheapest: Fraction
    steps: tuple[Step, ...]
