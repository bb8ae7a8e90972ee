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
from math import ceil, floor

from constraints.quantities import Ingredient, Lot
from constraints.row import Row
from optimizer import clock
from optimizer.solver.exact import Vertex, reduced_costs
from optimizer.solver.kept import MOMENT, Kept, Unsettled
from optimizer.solver.model import Ending, Program, SimplexBasis, SolverDisagrees
from optimizer.solver.session import ALL
from optimizer.solver.simplex import Simplex
from optimizer.solver.tree import prove

_ZERO, _ONE = Fraction(0), Fraction(1)
RANKING = 500
"""Nodes after which the search for an equally cheap batch that is used sooner ends."""


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
    cost: Fraction = _ZERO
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
    kept.most_nodes = nodes
    with clock.moment(MOMENT):
        loose = kept.settle()
        if loose is None:
            return Optimum(Ending.INFEASIBLE)
        if not program.whole:
            values = _break_ties(program, loose, ranks)
            return Optimum(Ending.OPTIMAL, values, loose.cost, loose.cost, None, loose.prices, basis=loose.basis)
    try:
        found = kept.chosen()
    except (clock.OutOfTime, Unsettled):
        return Optimum(Ending.TIME_LIMIT, bound=loose.cost, certain=False)
    if found is None:
        return Optimum(Ending.INFEASIBLE, bound=loose.cost)
    bound, reported = (found.cost, None) if kept.certain else (loose.cost, kept.reported)
    certain = kept.certain
    if certain and ranks.places:
        found = _better_ranked(kept, found, ranks, loose)
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
    fixed = []
    for v, x in zip(program.variables, values, strict=False):
        at = Fraction(round(x))
        fixed.append(replace(v, lo=at, hi=at, whole=False) if v.whole else v)
    return replace(program, variables=tuple(fixed))


def _better_ranked(kept: Kept, best: Vertex, ranks: Ranks, loose: Vertex) -> Vertex:
    """Another choice of whole numbers that costs no more, and uses sooner what ought to be used sooner.

    It can only be where the proof that nothing is cheaper leaves something that costs as little.
    """
    program = kept.whole_program
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
        variables.append(replace(v, cost=costs.get(j, _ZERO), lo=lo, hi=max(lo, hi)))
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
        free = {j: kg for j, kg in level.items() if search.lo[j] != search.hi[j]}
        if all(search.at[j] == (search.hi[j] if kg > 0 else search.lo[j]) for j, kg in free.items()):
            for j in free:
                search.hold_at(j)
            continue
        search.minimise({j: -kg for j, kg in free.items()})
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
        unit = -_ONE
        if isinstance(column, Lot):
            unit = _ONE if column.pack_kg is None else column.pack_kg * column.usable
            if column.use_by is not None:
                dates.setdefault(column.use_by, {})[j] = unit
        names.append({j: unit})
        places[j] = place * abs(unit)
    return Ranks((*dates.values(), *names), places)
