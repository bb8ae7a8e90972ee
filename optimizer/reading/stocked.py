"""What a ledger has left, as a lots table: the cells of every lot as they were typed, and its balance."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from constraints.faults import BadInput, Fault
from constraints.numbers import KG_PER_LB, trimmed
from optimizer.ledger import NotRecorded, lots_of, opened
from optimizer.reading.table import csv_line, figure


def exported(path: str, *, every: bool = False) -> str:
    """The lots that are there as a lots table, every cell as it was typed. Raises BadInput where it cannot be read.

    ``every`` adds those that are used up.
    """
    try:
        with opened(path) as base:
            kept = base.execute("SELECT value FROM setting WHERE name = 'delimiter'").fetchone()
            mark = kept[0] if kept else ","
            rows = [
                _held(cells, left, mark)
                for _, cells, product, left in lots_of(base)
                if not product and (every or left or not _typed(cells, mark))
            ]
    except NotRecorded as error:
        raise BadInput([Fault(path, None, None, str(error), "a ledger that trimwright stock made")]) from None
    header = list(dict.fromkeys(key for row in rows for key in row)) or ["lot", "on_hand_kg", "fat_pct", "cost_per_kg"]
    lines = [header, *([row.get(name, "") for name in header] for row in rows)]
    return "".join(f"{csv_line(line, mark)}\n" for line in lines)


def _typed(cells: Mapping[str, str], delimiter: str) -> Fraction:
    """Kilograms of a lot as its table had them."""
    key = "on_hand_kg" if cells.get("on_hand_kg") else "on_hand_lb"
    read = figure(cells.get(key) or "0", delimiter != "," and "," in cells.get(key, ""))
    return read if key == "on_hand_kg" else read * KG_PER_LB


def _held(cells: dict[str, str], left: Fraction, delimiter: str) -> dict[str, str]:
    """The cells with what is left of the lot; as typed where all of it is there."""
    if left == _typed(cells, delimiter):
        return cells
    pounds = "on_hand_lb" in cells and not cells.get("on_hand_kg")
    said = trimmed(left / KG_PER_LB if pounds else left, 10)
    commas = delimiter != "," and any("," in cell for cell in cells.values())
    return cells | {"on_hand_lb" if pounds else "on_hand_kg": said.replace(".", ",") if commas else said}
