"""Moisture and protein from fat: the shipped lines against numpy on the raw table, and how they are used.

tests/data/sr28-raw-meats.csv: raw cuts of the USDA National Nutrient Database for Standard Reference, Release 28
(September 2015), abbreviated file, per 100 g; a work of the US government. ``python tests/test_estimates.py`` prints
the lines anew.
"""

from __future__ import annotations

import csv
import json
from datetime import date
from fractions import Fraction
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from constraints.quantities import Lot, Species, estimates
from optimizer.answer import Answer, blend
from optimizer.cli import app
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

DATA = Path(__file__).parent / "data" / "sr28-raw-meats.csv"
GROUPS = {"pork": "pork", "beef": "beef", "lamb": "lamb_veal", "chicken": "poultry"}
DAY = date(2026, 11, 25)


def fitted(group: str) -> dict[str, float]:
    """Least squares over the raw cuts of a group; residual deviations with the degrees of freedom that are left."""
    with DATA.open(encoding="utf-8", newline="") as file:
        cuts = [row for row in csv.DictReader(file) if row["group"] == group]
    fat, water, protein = (np.array([float(c[f"{name}_pct"]) for c in cuts]) for name in ("fat", "moisture", "protein"))
    found, off = {"cuts": float(len(cuts)), "least": float(fat.min()), "most": float(fat.max())}, []
    for name, figures in (("moisture", water), ("protein", protein)):
        slope, level = np.polyfit(fat, figures, 1)
        rest = figures - level - slope * fat
        off.append(rest)
        found |= {f"{name} at none": level, f"{name} per fat": slope}
        found[f"{name} sd"] = float(np.sqrt(rest @ rest / (len(cuts) - 2)))
    found["together"] = float(off[0] @ off[1] / (off[0] @ off[0]))
    beside = off[1] - found["together"] * off[0]
    found["beside"] = float(np.sqrt(beside @ beside / (len(cuts) - 3)))
    return found


def shipped(lines: Species) -> dict[str, float]:
    found: dict[str, Any] = {"cuts": lines.cuts, "least": lines.least_fat_pct, "most": lines.most_fat_pct}
    for name, line in (("moisture", lines.moisture), ("protein", lines.protein)):
        found |= {f"{name} at none": line.at_no_fat, f"{name} per fat": line.per_fat, f"{name} sd": line.sd}
    found |= {"together": lines.protein_per_moisture, "beside": lines.protein_sd_beside}
    return {name: float(value) for name, value in found.items()}


@pytest.mark.parametrize("name", GROUPS)
def test_the_lines_are_those_of_the_raw_table(name: str) -> None:
    lines = next(one for one in estimates().lines if name in one.names)
    expected = fitted(GROUPS[name])
    assert shipped(lines) == pytest.approx(expected, abs=6e-5)


RECIPE = """\
name: cooked
rules: [us]
product_class: sausage
steps: [cooked]
{estimate}
require: [{{fat: {{min_pct: 18, max_pct: 30}}}}{further}]
additions:
  - {{name: salt, is: salt, g_per_kg_meat: 18}}
  - {{name: pink cure, is: cure, nitrite_pct: 6.25, ingoing_nitrite_ppm: 150}}
  - {{name: ice, is: water, g_per_kg_meat: {ice}}}
yield: {{finished_pct: 95}}
scales: {{spice_g: 0.1}}
"""
LOTS = """\
lot,on_hand_kg,fat_pct,cost_per_kg,species,fat_sd_pct
A,30,10,4,pork,1
B,20,50,2,pork,1
C,20,20,3,beef,0.5
"""
BOTH = "estimate: [moisture, protein]"


def answer(lots: str = LOTS, ice: int = 250, estimate: str = BOTH, further: str = "") -> Answer:
    recipe = parse_recipe(RECIPE.format(estimate=estimate, ice=ice, further=further), "r.yaml")
    order = order_of(recipe, "--meat-kg", Fraction(20), DAY, Asked())
    return blend(assemble(recipe, parse_lots(lots, "l.csv"), order))


def weights(found: Answer) -> dict[str, float]:
    assert found.weighed is not None
    return {item.name: float(kg) for item, kg in found.weighed.total.kilograms.items()}


def test_added_water_is_judged_on_the_lines_and_says_so() -> None:
    """Moisture less four times meat protein (9 CFR 319.140), both from numpy's own lines, over the finished weight."""
    found = answer()
    kg, fat = weights(found), {"A": 10, "B": 50, "C": 20}
    lines = {"A": fitted("pork"), "B": fitted("pork"), "C": fitted("beef")}
    parts = {
        name: sum(kg.get(n, 0) * (lines[n][f"{name} at none"] + lines[n][f"{name} per fat"] * fat[n]) for n in fat)
        for name in ("moisture", "protein")
    }
    batch = sum(kg.values())
    water = parts["moisture"] + 100 * kg["ice"] - 100 * 0.05 * batch
    expected = (water - 4 * parts["protein"]) / (0.95 * batch)
    (check,) = (c for c in found.checks if c.requirement.origin.rule == "us-added-water-cooked")
    assert check.ok and float(check.value or 0) == pytest.approx(expected, abs=2e-3)
    assert check.requirement.what == "estimated added water"
    assert check.requirement.estimated == ("moisture_pct", "protein_pct")
    shown = " ".join(page(found, "", full=True).split())
    assert "Met only on estimates, so have it analysed before you rely on it: estimated added water" in shown
    assert "moisture, estimated" in shown and "moisture within 0.9 points of" in shown
    assert "estimated moisture left after the yield" in shown


@pytest.mark.parametrize(
    ("typed", "marked"), [(" , , ", ["moisture_pct", "protein_pct"]), ("69,38,62", ["protein_pct"])]
)
def test_the_document_marks_the_figures_that_rest_on_estimates(typed: str, marked: list[str], tmp_path: Path) -> None:
    """Only what no row states is estimated; the batch is read back by check, and corrected, with the same marks."""
    cells = ["moisture_pct", *typed.split(",")]
    recipe, lots, made = tmp_path / "r.yaml", tmp_path / "l.csv", tmp_path / "b.json"
    recipe.write_text(RECIPE.format(estimate=BOTH, ice=250, further=""))
    lots.write_text("".join(f"{row},{cell}\n" for row, cell in zip(LOTS.splitlines(), cells, strict=True)))
    files = ["--recipe", str(recipe), "--lots", str(lots), "--date", "2026-11-25", "--json"]
    found = CliRunner().invoke(app, ["blend", str(recipe), *files[2:], "--meat-kg", "20"])
    made.write_text(found.stdout)
    marks = {name: name in marked for name in ("moisture_pct", "protein_pct")}
    assert json.loads(found.stdout)["estimated"] == marks
    for command in ("check", "correct"):
        assert json.loads(CliRunner().invoke(app, [command, str(made), *files]).stdout)["estimated"] == marks


def test_what_is_stated_is_not_estimated() -> None:
    stated = LOTS.replace("sd_pct", "sd_pct,moisture_pct,protein_pct").replace(",1\n", ",1,60,17\n")
    stated = stated.replace("0.5\n", "0.5,62,18\n").replace("A,30,10,4,pork,1,60,17", "A,30,10,4,pork,1,69,20")
    stated = stated.replace("B,20,50,2,pork,1,60,17", "B,20,50,2,pork,1,38,11")
    found = answer(stated, ice=100)
    assert not any(check.requirement.estimated for check in found.checks)
    assert "stimated" not in page(found, "", full=True)


def test_one_fault_names_the_law_and_the_ways_out() -> None:
    with pytest.raises(BadInput) as raised:
        answer(estimate="")
    water, protein = raised.value.faults
    assert (water.column, protein.column, water.line) == ("moisture_pct", "protein_pct", 2)
    assert "us-added-water-cooked, 9 CFR 319.140" in water.found and "no lot states moisture_pct" in water.found
    assert "estimate: [moisture]" in water.allowed and "if_missing: leave_out" in water.allowed


@pytest.mark.parametrize("change", ["venison", "", "cured"])
def test_what_has_no_line_stays_a_fault(change: str) -> None:
    lots = LOTS.replace("C,20,20,3,beef,", f"C,20,20,3,{change},")
    if change == "cured":
        lots = LOTS.replace("fat_sd_pct\n", "fat_sd_pct,cured,nitrite_ppm,nitrate_ppm,salt_pct\n")
        lots = lots.replace("pork,1\n", "pork,1,no,0,0,0\n").replace("beef,0.5\n", "beef,0.5,yes,0,0,2\n")
    with pytest.raises(BadInput) as raised:
        answer(lots)
    assert {fault.column for fault in raised.value.faults} >= {"moisture_pct", "protein_pct"}
    assert all("the lot 'C'" in fault.found for fault in raised.value.faults)


def test_the_error_of_the_lines_is_carried_into_confidence() -> None:
    """Probability of the added-water limit from the covariance of the raw residuals and the lots' own fat errors."""
    found = answer(ice=190, further="]\nconfidence: {probability: 0.95}\nwaive: [")
    assert found.weighed is not None
    (check,) = (c for c in found.checks if c.requirement.origin.rule == "us-added-water-cooked")
    held = check.requirement
    assert held.confidence is not None and check.ok
    kg, variance = weights(found), 0.0
    for item in found.weighed.total.kilograms:
        if isinstance(item, Lot):
            lines = fitted(GROUPS[item.species])
            slope = lines["moisture per fat"] - 4 * lines["protein per fat"]
            first = lines["moisture sd"] * (1 - 4 * lines["together"])
            own = (slope * float(item.fat_sd or 0)) ** 2 + first**2 + (4 * lines["beside"]) ** 2
            variance += kg[item.name] ** 2 * own
    figure = float(held.on_paper.measure(found.weighed.total).value or 0)
    assert figure > 0, "the case must not be one whose added water is cut off at none"
    room = (10 - figure) * 0.95 * sum(kg.values())
    expected = NormalDist().cdf(room / variance**0.5)
    said = min(likely for cone, likely in held.likelihoods(found.weighed.total) if cone.side == "hi")
    assert said == pytest.approx(expected, abs=1e-4)
    assert expected >= 0.95


if __name__ == "__main__":
    for species, group in GROUPS.items():
        print(species, {name: round(value, 5) for name, value in fitted(group).items()})
