"""The explanation as one JSON document. Keys may be added, never renamed."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from constraints.requirement import Requirement
from optimizer.blend import Answer
from optimizer.cause import cause
from optimizer.lawful import lawful_doses
from optimizer.pages.answer_json import as_dict, what_would_pass
from optimizer.pages.record import json_text
from optimizer.remarks import verdict_of
from optimizer.why.curves import Curve
from optimizer.why.explain import Explanation
from optimizer.why.limits import LimitPrice, Side
from optimizer.why.lots import LotPrice
from optimizer.why.offered import OfferWorth
from optimizer.why.way import Way
from optimizer.why.what_if import Change
from optimizer.words import CAUTION


def document(explanation: Explanation, curves: Sequence[Curve] = ()) -> str:
    """The explanation as text, ending in a newline."""
    return json_text(explanation_dict(explanation, curves))


def explanation_dict(explanation: Explanation, curves: Sequence[Curve] = ()) -> dict[str, Any]:
    """The explanation as plain data: money per unit of the limit, kilograms and prices of lots as held."""
    answer, ground, out = explanation.answer, explanation.ground, explanation.out
    return {
        "status": str(answer.status),
        "verdict": verdict_of(answer).as_dict(),
        "recipe": answer.problem.recipe.entry.name,
        "currency": answer.problem.recipe.entry.currency,
        "cost": None if ground is None else float(ground.cost),
        "means": None if ground is None else str(ground.means),
        "unsaid": explanation.unsaid,
        "binding": [_limit(price) for price in explanation.limits],
        "margins": [
            {**_named(m.requirement), "value": _number(m.value), "margin": _number(m.margin)}
            for m in explanation.margins
        ],
        "lots": [_lot(lot) for lot in explanation.lots],
        "offers": [_offer(worth) for worth in explanation.offers],
        "conflict": None if out is None else _conflict(explanation),
        "what_would_pass": what_would_pass(lawful_doses(answer)),
        "what_if": None if explanation.change is None else _change(explanation.change),
        "curves": [_curve(curve) for curve in curves],
        "unfinished": [
            {"part": str(left.part), "what": left.what, "why": "time" if left.time else "search given up"}
            for left in explanation.unfinished
        ],
        "caution": CAUTION,
    } | ({"broken": _broken(answer)} if answer.refused else {})


def _broken(answer: Answer) -> list[dict[str, Any]]:
    """The limits for which a batch must not be made."""
    broken = [check for check in answer.checks if check.ok is False and check.requirement.origin.blocks]
    return [{**_named(check.requirement), "value": _number(check.value)} for check in broken]


def _number(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _named(r: Requirement) -> dict[str, Any]:
    return {
        "rule": r.origin.rule, "what": r.what, "basis": r.basis, "unit": r.unit, "min": _number(r.lo),
        "max": _number(r.hi), "legal": r.origin.legal,
    }  # fmt: skip


def _side(side: Side | None) -> dict[str, Any] | None:
    if side is None:
        return None
    return {
        "possible": side.possible,
        "saves_per_unit": _number(side.saves),
        "until": _number(side.until),
        "saves_per_unit_until": _number(side.saves if side.straight else side.until_saves),
        "saved_there": _number(side.saved_there),
        "straight": side.straight,
        "no_batch_beyond": side.ends_there,
        "beyond": list(side.beyond),
        "saves_per_unit_beyond": _number(side.beyond_saves),
    }


def _limit(price: LimitPrice) -> dict[str, Any]:
    return {
        **_named(price.requirement),
        "limit": {"lo": "min", "hi": "max", "both": "size"}[price.limit],
        "figure": float(price.figure),
        "means": str(price.means),
        "loosen": _side(price.loosen),
        "tighten": _side(price.tighten),
        "one_unit_solved_again_saves": _number(price.unit_saving),
    }


def _lot(lot: LotPrice) -> dict[str, Any]:
    return {
        "lot": lot.lot.name,
        "used_kg": float(lot.used_kg),
        "price_per_kg": float(lot.price),
        "means": str(lot.means),
        "used_up_to_per_kg": _number(lot.stays_to),
        "kg_then": float(lot.kg_then),
        "needed": lot.needed,
        "same_blend_from_per_kg": _number(lot.same_from),
        "same_blend_to_per_kg": _number(lot.same_to),
        "more_on_hand": _side(lot.more),
        "amounts": [{"per_kg": float(price), "kg": float(kg)} for price, kg in lot.amounts],
    }


def _offer(worth: OfferWorth) -> dict[str, Any]:
    order = None if worth.kg_asked is None else worth.offer.ordered(worth.kg_asked)
    return {
        "offer": worth.offer.lot.name,
        "price_per_kg": _number(worth.offer.price),
        "means": str(worth.means),
        "left_out": worth.left_out,
        "possible": worth.possible,
        "needed": worth.needed,
        "most_per_kg": _number(worth.most),
        "kg_at_most": float(worth.kg),
        "wanted": [{"below_per_kg": float(price), "kg": float(kg)} for price, kg in worth.steps],
        "kg_at_price": _number(worth.kg_asked),
        "saving_at_price": _number(worth.saving),
        "cost_at_price": _number(worth.cost_asked),
        "kg_to_order": _number(order),
        "order_costs": None if order is None else _number(worth.offer.pays(order)),
        "order_pack_kg": _number(worth.offer.pack),
        "smallest_order_kg": float(worth.offer.smallest),
        "cheaper_from": [{"kg": float(low), "price_per_kg": float(price)} for low, price in worth.offer.breaks],
        "not_counted": list(worth.offer.uncounted),
    }


def _conflict(explanation: Explanation) -> dict[str, Any]:
    answer, out = explanation.answer, explanation.out
    assert out is not None
    found = answer.conflict
    return {
        "requirements": [{**_named(r), "words": r.words()} for r in (found.requirements if found else ())],
        "smallest": bool(found is None or found.smallest),
        "certain": bool(found is None or found.certain),
        "packs_matter": bool(found and found.packs_matter),
        "scale_prevents": [r.words() for r in answer.scale_prevents],
        "cause": cause(answer),
        "ways": [_way(way) for way in out.ways],
    }


def _way(way: Way) -> dict[str, Any]:
    return {
        "kind": str(way.kind),
        "cost": _number(way.cost),
        "concessions": [
            {**_named(c.requirement), "limit": {"lo": "min", "hi": "max", "both": "size"}[c.limit],
             "from": float(c.old), "to": float(c.new)}
            for c in way.concessions
        ],
        "lots": [
            {"lot": lot.name, "fat_pct": float(lot.properties["fat_pct"]), "kg": float(kg)} for lot, kg in way.lots
        ],
        "spend": _number(way.spend),
        "figure_kg": _number(way.figure),
        "left_out": None if way.dropped is None else way.dropped.words(),
        "weighed": way.weighed,
        "confidence": None if way.probability is None else [float(p) for p in way.probability],
        "set": list(way.typed),
    }  # fmt: skip


def _change(change: Change) -> dict[str, Any]:
    return {
        "set": [{"path": s.path, "value": s.value} for s in change.settings],
        "saving": _number(change.saving),
        "old": as_dict(change.old),
        "new": as_dict(change.new),
        "lots": [{"lot": m.name, "old_kg": float(m.old), "new_kg": float(m.new)} for m in change.lots],
        "figures": [
            {
                "what": f.what, "unit": f.unit, "old": _number(f.old), "new": _number(f.new),
                "old_limits": f.old_limits, "new_limits": f.new_limits, "old_binds": f.old_binds,
                "new_binds": f.new_binds,
            }
            for f in change.figures
        ],
    }  # fmt: skip


def _curve(curve: Curve) -> dict[str, Any]:
    return {
        "title": curve.title,
        "axis": curve.axis,
        "means": str(curve.means),
        "points": [{"figure": float(p.figure), "cost": float(p.cost), "kink": p.kink} for p in curve.points],
        "present": {"figure": float(curve.present.figure), "cost": float(curve.present.cost)},
        "no_batch_beyond": list(curve.closed),
        "amounts": [{"from": float(a), "to": float(b), "kg": float(kg)} for a, b, kg in curve.amounts],
    }
