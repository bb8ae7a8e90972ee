"""The published list of columns of a lots table, as a page and as JSON."""

from __future__ import annotations

import json
from dataclasses import asdict

from optimizer.pages.tables import paragraph, table
from optimizer.reading.columns import COLUMNS


def columns_page() -> str:
    """Every known column with its unit, basis and meaning."""
    rows = [[c.name, "yes" if c.needed else "", c.unit, c.basis, c.meaning] for c in COLUMNS]
    lines = table(("column", "needed", "unit", "basis", "meaning"), rows, "<<<<<")
    lines += [""]
    lines += paragraph(
        "Stock and price may be in pounds instead (on_hand_lb, cost_per_lb). Any further column whose cells are all "
        "numbers is a property that a recipe may name. Lot, material and species are text exactly as typed."
    )
    return "\n".join(lines) + "\n"


def columns_document() -> str:
    """Every known column as one JSON document."""
    return json.dumps([asdict(c) for c in COLUMNS], indent=2) + "\n"
