"""The trade-off of a near-cheapest choice as an HTML page with one inline picture."""

from __future__ import annotations

from itertools import pairwise

from optimizer.answer import Answer
from optimizer.pages.chart import across, render, upwards

COST = "cost"
"""What a premium is on: with dying lots at their salvage value, not what is paid."""


def html(answer: Answer) -> str:
    """The page of a choice among the near-cheapest. Costs run to the right, the wish's figure upwards."""
    near = answer.near
    assert near is not None
    costs = [float(step.cost) for step in near.steps] or [0.0]
    figures = [float(step.figure) for step in near.steps] or [0.0]
    x, y = across(costs), upwards(figures)
    dots = [
        {
            "x": x.at(cost),
            "y": y.at(value),
            "cost": f"{cost:.2f}",
            "figure": f"{value:g}" if value == int(value) else f"{value:.3f}",
            "premium": f"{float(step.premium_pct):g}",
            "words": f"premium {float(step.premium_pct):g} %: cost {cost:.2f}, {near.wish.words} {value:g}",
        }
        for step, cost, value in zip(near.steps, costs, figures, strict=False)
    ]
    whole = all(value == int(value) for value in figures)
    steps = "".join(f"L{dot['x']},{last['y']} L{dot['x']},{dot['y']} " for last, dot in pairwise(dots))
    entry = answer.problem.recipe.entry
    return render(
        "pages/near.html", title=f"{entry.name}: {near.wish.words} against cost", dots=dots, words=near.wish.words,
        cost_words=COST, axis=", ".join(filter(None, (COST, entry.currency))), x_ticks=x.ticks(),
        y_ticks=y.ticks(whole=whole), steps=f"M{dots[0]['x']},{dots[0]['y']} {steps}" if dots else "",
        told="; ".join(f"{dot['words']}" for dot in dots),
    )  # fmt: skip
