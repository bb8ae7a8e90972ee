"""Curves as an HTML page with inline pictures."""

from __future__ import annotations

from typing import Any

from optimizer.pages.chart import END, across, render, upwards
from optimizer.why.curves import CurveDrawn
from optimizer.why.explain import Explanation


def html(found: Explanation) -> str:
    """The page, with every text from the input escaped."""
    entry = found.answer.problem.recipe.entry
    money = f"least cost of the batch{', ' + entry.currency if entry.currency else ''}"
    return render("why/prices.html", title=entry.name, charts=[_chart(curve) for curve in found.curves], money=money)


def _chart(curve: CurveDrawn) -> dict[str, Any]:
    every = [*curve.points, curve.present]
    x = across([float(p.figure) for p in every])
    y = upwards([float(p.cost) for p in every])
    spots = [(x.at(float(p.figure)), y.at(float(p.cost)), p) for p in curve.points]
    now_x = x.at(float(curve.present.figure))
    far = now_x > END - 60
    walls = [spots[k][0] for k, closed in ((0, curve.closed[0]), (-1, curve.closed[1])) if closed and spots]
    kinks = [(px, py, p) for px, py, p in spots if p.kink]
    rises = bool(spots) and curve.points[-1].cost > curve.points[0].cost
    now_y = y.at(float(curve.present.cost))
    note = f"Found: {curve.means}. The full point, marked now, is the batch as it stands"
    note += "; beyond a dashed line no batch exists." if walls else "."
    told = [p for _, _, p in kinks] or list(curve.points)  # a table stands below every curve
    return {
        "title": curve.title,
        "axis": curve.axis,
        "x_ticks": x.ticks(),
        "y_ticks": y.ticks(),
        "path": " ".join(f"{px},{py}" for px, py, _ in spots),
        "kinks": [(px, py, f"{float(p.figure):.4g}: {p.kink}") for px, py, p in kinks],
        "walls": walls,
        "now": (now_x, now_y, now_x + (-8 if far else 8), "end" if far else "start", now_y + (22 if rises else -12)),
        "note": note,
        "rows": [(f"{float(p.figure):.4g}", f"{float(p.cost):.2f}", p.kink) for p in told],
    }
