"""Whole numbers and cones in one tree: branch and bound on linear programs that are cut where they break a cone.

Every node is a linear program (Land and Doig, Econometrica 28, 1960, 497-520). Its cuts hold in the whole tree, so the
tree is searched once only (Quesada and Grossmann, Computers and Chemical Engineering 16, 1992, 937-947). Which variable
is split is decided by what splitting it has cost so far, and before there is any such figure by trying (Achterberg,
Koch and Martin, Operations Research Letters 33, 2005, 42-54).

All of it is floating point: whole numbers that look like the best are handed to ``settle``, which makes an exact batch
of them or refuses, and only what it returns counts. That nothing cheaper is left is reported and not proved.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import count
from math import ceil, floor, inf
from typing import TYPE_CHECKING, Any

from constraints.cone import Cone
from optimizer import clock
from optimizer.solver.conic import Bent
from optimizer.solver.model import Program
from optimizer.solver.session import Point, Session

if TYPE_CHECKING:
    from optimizer.solver.optimum import Optimum

_WHOLE = 1e-6
"""Distance from a whole number that floating point cannot tell from none."""
_KEPT = 1e-6
"""Shortfall, as a share of the room a cone needs, taken as none where all whole numbers are whole."""
_BROKEN = 1e-3
"""Shortfall that gets a cut at a node that is split anyway."""
_ROUNDS = 3
"""Rounds of cuts at a node that is split anyway."""
_MOST_ROUNDS = 30
"""Rounds of cuts at any node."""
_TRIED = 20
"""Variables tried out at a node, at most."""
_STEPS = 10
"""Steps of the simplex method for each trial."""
_ALIKE = 1e-8
"""Share of the cost by which another batch must be cheaper to be looked for."""
_LEAST = 1e-6
"""Least change of cost counted for a split, so that one side without any does not hide the other."""

Settle = Callable[[Sequence[float]], "Optimum | None"]
"""The cheapest exact batch with the whole numbers of a point, or None where there is none."""


@dataclass(frozen=True)
class _Node:
    """Bounds of the variables (float arrays), and a lower bound on the cost within them."""

    lo: Any
    hi: Any
    cost: float = -inf


class Tree:
    """One search. ``best`` is the cheapest batch so far, ``reported`` a lower bound on the cost of any other."""

    def __init__(
        self,
        program: Program,
        cones: Sequence[Cone],
        settle: Settle,
        *,
        most_nodes: float = inf,
        dearest: float = inf,
    ) -> None:
        """Only a batch cheaper than ``dearest`` is looked for."""
        import numpy as np

        self.np, self.settle = np, settle
        self.linear = Session(program)
        self.bent = Bent(cones, len(program.variables))
        self.whole = np.array([j for j, v in enumerate(program.variables) if v.whole], dtype=int)
        self.yes_no = np.array([v.whole and v.lo >= 0 and v.hi <= 1 for v in program.variables])
        self.most_nodes = most_nodes
        self.paid, self.tries = np.zeros((2, len(program.variables))), np.zeros((2, len(program.variables)))
        self.best: Optimum | None = None
        self.dearest, self.reported = dearest, -inf
        self.nodes = 0
        self._root: Point | None = None
        self._closed = inf
        self._lo, self._hi = self.linear.lo.copy(), self.linear.hi.copy()

    def run(self) -> bool:
        """Search; False where time or nodes ran out before it was known that nothing cheaper is left."""
        waiting: list[tuple[float, int, _Node]] = []
        node: _Node | None = _Node(self._lo.copy(), self._hi.copy())
        order = count()
        while node is not None:
            children = self._visited(node)
            if children is None:
                self.reported = min([node.cost, self._closed, *(cost for cost, _, _ in waiting)])
                return False
            for other in children[1:]:
                heapq.heappush(waiting, (other.cost, next(order), other))
            node = children[0] if children else None
            while node is None and waiting:
                cost, _, other = heapq.heappop(waiting)
                node = other if cost < self.dearest else None
        self.reported = min(self.dearest, self._closed)
        return True

    def _visited(self, node: _Node) -> list[_Node] | None:
        """The nodes a node is split into; None where time or nodes ran out first."""
        if clock.over() or self.nodes >= self.most_nodes:
            return None
        self.nodes += 1
        try:
            return self._visit(node)
        except clock.OutOfTime:
            return None

    def learn(self, x: Any, least: float = -inf) -> bool:
        """Cut where these values of the variables break the cones by so much (see ``Bent.cuts``); False: no cut."""
        cuts = self.bent.cuts(self.np.asarray(x, dtype=float), least)
        for row in cuts:
            coefs = self.np.zeros(len(self.linear.lo))
            for j, a in row.floats:
                coefs[j] = a
            self.linear.add_row(coefs, -inf, inf if row.hi is None else float(row.hi))
        return bool(cuts)

    # One node.

    def _visit(self, node: _Node) -> list[_Node]:
        """The nodes a node is split into, the one to go on with first; none where nothing cheaper is in it."""
        np = self.np
        lo, hi = np.maximum(node.lo, self._lo), np.minimum(node.hi, self._hi)
        seen: Any = None
        while not (lo > hi).any():
            point = self._cheapest(lo, hi)
            if point is None:
                return []
            split = self._fractional(point.values)
            if len(split):
                chosen = self._chosen(lo, hi, point, split)
                if chosen is None:
                    return []
                j, surer = chosen
                if surer is None:
                    return self._halves(lo, hi, point, j)
                lo, hi = surer
                continue
            counts = np.round(point.values[self.whole])
            if seen is not None and (counts == seen).all():
                self._closed = min(self._closed, point.cost)
                return []
            seen = counts
            found = self.settle(point.values.tolist())
            if found is None:
                return self._without(lo, hi, point, counts)
            self._take(found)
        return []

    def _cheapest(self, lo: Any, hi: Any) -> Point | None:
        """The cheapest point of the linear program with cuts; None where it is no cheaper than the best batch."""
        for rounds in range(_MOST_ROUNDS):
            point = self.linear.cheapest(lo, hi)
            if point is None or point.cost >= self.dearest:
                return None
            if self._root is None:
                self._root = point
                self._narrow()
            split = len(self._fractional(point.values)) > 0
            if split and rounds >= _ROUNDS:
                break
            if not self.learn(point.values, _BROKEN if split else _KEPT):
                break
        return point

    def _fractional(self, x: Any) -> Any:
        counts = x[self.whole]
        return self.whole[self.np.abs(counts - self.np.round(counts)) > _WHOLE]

    def _take(self, found: Optimum) -> None:
        """Keep a batch if it is the cheapest."""
        self.learn(list(map(float, found.values)))
        if self.best is not None and found.cost >= self.best.cost:
            return
        self.best = found
        cost = float(found.cost)
        self.dearest = cost - _ALIKE * abs(cost)
        self._narrow()

    def _narrow(self) -> None:
        """Leave out what the prices of the first linear program rule out in any cheaper batch."""
        if self._root is None or self.dearest == inf:
            return
        np, rest = self.np, self._root.rest
        room = max(self.dearest - self._root.cost, 0.0) * (1 + _ALIKE) + _ALIKE
        with np.errstate(all="ignore"):
            reach = np.where(np.abs(rest) > _ALIKE, room / np.abs(rest), inf)
        for j in self.whole[reach[self.whole] < inf]:
            if rest[j] > 0:
                self._hi[j] = min(self._hi[j], floor(self.linear.lo[j] + reach[j] + _WHOLE))
            else:
                self._lo[j] = max(self._lo[j], ceil(self.linear.hi[j] - reach[j] - _WHOLE))

    # Splitting.

    def _chosen(self, lo: Any, hi: Any, point: Point, split: Any) -> tuple[int, tuple[Any, Any] | None] | None:
        """The variable to split; with closer bounds instead where one side is empty; None where both are."""
        best, most, tried = -1, -inf, 0
        for j in sorted(split, key=lambda j: (not self.yes_no[j], abs(point.values[j] % 1 - 0.5), j)):
            if self.tries[:, j].min() < 1 and tried < _TRIED:
                tried += 1
                sides = self._try(lo, hi, point, j)
                open_sides = [side for side in (0, 1) if sides[side] < self.dearest]
                if not open_sides:
                    return None
                if len(open_sides) == 1:
                    return j, self._side(lo, hi, point, j, open_sides[0])
            score = self._score(point, j)
            if score > most:
                best, most = int(j), score
        return best, None

    def _try(self, lo: Any, hi: Any, point: Point, j: int) -> list[float]:
        """Lower bounds on the cost on either side of a variable."""
        costs, part = [], point.values[j] % 1
        for up in (0, 1):
            cost = self.linear.least(*self._side(lo, hi, point, j, up), _STEPS)
            costs.append(cost)
            top = self.dearest if self.dearest < inf else point.cost + abs(point.cost) + 1
            self.paid[up, j] += max(min(cost, top) - point.cost, 0.0) / (1 - part if up else part)
            self.tries[up, j] += 1
        return costs

    def _score(self, point: Point, j: int) -> float:
        part = point.values[j] % 1
        mean = self.paid[:, j] / self.np.maximum(self.tries[:, j], 1)
        return float(max(mean[0] * part, _LEAST) * max(mean[1] * (1 - part), _LEAST))

    def _side(self, lo: Any, hi: Any, point: Point, j: int, up: int) -> tuple[Any, Any]:
        """The bounds below (0) or above (1) a variable's value."""
        if up:
            lo = lo.copy()
            lo[j] = ceil(point.values[j])
        else:
            hi = hi.copy()
            hi[j] = floor(point.values[j])
        return lo, hi

    def _halves(self, lo: Any, hi: Any, point: Point, j: int) -> list[_Node]:
        """Both sides of a variable. The upper one first: to use a lot leads to a batch sooner than not to."""
        return [_Node(*self._side(lo, hi, point, j, side), point.cost) for side in (1, 0)]

    def _without(self, lo: Any, hi: Any, point: Point, counts: Any) -> list[_Node]:
        """What is left where whole numbers leave no exact batch: the other values of one that is not fixed."""
        left = [(int(j), value) for j, value in zip(self.whole, counts, strict=True) if lo[j] < hi[j]]
        if not left:
            return []
        j, value = left[0]
        nodes = []
        for low, high in ((value, value), (lo[j], value - 1), (value + 1, hi[j])):
            if low <= high:
                below, above = lo.copy(), hi.copy()
                below[j], above[j] = low, high
                nodes.append(_Node(below, above, point.cost))
        return nodes
