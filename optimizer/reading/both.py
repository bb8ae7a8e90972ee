"""Reading the recipe and the lots together, so that the faults of both files are reported at once."""

from __future__ import annotations

from dataclasses import replace

from constraints.faults import BadInput, Fault
from optimizer.reading.lots import LotTable, read_lots
from optimizer.reading.named import pack_faults
from optimizer.reading.recipe import Recipe, read_recipe


def read_both(recipe: str, lots: str) -> tuple[Recipe, LotTable]:
    """Read both files; of a ledger, what came out of the recipe's last batches too.

    Raises BadInput with the faults of both.
    """
    faults: list[Fault] = []
    read: Recipe | None = None
    table: LotTable | None = None
    try:
        read = read_recipe(recipe)
    except BadInput as error:
        faults += error.faults
    try:
        table = read_lots(lots)
    except BadInput as error:
        faults += error.faults
    if read is None or table is None:
        named = [] if read is None else pack_faults(read.document)
        raise BadInput([*named, *faults])
    from optimizer.ledger import is_ledger

    if is_ledger(lots):
        from optimizer.past import measured_yield

        read = replace(read, measured=measured_yield(lots, read.entry.name))
    return read, table
