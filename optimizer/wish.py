"""What to look for among the near-cheapest batches, and what it costs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from constraints.faults import BadInput, Fault, meant


class Wish(StrEnum):
    """What to look for among the near-cheapest batches."""

    FEWEST_LOTS = "fewest-lots"
    MOST_DYING = "most-dying"
    MIDDLE = "middle"

    @property
    def places(self) -> int:
        """Decimals that its figure is shown with."""
        return 0 if self is Wish.FEWEST_LOTS else 3

    @property
    def words(self) -> str:
        """The wish in words, with what its figure counts."""
        return {
            "fewest-lots": "fewest lots",
            "most-dying": "most dying trim, kg as held",
            "middle": "closest to the middle of the fat band, points off",
        }[self.value]


def wish_named(name: str) -> Wish:
    """The wish of that name. Raises BadInput, with the nearest one, where there is none."""
    if name in set(Wish):
        return Wish(name)
    hint = meant(name, list(Wish), f"one of {', '.join(Wish)}")
    raise BadInput([Fault("--prefer", None, None, f"{name!r} is not a wish", hint)])


@dataclass(frozen=True)
class Step:
    """One line of the trade-off: the premium allowed (%), the weighed batch's cost, and the wish's figure."""

    premium_pct: Fraction
    cost: Fraction
    figure: Fraction


@dataclass(frozen=True)
class Near:
    """What was wished for within a premium, and the trade-off up to it; ``cheapest`` is the cost before the scales."""

    wish: Wish
    premium_pct: Fraction
    cheapest: Fraction
    steps: tuple[Step, ...]
