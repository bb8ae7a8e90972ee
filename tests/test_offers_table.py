"""The offers table of a week: one word for price and pack as in a lots table, and figures by the pound."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import pytest

from constraints.faults import BadInput
from optimizer.plan.files.offers import Offer, parse_offers
from optimizer.reading.lots import parse_lots
from optimizer.why.offered import parse_offers as parse_for_a_batch

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
    assert (period.price, terms.worth_after_per_kg) == (Fraction("1.5") / LB, Fraction("0.5") / LB)
    assert period.breaks == ((100 * LB, Fraction("1.2") / LB),)
    assert offer.lot.cost_per_kg == period.price


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


@pytest.mark.parametrize("key", ["price_per_kg", "order_pack_kg"])
def test_a_batch_refuses_the_old_words_too(key: str) -> None:
    lots = parse_lots("lot,on_hand_kg,fat_pct,cost_per_kg\nA,10,20,3\n", "lots.csv")
    with pytest.raises(BadInput) as error:
        parse_for_a_batch(f"offer,fat_pct,{key}\nneck,20,3\n", "o.csv", lots, date(2026, 11, 30))
    assert any(fault.column == key and "write" in fault.allowed for fault in error.value.faults)


def test_a_further_row_states_another_price_and_need_not_repeat_the_rest() -> None:
    text = (
        "offer,supplier,fat_pct,cost_per_kg,price_from,price_to,lead_days\n"
        "neck,Hill,20,3,2026-11-30,2026-12-01,2\nneck,,,2.5,2026-12-02,,\n"
    )
    (offer,) = parse_offers(text, "o.csv").offers
    assert [period.price for period in offer.periods] == [3, Fraction("2.5")]
    assert (offer.terms.lead_days, offer.terms.supplier) == (2, "Hill")
