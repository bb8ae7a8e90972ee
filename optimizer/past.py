"""What a ledger knows of what went before: who sent a lot, codes that are used, and what came out of past batches."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from itertools import count, islice
from statistics import median

from constraints.numbers import PERCENT, shown
from optimizer.ledger import is_ledger, opened

LAST = 5
"""Batches of a recipe that its measured yield is of."""
_CAME_OUT = """
SELECT lot.cells, SUM(into_batch), SUM(CASE WHEN kind = 'product' THEN units ELSE 0 END),
  SUM(CASE WHEN kind = 'rework' THEN units ELSE 0 END)
FROM live JOIN lot ON lot.lot = live.batch AND lot.product WHERE kind IN ('pull', 'addition', 'product', 'rework')
GROUP BY batch ORDER BY MAX(at) DESC, MAX(id) DESC"""


@dataclass(frozen=True)
class MeasuredYield:
    """Finished weight, % of what was weighed in and not kept as rework: median and spread of the last batches."""

    median_pct: Fraction
    lowest_pct: Fraction
    highest_pct: Fraction
    batches: int

    def words(self) -> str:
        """The same in words."""
        if self.batches == 1:
            return f"{shown(self.median_pct, 1)} % came out of the last batch"
        spread = f"{shown(self.lowest_pct, 1)} to {shown(self.highest_pct, 1)}"
        return f"{shown(self.median_pct, 1)} % ({spread}) came out of the last {self.batches} batches"


def measured_yield(path: str, recipe: str) -> MeasuredYield | None:
    """The yield of a recipe's last batches, by its name; None where nothing that came out was weighed."""
    with opened(path) as base:
        rows = base.execute(_CAME_OUT).fetchall()
    found = [
        PERCENT * Fraction(out, into - rework) for cells, into, out, rework in rows
        if json.loads(cells).get("material") == recipe and into > rework
    ][:LAST]  # fmt: skip
    return MeasuredYield(median(found), min(found), max(found), len(found)) if found else None


@dataclass(frozen=True)
class Past:
    """Who sent each lot, as far as it is known, and every document's name: none of them is free for a batch."""

    suppliers: dict[str, str]
    taken: frozenset[str]

    @classmethod
    def of(cls, lots: str) -> Past:
        """Of a ledger; nothing where the lots stand in a table."""
        if not is_ledger(lots):
            return cls({}, frozenset())
        with opened(lots) as base:
            sent = base.execute("SELECT lot, party FROM live WHERE kind = 'receive' AND party <> ''").fetchall()
            return cls(dict(sent), frozenset(name for (name,) in base.execute("SELECT document FROM document")))

    def free_code(self, day: date, nth: int = 1) -> str:
        """The nth code of a day that is not used: L, the day and a running number, short enough to write by hand."""
        codes = (f"L{day:%y%m%d}-{number}" for number in count(1))
        return next(islice((code for code in codes if code not in self.taken), nth - 1, None))
