"""The range of a requirement's figure when every weight is only known within the scale's tolerance."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from constraints.formula import Batch
from constraints.ingredients import Ingredient
from constraints.requirement import Ratio, Requirement

_ZERO = Fraction(0)


def extremes(
    ratio: Requirement, batch: Batch, tolerance_kg: Mapping[Ingredient, Fraction]
) -> tuple[Fraction, Fraction] | None:
    """Smallest and largest figure over all weights within tolerance, exact.

    None where the divisor can be zero, or the requirement is no ratio.

    A ratio of linear forms over a box takes its extremes at corners. Starting from any figure, moving every weight
    to the end that pushes ``over - figure * under`` further and taking the new figure ends at the extreme
    (Dinkelbach, Management Science 13, 1967, 492-498).
    """
    if not isinstance(ratio, Ratio):
        return None
    terms = [
        (
            ratio.scale * ratio.over.per_kg(item, batch.process),
            ratio.under.per_kg(item, batch.process),
            max(kg - tolerance_kg.get(item, _ZERO), _ZERO),
            kg + tolerance_kg.get(item, _ZERO),
        )
        for item, kg in batch.kilograms.items()
    ]
    if sum((min(under * lo, under * hi) for _, under, lo, hi in terms), _ZERO) <= 0:
        return None
    low, high = _corner(terms, -1), _corner(terms, 1)
    return low, high


def _corner(terms: list[tuple[Fraction, Fraction, Fraction, Fraction]], sign: int) -> Fraction:
    figure = _ratio([(over, under, lo) for over, under, lo, _ in terms])
    while True:
        chosen = [
            (over, under, hi if sign * (over - figure * under) > 0 else lo) for over, under, lo, hi in terms
        ]  # fmt: skip
        better = _ratio(chosen)
        if sign * (better - figure) <= 0:
            return figure
        figure = better


def _ratio(chosen: list[tuple[Fraction, Fraction, Fraction]]) -> Fraction:
    over = sum((a * kg for a, _, kg in chosen), _ZERO)
    under = sum((b * kg for _, b, kg in chosen), _ZERO)
    return over / under
