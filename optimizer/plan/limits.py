"""What each limit of the kitchen costs: money that one more unit of it would save.

Prices of a linear program are its dual values. With whole numbers they are those of the linear program that is left
when every whole number is held where the plan has it, and are said to be so.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.plan.build import WeekProgram
from optimizer.plan.engine import Solved, solve
from optimizer.plan.proof import reduced_costs

_WORTH_SAYING = 1e-6


@dataclass(frozen=True)
class Limit:
    """A limit with its price: money saved by one more ``unit`` of it; ``held`` where whole numbers were held."""

    what: str
    day: int | None
    unit: str
    price: float
    held: bool


def priced(program: WeekProgram, solved: Solved) -> list[Limit]:
    """Every kitchen limit that costs anything, dearest first."""
    sparse, held = program.sparse, program.sparse.has_whole
    linear = solve(sparse, pinned=solved.values) if held else solved
    if not len(linear.prices):
        return []
    entry = program.world.week.entry
    kitchen = entry.kitchen
    found = []
    for row, price in zip(sparse.rows, linear.prices, strict=True):
        kind = row.label[0]
        if abs(price) <= _WORTH_SAYING:
            continue
        if kind == "stage":
            stage = kitchen.stages[row.label[1]]
            unit = "load" if stage.load_kg is not None else "kg"
            found.append(Limit(stage.name, row.label[2], unit, -float(price), held))
        elif kind == "closing":
            closing = kitchen.closing[row.label[1]]
            found.append(Limit(f"closing stock of {closing.material}", None, "kg", -float(price), held))
        elif kind == "most batches":
            found.append(Limit("most batches a day", row.label[1], "batch", -float(price), held))
    if kitchen.cold_store:
        rest = reduced_costs(sparse, linear.prices)
        for column, label in sparse.labels.items():
            if label[0] == "level" and rest[column] < -_WORTH_SAYING:
                store = kitchen.cold_store[label[1]]
                name = "cold store" + (f" for {', '.join(store.materials)}" if store.materials else "")
                found.append(Limit(name, label[2], "kg", -float(rest[column]), held))
    return sorted(found, key=lambda limit: -limit.price)
