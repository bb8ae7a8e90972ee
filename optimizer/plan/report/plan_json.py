"""The JSON document of a plan, and its order and pull lists as CSV. Keys may be added, never renamed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from optimizer.blend import Status
from optimizer.pages.answer_json import as_dict
from optimizer.pages.record import json_text
from optimizer.plan.report.outcome import Outcome, by_day, figures_of
from optimizer.plan.settle.weigh import Made
from optimizer.reading.table import text_cell
from optimizer.words import CAUTION


def plan_document(outcome: Outcome) -> str:
    """The plan as one JSON document, ending in a newline."""
    return json_text(plan_dict(outcome))


def stopped_document() -> str:
    """The document where the time was over before there was anything to plan."""
    stopped: dict[str, Any] = {
        "status": str(Status.TIME_LIMIT),
        "orders": [],
        "batches": [],
        "money": None,
        "certificate": None,
    }
    return json.dumps(stopped | {"caution": CAUTION}, indent=2) + "\n"


def plan_dict(outcome: Outcome) -> dict[str, Any]:
    """The plan as plain data, numbers as floats nearest to the exact figures."""
    plan = outcome.plan
    week = plan.world.week
    shown = plan.money is not None and plan.status is not Status.DO_NOT_MAKE
    return {
        "status": outcome.verdict,
        "caution": CAUTION,
        "plan": week.entry.name,
        "start": week.entry.start.isoformat(),
        "days": week.entry.days,
        "currency": week.entry.currency,
        "orders": _orders(outcome) if shown else [],
        "batches": [*outcome.done, *([_batch(outcome, one) for one in plan.made] if shown else [])],
        "stock": _stock(outcome) if shown else [],
        "by_day": _by_day(outcome) if shown else [],
        "expiring": _expiring(outcome) if shown else [],
        "money": _money(outcome) if shown else None,
        "in_order": _in_order(outcome),
        "limits": [
            {"what": x.what, "date": None if x.day is None else plan.world.date(x.day).isoformat(),
             "saves": x.price, "for_one_more": x.unit, "whole_numbers_held": x.held}
            for x in outcome.limits
        ],
        "certificate": _certificate(outcome),
        "no_plan": _no_plan(outcome),
        "fewest_changes": outcome.fewest_changes,
        "missed": list(outcome.missed),
        "hold": list(outcome.hold),
        "coming": [
            {"offer": o.offer, "delivered": o.delivered.isoformat(), "kg": float(o.kg)} for o in outcome.coming
        ],
        "left_out": list(outcome.left_out),
        "left_out_why": dict(outcome.left_out_why),
        "left_over": [
            {"offer": x.supply.name, "delivered": x.came.isoformat(), "kg": float(x.kg), "worth": float(x.worth),
             "use_by": None if x.supply.lot.use_by is None else x.supply.lot.use_by.isoformat()}
            for x in (outcome.left_over if shown else ())
        ],
        "lots_left_out": [{"lot": name, "why": why} for name, why in outcome.lots_left_out],
        "size": {"columns": plan.program.sparse.size, "rows": len(plan.program.sparse.rows)},
    }  # fmt: skip


def _orders(outcome: Outcome) -> list[dict[str, Any]]:
    return [
        {
            "offer": o.offer.name, "supplier": o.offer.terms.supplier, "material": o.supply.lot.material,
            "kg": float(o.kg),
            "packs": o.packs, "price_per_kg": float(o.price), "money": float(o.money),
            "delivery_charge": float(o.offer.terms.delivery_charge), "order_by": o.order_by.isoformat(),
            "delivered": o.delivered.isoformat(),
        }
        for o in outcome.plan.orders
    ]  # fmt: skip


def pulls(outcome: Outcome, one: Made) -> list[dict[str, Any]]:
    """What a batch takes from the cooler: lot or offer, its day of delivery where bought, kilograms as held."""
    world = outcome.plan.world
    found = []
    for s, kg in sorted(one.taken.items(), key=lambda pair: (world.supplies[pair[0]].name, pair[0])):
        supply = world.supplies[s]
        delivered = None if supply.offer is None else world.date(supply.first).isoformat()
        found.append({
            "lot": supply.name, "delivered": delivered, "material": supply.lot.material, "held_kg": float(kg),
            "kg": float(kg * supply.lot.usable),
        })  # fmt: skip
    return found


def _batch(outcome: Outcome, one: Made) -> dict[str, Any]:
    return {
        "batch": one.job.name,
        "date": one.on.isoformat(),
        "pulls": pulls(outcome, one),
        "figures": {
            name: value if value is None or isinstance(value, int) else float(value)
            for name, value in vars(figures_of(one)).items()
        },
        "answer": as_dict(one.answer),
    }


def _stock(outcome: Outcome) -> list[dict[str, Any]]:
    world = outcome.plan.world
    return [
        {
            "lot": world.supplies[s].name,
            "delivered": None if world.supplies[s].offer is None else world.date(world.supplies[s].first).isoformat(),
            "kg_at_end_of_day": [float(kg) for kg in levels],
        }
        for s, levels in outcome.stock.items()
    ]


def _by_day(outcome: Outcome) -> list[dict[str, Any]]:
    return [
        {"date": on.isoformat(), "used_kg": float(used), "delivered_kg": float(came), "stock_kg": float(left)}
        for on, used, came, left in by_day(outcome)
    ]


def _expiring(outcome: Outcome) -> list[dict[str, Any]]:
    return [
        {
            "lot": e.supply.name, "last_day": e.last.isoformat(), "kg": float(e.left), "lost": float(e.lost),
            "save_in": e.batch, "save_on": None if e.day is None else e.day.isoformat(),
            "saving_costs_per_kg": e.saving_costs,
        }
        for e in outcome.expiring
    ]  # fmt: skip


def _money(outcome: Outcome) -> dict[str, float] | None:
    found = outcome.plan.money
    if found is None:
        return None
    names = (
        "minimised", "cash", "orders", "charges", "additions", "holding", "used", "left", "lost", "product",
        "stock_used", "bought_left", "dose_rounding",
    )  # fmt: skip
    return {name: float(getattr(found, name)) for name in names} | {"unrounded": outcome.plan.solved.cost}


def _in_order(outcome: Outcome) -> dict[str, Any] | None:
    if outcome.in_order is None:
        return None
    return {"cost": outcome.in_order.cost, "stuck": outcome.in_order.stuck or None, "saving": outcome.saving}


def _certificate(outcome: Outcome) -> dict[str, Any] | None:
    found = outcome.plan.certificate
    if found is None:
        return None
    return {
        "feasible": found.sound,
        "cost": float(found.cost),
        "lower_bound": None if found.lower_bound is None else float(found.lower_bound),
        "gap": None if found.gap is None else float(found.gap),
        "reported_bound": found.reported,
        "faults": list(found.faults),
        "excess": [excess.words for excess in found.excess],
    }


def _no_plan(outcome: Outcome) -> dict[str, Any] | None:
    found, world = outcome.no_plan, outcome.plan.world
    if found is None:
        return None
    return {
        "impossible": [{"batch": batch, "requirement": r.words()} for batch, r in found.impossible],
        "batches": list(found.batches),
        "limits": list(found.limits),
        "materials": list(found.materials),
        "ways": [
            {
                "way": str(way.way),
                "changes": [
                    {"what": c.what, "date": None if c.day is None else world.date(c.day).isoformat(),
                     "amount": c.amount, "unit": c.unit}
                    for c in way.changes
                ],
            }
            for way in found.ways
        ],
    }  # fmt: skip


def orders_csv(outcome: Outcome) -> str:
    """The order list as CSV, one line an offer and delivery."""
    rows = _orders(outcome) if outcome.plan.status is not Status.DO_NOT_MAKE else []
    names = ("order_by", "delivered", "supplier", "offer", "material", "packs", "kg", "price_per_kg", "money")
    return _csv(names, [[row[name] for name in names] for row in rows])


def pulls_csv(outcome: Outcome) -> str:
    """The pull list as CSV, one line a lot and batch; kilograms as held and usable."""
    rows = []
    for one in outcome.plan.made if outcome.plan.status is not Status.DO_NOT_MAKE else ():
        for pull in pulls(outcome, one):
            cells = [pull["lot"], pull["delivered"], pull["material"], pull["held_kg"], pull["kg"]]
            rows.append([one.on.isoformat(), one.job.name, *cells])
    return _csv(("date", "batch", "lot", "delivered", "material", "held_kg", "usable_kg"), rows)


def _csv(names: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    import pandas  # late: only where a list is asked for

    cells = [[text_cell(cell) if isinstance(cell, str) else cell for cell in row] for row in rows]
    return str(pandas.DataFrame(cells, columns=list(names), dtype=object).to_csv(index=False, lineterminator="\n"))
