"""Exchanging single divisions between lots until a rounded batch keeps its limits: a guess, checked exactly later."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, TypeAlias

import numpy as np

from optimizer.solver.program import uses
from optimizer.weighing.weighable import WeighedLimit, Weighing

Floats: TypeAlias = "np.ndarray[Any, np.dtype[np.float64]]"
_NOTHING = 1e-9
"""Part of a limit, in kilograms of the column that counts most, that is nothing."""
_MOST = 12
"""Exchanges made at most."""


@dataclass(frozen=True)
class Lines:
    """Limits as rows over the columns of a formula: coefficients (rows x columns) a kilogram, no limit is inf."""

    coefs: Floats
    lo: Floats
    hi: Floats

    @classmethod
    def of(cls, limits: Sequence[WeighedLimit], loads: int) -> Lines:
        """Limits on so many loads together, with every addition at its exact dose."""
        times = [1 if limit.whole else loads for limit in limits]
        lo, hi = (
            np.array([none if n is None else float(n * k) for n, k in zip(ends, times, strict=True)])
            for none, ends in ((-np.inf, [limit.lo for limit in limits]), (np.inf, [limit.hi for limit in limits]))
        )
        return cls(np.array([[float(a) for a in limit.exact] for limit in limits]), lo, hi)


def exchanged(plan: Weighing, kilograms: Sequence[Fraction], lines: Lines, room: Fraction) -> list[Fraction] | None:
    """Kilograms of the columns of a batch in one load after exchanges; it may still break a limit by its additions.

    Every exchange is the one that leaves least over the limits, among equals the cheapest. ``room`` is what is left
    free of every limit for the rounding of the additions, kilograms of the column that counts most in it. None where
    nothing holds without any.
    """
    counted, _ = uses(plan.choices, len(plan.holds))
    spans = {j: h.span(plan.unit(j)) for j, h in enumerate(plan.holds) if h.step is None and not h.must}
    loose = [j for j, span in spans.items() if j not in counted and kilograms[j] <= span.hi * plan.unit(j)]
    units = np.array([float(plan.unit(j)) for j in loose])
    weights = np.array([float(kg) for kg in kilograms])
    largest = np.abs(lines.coefs).max(axis=1, initial=0.0)
    rows = lines.coefs[largest > 0] / largest[largest > 0, None]
    lo, hi = lines.lo[largest > 0] / largest[largest > 0], lines.hi[largest > 0] / largest[largest > 0]
    counts, value = weights[loose] / units, rows @ weights
    pulls = np.array([float(spans[j].lo) if spans[j].lo > 1 else 0.0 for j in loose])
    least = np.where(counts > 0, pulls, 0.0)  # what is in stays in, what is out stays out, where a pull is not small
    most = np.where((counts > 0) | (pulls == 0), np.array([float(spans[j].hi) for j in loose]), 0.0)
    cost = np.array([float(plan.cost(j)) for j in loose])
    search = _Search(rows[:, loose] * units, (lo + float(room), hi - float(room)), (least, most), cost)
    # Lots that are in already come first: a few grams of one more lot are a nuisance.
    for open_ in (counts > 0, np.ones(len(loose), dtype=bool)):
        counts, value = search.run(counts, value, open_)
        if not search.off(value):
            break
    if not room and search.off(value) > _NOTHING:
        return None
    moved = list(kilograms)
    for j, count in zip(loose, counts, strict=True):
        moved[j] = round(count) * plan.unit(j)
    return moved


class _Search:
    """The search over counts of divisions; ``steps`` is what one division of each column changes in each limit."""

    def __init__(
        self, steps: Floats, limits: tuple[Floats, Floats], counts: tuple[Floats, Floats], cost: Floats
    ) -> None:
        (self.lo, self.hi), (self.least, self.most) = limits, counts
        # The last place stands for nothing at all: a division more or less instead of an exchange.
        self.steps = np.hstack([steps, np.zeros((len(steps), 1))])
        self.cost = np.append(cost, 0.0)

    def off(self, value: Floats) -> float:
        """By how much figures are outside their limits, all together."""
        return float(_off(value, self.lo, self.hi).sum())

    def run(self, counts: Floats, value: Floats, open_: Any) -> tuple[Floats, Floats]:
        """Exchange until nothing is outside its limits or nothing gets better; only what is open goes up."""
        nothing = len(counts)
        for _ in range(_MOST):
            now = self.off(value)
            if not now:
                break
            give = np.append(np.flatnonzero(counts >= self.least + 1), nothing)
            take = np.append(np.flatnonzero((counts + 1 <= self.most) & open_), nothing)
            after = value[:, None, None] + self.steps[:, None, take] - self.steps[:, give, None]
            left = _off(after, self.lo[:, None, None], self.hi[:, None, None]).sum(axis=0).ravel()
            money = (self.cost[take][None, :] - self.cost[give][:, None]).ravel()
            best = np.lexsort((money, np.round(left, 12)))[0]
            if left[best] >= now:
                break
            a, b = give[best // len(take)], take[best % len(take)]
            value = value + self.steps[:, b] - self.steps[:, a]
            counts = counts + (np.arange(nothing) == b) - (np.arange(nothing) == a)
        return counts, value


def _off(value: Floats, lo: Floats, hi: Floats) -> Floats:
    """By how much figures are outside their limits."""
    off: Floats = np.maximum(lo - value, 0.0) + np.maximum(value - hi, 0.0)
    return off
