"""What a lot is worth: the price at which it enters or drops out, and the prices over which the blend stays the same.

The least cost as a function of one price is concave: the lowest of the lines ``cost of the others + kilograms * price``
over all batches. With ``without`` the least cost that leaves the lot out, the price at which it stops being used is the
largest ``(without - others) / kilograms`` over all batches, a ratio found by Newton's method on that lower envelope
(Dinkelbach, Management Science 13, 1967, 492-498). It ends because there are finitely many lines, and it needs nothing
but solves at changed prices, so it holds with whole packs and at degenerate batches as well. Where limits hold with a
stated confidence there are no longer finitely many lines, and a lot may enter little by little (see entry). Lots are
priced as held.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from constraints.ingredients import Lot
from optimizer.problem import Problem
from optimizer.solver.conic import Units
from optimizer.solver.kept import Kept, Unsettled
from optimizer.solver.model import Program, SolverDisagrees, Variable
from optimizer.solver.program import value_per_kg
from optimizer.why.ground import Ground, Means, cheapest, settled_in_whole, stock_family
from optimizer.why.limits import Side, side_of, while_made
from optimizer.why.stand import CLOSE, Curved
from optimizer.why.unfinished import Part, Unfinished

_ZERO, _ONE = Fraction(0), Fraction(1)
_MOST = 60
_BELOW = Fraction(1, 1000)
"""Step below the price at which a lot enters, as a share of it, at which that is confirmed and its kilograms told."""
SHARES = (Fraction(1, 100), Fraction(5, 100), Fraction(10, 100), Fraction(25, 100), Fraction(1, 2))
"""Shares of a price below it at which kilograms are told."""
_SLACK = Fraction(5, 10**8)
"""Share of the cost that is not told from nothing: fifty times the gap at which a solve ends."""


@dataclass(frozen=True)
class Line:
    """One batch as a line over the price of a lot: cost of all else, and units of the lot's variable."""

    rest: Fraction
    amount: Fraction
    batch: tuple[Fraction, ...] = field(default=(), compare=False, repr=False)

    def at(self, price: Fraction) -> Fraction:
        """Cost at a price."""
        return self.rest + self.amount * price


class Market:
    """The least cost as the price of one variable changes, everything else as it is.

    ``slack`` are savings that solving cannot tell from none: nothing without cones, where it is exact.
    """

    def __init__(
        self, free: Curved, j: int, floor: Fraction = _ZERO, cost: Fraction = _ZERO, kept: Kept | None = None
    ) -> None:
        """``floor`` is the lowest price looked at: the one at which the lot itself costs nothing.

        ``kept`` is the program in a solver already.
        """
        self.free, self.program, self.j, self.floor = free, free.program, j, floor
        self.quoted: list[Line] = []
        self._kept = kept
        self.dear = max(abs(v.cost) for v in self.program.variables)
        self.slack = _SLACK * max(Fraction(Units.of(self.program).money), abs(cost)) if free.cones else _ZERO

    def best(self, price: Fraction) -> Line | None:
        """The cheapest batch at a price per unit of the variable; None where there is none."""
        return self.line(self.point(replace(self.program.variables[self.j], cost=price)))

    def bare(self) -> Line | None:
        """The cheapest batch where the lot is not used at all; None where no batch exists without it."""
        v = self.program.variables[self.j]
        return None if v.lo > 0 else self.line(self.point(replace(v, hi=_ZERO)))

    def least(self) -> Line:
        """The batch with the least of the lot, whatever it costs."""
        line = self.line(self.point(self.program.variables[self.j], {self.j: _ONE}))
        if line is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        return line

    def point(self, v: Variable, costs: Mapping[int, Fraction] | None = None) -> tuple[Fraction, ...] | None:
        """The cheapest batch with the variable as it is put here; ``costs`` stand in place of all costs."""
        if self.free.cones:
            variables = (v if k == self.j else w for k, w in enumerate(self.program.variables))
            put = (w if costs is None else replace(w, cost=costs.get(k, _ZERO)) for k, w in enumerate(variables))
            return cheapest(replace(self.free, program=Program(tuple(put), self.program.rows)))
        kept = self._kept = self._kept or Kept(self.program)
        own = {k: v.cost if k == self.j else w.cost for k, w in enumerate(self.program.variables)}
        kept.aim(own if costs is None else costs)
        kept.bound(self.j, v.lo, v.hi)
        try:
            return settled_in_whole(kept)
        finally:
            kept.bound(self.j, self.program.variables[self.j].lo, self.program.variables[self.j].hi)

    def line(self, point: tuple[Fraction, ...] | None) -> Line | None:
        """A batch as a line over the price."""
        if point is None:
            return None
        amount = point[self.j]
        return Line(self.program.cost(point) - self.program.variables[self.j].cost * amount, amount, tuple(point))


@dataclass(frozen=True)
class Worth:
    """The price up to which a lot is used (``price`` None: at any price if ``needed``, else not even for nothing).

    ``amount`` is how much of it is used just below that price. Both per unit of the variable.
    """

    price: Fraction | None
    amount: Fraction
    needed: bool = False


def worth(market: Market, guess: Fraction, base: Fraction | None, line: Line | None = None) -> Worth:
    """The largest price at which any of the lot is used.

    ``guess`` is a price at which it may be, ``line`` a batch known to use it, ``base`` the least cost without it (None:
    no batch).
    """
    if base is None:
        return Worth(None, market.least().amount, needed=True)
    price = max(market.floor, guess) if line is None else (base - line.rest) / line.amount
    for turn in range(_MOST):
        found = market.best(price)
        if found is None or found.at(price) >= base - market.slack:
            if line is not None:
                market.quoted.append(line)
                return Worth(price, line.amount)
            if turn == 0 and price > market.floor:
                price = market.floor
                continue
            return Worth(None, _ZERO)
        if not found.amount:
            raise SolverDisagrees("the least cost without a lot is not the least")
        line = found
        price = (base - found.rest) / found.amount
    raise SolverDisagrees("the price of a lot could not be settled")


def entry(market: Market, bare: Line, guess: Fraction) -> Worth:
    """As ``worth``, from the cheapest batch without the lot.

    Among cones a lot enters little by little, at the price that a hair of it saves elsewhere, which is confirmed by
    solving again a little below; the amount is that there.
    """
    ceiling = _saved_by_a_hair(market, bare) if not market.program.whole else None
    if ceiling is not None and ceiling <= market.floor:
        return Worth(None, _ZERO)
    if ceiling is not None:
        below = market.best(max(market.floor, ceiling - _BELOW * max(abs(ceiling), market.dear / 50)))
        if below is not None and below.amount > CLOSE:
            market.quoted.append(below)
            return Worth(ceiling, below.amount)
    return worth(market, guess, bare.rest)


def _saved_by_a_hair(market: Market, bare: Line) -> Fraction | None:
    """What a unit of a lot saves elsewhere where it is first put in; None where none can be."""
    hair = min(market.program.variables[market.j].hi, sum(bare.batch, _ZERO)) / 10_000
    v = market.program.variables[market.j]
    points = [market.point(replace(v, lo=k * hair, hi=k * hair, cost=_ZERO)) for k in (1, 2)]
    lines = [market.line(point) for point in points]
    if lines[0] is None or lines[1] is None or not hair:
        return None
    one, two = (line.rest - bare.rest for line in lines if line is not None)
    return -(4 * one - two) / (2 * hair)


def same_blend(market: Market, line: Line) -> tuple[Fraction | None, Fraction | None]:
    """The prices between which a batch stays the cheapest; None: no end above the floor, or no end at all."""
    lowest = market.best(market.floor)
    low = None
    if lowest is not None and lowest.at(market.floor) < line.at(market.floor) - market.slack:
        low = _end(market, line, lowest)
    fewest = market.least()
    return low, None if fewest.amount == line.amount else _end(market, line, fewest)


def _end(market: Market, line: Line, far: Line) -> Fraction:
    """Where a batch stops being the cheapest on the way to another that is cheaper further on."""
    for _ in range(_MOST):
        price = (far.rest - line.rest) / (line.amount - far.amount)
        found = market.best(price)
        if found is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        if found.at(price) >= line.at(price) - market.slack:
            market.quoted.append(far)
            return price
        far = found
    raise SolverDisagrees("the price range of a lot could not be settled")


def kinks(market: Market, low: Fraction, high: Fraction, most: int = 40) -> list[tuple[Fraction, Line]]:
    """The envelope between two prices: each line of it with the price from which it holds."""
    first, final = market.best(low), market.best(high)
    if first is None or final is None:
        return []
    found: dict[Fraction, Line] = {low: first}
    left = most

    def split(a: Line, b: Line) -> None:
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
class LotPrice:
    """A lot's prices, money per kilogram as held, and kilograms as held.

    ``stays_to`` is the price up to which a used lot is used, or at which an unused one enters (``kg_then`` of it just
    below); None with ``needed``: whatever it costs; None without: not even for nothing. ``same_from`` and ``same_to``
    bound the prices over which the blend does not change (None: no end). ``more`` is what another kilogram on hand, at
    the same price, saves where all of it is used.
    """

    lot: Lot
    used_kg: Fraction
    price: Fraction
    means: Means
    stays_to: Fraction | None
    kg_then: Fraction
    needed: bool
    same_from: Fraction | None
    same_to: Fraction | None
    more: Side | None = None


def by_use(found: Iterable[LotPrice]) -> tuple[LotPrice, ...]:
    """Those used first, then by name."""
    return tuple(sorted(found, key=lambda lot: (not lot.used_kg, lot.lot.name)))


def lots_priced(
    ground: Ground, unfinished: list[Unfinished] | None = None, *, detail: bool = True
) -> Iterator[LotPrice]:
    """Every lot that may go in, those used first, then those whose price is nearest.

    Without ``detail`` only up to what price each is used. What could not be settled is named in ``unfinished``,
    where it is given. Raises OutOfTime on the way.
    """
    rest = ground.reduced
    lots = [(j, column) for j, column in enumerate(ground.problem.formula.columns) if isinstance(column, Lot)]
    for j, lot in sorted(lots, key=lambda e: (not _used(ground, e[0]), rest[e[0]] / ground.layout.units[e[0]])):
        try:
            yield lot_price(ground, j, lot, detail=detail)
        except (Unsettled, SolverDisagrees):
            if unfinished is None:
                raise
            unfinished.append(Unfinished(Part.LOTS, f"the price of {lot.name}", time=False))


def _used(ground: Ground, j: int) -> bool:
    return ground.values[j] > (CLOSE if ground.cones else _ZERO)


def nearest_unused(ground: Ground) -> LotPrice | None:
    """The lot not used whose price is nearest to the one at which it would be, judged by its reduced cost."""
    rest = ground.reduced
    unused = [
        (rest[j] / ground.layout.units[j], j, column)
        for j, column in enumerate(ground.problem.formula.columns)
        if isinstance(column, Lot) and not ground.values[j] and ground.program.variables[j].hi
    ]
    if not unused:
        return None
    _, j, lot = min(unused, key=lambda found: found[:2])
    return lot_price(ground, j, lot, detail=False)


def lot_price(ground: Ground, j: int, lot: Lot, *, detail: bool = True) -> LotPrice:
    """One lot's prices, of batches that would be made. Raises OutOfTime."""
    floor = min(ground.free.program.variables[j].cost, PerHeld(ground.problem, lot, ground.layout.units[j]).cost(_ZERO))
    market = Market(ground.free, j, floor, ground.cost, ground.session)
    found = _priced(ground, market, lot, detail=detail)
    if all(ground.made(line.batch) for line in market.quoted):
        return found
    there = ground.chosen
    again = _priced(there, Market(there.free, j, floor, ground.cost, there.session), lot, detail=detail)
    return replace(again, more=found.more)


def _priced(ground: Ground, market: Market, lot: Lot, *, detail: bool) -> LotPrice:
    j, free = market.j, ground.free
    rest, unit, used = ground.reduced[j], ground.layout.units[j], _used(ground, j)
    own, amount = free.program.variables[j].cost, ground.values[j] if used else _ZERO
    scale = PerHeld(ground.problem, lot, unit)
    line = Line(ground.cost - own * amount, amount, ground.values)
    bare = market.bare() if used else Line(ground.cost, _ZERO, ground.values)
    market.quoted += [bare] if bare is not None else []
    if ground.cones:
        guess = own if used else own - abs(own) / 1000
        found = worth(market, guess, None) if bare is None else entry(market, bare, guess)
    else:
        guess = own - rest - abs(own - rest) / 1000
        found = worth(market, guess, None if bare is None else bare.rest, line if used else None)
    if used and not found.needed and (found.price is None or found.price < own):
        found = Worth(own, amount)
    low, high = _same(market, line, own) if used and detail else (found.price, None)
    more = None
    full = free.program.variables[j].hi - amount <= (CLOSE * max(_ONE, amount) if ground.cones else _ZERO)
    if used and full and not ground.whole:
        family, there = stock_family(ground, j)
        side = while_made(there, family, side_of(there, family, 1, "loosen", detail=detail), detail=detail)
        more = None if side is None else scale.side(side)
    return LotPrice(
        lot, scale.kg(amount), scale.money(own) or _ZERO, ground.means_of_lots, scale.money(found.price),
        scale.kg(found.amount), found.needed, scale.money(low), scale.money(high), more,
    )  # fmt: skip


def _same(market: Market, line: Line, own: Fraction) -> tuple[Fraction | None, Fraction | None]:
    """The prices between which the blend stays; both the price itself where any change of it changes the blend."""
    if not market.free.cones:
        return same_blend(market, line)
    step = max(abs(own), market.dear / 5) / 1000
    beside = [market.best(price) for price in (own - step, own + step)]
    moved = [b is None or abs(b.amount - line.amount) > 10 * CLOSE * max(_ONE, line.amount) for b in beside]
    low, high = (own, own) if all(moved) else same_blend(market, line)
    return own if moved[0] else low, own if moved[1] else high


def amounts(
    market: Market, scale: PerHeld, price: Fraction, shares: Sequence[Fraction]
) -> tuple[tuple[Fraction, Fraction], ...]:
    """Kilograms as held used at prices by these shares below one, all as held; none where it is not above zero."""
    held = scale.money(price) or _ZERO
    asked = [held * (1 - share) for share in shares] if held > 0 else []
    lines = [(price, market.best(scale.cost(price))) for price in asked]
    return tuple((price, scale.kg(line.amount)) for price, line in lines if line is not None)


class PerHeld:
    """From a variable's units to kilograms as held, and from its cost to the price of a kilogram as held."""

    def __init__(self, problem: Problem, lot: Lot, unit: Fraction) -> None:
        self.usable, self.unit = lot.usable, unit
        self.carried = value_per_kg(problem.formula, lot) - lot.cost_per_kg

    def cost(self, money: Fraction) -> Fraction:
        """The cost per unit that belongs to a price per kilogram as held."""
        return (money / self.usable + self.carried) * self.unit

    def money(self, cost: Fraction | None) -> Fraction | None:
        """The price per kilogram as held that belongs to a cost per unit."""
        return None if cost is None else (cost / self.unit - self.carried) * self.usable

    def kg(self, amount: Fraction) -> Fraction:
        """Kilograms as held."""
        return amount * self.unit / self.usable

    def side(self, side: Side) -> Side:
        """A side of the stock, per kilogram as held."""
        per = self.usable / self.unit
        return replace(
            side,
            saves=None if side.saves is None else side.saves * per,
            until=None if side.until is None else self.kg(side.until),
            beyond_saves=None if side.beyond_saves is None else side.beyond_saves * per,
        )
