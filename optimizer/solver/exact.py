"""Proofs in rational arithmetic: that a point is feasible and cheapest, or that there is none.

A solver's floating-point figures are never used for this. Prices may come from anywhere: what they prove is reckoned
here from the program alone (weak duality over the box of the variables).

The exact simplex method starts from a solver's basis, which is nearly always the answer already, so that mostly it only
turns a list of names into exact amounts and prices. Where the solver was wrong, or claims that no batch exists, it goes
on from there until exact arithmetic has settled the matter. Every variable has bounds and every row is a further
variable, its activity, with the row's limits as bounds (bounded simplex; Chvatal, Linear Programming, 1983, ch. 8).
What is not basic rests on a bound. Feasibility is reached by minimising the sum of all violations.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import frexp, lcm
from typing import Any

import numpy as np

from constraints.as_typed import ZERO
from constraints.row import QUICK_ONE, QUICK_ZERO, Vector, plain, quick, solve
from optimizer import clock
from optimizer.solver.program import BasisStatus, ColumnKind, Program, SimplexBasis, SolverDisagrees
from optimizer.solver.session import Session

_BITS = 60
"""Binary places kept of the largest of a solver's prices, and as many more as its row's denominator needs."""
_PIVOTS = 5_000
"""Pivots after which the search gives up; a kitchen's program needs fewer than a hundred."""

Within = Mapping[int, tuple[Fraction, Fraction]]
"""Closer bounds of some variables."""


@dataclass(frozen=True)
class Vertex:
    """An exact basic solution. ``prices`` are the rows' dual values, money per unit of the row's limit."""

    values: tuple[Fraction, ...]
    prices: tuple[Fraction, ...]
    basis: SimplexBasis
    cost: Fraction = ZERO


def multipliers(program: Program, prices: Iterable[float]) -> tuple[Fraction, ...]:
    """A solver's prices as fractions whose products with a row are whole numbers over one power of two.

    Those that lean on a limit that does not exist are none.
    """
    prices = [float(price) for price in prices]
    bits = max(_BITS - frexp(max(map(abs, prices), default=0.0))[1], 0)
    found = [ZERO] * len(prices)
    for i, (row, price) in enumerate(zip(program.rows, prices, strict=True)):
        if price and (row.lo if price > 0 else row.hi) is not None:
            den, (over, under) = row.sparse[1].den, price.as_integer_ratio()
            fine = bits + den.bit_length()
            found[i] = Fraction((over << fine) // (under * den) * den, 1 << fine)
    return tuple(found)


def _rest(program: Program, costs: Vector, prices: Sequence[Fraction]) -> tuple[Any, int]:
    """What every variable costs beyond what the rows pay for it, as whole numbers and their one denominator."""
    paid = [(*row.sparse, price / row.sparse[1].den) for row, price in zip(program.rows, prices, strict=True) if price]
    den = lcm(costs.den, *{factor.denominator for *_, factor in paid})
    rest = costs.num.astype(object) * (den // costs.den)
    for places, coefs, factor in paid:
        rest[places] -= coefs.num.astype(object) * (factor.numerator * (den // factor.denominator))
    return rest, den


def reduced_costs(program: Program, prices: Sequence[Fraction]) -> tuple[Fraction, ...]:
    """Cost of each variable less what the rows' prices pay for it."""
    rest, den = _rest(program, program.vectors[0], prices)
    return tuple(Fraction(n, den) if n else ZERO for n in rest.tolist())


def lower_bound(
    program: Program, prices: Sequence[Fraction], *, free: bool = False, within: Within | None = None
) -> Fraction | None:
    """A lower bound on cost that holds for any prices whatever; with ``free`` as if nothing cost anything.

    ``within`` are closer bounds of some variables.

    A positive price counts a row's lower limit, a negative one its upper limit. None where a price leans on a limit
    that does not exist, so that the bound is minus infinity.
    """
    total = ZERO if free else program.constant
    for row, price in zip(program.rows, prices, strict=True):
        if price:
            limit = row.lo if price > 0 else row.hi
            if limit is None:
                return None
            total += price * limit if limit else ZERO
    cost, hi, lo, _ = program.vectors
    rest, den = _rest(program, Vector.whole([0] * len(cost)) if free else cost, prices)
    for sign, bound in ((1, lo), (-1, hi)):
        places = np.flatnonzero(rest * sign > 0)
        worth = rest[places] @ bound.num[places].astype(object) if bound.top and len(places) else 0
        total += Fraction(worth, den * bound.den)
    for j, closer in (within or {}).items():
        if rest[j]:
            v, side = program.variables[j], rest[j] < 0
            total += Fraction(rest[j], den) * (closer[side] - (v.hi if side else v.lo))
    return total


def proved(program: Program, found: Vertex) -> bool:
    """True where the vertex is feasible and its own prices prove that nothing is cheaper."""
    return program.feasible(found.values) and lower_bound(program, found.prices) == program.cost(found.values)


def refutes(program: Program, prices: Sequence[Fraction], within: Within | None = None) -> bool:
    """True where prices prove that the program has no point: doing nothing at all would cost more than nothing.

    This is Farkas' lemma: with every cost zero, any point costs zero, so a bound above zero leaves none.
    """
    bound = lower_bound(program, prices, free=True, within=within)
    return bound is not None and bound > 0


def refuted_by(program: Program, ray: Sequence[float], within: Within | None = None) -> tuple[Fraction, ...]:
    """A solver's ray, rounded, if it proves that the program has no point; its sign does not matter. Else nothing."""
    for sign in (1, -1) if any(ray) else ():
        prices = multipliers(program, [sign * price for price in ray])
        if refutes(program, prices, within):
            return prices
    return ()


def unique(program: Program, found: Vertex, within: Within) -> bool:
    """True where a cheapest vertex, within closer bounds, surely has the only cheapest amounts there.

    All others would keep the same limits that are paid for, with what is free where it stands; those are as many
    equations as unknowns, and have one solution.
    """
    rest, _ = _rest(program, program.vectors[0], found.prices)
    bounds = (within.get(j, (v.lo, v.hi)) for j, v in enumerate(program.variables))
    free = {j for j, (n, (lo, hi)) in enumerate(zip(rest.tolist(), bounds, strict=True)) if not n and lo < hi}
    paid = [row for row, price in zip(program.rows, found.prices, strict=True) if price]
    lines = [{j: a for j, a in row.terms if j in free} for row in paid]
    places = {j: k for k, j in enumerate(sorted({j for line in lines for j in line}))}
    loose = any(program.variables[j].kind is ColumnKind.AMOUNT for j in free - places.keys())
    if loose or len(places) != len(lines):
        return False
    return solve([{places[j]: a for j, a in line.items()} for line in lines], [{} for _ in lines]) is not None


class GaveUp(Exception):
    """Too many pivots: nothing is known."""


class Simplex:
    """One program and where its search stands. Entries 0 to n-1 are the variables, n to n+m-1 the rows."""

    def __init__(self, program: Program, start: SimplexBasis | None = None) -> None:
        """Stand at a basis; where it is missing or singular, at the one in which every row is basic."""
        self.rows = [row.quick for row in program.rows]
        self.size = len(program.variables)
        self.cost: list[Fraction] = [quick(v.cost) for v in program.variables]
        entries = [*program.variables, *program.rows]
        lo, hi = ([getattr(one, side) for one in entries] for side in ("lo", "hi"))
        self.lo: list[Fraction | None] = [None if limit is None else quick(limit) for limit in lo]
        self.hi: list[Fraction | None] = [None if limit is None else quick(limit) for limit in hi]
        if start is None or not self._stand(start):
            self._stand(SimplexBasis((BasisStatus.LOWER,) * self.size, (BasisStatus.BASIC,) * len(self.rows)))

    @property
    def values(self) -> tuple[Fraction, ...]:
        """Value of each variable."""
        return tuple(map(plain, self.at[: self.size]))

    @property
    def basis(self) -> SimplexBasis:
        """Where everything stands."""
        return SimplexBasis(tuple(self.places[: self.size]), tuple(self.places[self.size :]))

    @property
    def settled(self) -> bool:
        """True where all that rests is held, so that no other point is left."""
        return all(place is BasisStatus.BASIC or self._held(z) for z, place in enumerate(self.places))

    def vertex(self, program: Program) -> Vertex:
        """Where it stands in its program, with the prices for the costs asked for."""
        return Vertex(self.values, self.prices(), self.basis, program.cost(self.values))

    def prices(self) -> tuple[Fraction, ...]:
        """Dual value of each row at this basis for the costs asked for."""
        return tuple(map(plain, self._prices(self.cost)))

    def minimise(self, cost: Mapping[int, Fraction] | None = None) -> bool:
        """Go to a point of least cost, by variable and else zero where given. False where no point is feasible.

        Raises OutOfTime where the command's time is over.
        """
        if cost is not None:
            self.cost = [quick(cost[j]) if j in cost else QUICK_ZERO for j in range(self.size)]
        wrong, moved = self._violations(), True
        reduced = self._reduced(self._gradient(wrong))
        for _ in range(_PIVOTS):
            clock.left()
            entering = self._entering(reduced, steepest=moved)
            if entering is None:
                return not wrong
            before, inverse = wrong, self.inverse
            moved = self._pivot(entering)
            wrong = self._violations() if wrong else wrong
            if wrong != before or self.inverse is not inverse:
                reduced = self._reduced(self._gradient(wrong))
        raise GaveUp

    def refutation(self) -> tuple[Fraction, ...]:
        """After a search in vain: prices of the rows that prove infeasibility (see exact.refutes)."""
        wrong = self._violations()
        prices = list(self._prices(self._gradient(wrong)))
        for z, sign in wrong.items():
            if z >= self.size:
                prices[z - self.size] = -sign
        return tuple(map(plain, prices))

    def hold(self) -> None:
        """Hold everything with a reduced cost where it rests: what is left are the points of the same cost."""
        for z, rest in self._reduced(self.cost).items():
            if rest:
                self.lo[z] = self.hi[z] = self.at[z]

    def _held(self, z: int) -> bool:
        return self.lo[z] is not None and self.lo[z] == self.hi[z]

    def _stand(self, basis: SimplexBasis) -> bool:
        """Take a basis; False where it is none (singular, or resting on a limit that does not exist)."""
        self.places = [*basis.variables, *basis.rows]
        here = enumerate(self.places)
        at = [
            QUICK_ZERO if place is BasisStatus.BASIC else (self.hi if place is BasisStatus.UPPER else self.lo)[z]
            for z, place in here
        ]
        if any(value is None for value in at) or not self._invert():
            return False
        self.at = [value or QUICK_ZERO for value in at]
        used = self._used()
        right = [self.at[self.size + i] - _times(self.rows[i], used) for i in self.active]
        for j, part in zip(self.basic, self.inverse, strict=True):
            self.at[j] = _dot(part, right)
        used = self._used()
        for i, row in enumerate(self.rows):
            self.at[self.size + i] = _times(row, used)
        return True

    def _used(self) -> dict[int, Fraction]:
        """The variables that are not zero."""
        return {j: x for j, x in enumerate(self.at[: self.size]) if x}

    def _invert(self) -> bool:
        """The inverse of the rows at a limit over the basic variables; False where there is none."""
        self.basic = [j for j in range(self.size) if self.places[j] is BasisStatus.BASIC]
        self.active = [i for i in range(len(self.rows)) if self.places[self.size + i] is not BasisStatus.BASIC]
        if len(self.basic) != len(self.active):
            return False
        lines = [{k: self.rows[i][j] for k, j in enumerate(self.basic) if j in self.rows[i]} for i in self.active]
        inverse = solve(lines, [{i: QUICK_ONE} for i in range(len(lines))])
        self.inverse = [[line.get(k, QUICK_ZERO) for k in range(len(lines))] for line in inverse or ()]
        return inverse is not None

    def _violations(self) -> dict[int, Fraction]:
        """Entries outside their bounds: -1 below, 1 above."""
        wrong = {}
        for z, value in enumerate(self.at):
            lo, hi = self.lo[z], self.hi[z]
            if lo is not None and value < lo:
                wrong[z] = -QUICK_ONE
            elif hi is not None and value > hi:
                wrong[z] = QUICK_ONE
        return wrong

    def _gradient(self, wrong: Mapping[int, Fraction]) -> list[Fraction]:
        """What to bring down: the sum of all violations while there are any, then the cost."""
        if not wrong:
            return self.cost
        cost = [wrong.get(j, QUICK_ZERO) for j in range(self.size)]
        for z, sign in wrong.items():
            if z >= self.size:
                for j, a in self.rows[z - self.size].items():
                    cost[j] += sign * a
        return cost

    def _prices(self, cost: Sequence[Fraction]) -> tuple[Fraction, ...]:
        prices = [QUICK_ZERO] * len(self.rows)
        paid = [cost[j] for j in self.basic]
        for k, i in enumerate(self.active):
            prices[i] = _dot(paid, [line[k] for line in self.inverse])
        return tuple(prices)

    def _reduced(self, cost: Sequence[Fraction]) -> dict[int, Fraction]:
        """What one unit more of each entry that rests and is not held would cost."""
        prices = self._prices(cost)
        rest = list(cost)
        for i in self.active:
            if prices[i]:
                for j, a in self.rows[i].items():
                    rest[j] -= prices[i] * a
        free = [j for j in range(self.size) if self.places[j] is not BasisStatus.BASIC and not self._held(j)]
        reduced = {j: rest[j] for j in free}
        reduced.update({self.size + i: prices[i] for i in self.active if not self._held(self.size + i)})
        return reduced

    def _entering(self, reduced: Mapping[int, Fraction], *, steepest: bool) -> int | None:
        """The entry to move: the one that saves most, or after an idle pivot the first (Bland, so that none cycles)."""
        best, most = None, QUICK_ZERO
        for z, rest in reduced.items():
            saving = rest if self.places[z] is BasisStatus.UPPER else -rest
            if saving > most:
                best, most = z, saving
                if not steepest:
                    break
        return best

    def _pivot(self, entering: int) -> bool:
        """Move an entry off its bound until something blocks. False where nothing could move."""
        sign = -QUICK_ONE if self.places[entering] is BasisStatus.UPPER else QUICK_ONE
        step = self._directions(entering, sign)
        lo, hi = self.lo[entering], self.hi[entering]
        length = None if lo is None or hi is None else hi - lo
        leaving, onto = entering, BasisStatus.LOWER if sign < 0 else BasisStatus.UPPER
        for z, speed in step.items():
            blocked = self._block(z, speed)
            if blocked is not None and (length is None or blocked[0] < length):
                length, onto, leaving = *blocked, z
        if length is None:
            raise GaveUp
        self.at[entering] += sign * length
        for z, speed in step.items():
            self.at[z] += speed * length
        self.places[entering] = BasisStatus.BASIC
        self.places[leaving] = onto
        if leaving != entering:
            self._invert()
        return length > 0

    def _directions(self, entering: int, sign: Fraction) -> dict[int, Fraction]:
        """How fast each basic entry changes while one moves off its bound."""
        if entering < self.size:
            column = [self.rows[i].get(entering, QUICK_ZERO) for i in self.active]
            speeds = {j: -sign * _dot(line, column) for j, line in zip(self.basic, self.inverse, strict=True)}
            moving = [(entering, sign), *speeds.items()]
        else:
            k = self.active.index(entering - self.size)
            speeds = {j: sign * line[k] for j, line in zip(self.basic, self.inverse, strict=True)}
            moving = list(speeds.items())
        moves = {j: speed for j, speed in moving if speed}
        for i, line in enumerate(self.rows):
            if self.places[self.size + i] is BasisStatus.BASIC:
                speeds[self.size + i] = _times(line, moves)
        return {z: speed for z, speed in sorted(speeds.items()) if speed}

    def _block(self, z: int, speed: Fraction) -> tuple[Fraction, BasisStatus] | None:
        """How far one may go until a basic entry meets a bound; one outside its bounds stops at the near one."""
        value, lo, hi = self.at[z], self.lo[z], self.hi[z]
        below, above = lo is not None and value < lo, hi is not None and value > hi
        if speed > 0:
            target, place = (lo, BasisStatus.LOWER) if below else (None if above else hi, BasisStatus.UPPER)
        else:
            target, place = (hi, BasisStatus.UPPER) if above else (None if below else lo, BasisStatus.LOWER)
        return None if target is None else ((target - value) / speed, place)


def _times(left: Mapping[int, Fraction], right: Mapping[int, Fraction]) -> Fraction:
    """The sum of products over the places that both have."""
    few, many = (left, right) if len(left) <= len(right) else (right, left)
    return sum((a * many[j] for j, a in few.items() if j in many), QUICK_ZERO)


def _dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(left, right, strict=True) if a and b), QUICK_ZERO)


def vertex(program: Program, basis: SimplexBasis) -> Vertex | None:
    """The vertex of a basis if it is proved to be the cheapest, else None."""
    found = Simplex(program, basis).vertex(program)
    return found if proved(program, found) else None


def settled(program: Program, session: Session, *, possible: bool) -> tuple[Vertex | None, tuple[Fraction, ...]]:
    """The cheapest vertex, or None and prices that refute that there is a point: from what the solver has just said.

    Either is proved. Raises SolverDisagrees where neither can be.
    """
    prices = () if possible else refuted_by(program, session.ray)
    if prices:
        return None, prices
    search = Simplex(program, session.basis)
    found = search.vertex(program)
    return (found, ()) if possible and proved(program, found) else minimised(program, search)


def minimised(program: Program, search: Simplex) -> tuple[Vertex | None, tuple[Fraction, ...]]:
    """As ``settled``, by going on from where a search stands."""
    try:
        feasible = search.minimise()
    except GaveUp:
        raise SolverDisagrees("exact arithmetic found no end") from None
    if not feasible:
        prices = search.refutation()
        if refutes(program, prices):
            return None, prices
        raise SolverDisagrees("that no batch exists could not be proved in exact arithmetic")
    found = search.vertex(program)
    if not proved(program, found):
        raise SolverDisagrees("the optimum could not be proved in exact arithmetic")
    return found, ()
