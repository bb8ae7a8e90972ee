"""What a stated confidence means for a blend: how likely each limit is met, its cost, which lot to measure again."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction

from constraints.confidence import Likelihood
from constraints.requirement import Requirement
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.cone import Held, Remeasured, worth_remeasuring
from optimizer.solver.optimum import Ranks
from optimizer.solver.program import Layout
from optimizer.weighing.weighout import Weighed


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


def how_sure(problem: Problem, layout: Layout, ranks: Ranks, held: Held, weighed: Weighed) -> Sure | None:
    """The report of a weighed blend, or None where no limit depends on measured fat. ``layout`` is without cuts."""
    asked = next((r.confidence for r in problem.requirements if r.confidence is not None), None)
    if asked is None:
        return None
    likely = tuple((r, found) for r in problem.requirements for found in r.likelihoods(weighed.total))
    again: tuple[Remeasured, ...] = ()
    with suppress(OutOfTime):
        again = worth_remeasuring(layout, problem.choosing, problem.formula, ranks, held)
    return Sure(asked.words, held.price, likely, again)
