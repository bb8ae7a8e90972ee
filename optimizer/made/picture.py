"""The log as a picture that prints in grey: probes, set points, the table's line, time earned, stages of cooling."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from constraints.treatment import celsius
from optimizer.made.curve import Curve
from optimizer.made.found import Report
from optimizer.made.page import mark, verdict
from optimizer.pages.chart import Axis, across, render, upwards

MOST_POINTS = 400
DRAWN = {"core": "", "surface": "2 3", "chamber": "8 4", "freezer": "8 4", "set": "1 5"}
"""What is drawn, with the dashes by which it is told apart without colour."""


def picture(report: Report) -> str:
    """The page as HTML with one inline picture; everything from the input is escaped."""
    shown = [(curve, dashes) for role, dashes in DRAWN.items() for curve in report.log.of(role)]
    degrees_c = [float(celsius(curve.value(i))) for curve, _ in shown for i in range(0, len(curve), _step(curve))]
    x, y = across([0.0, float(report.log.minutes)]), upwards(degrees_c or [0.0])
    deciding = [(phase, phase.best) for phase in report.phases if not phase.warns and phase.best]
    spans = [
        {
            "x1": x.at(float(span.start)), "x2": x.at(float(span.end)) + 2, "y": y.at(float(celsius(span.level))),
            "earns": span.earns and bool(finding.ok), "words": f"{float(span.level):g} F, {span.name}",
        }
        for _, finding in deciding for span in finding.spans
    ]  # fmt: skip
    return render(
        "made/log.html", title=f"{report.product.recipe.entry.name}: {report.log.file}",
        verdict=" ".join((verdict(report), "; ".join(report.hold))),
        spans=spans,
        curves=_named_apart([_drawn(curve, dashes, x, y) for curve, dashes in shown]),
        since=f"minutes since {report.log.start:%Y-%m-%d %H:%M}" if report.log.start else "minutes",
        findings=[(mark(f, phase).strip(), f"{phase.title}: {f.words}") for phase, f in deciding],
        x_ticks=x.ticks(), y_ticks=y.ticks(),
    )  # fmt: skip


def _named_apart(curves: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The curves from the lowest end upwards, no name on another."""
    curves.sort(key=lambda curve: -curve["y"])
    for below, curve in pairwise(curves):
        curve["y"] = min(curve["y"], below["y"] - 15)
    return curves


def _step(curve: Curve) -> int:
    return max(1, len(curve) // MOST_POINTS)


def _drawn(curve: Curve, dashes: str, x: Axis, y: Axis) -> dict[str, Any]:
    """A curve thinned to what a page can show; the last reading is always there."""
    chosen = np.unique(np.append(np.arange(0, len(curve), _step(curve)), len(curve) - 1)).tolist()
    dots = [(x.at(float(curve.minute(i))), y.at(float(celsius(curve.value(i))))) for i in chosen]
    points = " ".join(f"{a},{b}" for a, b in dots)
    return {"points": points, "name": curve.name, "dashes": dashes, "x": dots[-1][0], "y": dots[-1][1] - 6}
