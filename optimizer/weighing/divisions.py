"""Whole divisions of the scales: the blend's own program posed in divisions, load by load, and settled by the one tree.

Loads are alike but for single divisions: of every item each load gets a common number of divisions, and some loads
one more. An addition follows its own load's lots. Nothing that is weighed is left out: where there is no solution,
there is no batch on these scales.

Before that single divisions are exchanged between lots until a rounded batch keeps its limits: a guess, checked later.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import floor
from typing import Any

import numpy as np

from constraints.as_typed import ONE, ZERO
from constraints.quantities import Ingredient, Kind
from constraints.row import Floats, Row, Vector
from optimizer.solver.lattice import in_steps, whole
from optimizer.solver.program import ColumnKind, Program, Variable, build, uses
from optimizer.weighing.rounding import WeighedLimit, Weighing

_JUST_UNDER = Fraction(99_999, 100_000)
"""A dose is rounded by less than a whole division."""
_NOTHING = 1e-9
"""Part of a limit, in kilograms of the column that counts most, that is nothing."""
_MOST = 12
"""Exchanges made at most."""

Sum = dict[int, Fraction]
"""Kilograms by variable of an integer program, or counts."""


@dataclass(frozen=True)
class InDivisions:
    """Kilograms of each column and of each addition that matters, load by load.

    ``loads`` is empty where nothing was found; then ``certain`` says whether there is nothing to be found.
    """

    loads: tuple[tuple[Fraction, ...], ...] = ()
    doses: tuple[Mapping[Ingredient, Fraction], ...] = ()
    certain: bool = False


def in_divisions(
    plan: Weighing, columns: Sequence[int], nodes: int, gap: Fraction, *, whole_doses: bool = True
) -> InDivisions:
    """The cheapest batch in whole divisions of everything weighed that uses only some columns, or that there is none.

    Within the ``gap``, a share of its cost, as far as so many nodes lead. Without ``whole_doses`` those of additions
    need not be whole, which is sooner searched.
    """
    posed = _Posed(plan, columns, whole_doses)
    values, proof = whole(Program(tuple(posed.variables), tuple(posed.rows)), nodes, gap)
    if not values:
        return InDivisions(certain=proof.closed and posed.complete)
    return InDivisions(
        tuple(zip(*([_at(values, part) for part in parts] for parts in posed.weights), strict=True)),
        tuple({item: _at(values, parts[k]) for item, parts in posed.doses.items()} for k in range(plan.loads)),
    )


@dataclass
class _Posed:
    """A blend's program in divisions: kilograms of each column in each load, and of each addition that matters.

    ``complete`` is False where columns are left out, or it matters which load takes the odd rests.
    """

    plan: Weighing
    columns: Sequence[int]
    whole_doses: bool
    variables: list[Variable] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    weights: list[list[Sum]] = field(default_factory=list)
    doses: dict[Ingredient, list[Sum]] = field(default_factory=dict)
    uneven: dict[int, int] = field(default_factory=dict)
    complete: bool = True

    def __post_init__(self) -> None:
        plan, kept = self.plan, {*self.columns}
        formula, order = plan.problem.formula, plan.problem.order
        holds = [replace(h, step=plan.unit(j), most=h.most if j in kept else ZERO) for j, h in enumerate(plan.holds)]
        layout = build(formula, holds, (), plan.choices, order.meat_division_kg)
        self.variables, self.rows = list(layout.program.variables), list(layout.program.rows)
        spans, rests = [hold.span(hold.step) for hold in holds], 0
        emptied = (k for k, v in enumerate(self.variables) if v.kind is ColumnKind.EMPTIED)
        for j, span in enumerate(spans):
            unit, e = plan.unit(j), -1 if span.every is None else next(emptied)
            rest = {} if span.every is None or not span.every % 1 else {e: unit * (span.every % 1)}
            parts = [{j: unit, **rest}] if plan.loads == 1 else self._shared(j, unit, rest) if j in kept else []
            self.weights.append(parts or [{} for _ in range(plan.loads)])
            if j in kept and plan.shared[1] and plan.holds[j].step is None:
                self._uneven(j)
            rests += bool(plan.loads > 1 and parts and (rest or not plan.in_divisions(j)))
        self.complete = rests < 2 and len(kept) == len(holds)
        self._dose()
        for limit in plan.limits:
            self._limit(limit)
        self.rows = [found for row in self.rows if (found := self._tightened(row)) is not None]

    def _more(self, name: str, most: int, *, whole: bool = True) -> int:
        self.variables.append(Variable(name, ZERO, ZERO, Fraction(most), whole=whole))
        return len(self.variables) - 1

    def _row(self, name: str, total: Sum, lo: Fraction | None, hi: Fraction | None) -> None:
        self.rows.append(Row.of(name, total, lo, hi))

    def _shared(self, j: int, unit: Fraction, rest: Sum) -> list[Sum]:
        """A column's kilograms in each load: a common number of divisions and single ones more.

        What packs, or all of a lot, are beyond divisions goes into the last load, which then has no odd one.
        """
        plan, name = self.plan, self.variables[j].name
        division = plan.divisions[plan.problem.formula.columns[j]]
        each = self._more(f"each {name}", floor(plan.holds[j].most / division / plan.loads))
        odd = [self._more(f"odd {name}", 1) for _ in range(plan.loads)]
        parts: list[Sum] = [{each: division, k: division} for k in odd]
        total = {j: -unit} | {each: plan.loads * division} | dict.fromkeys(odd, division)
        if not plan.in_divisions(j):
            rest = {self._more(f"rest {name}", 1, whole=False): division}
            total |= rest
        if rest:
            parts[-1] |= rest
            self._row(f"odd or rest of {name}", {odd[-1]: ONE, **dict.fromkeys(rest, ONE)}, None, ONE)
        self._row(f"loads of {name}", total, ZERO, ZERO)
        return parts

    def _uneven(self, j: int) -> None:
        """Whether the count of a column over several loads leaves some of them one division more."""
        loads, name = self.plan.shared[0], self.variables[j].name
        each = self._more(f"each {name}", int(self.variables[j].hi) // loads)
        extra = self._more(f"extra {name}", loads - 1)
        uneven = self.uneven[j] = self._more(f"uneven {name}", 1)
        self._row(f"loads of {name}", {j: -ONE, each: Fraction(loads), extra: ONE}, ZERO, ZERO)
        self._row(f"uneven {name}", {extra: ONE, uneven: -Fraction(loads - 1)}, None, ZERO)

    def _dose(self) -> None:
        """Counts of each addition that matters in each load: a neighbour of its exact dose, for a cure the lower."""
        formula, plan = self.plan.problem.formula, self.plan
        for i, addition in enumerate(formula.dosed):
            if not any(limit.added[i] for limit in plan.limits):
                continue
            item, division = addition.item, plan.divisions[addition.item]
            shares = [formula.carried(column)[i][1] for column in formula.columns]
            most = sum((max(s, ZERO) * h.most for s, h in zip(shares, plan.holds, strict=True)), ZERO)
            self.doses[item] = []
            for load in range(plan.loads):
                count = self._more(f"dose of {item.name}", floor(most / division) + 1, whole=self.whole_doses)
                self.doses[item].append({count: division})
                above = ZERO if item.kind is Kind.CURE else division * _JUST_UNDER
                off = [(-share, weights[load]) for share, weights in zip(shares, self.weights, strict=True)]
                total = _total([(ONE, {count: division}), *off])
                self._row(f"dose of {item.name}", total, -division * _JUST_UNDER, above)

    def _limit(self, limit: WeighedLimit) -> None:
        """A limit on what is weighed, load by load or on all together, and with exact doses on all."""
        formula = self.plan.problem.formula
        dosed = [(a, self.doses[d.item]) for a, d in zip(limit.added, formula.dosed, strict=True) if a]
        alone = [
            _total((a, parts[load]) for a, parts in [*zip(limit.columns, self.weights, strict=True), *dosed])
            for load in range(self.plan.loads)
        ]
        for total in [_total((ONE, load) for load in alone)] if limit.whole else alone:
            free = self.plan.shared[1] * (not limit.whole)
            apart = {k: free * abs(limit.exact[j]) * self.plan.unit(j) for j, k in self.uneven.items() if free}
            for sign, lo, hi in ((-1, limit.lo, None), (1, None, limit.hi)) if apart else ((1, limit.lo, limit.hi),):
                self._row("limit", _total([(ONE, total), (Fraction(sign), apart)]), lo, hi)
        if any(limit.added) and limit.requirement is not None:
            exact = ((a, part) for a, parts in zip(limit.exact, self.weights, strict=True) for part in parts)
            self._row("limit with exact doses", _total(exact), limit.lo, limit.hi)

    def _tightened(self, row: Row) -> Row | None:
        """A row of whole numbers between limits that its sums can reach; None where it says nothing and holds."""
        if not row.terms:
            return None if row.holds(()) else row
        if not all(self.variables[j].whole for j, _ in row.terms):
            return row
        figures, lo, hi = in_steps(row)
        total = {j: Fraction(n) for (j, _), n in zip(row.terms, figures, strict=True)}
        return Row.of(row.label, total, None if lo is None else Fraction(lo), None if hi is None else Fraction(hi))


def _total(parts: Iterable[tuple[Fraction, Mapping[int, Fraction]]]) -> Sum:
    total: Sum = {}
    for factor, expression in parts:
        for k, count in expression.items() if factor else ():
            total[k] = total.get(k, ZERO) + factor * count
    return total


def _at(values: Sequence[Fraction], total: Sum) -> Fraction:
    return sum((values[k] * kg for k, kg in total.items()), ZERO)


@dataclass(frozen=True)
class Lines:
    """Limits as rows over the columns of a formula: coefficients (rows x columns) a kilogram, no limit is inf."""

    coefs: Floats
    lo: Floats
    hi: Floats

    @classmethod
    def of(cls, rows: Iterable[tuple[Sequence[Fraction], Fraction | None, Fraction | None]]) -> Lines:
        """Rows between their limits."""
        coefs, lows, highs = zip(*rows, strict=True)
        lo = np.array([-np.inf if low is None else float(low) for low in lows])
        hi = np.array([np.inf if high is None else float(high) for high in highs])
        return cls(np.array([Vector.of(row).floats for row in coefs]), lo, hi)


def exchanged(plan: Weighing, kilograms: Sequence[Fraction], lines: Lines, room: Fraction) -> list[Fraction] | None:
    """Kilograms of the columns of a batch in one load after exchanges; it may still break a limit by its additions.

    Every exchange is the one that leaves least over the limits, among equals the cheapest. ``room`` is what is left
    free of every limit for the rounding of the additions, kilograms of the column that counts most in it. None where
    nothing holds without any.
    """
    counted, _ = uses(plan.choices, len(plan.holds))
    spans = {j: h.span(plan.unit(j)) for j, h in enumerate(plan.holds) if h.step is None and not h.must}
    loose = [j for j, span in spans.items() if j not in counted and kilograms[j] <= span.hi * plan.unit(j)]
    units = np.array([float(plan.unit(j)) for j in loose])
    weights = np.array([float(kg) for kg in kilograms])
    largest = np.abs(lines.coefs).max(axis=1, initial=0.0)
    rows = lines.coefs[largest > 0] / largest[largest > 0, None]
    lo, hi = lines.lo[largest > 0] / largest[largest > 0], lines.hi[largest > 0] / largest[largest > 0]
    counts, value = weights[loose] / units, rows @ weights
    pulls = np.array([float(spans[j].lo) if spans[j].lo > 1 else 0.0 for j in loose])
    least = np.where(counts > 0, pulls, 0.0)  # what is in stays in, what is out stays out, where a pull is not small
    most = np.where((counts > 0) | (pulls == 0), np.array([float(spans[j].hi) for j in loose]), 0.0)
    cost = np.array([float(plan.cost(j)) for j in loose])
    steps = np.vstack([(rows[:, loose] * units).T, np.zeros(len(rows))])  # the last is nothing at all
    search = _DivisionSearch(steps, lo + float(room), hi - float(room), least, most, np.append(cost, 0.0))
    # Lots that are in already come first: a few grams of one more lot are a nuisance.
    for open_ in (counts > 0, np.ones(len(loose), dtype=bool)):
        counts, value = search.run(counts, value, open_)
        if not search.off(value):
            break
    if not room and search.off(value) > _NOTHING:
        return None
    moved = list(kilograms)
    for j, count in zip(loose, counts, strict=True):
        moved[j] = round(count) * plan.unit(j)
    return moved


@dataclass(frozen=True)
class _DivisionSearch:
    """The search over counts of divisions; ``steps`` is what one division of each column changes in each limit.

    The last place stands for nothing at all: a division more or less instead of an exchange.
    """

    steps: Floats
    lo: Floats
    hi: Floats
    least: Floats
    most: Floats
    cost: Floats

    def off(self, value: Floats) -> Any:
        """By how much figures, limit by limit, are outside them, all together."""
        return (np.maximum(self.lo - value, 0.0) + np.maximum(value - self.hi, 0.0)).sum(axis=-1)

    def run(self, counts: Floats, value: Floats, open_: Any) -> tuple[Floats, Floats]:
        """Exchange until nothing is outside its limits or nothing gets better; only what is open goes up."""
        nothing = len(counts)
        for _ in range(_MOST):
            now = self.off(value)
            if not now:
                break
            give = np.append(np.flatnonzero(counts >= self.least + 1), nothing)
            take = np.append(np.flatnonzero((counts + 1 <= self.most) & open_), nothing)
            left = self.off(value + self.steps[take] - self.steps[give][:, None]).ravel()
            money = (self.cost[take] - self.cost[give][:, None]).ravel()
            best = np.lexsort((money, np.round(left, 12)))[0]
            if left[best] >= now:
                break
            a, b = give[best // len(take)], take[best % len(take)]
            value = value + self.steps[b] - self.steps[a]
            counts = counts + (np.arange(nothing) == b) - (np.arange(nothing) == a)
        return counts, value
