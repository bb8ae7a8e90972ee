"""The range of a requirement's figure when every weight is only known within the scale's tolerance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from constraints.formula import Batch
from constraints.ingredients import Ingredient
from constraints.limits import Either, Worst
from constraints.quantities import in_one_kg
from constraints.requirement import Ratio, Requirement

_ZERO = Fraction(0)


def corners(
    requirement: Requirement, batch: Batch, tolerance_kg: Mapping[Ingredient, Fraction]
) -> tuple[Batch, ...] | None:
    """Batches within tolerance on which the figure is smallest and largest; of several ratios, each one's.

    None where a divisor can be zero, so that nothing is known; empty where there is nothing to divide by, or no ratio.

    A ratio of linear forms over a box takes its extremes at corners. Starting from any figure, moving every weight
    to the end that pushes ``over - figure * under`` further and taking the new figure ends at the extreme
    (Dinkelbach, Management Science 13, 1967, 492-498).
    """
    plain = requirement.on_paper
    ratios = plain.parts if isinstance(plain, Worst | Either) else (plain,)
    found: list[Batch] = []
    for ratio in ratios:
        if not isinstance(ratio, Ratio):
            return ()
        terms = [
            (
                ratio.scale * in_one_kg(ratio.over, item, batch.process),
                in_one_kg(ratio.under, item, batch.process),
                max(kg - tolerance_kg.get(item, _ZERO), _ZERO),
                kg + tolerance_kg.get(item, _ZERO),
            )
            for item, kg in batch.kilograms.items()
        ]
        if not any(under * hi for _, under, _, hi in terms):
            continue
        if sum((min(under * lo, under * hi) for _, under, lo, hi in terms), _ZERO) <= 0:
            return None
        for sign in (-1, 1):
            weights = dict(zip(batch.kilograms, _corner(terms, sign), strict=True))
            found.append(replace(batch, kilograms=weights))
    return tuple(found)


def _corner(terms: list[tuple[Fraction, Fraction, Fraction, Fraction]], sign: int) -> list[Fraction]:
    best = [lo for _, _, lo, _ in terms]
    figure = _ratio(terms, best)
    while True:
        chosen = [hi if sign * (over - figure * under) > 0 else lo for over, under, lo, hi in terms]
        better = _ratio(terms, chosen)
        if sign * (better - figure) <= 0:
            return best
        best, figure = chosen, better


def _ratio(terms: list[tuple[Fraction, Fraction, Fraction, Fraction]], weights: list[Fraction]) -> Fraction:
    over = sum((term[0] * kg for term, kg in zip(terms, weights, strict=True)), _ZERO)
    under = sum((term[1] * kg for term, kg in zip(terms, weights, strict=True)), _ZERO)
    return over / under
