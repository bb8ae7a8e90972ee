"""Stock and use by day as one picture: an HTML page with an inline SVG, through jinja2."""

from __future__ import annotations

from fractions import Fraction

from optimizer.plan.day_page import weekday
from optimizer.plan.outcome import Outcome, by_day

_WIDTH, _HEIGHT, _GAP = 90, 220, 24
_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>{{ title }}: stock and use by day</title>
<style>
body { font: 14px sans-serif; margin: 2em; color: #222; }
.stock { fill: #9db8c9; } .came { fill: #7fa66b; } .used { fill: #b4533c; }
text { font: 11px sans-serif; fill: #222; } td, th { padding: 0.1em 0.8em; text-align: right; }
</style>
</head>
<body>
<h1>{{ title }}</h1>
<svg role="img" aria-label="Stock at the end of each day, deliveries and use, kilograms" width="{{ width }}"
 height="{{ height + 60 }}" viewBox="0 0 {{ width }} {{ height + 60 }}" xmlns="http://www.w3.org/2000/svg">
<line x1="0" y1="{{ height }}" x2="{{ width }}" y2="{{ height }}" stroke="#222"/>
{%- for bar in bars %}
<rect class="{{ bar.kind }}" x="{{ bar.x }}" y="{{ bar.y }}" width="{{ bar.w }}" height="{{ bar.h }}">
<title>{{ bar.words }}</title></rect>
{%- endfor %}
{%- for day in days %}
<text x="{{ day.x }}" y="{{ height + 16 }}">{{ day.name }}</text>
<text x="{{ day.x }}" y="{{ height + 32 }}">{{ day.stock }} kg</text>
{%- endfor %}
</svg>
<p>Grey: stock at the end of the day. Green: delivered. Red: used. Kilograms as held.</p>
<table>
<tr><th>day</th><th>used</th><th>delivered</th><th>stock</th></tr>
{%- for day in days %}
<tr><td>{{ day.name }}</td><td>{{ day.used }}</td><td>{{ day.came }}</td><td>{{ day.stock }}</td></tr>
{%- endfor %}
</table>
</body>
</html>
"""


def picture(outcome: Outcome) -> str:
    """The page as HTML. Everything a user typed is escaped."""
    from jinja2 import Environment

    rows = by_day(outcome)
    most = max((max(row[1:]) for row in rows), default=Fraction(0)) or Fraction(1)
    bars, days = [], []
    for k, (on, used, came, left) in enumerate(rows):
        x = k * (_WIDTH + _GAP)
        third = _WIDTH // 3
        for place, (kind, kg) in enumerate((("stock", left), ("came", came), ("used", used))):
            height = round(float(_HEIGHT * kg / most), 1)
            bars.append({
                "kind": kind, "x": x + place * third, "y": round(_HEIGHT - height, 1), "w": third - 2, "h": height,
                "words": f"{weekday(on)}: {kind} {float(kg):.1f} kg",
            })  # fmt: skip
        days.append({
            "x": x, "name": weekday(on), "used": f"{float(used):.1f}", "came": f"{float(came):.1f}",
            "stock": f"{float(left):.1f}",
        })  # fmt: skip
    template = Environment(autoescape=True).from_string(_PAGE)
    width = max(len(rows), 1) * (_WIDTH + _GAP)
    title = outcome.plan.world.week.entry.name
    return template.render(title=title, bars=bars, days=days, width=width, height=_HEIGHT) + "\n"
