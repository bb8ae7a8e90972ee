"""Every worked example for the United States, through the real requirements; the table names each one's source."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from fractions import Fraction
from math import ceil, floor

import pytest
from worked import OUNCE, agrees, half_a_unit, inputs, read

from constraints.formula import Batch
from constraints.ingoing import NITRATE, NITRITE, NITRITE_SALTS, POTASSIUM_NITRITE, salts
from constraints.library import load_pack
from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT, Amount, Basis, Ingredient, Kind, Process
from constraints.requirement import Measurement, Origin, Requirement
from constraints.rules import OneRequirement, ProcessStep, Product
from constraints.substances import Form, conversion, factor

TABLE = read("us-worked-examples.yaml")
ZERO = Fraction(0)


def row(rule: str, product_class: str | None = None, *steps: ProcessStep) -> Requirement:
    """A row of the pack, taken from what it asks of a product of that class."""
    product = Product(cured=True, steps=frozenset(steps), keep_refrigerated=True, day=date(2026, 11, 25))
    found = [r for r in load_pack("us").requirements(product, product_class) if r.origin.rule == rule]
    assert len(found) == 1, rule
    return found[0]


def lot(fat: Fraction = ZERO, moisture: Fraction = ZERO, protein: Fraction = ZERO, species: str = "pork") -> Ingredient:
    figures = {FAT: fat, MOISTURE: moisture, PROTEIN: protein, SALT: ZERO}
    return Ingredient("lot", Kind.LOT, figures, species=species, material="shoulder")


def cure(nitrite_fraction: Fraction = ZERO, nitrate_fraction: Fraction = ZERO, prop: str = NITRITE) -> Ingredient:
    figures = {prop: nitrite_fraction * 1_000_000, NITRATE: nitrate_fraction * 1_000_000}
    figures[SALT] = 100 * (1 - nitrite_fraction - nitrate_fraction)
    return Ingredient("cure", Kind.CURE, figures)


def added(substance: str) -> Ingredient:
    return Ingredient(substance, Kind.DRY, {}, substance=substance)


def plain(name: str, kind: Kind = Kind.DRY) -> Ingredient:
    return Ingredient(name, kind, {SALT: Fraction(100)} if kind is Kind.SALT else {})


def measured(requirement: Requirement, *parts: tuple[Ingredient, Fraction]) -> Measurement:
    return requirement.measure(Batch(dict(parts), Process()))


def value(verdict: Measurement) -> Fraction:
    assert verdict.value is not None
    return verdict.value


def comminuted(grams_or_pounds: Fraction, fraction: Fraction, meat: Fraction) -> Measurement:
    """Ingoing nitrite of chopped product."""
    return measured(row("us-nitrite-comminuted"), (lot(), meat), (cure(fraction), grams_or_pounds))


# ---- nitrite: amounts in, ppm out ----

ONE = Fraction(1)
PPM: dict[str, Callable[[dict[str, Fraction]], Measurement]] = {
    "us-no2-01": lambda i: comminuted(i["nitrite_oz"] * OUNCE, ONE, i["green_weight_lb"]),
    "us-no2-02": lambda i: measured(
        row("us-nitrite-dry-cured", "cured_pieces_dry"),
        (lot(), i["green_weight_lb"]),
        (cure(ONE), i["nitrite_oz"] * OUNCE),
    ),
    "us-no2-03": lambda i: pumped(i),
    "us-no2-04": lambda i: pumped(i),
    "us-no2-05": lambda i: comminuted(i["premix_oz"] * OUNCE, i["nitrite_fraction"], i["green_weight_lb"]),
    "us-no2-06": lambda i: comminuted(i["premix_oz"] * OUNCE, i["nitrite_fraction"], i["green_weight_lb"]),
    "us-no2-07": lambda i: comminuted(i["nitrite_g"], ONE, i["meat_g"]),
    "us-no2-08": lambda i: comminuted(i["nitrite_g"], ONE, i["meat_g"]),
    "us-no2-09": lambda i: comminuted(i["nitrite_lb"], ONE, i["meat_lb"]),
    "us-no2-11": lambda i: brine(i),
    "us-no2-14": lambda i: measured(
        row("us-nitrite-bacon-dry-cured", "bacon_dry_cured"),
        (lot(), i["meat_g"]),
        (cure(i["nitrite_fraction"]), i["premix_g"]),
    ),
    "us-no2-22": lambda i: comminuted(
        i["premix_percent_of_green"] / 100,
        i["parts_nitrite"] / (i["parts_nitrite"] + i["parts_nitrate"] + i["parts_salt"]),
        ONE,
    ),
    "us-no3-01": lambda i: measured(
        row("us-nitrate-comminuted"), (lot(), i["green_weight_lb"]), (cure(ZERO, ONE), i["nitrate_oz"] * OUNCE)
    ),
    "us-no3-02": lambda i: measured(
        row("us-nitrate-dry-cured", "cured_pieces_dry"),
        (lot(), i["green_weight_lb"]),
        (cure(ZERO, ONE), i["nitrate_oz"] * OUNCE),
    ),
    "us-no3-03": lambda i: measured(
        row("us-nitrate-comminuted"),
        (lot(), ONE),
        (cure(Fraction("0.0625"), i["nitrate_fraction"]), i["premix_percent_of_green"] / 100),
    ),
    "us-acc-01": lambda i: measured(
        row("us-accelerator-acid"), (lot(), i["green_weight_lb"]), (added("ascorbic_acid"), i["oz"] * OUNCE)
    ),
    "us-acc-02": lambda i: measured(
        row("us-accelerator-salt"), (lot(), i["green_weight_lb"]), (added("sodium_erythorbate"), i["oz"] * OUNCE)
    ),
    "us-acc-03": lambda i: measured(
        row("us-gdl-cured"), (lot(), i["green_weight_lb"]), (added("glucono_delta_lactone"), i["oz"] * OUNCE)
    ),
}


def pumped(i: dict[str, Fraction]) -> Measurement:
    """Nitrite of pumped meat from the weight of the pickle taken up."""
    gallons, pump = i["pickle_gal"], i["pump_fraction"]
    pickle = gallons * i["pickle_lb_per_gal"]
    meat = pickle / pump  # the whole pickle is what this much green meat takes up
    rest = (plain("water", Kind.WATER), pickle - i["nitrite_lb"])
    return measured(row("us-nitrite-pickle", "cured_pieces_pumped"), (lot(), meat), (cure(ONE), i["nitrite_lb"]), rest)


def brine(i: dict[str, Fraction]) -> Measurement:
    pickle = i["water_g"] + i["salt_g"] + i["sugar_g"] + i["cure_g"]
    parts = (
        (lot(), pickle / i["pump_fraction"]),
        (plain("water", Kind.WATER), i["water_g"]),
        (plain("salt", Kind.SALT), i["salt_g"]),
        (plain("sugar"), i["sugar_g"]),
        (cure(i["nitrite_fraction"]), i["cure_g"]),
    )
    return measured(row("us-nitrite-pickle", "cured_pieces_pumped"), *parts)


PASSES = {
    "us-no2-01", "us-no2-02", "us-no2-03", "us-no2-05", "us-no2-06", "us-no2-08", "us-no2-11", "us-no2-22",
    "us-no3-01", "us-no3-02", "us-no3-03", "us-acc-01", "us-acc-02", "us-acc-03",
}  # fmt: skip
"""Examples at or below their limit; every other one of PPM is above it."""


@pytest.mark.parametrize("name", sorted(PPM))
def test_ingoing_amounts_as_published(name: str) -> None:
    verdict = PPM[name](inputs(TABLE[name]))
    agrees(value(verdict), TABLE[name])
    assert verdict.ok is (name in PASSES)


def test_the_legal_ratio_itself_passes_and_the_least_more_does_not() -> None:
    """Trap T1: 156 is how 156.25 is printed."""
    assert comminuted(Fraction("0.25"), Fraction("0.0625"), Fraction(100)).ok is True
    assert comminuted(Fraction("0.25") + Fraction(1, 10**12), Fraction("0.0625"), Fraction(100)).ok is False


def test_five_kilograms_need_twelve_and_a_half_grams_and_thirteen_are_too_many() -> None:
    assert comminuted(Fraction("0.0125"), Fraction("0.0625"), Fraction(5)).ok is True
    too_many = comminuted(Fraction("0.013"), Fraction("0.0625"), Fraction(5))
    assert (too_many.value, too_many.ok) == (Fraction("162.5"), False)


def test_nitrite_of_a_weighed_cure() -> None:
    i = inputs(TABLE["us-no2-10"])
    batch = Batch({lot(): i["meat_kg"], cure(i["nitrite_fraction"]): i["premix_g"] / 1000}, Process())
    agrees(batch.amount(salts(NITRITE_SALTS, Form.AS_WEIGHED)) / 1000, TABLE["us-no2-10"])


def test_salt_of_a_brine_counts_the_salt_of_the_cure() -> None:
    i = inputs(TABLE["us-no2-12"])
    water = i["brine_g"] - i["salt_g"] - i["cure_g"]
    salt = OneRequirement.model_validate({"salt": {"basis": "batch", "min_pct": "0"}}).build(Origin("test", "test"))
    parts = ((plain("water", Kind.WATER), water), (plain("salt", Kind.SALT), i["salt_g"]))
    agrees(value(measured(salt, *parts, (cure(i["nitrite_fraction"]), i["cure_g"]))), TABLE["us-no2-12"])


def test_salt_that_a_pump_carries_into_the_meat() -> None:
    i = inputs(TABLE["us-no2-13"])
    pickle = Ingredient("brine", Kind.LIQUID, {SALT: i["brine_salt_percent"]})
    batch = Batch({lot(): i["meat_g"], pickle: i["meat_g"] * i["pump_fraction"]}, Process())
    agrees(batch.amount(Amount(SALT, Basis.BATCH)) / 100, TABLE["us-no2-13"])


@pytest.mark.parametrize(
    ("name", "rule", "product_class"),
    [
        ("us-no2-15", "us-nitrite-bacon-dry-cured", "bacon_dry_cured"),
        ("us-no2-17", "us-nitrite-bacon-dry-cured", "bacon_dry_cured"),
    ],
)
def test_the_largest_dose_lies_where_it_was_published_and_is_rounded_down(
    name: str, rule: str, product_class: str
) -> None:
    i = inputs(TABLE[name])
    limit = row(rule, product_class)
    assert limit.hi == i.get("limit_ppm", i.get("target_ppm"))
    assert limit.hi is not None
    largest = limit.hi * i["meat_g"] / 1_000_000 / i["nitrite_fraction"]
    agrees(largest, TABLE[name])

    def judged(grams: Fraction) -> bool | None:
        return measured(limit, (lot(), i["meat_g"]), (cure(i["nitrite_fraction"]), grams)).ok

    tenths = Fraction(floor(largest * 10), 10)
    assert judged(tenths) is True
    assert judged(tenths + Fraction(1, 10)) is False


def test_a_dose_that_is_rounded_up_is_over_the_limit() -> None:
    i = inputs(TABLE["us-no2-17"])
    printed = Fraction(ceil(Fraction(TABLE["us-no2-17"]["computed_answer"])))
    limit = row("us-nitrite-bacon-dry-cured", "bacon_dry_cured")
    assert measured(limit, (lot(), i["meat_g"]), (cure(i["nitrite_fraction"]), printed)).ok is False


def test_nitrite_for_a_pickle_at_twenty_percent() -> None:
    """us-no2-16: the published weight gives exactly the ppm it was reckoned for."""
    i = inputs(TABLE["us-no2-16"])
    pounds = Fraction(TABLE["us-no2-16"]["published_answer"])
    meat = i["pickle_lb"] / i["pump_fraction"]
    verdict = measured(row("us-nitrite-bacon-pumped", "bacon_pumped"), (lot(), meat), (cure(ONE), pounds))
    assert (verdict.value, verdict.ok) == (i["target_ppm"], True)


@pytest.mark.parametrize("name", ["us-no2-18", "us-no2-19", "us-no2-20"])
def test_potassium_nitrite_equivalents(name: str) -> None:
    i = inputs(TABLE[name])
    weight = i["sodium_nitrite_ppm"] / factor("KNO2", Form.SODIUM_SALT)
    entry = TABLE[name]
    assert abs(weight - Fraction(entry["computed_answer"])) < Fraction("0.01")  # molar masses differ in the 6th digit
    slack = Fraction(entry.get("tolerance", half_a_unit(entry["published_answer"])))
    assert abs(weight - Fraction(entry["published_answer"])) <= slack


def test_the_law_cuts_246_down_and_246_is_the_law() -> None:
    """Trap T7: 246.6 ppm potassium nitrite is within 200 ppm as the sodium salt and still over what is printed."""
    parts = ((lot(), Fraction(1_000_000)), (cure(ONE, prop=POTASSIUM_NITRITE), Fraction("246.6")))
    assert measured(row("us-nitrite-bacon-dry-cured", "bacon_dry_cured"), *parts).ok is True
    assert measured(row("us-nitrite-bacon-dry-cured-potassium", "bacon_dry_cured"), *parts).ok is False


def test_the_figure_for_potassium_nitrite_leaves_the_sodium_salt_out() -> None:
    parts = ((lot(), Fraction(1_000_000)), (cure(ONE), Fraction(250)))
    limit = row("us-nitrite-bacon-dry-cured-potassium", "bacon_dry_cured")
    assert (measured(limit, *parts).value, measured(limit, *parts).ok) == (0, True)


def test_outside_bacon_potassium_nitrite_has_the_same_weight_limit() -> None:
    parts = ((lot(), Fraction(1_000_000)), (cure(ONE, prop=POTASSIUM_NITRITE), Fraction(156)))
    assert value(measured(row("us-nitrite-comminuted"), *parts)) == 156


def test_green_weight_is_the_base_and_neither_the_batch_nor_the_finished_weight() -> None:
    """us-no2-21 and trap T2: the wrong base is shown, and is not what the row divides by."""
    i = inputs(TABLE["us-no2-21"])
    premix = i["premix_oz"] * OUNCE
    kilograms = {
        lot(): i["green_weight_lb"],
        plain("water", Kind.WATER): i["water_lb"],
        plain("spice"): i["salt_spice_lb"],
        cure(i["nitrite_fraction"]): premix,
    }
    batch = Batch(kilograms, Process(Fraction("0.7"), declared=True))
    wrong = {"ingoing_nitrite": {"max_ppm": "1000", "basis": "batch"}}
    agrees(value(OneRequirement.model_validate(wrong).build(Origin("t", "t")).measure(batch)), TABLE["us-no2-21"])
    right = row("us-nitrite-comminuted").measure(batch)
    assert (right.value, right.ok) == (Fraction("156.25"), True)


def test_the_200_ppm_of_the_finished_product_is_a_residual_and_no_mass_balance() -> None:
    """Trap T2: 156.25 ppm over a yield of 70 % is 223, and no dry sausage fails for it."""
    batch = Batch({lot(): Fraction(100), cure(Fraction("0.0625")): Fraction("0.25")}, Process(Fraction("0.7")))
    verdict = row("us-nitrite-residual").measure(batch)
    assert (verdict.value, verdict.ok) == (None, None)


def test_a_premix_taken_for_another_strength() -> None:
    """Trap T8: 6.25 % premix at the rate of a weaker one (constructed: 5.5 %) is 177.6 ppm, over the limit."""
    rate = Fraction("0.0025") * Fraction("6.25") / Fraction("5.5")
    verdict = comminuted(rate, Fraction("0.0625"), ONE)
    assert round(value(verdict), 1) == Fraction("177.6")
    assert verdict.ok is False


# ---- antioxidants, binders, water ----


@pytest.mark.parametrize(
    ("name", "rule", "product_class"),
    [
        ("us-aox-01", "us-antioxidant-fresh", "fresh_pork_sausage"),
        ("us-aox-02", "us-antioxidant-dry", "dry_sausage"),
    ],
)
def test_antioxidants_on_the_fat_or_on_the_whole(name: str, rule: str, product_class: str) -> None:
    """Trap T11: one and the same 1.5 g, from different bases."""
    i = inputs(TABLE[name])
    largest = Fraction(TABLE[name]["computed_answer"])
    meat = lot(fat=i.get("fat_percent", Fraction(30)))

    def judged(kind: str, **grams: Fraction) -> Measurement:
        parts = [(added(substance), amount) for substance, amount in grams.items()]
        whole = i["batch_g"] - sum(grams.values()) if name == "us-aox-02" else i["batch_g"]
        return measured(row(f"{rule}-{kind}", product_class), (meat, whole), *parts)

    more = largest + Fraction("0.01")
    assert judged("each", bha=largest).ok is True
    assert judged("each", bha=more).ok is False
    assert judged("each", bha=largest, bht=largest).ok is True
    assert judged("together", bha=largest, bht=largest).ok is True
    assert judged("together", bha=largest, bht=more).ok is False


def test_binders_and_isolated_soy_protein_share_one_allowance() -> None:
    i = inputs(TABLE["us-bind-01"])
    rest = 100 - i["other_binder_percent"] - i["isp_percent"]

    def judged(more: Fraction) -> Measurement:
        milk = added("nonfat_dry_milk"), i["other_binder_percent"] + more
        return measured(
            row("us-binders", "sausage"), (lot(), rest - more), milk, (added("isolated_soy_protein"), i["isp_percent"])
        )

    at_limit = judged(ZERO)
    agrees(value(at_limit) / 100, TABLE["us-bind-01"])
    assert at_limit.ok is True
    assert judged(Fraction("0.001")).ok is False


def test_the_old_flat_rule_and_the_most_moisture_it_allowed() -> None:
    """us-aw-01: 58 % moisture at 12 % protein is exactly 10 % added water, the rule of cooked sausage today."""
    i = inputs(TABLE["us-aw-01"])
    moisture = Fraction(TABLE["us-aw-01"]["published_answer"])
    limit = row("us-added-water-cooked", "sausage", ProcessStep.COOKED)
    verdict = measured(limit, (lot(Fraction(25), moisture, i["protein_percent"]), Fraction(100)))
    assert (verdict.value, verdict.ok) == (i["allowed_added_water_percent"], True)
    more = measured(limit, (lot(Fraction(25), moisture + Fraction("0.1"), i["protein_percent"]), Fraction(100)))
    assert more.ok is False


@pytest.mark.parametrize(
    ("name", "passes"), [("us-aw-02", True), ("us-aw-03", True), ("us-aw-04", False), ("us-aw-05", True)]
)
def test_fat_plus_added_water_of_a_frankfurter(name: str, passes: bool) -> None:
    i = inputs(TABLE[name])
    batch = ((lot(i["fat"], i["moisture"], i["protein"]), Fraction(100)),)
    verdict = measured(row("us-fat-and-water-frankfurter", "frankfurter"), *batch)
    agrees(value(verdict), TABLE[name])
    assert verdict.ok is passes
    assert measured(row("us-fat-frankfurter", "frankfurter"), *batch).ok is True


def test_twenty_percent_added_water_is_lawful_in_a_frankfurter_and_not_in_other_cooked_sausage() -> None:
    """us-aw-05 and trap T9."""
    i = inputs(TABLE["us-aw-05"])
    batch = ((lot(i["fat"], i["moisture"], i["protein"]), Fraction(100)),)
    verdict = measured(row("us-added-water-cooked", "sausage", ProcessStep.COOKED), *batch)
    assert (verdict.value, verdict.ok) == (20, False)


def test_added_water_below_zero_counts_as_zero() -> None:
    """Rule 4.22: lean meat never makes room for fat."""
    dry = ((lot(Fraction(41), Fraction(40), Fraction(18)), Fraction(100)),)
    verdict = measured(row("us-fat-and-water-frankfurter", "frankfurter"), *dry)
    assert (verdict.value, verdict.ok) == (41, False)
    assert measured(row("us-added-water-cooked", "sausage", ProcessStep.COOKED), *dry).value == 0


def test_protein_of_milk_and_soy_is_no_meat_protein() -> None:
    milk = Ingredient("milk powder", Kind.DRY, {PROTEIN: Fraction(36)}, substance="nonfat_dry_milk")
    limit = row("us-added-water-cooked", "sausage", ProcessStep.COOKED)
    meat = lot(Fraction(20), Fraction(60), Fraction(12))
    assert value(measured(limit, (meat, Fraction(97)), (milk, Fraction(3)))) == 97 * Fraction("0.12")


def test_cheese_is_left_out_of_every_figure_where_a_rule_says_so() -> None:
    """Its moisture and weight stay out, so that any of it changes nothing; 319.181 counts it in fat and water."""
    cheese = Ingredient(
        "cheese",
        Kind.INCLUSION,
        {FAT: Fraction(33), MOISTURE: Fraction(37), PROTEIN: Fraction(25)},
        substance="cheese",
    )
    meat = lot(Fraction(22), Fraction(60), Fraction(12)), Fraction(100)
    figures = {"moisture_per_protein": "4", "max_pct": "15", "without": ["cheese"]}
    added_water = OneRequirement.model_validate({"added_water": figures}).build(Origin("t", "t"))
    assert [measured(added_water, meat, (cheese, kg)).value for kg in (ZERO, Fraction(5), Fraction(30))] == [12] * 3
    # With 25 kg of cheese: fat (22 + 8.25) / 1.25 = 24.2 %; moisture (60 + 9.25) / 1.25 less 4 x 12 / 1.25 = 17 %.
    both = [row(f"us-{name}-cheesefurter", "cheesefurter") for name in ("fat", "fat-and-water")]
    figures = [measured(limit, meat, (cheese, Fraction(25))).value for limit in both]
    assert figures == [Fraction("24.2"), Fraction("41.2")]


def test_cooking_off_water_takes_it_off_the_added_water() -> None:
    """Rule 4.26: if only water is lost, moisture becomes 1 - (1 - M) / yield."""
    loss = Fraction("0.9")
    batch = Batch({lot(Fraction(20), Fraction(66), Fraction(11)): Fraction(100)}, Process(loss, declared=True))
    moisture = 100 * (1 - (1 - Fraction("0.66")) / loss)
    expected = moisture - 4 * 11 / loss
    assert value(row("us-added-water-cooked", "sausage", ProcessStep.COOKED).measure(batch)) == expected


def test_water_of_a_fresh_sausage_counts_in_its_own_base() -> None:
    """us-aw-06 and trap T10: 3.0928 lb to 100 lb of everything else, ice included."""
    i = inputs(TABLE["us-aw-06"])
    limit = row("us-water-fresh", "fresh_pork_sausage")
    largest = i["rest_lb"] * i["water_share"] / (1 - i["water_share"])
    agrees(largest, TABLE["us-aw-06"])
    assert limit.hi == 100 * i["water_share"]

    def judged(pounds: Fraction) -> bool | None:
        half = pounds / 2
        return measured(
            limit, (lot(), i["rest_lb"]), (plain("water", Kind.WATER), half), (plain("ice", Kind.WATER), half)
        ).ok

    assert judged(largest) is True
    assert judged(largest + Fraction(1, 10**9)) is False


def test_poultry_of_a_frankfurter_is_a_share_of_what_is_not_water() -> None:
    """us-aw-07: 12 lb, not 15 lb, in 100 lb of which 20 are water."""
    i = inputs(TABLE["us-aw-07"])
    limit = row("us-poultry-frankfurter", "frankfurter")
    largest = Fraction(TABLE["us-aw-07"]["computed_answer"])

    def judged(poultry: Fraction) -> Measurement:
        pork = i["batch_lb"] - i["water_lb"] - poultry
        water = plain("water", Kind.WATER), i["water_lb"]
        return measured(limit, (lot(), pork), (lot(species="chicken"), poultry), water)

    assert (judged(largest).value, judged(largest).ok) == (15, True)
    assert judged(largest + Fraction("0.1")).ok is False


def test_italian_sausage_is_judged_uncooked() -> None:
    """Trap T13: 35 % of what goes in; the same sausage cooked may hold more."""
    batch = Batch({lot(fat=Fraction(35)): Fraction(100)}, Process(Fraction("0.8"), declared=True))
    verdict = row("us-fat-italian", "italian_sausage", ProcessStep.COOKED).measure(batch)
    assert (verdict.value, verdict.ok) == (35, True)


def test_binders_of_a_frankfurter_are_judged_on_what_is_left_after_cooking() -> None:
    """Trap T12: within 3.5 % of the ingredients, and over 3.5 % of what is left after cooking."""
    kilograms = {lot(): Fraction("96.5"), added("corn_starch"): Fraction("3.5")}
    limit = row("us-binders-collective", "frankfurter")
    assert limit.measure(Batch(kilograms, Process())).ok is True
    assert limit.measure(Batch(kilograms, Process(Fraction("0.9"), declared=True))).ok is False


def test_every_example_of_the_table_is_used() -> None:
    own = {
        "us-no2-10", "us-no2-12", "us-no2-13", "us-no2-15", "us-no2-16", "us-no2-17", "us-no2-18", "us-no2-19",
        "us-no2-20", "us-no2-21", "us-aox-01", "us-aox-02", "us-bind-01", "us-aw-01", "us-aw-02", "us-aw-03",
        "us-aw-04", "us-aw-05", "us-aw-06", "us-aw-07",
    }  # fmt: skip
    assert set(PPM) | own == set(TABLE)


def test_conversion_refuses_what_has_no_such_form() -> None:
    with pytest.raises(ValueError, match="cannot be expressed"):
        conversion("NaNO2", "P2O5")
    with pytest.raises(ValueError, match="not a chemical formula"):
        conversion("salt", "P2O5")
