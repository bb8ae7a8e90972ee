"""The offers table of a week: one word for price and pack as in a lots table, and figures by the pound."""

from __future__ import annotations

from fractions import Fraction

import pytest

from constraints.as_typed import BadInput
from optimizer.reading.offers import Offer, parse_offers

LB = Fraction("0.45359237")
"""Kilograms of a pound avoirdupois: NIST Handbook 44 (2024), appendix C."""


def one(head: str, row: str) -> Offer:
    (offer,) = parse_offers(f"{head}\n{row}\n", "o.csv").offers
    return offer


def test_an_offer_by_the_pound_is_the_same_offer_by_the_kilogram() -> None:
    head = "offer,supplier,fat_pct,cost_per_lb,pack_lb,smallest_order_lb,largest_order_lb,worth_after_per_lb,breaks"
    offer = one(head, "neck,Hill,20,1.50,10,20,200,0.5,100=1.20")
    terms, (period,) = offer.terms, offer.periods
    assert (terms.pack_kg, terms.smallest_order_kg, terms.largest_order_kg) == (10 * LB, 20 * LB, 200 * LB)
    assert (period.cost_per_kg, terms.worth_after_per_kg) == (Fraction("1.5") / LB, Fraction("0.5") / LB)
    assert period.breaks == ((100 * LB, Fraction("1.2") / LB),)
    assert offer.lot.cost_per_kg == period.cost_per_kg


@pytest.mark.parametrize(
    ("head", "row", "column", "words"),
    [
        ("cost_per_kg,cost_per_lb", "3,1.5", "cost_per_lb", "one of the two"),
        ("cost_per_kg,pack_lb", "3,-2", "pack_lb", "above 0"),
        ("price_per_kg", "3", "price_per_kg", "write cost_per_kg"),
        ("cost_per_kg,order_pack_kg", "3,5", "order_pack_kg", "write pack_kg"),
    ],
)
def test_what_an_offers_table_refuses(head: str, row: str, column: str, words: str) -> None:
    with pytest.raises(BadInput) as error:
        parse_offers(f"offer,supplier,fat_pct,{head}\nneck,Hill,20,{row}\n", "o.csv")
    assert any(words in fault.allowed for fault in error.value.faults if fault.column == column)


def test_faults_stand_in_the_order_of_their_lines_whichever_check_finds_them() -> None:
    """Line 4 is found while cells are read, lines 2 and 5 when whole rows are judged, line 3 between them."""
    head = "offer,supplier,fat_pct,cost_per_kg,moisture_pct,protein_pct,smallest_order_kg,largest_order_kg"
    rows = ["a,Hill,20,3,80,20,,", "b,Hill,20,3,,,9,8", "c,Hill,120,3,,,,", "d,Hill,30,3,70,10,,"]
    with pytest.raises(BadInput) as error:
        parse_offers("\n".join([head, *rows, ""]), "o.csv")
    assert [fault.line for fault in error.value.faults] == [2, 3, 4, 5]


@pytest.mark.parametrize("key", ["price_per_kg", "order_pack_kg"])
def test_a_batch_refuses_the_old_words_too(key: str) -> None:
    with pytest.raises(BadInput) as error:
        parse_offers(f"offer,fat_pct,{key}\nneck,20,3\n", "o.csv", simple=True)
    assert any(fault.column == key and "write" in fault.allowed for fault in error.value.faults)


def test_a_further_row_states_another_price_and_need_not_repeat_the_rest() -> None:
    text = (
        "offer,supplier,fat_pct,cost_per_kg,price_from,price_to,lead_days\n"
        "neck,Hill,20,3,2026-11-30,2026-12-01,2\nneck,,,2.5,2026-12-02,,\n"
    )
    (offer,) = parse_offers(text, "o.csv").offers
    assert [period.cost_per_kg for period in offer.periods] == [3, Fraction("2.5")]
    assert (offer.terms.lead_days, offer.terms.supplier) == (2, "Hill")


@pytest.mark.parametrize("key", ["cost", "pack", "smallest_order", "largest_order", "worth_after"])
def test_a_figure_by_the_pound_is_said_as_typed(key: str) -> None:
    """-1 is -1, whatever unit it is read in."""
    column = f"{key}_{'per_' if key in ('cost', 'worth_after') else ''}lb"
    head = ",".join(dict.fromkeys(["offer,supplier,fat_pct", "cost_per_lb", column]))
    with pytest.raises(BadInput) as error:
        parse_offers(f"{head}\nneck,Hill,20{',1' * (head.count(',') - 3)},-1\n", "o.csv")
    assert [(f.column, f.found) for f in error.value.faults] == [(column, f"{column} is -1")]


SIMPLER = [
    ("offer,fat_pct", "neck,20", (None, None, None)),
    ("lot,fat_pct,cost_per_kg", "neck,20,", (None, None, None)),
    ("lot,fat_pct,cost_per_kg,offered_kg", "neck,20,3,40", (3, 40, None)),
    ("offer,fat_pct,cost_per_lb,on_hand_lb,pack_lb", "neck,20,1,100,10", (1 / LB, 100 * LB, 10 * LB)),
    ("offer,fat_pct,cost_per_lb,largest_order_kg", "neck,20,,40", (None, 40, None)),
]


@pytest.mark.parametrize(("head", "row", "wanted"), SIMPLER)
def test_a_simpler_table_is_read_for_one_batch_and_refused_for_a_week(
    head: str, row: str, wanted: tuple[Fraction | None, ...]
) -> None:
    text = f"{head}\n{row}\n"
    (offer,) = parse_offers(text, "o.csv", simple=True).offers
    price = offer.periods[0].cost_per_kg if offer.periods else None
    assert (price, offer.terms.largest_order_kg, offer.terms.pack_kg) == wanted
    assert (offer.name, offer.lot.properties["fat_pct"], offer.lot.suspicions) == ("neck", 20, ())
    assert offer.lot.cost_per_kg == (price or 0)
    with pytest.raises(BadInput):
        parse_offers(text, "o.csv")


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("name,fat_pct\nx,5\n", "offer", "a column offer is missing"),
        ("offer,cost_per_kg\nx,5\n", "fat_pct", "a column fat_pct is missing"),
        ("offer,lot,fat_pct\nx,y,5\n", "lot", "both offer and lot are given"),
        ("offer,fat_pct\nx,5\nx,5\n", "offer", "'x' stands on line 2 and again here, at no price"),
        ("lot,fat_pct,cost_per_kg\nx,5,3\nx,5,4\n", "lot", "this row and line 2 give prices for the same days"),
        ("offer,fat_pct,offered_kg\nx,5,-3\n", "offered_kg", "offered_kg is -3"),
        ("offer,fat_pct,on_hand_lb\nx,5,-3\n", "on_hand_lb", "on_hand_lb is -3"),
        ("offer,fat_pct,suplier\nx,5,A\n", "suplier", "'suplier' is not a known column"),
        ("offer,fat_pct,breaks\nx,5,50=3\n", "cost_per_kg", "this cell is blank"),
        ("offer,fat_pct,cost_per_kg\nx,5,-3\n", "cost_per_kg", "cost_per_kg is -3"),
    ],
)
def test_what_a_simpler_table_refuses_is_said_by_its_own_columns(text: str, column: str, words: str) -> None:
    with pytest.raises(BadInput) as error:
        parse_offers(text, "o.csv", simple=True)
    assert [(fault.column, fault.found) for fault in error.value.faults] == [(column, words)]


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("worth_after_per_kg", "worth 4.5 a kilogram when left over, yet sold at 3"),
        ("worth_after_per_lb", "worth 4.5 a pound when left over, yet sold at 1.3608"),
        ("salvage_per_lb", "salvage of 4.5 a pound, yet sold at 1.3608"),
    ],
)
def test_a_worth_above_the_price_is_said_in_the_unit_it_is_typed_in(column: str, words: str) -> None:
    """3 a kilogram are 1.3608 a pound."""
    with pytest.raises(BadInput) as error:
        parse_offers(f"offer,supplier,fat_pct,cost_per_kg,{column}\nneck,Hill,20,3,4.5\n", "o.csv")
    assert [(f.column, f.found) for f in error.value.faults] == [(column, words)]
