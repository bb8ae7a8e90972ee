"""Everything said of a plan, gathered once: the page and the JSON document only print it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

import numpy as np

from optimizer.plan.engine import solve
from optimizer.plan.find import Plan
from optimizer.plan.in_order import InOrder
from optimizer.plan.limits import Limit, priced
from optimizer.plan.proof import reduced_costs
from optimizer.plan.recheck import stock_by_day
from optimizer.plan.sparse import Floats
from optimizer.plan.way_out import NoPlan
from optimizer.plan.world import Supply

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Expiring:
    """A supply that dies inside the horizon with kilograms left, as held; ``lost`` is price less salvage on them.

    ``batch`` on ``day`` is where a kilogram more of it would cost least beyond what it replaces, ``saving_costs`` money
    per usable kilogram; None where no batch may take it.
    """

    supply: Supply
    last: date
    left: Fraction
    lost: Fraction
    batch: str | None
    day: date | None
    saving_costs: float | None


@dataclass
class Outcome:
    """A plan with all that is said of it."""

    plan: Plan
    in_order: InOrder | None = None
    limits: list[Limit] = field(default_factory=list)
    stock: dict[int, list[Fraction]] = field(default_factory=dict)
    expiring: list[Expiring] = field(default_factory=list)
    no_plan: NoPlan | None = None
    done: list[dict[str, Any]] = field(default_factory=list)
    fewest_changes: int | None = None

    @property
    def saving(self) -> float | None:
        """Money that planning together saves against batch by batch, both before rounding; None where not known."""
        if self.in_order is None or self.in_order.cost is None or not self.plan.solved.found:
            return None
        return self.in_order.cost - self.plan.solved.cost


def gather(plan: Plan, compared: InOrder | None) -> Outcome:
    """All figures of a plan that was found."""
    found = Outcome(plan, compared)
    if plan.money is None:
        return found
    found.limits = priced(plan.program, plan.solved)
    found.stock = stock_by_day(plan.program, plan.made, plan.orders)
    found.expiring = _expiring(plan)
    return found


def _expiring(plan: Plan) -> list[Expiring]:
    world, program = plan.world, plan.program
    have = dict(program.stock)
    have.update({o.supply_index: o.kg for o in plan.orders})
    paid = {o.supply_index: o.price for o in plan.orders}
    dying = [s for s in have if not world.supplies[s].keeps]
    left = {s: have[s] - sum((m.taken.get(s, _ZERO) for m in plan.made), _ZERO) for s in dying}
    left = {s: kg for s, kg in left.items() if kg > 0}
    if not left:
        return []
    linear = solve(program.sparse, pinned=plan.solved.values) if program.sparse.has_whole else plan.solved
    rest = reduced_costs(program.sparse, linear.prices)
    cheapest = _cheapest_use(plan, rest) if len(rest) else {}
    found = []
    for s, kg in sorted(left.items(), key=lambda pair: (world.supplies[pair[0]].last, world.supplies[pair[0]].name)):
        supply = world.supplies[s]
        best = cheapest.get(s)
        found.append(
            Expiring(
                supply, world.date(supply.last), kg, kg * (paid.get(s, supply.price) - supply.worth),
                None if best is None else best[1], None if best is None else world.date(best[2]),
                None if best is None else max(best[0], 0.0),
            )
        )  # fmt: skip
    return found


def _cheapest_use(plan: Plan, rest: Floats) -> dict[int, tuple[float, str, int]]:
    """For each supply what a kilogram more of it costs where that is least, the batch and the day."""
    blocks = [block for block in plan.program.blocks if len(block.supplies)]
    if not blocks:
        return {}
    supplies = np.concatenate([block.supplies for block in blocks])
    costs = np.concatenate([rest[block.columns] for block in blocks])
    ranks = {name: k for k, name in enumerate(sorted({block.job.name for block in blocks}))}
    rank = np.repeat([ranks[block.job.name] * plan.world.days + block.day for block in blocks],
                     [len(block.supplies) for block in blocks])  # fmt: skip
    owner = np.repeat(np.arange(len(blocks)), [len(block.supplies) for block in blocks])
    order = np.lexsort((rank, costs, supplies))
    names, first = np.unique(supplies[order], return_index=True)
    return {
        int(s): (float(costs[order[k]]), blocks[owner[order[k]]].job.name, blocks[owner[order[k]]].day)
        for s, k in zip(names, first, strict=True)
    }


def by_day(outcome: Outcome) -> Sequence[tuple[date, Fraction, Fraction, Fraction]]:
    """Each day with kilograms as held used, delivered, and in stock at its end."""
    plan = outcome.plan
    rows = []
    for day, on in enumerate(plan.world.week.dates):
        used = sum((kg for one in plan.made if one.day == day for kg in one.taken.values()), _ZERO)
        came = sum((o.kg for o in plan.orders if o.delivered == on), _ZERO)
        rows.append((on, used, came, sum((levels[day] for levels in outcome.stock.values()), _ZERO)))
    return rows
