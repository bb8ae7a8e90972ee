"""What a lot is worth: the price at which it enters or drops out, and the prices over which the blend stays the same.

The least cost as a function of one price is concave: the lowest of the lines ``cost of the others + kilograms * price``
over all batches. With ``without`` the least cost that leaves the lot out, the price at which it stops being used is the
largest ``(without - others) / kilograms`` over all batches, a ratio found by Newton's method on that lower envelope
(Dinkelbach, Management Science 13, 1967, 492-498). It ends because there are finitely many lines, and it needs nothing
but solves at changed prices, so it holds with whole packs and at degenerate batches as well. Where limits hold with a
stated confidence there are no longer finitely many lines, and a lot may enter little by little (see worth). Lots are
priced as held.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import inf
from typing import Annotated

from constraints.as_typed import ONE, ZERO
from constraints.formula import Formula
from constraints.quantities import Lot
from constraints.requirement import Hold
from optimizer.record import NAMED, Exact, key
from optimizer.solver.conic import ConicUnits
from optimizer.solver.optimum import Unsettled
from optimizer.solver.program import Program, SolverDisagrees, Variable
from optimizer.why.ground import GIVEN_UP, Ground, Means, NotSettled, Section, least_of, stock_family
from optimizer.why.moving import CLOSE, Curved, in_whole
from optimizer.why.prices import Direction, shortened, side_of

_MOST = 60
_BELOW = Fraction(1, 1000)
"""Step below the price at which a lot enters, as a share of it, at which that is confirmed and its kilograms told."""
_JUST_BELOW = Fraction(1, 10**6)
"""The same where prices are exact, as a share of the dearest: of batches that tie at a price the one used below it."""
_SLACK = Fraction(5, 10**8)
"""Share of the cost that is not told from nothing: fifty times the gap at which a solve ends."""


@dataclass(frozen=True)
class PriceLine:
    """One batch as a line over the price of a lot: cost of all else, and units of the lot's variable.

    ``paid`` is what rows and cuts pay for a unit of it, where there are cones.
    """

    rest: Fraction
    amount: Fraction
    batch: tuple[Fraction, ...] = field(default=(), compare=False, repr=False)
    paid: Fraction = field(default=ZERO, compare=False)

    def at(self, price: Fraction) -> Fraction:
        """Cost at a price."""
        return self.rest + self.amount * price


class Market:
    """The least cost as the price of one variable changes, everything else as it is, and how that is said of the lot.

    ``floor`` is the lowest price looked at: the one at which the lot itself costs nothing. ``slack`` are savings that
    solving cannot tell from none: nothing without cones, where it is exact. ``quoted`` are batches of which something
    was said.
    """

    def __init__(
        self, free: Curved, j: int, spent: Fraction = ZERO, *, per: Fraction = ONE, carried: Fraction = ZERO
    ) -> None:
        """``spent`` is about the cost of the batch.

        ``per`` are kilograms as held of one unit of the variable, ``carried`` what the additions it carries cost.
        """
        self.free, self.program, self.j, self.per, self.carried = free, free.program, j, per, carried
        self.floor = min(self.program.variables[j].cost, carried)
        self.dear = max(abs(v.cost) for v in self.program.variables)
        self.slack = _SLACK * max(Fraction(ConicUnits.of(self.program).money), abs(spent)) if free.cones else ZERO
        self.least_used = ZERO
        self.quoted: list[PriceLine] = []

    @classmethod
    def of(cls, free: Curved, formula: Formula, hold: Hold, j: int, spent: Fraction) -> Market:
        """That of a lot that may be so much; the least of it that is used if any is may be more than nothing."""
        unit, lot = hold.step or ONE, hold.column
        usable = lot.usable if isinstance(lot, Lot) else ONE
        found = cls(free, j, spent, per=unit / usable, carried=formula.carried_cost(lot) * unit)
        found.least_used = least_of(hold) if free.program.whole else ZERO
        return found

    @classmethod
    def on(cls, ground: Ground, j: int) -> Market:
        """That of one column of a ground."""
        return cls.of(ground.free, ground.problem.formula, ground.holds[j], j, ground.cost)

    def priced(self, money: Fraction) -> Fraction:
        """The cost per unit that belongs to a price per kilogram as held."""
        return money * self.per + self.carried

    def money(self, cost: Fraction | None) -> Fraction | None:
        """The price per kilogram as held that belongs to a cost per unit."""
        return None if cost is None else (cost - self.carried) / self.per

    def kg(self, amount: Fraction) -> Fraction:
        """Kilograms as held."""
        return amount * self.per

    def best(self, price: Fraction, least: Fraction = ZERO, below: float | None = None) -> PriceLine | None:
        """The cheapest batch at a price per unit of the variable, with so much of it; None where there is none.

        In whole numbers among cones any ``below`` a cost, where that is given.
        """
        v = self.program.variables[self.j]
        return self._line(replace(v, cost=price, lo=max(v.lo, least)), below=below) if least <= v.hi else None

    def bare(self) -> PriceLine | None:
        """The cheapest batch where the lot is not used at all; None where no batch exists without it."""
        v = self.program.variables[self.j]
        return None if v.lo > 0 else self._line(replace(v, hi=ZERO))

    def least(self) -> PriceLine:
        """The batch with the least of the lot, whatever it costs."""
        line = self._line(self.program.variables[self.j], {self.j: ONE})
        if line is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        return line

    def _line(
        self, v: Variable, costs: Mapping[int, Fraction] | None = None, below: float | None = None
    ) -> PriceLine | None:
        """The cheapest batch with the variable as it is put here; ``costs`` stand in place of all costs."""
        own = self.program.variables[self.j]
        asked = costs or {k: v.cost if k == self.j else w.cost for k, w in enumerate(self.program.variables)}
        if self.free.cones:
            put = (v if k == self.j else w for k, w in enumerate(self.program.variables))
            variables = tuple(replace(w, cost=asked.get(k, ZERO)) for k, w in enumerate(put))
            units = None if costs else self.free  # other costs than money are counted in units of their own
            stand = replace(self.free, program=Program(variables, self.program.rows), counted=units).cheapest(below)
            point, paid = (None, ZERO) if stand is None else (stand.values, v.cost)
            paid -= stand.reduced[self.j] if stand is not None and not self.program.whole else ZERO
        else:
            kept = self.free.session
            kept.aim(asked)
            kept.bound(self.j, v.lo, v.hi)
            try:
                point, paid = in_whole(kept), ZERO
            finally:
                kept.bound(self.j, own.lo, own.hi)
        if point is None:
            return None
        return PriceLine(self.program.cost(point) - own.cost * point[self.j], point[self.j], tuple(point), paid)


@dataclass(frozen=True)
class Worth:
    """The price up to which a lot is used (``price`` None: at any price if ``needed``, else not even for nothing).

    ``amount`` is how much of it is used just below that price. Both per unit of the variable.
    """

    price: Fraction | None
    amount: Fraction
    needed: bool = False


def worth(market: Market, bare: PriceLine | None, guess: Fraction, line: PriceLine | None = None) -> Worth:
    """The largest price at which any of the lot is used; ``bare`` is the cheapest batch without it (None: no batch).

    ``guess`` is a price at which it may be used, ``line`` a batch known to use it. Among cones a lot enters little by
    little, at the price that rows and cuts pay for it where it is not used, which is confirmed by solving again a
    little below; the amount is that there. A lot that is used by so much at least is priced from above: there no more
    of it is used, so that what it may cost at most follows, and is confirmed.
    """
    if bare is None:
        return Worth(None, market.least().amount, needed=True)
    if market.free.cones and not market.program.whole:
        if bare.paid <= market.floor:
            return Worth(None, ZERO)
        below = market.best(max(market.floor, bare.paid - _BELOW * max(abs(bare.paid), market.dear / 50)))
        if below is not None and below.amount > CLOSE:
            market.quoted.append(below)
            return Worth(bare.paid, below.amount)
    least = market.least_used
    if line is None or (least and line.amount != least):
        price = max(market.floor, guess) if line is None else (bare.rest - line.rest) / line.amount
        above = price + max(abs(price), market.dear) / 100
        wanted = float(bare.at(price) - market.slack)  # without the lot nothing is cheaper by more
        line = market.best(above, least, inf) if least else market.best(price, least, wanted)
        if line is None or not line.amount:
            line = market.best(market.floor, least, float(bare.at(market.floor) - market.slack))
    if line is None or not line.amount:
        return Worth(None, ZERO)
    price, line = _turn(market, bare, line, least)
    if price <= market.floor:
        return Worth(None, ZERO)
    cheaper = price - _JUST_BELOW * market.dear
    more = None if market.free.cones or cheaper < market.floor else market.best(cheaper, least)  # where batches tie
    if more is not None and more.amount > line.amount:
        market.quoted.append(more)
        line = more
    return Worth(price, line.amount)


def same_blend(market: Market, line: PriceLine) -> tuple[Fraction | None, Fraction | None]:
    """The prices between which a batch stays the cheapest; None: no end above the floor, or no end at all."""
    lowest, fewest = market.best(market.floor), market.least()
    low = None
    if lowest is not None and lowest.at(market.floor) < line.at(market.floor) - market.slack:
        low, _ = _turn(market, line, lowest)
    return low, None if fewest.amount == line.amount else _turn(market, line, fewest)[0]


def _turn(market: Market, line: PriceLine, far: PriceLine, least: Fraction = ZERO) -> tuple[Fraction, PriceLine]:
    """Where a batch stops being the cheapest on the way to another, cheaper further on, and the batch that takes over.

    Only batches are asked for that use so much at least.
    """
    for _ in range(_MOST):
        price = (far.rest - line.rest) / (line.amount - far.amount)
        enough = line.at(price) - market.slack
        found = market.best(price, least, float(enough))
        if found is None or found.at(price) >= enough:
            market.quoted.append(far)
            return price, far
        if found.amount == line.amount:
            raise SolverDisagrees("a batch known to be the cheapest is not")
        far = found
    raise SolverDisagrees("the price of a lot could not be settled")


def kinks(market: Market, low: Fraction, high: Fraction, most: int = 40) -> list[tuple[Fraction, PriceLine]]:
    """The envelope between two prices: each line of it with the price from which it holds."""
    first, final = market.best(low), market.best(high)
    if first is None or final is None:
        return []
    found: dict[Fraction, PriceLine] = {low: first}
    left = most

    def split(a: PriceLine, b: PriceLine) -> None:
        nonlocal left
        if a.amount == b.amount or left == 0:
            return
        left -= 1
        price = (b.rest - a.rest) / (a.amount - b.amount)
        middle = market.best(price)
        if middle is None or middle.at(price) >= a.at(price) or middle.amount in (a.amount, b.amount):
            found[price] = b
            return
        split(a, middle)
        split(middle, b)

    split(first, final)
    return sorted(found.items(), key=lambda item: item[0])


@dataclass(frozen=True)
class PricedLot:
    """Up to what price a lot is used."""

    lot: Annotated[Lot, *NAMED]
    used_kg: Exact
    price: Annotated[Exact, key("price_per_kg")]
    """Money per kilogram as held, as all prices here; kilograms are as held too."""
    means: Means
    stays_to: Annotated[Exact | None, key("used_up_to_per_kg")]
    """The price up to which a used lot is used, or at which an unused one enters; None: not even for nothing."""
    kg_then: Exact
    """How much of it is used just below that price."""
    needed: bool
    """It is used whatever it costs; then there is no such price."""
    same_from: Annotated[Exact | None, key("same_blend_from_per_kg")]
    """The prices over which the blend does not change (None: no end)."""
    same_to: Annotated[Exact | None, key("same_blend_to_per_kg")]
    more: Annotated[Direction | None, key("more_on_hand")] = None
    """What another kilogram on hand, at the same price, saves where all of it is used."""


def lots_priced(
    ground: Ground, unfinished: list[NotSettled] | None = None, *, detail: bool = True
) -> Iterator[PricedLot]:
    """Every lot that may go in, those used first, then those whose price is nearest.

    Without ``detail`` only up to what price each is used. What could not be settled is named in ``unfinished``,
    where it is given. Raises OutOfTime on the way.
    """
    for j, lot in _nearest_first(ground):
        try:
            yield lot_price(ground, j, lot, detail=detail)
        except (Unsettled, SolverDisagrees):
            if unfinished is None:
                raise
            unfinished.append(NotSettled(Section.LOTS, f"the price of {lot.name}", GIVEN_UP))


def _nearest_first(ground: Ground) -> list[tuple[int, Lot]]:
    """The lots with their columns: those used, then by how near their price is, judged by reduced costs."""
    rest, units = ground.reduced, ground.layout.units
    lots = [(j, column) for j, column in enumerate(ground.problem.formula.columns) if isinstance(column, Lot)]
    return sorted(lots, key=lambda entry: (not _used(ground, entry[0]), rest[entry[0]] / units[entry[0]]))


def _used(ground: Ground, j: int) -> bool:
    return ground.values[j] > (CLOSE if ground.cones else ZERO)


def nearest_unused(ground: Ground) -> PricedLot | None:
    """The lot not used whose price is nearest to the one at which it would be."""
    unused = (e for e in _nearest_first(ground) if not ground.values[e[0]] and ground.program.variables[e[0]].hi)
    return next((lot_price(ground, j, lot, detail=False) for j, lot in unused), None)


def lot_price(ground: Ground, j: int, lot: Lot, *, detail: bool = True) -> PricedLot:
    """One lot's prices, of batches that would be made. Raises OutOfTime.

    Among cones a lot enters by a hair, which no batch with a smallest pull does.
    """
    found, quoted = (None, []) if ground.cones and ground.kept is not None else _priced(ground, j, lot, ground, detail)
    if found is None or not all(ground.made(line.batch) for line in quoted):
        found, _ = _priced(ground.chosen, j, lot, ground, detail)
    return replace(found, more=_more(ground, j, lot, detail=detail))


def _priced(ground: Ground, j: int, lot: Lot, loose: Ground, detail: bool) -> tuple[PricedLot, list[PriceLine]]:
    """The prices of a lot on a ground, and the batches they speak of; what it may be worth comes from a loose one."""
    free, used = ground.free, _used(ground, j)
    own, amount = free.program.variables[j].cost, ground.values[j] if used else ZERO
    market = Market.on(ground, j)
    line = PriceLine(ground.cost - own * amount, amount, ground.values)
    rest = loose.reduced[j] / loose.layout.units[j] * ground.layout.units[j]
    bare = market.bare() if used else replace(line, paid=own - rest)
    market.quoted += [bare] if bare is not None else []
    found = worth(market, bare, own - rest - abs(own - rest) / 1000, line if used else None)
    if used and not found.needed and (found.price is None or found.price < own):
        found = Worth(own, amount)
    low, high = _same(market, line, own) if used and detail else (found.price, None)
    kg, money = market.kg, market.money
    return PricedLot(
        lot, kg(amount), money(own) or ZERO, ground.means_of_lots, money(found.price), kg(found.amount), found.needed,
        money(low), money(high),
    ), market.quoted  # fmt: skip


def _more(ground: Ground, j: int, lot: Lot, *, detail: bool) -> Direction | None:
    """What another kilogram on hand of a lot that is used up saves, of batches that would be made."""
    most, room = ground.free.program.variables[j].hi, CLOSE if ground.cones else ZERO
    if ground.whole or not _used(ground, j) or most - ground.values[j] > room * max(ONE, most):
        return None
    family, there = stock_family(ground, j, ground.layout.units[j] / lot.usable)
    side = side_of(there, family, 1, detail=detail)
    if not there.made(side.batch):
        return None
    return shortened(there, family, side, lambda figure: not there.made_at(family, figure)) if detail else side


def _same(market: Market, line: PriceLine, own: Fraction) -> tuple[Fraction | None, Fraction | None]:
    """The prices between which the blend stays; both the price itself where any change of it changes the blend."""
    if not market.free.cones:
        return same_blend(market, line)
    step = max(abs(own), market.dear / 5) / 1000
    beside = [market.best(price) for price in (own - step, own + step)]
    moved = [b is None or abs(b.amount - line.amount) > 10 * CLOSE * max(ONE, line.amount) for b in beside]
    low, high = (own, own) if all(moved) else same_blend(market, line)
    return own if moved[0] else low, own if moved[1] else high
