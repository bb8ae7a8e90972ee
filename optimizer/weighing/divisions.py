"""Whole divisions of the scales: the integer programs that look for a batch where nearest rounding broke something.

Loads are alike but for single divisions: of every item each load gets a common number of divisions, and some loads
one more; an addition follows its own load's lots. ``rough`` decides the totals of the lots with room for whatever
rounding the additions does; ``full`` decides everything that is weighed, load by load, and leaves nothing out: where it
has no solution, there is none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor

from constraints.ingredients import Ingredient, Kind
from constraints.row import Row
from optimizer import clock
from optimizer.solver.exact import Vertex
from optimizer.solver.kept import Kept
from optimizer.solver.model import Program, SolverDisagrees, Sum, Variable, none_or, possible
from optimizer.solver.program import uses
from optimizer.solver.session import Session
from optimizer.weighing.weighable import Limit, Plan

_ZERO = Fraction(0)
_ONE = Fraction(1)
_ROUGH_NODES, _FULL_NODES = 1_000, 5_000
"""Nodes after which a search ends; most need fewer than a hundred."""
_EXACT_NODES = 2_000
"""Nodes after which it is left open whether the solver is right that there are no whole divisions."""
_SEARCH_GAP = 1e-4
_JUST_UNDER = Fraction(99_999, 100_000)
"""A dose is rounded by less than a whole division; well clear of the solver's tolerance."""


Expression = dict[int, Fraction]
"""A sum of variables of an integer program, each with its factor."""


class _Build:
    """An integer program under construction."""

    def __init__(self) -> None:
        self.variables: list[Variable] = []
        self.rows: list[Row] = []
        self.emptied: dict[int, int] = {}

    def count(self, name: str, most: int, cost: Fraction = _ZERO) -> int:
        """A new whole variable from zero to ``most``."""
        self.variables.append(Variable(name, cost, _ZERO, Fraction(max(most, 0)), whole=True))
        return len(self.variables) - 1

    def part(self, name: str) -> int:
        """A new variable from zero to one that need not be whole."""
        self.variables.append(Variable(name, _ZERO, _ZERO, _ONE))
        return len(self.variables) - 1

    def rest(self, plan: Plan, j: int) -> Expression:
        """What a column brings beyond whole units where all of it goes in; its yes-or-no variable is kept."""
        every = plan.holds[j].span(plan.unit(j)).every
        if every is None:
            return {}
        self.emptied[j] = self.count(f"empty {plan.holds[j].column.name}", 1, plan.cost(j) * (every % 1))
        return {self.emptied[j]: every % 1}

    def row(self, name: str, coefs: Sum, lo: Fraction | None, hi: Fraction | None) -> None:
        """A new row, left out where it says nothing of any variable and holds."""
        if any(coefs.values()) or (lo or _ZERO) > 0 or (hi is not None and hi < 0):
            self.rows.append(Row.of(name, coefs, lo, hi))

    def stock(self, plan: Plan, totals: Mapping[int, Expression]) -> None:
        """Every column's stock; where it has a smallest pull or remnant or its use is counted, what links say."""
        counted, real = uses(plan.choices, len(plan.holds))
        used: dict[int, int] = {}
        for j, total in totals.items():
            limits, name = plan.holds[j], plan.holds[j].column.name
            span = limits.span(plan.unit(j))
            if limits.must:
                self.row(f"all of {name}", total, span.hi, None)
            span = replace(span, lo=max(span.lo, _ONE) if j in real else span.lo)
            if span.lo <= 1 and span.every is None and j not in counted:
                self.row(f"stock of {name}", total, None, span.hi)
                continue
            use = used[j] = self.count(f"use {name}", int(possible(span)))
            self.rows += none_or(total, span, use, self.emptied.get(j, -1), name)
        for row in plan.choices:
            self.row(row.label, {use: row.coefs[j] for j, use in used.items() if row.coefs[j]}, row.lo, row.hi)

    def program(self) -> Program:
        """The program."""
        return Program(tuple(self.variables), tuple(self.rows))


def _total(parts: Iterable[tuple[Fraction, Expression]]) -> Expression:
    total: Expression = {}
    for factor, expression in parts:
        if factor:
            for k, count in expression.items():
                total[k] = total.get(k, _ZERO) + factor * count
    return total


def _at(values: Sequence[float | Fraction], expression: Expression) -> Fraction:
    return sum((round(values[k]) * count for k, count in expression.items()), _ZERO)


def rough(plan: Plan, columns: Sequence[int], room: Fraction) -> dict[int, Fraction] | None:
    """Kilograms of each column over all loads of a cheap batch that uses only these columns, or None.

    ``room`` is the part of one division of each unevenly shared column that is kept free in every limit of a load;
    with 1 any way of sharing satisfies each load.
    """
    build, totals, odd = _Build(), {}, {}
    for j in columns:
        totals[j], odd[j] = _over_loads(build, plan, j, with_room=room > 0)
    build.stock(plan, totals)
    for limit in plan.limits:
        share = _ONE if limit.whole else Fraction(1, plan.loads)
        coefs = _total((limit.exact[j] * plan.unit(j) * share, totals[j]) for j in columns)
        apart = _total((room * (1 - share) * abs(limit.exact[j]) * plan.unit(j), odd[j]) for j in columns)
        times = plan.loads if limit.whole else 1
        if coefs and limit.lo is not None:
            free = plan.rounding(limit, -1) * times
            build.row("at least", _total([(_ONE, coefs), (-_ONE, apart)]), limit.lo + free, None)
        if coefs and limit.hi is not None:
            free = plan.rounding(limit, 1) * times
            build.row("at most", _total([(_ONE, coefs), (_ONE, apart)]), None, limit.hi - free)
    values = _searched(build.program(), _ROUGH_NODES)
    return {j: plan.unit(j) * _at(values, totals[j]) for j in columns} if values else None


def _searched(program: Program, nodes: int) -> Sequence[float]:
    """What the solver finds within so many nodes and the time there is; empty where that is nothing."""
    session = Session(program, whole=program.whole)
    try:
        with clock.doing("looking for whole divisions of the scales"):
            found = session.run(nodes=nodes, gap=_SEARCH_GAP) and session.found
    except clock.OutOfTime:
        return ()
    return session.values.tolist() if found else ()


def _exactly(program: Program) -> tuple[Vertex | None, bool]:
    """What branching in exact arithmetic finds where the solver says that there is nothing, and whether it is sure."""
    try:
        return Kept(program).branched(_EXACT_NODES)
    except (clock.OutOfTime, SolverDisagrees):
        return None, False


def _over_loads(build: _Build, plan: Plan, j: int, *, with_room: bool) -> tuple[Expression, Expression]:
    """Count of a column over all loads, and 1 where it is shared unevenly and room is asked for."""
    most, cost = floor(plan.holds[j].most / plan.unit(j)), plan.cost(j)
    rest = build.rest(plan, j)
    if plan.loads == 1 or plan.holds[j].step is not None:
        return {build.count("all", most, cost): _ONE, **rest}, {}
    each = build.count("each", most // plan.loads, cost * plan.loads)
    extra = build.count("extra", plan.loads - 1, cost)
    total = {each: Fraction(plan.loads), extra: _ONE, **rest}
    if not with_room:
        return total, {}
    uneven = build.count("uneven", 1)
    build.row("uneven", {extra: _ONE, uneven: -Fraction(plan.loads - 1)}, None, _ZERO)
    return total, {uneven: _ONE}


@dataclass(frozen=True)
class Found:
    """Kilograms of each column and, where the search decided them, of each addition, load by load.

    ``loads`` is empty where nothing was found; then ``certain`` says whether there is nothing to be found.
    """

    loads: tuple[tuple[Fraction, ...], ...] = ()
    doses: tuple[Mapping[Ingredient, Fraction], ...] = ()
    certain: bool = False


def full(plan: Plan, tight: Fraction = _ZERO) -> Found:
    """The cheapest batch in whole divisions of everything that is weighed, or the word that there is none.

    ``tight`` is taken off every limit, in its own unit times kilograms: room for the solver's tolerance.
    """
    build, formula = _Build(), plan.problem.formula
    counts = {j: _shared(build, plan, j) for j in range(len(formula.columns))}
    totals = {j: _total((_ONE, part) for part in parts) for j, parts in counts.items()}
    build.stock(plan, totals)
    doses = _doses(build, plan, counts)
    for limit in plan.limits:
        alone = [_load(plan, limit, counts, doses, load) for load in range(plan.loads)]
        for coefs in [_total((_ONE, load) for load in alone)] if limit.whole else alone:
            lo, hi = limit.lo, limit.hi
            room = tight if lo is None or hi is None or hi - lo > 2 * tight else _ZERO
            build.row("limit", coefs, None if lo is None else lo + room, None if hi is None else hi - room)
        if any(limit.added) and limit.requirement is not None:
            exact = _total((limit.exact[j] * plan.unit(j), total) for j, total in totals.items())
            build.row("limit with exact doses", exact, limit.lo, limit.hi)
    program = build.program()
    values: Sequence[float | Fraction] = _searched(program, _FULL_NODES)
    if not values:
        found, certain = _exactly(program)
        if found is None:
            return Found(certain=certain and not tight)
        values = found.values
    columns = [_weights(plan, j, parts, build.variables, values) for j, parts in counts.items()]
    return Found(
        tuple(zip(*columns, strict=True)),
        tuple(
            {item: plan.divisions[item] * _at(values, parts[load]) for item, parts in doses.items()}
            for load in range(plan.loads)
        ),
    )


def _weights(
    plan: Plan, j: int, parts: Sequence[Expression], variables: Sequence[Variable], values: Sequence[float | Fraction]
) -> list[Fraction]:
    """Kilograms of a column in each load, exact: whole counts, and in one of them what is left of the packs."""
    whole = [{k: count for k, count in part.items() if variables[k].whole} for part in parts]
    weights = [plan.unit(j) * _at(values, part) for part in whole]
    rests = [Fraction(values[k]) * count for part in parts for k, count in part.items() if not variables[k].whole]
    if rests:
        # Exact packs less exact divisions: the solver's own figure of the rest is only near.
        packs = round(sum(weights, _ZERO) / plan.unit(j) + sum(rests))
        weights[rests.index(max(rests))] += plan.unit(j) * packs - sum(weights, _ZERO)
    return weights


def _shared(build: _Build, plan: Plan, j: int) -> list[Expression]:
    """Counts of a column in each load: a common number and single ones more.

    Packs are whole over all loads and shared in divisions; what is less than a division of them goes into one load.
    """
    most, cost, step = floor(plan.holds[j].most / plan.unit(j)), plan.cost(j), plan.holds[j].step
    rest = build.rest(plan, j)
    if step is not None:
        pack = build.count("packs", most, cost)
        if plan.loads == 1:
            return [{pack: _ONE}]
        part = plan.divisions[plan.problem.formula.columns[j]] / step
        each = build.count("each", floor(most / part / plan.loads))
        parts = [{each: part, build.count("odd", 1): part} for _ in range(plan.loads)]
        if not plan.in_divisions(j):
            _with_rest(build, parts, each, part)
        build.row("whole packs", {**_total((_ONE, one) for one in parts), pack: -_ONE}, _ZERO, _ZERO)
        return parts
    each = build.count("each", most // plan.loads, cost * plan.loads)
    if plan.loads == 1:
        return [{each: _ONE, **rest}]
    odd = [{each: _ONE, build.count("odd", 1, cost): _ONE} for _ in range(plan.loads)]
    return [{**odd[0], **rest}, *odd[1:]]


def _with_rest(build: _Build, parts: Sequence[Expression], each: int, part: Fraction) -> None:
    """Let one load that has no odd division take less than one division more."""
    places = []
    for one in parts:
        odd = next(k for k in one if k != each)
        place, rest = build.count("has the rest", 1), build.part("rest")
        build.row("rest", {rest: _ONE, place: -_ONE}, None, _ZERO)
        build.row("odd or rest", {odd: _ONE, place: _ONE}, None, _ONE)
        one[rest] = part
        places.append(place)
    build.row("one rest", dict.fromkeys(places, _ONE), None, _ONE)


def _doses(build: _Build, plan: Plan, counts: Mapping[int, list[Expression]]) -> dict[Ingredient, list[Expression]]:
    """Counts of each addition that matters in each load: a neighbour of its exact dose, for a cure the lower one."""
    formula, found = plan.problem.formula, {}
    for i, addition in enumerate(formula.dosed):
        if not any(limit.added[i] for limit in plan.limits):
            continue
        item, division = addition.item, plan.divisions[addition.item]
        shares = [formula.carried(column)[i][1] for column in formula.columns]
        most = ceil(sum((max(s, _ZERO) * h.most for s, h in zip(shares, plan.holds, strict=True)), _ZERO) / division)
        each = build.count("dose", most)
        odd = [{} if plan.loads == 1 else {build.count("odd dose", plan.unlike(i)): _ONE} for _ in range(plan.loads)]
        parts = found[item] = [{each: _ONE, **one} for one in odd]
        for load, part in enumerate(parts):
            lots = [(-shares[j] * plan.unit(j) / division, of[load]) for j, of in counts.items()]
            above = _ZERO if item.kind is Kind.CURE else _JUST_UNDER
            build.row("dose", _total([(_ONE, part), *lots]), -_JUST_UNDER, above)
    return found


def _load(
    plan: Plan,
    limit: Limit,
    counts: Mapping[int, list[Expression]],
    doses: Mapping[Ingredient, list[Expression]],
    load: int,
) -> Expression:
    """A limit's row over what one load weighs."""
    lots = [(limit.columns[j] * plan.unit(j), parts[load]) for j, parts in counts.items()]
    added = [
        (limit.added[i] * plan.divisions[addition.item], doses[addition.item][load])
        for i, addition in enumerate(plan.problem.formula.dosed)
        if limit.added[i]
    ]
    return _total([*lots, *added])
