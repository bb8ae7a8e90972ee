"""The weigh-out: kilograms a scale can show, load by load, and proof that they still satisfy everything.

Lots are rounded first to the nearest division. Where that breaks a requirement, the batch is solved again in whole
divisions. Cure is reckoned from each load's own rounded green weight and rounded down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from constraints.formula import Batch, Formula
from constraints.ingredients import Ingredient, Kind, Lot
from constraints.quantities import Basis
from constraints.requirement import Requirement, Row
from constraints.stock import BatchSize, Stock
from optimizer.exact import reduced_costs
from optimizer.model import Ending, Program, Variable, solve
from optimizer.optimum import Optimum
from optimizer.problem import Problem, rows_of
from optimizer.program import Layout, holds_of, value_per_kg
from optimizer.reading.recipe import ScaleName

_ZERO = Fraction(0)
FINE_ENOUGH = 100
"""A scale is fine enough for an item of at least so many divisions (1 %); common practice, no source."""
_SEARCH_SECONDS = 20.0
_SEARCH_GAP = 1e-4
_KEPT_COLUMNS = 60
_KEPT_VARIABLES = 160
_MARGINS = (0, 1, 4)
"""Successive safety margins of a row in the search, in half divisions of everything weighed beside the lots."""


class ScalePrevents(Exception):
    """A batch exists, but none in whole divisions of these scales; carries the requirements that rounding broke."""

    def __init__(self, broken: Sequence[Requirement]) -> None:
        super().__init__("no batch exists on the divisions of these scales")
        self.broken = tuple(broken)


@dataclass(frozen=True)
class Weighed:
    """The batch as weighed. ``solved_again`` is True where nearest rounding broke a requirement."""

    loads: tuple[Batch, ...]
    total: Batch
    solved_again: bool

    def column_kg(self, formula: Formula) -> tuple[Fraction, ...]:
        """Kilograms of each column of the formula as weighed."""
        return tuple(self.total.kilograms.get(column, _ZERO) for column in formula.columns)

    def exactly_dosed(self, formula: Formula) -> Batch:
        """The lots as weighed with every addition at its exact dose."""
        return formula.exact_batch(self.column_kg(formula))


def weigh_out(problem: Problem, layout: Layout, optimum: Optimum) -> Weighed:
    """Round an optimum to the scales. Raises ScalePrevents where no batch in whole divisions satisfies everything."""
    kilograms = layout.kilograms(optimum.values)
    loads = load_count(problem, kilograms)
    nearest = _weighed(problem, _split(problem, _nearest(problem, kilograms), loads), solved_again=False)
    broken = broken_by(problem, nearest)
    if not broken:
        return nearest
    for margin in _MARGINS:
        found = _on_divisions(problem, layout, optimum, loads, margin)
        if found is None:
            break
        again = _weighed(problem, found, solved_again=True)
        still = broken_by(problem, again)
        if not still:
            return again
        broken = still
    raise ScalePrevents(broken)


def load_count(problem: Problem, kilograms: Sequence[Fraction]) -> int:
    """Mixer loads needed for a batch of these kilograms of the columns."""
    if problem.order.mixer_kg is None:
        return 1
    whole = sum(problem.formula.exact_batch(tuple(kilograms)).kilograms.values(), _ZERO)
    return max(1, ceil(whole / problem.order.mixer_kg))


def broken_by(problem: Problem, weighed: Weighed) -> list[Requirement]:
    """Requirements that must hold and do not: on the whole batch, on any load alone, or with unrounded doses.

    The last keeps the batch inside the very problem whose cheapest cost is proved, so that the gap cannot be negative.
    """
    dosed = weighed.exactly_dosed(problem.formula)
    broken = []
    for requirement in problem.requirements:
        if not requirement.origin.blocks or _fails_anyway(problem, requirement):
            continue
        alone = () if isinstance(requirement, BatchSize | Stock) else weighed.loads
        if any(requirement.measure(batch).ok is False for batch in (weighed.total, dosed, *alone)):
            broken.append(requirement)
    return broken


def _fails_anyway(problem: Problem, requirement: Requirement) -> bool:
    fixed = requirement.fixed_value(problem.formula)
    return fixed is not None and not requirement.within(fixed)


def division_kg(problem: Problem, item: Ingredient, kilograms: Fraction) -> Fraction:
    """Division of the scale an item of this weight is weighed on, kilograms."""
    order = problem.order
    if isinstance(item, Lot):
        return order.meat_division_kg
    named = {a.item: scale for a, scale in zip(problem.recipe.additions, problem.recipe.scales, strict=True)}
    scale = named.get(item)
    if scale is not None:
        return order.meat_division_kg if scale is ScaleName.MEAT else order.spice_division_kg
    fine = kilograms >= FINE_ENOUGH * order.meat_division_kg
    return max(order.meat_division_kg, order.spice_division_kg) if fine else order.spice_division_kg


def _nearest(problem: Problem, kilograms: Sequence[Fraction]) -> list[Fraction]:
    """Nearest divisions whose sum is the weight ordered: floor, then the largest remainders go up."""
    columns, order = problem.formula.columns, problem.order
    division = order.meat_division_kg
    rounded = list(kilograms)
    loose = [
        j for j, column in enumerate(columns)
        if kilograms[j] and not (isinstance(column, Lot) and column.pack_kg is not None)
    ]  # fmt: skip
    lots = [j for j in loose if isinstance(columns[j], Lot)]
    for j in loose:
        if j not in lots:
            size = division_kg(problem, columns[j], kilograms[j])
            rounded[j] = size * floor(kilograms[j] / size + Fraction(1, 2))
    total = sum((kilograms[j] for j in lots), _ZERO)
    if not total:
        return rounded
    wanted = _meat_wanted(problem, kilograms, total)
    exact = {j: kilograms[j] * wanted / total / division for j in lots}
    most = {j: floor(_most(columns[j]) / division) for j in lots}
    counts = {j: min(floor(exact[j]), most[j]) for j in lots}
    spare = floor(wanted / division + Fraction(1, 2)) - sum(counts.values())
    for j in sorted(lots, key=lambda j: (counts[j] - exact[j], columns[j].name)):
        if spare > 0 and counts[j] < most[j]:
            counts[j] += 1
            spare -= 1
    for j in lots:
        rounded[j] = counts[j] * division
    return rounded


def _meat_wanted(problem: Problem, kilograms: Sequence[Fraction], loose: Fraction) -> Fraction:
    """Kilograms of loose lots that bring the batch to the weight ordered."""
    order = problem.order
    size = sum((kg for kg in problem.formula.exact_batch(tuple(kilograms)).kilograms.values()), _ZERO)
    meat = sum((kg for c, kg in zip(problem.formula.columns, kilograms, strict=True) if isinstance(c, Lot)), _ZERO)
    counted = meat if order.basis is Basis.MEAT else size
    return loose + (order.kilograms - counted) * meat / counted


def _most(column: Ingredient) -> Fraction:
    assert isinstance(column, Lot)
    largest = column.on_hand_kg if column.largest_pull_kg is None else min(column.on_hand_kg, column.largest_pull_kg)
    return largest * column.usable


def _split(problem: Problem, kilograms: Sequence[Fraction], loads: int) -> list[list[Fraction]]:
    """Share each column over the loads, at most one division apart, the odd divisions going round in turn."""
    shares = [[_ZERO] * len(kilograms) for _ in range(loads)]
    turn = 0
    for j, (column, weight) in enumerate(zip(problem.formula.columns, kilograms, strict=True)):
        division = division_kg(problem, column, weight / loads)
        counts, turn = _share(weight / division, loads, turn)
        for load, count in enumerate(counts):
            shares[load][j] = count * division
    return shares


def _share(divisions: Fraction, loads: int, turn: int) -> tuple[list[Fraction], int]:
    """Share divisions (a pack may leave a broken one) over the loads, starting the extras at ``turn``."""
    each = Fraction(floor(divisions / loads))
    counts = [each] * loads
    rest = divisions - each * loads
    while rest > 0:
        counts[turn] += min(rest, Fraction(1))
        rest -= min(rest, Fraction(1))
        turn = (turn + 1) % loads
    return counts, turn


def _weighed(problem: Problem, shares: Sequence[Sequence[Fraction]], *, solved_again: bool) -> Weighed:
    """Add the additions to each load's lots, rounded to their scales."""
    formula = problem.formula
    exact = [formula.exact_batch(tuple(share)).kilograms for share in shares]
    loads: list[dict[Ingredient, Fraction]] = [
        {column: kg for column, kg in zip(formula.columns, share, strict=True) if kg} for share in shares
    ]
    for addition in formula.dosed:
        item = addition.item
        amounts = [load.get(item, _ZERO) for load in exact]
        division = division_kg(problem, item, sum(amounts, _ZERO) / len(amounts))
        for load, count in zip(loads, _dose_counts(item, amounts, division), strict=True):
            if count:
                load[item] = count * division
    batches = tuple(Batch(load, problem.recipe.process) for load in loads)
    total: dict[Ingredient, Fraction] = {}
    for load in loads:
        for item, kg in load.items():
            total[item] = total.get(item, _ZERO) + kg
    return Weighed(batches, Batch(total, problem.recipe.process), solved_again)


def _dose_counts(item: Ingredient, amounts: Sequence[Fraction], division: Fraction) -> list[Fraction]:
    if item.kind is Kind.CURE:
        down = [floor(amount / division) for amount in amounts]
        return [Fraction(min(count, min(down) + 1)) for count in down]
    whole = floor(max(sum(amounts, _ZERO), _ZERO) / division + Fraction(1, 2))
    counts, _ = _share(Fraction(whole), len(amounts), 0)
    return counts


def _on_divisions(
    problem: Problem, layout: Layout, optimum: Optimum, loads: int, margin: int
) -> list[list[Fraction]] | None:
    """The cheapest batch in whole divisions, as shares of the loads; None where there is none.

    Each column's divisions are ``loads * q + sum of e`` with q whole and e zero or one, so that loads are never more
    than one division apart. The columns least likely to help (largest reduced cost) are tried only if need be.
    """
    size = len(problem.formula.columns)
    rest = reduced_costs(layout.program, optimum.prices)[:size]
    ranked = sorted(range(size), key=lambda j: (not optimum.values[j], abs(rest[j]), j))
    kept = _KEPT_COLUMNS if loads == 1 else max(6, _KEPT_VARIABLES // (loads + 1))
    for columns in (sorted(ranked[:kept]), list(range(size))):
        program, units = _division_program(problem, columns, loads, margin)
        outcome = solve(program, time_limit=_SEARCH_SECONDS, gap=_SEARCH_GAP)
        if outcome.values:
            return _shares_of(outcome.values, columns, units, size, loads)
        if len(columns) == size or outcome.ending is not Ending.INFEASIBLE:
            break
    return None


def _division_program(
    problem: Problem, columns: Sequence[int], loads: int, margin: int
) -> tuple[Program, list[Fraction]]:
    formula, holds = problem.formula, holds_of(problem)
    units, variables, links = [], [], []
    for j in columns:
        column = formula.columns[j]
        unit = holds[j].step or division_kg(problem, column, holds[j].most / loads)
        most, least = floor(holds[j].most / unit), ceil(holds[j].least / unit)
        cost = value_per_kg(formula, column) * unit
        units.append(unit)
        variables.append(Variable(column.name, cost * loads, _ZERO, Fraction(most // loads), whole=True))
        if loads > 1:
            variables += [Variable(column.name, cost, _ZERO, Fraction(1), whole=True) for _ in range(loads)]
        links.append((most, least))
    block = 1 if loads == 1 else loads + 1
    rows = _division_rows(problem, columns, units, loads, block, margin)
    return _limit_totals(variables, rows, links, loads, block), units


def _division_rows(
    problem: Problem, columns: Sequence[int], units: Sequence[Fraction], loads: int, block: int, margin: int
) -> list[Row]:
    slack = margin * _half_divisions(problem)
    rows = []
    for requirement, row in rows_of(problem):
        coefs = [row.coefs[j] * unit for j, unit in zip(columns, units, strict=True)]
        whole = isinstance(requirement, BatchSize)
        give = _ZERO if whole else slack * max((abs(row.coefs[j]) for j in columns), default=_ZERO)
        lo = None if row.lo is None else row.lo + give
        hi = None if row.hi is None else row.hi - give
        spread: list[Fraction] = []
        for coef in coefs:
            spread += [coef * loads] + ([coef] * loads if block > 1 else [])
        rows.append(Row(row.label, tuple(spread), lo, hi))
        if block == 1 or whole:
            continue
        for load in range(loads):
            alone: list[Fraction] = []
            for coef in coefs:
                alone += [coef] + [coef if k == load else _ZERO for k in range(loads)]
            rows.append(Row(f"{row.label}, load {load + 1}", tuple(alone), lo, hi))
    return rows


def _half_divisions(problem: Problem) -> Fraction:
    """Half a division of everything weighed beside the lots, kilograms."""
    order = problem.order
    total = _ZERO
    for addition in problem.formula.dosed:
        amount = addition.rate * order.kilograms
        total += division_kg(problem, addition.item, amount) / 2
    return max(total, order.spice_division_kg / 2)


def _limit_totals(
    variables: list[Variable], rows: list[Row], links: Sequence[tuple[int, int]], loads: int, block: int
) -> Program:
    """Stock over all loads, and a smallest pull as a yes-or-no choice."""
    size = len(variables)
    choices = [k for k, (_, least) in enumerate(links) if least > 1]
    padded = [Row(r.label, r.coefs + (_ZERO,) * len(choices), r.lo, r.hi) for r in rows]
    for k, (most, least) in enumerate(links):
        total = [_ZERO] * (size + len(choices))
        total[k * block] = Fraction(loads if block > 1 else 1)
        for extra in range(1, block):
            total[k * block + extra] = Fraction(1)
        name = variables[k * block].name
        if k in choices:
            at = size + choices.index(k)
            upper = list(total)
            upper[at] = -Fraction(most)
            padded.append(Row(f"largest pull of {name}", tuple(upper), None, _ZERO))
            total[at] = -Fraction(least)
            padded.append(Row(f"smallest pull of {name}", tuple(total), _ZERO, None))
        elif block > 1:
            padded.append(Row(f"stock of {name}", tuple(total), None, Fraction(most)))
    chosen = [Variable(f"use {k}", _ZERO, _ZERO, Fraction(links[k][0] >= links[k][1]), whole=True) for k in choices]
    return Program((*variables, *chosen), tuple(padded))


def _shares_of(
    values: Sequence[float], columns: Sequence[int], units: Sequence[Fraction], size: int, loads: int
) -> list[list[Fraction]]:
    shares = [[_ZERO] * size for _ in range(loads)]
    block = 1 if loads == 1 else loads + 1
    for k, (j, unit) in enumerate(zip(columns, units, strict=True)):
        for load in range(loads):
            count = round(values[k * block])
            if block > 1:
                count += round(values[k * block + 1 + load])
            shares[load][j] = count * unit
    return shares

