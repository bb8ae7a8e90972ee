"""What a lot is worth where limits are kept with a stated confidence.

As a lot's price moves the cones stay as they are, so the least cost is still the lowest of the lines of all batches and
still concave (see why/lots); but there are no longer finitely many lines, and where nothing comes in whole packs a lot
enters little by little. The price at which it enters is read from the prices of the best batch without it, which is a
proved ceiling because cuts hold for every batch, and is confirmed by solving again a little below. Where that does not
confirm it, and with whole packs, it is found by solving again at prices that close in on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from constraints.ingredients import Lot
from constraints.row import Row
from optimizer.solver.conic import Units
from optimizer.solver.model import Program
from optimizer.why.ground import Means
from optimizer.why.limits import Side
from optimizer.why.lots import Line, LotPrice, Market, PerHeld, Worth, same_blend, worth
from optimizer.why.moving import Drift, Family
from optimizer.why.sure.limits import Moving, SureGround, side_of
from optimizer.why.sure.stand import CLOSE, Curved, Stand

_ZERO = Fraction(0)
_ONE = Fraction(1)
_BELOW = Fraction(1, 1000)
"""Step below the price at which a lot enters, as a share of it, at which that is confirmed and its kilograms told."""
_SHARES = (Fraction(1, 100), Fraction(5, 100), Fraction(10, 100))
"""Shares of a price below it at which kilograms are told."""
_SLACK = Fraction(5, 10**8)
"""Share of the cost that is not told from nothing: fifty times the gap at which a solve ends."""


class ConeMarket(Market):
    """The least cost as the price of one variable changes, with cones."""

    def __init__(self, curved: Curved, j: int, floor: Fraction, cost: Fraction) -> None:
        super().__init__(curved.program, j, None, floor)
        self.cones = curved.cones
        self.slack = _SLACK * max(Units.of(curved.program).money, abs(cost))
        self.dear = max(abs(v.cost) for v in curved.program.variables)

    def priced(self, price: Fraction) -> Program:
        """The program at a price."""
        return self._priced(self.program, price)

    def bare(self) -> Stand | None:
        """The optimum without the lot."""
        v = self.program.variables[self.j]
        return Curved(self._with(self.program, replace(v, hi=_ZERO)), self.cones).cheapest()

    def _standing(self) -> None:
        """No search stands anywhere: an optimum under cones is no vertex to move from."""
        return None

    def _point(self, program: Program, *, keep: bool) -> tuple[Fraction, ...] | None:
        found = Curved(program, self.cones).cheapest()
        return None if found is None else found.values


def entry(market: ConeMarket, bare: Stand, guess: Fraction | None = None) -> Worth:
    """The largest price at which any of the lot is used, ``bare`` being the optimum without it.

    ``guess`` is a price at which it may be used. The amount is that used a thousandth below.
    """
    ceiling = None if market.program.whole else _ceiling(market, bare)
    if ceiling is not None and ceiling <= market.floor:
        return Worth(None, _ZERO)
    if ceiling is not None:
        below = market.best(max(market.floor, ceiling - _BELOW * max(abs(ceiling), market.dear / 50)))
        if below is not None and below.amount > CLOSE:
            return Worth(ceiling, below.amount)
    start = max(market.floor, guess) if guess is not None else market.floor
    return worth(market, start, bare.cost)


def _ceiling(market: ConeMarket, bare: Stand) -> Fraction | None:
    """The price above which nothing of the lot is used: what the prices of the best batch without it pay for it.

    One that is worth different amounts by different prices is worth the most that any of them pays; read where a
    little of the lot has to go in.
    """
    program, j = bare.curved.program, market.j
    v = market.program.variables[j]
    unit = tuple(_ONE if k == j else _ZERO for k in range(len(program.variables)))
    free = tuple(replace(w, hi=v.hi, cost=_ZERO) if k == j else w for k, w in enumerate(program.variables))
    rows = (*program.rows, Row("so much of it", unit, _ZERO, _ZERO))
    open_to_it = Stand(Curved(Program(free, rows), bare.curved.cones), bare.values)
    drift = Drift(len(program.rows), (_ZERO,) * len(unit), _ONE, _ONE)
    slope = open_to_it.slope([drift], bare.curved.cones, _ONE, 1)
    return None if slope is None else -slope


def sure_lot(ground: SureGround, j: int, lot: Lot) -> LotPrice:
    """One lot's prices. Raises OutOfTime."""
    curved, unit = ground.free, ground.layout.units[j]
    own, amount = curved.program.variables[j].cost, ground.values[j]
    scale = PerHeld(ground.problem, lot, unit)
    floor = min(own, scale.cost(_ZERO))
    market = ConeMarket(curved, j, floor, ground.cost)
    used = amount > CLOSE
    line = Line(ground.cost - own * amount, amount if used else _ZERO)
    bare = market.bare() if used else Stand(curved, ground.values)
    low: Fraction | None = None
    high: Fraction | None = None
    if bare is None:
        found = Worth(None, market.least(1).amount, needed=True)
    else:
        found = entry(market, bare, own if used else own - abs(own) / 1000)
        if used and found.price is not None and found.price < own:
            found = Worth(own, amount)
    if used:
        low, high = _same(market, line, own)
    else:
        low = found.price
    told = _amounts(market, scale, own, (_SHARES[1], -_SHARES[1])) if used and low == high == own else ()
    if not used and found.price is not None:
        told = _amounts(market, scale, found.price, _SHARES[:1])
        gradual = bool(told) and told[0][1] > scale.kg(found.amount) * Fraction(101, 100)
        told = (*told, *_amounts(market, scale, found.price, _SHARES[1:])) if gradual else ()
    more = _more(ground, j, scale) if used and not ground.whole else None
    return LotPrice(
        lot, scale.kg(amount if used else _ZERO), scale.money(own) or _ZERO, Means.CHANGED, scale.money(found.price),
        scale.kg(found.amount), found.needed, scale.money(low), scale.money(high), more, told,
    )  # fmt: skip


def _same(market: ConeMarket, line: Line, own: Fraction) -> tuple[Fraction | None, Fraction | None]:
    """The prices between which the blend stays; both the price itself where any change of it changes the blend."""
    step = max(abs(own), market.dear / 5) / 1000
    beside = [market.best(price) for price in (own - step, own + step)]
    moved = [b is None or abs(b.amount - line.amount) > 10 * CLOSE * max(_ONE, line.amount) for b in beside]
    low, high = (own, own) if all(moved) else same_blend(market, line)
    return own if moved[0] else low, own if moved[1] else high


def _amounts(
    market: ConeMarket, scale: PerHeld, price: Fraction, shares: Sequence[Fraction]
) -> tuple[tuple[Fraction, Fraction], ...]:
    """Kilograms as held used at prices by these shares below one, all as held; none where it is not above zero."""
    held = scale.money(price) or _ZERO
    told = []
    for share in shares if held > 0 else ():
        asked = held * (1 - share)
        found = market.best(scale.cost(asked))
        if found is not None:
            told.append((asked, scale.kg(found.amount)))
    return tuple(told)


def _more(ground: SureGround, j: int, scale: PerHeld) -> Side | None:
    """What more of a lot saves where all of it is used."""
    program, stand = ground.stand.curved.program, ground.stand
    v = program.variables[j]
    if v.hi - stand.values[j] > CLOSE * max(_ONE, v.hi):
        return None
    size = len(program.variables)
    unit = tuple(_ONE if k == j else _ZERO for k in range(size))
    rows = (*program.rows, Row(f"stock of {v.name}", unit, None, v.hi))
    variables = tuple(replace(w, hi=(v.hi + 1) * 1000) if k == j else w for k, w in enumerate(program.variables))
    drift = Drift(len(program.rows), (_ZERO,) * size, hi=_ONE)
    opened = Program(variables, rows)
    cones = stand.curved.cones
    moving = Moving(v.hi, Family(opened, v.hi, (drift,)), lambda _: cones)
    start = Stand(Curved(opened, cones), stand.values)
    return scale.side(side_of(ground, moving, 1, "loosen", start))


def lots_of(ground: SureGround) -> list[tuple[int, Lot]]:
    """The lots that may go in, with their columns: those used first, then those whose price is nearest."""
    reduced = ground.stand.reduced
    lots = [(j, c) for j, c in enumerate(ground.problem.formula.columns) if isinstance(c, Lot)]
    return sorted(lots, key=lambda e: (not ground.values[e[0]] > CLOSE, reduced[e[0]] / ground.layout.units[e[0]]))
