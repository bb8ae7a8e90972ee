"""The columns of an offers table that a lots table does not have, or has with another meaning."""

from __future__ import annotations

from enum import StrEnum

from optimizer.reading.columns import OTHER_WORDS, columns_of


class BreakKind(StrEnum):
    """Whether a price break lowers the price of every kilogram or only of those beyond it."""

    ALL_UNITS = "all_units"
    INCREMENTAL = "incremental"


OFFER_COLUMNS = columns_of("offer_columns.csv")
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
