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
from constraints.quick import QUICK_ZERO, plain, quick
from constraints.row import Row
from optimizer.problem import Problem
from optimizer.solver.conic import Units
from optimizer.solver.kept import Kept
from optimizer.solver.model import Basis, Place, Program, SolverDisagrees, Variable
from optimizer.solver.program import value_per_kg
from optimizer.solver.simplex import Simplex
from optimizer.why.ground import Ground, Means, cheapest, settled_in_whole, stock_family
from optimizer.why.limits import Side, all_made, side_of
from optimizer.why.moving import Drift, moved, solved
from optimizer.why.stand import CLOSE, Curved, Stand
from optimizer.why.unfinished import Part, Unfinished, settled

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
        self,
        free: Curved,
        j: int,
        start: Simplex | Basis | None = None,
        floor: Fraction = _ZERO,
        cost: Fraction = _ZERO,
    ) -> None:
        """``start`` is where a search may start, or one that stands at a cheapest batch of this very program.

        ``floor`` is the lowest price looked at: the one at which the lot itself costs nothing.
        """
        self.free, self.program, self.j, self.floor = free, free.program, j, floor
        self.basis = start.basis if isinstance(start, Simplex) else start
        self._search = start if isinstance(start, Simplex) else None
        self._pivots = not self.program.whole and not free.cones
        self._costs = [quick(v.cost) for v in self.program.variables]
        self.quoted: list[Line] = []
        self._kept: Kept | None = None
        self.dear = max(abs(v.cost) for v in self.program.variables)
        self.slack = _SLACK * max(Fraction(Units.of(self.program).money), abs(cost)) if free.cones else _ZERO

    def best(self, price: Fraction) -> Line | None:
        """The cheapest batch at a price per unit of the variable; None where there is none."""
        standing = self._standing()
        if standing is None:
            v = self.program.variables[self.j]
            return None if self._pivots else self._line(self._point(replace(v, cost=price)))
        moved(standing, {k: price if k == self.j else v.cost for k, v in enumerate(self.program.variables)})
        self._search = standing
        return self._stood(standing)

    def _standing(self) -> Simplex | None:
        """A search that stands at a cheapest batch, for this market to move; None where there is none to stand at."""
        if self._search is None and self._pivots:
            self._search = solved(self.program, self.basis)
        return None if self._search is None else self._search.copy()

    def bare(self) -> tuple[Fraction, ...] | None:
        """The cheapest batch without any of the lot; None where there is none."""
        v = self.program.variables[self.j]
        return None if v.lo > 0 else self._point(replace(v, hi=_ZERO))

    def without(self) -> Line | None:
        """The cheapest batch where the lot is not used at all; None where no batch exists without it."""
        standing = self._standing()
        if standing is not None and standing.basis.variables[self.j] is not Place.UPPER:
            standing.shut(self.j)
            return self._stood(standing) if moved(standing) else None
        return self._line(self.bare())

    def least(self) -> Line:
        """The batch with the least of the lot, whatever it costs."""
        standing = self._standing()
        if standing is not None:
            moved(standing, {self.j: _ONE})
            return self._stood(standing)
        line = self._line(self._point(self.program.variables[self.j], {self.j: _ONE}))
        if line is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        return line

    def _point(self, v: Variable, costs: Mapping[int, Fraction] | None = None) -> tuple[Fraction, ...] | None:
        """The cheapest batch with the variable as it is put here; ``costs`` stand in place of all costs."""
        if self.free.cones:
            variables = (v if k == self.j else w for k, w in enumerate(self.program.variables))
            put = (w if costs is None else replace(w, cost=costs.get(k, _ZERO)) for k, w in enumerate(variables))
            return cheapest(Curved(Program(tuple(put), self.program.rows), self.free.cones))
        self._kept = self._kept or Kept(self.program)
        self._kept.bound(self.j, v.lo, v.hi)
        own = {k: v.cost if k == self.j else w.cost for k, w in enumerate(self.program.variables)}
        self._kept.aim(own if costs is None else costs)
        return settled_in_whole(self._kept)

    def _stood(self, search: Simplex) -> Line:
        at = search.at[: search.size]
        rest = sum(
            (c * x for k, (c, x) in enumerate(zip(self._costs, at, strict=True)) if x and k != self.j), QUICK_ZERO
        )
        return Line(plain(rest), plain(at[self.j]), tuple(map(plain, at)))

    def _line(self, point: tuple[Fraction, ...] | None) -> Line | None:
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
        line = found
        price = (base - found.rest) / found.amount
    raise SolverDisagrees("the price of a lot could not be settled")


def entry(market: Market, bare: Sequence[Fraction], guess: Fraction) -> Worth:
    """As ``worth``, from ``bare``, the cheapest batch without the lot.

    Among cones a lot enters little by little, at the price that the prices at that batch pay for it: a proved ceiling,
    because cuts hold for every batch, which is confirmed by solving again a little below, and the amount is that there.
    """
    ceiling = _ceiling(market, bare) if market.free.cones and not market.program.whole else None
    if ceiling is not None and ceiling <= market.floor:
        return Worth(None, _ZERO)
    if ceiling is not None:
        below = market.best(max(market.floor, ceiling - _BELOW * max(abs(ceiling), market.dear / 50)))
        if below is not None and below.amount > CLOSE:
            market.quoted.append(below)
            return Worth(ceiling, below.amount)
    return worth(market, guess, market.program.cost(bare))


def _ceiling(market: Market, bare: Sequence[Fraction]) -> Fraction | None:
    """The most that any of the prices at the best batch without a lot pays for it, read where a little has to go in."""
    program, j = market.program, market.j
    unit = tuple(_ONE if k == j else _ZERO for k in range(len(program.variables)))
    free = tuple(replace(v, cost=_ZERO) if k == j else v for k, v in enumerate(program.variables))
    rows = (*program.rows, Row("so much of it", unit, _ZERO, _ZERO))
    stand = Stand(Curved(Program(free, rows), market.free.cones), tuple(bare))
    slope = stand.slope([Drift(len(program.rows), (_ZERO,) * len(unit), _ONE, _ONE)], market.free.cones, _ONE, 1)
    return None if slope is None else -slope


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
    the same price, saves where all of it is used. ``amounts`` are kilograms used at other prices, where the blend
    changes gradually.
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
    amounts: tuple[tuple[Fraction, Fraction], ...] = ()


def by_use(found: Iterable[LotPrice]) -> tuple[LotPrice, ...]:
    """Those used first, then by name."""
    return tuple(sorted(found, key=lambda lot: (not lot.used_kg, lot.lot.name)))


def lots_priced(
    ground: Ground, unfinished: list[Unfinished] | None = None, *, detail: bool = True
) -> Iterator[LotPrice]:
    """Every lot that may go in, those used first, then those whose price is nearest.

    Without ``detail`` only up to what price each is used. What could not be settled is named in ``unfinished``; without
    it OutOfTime is raised on the way.
    """
    rest = ground.reduced
    lots = [(j, column) for j, column in enumerate(ground.problem.formula.columns) if isinstance(column, Lot)]
    for j, lot in sorted(lots, key=lambda e: (not _used(ground, e[0]), rest[e[0]] / ground.layout.units[e[0]])):
        if unfinished is None:
            yield lot_price(ground, j, lot, detail=detail)
            continue
        with settled(unfinished, Part.LOTS, f"the price of {lot.name}"):
            yield lot_price(ground, j, lot, detail=detail)


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
    start = None if ground.whole or ground.cones else ground.standing
    market = Market(ground.free, j, start, floor, ground.cost)
    found = _priced(ground, market, lot, detail=detail)
    if all(ground.made(line.batch) for line in market.quoted):
        return found
    again = _priced(ground.chosen, Market(ground.tidied, j, None, floor, ground.cost), lot, detail=detail)
    return replace(again, more=found.more)


def _priced(ground: Ground, market: Market, lot: Lot, *, detail: bool) -> LotPrice:
    j, free = market.j, ground.free
    rest, unit, used = ground.reduced[j], ground.layout.units[j], _used(ground, j)
    own, amount = free.program.variables[j].cost, ground.values[j] if used else _ZERO
    scale = PerHeld(ground.problem, lot, unit)
    line = Line(ground.cost - own * amount, amount, ground.values)
    if not ground.cones:
        guess = own if used else own - rest - abs(own - rest) / 1000
        bare = market.without() if used else None
        market.quoted += [bare] if bare is not None else []
        base = ground.cost if not used else None if bare is None else bare.rest
        found = worth(market, guess, base, line if used else None)
    else:
        point = market.bare() if used else ground.values
        guess = own if used else own - abs(own) / 1000
        found = worth(market, guess, None) if point is None else entry(market, point, guess)
    if used and not found.needed and (found.price is None or found.price < own):
        found = Worth(own, amount)
    low, high = _same(market, line, own) if used and (detail or ground.cones) else (found.price, None)
    more = None
    full = free.program.variables[j].hi - amount <= (CLOSE * max(_ONE, amount) if ground.cones else _ZERO)
    if used and full and detail and not ground.whole:
        family, there = stock_family(ground, j)
        side = side_of(there, family, 1, "loosen")
        more = scale.side(side) if all_made(ground, family, side) else None
    return LotPrice(
        lot, scale.kg(amount), scale.money(own) or _ZERO, ground.means_of_lots, scale.money(found.price),
        scale.kg(found.amount), found.needed, scale.money(low), scale.money(high), more,
        _told(market, scale, found, own, used=used, fixed=low != own or high != own) if ground.cones else (),
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


def _told(
    market: Market, scale: PerHeld, found: Worth, own: Fraction, *, used: bool, fixed: bool
) -> tuple[tuple[Fraction, Fraction], ...]:
    """Kilograms as held at some prices, where a blend changes little by little with the price."""
    if used:
        return () if fixed else amounts(market, scale, own, (SHARES[1], -SHARES[1]))
    if found.price is None:
        return ()
    told = amounts(market, scale, found.price, SHARES[:1])
    gradual = bool(told) and told[0][1] > scale.kg(found.amount) * Fraction(101, 100)
    return (*told, *amounts(market, scale, found.price, SHARES[1:3])) if gradual else ()


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
