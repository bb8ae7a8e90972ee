"""Whether cure is judged: a limit on that very salt that can bind, and the tool's own guard over the sum."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from where import HOME

from constraints.as_typed import BadInput
from constraints.document import parse
from constraints.ingoing import NITRITE_SALTS, IngoingEntry, salts
from constraints.library import brought, caps, guard, guarding, judges, load_pack, most, pack_in, shipped
from constraints.quantities import Process
from constraints.requirement import Regulates, Requirement, Salt
from constraints.rules import KINDS
from constraints.substances import Form, conversion
from optimizer.answer import Answer, Status, blend
from optimizer.findings import check
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.reading.weighed import parse_weighed

DAY = date(2026, 11, 25)
LOTS = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,60,18,2\nB,40,53,1\n"
RECIPE = """name: Test
rules: [{rules}]
{more}additions:
  - {{name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: {dose}}}
"""
HOUSE = """pack: house
title: Our own
authority: you
checked_on: 2026-01-01
rows:
  - {id: house-row, requires: {%s}, layer: house, source: us, status: yours}
"""


def made(recipe: str, lots: str = LOTS) -> Answer:
    parsed = parse_recipe(recipe, "r.yaml")
    order = order_of(parsed, "--meat-kg", Fraction(20), DAY, Asked())
    return blend(assemble(parsed, parse_lots(lots, "l.csv"), order))


def under(rules: object, dose: str, more: str = "") -> str:
    return RECIPE.format(rules=rules, dose=dose, more=more)


def largest_of_the_packs(ions: str) -> Fraction:
    """The largest ingoing figure of any row of any pack, as weighed: by the molar masses, from the text of the rows."""
    found = [Fraction(0)]
    for name in shipped():
        for row in load_pack(name).rows:
            kind = row.requires.kind()
            if kind not in ("ingoing_nitrite", "ingoing_nitrate") or not kind.endswith(ions):
                continue
            entry = row.requires.entry()
            assert isinstance(entry, IngoingEntry)
            if entry.max_ppm is not None:
                salt = {"nitrite": "NaNO2", "nitrate": "NaNO3"}[ions]
                ion = {"nitrite": "NO2", "nitrate": "NO3"}[ions]
                found.append(entry.max_ppm * (conversion(ion, salt) if entry.form == "ion" else 1))
    return max(found)


def test_the_guard_is_the_most_that_any_shipped_law_allows_and_refuses_nothing_lawful() -> None:
    """9 CFR 424.21(c): 1 oz of nitrite and 3 1/2 oz of nitrate to 100 lb, 1/1600 and 7/3200 of the meat."""
    assert most(Salt.SODIUM_NITRITE) == largest_of_the_packs("nitrite") == Fraction(10**6, 1600)
    assert most(Salt.SODIUM_NITRATE) == largest_of_the_packs("nitrate") == Fraction(7 * 10**6, 3200)


HARMLESS = {
    "a share of cured ham": "share: {material: cured ham, max_pct: 20}",
    "nitrate alone": "ingoing_nitrate: {max_ppm: 500}",
    "the other metal's salt": "ingoing_nitrite: {max_ppm: 100, salts: potassium}",
    "900,000 ppm": "ingoing_nitrite: {max_ppm: 900000}",
    "a smallest figure": "ingoing_nitrite: {min_ppm: 100}",
    "a property called nitrite": "property: {name: nitrite_ppm, max: 100}",
    "a residue in a pack of one's own": "laboratory: {measure: residual_nitrite, form: sodium_salt, max: 100}",
}


@pytest.mark.parametrize("row", HARMLESS.values(), ids=HARMLESS.keys())
def test_a_limit_on_something_else_judges_no_nitrite(row: str, tmp_path: Path) -> None:
    house = tmp_path / "house.yaml"
    house.write_text(HOUSE % row, encoding="utf-8")
    with pytest.raises(BadInput, match=r"pink cure brings nitrite, and no limit of .* judges how much"):
        made(under(house, "2"))


def test_a_limit_on_nitrite_judges_nitrite_and_its_pack_no_other_salt(tmp_path: Path) -> None:
    house = tmp_path / "house.yaml"
    house.write_text(HOUSE % "ingoing_nitrite: {max_ppm: 150}", encoding="utf-8")
    assert made(under(house, "2")).status is Status.OPTIMAL
    both = under(house, "2").replace("nitrite_pct: 6.25", "nitrite_pct: 6.25, nitrate_pct: 1")
    with pytest.raises(BadInput, match="pink cure brings nitrate, and no limit of"):
        made(both)


def test_what_regulates_nothing_judges_nothing() -> None:
    """Every ingoing row of every pack judges; the same row whose data says that it regulates nothing does not."""
    for name in shipped():
        for row in load_pack(name).rows:
            if not issubclass(KINDS[row.requires.kind()], IngoingEntry):
                continue
            requirement = row.requirement(name)
            if requirement.hi is None or not requirement.origin.blocks:
                continue
            assert any(caps(requirement, salt) for salt in Salt), row.id
            emptied: Requirement = replace(requirement, regulates=Regulates())
            assert not any(caps(emptied, salt) for salt in Salt), row.id


CODEX = "product_class: luncheon_meat\n"


def test_where_the_law_has_a_residue_alone_the_guard_judges_what_goes_in_and_no_flag_passes_it() -> None:
    """Codex STAN 192 limits what is left. 10 g/kg of 6.25 % are 625 ppm ingoing, 10.1 are 631.25."""
    assert made(under("codex", "9.9", CODEX)).status is Status.OPTIMAL
    for flags in ("", ", confirm_strength: yes, confirm_dose: yes"):
        answer = made(under("codex", f"10.1{flags}", CODEX))
        assert answer.status is Status.DO_NOT_MAKE
        assert "631.25 ppm" in page(answer) and "at most 625 ppm" in page(answer)


def test_the_sum_of_all_cure_is_guarded() -> None:
    """Two cures of 350 ppm each: no single one is beyond the guard, together they are."""
    one = "  - {name: CURE, is: cure, nitrite_pct: 6.25, ingoing_nitrite_ppm: 350}\n"
    recipe = under("codex", "1", CODEX).split("  - {")[0]
    assert made(recipe + one).status is Status.OPTIMAL
    assert made(recipe + one + one.replace("CURE", "second cure")).status is Status.DO_NOT_MAKE


def test_lots_powders_and_properties_count_in_the_guarded_sum() -> None:
    """400 from the cure, 1 % of a powder of 2 % (200), and a lot of 100 throughout: 700 ppm."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,cured,nitrite_ppm,nitrate_ppm,salt_pct\nA,60,18,2,yes,100,0,2\n"
    recipe = under("codex", "6.4", CODEX)
    recipe += "  - {name: powder, is: spice, g_per_kg_meat: 10, properties: {nitrite_ppm: 20000}}\n"
    answer = made(recipe, lots)
    assert answer.status is Status.DO_NOT_MAKE
    assert "700.00 ppm" in page(answer)


def test_ingoing_nitrite_and_nitrate_are_printed_whatever_the_packs_limit() -> None:
    answer = made(under("us", "2", "product_class: sausage\n").replace("6.25", "6.25, nitrate_pct: 1"))
    words = " ".join(page(answer).split())
    assert "nitrite 125.0 ppm" in words and "nitrate 20.0 ppm" in words
    guarded = {c.requirement.origin.rule: (c.value, c.requirement.hi) for c in answer.checks}
    assert guarded["guard-nitrite"] == (125, 625)
    assert guarded["guard-nitrate"] == (20, Fraction("2187.5"))


def test_a_check_is_guarded_too() -> None:
    recipe, lots = parse_recipe(under("codex", "2", CODEX), "r.yaml"), parse_lots(LOTS, "l.csv")

    def forbidden(grams: str) -> bool:
        broken = [
            finding.requirement.origin.rule
            for place in check(
                recipe, lots, parse_weighed(f"item,kg,grams\nA,20,\npink cure,,{grams}\n", "b.csv"), "b.csv", DAY
            ).places
            for finding in place.findings
            if finding.grade.forbids
        ]
        return "guard-nitrite" in broken

    assert not forbidden("200") and forbidden("200.1")  # 12.5 g of nitrite on 20 kg are 625 ppm


def test_nothing_is_guarded_where_nothing_is_brought() -> None:
    assert guarding([]) == () and brought([]) == frozenset()


def test_the_law_of_a_class_that_has_an_ingoing_figure_is_not_replaced_by_its_residue() -> None:
    """In the United States a residue of 200 ppm is law too; without the ingoing rows the pack must not judge."""
    us = load_pack("us")
    residue = [r.requirement("us") for r in us.rows if r.id == "us-nitrite-residual"]
    assert residue and not judges(us, "sausage", residue, Salt.SODIUM_NITRITE)


WIDE_US = "\uff35\uff33"
"""US in the full-width letters of East Asian text, the same after NFKC."""


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("us", "Mine"),
        (WIDE_US, "Mine"),
        ("mine", "united  STATES"),
        ("guard", "x"),
        ("mine", "trimwright's own guard over cure"),
    ],
)
def test_a_pack_of_ones_own_takes_no_shipped_name_or_title(name: str, title: str, tmp_path: Path) -> None:
    house = tmp_path / "mine.yaml"
    text = (HOUSE % "fat: {max_pct: 40}").replace("pack: house", f"pack: {name}").replace("Our own", title)
    house.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match="stands for a pack that comes with the tool"):
        load_pack(str(house))


def test_the_guard_is_a_pack_like_any_other() -> None:
    assert (
        pack_in(parse((HOME / "constraints/guard.yaml").read_text(encoding="utf-8"), "guard.yaml")).pack == guard().pack
    )


def test_a_strength_confirms_no_dose_and_a_dose_no_strength() -> None:
    weak = under("us", "0.5", "product_class: sausage\n")  # 31.25 ppm
    for flag, passes in (("", False), (", confirm_strength: yes", False), (", confirm_dose: yes", True)):
        text = weak.replace("0.5}", f"0.5{flag}}}")
        if passes:
            assert parse_recipe(text, "r.yaml")
            continue
        with pytest.raises(BadInput, match="add confirm_dose: yes"):
            parse_recipe(text, "r.yaml")
    odd = weak.replace("6.25", "12").replace("0.5}", "0.5, confirm_dose: yes}")
    with pytest.raises(BadInput, match="add confirm_strength: yes"):
        parse_recipe(odd, "r.yaml")


def test_a_cure_of_nitrate_alone_needs_no_magic_words() -> None:
    text = under("us", "1", "product_class: sausage\n").replace("nitrite_pct: 6.25", "nitrate_pct: 50")
    assert parse_recipe(text, "r.yaml").cured
    with pytest.raises(BadInput, match="states its nitrite_pct or its nitrate_pct"):
        parse_recipe(text.replace("nitrate_pct: 50", "nitrate_pct: 0"), "r.yaml")


REWORK = "lot,on_hand_kg,fat_pct,cost_per_kg,rework,salt_pct,green_pct,original_nitrite_ppm,nitrite_ppm\n"


def test_more_nitrite_found_in_rework_than_was_put_in_is_refused() -> None:
    """150 mg/kg on the 80 % that was green meat are 120 mg/kg of the rework."""
    assert parse_lots(REWORK + "A,60,18,2,yes,2,80,150,120\n", "l.csv")
    with pytest.raises(BadInput, match=r"120\.5 mg/kg nitrite found in rework into which only 120 mg/kg was put"):
        parse_lots(REWORK + "A,60,18,2,yes,2,80,150,120.5\n", "l.csv")


def test_what_is_made_without_nitrite_takes_none_from_powders_or_lots() -> None:
    text = "name: T\nrules: [us]\nproduct_class: sausage\nsteps: [smoked]\nmade_without_nitrite: yes\nadditions:\n"
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,cured,nitrite_ppm,nitrate_ppm,salt_pct\n"
    lots += "A,60,18,2,no,,,\nB,60,18,1,yes,90,0,2\n"
    answer = made(text + "  - {name: pepper, g_per_kg_meat: 2}\n", lots)
    assert [entry.lot.name for entry in answer.problem.left_out] == ["B"]
    with pytest.raises(BadInput, match="made_without_nitrite: yes, yet a cure is added"):
        made(text + "  - {name: powder, g_per_kg_meat: 2, properties: {nitrite_ppm: 20000}}\n")


def test_two_packs_of_one_name_are_refused(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / f"{name}.yaml").write_text(HOUSE % "ingoing_nitrite: {max_ppm: 150}", encoding="utf-8")
    with pytest.raises(BadInput, match="the rule pack house is named twice"):
        made(under(f"{tmp_path}/one.yaml, {tmp_path}/two.yaml", "2"))


def test_of_rework_the_higher_of_what_was_put_in_and_what_was_found_counts() -> None:
    """100 mg/kg on the 80 % that was green meat are 80 put in; 90 found in it since count for more."""
    lots = parse_lots(REWORK + "A,60,18,2,yes,2,80,100,70\n", "l.csv").lots
    counted = salts(NITRITE_SALTS, Form.AS_WEIGHED)
    assert counted.per_kg(lots[0], Process()) == 80
    found = replace(lots[0], properties={**lots[0].properties, "nitrite_ppm": Fraction(90)})
    assert counted.per_kg(found, Process()) == 90


BEYOND = (
    ("{name: c, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 12}", "0,0"),
    ("{name: c, is: cure, nitrite_pct: 6.25, nitrite_salt: potassium, g_per_kg_meat: 12}", "0,0"),
    ("{name: c, is: cure, nitrate_pct: 50, g_per_kg_meat: 5}", "0,0"),
    ("{name: x, g_per_kg_meat: 10, properties: {potassium_nitrate_ppm: 300000}}", "0,0"),
    ("{name: pepper, g_per_kg_meat: 1}", "800,0"),
    ("{name: pepper, g_per_kg_meat: 1}", "0,2500"),
)
"""Cure beyond every law, by each way in: 750 mg/kg of nitrite or 2500 of nitrate and more."""


@pytest.mark.parametrize("pack", shipped())
def test_no_class_of_any_pack_lets_cure_beyond_every_law_through(pack: str) -> None:
    head = "lot,on_hand_kg,fat_pct,cost_per_kg,moisture_pct,protein_pct,collagen_pct,species,material,role,salt_pct,"
    for i, known in enumerate(load_pack(pack).classes):
        addition, lot = BEYOND[i % len(BEYOND)]
        cheese = "  - {name: cheese, is: cheese, g_per_kg_meat: 50, fat_pct: 20, moisture_pct: 40, protein_pct: 20, "
        text = f"name: T\nrules: [{pack}]\nproduct_class: {known.id}\nyield: {{finished_pct: 100}}\nadditions:\n"
        text += f"  - {addition}\n" + (f"{cheese}salt_pct: 1}}\n" if known.needs else "")
        lots = f"{head}nitrite_ppm,nitrate_ppm\nA,200,26,2,56,17,2,pork,shoulder,meat,0,{lot}\n"
        try:
            ending = str(made(text, lots).status)
        except BadInput as refused:
            ending = "refused" if "judges how much" in str(refused) or "is in force" in str(refused) else str(refused)
        assert ending in ("do_not_make", "refused"), (pack, known.id)
