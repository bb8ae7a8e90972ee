"""What a requirement means, as data: who set it, and which substances it regulates.

Words of a requirement are for readers. Whatever is decided about it is decided on these.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """Who set a requirement: the order's size, the stock, which lots are used at all, a law, or the maker."""

    SIZE = "size"
    STOCK = "stock"
    USE = "use"
    LAW = "law"
    OWN = "own"


class Stage(StrEnum):
    """Where a substance is counted: as weighed in, as a laboratory finds it left over, or in the product as made."""

    INGOING = "ingoing"
    RESIDUAL = "residual"
    PRODUCT = "product"


class Salt(StrEnum):
    """A salt of nitrite or nitrate, valued by its formula."""

    SODIUM_NITRITE = "NaNO2"
    POTASSIUM_NITRITE = "KNO2"
    SODIUM_NITRATE = "NaNO3"
    POTASSIUM_NITRATE = "KNO3"

    @property
    def ion(self) -> str:
        """NO2 or NO3."""
        return self.value[-3:]


BY_ION = {
    "nitrite": (Salt.SODIUM_NITRITE, Salt.POTASSIUM_NITRITE),
    "nitrate": (Salt.SODIUM_NITRATE, Salt.POTASSIUM_NITRATE),
}
"""The salts that a word of a rule pack stands for."""


@dataclass(frozen=True)
class Regulates:
    """The substances a requirement counts (salts of nitrite and nitrate, or additives by name), and where.

    No substance: it is about composition, weight or choice.
    """

    substances: frozenset[str] = frozenset()
    stage: Stage = Stage.PRODUCT

    @classmethod
    def ingoing(cls, substances: Iterable[str]) -> Regulates:
        """Substances as weighed in."""
        return cls(frozenset(substances), Stage.INGOING)

    @classmethod
    def residual(cls, names: Iterable[str]) -> Regulates:
        """Substances as a laboratory finds them; ``nitrite`` and ``nitrate`` stand for their salts."""
        return cls(frozenset(salt for name in names for salt in BY_ION.get(name, (name,))), Stage.RESIDUAL)


COMPOSITION = Regulates()
"""What regulates no substance."""
