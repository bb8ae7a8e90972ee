"""The cheapest batch where some rows must hold with room for error, by linear cuts on the same model.

Nothing here knows what a requirement is about: every requirement is asked for its cones, and any rows that touch a
cone from below may be added, because they hold for every batch that keeps it. So the linear program with cuts costs no
more than the best batch, and its prices prove the bound in exact arithmetic as they do without cones.

1. The plain optimum. If it keeps every cone, it is the answer.
2. Rounds in floating point: solve with tangents (see tangents), add tangents where cones are broken, and try to finish
   from there with Newton's method (see polish). Usually one to three rounds.
3. The finish, exact: one cut a cone at the point found, and the linear program with these cuts, whose optimum is the
   proved bound; then the cheapest batch within a hair of that point with the cuts drawn in by as much as a cone bends
   there, which keeps every cone exactly. The two differ by the gap, normally under a billionth of the cost.

With whole numbers the cuts go into the nodes of one tree (see whole and tree), and the bound proved is that of the
linear program.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.cone import Cone
from constraints.confidence import measured_again
from constraints.formula import Formula
from constraints.ingredients import Lot
from constraints.methods import FatMethod, Finding
from constraints.requirement import Requirement
from constraints.row import Row
from optimizer import clock
from optimizer.solver.cutting import Search
from optimizer.solver.exact import lower_bound
from optimizer.solver.model import Program
from optimizer.solver.optimum import Optimum, Ranks, optimise
from optimizer.solver.program import Layout, relaxed
from optimizer.solver.units import in_units
from optimizer.solver.whole import Whole

_ZERO = Fraction(0)
_MOMENT = 0.3
"""Seconds that a program without whole numbers is given whatever limit is stood in: few need as many."""
SLIGHT = Fraction(1, 10**6)
"""Saving, as a share of the cost, that is not worth a word."""


@dataclass(frozen=True)
class Held:
    """An optimum that keeps every cone exactly, and the layout in whose rows its prices count.

    ``plain`` is the optimum without cones, ``cuts`` are the cuts over the columns' kilograms that prove the bound.
    They were laid at the variables' values in ``point``; ``of`` says which of the cones each belongs to.
    """

    optimum: Optimum
    layout: Layout
    plain: Optimum
    cuts: tuple[Row, ...] = ()
    point: tuple[Fraction, ...] = ()
    of: tuple[int, ...] = ()

    @property
    def price(self) -> Fraction | None:
        """What the confidence costs against the plain optimum, money; None where either has no batch."""
        if not self.optimum.values or not self.plain.values:
            return None
        return self.optimum.cost - self.plain.cost


def cones_of(requirements: Iterable[Requirement], formula: Formula) -> tuple[Cone, ...]:
    """Every cone of some requirements, over the kilograms of the formula's columns."""
    return tuple(cone for requirement in requirements for cone in requirement.cones(formula))


def optimise_with_cuts(
    layout: Layout,
    requirements: Iterable[Requirement],
    formula: Formula,
    ranks: Ranks,
) -> Held:
    """The cheapest point of a layout that also keeps the requirements' cones.

    Without cones this is ``optimise``. Raises SolverDisagrees where exact arithmetic cannot settle it, and
    MissingProperty where a lot's error is not known.
    """
    program = layout.program
    cones = tuple(cone.over(layout.units, len(program.variables)) for cone in cones_of(requirements, formula))
    if not cones:
        optimum = optimise(program, ranks)
        return Held(optimum, layout, optimum)
    if program.whole:
        found = in_units(program, cones, ranks, lambda *own: Whole(*own).run())
    else:
        with clock.moment(_MOMENT):
            found = in_units(program, cones, ranks, lambda plain, bent, order: Search(bent, order).linear(plain))
    cut = Layout(Program(program.variables, (*program.rows, *found.cuts)), layout.units)
    cuts = tuple(_per_kg(row, layout) for row in found.cuts)
    return Held(found.optimum, cut, found.plain or found.optimum, cuts, found.point, found.of)


def _per_kg(row: Row, layout: Layout) -> Row:
    coefs = tuple(a / unit for a, unit in zip(row.coefs, layout.units, strict=False))
    return Row(row.label, coefs, row.lo, row.hi)


@dataclass(frozen=True)
class Remeasured:
    """What it saves to measure one lot again: from which error to which, and how much money on this batch."""

    lot: Lot
    now: Finding
    then: Finding
    saving: Fraction


def worth_remeasuring(
    layout: Layout,
    requirements: Sequence[Requirement],
    formula: Formula,
    ranks: Ranks,
    held: Held,
    *,
    method: FatMethod | None = None,
    most: int = 3,
) -> tuple[Remeasured, ...]:
    """The lots whose error costs most, largest saving first, at most ``most`` of them.

    Each lot in turn is taken as found by ``method`` (None: the most precise published bench method) with the same fat,
    and the batch is solved again. Weak duality with the prices at hand says how much a lot can save at best, so only
    those are solved again that can be among the first. With whole numbers the lots are picked on the program without
    them, and then solved in whole numbers. Empty where there is no batch.
    """
    if not held.optimum.values:
        return ()
    candidates = [
        (_most_saved(layout, again, formula, held), lot, again)
        for lot in formula.lots
        if isinstance(lot, Lot) and (again := _once_measured(requirements, lot, method)) is not None
    ]
    least = SLIGHT * abs(held.optimum.cost)
    candidates.sort(key=lambda entry: (-entry[0], entry[1].name))
    found: list[Remeasured] = []
    for tried, (ceiling, lot, again) in enumerate(candidates):
        full = len(found) >= most and (layout.program.whole or ceiling <= found[most - 1].saving)
        if ceiling <= least or full or tried >= 4 * most:
            break
        cost = optimise_with_cuts(layout, again, formula, ranks).optimum
        saving = held.optimum.cost - cost.cost
        if cost.values and saving > least:
            found.append(Remeasured(lot, *_errors(requirements, again, lot), saving))
            found.sort(key=lambda entry: (-entry.saving, entry.lot.name))
    return tuple(found[:most])


def _once_measured(
    requirements: Sequence[Requirement], lot: Lot, method: FatMethod | None
) -> tuple[Requirement, ...] | None:
    """The requirements once a lot was measured again; None where that would be no more precise."""
    again = tuple(measured_again(requirement, lot, method) for requirement in requirements)
    if not any(requirement.confidence is not None for requirement in again):
        return None
    now, then = _errors(requirements, again, lot)
    return again if then.sd < now.sd else None


def _errors(before: Sequence[Requirement], after: Sequence[Requirement], lot: Lot) -> tuple[Finding, Finding]:
    """The error of a lot's fat before and after."""
    now, then = (next(r.confidence for r in group if r.confidence) for group in (before, after))
    return now.finding(lot), then.finding(lot)


def _most_saved(layout: Layout, again: Sequence[Requirement], formula: Formula, held: Held) -> Fraction:
    """The most that other errors can save: the proved bound with the prices at hand, on cuts for the new errors.

    With whole numbers it is what they save the linear program, as far as these prices show it.
    """
    program = layout.program
    cones = cones_of(again, formula)
    rows = []
    for c in held.of:
        row = cones[c].over(layout.units, len(program.variables)).cut(held.point) if c < len(cones) else None
        if row is None:
            return held.price or _ZERO
        rows.append(row)
    bound = lower_bound(relaxed(Program(program.variables, (*program.rows, *rows))), held.optimum.prices)
    now = held.optimum.bound if program.whole else held.optimum.cost
    return _ZERO if bound is None or now is None else now - bound
