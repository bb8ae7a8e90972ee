"""The complete table of category 08: nitrite and nitrate of every class, before and from 9 October 2025.

Transcribed by class from Reg (EC) 1333/2008 Annex II Part E, consolidation of 18 August 2026, 08.2 to 08.3.4.3.
Before, figures are of the sodium salts, now of the ions. ``in`` is added, ``left`` residual, ``ask`` the residual above
which the operator investigates, ``none`` not authorised or without added nitrites (note 40).
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from constraints.library import load_pack
from constraints.requirement import BY_ION, Requirement, Stage
from constraints.rules import Product

#           class                           nitrite before, nitrate before, nitrite now,         nitrate now
TABLE = """
            heat_treated                    in 150   | none     | in 80 left 45  | none
            pate_aspic                      in 150   | none     | in 80 left 45  | none
            dehydrated_meat                 in 150   | in 150   | in 80 left 45  | in 90 ask 90
            sterilised                      in 100   | none     | in 55 left 25  | none
            non_heat_treated                in 150   | in 150   | in 80 left 45  | in 90 ask 90
            large_bacon_primals             in 150   | in 150   | in 80 left 45  | in 110 ask 110
            dry_sausage_without_nitrite     none     | in 150   | none left 45   | in 110 ask 110
            wiltshire_bacon                 left 175 | left 250 | left 105       | left 150
            wiltshire_ham                   left 100 | left 250 | left 65        | left 150
            cured_tongue                    left 50  | left 10  | left 30        | left 7
            cold_smoked_reindeer            in 150   | in 300   | in 100 left 50 | in 180 ask 95
            filet_de_bacon                  in 150   | none     | in 100 left 50 | none
            filet_de_bacon_without_nitrite  none     | in 250   | none left 50   | in 180 ask 95
            rohschinken                     left 50  | left 250 | left 30        | left 150
            dry_cured_bacon                 left 175 | left 250 | left 105       | left 150
            dry_cured_ham                   left 100 | left 250 | left 65        | left 150
            jambon_sec                      none     | left 250 | none left 30   | left 150
            jellied_veal                    left 50  | left 10  | left 30        | left 7
            long_ripened_rohwurst           none     | in 300   | none left 30   | in 180 ask 95
            chorizo_larga_curacion          none     | in 250   | none left 30   | in 180 ask 95
            saucisson_sec                   none     | in 250   | none left 30   | in 180 ask 95
            vysocina_group                  in 180   | none     | in 105 left 50 | none
            mettwurst_teewurst              in 150   | in 150   | in 100 left 50 | none
            julskinka_leverpastej           in 150   | none     | in 100 left 50 | none
            named_preparation               in 150   | none     | in 80 left 45  | none
            kasseler_group                  in 150   | none     | in 80 left 45  | none
            fresh_sausage                   none     | none     | none           | none
            gehakt                          none     | none     | none           | none
            breakfast_sausage               none     | none     | none           | none
            breakfast_sausage_fine          none     | none     | none           | none
            burger_meat                     none     | none     | none           | none
            fresh_longaniza                 none     | none     | none           | none
            phosphate_preparation           none     | none     | none           | none
"""
LINES = {
    line.split()[0]: [cell.strip() for cell in line.split(maxsplit=1)[1].split("|")]
    for line in TABLE.split("\n")
    if line
}
LAST = date(2025, 10, 8)


def held(pack: str, product_class: str, ion: str, day: date) -> list[Requirement]:
    """What the law of a pack says of one ion in a class on a day."""
    product = Product(True, frozenset(), True, day)
    every = load_pack(pack).requirements(product, product_class)
    return [r for r in every if r.origin.legal and not r.regulates.substances.isdisjoint(BY_ION[ion])]


def said(limits: list[Requirement]) -> str:
    """Limits as the table writes them."""
    found = []
    for r in sorted(limits, key=lambda r: r.regulates.stage is Stage.RESIDUAL):
        word = "in" if r.regulates.stage is Stage.INGOING else "left" if r.origin.blocks else "ask"
        found.append("none" if (word, r.hi) == ("in", 0) else f"{word} {r.hi}")
    return " ".join(found)


@pytest.mark.parametrize("name", LINES)
def test_every_class_has_the_figures_of_its_line_on_both_sides_of_9_october_2025(name: str) -> None:
    for place, (ion, day) in enumerate((i, d) for d in (LAST, LAST + timedelta(1)) for i in ("nitrite", "nitrate")):
        limits = held("eu", name, ion, day)
        assert said(limits) == LINES[name][place], (ion, day)
        for limit in limits:
            assert day == LAST or not limit.hi or "ion" in limit.what.split()
            assert day > LAST or not limit.hi or "sodium" in limit.what.split()


@pytest.mark.parametrize("name", LINES)
def test_great_britain_keeps_what_was_before_and_northern_ireland_follows(name: str) -> None:
    today = date(2026, 11, 25)
    for place, ion in enumerate(("nitrite", "nitrate")):
        assert said(held("gb", name, ion, today)) == LINES[name][place]
        assert said(held("ni", name, ion, today)) == LINES[name][place + 2]


def test_the_table_has_every_class_of_the_pack() -> None:
    assert set(LINES) == {entry.id for entry in load_pack("eu").classes}


def test_every_row_that_great_britain_took_over_says_what_was_read_and_what_is_second_hand() -> None:
    for row in load_pack("gb").rows:
        assert ("second hand" in (row.note or "")) == row.source.startswith("retained, as it stood on 2020-12-31")
