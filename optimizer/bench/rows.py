"""The program of some requirements, which of them each of its rows belongs to, and rows made once and used again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from weakref import WeakKeyDictionary

from constraints.formula import Formula
from constraints.ingredients import Lot
from constraints.requirement import Hold, Requirement
from constraints.row import Row
from optimizer.problem import Problem
from optimizer.solver.program import Layout, build, choices_of, holds_of

_ZERO = Fraction(0)
_ONE = Fraction(1)


_ROWS: WeakKeyDictionary[Formula, dict[int, tuple[Requirement, tuple[Row, ...]]]] = WeakKeyDictionary()
"""Rows already made of a requirement over a formula, by the requirement's identity; they take longer than a solve."""


def rows_of_one(formula: Formula, requirement: Requirement) -> tuple[Row, ...]:
    """The rows of one requirement, made once for a formula."""
    known = _ROWS.setdefault(formula, {})
    found = known.get(id(requirement))
    if found is None or found[0] is not requirement:
        rows = tuple(row.owned(requirement) for row in requirement.rows(formula))
        found = known[id(requirement)] = (requirement, rows)
    return found[1]


def carry_rows(before: Formula, after: Formula) -> None:
    """Rows known over one formula hold over another that differs only in amounts on hand, packs and pulls."""
    _ROWS[after] = dict(_ROWS.get(before, {}))


def layout_for(
    problem: Problem,
    requirements: Sequence[Requirement] | None = None,
    *,
    any_size: bool = False,
    opened: bool = False,
    choices: bool = True,
) -> Layout:
    """The program of a problem.

    With ``opened`` any part of a pack and any small pull may be used; without ``choices`` the rules on which lots are
    used at all are left aside.

    With ``any_size`` only its own row keeps a free addition to its share of the meat, and not the order's size, so that
    the size can move.
    """
    chosen = problem.choosing if requirements is None else requirements
    rows = [row for requirement in chosen for row in rows_of_one(problem.formula, requirement)]
    holds = list(holds_of(problem))
    if any_size:
        plenty = sum((lot.usable_kg for lot in problem.formula.lots if isinstance(lot, Lot)), _ONE)
        most = {a.item: (a.most or _ZERO) for a in problem.formula.free}
        holds = [replace(h, most=most[h.column] * plenty) if h.column in most else h for h in holds]
    if opened:
        holds = [Hold(h.column, h.most, must=h.must) for h in holds]
    uses = choices_of(problem, chosen) if choices else []
    return build(problem.formula, holds, rows, uses, problem.order.meat_division_kg)
