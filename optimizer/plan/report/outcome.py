"""Everything said of a plan, gathered once: the page and the JSON document only print it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

import numpy as np

from constraints.ingredients import FAT, SALT
from constraints.meaning import BY_ION, Stage
from constraints.quantities import Basis
from constraints.vector import Floats
from optimizer.plan.files.plan_file import PlannedOrder
from optimizer.plan.model.world import Job, Supply, World
from optimizer.plan.report.limit_prices import Priced, priced
from optimizer.plan.report.way_out import NoPlan
from optimizer.plan.settle.engine import Solved, solve
from optimizer.plan.settle.find import Plan
from optimizer.plan.settle.in_order import InOrder
from optimizer.plan.settle.recheck import stock_by_day
from optimizer.plan.settle.week_bound import reduced_costs
from optimizer.plan.settle.weigh import Made
from optimizer.summary import casing_need, composition, costs

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


@dataclass(frozen=True)
class LeftOver:
    """Kilograms as held of a delivery that no batch of the week uses and that keep, and what they are worth."""

    supply: Supply
    came: date
    kg: Fraction
    worth: Fraction


@dataclass(frozen=True)
class Figures:
    """A batch at a glance; None where a figure is not known, or there is none. ``cost_per_kg`` is cash a kilogram."""

    fat_pct: Fraction | None
    salt_pct: Fraction | None
    nitrite_ppm: Fraction | None
    links: int | None
    cost_per_kg: Fraction
    loads: int


def figures_of(one: Made) -> Figures:
    """The figures of a batch as weighed."""
    problem, weighed = one.answer.problem, one.answer.weighed
    assert weighed is not None
    total = weighed.total
    nitrite = [
        check.value for check in one.answer.checks
        if check.requirement.regulates.stage is Stage.INGOING and check.value is not None
        and check.requirement.regulates.substances & set(BY_ION["nitrite"])
    ]  # fmt: skip
    casing = casing_need(problem, total)
    return Figures(
        composition(total, Basis.MEAT).get(FAT), composition(total, Basis.BATCH).get(SALT), max(nitrite, default=None),
        None if casing is None else casing.links, costs(problem, weighed).per_kg_batch, max(len(weighed.loads), 1),
    )  # fmt: skip


def _why_left_out(job: Job) -> str:
    if not job.days:
        return "no day on which it can be made"
    broken = {r.words(): None for rows in job.rows.values() for r in rows.impossible}
    if broken:
        return f"it cannot be made: {'; '.join(broken)}"
    return "not worth making, or there is not enough for it"


def _left_over(plan: Plan) -> Iterator[LeftOver]:
    have = {s: kg for s, kg in plan.program.stock.items() if plan.world.supplies[s].offer is not None}
    have |= {o.supply_index: o.kg for o in plan.orders}
    for s, kg in sorted(have.items()):
        supply = plan.world.supplies[s]
        left = kg - sum((one.taken.get(s, _ZERO) for one in plan.made), _ZERO)
        if left > 0 and supply.keeps:
            yield LeftOver(supply, plan.world.date(supply.first), left, left * supply.worth)


@dataclass
class Outcome:
    """A plan with all that is said of it."""

    plan: Plan
    in_order: InOrder | None = None
    limits: list[Priced] = field(default_factory=list)
    stock: dict[int, list[Fraction]] = field(default_factory=dict)
    expiring: list[Expiring] = field(default_factory=list)
    no_plan: NoPlan | None = None
    done: list[dict[str, Any]] = field(default_factory=list)
    fewest_changes: int | None = None
    missed: tuple[str, ...] = ()
    """Batches that were not made and whose days are past."""
    hold: tuple[str, ...] = ()
    """Batches already made of which something told since puts a check in doubt, each in words."""
    gone: tuple[tuple[int, int, Fraction], ...] = ()
    """What batches already made took: supply, day and kilograms as held."""
    coming: tuple[PlannedOrder, ...] = ()
    """Orders of the plan before that are out."""

    @property
    def verdict(self) -> str:
        """One word for the whole: that of the plan, *hold* where something already made must be held back, or
        *not_all_holds* where the scales do not allow every limit of the kitchen to be kept.
        """
        if self.hold:
            return "hold"
        excess = self.plan.certificate is not None and self.plan.certificate.excess
        return "not_all_holds" if excess and self.plan.status.exit_code != 1 else str(self.plan.status)

    @property
    def exit_code(self) -> int:
        """That of the plan; 1 where something already made must be held back."""
        return 1 if self.verdict in ("hold", "not_all_holds") else self.plan.status.exit_code

    @property
    def left_out(self) -> tuple[str, ...]:
        """Batches that a plan leaves out."""
        return tuple(name for name, _ in self.left_out_why)

    @property
    def left_out_why(self) -> tuple[tuple[str, str], ...]:
        """Batches that a plan leaves out, each with the reason."""
        made = {one.job.name for one in self.plan.made}
        known = {b["batch"] for b in self.done} | set(self.missed) | made
        jobs = self.plan.world.jobs if self.plan.made else ()
        return tuple(sorted((job.name, _why_left_out(job)) for job in jobs if job.name not in known))

    @property
    def left_over(self) -> tuple[LeftOver, ...]:
        """What was ordered, now or before, and no batch of the week uses."""
        return tuple(_left_over(self.plan))

    @property
    def lots_left_out(self) -> tuple[tuple[str, str], ...]:
        """Lots that no day of the week can use, with the reason."""
        return tuple(_left_out(self.plan.world))

    @property
    def saving(self) -> float | None:
        """Money that planning together saves against batch by batch, both before rounding; None where not known."""
        if self.in_order is None or self.in_order.cost is None or not self.plan.solved.found:
            return None
        return self.in_order.cost - self.plan.solved.cost


def _left_out(world: World) -> Iterator[tuple[str, str]]:
    used = {supply.name for supply in world.supplies if supply.offer is None}
    start, end = world.week.dates[0], world.week.dates[-1]
    for lot in world.week.lots.lots:
        if lot.name in used:
            continue
        if lot.on_hold:
            yield lot.name, "on hold"
        elif lot.use_by is not None and lot.use_by < start:
            yield lot.name, f"past its use-by {lot.use_by.isoformat()}"
        elif lot.received is not None and lot.received > end:
            yield lot.name, f"comes on {lot.received.isoformat()}, after the week"
        else:
            yield lot.name, "nothing of it can be used"


def gather(
    plan: Plan, compared: InOrder | None, gone: Sequence[tuple[int, int, Fraction]] = (), *, quick: bool = False
) -> Outcome:
    """All figures of a plan that was found; ``gone`` is what batches already made took: supply, day, kilograms.

    ``quick`` leaves out what has to be solved for. Raises OutOfTime otherwise.
    """
    found = Outcome(plan, compared, gone=tuple(gone))
    if plan.money is None:
        return found
    pinned = plan.program.sparse.has_whole and not quick
    linear = solve(plan.program.sparse, pinned=plan.solved.values) if pinned else plan.solved
    found.limits = priced(plan.program, linear)
    found.stock = _with_done(plan.world, stock_by_day(plan.program, plan.made, plan.orders), gone)
    found.expiring = _expiring(plan, linear)
    return found


def _with_done(
    world: World, levels: dict[int, list[Fraction]], gone: Sequence[tuple[int, int, Fraction]]
) -> dict[int, list[Fraction]]:
    """Stock at the end of each day with what batches already made took on the days before they took it."""
    found = {s: list(kilograms) for s, kilograms in levels.items()}
    for s, day, kg in gone:
        for before in range(world.supplies[s].first, day):
            found[s][before] += kg
    return found


def _expiring(plan: Plan, linear: Solved) -> list[Expiring]:
    world, program = plan.world, plan.program
    have = dict(program.stock)
    have.update({o.supply_index: o.kg for o in plan.orders})
    paid = {o.supply_index: o.price for o in plan.orders}
    dying = [s for s in have if not world.supplies[s].keeps]
    left = {s: have[s] - sum((m.taken.get(s, _ZERO) for m in plan.made), _ZERO) for s in dying}
    left = {s: kg for s, kg in left.items() if kg > 0}
    if not left:
        return []
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
    ordered = {s: kg for s, kg in plan.program.stock.items() if plan.world.supplies[s].offer is not None}
    for s, _, kg in outcome.gone:
        if s in ordered:
            ordered[s] += kg
    rows = []
    for day, on in enumerate(plan.world.week.dates):
        used = sum((kg for one in plan.made if one.day == day for kg in one.taken.values()), _ZERO)
        used += sum((kg for _, at, kg in outcome.gone if at == day), _ZERO)
        came = sum((o.kg for o in plan.orders if o.delivered == on), _ZERO)
        came += sum((kg for s, kg in ordered.items() if plan.world.supplies[s].first == day), _ZERO)
        rows.append((on, used, came, sum((levels[day] for levels in outcome.stock.values()), _ZERO)))
    return rows
