"""Newton's method on the conditions of optimality: from a rough optimum to one as good as floating point allows.

Nothing here is trusted: the result only says where exact cuts are laid and near which point an exact batch is sought.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from constraints.cone import Cone
from optimizer.solver.model import Program

_STEPS = 12
"""Steps after which the start was too far off."""
_STILL = 3
"""Steps on one spot after which it is taken as settled, although what rests there changes: some of it is idle."""
_NEAR = 1e-7
"""Distance to a bound or a row's limit, as a share of its scale, at which it is taken as reached."""
_DONE = 1e-11
_ROUGH = 0.05
"""Shortfall, as a share of the room needed, within which a cone is taken as reached at the start."""


def polish(arrays: Arrays, start: Sequence[float]) -> tuple[float, ...] | None:
    """The optimum near a start, or None where Newton's method does not settle there."""
    import numpy as np

    with np.errstate(all="ignore"):
        search = _Search(arrays, start)
        for _ in range(_STEPS):
            if not search.step():
                return None
            if search.done:
                return tuple(search.x.tolist())
    return None


@dataclass
class Arrays:
    """A program with cones as float arrays; rows are ``lo <= rows . x <= hi``."""

    cost: Any
    lo: Any
    hi: Any
    rows: Any
    row_lo: Any
    row_hi: Any
    coefs: Any
    limits: Any
    errors: list[Any]

    def shortfalls(self, x: Sequence[float]) -> Any:
        """By how much each cone is broken, as a share of the room it needs; zero or less where it is kept."""
        import numpy as np

        need = np.array([np.linalg.norm(matrix @ x) for matrix in self.errors])
        return (self.coefs @ x + need - self.limits) / np.maximum(need, 1e-12)

    @classmethod
    def of(cls, program: Program, cones: Sequence[Cone]) -> Arrays:
        """The arrays of a program, whole numbers left aside."""
        import numpy as np

        size = len(program.variables)
        rows = np.zeros((len(program.rows), size))
        for i, row in enumerate(program.rows):
            for j, coef in row.floats:
                rows[i, j] = coef
        errors = []
        for cone in cones:
            matrix = np.zeros((len(cone.errors), size))
            for k, source in enumerate(cone.errors):
                for j, a in source:
                    matrix[k, j] = float(cone.z * a)
            errors.append(matrix)
        return cls(
            cost=np.array([float(v.cost) for v in program.variables]),
            lo=np.array([float(v.lo) for v in program.variables]),
            hi=np.array([float(v.hi) for v in program.variables]),
            rows=rows,
            row_lo=np.array([-np.inf if row.lo is None else float(row.lo) for row in program.rows]),
            row_hi=np.array([np.inf if row.hi is None else float(row.hi) for row in program.rows]),
            coefs=np.array([[float(a) for a in cone.coefs] for cone in cones]).reshape(-1, size),
            limits=np.array([float(cone.limit) for cone in cones]),
            errors=errors,
        )


class _Search:
    """Where the search stands: a point, and which bounds, rows and cones are taken as reached."""

    def __init__(self, arrays: Arrays, start: Sequence[float]) -> None:
        import numpy as np

        self.np, self.a = np, arrays
        self.x = np.clip(np.array(start, dtype=float), arrays.lo, arrays.hi)
        near = _NEAR * (1 + arrays.hi - arrays.lo)
        self.low = self.x <= arrays.lo + near
        self.high = (self.x >= arrays.hi - near) & ~self.low
        activity = arrays.rows @ self.x
        scale = _NEAR * (1 + np.abs(arrays.rows) @ np.abs(self.x))
        self.side = np.where(activity >= arrays.row_hi - scale, 1, np.where(activity <= arrays.row_lo + scale, -1, 0))
        slack, need = self._slacks()
        self.reached = slack >= -_ROUGH * need
        self.weight = np.where(self.reached, 1.0, 0.0)
        self.first, self.done = True, False
        self.still = 0

    def step(self) -> bool:
        """One step; False where it leads nowhere."""
        np, a = self.np, self.a
        slack, need = self._slacks()
        if (need[self.reached] <= 0).any():
            return False
        free = np.flatnonzero(~self.low & ~self.high)
        active = np.flatnonzero(self.side)
        cones = np.flatnonzero(self.reached)
        gradients = np.array([self._gradient(c) for c in cones]).reshape(-1, len(self.x))
        jacobian = np.vstack([a.rows[active], gradients])
        if self.first:
            start = np.linalg.lstsq(jacobian[:, free].T, -a.cost[free], rcond=None)[0]
            self.weight[cones] = np.maximum(start[len(active) :], 1e-3)
            self.first = False
        limits = np.where(self.side[active] > 0, a.row_hi[active], a.row_lo[active])
        wanted = np.concatenate([limits - a.rows[active] @ self.x, -slack[cones]])
        bend = sum((self.weight[c] * self._bend(c, free) for c in cones), np.zeros((len(free), len(free))))
        edge = jacobian[:, free]
        system = np.block([[bend, edge.T], [edge, np.zeros((len(edge), len(edge)))]])
        solved = np.linalg.lstsq(system, np.concatenate([-a.cost[free], wanted]), rcond=1e-13)[0]
        if not np.isfinite(solved).all():
            return False
        move, prices = solved[: len(free)], solved[len(free) :]
        missed = np.abs(edge @ move - wanted).max(initial=0.0) > _NEAR * (1 + np.abs(wanted).max(initial=0.0))
        self._move(free, move)
        changed = self._change_sets(active, cones, prices, jacobian)
        small = np.abs(move).max(initial=0.0) <= _DONE * (1 + np.abs(self.x).max(initial=0.0))
        self.still = self.still + 1 if small and not missed else 0
        self.done = bool(small and not missed and (not changed or self.still >= _STILL))
        return not (small and missed and not changed)

    def _slacks(self) -> tuple[Any, Any]:
        """By how much each cone is broken (below zero: kept), and the room it needs."""
        np = self.np
        need = np.array([np.linalg.norm(matrix @ self.x) for matrix in self.a.errors])
        return self.a.coefs @ self.x + need - self.a.limits, need

    def _gradient(self, c: int) -> Any:
        matrix = self.a.errors[c]
        v = matrix @ self.x
        return self.a.coefs[c] + matrix.T @ v / self.np.linalg.norm(v)

    def _bend(self, c: int, free: Any) -> Any:
        matrix = self.a.errors[c]
        v = matrix @ self.x
        length = self.np.linalg.norm(v)
        part, along = matrix[:, free], matrix[:, free].T @ v / length
        return (part.T @ part - self.np.outer(along, along)) / length

    def _move(self, free: Any, move: Any) -> None:
        """Take the step, and rest on the bounds it runs into."""
        self.x[free] += move
        self.low |= self.x < self.a.lo
        self.high |= self.x > self.a.hi
        self.x = self.np.clip(self.x, self.a.lo, self.a.hi)

    def _change_sets(self, active: Any, cones: Any, prices: Any, jacobian: Any) -> bool:
        """Let go of what has a price of the wrong sign, take hold of what is broken. True where anything changed."""
        np, a = self.np, self.a
        before = (self.low.copy(), self.high.copy(), self.side.copy(), self.reached.copy())
        self.weight[:] = 0
        self.weight[cones] = np.maximum(prices[len(active) :], 0)
        rest = a.cost + jacobian.T @ prices
        tolerance = 1e-9 * (1 + np.abs(a.cost).max(initial=0.0))
        fixed = a.lo >= a.hi
        self.low &= (rest >= -tolerance) | fixed
        self.high &= (rest <= tolerance) | fixed
        for i, price in zip(active, prices, strict=False):
            if a.row_lo[i] != a.row_hi[i] and price * self.side[i] < -tolerance:
                self.side[i] = 0
        for c, price in zip(cones, prices[len(active) :], strict=True):
            self.reached[c] = price > 0
        activity = a.rows @ self.x
        scale = 1e-9 * (1 + np.abs(a.rows) @ np.abs(self.x))
        self.side[(activity > a.row_hi + scale)] = 1
        self.side[(activity < a.row_lo - scale)] = -1
        slack, need = self._slacks()
        broken = slack > 1e-9 * (1 + need)
        self.weight[broken & ~self.reached] = 1e-3
        self.reached |= broken
        after = (self.low, self.high, self.side, self.reached)
        return any((old != new).any() for old, new in zip(before, after, strict=True))
