"""The published list of columns of a lots table and of a week's offers table, as a page and as JSON.

The names of an offer's columns are those that its reader knows; here they only get a unit and a meaning.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from constraints.confidence import FatMethod, published
from constraints.numbers import trimmed
from optimizer.pages.record import json_text
from optimizer.pages.tables import heading, paragraph, table
from optimizer.reading.columns import COLUMNS, Column
from optimizer.reading.offer_columns import NOT_HERE, OFFER_COLUMNS, OWN, PERIOD
from optimizer.wording import CAUTION


def shared_columns() -> tuple[Column, ...]:
    """The columns that an offer shares with a lot."""
    return tuple(
        column for column in COLUMNS if column.name not in (*NOT_HERE, *OWN) and not column.name.endswith("_lb")
    )


def columns_page() -> str:
    """Every known column with its unit, basis and meaning, and the methods of finding fat."""
    lines = ["LOTS TABLE", *_table(COLUMNS), ""]
    lines += paragraph(
        "A row may state each weight or price in pounds instead; rows of both kinds may stand in one table. Any "
        "further column whose cells are all numbers is a property that a recipe may name. Lot, material and species "
        "are text exactly as typed."
    )
    lines += [*heading("offers table (trimwright plan and why)"), *_table(OFFER_COLUMNS), ""]
    shared = ", ".join(column.name for column in shared_columns())
    lines += paragraph(f"Needed too: fat_pct. As in a lots table: {shared}, and any property of your own.")
    lines += paragraph(f"A further row of the same offer states another price period: {', '.join(PERIOD)}.")
    lines += paragraph(
        "trimwright why reads the same table, at the price of the batch's day. It also reads a simpler one, with the "
        "columns of a lots table: offer (or lot) and fat_pct are needed; cost_per_kg and offered_kg "
        "(or on_hand_kg) may be blank or missing."
    )
    lines += [*heading("fat_method: how the fat was found, and the standard deviation of its error")]
    for method in published().values():
        lines += paragraph(_method(method), "* ")
    lines += ["", *paragraph("A recipe may add methods of its own under confidence."), "", *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def _table(columns: tuple[Column, ...]) -> list[str]:
    rows = [[c.name, "yes" if c.needed else "", c.unit, c.basis, c.meaning] for c in columns]
    return table(("column", "needed", "unit", "basis", "meaning"), rows, "<<<<<")


def _method(method: FatMethod) -> str:
    known = method.source if method.status == "memory" else f"{method.source}; {method.status}"
    memory = ", from memory" if method.status == "memory" else ""
    return f"{method.name}: {_error(method)}{memory}; {method.title} [{known}]"


def _error(method: FatMethod) -> str:
    """A method's standard deviation in few words."""
    if method.points is not None:
        return f"{trimmed(method.points)} points"
    if method.relative_pct is not None:
        return f"{trimmed(method.relative_pct)} % of the fat figure"
    return ", ".join(f"{trimmed(knot.points)} points at {trimmed(knot.fat_pct)} % fat" for knot in method.at)


def columns_document() -> str:
    """Every known column as one JSON document; ``table`` says whose it is."""
    columns: list[dict[str, Any]] = [{"table": "lots", **asdict(c)} for c in COLUMNS]
    columns += [{"table": "offers", **asdict(c)} for c in (*OFFER_COLUMNS, *shared_columns())]
    methods = [_method_document(method) for method in published().values()]
    for column in columns:
        if column["name"] == "fat_method":
            column["methods"] = methods
    return json_text(columns)


def _method_document(method: FatMethod) -> dict[str, Any]:
    return {
        "name": method.name,
        "title": method.title,
        "sd": _error(method),
        "source": method.source,
        "status": str(method.status),
        "printed_as": method.printed_as,
        "note": method.note,
    }
