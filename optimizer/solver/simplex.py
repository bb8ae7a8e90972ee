"""The simplex method in rational arithmetic, for programs of kitchen size.

It starts from a solver's basis, which is nearly always the answer already, so that mostly it only turns a list of
names into exact amounts and prices. Where the solver was wrong, or claims that no batch exists, it goes on from there
until exact arithmetic has settled the matter.

Every variable has bounds and every row is a further variable, its activity, with the row's limits as bounds (bounded
simplex; Chvatal, Linear Programming, 1983, ch. 8). What is not basic rests on a bound. Feasibility is reached by
minimising the sum of all violations.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from constraints.row import QUICK_ONE, QUICK_ZERO, plain, quick, solve
from optimizer import clock
from optimizer.solver.exact import Vertex, proved, refuted_by, refutes
from optimizer.solver.model import BasisStatus, Program, SimplexBasis, SolverDisagrees

if TYPE_CHECKING:
    from optimizer.solver.session import Session

_ZERO, _ONE = QUICK_ZERO, QUICK_ONE
_PIVOTS = 5_000
"""Pivots after which the search gives up; a kitchen's program needs fewer than a hundred."""


class GaveUp(Exception):
    """Too many pivots: nothing is known."""


class Simplex:
    """One program and where its search stands. Entries 0 to n-1 are the variables, n to n+m-1 the rows."""

    def __init__(self, program: Program, start: SimplexBasis | None = None) -> None:
        """Stand at a basis; where it is missing or singular, at the one in which every row is basic."""
        self.rows = [row.quick for row in program.rows]
        self.size = len(program.variables)
        self.cost: list[Fraction] = [quick(v.cost) for v in program.variables]
        lo, hi = (
            [*(getattr(v, side) for v in program.variables), *(getattr(r, side) for r in program.rows)]
            for side in ("lo", "hi")
        )
        self.lo: list[Fraction | None] = [None if limit is None else quick(limit) for limit in lo]
        self.hi: list[Fraction | None] = [None if limit is None else quick(limit) for limit in hi]
        if start is None or not self._stand(start):
            slack = SimplexBasis((BasisStatus.LOWER,) * self.size, (BasisStatus.BASIC,) * len(self.rows))
            self._stand(slack)

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
            self.cost = [quick(cost[j]) if j in cost else _ZERO for j in range(self.size)]
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
                self.hold_at(z)

    def hold_at(self, z: int) -> None:
        """Hold one entry at its present value."""
        self.lo[z] = self.hi[z] = self.at[z]

    def _held(self, z: int) -> bool:
        return self.lo[z] is not None and self.lo[z] == self.hi[z]

    def _stand(self, basis: SimplexBasis) -> bool:
        """Take a basis; False where it is none (singular, or resting on a limit that does not exist)."""
        self.places = [*basis.variables, *basis.rows]
        at = [_ZERO if place is BasisStatus.BASIC else self._bound(z, place) for z, place in enumerate(self.places)]
        if any(value is None for value in at) or not self._invert():
            return False
        self.at = [value or _ZERO for value in at]
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
        inverse = solve(lines, [{i: _ONE} for i in range(len(lines))])
        self.inverse = [[line.get(k, _ZERO) for k in range(len(lines))] for line in inverse or ()]
        return inverse is not None

    def _bound(self, z: int, place: BasisStatus) -> Fraction | None:
        return self.hi[z] if place is BasisStatus.UPPER else self.lo[z]

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
                for j, a in self.rows[z - self.size].items():
                    cost[j] += sign * a
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
        rest = list(cost)
        for i in self.active:
            if prices[i]:
                for j, a in self.rows[i].items():
                    rest[j] -= prices[i] * a
        reduced = {
            j: rest[j] for j in range(self.size) if self.places[j] is not BasisStatus.BASIC and not self._held(j)
        }
        reduced.update({self.size + i: prices[i] for i in self.active if not self._held(self.size + i)})
        return reduced

    def _entering(self, reduced: Mapping[int, Fraction], *, steepest: bool) -> int | None:
        """The entry to move: the one that saves most, or after an idle pivot the first (Bland, so that none cycles)."""
        best, most = None, _ZERO
        for z, rest in reduced.items():
            saving = rest if self.places[z] is BasisStatus.UPPER else -rest
            if saving > most:
                best, most = z, saving
                if not steepest:
                    break
        return best

    def _pivot(self, entering: int) -> bool:
        """Move an entry off its bound until something blocks. False where nothing could move."""
        sign = -_ONE if self.places[entering] is BasisStatus.UPPER else _ONE
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
            column = [self.rows[i].get(entering, _ZERO) for i in self.active]
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
    return sum((a * many[j] for j, a in few.items() if j in many), _ZERO)


def _dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(left, right, strict=True) if a and b), _ZERO)


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
