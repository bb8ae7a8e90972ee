"""The trade-off of a near-cheapest choice as an HTML page with one inline picture, nothing loaded from anywhere."""

from __future__ import annotations

from optimizer.near import Near

_WIDTH, _HEIGHT = 720, 320
_LEFT, _RIGHT, _TOP, _BOTTOM = 90, 30, 30, 60

_TEMPLATE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>{{ title }}</title>
<style>
body { font: 15px/1.45 sans-serif; color: #222; max-width: 780px; margin: 24px auto; padding: 0 16px; }
svg { width: 100%; height: auto; } text { font: 13px sans-serif; fill: #333; }
.axis { stroke: #555; } .line { fill: none; stroke: #0b5a8a; stroke-width: 2; } .dot { fill: #0b5a8a; }
table { border-collapse: collapse; } td, th { padding: 3px 12px; text-align: right; border-bottom: 1px solid #ddd; }
</style>
</head>
<body>
<h1>{{ title }}</h1>
<svg viewBox="0 0 {{ width }} {{ height }}" role="img" aria-label="{{ title }}">
<line class="axis" x1="{{ left }}" x2="{{ end }}" y1="{{ base }}" y2="{{ base }}"/>
<line class="axis" x1="{{ left }}" x2="{{ left }}" y1="{{ top }}" y2="{{ base }}"/>
<polyline class="line" points="{% for dot in dots %}{{ dot.x }},{{ dot.y }} {% endfor %}"/>
{% for dot in dots %}<circle class="dot" cx="{{ dot.x }}" cy="{{ dot.y }}" r="5"><title>{{ dot.words }}</title></circle>
<text x="{{ dot.x }}" y="{{ dot.y - 10 }}" text-anchor="middle">{{ dot.figure }}</text>
<text x="{{ dot.x }}" y="{{ base + 18 }}" text-anchor="middle">{{ dot.cost }}</text>
{% endfor %}
<text x="{{ (left + end) / 2 }}" y="{{ height - 14 }}" text-anchor="middle">{{ axis }}</text>
<text x="16" y="{{ (top + base) / 2 }}" text-anchor="middle"
 transform="rotate(-90 16 {{ (top + base) / 2 }})">{{ words }}</text>
</svg>
<table>
<tr><th>premium allowed</th><th>cost</th><th>{{ words }}</th></tr>
{% for dot in dots %}<tr><td>{{ dot.premium }} %</td><td>{{ dot.cost }}</td><td>{{ dot.figure }}</td></tr>
{% endfor %}
</table>
</body>
</html>
"""


def html(near: Near) -> str:
    """The page. Costs run to the right, the wish's figure upwards."""
    from jinja2 import Environment

    costs = [float(step.cost) for step in near.steps] or [0.0]
    figures = [float(step.figure) for step in near.steps] or [0.0]
    base, end = _HEIGHT - _BOTTOM, _WIDTH - _RIGHT

    def along(value: float, values: list[float], start: float, stop: float) -> float:
        spread = max(values) - min(values)
        return round(start + (stop - start) * ((value - min(values)) / spread if spread else 0.5), 1)

    dots = [
        {
            "x": along(cost, costs, _LEFT + 40, end - 40),
            "y": along(value, figures, base - 20, _TOP + 20),
            "cost": f"{cost:.2f}",
            "figure": f"{value:g}" if value == int(value) else f"{value:.3f}",
            "premium": f"{float(step.premium_pct):g}",
            "words": f"premium {float(step.premium_pct):g} %: cost {cost:.2f}, {near.wish.words} {value:g}",
        }
        for step, cost, value in zip(near.steps, costs, figures, strict=False)
    ]
    entry = near.answer.problem.recipe.entry
    return Environment(autoescape=True).from_string(_TEMPLATE).render(
        title=f"{entry.name}: {near.wish.words} against cost", dots=dots, words=near.wish.words,
        axis=", ".join(filter(None, ("cost as minimised", entry.currency))),
        width=_WIDTH, height=_HEIGHT, left=_LEFT, end=end, top=_TOP, base=base,
    )  # fmt: skip
