"""Figures that no kitchen can mean are refused through every way in: the recipe, ``--set``, and under a lenient law."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from kitchens import HOUSE

from constraints.as_typed import BadInput, Fault
from optimizer.answer import blend
from optimizer.order import Asked
from optimizer.problem import assemble
from optimizer.reading.recipe import parse_recipe
from optimizer.why.explain import question
from optimizer.why.what_if import Inputs, change_of, settings_of, with_settings

DAY = date(2026, 11, 30)
RULED = f"rules: [{HOUSE}]\n"
LOTS = (
    "lot,on_hand_kg,fat_pct,cost_per_kg,species,moisture_pct,protein_pct\nA,60,18,2,pork,64,17\nB,40,53,1,pork,36,9\n"
)
RECIPE = """name: Test
additions:
  - {name: salt, is: salt, g_per_kg_meat: 16}
  - {name: pepper, g_per_kg_meat: 2}
  - {name: ice, is: water, g_per_kg_meat: 50}
casing: {kg_per_m: 0.5, link_cm: 12}
"""


def faults_of(text: str) -> list[Fault]:
    with pytest.raises(BadInput) as caught:
        parse_recipe(text, "r.yaml")
    return list(caught.value.faults)


@pytest.mark.parametrize(
    ("right", "wrong", "line", "words"),
    [
        ("16}", "999999}", 3, "999999 g of salt in a kilogram"),
        ("16}", "251}", 3, "251 g of salt"),
        ("g_per_kg_meat: 16", "g_per_kg_batch: 260", 3, "260 g of salt"),
        ("g_per_kg_meat: 16", "total_salt_pct: 26", 3, "a total of 26 % salt"),
        ("2}", "2000}", 4, "2000 g of pepper"),
        ("50}", "50000}", 3, "per kilogram of meat add up to 50018 g"),
        ("0.5,", "500000,", 6, "500000 kg of batch in a metre"),
    ],
)
def test_a_figure_that_no_kitchen_can_mean_is_refused_with_its_line(
    right: str, wrong: str, line: int, words: str
) -> None:
    (fault,) = [fault for fault in faults_of(RECIPE.replace(right, wrong, 1)) if words in fault.found]
    assert (fault.file, fault.line) == ("r.yaml", line)


@pytest.mark.parametrize("edge", [("16}", "250}"), ("2}", "500}"), ("50}", "8000}"), ("0.5,", "20,")])
def test_a_figure_that_is_only_odd_is_taken(edge: tuple[str, str]) -> None:
    parse_recipe(RECIPE.replace(*edge, 1), "r.yaml")


# Every figure of recipe_checks: what is written, at the figure, beyond it, and what is said then.

SALT_LINE, PEPPER_LINE = "g_per_kg_meat: 16}", "g_per_kg_meat: 2}"


def cure(strength: str, grams: str, more: str = "") -> str:
    return f"{{name: pink, is: cure, nitrite_pct: {strength}, g_per_kg_meat: {grams}{more}}}"


ODD = {
    "spice to meat": (PEPPER_LINE, "g_per_kg_meat: 50}", "g_per_kg_meat: 50.1}", "50.1 g of pepper in a kilogram is a"),
    "spice to batch": (PEPPER_LINE, "g_per_kg_batch: 50}", "g_per_kg_batch: 50.1}", "50.1 g of pepper"),
    "thin casing": ("kg_per_m: 0.5", "kg_per_m: 0.1", "kg_per_m: 0.0999", "0.0999 kg of batch in a metre"),
    "wide casing": ("kg_per_m: 0.5", "kg_per_m: 20", "kg_per_m: 20.01", "20.01 kg of batch in a metre"),
    "link by weight": ("link_cm: 12", "link_g: 10", "link_g: 9.99", "a link weighs only 9.99 g"),
    "link by length": ("link_cm: 12", "link_cm: 2", "link_cm: 1.99", "a link of 1.99 cm weighs only 9.95 g"),
    "fraction": ("casing:", "require: [{fat: {min_pct: 1}}]\ncasing:", "require: [{fat: {min_pct: 0.99}}]\ncasing:",
                 "fat min_pct 0.99 may be a fraction"),
    "smallest": ("casing:", "require: [{fat: {min_pct: 1}}]\ncasing:", "require: [{fat: {min_pct: 0}}]\ncasing:",
                 "every batch keeps"),
    "largest": ("casing:", "require: [{fat: {max_pct: 99.9}}]\ncasing:", "require: [{fat: {max_pct: 100}}]\ncasing:",
                "every batch keeps"),
}  # fmt: skip
REFUSED = {
    "salt to meat": (SALT_LINE, "g_per_kg_meat: 250}", "g_per_kg_meat: 250.1}", "250.1 g of salt"),
    "salt to batch": (SALT_LINE, "g_per_kg_batch: 250}", "g_per_kg_batch: 250.1}", "250.1 g of salt"),
    "total salt": (SALT_LINE, "total_salt_pct: 25}", "total_salt_pct: 25.1}", "a total of 25.1 % salt"),
    "dry to meat": (PEPPER_LINE, "g_per_kg_meat: 500}", "g_per_kg_meat: 500.1}", "500.1 g of pepper"),
    "dry to batch": (PEPPER_LINE, "g_per_kg_batch: 500}", "g_per_kg_batch: 500.1}", "500.1 g of pepper"),
    # 900 g of a kilogram of batch are 9000 to one of meat, with the 18 of salt and pepper
    "room in meat": ("g_per_kg_meat: 50}", "g_per_kg_meat: 8981.9}", "g_per_kg_meat: 8982}", "add up to 9000 g"),
    "room in batch": ("g_per_kg_meat: 50}", "g_per_kg_batch: 899.9}", "g_per_kg_batch: 900}", "add up to 900 g"),
    "no casing so thin": ("kg_per_m: 0.5, link_cm: 12", "kg_per_m: 0.001", "kg_per_m: 0.0009", "0.0009 kg of batch"),
    "no casing so wide": ("kg_per_m: 0.5, link_cm: 12", "kg_per_m: 2000", "kg_per_m: 2000.1", "2000.1 kg of batch"),
    "no link so small": ("link_cm: 12", "link_g: 0.1", "link_g: 0.09", "a link weighs only 0.09 g"),
    "weak cure": ("{name: pepper, g_per_kg_meat: 2}", cure("0.4", "25"), cure("0.39", "25"), "unusual strength"),
    "strong cure": ("{name: pepper, g_per_kg_meat: 2}", cure("7", "2"), cure("7.01", "2"), "unusual strength"),
    "pure salt": ("{name: pepper, g_per_kg_meat: 2}", cure("100", "0.15"), cure("99.9", "0.15"), "unusual strength"),
    # 0.8 g of 5 % in a kilogram are 40 ppm
    "little cure": ("{name: pepper, g_per_kg_meat: 2}", cure("5", "0.8"), cure("5", "0.799"), "only 39.95 ppm"),
}  # fmt: skip


@pytest.mark.parametrize("what", ODD)
def test_at_a_suspicious_figure_nothing_is_said_and_just_beyond_it_something_is(what: str) -> None:
    old, at, beyond, words = ODD[what]
    assert old in RECIPE
    assert [w.found for w in parse_recipe(RECIPE.replace(old, at), "r.yaml").warnings] == []
    (warning,) = parse_recipe(RECIPE.replace(old, beyond), "r.yaml").warnings
    assert words in warning.found


@pytest.mark.parametrize("what", REFUSED)
def test_at_the_last_figure_a_recipe_is_taken_and_just_beyond_it_refused(what: str) -> None:
    old, at, beyond, words = REFUSED[what]
    assert old in RECIPE
    parse_recipe(RULED + RECIPE.replace(old, at), "r.yaml")
    (fault,) = faults_of(RULED + RECIPE.replace(old, beyond))
    assert words in fault.found


@pytest.mark.parametrize("words", [", confirm_strength: yes", ""])
def test_a_strength_off_the_usual_is_taken_where_the_label_says_so(words: str) -> None:
    text = RULED + RECIPE.replace("{name: pepper, g_per_kg_meat: 2}", cure("9", "2", words))
    assert bool(words) == (text.count("confirm") == 1)
    if words:
        parse_recipe(text, "r.yaml")
    else:
        assert "usual is 0.4 to 7 %, or 100 for the pure salt" in faults_of(text)[0].allowed


def asked(*settings: str) -> list[Fault]:
    """What is said of a question with figures set."""
    said: list[Fault] = []
    inputs = Inputs(RECIPE, "r.yaml", LOTS, "l.csv", ("--meat-kg", Fraction(20)), DAY, Asked())
    question(inputs, said.extend, settings)
    return said


@pytest.mark.parametrize(
    "setting",
    ["addition.salt.g_per_kg_meat=999999", "addition.pepper.g_per_kg_meat=2000", "addition.ice.g_per_kg_meat=50000",
     "casing.kg_per_m=500000"],
)  # fmt: skip
def test_the_same_figures_are_refused_by_set(setting: str) -> None:
    with pytest.raises(BadInput):
        asked(setting)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_parts_are_numbered_from_one_as_they_stand(number: int) -> None:
    """Of two limits on fat neither goes by its name; of additions each goes by either."""
    limits = "require:\n  - fat: {max_pct: 41}\n  - fat: {max_pct: 42}\n  - share: {species: pork, max_pct: 43}\n"
    inputs = Inputs(RECIPE + limits, "r.yaml", LOTS, "l.csv", ("--meat-kg", Fraction(20)), DAY, Asked())

    def read(*settings: str) -> tuple[list[Any], list[Any]]:
        recipe, _, _ = with_settings(inputs, settings_of(settings)).read()
        largest = [getattr(asked.entry(), "max_pct", None) for asked in recipe.entry.require]
        return largest, [addition.g_per_kg_meat for addition in recipe.entry.additions]

    before = [41, 42, 43], [16, 2, 50]
    assert read() == before
    after = [[*part] for part in before]
    after[0][number - 1], after[1][number - 1] = 40, 15
    assert read(f"require.{number}.max_pct=40", f"addition.{number}.g_per_kg_meat=15") == tuple(after)
    name = ("salt", "pepper", "ice")[number - 1]
    assert read(f"addition.{name}.g_per_kg_meat=15")[1] == after[1]
    assert number < 3 or read("require.share.max_pct=40")[0] == [41, 42, 40]
    for path in (
        "require.0.max_pct=40",
        "require.4.max_pct=40",
        "require.fat.max_pct=40",
        "addition.0.g_per_kg_meat=1",
    ):
        with pytest.raises(BadInput, match="there is no"):
            read(path)


def test_what_moved_names_the_figures_of_either_batch_before_the_scales() -> None:
    """Of 18 and 53 % fat at 2 and 1 a kilogram the cheapest has as much fat as it may: 25, then 30 %."""
    inputs = Inputs("name: x\nrequire: [{fat: {max_pct: 25}}]\n", "r.yaml", LOTS, "l.csv", ("--meat-kg", Fraction(20)),
                    DAY, Asked())  # fmt: skip
    settings = settings_of(["require.1.max_pct=30"])
    before, after = (blend(assemble(*given.read())) for given in (inputs, with_settings(inputs, settings)))
    change = change_of(settings, before, after)
    (fat,) = (moved for moved in change.figures if moved.what.startswith("fat"))
    assert (fat.old, fat.new, fat.old_binds, fat.new_binds) == (25, 30, True, True)
    assert (fat.old_limits, fat.new_limits) == ("at most 25 %", "at most 30 %")
    lighter = Fraction("19.975")  # the least weight within the order's tolerance; per point of fat 1/35 a kilogram
    assert change.saving == lighter * 5 / 35


def test_a_suspicious_figure_that_was_set_is_said() -> None:
    assert asked() == []
    (warning,) = asked("addition.pepper.g_per_kg_meat=60")
    assert "60 g of pepper in a kilogram is a lot" in warning.found


@pytest.mark.parametrize("limit", ["meat_to_fat: {min: -1}", "lean_to_fat: {max: 0}", "meat_to_fat: {target: -2}"])
def test_a_ratio_of_weights_is_never_negative(limit: str) -> None:
    (fault,) = faults_of(RECIPE + f"require:\n  - {limit}\n")
    assert fault.line == 8 and "above 0" in fault.allowed


@pytest.mark.parametrize(
    ("limit", "idle"),
    [("fat: {min_pct: 0}", True), ("share: {species: pork, max_pct: 100}", True), ("protein: {min_pct: 1}", False),
     ("fat: {max_pct: 99}", False)],
)  # fmt: skip
def test_a_limit_that_every_batch_keeps_is_warned_of(limit: str, idle: bool) -> None:
    warnings = parse_recipe(RECIPE + f"require:\n  - {limit}\n", "r.yaml").warnings
    assert [w.line for w in warnings if "every batch keeps" in w.found] == [8] * idle
