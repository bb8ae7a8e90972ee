"""The page of sheets: the template filled, with the codes of the batches drawn (ISO/IEC 18004, by segno)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import segno
from markupsafe import Markup

from constraints.numbers import shown
from optimizer.answer import Answer
from optimizer.correction import Correction
from optimizer.made.schedule import HEADS, step_cells
from optimizer.pages.chart import render
from optimizer.pages.correct_page import opening
from optimizer.pages.pictures import SIZES, drawn
from optimizer.past import Past
from optimizer.remarks import verdict_of
from optimizer.sheet.batch import Sheet
from optimizer.summary import casing_need
from optimizer.wording import day_words


def sheet_page(title: str, sheets: Sequence[Sheet], week: dict[str, Any] | None = None) -> str:
    """Sheets as one HTML page that loads nothing; every text from the input is escaped."""
    said = {"casing_need": casing_need, "code_of": _drawn_code, "day_words": day_words, "drawn": drawn, "shown": shown,
            "verdict_of": verdict_of, "step_cells": step_cells, "schedule_heads": HEADS}  # fmt: skip
    return render("sheet/sheet.html", title=title, sheets=sheets, week=week, **said, **SIZES)


def _drawn_code(code: str) -> Markup:
    """The code as a QR code; its markup is the library's, which escapes what it is given."""
    code_drawn = segno.make_qr(code, error="m").svg_inline(scale=4, dark="#000", light="#fff", title=f"batch {code}")
    return Markup(code_drawn)


def one_page(answer: Answer, lots: str, code: str | None) -> str:
    """The page of one batch; ``code`` or the next that is free in the ledger, if its lots stand in one."""
    past, problem = Past.of(lots), answer.problem
    code = code or past.free_code(problem.order.day)
    found = Sheet(answer, code, problem.recipe.entry.name, problem.in_pounds, past.suppliers)
    return sheet_page("Batch sheet" if answer.weighed else "No batch", [found])


def corrected_page(found: Correction, lots: str, code: str | None) -> str:
    """The page of what puts a batch right; nothing is laid out of what is on hold or must not be made."""
    past, problem = Past.of(lots), found.answer.problem
    answer = replace(found.answer, weighed=None) if found.exit_code else found.answer
    code, name = code or past.free_code(problem.order.day), problem.recipe.entry.name
    sheet = Sheet(answer, code, name, problem.in_pounds, past.suppliers, tuple(opening(found)))
    return sheet_page("Correction sheet" if answer.weighed else "No correction", [sheet])
