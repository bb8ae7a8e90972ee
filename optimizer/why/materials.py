"""The kind of material that would make a batch possible: whose lots it is like, its fat range, and how many kilograms.

Other figures of a material follow its fat on a straight line: the least-squares line through the lots at hand of that
material (of its species where there is only one, and none where that is alone too). Two made-up lots at the ends of the
line stand for all materials between them, because everything counted is linear in kilograms; so the smallest purchase
and its fat come out of one linear program.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor

from constraints.ingredients import FAT, Lot
from constraints.numbers import PERCENT
from optimizer.problem import Problem
from optimizer.solver.program import relaxed
from optimizer.why.ground import cheapest, layout_for
from optimizer.why.ways_out import Kind, Way, extreme, least_cost, with_lots

_ZERO = Fraction(0)
_ONE = Fraction(1)


@dataclass(frozen=True)
class _Line:
    """One kind of material: an example lot, and its figures at a fat of 0 and per point of fat, from fat to fat."""

    like: Lot
    at_zero: dict[str, Fraction]
    per_point: dict[str, Fraction]
    lean: Fraction
    fat: Fraction

    def lot(self, fat: Fraction, name: str, kilograms: Fraction) -> Lot:
        """A lot of this kind with so much fat; it costs nothing, because its price is not known."""
        figures = {key: self.at_zero[key] + fat * self.per_point[key] for key in self.at_zero}
        figures[FAT] = fat
        return replace(
            self.like, name=name, properties=figures, on_hand_kg=kilograms, usable=_ONE, cost_per_kg=_ZERO,
            held_cost_per_kg=_ZERO, pack_kg=None, smallest_pull_kg=None, largest_pull_kg=None, use_by=None,
            suspicions=(), use_up=False,
        )  # fmt: skip


def material_wanted(problem: Problem) -> Way | None:
    """The kind of material of which the fewest kilograms make a batch possible without any concession; None: none."""
    lots = [lot for lot in problem.formula.lots if isinstance(lot, Lot)]
    lines = _lines(lots)
    ceiling = problem.order.kilograms + problem.order.within_kg
    ends = [lot for i, line in enumerate(lines) for lot in _ends(line, i, ceiling)]
    wider = with_lots(problem, [*lots, *(lot for _, lot in ends)])
    layout = layout_for(wider)[0]
    layout = replace(layout, program=relaxed(layout.program))
    at = {k: i for k, (i, _) in enumerate(ends, start=len(lots))}
    costs = tuple(replace(v, cost=_ONE if k in at else _ZERO) for k, v in enumerate(layout.program.variables))
    values = cheapest(replace(layout.program, variables=costs))
    if values is None:
        return None
    by_kind: dict[int, Fraction] = {}
    for k, i in at.items():
        by_kind[i] = by_kind.get(i, _ZERO) + values[k]
    best = max(by_kind, key=lambda i: by_kind[i])
    for i in (best, *(i for i in by_kind if i != best)):
        way = _of_kind(problem, lots, lines[i], ceiling)
        if way is not None:
            return way
    return None


def _ends(line: _Line, i: int, ceiling: Fraction) -> list[tuple[int, Lot]]:
    fats = (line.lean,) if line.lean == line.fat else (line.lean, line.fat)
    return [(i, line.lot(fat, f"kind {i} at {fat}", ceiling)) for fat in fats]


def _of_kind(problem: Problem, lots: Sequence[Lot], line: _Line, ceiling: Fraction) -> Way | None:
    """Kilograms, fat and fat range of one kind alone, applied and solved with the figures as told."""
    ends = [lot for _, lot in _ends(line, 0, ceiling)]
    wider = with_lots(problem, [*lots, *ends])
    layout = layout_for(wider)[0]
    layout = replace(layout, program=relaxed(layout.program))
    new = range(len(lots), len(lots) + len(ends))
    size = len(layout.units)
    mass = tuple(_ONE if k in new else _ZERO for k in range(size))
    fats = tuple(line.lean if k == new[0] else line.fat if k in new else _ZERO for k in range(size))
    costs = tuple(replace(v, cost=_ONE if k in new else _ZERO) for k, v in enumerate(layout.program.variables))
    values = cheapest(replace(layout.program, variables=costs))
    if values is None:
        return None
    if not any(values[k] for k in new):
        return None
    low, high = (extreme(layout, (fats, mass), sign) for sign in (1, -1))
    if low is None or high is None:
        return None
    found = [point for fat in _told(low, high) if (point := _least(problem, lots, line, fat, ceiling)) is not None]
    if not found:
        return None
    fewest = min(found, key=lambda point: point[1])
    lot = line.lot(fewest[0], f"like {line.like.name}", fewest[1])
    return Way(Kind.MATERIAL, None, _ZERO, lots=((lot, fewest[1]),), fat=(low, high), points=tuple(found))


def _told(low: Fraction, high: Fraction) -> list[Fraction]:
    """At most six round fat figures between two, or the middle where none lies there."""
    for step in (Fraction(1, 10), Fraction(1, 2), _ONE, Fraction(2), Fraction(5), Fraction(10), Fraction(20)):
        first, last = ceil(low / step), floor(high / step)
        if last - first < 6:
            found = [k * step for k in range(first, last + 1)]
            return found or [(low + high) / 2]
    return [(low + high) / 2]


def _least(
    problem: Problem, lots: Sequence[Lot], line: _Line, fat: Fraction, ceiling: Fraction
) -> tuple[Fraction, Fraction] | None:
    """The fewest kilograms of this kind with so much fat, rounded up, applied and solved; None where none will do."""
    layout = layout_for(with_lots(problem, [*lots, line.lot(fat, "wanted", ceiling)]))[0]
    at = len(lots)
    costs = tuple(replace(v, cost=_ONE if k == at else _ZERO) for k, v in enumerate(layout.program.variables))
    values = cheapest(replace(layout.program, variables=costs))
    if values is None:
        return None
    wanted = Fraction(ceil(values[at] * 10), 10)
    if least_cost(with_lots(problem, [*lots, line.lot(fat, "wanted", wanted)])) is None:
        return None
    return fat, wanted


def _lines(lots: Sequence[Lot]) -> list[_Line]:
    """One line for each material (species, side and name) among the lots."""
    kinds: dict[tuple[str, str, str], list[Lot]] = {}
    for lot in lots:
        kinds.setdefault((lot.species, lot.role, lot.material), []).append(lot)
    return [_line(group, [lot for lot in lots if lot.species == group[0].species]) for group in kinds.values()]


def _line(group: Sequence[Lot], relatives: Sequence[Lot]) -> _Line:
    like = group[0]
    names = [name for name in like.properties if name != FAT and all(name in lot.properties for lot in group)]
    fitted = group if len({lot.properties[FAT] for lot in group}) > 1 else relatives
    stated = all(name in lot.properties for lot in fitted for name in names)
    if len({lot.properties[FAT] for lot in fitted}) < 2 or not stated:
        fat = like.properties[FAT]
        return _Line(like, {n: like.properties[n] for n in names}, dict.fromkeys(names, _ZERO), fat, fat)
    slopes = {name: _slope([(lot.properties[FAT], lot.properties[name]) for lot in fitted]) for name in names}
    middle = sum((lot.properties[FAT] for lot in group), _ZERO) / len(group)
    starts = {
        name: sum((lot.properties[name] for lot in group), _ZERO) / len(group) - slopes[name] * middle for name in names
    }
    low, high = _ZERO, Fraction(PERCENT)
    for name in names:  # nothing below zero
        if slopes[name]:
            zero = -starts[name] / slopes[name]
            low, high = (low, min(high, zero)) if slopes[name] < 0 else (max(low, zero), high)
    return _Line(like, starts, slopes, low, max(low, high))


def _slope(points: Sequence[tuple[Fraction, Fraction]]) -> Fraction:
    n = len(points)
    mx, my = sum((x for x, _ in points), _ZERO) / n, sum((y for _, y in points), _ZERO) / n
    return sum(((x - mx) * (y - my) for x, y in points), _ZERO) / sum(((x - mx) ** 2 for x, _ in points), _ZERO)
