"""Every worked example outside the United States, through the real requirements; and the chemistry behind them.

The table names each example's source. Published answers are compared as printed; constructed ones are ours and say so.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from itertools import product as every
from typing import Any

import pytest
from batches import batch_of
from worked import agrees, inputs, read

from constraints.formula import Batch, Formula
from constraints.identity import Deduction
from constraints.library import load_pack
from constraints.quantities import Ingredient, Kind, MissingProperty, Process, members
from constraints.requirement import Origin, Requirement
from constraints.rules import OneRequirement, ProcessStep, Product
from constraints.substances import FORMULAS, SUBSTANCES, Form, conversion, conversion_of, factor, molar_mass

TABLE = read("international-worked-examples.yaml")
PRODUCT = Product(cured=True, steps=frozenset(), keep_refrigerated=True, day=date(2026, 11, 25))


def row(rule: str, product_class: str, **changes: Any) -> Requirement:
    """A row in force, taken from what its pack asks of a product of that class."""
    found = load_pack(rule.partition("-")[0]).requirements(replace(PRODUCT, **changes), product_class)
    (only,) = [r for r in found if r.origin.rule == rule]
    return only


# ---- chemistry ----

ATOMS = {
    "H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.990, "P": 30.974, "S": 32.06, "K": 39.098, "Ca": 40.078
}  # fmt: skip
"""IUPAC abridged standard atomic weights (2021), from memory: another table than the one under test."""


def mass(**atoms: int) -> float:
    """Molar mass from a count of atoms written out by hand."""
    return sum(ATOMS[element] * count for element, count in atoms.items())


MASSES = {
    "NO2": mass(N=1, O=2),
    "NaNO2": mass(Na=1, N=1, O=2),
    "KNO2": mass(K=1, N=1, O=2),
    "NO3": mass(N=1, O=3),
    "NaNO3": mass(Na=1, N=1, O=3),
    "KNO3": mass(K=1, N=1, O=3),
    "P2O5": mass(P=2, O=5),
    "Na5P3O10": mass(Na=5, P=3, O=10),
    "Na4P2O7": mass(Na=4, P=2, O=7),
    "Na2H2P2O7": mass(Na=2, H=2, P=2, O=7),
    "K4P2O7": mass(K=4, P=2, O=7),
    "NaPO3": mass(Na=1, P=1, O=3),
    "Na2HPO4": mass(Na=2, H=1, P=1, O=4),
    "Na2HPO4.12H2O": mass(Na=2, H=25, P=1, O=16),
    "SO2": mass(S=1, O=2),
    "Na2S2O5": mass(Na=2, S=2, O=5),
    "C6H8O6": mass(C=6, H=8, O=6),
    "C6H7NaO6.H2O": mass(C=6, H=9, Na=1, O=7),
    "C12H14CaO12.2H2O": mass(C=12, H=18, Ca=1, O=14),
}


@pytest.mark.parametrize("formula", sorted(MASSES))
def test_molar_masses(formula: str) -> None:
    assert float(molar_mass(formula)) == pytest.approx(MASSES[formula], rel=1e-4)


# Figures as printed in a table of conversions worked out from molar masses (NO2 46.0055, NaNO2 68.9953, KNO2 85.1038,
# NO3 62.0049, NaNO3 84.9947, KNO3 101.1032; anhydrous phosphates), and the mole ratio by which each was counted.
CONVERSIONS = [
    ("NaNO2", "NO2", 1, "0.66679"),
    ("NO2", "NaNO2", 1, "1.49972"),
    ("KNO2", "NO2", 1, "0.54058"),
    ("KNO2", "NaNO2", 1, "0.81072"),
    ("NaNO3", "NO3", 1, "0.72952"),
    ("NO3", "NaNO3", 1, "1.37077"),
    ("KNO3", "NO3", 1, "0.61328"),
    ("KNO3", "NaNO3", 1, "0.84067"),
    ("NaNO3", "NaNO2", 1, "0.81176"),
    ("Na5P3O10", "P2O5", 1.5, "0.5788"),
    ("Na4P2O7", "P2O5", 1, "0.5338"),
    ("Na2H2P2O7", "P2O5", 1, "0.6396"),
    ("K4P2O7", "P2O5", 1, "0.4297"),
    ("NaPO3", "P2O5", 0.5, "0.6961"),
    ("Na2HPO4", "P2O5", 0.5, "0.4999"),
    ("Na5P3O10", "Na2HPO4", 3, "1.158"),
    ("Na4P2O7", "Na2HPO4", 2, "1.068"),
    ("Na2H2P2O7", "Na2HPO4", 2, "1.279"),
    ("K4P2O7", "Na2HPO4", 2, "0.859"),  # 0.860 in the table; unrounded it is 0.85948
    ("NaPO3", "Na2HPO4", 1, "1.392"),
    ("Na2S2O5", "SO2", 2, "0.674"),
    ("C6H7NaO6.H2O", "C6H8O6", 1, "0.815"),
    ("C12H14CaO12.2H2O", "C6H8O6", 2, "0.826"),
]


@pytest.mark.parametrize(("weighed", "expressed", "moles", "printed"), CONVERSIONS)
def test_conversions_follow_from_molar_masses(weighed: str, expressed: str, moles: float, printed: str) -> None:
    found = conversion(weighed, expressed)
    assert float(found) == pytest.approx(moles * MASSES[expressed] / MASSES[weighed], rel=2e-4)
    assert abs(found - Fraction(printed)) <= Fraction(1, 2 * 10 ** len(printed.partition(".")[2])) + Fraction(1, 10**6)


def test_every_phosphate_sulphite_and_accelerator_has_a_formula_and_a_form() -> None:
    forms = {"phosphate": ("P2O5", "Na2HPO4"), "sulphite": ("SO2",), "accelerator": ("C6H8O6",)}
    for name, family in SUBSTANCES.items():
        for form in forms.get(family, ()):
            assert conversion_of(name, form) > 0
    assert conversion_of("sodium_erythorbate", "C6H8O6") > conversion_of("sodium_erythorbate_monohydrate", "C6H8O6")
    assert len(SUBSTANCES) == sum(len(names) for names in FORMULAS.values())


@pytest.mark.parametrize(
    ("name", "salt"),
    [
        ("eu-nitrite-ion-factor-NaNO2", "NaNO2"),
        ("eu-nitrate-ion-factor-NaNO3", "NaNO3"),
        ("eu-nitrate-ion-factor-KNO3", "KNO3"),
    ],
)
def test_published_ion_factors(name: str, salt: str) -> None:
    agrees(factor(salt, Form.ION), TABLE[name])


def test_trap_one_hundred_and_twenty_of_the_salt_is_more_than_eighty_of_the_ion() -> None:
    assert 120 * factor("NaNO2", Form.ION) > 80
    for name, limit in (("eu-80-ion-as-NaNO2", 80), ("eu-55-ion-as-NaNO2", 55)):
        agrees(limit / factor("NaNO2", Form.ION), TABLE[name])


# ---- nitrite and nitrate ----


def cured(spec: dict[str, Any]) -> dict[str, Any]:
    """A batch of curing salt and meat that together are the batch's weight."""
    given = {name: Fraction(typed) for name, typed in spec.items()}
    salt = given["curing_salt_g"] / 1000
    strength = str(float(100 * given["nitrite_mass_fraction"]))
    lots = [{"kg": str(float(given["batch_kg"] - salt))}]
    return {"lots": lots, "add": [{"is": "cure", "kg": str(float(salt)), "nitrite": strength}]}


@pytest.mark.parametrize(
    ("name", "rule", "passes"),
    [
        ("eu-ingoing-check-boundary", "eu-nitrite", False),
        ("eu-ingoing-check-05pct", "eu-nitrite", True),
        ("gb-same-batch", "gb-nitrite", True),
    ],
)
def test_ingoing_nitrite_on_the_whole_batch(name: str, rule: str, passes: bool) -> None:
    verdict = row(rule, "heat_treated").measure(batch_of(cured(TABLE[name]["inputs"])))
    assert verdict.value is not None
    agrees(verdict.value, TABLE[name])
    assert verdict.ok is passes


def test_the_same_batch_passes_in_great_britain_and_fails_in_the_union_and_northern_ireland() -> None:
    batch = batch_of(cured(TABLE["gb-same-batch"]["inputs"]))
    assert row("gb-nitrite", "heat_treated").measure(batch).ok is True
    assert row("ni-nitrite", "heat_treated").measure(batch).ok is False
    before = replace(PRODUCT, day=date(2025, 10, 8)).day
    assert row("eu-nitrite-2013", "heat_treated", day=before).measure(batch).ok is True


def test_nitrite_and_nitrate_are_compared_each_with_its_own_limit() -> None:
    entry = TABLE["eu-mixed-nitrite-nitrate"]
    i = inputs(entry)
    # 1000 kg in all, so that milligrams per kilogram are grams
    meat = {"kg": str(float(1000 - (i["NaNO2_mg_kg"] + i["KNO3_mg_kg"]) / 1000))}
    nitrite = {"is": "cure", "kg": str(float(i["NaNO2_mg_kg"] / 1000)), "nitrite": "100"}
    nitrate = {"is": "cure", "kg": str(float(i["KNO3_mg_kg"] / 1000)), "nitrate": "100", "metal": "potassium"}
    batch = batch_of({"lots": [meat], "add": [nitrite, nitrate]})
    for rule, ion in (("eu-nitrite", "NO2"), ("eu-nitrate", "NO3")):
        verdict = row(rule, "non_heat_treated").measure(batch)
        assert verdict.value is not None
        agrees(verdict.value, entry, ion)
        assert verdict.ok is True


def test_canada_a_third_of_an_ounce_to_a_hundred_pounds_a_batch() -> None:
    entry = TABLE["canada-oz-per-100lb"]
    i = inputs(entry)
    ounces = str(float(i["oz"] / 16))
    lots = [{"kg": str(float(i["lb"] - i["oz"] / 16))}]  # pounds for kilograms: the unit divides out
    verdict = row("ca-nitrate", "dry_sausage").measure(
        batch_of({"lots": lots, "add": [{"is": "cure", "kg": ounces, "nitrate": "100"}]})
    )
    assert verdict.value is not None
    agrees(verdict.value, entry)
    assert verdict.ok is True


def test_a_fresh_sausage_is_a_preparation_in_which_nitrite_is_not_authorised() -> None:
    """Trap: the category comes before the limit; what a cooked sausage may hold a fresh one may not."""
    batch = batch_of({"lots": [{"kg": "99"}], "add": [{"is": "cure", "kg": "1", "nitrite": "0.5"}]})
    for place in ("eu", "gb", "ni"):
        for name in ("fresh_sausage", "breakfast_sausage"):
            assert row(f"{place}-nitrite-fresh", name).measure(batch).ok is False
    assert row("eu-nitrite", "heat_treated").measure(batch).ok is True


def test_drying_concentrates_and_both_figures_are_shown() -> None:
    """Trap: "added" is judged on the whole batch; what it makes of the finished weight only warns."""
    spec = {"lots": [{"kg": "98"}], "add": [{"is": "cure", "kg": "2", "nitrite": "0.5"}], "yield": "65"}
    added, finished = row("eu-nitrite", "non_heat_treated"), row("eu-nitrite-on-finished", "non_heat_treated")
    assert added.measure(batch_of(spec)).ok is True
    assert finished.measure(batch_of(spec)).ok is False
    assert (added.origin.blocks, finished.origin.blocks) == (True, False)


# ---- phosphate, erythorbate ----


def test_phosphate_is_counted_as_p2o5_in_the_union_and_as_disodium_phosphate_in_canada() -> None:
    """Trap: the same five grams a kilogram, in two forms."""
    entry = TABLE["phosphate-eu-P2O5"]
    grams = inputs(entry)["E451i_anhydrous_g_per_kg"]
    dose = {"is": "sodium_tripolyphosphate", "kg": str(float(grams))}
    batch = batch_of({"lots": [{"kg": str(float(1000 - grams))}], "add": [dose]})
    verdict = row("eu-phosphate", "heat_treated").measure(batch)
    assert verdict.value is not None
    assert abs(verdict.value - Fraction(entry["computed_answer"])) < Fraction("0.1")  # the entry rounds its factor
    assert verdict.ok is True
    in_canada = row("ca-phosphate", "cured_cut", day=date(2024, 12, 17)).measure(batch)
    assert (in_canada.ok, round(float(in_canada.value or 0), 3)) == (False, 0.579)


def test_phosphate_of_canada_is_of_the_finished_product() -> None:
    entry = TABLE["phosphate-canada-Na2HPO4"]
    i = inputs(entry)
    dose = {"is": "sodium_tripolyphosphate", "kg": str(float(i["E451i_anhydrous_g_per_kg_batch"]))}
    lots = [{"kg": str(float(1000 - i["E451i_anhydrous_g_per_kg_batch"]))}]
    limit = row("ca-phosphate", "cured_cut", day=date(2024, 12, 17))
    raw = limit.measure(batch_of({"lots": lots, "add": [dose]}))
    done = limit.measure(batch_of({"lots": lots, "add": [dose], "yield": str(float(100 * i["finished_yield"]))}))
    assert done.value is not None
    agrees(done.value * 10, entry)  # percent to grams a kilogram
    assert (raw.ok, done.ok) == (True, False)


def test_the_repealed_figure_of_canada_is_not_asked_for_after_its_last_day() -> None:
    after = replace(PRODUCT, day=date(2024, 12, 18))
    assert not [r for r in load_pack("ca").requirements(after, "cured_cut") if r.what.startswith("phosphates")]


def test_erythorbate_is_counted_as_the_acid_and_a_hydrate_by_its_own_mass() -> None:
    entry = TABLE["erythorbate-as-acid"]
    milligrams = inputs(entry)["Na_erythorbate_monohydrate_mg_kg"]
    kg = milligrams / 10_000  # in 100 kg
    dose = {"is": "sodium_erythorbate_monohydrate", "kg": str(float(kg))}
    batch = batch_of({"lots": [{"kg": str(float(100 - kg))}], "add": [dose]})
    verdict = row("eu-erythorbate", "heat_treated").measure(batch)
    assert verdict.value is not None
    agrees(verdict.value, entry)
    assert verdict.ok is True


# ---- meat content ----

GROUPS = {"pork": "pig", "beef": "other_mammal", "poultry": "bird"}
SPECIES = {"pork": "pork", "beef": "beef", "poultry": "chicken"}
CONTENT = [name for name in TABLE if name.startswith("meat-content-")]


def content_of(limits: list[dict[str, Any]], least: str = "50") -> Requirement:
    """A requirement of meat content with limits of its own."""
    entry = {"min_pct": least, "basis": "batch", "tissue_per_collagen": "4.625", "limits": limits}
    return OneRequirement.model_validate({"meat_content": entry}).build(Origin("test", "test"))


def deducted(deduction: Deduction, batch: Batch) -> tuple[Fraction, Fraction]:
    """Excess connective tissue and meat content of a batch that is one group's meat, kilograms."""
    tissue = max(Fraction(0), batch.amount(deduction.tissue))
    return tissue, min(batch.amount(part) for part in deduction.smallest_of)


@pytest.mark.parametrize("name", CONTENT)
def test_meat_content_after_deduction(name: str) -> None:
    """The published method, step by step, and the same through the requirement on a batch that is all meat."""
    entry = TABLE[name]
    i = inputs(entry)
    kind = name.split("-")[2]
    limits = {"species": [GROUPS[kind]], "fat_pct": entry["inputs"]["limit_fat"]}
    limits["collagen_of_protein_pct"] = entry["inputs"]["limit_col"]
    deduction = Deduction.of(members((GROUPS[kind],)), i["limit_fat"], i["limit_col"], Fraction(37, 8))
    figures = {"fat": entry["inputs"]["fat"], "protein": entry["inputs"]["meat_protein"]}
    figures |= {"collagen": entry["inputs"]["collagen"], "species": SPECIES[kind], "kg": "100"}
    tissue, meat = deducted(deduction, batch_of({"lots": [figures]}))
    agrees(tissue, entry, "EXCT")
    agrees(meat, entry, "MEAT")
    verdict = content_of([limits]).measure(batch_of({"lots": [figures]}))
    assert verdict.value is not None
    agrees(verdict.value, entry, "MEAT")


def test_the_pack_has_the_limits_the_method_was_tried_with() -> None:
    """30/25 for pigs, 15/10 for birds and rabbits, 25/25 for other mammals, and 37/8."""
    (found,) = [r for r in load_pack("gb").rows if r.id == "gb-meat-other-sausage"]
    entry = found.requires.entry()
    assert entry.tissue_per_collagen == Fraction(37, 8)
    assert [(*e.species, e.fat_pct, e.collagen_of_protein_pct) for e in entry.limits] == [
        ("pig", 30, 25),
        ("bird", "rabbit", 15, 10),
        ("other_mammal", 25, 25),
    ]


def test_where_both_are_in_excess_the_fat_left_is_exactly_the_limit_of_the_meat_left() -> None:
    """A check of the method stated with it: MAXFAT / MEAT is the fat limit."""
    deduction = Deduction.of(members(("pig",)), Fraction(30), Fraction(25), Fraction(37, 8))
    figures = {"kg": "100", "fat": "35", "protein": "15", "collagen": "5", "species": "pork"}
    tissue, left = deducted(deduction, batch_of({"lots": [figures]}))
    assert tissue > 0
    fat_left = 35 - (100 - tissue - left)
    assert fat_left / left == Fraction(30, 100)


def test_forty_two_percent_is_of_meat_after_deduction_and_is_not_rounded() -> None:
    """48 % pork is 41.14 % meat; and 41.96 is below 42."""
    entry = TABLE["uk-pork-sausage-42"]
    pork = entry["inputs"]["pork_ingredient_pct_of_sausage"]
    limit = row("gb-meat-pork-sausage", "pork_sausage")
    fat_only = {"fat": "40", "protein": "13", "collagen": "2.5"}

    def judged(kg: str) -> tuple[float, bool | None]:
        rusk = {"is": "rusk", "kg": str(100 - Fraction(kg)) if "." not in kg else str(float(100 - Fraction(kg)))}
        verdict = limit.measure(batch_of({"lots": [{"kg": kg, **fat_only}], "add": [rusk]}))
        assert verdict.value is not None
        return float(verdict.value), verdict.ok

    value, ok = judged(pork)
    assert value == pytest.approx(float(entry["computed_answer"]), abs=5e-4)
    assert ok is False
    nearly = str(float(Fraction(TABLE["uk-no-rounding"]["inputs"]["meat_pct"]) * 7 / 6))[:9]
    value, ok = judged(nearly)
    assert round(value, 2) == 41.96
    assert ok is False
    assert judged("49") == (42.0, True)


def test_meat_of_different_species_is_deducted_group_by_group() -> None:
    """Half pork of 85.71 % and half chicken of 85.65 % meat content, not one mixture with one pair of limits."""
    parts = [
        {"kg": "50", "fat": "40", "protein": "13", "collagen": "2.5"},
        {"kg": "50", "species": "chicken", "fat": "20", "protein": "16", "collagen": "3"},
    ]
    verdict = row("gb-meat-other-sausage", "other_sausage").measure(batch_of({"lots": parts}))
    pork, poultry = TABLE["meat-content-pork-fat-only"], TABLE["meat-content-poultry-both-excess"]
    expected = (Fraction(pork["computed_answer"]["MEAT"]) + Fraction(poultry["computed_answer"]["MEAT"])) / 2
    assert verdict.value is not None
    assert abs(verdict.value - expected) < Fraction(1, 10_000)


def test_lots_of_one_group_are_deducted_together() -> None:
    """Fat of one lot makes up for the lean of another: 30 % in all is no excess."""
    parts = [
        {"kg": "50", "fat": "50", "protein": "10", "collagen": "2"},
        {"kg": "50", "fat": "10", "protein": "20", "collagen": "2"},
    ]
    assert row("gb-meat-pork-sausage", "pork_sausage").measure(batch_of({"lots": parts})).value == 100


def test_without_collagen_the_figure_can_break_the_limit_and_never_proves_it_kept() -> None:
    limit = row("gb-meat-pork-sausage", "pork_sausage")
    rusk = [{"is": "rusk", "kg": "52"}]
    little = limit.measure(batch_of({"lots": [{"kg": "48", "fat": "40"}], "add": rusk}))
    assert (round(float(little.value or 0), 3), little.ok) == (41.143, False)
    enough = limit.measure(batch_of({"lots": [{"kg": "90", "fat": "40"}], "add": rusk}))
    assert enough.ok is None
    assert "lot 1 without collagen_pct;" in enough.why  # its protein is stated


@pytest.mark.parametrize("states", [True, False])
def test_the_rows_of_meat_content_without_collagen_are_safe_and_say_that_they_are_not_all(states: bool) -> None:
    figures = {"fat_pct": Fraction(40), "protein_pct": Fraction(13)}
    if states:
        figures["collagen_pct"] = Fraction(5, 2)
    lot = Ingredient("lot", Kind.LOT, figures, species="pork", material="belly")
    rest = Ingredient("other", Kind.LOT, {"fat_pct": Fraction(0)}, species="beef", material="msm")
    formula = Formula([lot, rest], [], Process())
    limit = row("gb-meat-pork-sausage", "pork_sausage")
    assert limit.measured_only(formula) is not states
    rows = limit.rows(formula)
    assert len(rows) == (4 if states else 2)
    for pork, other in every(range(0, 60, 7), range(1, 60, 7)):
        kilograms = (Fraction(pork), Fraction(other))
        verdict = limit.measure(formula.exact_batch(kilograms))
        holds = all(one.holds(kilograms) for one in rows)
        assert holds is (verdict.ok is not False)


# ---- Australia and New Zealand, Canada, salt on water ----


@pytest.mark.parametrize(("name", "passes"), [("anz-sausage-pass", True), ("anz-sausage-fail-ratio", False)])
def test_half_of_the_flesh_and_not_half_of_the_sausage(name: str, passes: bool) -> None:
    """Trap: 300 g of fat in a kilogram is well under half of the sausage, and over half of 500 g flesh."""
    entry = TABLE[name]
    i = inputs(entry)
    flesh, fat = i["fat_free_meat_flesh_g_kg"], i["fat_g_kg"]
    lean = {"kg": str(flesh), "fat": "0"}
    pure_fat = {"kg": str(fat), "fat": "100"}
    rest = [{"is": "rusk", "kg": str(1000 - flesh - fat)}]
    batch = batch_of({"lots": [lean, pure_fat], "add": rest})
    share = row("anz-fat-free-flesh", "sausage").measure(batch)
    verdict = row("anz-fat", "sausage").measure(batch)
    assert (share.value, share.ok) == (flesh / 10, True)
    assert verdict.ok is passes
    assert entry["computed_answer"]["result"] == ("PASS" if passes else "FAIL")
    limit = verdict.requirement.hi
    assert limit is not None
    assert flesh * limit / 100 == Fraction(entry["computed_answer"]["fat_ceiling"])


def test_offal_is_no_flesh_and_a_lot_that_does_not_say_what_it_is_cannot_be_judged() -> None:
    meat = {"kg": "60", "fat": "20"}
    liver = {"kg": "20", "fat": "5", "material": "Lamb liver"}
    share, fat = row("anz-fat-free-flesh", "sausage"), row("anz-fat", "sausage")
    batch = batch_of({"lots": [meat, liver], "add": [{"is": "rusk", "kg": "20"}]})
    assert share.measure(batch).value == 48
    assert fat.measure(batch).value == Fraction(13, 48) * 100
    unnamed = batch_of({"lots": [meat, {"kg": "40", "material": ""}]})
    for limit in (share, fat, row("gb-meat-pork-sausage", "pork_sausage")):
        with pytest.raises(MissingProperty, match="material"):
            limit.measure(unnamed)


def test_meat_protein_may_stay_one_and_a_half_points_below_the_requirement() -> None:
    entry = TABLE["canada-meat-protein"]
    required = entry["inputs"]["total_protein_requirement_pct"]
    figures = {"meat_protein": {"total_pct": required, "less_pct": "1.5"}}
    limit = OneRequirement.model_validate(figures).build(Origin("test", "FDR B.14.030"))
    assert limit.lo == Fraction(entry["computed_answer"]["floor"])

    def judged(protein: str) -> bool | None:
        soy = {"is": "isolated_soy_protein", "kg": "5", "protein": "90"}
        lots = [{"kg": "95", "protein": str(float(Fraction(protein) * 100 / 95))[:12]}]
        return limit.measure(batch_of({"lots": lots, "add": [soy]})).ok

    assert judged(entry["inputs"]["meat_protein_pct"]) is False
    assert judged("9.6") is True


def test_salt_on_the_water_phase() -> None:
    entry = TABLE["salt-on-water-phase"]
    i = inputs(entry)
    lots = [{"kg": "100", "moisture": entry["inputs"]["water_g"]}]
    batch = batch_of({"lots": lots, "add": [{"is": "salt", "kg": entry["inputs"]["salt_g"]}]})
    steps = frozenset({ProcessStep.COOKED})
    verdict = row("anz-cooling-salt", "cured_sausage", steps=steps).measure(batch)
    assert verdict.value == 100 * i["salt_g"] / (i["salt_g"] + i["water_g"])
    agrees(verdict.value, entry)
    assert verdict.ok is True


def test_every_example_of_the_table_is_used() -> None:
    named = {
        "eu-nitrite-ion-factor-NaNO2", "eu-nitrate-ion-factor-NaNO3", "eu-nitrate-ion-factor-KNO3",
        "eu-80-ion-as-NaNO2", "eu-55-ion-as-NaNO2", "canada-oz-per-100lb", "eu-ingoing-check-boundary",
        "eu-ingoing-check-05pct", "gb-same-batch", "eu-mixed-nitrite-nitrate", "phosphate-eu-P2O5",
        "phosphate-canada-Na2HPO4", "erythorbate-as-acid", "uk-pork-sausage-42", "uk-no-rounding",
        "anz-sausage-pass", "anz-sausage-fail-ratio", "canada-meat-protein", "salt-on-water-phase",
    }  # fmt: skip
    assert named | set(CONTENT) == set(TABLE)
