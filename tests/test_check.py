"""``trimwright check``: what a batch as weighed is told to be, and what would mend it.

Recipes and lots are invented. Expected figures are worked out in the comments, or reckoned here from the weights.
"""

from __future__ import annotations

import json
import math
import re
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from kitchens import random_kitchen
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from optimizer.answer import Status, blend
from optimizer.cli import app
from optimizer.findings import Report, check
from optimizer.order import Asked, order_of
from optimizer.pages.check_page import check_page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import judged_by, parse_recipe
from optimizer.reading.weighed import parse_weighed
from optimizer.record import document
from optimizer.verdict import Grade

DAY = date(2026, 11, 30)
LOTS = """lot,on_hand_kg,fat_pct,cost_per_kg,species,role,moisture_pct,protein_pct,fat_sd_pct
lean,40,10,4,pork,meat,70,19,1
half,40,50,2,pork,fat,39,10,1
beef,20,20,5,beef,meat,62,17,1
"""
RECIPE = """name: Smoked links
rules: [us]
product_class: sausage
steps: [smoked]
eligible: {species: [pork, beef]}
require:
  - fat: {min_pct: 20, max_pct: 30}
additions:
  - {name: salt, is: salt, total_salt_pct: 2, basis: batch}
  - {name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2.4}
  - {name: pepper, g_per_kg_meat: 2.5}
  - {name: ice, is: water, g_per_kg_meat: 20}
"""
# 30 kg of lean and 10 of half are 20 % fat; the doses for 40 kg of meat are 96 g cure, 100 g pepper, 800 g ice. Salt is
# 2 % of the batch: s + 0.09 = 0.02 (40 + 0.996 + s) gives s = 0.72992 / 0.98 = 0.7448 kg.
GOOD = {"lean": 30, "half": 10, "salt": 0.745, "pink cure": 0.096, "pepper": 0.1, "ice": 0.8}


def table(kilograms: dict[str, float]) -> str:
    return "item,kg\n" + "".join(f"{name},{kg}\n" for name, kg in kilograms.items())


def checked(recipe: str = RECIPE, lots: str = LOTS, **changes: float) -> Report:
    weighed = {**GOOD, **{name.replace("_", " "): kg for name, kg in changes.items()}}
    return check(
        parse_recipe(recipe, "r.yaml"), parse_lots(lots, "l.csv"), parse_weighed(table(weighed), "b.csv"), "b.csv", DAY
    )


def said(report: Report) -> str:
    """The page in one line, so that its line breaks do not matter."""
    return " ".join(check_page(report, full=True).split())


def headline(report: Report) -> list[str]:
    """The lines from the verdict to the first heading."""
    block = check_page(report).split("\n\n")[0].partition("\n")[2]
    lines = re.sub(r"(?<=limits hold; )(.*)\n(?=[a-z])", r"\1 ", re.sub(r"\n  +", " ", block)).splitlines()
    return [line for line in lines if not line.startswith("Not judged here:")]


def test_the_batch_as_the_recipe_has_it_is_fine() -> None:
    report = checked()
    assert not report.grade.forbids and report.grade is not Grade.NOT_THE_RECIPE and not report.off
    (line,) = headline(report)
    assert re.fullmatch(r"RIGHT AS WEIGHED\. (\d+) of \d+ limits hold; 1 needs a laboratory\.", line)


# Additions.


def test_salt_doubled_is_said_in_the_second_line_and_is_no_recipe_s_batch() -> None:
    report = checked(salt=1.49)
    first, second, third = headline(report)
    assert re.fullmatch(
        r"NOT WHAT THE RECIPE ASKS\. \d+ of \d+ limits hold; 1 is broken, 1 needs a laboratory\.", first
    )
    assert second.startswith("* Off its dose: salt, 1490 g weighed, 745 g is its dose for these lots")
    # twice the dose, but for what rounding 744.8 to 745 leaves: 1490 / 744.82 * 40 kg
    assert "80.02 kg of meat block" in second
    # (1.49 + 0.09) of 42.486 kg
    assert third.startswith("* total salt of the whole batch is 3.72 %")
    assert report.grade is Grade.NOT_THE_RECIPE


def test_the_total_of_salt_is_always_printed() -> None:
    report = checked()
    # 0.745 + 0.09 of 41.741 kg
    assert re.search(r"^whole batch .* 2\.00$", check_page(report, full=True), re.MULTILINE)
    cured = LOTS.replace("fat_sd_pct\n", "fat_sd_pct,cured,nitrite_ppm,nitrate_ppm\n")
    cured = cured.replace(",1\n", ",1,,,\n").replace(",1,,,\nhalf", ",1,yes,0,0\nhalf")
    plain = RECIPE.replace("total_salt_pct: 2, basis: batch", "g_per_kg_meat: 18")
    silent = checked(plain, cured, salt=0.72)
    assert "The total of salt is not known: lean without salt_pct." in said(silent)


@pytest.mark.parametrize(
    ("item", "kg", "off", "missed"),
    [
        ("pepper", 0.102, False, False),  # 2 % of 100 g
        ("pepper", 0.1031, True, False),  # beyond 1 g and 2 %
        ("pepper", 0.1111, True, True),  # beyond 1 g and 10 %
        ("pepper", 0.05, True, True),
        ("ice", 0.817, False, False),  # 1 g and 2 % of 800 g
        ("ice", 0.818, True, False),
        ("pink cure", 0.0989, False, False),
        ("pink cure", 0.0991, True, True),  # a cure has less room
        ("salt", 0.7607, False, False),  # 1 g and 2 % of 744.8 g
        ("salt", 0.7608, True, True),
    ],
)
def test_room_about_a_dose(item: str, kg: float, off: bool, missed: bool) -> None:
    report = checked(**{item: kg})
    assert [dose.item.name for dose in report.off] == ([item] if off else [])
    assert (report.grade is Grade.NOT_THE_RECIPE) is missed
    assert not report.grade.forbids
    if off:
        assert f"Off its dose: {item}" in headline(report)[1]


def test_what_is_short_says_how_much_to_add() -> None:
    assert "pepper, 60 g weighed, 100 g is its dose for these lots; add 40 g" in said(checked(pepper=0.06))


def test_a_cure_overdose_that_only_a_laboratory_could_judge_is_do_not_make() -> None:
    """Codex limits what is left of nitrite, not what goes in."""
    residual = RECIPE.replace("[us]", "[codex]").replace("sausage", "luncheon_meat")
    assert checked(residual, pink_cure=0.2).grade.forbids
    assert not checked(residual, pink_cure=0.1).grade.forbids
    assert not checked(residual).grade.forbids


def test_a_cure_that_no_law_judges_is_refused_and_a_pack_named_on_the_spot_is_enough() -> None:
    lawless = RECIPE.replace("rules: [us]\nproduct_class: sausage\n", "")
    with pytest.raises(BadInput, match=r"pink cure brings nitrite, and no rule pack is named"):
        checked(lawless)
    weighed = parse_weighed(table({**GOOD, "pink cure": 0.2}), "b.csv")
    report = check(
        judged_by(parse_recipe(lawless, "r.yaml"), ["us=sausage"]), parse_lots(LOTS, "l.csv"), weighed, "b.csv", DAY
    )
    assert report.grade.forbids


@pytest.mark.parametrize("seed", range(6000, 6040))
def test_what_a_blend_weighs_out_is_as_its_recipe_asks(seed: int) -> None:
    """Rounding to the scales, load by load, is never told to be off the recipe."""
    kitchen = random_kitchen(seed, size=8)
    text, lots = kitchen.recipe_text(), kitchen.lots_text()
    recipe, found = parse_recipe(text, "r.yaml"), parse_lots(lots, "l.csv")
    if seed % 3 == 0:
        recipe = parse_recipe(text[:-1] + f', "mixer_kg": {kitchen.kilograms / 3}' + "}", "r.yaml")
    kilograms = Fraction(str(kitchen.kilograms))
    answer = blend(assemble(recipe, found, order_of(recipe, "--meat-kg", kilograms, date(2026, 11, 25), Asked())))
    if answer.status is not Status.OPTIMAL:
        return
    report = check(recipe, found, parse_weighed(document("blend", answer), "b.json"), "b.json", date(2026, 11, 25))
    assert not report.grade.forbids and report.grade is not Grade.NOT_THE_RECIPE
    assert [dose.item.name for dose in report.off] == []


# The recipe's own targets.


def test_a_missed_target_is_no_do_not_make_and_says_what_mends_it() -> None:
    """29.9 kg of lean and 30 of half are 30.03 % fat; x kg of lean: (1799 + 10 x) / (59.9 + x) <= 30 for x >= 0.1."""
    report = checked(lean=29.9, half=30, salt=1.115, pink_cure=0.1437, pepper=0.15, ice=1.198)
    assert report.grade is Grade.NOT_THE_RECIPE
    words = said(report)
    assert "DO NOT MAKE" not in words
    assert "fat of the meat block is 30.03 %, between 20 and 30 % asked; 0.1 kg more of lean" in words
    (mend,) = (f.mend for place in report.places for f in place.findings if f.mend)
    assert (mend.lot.name, mend.kilograms) == ("lean", Fraction(1, 10))
    # with it the batch is within the limit, and one division less is not
    for kilograms, fine in ((30.0, True), (29.95, False)):
        again = checked(lean=kilograms, half=30, salt=1.117, pink_cure=0.144, pepper=0.15, ice=1.2)
        assert (again.grade is Grade.NOT_THE_RECIPE) is not fine


@pytest.mark.parametrize("divisions", [1, 2, 3, 10, 11, 12, 13, 29, 60])
def test_what_mends_is_the_smallest_number_of_divisions(divisions: int) -> None:
    """L kg of lean and 30 of half: (10 L + 1500 + 10 x) / (L + 30 + x) <= 30 for x >= 30 - L; lean comes by 50 g."""
    lean = Fraction(30) - Fraction(divisions, 20)
    report = checked(lean=float(lean), half=30, salt=1.115, pink_cure=0.1437, pepper=0.15, ice=1.198)
    places = [f for place in report.places for f in place.findings if f.requirement.what == "fat"]
    assert [f.mend.kilograms for f in places if f.mend] == [30 - lean]


def test_what_would_break_a_rule_is_not_proposed() -> None:
    """Only half could bring fat up to 20 %, and 25 % of it is all the recipe takes."""
    narrow = RECIPE.replace("additions:", "  - share: {lot: half, max_pct: 25}\nadditions:")
    report = checked(narrow, lean=30.4, half=10, salt=0.752, pink_cure=0.097, pepper=0.101, ice=0.808)
    assert report.grade is Grade.NOT_THE_RECIPE
    assert all(f.mend is None for place in report.places for f in place.findings if f.requirement.what == "fat")
    wide = checked(lean=30.4, half=10, salt=0.752, pink_cure=0.097, pepper=0.101, ice=0.808)
    (mend,) = (f.mend for place in wide.places for f in place.findings if f.mend)
    # (304 + 500 + 50 x) / (40.4 + x) >= 20 for x >= 4 / 30 = 0.133
    assert (mend.lot.name, mend.kilograms) == ("half", Fraction("0.15"))


def test_a_broken_rule_is_still_do_not_make() -> None:
    report = checked(pink_cure=0.12)  # 187.5 ppm
    assert report.grade.forbids
    assert headline(report)[0].startswith("DO NOT MAKE. ")
    assert "187.50 ppm" in headline(report)[1]
    assert json.loads(document("check", report))["status"] == "do_not_make"


def test_a_limit_of_your_own_on_nitrite_forbids_too() -> None:
    strict = RECIPE.replace("additions:", "  - ingoing_nitrite: {max_ppm: 120}\nadditions:")
    report = checked(strict)  # 150 ppm
    assert report.grade.forbids


# Confidence.

SURE = RECIPE + "confidence: {probability: 0.95}\n"


def test_the_recipe_s_confidence_is_kept_by_check() -> None:
    """Fat 20.4 % with errors of one point: its sd is sqrt(29.6^2 + 10.4^2) / 40 = 0.784, and 0.4 is half of that."""
    asked = {"lean": 29.6, "half": 10.4}
    assert checked(**asked).grade is not Grade.NOT_THE_RECIPE
    report = checked(SURE, **asked)
    assert report.grade is Grade.NOT_THE_RECIPE
    assert "met on paper, but not with 95 % confidence" in said(report)


def test_confidence_is_enough_where_there_is_room() -> None:
    """1.645 times 0.784 is 1.29: 21.5 % is well above 20 % and well below 30 %."""
    assert checked(SURE, lean=28.5, half=11.5).grade is not Grade.NOT_THE_RECIPE


def test_a_rule_kept_on_paper_alone_is_the_recipe_s_miss() -> None:
    """Fresh pork sausage has at most 50 % fat (9 CFR 319.141): 49.8 % is lawful, and not sure to 95 %."""
    fresh = """name: Fresh
rules: [us]
product_class: fresh_pork_sausage
require: []
confidence: {probability: 0.95}
additions: []
"""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,species,material,fat_sd_pct\n"
    lots += "A,50,49.8,2,pork,belly,1\nB,50,50.2,2,pork,belly,1\n"
    recipe, found = parse_recipe(fresh, "r.yaml"), parse_lots(lots, "l.csv")
    lawful = check(recipe, found, parse_weighed("item,kg\nA,20\n", "b"), "b", DAY)
    assert (lawful.grade.forbids, (lawful.grade is Grade.NOT_THE_RECIPE)) == (False, True)
    assert check(recipe, found, parse_weighed("item,kg\nB,20\n", "b"), "b", DAY).grade.forbids


def test_lots_without_an_error_are_one_fault() -> None:
    lots = "\n".join(line.rsplit(",", 1)[0] for line in LOTS.splitlines()) + "\n"
    with pytest.raises(BadInput) as caught:
        checked(SURE, lots)
    (fault,) = caught.value.faults
    assert "2 lots state neither fat_sd_pct nor fat_method: lean, half" in fault.found
    assert fault.line == 2


# Rework.


def test_both_nitrite_figures_of_a_batch_with_rework_are_told_apart() -> None:
    lots = LOTS.replace("fat_sd_pct\n", "fat_sd_pct,rework,salt_pct,green_pct,original_nitrite_ppm\n")
    lots = lots.replace(",1\n", ",1,,,,\n") + "old,10,25,1,pork,meat,55,15,1,yes,2,80,100\n"
    report = checked(RECIPE, lots, old=5, lean=25, pink_cure=0.0875, salt=0.64, pepper=0.0875, ice=0.7)
    # fresh: 0.0875 kg of 62 500 mg/kg on 35 kg; all: with 5 * 0.8 kg at 100 mg/kg on 39 kg
    fresh, every = 0.0875 * 62_500 / 35, (0.0875 * 62_500 + 400) / 39
    both = f"{every:.2f} over all green meat, {fresh:.2f} over the fresh meat alone"
    assert said(report).count(both) == 3  # the law's limit, its floor, the tool's own guard
    figures = {
        f.requirement.limits(): f.value
        for place in report.places
        for f in place.findings
        if f.requirement.what == "ingoing nitrite"
    }
    assert float(figures["at most 156.25 ppm"] or 0) == pytest.approx(fresh)
    assert float(figures["at least 120 ppm"] or 0) == pytest.approx(every)
    assert f"{both}; the larger counts" in said(report)


# The page.


def rows(report: Report, title: str) -> list[str]:
    page = check_page(report, full=True)
    return page.split(f"\n{title.upper()}\n")[1].split("\n\n")[0].splitlines()


def test_what_is_not_in_the_batch_stands_below_what_is() -> None:
    lines = rows(checked(), "United States")
    at = next(i for i, line in enumerate(lines) if line == "None of these is in this batch:")
    assert any("ingoing nitrite" in line for line in lines[:at])
    assert not any("sulphites" in line or "phosphates" in line for line in lines[:at])
    assert any("sulphites" in line for line in lines[at:])


def test_margins_are_in_the_figure_s_own_unit() -> None:
    """7 kg of cure in 40 kg of meat: no "-100000 %"."""
    page = check_page(checked(pink_cure=7), full=True)
    ppm = 7 * 62_500 / 40
    assert f"{156.25 - ppm:.2f} ppm" in page
    (fat,) = (line for line in page.splitlines() if "fat, meat block" in line)
    assert "0.00 points" in fat


def test_a_margin_has_as_many_decimals_as_show_that_there_is_one() -> None:
    """(30.01 x 10 + 30 x 50) / 60.01 is 29.99667 %: below 30 by 0.00333."""
    page = check_page(checked(lean=30.01, half=30, salt=1.117, pink_cure=0.144, pepper=0.15, ice=1.2), full=True)
    (fat,) = (line for line in page.splitlines() if "fat, meat block" in line)
    assert " 0.003 points" in fat


def test_what_mends_a_limit_of_the_whole_batch_brings_its_doses_along() -> None:
    """A kilogram of half brings 2.5 g pepper, 20 g ice, 2.4 g cure, 2.25 g of it salt, and s g of salt.

    With s + 2.25 = 2 % of 1024.9 + s all of it weighs (1024.9 - 2.25) / 0.98 g, and fat is (800 + 50 x) / (W + x) so.
    """
    more = RECIPE.replace("fat: {min_pct: 20, max_pct: 30}", "fat: {basis: batch, min_pct: 20}")
    report = checked(more, lean=30, half=10)
    (mend,) = (f.mend for place in report.places for f in place.findings if f.mend)
    mass = sum(GOOD.values())
    least = (20 * mass - 800) / (50 - 20 * 1.02265 / 0.98)
    assert (mend.lot.name, float(mend.kilograms)) == ("half", pytest.approx(math.ceil(least / 0.05) * 0.05))
    after = (800 + 50 * float(mend.kilograms)) / (mass + 1.02265 / 0.98 * float(mend.kilograms))
    assert float(mend.value) == pytest.approx(after, abs=1e-9)


def test_ice_in_the_batch_shows_how_added_water_is_reckoned() -> None:
    cooked = RECIPE.replace("[smoked]", "[smoked, cooked]").replace(
        "name: Smoked links", "name: Smoked links\nyield: {finished_pct: 90}"
    )
    report = checked(cooked)
    # moisture: 30 * 70 + 10 * 39 + 80 kg of water less 10 % of 41.741 kg; protein 30 * 19 + 10 * 10
    kg = 41.741
    moisture = (30 * 0.70 + 10 * 0.39 + 0.8 - 0.1 * kg) / (0.9 * kg) * 100
    protein = (30 * 0.19 + 10 * 0.10) / (0.9 * kg) * 100
    assert f"moisture {moisture:.2f} % less 4 times meat protein {protein:.2f} %: none" in said(report)
    table, _, absent = check_page(report, full=True).partition("None of these is in this batch:")
    assert "added water" in table and "added water" not in absent


def test_the_page_is_no_wider_than_a_terminal() -> None:
    for report in (checked(), checked(salt=1.5, pink_cure=7, pepper=0.3), checked(SURE, lean=29.6, half=10.4)):
        assert [line for line in check_page(report, full=True).splitlines() if len(line) > 80] == []


def test_the_document_says_the_same() -> None:
    report = checked(lean=29.9, half=30, salt=1.115, pink_cure=0.1437, pepper=0.15, ice=1.198)
    found = json.loads(document("check", report))
    assert found["status"] == found["verdict"]["grade"] == "not_what_the_recipe_asks"
    (fat,) = (c for c in found["places"][0]["checks"] if c["what"] == "fat")
    assert fat["mend"]["lot"] == "lean" and fat["mend"]["kg"] == 0.1
    assert fat["forbids"] is False and fat["ok"] is False
    assert found["composition"]["batch"]["salt_pct"] == pytest.approx(2, abs=0.01)
    assert {dose["item"] for dose in found["doses"]} == {"salt", "pink cure", "pepper", "ice"}


# Pounds and ounces.


def test_pounds_and_ounces_in_one_row_are_added() -> None:
    """19 lb 12 oz are 19.75 lb."""
    (first, second) = parse_weighed("item,lb,oz\nA,19,12\nB,,8\n", "b.csv")
    assert first.kilograms == Fraction("19.75") * Fraction("0.45359237")
    assert second.kilograms == Fraction("0.5") * Fraction("0.45359237")


@pytest.mark.parametrize(
    "text", ["item,lb,oz\nA,19,16\n", "item,kg,grams\nA,19,19000\n", "item,kg,lb\nA,1,2\n", "item,lb,oz\nA,,\n"]
)
def test_two_weights_that_may_be_one_are_refused(text: str) -> None:
    with pytest.raises(BadInput):
        parse_weighed(text, "b.csv")


# The command.


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "r.yaml").write_text(RECIPE)
    (tmp_path / "l.csv").write_text(LOTS)
    (tmp_path / "b.csv").write_text(table(GOOD))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def command(*words: str) -> Any:
    return CliRunner().invoke(
        app, ["check", "b.csv", "--recipe", "r.yaml", "--lots", "l.csv", "--date", f"{DAY}", *words]
    )


@pytest.mark.parametrize(
    ("changes", "code"), [({}, 0), ({"salt": 1.49}, 1), ({"pink cure": 0.12}, 1), ({"pepper": 0.104}, 0)]
)
def test_exit_codes(folder: Path, changes: dict[str, float], code: int) -> None:
    (folder / "b.csv").write_text(table({**GOOD, **changes}))
    assert command().exit_code == code


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        ("eu", "--rules eu: error: the rule pack eu needs a product class (write --rules eu=CLASS"),
        ("canada", "--rules canada: error: there is no rule pack named 'canada' (did you mean ca?"),
        ("us=bratwurst", "--rules us: error: the rule pack us has no product class 'bratwurst'"),
    ],
)
def test_a_slip_on_the_command_line_is_found_there(folder: Path, rules: str, words: str) -> None:
    done = command("--rules", rules)
    assert done.exit_code == 2 and done.stdout == ""
    assert " ".join(done.stderr.split()).startswith(words)
    assert "r.yaml" not in done.stderr


def test_other_packs_may_still_be_named(folder: Path) -> None:
    done = command("--rules", "eu=heat_treated", "--rules", "us")
    assert done.exit_code in (0, 1)
    assert "European Union: " in done.stdout and "United States: " in done.stdout


def test_the_recipe_itself_is_left_as_it_is() -> None:
    recipe = parse_recipe(RECIPE, "r.yaml")
    assert judged_by(recipe, []) is recipe
    assert judged_by(recipe, ["us"]).asked == ("us",)


def test_what_is_not_stated_is_asked_for_where_it_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the entry of the recipe or the line of the lots table, once, whatever the loads; never in what was weighed."""
    recipe = """\
name: L
require:
  - protein: {min_pct: 9, basis: batch}
additions:
  - {name: stock, is: liquid, g_per_kg_meat: 20, moisture_pct: 97, allergens: none}
"""
    monkeypatch.chdir(tmp_path)
    Path("r.yaml").write_text(recipe)
    Path("l.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg,protein_pct\nA,30,18,3,18\nB,30,30,3,\n")
    Path("b.csv").write_text("item,kg,load\nA,5,1\nB,5,1\nstock,0.2,1\nA,5,2\nB,5,2\nstock,0.2,2\n")
    words = ["b.csv", "--recipe", "r.yaml", "--lots", "l.csv", "--date", "2026-11-25"]
    done = CliRunner().invoke(app, ["check", *words])
    told = " ".join(done.stderr.split())
    assert done.exit_code == 2 and "2 errors;" in told
    assert "r.yaml:5:5: error: additions[1]: stock does not state protein_pct, which protein needs" in told
    assert "l.csv:3:protein_pct: error: B does not state protein_pct, which protein needs" in told
    done = CliRunner().invoke(app, ["correct", *words, "--measured-fat", "25"])
    told = " ".join(done.stderr.split())
    assert done.exit_code == 2
    assert "b.csv: error: stock does not state fat_pct (state it in the recipe or the lots table" in told
