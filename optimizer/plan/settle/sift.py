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

from constraints.vector import Floats, Places
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
_PRICIER = (1e2, 1e5)
"""Prices of an artificial column, as multiples of the dearest real one."""
_TOLERANCE = 1e-7
"""Reduced cost, in money, from which a column counts as making the plan cheaper: the solver's own tolerance."""
_BY_COLUMNS, _MINIMISE = 1, 1


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


def sift(session: Session, blocks: Places) -> tuple[Floats, Floats] | None:
    """Values of all columns and prices of the rows at the optimum of a linear program, in the solver's units.

    ``blocks`` are the blocks of the columns. The program is not loaded yet. None says nothing of it: it may have no
    solution, or the solver was stopped.
    """
    search = _Search(session, blocks)
    for _ in range(_ROUNDS):
        prices = search.run()
        if prices is None:
            return None
        new = search.worth_adding(prices)
        if len(new):
            search.add(new)
        elif search.short():
            if not search.dearer():
                return None
        else:
            return search.values(), prices
    return None


class _Search:
    """The solver with the columns it has been shown."""

    def __init__(self, session: Session, blocks: Places) -> None:
        self.session, self.highs = session, session.highs
        self.cost, _, self.most, _ = session.columns
        self.matrix, self.block = ByColumn.of(len(self.cost), session.matrix), blocks
        self.columns = _first(self.block, self.cost)
        self.inside = np.zeros(len(self.cost), dtype=bool)
        self.inside[self.columns] = True
        self.prices_tried = iter(_PRICIER)
        self.dearest = float(np.abs(self.cost).max(initial=0.0)) + 1.0
        lo, hi = session.matrix.lo, session.matrix.hi
        self.short_of = np.flatnonzero(lo > 0)
        self.over = np.flatnonzero(hi < 0)
        self._pass(lo, hi)

    def _pass(self, lo: Floats, hi: Floats) -> None:
        """Hand the rows, the first columns and the artificial ones to the solver, the artificial ones first."""
        part = self.matrix.part(self.columns)
        missing = len(self.short_of) + len(self.over)
        self.artificial = missing
        price = next(self.prices_tried) * self.dearest
        starts = np.concatenate([np.arange(missing), missing + part.starts[:-1]])
        index = np.concatenate([self.short_of, self.over, part.rows])
        values = np.concatenate([np.ones(len(self.short_of)), -np.ones(len(self.over)), part.values])
        count = missing + len(self.columns)
        self.highs.passModel(
            count, len(lo), len(index), _BY_COLUMNS, _MINIMISE, 0.0,
            np.concatenate([np.full(missing, price), self.cost[self.columns]]),
            np.zeros(count),
            np.concatenate([np.full(missing, np.inf), self.most[self.columns]]),
            lo, hi, starts.astype(np.int32), index.astype(np.int32), values, np.zeros(count, dtype=np.int32),
        )  # fmt: skip

    def run(self) -> Floats | None:
        """Prices of the rows at the optimum over the columns shown; None where the solver did not find it."""
        try:
            if not self.session.run() or self.session.stopped:
                return None
        except OutOfTime:
            return None
        self.solution = np.array(self.highs.getSolution().col_value)
        return np.asarray(self.session.prices, dtype=np.float64)

    def worth_adding(self, prices: Floats) -> Places:
        """Of each block the columns not shown yet that would make the plan cheaper, those that save most first."""
        rest = self.cost - self.matrix.paid(prices)
        cheaper = np.flatnonzero((rest < -_TOLERANCE) & ~self.inside)
        cheaper = cheaper[np.lexsort((rest[cheaper], self.block[cheaper]))]
        block = self.block[cheaper]
        rank = np.arange(len(block)) - np.searchsorted(block, block)
        return cheaper[rank < MORE]

    def add(self, new: Places) -> None:
        """Show the solver more columns."""
        part = self.matrix.part(new)
        self.highs.addCols(
            len(new), self.cost[new], np.zeros(len(new)), self.most[new], len(part.rows),
            part.starts[:-1].astype(np.int32), part.rows.astype(np.int32), part.values,
        )  # fmt: skip
        self.columns = np.concatenate([self.columns, new])
        self.inside[new] = True

    def short(self) -> bool:
        """True where an artificial column is still in use."""
        return bool(self.solution[: self.artificial].sum() > _TOLERANCE)

    def dearer(self) -> bool:
        """Raise the price of the artificial columns; False where that was done already."""
        factor = next(self.prices_tried, None)
        if factor is None:
            return False
        for column in range(self.artificial):
            self.highs.changeColCost(column, factor * self.dearest)
        return True

    def values(self) -> Floats:
        """The solution over all columns."""
        values = np.zeros(len(self.cost))
        values[self.columns] = self.solution[self.artificial :]
        return values


def _first(block: Places, cost: Floats) -> Places:
    """Of each block all columns or FIRST spread over it, and half as many of the cheapest; the same at every run."""
    rng = np.random.default_rng(0)
    order = np.lexsort((rng.random(len(block)), block))
    found = [order[_ranks(block[order]) < FIRST]]
    order = np.lexsort((cost, block))
    found.append(order[_ranks(block[order]) < FIRST // 2])
    return np.unique(np.concatenate(found))


def _ranks(block: Places) -> Places:
    """Place of each entry within its block; the blocks come in order."""
    return np.arange(len(block)) - np.searchsorted(block, block)
