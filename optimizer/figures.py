"""How figures are said: with the digits that scale and trade warrant, never on the wrong side of a limit.

Weights are said as the kitchen does: kilograms and grams, or pounds and ounces with the grams beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TypeVar

from constraints.as_typed import G_PER_KG, KG_PER_LB, M_PER_FT, ONE, OZ_PER_LB, ZERO, shown, trimmed
from constraints.requirement import Requirement
from optimizer.verdict import Check
from optimizer.wording import GAP

_MOST_PLACES = 8
_OUNCE = KG_PER_LB / OZ_PER_LB
_TELLING = 4
"""A decimal of a pound is shown where its last place is at most this part of a division."""
Judged = TypeVar("Judged", bound=Check)


def apart(figure: str) -> str:
    """A figure of five digits or more with its thousands apart, by blanks that do not end a line."""
    whole, point, rest = figure.partition(".")
    return f"{int(whole):,}".replace(",", GAP) + point + rest if whole.isdigit() and len(whole) > 4 else figure


def figure(value: Fraction, requirement: Requirement | None = None, places: int = 2) -> str:
    """A figure with so many decimals, or more where fewer would hide on which side of a limit it is."""
    limits = (requirement.lo, requirement.hi) if requirement else ()
    near = [x for x in limits if x is not None and x != value]
    while places < _MOST_PLACES and any(shown(value, places) == shown(x, places) for x in near):
        places += 1
    return apart(shown(value, places))


def measured(value: Fraction | None, requirement: Requirement, places: int = 2) -> str:
    """A requirement's figure with its unit."""
    return "not measured" if value is None else f"{figure(value, requirement, places)} {requirement.unit}".strip()


def wanted(requirement: Requirement) -> str:
    """The limits in the fewest words: ``22 to 27``, ``at most 30``."""
    lo, hi = requirement.lo, requirement.hi
    if lo is not None and hi is not None:
        return f"{trimmed(lo, 4)} to {trimmed(hi, 4)}"
    return f"at least {trimmed(lo, 4)}" if lo is not None else f"at most {trimmed(hi or ZERO, 4)}"


def grams(kilograms: Fraction, division_kg: Fraction) -> str:
    """Grams with the decimals of the scale's division."""
    return apart(shown(kilograms * G_PER_KG, places_of(division_kg * G_PER_KG, 0)))


def places_of(division: Fraction, least: int = 2) -> int:
    """Decimals that show whole divisions; past three no more than tell them apart, where they are of pounds."""
    places = least
    while (division * 10**places).denominator != 1 and (places < 3 or division * 10**places < 4):
        places += 1
    return places


def division_words(division: Fraction) -> str:
    """A scale's division in grams."""
    return f"{trimmed(division * G_PER_KG)} g"


@dataclass(frozen=True)
class Unit:
    """The unit of weights on a page; ``kg`` are the kilograms of one.

    ``smaller`` is what is weighed on the small scale, ``dose`` the unit of a dose, as they stand over a column.
    """

    name: str = "kg"
    kg: Fraction = ONE
    smaller: str = "grams"
    dose: str = "g/kg meat"

    @classmethod
    def of(cls, *, pounds: bool) -> Unit:
        """Pounds, or kilograms."""
        return cls("lb", KG_PER_LB, "ounces (grams)", "oz/lb meat") if pounds else cls()

    def places(self, division_kg: Fraction) -> int:
        """Decimals that show divisions of a scale, two at least."""
        if self.name == "kg":
            return places_of(division_kg)
        return next(p for p in range(2, 12) if p == 11 or _TELLING * self.kg / 10**p <= division_kg)

    def figure(self, kilograms: Fraction, places: int) -> str:
        """A weight with so many decimals."""
        return apart(shown(kilograms / self.kg, places))

    def said(self, kilograms: Fraction, places: int = 3) -> str:
        """A weight with its unit, without zeros at its end."""
        return f"{apart(trimmed(kilograms / self.kg, places))} {self.name}"

    def price(self, per_kg: Fraction, places: int = 2) -> str:
        """Money for one."""
        return shown(per_kg * self.kg, places)

    def length(self, metres: Fraction) -> str:
        """A length of casing: metres, or feet in a kitchen of pounds."""
        return f"{shown(metres, 1)} m" if self.name == "kg" else f"{shown(metres / M_PER_FT, 0)} ft"

    def small(self, kilograms: Fraction, division_kg: Fraction) -> str:
        """What is weighed on the small scale: grams, in a kitchen of pounds beside pounds and ounces."""
        metric = f"{grams(kilograms, division_kg)} g"
        return metric if self.name == "kg" else f"{ounces(kilograms, division_kg)} ({metric})"

    def limit(self, requirement: Requirement) -> Requirement:
        """A requirement on a weight in this unit, to a thousandth; any other as it is."""
        if requirement.unit != "kg" or self.name == "kg":
            return requirement
        lo, hi = (None if x is None else round(x / self.kg, 3) for x in (requirement.lo, requirement.hi))
        return replace(requirement, lo=lo, hi=hi, unit=self.name)

    def check(self, check: Judged) -> Judged:
        """A check of a weight in this unit; any other as it is."""
        limit = self.limit(check.requirement)
        if limit is check.requirement:
            return check
        value, worst = (None if x is None else x / self.kg for x in (check.value, check.worst_load))
        return replace(check, requirement=limit, value=value, worst_load=worst)


def ounces(kilograms: Fraction, division_kg: Fraction) -> str:
    """Pounds and ounces, with decimals of an ounce down to the scale's division."""
    places = next(p for p in range(1, 7) if p == 6 or _OUNCE / 10**p <= division_kg)
    whole, rest = divmod(Fraction(round(kilograms / _OUNCE * 10**places), 10**places), OZ_PER_LB)
    said = [f"{whole} lb"] if whole else []
    return " ".join([*said, f"{shown(rest, places) if rest else 0} oz"] if rest or not whole else said)
