"""Programs without whole numbers whose rows include cones: rounds of tangents, then a finish in exact arithmetic.

Floating point only says where to look: every cut holds for every point that keeps its cone, every point handed out
keeps every cone exactly, and every bound is proved by prices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.cone import Cone
from constraints.row import Row
from optimizer.solver.exact import Vertex
from optimizer.solver.fold import fold
from optimizer.solver.model import Ending, Program, SolverDisagrees, Variable
from optimizer.solver.optimum import Optimum, Ranks, optimise, settle
from optimizer.solver.polish import Arrays, polish
from optimizer.solver.session import solve
from optimizer.solver.tangents import Tangents

_ZERO = Fraction(0)
_ROUNDS = 40
"""Most rounds of the linear program; without Newton's method about ten are needed."""
GAP = Fraction(1, 10**9)
"""Gap between cost and proved bound, as a share of the cost, at which the rounds stop."""
_KEPT = 1e-9
"""Shortfall, as a share of the room a cone needs, that floating point cannot tell from none."""
_ROUGHLY = 1e-6
"""Shortfall from which the finish is tried where tangents and Newton's method lead no further."""
_TOUCHED = -0.02
"""Shortfall above which a cone gets a cut at the finish."""
_GRID = 10**12
"""Points found in floating point are rounded to one part in so many before exact arithmetic starts from them."""
_HAIR = 10**6
"""The finish looks within one part in so many of the point found, at first."""


@dataclass(frozen=True)
class Found:
    """An optimum with the cuts whose prices follow those of the program's own rows, and the optimum without cones.

    The cuts are laid at ``point``, and ``of`` says which cone each belongs to. ``plain`` is None until it is known.
    """

    optimum: Optimum
    cuts: tuple[Row, ...]
    point: tuple[Fraction, ...] = ()
    of: tuple[int, ...] = ()
    plain: Optimum | None = None

    @property
    def gap(self) -> Fraction:
        """Cost above the proved bound."""
        return abs(self.optimum.cost - (self.optimum.bound or _ZERO))

    @property
    def close(self) -> bool:
        """True where the gap is as small as asked for."""
        return bool(self.optimum.values) and self.gap <= GAP * max(Fraction(1), abs(self.optimum.cost))


class Search:
    """The cones of one problem over the program's variables, and the tangents learnt on the way."""

    def __init__(self, cones: tuple[Cone, ...], ranks: Ranks) -> None:
        self.cones, self.ranks = cones, ranks
        self.tangents = Tangents(cones)
        self.batch = True
        self.seen: list[tuple[float, ...]] = []

    def keeps(self, x: Sequence[Fraction]) -> bool:
        """True where these values keep every cone, exactly."""
        return all(cone.holds(x) for cone in self.cones)

    def linear(self, program: Program) -> Found:
        """The optimum of a program without whole numbers; where there is none, with proof as far as that succeeds."""
        plain = optimise(program, self.ranks)
        if not plain.values or self.keeps(plain.values):
            return Found(plain, (), plain=plain)
        found = self._rounds(program, Arrays.of(program, self.cones), tuple(map(float, plain.values)))
        if found is None:
            found = self._none(program)
        elif found.optimum.values:
            values = self.ranked(program, found.optimum.values)
            found = replace(found, optimum=replace(found.optimum, values=values))
        return replace(found, plain=plain)

    def bound(self, program: Program, start: Vertex) -> Found:
        """The bound of a program without whole numbers whose plain optimum is known.

        Values are where the bound was proved, in floating point; without any there is no point, as far as that could be
        proved.
        """
        if self.keeps(start.values):
            cost = program.cost(start.values)
            return Found(Optimum(Ending.OPTIMAL, start.values, cost, cost, None, start.prices), ())
        self.batch = False
        found = self._rounds(program, Arrays.of(program, self.cones), tuple(map(float, start.values)))
        return self._none(program) if found is None else found

    def near(self, program: Program, x: Sequence[float]) -> Optimum | None:
        """The optimum of a program without whole numbers, sought from a point that breaks cones; None where none is."""
        arrays = Arrays.of(program, self.cones)
        found = self._best(program, arrays, x, None)
        if found is None or (found.optimum.values and not found.close):
            found = self._rounds(program, arrays, x)
        return None if found is None or not found.optimum.values else found.optimum

    def _rounds(self, program: Program, arrays: Arrays, x: Sequence[float]) -> Found | None:
        """Rounds of tangents from a point; None where they leave no point. Without values: proved that none exists."""
        best: Found | None = None
        for _ in range(_ROUNDS):
            if not self.tangents.learn(x, near=_KEPT):
                break
            outcome = solve(self.tangents.program(program))
            if not outcome.values:
                return None
            x = outcome.values[: len(program.variables)]
            self.seen.append(x)
            best = self._best(program, arrays, x, best)
            if best is not None and (best.close or not best.optimum.values):
                return best
        if best is None and arrays.shortfalls(x).max() <= _ROUGHLY:
            best = self._finish(program, arrays, tuple(x))
        if best is None:
            raise SolverDisagrees("no batch could be shown to hold with the confidence asked for")
        return best

    def _best(self, program: Program, arrays: Arrays, x: Sequence[float], best: Found | None) -> Found | None:
        """The best of what is known and what is found from a point: where Newton leads, or the point itself."""
        polished = polish(arrays, x)
        points: list[tuple[float, ...]] = [] if polished is None else [polished]
        if arrays.shortfalls(x).max() <= _KEPT:
            points.append(tuple(x))
        for point in points:
            found = self._finish(program, arrays, point)
            if found is None:
                continue
            if not found.optimum.values:
                return found
            if best is None or found.gap < best.gap:
                best = found
            if best.close:
                break
        return best

    def _finish(self, program: Program, arrays: Arrays, x: tuple[float, ...]) -> Found | None:
        """Bound and batch at a point, both exact; None where no batch is found near it. Without values: none exists."""
        point = tuple(rounded(value) for value in x)
        touched = [c for c, short in enumerate(arrays.shortfalls(x)) if short > _TOUCHED]
        laid = {c: row for c in touched if (row := self.cones[c].cut(point)) is not None}
        cuts, of = tuple(laid.values()), tuple(laid)
        low = settle(Program(program.variables, (*program.rows, *cuts)))
        if low is None:
            return Found(Optimum(Ending.INFEASIBLE), cuts, point=point, of=of)
        if not self.batch:
            about = Optimum(Ending.OPTIMAL, point, program.cost(point), program.cost(low.values), None, low.prices)
            return Found(about, cuts, point=point, of=of)
        near = [self.cones[c] for c in touched]
        values = low.values if self.keeps(low.values) else self._near(program, point, near)
        if values is None:
            return None
        optimum = Optimum(Ending.OPTIMAL, values, program.cost(values), program.cost(low.values), None, low.prices)
        return Found(optimum, cuts, point=point, of=of)

    def _near(self, program: Program, x: Sequence[Fraction], touched: Sequence[Cone]) -> tuple[Fraction, ...] | None:
        """The cheapest exact point close to this one that keeps every cone, or None.

        What rests on a bound stays there at first.
        """
        for widen, held in ((1, True), (1, False), (30, False), (1000, False)):
            reach = [widen * max(Fraction(1), abs(value)) / _HAIR for value in x]
            each = zip(program.variables, x, reach, strict=True)
            variables = tuple(_boxed(v, value, hair, held=held) for v, value, hair in each)
            if any(v.lo > v.hi for v in variables):
                continue
            for slack in (1, 10, 100):
                rows = (_drawn_in(cone, x, reach, slack) for cone in touched)
                box = fold(Program(variables, (*program.rows, *(row for row in rows if row is not None))))
                found = settle(box.program)
                if found is None:
                    break
                values = box.unfold(found.values)
                if self.keeps(values):
                    return values
        return None

    def ranked(self, program: Program, values: tuple[Fraction, ...]) -> tuple[Fraction, ...]:
        """Of the points with the same cost and the same errors, the first in the order of use."""
        if not any(self.ranks.levels):
            return values
        rows = [_exactly("cost", tuple(v.cost for v in program.variables), values)]
        pinned: set[int] = set()
        for cone in self.cones:
            if cone.shortfall(values) <= _TOUCHED:
                continue
            rows.append(_exactly(cone.label, cone.coefs, values))
            pinned.update(source[0][0] for source in cone.errors if len(source) == 1)
            for source in cone.errors:
                if len(source) > 1:
                    terms = dict(source)
                    coefs = tuple(terms.get(j, _ZERO) for j in range(len(values)))
                    rows.append(_exactly(f"error of {cone.label}", coefs, values))
        free = [j for j, v in enumerate(program.variables) if v.lo < v.hi and j not in pinned]
        if len(free) < 2:
            return values
        variables = tuple(
            replace(v, lo=values[j], hi=values[j]) if j in pinned else v for j, v in enumerate(program.variables)
        )
        try:
            box = fold(Program(variables, (*program.rows, *rows)))
            found = optimise(box.program, box.ranks(self.ranks)).values
        except SolverDisagrees:
            return values
        first = box.unfold(found)
        return first if found and self.keeps(first) else values

    def _none(self, program: Program) -> Found:
        """That no point keeps the cones: proved by cuts where they are broken least, as far as that succeeds."""
        loose, cones = elastic(program, self.cones)
        tangents = Tangents(cones, self.tangents.learnt)
        cuts: list[Row] = []
        for _ in range(_ROUNDS):
            outcome = solve(tangents.program(loose))
            if not outcome.values:
                break
            x = outcome.values[: len(loose.variables)]
            near = tuple(rounded(value) for value in x[:-1])
            cuts += [row for cone in self.cones if not cone.holds(near) and (row := cone.cut(near)) is not None]
            refuted = Program(program.variables, (*program.rows, *cuts))
            if solve(refuted).ending is Ending.INFEASIBLE and settle(refuted) is None:
                return Found(Optimum(Ending.INFEASIBLE), tuple(cuts))
            if not tangents.learn(x):
                break
        return Found(Optimum(Ending.INFEASIBLE, certain=False), ())


def elastic(program: Program, cones: Sequence[Cone]) -> tuple[Program, tuple[Cone, ...]]:
    """The program in which the cones may be broken by an excess, the last variable and the only cost."""
    far = [max(abs(v.lo), abs(v.hi)) for v in program.variables]
    free = tuple(replace(v, cost=_ZERO) for v in program.variables)
    rows = tuple(row.wider(1) for row in program.rows)
    wide, most = [], Fraction(1)
    for cone in cones:
        weight = max(map(abs, cone.coefs)) or Fraction(1)
        needed = abs(cone.limit) + sum((abs(a) * x for a, x in zip(cone.coefs, far, strict=True)), _ZERO)
        needed += cone.z * sum((abs(a) * far[j] for source in cone.errors for j, a in source), _ZERO)
        most = max(most, needed / weight)
        wide.append(replace(cone, coefs=(*cone.coefs, -weight)))
    return Program((*free, Variable("excess", Fraction(1), _ZERO, most)), rows), tuple(wide)


def rounded(value: float) -> Fraction:
    """A figure found in floating point as a rational one with a short denominator."""
    return Fraction(round(value * _GRID), _GRID)


def _boxed(v: Variable, value: Fraction, reach: Fraction, *, held: bool) -> Variable:
    """A variable within reach of a value and within its own bounds; with ``held`` it stays on a bound it rests on."""
    if held and v.lo < v.hi:
        edge = reach / 100
        for bound in (v.lo, v.hi):
            if abs(value - bound) <= edge:
                return replace(v, lo=bound, hi=bound)
    return replace(v, lo=max(v.lo, value - reach), hi=min(v.hi, value + reach))


def _drawn_in(cone: Cone, x: Sequence[Fraction], reach: Sequence[Fraction], slack: int) -> Row | None:
    """The cut at a point, drawn in by as much as the cone can bend away from it within reach."""
    row = cone.cut(x)
    if row is None or row.hi is None:
        return None
    length = float(cone.variance(x)) ** 0.5
    moved = sum(float(sum(abs(a) * reach[j] for j, a in source)) ** 2 for source in cone.errors)
    give = slack * float(cone.z) * (length * 1e-10 + moved / (2 * length))
    return Row(row.label, row.coefs, None, row.hi - Fraction(give))


def _exactly(label: str, coefs: tuple[Fraction, ...], values: Sequence[Fraction]) -> Row:
    limit = sum((a * x for a, x in zip(coefs, values, strict=True) if a and x), _ZERO)
    return Row(label, coefs, limit, limit)
