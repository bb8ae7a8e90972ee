"""Near-cheapest choices within a premium: fewest lots, most dying trim, or the middle of the fat band.

The cheapest cost is found first. Then the wish is made as large as the premium allows, held there as a requirement like
any other, and the cheapest batch that grants it is sought, weighed out and checked the usual way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor

from constraints.faults import BadInput, Fault
from constraints.formula import Batch, Formula
from constraints.ingredients import FAT, Ingredient, Lot
from constraints.numbers import PERCENT
from constraints.quantities import Amount, Basis
from constraints.requirement import Origin, Requirement, Verdict, widened
from constraints.row import Row
from constraints.stock import MostLots
from optimizer.answer import Answer, Status, blend
from optimizer.clock import OutOfTime
from optimizer.problem import Problem, dying, rows_of
from optimizer.solver.model import ColumnKind, Program, Variable
from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import Layout, build, choices_of, holds_of, layout_of, value_per_kg
from optimizer.wish import Near, Step, Wish

_ZERO = Fraction(0)
_FAT = tuple(Amount(FAT, basis) for basis in Basis)
_ONE = Fraction(1)
_LEVELS = (Fraction(1, 4), Fraction(1, 2), Fraction(1))
"""Parts of the premium at which the trade-off is shown, beside the cheapest itself."""
_ROOM = Fraction(1, 50)
"""Room about the fat aimed at for whole scale divisions, percentage points; common practice, no source."""
_ROOMS = (1, 4, 16)
"""The room is made so many times as large, one after the other, until there is a batch on the scales: several mixer
loads, each within the limits, need more of it."""


@dataclass(frozen=True, kw_only=True)
class CostCap(Requirement):
    """The batch costs at most ``hi``, as minimised."""

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """Cost of each column with what it carries."""
        return (Row("cost", tuple(value_per_kg(formula, column) for column in formula.columns), hi=self.hi),)

    def measure(self, batch: Batch) -> Verdict:
        """Cost of everything that goes in."""
        cost = sum((item.cost_per_kg * kg for item, kg in batch.kilograms.items()), _ZERO)
        return Verdict(self, cost, self.within(cost))


@dataclass(frozen=True, kw_only=True)
class Dying(Requirement):
    """At least ``lo`` kilograms, as held, of the lots that die before the next chance."""

    lots: tuple[Ingredient, ...]

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """Kilograms as held of each dying lot."""
        coefs = tuple(_held(column) if column in self.lots else _ZERO for column in formula.columns)
        return (Row("dying trim", coefs, lo=self.lo),)

    def measure(self, batch: Batch) -> Verdict:
        """Kilograms as held of the dying lots."""
        used = sum((kg * _held(item) for item, kg in batch.kilograms.items() if item in self.lots), _ZERO)
        return Verdict(self, used, self.within(used))


def _held(item: Ingredient) -> Fraction:
    return item.held_kg(_ONE) if isinstance(item, Lot) else _ZERO


USUAL_PREMIUM_PCT = _ONE
"""How much dearer a batch may be where nothing is said, %; common practice, no source."""


def near_cheapest(problem: Problem, wish: Wish, asked_pct: Fraction | None = None) -> Answer:
    """The batch that grants the wish most within a premium over the cheapest, and the trade-off up to it.

    Of a band of sizes as much is made as the dying lots allow, whatever it costs, unless a premium is asked for.
    Raises BadInput where the wish has no meaning for this batch: no next chance given, or no band of fat.
    """
    _meaningful(problem, wish)
    premium_pct = USUAL_PREMIUM_PCT if asked_pct is None else asked_pct
    base = blend(problem)
    if base.weighed is None or base.optimum is None or base.certificate is None:
        return replace(base, near=Near(wish, premium_pct, _ZERO, ()))
    cheapest = base.optimum.cost
    order = replace(problem.order, imposed=base.kept, tidy=None)  # what the cheapest batch keeps of it, all keep
    problem = replace(problem, order=order)
    if problem.order.band and wish is Wish.MOST_DYING and asked_pct is None:
        return _as_much_as_dies(problem, base, cheapest)
    steps = [Step(_ZERO, base.certificate.cost, figure_of(base, wish))]
    best = base
    for part in _LEVELS:
        premium = premium_pct * part
        try:
            found = _granted(problem, wish, cheapest + abs(cheapest) * premium / PERCENT)
        except OutOfTime:
            break
        if found is not None and found.certificate is not None and _better(found, best, wish):
            best = found
        assert best.certificate is not None
        steps.append(Step(premium, best.certificate.cost, figure_of(best, wish)))
    named = replace(best.problem, order=replace(best.problem.order, tidy=base.problem.order.tidy))
    best = replace(best, problem=named, kept=base.kept, tidy_price=base.tidy_price)
    return replace(best, near=Near(wish, premium_pct, cheapest, tuple(steps)))


def _as_much_as_dies(problem: Problem, base: Answer, cheapest: Fraction) -> Answer:
    """The cheapest batch of a band that uses as much of the dying lots as any does; its premium is what that took."""
    found = _granted(problem, Wish.MOST_DYING, None)
    best = base if found is None or not _better(found, base, Wish.MOST_DYING) else found
    assert base.certificate is not None and best.certificate is not None
    costs = [answer.certificate.cost for answer in (base, best) if answer.certificate is not None]
    premiums = [PERCENT * (cost - cheapest) / abs(cheapest) if cheapest else _ZERO for cost in costs]
    wished = zip(premiums, costs, (base, best), strict=True)
    steps = tuple(Step(premium, cost, figure_of(answer, Wish.MOST_DYING)) for premium, cost, answer in wished)
    return replace(best, near=Near(Wish.MOST_DYING, premiums[-1], cheapest, steps))


def figure_of(answer: Answer, wish: Wish) -> Fraction:
    """The wish's figure on a weighed batch: lots, kilograms of dying trim, or points off the middle of the band."""
    assert answer.weighed is not None
    batch = answer.weighed.total
    if wish is Wish.FEWEST_LOTS:
        return Fraction(sum(isinstance(item, Lot) for item in batch.kilograms))
    if wish is Wish.MOST_DYING:
        return sum((kg * _held(item) for item, kg in batch.kilograms.items() if item in _dying(answer.problem)), _ZERO)
    band = _fat_band(answer.problem)
    assert band is not None
    value = band.measure(batch).value
    assert value is not None
    return abs(value - _middle(band))


def _better(found: Answer, best: Answer, wish: Wish) -> bool:
    new, old = figure_of(found, wish), figure_of(best, wish)
    return new > old if wish is Wish.MOST_DYING else new < old


def _meaningful(problem: Problem, wish: Wish) -> None:
    fault = None
    if wish is Wish.MOST_DYING and problem.order.next_chance is None:
        fault = Fault("--prefer", None, None, "most-dying without a next chance", "give --next-chance")
    if wish is Wish.MIDDLE and _fat_band(problem) is None:
        fault = Fault(
            problem.recipe.file, None, None, "middle of the fat band without a band", "a target or a band of fat"
        )
    if fault is not None:
        raise BadInput([fault])


def _dying(problem: Problem) -> tuple[Ingredient, ...]:
    return tuple(lot for lot in problem.formula.lots if isinstance(lot, Lot) and dying(lot, problem.order))


def _fat_band(problem: Problem) -> Requirement | None:
    for requirement in problem.recipe.requirements:
        banded = requirement.lo is not None and requirement.hi is not None
        if banded and requirement.counted in _FAT:
            return requirement
    return None


def _middle(band: Requirement) -> Fraction:
    assert band.lo is not None and band.hi is not None
    return (band.lo + band.hi) / 2


def _granted(problem: Problem, wish: Wish, most: Fraction | None) -> Answer | None:
    """The cheapest batch that grants the wish as far as a cost of ``most`` allows; None: any cost."""
    origin = Origin("preference", "your wish")
    caps: tuple[Requirement, ...] = ()
    if most is not None:
        caps = (CostCap(what="cost as minimised", basis="whole batch", unit="", origin=origin, hi=most),)
    wished = _best_wish(replace(problem, requirements=(*problem.requirements, *caps)), wish)
    if wished is None:
        return None
    for room in _ROOMS[:1] if wish is Wish.FEWEST_LOTS else _ROOMS:
        held = _held_wish(problem, wish, wished, room, origin)
        found = blend(replace(problem, requirements=(*problem.requirements, *caps, held)))
        if found.status in (Status.OPTIMAL, Status.TIME_LIMIT) and found.weighed is not None:
            return found
    return None


def _best_wish(within: Problem, wish: Wish) -> Fraction | None:
    """The wish's figure at its best, before rounding; None where nothing is found."""
    if wish is Wish.FEWEST_LOTS:
        return _least_lots(within)
    if wish is Wish.MOST_DYING:
        return _most_dying(within, _dying(within))
    band = _fat_band(within)
    return None if band is None else _least_off(within, band)


def _held_wish(problem: Problem, wish: Wish, best: Fraction, room: int, origin: Origin) -> Requirement:
    """The wish held at its best as a requirement, with so many times the usual room for whole scale divisions."""
    if wish is Wish.FEWEST_LOTS:
        return MostLots(what="number of lots", basis="meat block", unit="", origin=origin, hi=best)
    if wish is Wish.MOST_DYING:
        lots = _dying(problem)
        less = room * problem.order.meat_division_kg * len(lots)
        lo = max(best - less, _ZERO)
        return Dying(what="dying trim used", basis="lots as held", unit="kg", origin=origin, lo=lo, lots=lots)
    band = _fat_band(problem)
    assert band is not None
    off = best + room * _ROOM
    return widened(band, _middle(band) - off, _middle(band) + off)


def _solved(layout: Layout, costs: Sequence[Fraction], problem: Problem) -> Fraction | None:
    """The least value of other costs over a program, or None where it has no point."""
    variables = tuple(replace(v, cost=c) for v, c in zip(layout.program.variables, costs, strict=True))
    found = optimise(
        Program(variables, layout.program.rows), ranks_of(problem.formula.columns)
    )  # fmt: skip
    return found.cost if found.values else None


def _least_lots(problem: Problem) -> Fraction | None:
    formula = problem.formula
    counted = tuple(_ONE if isinstance(column, Lot) else _ZERO for column in formula.columns)
    every = Row("lots used", counted, hi=Fraction(len(formula.lots)))
    choices = [*choices_of(problem), every]
    layout = build(formula, holds_of(problem), rows_of(problem), choices, problem.order.meat_division_kg)
    costs = [_ONE if v.kind is ColumnKind.USED else _ZERO for v in layout.program.variables]
    found = _solved(layout, costs, problem)
    return None if found is None else Fraction(floor(found + Fraction(1, 2)))


def _most_dying(problem: Problem, lots: tuple[Ingredient, ...]) -> Fraction | None:
    layout = layout_of(problem)
    columns = problem.formula.columns
    costs = [
        -_held(columns[j]) * layout.units[j] if j < len(columns) and columns[j] in lots else _ZERO
        for j in range(len(layout.program.variables))
    ]
    found = _solved(layout, costs, problem)
    return None if found is None else -found


def _least_off(problem: Problem, band: Requirement) -> Fraction | None:
    """Points off the middle of the band at best: the least t with ``|over - middle * under| <= t * weight ordered``."""
    over, under = band.terms(problem.formula) or ((), None)
    assert under is not None
    middle = _middle(band)
    layout = layout_of(problem)
    size, weight = len(layout.program.variables), problem.order.kilograms
    parts = enumerate(zip(over, under, layout.units, strict=True))
    off = {j: (a - middle * b) * unit for j, (a, b, unit) in parts}
    rows = (Row.of("above", {**off, size: -weight}, None, _ZERO), Row.of("below", {**off, size: weight}, _ZERO, None))
    variables = (*layout.program.variables, Variable("off", _ONE, _ZERO, Fraction(PERCENT)))
    wider = Layout(Program(variables, (*layout.program.rows, *rows)), layout.units)
    return _solved(wider, [*([_ZERO] * size), _ONE], problem)
