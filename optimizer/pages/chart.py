"""What every picture shares: the HTML page around it, the frame of a chart with grid, axes and titles, and the scales.

And the pictures of a batch: what goes in of each lot and fat against its limits, or the trade-off of a near-cheapest
choice.

Pages hold inline pictures (SVG) and load nothing from anywhere. Every text from the input is escaped.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from math import floor, log10
from typing import Any

from constraints.quantities import FAT, Amount
from optimizer.answer import Answer
from optimizer.late import late
from optimizer.pages.tables import visible
from optimizer.remarks import verdict_of
from optimizer.summary import lots_in, told
from optimizer.wording import CAUTION

with late():
    import jinja2

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
        rough = (self.high - self.low) / 6
        power = 10.0 ** floor(log10(rough))
        step = max(next(power * k for k in (1, 2, 5, 10) if power * k >= rough), 1.0 if whole else 0.0)
        places = max(0, -floor(log10(step)))
        first = -int(-self.low // step) if self.low >= 0 else int(self.low // step)
        found = [k * step for k in range(first, int(self.high / step) + 2)]
        return [(self.at(v), f"{v:.{places}f}") for v in found if self.low - 1e-9 <= v <= self.high + 1e-9]


def _axis(start: float, end: float, values: Sequence[float]) -> Axis:
    low, high = min(values), max(values)
    room = (high - low) * 0.06 or max(abs(high) * 0.05, 0.5)
    return Axis(low - room if low - room >= 0 or low < 0 else 0.0, high + room, start, end)


across, upwards = partial(_axis, LEFT, END), partial(_axis, BASE, TOP)
"""The lower axis and the one at the left for some figures, with a little room beside them."""


def _escaped(value: object) -> object:
    return visible(value) if type(value) is str else value


def render(file: str, **values: object) -> str:
    """A page by its template, a file of this package. It extends ``pages/page.html`` and may draw by the macros of
    ``pages/chart.html``.
    """
    loader = jinja2.PackageLoader("optimizer", "")
    environment = jinja2.Environment(autoescape=True, finalize=_escaped, loader=loader)
    sizes = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "top": TOP, "base": BASE, "end": END, "least": LEAST}
    return environment.get_template(file).render(caution=CAUTION, **(sizes | values))


# A batch.

_WIDTH, _ROOM, _ROW, _WIDE = 400, 112, 30, 264
"""Pixels: the picture, which fits a phone as it is, names at its left, a row, and the longest bar."""


def batch_html(answer: Answer) -> str:
    """The page; only its headline where nothing is weighed out. Every text from the input is escaped."""
    said = {"title": answer.problem.recipe.entry.name, "headline": verdict_of(answer).headline}
    return render("pages/blend.html", drawn=drawn(answer), **said, **SIZES)


def drawn(answer: Answer) -> dict[str, Any]:
    """The bars of the lots and the gauges of fat, with the same in words."""
    lots, gauges = _lots(answer), _fats(answer)
    lots_words = "; ".join(f"{lot['name']} {lot['kg']} kg in, {lot['rest']} kg left" for lot in lots)
    fat_words = "; ".join(f"{fat['name']} {fat['value']} %, {fat['limits'] or 'no limit'}" for fat in gauges)
    return {"lots": lots, "fats": gauges, "lots_words": lots_words, "fat_words": fat_words}


def _lots(answer: Answer) -> list[dict[str, Any]]:
    taken = [] if answer.weighed is None else lots_in(answer.weighed.total)
    lots = [(one.item, float(one.held_kg), float(one.left_kg)) for one in taken]
    most = max((float(lot.on_hand_kg) for lot, _, _ in lots), default=1.0)
    return [
        {
            "name": lot.name, "what": lot.material or lot.role, "kg": f"{kg:.2f}", "rest": f"{left:.2f}",
            "used": round(_WIDE * kg / most, 1), "left": round(_WIDE * max(left, 0) / most, 1),
        }
        for lot, kg, left in lots
    ]  # fmt: skip


def _at(per_cent: float) -> float:
    return round(_ROOM + _WIDE * per_cent / 100, 1)


_TICKS = [(_at(x), f"{x} %") for x in range(0, 101, 20)]
SIZES: dict[str, Any] = {"width": _WIDTH, "room": _ROOM, "row": _ROW, "ticks": _TICKS}
"""Pixels that the pictures share."""


def _fats(answer: Answer) -> list[dict[str, Any]]:
    """Fat of every basis with the band that all limits on it leave."""
    found = []
    for basis, share in told(answer.weighed.total).items() if answer.weighed else ():
        value = share.get(FAT)
        limits = [c.requirement for c in answer.checks if c.requirement.counted == Amount(FAT, basis)]
        limits = [r for r in limits if r.hi is not None or r.lo]  # at least 0 is no limit
        low = max((float(r.lo) for r in limits if r.lo is not None), default=0.0)
        high = min((float(r.hi) for r in limits if r.hi is not None), default=100.0)
        if value is not None:
            found.append({
                "name": basis.words, "value": f"{float(value):.2f}", "at": _at(float(value)), "low": _at(low),
                "wide": round(_at(high) - _at(low), 1), "limits": " and ".join(r.limits() for r in limits),
            })  # fmt: skip
    return found


COST = "cost"
"""What a premium is on: with dying lots at their salvage value, not what is paid."""


def near_html(answer: Answer) -> str:
    """The page of a choice among the near-cheapest. Costs run to the right, the wish's figure upwards."""
    near = answer.near
    assert near is not None
    costs = [float(step.cost) for step in near.steps] or [0.0]
    figures = [float(step.figure) for step in near.steps] or [0.0]
    x, y = across(costs), upwards(figures)
    dots = []
    for step, cost, value in zip(near.steps, costs, figures, strict=False):
        premium = f"{float(step.premium_pct):g}"
        dots.append({
            "x": x.at(cost), "y": y.at(value), "cost": f"{cost:.2f}", "premium": premium,
            "figure": f"{value:g}" if value == int(value) else f"{value:.3f}",
            "words": f"premium {premium} %: cost {cost:.2f}, {near.wish.words} {value:g}",
        })  # fmt: skip
    whole = all(value == int(value) for value in figures)
    steps = "".join(f"L{dot['x']},{last['y']} L{dot['x']},{dot['y']} " for last, dot in pairwise(dots))
    entry = answer.problem.recipe.entry
    return render(
        "pages/near.html", title=f"{entry.name}: {near.wish.words} against cost", dots=dots, words=near.wish.words,
        cost_words=COST, axis=", ".join(filter(None, (COST, entry.currency))), x_ticks=x.ticks(),
        y_ticks=y.ticks(whole=whole), steps=f"M{dots[0]['x']},{dots[0]['y']} {steps}" if dots else "",
        told="; ".join(f"{dot['words']}" for dot in dots),
    )  # fmt: skip
