"""A program: variables, rows, a basis and how a solve ends; and a problem made one.

Columns become variables, holds become bounds and whole numbers: a lot sold in packs is counted in packs; a lot with a
smallest pull or remnant gets yes-or-no variables.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

from constraints.as_typed import ONE, ZERO
from constraints.asked import hold
from constraints.formula import Formula
from constraints.quantities import Ingredient, Lot
from constraints.requirement import Hold, Requirement, Span
from constraints.row import LINK, Owner, Places, Row, Vector, quick
from optimizer.problem import Problem, rows_of


class SolverDisagrees(Exception):
    """The solver's answer did not stand up to exact recomputation; nothing of it is shown."""


class Ending(StrEnum):
    """How a solve ended."""

    OPTIMAL = "optimal"
    INFEASIBLE = "infeasible"
    TIME_LIMIT = "time limit"
    FAILED = "failed"


class BasisStatus(StrEnum):
    """Where a variable or a row stands in a basis."""

    BASIC = "basic"
    LOWER = "lower"
    UPPER = "upper"


class ColumnKind(StrEnum):
    """What a variable stands for."""

    AMOUNT = "amount"
    USED = "used"
    """1 where anything is taken of a column."""
    EMPTIED = "emptied"
    """1 where all of it is."""


@dataclass(frozen=True)
class Variable:
    """A variable of the program: its cost per unit and its bounds; ``whole`` makes it an integer."""

    name: str
    cost: Fraction
    lo: Fraction
    hi: Fraction
    whole: bool = False
    kind: ColumnKind = ColumnKind.AMOUNT


Bounds = tuple[Vector, Vector, Vector, Vector]
"""Costs, upper and lower bounds of variables, and 1 for those that are integers."""


class Columns(Sequence[Variable]):
    """Variables kept as vectors in the blocks they were added in, so that a week needs no object for each."""

    def __init__(self) -> None:
        self._parts: list[Bounds] = []
        self._ends = [0]

    def add(self, cost: Vector, hi: Vector, lo: Vector | None = None, whole: Vector | None = None) -> int:
        """Add a block: where nothing else is said, from zero up and not in whole numbers. The place of the first."""
        none = Vector.whole([0] * len(cost))
        self._parts.append((cost, hi, lo or none, whole or none))
        self._ends.append(self._ends[-1] + len(cost))
        return self._ends[-2]

    def costing(self, costs: Mapping[int, Fraction]) -> Columns:
        """The same variables at these costs, the others at none."""
        found = Columns()
        for start, (cost, *others) in zip(self._ends, self._parts, strict=False):
            found.add(Vector.of(costs.get(j, ZERO) for j in range(start, start + len(cost))), *others)
        return found

    @property
    def vectors(self) -> Bounds:
        """Those of all variables."""
        first, *others = self._parts or [(Vector.whole([]),) * 4]
        cost, hi, lo, whole = (part.joined(*more) for part, *more in zip(first, *others, strict=True))
        return cost, hi, lo, whole

    @property
    def whole(self) -> bool:
        """True where any variable is an integer."""
        return any(whole.top for *_, whole in self._parts)

    @property
    def blocks(self) -> Places:
        """The block of each variable."""
        return np.repeat(np.arange(len(self._parts)), np.diff(self._ends))

    def __len__(self) -> int:
        return self._ends[-1]

    def __getitem__(self, j: Any) -> Any:
        if not 0 <= j < len(self):
            raise IndexError(j)
        k = bisect_right(self._ends, j) - 1
        cost, hi, lo, whole = (part[int(j) - self._ends[k]] for part in self._parts[k])
        return Variable(f"x{j}", cost, lo, hi, whole=bool(whole))


@dataclass(frozen=True)
class Program:
    """Minimise cost over the variables subject to the rows; ``constant`` comes on top."""

    variables: Sequence[Variable]
    rows: Sequence[Row]
    constant: Fraction = ZERO

    @property
    def whole(self) -> bool:
        """True where any variable is an integer."""
        return any(variable.whole for variable in self.variables)

    @cached_property
    def vectors(self) -> Bounds:
        """Costs and bounds of all variables."""
        cost, hi, lo = (Vector.of(getattr(v, name) for v in self.variables) for name in ("cost", "hi", "lo"))
        return cost, hi, lo, Vector.whole([int(v.whole) for v in self.variables])

    def cost(self, values: Sequence[Fraction]) -> Fraction:
        """Cost of these values, exactly."""
        return sum((v.cost * x for v, x in zip(self.variables, values, strict=True) if x), self.constant)

    def feasible(self, values: Sequence[Fraction]) -> bool:
        """True where bounds, rows and whole numbers hold exactly."""
        point = tuple(values)
        bounded = all(v.lo <= x <= v.hi for v, x in zip(self.variables, point, strict=True))
        integral = all(x.denominator == 1 for v, x in zip(self.variables, point, strict=True) if v.whole)
        used = {j: quick(x) for j, x in enumerate(point) if x}
        return bounded and integral and all(row.keeps(used) for row in self.rows)


@dataclass(frozen=True)
class Model(Program):
    """A program in the making: columns and rows are added, and may be many."""

    variables: Columns = field(default_factory=Columns)
    rows: list[Row] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """True where any column is an integer."""
        return self.variables.whole

    @property
    def vectors(self) -> Bounds:
        """Costs and bounds of all columns."""
        return self.variables.vectors

    @property
    def size(self) -> int:
        """Number of columns."""
        return len(self.variables)

    def column(self, cost: Fraction, hi: Fraction, *, whole: bool = False) -> int:
        """Add one column from zero up; its place."""
        return self.variables.add(Vector.of([cost]), Vector.of([hi]), whole=Vector.whole([int(whole)]))

    def row(
        self, columns: Sequence[int] | Places, coefs: Sequence[Fraction | int], lo: Fraction | None = None,
        hi: Fraction | None = None, owner: Owner = LINK,
    ) -> None:  # fmt: skip
        """Add a row."""
        self.rows.append(Row("", Vector.of(coefs), lo, hi, columns, owner))

    def tops(self, columns: Iterable[int]) -> list[Fraction]:
        """Upper bounds of some columns."""
        return [self.variables[j].hi for j in columns]

    def costing(self, costs: Mapping[int, Fraction]) -> Model:
        """The same columns and rows at these costs and no others."""
        return Model(self.variables.costing(costs), list(self.rows))


Sum = Mapping[int, Fraction]
"""Coefficients by variable."""


def possible(span: Span) -> Fraction:
    """Upper bound of the variable that says whether anything is taken: 0 where a span leaves nothing but none."""
    return ONE if span.lo <= span.hi or span.every is not None else ZERO


def none_or(
    total: Sum, span: Span, use: int, every: int = -1, name: str = "", ceiling: str = "stock", owner: Owner = LINK
) -> list[Row]:
    """Hold ``total`` to none where the variable ``use`` is 0, within the span where it is 1, to all where ``every`` is.

    ``every`` has a meaning only where the span has. The rows leave the convex hull of the three choices.
    """
    more = () if span.every is None else tuple(total.get(every, ZERO) + n - span.every for n in (span.hi, span.lo))
    most, least = ({every: n} for n in more) if more else ({}, {})
    rows = [Row.of(f"{ceiling} of {name}", {**total, use: -span.hi, **most}, None, ZERO, owner)]
    if span.lo or more:
        rows.append(Row.of(f"smallest pull of {name}", {**total, use: -span.lo, **least}, ZERO, None, owner))
    return rows + ([Row.of(f"remnant of {name}", {every: ONE, use: -ONE}, None, ZERO)] if more else [])


def relaxed(program: Program) -> Program:
    """The same program without whole numbers."""
    return replace(program, variables=tuple(replace(v, whole=False) if v.whole else v for v in program.variables))


@dataclass(frozen=True)
class SimplexBasis:
    """Where every variable and every row stands. As many variables are basic as rows are not."""

    variables: tuple[BasisStatus, ...]
    rows: tuple[BasisStatus, ...]


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
    return tuple(
        hold(c, order.imposed) if isinstance(c, Lot) else Hold(c, (by_item[c].most or ZERO) * ceiling)
        for c in formula.columns
    )


def layout_of(
    problem: Problem, requirements: Sequence[Requirement] | None = None, *, any_size: bool = False,
    opened: bool = False, choices: bool = True,
) -> Layout:  # fmt: skip
    """The program of a problem under some requirements, to any weight the lots allow (the scales come later).

    With ``opened`` any part of a pack and any small pull may be used; without ``choices`` the rules on which lots are
    used at all are left aside. With ``any_size`` only its own row keeps a free addition to its share of the meat, and
    not the order's size, so that the size can move.
    """
    chosen = problem.choosing if requirements is None else requirements
    holds = list(holds_of(problem))
    if any_size:
        plenty = sum((lot.usable_kg for lot in problem.formula.lots if isinstance(lot, Lot)), ONE)
        most = {a.item: (a.most or ZERO) for a in problem.formula.free}
        holds = [replace(h, most=most[h.column] * plenty) if h.column in most else h for h in holds]
    holds = [Hold(h.column, h.most, must=h.must) for h in holds] if opened else holds
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
    return counted, {j for row in choices if row.lo is not None for j in range(size) if row.coefs[j]}


def build(
    formula: Formula, holds: Sequence[Hold], rows: Sequence[Row], choices: Sequence[Row] = (),
    least_kg: Fraction = ZERO,
) -> Layout:  # fmt: skip
    """Variables, bounds and rows from columns, holds, rows over kilograms and rows over use."""
    variables, units, spans = [], [], {}
    counted, real = uses(choices, len(formula.columns))
    for j, (column, limits) in enumerate(zip(formula.columns, holds, strict=True)):
        unit, span = limits.step or ONE, limits.span(limits.step)
        most = Fraction(limits.most // unit) if limits.step else limits.most
        low, whole = most if limits.must else ZERO, limits.step is not None
        variables.append(Variable(column.name, value_per_kg(formula, column) * unit, low, most, whole=whole))
        units.append(unit)
        if j in real:
            span = replace(span, lo=max(span.lo, ONE if whole else least_kg))
        if j in counted or span.every is not None or span.hi < most or span.lo > whole:
            spans[j] = span
    posed, used = [row.over(units) for row in rows], dict[int, int]()
    for j, span in spans.items():
        name, used[j] = variables[j].name, len(variables)
        variables.append(Variable(f"use {name}", ZERO, ZERO, possible(span), whole=True, kind=ColumnKind.USED))
        total = {j: ONE}
        if span.every is not None:
            beyond = span.every % 1 if variables[j].whole else ZERO  # of a division, where all of a lot goes in
            total |= {used[j] + 1: beyond} if beyond else {}
            cost = variables[j].cost * beyond
            variables.append(Variable(f"empty {name}", cost, ZERO, ONE, whole=True, kind=ColumnKind.EMPTIED))
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
