"""Input that would make a batch look safe when it is not: each must be refused, or the batch not made."""

from __future__ import annotations

import json
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from constraints.as_typed import BadInput
from optimizer.answer import Answer, Status, blend
from optimizer.findings import check
from optimizer.order import Asked, order_of
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import judged_by, parse_recipe
from optimizer.reading.weighed import parse_weighed
from optimizer.remarks import warnings

DAY = date(2026, 11, 25)
LOTS = (
    "lot,on_hand_kg,fat_pct,cost_per_kg,species,moisture_pct,protein_pct\nA,60,18,2,pork,64,17\nB,40,53,1,pork,36,9\n"
)
CURE = "  - {name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2.5}\n"
RECIPE = """name: Test
rules: [us]
product_class: sausage
steps: [smoked]
require:
  - fat: {min_pct: 20, max_pct: 30}
additions:
"""


def made(recipe: str, lots: str = LOTS, kg: str = "25", day: date = DAY, **asked: Fraction) -> Answer:
    read, table = parse_recipe(recipe, "r.yaml"), parse_lots(lots, "l.csv")
    return blend(assemble(read, table, order_of(read, "--meat-kg", Fraction(kg), day, Asked(**asked))))


def test_the_recipe_itself_is_sound() -> None:
    assert made(RECIPE + CURE).status is Status.OPTIMAL


@pytest.mark.parametrize("division", [20, 12, 10_000])
def test_a_scale_that_rounds_the_cure_away_makes_no_batch(division: int) -> None:
    """4 kg want 10 g of cure: divisions of 20 g and 12 g leave none of it."""
    answer = made(RECIPE + CURE, kg="4", spice_g=Fraction(division))
    assert answer.status is Status.INFEASIBLE and answer.weighed is None
    assert any("pink cure weighed in" in r.what for r in answer.scale_prevents)


SPICED = RECIPE + CURE + "  - {name: sage, g_per_kg_meat: 1.2}\n  - {name: salt, is: salt, %s}\n"


@pytest.mark.parametrize("salt", ["g_per_kg_meat: 16", "total_salt_pct: 1.6"])
@pytest.mark.parametrize(("division", "prevents"), [(1, ""), (12, "sage"), (30, "sage"), (5000, "sage salt")])
def test_a_scale_that_rounds_an_addition_away_or_to_a_multiple_makes_no_batch(
    salt: str, division: int, prevents: str
) -> None:
    """4 kg want 4.8 g of sage and about 64 g of salt: half of 12 g and more is more than the sage."""
    recipe = (SPICED % salt).replace("  - {name: pink cure", "  - {scale: meat, name: pink cure")
    answer = made(recipe, kg="4", spice_g=Fraction(division), meat_g=Fraction(1))
    whats = [r.what for r in answer.scale_prevents]
    assert (answer.weighed is None) is bool(prevents)
    assert all(any(word in what for what in whats) for word in prevents.split())


def test_a_dose_far_off_by_the_scale_is_said() -> None:
    """4.8 g of sage on a scale of 4 g are 4 g, of which a sixth is missing."""
    recipe = (SPICED % "g_per_kg_meat: 16").replace("  - {name: pink cure", "  - {scale: meat, name: pink cure")
    answer = made(recipe, kg="4", spice_g=Fraction(4), meat_g=Fraction(1))
    (said,) = (text for text in warnings(answer) if "finer scale" in text and "cure" not in text)
    assert said.startswith("the scale's division of 4 g makes 4 g of sage of a dose of 4.8 g in a load")
    fine = made(recipe, kg="4", spice_g=Fraction(1), meat_g=Fraction(1))
    assert not any("makes" in text for text in warnings(fine))


REFUSED = {
    "a cure that does not say so": "  - {name: sodium nitrite, g_per_kg_meat: 2}\n",
    "a curing salt called salt": "  - {name: nitrite curing salt, is: salt, g_per_kg_meat: 20}\n",
    "saltpetre": "  - {name: saltpetre, g_per_kg_meat: 1}\n",
    "nitrite as another property": "  - {name: powder, g_per_kg_meat: 10, properties: {nitrite_pct: 5}}\n",
    "negative nitrite": "  - {name: pepper, g_per_kg_meat: 2, properties: {nitrite_ppm: -50000}}\n",
    "salt typed as a property": "  - {name: pepper, g_per_kg_meat: 2, properties: {salt_pct: 50}}\n",
    "a percentage above 100": "  - {name: pepper, g_per_kg_meat: 2, properties: {ash_pct: 101}}\n",
    "hardly any meat": "  - {name: ice, is: water, g_per_kg_batch: 950}\n",
    "an addition named like a lot": "  - {name: A, g_per_kg_meat: 2}\n",
}


@pytest.mark.parametrize("addition", REFUSED.values(), ids=REFUSED)
def test_an_addition_that_hides_something_is_refused(addition: str) -> None:
    with pytest.raises(BadInput):
        made(RECIPE + CURE + addition)


def test_an_addition_named_like_a_cure_may_say_that_it_is_none() -> None:
    answer = made(RECIPE + CURE + "  - {name: cured lemon peel, g_per_kg_meat: 2, holds_no_nitrite: yes}\n")
    assert answer.status is Status.OPTIMAL


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("product_class: {usa: frankfurter}", "product_class: sausage"),
        ("rules: [us, us]", "rules: [us]"),
    ],
)
def test_a_slip_that_would_drop_limits_is_refused(wrong: str, right: str) -> None:
    with pytest.raises(BadInput):
        made((RECIPE + CURE).replace(right, wrong))


def test_no_more_fat_is_lost_than_there_is() -> None:
    """At most 30 % fat goes in, so that 40 % of the batch cannot be lost as fat."""
    answer = made(RECIPE.replace("rules: [us]", "yield: {finished_pct: 60, fat_loss_pct: 40}\nrules: [us]") + CURE)
    assert answer.status is Status.INFEASIBLE
    assert answer.conflict is not None
    assert any("fat left after the yield" in r.what for r in answer.conflict.requirements)


def test_a_day_before_any_limit_is_in_force_is_refused() -> None:
    recipe = (RECIPE + CURE).replace("[us]", "[eu]").replace("sausage", "heat_treated")
    with pytest.raises(BadInput, match="no limit of eu judges how much in this product on 2010-01-01"):
        made(recipe, day=date(2010, 1, 1))
    assert made(recipe.replace("2.5", "1.5")).status is Status.OPTIMAL


HOUSE = """pack: house
title: House
authority: you
checked_on: 2026-01-01
rows:
  - {id: house-fat, requires: {fat: {max_pct: 40}}, layer: house, source: us, status: yours}
"""
CAP = "  - {id: cap, requires: {ingoing_nitrite: {max_ppm: 100}}, layer: house, source: us, status: yours}\n"
LAWLESS = RECIPE.replace("rules: [us]\nproduct_class: sausage\n", "")


@pytest.mark.parametrize(
    "addition",
    [CURE, "  - {name: powder, g_per_kg_meat: 3, properties: {nitrite_ppm: 20000}}\n"],
    ids=["cure", "a powder that holds nitrite"],
)
def test_nitrite_that_no_law_was_checked_for_is_refused_with_what_mends_it(addition: str) -> None:
    lawless = LAWLESS.replace("steps: [smoked]\n", "")
    with pytest.raises(BadInput) as caught:
        made(lawless + addition)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == ("r.yaml", 5)
    assert "no rule pack is named" in fault.found and "rules: [PACK]" in fault.allowed
    with pytest.raises(BadInput, match="no rule pack"):
        made(lawless.replace("additions:", "  - ingoing_nitrite: {max_ppm: 200}\nadditions:") + addition)
    assert made(lawless + "  - {name: pepper, g_per_kg_meat: 3}\n").status is Status.OPTIMAL


def test_a_pack_of_your_own_judges_a_cure_where_it_limits_nitrite(tmp_path: Path) -> None:
    house = tmp_path / "house.yaml"
    own = LAWLESS.replace("name: Test", f"name: Test\nrules: [{house}]") + CURE
    house.write_text(HOUSE, encoding="utf-8")
    with pytest.raises(BadInput, match="judges how much"):
        made(own)
    house.write_text(HOUSE + CAP, encoding="utf-8")
    assert made(own).weighed is None  # 156.25 ppm
    assert made(own.replace("2.5", "1.5")).status is Status.OPTIMAL


def test_cured_lots_are_judged_by_a_law_too() -> None:
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,cured,nitrite_ppm,nitrate_ppm,salt_pct\n"
    lots += "A,60,18,2,,,,\nB,40,53,1,yes,90,0,2\n"
    plain = LAWLESS.replace("steps: [smoked]\n", "")
    with pytest.raises(BadInput, match="B: nitrite in the lot, and no rule pack"):
        made(plain + "  []\n", lots)
    assert made(plain + "  []\neligible: {leave_out: [B]}\n", lots).status is Status.INFEASIBLE


@pytest.mark.parametrize(("kg", "asked"), [("25", {"within_kg": Fraction(500)}), ("0.001", {})])
def test_a_tolerance_as_large_as_the_batch_is_refused(kg: str, asked: dict[str, Fraction]) -> None:
    with pytest.raises(BadInput, match="says nothing"):
        made(RECIPE + CURE, kg=kg, **asked)


def test_a_mixer_far_too_small_is_refused() -> None:
    with pytest.raises(BadInput, match=r"^--mixer-kg: error: .*over 50 loads"):
        made(RECIPE + CURE, mixer_kg=Fraction(1, 1000))
    with pytest.raises(BadInput, match=r"^r.yaml:2:\d+: error: .*over 50 loads"):
        made((RECIPE + CURE).replace("rules", "mixer_kg: 0.001\nrules"))


def test_a_house_packs_class_counts_whatever_the_pack_is_called(tmp_path: Path) -> None:
    """A house pack is named by its file; its class may be stated by file or by the pack's own name."""
    house = tmp_path / "house.yaml"
    house.write_text(
        "pack: house\ntitle: House\nauthority: you\nchecked_on: 2026-01-01\n"
        "classes:\n  - {id: strict, title: strict, source: us}\n"
        "rows:\n  - id: house-nitrite\n    requires: {ingoing_nitrite: {max_ppm: 50}}\n    classes: [strict]\n"
        "    layer: house\n    source: us\n    status: yours\n",
        encoding="utf-8",
    )
    recipe, table = parse_recipe(RECIPE + CURE, "r.yaml"), parse_lots(LOTS, "l.csv")
    weighed = parse_weighed("item,kg,grams\nA,20,\nB,5,\npink cure,,60\n", "b.csv")
    for stated in (f"{house}=strict",):
        report = check(judged_by(recipe, [stated]), table, weighed, "b.csv", DAY)
        assert report.grade.forbids


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("item,kg,grams\nA,20,\nB,5,\n", "pink cure"),
        ("item,kg,grams\nA,20,\nB,5,\npink cure,,30\n", "pink cure"),
        ("item,kg,grams\nA,200,\nB,5,\npink cure,,512.5\n", "on hand"),
    ],
    ids=["no cure", "half the cure", "more than there is"],
)
def test_a_check_sees_what_was_forgotten(text: str, words: str) -> None:
    recipe, table = parse_recipe(RECIPE + CURE, "r.yaml"), parse_lots(LOTS, "l.csv")
    report = check(recipe, table, parse_weighed(text, "b.csv"), "b.csv", DAY)
    assert report.grade.forbids
    assert words in " ".join([*report.unfit, *(dose.item.name for dose in report.off)])


def test_a_key_twice_in_the_json_is_refused() -> None:
    text = json.dumps({"lots": [{"lot": "A", "kg": 20}], "weigh_out": []})
    with pytest.raises(BadInput, match="stands twice"):
        parse_weighed(text.replace('"kg": 20', '"kg": 20, "kg": 2'), "b.json")
