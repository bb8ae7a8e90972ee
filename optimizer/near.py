"""Near-cheapest choices within a premium: fewest lots, most dying trim, or the middle of the fat band.

The cheapest cost is found first. Then the wish is made as large as the premium allows, held there as a requirement like
any other, and the cheapest batch that grants it is sought, weighed out and checked the usual way.
"""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from constraints.as_typed import ONE, PERCENT, ZERO, refuse
from constraints.asked import Opened
from constraints.formula import Batch, Formula
from constraints.quantities import FAT, Amount, Basis, Ingredient, Lot
from constraints.requirement import Measurement, Origin, Requirement
from constraints.row import Row
from optimizer.answer import Answer, Status, blend
from optimizer.bench import Bench, extreme
from optimizer.clock import OutOfTime
from optimizer.order import Near, Step, Wish
from optimizer.problem import Problem, dying
from optimizer.solver.optimum import Unsettled
from optimizer.solver.program import ColumnKind, Variable
from optimizer.solver.session import ALL

_FAT = tuple(Amount(FAT, basis) for basis in Basis)
_WISHED = Origin("preference", "your wish")
_LEVELS = (Fraction(1, 4), Fraction(1, 2), Fraction(1))
"""Parts of the premium at which the trade-off is shown, beside the cheapest itself."""
_ROOM = Fraction(1, 50)
"""Room about the fat aimed at for whole scale divisions, percentage points; common practice, no source."""
_ROOMS = (1, 4, 16)
"""The room is made so many times as large, one after the other, until there is a batch on the scales: several mixer
loads, each within the limits, need more of it."""


class Summed(Requirement):
    """A sum over all that goes in: so much for a kilogram of ``each`` item."""

    each: Callable[[Ingredient], Fraction]

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """What a kilogram of each column counts, with what it carries."""
        each, carried = self.each, formula.carried
        coefs = (sum((each(item) * share for item, share in carried(c)), each(c)) for c in formula.columns)
        return (Row(self.what, tuple(coefs), self.lo, self.hi),)

    def figure(self, batch: Batch) -> Measurement:
        """The sum of everything that goes in."""
        value = sum((self.each(item) * kg for item, kg in batch.kilograms.items()), ZERO)
        return Measurement(self, value, self.within(value))


USUAL_PREMIUM_PCT = ONE
"""How much dearer a batch may be where nothing is said, %; common practice, no source."""


def near_cheapest(problem: Problem, wish: Wish, asked_pct: Fraction | None = None) -> Answer:
    """The batch that grants the wish most within a premium over the cheapest, and the trade-off up to it.

    Of a band of sizes as much is made as the dying lots allow, whatever it costs, unless a premium is asked for: then
    the premium is what that took. Raises BadInput where the wish has no meaning for this batch: no next chance given,
    or no band of fat.
    """
    _meaningful(problem, wish)
    premium_pct = USUAL_PREMIUM_PCT if asked_pct is None else asked_pct
    base = blend(problem)
    if base.weighed is None or base.optimum is None or base.certificate is None:
        return replace(base, near=Near(wish, premium_pct, ZERO, ()))
    cheapest = base.optimum.cost
    order = replace(problem.order, imposed=base.kept, tidy=None)  # what the cheapest batch keeps of it, all keep
    problem = replace(problem, order=order)
    whatever = bool(problem.order.band) and wish is Wish.MOST_DYING and asked_pct is None
    best, costs = base, [(ZERO, base.certificate.cost, wish_figure(base, wish))]
    for part in _LEVELS[-1:] if whatever else _LEVELS:
        most = None if whatever else cheapest + abs(cheapest) * premium_pct * part / PERCENT
        try:
            found = _granted(problem, wish, most)
        except (OutOfTime, Unsettled):
            break
        if found is not None and found.certificate is not None and _better(found, best, wish):
            best = found
        assert best.certificate is not None
        costs.append((premium_pct * part, best.certificate.cost, wish_figure(best, wish)))
    if whatever:
        costs = [(PERCENT * (cost - cheapest) / abs(cheapest or ONE), cost, figure) for _, cost, figure in costs]
        premium_pct = costs[-1][0]
    named = replace(best.problem, order=replace(best.problem.order, tidy=base.problem.order.tidy))
    best = replace(best, problem=named, kept=base.kept, tidy_price=base.tidy_price)
    steps = tuple(Step(premium_pct=premium, cost=cost, figure=figure) for premium, cost, figure in costs)
    return replace(best, near=Near(wish, premium_pct, cheapest, steps))


def _counting(problem: Problem, wish: Wish) -> Requirement:
    """What counts the wish's figure; of the middle the band, about which it is to be."""
    if wish is Wish.FEWEST_LOTS:
        return Opened(what="number of lots", basis="meat block", unit="", origin=_WISHED)
    if wish is Wish.MOST_DYING:
        dying_lots: dict[Ingredient, Fraction] = {lot: lot.held_kg(ONE) for lot in _dying(problem)}
        return Summed(
            what="dying trim used", basis="lots as held", unit="kg", origin=_WISHED,
            each=lambda item: dying_lots.get(item, ZERO),
        )  # fmt: skip
    band = _fat_band(problem)
    assert band is not None
    return band


def wish_figure(answer: Answer, wish: Wish) -> Fraction:
    """The wish's figure on a weighed batch: lots, kilograms of dying trim, or points off the middle of the band."""
    counting = _counting(answer.problem, wish)
    assert answer.weighed is not None
    value = counting.measure(answer.weighed.total).value
    assert value is not None
    return abs(value - _middle(counting)) if wish is Wish.MIDDLE else value


def _better(found: Answer, best: Answer, wish: Wish) -> bool:
    new, old = wish_figure(found, wish), wish_figure(best, wish)
    return new > old if wish is Wish.MOST_DYING else new < old


def _meaningful(problem: Problem, wish: Wish) -> None:
    if wish is Wish.MOST_DYING and problem.order.next_chance is None:
        refuse("--prefer", "most-dying without a next chance", "give --next-chance")
    if wish is Wish.MIDDLE and _fat_band(problem) is None:
        refuse(problem.recipe.file, "middle of the fat band without a band", "a target or a band of fat")


def _dying(problem: Problem) -> list[Lot]:
    return [lot for lot in problem.formula.lots if isinstance(lot, Lot) and dying(lot, problem.order)]


def _fat_band(problem: Problem) -> Requirement | None:
    banded = (r for r in problem.recipe.requirements if r.lo is not None and r.hi is not None)
    return next((r for r in banded if r.counted in _FAT), None)


def _middle(band: Requirement) -> Fraction:
    return ((band.lo or ZERO) + (band.hi or ZERO)) / 2


def _granted(problem: Problem, wish: Wish, most: Fraction | None) -> Answer | None:
    """The cheapest batch that grants the wish as far as a cost of ``most`` allows; None: any cost."""
    if most is not None:
        cap = Summed(
            what="cost as minimised", basis="whole batch", unit="", origin=_WISHED, hi=most,
            each=lambda item: item.cost_per_kg,
        )  # fmt: skip
        problem = replace(problem, requirements=(*problem.requirements, cap))
    counting = _counting(problem, wish)
    wished = _best_wish(problem, wish, counting)
    for room in () if wished is None else _ROOMS[:1] if wish is Wish.FEWEST_LOTS else _ROOMS:
        held = _held_wish(problem, wish, counting, wished or ZERO, room)
        found = blend(replace(problem, requirements=(*problem.requirements, held)))
        if found.status in (Status.OPTIMAL, Status.TIME_LIMIT) and found.weighed is not None:
            return found
    return None


def _best_wish(within: Problem, wish: Wish, counting: Requirement) -> Fraction | None:
    """The wish's figure at its best, before rounding; None where nothing is found."""
    if wish is Wish.FEWEST_LOTS:  # with a limit that does not bind every lot's use is counted
        unbound = replace(counting, hi=Fraction(len(within.formula.lots)))
        within = replace(within, requirements=(*within.requirements, unbound))
    bench = Bench(within)
    if wish is Wish.FEWEST_LOTS:
        aim = {k: ONE for k, v in enumerate(bench.kept.variables) if v.kind is ColumnKind.USED}
    elif wish is Wish.MOST_DYING:
        (row,) = counting.rows(within.formula)
        aim = dict(row.over(bench.layout.units[: len(row.coefs)]).terms)
    else:
        aim = {_off_middle(bench, within, counting): ONE}
    return extreme(bench.kept, aim, None, -1 if wish is Wish.MOST_DYING else 1, ALL)[0]


def _off_middle(bench: Bench, problem: Problem, band: Requirement) -> int:
    """A variable for points off the middle of the band: t with ``|over - middle * under| <= t * weight ordered``."""
    over, under = band.terms(problem.formula) or ((), None)
    assert under is not None
    (t,) = bench.kept.add_columns([(Variable("off", ZERO, ZERO, Fraction(PERCENT)), {})])
    middle, weight = _middle(band), problem.order.kilograms
    off = {j: (a - middle * b) * u for j, (a, b, u) in enumerate(zip(over, under, bench.layout.units, strict=True))}
    bench.kept.add_row(Row.of("above", {**off, t: -weight}, None, ZERO))
    bench.kept.add_row(Row.of("below", {**off, t: weight}, ZERO, None))
    return t


def _held_wish(problem: Problem, wish: Wish, counting: Requirement, best: Fraction, room: int) -> Requirement:
    """The wish held at its best as a requirement, with so many times the usual room for whole scale divisions."""
    if wish is Wish.FEWEST_LOTS:
        return replace(counting, hi=best)
    if wish is Wish.MOST_DYING:
        less = room * problem.order.meat_division_kg * len(_dying(problem))
        return replace(counting, lo=max(best - less, ZERO))
    off = best + room * _ROOM
    return replace(counting, lo=_middle(counting) - off, hi=_middle(counting) + off)
