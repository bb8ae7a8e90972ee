"""The unit in which a week's page and lists say weights."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil

from constraints.numbers import KG_PER_LB, shown, trimmed
from optimizer.pages.figures import Unit as OnPages
from optimizer.plan.model.world import World

_HUNDREDTH = Fraction(1, 100)


@dataclass(frozen=True)
class Unit:
    """The unit of weights on the page; ``kg`` are the kilograms of one."""

    name: str
    kg: Fraction

    @classmethod
    def of(cls, world: World) -> Unit:
        """That of the week."""
        name = world.week.entry.units
        return cls(name, KG_PER_LB if name == "lb" else Fraction(1))

    def __call__(self, kilograms: Fraction, places: int) -> str:
        """A weight with so many decimals."""
        return shown(kilograms / self.kg, places)

    def places(self, division_kg: Fraction) -> int:
        """Decimals that show divisions of a scale, as on the page of a batch."""
        return OnPages(self.name, self.kg).places(division_kg)

    def price(self, per_kg: Fraction, places: int) -> str:
        """Money for one."""
        return shown(per_kg * self.kg, places)

    def amount(self, figure: Fraction, unit: str) -> str:
        """A change of so much of a unit, which may be words that start with kg; rounded so that it is enough."""
        if not unit.startswith("kg"):
            return f"{trimmed(figure, 2)} {unit}"
        return f"{trimmed(ceil(figure / self.kg / _HUNDREDTH) * _HUNDREDTH, 2)} {self.name}{unit[2:]}"

    def near(self, kilograms: Fraction) -> str:
        """A weight to the nearest hundredth, with its unit."""
        return f"{trimmed(kilograms / self.kg, 2)} {self.name}"
