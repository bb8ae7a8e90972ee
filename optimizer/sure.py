"""What a stated confidence means for a blend: how likely each limit is met, its cost, which lot to measure again."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction

from constraints.confidence import FatError
from constraints.formula import Formula
from constraints.quantities import Lot
from constraints.requirement import Likelihood, Requirement, measured_again
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.cone import Held, cones_of, optimise_with_cuts
from optimizer.solver.exact import lower_bound
from optimizer.solver.optimum import ranks_of
from optimizer.solver.program import Layout, Program, layout_of, relaxed
from optimizer.weighing.rounding import Weighed

_ZERO = Fraction(0)
SLIGHT = Fraction(1, 10**6)
"""Saving, as a share of the cost, that is not worth a word."""


@dataclass(frozen=True)
class Remeasured:
    """What it saves to measure one lot again: from which error to which, and how much money on this batch."""

    lot: Lot
    now: FatError
    then: FatError
    saving: Fraction


@dataclass(frozen=True)
class Sure:
    """``price`` is what the confidence costs against the plain optimum, money.

    ``likely`` pairs each limit that measured fat moves with how likely it is met as weighed; ``again`` names the lots
    whose error costs most, the largest saving first.
    """

    words: str
    price: Fraction | None
    likely: tuple[tuple[Requirement, Likelihood], ...]
    again: tuple[Remeasured, ...]


def how_sure(problem: Problem, held: Held, weighed: Weighed) -> Sure | None:
    """The report of a weighed blend, or None where no limit depends on measured fat."""
    asked = next((r.confidence for r in problem.requirements if r.confidence is not None), None)
    if asked is None:
        return None
    likely = tuple((r, found) for r in problem.requirements for found in r.likelihoods(weighed.total))
    again: tuple[Remeasured, ...] = ()
    with suppress(OutOfTime):
        again = worth_remeasuring(problem, problem.choosing, held)
    return Sure(asked.words, held.price, likely, again)


def worth_remeasuring(
    problem: Problem, requirements: Sequence[Requirement], held: Held, most: int = 3
) -> tuple[Remeasured, ...]:
    """The lots whose error costs most, largest saving first, at most ``most`` of them.

    Each lot in turn is taken as found by the most precise published bench method with the same fat, and the batch is
    solved again. Weak duality with the prices at hand says how much a lot can save at best, so only those are solved
    again that can be among the first. With whole numbers the lots are picked on the program without them, and then
    solved in whole numbers.
    """
    layout, formula, ranks = layout_of(problem), problem.formula, ranks_of(problem.formula.columns)
    asked = next((r.confidence for r in requirements if r.confidence is not None), None)
    if asked is None:
        return ()
    candidates = []
    for lot in formula.lots:
        if isinstance(lot, Lot) and asked.improves(lot):
            again = tuple(measured_again(requirement, lot) for requirement in requirements)
            candidates.append((_most_saved(layout, again, formula, held), lot, again))
    least = SLIGHT * abs(held.optimum.cost)
    candidates.sort(key=lambda entry: (-entry[0], entry[1].name))
    found: list[Remeasured] = []
    for tried, (ceiling, lot, again) in enumerate(candidates):
        full = len(found) >= most and (layout.program.whole or ceiling <= found[most - 1].saving)
        if ceiling <= least or full or tried >= 4 * most:
            break
        optimum = optimise_with_cuts(layout, again, formula, ranks).optimum
        saving = held.optimum.cost - optimum.cost
        if optimum.values and saving > least:
            found.append(Remeasured(lot, asked.finding(lot), asked.measured_again(lot).finding(lot), saving))
            found.sort(key=lambda entry: (-entry.saving, entry.lot.name))
    return tuple(found[:most])


def _most_saved(layout: Layout, again: Sequence[Requirement], formula: Formula, held: Held) -> Fraction:
    """The most that other errors can save: the proved bound with the prices at hand, on cuts for the new errors.

    With whole numbers it is what they save the linear program, as far as these prices show it.
    """
    program = layout.program
    cones = cones_of(again, formula)
    rows = []
    for c in held.optimum.of:
        row = cones[c].over(layout.units, len(program.variables)).cut(held.optimum.point) if c < len(cones) else None
        if row is None:
            return held.price or _ZERO
        rows.append(row)
    bound = lower_bound(relaxed(Program(program.variables, (*program.rows, *rows))), held.optimum.prices)
    now = held.optimum.bound if program.whole else held.optimum.cost
    return _ZERO if bound is None or now is None else now - bound
