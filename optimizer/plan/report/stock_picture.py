"""Stock and use by day as one picture: an HTML page with an inline SVG, through jinja2."""

from __future__ import annotations

from fractions import Fraction

from optimizer.pages.chart import render
from optimizer.plan.report.day_page import weekday
from optimizer.plan.report.outcome import Outcome, by_day

_WIDTH, _HEIGHT, _GAP = 90, 220, 24
_TEMPLATE = """{% extends "page" %}{% from "chart" import picture with context %}
{% block body %}
{% call picture("week", "Stock, deliveries and use by day, kilograms as held", words, tall + 60) %}
<line class="axis" x1="0" y1="{{ tall }}" x2="{{ width }}" y2="{{ tall }}"/>
{%- for bar in bars %}
<rect class="{{ bar.look }}" x="{{ bar.x }}" y="{{ bar.y }}" width="{{ bar.w }}" height="{{ bar.h }}">
<title>{{ bar.words }}</title></rect>
{%- endfor %}
{%- for day in days %}
<text x="{{ day.x }}" y="{{ tall + 16 }}">{{ day.name }}</text>
<text x="{{ day.x }}" y="{{ tall + 32 }}">left {{ day.stock }} kg</text>
{%- endfor %}
{% endcall %}
<p>Hatched: stock at the end of the day. Dotted: delivered. Full: used. Kilograms as held.</p>
<table>
<tr><th>day</th><th>used, kg</th><th>delivered, kg</th><th>stock at its end, kg</th></tr>
{%- for day in days %}
<tr><td>{{ day.name }}</td><td>{{ day.used }}</td><td>{{ day.came }}</td><td>{{ day.stock }}</td></tr>
{%- endfor %}
</table>
{% endblock %}
"""


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
    return render(_TEMPLATE, title=title, bars=bars, days=days, width=width, tall=_HEIGHT, words=words)
