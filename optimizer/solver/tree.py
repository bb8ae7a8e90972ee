"""One tree for whole numbers: what is cheapest, that nothing is cheaper, or that there is nothing.

Every node is a linear program (Land and Doig, Econometrica 28, 1960, 497-520). Which variable is split is decided by
what splitting it has cost so far, and before there is any such figure by trying (Achterberg, Koch and Martin,
Operations Research Letters 33, 2005, 42-54). Floating point only says where to split and which prices to try.

Without cones every leaf is closed in exact arithmetic: its prices, whatever they are, prove a bound (safe dual bounds;
Neumaier and Shcherbina, Mathematical Programming 99, 2004, 283-296), or that it is empty (Farkas); first rounded and,
where those fall short, those of the exact vertex. With cones the nodes are cut where they break one, and a cut holds in
the whole tree (Quesada and Grossmann, Computers and Chemical Engineering 16, 1992, 937-947); whole numbers that look
like the best are handed to ``settle``, only what it returns counts, and that nothing cheaper is left is not proved.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import count
from math import floor, inf
from typing import TYPE_CHECKING, Any

import numpy as np

from constraints.row import Cone
from optimizer import clock
from optimizer.solver.conic import Bent
from optimizer.solver.exact import Vertex, lower_bound, multipliers
from optimizer.solver.model import Program, SolverDisagrees, relaxed
from optimizer.solver.session import Session
from optimizer.solver.simplex import settled

if TYPE_CHECKING:
    from optimizer.solver.optimum import Optimum

_ZERO = Fraction(0)
_WHOLE = 1e-6
"""Distance from a whole number that floating point cannot tell from none."""
_CLOSE = 1e-7
"""Share of the cost within which a bound is worth exact prices."""
_KEPT, _BROKEN = 1e-6, 1e-3
"""Shortfall, as a share of the room a cone needs, taken as none: where all is whole, and at a node split anyway."""
_ROUNDS, _MOST_ROUNDS = 3, 30
"""Rounds of cuts at a node that is split anyway, and at any node."""
_TRIED, _STEPS = 20, 10
"""Variables tried out at a node, and steps of the simplex method for each trial, at most."""
_ALIKE = 1e-8
"""Share of the cost by which another batch with cones must be cheaper to be looked for."""
_LEAST = 1e-6
"""Least change of cost counted for a split, so that one side without any does not hide the other."""

Bounds = dict[int, tuple[Fraction, Fraction]]
"""Closer bounds of the variables that were split."""
Settle = Callable[[Sequence[float]], "Optimum | None"]
"""The cheapest exact batch with the whole numbers of a point, or None where there is none."""


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
    """The tree and the lower bound it proves; ``bound`` None: that there is no point, or where open nothing.

    ``closed`` where the tree is whole. ``best`` is a point met on the way that costs less than was claimed.
    """

    root: Part = field(default_factory=Part)
    bound: Fraction | None = None
    closed: bool = False
    best: Vertex | None = None


_Node = tuple[Part, Bounds, float]
"""A part that is open, where it lies, and about what it costs at least."""


def prove(program: Program, cost: Fraction | None, nodes: float = inf) -> Proof:
    """The cheapest point that costs less than ``cost`` (None: any point), with the proof that nothing is cheaper.

    As far as so many nodes lead; the bound is then that of the nodes still open. Ends with the command's time.
    """
    tree = Tree(program, cost=cost, most_nodes=nodes)
    proof = tree.proof
    try:
        proof.closed = tree.run()
        bounds = [tree.bound_of(bounds) for _, bounds, _ in tree.open]
        proof.bound = None if None in bounds else min((b for b in (*bounds, tree.cost) if b is not None), default=None)
    except (clock.OutOfTime, SolverDisagrees):
        proof.closed, proof.bound = False, None
    return proof


class Tree:
    """One search. With ``settle`` its ``best`` is what that returned, and ``reported`` a lower bound, not proved."""

    def __init__(
        self,
        program: Program,
        cones: Sequence[Cone] = (),
        settle: Settle | None = None,
        *,
        cost: Fraction | None = None,
        most_nodes: float = inf,
    ) -> None:
        """Only what is cheaper than ``cost`` is looked for."""
        self.program, self.cost, self.settle, self.most_nodes = program, cost, settle, most_nodes
        self.loose = relaxed(program)
        self.linear, self.bent = Session(self.loose), Bent(cones, len(program.variables))
        self.counted = np.array([j for j, v in enumerate(program.variables) if v.whole], dtype=int)
        self.yes_no = np.array([v.whole and v.lo >= 0 and v.hi <= 1 for v in program.variables])
        self.paid, self.tries = np.zeros((2, len(program.variables))), np.zeros((2, len(program.variables)))
        self.proof = Proof(bound=cost)
        self.best: Optimum | None = None
        self.reported = -inf
        self.open: list[_Node] = []
        self._settled: set[tuple[int, ...]] = set()
        self._left = inf

    @property
    def dearest(self) -> float:
        """Cost from which nothing is looked for."""
        cost = inf if self.cost is None else float(self.cost)
        return cost if self.settle is None or cost == inf else cost - _ALIKE * abs(cost)

    def run(self) -> bool:
        """Search, what may be cheapest first; False where nodes ran out (with cones: or time) before it was through."""
        waiting: list[tuple[float, int, _Node]] = []
        node: _Node | None = (self.proof.root, {}, -inf)
        order, done = count(), 0
        while node is not None:
            children = None
            if done < self.most_nodes:
                try:
                    clock.left()
                    children = self._visit(node) if self.settle is None else self._visit_bent(node)
                except clock.OutOfTime:
                    if self.settle is None:
                        raise
            if children is None:
                self.open = [node, *(other for _, _, other in waiting)]
                self.reported = min(self._left, *(cost for _, _, cost in self.open))
                return False
            done += 1
            for other in children[1:]:
                heapq.heappush(waiting, (other[2], next(order), other))
            node = children[0] if children else heapq.heappop(waiting)[2] if waiting else None
        self.reported = min(self.dearest, self._left)
        return True

    def bound_of(self, bounds: Bounds) -> Fraction | None:
        """A bound on what is in an open part; None where nothing is known of it."""
        program = self._within(bounds)
        return lower_bound(program, self._prices(program)) if self._solved(bounds) else None

    # A node whose leaves are proved.

    def _visit(self, node: _Node) -> list[_Node]:
        """Close a part, or split it."""
        part, bounds, _ = node
        possible = self._solved(bounds)
        least, values = (self.linear.cost, self.linear.values) if possible else (inf, ())
        split = self._fractional(values) if possible else ()
        if not len(split) or (self.cost is not None and least >= self.dearest - _CLOSE * abs(self.dearest)):
            found = self._closed(part, self._within(bounds), possible=possible)
            if found is None:
                return []
            least, values = float(found.cost), np.array(found.values)
            split = [j for j in self.counted if values[j].denominator != 1]
        j = self._chosen(bounds, values, split, least)
        return self._halves(part, bounds, j, floor(values[j]), least)

    def _closed(self, part: Part, program: Program, *, possible: bool) -> Vertex | None:
        """None where prices close a part, else its exact vertex. A whole one is the best and closes it."""
        if possible and self.cost is not None:
            part.prices = self._prices(program)
            bound = lower_bound(program, part.prices)
            if bound is not None and bound >= self.cost:
                return None
        found, refutation = settled(program, self.linear, possible=possible)
        if found is None:
            part.prices, part.empty = refutation, True
            return None
        part.prices = found.prices
        cheaper = self.cost is None or found.cost < self.cost
        if cheaper and any(found.values[j].denominator != 1 for j in self.counted):
            return found
        if cheaper:
            self.proof.best, self.cost = found, found.cost
        return None

    def _prices(self, program: Program) -> tuple[Fraction, ...]:
        """The solver's prices, rounded, without those that lean on a limit that does not exist."""
        return multipliers(program, self.linear.prices)

    # A node with cones.

    def _visit_bent(self, node: _Node) -> list[_Node]:
        """The nodes a node is split into, the one to go on with first; none where nothing cheaper is in it."""
        assert self.settle is not None
        part, bounds, _ = node
        split: Any = ()
        for rounds in range(_MOST_ROUNDS):
            if not self._solved(bounds) or self.linear.cost >= self.dearest:
                return []
            least, values = self.linear.cost, self.linear.values
            split = self._fractional(values)
            if (len(split) and rounds >= _ROUNDS) or not self._learn(values, _BROKEN if len(split) else _KEPT):
                break
        if len(split):
            j = self._chosen(bounds, values, split, least)
            return self._halves(part, bounds, j, floor(values[j]), least)
        counts = tuple(map(round, values[self.counted]))
        if counts not in self._settled:
            self._settled.add(counts)
            found = self.settle(values.tolist())
            if found is not None:
                self._learn(np.array([float(x) for x in found.values]))
            if found is not None and (self.cost is None or found.cost < self.cost):
                self.best, self.cost = found, found.cost
            return [node]
        for j, value in zip(map(int, self.counted), counts, strict=True):  # what is left beside these whole numbers
            lo, hi = self._around(bounds, j)
            if lo < hi:
                return self._halves(part, bounds, j, min(value, int(hi) - 1), least)
        self._left = min(self._left, least)
        return []

    def _learn(self, x: Any, least: float = -inf) -> bool:
        """Cut where these values of the variables break the cones by so much (see ``Bent.cuts``); False: no cut."""
        cuts = self.bent.cuts(x, least)
        for row in cuts:
            self.linear.add_row(row)
        return bool(cuts)

    # Bounds and splits.

    def _around(self, bounds: Bounds, j: int) -> tuple[Fraction, Fraction]:
        v = self.program.variables[j]
        return bounds.get(j, (v.lo, v.hi))

    def _within(self, bounds: Bounds) -> Program:
        variables = list(self.loose.variables)
        for j, (lo, hi) in bounds.items():
            variables[j] = replace(variables[j], lo=lo, hi=hi)
        return Program(tuple(variables), self.program.rows)

    def _arrays(self, bounds: Bounds) -> tuple[Any, Any]:
        lo, hi = self.linear.lo.copy(), self.linear.hi.copy()
        for j, (low, high) in bounds.items():
            lo[j], hi[j] = float(low), float(high)
        return lo, hi

    def _solved(self, bounds: Bounds) -> bool:
        """Solve within these bounds; False where there is no point."""
        return self.linear.within(*self._arrays(bounds))

    def _fractional(self, values: Any) -> Any:
        counts = values[self.counted]
        return self.counted[np.abs(counts - np.round(counts)) > _WHOLE]

    def _halves(self, part: Part, bounds: Bounds, j: int, down: int, least: float) -> list[_Node]:
        """Both sides of a variable. The upper one first: to use a lot leads to a batch sooner than not to."""
        lo, hi = self._around(bounds, j)
        part.j, part.down, part.below, part.above = j, down, Part(), Part()
        return [
            (part.above, {**bounds, j: (Fraction(down + 1), hi)}, least),
            (part.below, {**bounds, j: (lo, Fraction(down))}, least),
        ]

    def _chosen(self, bounds: Bounds, values: Any, split: Any, least: float) -> int:
        """The variable to split: one of which a side is ruled out at once, or what is expected to cost most."""
        best, most, tried = -1, -inf, 0
        parts = {int(j): float(values[j] % 1) for j in split}
        for j in sorted(parts, key=lambda j: (not self.yes_no[j], abs(parts[j] - 0.5), j)):
            if self.tries[:, j].min() < 1 and tried < _TRIED:
                tried += 1
                if max(self._tried(bounds, j, floor(values[j]), parts[j], least)) >= self.dearest:
                    return j
            mean = self.paid[:, j] / np.maximum(self.tries[:, j], 1)
            score = float(max(mean[0] * parts[j], _LEAST) * max(mean[1] * (1 - parts[j]), _LEAST))
            if score > most:
                best, most = j, score
        return best

    def _tried(self, bounds: Bounds, j: int, down: int, part: float, least: float) -> Iterator[float]:
        """Lower bounds on the cost on either side of a variable, by a few steps; what they cost is remembered."""
        lo, hi = self._around(bounds, j)
        top = self.dearest if self.dearest < inf else least + abs(least) + 1
        for up, side in enumerate(((lo, Fraction(down)), (Fraction(down + 1), hi))):
            cost = self.linear.least(*self._arrays({**bounds, j: side}), _STEPS)
            self.paid[up, j] += max(min(cost, top) - least, 0.0) / (1 - part if up else part)
            self.tries[up, j] += 1
            yield cost
