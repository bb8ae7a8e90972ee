"""The weigh-out: kilograms a scale can show, load by load, and proof that they still satisfy everything.

Lots are rounded first to the nearest division. Where that breaks a requirement, single divisions are exchanged, and
where that does not help the batch is solved again in whole divisions. Additions are reckoned from each load's own
rounded lots and rounded to the nearest division, cure always down; where the nearest breaks a limit, the other
neighbour is tried. A lot in packs is used in whole packs, which the loads share; between loads no lot differs by more
than one division.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from math import ceil, floor

from constraints.as_typed import ZERO
from constraints.quantities import Lot
from constraints.requirement import Requirement
from constraints.row import Row
from optimizer import clock
from optimizer.problem import Problem
from optimizer.solver.exact import reduced_costs
from optimizer.solver.optimum import Optimum, order_of_use
from optimizer.solver.program import Layout, uses
from optimizer.weighing.divisions import Lines, exchanged, in_divisions

from optimizer.weighing.rounding import Weighed, Weighing, breaks, column_kg, divisions_of, mended  # isort: skip
from optimizer.weighing.rounding import division_kg, nearest_kg, over_mixer, split, weighed_of  # isort: skip

_KEPT_COLUMNS = 16
"""Columns the first search looks at: those of the optimum and those that would cost least more."""
_FEW_NODES, _NODES = 300, 2_000
"""Nodes after which the searches over some columns, and the one over all, end; most need fewer than a hundred."""
_NEAR_ENOUGH, _SEARCHED = Fraction(1, 1_000), Fraction(1, 100_000)
"""A weigh-out within this share of the unrounded optimum's cost is taken without a search; what is left open by one."""

_DIVISIONS = 3
"""Divisions by whose price a batch of a whole plan may be dearer than planned without a search for a cheaper one."""
_ROOM = (0, 1, 2, 3)
"""Divisions left free of every limit for the rounding of the additions: none at first, then more."""
_SHARING = tuple(Fraction(n, 8) for n in (0, 1, 2, 3, 4, 6, 8))
"""Parts of a division of each lot left free of every limit for its sharing over several loads, one after the other."""
_INSIDE = (*[ZERO] * 9, Fraction(1, 2), Fraction(2))
"""Divisions by which the cuts of each search lie inside what they are laid at: none while the cheapest is looked for,
some before the scale is blamed, for by cuts alone a round limit may be closed in on for hours."""


class ScalePrevents(Exception):
    """A batch exists, but none in whole divisions of these scales; carries the requirements that rounding broke.

    ``certain`` is False where the search was stopped before it had settled that.
    """

    def __init__(self, broken: Sequence[Requirement], *, certain: bool = True) -> None:
        super().__init__("no batch exists on the divisions of these scales")
        self.broken = tuple(broken)
        self.certain = certain


def weigh_out(problem: Problem, layout: Layout, optimum: Optimum, cuts: Sequence[Row] = ()) -> Weighed:
    """Round an optimum to the scales. Raises ScalePrevents where no batch in whole divisions satisfies everything.

    ``cuts`` are rows over the columns that a requirement beyond rows has laid at the optimum. Where a weigh-out keeps
    them and still breaks such a requirement, cuts are laid there too and the search is made again.
    """
    rows = tuple(cuts)
    blamed = ScalePrevents(())
    for inside in _INSIDE:
        tried: list[Weighed] = []
        laid = tuple(_inside(row, inside * problem.order.meat_division_kg) for row in rows)
        try:
            return _weigh(problem, layout, optimum, laid, tried)
        except ScalePrevents as prevented:
            blamed = ScalePrevents(prevented.broken, certain=prevented.certain and not inside)
        points = {column_kg(problem.formula, batch) for w in tried for batch in (w.total, *w.loads)}
        more = [row for r in problem.choosing for point in points for row in r.cuts(problem.formula, point)]
        if not more or blamed.certain or clock.over():
            break
        rows += tuple(more)
    raise blamed


def _inside(row: Row, room: Fraction) -> Row:
    """A row with room left free within its limits, in kilograms of the column that counts most in it."""
    free = room * max(map(abs, row.coefs), default=ZERO)
    return row.but(lo=None if row.lo is None else row.lo + free, hi=None if row.hi is None else row.hi - free)


def weigh_near(problem: Problem, kilograms: Sequence[Fraction], lines: Lines) -> Weighed | None:
    """Kilograms of the columns on the scales, by exchanging single divisions between lots, in one load.

    ``lines`` are the problem's limits, its size included. None where that finds nothing that holds, or only what costs
    more than the scales explain; there may still be a way.
    """
    if _load_counts(problem, kilograms)[0] > 1:
        return None
    plan = Weighing(problem, 1, divisions_of(problem, kilograms, 1))
    nearest = nearest_kg(plan, kilograms)
    for moved, weighed, broken in _exchanged(plan, nearest, lines):
        if not broken:
            cost = sum((plan.cost(j) / plan.unit(j) * kg for j, kg in enumerate(kilograms) if kg), ZERO)
            dearest = max((plan.cost(j) for j in range(len(plan.holds))), default=ZERO)
            dear = plan.value(weighed.total) > cost + _DIVISIONS * dearest
            return None if dear else replace(weighed, solved_again=moved != nearest)
    return None


def _exchanged(
    plan: Weighing, nearest: Sequence[Fraction], lines: Lines
) -> Iterator[tuple[list[Fraction], Weighed, list[Requirement]]]:
    """Kilograms after exchanges, weighed out, and what that breaks, with ever more room for the additions' rounding."""
    for room in _ROOM:
        moved = exchanged(plan, nearest, lines, room * plan.problem.order.meat_division_kg)
        if moved is None:
            return
        yield moved, *mended(plan, split(plan, moved))


def _weigh(problem: Problem, layout: Layout, optimum: Optimum, cuts: tuple[Row, ...], tried: list[Weighed]) -> Weighed:
    """One search within some cuts. ``tried`` collects the weigh-outs that broke something."""
    kilograms = layout.kilograms(optimum.values)
    blamed: list[Requirement] = []
    certain = True
    for loads in _load_counts(problem, kilograms):
        plan = Weighing(problem, loads, divisions_of(problem, kilograms, loads), cuts)
        nearest = nearest_kg(plan, kilograms)
        weighed, failed = mended(plan, split(plan, nearest))
        blamed = blamed or failed
        best = _cheaper(plan, None, weighed, failed)
        tried += [weighed] if failed else []
        if best is None or not _near(plan, best, optimum.cost):
            lines = Lines.of(limit.together(loads) for limit in plan.limits)
            for _, weighed, broken in _exchanged(plan, nearest, lines):
                tried += [weighed] if broken else []
                best = _cheaper(plan, best, weighed, broken)
        if best is None or (loads == 1 and not _near(plan, best, optimum.cost)):
            best, settled = _searched(plan, best, layout, optimum, tried)
            certain = certain and settled
        if best is not None and loads > 1 and not _near(plan, best, optimum.cost):
            best, _ = _searched(plan, best, layout, optimum, tried)
        if best is not None:
            return replace(_sooner(plan, best), solved_again=bool(blamed))
    raise ScalePrevents(blamed, certain=certain)


def _sooner(plan: Weighing, weighed: Weighed) -> Weighed:
    """The same batch with what is earlier in the order of use taken first among lots that are alike in everything else.

    Alike are lots of one cost and one figure in every limit, without packs or rules on their use.
    """
    before = column_kg(plan.problem.formula, weighed.total)
    after = list(before)
    for twins in _twins(plan):
        left = sum((before[j] for j in twins), ZERO)
        for j in twins:
            after[j] = min(plan.unit(j) * floor(plan.holds[j].most / plan.unit(j)), left)
            left -= after[j]
        if left:  # of a lot that is emptied there is less than a division
            return weighed
    if after == list(before):
        return weighed
    again, broken = mended(plan, split(plan, after))
    return weighed if broken or over_mixer(plan.problem, again) else again


def _twins(plan: Weighing) -> list[list[int]]:
    """Groups of columns that are alike, each in the order of use."""
    counted, _ = uses(plan.choices, len(plan.holds))
    groups: dict[tuple[object, ...], list[int]] = {}
    for j, limits in enumerate(plan.holds):
        plain = limits.step is None and not limits.must and j not in counted
        if plain and isinstance(limits.column, Lot):
            groups.setdefault((plan.cost(j), *(limit.columns[j] for limit in plan.limits)), []).append(j)
    columns = plan.problem.formula.columns
    return [sorted(twins, key=lambda j: order_of_use(columns[j])) for twins in groups.values() if len(twins) > 1]


def _near(plan: Weighing, weighed: Weighed, cost: Fraction) -> bool:
    """Whether looking for a cheaper weigh-out is not worth it."""
    return plan.value(weighed.total) <= cost * (1 + _NEAR_ENOUGH)


def _cheaper(plan: Weighing, known: Weighed | None, other: Weighed, broken: Sequence[Requirement]) -> Weighed | None:
    """The cheaper of two weigh-outs, of which the second may not hold."""
    if broken or over_mixer(plan.problem, other):
        return known
    return other if known is None or plan.value(other.total) < plan.value(known.total) else known


def _searched(
    plan: Weighing, known: Weighed | None, layout: Layout, optimum: Optimum, tried: list[Weighed]
) -> tuple[Weighed | None, bool]:
    """The cheaper of a known weigh-out and what the tree finds, and whether that has settled the matter.

    First over the columns of the optimum and those that would cost least more, then over all of them; several loads
    first as one, with ever more room for their sharing.
    """
    size = len(plan.problem.formula.columns)
    rest = reduced_costs(layout.program, optimum.prices)[:size]
    ranked = sorted(range(size), key=lambda j: (not optimum.values[j], abs(rest[j]), j))
    kept = sorted(ranked[:_KEPT_COLUMNS])
    used = [j for j in kept if optimum.values[j]] if known is None else []
    together = [plan.together(room, used) for room in _SHARING] if plan.loads > 1 else []
    tries = [(posed, kept, _FEW_NODES, False) for posed in (*together, *([plan] if size > _KEPT_COLUMNS else []))]
    tries = tries if known is None else tries[: len(together) or 1]
    if known is None or not tries:
        tries += [(plan, list(range(size)), _NODES, whole) for whole in (False, True)]
    for posed, columns, nodes, whole in tries:
        with clock.doing("looking for whole divisions of the scales"):
            gap = _SEARCHED if posed is plan else _NEAR_ENOUGH
            found = in_divisions(posed, columns, nodes, gap, whole_doses=whole)
        if found.certain and posed is plan:
            return known, True
        if found.loads:
            loads = found.loads if posed is plan else split(plan, found.loads[0])
            again = weighed_of(plan, loads, doses=found.doses) if whole else mended(plan, loads)[0]
            broken = breaks(plan.problem, plan.binding, again)
            tried += [again] if broken else []
            if _cheaper(plan, known, again, broken) is again:
                return again, True
    return known, False


def _load_counts(problem: Problem, kilograms: Sequence[Fraction]) -> tuple[int, ...]:
    """Mixer loads to try for a batch of these kilograms of the columns: one more where rounding may overfill them."""
    mixer = problem.order.mixer_kg
    if mixer is None:
        return (1,)
    batch = problem.formula.exact_batch(tuple(kilograms)).kilograms
    whole = sum(batch.values(), ZERO)
    loads = max(1, ceil((whole - problem.order.within_kg) / mixer))
    rounding = sum((division_kg(problem, item, kg / loads) for item, kg in batch.items()), problem.order.within_kg)
    return (loads,) if whole / loads + rounding <= mixer else (loads, loads + 1)
