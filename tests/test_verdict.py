"""One grade and one headline for page, JSON and exit code, never better than the worst row below them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from test_check import GOOD, LOTS, RECIPE, table
from typer.testing import CliRunner, Result

from optimizer.cli import app
from optimizer.wording import CAUTION

FRESH = """name: Fresh
rules: [us]
product_class: fresh_pork_sausage
additions:
  - {name: ice, is: water, g_per_kg_meat: %s}
"""
PORK = "lot,on_hand_kg,fat_pct,cost_per_kg,species,material%s\nA,50,30,2,pork,shoulder%s\n"
SIZE = ("--meat-kg", "40", "--date", "2026-11-30")


@pytest.fixture
def kitchen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(kitchen: Path, recipe: str, lots: str, weighed: str | None, *options: str) -> Result:
    (kitchen / "r.yaml").write_text(recipe, encoding="utf-8")
    (kitchen / "l.csv").write_text(lots, encoding="utf-8")
    if weighed is None:
        return CliRunner().invoke(app, ["blend", "r.yaml", "--lots", "l.csv", *SIZE, *options])
    (kitchen / "b.csv").write_text(weighed, encoding="utf-8")
    words = ["check", "b.csv", "--recipe", "r.yaml", "--lots", "l.csv", "--date", "2026-11-30", *options]
    return CliRunner().invoke(app, words)


def told(kitchen: Path, recipe: str, lots: str, weighed: str | None, *options: str) -> tuple[str, int, str]:
    """Grade, exit code and headline, which page and document must agree on."""
    page = run(kitchen, recipe, lots, weighed, *options)
    found = run(kitchen, recipe, lots, weighed, *options, "--json")
    verdict = json.loads(found.stdout)["verdict"]
    assert page.exit_code == found.exit_code, page.output
    assert verdict["headline"] in " ".join(page.stdout.split())
    assert " ".join(CAUTION.split()) in " ".join(page.stdout.split())
    assert json.loads(found.stdout)["caution"] == CAUTION
    return verdict["grade"], page.exit_code, verdict["headline"]


def test_what_the_tolerance_of_the_scales_leaves_open_is_not_certain(kitchen: Path) -> None:
    """96 g of 6.25 % cure on 40 kg are 150 ppm; 9 CFR 424.21(c) allows 156.25: 4 g are room enough, 5 g are not."""
    good = table(GOOD)
    assert told(kitchen, RECIPE, LOTS, good, "--spice-tolerance-g", "3.9")[:2] == ("holds", 0)
    grade, code, headline = told(kitchen, RECIPE, LOTS, good, "--spice-tolerance-g", "4.1")
    assert (grade, code) == ("not_certain", 1)
    assert headline.startswith("NOT CERTAIN within the tolerance of the scales. ")
    assert "hold;" in headline and "not certain" in headline.split(";")[1]


@pytest.mark.parametrize(
    ("tolerance", "said"),
    [("--spice-tolerance-g", "143.59 to 156.41"), ("--meat-tolerance-g", "anything: the tolerance is as large as")],
)
def test_the_page_says_between_what_figures_it_is_not_certain(kitchen: Path, tolerance: str, said: str) -> None:
    """(96 - 4.1) and (96 + 4.1) g of 6.25 % cure on 40 kg of meat."""
    amount = "4.1" if "spice" in tolerance else "100000"
    page = " ".join(run(kitchen, RECIPE, LOTS, table(GOOD), tolerance, amount).stdout.split())
    assert f"and it may be {said}" in page


def test_a_tolerance_as_large_as_the_batch_leaves_everything_open(kitchen: Path) -> None:
    """With 100 kg either way there may be next to no meat under the cure: its ppm has no upper end."""
    found = told(kitchen, RECIPE, LOTS, table(GOOD), "--meat-tolerance-g", "100000")
    assert found[:2] == ("not_certain", 1)


@pytest.mark.parametrize(("tolerance", "grade"), [(10, "holds"), (200, "not_certain")])
def test_a_confidence_that_the_tolerance_takes_away_is_not_certain(kitchen: Path, tolerance: int, grade: str) -> None:
    """25 kg at 10 % and 15 kg at 50 %: 25 % fat, its deviation sqrt(25^2 + 15^2) / 40 = 0.729 points. With 95 % (1.645
    deviations) 1.199 points are kept clear of 26.25 %: 0.051 to spare. 10 g more fat and less lean move it by
    0.010 points at most, 200 g by 0.2 (on paper still 1.05 clear).
    """
    recipe = """name: T
rules: [us]
product_class: sausage
confidence: {probability: 0.95}
require: [{fat: {max_pct: 26.25}}]
"""
    found = told(kitchen, recipe, LOTS, "item,kg\nlean,25\nhalf,15\n", "--meat-tolerance-g", str(tolerance))
    assert found[:2] == (grade, int(grade != "holds"))


@pytest.mark.parametrize(("grams", "grade"), [(30, "holds"), (32, "not_lawful_under_this_name")])
def test_a_lawful_food_that_may_not_bear_its_name_is_no_danger(kitchen: Path, grams: int, grade: str) -> None:
    """9 CFR 319.141: water or ice to 3 % of the total ingredients; 30 g a kilogram are 2.91 %, 32 are 3.10 %."""
    recipe, lots = FRESH % grams, PORK % ("", "")
    for weighed in (None, f"item,kg\nA,40\nice,{0.04 * grams}\n"):
        found, code, headline = told(kitchen, recipe, lots, weighed)
        assert (found, code) == (grade, int(grams > 31))
        assert ("NOT LAWFUL UNDER THIS NAME" in headline) is (grams > 31)
        assert "DO NOT MAKE" not in headline


def test_too_much_cure_outranks_a_wrong_name(kitchen: Path) -> None:
    recipe = RECIPE.replace("g_per_kg_meat: 2.4", "g_per_kg_meat: 3").replace("20}\n", "140}\n")
    assert told(kitchen, recipe, LOTS, None)[:2] == ("do_not_make", 1)


def test_what_a_laboratory_must_find_is_counted_and_never_said_to_hold(kitchen: Path) -> None:
    grade, code, headline = told(kitchen, RECIPE, LOTS, None)
    assert (grade, code) == ("holds", 0)
    assert "1 needs a laboratory" in headline and "All" not in headline


def test_warnings_are_counted_in_the_headline(kitchen: Path) -> None:
    recipe = "name: t\nadditions:\n  - {name: salt, is: salt, g_per_kg_meat: 0.5}\n"
    headline = told(kitchen, recipe, PORK % ("", ""), None)[2]
    # no rule pack, a total of salt that no sausage has
    assert headline.startswith("MAKE IT, with 2 warnings. ")


@pytest.mark.parametrize(
    ("column", "cell", "kilograms", "says"),
    [
        ("largest_pull_kg", "30", 31, "30 kg is the most to pull"),
        ("smallest_pull_kg", "20", 10, "20 kg is the least to pull"),
        ("pack_kg", "5", 12, "whole packs of 5 kg"),
        ("use_up", "yes", 40, "all 50 kg of it are to be used up"),
    ],
)
def test_a_weighed_batch_is_held_to_the_lots_own_limits(
    kitchen: Path, column: str, cell: str, kilograms: int, says: str
) -> None:
    """What blend would not have done, check does not pass."""
    lots = PORK % (f",{column}", f",{cell}")
    done = run(kitchen, FRESH % 20, lots, f"item,kg\nA,{kilograms}\nice,{kilograms / 50}\n")
    assert done.exit_code == 1
    assert says in " ".join(done.stdout.split())
    fine = {"pack_kg": 10, "use_up": 50}.get(column, 25)
    assert run(kitchen, FRESH % 20, lots, f"item,kg\nA,{fine}\nice,{fine / 50}\n").exit_code == 0


def test_a_load_beyond_the_mixer_is_said_and_loads_not_weighed_apart_are_named(kitchen: Path) -> None:
    recipe = FRESH % 20 + "mixer_kg: 25\n"
    apart = "item,kg,load\n" + "".join(f"A,{kg},{n}\nice,{kg / 50},{n}\n" for n, kg in ((1, 15), (2, 25)))
    done = run(kitchen, recipe, PORK % ("", ""), apart)
    assert done.exit_code == 1 and "load 2: 25.5 kg, and the mixer takes 25 kg" in " ".join(done.stdout.split())
    whole = run(kitchen, recipe, PORK % ("", ""), "item,kg\nA,40\nice,0.8\n")
    assert whole.exit_code == 0 and "weigh them apart" in " ".join(whole.stdout.split())


def test_characters_that_steer_are_written_out() -> None:
    from optimizer.pages.tables import paragraph, table, visible

    bad = "pork\u202egpj\x1b[31m\u2028x"
    assert visible(bad) == "pork\\u202egpj\\u001b[31m\\u2028x"
    assert visible("na\u00efve \u732a\u200d") == "na\u00efve \u732a\u200d"
    for text in ("".join(paragraph(bad)), "".join(table(("a",), [[bad]], "<"))):
        assert "\u202e" not in text and "\x1b" not in text


@pytest.mark.parametrize("words", [("rules", "us"), ("columns",)])
def test_commands_that_name_a_cure_carry_the_caution(words: tuple[str, ...]) -> None:
    page = CliRunner().invoke(app, list(words)).stdout
    assert " ".join(CAUTION.split()) in " ".join(page.split())
