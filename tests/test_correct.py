"""Putting a ground batch right, against mass balance: tests/data/cook-cool-examples.yaml, group correct."""

from __future__ import annotations

import json
import random
import re
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml
from hostile_files import WORDS, run as tried
from scipy.optimize import linprog
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from constraints.quantities import FAT, Lot
from optimizer.as_weighed import batch_of
from optimizer.cli import app
from optimizer.correction import Correction, MassMeasured, correct, ground_of, measured
from optimizer.order import Asked
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.reading.weighed import WeighedItem
from optimizer.verdict import Grade

ROOT = Path(__file__).parents[1]
CASES = {
    case["id"]: case
    for case in yaml.load((ROOT / "tests/data/cook-cool-examples.yaml").read_text(), Loader=yaml.BaseLoader)
    if case["group"] == "correct"
}
DAY = date(2026, 11, 25)
HOUSE = str(ROOT / "tests" / "data" / "house-cure.yaml")


def case(name: str) -> tuple[dict[str, Fraction], dict[str, Any]]:
    inputs = {key: Fraction(value) for key, value in CASES[name]["inputs"].items()}
    return inputs, CASES[name]["expected"]


def put_right(
    recipe: dict[str, Any], lots: dict[str, dict[str, Any]], weighed: dict[str, Any], found: MassMeasured | None = None,
    size: str | None = None, mixer: str | None = None, taken: bool = True, day: date = DAY,
) -> Correction:  # fmt: skip
    """A correction through the real readers; lots by name, with 1,000 kg on hand and a price of 1 unless they say."""
    text = {"name": "test", "scales": {"meat_g": 1, "spice_g": "0.01"}, **recipe}
    read = parse_recipe(json.dumps(text), "recipe")
    rows = {name: {"on_hand_kg": 1000, "cost_per_kg": 1} | cells for name, cells in lots.items()}
    names = list(dict.fromkeys(key for cells in rows.values() for key in cells))
    table = "\n".join(
        [",".join(["lot", *names]), *(",".join([n, *(str(c.get(k, "")) for k in names)]) for n, c in rows.items())]
    )
    parsed, faults = parse_lots(table, "lots"), []
    items = [WeighedItem(name, Fraction(str(kg))) for name, kg in weighed.items()]
    batch = batch_of(read, parsed, items, "batch", faults)
    assert not faults
    ground = ground_of(read, batch, None, found or MassMeasured(), "batch")
    sized = None if size is None else ("--batch-kg", Fraction(size))
    return correct(read, parsed, ground, day, Asked(mixer_kg=Fraction(mixer) if mixer else None), sized, taken=taken)


def kg(found: Correction, name: str) -> Fraction:
    return sum((kg for item, kg in found.added.items() if item.name == name), Fraction(0))


def near(value: Fraction, expected: str, scale: str = "0.001") -> bool:
    """The figure that is expected to three decimals, at most a scale's division off where it was rounded to one."""
    return abs(value - Fraction(expected)) <= Fraction(scale) + Fraction("0.0005")


def test_too_little_time_is_not_nothing_on_hand(tmp_path: Path) -> None:
    said = tried({"words": [*WORDS["correct"].split(), "--measured-fat", "31", "--time-limit", "0.000001"]}, tmp_path)
    assert said.exit_code == 3 and "STOPPED AT ITS LIMIT" in said.stdout and "NOTHING ON HAND" not in said.stdout


def test_what_went_in_is_not_what_was_measured(tmp_path: Path) -> None:
    """Salt weighed in is 0.32 of 20.4084 kg, that of the lots 0.179 % of theirs: neither moves with the test."""
    said = tried({"words": [*WORDS["correct"].split(), "--measured-salt", "8"]}, tmp_path)
    own = re.search(r"salt measured: 8 %; ([0-9.]+) % by what went in", said.stdout)
    assert said.exit_code == 1 and own is not None and 100 * 0.32 / 20.4084 < float(own[1]) < 1.8
    assert "at least 16" not in said.stdout and "--set" not in said.stdout


NONE = {"on_hand_kg": 0}
LEAN = {"require": [{"fat": {"max_pct": 28}}]}


@pytest.mark.parametrize(
    ("name", "require", "lots"),
    [
        ("correct-lean-in", {"max_pct": 28}, {"A": {"fat_pct": 28}, "add": {"fat_pct": 8}}),
        ("correct-fat-in", {"min_pct": 26}, {"A": {"fat_pct": 24}, "add": {"fat_pct": "88.69"}}),
    ],
)
def test_fat_is_brought_to_its_limit(name: str, require: dict[str, Any], lots: dict[str, Any]) -> None:
    inputs, expected = case(name)
    found = put_right({"require": [{"fat": require}]}, lots, {"A": 25}, MassMeasured(fat=inputs["x"]))
    assert near(kg(found, "add"), expected["add_kg"]) and found.kept_kg == 25
    assert near(found.kept_kg + kg(found, "add"), expected["batch_kg"])
    exact = 25 * abs(inputs["x"] - inputs["T"]) / abs(inputs["T"] - inputs["y"])  # the Pearson square, unrounded
    assert found.answer.optimum is not None and found.answer.optimum.cost == exact
    assert found.grade is Grade.MAKE and found.grade.exit_code == 0


@pytest.mark.parametrize("how", ["size", "mixer"])
def test_part_is_held_back_where_the_batch_may_not_grow(how: str) -> None:
    inputs, expected = case("correct-same-size")
    lots = {"A": {"fat_pct": 28}, "add": {"fat_pct": inputs["y"]}}
    asked = {how: "25"}
    found = put_right(LEAN, lots, {"A": 25}, MassMeasured(fat=inputs["x"]), **asked)  # type: ignore[arg-type]
    assert near(found.kept_kg, expected["keep_kg"]) and near(kg(found, "add"), expected["add_kg"])
    assert near(25 - found.kept_kg, expected["rework_kg"])
    assert found.kept_kg + kg(found, "add") <= 25 + Fraction("0.001") * (how == "size")


def test_lean_that_is_not_lean_enough_corrects_nothing() -> None:
    inputs, expected = case("correct-impossible")
    lots = {"A": {"fat_pct": 28}, "add": {"fat_pct": inputs["y"]}}
    found = put_right({"require": [{"fat": {"max_pct": 20}}]}, lots, {"A": 25}, MassMeasured(fat=inputs["x"]))
    assert expected["possible"] == "false"
    assert found.answer.weighed is None and found.grade is Grade.NO_BATCH and found.grade.exit_code == 1
    conflict = found.answer.conflict
    assert conflict is not None and any(r.counted is not None for r in conflict.requirements)


SALTED = {"additions": [{"name": "salt", "is": "salt", "total_salt_pct": "1.8", "basis": "batch"}]}


@pytest.mark.parametrize(("name", "salt"), [("correct-salt", "0"), ("correct-salt-salted", "1.0")])
def test_too_salty_takes_unsalted_meat(name: str, salt: str) -> None:
    inputs, expected = case(name)
    lots = {"A": {"fat_pct": 20, "salt_pct": 0, **NONE}, "add": {"fat_pct": 20, "salt_pct": salt}}
    found = put_right(SALTED, lots, {"A": "25.5", "salt": "0.5"}, MassMeasured(salt=inputs["s"]))
    assert near(kg(found, "add"), expected["add_kg"])
    assert kg(found, "salt") <= Fraction("0.00002")


CURED = {
    "rules": ["us"], "product_class": "sausage",
    "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 18},
                  {"name": "pink cure", "is": "cure", "nitrite_pct": "6.25", "g_per_kg_meat": "2.5"}],
}  # fmt: skip
PORK = {"fat_pct": 20, "moisture_pct": 62, "protein_pct": 17, "species": "pork", "material": "shoulder"}


def test_too_much_cure_is_never_put_right_as_a_matter_of_course() -> None:
    _, expected = case("correct-cure-over")
    over = {"A": 25, "salt": "0.45", "pink cure": "0.110"}
    found = put_right(CURED, {"A": {**PORK, **NONE}, "add": PORK}, over)
    assert near(kg(found, "add"), expected["add_uncured_kg"])
    assert found.grade is Grade.HOLD and found.grade.exit_code == 1
    assert any(float(one.value or 0) == pytest.approx(float(expected["ingoing_ppm"])) for one in found.over)
    assert found.answer.weighed is not None
    after = next(
        c for c in found.answer.checks if c.requirement.what == "ingoing nitrite" and c.requirement.hi is not None
    )
    assert after.value is not None and float(after.value) == pytest.approx(float(expected["ppm_after"]), abs=0.01)
    assert kg(found, "salt") > Fraction("0.34")  # salt for the meat that comes in
    cured = {**PORK, "cured": "yes", "salt_pct": 2, "nitrite_ppm": 100, "nitrate_ppm": 0}
    none = put_right(CURED, {"A": {**PORK, "on_hand_kg": 5}, "B": cured}, over)
    assert none.grade is Grade.DO_NOT_MAKE and none.grade.exit_code == 1 and none.answer.weighed is None


def test_uncured_meat_dilutes_the_cure_and_its_own_share_is_weighed_with_it() -> None:
    inputs, expected = case("correct-cure-diluted")
    recipe = {**LEAN, **CURED, "additions": [CURED["additions"][0], {**CURED["additions"][1], "g_per_kg_meat": "2.4"}]}  # type: ignore[index,dict-item]
    plain = {"species": "pork", "material": "shoulder"}
    lots = {"A": {**plain, "fat_pct": 28}, "add": {**plain, "fat_pct": 8}}
    found = put_right(
        recipe, lots, {"A": 25, "salt": "0.45", "pink cure": "0.06"}, MassMeasured(fat=_of_mass(25, "25.51", 31))
    )
    assert near(kg(found, "add"), "3.75")
    assert kg(found, "pink cure") == Fraction("0.009") and kg(found, "salt") == Fraction("0.0675")
    nitrite = Fraction("0.06") * Fraction("0.0625") * 10**6
    assert near(nitrite / (25 + inputs["add_kg"]), expected["ppm_after"])  # what forgetting it would give
    check = next(c for c in found.answer.checks if c.requirement.what == "ingoing nitrite")
    assert check.value is not None and float(check.value) == pytest.approx(150, abs=0.001)


def _of_mass(meat: int, mass: str, fat: int) -> Fraction:
    """Percent fat of the whole mass whose meat has so much."""
    return fat * meat / Fraction(mass)


def test_what_comes_in_brings_its_own_seasoning() -> None:
    inputs, expected = case("correct-redose")
    recipe = {**LEAN, "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": inputs["g_per_kg"].numerator}]}
    lots = {"A": {"fat_pct": 28}, "add": {"fat_pct": 8}}
    found = put_right(recipe, lots, {"A": 25, "salt": "0.4"}, MassMeasured(fat=_of_mass(25, "25.4", 31)))
    assert near(kg(found, "add"), "3.75") and near(1000 * kg(found, "salt"), expected["grams"], "0.02")


def test_the_error_of_the_corrected_batch() -> None:
    inputs, expected = case("correct-uncertainty")
    lots = {"A": {"fat_pct": 28, "fat_sd_pct": 1}, "add": {"fat_pct": 8, "fat_sd_pct": "0.5"}}
    found = put_right(LEAN, lots, {"A": 25}, MassMeasured(fat=Fraction(31), sd=inputs["s_B"]))
    assert near(kg(found, "add"), "3.75") and found.fat_sd is not None and near(found.fat_sd, expected["sd"], "0")


def test_too_much_water_takes_meat() -> None:
    _, expected = case("correct-water")
    recipe = {"additions": [{"name": "ice", "is": "water", "g_per_kg_batch": 30}]}
    found = put_right(recipe, {"A": {"fat_pct": 20}}, {"A": 25, "ice": 1})
    assert near(kg(found, "A"), expected["add_kg"]) and kg(found, "ice") <= Fraction("0.00004")


def test_a_ratio_of_roles() -> None:
    _, expected = case("correct-ratio")
    lots = {"A": {"fat_pct": 12, "role": "meat"}, "F": {"fat_pct": 80, "role": "fat"}}
    found = put_right({"require": [{"meat_to_fat": {"min": 4}}]}, lots, {"A": "19.4", "F": "5.6"})
    assert near(kg(found, "A"), expected["add_meat_kg"]) and not kg(found, "F")
    assert found.kept_kg == 25  # taking out is not offered where the mixer has room


def test_the_published_square() -> None:
    """10 % cow meat into 25 % trim for 20 %: 333.33 and 666.67 lb of 1,000 (agricultural education slides)."""
    inputs, expected = case("correct-square-published")
    pound = Fraction("0.45359237")
    lots = {"trim": {"fat_pct": 25}, "cow": {"fat_pct": 10}}
    mass = Fraction("666.6666666667") * pound
    found = put_right(
        {"require": [{"fat": {"max_pct": 20}}]}, lots, {"trim": mass}, MassMeasured(fat=inputs["trim_fat"])
    )
    assert near(kg(found, "cow") / pound, expected["lean_lb"], "0.003")
    assert near(found.kept_kg / pound, expected["trim_lb"], "0.001")


def test_every_case_of_the_list_is_run() -> None:
    said = Path(__file__).read_text()
    assert len(CASES) == 14 and all(f'"{name}"' in said for name in CASES)


def test_the_temperature_of_a_mix_is_its_mean_by_weight() -> None:
    inputs, expected = case("correct-temperature")
    found = put_right(LEAN, {"A": {"fat_pct": 28}, "add": {"fat_pct": 8}}, {"A": 25}, MassMeasured(fat=Fraction(31)))
    mixed = replace(found, heat=(inputs["t"], inputs["t2"])).mixed_c
    assert mixed is not None and near(mixed, expected["t_C"])


# ---- against scipy: the same correction as a linear program over raw kilograms ----


@pytest.mark.parametrize("seed", range(12))
def test_the_cheapest_correction_is_scipys(seed: int) -> None:
    """Five lots, fat and moisture limits, salt and pepper partly in: least cost of what is added, mass fixed."""
    draw = random.Random(seed)
    lots = {
        f"L{k}": {"fat_pct": fat, "moisture_pct": round(76 - 0.76 * fat, 1), "cost_per_kg": draw.randint(10, 60) / 10,
                  "on_hand_kg": draw.randint(3, 30)}
        for k, fat in enumerate(sorted(draw.sample(range(5, 85), 5)))
    }  # fmt: skip
    salt, pepper, mass_fat = draw.choice((0, "0.2", "0.4")), draw.choice((0, "0.05")), draw.randint(24, 34)
    weighed = {"L1": 12, "L2": 10, "salt": salt, "pepper": pepper}
    raw = sum(Fraction(str(kg)) for kg in weighed.values())
    recipe = {
        "require": [{"fat": {"min_pct": 20, "max_pct": 26}}, {"moisture": {"min_pct": 52, "basis": "batch"}}],
        "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 18, "cost_per_kg": 1},
                      {"name": "pepper", "g_per_kg_batch": 3, "cost_per_kg": 12}],
    }  # fmt: skip
    own = (12 * lots["L1"]["fat_pct"] + 10 * lots["L2"]["fat_pct"]) / 22
    assume = MassMeasured(fat=_of_mass(22, str(raw), mass_fat)) if abs(own - mass_fat) < 5 else None
    found = put_right(recipe, lots, weighed, assume)
    # variables: kilograms of the five lots, then salt and pepper to add
    fat_in = 22 * (mass_fat if assume else own) / 100
    ratio = (100 - 100 * fat_in / 22) / (100 - own)
    names = list(lots)
    if assume is None:
        water_in = sum(kg * lots[n]["moisture_pct"] for n, kg in (("L1", 12), ("L2", 10))) / 100
    else:
        part = found.ground.lot.parts
        water_in = float(sum(share * p.properties.get("moisture_pct", 0) for p, share in part) * raw) / 100
        assert water_in > 0 and ratio > 0
    fat = [lots[n]["fat_pct"] / 100 for n in names]
    water = [lots[n]["moisture_pct"] / 100 for n in names]
    done = linprog(
        [*(float(lots[n]["cost_per_kg"]) for n in names), 1, 12],
        A_ub=[
            [*(f - 0.26 for f in fat), 0, 0], [*(0.20 - f for f in fat), 0, 0],
            [*(0.52 - w for w in water), 0.52, 0.52],
        ],
        b_ub=[0.26 * 22 - fat_in, fat_in - 0.20 * 22, water_in - 0.52 * float(raw)],
        A_eq=[[*(0.018 for _ in names), -1, 0], [*(0.003 for _ in names), 0.003, 0.003 - 1]],
        b_eq=[float(Fraction(str(salt))) - 0.018 * 22, float(Fraction(str(pepper))) - 0.003 * float(raw)],
        bounds=[*((0, lots[n]["on_hand_kg"]) for n in names), (0, None), (0, None)],
    )  # fmt: skip
    if done.status == 2:
        assert found.answer.weighed is None
        return
    assert done.status == 0 and found.answer.optimum is not None
    assert float(found.answer.optimum.cost) == pytest.approx(done.fun, rel=1e-7, abs=1e-7)
    certificate = found.answer.certificate
    assert certificate is not None and certificate.feasible and certificate.gap is not None and certificate.gap >= 0
    fats = sum(kg * item.properties[FAT] for item, kg in found.added.items() if isinstance(item, Lot))
    meat = 22 + sum(kg for item, kg in found.added.items() if isinstance(item, Lot))
    assert Fraction("19.999") <= (100 * Fraction(fat_in) + fats) / meat <= Fraction("26.001")


# ---- what must be refused, or said ----


def test_what_no_such_mass_can_have_is_refused() -> None:
    lots = {"A": {"fat_pct": 18}, "B": {"fat_pct": 28}}
    with pytest.raises(BadInput, match="18 to 28 %: test again"):
        put_right(LEAN, lots, {"A": 10, "B": 10}, MassMeasured(fat=Fraction(34)))
    with pytest.raises(BadInput, match="salt weighed in brings"):
        put_right(
            SALTED, {"A": {"fat_pct": 20, "salt_pct": 3}}, {"A": 25, "salt": "0.5"}, MassMeasured(salt=Fraction(2))
        )
    with pytest.raises(BadInput, match="no salt is among"):
        put_right(LEAN, {"A": {"fat_pct": 20}}, {"A": 25}, MassMeasured(salt=Fraction(2)))
    with pytest.raises(BadInput, match=r"30 kg of A are in the batch, and 12 kg on hand \(say --taken"):
        put_right(LEAN, {"A": {"fat_pct": 20, "on_hand_kg": 12}}, {"A": 30}, taken=False)


@pytest.mark.parametrize(
    ("rule", "goes_in"),
    [
        ({"most_lots": {"max": 2}}, None),  # A and B are in the mass, and lean meat would be the third
        ({"most_lots": {"max": 3}}, {"lean"}),
        ({"apart": {"lots": ["A", "lean"]}}, {"dear"}),
        ({"together": {"lots": ["A", "dear"]}}, {"dear", "lean"}),  # A is in: the other must follow
        ({"together": {"lots": ["B", "A"]}}, {"lean"}),
    ],
)
def test_lots_in_the_mass_are_lots_of_the_batch(rule: dict[str, Any], goes_in: set[str] | None) -> None:
    """Sets of names by hand; the lean comes from the cheaper lot unless a choice of lots forbids it."""
    lots = {
        "A": {"fat_pct": 28},
        "B": {"fat_pct": 32},
        "lean": {"fat_pct": 8},
        "dear": {"fat_pct": 8, "cost_per_kg": 2},
    }
    recipe = {"require": [{"fat": {"max_pct": 28}}, rule]}
    found = put_right(recipe, lots, {"A": 15, "B": 10}, MassMeasured(fat=Fraction(32)), taken=False)
    into = {item.name for item, kg in found.added.items() if kg}
    assert (into or None) == goes_in
    assert found.grade is (Grade.MAKE if goes_in else Grade.NO_BATCH)
    for check in found.answer.checks if goes_in else ():
        if check.requirement.role.name == "USE":
            used = {"A", "B"} | into
            assert check.ok and check.value == len(used & set(getattr(check.requirement, "lots", ()) or used))


def test_figures_that_cannot_be_together_are_refused() -> None:
    lots = {"A": {"fat_pct": 28, "moisture_pct": 56, "protein_pct": 15}}
    with pytest.raises(BadInput, match="come to 104 %"):
        put_right(LEAN, lots, {"A": 25}, MassMeasured(fat=Fraction(28), moisture=Fraction(61)))
    for grams in ("1", "30"):
        assert run("correct", GROUND, *FRESH, "--measured-fat", "36", "--ground-kg", grams)[0] == 2
    code, _, err = run("correct", GROUND, *FRESH, "--measured-salt", "1.5")  # what was weighed in is off the stock
    assert code == 0, err


def test_a_liquid_that_does_not_state_what_was_measured_is_named() -> None:
    recipe = {"additions": [{"name": "stock", "is": "liquid", "g_per_kg_meat": 50, "salt_pct": 0}]}
    weighed = {"A": 25, "stock": "1.25"}
    with pytest.raises(BadInput, match="stock does not state fat_pct"):
        put_right(recipe, {"A": {"fat_pct": 28}}, weighed, MassMeasured(fat=Fraction(28)))
    assert put_right(recipe, {"A": {"fat_pct": 28}}, weighed).grade.exit_code == 0


def test_readings_that_disagree_are_refused_and_others_are_averaged() -> None:
    with pytest.raises(BadInput, match="5 points apart"):
        measured([Fraction(31), Fraction(26)], MassMeasured(sd=Fraction(1, 2)))
    found = measured([Fraction(31), Fraction(30)], MassMeasured(sd=Fraction(1, 2)))
    assert found.fat == Fraction(61, 2) and found.sd is not None
    assert float(found.sd) == pytest.approx(0.5 / 2**0.5, rel=1e-6)
    with pytest.raises(BadInput, match="no method of finding fat"):
        measured([Fraction(31)], MassMeasured(method="eyeball"))


def test_a_lot_in_the_mass_past_its_date_forbids_it() -> None:
    lots = {"A": {"fat_pct": 28, "use_by": "2026-11-24"}, "add": {"fat_pct": 8, "use_by": ""}}
    found = put_right(LEAN, lots, {"A": 25}, MassMeasured(fat=Fraction(31)))
    assert found.grade is Grade.DO_NOT_MAKE and found.grade.exit_code == 1 and not found.added
    assert found.unfit.startswith("holds A: past its use-by")


def test_under_confidence_the_mass_has_the_error_of_its_test_or_of_its_lots() -> None:
    """Independent errors add in squares (JCGM 100:2008, 5.1.2); a test of no stated error is refused."""
    recipe = {**LEAN, "confidence": {"probability": "0.95"}}
    lots = {"A": {"fat_pct": 31, "fat_sd_pct": 1}, "B": {"fat_pct": 28, "fat_sd_pct": 2},
            "add": {"fat_pct": 8, "fat_sd_pct": "0.5"}}  # fmt: skip
    with pytest.raises(BadInput, match="the error of the test is not stated"):
        put_right(recipe, lots, {"A": 15, "B": 10}, MassMeasured(fat=Fraction(31)))
    by_lots = put_right(recipe, lots, {"A": 15, "B": 10})
    assert by_lots.ground.lot.fat_sd is not None
    assert float(by_lots.ground.lot.fat_sd) == pytest.approx((15**2 + 20**2) ** 0.5 / 25)
    found = put_right(recipe, lots, {"A": 15, "B": 10}, MassMeasured(fat=Fraction(31), sd=Fraction(1)))
    add = float(kg(found, "add"))
    margin = 28 * (25 + add) - 31 * 25 - 8 * add  # points times kilograms below the limit
    assert 0 <= margin - 1.644854 * ((25 * 1) ** 2 + (0.5 * add) ** 2) ** 0.5 < 0.1
    assert add > 3.75


def test_a_mass_on_target_takes_nothing() -> None:
    found = put_right(LEAN, {"A": {"fat_pct": 27}, "add": {"fat_pct": 8}}, {"A": 25}, MassMeasured(fat=Fraction(27)))
    assert not found.added and found.grade.exit_code == 0 and found.answer.optimum is not None
    assert found.answer.optimum.cost == 0


def test_shares_species_and_dates_are_those_of_what_is_in_it() -> None:
    """A share is counted lot by lot, the mass's own lots among them, and the earliest date carries over."""
    recipe = {"require": [{"fat": {"max_pct": 28}}, {"share": {"species": "beef", "max_pct": 45}},
                          {"share": {"lot": "A", "min_pct": 30}}]}  # fmt: skip
    lots = {
        "A": {"fat_pct": 28, "species": "pork", "use_by": "2026-11-28", **NONE},
        "B": {"fat_pct": 28, "species": "beef", "use_by": "2026-12-01", **NONE},
        "beef": {"fat_pct": 4, "species": "beef", "cost_per_kg": "0.1", "use_by": "2026-12-05"},
        "pork": {"fat_pct": 8, "species": "pork", "cost_per_kg": 9, "use_by": "2026-12-05"},
    }
    found = put_right(recipe, lots, {"A": 15, "B": 10}, MassMeasured(fat=Fraction(31)))
    beef = 10 + kg(found, "beef")
    whole = 25 + kg(found, "beef") + kg(found, "pork")
    assert found.answer.weighed is not None and kg(found, "beef") > 0 and beef / whole <= Fraction("0.45")
    assert found.ground.lot.use_by == date(2026, 11, 28) and found.ground.lot.species == "pork and beef"
    shares = [c.value for c in found.answer.checks if "beef" in c.requirement.what]
    assert shares == [100 * beef / whole]


def test_a_batch_of_several_loads_is_put_right_load_by_load() -> None:
    recipe = {**LEAN, "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 16}]}
    lots = {"A": {"fat_pct": 28, "on_hand_kg": 60}, "add": {"fat_pct": 8}}
    found = put_right(recipe, lots, {"A": 60, "salt": "0.96"}, MassMeasured(fat=_of_mass(60, "60.96", 30)), mixer="35")
    assert found.answer.weighed is not None and len(found.answer.weighed.loads) == 2
    for load in found.answer.weighed.loads:
        (mass,) = (kg for item, kg in load.kilograms.items() if item.parts)
        assert sum(load.kilograms.values()) <= 35 and mass > 30
    assert found.kept_kg == found.ground.kilograms


# ---- every figure of a correction, worked out again ----


def test_what_is_held_back_errs_no_more_and_is_not_counted_after() -> None:
    """Independent errors add in squares (JCGM 100:2008, 5.1.2): of what stays in and what is added, over the meat."""
    recipe = {**LEAN, "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 16}]}
    lots = {"A": {"fat_pct": 28, "fat_sd_pct": 1}, "add": {"fat_pct": 8, "fat_sd_pct": "0.5"}}
    mass, sd = Fraction("25.4"), Fraction("0.6")
    found = put_right(
        recipe, lots, {"A": 25, "salt": "0.4"}, MassMeasured(fat=_of_mass(25, "25.4", 31), sd=sd), mixer="25.4"
    )
    kept, lean, salt = found.kept_kg, kg(found, "add"), kg(found, "salt")
    assert kept < 23 and lean > 3
    meat = kept * 25 / mass + lean
    assert found.fat_sd is not None
    assert float(found.fat_sd) == pytest.approx(float((kept * sd) ** 2 + (lean / 2) ** 2) ** 0.5 / float(meat))
    after = {item.name: weight for item, weight in found.after.kilograms.items()}
    assert after == {"A": kept * 25 / mass, "add": lean, "salt": kept * Fraction("0.4") / mass + salt}
    assert found.ground.lot.fat_sd == sd * mass / 25  # of its meat, not of the whole mass


@pytest.mark.parametrize(("spice_g", "salt", "grows"), [("0.1", "0.407", False), ("0.1", "0.41", True),
                                                       ("12", "0.419", False), ("12", "0.421", True)])  # fmt: skip
def test_what_weighing_explains_is_not_put_right(spice_g: str, salt: str, grows: bool) -> None:
    """25 kg at 16 g/kg want 400 g; 2 % and a division of the scale, as check allows, take no meat beside grams."""
    recipe = {"additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 16}],
              "scales": {"meat_g": 1, "spice_g": spice_g}}  # fmt: skip
    found = put_right(recipe, {"A": {"fat_pct": 28}}, {"A": 25, "salt": salt})
    wanted = Fraction(salt) / Fraction("0.016") - 25 if grows else Fraction(0)
    assert found.answer.weighed is not None and near(kg(found, "A"), str(float(wanted)), "0.015")


def test_salt_a_little_over_its_total_may_not_rise_with_salted_meat() -> None:
    """scipy: fat to 28 % with cheap lean of 3 % salt and dear lean of none; salt in all no more than the mass has."""
    lots = {"A": {"fat_pct": 28, "salt_pct": 0, **NONE}, "cheap": {"fat_pct": 8, "salt_pct": 3, "cost_per_kg": 1},
            "dear": {"fat_pct": 8, "salt_pct": 0, "cost_per_kg": 2}}  # fmt: skip
    whole, now, dose = 25 + 0.463, 0.463 / 25.463, 0.018
    found = put_right(LEAN | SALTED, lots, {"A": 25, "salt": "0.463"}, MassMeasured(fat=_of_mass(25, "25.463", 31)))
    row = [0.03 - now, -now, 1 - now]  # cheap, dear, salt
    done = linprog([1, 2, 0], A_ub=[row, [dose - 0.03, dose, dose - 1], [-1, -1, 0]],
                   b_ub=[0, 0.463 - dose * whole, -25 * 3 / 20])  # fmt: skip
    added = {item.name: float(weight) for item, weight in found.added.items()}
    assert done.status == 0 and done.fun <= added["cheap"] + 2 * added["dear"] <= 1.05 * done.fun
    proof = found.answer.certificate
    assert proof is not None and proof.lower_bound is not None
    paid = float(proof.lower_bound - proof.cost) + added["cheap"] + 2 * added["dear"]
    assert paid == pytest.approx(done.fun, rel=1e-6)
    salt = 0.463 + 0.03 * added["cheap"] + added.get("salt", 0)
    assert dose - 1e-6 <= salt / (25.463 + sum(added.values())) <= now


def test_a_mass_may_more_than_double_and_is_not_over_a_limit_that_it_meets() -> None:
    found = put_right({"require": [{"fat": {"max_pct": 12}}]}, {"A": {"fat_pct": 28}, "add": {"fat_pct": 8}}, {"A": 25})
    assert near(kg(found, "add"), "100")  # 25 (28 - 12) / (12 - 8)
    exact = {"A": {**PORK, **NONE}, "add": PORK}  # 62.5 g of 6.25 % in 25 kg are 156.25 ppm
    assert not put_right(CURED, exact, {"A": 25, "salt": "0.45", "pink cure": "0.0625"}).over


def test_only_meat_without_cure_and_no_rework_makes_less_of_a_cure() -> None:
    cheap = {"cost_per_kg": "0.1", "use_by": "2026-12-01"}
    lots = {"A": {**PORK, **NONE}, "add": {**PORK, "use_by": "2026-12-01"},
            "old": {**PORK, **cheap, "rework": "yes", "salt_pct": 0, "green_pct": 100, "original_nitrite_ppm": 0},
            "ham": {**PORK, **cheap, "cured": "yes", "salt_pct": 2, "nitrite_ppm": 5, "nitrate_ppm": 0}}  # fmt: skip
    found = put_right(CURED, lots, {"A": 25, "salt": "0.45", "pink cure": "0.110"})
    assert found.over and {item.name for item in found.added if isinstance(item, Lot)} == {"add"}


def test_what_went_in_is_off_the_stock_bone_and_all() -> None:
    """10 kg off the bone of a lot of 80 % are 12.5 kg as held: of 15 kg are 2.5 left, of which 2 kg are meat."""
    lots = {"A": {"fat_pct": 20, "on_hand_kg": 15, "usable_pct": 80}}
    recipe = {"additions": [{"name": "ice", "is": "water", "g_per_kg_batch": 30}]}
    found = put_right(recipe, lots, {"A": 10, "ice": "0.3"}, taken=False)
    left = next(lot for lot in found.answer.problem.formula.lots if lot.name == "A")
    assert left.on_hand_kg == Fraction("2.5")
    with pytest.raises(BadInput, match=r"12\.5 kg of A are in the batch, and 12 kg on hand"):
        put_right(recipe, {"A": {**lots["A"], "on_hand_kg": 12}}, {"A": 10, "ice": "0.3"}, taken=False)


READ = parse_recipe('{"name": "x", "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 16}]}', "recipe")


def mass_of(
    lots: str, weighed: dict[str, str], found: MassMeasured | None = None, whole: str | None = None
) -> tuple[Lot, dict[str, Lot]]:
    """A ground mass as one lot, and the lots in it as they were moved."""
    items = [WeighedItem(name, Fraction(weight)) for name, weight in weighed.items()]
    batch = batch_of(READ, parse_lots(lots, "lots"), items, "batch", [])
    ground = ground_of(READ, batch, None if whole is None else Fraction(whole), found or MassMeasured(), "batch")
    return ground.lot, {part.name: part for part, _ in ground.lot.parts if isinstance(part, Lot)}


HEAD = "lot,role,species,on_hand_kg,fat_pct,moisture_pct,protein_pct,collagen_pct,cost_per_kg\n"
TWO = HEAD + "A,meat,pork,50,20,62,17,2,3\nB,fat,beef,50,60,30,8,4,1\n"


@pytest.mark.parametrize("fat", ["36", "20"])
def test_what_is_not_fat_keeps_its_make_up_where_fat_is_measured(fat: str) -> None:
    """12 kg of 20 % and 8 kg of 60 % are 36 %; up, all are moved toward 100 %, down toward 0 %, by one share."""
    _, parts = mass_of(TWO, {"A": "12", "B": "8"}, MassMeasured(fat=Fraction(fat) + 3))
    own, wanted = Fraction(36), Fraction(fat) + 3
    for name, old, rest in (("A", 20, (62, 17, 2)), ("B", 60, (30, 8, 4))):
        new = old + (100 - old) * (wanted - own) / (100 - own) if wanted > own else old * wanted / own
        found = [parts[name].properties[key] for key in ("fat_pct", "moisture_pct", "protein_pct", "collagen_pct")]
        assert found == [new, *(x * (100 - new) / (100 - old) for x in rest)]


def test_a_mass_is_worth_what_went_in_and_is_of_the_side_with_more_weight() -> None:
    lot, _ = mass_of(TWO, {"A": "12", "B": "8"}, whole="18")
    assert (lot.on_hand_kg, lot.role) == (18, "meat")
    assert lot.held_cost_per_kg == Fraction(12 * 3 + 8 * 1, 20)  # what was lost was lost of all alike
    assert mass_of(TWO, {"A": "8", "B": "12"})[0].role == "fat"


@pytest.mark.parametrize(("whole", "can"), [("10", True), ("9.999", False), ("21", True), ("21.001", False)])
def test_a_ground_mass_weighs_between_half_and_a_twentieth_more_of_what_went_in(whole: str, can: bool) -> None:
    if can:
        assert mass_of(TWO, {"A": "12", "B": "8"}, whole=whole)[0].on_hand_kg == Fraction(whole)
        return
    with pytest.raises(BadInput, match="cannot be left of 20 kg"):
        mass_of(TWO, {"A": "12", "B": "8"}, whole=whole)


@pytest.mark.parametrize(("fat", "can"), [("15", True), ("14.9", False), ("65", True), ("65.1", False)])
def test_a_test_may_be_five_points_beyond_the_leanest_and_the_fattest(fat: str, can: bool) -> None:
    bare = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,50,20,3\nB,50,60,1\n"
    if can:
        assert mass_of(bare, {"A": "12", "B": "8"}, MassMeasured(fat=Fraction(fat)))[0].properties[FAT] == Fraction(fat)
        return
    with pytest.raises(BadInput, match="20 to 60 %: test again"):
        mass_of(bare, {"A": "12", "B": "8"}, MassMeasured(fat=Fraction(fat)))


def test_salt_is_measured_of_all_of_it_and_fat_of_what_the_rest_leaves() -> None:
    """Meat of 1 % salt and s kg of salt: 0.01 (20 - s) + s = 0.02 x 20; an oil of 90 % fat is no fat of the meat."""
    salted = "lot,on_hand_kg,fat_pct,salt_pct,cost_per_kg\nA,50,20,1,3\n"
    lot, _ = mass_of(salted, {"A": "19.6", "salt": "0.4"}, MassMeasured(salt=Fraction(2)))
    share = next(part for item, part in lot.parts if item.name == "salt")
    assert share == (Fraction("0.4") - Fraction("0.2")) / Fraction("0.99") / 20 and lot.properties["salt_pct"] == 2
    oily = {"additions": [{"name": "oil", "is": "liquid", "g_per_kg_meat": 50, "fat_pct": 90, "salt_pct": 0}]}
    found = put_right(oily, {"A": {"fat_pct": 28}}, {"A": 20, "oil": 1}, MassMeasured(fat=Fraction(30)))
    meat = next(part for part, _ in found.ground.lot.parts if part.name == "A")
    assert meat.properties[FAT] == (Fraction(30) * 21 - 90) / 20


def test_readings_of_no_stated_error_may_be_five_points_apart() -> None:
    assert measured([Fraction(31), Fraction(26)], MassMeasured()).fat == Fraction(57, 2)
    with pytest.raises(BadInput, match=r"5\.1 points apart"):
        measured([Fraction("31.1"), Fraction(26)], MassMeasured())


# ---- the command ----


def run(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, done.stdout, done.stderr


FRESH = ("--recipe", str(ROOT / "examples/fresh.yaml"), "--lots", str(ROOT / "examples/fresh-lots.csv"),
         "--date", "2026-11-25")  # fmt: skip
GROUND = str(ROOT / "examples/correct/ground.csv")


def test_a_blend_its_correction_and_the_check_of_it(tmp_path: Path) -> None:
    """The document of a correction is read as the whole batch: by check, and to put it right a second time."""
    batch, right = tmp_path / "b.json", tmp_path / "c.json"
    batch.write_text(run("blend", FRESH[1], *FRESH[2:], "--meat-kg", "25", "--json")[1])
    code, out, _ = run("correct", str(batch), *FRESH, "--measured-fat", "30.5", "--json")
    right.write_text(out)
    told = json.loads(out)
    assert code == 0 and told["verdict"]["grade"] == "holds" and told["caution"]
    fix = told["correction"]
    for key, name, figure in (("lots", "lot", "kg"), ("weigh_out", "item", "grams")):
        before = {row[name]: row[figure] for row in fix["ground"][key]}
        added = {row[name]: row[figure] for row in fix["add"][key]}
        after = {row[name]: row[figure] for row in fix["after"][key]}
        assert after == {n: pytest.approx(before.get(n, 0) + added.get(n, 0)) for n in {**before, **added}}
    report = json.loads(run("check", str(right), *FRESH, "--json")[1])
    salt = next(dose for dose in report["doses"] if dose["item"] == "salt")
    assert not salt["off"] and report["meat_kg"] == pytest.approx(sum(row["kg"] for row in fix["after"]["lots"]))
    code, out, _ = run("correct", str(right), *FRESH, "--measured-fat", "26.5")
    assert code == 0 and "NOTHING TO ADD" in out
    other = tmp_path / "r.yaml"
    other.write_text(Path(FRESH[1]).read_text().replace("Harbour links", "Slipway links"))
    code, _, err = run("correct", str(batch), "--recipe", str(other), *FRESH[2:], "--measured-fat", "30")
    assert code == 2 and "it is of 'Harbour links, fresh'" in err


@pytest.mark.parametrize("extra", [(), ("--mixer-kg", "26"), ("--measured-fat", "55"), ("--date", "2026-12-24")])
def test_the_page_is_one_screen_wide_and_carries_the_caution(extra: tuple[str, ...]) -> None:
    fat = () if "--measured-fat" in extra else ("--measured-fat", "36", "--fat-sd-pct", "0.6")
    code, out, _ = run("correct", GROUND, *FRESH, *fat, *extra)
    assert code == (1 if extra[:1] in (("--measured-fat",), ("--date",)) else 0)
    assert max(map(len, out.splitlines())) <= 80 and "Cure is poisonous in excess" in out
    assert out.index("put right: 22.407 kg as ground") == out.index("put right")
    assert ("HOLD BACK" in out) is ("--mixer-kg" in extra)


def test_pounds_are_said_where_the_mass_is_given_in_them(tmp_path: Path) -> None:
    (tmp_path / "g.csv").write_text("item,lb\nS-14,33\nJ-02,11\n")
    code, out, _ = run("correct", str(tmp_path / "g.csv"), *FRESH, "--measured-fat", "32", "--ground-lb", "44")
    assert code == 0 and "put right: 44 lb (19.958 kg) as ground" in out and "  lb" in out


def test_options_that_do_not_go_together_are_refused() -> None:
    for extra in (
        ("--ground-c", "4"),
        ("--ground-c", "1000", "--added-c", "2"),
        ("--ground-kg", "22", "--ground-lb", "48"),
        ("--measured-fat", "-1"),
    ):
        assert run("correct", GROUND, *FRESH, *extra)[0] == 2


def test_an_unknown_method_of_a_lot_that_went_in_is_refused_only_where_confidence_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As ``blend`` takes the same table; it ended as a fault of the program."""
    monkeypatch.chdir(tmp_path)
    Path("l.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg,fat_method\nA,30,18,3,by_thumb\nB,30,50,2,\n")
    Path("b.csv").write_text("item,kg\nA,10\nB,5\n")
    text = "name: L\nrequire:\n  - fat: {max_pct: 25}\n"
    words = ["b.csv", "--recipe", "r.yaml", "--lots", "l.csv", "--date", "2026-11-25", "--measured-fat", "30"]
    for more, code in (("", 0), ("confidence: {probability: 0.9, usual_method: nir_belt}\n", 2)):
        Path("r.yaml").write_text(text + more)
        for given in ([], ["--fat-sd-pct", "0.5"]):
            done = CliRunner().invoke(app, ["correct", *words, *given])
            assert done.exit_code == code, done.stderr
            assert not code or "error" in done.stderr
    assert "l.csv:2:fat_method: error: no method of finding fat is called 'by_thumb'" in done.stderr
