"""Another name for lawful food that may not bear its own: which classes of the pack are told, by blend and by check.

Recipes and lots are invented; figures are those of 9 CFR 319, 2015 edition, as in the United States pack.
"""

from __future__ import annotations

from datetime import date

import pytest

from optimizer.answer import blend
from optimizer.findings import check
from optimizer.order import Asked, order_of
from optimizer.pages.check_page import check_page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.reading.weighed import parse_weighed
from optimizer.verdict import Grade

DAY = date(2026, 11, 25)
HEAD = "lot,on_hand_kg,fat_pct,moisture_pct,protein_pct,cost_per_kg,material,species\n"
CURE = "{name: cure, is: cure, nitrite_pct: 6.25, ingoing_nitrite_ppm: 125}"


def told(lots: str, product_class: str, additions: str = "", steps: str = "") -> tuple[Grade, tuple[str, ...], str]:
    """Grade, other names and page of a check of all lots whole, additions at 10 g a kilogram of meat but for cure."""
    recipe = parse_recipe(
        f"name: X\nrules: [us]\nproduct_class: {product_class}\nsteps: [{steps}]\nadditions: [{additions}]\n", "r.yaml"
    )
    table = parse_lots(HEAD + lots, "lots.csv")
    meat = sum(lot.on_hand_kg for lot in table.lots)
    kilograms = {lot.name: lot.on_hand_kg for lot in table.lots}
    kilograms |= {a.item.name: meat * a.rate for a in recipe.additions}
    text = "item,kg\n" + "".join(f"{name},{float(kg)}\n" for name, kg in kilograms.items())
    report = check(recipe, table, parse_weighed(text, "b.csv"), "b.csv", DAY)
    return report.grade, report.other_names, check_page(report, full=True)


# Added water 10 % at most in a cooked sausage: 50 less 4 x 13 is none.
FATTY = "A,40,31,54,13,3,trimmings,pork\n"
BEEF = "A,95,20,62,17,3,chuck,beef\nB,5,85,10,3,1,beef fat,beef\n"


@pytest.mark.parametrize(
    ("lots", "product_class", "additions", "steps", "classes"),
    [
        # 31 % fat is above the 30 of 319.180 and below nothing of 319.140; no class of ham is made of trimmings
        (FATTY, "frankfurter", CURE, "cooked", ["sausage", "luncheon_meat"]),
        # 319.15(a) and (b): hamburger may hold beef fat, ground beef not as such; seasoned it is a sausage of beef
        (BEEF, "ground_beef", "", "",
         ["sausage", "fresh_beef_sausage", "breakfast_sausage", "hamburger", "beef_patties"]),
        # by-products: 319.180(b) names them
        ("A,30,25,58,16,3,trim,beef\nB,10,10,70,18,2,hearts,pork\n", "frankfurter", CURE, "cooked",
         ["sausage", "frankfurter_with_byproducts", "luncheon_meat"]),
        # 3.3 % water and ice is above the 3 of every fresh class
        ("A,40,25,58,16,3,shoulder,pork\n", "fresh_pork_sausage", "{name: ice, is: water, g_per_kg_meat: 35}", "", []),
    ],
)  # fmt: skip
def test_a_batch_unlawful_by_its_name_alone_is_told_the_names_that_fit(
    lots: str, product_class: str, additions: str, steps: str, classes: list[str]
) -> None:
    grade, names, page = told(lots, product_class, additions, steps)
    assert grade is Grade.NOT_THIS_NAME
    found = [name.split(")")[0] for text in names for name in text.split("(product_class: ")[1:]]
    assert found == classes
    assert ("> Lawful under the United States pack as" in page) is bool(classes)


def test_what_can_hurt_has_no_other_name() -> None:
    grade, names, page = told(FATTY, "frankfurter", CURE.replace("125", "160"), "cooked")
    assert (grade, names) == (Grade.DO_NOT_MAKE, ())
    assert "Lawful under" not in page


def test_blend_tells_the_names_too() -> None:
    additions = "{name: ice, is: water, g_per_kg_meat: 90}, {name: salt, is: salt, g_per_kg_meat: 15}"
    text = f"name: X\nrules: [us]\nproduct_class: luncheon_meat\nsteps: [cooked]\nadditions: [{CURE}, {additions}]\n"
    recipe = parse_recipe(text, "r.yaml")
    table = parse_lots(HEAD + "A,40,25,58,16,3,shoulder,pork\n", "lots.csv")
    answer = blend(assemble(recipe, table, order_of(recipe, "--meat-kg", table.lots[0].on_hand_kg, DAY, Asked())))
    # 8.1 % water is above the 3 of 319.260; moisture 61.2 less 4 x 14.5 is within the 10 of 319.140, the 40 of 319.180
    assert answer.grade is Grade.NOT_THIS_NAME
    assert [name.split(")")[0] for name in answer.other_names[0].split("(product_class: ")[1:]] == [
        "sausage", "frankfurter",
    ]  # fmt: skip
