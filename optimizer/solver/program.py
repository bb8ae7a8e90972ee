"""From a problem to a program: columns become variables, holds become bounds and whole numbers.

A lot sold in packs is counted in packs; a lot with a smallest pull or remnant gets yes-or-no variables (see model).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.asked import hold
from constraints.formula import Formula
from constraints.quantities import Ingredient, Lot
from constraints.requirement import Hold, Requirement
from constraints.row import Row
from optimizer.problem import Problem, rows_of
from optimizer.solver.model import ColumnKind, Program, Variable, none_or, possible

_ZERO, _ONE = Fraction(0), Fraction(1)


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
            holds.append(hold(column, order.imposed))
        else:
            holds.append(Hold(column, (by_item[column].most or _ZERO) * ceiling))
    return tuple(holds)


def layout_of(
    problem: Problem,
    requirements: Sequence[Requirement] | None = None,
    *,
    any_size: bool = False,
    opened: bool = False,
    choices: bool = True,
) -> Layout:
    """The program of a problem under some requirements, to any weight the lots allow (the scales come later).

    With ``opened`` any part of a pack and any small pull may be used; without ``choices`` the rules on which lots are
    used at all are left aside. With ``any_size`` only its own row keeps a free addition to its share of the meat, and
    not the order's size, so that the size can move.
    """
    chosen = problem.choosing if requirements is None else requirements
    holds = list(holds_of(problem))
    if any_size:
        plenty = sum((lot.usable_kg for lot in problem.formula.lots if isinstance(lot, Lot)), _ONE)
        most = {a.item: (a.most or _ZERO) for a in problem.formula.free}
        holds = [replace(h, most=most[h.column] * plenty) if h.column in most else h for h in holds]
    if opened:
        holds = [Hold(h.column, h.most, must=h.must) for h in holds]
    uses = choices_of(problem, chosen) if choices else []
    return build(problem.formula, holds, rows_of(problem, chosen), uses, problem.order.meat_division_kg)


def choices_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> list[Row]:
    """Rows over the use of the columns, yes or no, of the requirements that are imposed."""
    chosen = problem.choosing if requirements is None else requirements
    return [row.owned(requirement) for requirement in chosen for row in requirement.choices(problem.formula)]


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
    variables, units, spans = [], [], {}
    counted, real = uses(choices, len(formula.columns))
    for j, (column, limits) in enumerate(zip(formula.columns, holds, strict=True)):
        unit, span = limits.step or _ONE, limits.span(limits.step)
        most = Fraction(limits.most // unit) if limits.step else limits.most
        low, whole = most if limits.must else _ZERO, limits.step is not None
        variables.append(Variable(column.name, value_per_kg(formula, column) * unit, low, most, whole=whole))
        units.append(unit)
        if j in real:
            span = replace(span, lo=max(span.lo, _ONE if whole else least_kg))
        if j in counted or span.every is not None or span.hi < most or span.lo > whole:
            spans[j] = span
    posed, used = [row.over(units) for row in rows], dict[int, int]()
    for j, span in spans.items():
        name, used[j] = variables[j].name, len(variables)
        variables.append(Variable(f"use {name}", _ZERO, _ZERO, possible(span), whole=True, kind=ColumnKind.USED))
        total = {j: _ONE}
        if span.every is not None:
            beyond = span.every % 1 if variables[j].whole else _ZERO  # of a division, where all of a lot goes in
            total |= {used[j] + 1: beyond} if beyond else {}
            cost = variables[j].cost * beyond
            variables.append(Variable(f"empty {name}", cost, _ZERO, _ONE, whole=True, kind=ColumnKind.EMPTIED))
        posed += none_or(total, span, used[j], used[j] + 1, name, _ceiling(formula.columns[j]))
    for r in choices:
        counts = {k: r.coefs[j] for j, k in used.items() if r.coefs[j]}
        posed.append(Row.of(r.label, counts, r.lo, r.hi, r.owner))
    return Layout(Program(tuple(variables), tuple(posed)), tuple(units))


def _ceiling(column: Ingredient) -> str:
    """What bounds a column from above, as a row is labelled: its stock, unless a largest pull is below that."""
    if isinstance(column, Lot) and column.largest_pull_kg is not None and column.largest_pull_kg < column.on_hand_kg:
        return "largest pull"
    return "stock" if isinstance(column, Lot) else "largest amount"
