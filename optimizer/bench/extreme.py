"""The smallest or largest figure over a program: a sum of the variables, or one sum over another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

import numpy as np

from optimizer.solver.kept import Kept
from optimizer.solver.model import SolverDisagrees

_ZERO = Fraction(0)
_ONE = Fraction(1)
_TURNS = 60
_CLOSE = 1e-11
MANY = 60
"""Whole numbers above which a figure near to the best without them is good enough."""
_NEAR = Fraction(1, 1000)
"""How near, as a share of the figure; a concession is told to a tenth of a percent or so."""

Part = Mapping[int, Fraction]
"""A sum: so much per unit of each variable."""


def extreme(kept: Kept, over: Part, under: Part | None, sign: int) -> tuple[Fraction | None, bool]:
    """The smallest (``sign`` 1) or largest (-1) figure, and whether it is sure; None where there is no point.

    A ratio is made small by solving for ``over - figure * under`` with ever better figures (Dinkelbach, Management
    Science 13, 1967, 492-498), in floating point first and then exactly. None too where the best point has nothing to
    divide by. The costs are others afterwards. Raises Unsettled where whole numbers leave it open.
    """
    figure = loose(kept, over, under, sign)
    return (figure, True) if figure is None or not kept.counted else _in_whole(kept, over, under, sign, figure)


def figure_of(over: Part, under: Part | None, values: Sequence[Fraction]) -> Fraction | None:
    """The figure of a point; None where there is nothing to divide by."""
    top = sum((a * values[j] for j, a in over.items() if values[j]), _ZERO)
    if under is None:
        return top
    bottom = sum((a * values[j] for j, a in under.items() if values[j]), _ZERO)
    return top / bottom if bottom > 0 else None


def loose(kept: Kept, over: Part, under: Part | None, sign: int) -> Fraction | None:
    """The extreme figure with whole numbers left aside, exact."""
    value = _about(kept, over, under, sign)
    kept.aim(_drawn(over, under, Fraction(value or 0), sign))
    kept.guess()
    here = kept.stand() if value is not None else ()
    figure = figure_of(over, under, here) if here else None
    for _ in range(_TURNS):
        kept.aim(_drawn(over, under, figure or _ZERO, sign))
        found = kept.settle()
        if found is None:
            return None
        if figure is not None and found.cost == (0 if under else sign * figure):
            return figure
        figure = figure_of(over, under, found.values)
        if figure is None:
            return None
    raise SolverDisagrees("the nearest figure could not be settled")


def _about(kept: Kept, over: Part, under: Part | None, sign: int) -> float | None:
    """The extreme figure in floating point; None where the solver finds no point or nothing to divide by."""
    size = len(kept.variables)
    top, bottom = np.zeros(size), np.zeros(size)
    for into, part in ((top, over), (bottom, under or {})):
        for j, a in part.items():
            into[j] = float(a)
    value: float | None = None
    for _ in range(_TURNS):
        kept.aim_about(sign * (top - (value or 0.0) * bottom))
        x = np.array(kept.guess())
        below = 1.0 if under is None else float(bottom @ x) if len(x) else 0.0
        if not len(x) or below <= 0:
            return None
        figure = float(top @ x) / below
        if value is not None and sign * (figure - value) >= -_CLOSE * max(1.0, abs(value)):
            break
        value = figure
    return value


def _in_whole(kept: Kept, over: Part, under: Part | None, sign: int, bound: Fraction) -> tuple[Fraction | None, bool]:
    """The extreme figure in whole numbers, from the one without them on; none can be better than that.

    With many whole numbers a figure very near to it is not made better.
    """
    best: Fraction | None = None
    aimed, sure = bound, True
    for _ in range(_TURNS):
        kept.aim(_drawn(over, under, aimed, sign))
        values = kept.best()
        sure = kept.certain
        found = figure_of(over, under, values) if values else None
        if found is None or (best is not None and sign * (found - best) >= 0):
            break
        best = aimed = found
        near = len(kept.counted) > MANY and abs(best - bound) <= _NEAR * max(_ONE, abs(bound))
        if under is None or best == bound or near:
            break
    return best, sure


def _drawn(over: Part, under: Part | None, figure: Fraction, sign: int) -> dict[int, Fraction]:
    """The costs ``sign * (over - figure * under)``."""
    if under is None:
        return {j: sign * a for j, a in over.items()}
    return {j: sign * (over.get(j, _ZERO) - figure * under.get(j, _ZERO)) for j in {*over, *under}}
