"""The exact optimum of a program, with its proof, and the choice between equally cheap blends.

The solver is a guide only. Its last basis is where the exact search starts, which settles whether there is a batch and
which is the cheapest; both are proved before they are used (see exact).

Between equally cheap blends as much as possible is taken of the lots with the earliest use-by, then of those with the
next one, and so on; between lots that this leaves equal, as much as possible of the one whose name sorts first. The
choice is made among the points that cost exactly the same, so no tolerance on the cost is involved. With whole packs
or smallest pulls, of the equally cheap choices of whole numbers the one with the least sum of kilograms times place in
that order is asked for, and taken only if its exact cost is no higher.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from math import ceil, floor, inf

from constraints.as_typed import ONE, ZERO
from constraints.quantities import Ingredient, Lot
from constraints.row import Row
from optimizer import clock
from optimizer.solver.exact import Simplex, Vertex, reduced_costs, refuted_by, settled
from optimizer.solver.lattice import whole
from optimizer.solver.program import Ending, Program, SimplexBasis, SolverDisagrees, Variable, relaxed
from optimizer.solver.session import ALL, Session
from optimizer.solver.tree import Bounds, prove

RANKING = 500
"""Nodes after which the search for an equally cheap batch that is used sooner ends."""
MOST_NODES = 1_000
"""Nodes after which a search in whole numbers is given up; each is a linear program, and few need more than ten."""
MOMENT = 0.3
"""Seconds left to make an exact batch of what a search that was stopped has found."""


class Unsettled(Exception):
    """A search in whole numbers was given up before it found anything; nothing is known."""


class Kept:
    """One program. Its limits, bounds and costs may change; columns without whole numbers and rows may be added.

    ``settle`` leaves whole numbers aside; ``best`` keeps them. ``certain`` says whether the
    last search in whole numbers went to its end, so that it proves what it found; where not, ``reported`` is a lower
    bound that is not proved. ``tied`` are the parts of its tree in which something else may cost as little.
    """

    def __init__(self, program: Program, *, stated: bool = False) -> None:
        """``stated``: the program is stated in the modelling language (see session)."""
        self.variables = list(program.variables)
        self.counted = [j for j, v in enumerate(program.variables) if v.whole]
        self.rows = list(program.rows)
        self.certain, self.reported = True, -inf
        self.tied: list[Bounds] = []
        self._linear = Session(program, stated=stated)

    # The program and its changes.

    @property
    def program(self) -> Program:
        """The program as it stands."""
        return Program(tuple(self.variables), tuple(self.rows))

    def limit(self, i: int, lo: Fraction | None, hi: Fraction | None) -> None:
        """Put a row between other limits; with neither it is let go."""
        if (self.rows[i].lo, self.rows[i].hi) == (lo, hi):
            return
        self.rows[i] = self.rows[i].but(lo=lo, hi=hi)
        self._linear.limit(i, lo, hi)

    def bound(self, j: int, lo: Fraction, hi: Fraction) -> None:
        """Put a variable between other bounds."""
        v = self.variables[j]
        if (v.lo, v.hi) == (lo, hi):
            return
        self.variables[j] = replace(v, lo=lo, hi=hi)
        self._linear.bound(j, float(lo), float(hi))

    def aim(self, costs: Mapping[int, Fraction]) -> None:
        """Put a cost on these variables and none on the others."""
        for j, v in enumerate(self.variables):
            cost = costs.get(j, ZERO)
            if v.cost != cost:
                self.variables[j] = replace(v, cost=cost)
        self._linear.costs([float(costs[j]) if j in costs else 0.0 for j in range(len(self.variables))])

    def add_row(self, row: Row) -> int:
        """Add a row over the variables there are; its place."""
        self.rows.append(row)
        self._linear.add_row(row)
        return len(self.rows) - 1

    def add_columns(self, columns: Sequence[tuple[Variable, Mapping[int, Fraction]]]) -> list[int]:
        """Add variables, each with its coefficients by row; their places."""
        first = len(self.variables)
        new: dict[int, dict[int, Fraction]] = {}
        for j, (v, coefs) in enumerate(columns, start=first):
            self.variables.append(v)
            for i, a in coefs.items():
                new.setdefault(i, {})[j] = a
            self._linear.add_column(float(v.cost), float(v.lo), float(v.hi), {i: float(a) for i, a in coefs.items()})
        for i, further in new.items():
            self.rows[i] = self.rows[i].plus(further)
        return list(range(first, first + len(columns)))

    # Questions without whole numbers.

    def settle(self) -> Vertex | None:
        """The cheapest vertex, or None where there is no point; either one proved.

        Raises SolverDisagrees where neither can be proved.
        """
        return settled(relaxed(self.program), self._linear, possible=self._linear.run())[0]

    def leaning(self) -> list[int] | None:
        """Variables whose upper bounds the proof of a ray leans on, the most first; None without such a proof."""
        prices = () if self._linear.run() else refuted_by(self.program, self._linear.ray)
        if not prices:
            return None
        paid = [ZERO] * len(self.variables)
        for row, price in zip(self.rows, prices, strict=True):
            for j, a in row.terms if price else ():
                paid[j] += price * a
        return sorted((j for j, n in enumerate(paid) if n > 0), key=lambda j: (-paid[j], j))

    # Whole numbers.

    def best(self, nodes: int = MOST_NODES, gap: Fraction = ZERO) -> tuple[Fraction, ...]:
        """The cheapest point in whole numbers, exact; empty where there is none, which is proved.

        With whole numbers it is searched for as far as so many nodes and time lead, or to within a gap as a share of
        the cost; ``certain`` says whether that was far enough. Raises Unsettled where nodes ran out before any point
        was found, OutOfTime where time did.
        """
        self.certain = True
        loose = self.settle()
        found = self.chosen(nodes, gap) if loose is not None and self.counted else loose
        return () if found is None else found.values

    def chosen(self, nodes: int, gap: Fraction = ZERO) -> Vertex | None:
        """As ``best``, where it is known that there are points without whole numbers: the vertex among those chosen."""
        with clock.doing("searching in whole packs"):
            values, proof = whole(self.program, nodes, gap, self._linear)
        self.certain, self.reported, self.tied = proof.closed and not gap, proof.reported, proof.tied
        if not values:
            if proof.closed:
                return None
            clock.left()
            raise Unsettled
        with clock.moment(MOMENT):
            return proof.best if proof.held else self.pinned(values)

    def pinned(self, values: Sequence[float | Fraction]) -> Vertex | None:
        """The cheapest point with these whole numbers."""
        held = [(j, Fraction(round(values[j]))) for j in self.counted]
        if any(not self.variables[j].lo <= x <= self.variables[j].hi for j, x in held):
            return None
        before = [(j, self.variables[j].lo, self.variables[j].hi) for j in self.counted]
        try:
            for j, x in held:
                self.bound(j, x, x)
            return self.settle()
        finally:
            for j, lo, hi in before:
                self.bound(j, lo, hi)


@dataclass(frozen=True)
class Ranks:
    """The order of use. ``levels`` hold kilograms by variable, to be made as large as possible one after the other.

    ``places`` are kilograms of one unit of each variable times its place in the order.
    """

    levels: tuple[Mapping[int, Fraction], ...]
    places: Mapping[int, Fraction]


@dataclass(frozen=True)
class Optimum:
    """``values`` of the variables, exact; ``bound`` proved; ``reported`` the solver's own bound for whole numbers.

    With whole numbers a claim that no batch exists is checked as far as branching goes; ``certain`` is False where
    that was not far enough. ``basis`` is that of the prices, where there is one. With cones the prices are followed by
    those of ``cuts``: ``of`` says which cone each belongs to, ``point`` are the values at which they were laid, and
    ``plain`` is the optimum without cones, where it was asked for.
    """

    ending: Ending
    values: tuple[Fraction, ...] = ()
    cost: Fraction = ZERO
    bound: Fraction | None = None
    reported: float | None = None
    prices: tuple[Fraction, ...] = ()
    certain: bool = True
    basis: SimplexBasis | None = None
    cuts: tuple[Row, ...] = ()
    of: tuple[int, ...] = ()
    point: tuple[Fraction, ...] = ()
    plain: Optimum | None = field(default=None, compare=False, repr=False)


def optimise(program: Program, ranks: Ranks, nodes: int = ALL) -> Optimum:
    """The cheapest point of a program; ``ranks`` choose between equally cheap ones, ``nodes`` end a search.

    Raises SolverDisagrees where exact arithmetic cannot settle it.
    """
    kept = Kept(program, stated=True)
    with clock.moment(MOMENT):
        loose = kept.settle()
        if loose is None:
            return Optimum(Ending.INFEASIBLE)
        if not program.whole:
            values = _break_ties(program, loose, ranks)
            return Optimum(Ending.OPTIMAL, values, loose.cost, loose.cost, None, loose.prices, basis=loose.basis)
    try:
        found = kept.chosen(nodes)
    except (clock.OutOfTime, Unsettled):
        return Optimum(Ending.TIME_LIMIT, bound=loose.cost, certain=False)
    if found is None:
        return Optimum(Ending.INFEASIBLE, bound=loose.cost)
    certain = kept.certain
    bound, reported = (found.cost, None) if certain else (loose.cost, kept.reported)
    found = _better_ranked(kept, found, ranks, loose) if certain and ranks.places else found
    with clock.moment(MOMENT):
        values = _break_ties(held(program, found.values), found, ranks)
    ending = Ending.OPTIMAL if certain else Ending.TIME_LIMIT
    return Optimum(ending, values, found.cost, bound, reported, found.prices, certain, found.basis)


def settle(program: Program) -> Vertex | None:
    """The cheapest vertex of a program without whole numbers, or None where it has no point; either one proved.

    Raises SolverDisagrees where neither can be proved.
    """
    return Kept(program).settle()


def held(program: Program, values: Sequence[float | Fraction]) -> Program:
    """The linear program that is left when every whole number is held at these values."""
    each = [(v, Fraction(round(x))) for v, x in zip(program.variables, values, strict=False)]
    return replace(program, variables=tuple(replace(v, lo=x, hi=x, whole=False) if v.whole else v for v, x in each))


def _better_ranked(kept: Kept, best: Vertex, ranks: Ranks, loose: Vertex) -> Vertex:
    """Another choice of whole numbers that costs no more, and uses sooner what ought to be used sooner.

    It can only be where the proof that nothing is cheaper leaves something that costs as little.
    """
    program = kept.program
    ranked = no_dearer(program, ranks.places, best.cost, loose.prices, loose.cost)
    parts = []
    for tied in kept.tied:
        sides = {j: (max(lo, ranked.variables[j].lo), min(hi, ranked.variables[j].hi)) for j, (lo, hi) in tied.items()}
        parts += [sides] if all(lo <= hi for lo, hi in sides.values()) else []
    found = prove(ranked, ranked.cost(best.values), RANKING, within=parts).best if parts else None
    return (kept.pinned(found.values) if found else None) or best


def no_dearer(
    program: Program, costs: Mapping[int, Fraction], most: Fraction, prices: Sequence[Fraction], bound: Fraction
) -> Program:
    """The batches of a program that cost no more than ``most``, with other costs on their variables.

    The prices of the linear program prove its bound; a variable with a reduced cost that moves off its own bound adds
    that much for every unit, so what is too far off is left out.
    """
    variables = []
    for j, (v, rest) in enumerate(zip(program.variables, reduced_costs(program, prices), strict=True)):
        lo, hi = v.lo, v.hi
        if rest > 0:
            hi = min(hi, lo + (most - bound) / rest)
        elif rest < 0:
            lo = max(lo, hi + (most - bound) / rest)
        if v.whole:
            lo, hi = Fraction(ceil(lo)), Fraction(floor(hi))
        variables.append(replace(v, cost=costs.get(j, ZERO), lo=lo, hi=max(lo, hi)))
    dearest = Row("no dearer", tuple(v.cost for v in program.variables), None, most)
    return Program(tuple(variables), (*program.rows, dearest))


def _break_ties(program: Program, found: Vertex, ranks: Ranks) -> tuple[Fraction, ...]:
    """The first blend in the order of use among all that cost exactly the same."""
    if not ranks.levels:
        return found.values
    search = Simplex(program, found.basis)
    search.hold()
    for level in ranks.levels:
        if search.settled:
            break
        search.minimise({j: -kg for j, kg in level.items()})
        search.hold()
    values = search.values
    if not program.feasible(values) or program.cost(values) != program.cost(found.values):
        raise SolverDisagrees("the choice between equally cheap blends could not be proved in exact arithmetic")
    return values


def order_of_use(column: Ingredient) -> tuple[bool, date, str]:
    """Sorts columns as they are to be used: earliest use-by first, then lot name, additions last."""
    use_by = column.use_by if isinstance(column, Lot) else None
    return not isinstance(column, Lot), use_by or date.max, column.name


def ranks_of(columns: Sequence[Ingredient]) -> Ranks:
    """The order of use of a formula's columns: earliest use-by first, then lot name.

    What has no use-by comes after what has one; an addition left to the solver comes last, and as little of it as
    possible.
    """
    dates: dict[date, dict[int, Fraction]] = {}
    names: list[Mapping[int, Fraction]] = []
    places: dict[int, Fraction] = {}
    for place, j in enumerate(sorted(range(len(columns)), key=lambda j: order_of_use(columns[j])), start=1):
        column = columns[j]
        unit = -ONE
        if isinstance(column, Lot):
            unit = ONE if column.pack_kg is None else column.pack_kg * column.usable
            if column.use_by is not None:
                dates.setdefault(column.use_by, {})[j] = unit
        names.append({j: unit})
        places[j] = place * abs(unit)
    return Ranks((*dates.values(), *names), places)
