"""The JSON document of an answer. Keys may be added, never renamed."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from constraints.formula import Batch
from constraints.ingredients import Lot
from constraints.numbers import G_PER_KG
from constraints.quantities import Basis
from optimizer.blend import Answer, Check, unrounded
from optimizer.lawful import LawfulDose, lawful_doses
from optimizer.pages.json_text import json_text
from optimizer.remarks import cured_lots, left_out, notes, verdict_of, warnings
from optimizer.summary import KNOWN, casing_need, composition, costs, dying_lots, finished_kg, weight
from optimizer.words import CAUTION

if TYPE_CHECKING:
    from optimizer.near import Near
    from optimizer.sure import Sure


def document(answer: Answer, near: Near | None = None) -> str:
    """The answer as one JSON document, ending in a newline; ``near`` adds the trade-off of a near-cheapest choice."""
    found = as_dict(answer)
    if near is not None:
        found["near"] = _near(near)
    return json_text(found)


def _near(near: Near) -> dict[str, Any]:
    steps = ({"premium_pct": s.premium_pct, "cost": s.cost, "figure": s.figure} for s in near.steps)
    return {
        "wish": str(near.wish),
        "figure": near.wish.words,
        "premium_pct": float(near.premium_pct),
        "cheapest": float(near.cheapest),
        "trade_off": [{key: float(value) for key, value in step.items()} for step in steps],
    }


def _sure(sure: Sure | None) -> dict[str, Any] | None:
    if sure is None:
        return None
    return {
        "asked": sure.words,
        "price": _number(sure.price),
        "limits": [
            {
                "what": r.what,
                "basis": r.basis,
                "limit": found.label,
                "side": found.side,
                "probability": found.probability,
            }
            for r, found in sure.likely
        ],
        "measure_again": [
            {"lot": a.lot.name, "sd_now": float(a.now.sd), "sd_then": float(a.then.sd), "saving": float(a.saving)}
            for a in sure.again
        ],
    }


def as_dict(answer: Answer) -> dict[str, Any]:
    """The answer as plain data, numbers as floats nearest to the exact figures."""
    problem, weighed = answer.problem, answer.weighed
    total = weighed.total if weighed else None
    finished = finished_kg(problem, total) if total else None
    return {
        "status": str(answer.status),
        "verdict": verdict_of(answer).as_dict(),
        "other_names": list(answer.other_names),
        "recipe": problem.recipe.entry.name,
        "rules": [pack.pack for pack in problem.packs],
        "date": problem.order.day.isoformat(),
        "ordered": {
            "basis": str(problem.order.basis),
            "kg": float(problem.order.kilograms),
            "within_kg": float(problem.order.within_kg),
        },
        "cured": problem.recipe.cured or bool(cured_lots(answer)),
        "meat_kg": float(weight(total, Basis.MEAT)) if total else None,
        "batch_kg": float(weight(total, Basis.BATCH)) if total else None,
        "finished_kg": _number(finished),
        "cost": _cost(answer),
        "lots": _lots(total) if total else [],
        "composition": _composition(answer, total),
        "weigh_out": _weigh_out(total) if total else [],
        "loads": [
            {"load": number, "lots": _lots(load), "weigh_out": _weigh_out(load)}
            for number, load in enumerate(weighed.loads if weighed else (), start=1)
        ],
        "casing": _casing(answer, total),
        "checks": [_check(check) for check in answer.checks],
        "dying": [
            {
                "lot": entry.lot.name,
                "use_by": entry.lot.use_by.isoformat() if entry.lot.use_by else None,
                "used_kg": float(entry.used_kg),
                "left_kg": float(entry.left_kg),
                "loss": float(entry.loss),
            }
            for entry in dying_lots(problem, total)
        ],
        "confidence": _sure(answer.sure),
        "certificate": _certificate(answer),
        "conflict": _conflict(answer),
        "what_would_pass": what_would_pass(lawful_doses(answer)),
        "left_out": left_out(problem),
        "warnings": warnings(answer),
        "notes": notes(answer),
        "caution": CAUTION,
    }


def what_would_pass(doses: Iterable[LawfulDose]) -> list[dict[str, Any]]:
    """The dose that would be lawful, for each addition whose dose is not."""
    return [
        {"addition": dose.addition, "key": dose.key, "at": "most" if dose.most else "least",
         "value": _number(dose.value), "words": dose.words()}
        for dose in doses
    ]  # fmt: skip


def _number(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _cost(answer: Answer) -> dict[str, Any] | None:
    if answer.weighed is None or answer.optimum is None:
        return None
    found = costs(answer.problem, answer.weighed)
    return {
        "optimum": float(answer.optimum.cost),
        "value_used": float(found.value_used),
        "cash": float(found.cash),
        "additions": float(found.additions),
        "per_kg_batch": float(found.per_kg_batch),
        "per_kg_finished": _number(found.per_kg_finished),
        "currency": answer.problem.recipe.entry.currency,
    }


def _lots(batch: Batch) -> list[dict[str, Any]]:
    return [
        {
            "lot": item.name,
            "material": item.material,
            "kg": float(kg),
            "held_kg": float(item.held_kg(kg)),
            "cost": float(kg * item.book_per_kg),
            "suspicions": list(item.suspicions),
        }
        for item, kg in batch.kilograms.items()
        if isinstance(item, Lot)
    ]


def _weigh_out(batch: Batch) -> list[dict[str, Any]]:
    meat = weight(batch, Basis.MEAT)
    return [
        {"item": item.name, "grams": float(kg * G_PER_KG), "g_per_kg_meat": float(kg / meat * G_PER_KG)}
        for item, kg in batch.kilograms.items()
        if not isinstance(item, Lot)
    ]


def _composition(answer: Answer, batch: Batch | None) -> dict[str, Any] | None:
    if batch is None:
        return None
    found: dict[str, Any] = {}
    for basis in Basis:
        if basis is Basis.FINISHED and not answer.problem.recipe.process.declared:
            found[str(basis)] = None
            continue
        found[str(basis)] = {name: float(value) for name, value in composition(batch, basis, KNOWN).items()}
    return found


def _casing(answer: Answer, batch: Batch | None) -> dict[str, Any] | None:
    need = casing_need(answer.problem, batch) if batch else None
    if need is None:
        return None
    return {
        "name": need.name,
        "filled_m": float(need.filled_m),
        "prepare_m": float(need.prepare_m),
        "links": need.links,
        "link_g_raw": _number(need.link_g_raw),
        "link_g_finished": _number(need.link_g_finished),
    }


def _check(check: Check) -> dict[str, Any]:
    requirement = check.requirement
    origin = requirement.origin
    return {
        "rule": origin.rule,
        "what": requirement.what,
        "value": _number(check.value),
        "worst_load": _number(check.worst_load),
        "unit": requirement.unit,
        "min": _number(requirement.lo),
        "max": _number(requirement.hi),
        "ok": check.ok,
        "blocks": origin.blocks,
        "basis": requirement.basis,
        "source": origin.source,
        "status": str(origin.status),
        "note": origin.note,
        "waived": origin.waived,
        "why": check.why,
    }


def _certificate(answer: Answer) -> dict[str, Any] | None:
    found = answer.certificate
    if found is None:
        return None
    return {
        "feasible": found.feasible,
        "cost": float(found.cost),
        "lower_bound": _number(found.lower_bound),
        "gap": _number(found.gap),
        "reported_bound": found.reported,
    }


def _conflict(answer: Answer) -> dict[str, Any] | None:
    if answer.scale_prevents:
        batch = unrounded(answer)
        return {
            "scale_prevents": True,
            "certain": answer.scale_certain,
            "requirements": [r.words() for r in answer.scale_prevents],
            "nearest": [],
            "unrounded_kg": {item.name: float(kg) for item, kg in batch.kilograms.items()} if batch else {},
        }
    if answer.conflict is None:
        return None
    return {
        "scale_prevents": False,
        "packs_matter": answer.conflict.packs_matter,
        "smallest": answer.conflict.smallest,
        "certain": answer.conflict.certain,
        "requirements": [r.words() for r in answer.conflict.requirements],
        "nearest": [
            {"what": reach.requirement.what, "unit": reach.requirement.unit, "value": _number(reach.nearest)}
            for reach in answer.conflict.reach
        ],
    }
