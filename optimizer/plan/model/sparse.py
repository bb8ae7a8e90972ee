"""A large program kept twice: as arrays of floats for the solver, and as whole numbers for the proof.

Every coefficient of a row is a whole number over the row's own denominator, so that a certificate can add up millions
of products without a single fraction. Columns are added in blocks, and none may be negative.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, TypeAlias

import numpy as np

from constraints.vector import Floats, Vector

Label: TypeAlias = tuple[Any, ...]
"""What a row stands for; the first entry is the kind, in one word, or a limit of the kitchen."""
Whole: TypeAlias = "np.ndarray[Any, np.dtype[np.int64]]"
Exact: TypeAlias = "np.ndarray[Any, np.dtype[np.object_]]"
"""An array of Python integers or of Fractions."""

_ZERO = Fraction(0)


def exact_array(values: Sequence[Any]) -> Exact:
    """An array of Python objects, one a value."""
    found = np.empty(len(values), dtype=object)
    found[:] = values
    return found


@dataclass
class Row:
    """``lo <= coefs . x[columns] <= hi``; None is no limit."""

    label: Label
    columns: Whole
    coefs: Vector
    lo: Fraction | None
    hi: Fraction | None


@dataclass
class Sparse:
    """Minimise ``cost . x + constant`` between bounds and subject to the rows."""

    rows: list[Row] = field(default_factory=list)
    size: int = 0
    constant: Fraction = _ZERO
    _cost: list[Floats] = field(default_factory=list)
    _cost_parts: list[tuple[Exact, ...]] = field(default_factory=list)
    _hi: list[Floats] = field(default_factory=list)
    _hi_parts: list[tuple[Exact, ...]] = field(default_factory=list)
    _whole: list[Whole] = field(default_factory=list)

    def block(self, costs: Sequence[Exact], most: Sequence[Exact], floats: tuple[Floats, Floats]) -> int:
        """Add columns from 0 up: the cost of each is the sum of its ``costs``, its bound the least of its ``most``.

        ``floats`` are the same cost and bound in floating point. Returns the first column's place.
        """
        start = self.size
        self._cost.append(floats[0])
        self._hi.append(floats[1])
        self._cost_parts.append(tuple(costs))
        self._hi_parts.append(tuple(most))
        self._whole.append(np.zeros(len(floats[0]), dtype=np.int64))
        self.size += len(floats[0])
        return start

    def column(self, cost: Fraction, hi: Fraction, *, whole: bool = False) -> int:
        """Add one column; returns its place."""
        at = self.block(
            [exact_array([cost])], [exact_array([hi])], (np.array([float(cost)]), np.array([float(hi)]))
        )  # fmt: skip
        self._whole[-1] = np.array([int(whole)], dtype=np.int64)
        return at

    def row(
        self,
        label: Label,
        columns: Sequence[int] | Whole,
        coefs: Vector | Sequence[Fraction | int],
        lo: Fraction | None = None,
        hi: Fraction | None = None,
    ) -> int:
        """Add a row; returns its place."""
        found = coefs if isinstance(coefs, Vector) else Vector.of(coefs)
        self.rows.append(Row(label, np.asarray(columns, dtype=np.int64), found, lo, hi))
        return len(self.rows) - 1

    def extend_row(self, at: int, column: int, coef: int) -> None:
        """Let one more column, with a whole coefficient, into a row."""
        row = self.rows[at]
        old = row.coefs
        row.columns = np.append(row.columns, column)
        row.coefs = old.joined(Vector.of([coef]))

    def without_cost(self) -> Sparse:
        """A copy in which every column costs nothing, to ask another question of the same rows."""
        trial = copy(self)
        trial._cost, trial._cost_parts = list(self._cost), list(self._cost_parts)
        trial.free_of_cost()
        return trial

    def free_of_cost(self) -> None:
        """Let every column cost nothing: for a search of the smallest change instead of the least money."""
        self.constant = _ZERO
        for k, part in enumerate(self._cost):
            self._cost[k] = np.zeros(len(part))
            self._cost_parts[k] = (np.full(len(part), _ZERO, dtype=object),)

    @property
    def cost(self) -> Floats:
        """Cost of every column."""
        return _joined(self._cost)

    @property
    def hi(self) -> Floats:
        """Upper bound of every column."""
        return _joined(self._hi)

    @property
    def whole(self) -> Whole:
        """1 where a column takes whole numbers only."""
        return np.concatenate(self._whole) if self._whole else np.zeros(0, dtype=np.int64)

    @property
    def block_of_column(self) -> Whole:
        """Number of the block that each column was added in."""
        return np.repeat(np.arange(len(self._cost)), [len(part) for part in self._cost])

    @property
    def has_whole(self) -> bool:
        """True where any column takes whole numbers only."""
        return any(bool(part.any()) for part in self._whole)

    def cost_floors(self, bits: int) -> Exact:
        """Each column's cost times ``2 ** bits``, rounded down part by part to a Python integer."""

        def down(value: Fraction) -> int:
            return (value.numerator << bits) // value.denominator

        floor = np.frompyfunc(down, 1, 1)
        blocks = [sum((floor(part) for part in parts[1:]), floor(parts[0])) for parts in self._cost_parts]
        return np.concatenate(blocks) if blocks else exact_array([])

    def _places(self, at: Sequence[int] | Whole) -> Iterator[tuple[int, int]]:
        """Block of each column, and its place there."""
        starts = np.cumsum([0, *(len(part) for part in self._cost)])
        blocks = np.searchsorted(starts, np.asarray(at), side="right") - 1
        return ((int(block), int(column - starts[block])) for column, block in zip(at, blocks, strict=True))

    def exact_cost(self, at: Sequence[int], values: Sequence[Fraction]) -> Fraction:
        """Exact cost of some columns at these values, without the constant."""
        found = zip(self._places(at), values, strict=True)
        return sum((x * sum((part[k] for part in self._cost_parts[b]), _ZERO) for (b, k), x in found), _ZERO)

    def exact_hi(self, at: Sequence[int]) -> list[Fraction]:
        """Exact upper bounds of some columns."""
        return [min(part[k] for part in self._hi_parts[b]) for b, k in self._places(at)]

    def set_cost(self, column: int, cost: Fraction) -> None:
        """Put a new cost on a column that was added alone."""
        ((block, _),) = self._places([column])
        self._cost[block], self._cost_parts[block] = np.array([float(cost)]), (exact_array([cost]),)


def _joined(parts: list[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.zeros(0)
