"""The simplex method in rational arithmetic, for programs of kitchen size.

It starts from a solver's basis, which is nearly always the answer already, so that mostly it only turns a list of
names into exact amounts and prices. Where the solver was wrong, or claims that no batch exists, it goes on from there
until exact arithmetic has settled the matter.

Every variable has bounds and every row is a further variable, its activity, with the row's limits as bounds (bounded
simplex; Chvatal, Linear Programming, 1983, ch. 8). What is not basic rests on a bound. Feasibility is reached by
minimising the sum of all violations.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from copy import copy
from fractions import Fraction
from math import lcm

from optimizer import clock
from optimizer.solver.model import Basis, Place, Program

_ZERO = Fraction(0)
_ONE = Fraction(1)
_PIVOTS = 5_000
"""Pivots after which the search gives up; a kitchen's program needs fewer than a hundred."""


class GaveUp(Exception):
    """Too many pivots: nothing is known."""


class Simplex:
    """One program and where its search stands. Entries 0 to n-1 are the variables, n to n+m-1 the rows."""

    def __init__(self, program: Program, start: Basis | None = None) -> None:
        """Stand at a basis; where it is missing or singular, at the one in which every row is basic."""
        self.rows = [row.coefs for row in program.rows]
        self._counts = [row.counts for row in program.rows]
        self.size = len(program.variables)
        self.cost: list[Fraction] = [v.cost for v in program.variables]
        self.lo: list[Fraction | None] = [*(v.lo for v in program.variables), *(r.lo for r in program.rows)]
        self.hi: list[Fraction | None] = [*(v.hi for v in program.variables), *(r.hi for r in program.rows)]
        if start is None or not self._stand(start):
            slack = Basis((Place.LOWER,) * self.size, (Place.BASIC,) * len(self.rows))
            self._stand(slack)

    def copy(self) -> Simplex:
        """A search standing where this one stands, which moves on its own."""
        other = copy(self)
        other.cost, other.lo, other.hi = list(self.cost), list(self.lo), list(self.hi)
        other.places, other.at = list(self.places), list(self.at)
        return other

    def shut(self, j: int) -> None:
        """Allow nothing of a variable that is basic or rests at nothing, as from the next search on."""
        if self.places[j] is Place.UPPER and self.at[j]:
            raise ValueError("a variable resting on its upper bound has to be moved first")
        self.hi[j] = _ZERO

    @property
    def values(self) -> tuple[Fraction, ...]:
        """Value of each variable."""
        return tuple(self.at[: self.size])

    @property
    def basis(self) -> Basis:
        """Where everything stands."""
        return Basis(tuple(self.places[: self.size]), tuple(self.places[self.size :]))

    @property
    def settled(self) -> bool:
        """True where all that rests is held, so that no other point is left."""
        return all(place is Place.BASIC or self._held(z) for z, place in enumerate(self.places))

    def prices(self) -> tuple[Fraction, ...]:
        """Dual value of each row at this basis for the costs asked for."""
        return self._prices(self.cost)

    def minimise(self, cost: Mapping[int, Fraction] | None = None) -> bool:
        """Go to a point of least cost, by variable and else zero where given. False where no point is feasible.

        Raises OutOfTime where the command's time is over.
        """
        if cost is not None:
            self.cost = [cost.get(j, _ZERO) for j in range(self.size)]
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
        return tuple(prices)

    def hold(self) -> None:
        """Hold everything with a reduced cost where it rests: what is left are the points of the same cost."""
        for z, rest in self._reduced(self.cost).items():
            if rest:
                self.hold_at(z)

    def hold_at(self, z: int) -> None:
        """Hold one entry at its present value."""
        self.lo[z] = self.hi[z] = self.at[z]

    def _held(self, z: int) -> bool:
        return self.lo[z] is not None and self.lo[z] == self.hi[z]

    def _stand(self, basis: Basis) -> bool:
        """Take a basis; False where it is none (singular, or resting on a limit that does not exist)."""
        self.places = [*basis.variables, *basis.rows]
        at = [_ZERO if place is Place.BASIC else self._bound(z, place) for z, place in enumerate(self.places)]
        if any(value is None for value in at) or not self._invert():
            return False
        self.at = [value or _ZERO for value in at]
        resting = self._sums({j: self.at[j] for j in range(self.size)}, self.active)
        right = [self.at[self.size + i] - resting[i] for i in self.active]
        for j, line in zip(self.basic, self.inverse, strict=True):
            self.at[j] = _dot(line, right)
        for i, total in self._sums({j: self.at[j] for j in range(self.size)}, range(len(self.rows))).items():
            self.at[self.size + i] = total
        return True

    def _sums(self, amounts: Mapping[int, Fraction], rows: Iterable[int]) -> dict[int, Fraction]:
        """What some rows come to with these amounts of the variables."""
        per = lcm(*(amount.denominator for amount in amounts.values()))
        counts = {j: amount.numerator * (per // amount.denominator) for j, amount in amounts.items() if amount}
        found = {}
        for i in rows:
            terms, den = self._counts[i]
            found[i] = Fraction(sum(a * counts[j] for j, a in terms if j in counts), den * per)
        return found

    def _invert(self) -> bool:
        """The inverse of the rows at a limit over the basic variables; False where there is none."""
        self.basic = [j for j in range(self.size) if self.places[j] is Place.BASIC]
        self.active = [i for i in range(len(self.rows)) if self.places[self.size + i] is not Place.BASIC]
        if len(self.basic) != len(self.active):
            return False
        lines = ([(k, self.rows[i][j]) for k, j in enumerate(self.basic)] for i in self.active)
        inverse = inverted([{k: a for k, a in line if a} for line in lines])
        self.inverse = inverse or []
        return inverse is not None

    def _bound(self, z: int, place: Place) -> Fraction | None:
        return self.hi[z] if place is Place.UPPER else self.lo[z]

    def _violations(self) -> dict[int, Fraction]:
        """Entries outside their bounds: -1 below, 1 above."""
        wrong = {}
        for z, value in enumerate(self.at):
            lo, hi = self.lo[z], self.hi[z]
            if lo is not None and value < lo:
                wrong[z] = -_ONE
            elif hi is not None and value > hi:
                wrong[z] = _ONE
        return wrong

    def _gradient(self, wrong: Mapping[int, Fraction]) -> list[Fraction]:
        """What to bring down: the sum of all violations while there are any, then the cost."""
        if not wrong:
            return self.cost
        cost = [wrong.get(j, _ZERO) for j in range(self.size)]
        for z, sign in wrong.items():
            if z >= self.size:
                terms, den = self._counts[z - self.size]
                for j, a in terms:
                    cost[j] += sign * Fraction(a, den)
        return cost

    def _prices(self, cost: Sequence[Fraction]) -> tuple[Fraction, ...]:
        prices = [_ZERO] * len(self.rows)
        paid = [cost[j] for j in self.basic]
        for k, i in enumerate(self.active):
            prices[i] = _dot(paid, [line[k] for line in self.inverse])
        return tuple(prices)

    def _reduced(self, cost: Sequence[Fraction]) -> dict[int, Fraction]:
        """What one unit more of each entry that rests and is not held would cost."""
        prices = self._prices(cost)
        paid, den = self._paid(prices)
        reduced = {
            j: cost[j] - Fraction(paid[j], den) if paid[j] else cost[j]
            for j in range(self.size)
            if self.places[j] is not Place.BASIC and not self._held(j)
        }
        reduced.update({self.size + i: prices[i] for i in self.active if not self._held(self.size + i)})
        return reduced

    def _paid(self, prices: Sequence[Fraction]) -> tuple[list[int], int]:
        """What the rows' prices pay for each variable, over a denominator."""
        priced = [(*self._counts[i], prices[i]) for i in self.active if prices[i]]
        shares = [price / den for _, den, price in priced]
        per = lcm(*(share.denominator for share in shares))
        paid = [0] * self.size
        for (terms, _, _), share in zip(priced, shares, strict=True):
            n = share.numerator * (per // share.denominator)
            for j, a in terms:
                paid[j] += n * a
        return paid, per

    def _entering(self, reduced: Mapping[int, Fraction], *, steepest: bool) -> int | None:
        """The entry to move: the one that saves most, or after an idle pivot the first (Bland, so that none cycles)."""
        best, most = None, _ZERO
        for z, rest in reduced.items():
            saving = rest if self.places[z] is Place.UPPER else -rest
            if saving > most:
                best, most = z, saving
                if not steepest:
                    break
        return best

    def _pivot(self, entering: int) -> bool:
        """Move an entry off its bound until something blocks. False where nothing could move."""
        sign = -_ONE if self.places[entering] is Place.UPPER else _ONE
        step = self._directions(entering, sign)
        lo, hi = self.lo[entering], self.hi[entering]
        length = None if lo is None or hi is None else hi - lo
        leaving, onto = entering, Place.LOWER if sign < 0 else Place.UPPER
        for z, speed in step.items():
            blocked = self._block(z, speed)
            if blocked is not None and (length is None or blocked[0] < length):
                length, onto, leaving = *blocked, z
        if length is None:
            raise GaveUp
        self.at[entering] += sign * length
        for z, speed in step.items():
            self.at[z] += speed * length
        self.places[entering] = Place.BASIC
        self.places[leaving] = onto
        if leaving != entering and not self._invert():
            raise GaveUp
        return length > 0

    def _directions(self, entering: int, sign: Fraction) -> dict[int, Fraction]:
        """How fast each basic entry changes while one moves off its bound."""
        if entering < self.size:
            column = [self.rows[i][entering] for i in self.active]
            speeds = {j: -sign * _dot(line, column) for j, line in zip(self.basic, self.inverse, strict=True)}
            moving = [(entering, sign), *speeds.items()]
        else:
            k = self.active.index(entering - self.size)
            speeds = {j: sign * line[k] for j, line in zip(self.basic, self.inverse, strict=True)}
            moving = list(speeds.items())
        free = [i for i in range(len(self.rows)) if self.places[self.size + i] is Place.BASIC]
        speeds.update((self.size + i, speed) for i, speed in self._sums(dict(moving), free).items())
        return {z: speed for z, speed in sorted(speeds.items()) if speed}

    def _block(self, z: int, speed: Fraction) -> tuple[Fraction, Place] | None:
        """How far one may go until a basic entry meets a bound; one outside its bounds stops at the near one."""
        value, lo, hi = self.at[z], self.lo[z], self.hi[z]
        below, above = lo is not None and value < lo, hi is not None and value > hi
        if speed > 0:
            target, place = (lo, Place.LOWER) if below else (None if above else hi, Place.UPPER)
        else:
            target, place = (hi, Place.UPPER) if above else (None if below else lo, Place.LOWER)
        return None if target is None else ((target - value) / speed, place)


def _dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(left, right, strict=True) if a and b), _ZERO)


def inverted(lines: Sequence[dict[int, Fraction]]) -> list[list[Fraction]] | None:
    """The inverse of a square matrix given by its rows, each without its zeros; None where there is none.

    Gauss-Jordan elimination that takes the shortest row next and in it the column that the fewest rows have, so that
    the many rows of two figures (those of packs and pulls) stay short.
    """
    size = len(lines)
    left = [dict(line) for line in lines]
    made: list[dict[int, Fraction]] = [{i: _ONE} for i in range(size)]
    using: list[set[int]] = [set() for _ in range(size)]
    for i, line in enumerate(left):
        for j in line:
            using[j].add(i)
    waiting, row_of = set(range(size)), [0] * size
    while waiting:
        i = min(waiting, key=lambda i: (len(left[i]), i))
        if not left[i]:
            return None
        waiting.remove(i)
        j = min(left[i], key=lambda j: (len(using[j]), j))
        row_of[j], lead = i, left[i][j]
        for part in (left[i], made[i]):
            for k, a in part.items():
                part[k] = a / lead
        for other in [k for k in using[j] if k != i]:
            factor = left[other][j]
            _take_off(made[other], made[i], factor)
            for k in _take_off(left[other], left[i], factor):
                (using[k].add if k in left[other] else using[k].discard)(other)
    return [[made[i].get(k, _ZERO) for k in range(size)] for i in row_of]


def _take_off(line: dict[int, Fraction], other: Mapping[int, Fraction], factor: Fraction) -> Mapping[int, Fraction]:
    """Take a multiple of another row off one; the other row, whose places are those that may have changed."""
    for k, a in other.items():
        rest = line.get(k, _ZERO) - factor * a
        if rest:
            line[k] = rest
        else:
            line.pop(k, None)
    return other
