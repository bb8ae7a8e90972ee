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
from optimizer.bench.bench import NEAR_NODES, Bench
from optimizer.bench.extreme import loose
from optimizer.solver.kept import searching
from optimizer.why.ways_out import Kind, Way

_ZERO = Fraction(0)
_ONE = Fraction(1)
_HAIR = 1e-7
"""Tenths of a kilogram that floating point cannot tell from none."""


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


def material_wanted(bench: Bench) -> Way | None:
    """The kind of material of which the fewest kilograms make a batch possible without any concession; None: none.

    Where no kind alone will do, the fewest kilograms of several.
    """
    problem = bench.problem
    lots = [lot for lot in problem.formula.lots if isinstance(lot, Lot)]
    lines = _lines(lots)
    ceiling = problem.order.kilograms + problem.order.within_kg
    ends = [(line, lot) for line in lines for lot in _ends(line, ceiling)]
    bench.hold()
    with bench.offering([lot for _, lot in ends]) as (there, places):
        kept = there.kept
        kept.aim(dict.fromkeys(places, _ONE))
        kilograms = kept.guess()
        if not kilograms:
            return None
        by_line = {id(line): [j for j, (own, _) in zip(places, ends, strict=True) if own is line] for line in lines}
        most = {j: kept.variables[j].hi for j in places}
        found: tuple[_Line, Fraction, Fraction] | None = None
        for line in sorted(lines, key=lambda line: -sum(kilograms[j] for j in by_line[id(line)])):
            for j in places:
                kept.bound(j, _ZERO, most[j] if j in by_line[id(line)] else _ZERO)
            found = _fat_range(there, line, by_line[id(line)])
            if found is not None:
                break
    if found is None:
        amounts = {id(line): [kilograms[j] for j in by_line[id(line)]] for line in lines}
        return _several(bench, [(line, amounts[id(line)]) for line in lines if sum(amounts[id(line)]) > _HAIR])
    return _of_kind(bench, *found, ceiling)


def _ends(line: _Line, ceiling: Fraction) -> list[Lot]:
    fats = (line.lean,) if line.lean == line.fat else (line.lean, line.fat)
    return [line.lot(fat, f"{line.like.name} at {fat}", ceiling) for fat in fats]


def _fat_range(bench: Bench, line: _Line, places: Sequence[int]) -> tuple[_Line, Fraction, Fraction] | None:
    """The line and the fats between which its kind alone will do; None where it will not, or none of it is needed."""
    bench.kept.aim(dict.fromkeys(places, _ONE))
    kilograms = bench.kept.guess()
    if not kilograms or not any(kilograms[j] > _HAIR for j in places):
        return None
    fats = dict(zip(places, (line.lean, line.fat), strict=False))
    low, high = (loose(bench.kept, fats, dict.fromkeys(places, _ONE), sign) for sign in (1, -1))
    return None if low is None or high is None else (line, low, high)


def _of_kind(bench: Bench, line: _Line, low: Fraction, high: Fraction, ceiling: Fraction) -> Way | None:
    """Kilograms of one kind alone at some round fats, applied and solved with the figures as told."""
    points = [point for fat in _told(low, high) if (point := _least(bench, line, fat, ceiling)) is not None]
    if not points:
        return None
    fewest = min(points, key=lambda point: point[1])
    lot = line.lot(fewest[0], f"like {line.like.name}", fewest[1])
    return Way(Kind.MATERIAL, None, _ZERO, lots=((lot, fewest[1]),), fat=(low, high), points=tuple(points))


def _several(bench: Bench, mixed: Sequence[tuple[_Line, Sequence[float]]]) -> Way | None:
    """Several kinds together, each at the fat of its mixture, rounded up and solved with the figures as told."""
    lots = []
    for line, kilograms in mixed:
        total = sum(kilograms)
        fat = Fraction(
            round(sum(float(f) * kg for f, kg in zip((line.lean, line.fat), kilograms, strict=False)) / total * 10), 10
        )
        fat = min(max(fat, line.lean), line.fat)
        lots.append(line.lot(fat, f"like {line.like.name}", Fraction(ceil(total * 10 - _HAIR), 10)))
    for more in (_ZERO, Fraction(1, 10), _ONE):
        wanted = [replace(lot, on_hand_kg=lot.on_hand_kg * (1 + more)) for lot in lots]
        rounded = [replace(lot, on_hand_kg=Fraction(ceil(lot.on_hand_kg * 10), 10)) for lot in wanted]
        with bench.offering(rounded) as (there, _):
            with searching(there.kept, NEAR_NODES):
                found = there.point(checked=False)
            if found:
                return Way(Kind.MATERIAL, None, _ZERO, lots=tuple((lot, lot.on_hand_kg) for lot in rounded))
    return None


def _told(low: Fraction, high: Fraction) -> list[Fraction]:
    """At most six round fat figures between two, or the middle where none lies there."""
    for step in (Fraction(1, 10), Fraction(1, 2), _ONE, Fraction(2), Fraction(5), Fraction(10), Fraction(20)):
        first, last = ceil(low / step), floor(high / step)
        if last - first < 6:
            found = [k * step for k in range(first, last + 1)]
            return found or [(low + high) / 2]
    return [(low + high) / 2]


def _least(bench: Bench, line: _Line, fat: Fraction, ceiling: Fraction) -> tuple[Fraction, Fraction] | None:
    """The fewest kilograms of this kind with so much fat, rounded up, applied and solved; None where none will do."""
    with bench.offering([line.lot(fat, "wanted", ceiling)]) as (there, (j,)), searching(there.kept, NEAR_NODES):
        there.kept.aim({j: _ONE})
        guess = there.kept.guess()
        if not guess:
            return None
        wanted = Fraction(ceil(guess[j] * 10 - _HAIR), 10)
        if there.whole:
            values = there.kept.best()
            wanted = Fraction(ceil(values[j] * 10), 10) if values else ceiling
        there.kept.bound(j, _ZERO, wanted)
        if not there.point():  # a hair too few in floating point
            wanted += Fraction(1, 10)
            there.kept.bound(j, _ZERO, wanted)
            return (fat, wanted) if there.point() else None
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
    pulls = _pulls([lot.properties[FAT] for lot in fitted])
    slopes = {
        name: sum((pull * lot.properties[name] for pull, lot in zip(pulls, fitted, strict=True)), _ZERO)
        for name in names
    }
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


def _pulls(fats: Sequence[Fraction]) -> list[Fraction]:
    """What each lot's figure counts in the slope of the least-squares line over these fats."""
    middle = sum(fats, _ZERO) / len(fats)
    spread = sum(((fat - middle) ** 2 for fat in fats), _ZERO)
    return [(fat - middle) / spread for fat in fats]
