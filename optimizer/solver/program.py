"""From a problem to a program: columns become variables, holds become bounds and whole numbers.

A lot sold in packs is counted in packs; a lot with a smallest pull gets a yes-or-no variable, with its stock as the
tightest possible coefficient.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.formula import Formula
from constraints.ingredients import Ingredient, Lot
from constraints.requirement import Hold, Requirement
from constraints.row import Row
from constraints.stock import hold
from optimizer.problem import Problem, rows_of
from optimizer.solver.model import Program, Variable

_ZERO = Fraction(0)
_ONE = Fraction(1)


@dataclass(frozen=True)
class Layout:
    """A program and the way back from its variables to kilograms of the columns.

    ``units[j]`` is the kilograms that one unit of variable j stands for; variables past the columns are yes-or-no.
    """

    program: Program
    units: tuple[Fraction, ...]

    def kilograms(self, values: Sequence[Fraction]) -> tuple[Fraction, ...]:
        """Kilograms of each column."""
        return tuple(unit * value for unit, value in zip(self.units, values, strict=False))


def value_per_kg(formula: Formula, column: Ingredient) -> Fraction:
    """Money that one usable kilogram of a column costs, with the additions it carries."""
    return column.cost_per_kg + formula.carried_cost(column)


def holds_of(problem: Problem) -> tuple[Hold, ...]:
    """What each column may be, in usable kilograms: stock, packs and pulls; the order's size for a free addition."""
    order, formula = problem.order, problem.formula
    ceiling = order.kilograms + order.within_kg
    by_item = {addition.item: addition for addition in formula.free}
    holds = []
    for column in formula.columns:
        if isinstance(column, Lot):
            holds.append(hold(column))
        else:
            holds.append(Hold(column, (by_item[column].most or _ZERO) * ceiling))
    return tuple(holds)


def layout_of(problem: Problem, extra: Sequence[Row] = ()) -> Layout:
    """The program of a problem, to any weight the lots allow (the scales come later)."""
    rows = [row for _, row in rows_of(problem)]
    return build(
        problem.formula, holds_of(problem), [*rows, *extra], choices_of(problem), problem.order.meat_division_kg
    )


def choices_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> list[Row]:
    """Rows over the use of the columns, yes or no, of the requirements that are imposed."""
    chosen = problem.choosing if requirements is None else requirements
    return [row for requirement in chosen for row in requirement.choices(problem.formula)]


def uses(choices: Sequence[Row], size: int) -> tuple[set[int], set[int]]:
    """Columns whose use is counted, and among them those that count only with a real weight.

    A lot that must go in because another does is not in by a weight of nothing.
    """
    counted = {j for row in choices for j in range(size) if row.coefs[j]}
    real = {j for row in choices if row.lo is not None for j in range(size) if row.coefs[j]}
    return counted, real


def build(
    formula: Formula,
    holds: Sequence[Hold],
    rows: Sequence[Row],
    choices: Sequence[Row] = (),
    least_kg: Fraction = _ZERO,
) -> Layout:
    """Variables, bounds and rows from columns, holds, rows over kilograms and rows over use."""
    variables, units, links = [], [], []
    counted, real = uses(choices, len(formula.columns))
    for j, (column, limits) in enumerate(zip(formula.columns, holds, strict=True)):
        cost = value_per_kg(formula, column)
        if limits.step is not None:
            most = limits.most // limits.step
            least = -(-limits.least // limits.step)
            low = Fraction(most) if limits.must else _ZERO
            variables.append(Variable(column.name, cost * limits.step, low, Fraction(most), whole=True))
            units.append(limits.step)
            lo, hi = Fraction(max(least, 1) if j in real else least), Fraction(most)
            needs_choice = least > 1 or j in counted
        else:
            variables.append(Variable(column.name, cost, limits.most if limits.must else _ZERO, limits.most))
            units.append(_ONE)
            lo, hi = max(limits.least, least_kg) if j in real else limits.least, limits.most
            needs_choice = limits.least > 0 or j in counted
        if needs_choice:
            links.append(_Link(j, lo, hi, _ceiling(column)))
    scaled = [
        Row(r.label, tuple(a if u is _ONE else a * u for a, u in zip(r.coefs, units, strict=True)), r.lo, r.hi)
        for r in rows
    ]
    return _with_choices(variables, units, links, scaled, choices)


@dataclass(frozen=True)
class _Link:
    """Column j is none, or between ``lo`` and ``hi`` of its own units; ``ceiling`` names what ``hi`` comes from."""

    j: int
    lo: Fraction
    hi: Fraction
    ceiling: str


def _ceiling(column: Ingredient) -> str:
    """What bounds a column from above, as a row is labelled: its stock, unless a largest pull is below that."""
    if isinstance(column, Lot) and column.largest_pull_kg is not None and column.largest_pull_kg < column.on_hand_kg:
        return "largest pull"
    return "stock" if isinstance(column, Lot) else "largest amount"


def _with_choices(
    variables: list[Variable],
    units: list[Fraction],
    links: list[_Link],
    rows: list[Row],
    choices: Sequence[Row],
) -> Layout:
    """Add for each link a yes-or-no variable b with ``lo * b <= x <= hi * b``; if lo > hi the lot is not used.

    Rows over use are rows over these variables.
    """
    size, extra = len(variables), len(links)
    padded = [row.wider(extra) for row in rows]
    for k, link in enumerate(links):
        j, name = link.j, variables[link.j].name
        variables.append(Variable(f"use {name}", _ZERO, _ZERO, _ONE if link.lo <= link.hi else _ZERO, whole=True))
        for limit, label in ((link.lo, "smallest pull"), (link.hi, link.ceiling)):
            if label == "smallest pull" and not limit:
                continue
            coefs = [_ZERO] * (size + extra)
            coefs[j], coefs[size + k] = _ONE, -limit
            low, high = (_ZERO, None) if label == "smallest pull" else (None, _ZERO)
            padded.append(Row(f"{label} of {name}", tuple(coefs), low, high))
    for row in choices:
        over_use = (_ZERO,) * size + tuple(row.coefs[link.j] for link in links)
        padded.append(Row(row.label, over_use, row.lo, row.hi))
    return Layout(Program(tuple(variables), tuple(padded)), tuple(units))


def relaxed(program: Program) -> Program:
    """The same program without whole numbers."""
    free = tuple(Variable(v.name, v.cost, v.lo, v.hi) for v in program.variables)
    return Program(free, program.rows)
