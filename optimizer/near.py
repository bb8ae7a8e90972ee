"""Near-cheapest choices within a premium: fewest lots, most dying trim, or the middle of the fat band.

The cheapest cost is found first. Then the wish is made as large as the premium allows, held there as a requirement like
any other, and the cheapest batch that grants it is sought, weighed out and checked the usual way.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.asked import Opened
from constraints.faults import BadInput, Fault
from constraints.formula import Batch, Formula
from constraints.numbers import PERCENT
from constraints.quantities import FAT, Amount, Basis, Ingredient, Lot
from constraints.requirement import Measurement, Origin, Requirement
from constraints.row import Row
from optimizer.answer import Answer, Status, blend
from optimizer.bench import Bench, extreme
from optimizer.clock import OutOfTime
from optimizer.order import Near, Step, Wish
from optimizer.problem import Problem, dying
from optimizer.solver.kept import Unsettled, searching
from optimizer.solver.model import ColumnKind, Variable
from optimizer.solver.program import value_per_kg
from optimizer.solver.session import ALL

_ZERO = Fraction(0)
_FAT = tuple(Amount(FAT, basis) for basis in Basis)
_ONE = Fraction(1)
_WISHED = Origin("preference", "your wish")
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

    def measure(self, batch: Batch) -> Measurement:
        """Cost of everything that goes in."""
        cost = sum((item.cost_per_kg * kg for item, kg in batch.kilograms.items()), _ZERO)
        return Measurement(self, cost, self.within(cost))


@dataclass(frozen=True, kw_only=True)
class UseDying(Requirement):
    """At least ``lo`` kilograms, as held, of the lots that die before the next chance."""

    lots: tuple[Ingredient, ...]

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """Kilograms as held of each dying lot."""
        coefs = tuple(_held(column) if column in self.lots else _ZERO for column in formula.columns)
        return (Row("dying trim", coefs, lo=self.lo),)

    def measure(self, batch: Batch) -> Measurement:
        """Kilograms as held of the dying lots."""
        used = sum((kg * _held(item) for item, kg in batch.kilograms.items() if item in self.lots), _ZERO)
        return Measurement(self, used, self.within(used))


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
        except (OutOfTime, Unsettled):
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
    found = None
    with suppress(OutOfTime, Unsettled):
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
    caps: tuple[Requirement, ...] = ()
    if most is not None:
        caps = (CostCap(what="cost as minimised", basis="whole batch", unit="", origin=_WISHED, hi=most),)
    wished = _best_wish(replace(problem, requirements=(*problem.requirements, *caps)), wish)
    if wished is None:
        return None
    for room in _ROOMS[:1] if wish is Wish.FEWEST_LOTS else _ROOMS:
        held = _held_wish(problem, wish, wished, room)
        found = blend(replace(problem, requirements=(*problem.requirements, *caps, held)))
        if found.status in (Status.OPTIMAL, Status.TIME_LIMIT) and found.weighed is not None:
            return found
    return None


def _best_wish(within: Problem, wish: Wish) -> Fraction | None:
    """The wish's figure at its best, before rounding; None where nothing is found."""
    if wish is Wish.FEWEST_LOTS:  # with a limit that does not bind every lot's use is counted
        within = replace(within, requirements=(*within.requirements, _most_lots(Fraction(len(within.formula.lots)))))
    bench = Bench(within)
    kept, units, columns = bench.kept, bench.layout.units, within.formula.columns
    if wish is Wish.FEWEST_LOTS:
        aim = {k: _ONE for k, v in enumerate(kept.variables) if v.kind is ColumnKind.USED}
    elif wish is Wish.MOST_DYING:
        aim = {j: _held(columns[j]) * units[j] for j in range(len(columns)) if columns[j] in _dying(within)}
    else:
        aim = {_off_middle(bench, within): _ONE}
    with searching(kept, ALL):
        return extreme(kept, aim, None, -1 if wish is Wish.MOST_DYING else 1)[0]


def _off_middle(bench: Bench, problem: Problem) -> int:
    """A variable for points off the middle of the band: t with ``|over - middle * under| <= t * weight ordered``."""
    band = _fat_band(problem)
    assert band is not None
    over, under = band.terms(problem.formula) or ((), None)
    assert under is not None
    (t,) = bench.kept.add_columns([(Variable("off", _ZERO, _ZERO, Fraction(PERCENT)), {})])
    middle, weight = _middle(band), problem.order.kilograms
    off = {j: (a - middle * b) * u for j, (a, b, u) in enumerate(zip(over, under, bench.layout.units, strict=True))}
    bench.kept.add_row(Row.of("above", {**off, t: -weight}, None, _ZERO))
    bench.kept.add_row(Row.of("below", {**off, t: weight}, _ZERO, None))
    return t


def _most_lots(most: Fraction) -> Requirement:
    return Opened(what="number of lots", basis="meat block", unit="", origin=_WISHED, hi=most)


def _held_wish(problem: Problem, wish: Wish, best: Fraction, room: int) -> Requirement:
    """The wish held at its best as a requirement, with so many times the usual room for whole scale divisions."""
    if wish is Wish.FEWEST_LOTS:
        return _most_lots(best)
    if wish is Wish.MOST_DYING:
        lots = _dying(problem)
        less = room * problem.order.meat_division_kg * len(lots)
        lo = max(best - less, _ZERO)
        return UseDying(what="dying trim used", basis="lots as held", unit="kg", origin=_WISHED, lo=lo, lots=lots)
    band = _fat_band(problem)
    assert band is not None
    off = best + room * _ROOM
    return replace(band, lo=_middle(band) - off, hi=_middle(band) + off)
