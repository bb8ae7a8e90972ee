"""Rule packs as files: faults with their place, dates, layers, classes, waivers, and packs built on others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from batches import batch_of, lot_of

from constraints.as_typed import BadInput, Fault
from constraints.document import parse
from constraints.document.fields import JsonSchema
from constraints.formula import Batch, Formula
from constraints.ingoing import AllowanceShare, Expressed
from constraints.library import load_pack, pack_in, shipped
from constraints.quantities import Ingredient, Kind, MissingProperty, Process, species_of
from constraints.requirement import Origin, Provenance, Requirement
from constraints.rules import (
    KINDS,
    READ_IN_LAW,
    Layer,
    OneRequirement,
    Pack,
    PackRow,
    ProcessStep,
    Product,
    not_waivable,
    waived,
)
from constraints.substances import SUBSTANCES, kind_of
from constraints.words import additive_in
from optimizer.pages.reference_page import grams_words
from optimizer.reading.recipe import legal_requirements, opposed, parse_recipe, product_of

TODAY = date(2026, 11, 25)
PRODUCT = Product(cured=True, steps=frozenset({ProcessStep.COOKED}), keep_refrigerated=True, day=TODAY)

HEAD = """\
pack: house
title: Our own
authority: the head of production
checked_on: 2026-11-25
"""
ROW = """\
rows:
  - id: house-nitrite
    requires: {ingoing_nitrite: {max_ppm: 140, basis: meat}}
    layer: house
    source: quality manual, page 3
    status: yours
"""


def faults_of(text: str) -> list[tuple[int | None, str | int | None, str, str]]:
    """Line, column, found and allowed of every fault of a pack."""
    with pytest.raises(BadInput) as caught:
        pack_in(parse(text, "house.yaml"))
    return [(fault.line, fault.column, fault.found, fault.allowed) for fault in caught.value.faults]


def rules_of(requirements: Iterable[Requirement]) -> set[str]:
    return {requirement.origin.rule for requirement in requirements}


# ---- faults ----


def test_a_kind_that_nobody_knows_is_an_error_at_its_key() -> None:
    text = HEAD + ROW.replace("ingoing_nitrite", "ingoing_nitrit")
    ((line, column, found, allowed),) = faults_of(text)
    assert (line, column) == (7, 16)
    assert "ingoing_nitrit" in found
    assert "ingoing_nitrite" in allowed


def test_a_row_without_a_source_or_a_status_is_an_error() -> None:
    text = HEAD + ROW.replace("    source: quality manual, page 3\n", "").replace("    status: yours\n", "")
    found = faults_of(text)
    assert [line for line, *_ in found] == [6, 6]
    assert "'source' is missing" in found[0][2]
    assert "'status' is missing" in found[1][2]


@pytest.mark.parametrize(("most", "sound"), [("0", False), ("0.1", True), ("3.5", True)])
def test_a_share_of_an_allowance_needs_a_figure_above_nothing(most: str, sound: bool) -> None:
    entry = {"substances": ["rusk"], "max_pct": Fraction(most)}
    if sound:
        assert AllowanceShare.model_validate(entry).largest() == Fraction(most) / 100
    else:
        with pytest.raises(ValueError, match="above 0"):
            AllowanceShare.model_validate(entry)


@pytest.mark.parametrize("key", ["classes", "not_classes"])
def test_a_class_the_pack_lacks_is_an_error_that_names_the_nearest(key: str) -> None:
    classes = "classes:\n  - {id: smoked, title: smoked sausage, source: our own}\n"
    text = HEAD + classes + ROW + f"    {key}: [smokd]\n"
    ((line, column, found, allowed),) = faults_of(text)
    assert (line, column) == (13, len(key) + 8)
    assert "'smokd'" in found
    assert "smoked" in allowed


def test_a_class_that_leads_nowhere_is_an_error() -> None:
    text = HEAD + "classes:\n  - {id: smoked, title: smoked, source: our own, also: [cured]}\n" + ROW
    ((line, _, found, _),) = faults_of(text)
    assert line == 6
    assert "'cured'" in found


def test_ids_that_stand_twice_are_errors() -> None:
    text = HEAD + ROW + ROW.removeprefix("rows:\n")
    ((line, _, found, _),) = faults_of(text)
    assert line == 11
    assert "house-nitrite" in found


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        ("{ingoing_nitrite: {max_ppm: , basis: meat}}", "nothing"),
        ("{ingoing_nitrite: {basis: meat}}", "smallest or a largest"),
        ("{ingoing_nitrite: {max_ppm: 156.25 ppm, basis: meat}}", "156.25 ppm"),
        ("{ingoing_nitrite: {max_ppm: 1.5e2, basis: meat}}", "exponent"),
        ("{ingoing_nitrite: {max_ppm: 140, basis: pickle}}", "pickle"),
        ("{ingoing_nitrite: {max_ppm: 140, form: ions}}", "ions"),
        ("{fat: {max_pct: 30}, protein: {min_pct: 10}}", "exactly one kind"),
        ("{phosphate: {max_ppm: 5000, form: SO2}}", "cannot be expressed"),
        ("{accelerator: {max_ppm: 500, substances: [sodium_erythorbat]}}", "sodium_erythorbat"),
        ("{antioxidant: {min_ppm: 1, each: yes}}", "largest figure"),
        ("{phosphate: {max_ppm: 5000, max_pct: 0.5}}", "in ppm or in pct"),
        ("{species_share: {species: [porc], max_pct: 0}}", "porc"),
        ("{species_share: {max_pct: 0}}", "species, or other_than"),
        ("{added_water: {max_pct: 10, moisture_per_protein: 4, basis: meat}}", "batch or finished"),
        ("{water_share: {max_pct: 3, without: [chese]}}", "chese"),
        ("{laboratory: {measure: pH}}", "smallest or a largest"),
        ("{laboratory: {measure: nitrit, max: 1}}", "nitrit"),
        ("{meat_protein: {min_pct: 9, total_pct: 11}}", "min_pct, or total_pct"),
        (
            "{meat_content: {min_pct: 42, tissue_per_collagen: 4.625, limits: ["
            "{species: [bird], fat_pct: 15, collagen_of_protein_pct: 10},"
            "{species: [chicken], fat_pct: 15, collagen_of_protein_pct: 10}]}}",
            "another one too",
        ),
    ],
)
def test_figures_that_mean_nothing_are_errors(broken: str, words: str) -> None:
    found = faults_of(HEAD + ROW.replace("{ingoing_nitrite: {max_ppm: 140, basis: meat}}", broken))
    assert all(line == 7 for line, *_ in found)
    assert any(words in f"{what} {allowed}" for _, _, what, allowed in found), found


def test_dates_in_the_wrong_order_and_unknown_statuses_are_errors() -> None:
    text = HEAD + ROW.replace("yours", "rumour") + "    valid_from: 2025-10-09\n    valid_to: 2025-13-01\n"
    found = faults_of(text)
    assert [line for line, *_ in found] == [10, 12]
    text = HEAD + ROW + "    valid_from: 2025-10-09\n    valid_to: 2025-10-08\n"
    assert "valid_from is after valid_to" in faults_of(text)[0][2]


def test_every_fault_of_a_pack_is_said_at_once() -> None:
    text = HEAD.replace("2026-11-25", "2026-02-30") + ROW.replace("max_ppm", "max_pm").replace("yours", "mine")
    assert len(faults_of(text)) >= 3


def test_a_pack_that_does_not_exist_names_those_that_do() -> None:
    with pytest.raises(BadInput, match="anz, ca, codex, eu, gb, ni, us"):
        load_pack("uk")
    assert shipped() == ("anz", "ca", "codex", "eu", "gb", "ni", "us")


# ---- what blocks ----


@pytest.mark.parametrize("status", list(Provenance))
@pytest.mark.parametrize("layer", list(Layer))
@pytest.mark.parametrize("health", [True, False])
def test_what_blocks_and_what_warns(status: Provenance, layer: Layer, health: bool) -> None:
    row = PackRow.model_validate(
        {
            "id": "x", "requires": {"fat": {"max_pct": "30"}}, "source": "s", "status": status, "layer": layer,
            "protects_health": health,
        }
    )  # fmt: skip
    assert not row.model_copy(update={"only_warns": True}).blocks()
    read = status not in (Provenance.SECONDARY, Provenance.MEMORY)
    assert (status in READ_IN_LAW) is read
    assert row.blocks() is (layer is not Layer.GUIDANCE and (health or read))
    origin = row.requirement("pack").origin
    assert origin.blocks is row.blocks()
    assert origin.legal is (layer is Layer.LAW)
    assert (origin.status, origin.protects_health, origin.pack) == (status, health, "pack")


def test_the_refrigerated_floor_warns_and_the_ceiling_blocks() -> None:
    found = {r.origin.rule: r for r in load_pack("us").requirements(PRODUCT, None)}
    assert found["us-nitrite-comminuted"].origin.blocks
    floor = found["us-nitrite-floor-refrigerated"].origin
    assert (floor.blocks, floor.legal) == (False, False)
    shelf_stable = replace(PRODUCT, keep_refrigerated=False)
    assert "us-nitrite-floor-refrigerated" not in rules_of(load_pack("us").requirements(shelf_stable, None))


def test_a_figure_from_memory_that_protects_health_blocks_and_says_how_it_was_read() -> None:
    (row,) = [row for row in load_pack("ca").rows if row.id == "ca-nitrite"]
    assert row.status is Provenance.MEMORY
    assert row.requirement().origin.blocks


# ---- dates ----


@pytest.mark.parametrize(
    ("day", "rule", "figure"),
    [
        ("2025-10-08", "eu-nitrite-2013", Fraction(150)),
        ("2025-10-09", "eu-nitrite", Fraction(80)),
        ("2026-11-25", "eu-nitrite", Fraction(80)),
    ],
)
def test_the_batchs_date_decides_which_figure_of_the_union_holds(day: str, rule: str, figure: Fraction) -> None:
    product = replace(PRODUCT, day=date.fromisoformat(day))
    nitrite = [
        r
        for r in load_pack("eu").requirements(product, "heat_treated")
        if r.what.startswith("ingoing nitrite") and r.origin.legal
    ]
    assert [(r.origin.rule, r.hi) for r in nitrite] == [(rule, figure)]


def test_great_britain_keeps_the_earlier_figure_and_northern_ireland_follows_the_union() -> None:
    batch = batch_of({"lots": [{"kg": "98"}], "add": [{"is": "cure", "kg": "2", "nitrite": "0.6"}]})

    def verdict(pack: str, rule: str) -> bool | None:
        found = {r.origin.rule: r for r in load_pack(pack).requirements(PRODUCT, "heat_treated")}
        return found[rule].measure(batch).ok

    assert verdict("gb", "gb-nitrite") is True
    assert verdict("ni", "ni-nitrite") is False
    assert verdict("eu", "eu-nitrite") is False


def test_northern_ireland_has_every_row_of_the_union_under_its_own_name() -> None:
    eu, ni = load_pack("eu"), load_pack("ni")
    shared = {row.id.replace("eu-", "ni-", 1): row for row in eu.rows}
    for row in ni.rows:
        if row.id in shared:
            assert row.model_copy(update={"id": ""}) == shared[row.id].model_copy(update={"id": ""})
    assert set(shared) < {row.id for row in ni.rows}
    assert rules_of(ni.requirements(PRODUCT, "pork_sausage")) >= {"ni-nitrite-fresh", "ni-meat-pork-sausage"}


@pytest.mark.parametrize("name", ["ni", "nowhere", "house.yaml"])
def test_a_pack_is_the_same_only_as_a_shipped_one_that_stands_alone(name: str) -> None:
    ((line, _, found, _),) = faults_of(HEAD + f"same_as: {name}\n" + ROW)
    assert line == 5
    assert name in found


def test_a_house_pack_may_stand_on_a_legal_one() -> None:
    pack = pack_in(parse(HEAD + "same_as: us\n" + ROW, "house.yaml"))
    asked = rules_of(pack.requirements(PRODUCT, "frankfurter"))
    assert {"house-nitrite-comminuted", "house-nitrite"} <= asked
    twice = ROW.replace("rows:", "classes:\n  - {id: frankfurter, title: x, source: y}\nrows:")
    assert "frankfurter" in faults_of(HEAD + "same_as: us\n" + twice)[0][2]


# ---- classes and conditions ----


def test_a_pack_in_which_no_limit_holds_for_every_class_asks_for_one() -> None:
    for name in ("eu", "ni", "gb", "anz", "codex"):
        with pytest.raises(BadInput, match="needs a product class"):
            load_pack(name).requirements(PRODUCT, None)
    assert load_pack("us").requirements(PRODUCT, None)


def test_a_class_is_also_what_it_is_a_kind_of() -> None:
    us = load_pack("us")
    assert us.belongs_to("genoa_salami") == {"genoa_salami", "dry_sausage", "sausage"}
    uncooked = replace(PRODUCT, steps=frozenset({ProcessStep.FERMENTED, ProcessStep.DRIED}))
    asked = rules_of(us.requirements(uncooked, "genoa_salami"))
    assert {"us-gdl-genoa", "us-antioxidant-dry-each", "us-water-uncooked"} <= asked
    assert not asked & {"us-gdl-cured", "us-added-water-cooked"}
    assert "us-gdl-cured" in rules_of(us.requirements(uncooked, "dry_sausage"))


def test_the_curing_method_of_the_class_chooses_the_figure() -> None:
    us = load_pack("us")
    figures = {
        name: sorted(r.hi for r in us.requirements(PRODUCT, name) if r.what == "ingoing nitrite" and r.hi is not None)
        for name in ("frankfurter", "cured_pieces_dry", "cured_pieces_pumped", "cured_pieces_immersed")
    }
    assert figures == {
        "frankfurter": [Fraction("156.25")],
        "cured_pieces_dry": [625],
        "cured_pieces_pumped": [200],
        "cured_pieces_immersed": [200],
    }


def test_bacon_has_a_ceiling_a_floor_a_required_accelerator_and_no_nitrate() -> None:
    asked = rules_of(load_pack("us").requirements(PRODUCT, "bacon_pumped"))
    assert {
        "us-nitrite-bacon-pumped",
        "us-nitrite-bacon-pumped-floor",
        "us-accelerator-bacon-pumped",
        "us-nitrate-bacon",
    } <= asked
    assert not asked & {"us-nitrite-comminuted", "us-accelerator-salt", "us-nitrite-floor-refrigerated"}
    for name in ("bacon_immersed", "bacon_dry_cured"):
        assert "us-accelerator-bacon-pumped" not in rules_of(load_pack("us").requirements(PRODUCT, name))


def test_rows_listed_for_a_class_leave_other_conditions_open() -> None:
    us = load_pack("us")
    ids = {row.id for row in us.listed("sausage", TODAY)}
    assert {"us-water-uncooked", "us-added-water-cooked"} <= ids
    assert "us-fat-frankfurter" not in ids
    eu = load_pack("eu")
    assert "eu-nitrite-2013" in {row.id for row in eu.listed("heat_treated")}
    assert "eu-nitrite-2013" not in {row.id for row in eu.listed("heat_treated", TODAY)}
    assert len(us.listed()) == len(us.rows)


# ---- waivers ----


def test_only_what_warns_may_be_waived_and_then_it_binds_nothing() -> None:
    requirements = load_pack("us").requirements(PRODUCT, "frankfurter")
    names = ["us-binders", "us-nitrite-comminuted", "us-fat-frankfurter", "us-binder"]
    refused = not_waivable(requirements, names)
    assert set(refused) == {"us-nitrite-comminuted", "us-fat-frankfurter", "us-binder"}
    assert "health" in refused["us-nitrite-comminuted"]
    assert "us-binders" in refused["us-binder"]
    after = {r.origin.rule: r.origin for r in waived(requirements, names)}
    assert (after["us-binders"].waived, after["us-binders"].legal) == (True, False)
    assert "waived" in after["us-binders"].note
    assert after["us-nitrite-comminuted"].blocks
    assert not after["us-nitrite-comminuted"].waived


# ---- figures, words, names ----


def test_figures_are_exact_and_their_printed_form_stands_beside_them() -> None:
    (row,) = [row for row in load_pack("us").rows if row.id == "us-nitrite-comminuted"]
    requirement = row.requirement()
    assert requirement.hi == Fraction(1, 6400) * 1_000_000
    assert "printed as 156 ppm" in requirement.origin.note


def test_a_figure_in_grams_of_a_batch() -> None:
    """1/6400 of 50 kg is 7.8125 g, never more; 0.5 % of 40 kg are 200 g; 40 to 80 ppm of 10 kg are 0.4 to 0.8 g."""
    rows = {row.id: row for row in load_pack("us").rows}
    for name, kilograms, said in (
        ("us-nitrite-comminuted", 50, ["7.812 g in 50 kg"]), ("us-phosphate", 40, ["200 g in 40 kg"]),
        ("us-nitrite-bacon-starter", 10, ["0.4 to 0.8 g in 10 kg"]), ("us-binders", 40, []),
    ):  # fmt: skip
        assert grams_words(rows[name], Fraction(kilograms)) == said, name


def test_grams_never_go_beyond_the_limit_and_stand_only_where_the_base_is_weighed() -> None:
    """1/6400 of 10 kg is 1.5625 g, so 1.563 g would be too much; 550 ppm of 1 g are 0.00055 g."""
    rows = {row.id: row for row in load_pack("us").rows}
    assert grams_words(rows["us-nitrite-comminuted"], Fraction(10)) == ["1.562 g in 10 kg"]
    assert grams_words(rows["us-accelerator-bacon-pumped"], Fraction("0.001")) == ["0.001 g in 0.001 kg"]
    assert grams_words(rows["us-citric-replacement"], Fraction(10)) == []
    assert grams_words(rows["us-italian-salt"], Fraction(10)) == []


def test_every_row_says_itself_with_its_figure() -> None:
    for name in shipped():
        for row in load_pack(name).rows:
            words = row.requirement().words()
            assert "None" not in words
            assert (
                words.count("at most")
                + words.count("at least")
                + words.count("below")
                + words.count("between")
                + words.count("required")
                == 1
            )


def test_a_species_that_rules_do_not_know_is_not_counted_as_something_else() -> None:
    (row,) = [row for row in load_pack("us").rows if row.id == "us-poultry-frankfurter"]
    odd = lot_of({"species": "Huhn"})
    formula = Formula([odd], [], Process())
    with pytest.raises(MissingProperty, match="'Huhn'"):
        row.requirement().rows(formula)
    with pytest.raises(MissingProperty):
        species_of(lot_of({"species": ""}))
    assert [species_of(lot_of({"species": name})) for name in ("Pork", " hog", "VEAL", "pig")] == [
        "pig", "pig", "cattle", "pig",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("limit", "roles", "ok", "said"),
    [
        ("min", ["meat"], True, ""),
        ("max", ["meat"], False, ""),
        ("max", [], True, "none of either is in the batch"),
        ("min", ["fat"], False, ""),
        ("max", ["fat"], True, ""),
    ],
)
def test_a_ratio_with_nothing_on_one_side(limit: str, roles: list[str], ok: bool, said: str) -> None:
    """Nothing below the line is above every limit; nothing on either side is nothing to keep in a ratio."""
    asked = OneRequirement.model_validate({"meat_to_fat": {limit: "1.5"}}).build(Origin("t", "t"))
    lots = {Ingredient(role, Kind.LOT, {}, role=role): Fraction(1) for role in roles or ["rind"]}
    found = asked.measure(Batch(lots, Process()))
    assert (found.ok, found.why, found.value) == (ok, said, 0 if roles == ["fat"] else None)


def test_cheese_is_an_inclusion_and_every_other_substance_is_dry() -> None:
    assert kind_of("cheese") is Kind.INCLUSION
    assert {kind_of(name) for name in SUBSTANCES if name != "cheese"} == {Kind.DRY}


def test_an_additive_that_does_not_say_what_it_is_can_be_pointed_at() -> None:
    assert additive_in("Sodium erythorbate (fine)") == "sodium_erythorbate"
    assert additive_in("sodium_tripolyphosphate") == "sodium_tripolyphosphate"
    assert [additive_in(name) for name in ("annatto seed", "E120", "cochineal")] == ["annatto", "carmine", "colour"]
    assert additive_in("black pepper") is None


def test_a_substance_inside_a_bought_blend_counts_by_its_stated_part() -> None:
    limit = OneRequirement.model_validate({"accelerator": {"max_ppm": "500", "basis": "meat"}}).build(Origin("t", "t"))
    blend = {"is": "sodium_erythorbate", "pct": "10", "kg": "0.5"}
    assert limit.measure(batch_of({"add": [blend]})).value == 500


def test_the_form_without_water_counts_a_hydrate_by_its_molar_masses() -> None:
    # 9 CFR 424.22(b)(1): molecular weight about 198, hydrates adjusted; 198.11 / 216.12 with the water of one mole
    assert round(Expressed.ANHYDROUS.factor("sodium_erythorbate_monohydrate"), 4) == Fraction("0.9166")
    assert Expressed.ANHYDROUS.factor("sodium_erythorbate") == Expressed.AS_WEIGHED.factor("bha") == 1


def test_every_kind_can_be_named_once_in_the_schema_of_a_pack() -> None:
    properties = Pack.model_json_schema(schema_generator=JsonSchema)["$defs"]["OneRequirement"]["properties"]
    assert set(properties) == set(KINDS)


def test_the_description_of_the_format_names_every_kind_used_and_every_key() -> None:
    text = (Path(__file__).parent.parent / "constraints/packs/README.md").read_text()
    used = {row.requires.kind() for name in shipped() for row in load_pack(name).rows}
    assert [kind for kind in used if f"`{kind}`" not in text] == []
    for model in (Pack, PackRow):
        assert [key for key in model.model_fields if f"`{key}`" not in text] == []


def test_the_example_in_the_description_is_a_pack() -> None:
    text = (Path(__file__).parent.parent / "constraints/packs/README.md").read_text()
    block = text.partition("## A pack\n\n")[2].partition("\n\n| key")[0]
    example = "\n".join(line.removeprefix("    ") for line in block.splitlines())
    pack = pack_in(parse(example, "house.yaml"))
    (requirement,) = pack.requirements(PRODUCT, None)
    assert requirement.origin.blocks
    assert not requirement.origin.legal


@pytest.mark.parametrize(
    ("requires", "rows"),
    [
        ("ingoing_nitrite: {min_ppm: 156.3, basis: meat}", ["house-row", "us-nitrite-comminuted"]),
        ("ingoing_nitrite: {min_ppm: 104.3, basis: meat, form: ion}", ["house-row", "us-nitrite-comminuted"]),
        ("ingoing_nitrite: {min_ppm: 104.1, basis: meat, form: ion}", []),
        ("ingoing_nitrite: {min_ppm: 156.2, basis: meat}", []),
        ("ingoing_nitrite: {min_ppm: 157, basis: batch}", []),  # over another base: left to the solver
        ("fat: {min_pct: 31, basis: finished}", ["house-row", "us-fat-frankfurter"]),
        ("fat: {min_pct: 30, basis: finished}", []),
        ("fat: {min_pct: 31, basis: meat}", []),
    ],
)  # fmt: skip
def test_a_floor_of_one_pack_above_the_ceiling_of_another_names_both_rows(
    requires: str, rows: list[str], tmp_path: Path
) -> None:
    """9 CFR 424.21(c) 156.25 ppm, of which the ion (46.0055 of 68.9953) is 104.19; 319.180 30 % fat."""
    house = "pack: house\ntitle: H\nauthority: me\nchecked_on: 2026-11-25\nrows:\n"
    row = f"  - {{id: house-row, requires: {{{requires}}}, layer: house, source: page 3, status: yours}}\n"
    (tmp_path / "house.yaml").write_text(house + row)
    text = (
        f"name: T\nrules: [us, {tmp_path / 'house.yaml'}]\nproduct_class: {{us: frankfurter}}\nsteps: [cooked]\n"
        "yield: {finished_pct: 90}\nadditions: [{name: c, is: cure, nitrite_pct: 6, ingoing_nitrite_ppm: 150}]\n"
    )
    recipe, faults = parse_recipe(text, "r.yaml"), list[Fault]()
    packs, legal = legal_requirements(recipe, product_of(recipe, date(2026, 11, 25)), faults)
    told = [fault.found for fault in opposed(recipe, packs, legal)]
    assert not faults and len(told) == bool(rows)
    assert all(name in found for found in told for name in rows)
