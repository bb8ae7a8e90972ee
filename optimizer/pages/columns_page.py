"""The published list of columns of a lots table and of a week's offers table, as a page and as JSON.

The names of an offer's columns are those that its reader knows; here they only get a unit and a meaning.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from constraints.methods import FatMethod, published
from constraints.numbers import trimmed
from optimizer.pages.json_text import json_text
from optimizer.pages.tables import heading, paragraph, table
from optimizer.plan.offers import NEEDED, NOT_HERE, OWN, PERIOD, BreakKind
from optimizer.reading.columns import AS_HELD, COLUMNS, Column
from optimizer.words import CAUTION

_KG, _PER_KG, _DATE, _DAYS, _MONEY = "kg", "money per kg", "date", "days", "money"

_OFFERS: dict[str, tuple[str, str, str]] = {
    "offer": ("", "", "name of the offer; a further row of the same name states another price period"),
    "price_per_kg": (_PER_KG, AS_HELD, "price"),
    "smallest_order_kg": (_KG, AS_HELD, "least that can be ordered at once; blank is any weight"),
    "largest_order_kg": (_KG, AS_HELD, "most that can be ordered at once; blank is any weight"),
    "lead_days": (_DAYS, "", "days from ordering to delivery; blank is 0"),
    "delivery_charge": (_MONEY, "", "for each day on which the supplier brings anything; one figure a supplier"),
    "keeps_days": (_DAYS, "", "last day of use, counted from delivery; blank keeps beyond the week"),
    "supplier_minimum": (_MONEY, "", "least worth of goods in one delivery; one figure a supplier"),
    "worth_after_per_kg": (_PER_KG, AS_HELD, "worth of what is left and keeps; blank is nothing"),
    "supplier": ("", "", "who sells it"),
    "price_from": (_DATE, "", "first day of delivery at this price, YYYY-MM-DD; blank is open"),
    "price_to": (_DATE, "", "last day of delivery at this price; blank is open"),
    "breaks": ("", "", "lower prices from so many kg, as kg=price: 50=3.10 100=2.95"),
    "break_kind": ("", "", f"{' or '.join(BreakKind)}: breaks lower every kg, or those beyond; blank is the first"),
    "delivery_days": ("", "", "weekdays of delivery, such as Tue Thu; blank is every day"),
    "order_pack_kg": (_KG, AS_HELD, "weight of one pack; blank sells by weight"),
}
"""Unit, basis and meaning of every column of an offer that a lot does not have."""


def offer_columns() -> tuple[Column, ...]:
    """The columns of an offers table that are its own, in the order its reader lists them."""
    return tuple(Column(name, *_OFFERS[name][:2], name in NEEDED, _OFFERS[name][2]) for name in OWN)


def shared_columns() -> tuple[Column, ...]:
    """The columns that an offer shares with a lot."""
    return tuple(column for column in COLUMNS if column.name not in NOT_HERE and not column.name.endswith("_lb"))


def columns_page() -> str:
    """Every known column with its unit, basis and meaning, and the methods of finding fat."""
    lines = ["LOTS TABLE", *_table(COLUMNS), ""]
    lines += paragraph(
        "Stock and price may be in pounds instead (on_hand_lb, cost_per_lb). Any further column whose cells are all "
        "numbers is a property that a recipe may name. Lot, material and species are text exactly as typed."
    )
    lines += [*heading("offers table (trimwright plan and why)"), *_table(offer_columns()), ""]
    shared = ", ".join(column.name for column in shared_columns())
    lines += paragraph(f"Needed too: fat_pct. As in a lots table: {shared}, and any property of your own.")
    lines += paragraph(f"A further row of the same offer states another price period: {', '.join(PERIOD)}.")
    lines += paragraph(
        "trimwright why reads the same table, at the price of the batch's day. It also reads a simpler one, with the "
        "columns of a lots table: offer (or lot) and fat_pct are needed; price_per_kg (or cost_per_kg) and offered_kg "
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
    columns += [{"table": "offers", **asdict(c)} for c in (*offer_columns(), *shared_columns())]
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
