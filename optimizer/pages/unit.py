"""Weights as the kitchen says them: kilograms and grams, or pounds and ounces with the grams beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TypeVar

from constraints.numbers import KG_PER_LB, M_PER_FT, OZ_PER_LB, shown, trimmed
from constraints.requirement import Requirement
from optimizer.blend import Answer, Check
from optimizer.pages.figures import grams, places_of
from optimizer.pages.tables import apart

_OUNCE = KG_PER_LB / OZ_PER_LB
_TELLING = 4
"""A decimal of a pound is shown where its last place is at most this part of a division."""
Judged = TypeVar("Judged", bound=Check)


@dataclass(frozen=True)
class Unit:
    """The unit of weights on a page; ``kg`` are the kilograms of one."""

    name: str = "kg"
    kg: Fraction = Fraction(1)

    @classmethod
    def of(cls, *, pounds: bool) -> Unit:
        """Pounds, or kilograms."""
        return cls("lb", KG_PER_LB) if pounds else cls()

    @property
    def smaller(self) -> str:
        """The small unit, as it stands over a column."""
        return "grams" if self.name == "kg" else "ounces (grams)"

    @property
    def dose(self) -> str:
        """The unit of a dose, as it stands over a column."""
        return "g/kg meat" if self.name == "kg" else "oz/lb meat"

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


def unit_of(answer: Answer) -> Unit:
    """The unit of weights on the pages of a batch."""
    return Unit.of(pounds=answer.problem.in_pounds)


def ounces(kilograms: Fraction, division_kg: Fraction) -> str:
    """Pounds and ounces, with decimals of an ounce down to the scale's division."""
    places = next(p for p in range(1, 7) if p == 6 or _OUNCE / 10**p <= division_kg)
    whole, rest = divmod(Fraction(round(kilograms / _OUNCE * 10**places), 10**places), OZ_PER_LB)
    said = [f"{whole} lb"] if whole else []
    return " ".join([*said, f"{shown(rest, places) if rest else 0} oz"] if rest or not whole else said)
