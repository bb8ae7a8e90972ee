"""Slips of a kitchen: each is said where it stands, in words that lead to it, and first where it endangers someone."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from typer.testing import CliRunner
from where import ROOT

from constraints.as_typed import BadInput, Fault
from constraints.formula import Batch
from optimizer.answer import Answer, blend
from optimizer.cli import app
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page
from optimizer.pages.details import by_load
from optimizer.pages.reference_page import columns_page, known_columns
from optimizer.problem import Problem, assemble
from optimizer.reading import table as offers
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe, read_both
from optimizer.record import document
from optimizer.remarks import left_out, warnings
from optimizer.solver.program import layout_of

DAY = date(2026, 11, 30)
LOTS = """lot,on_hand_kg,fat_pct,cost_per_kg,species,moisture_pct,protein_pct
lean,60,10,4,pork,70,19
half,60,50,2,pork,39,10
beef,40,20,5,beef,62,17
"""
RECIPE = """name: Smoked links
rules: [us]
product_class: sausage
steps: [smoked]
require:
  - fat: {target_pct: 26, within_pct: 1}
additions:
  - {name: salt, is: salt, g_per_kg_meat: 18}
  - {name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2.4}
  - {name: black pepper, g_per_kg_meat: 2.5}
casing: {kg_per_m: 0.5, link_cm: 15}
"""


def problem(recipe: str = RECIPE, lots: str = LOTS, kg: str = "40", **asked: Fraction) -> Problem:
    read, table = parse_recipe(recipe, "r.yaml"), parse_lots(lots, "l.csv")
    return assemble(read, table, order_of(read, "--meat-kg", Fraction(kg), DAY, Asked(**asked)))


def made(recipe: str = RECIPE, lots: str = LOTS, kg: str = "40", **asked: Fraction) -> Answer:
    return blend(problem(recipe, lots, kg, **asked))


def faults(recipe: str = RECIPE, lots: str = LOTS) -> tuple[Fault, ...]:
    with pytest.raises(BadInput) as caught:
        problem(recipe, lots)
    return caught.value.faults


def flat(answer: Answer) -> str:
    return " ".join(page(answer, full=True).split())


# Figures that no sausage has: warned of, and made all the same.


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("g_per_kg_meat: 18", "total_salt_pct: 20", "% salt (0.5 to 4 % is usual"),
        ("g_per_kg_meat: 18", "g_per_kg_meat: 1.8", "% salt (0.5 to 4 % is usual"),
        ("g_per_kg_meat: 2.5", "g_per_kg_meat: 250", "250 g of black pepper in a kilogram"),
        ("g_per_kg_meat: 2.5", "g_per_kg_batch: 60", "60 g of black pepper in a kilogram"),
        ("kg_per_m: 0.5", "kg_per_m: 520", "520 kg of batch in a metre of casing"),
        ("kg_per_m: 0.5", "kg_per_m: 520", "one link of 78000 g is more than the whole batch"),
        ("link_cm: 15", "link_cm: 1.5", "a link of 1.5 cm weighs only 7.5 g"),
        ("link_cm: 15", "link_cm: 1.5511", "a link of 1.5511 cm weighs only 7.76 g"),
    ],
)
def test_a_figure_that_no_sausage_has_is_warned_of(right: str, wrong: str, words: str) -> None:
    answer = made(RECIPE.replace(right, wrong, 1))
    assert answer.weighed is not None
    (said,) = [text for text in warnings(answer) if words in text]
    if "more than the whole batch" not in said:
        assert "common practice, no source" in said
    assert words in flat(answer)


def test_usual_figures_are_not_warned_of() -> None:
    """The one warning is of the cure's scale: 1 g of 96 g."""
    (said,) = warnings(made())
    assert "use a finer scale" in said
    assert warnings(made(spice_g=Fraction(1, 10))) == []
    low, high = (RECIPE.replace("g_per_kg_meat: 18", f"g_per_kg_meat: {dose}") for dose in ("3.2", "39"))
    assert [warnings(made(text, spice_g=Fraction(1, 10))) for text in (low, high)] == [[], []]


# Fractions for percentages.


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("target_pct: 26, within_pct: 1", "target_pct: 0.26", "fat target_pct 0.26 may be a fraction"),
        ("target_pct: 26, within_pct: 1", "max_pct: 0.3", "fat max_pct 0.3 may be a fraction"),
        ("- fat: {target_pct: 26, within_pct: 1}", "- share: {species: beef, min_pct: 0.2}", "share min_pct 0.2"),
    ],
)
def test_a_target_that_may_be_a_fraction_is_said_so(right: str, wrong: str, words: str) -> None:
    read = parse_recipe(RECIPE.replace(right, wrong), "r.yaml")
    (fault,) = read.warnings
    assert words in fault.found
    given = re.search(r"0\.\d+", fault.found)
    assert given is not None
    assert fault.allowed == f"percent: {round(float(given[0]) * 100)}, not {given[0]}"
    assert fault.line == 6
    assert words in flat(made(RECIPE.replace(right, wrong)))


def test_a_yield_as_a_fraction_is_refused_and_nothing_else_is_blamed() -> None:
    with pytest.raises(BadInput) as caught:
        parse_recipe(RECIPE + "yield: {finished_pct: 0.88}\n", "r.yaml")
    (fault,) = caught.value.faults
    assert (fault.line, fault.allowed) == (12, "percent: 88, not 0.88")


def test_whole_percents_are_no_fractions() -> None:
    assert not parse_recipe(RECIPE.replace("26, within_pct: 1", "1"), "r.yaml").warnings
    assert not parse_recipe(RECIPE + "yield: {finished_pct: 88}\n", "r.yaml").warnings


# Cure first.


def test_a_cure_far_beyond_the_law_is_said_before_the_salt_it_brings() -> None:
    """24 g/kg of 6.25 % cure is 1500 ppm, and brings 22.5 g/kg of salt, more than 2 % of the batch."""
    wrong = RECIPE.replace("g_per_kg_meat: 18", "total_salt_pct: 2").replace("g_per_kg_meat: 2.4", "g_per_kg_meat: 24")
    first, second = faults(wrong)
    assert "pink cure alone gives 1500 ppm ingoing nitrite" in first.found
    assert "at most 156.25 ppm" in first.allowed and "9 CFR 424.21(c)" in first.allowed
    assert first.line == 9
    assert "total salt of 2 % is exceeded" in second.found


def test_a_lawful_cure_is_not_blamed_for_other_faults() -> None:
    (only,) = faults(RECIPE.replace("species: beef", "species: beef") + "eligible: {species: [prok]}\n")
    assert "prok" in only.found


def test_what_endangers_stands_first_where_a_batch_must_not_be_made() -> None:
    """Sulphite in meat is forbidden too (9 CFR 424.23), and stands in the recipe before the cure."""
    wrong = RECIPE.replace("g_per_kg_meat: 2.4", "g_per_kg_meat: 3")
    said = re.split(r"DO NOT MAKE\. .*\n", page(made(wrong)))[1].splitlines()
    assert said[0].startswith("* ingoing nitrite of the green weight is 187.50 ppm")


# Every fault of a file.


def test_a_recipe_with_faults_still_has_its_packs_classes_and_cures_looked_at() -> None:
    wrong = (
        RECIPE.replace("[us]", "[usa]").replace("product_class: sausage", "product_class: cooked")
        .replace("- fat: {target_pct: 26", "- colour: {max_pct: 8}\n  - fat: {target_pct: 26")
        .replace("nitrite_pct: 6.25", "nitrite_pct: 0.0625")
    )  # fmt: skip
    with pytest.raises(BadInput) as caught:
        parse_recipe(wrong, "r.yaml")
    found = [(fault.line, fault.found) for fault in caught.value.faults]
    assert [line for line, _ in found] == [2, 3, 6, 10, 10]
    assert "there is no rule pack named 'usa'" in found[0][1]
    assert "did you mean us?" in caught.value.faults[0].allowed
    assert "the rule pack us has no product class 'cooked'" in found[1][1]
    assert "unknown key 'colour'" in found[2][1]
    assert "0.0625 % nitrite is of unusual strength" in found[3][1]
    assert "gives only 1.5 ppm" in found[4][1]


def test_a_faulty_table_does_not_hide_a_faulty_class(tmp_path: Path) -> None:
    (tmp_path / "r.yaml").write_text(RECIPE.replace("product_class: sausage", "product_class: saussage"))
    (tmp_path / "l.csv").write_text(LOTS.replace("lean,60", "lean,-60"))
    with pytest.raises(BadInput) as caught:
        read_both(str(tmp_path / "r.yaml"), str(tmp_path / "l.csv"))
    words = str(caught.value)
    assert "did you mean sausage?" in words and "on_hand_kg is -60" in words


def test_one_class_for_several_packs_says_how_to_name_one_each() -> None:
    (fault,) = faults(RECIPE.replace("[us]", "[us, eu]"))
    assert "the rule pack eu has no product class 'sausage'" in fault.found
    assert "product_class: {us: sausage, eu: CLASS}" in fault.allowed
    assert "heat_treated" in fault.allowed and "trimwright rules eu" in fault.allowed
    assert len(fault.allowed) < 240


# Lots.


def test_a_species_misspelt_is_warned_of_and_every_lot_left_out_is_named() -> None:
    lots = LOTS.replace("5,beef", "5,beff") + "lamb,9,20,5,lamb,62,17\ngone,0,20,5,pork,62,17\n"
    table = parse_lots(lots, "l.csv")
    (warning,) = table.warnings
    assert (warning.line, warning.column, warning.allowed) == (4, "species", "did you mean beef?")
    found = left_out(
        problem(RECIPE + "eligible: {species: [pork], leave_out: [lean]}\n", lots + "x,9,15,1,pork,60,17\n")
    )
    assert found == [
        "not eligible by species beff: beef", "no stock: gone", "not eligible by species lamb: lamb",
        "left out by the recipe: lean",
    ]  # fmt: skip


@pytest.mark.parametrize("species", ["Beef", "mangalica", "venison", ""])
def test_honest_species_are_not_warned_of(species: str) -> None:
    assert not [
        w for w in parse_lots(LOTS.replace("5,beef", f"5,{species}"), "l.csv").warnings if w.column == "species"
    ]


def test_a_lot_left_out_says_what_needs_the_figure() -> None:
    cooked = RECIPE.replace("[smoked]", "[smoked, cooked]") + "eligible: {if_missing: leave_out}\n"
    found = left_out(problem(cooked, LOTS.replace("beef,62,17", "beef,,17")))
    assert found == ["beef: does not state moisture_pct, which added water needs"]


def test_lots_whose_error_is_not_known_are_one_fault_or_left_out() -> None:
    lots = LOTS.replace("protein_pct\n", "protein_pct,fat_sd_pct\n").replace(",19\n", ",19,1\n")
    lots = lots.replace(",10\n", ",10,\n").replace(",17\n", ",17,\n")
    sure = RECIPE + "confidence: {probability: 0.95}\n"
    (fault,) = faults(sure, lots)
    assert fault.found == "2 lots state neither fat_sd_pct nor fat_method: half, beef"
    assert "if_missing: leave_out" in fault.allowed
    found = problem(sure + "eligible: {if_missing: leave_out}\n", lots)
    assert [lot.name for lot in found.formula.lots] == ["lean"]
    assert left_out(found) == ["states neither fat_sd_pct nor fat_method, which 95 % confidence needs: beef, half"]


def test_faults_of_a_table_are_in_the_order_of_its_lines() -> None:
    wrong = RECIPE.replace("additions:", "  - property: {name: colour, max: 3}\nadditions:")
    (missing,) = faults(wrong)  # a column that is not there is said once, not of every lot
    assert missing.found == "no lot states colour, which colour needs" and "there is no column" in missing.allowed
    found = faults(
        wrong,
        LOTS.replace("moisture_pct", "colour,moisture_pct").replace("pork,", "pork,,").replace("beef,62", "beef,9,62"),
    )
    assert [fault.line for fault in found] == [2]  # one fault for all lots, at the first of them
    assert "the lots half, lean do not state colour" in found[0].found


def test_an_unknown_method_lists_those_that_begin_alike() -> None:
    with pytest.raises(BadInput) as caught:
        parse_recipe(RECIPE + "confidence: {probability: 0.95, usual_method: nir}\n", "r.yaml")
    (fault,) = caught.value.faults
    assert "nir_bench" in fault.found and "trimwright columns" in fault.found
    assert len(fault.found) < 260


# Pages.


def test_no_weight_at_all_is_not_the_nearest_attainable() -> None:
    answer = made(RECIPE.replace("target_pct: 26, within_pct: 1", "max_pct: 5"))
    assert answer.conflict is not None
    assert "nearest attainable is 0.00 kg" not in page(answer)
    assert "is at least 10.00 %" in page(answer)


def test_loads_that_are_alike_stand_in_one_column() -> None:
    answer = made(mixer_kg=Fraction(15))
    assert answer.weighed is not None
    loads = answer.weighed.loads
    assert len(loads) == 3
    text = page(answer, full=True)
    section = text.split("\nWEIGH, 3 mixer loads")[1].split("\n\n")[0].splitlines()[1:]
    different = {tuple(sorted((i.name, kg) for i, kg in load.kilograms.items())) for load in loads}
    columns = re.findall(r"loads? \d(?:[-,]\d)?|each of 3", section[0])
    assert len(columns) == len(different)
    # every figure of the table is the weight of the batch
    for item, total in answer.weighed.total.kilograms.items():
        (line,) = (line for line in section if line.startswith(f"{item.name} "))
        *parts, whole, _, _, _ = re.sub(r"(?<=\d) (?=\d{3} )", "", line.removeprefix(item.name)).split()
        assert int(whole) == round(total * 1000)
        told = {float(part) * (1000 if unit == "kg" else 1) for part, unit in zip(parts[::2], parts[1::2], strict=True)}
        assert sorted(told) == pytest.approx(sorted({float(load.kilograms[item] * 1000) for load in loads}))
    assert [line for line in text.splitlines() if len(line) > 80] == []


@pytest.mark.parametrize("loads", [5, 12, 27])
def test_many_loads_fit_on_the_page(loads: int) -> None:
    answer = made(kg="43", mixer_kg=Fraction(45) / loads, spice_g=Fraction(1, 10), meat_g=Fraction(10))
    assert answer.weighed is not None
    text = page(answer)
    assert [line for line in text.splitlines() if len(line) > 80] == []
    section = text.split("\nWEIGH, ")[1].split("\n", 1)[1].split("\nCOMES OUT")[0].replace("\n", "; ")
    named: list[int] = []
    for first, runs in re.findall(r"load (\d+)\b|loads (\d+(?:-\d+)?(?:, \d+(?:-\d+)?)*)", section):
        for run in filter(None, (first or runs).split(", ")):
            low, _, high = run.partition("-")
            named += range(int(low), int(high or low) + 1)
    every = list(range(1, len(answer.weighed.loads) + 1))
    assert len(every) >= loads
    assert sorted(named) == every or f"each of {len(every)}" in section


def test_loads_that_are_alike_are_named_by_their_numbers_and_neighbours_as_a_run() -> None:
    answer = made()
    assert answer.weighed is not None
    one = answer.weighed.total
    other = Batch({item: kg / 2 for item, kg in one.kilograms.items()}, one.process)
    for pattern, head, below in (
        ("abaaba", "4 alike A loads 2, 5", "4 alike A: loads 1, 3-4, 6"), ("aab", "loads 1-2 load 3", ""),
        ("aaa", "each of 3", ""), ("ba", "load 1 load 2", ""),
        ("bbbbabb", "6 alike A load 5", "6 alike A: loads 1-4, 6-7"),
    ):  # fmt: skip
        weighed = replace(answer.weighed, loads=tuple(one if load == "a" else other for load in pattern))
        lines = list(by_load(weighed, answer.problem.unit, full=False))
        assert " ".join(lines[0].split()) == head
        assert [line for line in lines if "alike" in line][1:] == ([below] if below else [])


def test_a_table_in_pounds_shows_pounds_whatever_the_order_is_in() -> None:
    """40 kg over 0.45359237 kg a pound (NIST Handbook 44, Appendix C) are 88.185 lb."""
    pounds = LOTS.replace("on_hand_kg", "on_hand_lb").replace("cost_per_kg", "cost_per_lb")
    text = page(made(lots=pounds))
    heads = text.split("\nTAKE\n")[1].splitlines()[0].split()
    assert "lb" in heads and "88.185 lb of meat block" in text
    assert "lb" not in page(made()).split("\nTAKE\n")[1].splitlines()[0].split()


def test_added_water_is_shown_where_ice_goes_in() -> None:
    cooked = RECIPE.replace("[smoked]", "[smoked, cooked]").replace(
        "casing:", "  - {name: ice, is: water, g_per_kg_meat: 90}\ncasing:"
    )
    text = page(made(cooked), full=True)
    checks, _, absent = text.partition("ALSO CHECKED")
    assert "added water" in checks and "less 4 times meat protein" in " ".join(checks.split())
    assert "added water" not in absent


# Scales and packs.


def test_a_lot_used_up_over_several_loads_is_shared_in_divisions() -> None:
    """6.803 kg over three loads: 2.25 kg in each, 50 g more in one, and 3 g left over in one of those without."""
    lots = LOTS.replace("protein_pct\n", "protein_pct,use_up\n").replace(",19\n", ",19,\n").replace(",10\n", ",10,\n")
    lots = lots.replace(",17\n", ",17,\n") + "odd,6.803,66,1,pork,25,7,yes\n"
    tight = RECIPE.replace("within_pct: 1", "within_pct: 0.02")
    answer = made(tight, lots, kg="60", mixer_kg=Fraction(22))
    assert answer.weighed is not None, answer.scale_prevents
    parts = sorted(kg for load in answer.weighed.loads for item, kg in load.kilograms.items() if item.name == "odd")
    assert sum(parts) == Fraction("6.803")
    assert max(parts) - min(parts) <= Fraction("0.05")
    assert sum((part / Fraction("0.05")).denominator != 1 for part in parts) == 1
    for load in answer.weighed.loads:
        lots_in = [(item, kg) for item, kg in load.kilograms.items() if item.kind == "lot"]
        fat = sum(item.properties["fat_pct"] * kg for item, kg in lots_in) / sum(kg for _, kg in lots_in)
        assert Fraction("25.98") <= fat <= Fraction("26.02")


def test_where_the_scale_prevents_a_batch_the_odd_lot_is_named() -> None:
    """With 6.803 kg of 66 % fat, fat less 26 % of the weight is 2.7212 kg and so many grams: never nothing."""
    lots = LOTS.replace("protein_pct\n", "protein_pct,use_up\n").replace(",19\n", ",19,\n").replace(",10\n", ",10,\n")
    lots = lots.replace(",17\n", ",17,\n") + "odd,6.803,66,1,pork,25,7,yes\n"
    narrow = RECIPE.replace("within_pct: 1", "within_pct: 0.0001")
    answer = made(narrow, lots)
    assert answer.scale_prevents
    assert "odd is part of that: all of it goes in, and 6.803 kg is no whole number of divisions of 50 g." in flat(
        answer
    )
    assert made(narrow).weighed is not None


def test_a_lot_without_a_largest_pull_has_none_among_the_rows() -> None:
    lots = LOTS.replace("protein_pct\n", "protein_pct,smallest_pull_kg,largest_pull_kg\n")
    lots = lots.replace(",19\n", ",19,2,\n").replace(",10\n", ",10,2,9\n").replace(",17\n", ",17,2,50\n")
    labels = {row.label for row in layout_of(problem(lots=lots)).program.rows}
    assert {"stock of lean", "largest pull of half", "stock of beef"} <= labels
    assert not {"largest pull of lean", "stock of half", "largest pull of beef"} & labels


# What may be written.


def test_columns_lists_what_the_offers_reader_knows() -> None:
    listed = [column for column in json.loads(document("columns", known_columns())) if column["table"] == "offers"]
    names = [column["name"] for column in listed]
    assert len(names) == len(set(names)) and set(offers.OWN) <= set(names)
    assert {column["name"] for column in listed if column["needed"]} == set(offers.NEEDED)
    assert not {column["name"] for column in listed} & set(offers.NOT_HERE)
    assert all(column["meaning"] for column in listed)


def test_columns_lists_every_method_with_its_figure_and_source() -> None:
    text = columns_page()
    flat_text = " ".join(text.split())
    assert (
        "* nir_belt: 2.4 points; near-infrared over a belt, coarse ground [J. Near Infrared Spectrosc. 12 (2004)"
        in flat_text
    )
    assert "* wet_chemistry_one_lab: 0.3 points at 27 % fat, 0.7 points at 48 % fat;" in flat_text
    assert "* nominal_grade: 4 points, from memory;" in flat_text
    (column,) = (
        c
        for c in json.loads(document("columns", known_columns()))
        if c["name"] == "fat_method" and c["table"] == "lots"
    )
    assert len(column["methods"]) == text.count("\n* ") == 26
    assert "collagen_pct" in text
    assert [line for line in text.splitlines() if len(line) > 80] == []


def test_columns_says_figures_as_figures_and_a_unit_of_each_kind() -> None:
    """A figure of 1 or 0 is no *yes* or *no*; a capacity a day is no date."""
    keys = {key["name"]: key for what in ("recipe", "week") for key in json.loads(
        CliRunner().invoke(app, ["columns", what, "--json"]).stdout)}  # fmt: skip
    assert {name: keys[name]["default"] for name in (
        "scales.spice_g", "casing.spare_pct", "additions[].cost_per_kg", "kitchen.holding_per_kg_day", "cured",
        "keep_refrigerated", "days")} == {
        "scales.spice_g": "1", "casing.spare_pct": "0", "additions[].cost_per_kg": "0",
        "kitchen.holding_per_kg_day": "0", "cured": "no", "keep_refrigerated": "yes", "days": "7",
    }  # fmt: skip
    assert {name: keys[name]["unit"] for name in (
        "kitchen.stages[].kg_per_day", "kitchen.stages[].loads_per_day", "kitchen.most_batches_a_day",
        "batches[].from_day", "casing.kg_per_m", "casing.cost_per_m", "casing.hank_m", "schedule[].set_f",
        "additions[].up_to_g_per_kg_meat", "kitchen.holding_per_kg_day")} == {
        "kitchen.stages[].kg_per_day": "kg a day", "kitchen.stages[].loads_per_day": "loads a day",
        "kitchen.most_batches_a_day": "a day", "batches[].from_day": "date", "casing.kg_per_m": "kg per metre",
        "casing.cost_per_m": "money per m", "casing.hank_m": "m", "schedule[].set_f": "deg F",
        "additions[].up_to_g_per_kg_meat": "g per kg of meat", "kitchen.holding_per_kg_day": "money per kg and day",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("what", "key"),
    [((), "additions"), (("recipe",), "additions"), (("week",), "batches"), (("what-happened",), "now")],
)
def test_schemas(what: tuple[str, ...], key: str) -> None:
    done = CliRunner().invoke(app, ["schema", *what])
    assert done.exit_code == 0
    assert key in json.loads(done.stdout)["properties"]


def test_an_unknown_schema_is_a_usage_error() -> None:
    done = CliRunner().invoke(app, ["schema", "lots"])
    assert done.exit_code == 2 and done.stdout == ""


def test_messages_fit_on_a_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The address stands at the head of the first line; what follows is indented."""
    (tmp_path / "r.yaml").write_text(RECIPE.replace("[us]", "[us, eu]") + "eligible: {species: [prok]}\n")
    (tmp_path / "l.csv").write_text(LOTS)
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["blend", "r.yaml", "--lots", "l.csv", "--meat-kg", "40"])
    lines = done.stderr.splitlines()
    assert done.exit_code == 2 and max(map(len, lines)) <= 80
    heads = [line for line in lines[:-1] if not line.startswith("    ")]
    assert len(heads) == 2 and all(head.startswith("r.yaml:") for head in heads)
    assert lines[-1] == "2 errors; nothing was computed."


@pytest.mark.parametrize(("size", "within"), [("--meat-kg", 0.025), ("--batch-kg", 0.05)])
def test_the_tolerance_of_a_size_is_the_one_that_help_tells(size: str, within: float) -> None:
    """Half a division of the meat scale, 50 g where none is stated; a whole one of a whole batch."""
    told = " ".join(CliRunner().invoke(app, ["blend", "--help"]).stdout.split())
    assert "Default: half a division of the meat scale, of a whole batch one." in told
    words = ["blend", str(ROOT / "examples/fresh.yaml"), "--lots", str(ROOT / "examples/fresh-lots.csv"), size, "20"]
    document = json.loads(CliRunner().invoke(app, [*words, "--date", "2026-11-25", "--json"]).stdout)
    assert document["ordered"]["within_kg"] == within
