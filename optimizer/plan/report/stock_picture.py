"""Stock and use by day as one picture: an HTML page with an inline SVG, through jinja2."""

from __future__ import annotations

from fractions import Fraction

from optimizer.pages.chart import render
from optimizer.plan.report.day_page import weekday
from optimizer.plan.report.outcome import Outcome, by_day

_WIDTH, _HEIGHT, _GAP = 90, 220, 24


def picture(outcome: Outcome) -> str:
    """The page as HTML. Everything a user typed is escaped."""
    rows = by_day(outcome)
    most = max((max(row[1:]) for row in rows), default=Fraction(0)) or Fraction(1)
    bars, days = [], []
    for k, (on, used, came, left) in enumerate(rows):
        x = k * (_WIDTH + _GAP)
        third = _WIDTH // 3
        for place, (kind, kg) in enumerate((("stock", left), ("came", came), ("used", used))):
            height = round(float(_HEIGHT * kg / most), 1)
            bars.append({
                "look": {"stock": "left"}.get(kind, kind), "x": x + place * third, "w": third - 2,
                "y": round(_HEIGHT - height, 1), "h": height,
                "words": f"{weekday(on)}: {kind} {float(kg):.1f} kg",
            })  # fmt: skip
        days.append({
            "x": x, "name": weekday(on), "used": f"{float(used):.1f}", "came": f"{float(came):.1f}",
            "stock": f"{float(left):.1f}",
        })  # fmt: skip
    words = "; ".join(f"{d['name']}: used {d['used']}, delivered {d['came']}, stock {d['stock']}" for d in days)
    width = max(len(rows), 1) * (_WIDTH + _GAP)
    title = f"{outcome.plan.world.week.entry.name}: stock and use by day"
    return render("plan/report/stock.html", title=title, bars=bars, days=days, width=width, tall=_HEIGHT, words=words)
