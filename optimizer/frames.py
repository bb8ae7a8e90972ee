"""The door for a notebook or a script: lots from a DataFrame or a file, an answer as DataFrames.

What the command reads and finds is read and found here, on the same path.

>>> import pandas as pd
>>> from optimizer import cheapest_batch
>>> lots = pd.DataFrame({
...     "lot": ["A", "B"], "on_hand_kg": [20, 20], "fat_pct": [10, 50], "cost_per_kg": [4, 2], "species": "pork",
... })
>>> recipe = {"name": "links", "require": [{"fat": {"max_pct": 30}}]}
>>> found = cheapest_batch(recipe, lots, meat_kg=10, date="2026-11-25")
>>> found.verdict["grade"]
'holds'
>>> found.lots[["lot", "kg"]].to_dict("records")
[{'lot': 'A', 'kg': 5.0}, {'lot': 'B', 'kg': 5.0}]
>>> prices = found.prices().set_index("what")["saves_per_unit"]
>>> round(float(prices["fat"]), 3)  # 10 kg, less the 25 g by which it may be short
0.499
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date as Day
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas

from constraints.document import read_text
from optimizer.answer import Answer, blend
from optimizer.order import Asked, order_of
from optimizer.pages.answer_json import Blend
from optimizer.pages.batch_page import page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.record import plain
from optimizer.why.document import Why
from optimizer.why.explain import explain
from optimizer.why.short import short_form

SPREADSHEETS = (".xlsx", ".xls", ".ods")


@dataclass(frozen=True)
class Found:
    """An answer. Kilograms, grams, money and per cent are those of ``trimwright blend --json``."""

    answer: Answer

    @cached_property
    def document(self) -> dict[str, Any]:
        """The whole JSON document."""
        found: dict[str, Any] = plain(Blend, self.answer)
        return found

    @property
    def verdict(self) -> dict[str, Any]:
        """Grade, headline and how many limits hold, warn or need a laboratory."""
        found: dict[str, Any] = self.document["verdict"]
        return found

    @property
    def lots(self) -> pandas.DataFrame:
        """The blend, a row a lot: lot, material, kg after bone and rind, held_kg to take, cost."""
        return pandas.DataFrame(self.document["lots"])

    @property
    def weigh_out(self) -> pandas.DataFrame:
        """The additions: item, grams, g_per_kg_meat; with loads, see ``loads``."""
        return pandas.DataFrame(self.document["weigh_out"])

    @property
    def loads(self) -> pandas.DataFrame:
        """Every item of every mixer load: load, item, kg."""
        rows = [
            (load["load"], part.get("lot", part.get("item")), part.get("kg", part.get("grams", 0) / 1000))
            for load in self.document["loads"] for part in (*load["lots"], *load["weigh_out"])
        ]  # fmt: skip
        return pandas.DataFrame(rows, columns=["load", "item", "kg"])

    @property
    def checks(self) -> pandas.DataFrame:
        """Every limit with its figure, verdict and source."""
        return pandas.DataFrame(self.document["checks"])

    def prices(self) -> pandas.DataFrame:
        """What a unit more room at each limit saves, where the batch is at it; empty where there is no batch."""
        found = plain(Why, explain(self.answer))["binding"]
        rows = [{**limit, "saves_per_unit": (limit["loosen"] or {}).get("saves_per_unit")} for limit in found]
        return pandas.DataFrame(rows).drop(columns=["loosen", "tighten"], errors="ignore")

    def page(self, *, full: bool = False) -> str:
        """The page that the command prints."""
        return page(self.answer, short_why=short_form(self.answer), full=full)


def cheapest_batch(
    recipe: str | Path | Mapping[str, Any], lots: str | Path | pandas.DataFrame, *,
    meat_kg: float | str | None = None, batch_kg: float | str | None = None, date: Day | str | None = None,
    time_limit: float | None = None,
) -> Found:  # fmt: skip
    """The cheapest batch of a recipe (a file, or its keys as a mapping) from lots (a frame, a CSV or a spreadsheet).

    Exactly one size, in kilograms; ``date`` is today unless given, ``time_limit`` in seconds. Raises BadInput with
    every fault, as the command prints them, and ValueError where not exactly one size is given.
    """
    sizes = {"--meat-kg": meat_kg, "--batch-kg": batch_kg}
    given = [(option, Fraction(str(size))) for option, size in sizes.items() if size is not None]
    if len(given) != 1:
        raise ValueError("give the size of the batch by exactly one of meat_kg and batch_kg")
    typed_day = f"{date:%Y-%m-%d}" if isinstance(date, Day) else date  # a Timestamp is a date too
    day = Day.today() if typed_day is None else Day.fromisoformat(typed_day)
    typed = isinstance(recipe, Mapping)
    text = json.dumps(recipe, default=str) if typed else read_text(str(recipe))
    read = parse_recipe(text, "recipe" if typed else str(recipe))
    table = parse_lots(_text(lots), "lots" if isinstance(lots, pandas.DataFrame) else str(lots))
    return Found(blend(assemble(read, table, order_of(read, *given[0], day, Asked())), time_limit=time_limit))


def _text(lots: str | Path | pandas.DataFrame) -> str:
    """A lots table as CSV; figures of a frame are written as Python shows them."""
    if not isinstance(lots, pandas.DataFrame):
        if not str(lots).endswith(SPREADSHEETS):
            return read_text(str(lots))
        lots = pandas.read_excel(lots, dtype=object)
    return lots.to_csv(index=False, date_format="%Y-%m-%d")
