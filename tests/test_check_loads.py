"""``trimwright check`` of a batch weighed in several mixer loads: each is a batch by itself.

Recipe and lots are those of test_check; expected figures are worked out in the comments.
"""

from __future__ import annotations

import json
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from test_check import GOOD, LOTS, RECIPE
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from optimizer.answer import blend
from optimizer.cli import app
from optimizer.findings import Report, check
from optimizer.order import Asked, order_of
from optimizer.pages.check_page import check_page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.reading.weighed import parse_weighed
from optimizer.record import document
from optimizer.verdict import Grade

DAY = date(2026, 11, 30)
HALF = {name: kilograms / 2 for name, kilograms in GOOD.items()}


def of_loads(*loads: dict[str, float]) -> str:
    rows = [f"{n},{name},{kg}\n" for n, load in enumerate(loads, start=1) for name, kg in load.items()]
    return "load,item,kg\n" + "".join(rows)


def checked(text: str) -> Report:
    recipe, lots = parse_recipe(RECIPE, "r.yaml"), parse_lots(LOTS, "l.csv")
    return check(recipe, lots, parse_weighed(text, "b"), "b", DAY)


def said(report: Report) -> str:
    return " ".join(check_page(report, full=True).split())


def blended() -> dict[str, Any]:
    """A blend of 40 kg in two loads, as its JSON."""
    recipe = parse_recipe(RECIPE + "mixer_kg: 22\n", "r.yaml")
    order = order_of(recipe, "--meat-kg", Fraction(40), DAY, Asked())
    found: dict[str, Any] = json.loads(document("blend", blend(assemble(recipe, parse_lots(LOTS, "l.csv"), order))))
    assert len(found["loads"]) == 2
    return found


def cure_of(part: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = next(entry for entry in part["weigh_out"] if entry["item"] == "pink cure")
    return found


def test_two_good_halves_are_fine() -> None:
    report = checked(of_loads(HALF, HALF))
    assert not report.grade.forbids and report.grade is not Grade.NOT_THE_RECIPE and not report.apart
    assert [load.load for load in report.loads] == [1, 2]
    assert "LOADS, EACH CHECKED ALONE" in said(report)


def test_all_the_cure_in_one_load_is_do_not_make_though_the_whole_is_right() -> None:
    """96 g of 6.25 % on 20 kg are 300 ppm."""
    text = of_loads({**HALF, "pink cure": 0.096}, {**HALF, "pink cure": 0})
    report = checked(text)
    assert report.grade.forbids
    assert not any(f.grade is Grade.DO_NOT_MAKE for place in report.places for f in place.findings)
    words = said(report)
    assert words.count("DO NOT MAKE. ") == 1
    assert "load 1: United States: ingoing nitrite of the green weight is 300.00 ppm, at most 156.25 ppm" in words
    assert "load 2: pink cure, 0 g weighed, 48 g is its dose for these lots" in words
    found = json.loads(document("check", report))
    assert found["status"] == "do_not_make"
    assert [load["status"] for load in found["loads"]] == ["do_not_make", "do_not_make"]


def test_salt_that_is_right_only_on_the_whole_is_not_what_the_recipe_asks() -> None:
    report = checked(of_loads({**HALF, "salt": 0.5}, {**HALF, "salt": 0.245}))
    assert report.grade is Grade.NOT_THE_RECIPE
    assert "load 1: salt, 500 g weighed, 372 g is its dose" in said(report)


def test_the_blend_s_own_json_is_fine_load_by_load() -> None:
    report = checked(json.dumps(blended()))
    assert not report.grade.forbids and report.grade is not Grade.NOT_THE_RECIPE and len(report.loads) == 2


@pytest.mark.parametrize("total", ["corrected", "left"])
def test_a_load_corrected_in_the_json_is_checked(total: str) -> None:
    """Twice 48 g in one load is 300 ppm, whether or not the whole was corrected too."""
    found = blended()
    cure_of(found["loads"][1])["grams"] *= 2
    cure_of(found)["grams"] += 48 if total == "corrected" else 0
    report = checked(json.dumps(found))
    assert report.loads[1].grade.forbids and report.grade.forbids and not report.loads[0].grade.forbids
    assert bool(report.apart) is (total == "left")


def test_cure_moved_from_one_load_to_another_is_seen() -> None:
    found = blended()
    cure_of(found["loads"][0])["grams"] -= 10
    cure_of(found["loads"][1])["grams"] += 10  # 58 g: 181 ppm
    report = checked(json.dumps(found))
    assert report.grade.forbids and not report.apart
    assert "load 2: United States: ingoing nitrite of the green weight is 181.25 ppm" in said(report)


def test_loads_that_do_not_add_up_to_the_whole_are_said() -> None:
    found = blended()
    for entry in found["loads"][0]["weigh_out"]:
        if entry["item"] == "pepper":
            entry["grams"] += 1
    report = checked(json.dumps(found))
    assert report.grade is Grade.NOT_THE_RECIPE
    assert "The loads do not add up to the whole: pepper: 0.101 kg in the loads, 0.1 kg in the whole" in said(report)


def test_a_fault_of_a_document_has_no_line() -> None:
    found = blended()
    found["weigh_out"][0]["item"] = "nobody knows"
    with pytest.raises(BadInput) as caught:
        checked(json.dumps(found))
    assert {(fault.line, fault.found.split(" named ")[-1]) for fault in caught.value.faults} == {
        (None, "'nobody knows'")
    }
    found = blended() | {"loads": []}
    found["weigh_out"] *= 2
    with pytest.raises(BadInput, match="stands twice") as caught:
        checked(json.dumps(found))
    assert {(fault.line, fault.allowed) for fault in caught.value.faults} == {(None, "add the weights up")}


def test_loads_take_no_more_of_a_lot_than_there_is() -> None:
    found = blended()
    found["loads"] = found["loads"] * 3  # 120 kg, of which there are 100
    report = checked(json.dumps(found))
    assert report.grade.forbids and any("usable on hand" in text for text in report.unfit)


@pytest.mark.parametrize(
    "loads", ["two", {"1": {}}, ["two"], [{}], [{"lots": [], "weigh_out": []}], [{"lots": [{"lot": "lean", "kg": 9}]}]]
)
def test_loads_that_cannot_be_read_are_refused(loads: object) -> None:
    found = blended()
    found["loads"] = loads
    with pytest.raises(BadInput):
        checked(json.dumps(found))


@pytest.mark.parametrize("key", ["kg", "held_kg"])
def test_two_weights_of_a_lot_that_do_not_belong_together_are_said(key: str) -> None:
    """Of the lean lot 80 % are meat; the weight after bone and rind is the one that is checked."""
    lots = LOTS.replace("fat_sd_pct\n", "fat_sd_pct,usable_pct\n").replace(",1\n", ",1,\n")
    bony = parse_lots(lots.replace("70,19,1,", "70,19,1,80"), "l.csv")
    recipe = parse_recipe(RECIPE, "r.yaml")
    answer = blend(assemble(recipe, bony, order_of(recipe, "--meat-kg", Fraction(20), DAY, Asked())))
    found = json.loads(document("blend", answer))

    def report() -> Report:
        return check(recipe, bony, parse_weighed(json.dumps(found), "b"), "b", DAY)

    assert report().grade is not Grade.NOT_THE_RECIPE and not report().unlike
    (lean,) = (entry for entry in found["lots"] if entry["lot"] == "lean")
    lean[key] += 1
    kg = lean["kg"]
    assert f"lean: {kg:g} kg was checked, which is {kg / 0.8:g} kg held; {lean['held_kg']:g} kg held stands" in said(
        report()
    )
    lean["held_kg"] = "much"
    with pytest.raises(BadInput, match="held_kg"):
        report()


@pytest.mark.parametrize("cell", ["", "0", "-1", "1.5", "one", "1000", "²"])
def test_a_load_that_is_no_number_is_refused(cell: str) -> None:
    with pytest.raises(BadInput, match="load"):
        parse_weighed(f"item,load,kg\nlean,{cell},3\n", "b.csv")


def test_an_item_twice_in_a_load_is_refused_and_once_in_each_is_added() -> None:
    with pytest.raises(BadInput, match="stands twice in load 1"):
        parse_weighed("item,load,kg\nlean,1,3\nlean,1,4\n", "b.csv")
    whole = [item for item in parse_weighed("item,load,kg\nlean,1,3\nlean,2,4\n", "b.csv") if not item.load]
    assert [(item.name, item.kilograms) for item in whole] == [("lean", 7)]


def test_the_command_fails_and_its_page_is_no_wider_than_a_terminal(tmp_path: Path) -> None:
    for name, text in (("r.yaml", RECIPE), ("l.csv", LOTS)):
        (tmp_path / name).write_text(text)
    (tmp_path / "b.csv").write_text(of_loads({**HALF, "pink cure": 0.096}, {**HALF, "pink cure": 0}))
    words = ["--recipe", f"{tmp_path}/r.yaml", "--lots", f"{tmp_path}/l.csv", "--date", f"{DAY}"]
    done = CliRunner().invoke(app, ["check", f"{tmp_path}/b.csv", *words])
    assert done.exit_code == 1 and "DO NOT MAKE" in done.stdout
    assert [line for line in done.stdout.splitlines() if len(line) > 80] == []
