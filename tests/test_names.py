"""Names as they are seen and what they speak of: cure by any name, cured meat, allergens, cheese.

Sources: label names of E 249 to E 252 from Regulation (EC) 1333/2008 Annex II (the languages from memory), INS numbers
of CXS 36, CAS numbers; confusables.txt of Unicode Technical Standard 39, 15.1.0; Default_Ignorable_Code_Point and
Bidi_Control of the Unicode Character Database; OWASP, CSV Injection.
"""

from __future__ import annotations

import csv
from datetime import date
from fractions import Fraction
from io import StringIO

import pytest

from constraints.as_typed import BadInput, unprintable
from constraints.library import shipped
from constraints.substances import FORMULAS, SUBSTANCES
from constraints.words import (
    additive_in,
    allergens_in,
    key,
    look_alikes,
    speaks_of_cheese,
    speaks_of_cured_meat,
    speaks_of_nitrite,
)
from optimizer.answer import Answer, blend
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import Recipe, parse_recipe
from optimizer.reading.recipe_checks import contains
from optimizer.reading.table import cut, text_cell
from optimizer.remarks import heed, warnings

LABELS = """sodium nitrite|potassium nitrate|dusitan sodný|dusičnan draselný|natriumnitrit|kaliumnitrat|naatriumnitrit
νιτρώδες νάτριο|nitrito sódico|nitrite de sodium|natrijev nitrit|nitrito di sodio|nātrija nitrīts|natrio nitritas
nátrium-nitrit|natriumnitriet|azotyn sodu|azotan potasu|nitrito de sódio|nitrit de sodiu|natriumnitriitti|натриев нитрит
nítrít sóidiam"""
NUMBERS = "E250|E 250|E-251|e249|E 252|INS 250|ins251|E250_ppm|7632-00-0|NaNO2|KNO3|NaNO₂|no2_ppm"
TRADE = """salpeter|salpêtre|salpetre|saltpeter|salitre|salnitro|saletra|nitre|curing salt|pink salt|Pökelsalz
Poekelsalz|Nitritpökelsalz|sel nitrité|sal curante|sale nitritato|peklosól|sól peklowa|nitrietzout|celery powder
fermented celery|vegetable juice powder|powdered celery|Selleriepulver|cultured celery juice|chard powder
poudre de céleri|cure|cured spice"""
DISGUISED = [
    "n-i-t-r-i-t-e", "NI TRITE", "nlTRlTE", "n1trite", "N_I_T_R_A_T_E", "E25O",
    "\u043dit\u0433it\u0435".replace("\u043d", "n").replace("\u0433", "r"),  # a Cyrillic e
    "nitr\u0456te", "\u0440ink \u0455alt", "\uff4e\uff49\uff54\uff52\uff49\uff54\uff45",
    "nitr\u00edte", "\U0001d427\U0001d422trite",
    "p\u00f6k\u0435lsalz", "sa\u217cpeter", "N\u0430N\u041e2",
]  # fmt: skip


@pytest.mark.parametrize("name", [*"|".join((LABELS, NUMBERS, TRADE)).replace("\n", "|").split("|"), *DISGUISED])
def test_a_source_of_nitrite_is_known_by_any_name(name: str) -> None:
    assert speaks_of_nitrite(name)


HONEST = """salt|sea salt|black pepper|sage|nutmeg|mace|coriander|celery seed|celery salt|garlic powder|onion powder
sodium citrate|citric acid|sodium erythorbate|paprika|turmeric|curcuma|lot no2|recipe 250|E300|E2500|250 g of oil
liquid nitrogen|procured|uncured|secure|manicure|cinnamon|central|dextrose|trisodium citrate|fennel|chilli powder
wine|ice"""


@pytest.mark.parametrize("name", HONEST.replace("\n", "|").split("|"))
def test_an_honest_name_is_not_asked(name: str) -> None:
    assert not speaks_of_nitrite(name)


@pytest.mark.parametrize("name", ["E 2 5 0", "E-2-5-0", "e 25 0", "E 2.5.1", "INS 2 5 2", "E 1 0 5 1 0 / E 2 5 0"])
def test_a_number_is_read_with_its_digits_apart(name: str) -> None:
    assert speaks_of_nitrite(name)
    assert additive_in("E 4 5 1") == additive_in("E451") is not None


@pytest.mark.parametrize("name", ["E 2 5", "vitamin E 2 50 000", "size 2 5 0", "E 25 100", "recipe 2 5 0"])
def test_other_figures_apart_are_no_number(name: str) -> None:
    assert not speaks_of_nitrite(name)


def test_the_seasonings_and_trims_of_the_examples_are_not_asked() -> None:
    for name in (
        "shoulder",
        "pork back fat",
        "jowl",
        "picnic",
        "loin trim",
        "belly",
        "lamb trim",
        "fresh ham",
        "green ham trim",
        "beef chuck 80/20",
    ):
        assert not speaks_of_cured_meat(name)


HEAD = "name: Test\nrules: [us]\nproduct_class: sausage\nadditions:\n"
LOTS = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,60,18,2\n"
FULL = "lot,on_hand_kg,fat_pct,moisture_pct,protein_pct,species,material,cost_per_kg\nA,60,18,63,18,pork,trim,2\n"


def recipe(addition: str, head: str = HEAD) -> Recipe:
    return parse_recipe(f"{head}  - {{{addition}}}\n", "r.yaml")


def refused(addition: str) -> str:
    with pytest.raises(BadInput) as caught:
        recipe(addition)
    return str(caught.value)


def test_what_reads_like_a_cure_is_declared_or_said_to_be_none() -> None:
    assert "is named like a cure" in refused("name: Pökelsalz, g_per_kg_meat: 20")
    assert recipe("name: Pökelsalz, is: cure, nitrite_pct: 0.5, g_per_kg_meat: 20").cured
    assert not recipe("name: cured lemon peel, holds_no_nitrite: yes, g_per_kg_meat: 2").cured
    assert "one or the other" in refused(
        "name: cure, is: cure, nitrite_pct: 6, holds_no_nitrite: yes, g_per_kg_meat: 2"
    )
    assert "states its nitrite_pct" in refused("name: celery powder, is: cure, g_per_kg_meat: 3")


@pytest.mark.parametrize(
    "material",
    ["cured ham trim", "bacon ends", "b\u0430con ends", "prosciutto", "jambon cru", "Jamón", "Schinken", "ham"],
)
def test_a_lot_of_cured_meat_says_whether_it_is(material: str) -> None:
    head = "lot,on_hand_kg,fat_pct,cost_per_kg,material,cured,nitrite_ppm,nitrate_ppm,salt_pct\n"
    with pytest.raises(BadInput, match="reads like cured meat"):
        parse_lots(f"{head}A,9,20,3,{material},,,,\n", "l.csv")
    assert parse_lots(f"{head}A,9,20,3,{material},no,,,\nB,9,20,3,{material},yes,80,0,2\n", "l.csv")


def test_a_column_of_nitrite_that_nothing_counts_is_refused() -> None:
    for column in ("E250_ppm", "sodium nitrite", "NaNO2", "pökelsalz_pct", "no2_ppm"):
        with pytest.raises(BadInput, match="nothing counts the column"):
            parse_lots(f"lot,on_hand_kg,fat_pct,cost_per_kg,{column}\nA,9,20,3,100\n", "l.csv")


def made(text: str, lots: str = LOTS, head: str = HEAD) -> Answer:
    parsed = recipe(text, head)
    order = order_of(parsed, "--meat-kg", Fraction(20), date(2026, 11, 25), Asked())
    return blend(assemble(parsed, parse_lots(lots, "l.csv"), order))


def said(text: str, lots: str = LOTS) -> str:
    return " ".join(page(made(text, lots)).split())


def test_uncured_is_said_only_where_nothing_brings_nitrite() -> None:
    uncured = "Uncured: no nitrite or nitrate is added."
    assert uncured in said("name: pepper, g_per_kg_meat: 2")
    assert uncured not in said("name: powder, g_per_kg_meat: 6, properties: {nitrite_ppm: 20000}")
    cured = "lot,on_hand_kg,fat_pct,cost_per_kg,cured,nitrite_ppm,nitrate_ppm,salt_pct\nA,60,18,2,yes,90,0,2\n"
    assert uncured not in said("name: pepper, g_per_kg_meat: 2", cured)
    assert uncured not in said("name: pepper, g_per_kg_meat: 2", cured.replace(",90,", ",0,"))  # cured, none left


def test_a_cure_from_a_plant_is_named_as_its_law_asks() -> None:
    """9 CFR 319.2 and 317.17: the name begins with Uncured, with the exception for what is naturally in the plant."""
    plant = "name: celery powder, is: cure, nitrite_pct: 2, ingoing_nitrite_ppm: 130, allergens: [celery]"
    assert "from_plant" in refused(plant)
    page_of = said(f"{plant}, from_plant: celery powder")
    assert "comes from celery powder, and counts like any other" in page_of and "naturally occurs in" in page_of
    assert "Uncured: no nitrite" not in page_of


# Allergens and cheese.


@pytest.mark.parametrize(
    ("name", "allergens"),
    [
        ("nonfat dry milk", ("milk",)), ("Senfkörner", ("mustard",)), ("moutarde", ("mustard",)),
        ("stout", ("gluten",)),
        ("pistachios", ("nuts",)), ("anchovy paste", ("fish",)), ("œufs", ("egg",)), ("soy sauce", ("soy",)),
        ("sesame seed", ("sesame",)), ("sedano", ("celery",)), ("worcestershire sauce", ("gluten", "fish")),
        ("nutmeg", ()), ("coconut milk", ()), ("cream of tartar", ()), ("rice flour", ()), ("maltodextrin", ()),
        ("pepper", ()),
    ],
)  # fmt: skip
def test_a_name_that_reads_like_an_allergen(name: str, allergens: tuple[str, ...]) -> None:
    assert allergens_in(name) == allergens
    if allergens:
        assert f"reads like {' and '.join(allergens)}" in refused(f"name: {name}, g_per_kg_meat: 2")
    assert recipe(f"name: {name}, g_per_kg_meat: 2, allergens: none, holds_no_additive: yes")


def test_what_is_known_to_be_in_it_is_listed_and_nothing_is_said_to_be_free_of_anything() -> None:
    text = said("name: pepper, g_per_kg_meat: 2}\n  - {name: milk powder, is: nonfat_dry_milk, g_per_kg_meat: 20}\n"
                "  - {name: senf, g_per_kg_meat: 2, allergens: mustard")  # fmt: skip
    assert "Known to contain, by what the recipe states: milk, mustard." in text
    assert "free of" not in text and "no allergen" not in text
    assert "Known to contain" not in said("name: pepper, g_per_kg_meat: 2")


def test_allergens_are_known_and_not_contradicted() -> None:
    assert "did you mean mustard?" in refused("name: x, g_per_kg_meat: 2, allergens: [mustrad]")
    assert "states none, and holds some" in refused("name: x, g_per_kg_meat: 2, allergens: [none, milk]")
    assert "states none, and holds some" in refused("name: x, is: dried_whey, g_per_kg_meat: 2, allergens: none")


CHEESE = "g_per_kg_meat: 80, fat_pct: 27, moisture_pct: 41, protein_pct: 25, salt_pct: 2"


@pytest.mark.parametrize("name", ["cheddar", "Gouda in cubes", "MOZZARELLA", "feta", "Käse", "queso fresco"])
def test_cheese_is_declared(name: str) -> None:
    assert speaks_of_cheese(name)
    assert "is named like cheese" in refused(f"name: {name}, is: inclusion, {CHEESE}")
    assert recipe(f"name: {name}, is: cheese, {CHEESE}")
    assert recipe(f"name: {name}, is: inclusion, {CHEESE}, holds_no_cheese: yes, allergens: none")


def test_a_class_of_cheese_sausages_needs_a_cheese() -> None:
    """9 CFR 319.181: fat and added water are reckoned without the cheese, so one must be declared."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,moisture_pct,protein_pct\nA,60,18,2,62,18\n"
    text = f"name: T\nrules: [us]\nproduct_class: cheesefurter\nadditions:\n  - {{name: gouda, is: cheese, {CHEESE}}}\n"

    def assembled(text: str) -> None:
        parsed = parse_recipe(text, "r.yaml")
        order = order_of(parsed, "--meat-kg", Fraction(20), date(2026, 11, 25), Asked())
        assemble(parsed, parse_lots(lots, "l.csv"), order)

    assembled(text)
    with pytest.raises(BadInput, match="needs cheese, and no addition is one"):
        assembled(text.replace("name: gouda, is: cheese", "name: cubes, is: inclusion"))


# Text that cannot lie.

HIDDEN = ["\u202e", "\u2066", "\u200b", "\u200e", "\ufeff", "\u00ad", "\x07", "\x1b[2K", "\u2028", "\u2029",
          "\u3164", "\u115f", "\u2800", "\u034f", "\ufe0f", "\u061c", "\U000e0041"]  # fmt: skip


@pytest.mark.parametrize("mark", HIDDEN, ids=[f"U+{ord(mark[0]):04X}" for mark in HIDDEN])
def test_what_is_not_seen_is_refused_in_every_name(mark: str) -> None:
    name = f"pork{mark}trim"
    assert unprintable(name)
    with pytest.raises(BadInput):
        parse_lots(f'lot,on_hand_kg,fat_pct,cost_per_kg\n"{name}",9,20,3\n', "l.csv")
    with pytest.raises(BadInput):
        recipe(f'name: "{name}", g_per_kg_meat: 2')
    with pytest.raises(BadInput):
        parse_recipe(f'name: "{name}"\n', "r.yaml")
    with pytest.raises(BadInput):
        parse_recipe(f'name: T\ncurrency: "{name}"\n', "r.yaml")


def test_joiners_stay_where_a_script_needs_them() -> None:
    assert not unprintable("\u0646\u0645\u06a9\u200c\u062f\u0631\u06cc\u0627")  # Persian, sea salt
    assert unprintable("sal\u200ct")


def test_names_that_look_the_same_are_told_with_both() -> None:
    """Each pair by Unicode's table: Cyrillic and Greek letters, l and 1, O and 0, rn and m, a full-width A."""
    for one, other in [
        ("A-1", "\u0410-1"),
        ("B1", "Bl"),
        ("S0", "SO"),
        ("corn", "com"),
        ("A", "\uff21"),
        ("o", "\u03bf"),
    ]:
        assert list(look_alikes([one, other])) == [(one, other)]
    assert not list(look_alikes(["A-1", "A-2", "a-1", "Müller", "Muller", "x", "y"]))
    with pytest.raises(BadInput, match="looks like 'A-1' on line 2"):
        parse_lots("lot,on_hand_kg,fat_pct,cost_per_kg\nA-1,9,20,3\n\u0410-1,9,20,3\n", "l.csv")
    with pytest.raises(BadInput, match="looks like the lot 'A', and is written"):
        said('name: "\u0410", g_per_kg_meat: 2')
    with pytest.raises(BadInput, match="looks like 'sage' in line 5"):
        recipe("name: sage, g_per_kg_meat: 2}\n  - {name: s\u0430ge, g_per_kg_meat: 2")


@pytest.mark.parametrize(
    "text", ["=1+1", "+1+1", "-2+3", "@SUM(A1)", "\tx", "\uff1dx", "'=x", "''=x", "'plain", "plain"]
)
def test_a_written_cell_is_not_run_and_reads_back_unchanged(text: str) -> None:
    """The characters of OWASP's list, and what already begins with the mark that neutralises them."""
    cell = text_cell(text)
    assert cell[0] not in "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
    made = StringIO()
    csv.writer(made, lineterminator="\n").writerows([["lot", "note"], [cell, "x"]])
    assert cut(made.getvalue(), "f").rows == ((text, "x"),)
    assert text_cell("\rx") == "'\rx"
    assert [text_cell(figure) for figure in ("-0.5", "+3,2", "12")] == ["-0.5", "+3,2", "12"]


def test_a_key_is_the_same_for_one_word_written_in_several_ways() -> None:
    assert len({key(text) for text in ("Nitrite", "NITRITE", "ni-tri te", "nitr\u0456te", "nítrite", "nltrite")}) == 1


def test_what_a_regulated_substance_is_made_of_is_known_without_asking() -> None:
    """Every substance whose plain name reads like an allergen brings it; cheese and malt syrup too."""
    for name in SUBSTANCES:
        plain = name.replace("_", " ")
        dose = "g_per_kg_meat: 2, fat_pct: 0, moisture_pct: 0, protein_pct: 0, salt_pct: 0"
        found = recipe(f"name: {plain}, is: {name}, {dose}").entry.additions[0]
        assert bool(allergens_in(plain)) <= bool(contains(found)), name
    assert contains(recipe("name: syrup, is: malt_syrup, g_per_kg_meat: 2").entry.additions[0]) == ("gluten",)


def test_an_empty_list_of_what_may_go_in_is_refused() -> None:
    with pytest.raises(BadInput, match="an empty list lets no lot in"):
        parse_recipe("name: T\neligible: {species: []}\n", "r.yaml")


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("E320", "bha"), ("B.H.T.", None), ("BHA", "bha"), ("E 451", "sodium_tripolyphosphate"),
        ("E451i", "sodium_tripolyphosphate"), ("Sodium Tri-polyphosphate", "sodium_tripolyphosphate"),
        ("phosphate blend", "phosphate"), ("INS 316", "sodium_erythorbate"), ("vitamin C", "accelerator"),
        ("Ascorbinsäure", "accelerator"), ("potassium metabisulphite", "potassium_metabisulphite"),
        ("sulfite", "sulphite"), ("oats", "oats"), ("goats' milk", None), ("black pepper", None), ("sugar", None),
        ("E30", None), ("E 234", "nisin"), ("borax", "borax"), ("formalin", "forbidden_preservative"),
        ("E621", "monosodium_glutamate"),
        ("MSG", "flavour_enhancer"), ("polysorbate 80", "polysorbate"), ("pimaricin", "preservative"),
        ("E171", "titanium_dioxide"),
        ("potassium sorbate", "potassium_sorbate"), ("E1105", "lysozyme"), ("boric acid", "boric_acid"),
    ],
)  # fmt: skip
def test_an_additive_is_known_by_number_and_name_and_asked_about(name: str, meant: str | None) -> None:
    """Numbers of Regulation (EC) 1333/2008 Annex II part B."""
    assert additive_in(name) == meant
    text = f'name: "{name}", g_per_kg_meat: 1, allergens: none'
    if meant is None:
        assert recipe(text)
        return
    for kind in ("spice", "salt", "dextrose"):
        assert f"so no limit on {meant} sees it" in refused(f"{text}, is: {kind}")
    assert recipe(f"{text}, holds_no_additive: yes")
    own = meant if meant in SUBSTANCES else next(iter(FORMULAS[meant]))
    assert recipe(f'name: "{name}", g_per_kg_meat: 1, is: {own}')
    assert recipe(f"{text}, properties: {{{own}_pct: 40}}")


@pytest.mark.parametrize("pack", shipped())
@pytest.mark.parametrize(
    "name", ["nisin", "natamycin", "borax", "formaldehyde", "monosodium_glutamate", "polysorbate", "titanium_dioxide"]
)
def test_an_additive_that_no_pack_lists_is_refused_or_counted_in_the_headline(pack: str, name: str) -> None:
    kind = {"us": "sausage", "eu": "heat_treated", "gb": "heat_treated", "ni": "heat_treated", "ca": "cured_sausage",
            "anz": "cured_sausage", "codex": "luncheon_meat"}[pack]  # fmt: skip
    head = f"name: T\nrules: [{pack}]\nproduct_class: {kind}\nyield: {{finished_pct: 100}}\nadditions:\n"

    def answer(substance: str) -> Answer:
        return made(f"name: x, is: {substance}, g_per_kg_meat: 1", head=head, lots=FULL)

    plain, with_it = answer("sucrose"), answer(name)
    refused = with_it.grade.exit_code != 0
    assert refused or len(warnings(with_it)) > len(warnings(plain))
    assert refused or SUBSTANCES[name] != "forbidden_preservative"
    assert refused or name.replace("_", " ") in " ".join(warnings(with_it))


def test_what_is_said_to_hold_no_additive_is_repeated() -> None:
    assert "You say that MSG holds no additive." in said("name: MSG, g_per_kg_meat: 2, holds_no_additive: yes")


def test_what_a_casing_brings_is_said_to_be_not_judged() -> None:
    """Regulation (EU) 1129/2011, Annex II: E339 of natural casings may be carried over; no casing is reckoned here."""
    head = "name: t\nrules: [eu]\nproduct_class: heat_treated\ncasing: {kg_per_m: 0.5}\nadditions:\n"
    (heeded,) = (text for text in heed(made("name: pepper, g_per_kg_meat: 2", FULL, head)) if "E339" in text)
    assert heeded.startswith("Not judged here")
    plain = made("name: pepper, g_per_kg_meat: 2", FULL, head.replace("casing: {kg_per_m: 0.5}\n", ""))
    assert not any("E339" in text for text in heed(plain))
