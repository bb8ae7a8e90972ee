"""What each limit of the kitchen costs: money that one more unit of it would save.

Prices of a linear program are its dual values. With whole numbers they are those of the linear program that is left
when every whole number is held where the plan has it, and are said to be so.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.model.kitchen import Limit
from optimizer.plan.settle.engine import Solved

_WORTH_SAYING = 1e-6


@dataclass(frozen=True)
class Priced:
    """A limit with its price: money saved by one more ``unit`` of it; ``held`` where whole numbers were held."""

    what: str
    day: int | None
    unit: str
    price: float
    held: bool


def priced(program: WeekProgram, linear: Solved) -> list[Priced]:
    """Every kitchen limit that costs anything, dearest first; ``linear`` has the prices of all rows, or none."""
    found, held = [], program.sparse.has_whole
    for row, price in zip(program.sparse.rows, linear.prices, strict=False):
        limit = row.label[0]
        if isinstance(limit, Limit) and abs(price) > _WORTH_SAYING:
            found.append(Priced(limit.rule.name, limit.day, limit.rule.change[2], -float(price), held))
    return sorted(found, key=lambda limit: -limit.price)
