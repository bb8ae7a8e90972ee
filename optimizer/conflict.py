"""When no batch exists: a smallest set of requirements that cannot hold together, and how close one can get."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.requirement import Requirement, Row
from optimizer.model import Ending, Program, Variable, solve
from optimizer.problem import Problem, rows_of
from optimizer.program import build, holds_of, relaxed

_ZERO = Fraction(0)
_STEPS = 30
"""Most steps of the fractional search; each at least halves what is left in practice."""
_CLOSE = Fraction(1, 10**9)


@dataclass(frozen=True)
class Reach:
    """How far one requirement can be met when all the others hold; value None where even that has no batch."""

    requirement: Requirement
    nearest: Fraction | None


@dataclass(frozen=True)
class Conflict:
    """Requirements that cannot hold together, each of them needed for the conflict.

    ``packs_matter`` is True where the lots' whole packs or smallest pulls are part of it.
    """

    requirements: tuple[Requirement, ...]
    reach: tuple[Reach, ...]
    packs_matter: bool


def explain(problem: Problem) -> Conflict:
    """Find a smallest conflict by leaving requirements out one at a time, and what each could reach at best."""
    chosen = list(problem.choosing)
    linear = not _possible(problem, chosen, whole=False)
    core = list(chosen)
    for requirement in chosen:
        without = [r for r in core if r is not requirement]
        if not _possible(problem, without, whole=not linear):
            core = without
    reach = tuple(
        Reach(r, nearest(problem, r, [other for other in chosen if other is not r])) for r in core if r.rows(problem.formula)
    )
    return Conflict(tuple(core), reach, packs_matter=not linear)


def _possible(problem: Problem, requirements: Sequence[Requirement], *, whole: bool) -> bool:
    program = _program(problem, requirements)
    outcome = solve(program if whole else relaxed(program))
    return outcome.ending is not Ending.INFEASIBLE


def _program(problem: Problem, requirements: Sequence[Requirement], extra: Sequence[Row] = ()) -> Program:
    rows = [row for _, row in rows_of(problem, requirements)]
    return build(problem.formula, holds_of(problem), [*rows, *extra]).program


def nearest(problem: Problem, requirement: Requirement, others: Sequence[Requirement]) -> Fraction | None:
    """The requirement's figure closest to its limits that the other requirements allow, or None.

    A ratio is minimised by solving for ``over - value * under`` with ever better values (Dinkelbach, Management
    Science 13, 1967, 492-498).
    """
    terms = requirement.terms(problem.formula)
    if terms is None:
        return None
    reached = [_extreme(problem, terms, others, sign) for sign in (1, -1)]
    low, high = reached
    if low is None or high is None:
        return None
    if requirement.hi is not None and low > requirement.hi:
        return low
    return high


def _extreme(
    problem: Problem,
    terms: tuple[tuple[Fraction, ...], tuple[Fraction, ...] | None],
    others: Sequence[Requirement],
    sign: int,
) -> Fraction | None:
    """The smallest (sign 1) or largest (sign -1) figure."""
    over, under = terms
    layout = build(problem.formula, holds_of(problem), [row for _, row in rows_of(problem, others)])
    value = _ZERO
    for _ in range(_STEPS):
        coefs = [sign * (a - value * (under[j] if under else _ZERO)) for j, a in enumerate(over)]
        variables = tuple(
            Variable(v.name, coefs[j] * layout.units[j] if j < len(coefs) else _ZERO, v.lo, v.hi, v.whole)
            for j, v in enumerate(layout.program.variables)
        )
        outcome = solve(Program(variables, layout.program.rows))
        if not outcome.values:
            return None
        point = layout.kilograms([Fraction(x) for x in outcome.values])
        top = sum((a * x for a, x in zip(over, point, strict=True)), _ZERO)
        if under is None:
            return top.limit_denominator(10**9)
        bottom = sum((a * x for a, x in zip(under, point, strict=True)), _ZERO)
        if bottom <= 0:
            return None
        if abs(top / bottom - value) <= _CLOSE:
            break
        value = top / bottom
    return value.limit_denominator(10**9)
