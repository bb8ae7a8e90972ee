"""A cone as linear rows: one further figure a source of error, each held from below by tangents.

For a cone ``margin >= ||w||`` with ``w = z * errors of x``, let ``t`` be the margin and ``y_k`` at least ``w_k^2 / t``;
then the cone is ``sum y_k <= t``. Each ``y_k`` is convex in two figures only, so few tangents describe it:
``y_k >= 2 r w_k - r^2 t`` for any number r whatever, because ``(w_k - r t)^2 >= 0``. A tangent learnt for one lot then
counts in every mixture (Vielma, Dunning, Huchette and Lubin, Mathematical Programming Computation 9, 2017, 369-418).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import hypot

from constraints.cone import Cone
from constraints.row import Row
from optimizer.solver.model import Program, Variable

_ZERO = Fraction(0)
_ONE = Fraction(1)
_GRID = 2**16
"""Tangents lie at multiples of one part in so many."""


@dataclass
class Tangents:
    """The tangents learnt so far, by cone and source; a cone without any is left out of the program."""

    cones: tuple[Cone, ...]
    learnt: dict[int, dict[int, set[int]]] = field(default_factory=dict)

    def learn(self, x: Sequence[float], *, near: float = 0.0) -> int:
        """Add tangents where these values of the variables break a cone; the number of new ones.

        With ``near``, also where a cone is kept by no more than this share of the room it needs.
        Between the new tangent of a source and its neighbours on either side one more is laid half way, because the
        next solution lies there.
        """
        added = 0
        for c, cone in enumerate(self.cones):
            spread = [sum(float(a) * x[j] for j, a in source) for source in cone.errors]
            length = hypot(*spread)
            margin = float(cone.limit) - sum(float(a) * v for a, v in zip(cone.coefs, x, strict=True) if a and v)
            if length and float(cone.z) * length * (1 + near) > margin:
                added += self._add(c, ((k, part / length) for k, part in enumerate(spread)))
        return added

    def program(self, base: Program) -> Program:
        """The base program with the cones in use as linear rows; its variables come first."""
        variables = list(base.variables)
        rows: list[tuple[str, dict[int, Fraction], Fraction]] = []
        for c, tangents in self.learnt.items():
            rows += self._rows(self.cones[c], tangents, base, variables)
        size = len(variables)
        padded = [row.wider(size - len(row.coefs)) for row in base.rows]
        for label, terms, limit in rows:
            coefs = [_ZERO] * size
            for j, a in terms.items():
                coefs[j] = a
            padded.append(Row(label, tuple(coefs), None, limit))
        return Program(tuple(variables), tuple(padded))

    def _add(self, c: int, marks: Iterable[tuple[int, float]]) -> int:
        sources = self.learnt.setdefault(c, {})
        added = 0
        for k, mark in marks:
            count = round(mark * _GRID)
            known = sources.setdefault(k, set())
            if not count or count in known:
                continue
            below = max((other for other in known if other < count), default=min(0, 2 * count))
            above = min((other for other in known if other > count), default=max(0, 2 * count))
            known.add(count)
            added += 1
            known.update({(below + count) // 2, (above + count) // 2} - {0})
        return added

    def _rows(
        self, cone: Cone, tangents: dict[int, set[int]], base: Program, variables: list[Variable]
    ) -> list[tuple[str, dict[int, Fraction], Fraction]]:
        """The rows of one cone; its further variables are added to the list."""
        most = cone.limit - sum((min(a * v.lo, a * v.hi) for a, v in zip(cone.coefs, base.variables, strict=True) if a))
        room = max(most, _ZERO)
        margin = len(variables)
        variables.append(Variable(f"margin of {cone.label}", _ZERO, _ZERO, room))
        rows = [(cone.label, {**{j: a for j, a in enumerate(cone.coefs) if a}, margin: _ONE}, cone.limit)]
        whole = {margin: -_ONE}
        idle = {j for j, v in enumerate(base.variables) if v.lo == v.hi == 0}
        for k, counts in sorted(tangents.items()):
            if all(j in idle for j, _ in cone.errors[k]):
                continue
            part = len(variables)
            variables.append(Variable(f"error {k} of {cone.label}", _ZERO, _ZERO, room))
            whole[part] = _ONE
            for count in sorted(counts):
                r = Fraction(count, _GRID)
                terms = {j: 2 * r * cone.z * a for j, a in cone.errors[k]}
                rows.append((f"error {k} of {cone.label}", {**terms, margin: -r * r, part: -_ONE}, _ZERO))
        rows.append((f"error of {cone.label}", whole, _ZERO))
        return rows
