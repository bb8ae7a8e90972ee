"""Figures that no kitchen can mean are refused through every way in: the recipe, ``--set``, and under a lenient law."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import pytest

from constraints.faults import BadInput, Fault
from optimizer.order import Asked
from optimizer.reading.recipe import parse_recipe
from optimizer.why.explain import question
from optimizer.why.what_if import Inputs

DAY = date(2026, 11, 30)
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
