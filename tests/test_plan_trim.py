"""Orders are trimmed to the fewest packs that cost no more, what they leave counted at its worth: by hand and by brute
force over every number of packs."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import pytest
from weeks import RawBatch, RawLot, RawOffer, RawWeek

from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import assemble_week
from optimizer.plan.report.outcome import plan_week
from optimizer.plan.settle.books import Purchase, needed, needed_only, planned
from optimizer.plan.settle.find import _solved

F = Fraction


def week(folder: Path, worth: str, offer: RawOffer, holding: float = 0.0) -> str:
    """One batch of 12 kg on the second day, all of it from an offer whose left-overs are worth something."""
    batch = RawBatch("A", 12.0, 12.0, 1, 1, (10, 30))
    path = RawWeek(3, [RawLot("none", "pork", 20.0, 9.0, 0.0)], [batch], [offer], holding=holding).write(folder)
    rows = list(csv.DictReader((folder / "offers.csv").open()))
    with (folder / "offers.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "worth_after_per_kg"])
        writer.writeheader()
        writer.writerows(row | {"worth_after_per_kg": worth} for row in rows)
    return path


def trimmed_from(path: str, packs: int) -> list[Purchase]:
    """What is left of an order of so many packs on the last day on which it can still come in time."""
    program = build(assemble_week(read_week(path)))
    solved, _ = _solved(program, talk=False, gap=0.0)
    parts = planned(program, solved)
    (s, _), *_ = parts[0].kilograms.items()
    return needed_only(program, needed(parts), [Purchase(s, program.world.supplies[s], packs * F(5))])


def bill(offer: RawOffer, kg: Fraction) -> Fraction:
    """Every kilogram at the price of the last break reached."""
    steps = [(F(0), F(str(offer.price))), *((F(str(a)), F(str(p))) for a, p in offer.breaks)]
    return kg * next(price for start, price in reversed(steps) if kg >= start)


@pytest.mark.parametrize("breaks", [[], [(20.0, 2.0)], [(25.0, 1.5)]])
@pytest.mark.parametrize("worth", ["0", "0.5", "1.5"])
@pytest.mark.parametrize("holding", [0.0, 0.2])
@pytest.mark.parametrize("packs", [3, 4, 5, 6])
def test_an_order_is_trimmed_to_the_fewest_packs_that_cost_no_more(
    breaks: list[tuple[float, float]], worth: str, holding: float, packs: int, tmp_path: Path
) -> None:
    offer = RawOffer("box", "S", "pork", 20.0, 3.0, pack=5.0, breaks=breaks)
    (order,) = trimmed_from(week(tmp_path, worth, offer, holding), packs)
    nights = 3 - order.supply.first  # what is left keeps, and is kept every night to the end

    def cost(count: int) -> Fraction:
        kg = F(5 * count)
        return bill(offer, kg) + kg * (F(str(holding)) * nights - F(worth))

    wanted = next(count for count in range(3, packs + 1) if count == packs or cost(count) <= cost(packs))
    assert order.kg == 5 * wanted
    assert order.money == bill(offer, order.kg) and order.price == order.money / order.kg


def test_an_order_is_trimmed_by_what_it_leaves_is_worth(tmp_path: Path) -> None:
    """Three boxes are 45.00 as six are, and five 37.50. At no worth three will do; where a kilogram left is worth 1.00
    six cost 15.00 less what is used, five 12.50, and three 30.00."""
    offer = RawOffer("box", "S", "pork", 20.0, 3.0, pack=5.0, breaks=[(25.0, 1.5)])
    (bare,) = trimmed_from(week(tmp_path, "0", offer), 6)
    (kept,) = trimmed_from(week(tmp_path, "1", offer), 6)
    assert (bare.packs, bare.money) == (3, 45)
    assert (kept.packs, kept.money) == (5, F("37.5"))


def test_an_order_is_not_trimmed_below_a_suppliers_minimum(tmp_path: Path) -> None:
    offer = RawOffer("box", "S", "pork", 20.0, 3.0, pack=5.0, minimum=70.0)
    (order,) = trimmed_from(week(tmp_path, "0", offer), 6)
    assert order.packs == 5, "five boxes are 75.00, four 60.00"


def test_what_is_left_of_an_order_is_worth_what_the_offer_says_and_what_dies_is_lost_but_for_its_salvage(
    tmp_path: Path,
) -> None:
    """Three boxes at 3.00 are 45.00; some 3 kg of them stay, at 1.00. Of 20 kg that die 9.00 less 7.50 is lost."""
    path = week(tmp_path, "1", RawOffer("box", "S", "pork", 20.0, 3.0, pack=5.0))
    (tmp_path / "lots.csv").write_text(
        "lot,material,species,on_hand_kg,fat_pct,cost_per_kg,salvage_per_kg,use_by\n"
        "dear,trim,pork,20,20,9,7.5,2026-12-01\n"
    )
    outcome = plan_week(read_week(path), compare=False)
    (left,) = outcome.left_over
    used = sum((kg for one in outcome.plan.made for kg in one.taken.values()), F(0))
    assert (left.kg, left.worth) == (15 - used, 15 - used)
    (lost,) = outcome.expiring
    assert (lost.lot, lost.kg, lost.lost) == ("dear", 20, 30)
    assert outcome.plan.money is not None and outcome.plan.money.lost == 30
    assert outcome.plan.solved.cost == pytest.approx(45 - 3, abs=0.1)
