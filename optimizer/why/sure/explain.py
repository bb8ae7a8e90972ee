"""Everything said of one batch whose limits are kept with a stated confidence, within the time there is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction

from optimizer.problem import Problem
from optimizer.solver.model import SolverDisagrees
from optimizer.why.limits import LimitPrice, Margin
from optimizer.why.lots import LotPrice
from optimizer.why.sure.limits import SureGround, sure_ground, sure_limits
from optimizer.why.sure.lots import lots_of, sure_lot
from optimizer.why.unfinished import Part, Unfinished, named


@dataclass(frozen=True)
class SurePrices:
    """The ground with its prices; ``unfinished`` names what time did not allow."""

    ground: SureGround
    limits: tuple[LimitPrice, ...]
    margins: tuple[Margin, ...]
    lots: tuple[LotPrice, ...]
    unfinished: tuple[Unfinished, ...]


@contextmanager
def settled(unfinished: list[Unfinished], part: Part, what: str) -> Iterator[None]:
    """Name what time did not allow or what could not be settled; the batch itself stands all the same."""
    with named(unfinished, part, what):
        try:
            yield
        except SolverDisagrees:
            unfinished.append(Unfinished(part, what, time=False))


def sure_prices(problem: Problem, values: Sequence[Fraction]) -> SurePrices | None:
    """The prices of a batch; None where it has no ground."""
    ground = sure_ground(problem, values)
    if ground is None:
        return None
    unfinished: list[Unfinished] = []
    limits: tuple[LimitPrice, ...] = ()
    margins: tuple[Margin, ...] = ()
    lots: list[LotPrice] = []
    with settled(unfinished, Part.PRICES, "what each requirement costs"):
        limits, margins = sure_limits(ground)
    for j, lot in lots_of(ground):
        with settled(unfinished, Part.LOTS, f"the price of {lot.name}"):
            lots.append(sure_lot(ground, j, lot))
    lots.sort(key=lambda lot: (not lot.used_kg, lot.lot.name))
    return SurePrices(ground, limits, margins, tuple(lots), tuple(unfinished))
