"""The cheapest batch where some rows must hold with room for error: second-order cones, settled exactly.

Nothing here knows what a requirement is about: every requirement is asked for its cones. A conic solver says where to
look (see conic). The linear program with the cuts that its dual names is settled in exact arithmetic: its optimum is
the proved bound, or it has no point and neither have the cones. Then the cheapest batch within a hair of the solver's
point is found with the cuts drawn in by as much as a cone bends there, which keeps every cone exactly. The two differ
by the gap, normally under a billionth of the cost.

With whole numbers the cuts go into one tree (see tree); what whole numbers that look like the best leave free is
settled the same way, and the bound proved is that of the linear program.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from math import inf
from typing import Self

import numpy as np

from constraints.as_typed import ZERO
from constraints.formula import Formula
from constraints.requirement import Requirement
from constraints.row import Cone, Floats, Row
from optimizer import clock
from optimizer.solver.conic import TOLERANCES, ConicLines, ConicUnits, Guide, guide
from optimizer.solver.exact import Vertex
from optimizer.solver.optimum import RANKING, Kept, Optimum, Ranks, held, no_dearer, optimise
from optimizer.solver.program import Ending, Layout, Program, SolverDisagrees, Variable, relaxed
from optimizer.solver.session import ALL, power
from optimizer.solver.tree import Proof, prove

_MOMENT = 0.3
"""Seconds that a program without whole numbers is given whatever limit is stood in: few need as many."""
GAP = 1e-9
"""Gap between cost and proved bound, as a share of the cost, that needs no second look."""
_ALIKE = Fraction(1, 10**8)
"""Share of the cost by which another batch in whole numbers must be cheaper to be looked for."""
_CARRIED = 20
"""Cuts and batches that are carried to the next search at most."""
_TOUCHED = -0.02
"""Shortfall above which a cone counts as reached when equally cheap batches are chosen between."""
_HAIR = 10**6
"""The batch is looked for within one part in so many of the point found, at first."""


@dataclass(frozen=True)
class Held:
    """An optimum that keeps every cone exactly, and the layout in whose rows its prices count.

    ``cuts`` are those of the optimum over the columns' kilograms.
    """

    optimum: Optimum
    layout: Layout
    cuts: tuple[Row, ...] = ()

    @property
    def plain(self) -> Optimum:
        """The optimum without cones."""
        return self.optimum.plain or self.optimum

    @property
    def price(self) -> Fraction | None:
        """What the confidence costs against the plain optimum, money; None where either has no batch."""
        return self.optimum.cost - self.plain.cost if self.optimum.values and self.plain.values else None


def cones_of(requirements: Iterable[Requirement], formula: Formula) -> tuple[Cone, ...]:
    """Every cone of some requirements, over the kilograms of the formula's columns."""
    return tuple(cone for requirement in requirements for cone in requirement.cones(formula))


def optimise_with_cuts(
    layout: Layout, requirements: Iterable[Requirement], formula: Formula, ranks: Ranks, nodes: int = ALL
) -> Held:
    """The cheapest point of a layout that also keeps the requirements' cones; without any this is ``optimise``.

    ``nodes`` end a search in whole numbers. Raises SolverDisagrees where exact arithmetic cannot settle it, and
    MissingProperty as ``ConeProgram.of``.
    """
    program, units = layout.program, layout.units
    found = ConeProgram.of(layout, requirements, formula).settled(ranks, nodes=nodes)
    if not found.cuts:
        return Held(found, layout)
    per_kg = [[a / unit for a, unit in zip(row.coefs, units, strict=False)] for row in found.cuts]
    cuts = tuple(Row(row.label, tuple(coefs), None, row.hi) for row, coefs in zip(found.cuts, per_kg, strict=True))
    return Held(found, Layout(Program(program.variables, (*program.rows, *found.cuts)), units), cuts)


@dataclass
class Learnt:
    """Cuts of some cones and batches within them, at any rows and costs: a search in whole numbers starts from them."""

    cuts: tuple[Row, ...] = ()
    batches: list[tuple[Fraction, ...]] = field(default_factory=list)
    splits: Floats | None = None


@dataclass(frozen=True)
class ConeProgram:
    """A program and the cones over its variables; ``learnt`` of these cones is carried to other programs with them."""

    program: Program
    cones: tuple[Cone, ...]
    learnt: Learnt = field(default_factory=Learnt, compare=False, repr=False)
    counted: ConeProgram | None = field(default=None, compare=False, repr=False)
    """That of the same rows and cones whose units serve for this one: with its whole numbers, or at other costs."""

    @classmethod
    def of(cls, layout: Layout, requirements: Iterable[Requirement], formula: Formula) -> Self:
        """A layout's program with the requirements' cones. Raises MissingProperty where a lot's error is unknown."""
        size = len(layout.program.variables)
        return cls(layout.program, tuple(cone.over(layout.units, size) for cone in cones_of(requirements, formula)))

    def settled(self, ranks: Ranks, *, plain: bool = True, nodes: int = ALL, below: float | None = None) -> Optimum:
        """The optimum; with ``plain`` first without cones, which is the answer where it keeps them.

        In whole numbers anything ``below`` will do, where that is given, and nothing else.
        Its ending is TIME_LIMIT where a search in whole numbers stopped before nothing cheaper was left. Raises
        OutOfTime, and SolverDisagrees where exact arithmetic cannot settle it.
        """
        first = self._plain(ranks, nodes) if plain or not self.cones else None
        kept = first is not None and first.ending is Ending.OPTIMAL and self.keeps(first.values)
        if first is not None and (kept or first.ending is Ending.INFEASIBLE or not self.cones):
            return first
        if self.program.whole:
            return replace(self._whole(ranks, nodes, below, proved=plain), plain=first)
        with clock.moment(_MOMENT):
            found = self._linear()
            values = self._ranked(self.program, found.values, ranks)
        return replace(found, values=values, plain=first)

    def _plain(self, ranks: Ranks, nodes: int) -> Optimum:
        """The optimum without cones; where it breaks them its whole numbers are neither ranked nor proved.

        They are searched for in half the time there is.
        """
        if not self.program.whole or not self.cones:
            return optimise(self.program, ranks, nodes)
        left = clock.left()
        with clock.limited(left and left / 2):
            proof = prove(self.program, None, nodes)
        best = proof.best
        if proof.closed and (best is None or self.keeps(best.values)):
            return optimise(self.program, ranks, nodes)
        return Optimum(Ending.OPTIMAL, best.values, best.cost) if best else Optimum(Ending.TIME_LIMIT)

    @cached_property
    def units(self) -> ConicUnits:
        """The program's units of its own."""
        return self.counted.units if self.counted else ConicUnits.of(self.program)

    @cached_property
    def lines(self) -> ConicLines:
        """Rows and cones in these units."""
        return self.counted.lines if self.counted else ConicLines(self.program, self.cones, self.units)

    def keeps(self, values: Sequence[Fraction]) -> bool:
        """True where these values keep every cone, exactly."""
        return all(cone.holds(values) for cone in self.cones)

    # Without whole numbers.

    def _linear(self, *, batch: bool = True, enough: float | None = None) -> Optimum:
        """Bound and batch, both exact, or that there is none; without ``batch`` a point that is not exact.

        With ``enough`` there are cuts alone of what costs more, and of nothing, as far as the solver sees.
        """
        best, none = None, False
        for tolerance in TOLERANCES:
            hint = guide(self.program, self.lines, tolerance)
            none = none or hint.none
            found = self._finished(hint, tolerance, batch=batch, enough=enough)
            if found is None:
                continue
            if best is None or _gap(found) < _gap(best):
                best = found
            if not found.values or _gap(found) <= GAP * max(abs(float(found.cost)), float(self.units.money)):
                return found
        if best is None and not none:
            raise SolverDisagrees("no batch could be shown to hold with the confidence asked for")
        return best or Optimum(Ending.INFEASIBLE, certain=False)

    def _finished(self, hint: Guide, tolerance: float, *, batch: bool, enough: float | None) -> Optimum | None:
        """Bound and batch from what the solver says; None where no batch is found, without values: proved that none is.

        Without ``batch`` the values are the solver's point.
        """
        program = self.program
        laid = {c: row for c, way in hint.along.items() if (row := self.cones[c].along(way)) is not None}
        cuts, of = tuple(laid.values()), tuple(laid)
        if enough is not None and cuts and (hint.none or program.cost(hint.x) > enough):
            return Optimum(Ending.OPTIMAL, cuts=cuts)
        kept = Kept(Program(program.variables, (*program.rows, *cuts)))
        low = kept.settle()
        if low is None:
            return Optimum(Ending.INFEASIBLE, cuts=cuts, of=of)
        values = hint.x
        if batch and self.keeps(low.values):
            values = low.values
        elif batch and hint.x:
            values = self._near(kept, self._rested(hint, tolerance))
        told = Optimum(Ending.OPTIMAL, values, program.cost(values or low.values), low.cost, None, low.prices)
        return replace(told, cuts=cuts, of=of, point=hint.x) if values else None

    def _rested(self, hint: Guide, tolerance: float) -> tuple[Fraction, ...]:
        """The solver's point, once more with what rests on a bound held there if that was not quite so."""
        if not hint.moved:
            return hint.x
        each = zip(self.program.variables, hint.x, strict=True)
        variables = tuple(replace(v, lo=x, hi=x) if x in (v.lo, v.hi) else v for v, x in each)
        return guide(Program(variables, self.program.rows), self.lines, tolerance).x or hint.x

    def _near(self, kept: Kept, x: Sequence[Fraction]) -> tuple[Fraction, ...]:
        """The cheapest exact point close to this one that keeps every cone; empty where none was found.

        What rests on a bound stays there at first. ``kept`` is the program with cuts.
        """
        units, mass = self.units.variables, self.units.mass
        sizes = [max(1.0, abs(float(value / unit))) for unit, value in zip(units, x, strict=True)]
        touched = [(cone, row) for cone in self.cones if cone.shortfall(x) > _TOUCHED and (row := cone.cut(x))]
        places = [(kept.add_row(row), cone) for cone, row in touched]
        for widen, resting in ((1, True), (1, False), (30, False), (1000, False)):
            reach = [Fraction(power(widen * size / _HAIR)) * unit for size, unit in zip(sizes, units, strict=True)]
            each = zip(self.program.variables, x, reach, strict=True)
            boxes = [_boxed(v, value, hair, resting=resting) for v, value, hair in each]
            if any(lo > hi for lo, hi in boxes):
                continue
            for j, (lo, hi) in enumerate(boxes):
                kept.bound(j, lo, hi)
            for slack in (1, 10, 100):
                for i, cone in places:
                    kept.limit(i, None, cone.limit - slack * _bent(cone, x, reach, mass))
                found = kept.settle()
                if found is None:
                    break
                if self.keeps(found.values):
                    return found.values
        return ()

    def _ranked(self, program: Program, values: tuple[Fraction, ...], ranks: Ranks) -> tuple[Fraction, ...]:
        """Of the points with the same cost and the same errors, the first in the order of use."""
        if not values or not any(ranks.levels):
            return values
        rows = [_exactly("cost", [(j, v.cost) for j, v in enumerate(program.variables)], values)]
        pinned: set[int] = set()
        for cone in self.cones:
            if cone.shortfall(values) > _TOUCHED:
                rows += [_exactly(cone.label, line, values) for line in (cone.terms, *cone.errors) if len(line) > 1]
                pinned.update(line[0][0] for line in (cone.terms, *cone.errors) if len(line) == 1)
        pairs = list(enumerate(program.variables))
        if sum(v.lo < v.hi and j not in pinned for j, v in pairs) < 2:
            return values
        variables = tuple(replace(v, lo=values[j], hi=values[j]) if j in pinned else v for j, v in pairs)
        try:
            first = optimise(Program(variables, (*program.rows, *rows)), ranks).values
        except SolverDisagrees:
            return values
        return first if first and self.keeps(first) else values

    # With whole numbers.

    def _whole(self, ranks: Ranks, nodes: int, below: float | None, *, proved: bool) -> Optimum:
        program, loose = self.program, self._loose(proved=proved)
        if loose.ending is Ending.INFEASIBLE:
            return loose
        cut = Program(program.variables, (*program.rows, *loose.cuts))
        known = next((x for x in sorted(self.learnt.batches[-_CARRIED:], key=program.cost) if program.feasible(x)), ())
        known = known if below is None or (known and program.cost(known) < below) else ()
        search = _ChoiceSearch(self, cut, known, below=below)
        proof, best = search.run(nodes), search.best
        loose = replace(loose, values=(), cost=ZERO, reported=proof.reported)
        if not best:
            ended = Ending.INFEASIBLE if proof.closed else Ending.TIME_LIMIT
            return replace(loose, ending=ended, prices=(), certain=False)
        if proof.closed:
            best = self._better(cut, best, loose, ranks)
        self.learnt.batches.append(best)
        values = self._ranked(held(program, best), best, ranks)
        ended = Ending.OPTIMAL if proof.closed else Ending.TIME_LIMIT
        return replace(loose, ending=ended, values=values, cost=program.cost(best))

    def _loose(self, *, proved: bool) -> Optimum:
        """The optimum without whole numbers, for its cuts; where not ``proved`` with nothing but those known by now."""
        if self.learnt.cuts and not proved:
            return Optimum(Ending.OPTIMAL, cuts=self.learnt.cuts)
        loose = ConeProgram(relaxed(self.program), self.cones, counted=self)._linear(batch=False)
        self.learnt.cuts = loose.cuts
        return loose

    def _better(self, cut: Program, best: tuple[Fraction, ...], loose: Optimum, ranks: Ranks) -> tuple[Fraction, ...]:
        """Another batch that costs no more, and uses sooner what ought to be used sooner."""
        if not ranks.places or not self._has_twins():
            return best
        cost = self.program.cost(best)
        most = cost + Fraction(GAP) * abs(cost)
        ranked = no_dearer(cut, ranks.places, most, loose.prices, loose.bound or ZERO)
        search = _ChoiceSearch(self, ranked, best, most)
        search.run(RANKING)
        return search.best

    def _has_twins(self) -> bool:
        """True where two variables cost the same and count the same in every cone, so that equals can be exchanged."""
        kinds = [(v.cost, *(c.coefs[j] for c in self.cones)) for j, v in enumerate(self.program.variables)]
        counted = [kind for kind in kinds if any(kind[1:])]
        return len(set(counted)) < len(counted)


class _Enough(Exception):
    """A batch was found that will do."""


@dataclass
class _ChoiceSearch:
    """One search in whole numbers: ``best`` is the cheapest batch met, by the costs of ``cut``, the program with cuts.

    With ``most`` these are others than the program's own, of which it costs no more. Anything ``below`` will do, where
    that is given. ``asked`` counts how often each choice was.
    """

    curved: ConeProgram
    cut: Program
    best: tuple[Fraction, ...]
    most: Fraction | None = None
    below: float | None = None
    asked: Counter[tuple[Fraction, ...]] = field(default_factory=Counter)

    def run(self, nodes: int) -> Proof:
        """Search; no worse than the batch known."""
        if self.below is not None and self.best:
            return Proof(closed=True)
        learnt = self.curved.learnt
        if learnt.splits is None:
            learnt.splits = np.zeros((2, 2, len(self.cut.variables)))
        splits = learnt.splits if self.most is None else None
        with suppress(_Enough):
            return prove(self.cut, self._cost, nodes, _ALIKE, beyond=self._beyond, splits=splits)
        return Proof(closed=True)

    @property
    def _cost(self) -> Fraction | None:
        """What a batch is to cost less than; None for any."""
        if self.below is None:
            return self.cut.cost(self.best) if self.best else None
        return None if self.below == inf else Fraction(self.below)

    def _beyond(self, found: Vertex) -> tuple[Fraction | None, tuple[Row, ...]]:
        """The least cost with a point's whole numbers and cuts, for the tree.

        Where the conic solver sees nothing better its cuts are enough; a choice that comes again is settled exactly.
        """
        counts = tuple(x for v, x in zip(self.cut.variables, found.values, strict=True) if v.whole)
        self.asked[counts] += 1
        if self.most is None and self.curved.keeps(found.values):
            return self._took(found.values), ()
        known = self._cost if self.most is None else self.most
        least = inf if known is None else float(known - abs(known) * _ALIKE / 2)
        with suppress(SolverDisagrees):
            if self.asked[counts] <= 2:
                there = ConeProgram(held(self.curved.program, found.values), self.curved.cones, counted=self.curved)
                told = there._linear(enough=least if self.asked[counts] == 1 else None)
                learnt = self.curved.learnt
                learnt.cuts = (*learnt.cuts, *told.cuts)[-_CARRIED:] if self.below is not None else learnt.cuts
                kept = told.values and (self.most is None or told.cost <= self.most)
                return self._took(told.values) if kept else self._cost, told.cuts
        return None, ()

    def _took(self, values: tuple[Fraction, ...]) -> Fraction | None:
        known = self._cost
        if known is None or self.cut.cost(values) < known:
            self.best = values
            if self.below is not None:
                raise _Enough
        return self._cost


def _gap(found: Optimum) -> float:
    """Cost above the proved bound."""
    return float(abs(found.cost - (found.bound or 0)))


def _boxed(v: Variable, value: Fraction, reach: Fraction, *, resting: bool) -> tuple[Fraction, Fraction]:
    """Bounds of a variable within reach of a value and within its own; ``resting`` on a bound it stays there."""
    for bound in (v.lo, v.hi) if resting else ():
        if abs(value - bound) <= reach / 100:
            return bound, bound
    return max(v.lo, value - reach), min(v.hi, value + reach)


def _bent(cone: Cone, x: Sequence[Fraction], reach: Sequence[Fraction], mass: Fraction) -> Fraction:
    """By how much a cone can bend away within reach from its cut at a point; reckoned in units of ``mass``."""
    length = float(cone.variance(x) / mass**2) ** 0.5
    moved = sum(sum(float(abs(a) * reach[j] / mass) for j, a in source) ** 2 for source in cone.errors)
    return Fraction(float(cone.z) * (length * 1e-10 + moved / (2 * length))) * mass


def _exactly(label: str, line: Sequence[tuple[int, Fraction]], values: Sequence[Fraction]) -> Row:
    limit = sum((a * values[j] for j, a in line if values[j]), ZERO)
    return Row.of(label, dict(line), limit, limit)
