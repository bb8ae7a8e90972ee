"""The certificate: what can be said of a batch without trusting the solver.

Feasibility is every requirement measured on the weighed batch with fractions. The lower bound is weak duality: any
prices whatever on the rows give a cost that no batch can undercut, so it does not matter where the prices came from.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from optimizer.problem import Problem
from optimizer.solver.exact import lower_bound
from optimizer.solver.model import relaxed
from optimizer.solver.optimum import Optimum
from optimizer.solver.program import Layout, value_per_kg
from optimizer.weighing.rounding import Weighed, broken_by


@dataclass(frozen=True)
class Certificate:
    """``cost`` of the weighed batch, ``lower_bound`` proved for every batch, ``gap`` their difference; money.

    ``reported`` is the solver's own tighter bound for a batch with whole packs, which is not proved.
    """

    feasible: bool
    cost: Fraction
    lower_bound: Fraction | None
    reported: float | None = None

    @property
    def gap(self) -> Fraction | None:
        """Money by which a cheaper batch could undercut this one at most."""
        return None if self.lower_bound is None else self.cost - self.lower_bound


def certify(problem: Problem, layout: Layout, optimum: Optimum, weighed: Weighed) -> Certificate:
    """Recompute feasibility, cost and bound of a weighed batch from the data alone."""
    cost = minimised_cost(problem, weighed)
    bound = lower_bound(relaxed(layout.program), optimum.prices) if not layout.program.whole else optimum.bound
    return Certificate(not broken_by(problem, weighed), cost, bound, optimum.reported)


def minimised_cost(problem: Problem, weighed: Weighed) -> Fraction:
    """What was minimised, on the lots as weighed with every addition at its exact dose; money."""
    formula = problem.formula
    kilograms = weighed.column_kg(formula)
    return sum(
        (value_per_kg(formula, column) * kg for column, kg in zip(formula.columns, kilograms, strict=True) if kg),
        Fraction(0),
    )
