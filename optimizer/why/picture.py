"""Curves as an HTML page with inline pictures (SVG), nothing loaded from anywhere."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from typing import Any

from optimizer.why.curves import Curve

WIDTH, HEIGHT = 760, 380
LEFT, RIGHT, TOP, BOTTOM = 80, 24, 24, 60

_TEMPLATE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>{{ title }}</title>
<style>
body { font: 15px/1.45 sans-serif; color: #222; max-width: 800px; margin: 24px auto; padding: 0 16px; }
svg { width: 100%; height: auto; }
.grid { stroke: #ddd; } .axis { stroke: #555; } .curve { fill: none; stroke: #0b5a8a; stroke-width: 2.5; }
.kink { fill: #fff; stroke: #0b5a8a; stroke-width: 2; } .now { fill: #b5341c; }
.end { stroke: #b5341c; stroke-dasharray: 4 4; }
text { font: 13px sans-serif; fill: #333; } .nowtext { fill: #b5341c; font-weight: bold; }
li { margin: 2px 0; }
</style>
</head>
<body>
<h1>{{ title }}</h1>
{% for chart in charts %}
<h2>{{ chart.title }}</h2>
<svg viewBox="0 0 {{ width }} {{ height }}" role="img" aria-label="{{ chart.title }}">
{% for x, text in chart.x_ticks %}<line class="grid" x1="{{ x }}" x2="{{ x }}" y1="{{ top }}" y2="{{ base }}"/>
<text x="{{ x }}" y="{{ base + 18 }}" text-anchor="middle">{{ text }}</text>
{% endfor %}
{% for y, text in chart.y_ticks %}<line class="grid" x1="{{ left }}" x2="{{ end }}" y1="{{ y }}" y2="{{ y }}"/>
<text x="{{ left - 8 }}" y="{{ y + 4 }}" text-anchor="end">{{ text }}</text>
{% endfor %}
<line class="axis" x1="{{ left }}" x2="{{ end }}" y1="{{ base }}" y2="{{ base }}"/>
<line class="axis" x1="{{ left }}" x2="{{ left }}" y1="{{ top }}" y2="{{ base }}"/>
{% for x in chart.walls %}<line class="end" x1="{{ x }}" x2="{{ x }}" y1="{{ top }}" y2="{{ base }}"/>
{% endfor %}
{% if chart.path %}<polyline class="curve" points="{{ chart.path }}"/>{% endif %}
{% for x, y, words in chart.kinks %}<circle class="kink" cx="{{ x }}" cy="{{ y }}" r="4">
<title>{{ words }}</title></circle>
{% endfor %}
<circle class="now" cx="{{ chart.now[0] }}" cy="{{ chart.now[1] }}" r="6"/>
<text class="nowtext" x="{{ chart.now[2] }}" y="{{ chart.now[4] }}" text-anchor="{{ chart.now[3] }}">now</text>
<text x="{{ (left + end) / 2 }}" y="{{ height - 16 }}" text-anchor="middle">{{ chart.axis }}</text>
<text x="16" y="{{ (top + base) / 2 }}" text-anchor="middle"
 transform="rotate(-90 16 {{ (top + base) / 2 }})">{{ money }}</text>
</svg>
<p>{{ chart.note }}</p>
{% if chart.list %}<ul>{% for line in chart.list %}<li>{{ line }}</li>{% endfor %}</ul>{% endif %}
{% endfor %}
</body>
</html>
"""


@dataclass(frozen=True)
class _Axis:
    """From figures to pixels."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        return round(self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start), 1)

    def ticks(self) -> list[tuple[float, str]]:
        """About six round figures."""
        step = _round_step((self.high - self.low) / 6)
        places = max(0, -floor(log10(step)))
        first = -int(-self.low // step) if self.low >= 0 else int(self.low // step)
        found = [k * step for k in range(first, int(self.high / step) + 2)]
        return [(self.at(v), f"{v:.{places}f}") for v in found if self.low - 1e-9 <= v <= self.high + 1e-9]


def _round_step(rough: float) -> float:
    power = 10.0 ** floor(log10(rough))
    return float(next(power * k for k in (1, 2, 5, 10) if power * k >= rough))


def html(title: str, curves: list[Curve], currency: str) -> str:
    """The page, with every text from the input escaped."""
    from jinja2 import Environment

    template = Environment(autoescape=True).from_string(_TEMPLATE)
    money = f"least cost of the batch{', ' + currency if currency else ''}"
    return template.render(
        title=title, charts=[_chart(curve) for curve in curves], width=WIDTH, height=HEIGHT, left=LEFT, top=TOP,
        base=HEIGHT - BOTTOM, end=WIDTH - RIGHT, money=money,
    )  # fmt: skip


def _chart(curve: Curve) -> dict[str, Any]:
    every = [*curve.points, curve.present]
    x = _axis([float(p.figure) for p in every], LEFT, WIDTH - RIGHT)
    y = _axis([float(p.cost) for p in every], HEIGHT - BOTTOM, TOP)
    spots = [(x.at(float(p.figure)), y.at(float(p.cost)), p) for p in curve.points]
    now_x = x.at(float(curve.present.figure))
    far = now_x > WIDTH - RIGHT - 60
    walls = [spots[k][0] for k, closed in ((0, curve.closed[0]), (-1, curve.closed[1])) if closed and spots]
    kinks = [(px, py, p) for px, py, p in spots if p.kink]
    rises = bool(spots) and curve.points[-1].cost > curve.points[0].cost
    now_y = y.at(float(curve.present.cost))
    note = f"Found: {curve.means}. The red point is the batch as it stands"
    note += "; beyond a dashed line no batch exists." if walls else "."
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
        "list": [f"{float(p.figure):.4g}, cost {float(p.cost):.2f}: {p.kink}" for _, _, p in kinks],
    }


def _axis(values: list[float], start: float, end: float) -> _Axis:
    low, high = min(values), max(values)
    room = (high - low) * 0.06 or max(abs(high) * 0.05, 0.5)
    return _Axis(low - room if low - room >= 0 or low < 0 else 0.0, high + room, start, end)
