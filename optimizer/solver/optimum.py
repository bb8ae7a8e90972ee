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
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil, floor

from constraints.ingredients import Ingredient, Lot
from constraints.row import Row
from optimizer import clock
from optimizer.solver.exact import Vertex, counted_rows, no_sum_fits, proved, reduced_costs, refuted_by, refutes
from optimizer.solver.model import Ending, Outcome, Program, SolverDisagrees
from optimizer.solver.program import relaxed
from optimizer.solver.session import solve
from optimizer.solver.simplex import GaveUp, Simplex
from optimizer.solver.tree import Tree

_ZERO = Fraction(0)
_ONE = Fraction(1)
_NODES, _FEWEST, _FIGURES = 300, 20, 500_000
"""Linear programs solved to check a claim that whole numbers leave no batch: at most so many, fewer where they are
so large that together they had more figures than the last (about twenty solves), but never fewer than the second."""
RANKING = 500
"""Nodes after which the search for an equally cheap batch that is used sooner ends."""
_MOMENT = 0.3
"""Seconds left to make an exact batch of what a search that was stopped has found."""


_Choice = tuple[Program, Vertex]
"""A program with its whole numbers fixed, and its cheapest vertex."""


@dataclass(frozen=True)
class Ranks:
    """The order of use. ``levels`` hold kilograms by variable, to be made as large as possible one after the other.

    ``places`` are kilograms of one unit of each variable times its place in the order.
    """

    levels: tuple[Mapping[int, Fraction], ...]
    places: tuple[Fraction, ...]


@dataclass(frozen=True)
class Optimum:
    """``values`` of the variables, exact; ``bound`` proved; ``reported`` the solver's own bound for whole numbers.

    With whole numbers a claim that no batch exists is checked as far as ``branch`` goes; ``certain`` is False where
    that was not far enough.
    """

    ending: Ending
    values: tuple[Fraction, ...] = ()
    cost: Fraction = _ZERO
    bound: Fraction | None = None
    reported: float | None = None
    prices: tuple[Fraction, ...] = ()
    certain: bool = True


def optimise(program: Program, ranks: Ranks) -> Optimum:
    """The cheapest point of a program; ``ranks`` choose between equally cheap ones.

    Raises SolverDisagrees where exact arithmetic cannot settle it.
    """
    with clock.moment(_MOMENT):
        found = settle(relaxed(program), stated=not program.whole)
        if found is None:
            return Optimum(Ending.INFEASIBLE)
        values = () if program.whole else _break_ties(program, found, ranks)
    if program.whole:
        return _optimise_whole(program, ranks, found)
    cost = program.cost(values)
    return Optimum(Ending.OPTIMAL, values, cost, cost, None, found.prices)


def settle(program: Program, *, stated: bool = False) -> Vertex | None:
    """The cheapest vertex of a program without whole numbers, or None where it has no point; either one proved.

    ``stated``: it is stated in the modelling language.

    Raises SolverDisagrees where neither can be proved.
    """
    outcome = solve(program, stated=stated)
    if outcome.ending is Ending.INFEASIBLE and refuted_by(program, outcome.ray):
        return None
    search = Simplex(program, outcome.basis)
    try:
        feasible = search.minimise()
    except GaveUp:
        raise SolverDisagrees("exact arithmetic found no end") from None
    if not feasible:
        if refutes(program, search.refutation()):
            return None
        raise SolverDisagrees("that no batch exists could not be proved in exact arithmetic")
    found = Vertex(search.values, search.prices(), search.basis)
    if proved(program, found):
        return found
    raise SolverDisagrees("the optimum could not be proved in exact arithmetic")


def point(program: Program) -> tuple[tuple[Fraction, ...], bool]:
    """A cheapest point of any program, exact, and whether it is certain; empty where there is none.

    Without whole numbers it is always certain; with them the solver's word is checked by ``branch``, up to a limit.
    """
    if not program.whole:
        found = settle(program)
        return (() if found is None else found.values), True
    if settle(relaxed(program)) is None:
        return (), True
    best, certain, _ = _whole(program)
    return (() if best is None else best[1].values), certain


def refutation(program: Program) -> tuple[Fraction, ...]:
    """Prices of the rows that prove that a program without whole numbers has no point; empty where it has one."""
    free = Program(tuple(replace(v, cost=_ZERO) for v in program.variables), program.rows)
    search = Simplex(free, solve(free).basis)
    try:
        if search.minimise():
            return ()
    except GaveUp:
        return ()
    prices = search.refutation()
    return prices if refutes(free, prices) else ()


def _whole(program: Program) -> tuple[_Choice | None, bool, Outcome]:
    """The solver's choice of whole numbers made exact; where it finds none, what branching finds, and if it is sure."""
    if no_sum_fits(counted_rows(program)):
        return None, True, Outcome(Ending.INFEASIBLE)
    outcome = _searched(program)
    with clock.moment(_MOMENT):
        best = _pinned(program, outcome.values)
    if best is not None or outcome.ending is Ending.TIME_LIMIT:
        return best, outcome.ending is Ending.OPTIMAL, outcome
    values, certain = branch(program)
    best = _pinned(program, values)
    if best is None and outcome.values:
        raise SolverDisagrees("the whole numbers the solver chose leave no exact batch")
    return best, certain, outcome


def _searched(program: Program) -> Outcome:
    """What the solver finds in whole numbers; nothing where the time is over before it has found anything."""
    try:
        with clock.doing("searching for the cheapest batch in whole packs"):
            return solve(program, stated=True)
    except clock.OutOfTime:
        return Outcome(Ending.TIME_LIMIT)


def _optimise_whole(program: Program, ranks: Ranks, loose: Vertex) -> Optimum:
    bound = program.cost(loose.values)
    best, certain, outcome = _whole(program)
    if best is None:
        none = Ending.TIME_LIMIT if outcome.ending is Ending.TIME_LIMIT else Ending.INFEASIBLE
        return Optimum(none, bound=bound, certain=certain)
    if outcome.ending is Ending.OPTIMAL and any(ranks.places):
        best = _better_ranked(program, best, ranks, loose)
    pinned, found = best
    with clock.moment(_MOMENT):
        values = _break_ties(pinned, found, ranks)
    stopped = outcome.ending is Ending.TIME_LIMIT or not certain
    reported = outcome.bound if outcome.values else None
    ending = Ending.TIME_LIMIT if stopped else Ending.OPTIMAL
    return Optimum(ending, values, program.cost(values), bound, reported, found.prices, certain)


def _pinned(program: Program, values: Sequence[float | Fraction]) -> _Choice | None:
    """The cheapest exact batch with these whole numbers, or None."""
    if not values:
        return None
    fixed = tuple(
        replace(v, lo=Fraction(round(x)), hi=Fraction(round(x)), whole=False) if v.whole else v
        for v, x in zip(program.variables, values, strict=True)
    )
    if any(not v.lo <= f.lo <= v.hi for v, f in zip(program.variables, fixed, strict=True)):
        return None
    pinned = Program(fixed, program.rows)
    found = settle(pinned)
    return None if found is None else (pinned, found)


def whole_ranked(program: Program, values: Sequence[Fraction], ranks: Ranks, loose: Vertex) -> tuple[Fraction, ...]:
    """A cheapest batch in whole numbers, put in the order of use. ``loose`` is the vertex without whole numbers."""
    choice = _pinned(program, values)
    if choice is None:
        return tuple(values)
    return _break_ties(*_better_ranked(program, choice, ranks, loose), ranks)


def whole_first(program: Program, values: Sequence[float | Fraction]) -> Optimum | None:
    """The cheapest exact batch with the whole numbers of a point, or None; ties are left as they fall."""
    choice = _pinned(program, values)
    if choice is None:
        return None
    return Optimum(Ending.OPTIMAL, choice[1].values, program.cost(choice[1].values), prices=choice[1].prices)


def _better_ranked(program: Program, best: _Choice, ranks: Ranks, loose: Vertex) -> _Choice:
    """Another choice of whole numbers that costs no more, and uses sooner what ought to be used sooner."""
    cost, places = program.cost(best[1].values), places_of(ranks, program)
    found: list[_Choice] = []

    def settle_ranked(x: Sequence[float]) -> Optimum | None:
        other = _pinned(program, x)
        if other is None or program.cost(other[1].values) > cost:
            return None
        found.append(other)
        return Optimum(Ending.OPTIMAL, other[1].values, ranked.cost(other[1].values))

    ranked = no_dearer(program, places, cost, loose.prices, program.cost(loose.values))
    tree = Tree(ranked, (), settle_ranked, most_nodes=RANKING, dearest=float(ranked.cost(best[1].values)))
    tree.run()
    taken = [other for other in found if tree.best is not None and other[1].values == tree.best.values]
    return taken[-1] if taken else best


def places_of(ranks: Ranks, program: Program) -> tuple[Fraction, ...]:
    """The place in the order of use of every variable, those past the columns too."""
    return (*ranks.places, *[_ZERO] * (len(program.variables) - len(ranks.places)))


def no_dearer(
    program: Program, costs: Sequence[Fraction], most: Fraction, prices: Sequence[Fraction], bound: Fraction
) -> Program:
    """The batches of a program that cost no more than ``most``, with other costs on their variables.

    The prices of the linear program prove its bound; a variable with a reduced cost that moves off its own bound adds
    that much for every unit, so what is too far off is left out.
    """
    variables = []
    for v, cost, rest in zip(program.variables, costs, reduced_costs(program, prices), strict=True):
        lo, hi = v.lo, v.hi
        if rest > 0:
            hi = min(hi, lo + (most - bound) / rest)
        elif rest < 0:
            lo = max(lo, hi + (most - bound) / rest)
        if v.whole:
            lo, hi = Fraction(ceil(lo)), Fraction(floor(hi))
        variables.append(replace(v, cost=cost, lo=lo, hi=max(lo, hi)))
    dearest = Row("no dearer", tuple(v.cost for v in program.variables), None, most)
    return Program(tuple(variables), (*program.rows, dearest))


def branch(program: Program) -> tuple[tuple[Fraction, ...], bool]:
    """The cheapest point in whole numbers by branch and bound, every step proved, and whether the search was full.

    Empty where there is none. The linear programs solved are bounded.
    """
    most = max(_FEWEST, min(_NODES, _FIGURES // max(len(program.variables) * len(program.rows), 1)))
    best: tuple[Fraction, ...] = ()
    waiting = [relaxed(program)]
    for _ in range(most):
        if not waiting:
            break
        node = waiting.pop()
        found = settle(node)
        if found is None or (best and program.cost(found.values) >= program.cost(best)):
            continue
        x = found.values
        broken = [j for j, v in enumerate(program.variables) if v.whole and x[j].denominator != 1]
        if not broken:
            best = x
            continue
        j = min(broken, key=lambda j: (abs(x[j] % 1 - Fraction(1, 2)), j))
        down, v = Fraction(x[j] // 1), node.variables[j]
        for narrow in (replace(v, hi=down), replace(v, lo=down + 1)):
            waiting.append(Program((*node.variables[:j], narrow, *node.variables[j + 1 :]), node.rows))
    return best, not waiting


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
    places = [_ZERO] * len(columns)

    for place, j in enumerate(sorted(range(len(columns)), key=lambda j: order_of_use(columns[j])), start=1):
        column = columns[j]
        unit = -_ONE
        if isinstance(column, Lot):
            unit = _ONE if column.pack_kg is None else column.pack_kg * column.usable
            if column.use_by is not None:
                dates.setdefault(column.use_by, {})[j] = unit
        names.append({j: unit})
        places[j] = place * abs(unit)
    return Ranks((*dates.values(), *names), tuple(places))
