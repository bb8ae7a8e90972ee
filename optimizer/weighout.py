"""The weigh-out: kilograms a scale can show, load by load, and proof that they still satisfy everything.

Lots are rounded first to the nearest division. Where that breaks a requirement, the batch is solved again in whole
divisions. Additions are reckoned from each load's own rounded lots and rounded to the nearest division, cure always
down; where the nearest breaks a limit, the other neighbour is tried. A lot in packs is used in whole packs, which the
loads share; between loads nothing differs by more than one division.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil, floor

from constraints.formula import Batch, Formula
from constraints.ingredients import FAT, Ingredient, Kind, Lot
from constraints.quantities import Basis
from constraints.requirement import Requirement
from constraints.stock import BatchSize, Stock
from optimizer.divisions import Plan, binding, full, rough
from optimizer.exact import reduced_costs
from optimizer.optimum import Optimum
from optimizer.problem import Problem
from optimizer.program import Layout
from optimizer.reading.recipe import ScaleName

_ZERO = Fraction(0)
_HALF = Fraction(1, 2)
FINE_ENOUGH = 100
"""A scale is fine enough for an item of at least so many divisions (1 %); common practice, no source."""
_KEPT_COLUMNS = 16
"""Columns the quick search looks at: those of the optimum and those that would cost least more."""

_NEAR_ENOUGH = Fraction(1, 200)
"""A weigh-out within this share of the unrounded optimum's cost is taken without looking for a cheaper one."""


class ScalePrevents(Exception):
    """A batch exists, but none in whole divisions of these scales; carries the requirements that rounding broke.

    ``certain`` is False where the search was stopped before it had settled that.
    """

    def __init__(self, broken: Sequence[Requirement], *, certain: bool = True) -> None:
        super().__init__("no batch exists on the divisions of these scales")
        self.broken = tuple(broken)
        self.certain = certain


@dataclass(frozen=True)
class Weighed:
    """The batch as weighed. ``divisions`` are those of the scales each item was weighed on, kilograms.

    ``solved_again`` is True where nearest rounding broke a requirement.
    """

    loads: tuple[Batch, ...]
    total: Batch
    solved_again: bool
    divisions: Mapping[Ingredient, Fraction] = field(default_factory=dict)

    def column_kg(self, formula: Formula) -> tuple[Fraction, ...]:
        """Kilograms of each column of the formula as weighed."""
        return tuple(self.total.kilograms.get(column, _ZERO) for column in formula.columns)

    def exactly_dosed(self, formula: Formula) -> Batch:
        """The lots as weighed with every addition at its exact dose."""
        return formula.exact_batch(self.column_kg(formula))


def weigh_out(problem: Problem, layout: Layout, optimum: Optimum) -> Weighed:
    """Round an optimum to the scales. Raises ScalePrevents where no batch in whole divisions satisfies everything."""
    kilograms = layout.kilograms(optimum.values)
    broken: list[Requirement] = []
    certain = True
    for loads in _load_counts(problem, kilograms):
        plan = Plan(problem, loads, _divisions(problem, kilograms, loads))
        best, failed = _best(plan, _quick(plan, layout, optimum), optimum.cost)
        broken = broken or failed
        if best is None or (loads == 1 and not _near(plan, best, optimum.cost)):
            found = full(plan)
            certain = certain and (bool(found.loads) or found.certain)
            again = (
                [_weighed(plan, _resplit(plan, found.loads), doses=found.doses, solved_again=True)]
                if found.loads
                else []
            )
            best, _ = _best(plan, [*([best] if best else []), *again], optimum.cost)
        if best is not None:
            return best
    raise ScalePrevents(broken, certain=certain)


def _best(plan: Plan, candidates: Iterable[Weighed], cost: Fraction) -> tuple[Weighed | None, list[Requirement]]:
    """The cheapest weigh-out that keeps everything, or the first near the optimum; and what the first one broke."""
    best, broken = None, []
    for candidate in candidates:
        still = _broken(plan.problem, plan.binding, candidate)
        broken = broken or still
        if still or _over_mixer(plan.problem, candidate):
            continue
        if best is None or plan.value(candidate.total) < plan.value(best.total):
            best = candidate
        if _near(plan, best, cost):
            break
    return best, broken


def _near(plan: Plan, weighed: Weighed, cost: Fraction) -> bool:
    """Whether looking for a cheaper weigh-out is not worth it."""
    return plan.value(weighed.total) <= cost * (1 + _NEAR_ENOUGH)


def _quick(plan: Plan, layout: Layout, optimum: Optimum) -> Iterator[Weighed]:
    """Weigh-outs that are quickly found: nearest divisions, then the quick searches with more and more room."""
    kilograms = layout.kilograms(optimum.values)
    size = len(plan.problem.formula.columns)
    yield _mended(plan, _split(plan, _nearest(plan, kilograms)), solved_again=False)
    rest = reduced_costs(layout.program, optimum.prices)[:size]
    ranked = sorted(range(size), key=lambda j: (not optimum.values[j], abs(rest[j]), j))
    kept = sorted(ranked[:_KEPT_COLUMNS])
    for room in (1,) if plan.loads == 1 else (0, Fraction(1, 2), 1):
        totals = rough(plan, kept, Fraction(room))
        if totals is not None:
            whole = [totals.get(j, _ZERO) for j in range(size)]
            yield _mended(plan, _split(plan, whole), solved_again=True)


def _load_counts(problem: Problem, kilograms: Sequence[Fraction]) -> tuple[int, ...]:
    """Mixer loads to try for a batch of these kilograms of the columns: one more where rounding may overfill them."""
    mixer = problem.order.mixer_kg
    if mixer is None:
        return (1,)
    batch = problem.formula.exact_batch(tuple(kilograms)).kilograms
    whole = sum(batch.values(), _ZERO)
    loads = max(1, ceil((whole - problem.order.within_kg) / mixer))
    rounding = sum((division_kg(problem, item, kg / loads) for item, kg in batch.items()), problem.order.within_kg)
    return (loads,) if whole / loads + rounding <= mixer else (loads, loads + 1)


def broken_by(problem: Problem, weighed: Weighed) -> list[Requirement]:
    """Requirements that must hold and do not: on the whole batch, on any load alone, or with unrounded doses.

    The last keeps the batch inside the very problem whose cheapest cost is proved, so that the gap cannot be negative.
    """
    return _broken(problem, binding(problem), weighed)


def _broken(problem: Problem, requirements: Iterable[Requirement], weighed: Weighed) -> list[Requirement]:
    dosed = weighed.exactly_dosed(problem.formula)
    broken = []
    for requirement in requirements:
        alone = () if isinstance(requirement, BatchSize | Stock) else weighed.loads
        if any(requirement.measure(batch).ok is False for batch in (weighed.total, dosed, *alone)):
            broken.append(requirement)
    return broken


def _over_mixer(problem: Problem, weighed: Weighed) -> bool:
    mixer = problem.order.mixer_kg
    return mixer is not None and any(sum(load.kilograms.values(), _ZERO) > mixer for load in weighed.loads)


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


def _divisions(problem: Problem, kilograms: Sequence[Fraction], loads: int) -> dict[Ingredient, Fraction]:
    """The division each item is weighed on, from what a load of the optimum holds of it."""
    exact = problem.formula.exact_batch(tuple(kilograms)).kilograms
    items = (*problem.formula.columns, *(addition.item for addition in problem.formula.dosed))
    return {item: division_kg(problem, item, exact.get(item, _ZERO) / loads) for item in items}


def _nearest(plan: Plan, kilograms: Sequence[Fraction]) -> list[Fraction]:
    """Nearest divisions whose sum is the weight ordered: floor, then the largest remainders go up; packs as they are."""
    columns = plan.problem.formula.columns
    rounded = list(kilograms)
    loose = [j for j, limits in enumerate(plan.holds) if kilograms[j] and limits.step is None]
    lots = [j for j in loose if isinstance(columns[j], Lot)]
    for j in loose:
        if j not in lots:
            rounded[j] = plan.unit(j) * floor(kilograms[j] / plan.unit(j) + _HALF)
    total = sum((kilograms[j] for j in lots), _ZERO)
    if not total:
        return rounded
    division = plan.problem.order.meat_division_kg
    wanted = _meat_wanted(plan.problem, kilograms, total)
    exact = {j: kilograms[j] * wanted / total / division for j in lots}
    most = {j: floor(plan.holds[j].most / division) for j in lots}
    counts = {j: min(floor(exact[j]), most[j]) for j in lots}
    spare = floor(wanted / division + _HALF) - sum(counts.values())
    while spare > 0 and (room := [j for j in lots if counts[j] < most[j]]):
        for j in sorted(room, key=lambda j: (counts[j] - exact[j], columns[j].name))[:spare]:
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


def _split(plan: Plan, kilograms: Sequence[Fraction]) -> list[list[Fraction]]:
    """Share each column over the loads, at most one division apart.

    The odd divisions go round in turn from lean to fat, so that loads come out alike in weight and in fat.
    """
    columns = plan.problem.formula.columns
    shares = [[_ZERO] * len(columns) for _ in range(plan.loads)]
    turn = 0
    for j in sorted(range(len(columns)), key=lambda j: (columns[j].properties.get(FAT, _ZERO), j)):
        division = plan.divisions[columns[j]]
        counts, turn = _share(kilograms[j] / division, plan.loads, turn)
        for load, count in enumerate(counts):
            shares[load][j] = count * division
    return shares


def _resplit(plan: Plan, loads: Sequence[Sequence[Fraction]]) -> list[list[Fraction]]:
    """The loads as found, with what comes in packs shared in divisions."""
    totals = [sum(parts, _ZERO) for parts in zip(*loads, strict=True)]
    again = _split(plan, [kg if limits.step else _ZERO for kg, limits in zip(totals, plan.holds, strict=True)])
    return [
        [new if limits.step else old for old, new, limits in zip(load, split, plan.holds, strict=True)]
        for load, split in zip(loads, again, strict=True)
    ]


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


def _mended(plan: Plan, shares: Sequence[Sequence[Fraction]], *, solved_again: bool) -> Weighed:
    """Weigh with nearest doses, and where those break a limit, with the neighbours that go the right way."""
    weighed = _weighed(plan, shares, solved_again=solved_again)
    broken = _broken(plan.problem, plan.binding, weighed)
    if not broken:
        return weighed
    ways: dict[Ingredient, int] = {}
    for limit in plan.limits:
        if limit.requirement not in broken or not any(limit.added):
            continue
        for addition, coef in zip(plan.problem.formula.dosed, limit.added, strict=True):
            too_much = limit.hi is not None and limit.lo is None
            if coef:
                ways[addition.item] = -1 if (coef > 0) == too_much else 1
    if not ways:
        return weighed
    again = _weighed(plan, shares, ways=ways, solved_again=solved_again)
    return again if len(_broken(plan.problem, plan.binding, again)) < len(broken) else weighed


def _weighed(
    plan: Plan,
    shares: Sequence[Sequence[Fraction]],
    *,
    ways: Mapping[Ingredient, int] | None = None,
    doses: Sequence[Mapping[Ingredient, Fraction]] = (),
    solved_again: bool,
) -> Weighed:
    """Add to each load's lots its additions: as given in ``doses``, else rounded up (1), down (-1) or to the nearest."""
    formula, process = plan.problem.formula, plan.problem.recipe.process
    exact = [formula.exact_batch(tuple(share)).kilograms for share in shares]
    loads: list[dict[Ingredient, Fraction]] = [
        {column: kg for column, kg in zip(formula.columns, share, strict=True) if kg} for share in shares
    ]
    for addition in formula.dosed:
        item = addition.item
        division = plan.divisions[item]
        if doses and item in doses[0]:
            amounts = [dose[item] for dose in doses]
        else:
            way = -1 if item.kind is Kind.CURE else (ways or {}).get(item, 0)
            counts = [_rounded(max(load.get(item, _ZERO), _ZERO) / division, way) for load in exact]
            amounts = [division * min(count, min(counts) + 1) for count in counts]
        for load, kg in zip(loads, amounts, strict=True):
            if kg:
                load[item] = kg
    batches = tuple(Batch(load, process) for load in loads)
    total: dict[Ingredient, Fraction] = {}
    for load in loads:
        for item, kg in load.items():
            total[item] = total.get(item, _ZERO) + kg
    return Weighed(batches, Batch(total, process), solved_again, plan.divisions)


def _rounded(count: Fraction, way: int) -> int:
    return floor(count) if way < 0 else ceil(count) if way > 0 else floor(count + _HALF)
