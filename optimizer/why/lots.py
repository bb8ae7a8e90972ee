"""What a lot is worth: the price at which it enters or drops out, and the prices over which the blend stays the same.

The least cost as a function of one price is concave: the lowest of the lines ``cost of the others + kilograms * price``
over all batches. With ``without`` the least cost that leaves the lot out, the price at which it stops being used is the
largest ``(without - others) / kilograms`` over all batches, a ratio found by Newton's method on that lower envelope
(Dinkelbach, Management Science 13, 1967, 492-498). It ends because there are finitely many lines, and it needs nothing
but solves at changed prices, so it holds with whole packs and at degenerate batches as well. Lots are priced as held.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.ingredients import Lot
from constraints.quick import QUICK_ZERO, plain, quick
from optimizer.problem import Problem
from optimizer.solver.exact import reduced_costs
from optimizer.solver.model import Basis, Place, Program, SolverDisagrees, Variable
from optimizer.solver.program import value_per_kg
from optimizer.solver.simplex import Simplex
from optimizer.why.ground import Ground, Means, cheapest, stock_family
from optimizer.why.limits import Side, side_of
from optimizer.why.moving import moved, solved

_ZERO = Fraction(0)
_MOST = 60


@dataclass(frozen=True)
class Line:
    """One batch as a line over the price of a lot: cost of all else, and units of the lot's variable."""

    rest: Fraction
    amount: Fraction

    def at(self, price: Fraction) -> Fraction:
        """Cost at a price."""
        return self.rest + self.amount * price


class Market:
    """The least cost as the price of one variable changes, everything else as it is."""

    slack = _ZERO
    """Savings that solving cannot tell from none: nothing here, because it is exact."""

    def __init__(self, program: Program, j: int, start: Simplex | Basis | None = None, floor: Fraction = _ZERO) -> None:
        """``start`` is where a search may start, or one that stands at a cheapest batch of this very program.

        ``floor`` is the lowest price looked at: the one at which the lot itself costs nothing.
        """
        self.program, self.j, self.floor = program, j, floor
        self.basis = start.basis if isinstance(start, Simplex) else start
        self._search = start if isinstance(start, Simplex) else None
        self._costs = [quick(v.cost) for v in program.variables]

    def best(self, price: Fraction) -> Line | None:
        """The cheapest batch at a price per unit of the variable; None where there is none."""
        standing = None if self.program.whole else self._standing()
        if standing is None:
            return self._solve(self._priced(self.program, price))
        moved(standing, {k: price if k == self.j else v.cost for k, v in enumerate(self.program.variables)})
        self._search = standing
        return self._stood(standing)

    def _standing(self) -> Simplex | None:
        """A search that stands at a cheapest batch, for this market to move; None where there is none to stand at."""
        if self._search is None:
            self._search = solved(self.program, self.basis)
        return None if self._search is None else self._search.copy()

    def without(self) -> Fraction | None:
        """The least cost where the lot is not used at all; None where no batch exists without it."""
        v = self.program.variables[self.j]
        if v.lo > 0:
            return None
        standing = None if self.program.whole else self._standing()
        if standing is not None and standing.basis.variables[self.j] is not Place.UPPER:
            standing.shut(self.j)
            return self._stood(standing).rest if moved(standing) else None
        point = self._point(self._with(self.program, replace(v, hi=_ZERO)), keep=False)
        return None if point is None else self._line(point).rest

    def least(self, sign: int) -> Line:
        """The batch with the least (``sign`` 1) or the most (-1) of the lot, whatever it costs."""
        standing = None if self.program.whole else self._standing()
        if standing is not None:
            moved(standing, {self.j: Fraction(sign)})
            return self._stood(standing)
        variables = tuple(
            replace(v, cost=Fraction(sign) if k == self.j else _ZERO) for k, v in enumerate(self.program.variables)
        )
        point = self._point(Program(variables, self.program.rows), keep=False)
        if point is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        return self._line(point)

    def _with(self, program: Program, v: Variable) -> Program:
        variables = tuple(v if k == self.j else w for k, w in enumerate(program.variables))
        return Program(variables, program.rows)

    def _priced(self, program: Program, price: Fraction) -> Program:
        return self._with(program, replace(program.variables[self.j], cost=price))

    def _solve(self, program: Program, *, keep: bool = True) -> Line | None:
        point = self._point(program, keep=keep)
        return None if point is None else self._line(point)

    def _point(self, program: Program, *, keep: bool) -> tuple[Fraction, ...] | None:
        if program.whole:
            return cheapest(program)
        search = solved(program, self.basis)
        if search is None:
            return None
        if keep:
            self.basis = search.basis
        return search.values

    def _stood(self, search: Simplex) -> Line:
        at = search.at[: search.size]
        rest = sum(
            (c * x for k, (c, x) in enumerate(zip(self._costs, at, strict=True)) if x and k != self.j), QUICK_ZERO
        )
        return Line(plain(rest), plain(at[self.j]))

    def _line(self, point: tuple[Fraction, ...]) -> Line:
        amount = point[self.j]
        own = self.program.variables[self.j].cost
        return Line(self.program.cost(point) - own * amount, amount)


@dataclass(frozen=True)
class Worth:
    """The price up to which a lot is used (``price`` None: at any price if ``needed``, else not even for nothing).

    ``amount`` is how much of it is used just below that price. Both per unit of the variable.
    """

    price: Fraction | None
    amount: Fraction
    needed: bool = False


def worth(market: Market, guess: Fraction, without: Fraction | None = None) -> Worth:
    """The largest price at which any of the lot is used; ``guess`` is a price at which it may be."""
    base = market.without() if without is None else without
    if base is None:
        return Worth(None, market.least(1).amount, needed=True)
    price = guess
    line: Line | None = None
    for turn in range(_MOST):
        found = market.best(price)
        if found is None or found.at(price) >= base - market.slack:
            if line is not None:
                return Worth(price, line.amount)
            if turn == 0 and price > market.floor:
                price = market.floor
                continue
            return Worth(None, _ZERO)
        line = found
        price = (base - found.rest) / found.amount
    raise SolverDisagrees("the price of a lot could not be settled")


def same_blend(market: Market, line: Line) -> tuple[Fraction | None, Fraction | None]:
    """The prices between which a batch stays the cheapest; None: no end above the floor, or no end at all."""
    lowest = market.best(market.floor)
    low = None
    if lowest is not None and lowest.at(market.floor) < line.at(market.floor) - market.slack:
        low = _end(market, line, lowest)
    fewest = market.least(1)
    return low, None if fewest.amount == line.amount else _end(market, line, fewest)


def _end(market: Market, line: Line, far: Line) -> Fraction:
    """Where a batch stops being the cheapest on the way to another that is cheaper further on."""
    for _ in range(_MOST):
        price = (far.rest - line.rest) / (line.amount - far.amount)
        found = market.best(price)
        if found is None:
            raise SolverDisagrees("a batch known to exist could not be found")
        if found.at(price) >= line.at(price) - market.slack:
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


def lots_priced(ground: Ground) -> Iterator[LotPrice]:
    """Every lot that may go in, one after the other, those used first. Raises OutOfTime on the way."""
    rest = reduced_costs(ground.program, ground.prices)
    lots = [(j, column) for j, column in enumerate(ground.problem.formula.columns) if isinstance(column, Lot)]
    for j, lot in sorted(lots, key=lambda found: not ground.values[found[0]]):
        yield _lot_price(ground, j, lot, rest[j])


def nearest_unused(ground: Ground) -> LotPrice | None:
    """The lot not used whose price is nearest to the one at which it would be, judged by its reduced cost."""
    rest = reduced_costs(ground.program, ground.prices)
    unused = [
        (rest[j] / ground.layout.units[j], j, column)
        for j, column in enumerate(ground.problem.formula.columns)
        if isinstance(column, Lot) and not ground.values[j] and ground.program.variables[j].hi
    ]
    if not unused:
        return None
    _, j, lot = min(unused, key=lambda found: found[:2])
    return _lot_price(ground, j, lot, rest[j])


def _lot_price(ground: Ground, j: int, lot: Lot, rest: Fraction) -> LotPrice:
    program, unit = ground.layout.program, ground.layout.units[j]
    own, amount = program.variables[j].cost, ground.values[j]
    scale = PerHeld(ground.problem, lot, unit)
    floor = min(own, scale.cost(_ZERO))
    market = Market(program, j, None if ground.whole else ground.standing, floor)
    line = Line(ground.cost - own * amount, amount)
    means = Means.SOLVED_AGAIN if ground.whole else Means.EXACT
    low: Fraction | None = None
    high: Fraction | None = None
    if amount:
        found = worth(market, own)
        if found.price is None and not found.needed:
            found = Worth(own, amount)
        low, high = same_blend(market, line)
    else:
        guess = own - rest
        found = worth(market, guess - abs(guess) / 1000, ground.cost)
        low = found.price
    more = None
    if amount and amount == program.variables[j].hi and not ground.whole:
        family, start = stock_family(ground, j)
        more = scale.side(side_of(ground, family, 1, "loosen", start))
    return LotPrice(
        lot, scale.kg(amount), scale.money(own) or _ZERO, means, scale.money(found.price), scale.kg(found.amount),
        found.needed, scale.money(low), scale.money(high), more,
    )  # fmt: skip


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
