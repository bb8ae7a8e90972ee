"""What every picture shares: the HTML page around it, the frame of a chart with grid, axes and titles, and the scales.

Pages hold inline pictures (SVG) and load nothing from anywhere. Every text from the input is escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10

from optimizer.pages.tables import visible
from optimizer.words import CAUTION

WIDTH, HEIGHT = 760, 380
LEFT, RIGHT, TOP, BOTTOM = 80, 24, 24, 60
LEAST = 0.75
"""The least scale of a picture on a screen, so that its words can be read: a narrow screen scrolls to the right."""
BASE, END = HEIGHT - BOTTOM, WIDTH - RIGHT
"""Pixels from the top to the lower axis, and from the left to the end of it."""

_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>{{ title }}</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<style>
:root { --ink: #1a1a1a; --paper: #fff; --faint: #ddd; --line: #0b5a8a; --mark: #9a3412; }
@media (prefers-color-scheme: dark) {
 :root { --ink: #eee; --paper: #16181a; --faint: #444; --line: #7cc4f2; --mark: #ffb38a; } }
@media print { :root { --ink: #000; --paper: #fff; --faint: #bbb; --line: #000; --mark: #000; }
 .wide, table { break-inside: avoid; } h2 { break-after: avoid; } body { margin: 0; } }
body { font: 15px/1.45 sans-serif; color: var(--ink); background: var(--paper); max-width: 800px; margin: 24px auto;
 padding: 0 16px; }
.wide { overflow-x: auto; } svg { width: 100%; height: auto; }
@media screen { svg { min-width: var(--least); } }
@media screen and (max-width: 600px) { .wide::before { position: sticky; left: 0; font-size: 12px;
 content: "Where the picture goes on to the right, move it sideways."; } }
svg:focus { outline: 2px solid var(--line); }
.grid { stroke: var(--faint); } .axis { stroke: var(--ink); }
.curve { fill: none; stroke: var(--line); stroke-width: 2.5; } .dot { fill: var(--line); }
.used { fill: var(--line); stroke: var(--ink); } .left, .band { fill: url(#hatch); stroke: var(--ink); }
.came { fill: url(#dots); stroke: var(--ink); } .now { stroke: var(--mark); stroke-width: 4; fill: var(--mark); }
text { font: 13px sans-serif; fill: var(--ink); stroke: var(--paper); stroke-width: 3px; paint-order: stroke; }
.caution { border-top: 1px solid var(--faint); padding-top: 8px; }
table { border-collapse: collapse; } th, td { padding: 2px 12px 2px 0; text-align: left; }
th, td { border-bottom: 1px solid var(--faint); }
{% block style %}{% endblock %}
</style>
</head>
<body>
<h1>{{ title }}</h1>
{% block body %}{% endblock %}
<p class="caution">{{ caution }}</p>
</body>
</html>
"""

_FRAME = """{% macro picture(name, title, words, tall, patterns=true) %}
<div class="wide" style="--least: {{ (width * least) | int }}px">
<svg viewBox="0 0 {{ width }} {{ tall }}" role="img" tabindex="0" aria-labelledby="{{ name }}-title {{ name }}-desc">
<title id="{{ name }}-title">{{ title }}</title><desc id="{{ name }}-desc">{{ words }}</desc>
{% if patterns %}<defs>
<pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<path d="M0,0 v6" style="stroke: var(--line); stroke-width: 2"/></pattern>
<pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse">
<circle cx="3" cy="3" r="1.5" style="fill: var(--line)"/></pattern></defs>{% endif %}
{{ caller() }}
</svg></div>
{% endmacro %}
{% macro frame(title, x_ticks, y_ticks, x_title, y_title, words="") %}
<div class="wide" style="--least: {{ (width * least) | int }}px">
<svg viewBox="0 0 {{ width }} {{ height }}" role="img" tabindex="0" aria-label="{{ title }}">
<title>{{ title }}</title><desc>{{ words or y_title ~ " over " ~ x_title }}</desc>
{% for x, text in x_ticks %}<line class="grid" x1="{{ x }}" x2="{{ x }}" y1="{{ top }}" y2="{{ base }}"/>
<text x="{{ x }}" y="{{ base + 18 }}" text-anchor="middle">{{ text }}</text>
{% endfor %}
{% for y, text in y_ticks %}<line class="grid" x1="{{ left }}" x2="{{ end }}" y1="{{ y }}" y2="{{ y }}"/>
<text x="{{ left - 8 }}" y="{{ y + 4 }}" text-anchor="end">{{ text }}</text>
{% endfor %}
<line class="axis" x1="{{ left }}" x2="{{ end }}" y1="{{ base }}" y2="{{ base }}"/>
<line class="axis" x1="{{ left }}" x2="{{ left }}" y1="{{ top }}" y2="{{ base }}"/>
{{ caller() }}
<text x="{{ (left + end) / 2 }}" y="{{ height - 16 }}" text-anchor="middle">{{ x_title }}</text>
<text x="16" y="{{ (top + base) / 2 }}" text-anchor="middle"
 transform="rotate(-90 16 {{ (top + base) / 2 }})">{{ y_title }}</text>
</svg></div>
{% endmacro %}
"""


@dataclass(frozen=True)
class Axis:
    """From figures to pixels."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """The pixel of a figure."""
        return round(self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start), 1)

    def ticks(self, *, whole: bool = False) -> list[tuple[float, str]]:
        """About six round figures with their pixels; ``whole`` ones for what is counted."""
        step = _round_step((self.high - self.low) / 6)
        step = max(step, 1.0) if whole else step
        places = max(0, -floor(log10(step)))
        first = -int(-self.low // step) if self.low >= 0 else int(self.low // step)
        found = [k * step for k in range(first, int(self.high / step) + 2)]
        return [(self.at(v), f"{v:.{places}f}") for v in found if self.low - 1e-9 <= v <= self.high + 1e-9]


def _round_step(rough: float) -> float:
    power = 10.0 ** floor(log10(rough))
    return float(next(power * k for k in (1, 2, 5, 10) if power * k >= rough))


def across(values: Sequence[float]) -> Axis:
    """The lower axis, with a little room beside the figures."""
    return _axis(values, LEFT, END)


def upwards(values: Sequence[float]) -> Axis:
    """The axis at the left, with a little room above and below the figures."""
    return _axis(values, BASE, TOP)


def _axis(values: Sequence[float], start: float, end: float) -> Axis:
    low, high = min(values), max(values)
    room = (high - low) * 0.06 or max(abs(high) * 0.05, 0.5)
    return Axis(low - room if low - room >= 0 or low < 0 else 0.0, high + room, start, end)


def _escaped(value: object) -> object:
    return visible(value) if type(value) is str else value


def render(template: str, **values: object) -> str:
    """A page. The template extends ``page`` and may call the macro ``frame`` of ``chart``."""
    from jinja2 import DictLoader, Environment

    environment = Environment(autoescape=True, finalize=_escaped, loader=DictLoader({"page": _PAGE, "chart": _FRAME}))
    sizes = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "top": TOP, "base": BASE, "end": END, "least": LEAST}
    return environment.from_string(template).render(caution=CAUTION, **(sizes | values))
