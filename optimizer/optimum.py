"""The exact optimum of a program, with its proof, and the choice between equally cheap blends.

A linear program's optimum is exact: the solver's basis is turned into a rational vertex and proved. Between equally
cheap blends the kilograms go to the earliest use-by first, then to the lot whose name sorts first. The choice is made
on the optimal face itself (what the proof's prices leave free), so no cost tolerance is involved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from constraints.ingredients import Ingredient, Lot
from constraints.requirement import Row
from optimizer.exact import Vertex, lower_bound, proved, vertex
from optimizer.model import Ending, Program, Variable, solve
from optimizer.program import relaxed

_ZERO = Fraction(0)
_ROUNDS = 4
"""Tie-breaking objectives tried one after the other until the blend is the only one left."""


class SolverDisagrees(Exception):
    """The solver's answer did not stand up to exact recomputation; nothing of it is shown."""


@dataclass(frozen=True)
class Optimum:
    """``values`` of the variables, exact; ``bound`` proved; ``reported`` the solver's own bound for whole numbers."""

    ending: Ending
    values: tuple[Fraction, ...] = ()
    cost: Fraction = _ZERO
    bound: Fraction | None = None
    reported: float | None = None
    prices: tuple[Fraction, ...] = ()


def optimise(program: Program, ranks: Sequence[Fraction], *, time_limit: float | None = None) -> Optimum:
    """The cheapest point of a program. ``ranks`` break ties: the smaller, the sooner a variable is used.

    Raises SolverDisagrees where exact arithmetic does not confirm the solver.
    """
    if program.whole:
        return _optimise_whole(program, ranks, time_limit)
    found, ending = solve_exact(program)
    if found is None:
        return Optimum(ending)
    chosen = _break_ties(program, found, ranks)
    cost = program.cost(chosen.values)
    return Optimum(Ending.OPTIMAL, chosen.values, cost, lower_bound(program, found.prices), None, found.prices)


def solve_exact(program: Program) -> tuple[Vertex | None, Ending]:
    """A proved optimal vertex of a linear program, or None with the way the solve ended.

    Raises SolverDisagrees where the solver claims an optimum that cannot be proved.
    """
    ending = Ending.FAILED
    for presolve in (True, False):
        outcome = solve(program, presolve=presolve)
        ending = outcome.ending
        if ending is not Ending.OPTIMAL:
            continue
        found = vertex(program, outcome)
        if found is not None and proved(program, found):
            return found, ending
    if ending is Ending.OPTIMAL:
        raise SolverDisagrees("the solver's optimum could not be proved in exact arithmetic")
    return None, ending


def _optimise_whole(program: Program, ranks: Sequence[Fraction], time_limit: float | None) -> Optimum:
    found, _ = solve_exact(relaxed(program))
    if found is None:
        return Optimum(Ending.INFEASIBLE)
    bound = lower_bound(program, found.prices)
    outcome = solve(program, time_limit=time_limit, gap=0.0)
    if not outcome.values:
        return Optimum(outcome.ending, bound=bound, reported=outcome.bound)
    pinned = _pin(program, outcome.values)
    rest, ending = solve_exact(pinned)
    if rest is None:
        raise SolverDisagrees("the whole numbers the solver chose leave no exact batch")
    chosen = _break_ties(pinned, rest, ranks)
    return Optimum(outcome.ending, chosen.values, program.cost(chosen.values), bound, outcome.bound, rest.prices)


def _pin(program: Program, values: Sequence[float]) -> Program:
    """The program with its whole numbers fixed at the solver's choice."""
    pinned = tuple(
        Variable(v.name, v.cost, Fraction(round(x)), Fraction(round(x))) if v.whole else v
        for v, x in zip(program.variables, values, strict=True)
    )
    return Program(pinned, program.rows)


def _break_ties(program: Program, found: Vertex, ranks: Sequence[Fraction]) -> Vertex:
    """The first blend by rank among all that cost exactly the same."""
    face, current = program, found
    cost = program.cost(found.values)
    for power in range(1, _ROUNDS + 1):
        if current.unique:
            break
        face = _optimal_face(face, current)
        padded = [*ranks, *[_ZERO] * (len(face.variables) - len(ranks))]
        weighed = tuple(replace(v, cost=rank**power) for v, rank in zip(face.variables, padded, strict=True))
        face = Program(weighed, face.rows)
        try:
            better, _ = solve_exact(face)
        except SolverDisagrees:
            break
        if better is None or not program.feasible(better.values) or program.cost(better.values) != cost:
            break
        current = better
    return current


def _optimal_face(program: Program, found: Vertex) -> Program:
    """All optimal points: what has a price or a reduced cost stays where it is, all else is free."""
    variables = tuple(
        replace(v, lo=x, hi=x) if rest else v
        for v, x, rest in zip(program.variables, found.values, found.reduced, strict=True)
    )
    rows = []
    for row, price in zip(program.rows, found.prices, strict=True):
        limit = row.lo if price > 0 else row.hi
        rows.append(Row(row.label, row.coefs, limit, limit) if price else row)
    return Program(variables, tuple(rows))


def ranks_of(columns: Sequence[Ingredient]) -> tuple[Fraction, ...]:
    """The order of use between equals: earliest use-by first, then name; what has no use-by comes last."""
    def key(j: int) -> tuple[date, str]:
        column = columns[j]
        use_by = column.use_by if isinstance(column, Lot) else None
        return (use_by or date.max, column.name)

    ranked = [_ZERO] * len(columns)
    for rank, j in enumerate(sorted(range(len(columns)), key=key), start=1):
        ranked[j] = Fraction(rank)
    return tuple(ranked)
