"""What the page of a week says: its cause where there is no plan, ways that do, and weights in pounds."""

from __future__ import annotations

import csv
import json
import re
from fractions import Fraction
from pathlib import Path

import pytest
from weeks import RawBatch, RawLot, RawOffer, RawWeek, random_week
from where import ROOT

from optimizer.plan.files.week_file import read_week
from optimizer.plan.report.outcome import Outcome, plan_week
from optimizer.plan.report.plan_json import PlanRecord, orders_csv, pulls_csv
from optimizer.plan.report.plan_page import picture, plan_page
from optimizer.plan.report.way_out import amount
from optimizer.record import plain

LB = 0.45359237
"""Kilograms of a pound avoirdupois: NIST Handbook 44 (2024), appendix C."""


def planned(path: str | Path) -> Outcome:
    return plan_week(read_week(str(path)), compare=False)


def used_up(path: Path, name: str) -> None:
    """Let a lot have to be used up."""
    rows = list(csv.DictReader(path.open()))
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "use_up"])
        writer.writeheader()
        writer.writerows(row | {"use_up": "yes" if row["lot"] == name else "no"} for row in rows)


def fat_to_use_up(folder: Path) -> Path:
    """48 kg of fat that must be used up, in one batch that can take some 14 kg of it at most."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 60.0), RawLot("fat", "pork", 62.0, 1.5, 48.0)]
    path = Path(RawWeek(2, lots, [RawBatch("A", 40.0, 40.0, 0, 0, (24, 28))]).write(folder))
    used_up(folder / "lots.csv", "fat")
    return path


def test_a_lot_that_must_be_used_up_is_named_as_the_cause(tmp_path: Path) -> None:
    """Of 40 kg at most (28 - 9) / (62 - 9) can be the fat; the page says what stays, and that leaving it would do."""
    path = fat_to_use_up(tmp_path)
    outcome = planned(path)
    assert outcome.no_plan is not None
    assert outcome.no_plan.cause.startswith("1 lot must be used up, and no batch can take")
    assert plan_page(outcome).splitlines()[1].startswith("NO SUCH PLAN EXISTS: 1 lot must be used up")
    first = outcome.no_plan.ways[0]
    assert str(first.way) == "let these lots not be used up"
    (change,) = first.changes
    assert float(change.amount) == pytest.approx(48 - 40.0 * 19 / 53, abs=0.15)
    lots = (tmp_path / "lots.csv").read_text().replace(",yes", ",no")
    (tmp_path / "lots.csv").write_text(lots)
    assert planned(path).grade.exit_code == 0


def test_what_is_asked_of_too_little_stock_counts_a_batch_of_any_size_as_nothing(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 9.0, 4.0, 40.0), RawLot("fat", "pork", 62.0, 1.5, 20.0)]
    batches = [RawBatch("A", 80.0, 80.0, 0, 0, (24, 28)), RawBatch("B", 1.0, 20.0, 1, 1, (24, 28))]
    path = Path(RawWeek(2, lots, batches).write(tmp_path))
    week = json.loads(path.read_text())
    del week["batches"][1]["from_meat_kg"]
    path.write_text(json.dumps(week))
    found = planned(path).no_plan
    assert found is not None
    assert found.cause == "the lots and deliveries hold 60 kg that its batches may take; 80 kg are asked."


def test_why_a_lot_is_of_no_use_to_the_week_is_told(tmp_path: Path) -> None:
    """A lot goes in on its use-by and not after it, from the day it comes; the week has two days."""
    lots = [
        RawLot("good", "pork", 25.0, 4.0, 60.0), RawLot("last day", "pork", 25.0, 4.0, 60.0, 100, 0, 0),
        RawLot("old", "pork", 25.0, 4.0, 60.0, 100, -5, -1), RawLot("late", "pork", 25.0, 4.0, 60.0, 100, 2, 9),
        RawLot("held", "pork", 25.0, 4.0, 60.0), RawLot("second day", "pork", 25.0, 4.0, 60.0, 100, 1, 9),
    ]  # fmt: skip
    path = Path(RawWeek(2, lots, [RawBatch("A", 40.0, 40.0, 0, 0, (24, 28))]).write(tmp_path))
    table = (tmp_path / "lots.csv").read_text().splitlines()
    held = [",on_hold", *("," + ("yes" if line.startswith("held") else "no") for line in table[1:])]
    (tmp_path / "lots.csv").write_text("".join(f"{line}{cell}\n" for line, cell in zip(table, held, strict=True)))
    told = planned(path).lots_left_out
    assert sorted(told) == ["held", "late", "old"]
    assert told["held"] == "on hold"
    assert re.match(r"past its use-by\b", told["old"]) and re.match(r"comes on .*, after the week$", told["late"])


def test_what_expires_says_what_is_lost_to_the_cent_and_where_it_could_be_used(tmp_path: Path) -> None:
    """30.1 kg at 4.07 die on Tuesday, of which the one batch takes 15 kg at most; the fat does on Monday."""
    lots = [RawLot("dying", "pork", 26.0, 4.07, 30.1, last=1), RawLot("fat", "pork", 90.0, 1.0, 5.5, last=0),
            RawLot("keeps", "pork", 26.0, 3.5, 60.0)]  # fmt: skip
    outcome = planned(RawWeek(3, lots, [RawBatch("A", 15.0, 15.0, 0, 0, (24, 28))]).write(tmp_path))
    used = {p["lot"]: p["held_kg"] for p in plain(PlanRecord, outcome)["batches"][0]["pulls"]}
    page = plan_page(outcome, full=True)
    for name, kg, cost in (("dying", 30.1, 4.07), ("fat", 5.5, 1.0)):
        left = kg - used.get(name, 0.0)
        assert re.search(rf"^{name} .* {left:.2f} +{left * cost:.2f} ", page, re.M)


def test_what_is_said_works_when_it_is_typed(tmp_path: Path) -> None:
    """Every way out of a week that lacks lean meat and room, carried out in its files, gives a plan."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 25.0), RawLot("fat", "pork", 62.0, 1.5, 60.0)]
    week = RawWeek(1, lots, [RawBatch("A", 40.0, 40.0, 0, 0, (24, 28))], grinder=60.0)
    found = planned(week.write(tmp_path)).no_plan
    assert found is not None and 1 <= len(found.ways) <= 3
    assert found.batches == ("A",)  # together with its fat and the lean; 60 kg of grinder and of fat are plenty
    assert any(words.startswith("A on ") and "fat" in words for words in found.limits)
    assert not any("grinder" in words for words in found.limits) and len(found.materials) == 1
    ways = {str(way.way): way.changes for way in found.ways}
    (more,) = ways["have more of these lots or deliveries"]
    (less,) = ways["make less"]
    assert "lean" in more.what and more.unit == "kg usable more"
    week.lots[0].kg += float(more.amount)
    assert planned(week.write(tmp_path)).grade.exit_code == 0
    week.lots[0].kg -= float(more.amount)
    week.batches[0].lo = week.batches[0].hi = 40.0 - float(less.amount)
    assert planned(week.write(tmp_path)).grade.exit_code == 0


def test_a_week_in_pounds_says_every_weight_in_pounds_and_cure_in_grams_too(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 9.0, 4.0, 20.0), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    path = Path(RawWeek(2, lots, [RawBatch("A", 40.0, 40.0, 1, 1, (24, 28), salt=18.0)],
                        [RawOffer("box", "S", "pork", 12.0, 3.0, 5.0)]).write(tmp_path))  # fmt: skip
    kilograms = planned(path)
    path.write_text(json.dumps(json.loads(path.read_text()) | {"units": "lb"}))
    pounds = planned(path)
    a, b = plain(PlanRecord, kilograms), plain(PlanRecord, pounds)
    assert a["orders"] == b["orders"] and a["batches"] == b["batches"], "the JSON document stays in kilograms"
    page = plan_page(pounds)
    assert not re.search(r"\d kg\b|\bkg as held", page + picture(pounds))
    assert "By default a lot in use gives about 1 % of a batch or more" in page
    for pull in a["batches"][0]["pulls"]:
        assert f"{pull['held_kg'] / LB:.2f}" in page
    assert re.search(r"salt +1 lb 9\.40* oz \(720 g\)", page), "40 kg at 18 g, 28.35 g in an ounce"
    assert f"{a['orders'][0]['cost_per_kg'] * LB:.3f}" in page
    unit = pounds.unit  # a change is rounded so that it is enough: 1 kg is 2.2046 lb
    assert amount(unit, Fraction(1), "kg short") == "2.21 lb short"
    assert amount(unit, Fraction(3), "batches") == "3 batches"
    (order,) = csv.DictReader(orders_csv(pounds).splitlines())
    assert float(order["lb"]) == pytest.approx(a["orders"][0]["kg"] / LB, abs=1e-4)
    assert float(order["cost_per_lb"]) == pytest.approx(a["orders"][0]["cost_per_kg"] * LB, abs=1e-4)
    rows = list(csv.DictReader(pulls_csv(pounds).splitlines()))
    assert [float(row["held_lb"]) * LB for row in rows] == pytest.approx(
        [pull["held_kg"] for pull in a["batches"][0]["pulls"]], abs=1e-4
    )


def test_nitrite_of_a_batch_under_two_laws_is_the_larger_figure(tmp_path: Path) -> None:
    """100 mg of NaNO2 a kilogram of meat (9 CFR 424.21) are 100 / 1.4997 / 1.08 as the ion in the batch (EU)."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 40.0), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    path = RawWeek(1, lots, [RawBatch("A", 20.0, 20.0, 0, 0, (24, 28))]).write(tmp_path)
    recipe = json.loads((tmp_path / "r0.yaml").read_text())
    cure = {"name": "cure", "is": "cure", "nitrite_pct": 6, "ingoing_nitrite_ppm": 100}
    recipe |= {"rules": ["eu", "us"], "product_class": {"eu": "heat_treated", "us": "sausage"}, "steps": ["cooked"]}
    recipe |= {"estimate": ["moisture", "protein"]}
    recipe["additions"] = [cure, {"name": "ice", "is": "water", "g_per_kg_meat": 78}]
    (tmp_path / "r0.yaml").write_text(json.dumps(recipe))
    (batch,) = plain(PlanRecord, planned(path))["batches"]
    told = [c["value"] for c in batch["answer"]["checks"] if c["what"].startswith("ingoing nitrite") and c["value"]]
    assert max(told) == pytest.approx(100, abs=1) and min(told) < 65
    assert batch["figures"]["nitrite_ppm"] == max(told)


def test_the_verdict_of_a_plan_has_the_shape_of_a_blends(tmp_path: Path) -> None:
    none = plain(PlanRecord, planned(fat_to_use_up(tmp_path)))
    assert (none["status"], none["verdict"]["grade"]) == ("infeasible", "no_such_batch")
    lots = [RawLot("lean", "pork", 9.0, 4.0, 40.0), RawLot("fat", "pork", 62.0, 1.5, 30.0)]
    some = plain(PlanRecord, planned(RawWeek(1, lots, [RawBatch("A", 20.0, 20.0, 0, 0, (24, 28))]).write(tmp_path)))
    assert some["verdict"] | {"limits": {}} == {
        "grade": "holds", "headline": some["verdict"]["headline"], "warnings": 1, "limits": {}
    }  # fmt: skip
    assert some["verdict"]["headline"].startswith("PLAN. All ")
    assert some["verdict"].keys() == some["batches"][0]["answer"]["verdict"].keys()


@pytest.mark.parametrize("seed", range(4000, 4010))
def test_the_books_add_up_to_the_cent_and_to_what_is_proved_of_them(seed: int, tmp_path: Path) -> None:
    week = random_week(seed, whole=False)
    week.holding = 0.0333
    outcome = planned(week.write(tmp_path))
    if not outcome.stands:
        return
    page = " ".join(plan_page(outcome).split())
    rows = dict(re.findall(r"(orders|delivery charges|additions|holding|cash this week|value used) (-?[\d.]+)", page))
    money = {name: Fraction(figure) for name, figure in rows.items()}
    parts = ("stock used, at what it is worth", "doses rounded to the scale", "is left", "worth of the product")
    more = sum(Fraction(found[1]) for part in parts if (found := re.search(rf"{part} (-?[\d.]+)", page)))
    cash = money["orders"] + money["delivery charges"] + money["additions"] + money["holding"]
    assert (cash, cash + more) == (money["cash this week"], money["value used"])
    assert f"This one uses {rows['value used']}: at most" in page


def test_what_expires_and_is_not_listed_is_counted() -> None:
    """So that the rows, and what is lost in all, do not seem to disagree; the whole page lists every one."""
    outcome = planned(ROOT / "examples" / "week" / "week.yaml")
    short, full = plan_page(outcome), plan_page(outcome, full=True)
    listed = [e for e in outcome.expiring if f"\n{e.lot}  " in short.split("WILL EXPIRE UNUSED")[1].split("MONEY")[0]]
    more = re.search(r"and (\d+) more, smaller or of less worth: --full", short)
    assert listed and more is not None and len(listed) + int(more[1]) == len(outcome.expiring)
    assert "more, smaller or of less worth" not in full
