"""The page of sheets: the template filled, with the codes of the batches drawn (ISO/IEC 18004, by segno)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from itertools import count, islice
from typing import Any

import segno
from markupsafe import Markup

from constraints.numbers import shown
from optimizer.blend import Answer
from optimizer.ledger import is_ledger
from optimizer.pages.blend_picture import SIZES
from optimizer.pages.chart import render
from optimizer.past import codes, suppliers
from optimizer.sheet.batch import Sheet


@dataclass(frozen=True)
class Past:
    """What a ledger tells of lots and codes; nothing where the lots stand in a table."""

    suppliers: Mapping[str, str] = field(default_factory=dict)
    taken: frozenset[str] = frozenset()

    @classmethod
    def of(cls, lots: str) -> Past:
        """Of a lots table or a ledger, by its file."""
        return cls(suppliers(lots), codes(lots)) if is_ledger(lots) else cls()

    def free_code(self, day: date, nth: int = 1) -> str:
        """The nth code of a day that is not used: L, the day and a running number, short enough to write by hand."""
        return next(islice((code for code in _codes_of(day) if code not in self.taken), nth - 1, None))


def _codes_of(day: date) -> Iterator[str]:
    return (f"L{day:%y%m%d}-{number}" for number in count(1))


def sheet_page(title: str, sheets: Sequence[Sheet], week: dict[str, Any] | None = None) -> str:
    """Sheets as one HTML page that loads nothing; every text from the input is escaped."""
    return render(
        "sheet/sheet.html", title=title, sheets=sheets, week=week, code_of=_drawn_code, figure=_figure, **SIZES
    )


def _drawn_code(code: str) -> Markup:
    """The code as a QR code; its markup is the library's, which escapes what it is given."""
    drawn = segno.make_qr(code, error="m").svg_inline(scale=4, dark="#000", light="#fff", title=f"batch {code}")
    return Markup(drawn)


def _figure(value: Fraction, places: int) -> str:
    return shown(value, places)


def one_page(answer: Answer, lots: str, code: str | None) -> str:
    """The page of one batch; ``code`` or the next that is free in the ledger, if its lots stand in one."""
    past, problem = Past.of(lots), answer.problem
    found = Sheet(answer, code or past.free_code(problem.order.day), problem.recipe.entry.name, past.suppliers)
    return sheet_page("Batch sheet" if found.made else "No batch", [found])
