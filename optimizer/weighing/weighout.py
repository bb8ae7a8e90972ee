"""The weigh-out: kilograms a scale can show, load by load, and proof that they still satisfy everything.

Lots are rounded first to the nearest division. Where that breaks a requirement, the batch is solved again in whole
divisions. Additions are reckoned from each load's own rounded lots and rounded to the nearest division, cure always
down; where the nearest breaks a limit, the other neighbour is tried. A lot in packs is used in whole packs, which the
loads share; between loads no lot differs by more than one division.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import ceil, floor

from constraints.formula import Batch, Formula
from constraints.ingredients import FAT, Ingredient, Kind, Lot
from constraints.meaning import Role
from constraints.quantities import Basis
from constraints.requirement import Requirement
from constraints.row import Row
from optimizer import clock
from optimizer.problem import Problem
from optimizer.reading.entry import ScaleName
from optimizer.reading.recipe import Recipe
from optimizer.solver.exact import reduced_costs
from optimizer.solver.optimum import Optimum, order_of_use
from optimizer.solver.program import Layout, holds_of, uses
from optimizer.weighing.divisions import Plan, binding, full, rough
from optimizer.weighing.exchange import Lines, exchanged

_ZERO = Fraction(0)
_HALF = Fraction(1, 2)
FINE_ENOUGH = 100
"""A scale is fine enough for an item of at least so many divisions (1 %); common practice, no source."""
_KEPT_COLUMNS = 16
"""Columns the quick search looks at: those of the optimum and those that would cost least more."""

_NEAR_ENOUGH = Fraction(1, 200)
"""A weigh-out within this share of the unrounded optimum's cost is taken without looking for a cheaper one."""

_DIVISIONS = 3
"""Divisions by whose price a batch of a whole plan may be dearer than planned without a search for a cheaper one."""
_ROOM = (0, 1, 3)
"""Divisions left free of every limit for the rounding of the additions: none at first, then more."""
_CUT_ROUNDS = 8
"""Searches made again with further cuts before the scale is blamed."""
_TIGHT = Fraction(1, 5_000)
"""Of a division, taken off every limit where the solver's tolerance let a batch through that does not hold exactly."""


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


def weigh_out(problem: Problem, layout: Layout, optimum: Optimum, cuts: Sequence[Row] = ()) -> Weighed:
    """Round an optimum to the scales. Raises ScalePrevents where no batch in whole divisions satisfies everything.

    ``cuts`` are rows over the columns that a requirement beyond rows has laid at the optimum. Where a weigh-out keeps
    them and still breaks such a requirement, cuts are laid there too and the search is made again.
    """
    rows = tuple(cuts)
    for _ in range(_CUT_ROUNDS):
        tried: list[Weighed] = []
        try:
            return _weigh_once(problem, layout, optimum, rows, tried)
        except ScalePrevents:
            points = {w.column_kg(problem.formula) for w in tried}
            points |= {_columns(problem, load) for w in tried for load in w.loads}
            more = [row for r in problem.choosing for point in points for row in r.cuts(problem.formula, point)]
            if not more or clock.over():
                raise
            rows += tuple(more)
    return _weigh_once(problem, layout, optimum, rows, [])


def weigh_near(problem: Problem, kilograms: Sequence[Fraction], lines: Lines) -> Weighed | None:
    """Kilograms of the columns on the scales, by exchanging single divisions between lots, in one load.

    ``lines`` are the problem's limits, its size included. None where that finds nothing that holds, or only what costs
    more than the scales explain; there may still be a way.
    """
    if _load_counts(problem, kilograms)[0] > 1:
        return None
    plan = Plan(problem, 1, _divisions(problem, kilograms, 1))
    nearest = _nearest(plan, kilograms)
    for room in _ROOM:
        moved = exchanged(plan, nearest, lines, room * problem.order.meat_division_kg)
        weighed = _weighed(plan, [moved])
        if not _broken(problem, plan.binding, weighed) and not _over_mixer(problem, weighed):
            break
    else:
        return None
    cost = sum((plan.cost(j) / plan.unit(j) * kg for j, kg in enumerate(kilograms) if kg), _ZERO)
    if plan.value(weighed.total) > cost + _worth_of_divisions(plan):
        return None
    return replace(weighed, solved_again=moved != nearest)


def _columns(problem: Problem, batch: Batch) -> tuple[Fraction, ...]:
    return tuple(batch.kilograms.get(column, _ZERO) for column in problem.formula.columns)


def _weigh_once(
    problem: Problem,
    layout: Layout,
    optimum: Optimum,
    cuts: tuple[Row, ...],
    tried: list[Weighed],
) -> Weighed:
    """One search within some cuts. ``tried`` collects the weigh-outs that broke something."""
    kilograms = layout.kilograms(optimum.values)
    broken: list[Requirement] = []
    certain = True
    for loads in _load_counts(problem, kilograms):
        plan = Plan(problem, loads, _divisions(problem, kilograms, loads), cuts)
        nearest, failed = _mended(plan, _split(plan, _nearest(plan, kilograms)))
        broken = broken or failed
        tried += [nearest] if failed else []
        best = None if failed or _over_mixer(problem, nearest) else nearest
        narrow = loads == 1 and len(kilograms) <= _KEPT_COLUMNS  # the full search is as quick
        if not narrow and (best is None or not _near(plan, best, optimum.cost)):
            best = _quick(plan, best, layout, optimum, tried)
        if best is None or (loads == 1 and not _near(plan, best, optimum.cost)):
            best, settled = _thorough(plan, best, tried)
            certain = certain and settled
        if best is not None:
            return replace(_sooner(plan, best), solved_again=bool(broken))
    raise ScalePrevents(broken, certain=certain)


def _sooner(plan: Plan, weighed: Weighed) -> Weighed:
    """The same batch with what is earlier in the order of use taken first among lots that are alike in everything else.

    Alike are lots of one cost and one figure in every limit, without packs or rules on their use.
    """
    shares = [list(_columns(plan.problem, load)) for load in weighed.loads]
    moved = False
    for twins in _twins(plan):
        before = [[share[j] for j in twins] for share in shares]
        after = _taken_in_order(before, [plan.holds[j].most for j in twins], [plan.unit(j) for j in twins])
        if after != before:
            moved = True
            for share, new in zip(shares, after, strict=True):
                for j, kg in zip(twins, new, strict=True):
                    share[j] = kg
    if not moved:
        return weighed
    items = [addition.item for addition in plan.problem.formula.dosed]
    doses = [{item: load.kilograms.get(item, _ZERO) for item in items} for load in weighed.loads]
    again = _weighed(plan, shares, doses=doses)
    return weighed if _broken(plan.problem, plan.binding, again) or _uneven(plan, shares) else again


def _uneven(plan: Plan, shares: Sequence[Sequence[Fraction]]) -> bool:
    """True where two loads are more than one division of some column apart."""
    return any(max(kg) - min(kg) > plan.unit(j) for j, kg in enumerate(zip(*shares, strict=True)))


def _twins(plan: Plan) -> list[list[int]]:
    """Groups of columns that are alike, each in the order of use."""
    counted, _ = uses(plan.choices, len(plan.holds))
    groups: dict[tuple[object, ...], list[int]] = {}
    for j, limits in enumerate(plan.holds):
        plain = limits.step is None and not limits.must and j not in counted
        if plain and isinstance(limits.column, Lot):
            figures = tuple(limit.columns[j] for limit in plan.limits)
            groups.setdefault((plan.cost(j), figures), []).append(j)
    columns = plan.problem.formula.columns
    return [sorted(twins, key=lambda j: order_of_use(columns[j])) for twins in groups.values() if len(twins) > 1]


def _taken_in_order(
    loads: list[list[Fraction]], most: Sequence[Fraction], units: Sequence[Fraction]
) -> list[list[Fraction]]:
    """Each load's total of some lots, taken from the first of them as far as its stock goes, then from the next."""
    left = [sum(load, _ZERO) for load in loads]
    taken: list[list[Fraction]] = [[] for _ in loads]
    for limit, unit in zip(most, units, strict=True):
        amount = min(unit * floor(limit / unit), sum(left, _ZERO))
        counts, _ = _share(amount / unit, len(loads), 0)
        order = sorted(range(len(loads)), key=lambda k: -left[k])
        for count, k in zip(counts, order, strict=True):
            kg = min(count * unit, left[k])
            taken[k].append(kg)
            left[k] -= kg
    return taken if not any(left) else loads


def _near(plan: Plan, weighed: Weighed, cost: Fraction) -> bool:
    """Whether looking for a cheaper weigh-out is not worth it."""
    return plan.value(weighed.total) <= cost * (1 + _NEAR_ENOUGH)


def _worth_of_divisions(plan: Plan) -> Fraction:
    """Money that some divisions of the dearest column cost: as near to an optimum as a scale comes without a search."""
    return _DIVISIONS * max((plan.cost(j) for j in range(len(plan.holds))), default=_ZERO)


def _cheaper(plan: Plan, known: Weighed | None, other: Weighed, broken: Sequence[Requirement]) -> Weighed | None:
    """The cheaper of two weigh-outs, of which the second may not hold."""
    if broken or _over_mixer(plan.problem, other):
        return known
    return other if known is None or plan.value(other.total) < plan.value(known.total) else known


def _quick(plan: Plan, known: Weighed | None, layout: Layout, optimum: Optimum, tried: list[Weighed]) -> Weighed | None:
    """The best of a known weigh-out and what the quick searches find, with more and more room until one is near."""
    size, best = len(plan.problem.formula.columns), known
    rest = reduced_costs(layout.program, optimum.prices)[:size]
    ranked = sorted(range(size), key=lambda j: (not optimum.values[j], abs(rest[j]), j))
    kept = sorted(ranked[:_KEPT_COLUMNS])
    for room in (1,) if plan.loads == 1 else (0, _HALF, 1):
        totals = rough(plan, kept, Fraction(room))
        if totals is None:
            continue
        found, broken = _mended(plan, _split(plan, [totals.get(j, _ZERO) for j in range(size)]))
        tried += [found] if broken else []
        best = _cheaper(plan, best, found, broken)
        if best is not None and _near(plan, best, optimum.cost):
            break
    return best


def _thorough(plan: Plan, known: Weighed | None, tried: list[Weighed]) -> tuple[Weighed | None, bool]:
    """The cheaper of a known weigh-out and what the full search finds, and whether that has settled the matter."""
    for tight in (_ZERO, _TIGHT * plan.problem.order.meat_division_kg):
        found = full(plan, tight)
        if not found.loads:
            return known, found.certain
        for doses in ((), found.doses):  # the nearest where they will do
            again = _weighed(plan, found.loads, doses=doses)
            if not _broken(plan.problem, plan.binding, again) and not _over_mixer(plan.problem, again):
                return _cheaper(plan, known, again, ()), True
        tried.append(again)
    return known, False


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
        whole = requirement.of_batch or len(weighed.loads) == 1
        alone = () if whole else weighed.loads
        if any(requirement.measure(batch).ok is False for batch in (weighed.total, dosed, *alone)):
            broken.append(requirement)
    if problem.order.imposed is not None and not broken:
        pairs = zip(holds_of(problem), weighed.column_kg(problem.formula), strict=True)
        broken += (
            []
            if all(hold.allows(kg) for hold, kg in pairs)
            else [r for r in problem.requirements if r.role is Role.STOCK]
        )
    return broken


def _over_mixer(problem: Problem, weighed: Weighed) -> bool:
    mixer = problem.order.mixer_kg
    return mixer is not None and any(sum(load.kilograms.values(), _ZERO) > mixer for load in weighed.loads)


def division_kg(problem: Problem, item: Ingredient, kilograms: Fraction) -> Fraction:
    """Division of the scale an item of this weight is weighed on, kilograms."""
    order = problem.order
    return division_of(problem.recipe, order.meat_division_kg, order.spice_division_kg, item, kilograms)


def division_of(
    recipe: Recipe, meat_kg: Fraction, spice_kg: Fraction, item: Ingredient, kilograms: Fraction
) -> Fraction:
    """The same on scales with these divisions, all in kilograms."""
    if isinstance(item, Lot):
        return meat_kg
    named = {a.item: scale for a, scale in zip(recipe.additions, recipe.scales, strict=True)}
    scale = named.get(item)
    if scale is not None:
        return meat_kg if scale is ScaleName.MEAT else spice_kg
    fine = kilograms >= FINE_ENOUGH * meat_kg
    return max(meat_kg, spice_kg) if fine else spice_kg


def _divisions(problem: Problem, kilograms: Sequence[Fraction], loads: int) -> dict[Ingredient, Fraction]:
    """The division each item is weighed on, from what a load of the optimum holds of it."""
    exact = problem.formula.exact_batch(tuple(kilograms)).kilograms
    items = (*problem.formula.columns, *(addition.item for addition in problem.formula.dosed))
    return {item: division_kg(problem, item, exact.get(item, _ZERO) / loads) for item in items}


def _nearest(plan: Plan, kilograms: Sequence[Fraction]) -> list[Fraction]:
    """Nearest divisions whose sum is the weight ordered: floor, then the largest remainders go up.

    Packs stay, and what is to be emptied.
    """
    columns = plan.problem.formula.columns
    rounded = list(kilograms)
    loose = [
        j for j, limits in enumerate(plan.holds)
        if kilograms[j] and limits.step is None and not (limits.rest and kilograms[j] == limits.stock)
    ]  # fmt: skip
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
    spans = {j: plan.holds[j].span(division) for j in lots}
    most = {j: spans[j].hi for j in lots}
    counts = {j: min(max(Fraction(floor(exact[j])), spans[j].lo), most[j]) for j in lots}
    spare = int(floor(wanted / division + _HALF) - sum(counts.values()))
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
    wanted = order.kilograms
    if order.band:  # whatever the optimum weighs, on the divisions within the band
        division, low, high = order.meat_division_kg, wanted - order.within_kg, wanted + order.within_kg
        wanted = division * max(ceil(low / division), min(floor(high / division), floor(counted / division + _HALF)))
    return loose + (wanted - counted) * meat / counted


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


def _mended(plan: Plan, shares: Sequence[Sequence[Fraction]]) -> tuple[Weighed, list[Requirement]]:
    """Weigh with nearest doses, and where those break a limit, with the neighbours that go the right way.

    Returns the weigh-out and what it still breaks.
    """
    formula = plan.problem.formula
    weighed = _weighed(plan, shares)
    broken = _broken(plan.problem, plan.binding, weighed)
    ways: dict[Ingredient, int] = {}
    for limit in plan.limits if broken else ():
        batches = (weighed.total,) if limit.whole else weighed.loads
        off = max((limit.off(formula, batch) for batch in batches), key=abs)
        for addition, coef in zip(formula.dosed, limit.added, strict=True):
            if off and coef:
                ways[addition.item] = -1 if (coef > 0) == (off > 0) else 1
    if not ways:
        return weighed, broken
    again = _weighed(plan, shares, ways=ways)
    still = _broken(plan.problem, plan.binding, again)
    return (again, still) if len(still) < len(broken) else (weighed, broken)


def _weighed(
    plan: Plan,
    shares: Sequence[Sequence[Fraction]],
    *,
    ways: Mapping[Ingredient, int] | None = None,
    doses: Sequence[Mapping[Ingredient, Fraction]] = (),
) -> Weighed:
    """Add to each load's lots its additions: as in ``doses``, else rounded up (1), down (-1) or to the nearest."""
    formula, process = plan.problem.formula, plan.problem.recipe.process
    exact = [formula.exact_batch(tuple(share)).kilograms for share in shares]
    loads: list[dict[Ingredient, Fraction]] = [
        {column: kg for column, kg in zip(formula.columns, share, strict=True) if kg} for share in shares
    ]
    for addition in formula.dosed:
        item = addition.item
        division = plan.divisions[item]
        if item.kind is not Kind.CURE and doses and item in doses[0]:
            amounts = [dose[item] for dose in doses]
        else:
            way = -1 if item.kind is Kind.CURE else (ways or {}).get(item, 0)
            amounts = [division * _rounded(max(load.get(item, _ZERO), _ZERO) / division, way) for load in exact]
        for load, kg in zip(loads, amounts, strict=True):
            if kg:
                load[item] = kg
    batches = tuple(Batch(load, process) for load in loads)
    total: dict[Ingredient, Fraction] = {}
    for load in loads:
        for item, kg in load.items():
            total[item] = total.get(item, _ZERO) + kg
    return Weighed(batches, Batch(total, process), False, plan.divisions)


def _rounded(count: Fraction, way: int) -> int:
    return floor(count) if way < 0 else ceil(count) if way > 0 else floor(count + _HALF)
