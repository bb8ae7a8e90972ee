"""Two-meat blends: published Pearson squares, and blends of USDA SR28 rows with their moisture and protein.

Published answers (``seen``) come from public recipe and extension texts; those marked derived are arithmetic on
published rows, or answer a question whose answer was left blank.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import pytest

from constraints.formula import Batch
from constraints.quantities import Basis
from optimizer.order import Asked, order_of
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.solver.optimum import optimise, ranks_of
from optimizer.solver.program import layout_of
from optimizer.summary import composition

DAY = date(2026, 11, 25)

SQUARES = [
    # fat of the lean, fat of the fat meat, target, parts of each, tolerance, source
    (0, 100, 40, (14, 9.33), 0.01, "public recipe text: 14 lb of very lean meat to 40 % fat, 9.33 lb of fat (seen)"),
    (0, 100, 30, (16, 6.9), 0.05, "the same text: 16 lb to 30 % fat, 6.9 lb of fat (seen)"),
    (0, 100, 23.0769, (10, 3), 0.001, "two public texts: 3 lb of fat to 10 lb of lean is 23 %, not 30 % (seen)"),
    (12, 30, 20, (10, 8), 1e-9, "public Pearson square: belly 30 %, beef 12 %, target 20 %: 8 to 10 parts (seen)"),
    (0, 30, 15, (12.5, 12.5), 1e-9, "public example: half fat-free game, half shoulder of 30 %: 15 % (seen)"),
    (10, 25, 20, (333.3333, 666.6667), 0.001, "teaching slides, cow meat and trim to 20 % (question seen, derived)"),
]


def shares(lean: dict[str, float], fat: dict[str, float], target: float) -> tuple[Fraction, Fraction, Batch]:
    """The unrounded blend of two lots that hits a target exactly, as shares of the meat block."""
    recipe = parse_recipe(f"name: x\nrequire:\n  - fat: {{target_pct: {target}, within_pct: 0}}\n", "r.yaml")
    names = list(lean)
    rows = [f"{lot},1000," + ",".join(str(row[n]) for n in names) for lot, row in (("lean", lean), ("fat", fat))]
    table = parse_lots("lot,on_hand_kg," + ",".join(names) + "\n" + "\n".join(rows) + "\n", "l.csv")
    order = order_of(recipe, "--meat-kg", Fraction(100), DAY, Asked())
    problem = assemble(recipe, table, order)
    layout = layout_of(problem)
    found = optimise(layout.program, ranks_of(problem.formula.columns))
    kilograms = dict(zip(problem.formula.columns, layout.kilograms(found.values), strict=True))
    by_name = {item.name: kg for item, kg in kilograms.items()}
    total = sum(by_name.values(), Fraction(0))
    return by_name["lean"] / total, by_name["fat"] / total, Batch(kilograms, recipe.process)


@pytest.mark.parametrize(
    ("low", "high", "target", "parts", "close", "source"), SQUARES, ids=lambda value: str(value)[:40]
)
def test_pearson_squares(
    low: float, high: float, target: float, parts: tuple[float, float], close: float, source: str
) -> None:
    lean, fat, _ = shares({"fat_pct": low, "cost_per_kg": 3}, {"fat_pct": high, "cost_per_kg": 1}, target)
    assert float(fat / lean) * parts[0] == pytest.approx(parts[1], abs=close), source


def test_price_of_the_teaching_example() -> None:
    """Cow meat at 0.99 and trim at 0.79 a pound: 0.85667 a pound of blend (derived; the slides leave it blank)."""
    lean, fat, _ = shares({"fat_pct": 10, "cost_per_kg": 0.99}, {"fat_pct": 25, "cost_per_kg": 0.79}, 20)
    assert float(lean * Fraction("0.99") + fat * Fraction("0.79")) == pytest.approx(0.856667, abs=1e-6)


SR28 = {  # USDA SR28 (2015), raw: fat, moisture, protein, % by weight
    "pork shoulder": (17.99, 64.02, 17.18),
    "pork backfat": (88.69, 7.69, 2.92),
    "pork leg, lean": (5.41, 72.9, 20.48),
    "pork belly": (53.01, 36.74, 9.34),
    "ground beef 90": (10, 69.45, 20),
    "ground beef 95": (5, 73.24, 21.41),
    "ground beef 70": (30, 54.3, 14.35),
    "venison": (2.42, 73.57, 22.96),
    "chicken thigh": (4.12, 76.22, 19.66),
    "chicken skin": (32.35, 54.22, 13.33),
}
BLENDS = [  # lean, fat meat, target; share of the fat meat, moisture, protein: derived from the rows above
    ("pork shoulder", "pork backfat", 25, 0.0992, 58.435, 15.766),
    ("pork shoulder", "pork backfat", 30, 0.1699, 54.451, 14.758),
    ("pork leg, lean", "pork belly", 20, 0.3065, 61.817, 17.065),
    ("ground beef 90", "pork backfat", 28, 0.2287, 55.323, 16.093),
    ("ground beef 95", "ground beef 70", 15, 0.4000, 65.664, 18.586),
    ("venison", "pork belly", 20, 0.3475, 60.772, 18.227),
    ("chicken thigh", "chicken skin", 12, 0.2791, 70.079, 17.893),
]


@pytest.mark.parametrize(("lean", "fat", "target", "share", "moisture", "protein"), BLENDS)
def test_blends_of_sr28_rows(lean: str, fat: str, target: float, share: float, moisture: float, protein: float) -> None:
    def row(name: str, cost: float) -> dict[str, float]:
        return {**dict(zip(("fat_pct", "moisture_pct", "protein_pct"), SR28[name], strict=True)), "cost_per_kg": cost}

    _, found, batch = shares(row(lean, 3), row(fat, 1), target)
    figures = composition(batch, Basis.MEAT)
    assert float(found) == pytest.approx(share, abs=5e-5)
    assert float(figures["fat_pct"]) == target
    assert float(figures["moisture_pct"]) == pytest.approx(moisture, abs=5e-4)
    assert float(figures["protein_pct"]) == pytest.approx(protein, abs=5e-4)


def test_the_85_row_of_ground_beef_is_the_blend_of_95_and_70() -> None:
    """USDA SR28, NDB 23567: 85 % lean ground beef has 65.66 % moisture and 18.59 % protein (published)."""
    _, _, batch = shares(
        {"fat_pct": 5, "moisture_pct": 73.24, "protein_pct": 21.41, "cost_per_kg": 3},
        {"fat_pct": 30, "moisture_pct": 54.3, "protein_pct": 14.35, "cost_per_kg": 1},
        15,
    )
    figures = composition(batch, Basis.MEAT)
    assert float(figures["moisture_pct"]) == pytest.approx(65.66, abs=0.01)
    assert float(figures["protein_pct"]) == pytest.approx(18.59, abs=0.01)
