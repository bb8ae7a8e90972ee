"""The dose that would pass: what is said passes when it is typed, and the next decimal does not.

Limits: Reg (EC) 1333/2008 Annex II (consolidation of 18 August 2026), 9 CFR 424.21-22. Recipes and lots are invented.
"""

from __future__ import annotations

import json
import shutil
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from typer.testing import CliRunner

from constraints.as_typed import exact, trimmed
from optimizer.answer import Answer, Status, blend
from optimizer.cli import app
from optimizer.findings import Report, check
from optimizer.lawful import STEPS, LawfulDose
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page
from optimizer.pages.check_page import check_page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.reading.weighed import parse_weighed
from optimizer.record import document

LOTS = """lot,on_hand_kg,fat_pct,moisture_pct,protein_pct,salt_pct,cost_per_kg,species
lean,60,10,70,19,0,4,pork
fat,60,60,30,8,0,2,pork
"""
CURE = "{name: pink cure, is: cure, nitrite_pct: 6, DOSE}"


def answered(rules: str, classes: str, addition: str, dose: str, further: str = "") -> Answer:
    """A blend of 20 kg with one addition at a dose."""
    text = (
        f"name: T\nrules: [{rules}]\nproduct_class: {classes}\nsteps: [cooked]\n"
        f"require: [{{fat: {{min_pct: 20, max_pct: 30}}}}{further}]\n"
        f"scales: {{spice_g: 0.001}}\n"
        f"additions:\n  - {addition.replace('DOSE', dose)}\n  - {{name: ice, is: water, g_per_kg_meat: 80}}\n"
    )
    recipe = parse_recipe(text, "r.yaml")
    order = order_of(recipe, "--meat-kg", Fraction(20), date(2026, 11, 25), Asked())
    return blend(assemble(recipe, parse_lots(LOTS, "l.csv"), order))


CASES = [
    # nitrite: 80 as the ion of the batch; with 80 g of ice and the cure itself in it, at most 80 x 1.4997 x 1.082 ppm
    ("eu", "{eu: heat_treated}", CURE, "ingoing_nitrite_ppm: 150", "at most 129.8 under the European Union pack"),
    ("eu, us", "{eu: heat_treated, us: sausage}", CURE, "g_per_kg_batch: 2.5", "under the European Union pack"),
    ("us", "{us: sausage}", CURE, "ingoing_nitrite_ppm: 200", "at most 156.2 under the United States pack"),
    ("us", "{us: bacon_pumped}", CURE, "ingoing_nitrite_ppm: 60", "at least"),
    (
        "eu", "{eu: heat_treated}", "{name: phosphate, is: sodium_tripolyphosphate, DOSE}", "g_per_kg_meat: 12",
        "g_per_kg_meat at most",
    ),
    (
        "eu", "{eu: heat_treated}", "{name: erythorbate, is: sodium_erythorbate, DOSE}", "g_per_kg_batch: 0.8",
        "g_per_kg_batch at most 0.562 under",  # 500 as the acid x 198.11 / 176.12 = 562.4 mg/kg
    ),
]  # fmt: skip


@pytest.mark.parametrize(("rules", "classes", "addition", "dose", "words"), CASES)
def test_the_dose_said_passes_when_typed_and_the_next_one_does_not(
    rules: str, classes: str, addition: str, dose: str, words: str
) -> None:
    answer = answered(rules, classes, addition, dose)
    assert answer.grade.forbids
    (said,) = answer.lawful_doses
    assert words in said.words()
    assert said.value is not None
    assert not broken_by(answered(rules, classes, addition, f"{said.key}: {trimmed(said.value)}"), said)
    beyond = said.value + STEPS[said.key] * (1 if said.most else -1)
    assert broken_by(answered(rules, classes, addition, f"{said.key}: {trimmed(beyond)}"), said)


def test_doses_said_together_pass_together() -> None:
    """With less starch the batch is smaller, and 0.5 % of it too (9 CFR 424.21(c), phosphates; 319.180(e), binders)."""
    starch = "{name: starch, is: corn_starch, g_per_kg_batch: TOLD}"
    salts = "{name: salts, is: sodium_tripolyphosphate, g_per_kg_meat: DOSE}"
    both = f"{CURE.replace('DOSE', 'ingoing_nitrite_ppm: 150')}\n  - {starch}\n  - {salts}"
    phosphate, binder = "9", "60"
    answer = answered("us", "{us: frankfurter}", both.replace("TOLD", binder), phosphate)
    said = {dose.addition: dose.value for dose in answer.lawful_doses}
    binder, phosphate = trimmed(said["starch"] or Fraction(0)), trimmed(said["salts"] or Fraction(0))
    assert not answered("us", "{us: frankfurter}", both.replace("TOLD", binder), phosphate).grade.forbids
    more = trimmed(exact(phosphate) + Fraction(1, 1000))
    assert answered("us", "{us: frankfurter}", both.replace("TOLD", binder), more).grade.forbids


def broken_by(answer: Answer, said: LawfulDose) -> bool:
    """True where the addition's dose is told to be unlawful again."""
    return any(dose.addition == said.addition for dose in answer.lawful_doses)


def test_page_and_document_say_it() -> None:
    answer = answered("eu", "{eu: heat_treated}", CURE, "ingoing_nitrite_ppm: 150")
    sentence = "pink cure: ingoing_nitrite_ppm at most 129.8 under the European Union pack"
    assert sentence in " ".join(page(answer).split())
    assert json.loads(document("blend", answer))["what_would_pass"][0]["words"] == sentence


def test_a_weighed_batch_is_told_the_dose_that_would_pass_and_what_it_is_known_to_contain() -> None:
    """9 CFR 424.21(c): a quarter ounce to 100 lb of meat, 156.25 ppm."""
    text = (
        "name: T\nrules: [us]\nproduct_class: frankfurter\nsteps: [cooked]\nadditions:\n"
        "  - {name: cure, is: cure, nitrite_pct: 6, ingoing_nitrite_ppm: PPM}\n"
        "  - {name: senf, g_per_kg_meat: 2, allergens: [mustard]}\n"
    )
    weighed = parse_weighed("item,kg\nlean,10\ncure,0.03\nsenf,0.02\n", "w.csv")

    def report(ppm: str) -> Report:
        recipe = parse_recipe(text.replace("PPM", ppm), "r.yaml")
        return check(recipe, parse_lots(LOTS, "l.csv"), weighed, "w.csv", date(2026, 11, 25))

    words = "cure: ingoing_nitrite_ppm at most 156.2 under the United States pack"
    said = " ".join(check_page(report("180")).split())
    assert f"What would pass: {words}." in said
    assert "Known to contain, by what the recipe states: mustard." in said
    found = json.loads(document("check", report("180")))
    assert [dose["words"] for dose in found["what_would_pass"]] == [words]
    assert report("156.2").instead == ()  # the dose is lawful, and too much was weighed


def test_a_limit_of_your_own_counts_too_and_a_target_of_salt_is_told() -> None:
    salt = "{name: salt, is: salt, total_salt_pct: 2.2, basis: batch}"
    answer = answered("eu", "{eu: heat_treated}", salt, "", ", {salt: {basis: batch, max_pct: 1.8}}")
    assert answer.status is Status.INFEASIBLE
    assert [d.words() for d in answer.lawful_doses] == ["salt: total_salt_pct at most 1.8 under your recipe"]


def test_where_a_floor_and_a_ceiling_exclude_each_other_no_dose_is_told() -> None:
    floor = ", {ingoing_nitrite: {min_ppm: 140, basis: meat}}"
    (said,) = answered("eu", "{eu: heat_treated}", CURE, "ingoing_nitrite_ppm: 150", floor).lawful_doses
    assert said.value is None
    assert "no dose of it keeps the limits of the European Union pack and your recipe" in said.words()


def test_what_is_not_lawful_at_all_is_told_to_be_left_out() -> None:
    nitrite = CURE.replace("pink cure", "cure")
    (said,) = answered("eu", "{eu: fresh_sausage}", nitrite, "ingoing_nitrite_ppm: 100").lawful_doses
    assert said.words() == "cure: none at all is lawful under the European Union pack"


def test_a_lawful_blend_and_fat_that_no_lot_reaches_say_nothing_of_doses() -> None:
    assert answered("eu", "{eu: heat_treated}", CURE, "ingoing_nitrite_ppm: 100").lawful_doses == ()
    nothing = answered("eu", "{eu: heat_treated}", CURE, "ingoing_nitrite_ppm: 100", ", {protein: {min_pct: 40}}")
    assert nothing.status is Status.INFEASIBLE
    assert nothing.lawful_doses == ()


def test_a_cure_of_nitrate_alone_needs_no_further_words() -> None:
    """80 g ice and 0.2 g of the salt per kg: 200 mg NaNO3 are 200 x 0.72952 / 1.0802 = 135 mg/kg as the ion."""
    saltpetre = "{name: saltpetre, is: cure, nitrate_pct: 100, DOSE}"
    answer = answered("eu", "{eu: non_heat_treated}", saltpetre, "g_per_kg_meat: 0.2")
    assert answer.status is Status.DO_NOT_MAKE
    (said,) = answer.lawful_doses
    assert said.value == exact("0.133")
    assert answered("eu", "{eu: non_heat_treated}", saltpetre, "g_per_kg_meat: 0.133").status is Status.OPTIMAL


def test_a_week_says_it_of_the_batch_that_no_lots_can_mend(tmp_path: Path) -> None:
    examples = shutil.copytree(Path(__file__).parent.parent / "examples", tmp_path / "examples")
    smoked = examples / "smoked.yaml"
    smoked.write_text(smoked.read_text().replace("ingoing_nitrite_ppm: 150", "ingoing_nitrite_ppm: 190"))
    done = CliRunner().invoke(app, ["plan", str(examples / "week/week.yaml")])
    assert done.exit_code == 1
    said = " ".join(done.stdout.split())
    assert "smoked for the shop: pink cure: ingoing_nitrite_ppm at most 156.2 under the United States pack" in said
