"""Stock and use by day as one picture: an HTML page with an inline SVG, through jinja2."""

from __future__ import annotations

from optimizer.pages.chart import render
from optimizer.plan.report.outcome import Outcome
from optimizer.plan.report.plan_page import weekday

_STEP, _BAR = 114, 90
"""Width of a day in the picture, and of its bars."""


def picture(outcome: Outcome) -> str:
    """The page as HTML. Everything a user typed is escaped."""
    rows = [(weekday(d.date), float(d.used_kg), float(d.delivered_kg), float(d.left_kg)) for d in outcome.by_day]
    title = f"{outcome.plan.world.week.entry.name}: stock and use by day"
    words = "; ".join(
        f"{day}: used {used:.1f}, delivered {came:.1f}, stock {left:.1f}" for day, used, came, left in rows
    )
    return render(
        "plan/report/stock.html", title=title, words=words, width=max(len(rows), 1) * _STEP, step=_STEP, bar=_BAR,
        days=[dict(zip(("name", "used", "came", "stock"), row, strict=True)) for row in rows],
        most=max((max(row[1:]) for row in rows), default=0) or 1,
    )  # fmt: skip
