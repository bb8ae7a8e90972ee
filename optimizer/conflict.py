"""When no batch exists: a set of requirements that cannot hold together, and how close one can get.

Every requirement of the set is needed for the conflict: without any one of them there is a batch. Where no whole packs
are involved all of it is exact, the nearest attainable figures too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.requirement import Hold, Requirement, Row
from optimizer.problem import Problem, rows_of
from optimizer.solver.model import Program
from optimizer.solver.optimum import SolverDisagrees, point, refutation
from optimizer.solver.program import Layout, build, choices_of, holds_of

_ZERO = Fraction(0)
_FEW = 12
"""Requirements up to which each is left out in turn; of more only those are that a first proof leans on."""
_STEPS = 50
"""Most steps of a fractional search; it ends by itself after a handful."""

_Terms = tuple[tuple[Fraction, ...], tuple[Fraction, ...] | None]
"""Numerator and denominator (None: one) of a figure, per kilogram of each column."""


@dataclass(frozen=True)
class Reach:
    """How far one requirement of a conflict can be met.

    ``nearest`` is its figure closest to its limits when all other requirements hold; None where those have no batch
    either, and then ``among_these`` is the same when only the others of the conflict hold, whole packs left aside
    where they do not matter.
    """

    requirement: Requirement
    nearest: Fraction | None
    among_these: Fraction | None = None


@dataclass(frozen=True)
class Conflict:
    """Requirements that cannot hold together, each of them needed for the conflict.

    ``packs_matter`` is True where the lots' whole packs or smallest pulls are part of it; then ``certain`` may be False
    where the solver's word that there is no batch could not be checked to the end.
    """

    requirements: tuple[Requirement, ...]
    reach: tuple[Reach, ...]
    packs_matter: bool
    certain: bool = True


def explain(problem: Problem) -> Conflict:
    """Find a conflict by leaving requirements out one at a time, and what each of its members could reach at best.

    The last in the list are left out first, so that the weight and the recipe's own requirements are named sooner than
    the law's. Raises SolverDisagrees where there is a batch after all.
    """
    chosen = list(problem.choosing)
    linear, _ = _possible(problem, chosen, whole=False)
    packs_matter = linear
    still, certain = _possible(problem, chosen, whole=packs_matter)
    if still:
        raise SolverDisagrees("a batch was said not to exist, and one was found")
    core = list(chosen) if packs_matter or len(chosen) <= _FEW else _suspects(problem, chosen)
    for requirement in reversed(core):
        without = [r for r in core if r is not requirement]
        possible, sure = _possible(problem, without, whole=packs_matter)
        if not possible:
            core, certain = without, certain and sure
    reach = tuple(_reach(problem, r, chosen, core, packs_matter) for r in core)
    opened = packs_matter and point(_free(_layout(problem, core, opened=True)))[0]
    return Conflict(tuple(core), reach, bool(opened), certain)


def _suspects(problem: Problem, chosen: Sequence[Requirement]) -> list[Requirement]:
    """The requirements that one proof of the conflict leans on; all of them where there is no such proof."""
    if any(requirement.cones(problem.formula) for requirement in chosen):
        return list(chosen)
    owned = rows_of(problem, chosen)
    prices = refutation(_layout(problem, chosen, whole=False).program)
    priced = {id(requirement) for (requirement, _), price in zip(owned, prices, strict=False) if price}
    return [requirement for requirement in chosen if id(requirement) in priced] or list(chosen)


def _reach(
    problem: Problem,
    requirement: Requirement,
    chosen: Sequence[Requirement],
    core: Sequence[Requirement],
    packs_matter: bool,
) -> Reach:
    if any(other.cones(problem.formula) for other in chosen):
        return Reach(requirement, None)
    found = nearest(problem, requirement, [other for other in chosen if other is not requirement])
    if found is not None:
        return Reach(requirement, found)
    others = [other for other in core if other is not requirement]
    return Reach(requirement, None, nearest(problem, requirement, others, whole=packs_matter))


def _possible(problem: Problem, requirements: Sequence[Requirement], *, whole: bool) -> tuple[bool, bool]:
    """Whether a batch satisfies these requirements, and whether that is certain."""
    layout = _layout(problem, requirements, whole=whole)
    if any(requirement.cones(problem.formula) for requirement in requirements):
        from optimizer.solver.cone import possible_with_cuts  # late: only recipes that ask for confidence

        return possible_with_cuts(layout, requirements, problem.formula), True
    values, certain = point(_free(layout))
    return bool(values), certain


def _free(layout: Layout) -> Program:
    """A program in which nothing costs anything."""
    program = layout.program
    return Program(tuple(replace(v, cost=_ZERO) for v in program.variables), program.rows)


def _layout(
    problem: Problem,
    requirements: Sequence[Requirement],
    extra: Sequence[Row] = (),
    *,
    whole: bool = True,
    opened: bool = False,
) -> Layout:
    """The program of some requirements.

    With ``opened``, any part of a pack and any small pull may be used; without ``whole`` so it may, and the rules on
    which lots are used at all are left aside too.
    """
    holds = holds_of(problem)
    if opened or not whole:
        holds = tuple(Hold(limits.column, limits.most, must=limits.must) for limits in holds)
    rows = [row for _, row in rows_of(problem, requirements)]
    choices = choices_of(problem, requirements) if whole else []
    return build(problem.formula, holds, [*rows, *extra], choices, problem.order.meat_division_kg)


def nearest(
    problem: Problem, requirement: Requirement, others: Sequence[Requirement], *, whole: bool = True
) -> Fraction | None:
    """The requirement's figure closest to its limits that the other requirements allow, or None where there is none."""
    terms = requirement.terms(problem.formula)
    if terms is None:
        return None
    found: list[tuple[Fraction, Fraction]] = []
    for limit, sign in ((requirement.hi, 1), (requirement.lo, -1)):
        if limit is not None:
            value = _beyond(_layout(problem, others, [_side(terms, limit, sign)], whole=whole), terms, limit, sign)
            if value is not None:
                found.append((abs(value - limit), value))
    return min(found)[1] if found else None


def _side(terms: _Terms, limit: Fraction, sign: int) -> Row:
    """The row of all figures on the wrong side of a limit: above an upper one (sign 1), below a lower one (sign -1)."""
    over, under = terms
    coefs = over if under is None else tuple(a - limit * b for a, b in zip(over, under, strict=True))
    at = limit if under is None else _ZERO
    return Row("beyond", coefs, at if sign > 0 else None, at if sign < 0 else None)


def _beyond(layout: Layout, terms: _Terms, limit: Fraction, sign: int) -> Fraction | None:
    """The figure nearest to a limit among the batches of a layout, all of which are on its wrong side.

    A ratio is made small by solving for ``over - value * under`` with ever better values (Dinkelbach, Management
    Science 13, 1967, 492-498), in exact arithmetic until nothing is better.
    """
    best: Fraction | None = None
    value = limit
    for _ in range(_STEPS):
        figure = _figure(layout, terms, value, sign)
        if figure is None or (best is not None and sign * (figure - best) >= 0):
            break
        best = value = figure
    return best


def _figure(layout: Layout, terms: _Terms, value: Fraction, sign: int) -> Fraction | None:
    """The figure of the batch with the least ``sign * (over - value * under)``."""
    over, under = terms
    coefs = [sign * (a - value * (under[j] if under else _ZERO)) for j, a in enumerate(over)]
    aimed = [coef * unit for coef, unit in zip(coefs, layout.units, strict=True)]
    aimed += [_ZERO] * (len(layout.program.variables) - len(aimed))
    variables = tuple(replace(v, cost=cost) for v, cost in zip(layout.program.variables, aimed, strict=True))
    values, _ = point(Program(variables, layout.program.rows))
    if not values:
        return None
    kilograms = layout.kilograms(values)
    top = sum((a * x for a, x in zip(over, kilograms, strict=True)), _ZERO)
    bottom = Fraction(1) if under is None else sum((b * x for b, x in zip(under, kilograms, strict=True)), _ZERO)
    return top / bottom if bottom > 0 else None
