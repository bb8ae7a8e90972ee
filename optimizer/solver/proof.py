"""That nothing is cheaper in whole numbers, or that there is nothing: a tree whose leaves are proved one by one.

Each leaf is a linear program whose prices, whatever they are, prove a bound in exact arithmetic (safe dual bounds;
Neumaier and Shcherbina, Mathematical Programming 99, 2004, 283-296), or that it is empty (Farkas). Floating point only
says where to split and which prices to try, first rounded and, where those fall short, those of the exact vertex.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import count
from math import floor, inf
from typing import Any

import numpy as np

from optimizer import clock
from optimizer.solver.exact import lower_bound, refuted_by, refutes, vertex
from optimizer.solver.model import Program, SolverDisagrees
from optimizer.solver.session import Session
from optimizer.solver.simplex import GaveUp, Simplex

_ZERO = Fraction(0)
_FINE = 2**30
"""Denominator to which prices are rounded, as a share of the largest."""
_TRIED, _STEPS = 8, 12
"""Variables tried out at a node, and steps of the simplex method for each trial, at most."""
_WHOLE, _CLOSE = 1e-6, 1e-7
"""Distance from a whole number taken as none, and share of the cost within which a bound is worth exact prices."""

Bounds = dict[int, tuple[Fraction, Fraction]]
"""Closer bounds of the variables that were split."""


@dataclass
class Part:
    """A part of the choices: closed by ``prices``, which prove a bound (or with ``empty`` that there is nothing in it),
    or split at variable ``j`` into what is at most ``down`` and the rest.
    """

    prices: tuple[Fraction, ...] = ()
    empty: bool = False
    j: int = -1
    down: int = 0
    below: Part | None = None
    above: Part | None = None


@dataclass
class Proof:
    """The tree and the lower bound it proves; ``bound`` None: that there is no point. ``closed`` where it is whole.

    ``cheaper`` is a point found on the way that costs less than was claimed.
    """

    root: Part = field(default_factory=Part)
    bound: Fraction | None = None
    closed: bool = False
    cheaper: tuple[Fraction, ...] = ()


def prove(program: Program, cost: Fraction | None, nodes: float = inf) -> Proof:
    """Prove that nothing costs less than ``cost``, or with None that there is no point, as far as so many nodes lead.

    The bound is then that of the nodes still open. Ends with the command's time.
    """
    return _Search(program, cost).run(nodes)


_Open = tuple[Part, Bounds, float]


class _Search:
    def __init__(self, program: Program, cost: Fraction | None) -> None:
        self.program, self.cost = program, cost
        self.limit = inf if cost is None else float(cost)
        self.counted = [j for j, v in enumerate(program.variables) if v.whole]
        self.linear = Session(Program(tuple(replace(v, whole=False) for v in program.variables), program.rows))
        self.proof = Proof(bound=cost)

    def run(self, nodes: float) -> Proof:
        """Split until everything is closed, what may be cheapest first."""
        order = count()
        waiting: list[tuple[float, int, Part, Bounds]] = [(-inf, next(order), self.proof.root, {})]
        done = 0
        try:
            while waiting and done < nodes and not self.proof.cheaper:
                clock.left()
                _, _, part, bounds = heapq.heappop(waiting)
                done += 1
                for child, inside, least in self._visit(part, bounds):
                    heapq.heappush(waiting, (least, next(order), child, inside))
            self.proof.closed = not waiting and not self.proof.cheaper
            if not self.proof.closed:
                found = [self._bound_of(bounds) for _, _, _, bounds in waiting]
                self.proof.bound = min((b for b in found if b is not None), default=None) if None not in found else None
        except (clock.OutOfTime, GaveUp, SolverDisagrees):
            self.proof.bound = None
        return self.proof

    def _bound_of(self, bounds: Bounds) -> Fraction | None:
        """A bound on what is in an open part; None where nothing is known of it."""
        program = self._within(bounds)
        return lower_bound(program, self._prices(program)) if self._run(bounds) else None

    def _within(self, bounds: Bounds) -> Program:
        variables = [replace(v, whole=False) if v.whole else v for v in self.program.variables]
        for j, (lo, hi) in bounds.items():
            variables[j] = replace(variables[j], lo=lo, hi=hi)
        return Program(tuple(variables), self.program.rows)

    def _run(self, bounds: Bounds) -> bool:
        self.linear.bounds(*self._arrays(bounds))
        return self.linear.run()

    def _arrays(self, bounds: Bounds) -> tuple[Any, Any]:
        lo, hi = self.linear.lo.copy(), self.linear.hi.copy()
        for j, (low, high) in bounds.items():
            lo[j], hi[j] = float(low), float(high)
        return lo, hi

    def _visit(self, part: Part, bounds: Bounds) -> list[_Open]:
        """Close a part, or split it: its two parts with their bounds and about what they cost at least."""
        program = self._within(bounds)
        if not self._run(bounds):
            part.prices = refuted_by(program, self.linear.ray) or self._refuted(program)
            part.empty = bool(part.prices)
            if part.empty:
                return []
            raise GaveUp("an empty part could not be proved to be empty")
        least, values = self.linear.cost, self.linear.values
        if self.cost is not None and least >= self.limit - _CLOSE * abs(self.limit):
            part.prices = self._enough(program)
            if part.prices:
                return []
        whole = np.array([values[j] for j in self.counted])
        split = [j for j, x in zip(self.counted, whole, strict=True) if abs(x - round(x)) > _WHOLE]
        if not split:
            return self._settled(part, program, bounds, values)
        j = self._chosen(bounds, values, split)
        return self._halves(part, bounds, j, floor(values[j]), least)

    def _halves(self, part: Part, bounds: Bounds, j: int, down: int, least: float) -> list[_Open]:
        v = self.program.variables[j]
        lo, hi = bounds.get(j, (v.lo, v.hi))
        part.j, part.down, part.below, part.above = j, down, Part(), Part()
        return [
            (part.above, {**bounds, j: (Fraction(down + 1), hi)}, least),
            (part.below, {**bounds, j: (lo, Fraction(down))}, least),
        ]

    def _prices(self, program: Program) -> tuple[Fraction, ...]:
        """The solver's prices, rounded, without those that lean on a limit that does not exist."""
        prices = self.linear.prices
        most = float(np.abs(prices).max(initial=0.0))
        unit = Fraction(most) / _FINE
        found = [unit * round(float(p) / most * _FINE) if most else _ZERO for p in prices]
        return tuple(
            p if p and (row.lo if p > 0 else row.hi) is not None else _ZERO
            for p, row in zip(found, program.rows, strict=True)
        )

    def _enough(self, program: Program) -> tuple[Fraction, ...]:
        """Prices that prove as much as is to be proved; nothing where there are none."""
        assert self.cost is not None
        prices = self._prices(program)
        bound = lower_bound(program, prices)
        if bound is not None and bound >= self.cost:
            return prices
        found = vertex(program, self.linear.basis)
        return found.prices if found is not None and found.cost >= self.cost else ()

    def _refuted(self, program: Program) -> tuple[Fraction, ...]:
        search = Simplex(program, self.linear.basis)
        if search.minimise():
            return ()
        prices = search.refutation()
        return prices if refutes(program, prices) else ()

    def _settled(self, part: Part, program: Program, bounds: Bounds, values: Any) -> list[_Open]:
        """A part whose cheapest point is whole in floating point: exactly so and cheaper than claimed, or split."""
        found = vertex(program, self.linear.basis)
        if found is not None and all(found.values[j].denominator == 1 for j in self.counted):
            if self.cost is None or found.cost < self.cost:
                self.proof.cheaper = found.values
            part.prices = found.prices
            return []
        exact = values if found is None else found.values
        around = {j: bounds.get(j, (self.program.variables[j].lo, self.program.variables[j].hi)) for j in self.counted}
        free = [j for j, (lo, hi) in around.items() if lo < hi]
        if not free:
            raise GaveUp("a part without choices could not be settled")
        j = max(free, key=lambda j: abs(exact[j] - round(exact[j])))
        lo, hi = around[j]
        down = min(max(floor(exact[j]), int(lo)), int(hi) - 1)
        return self._halves(part, bounds, j, down, self.linear.cost)

    def _chosen(self, bounds: Bounds, values: Any, split: Sequence[int]) -> int:
        """The variable to split: of those nearest to a half the one that costs most on both sides."""
        tried = sorted(split, key=lambda j: (abs(values[j] % 1 - 0.5), j))[:_TRIED]
        if len(tried) == 1:
            return tried[0]
        start, best, most = self.linear.cost, tried[0], -inf
        for j in tried:
            gains = []
            for up in (0, 1):
                lo, hi = self._arrays(bounds)
                if up:
                    lo[j] = floor(values[j]) + 1
                else:
                    hi[j] = floor(values[j])
                gains.append(min(self.linear.least(lo, hi, _STEPS), self.limit) - start)
            score = max(gains[0], 1e-9) * max(gains[1], 1e-9) if self.limit < inf else min(gains)
            if score > most:
                best, most = j, score
        return best
