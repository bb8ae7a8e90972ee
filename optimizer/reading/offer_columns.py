"""The columns of an offers table that a lots table does not have."""

from __future__ import annotations

from enum import StrEnum

from optimizer.reading.columns import AS_HELD, Column


class BreakKind(StrEnum):
    """Whether a price break lowers the price of every kilogram or only of those beyond it."""

    ALL_UNITS = "all_units"
    INCREMENTAL = "incremental"


OFFER_COLUMNS: tuple[Column, ...] = (
    Column("offer", "", "", True, "name of the offer; a further row of the same name states another price period"),
    Column("price_per_kg", "money per kg", AS_HELD, True, "price"),
    Column("smallest_order_kg", "kg", AS_HELD, False, "least that can be ordered at once; blank is any weight"),
    Column("largest_order_kg", "kg", AS_HELD, False, "most that can be ordered at once; blank is any weight"),
    Column("lead_days", "days", "", False, "days from ordering to delivery; blank is 0"),
    Column(
        "delivery_charge",
        "money",
        "",
        False,
        "for each day the supplier brings anything; one figure a supplier",
    ),
    Column("keeps_days", "days", "", False, "last day of use, counted from delivery; blank keeps beyond the week"),
    Column("supplier_minimum", "money", "", False, "least worth of goods in one delivery; one figure a supplier"),
    Column("worth_after_per_kg", "money per kg", AS_HELD, False, "worth of what is left and keeps; blank is nothing"),
    Column("supplier", "", "", True, "who sells it"),
    Column("price_from", "date", "", False, "first day of delivery at this price, YYYY-MM-DD; blank is open"),
    Column("price_to", "date", "", False, "last day of delivery at this price; blank is open"),
    Column("breaks", "", "", False, "lower prices from so many kg, as kg=price: 50=3.10 100=2.95"),
    Column(
        "break_kind",
        "",
        "",
        False,
        f"{' or '.join(BreakKind)}: of every kg, or of those beyond; blank: first",
    ),
    Column("delivery_days", "", "", False, "weekdays of delivery, such as Tue Thu; blank is every day"),
    Column("order_pack_kg", "kg", AS_HELD, False, "weight of one pack; blank sells by weight"),
)
"""Every column of an offer that a lot does not have, in the order it is published."""
OWN = tuple(column.name for column in OFFER_COLUMNS)
NEEDED = (*(column.name for column in OFFER_COLUMNS if column.needed), "fat_pct")
PERIOD = ("offer", "price_per_kg", "price_from", "price_to", "breaks")
"""Columns that a further row of the same offer may change."""
NOT_HERE = ("lot", "on_hand_kg", "cost_per_kg", "received", "use_by", "pack_kg", "on_hold", "use_up", "rework")
"""Columns of a lot that no offer has."""
