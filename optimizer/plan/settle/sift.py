"""Sifting: a linear program with many more columns than rows, solved over the few columns that matter.

A week has a column for every lot and batch, and a row for every limit; nearly all columns end at zero. The solver sees
some of each batch's columns first. Its prices then show which of the others would make the plan cheaper, those are
added, and where none would, the solution is the optimum of the whole program (Bixby, Gregory, Lustig, Marsten and
Shanno, Operations Research 40(5), 1992; from memory). Rows that the first columns cannot reach are filled by
artificial columns at a price no plan would pay; where one stays, the caller solves the whole program instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from constraints.row import Floats, Places
from optimizer.clock import OutOfTime
from optimizer.solver.model import Model
from optimizer.solver.session import Matrix, Session

COLUMNS_PER_ROW = 4
"""Least columns a row for which sifting is worth it."""
FEWEST_COLUMNS = 1500
"""Least columns for which it is."""
FIRST, MORE = 12, 20
"""Columns of a block at the start, and at most so many more a round: on weeks of 200 x 50 to 2,000 x 200 sifting then
took a third to a half of the time of the best method on the whole matrix (tests/benchmark_plan.py)."""
_ROUNDS = 200
_PRICIER = 1e3
"""Price of an artificial column, as a multiple of the dearest real one."""
_TOLERANCE = 1e-7
"""Reduced cost, in money, from which a column counts as making the plan cheaper: the solver's own tolerance."""


@dataclass(frozen=True)
class ByColumn:
    """A program's rows column by column: of column j the entries ``starts[j]`` to ``starts[j + 1]``."""

    starts: Places
    rows: Places
    values: Floats

    @classmethod
    def of(cls, size: int, matrix: Matrix) -> ByColumn:
        """Turn a matrix given row by row."""
        order = np.argsort(matrix.columns, kind="stable")
        counts = np.bincount(matrix.columns, minlength=size)
        rows = np.repeat(np.arange(len(matrix.lo)), np.diff(matrix.starts))
        return cls(np.concatenate([[0], np.cumsum(counts)]), rows[order], matrix.values[order])

    def part(self, columns: Places) -> ByColumn:
        """Some of the columns."""
        counts = self.starts[columns + 1] - self.starts[columns]
        starts = np.concatenate([[0], np.cumsum(counts)])
        entries = np.repeat(self.starts[columns] - starts[:-1], counts) + np.arange(starts[-1])
        return ByColumn(starts, self.rows[entries], self.values[entries])

    def paid(self, prices: Floats) -> Floats:
        """What the rows pay for one unit of each column."""
        owner = np.repeat(np.arange(len(self.starts) - 1), np.diff(self.starts))
        paid = np.bincount(owner, weights=prices[self.rows] * self.values, minlength=len(self.starts) - 1)
        return np.asarray(paid, dtype=np.float64)


def worth_sifting(program: Model) -> bool:
    """True for a large program with many more columns than rows."""
    return program.size >= max(FEWEST_COLUMNS, COLUMNS_PER_ROW * len(program.rows))


def sift(session: Session, blocks: Places) -> tuple[Floats, Floats, Floats] | None:
    """Values of all columns, prices of the rows and reduced costs at the optimum of a linear program.

    ``blocks`` are the blocks of the columns. The program is not loaded yet. None says nothing of it: it may have no
    solution, or the solver was stopped.
    """
    search = _Search(session, blocks)
    for _ in range(_ROUNDS):
        try:
            if not session.run() or session.stopped:
                return None
        except OutOfTime:
            return None
        prices = session.prices
        rest = search.cost - search.matrix.paid(prices)
        new = search.worth_adding(rest)
        if not len(new):
            values = search.values()
            return None if values is None else (values, prices, rest)
        search.add(new)
    return None


class _Search:
    """The solver with the columns it has been shown, after artificial ones for the rows that zero does not keep."""

    def __init__(self, session: Session, blocks: Places) -> None:
        self.highs, self.block = session.highs, blocks
        self.cost, _, self.most, _ = session.columns
        matrix = session.matrix
        self.matrix = ByColumn.of(len(self.cost), matrix)
        rows, none = len(matrix.lo), np.zeros(0, dtype=np.int32)
        self.highs.addRows(rows, matrix.lo, matrix.hi, 0, np.zeros(rows, dtype=np.int32), none, np.zeros(0))
        short, over = np.flatnonzero(matrix.lo > 0), np.flatnonzero(matrix.hi < 0)
        self.artificial = len(short) + len(over)
        signs = np.concatenate([np.ones(len(short)), -np.ones(len(over))])
        part = ByColumn(np.arange(self.artificial + 1), np.concatenate([short, over]), signs)
        price = _PRICIER * (float(np.abs(self.cost).max(initial=0.0)) + 1.0)
        self._show(part, np.full(self.artificial, price), np.full(self.artificial, np.inf))
        self.columns = np.zeros(0, dtype=np.int64)
        self.inside = self.most <= 0
        some = np.flatnonzero(~self.inside)
        few = len(some) <= (FIRST + MORE) * len(np.unique(self.block))
        self.add(some if few else some[_first(self.block[some], self.cost[some])])

    def add(self, new: Places) -> None:
        """Show the solver more columns."""
        self._show(self.matrix.part(new), self.cost[new], self.most[new])
        self.columns = np.concatenate([self.columns, new])
        self.inside[new] = True

    def _show(self, part: ByColumn, cost: Floats, most: Floats) -> None:
        self.highs.addCols(
            len(cost), cost, np.zeros(len(cost)), most, len(part.rows),
            part.starts[:-1].astype(np.int32), part.rows.astype(np.int32), part.values,
        )  # fmt: skip

    def worth_adding(self, rest: Floats) -> Places:
        """Of each block the columns not shown yet that would make the plan cheaper, those that save most first."""
        cheaper = np.flatnonzero((rest < -_TOLERANCE) & ~self.inside)
        cheaper = cheaper[np.lexsort((rest[cheaper], self.block[cheaper]))]
        return cheaper[_ranks(self.block[cheaper]) < MORE]

    def values(self) -> Floats | None:
        """The solution over all columns; None where an artificial one is still in use."""
        solution, values = np.array(self.highs.getSolution().col_value), np.zeros(len(self.cost))
        values[self.columns] = solution[self.artificial :]
        return None if solution[: self.artificial].sum() > _TOLERANCE else values


def _first(block: Places, cost: Floats) -> Places:
    """Of each block all columns or FIRST spread over it, and half as many of the cheapest; the same at every run."""
    spread = np.random.default_rng(0).random(len(block))
    orders = [(np.lexsort((key, block)), most) for key, most in ((spread, FIRST), (cost, FIRST // 2))]
    return np.unique(np.concatenate([order[_ranks(block[order]) < most] for order, most in orders]))


def _ranks(block: Places) -> Places:
    """Place of each entry within its block; the blocks come in order."""
    return np.arange(len(block)) - np.searchsorted(block, block)
