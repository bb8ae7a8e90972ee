"""One tree for whole numbers: what is cheapest, that nothing is cheaper, or that there is nothing.

Every node is a linear program (Land and Doig, Econometrica 28, 1960, 497-520). Which variable is split is decided by
what splitting it has cost so far, and before there is any such figure by trying (Achterberg, Koch and Martin,
Operations Research Letters 33, 2005, 42-54). Now and then a dive rounds one variable after the other for a point to
start from. Floating point only says where to split and which prices to try.

Every leaf is closed in exact arithmetic: its prices, whatever they are, prove a bound (safe dual bounds; Neumaier and
Shcherbina, Mathematical Programming 99, 2004, 283-296), or that it is empty (Farkas); first rounded and, where those
fall short, those of the exact vertex. What must hold beyond the rows is asked of whoever knows it where whole numbers
look like the best, and comes back as cuts, which hold in the whole tree (Quesada and Grossmann, Computers and Chemical
Engineering 16, 1992, 937-947).
"""

from __future__ import annotations

import heapq
import operator
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import count
from math import floor, inf
from typing import Any

import numpy as np

from constraints.as_typed import ZERO
from constraints.row import Floats, Row
from optimizer import clock
from optimizer.solver.exact import Vertex, lower_bound, multipliers, refuted_by, settled, unique
from optimizer.solver.program import ColumnKind, Program, SolverDisagrees, relaxed
from optimizer.solver.session import Session

LONGEST = 10_000
"""Nodes after which any search ends, whatever it is allowed: of 60 kitchens of 40 lots in packs none needs 1,000, and
300 lots all in packs under 30 requirements have no end that anyone waits for."""
_WHOLE = 1e-6
"""Distance from a whole number that floating point cannot tell from none."""
_CLOSE = 1e-7
"""Share of the cost within which a bound is worth exact prices."""
_RELIABLE = 4
"""Trials of a variable before what its splits have cost is believed."""
_TRIED, _STEPS = 20, 10
"""Variables tried out at a node, and steps of the simplex method for each trial, at most."""
_DEPTH, _UP = 100, 0.02
"""Variables rounded in a dive at most, and the part of a yes or no above which it is rounded up."""
_LEAST = 1e-6
"""Least change counted for a split, in costs of the dearest variable, so that one side without any does not hide the
other."""

Bounds = dict[int, tuple[Fraction, Fraction]]
"""Closer bounds of the variables that were split."""
Beyond = Callable[[Vertex], "tuple[Fraction | None, Sequence[Row]]"]
"""What else a point must keep: the least cost with its whole numbers (None: not known, or none) and cuts it breaks."""


@dataclass
class Branch:
    """A part of the choices: closed by ``prices``, which prove a bound (or with ``empty`` that there is nothing in it),
    or split at variable ``j`` into what is at most ``down`` and the rest.
    """

    prices: tuple[Fraction, ...] = ()
    empty: bool = False
    j: int = -1
    down: int = 0
    below: Branch | None = None
    above: Branch | None = None


@dataclass
class Proof:
    """The tree. ``closed``: it is whole and proves that nothing costs less than the ``best`` point met on the way.

    Without one it proves that nothing costs less than was claimed, or where nothing was, that there is no point.
    ``reported`` is a lower bound on the cost that is not proved, ``tied`` are the parts in which nothing dearer than
    the best need be.
    """

    root: Branch = field(default_factory=Branch)
    closed: bool = False
    best: Vertex | None = None
    reported: float = -inf
    tied: list[Bounds] = field(default_factory=list)
    held: bool = False
    """Whether the prices of the best are those with its whole numbers held."""


_Node = tuple[Branch, Bounds, float]
"""A part that is open, where it lies, and about what it costs at least."""


def prove(
    program: Program, cost: Fraction | None, nodes: float = inf, gap: Fraction = ZERO, *,
    within: Sequence[Bounds] = ({},), session: Session | None = None, beyond: Beyond | None = None,
    splits: Floats | None = None,
) -> Proof:  # fmt: skip
    """The cheapest point that costs less than ``cost`` (None: any point), with the proof that nothing is cheaper.

    As far as so many nodes and the command's time lead. With a ``gap`` nothing is cheaper by more than that share of
    the cost. ``within`` are the parts that are looked at; only all of them have a proof. ``session`` is the solver's of
    the program where there is one. What is ``beyond`` the rows keeps the best itself, and its costs count.
    ``splits`` (2 x 2 x variables) keep what splits have cost in searches of the same variables, and their number.
    """
    tree = _Tree(program, cost, min(nodes, LONGEST), gap, session or Session(relaxed(program)), beyond, splits)
    with suppress(SolverDisagrees):
        tree.proof.closed = tree.run(within)
    tree.linear.bounds(tree.linear.lo, tree.linear.hi)
    return tree.proof


@dataclass
class _Tree:
    """One search for what is cheaper than ``cost`` by the ``gap``, a share of it."""

    program: Program
    cost: Fraction | None
    most_nodes: float
    gap: Fraction
    linear: Session
    beyond: Beyond | None
    splits: Floats | None

    def __post_init__(self) -> None:
        program = self.program
        self.rows = list(program.rows)
        self.dear = max((abs(float(v.cost)) for v in program.variables), default=0.0) or 1.0
        self.loose = replace(relaxed(program), rows=self.rows)
        self.counted = np.array([j for j, v in enumerate(program.variables) if v.whole], dtype=int)
        self.yes_no = np.array([v.whole and v.lo >= 0 and v.hi <= 1 for v in program.variables])
        self.linked = np.array([v.kind is not ColumnKind.AMOUNT for v in program.variables])
        told = np.zeros((2, 2, len(program.variables))) if self.splits is None else self.splits
        self.paid, self.tries = told[0], told[1]
        self.proof = Proof()
        self._visited, self._diving = 0, self.cost is None and self.beyond is None

    @property
    def enough(self) -> Fraction | None:
        """Cost from which nothing is looked for; None where anything is."""
        return self.cost if self.cost is None or not self.gap else self.cost - self.gap * abs(self.cost)

    @property
    def dearest(self) -> float:
        """The same in floating point."""
        return inf if self.enough is None else float(self.enough)

    def run(self, within: Sequence[Bounds] = ({},)) -> bool:
        """Search, what may be cheapest first; False where nodes or time ran out before it was through."""
        order = count()
        parts = [self.proof.root, *(Branch() for _ in within[1:])]
        waiting = [(-inf, next(order), (part, bounds, -inf)) for part, bounds in zip(parts, within, strict=True)]
        node: _Node | None = None
        for done in count():
            if node is None and not waiting:
                break
            node = node or heapq.heappop(waiting)[2]
            children: list[_Node] | None = None
            with suppress(clock.OutOfTime):
                clock.left()
                children = self._visit(node) if done < self.most_nodes else None
            if children is None:
                self.proof.reported = min(node[2], *(cost for cost, *_ in waiting), inf)
                return False
            for other in children[1:]:
                heapq.heappush(waiting, (other[2], next(order), other))
            node = children[0] if children else None
        self.proof.reported = self.dearest
        return True

    def _visit(self, node: _Node) -> list[_Node]:
        """Close a part, or split it."""
        part, bounds, _ = node
        possible = False
        with suppress(SolverDisagrees):  # left unsettled it is settled in exact arithmetic
            possible = self._solved(bounds)
        least, values = (self.linear.cost, self.linear.values) if possible else (inf, ())
        self._visited += 1
        if possible and self._diving and self._visited.bit_count() == 1 and self._visited.bit_length() % 3 == 1:
            self._dive(bounds, values)
            self._solved(bounds)
        fractional = self._fractional(values).tolist() if possible else []
        split = [j for j in fractional if operator.lt(*self._around(bounds, j))]
        if not len(split) or (self.cost is not None and least >= self.dearest - _CLOSE * abs(self.dearest)):
            found = self._closed(part, bounds, possible=possible)
            if found is None:
                return []
            least, values = float(found.cost), np.array(found.values)
            split = [j for j in self.counted if values[j].denominator != 1]
            if not split:
                if self._cut(found):
                    return [node]
                beside = [j for j in self.counted.tolist() if operator.lt(*self._around(bounds, j))]
                return self._halves(part, bounds, beside[0], int(values[beside[0]]), least) if beside else []
        j = self._chosen(bounds, values, split, least)
        return self._halves(part, bounds, j, floor(values[j]), least)

    def _dive(self, bounds: Bounds, values: Any) -> None:
        """A point to start from: one variable after the other rounded, yes or no before counts, and sooner to yes."""
        lo, hi = self._arrays(bounds)
        for _ in range(_DEPTH):
            split = self._fractional(values)
            if not len(split):
                at = {int(j): (x, x) for j in self.counted for x in [Fraction(round(values[j]))]}
                found = settled(self._within(at), self.linear, possible=True)[0] if self._solved(at) else None
                if found is not None and (self.enough is None or found.cost < self.enough):
                    self.proof.best, self.cost, self.proof.tied, self.proof.held = found, found.cost, [], True
                return
            parts, yes_no = values[split] % 1, self.linked[split]
            upper = parts > np.where(yes_no, _UP, 0.5)
            k = int(np.argmax(np.where(upper, parts, -parts) + 2 * yes_no))
            j, down, before = split[k], floor(values[split[k]]), (lo[split[k]], hi[split[k]])
            for up in (upper[k], not upper[k]):
                lo[j], hi[j] = (down + 1, before[1]) if up else (before[0], down)
                if self.linear.within(lo, hi) and self.linear.cost < self.dearest:
                    break
            else:
                return
            values = self.linear.values

    def _closed(self, part: Branch, bounds: Bounds, *, possible: bool) -> Vertex | None:
        """None where prices close a part, else its exact vertex. A whole one is the best and closes it."""
        if possible and self.enough is not None:
            part.prices = multipliers(self.loose, self.linear.prices)
            bound = lower_bound(self.loose, part.prices, within=bounds)
            if bound is not None and bound >= self.enough:
                self.proof.tied += [bounds] if bound == self.cost else []
                return None
        part.prices = () if possible else refuted_by(self.loose, self.linear.ray, bounds)
        if part.prices:
            part.empty = True
            return None
        found, refutation = settled(self._within(bounds), self.linear, possible=possible)
        if found is None:
            part.prices, part.empty = refutation, True
            return None
        part.prices = found.prices
        whole = all(found.values[j].denominator == 1 for j in self.counted)
        cheaper = self.enough is None or found.cost < self.enough
        if cheaper and (not whole or self.beyond is not None):
            return found
        if cheaper:
            self.proof.best, self.cost, self.proof.tied, self.proof.held = found, found.cost, [], False
        if found.cost == self.cost:
            known = self.proof.best is not None and found.values == self.proof.best.values
            others = (whole and not known) or not unique(self.loose, found, bounds)
            self.proof.tied += [bounds] if others else []
        return None

    def _cut(self, found: Vertex) -> bool:
        """Ask what else what looks like the best must keep; True where its part is open after that."""
        cost, cuts = self.beyond(found) if self.beyond is not None else (None, ())
        for row in cuts:
            self.rows.append(row)
            self.linear.add_row(row)
        cheaper = cost is not None and (self.cost is None or cost < self.cost)
        self.cost = cost if cheaper else self.cost
        return cheaper or bool(cuts)

    # Bounds and splits.

    def _around(self, bounds: Bounds, j: int) -> tuple[Fraction, Fraction]:
        v = self.program.variables[j]
        return bounds.get(j, (v.lo, v.hi))

    def _within(self, bounds: Bounds) -> Program:
        variables = list(self.loose.variables)
        for j, (lo, hi) in bounds.items():
            variables[j] = replace(variables[j], lo=lo, hi=hi)
        return Program(tuple(variables), self.rows)

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

    def _halves(self, part: Branch, bounds: Bounds, j: int, down: int, least: float) -> list[_Node]:
        """Both sides of a variable. The upper one first: to use a lot leads to a batch sooner than not to."""
        lo, hi = self._around(bounds, j)
        down = min(max(down, int(lo)), int(hi) - 1)
        part.j, part.down, part.below, part.above = j, down, Branch(), Branch()
        upper, lower = (Fraction(down + 1), hi), (lo, Fraction(down))
        return [(part.above, {**bounds, j: upper}, least), (part.below, {**bounds, j: lower}, least)]

    def _chosen(self, bounds: Bounds, values: Any, split: Any, least: float) -> int:
        """The variable to split: one of which a side is ruled out at once, or what is expected to cost most."""
        best, most, tried = -1, -inf, 0
        parts = {int(j): float(values[j] % 1) for j in split}
        for j in sorted(parts, key=lambda j: (not self.yes_no[j], abs(parts[j] - 0.5), j)):
            if self.tries[:, j].min() < _RELIABLE and tried < _TRIED:
                tried += 1
                if max(self._tried(bounds, j, floor(values[j]), parts[j], least)) >= self.dearest:
                    return j
            mean = self.paid[:, j] / np.maximum(self.tries[:, j], 1)
            below, above = np.maximum(mean / self.dear * (parts[j], 1 - parts[j]), _LEAST).tolist()
            score = below * above
            if score > most:
                best, most = j, score
        return best

    def _tried(self, bounds: Bounds, j: int, down: int, part: float, least: float) -> Iterator[float]:
        """Lower bounds on the cost on either side of a variable, by a few steps; what they cost is remembered."""
        lo, hi = self._around(bounds, j)
        top = self.dearest if self.dearest < inf else least + abs(least) + self.dear
        for up, side in enumerate(((lo, Fraction(down)), (Fraction(down + 1), hi))):
            possible = self.linear.within(*self._arrays({**bounds, j: side}), _STEPS)
            cost = self.linear.cost if possible else inf
            self.paid[up, j] += max(min(cost, top) - least, 0.0) / (1 - part if up else part)
            self.tries[up, j] += 1
            yield cost
