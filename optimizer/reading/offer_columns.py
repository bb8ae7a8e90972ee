"""The columns of an offers table that a lots table does not have, or has with another meaning."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum

from optimizer.reading.columns import AS_HELD, OTHER_WORDS, Column


class BreakKind(StrEnum):
    """Whether a price break lowers the price of every kilogram or only of those beyond it."""

    ALL_UNITS = "all_units"
    INCREMENTAL = "incremental"


_BY_WEIGHT = (
    Column("pack_kg", "kg", AS_HELD, False, "weight of one pack; blank sells by weight"),
    Column("smallest_order_kg", "kg", AS_HELD, False, "least that can be ordered at once; blank is any weight"),
    Column("largest_order_kg", "kg", AS_HELD, False, "most that can be ordered at once; blank is any weight"),
    Column("worth_after_per_kg", "money per kg", AS_HELD, False, "worth of what is left and keeps; blank is nothing"),
)
OFFER_COLUMNS: tuple[Column, ...] = (
    Column("offer", "", "", True, "name of the offer; a further row of the same name states another price period"),
    Column("supplier", "", "", True, "who sells it"),
    Column("price_from", "date", "", False, "first day of delivery at this price, YYYY-MM-DD; blank is open"),
    Column("price_to", "date", "", False, "last day of delivery at this price; blank is open"),
    Column("breaks", "", "", False, "lower prices from so many kg (or lb), as 50=3.10 100=2.95"),
    Column("break_kind", "", "", False, f"{' or '.join(BreakKind)}: of every kg, or of those beyond; blank: first"),
    *_BY_WEIGHT,
    *(
        replace(c, name=f"{c.name[:-2]}lb", unit=c.unit.replace("kg", "lb"), meaning=f"instead of {c.name}")
        for c in _BY_WEIGHT
    ),
    Column("lead_days", "days", "", False, "days from ordering to delivery; blank is 0"),
    Column("delivery_days", "", "", False, "weekdays of delivery, such as Tue Thu; blank is every day"),
    Column("delivery_charge", "money", "", False, "for each day the supplier brings anything; one figure a supplier"),
    Column("supplier_minimum", "money", "", False, "least worth of goods in one delivery; one figure a supplier"),
    Column("keeps_days", "days", "", False, "last day of use, counted from delivery; blank keeps beyond the week"),
)
"""In the order they are published."""
OWN = tuple(column.name for column in OFFER_COLUMNS)
PRICE = ("cost_per_kg", "cost_per_lb")
"""The price: of the offer's columns and of a lot's, one of the two."""
NEEDED = ("offer", "supplier", "cost_per_kg", "fat_pct")
PERIOD = ("offer", *PRICE, "price_from", "price_to", "breaks")
"""Columns that a further row of the same offer may change."""
NOT_HERE = {
    "lot": "write offer", "on_hand_kg": "write largest_order_kg", "on_hand_lb": "write largest_order_lb",
    "received": "leave it out", "use_by": "write keeps_days", "on_hold": "leave it out", "use_up": "leave it out",
    "rework": "leave it out", "use_at_least_kg": "leave it out", "use_at_least_lb": "leave it out",
    **{name: f"write {known}, as in a lots table" for name, known in OTHER_WORDS.items()},
}  # fmt: skip
"""Columns that no week's offer has, and what to do about each."""
