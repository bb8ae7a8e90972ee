"""What every picture shares: the HTML page around it, the frame of a chart with grid, axes and titles, and the scales.

Pages hold inline pictures (SVG) and load nothing from anywhere. Every text from the input is escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from math import floor, log10

from optimizer.pages.tables import visible
from optimizer.wording import CAUTION

WIDTH, HEIGHT = 760, 380
LEFT, RIGHT, TOP, BOTTOM = 80, 24, 24, 60
LEAST = 0.75
"""The least scale of a picture on a screen, so that its words can be read: a narrow screen scrolls to the right."""
BASE, END = HEIGHT - BOTTOM, WIDTH - RIGHT
"""Pixels from the top to the lower axis, and from the left to the end of it."""


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


def render(file: str, **values: object) -> str:
    """A page by its template, a file of this package. It extends ``pages/page.html`` and may draw by the macros of
    ``pages/chart.html``.
    """
    from jinja2 import Environment, FunctionLoader

    environment = Environment(autoescape=True, finalize=_escaped, loader=FunctionLoader(_template))
    sizes = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "top": TOP, "base": BASE, "end": END, "least": LEAST}
    return environment.get_template(file).render(caution=CAUTION, **(sizes | values))


def _template(file: str) -> str:
    return (files("optimizer") / file).read_text("utf-8")
