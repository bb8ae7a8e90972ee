"""Edge cases of the rule packs, built on the texts of the law, through the path of ``check`` and of ``blend``.

``tests/data/law-cases.yaml`` names the text each case follows. A case is written out as a recipe, a lots table and a
table of what was weighed, so that everything that stands between a kitchen and a row of a pack is in the way.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from constraints.as_typed import exact
from constraints.library import load_pack
from constraints.substances import SUBSTANCES
from optimizer.answer import Status, blend
from optimizer.findings import Finding, Report, check
from optimizer.order import Asked, order_of
from optimizer.problem import Problem, assemble
from optimizer.reading.entry import PLAIN_KINDS
from optimizer.reading.lots import LotTable, parse_lots
from optimizer.reading.recipe import Recipe, parse_recipe
from optimizer.reading.weighed import WeighedItem, parse_weighed

CASES: list[dict[str, Any]] = yaml.load(
    (Path(__file__).parent / "data/law-cases.yaml").read_text(), Loader=yaml.BaseLoader
)
SALTS = {  # how a recipe says a pure salt: strengths and metals
    "sodium_nitrite": {"nitrite_pct": 100},
    "potassium_nitrite": {"nitrite_pct": 100, "nitrite_salt": "potassium"},
    "sodium_nitrate": {"nitrite_pct": 0, "nitrate_pct": 100},
    "potassium_nitrate": {"nitrite_pct": 0, "nitrate_pct": 100, "nitrate_salt": "potassium"},
}
STATED = {  # what is not dry states its composition, invented figures; what reads like an allergen states it
    "malt_syrup": {"allergens": ["gluten"]},
    "milk": {
        "is": "liquid", "allergens": ["milk"], "fat_pct": 3.5, "moisture_pct": 87, "protein_pct": 3.3, "salt_pct": 0.1,
    },
    "whole_egg": {
        "is": "liquid", "allergens": ["egg"], "fat_pct": 10, "moisture_pct": 76, "protein_pct": 12, "salt_pct": 0.3,
    },
    "cheese": {"moisture_pct": 38, "protein_pct": 24, "salt_pct": 2},
}  # fmt: skip


def expected() -> Iterator[Any]:
    for case in CASES:
        for i, wanted in enumerate(case["expect"]):
            name = case["id"] + (f"-{wanted['row']}" if i else "")
            yield pytest.param(case, wanted, id=name)


# ---- a case as three files ----


def lots_of(case: dict[str, Any]) -> list[dict[str, Any]]:
    """The lots of a case with all that a table of lots can state; what a case leaves out does not matter to it."""
    lots = [entry for entry in case["inputs"] if "lot" in entry]
    for entry in case["inputs"]:  # only what was mixed is known: pure flesh, pure fat
        parts = entry.get("as_mixed_pct", {})
        lots += [
            {"lot": name, "kg": kg, "fat_pct": "100" if name == "fat" else "0", "species": "pig"}
            for name, kg in parts.items()
        ]
    return [lot | {"name": f"L-{number}"} for number, lot in enumerate(lots, 1)]


def lots_text(case: dict[str, Any]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = ("lot", "on_hand_kg", "cost_per_kg", "material", "species", "cured")
    writer.writerow((*names, "fat_pct", "moisture_pct", "protein_pct", "collagen_pct"))
    for lot in lots_of(case):
        fat = exact(lot.get("fat_pct", "25"))
        protein = exact(lot["meat_protein_pct"]) if "meat_protein_pct" in lot else (100 - fat) / 5
        collagen = protein * exact(lot.get("collagen_of_protein_pct", "10")) / 100
        figures = [fat, (100 - fat) * 3 / 4, protein, collagen]
        writer.writerow([lot["name"], lot["kg"], 1, lot["lot"], lot["species"], "no", *(float(f) for f in figures)])
    return out.getvalue()


ALLERGENS = {"milk": "milk", "whole_egg": "egg"}
"""What additions that are no substance of their own hold."""


def additions_of(case: dict[str, Any]) -> list[dict[str, Any]]:
    """Additions as a recipe says them; one gram stands for each dose, which the weights then replace."""
    found = []
    for entry in case["inputs"]:
        if "is" not in entry:
            continue
        what = entry["is"]
        known = what in PLAIN_KINDS or what in SUBSTANCES
        said = {"is": what if known else "spice"} | STATED.get(what, {})
        if what in SALTS:
            said = {"is": "cure", "confirm_strength": "yes"} | SALTS[what]
        further = {key: value for key, value in entry.items() if key not in ("is", "kg", "purpose")}
        said |= {} if known or what not in ALLERGENS else {"allergens": ALLERGENS[what]}
        found.append({"name": what.replace("_", " "), "g_per_kg_meat": 1} | said | further)
    return found


def recipe_text(case: dict[str, Any]) -> str:
    additions, steps = additions_of(case), case.get("steps", [])
    recipe: dict[str, Any] = {"name": case["id"], "rules": [case["pack"]], "product_class": case["class"]}
    recipe |= {"steps": steps, "additions": additions, "scales": {"meat_g": 1, "spice_g": "0.001"}}
    if set(steps) - {"cooked"} and not any(entry["is"] == "cure" for entry in additions):
        recipe["made_without_nitrite"] = "yes"
    meat = sum(exact(lot["kg"]) for lot in lots_of(case))
    for entry in case["inputs"]:
        if "finished_kg" in entry:
            recipe["yield"] = {"finished_pct": str(float(exact(entry["finished_kg"]) * 100 / meat))}
    if "laboratory" in case:
        ion, _, form = case["laboratory"]["what"].removeprefix("residual ").partition(" as ")
        key, form = f"residual_{ion}_ppm", "ion" if "ion" in form else "sodium_salt"
        recipe["laboratory"] = {key: case["laboratory"]["value"], "expressed_as": form}
    if "yield_pct" in case:
        recipe["yield"] = {"finished_pct": case["yield_pct"]}
    return yaml.safe_dump(recipe).replace("'", "")


def weighed_text(case: dict[str, Any]) -> str:
    lines = [f"{lot['name']},{lot['kg']}" for lot in lots_of(case)]
    lines += [f"{entry['is'].replace('_', ' ')},{entry['kg']}" for entry in case["inputs"] if "is" in entry]
    return "item,kg\n" + "\n".join(lines) + "\n"


@cache
def files_of(name: str) -> tuple[Recipe, LotTable, tuple[WeighedItem, ...], date]:
    (case,) = [case for case in CASES if case["id"] == name]
    recipe = parse_recipe(recipe_text(case), "recipe.yaml")
    table = parse_lots(lots_text(case), "lots.csv")
    return recipe, table, parse_weighed(weighed_text(case), "batch.csv"), date.fromisoformat(case["date"])


# ---- through check ----


@cache
def report_of(name: str) -> Report:
    recipe, table, weighed, day = files_of(name)
    return check(recipe, table, weighed, "batch.csv", day)


def finding_of(case: dict[str, Any], row: str) -> Finding | None:
    """The finding under a row, None where it is not in force for the product; the row must be in the pack."""
    assert row in {entry.id for entry in load_pack(case["pack"]).rows}
    findings = [f for place in report_of(case["id"]).places for f in place.findings]
    return next((f for f in findings if f.requirement.origin.rule == row), None)


def judge(case: dict[str, Any], wanted: dict[str, Any]) -> None:
    """The verdict and the exact figure of one row. ``warn`` is anything that is neither a pass nor forbids."""
    finding = finding_of(case, wanted["row"])
    if finding is None:  # a limit that is not for this product
        assert (wanted["verdict"], wanted.get("figure")) == ("pass", None)
        return
    verdict = "pass" if finding.ok else "fail" if finding.grade.forbids else "warn"
    assert verdict == wanted["verdict"]
    if "figure" in wanted:
        assert finding.value is not None
        assert round(finding.value, 4) == exact(wanted["figure"])


@pytest.mark.parametrize(("case", "wanted"), list(expected()))
def test_a_case_of_the_law_is_judged_by_check_as_its_text_says(case: dict[str, Any], wanted: dict[str, Any]) -> None:
    judge(case, wanted)


# ---- through blend ----


def only(case: dict[str, Any], row: str) -> Problem | None:
    """The case as an order of all its lots under one row alone; None where arithmetic does not decide the row."""
    recipe, table, weighed, day = files_of(case["id"])
    kilograms = {item.name: item.kilograms for item in weighed}
    meat = sum((kilograms[lot.name] for lot in table.lots), Fraction(0))
    doses = [replace(a, rate=kilograms[a.item.name] / meat) for a in recipe.additions]
    exactly = replace(recipe, additions=tuple(doses))
    problem = assemble(exactly, table, order_of(exactly, "--meat-kg", meat, day, Asked()))
    kept = [r for r in problem.requirements if not r.origin.pack or r.origin.rule == row]
    (asked,) = (r for r in problem.requirements if r.origin.rule == row)
    if asked in problem.measured_only or asked.measured_only(problem.formula):
        return None
    return replace(problem, requirements=tuple(kept), fixed=tuple(r for r in problem.fixed if r in kept))


def compositional(case: dict[str, Any]) -> bool:
    """True for a case that turns on the lots."""
    return "laboratory" not in case and sum("kg" in entry for entry in case["inputs"]) > 0


@pytest.mark.parametrize(("case", "wanted"), list(expected()))
def test_a_limit_binds_inside_the_model(case: dict[str, Any], wanted: dict[str, Any]) -> None:
    """With all lots of a case wanted whole, there is a batch exactly where the row is kept."""
    plain = wanted["verdict"] != "warn" and compositional(case)
    problem = only(case, wanted["row"]) if plain and finding_of(case, wanted["row"]) is not None else None
    if problem is None:
        return
    made = blend(problem).status is Status.OPTIMAL
    assert made is (wanted["verdict"] == "pass")
