"""Figures, words and marks of the pages, one branch at a time: each worked out by hand from figures set here.

Pounds and ounces: NIST Handbook 44 (2024), appendix C: a pound is 0.45359237 kg, an ounce its sixteenth part.
"""

from __future__ import annotations

import json
import re
from dataclasses import astuple, replace
from datetime import date
from fractions import Fraction as F
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from kitchens import DAY, Kitchen
from logs import log_of, place, product
from typer.testing import CliRunner

from constraints.as_typed import BadInput, joined
from constraints.asked import Least, Tidy
from constraints.confidence import Confidence
from constraints.formula import Batch
from constraints.quantities import Lot
from constraints.requirement import Requirement, Role
from constraints.row import Row
from constraints.treatment import fahrenheit
from optimizer.answer import blend, measured
from optimizer.bench import Conflict
from optimizer.cli import app
from optimizer.figures import Unit, ounces
from optimizer.made.dry import Pieces, judge_dry
from optimizer.made.found import Judged, LogReport
from optimizer.made.heat import HowRead as AskedHeat, judge_cook
from optimizer.made.log_page import page as log_page
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page as batch_page
from optimizer.pages.chart import SIZES
from optimizer.problem import Problem
from optimizer.reading.entry import Units
from optimizer.reading.offers import parse_offers
from optimizer.reading.recipe import parse_recipe
from optimizer.remarks import cause, tidiness
from optimizer.summary import dying_lots
from optimizer.why.curves import price_curve
from optimizer.why.explain import Explanation
from optimizer.why.ground import Means, ground_of
from optimizer.why.page import page as why_page
from optimizer.why.prices import Direction, LimitPrice, dearest
from optimizer.why.short import way_words
from optimizer.why.way import Concession, Way, WayKind, conceded
from optimizer.wording import ASK_WHY, WOULD_DO

LB = F("0.45359237")
OZ = LB / 16
LEAN = {"lot": "A", "on_hand_kg": 30, "fat_pct": 20, "cost_per_kg": 3}
FAT = {"lot": "B", "on_hand_kg": 30, "fat_pct": 30, "cost_per_kg": 2}
DEAR = {"lot": "Z", "on_hand_kg": 30, "fat_pct": 20, "cost_per_kg": 9}


def lined(page: str) -> str:
    """A page in one line."""
    return " ".join(page.split())


def run(folder: Path, recipe: str, lots: str, *words: str) -> str:
    """The page of a command on two files."""
    (folder / "r.yaml").write_text(recipe)
    (folder / "l.csv").write_text(lots)
    command, *more = words
    files = ("--lots", str(folder / "l.csv"), "--date", "2026-11-25")
    return CliRunner().invoke(app, [command, *more, *files], catch_exceptions=False).output


def kitchen(*lots: dict[str, Any], most: float = 25, **more: Any) -> Problem:
    """Twenty kilograms of meat of these lots."""
    return Kitchen(list(lots), [{"fat": {"max_pct": most}}], kilograms=20, **more).problem()


def requirement_of(problem: Problem, what: str) -> Requirement:
    """The only requirement of that name."""
    (found,) = (r for r in problem.requirements if r.what == what)
    return found


# What a limit costs.


def of_a_limit(unit: str, up: int, *, pounds: bool, saves: F | None = F(2), lost: F | None = F(-3)) -> str:
    """What is said of a limit whose slack saves 2 and whose want costs 3 a unit."""
    problem = kitchen(LEAN, FAT)
    problem = replace(problem, order=replace(problem.order, in_pounds=pounds))
    limit = replace(requirement_of(problem, "fat"), unit=unit)
    way = LimitPrice(limit, "hi", F(25), Means.EXACT, Direction(True, saves), Direction(True, lost), up)
    ground: Any = SimpleNamespace(means=Means.EXACT, cost=F(45))
    return lined(why_page(Explanation(blend(problem), ground, (way,))))


@pytest.mark.parametrize(
    ("unit", "pounds", "one", "per"),
    [
        ("%", False, "point", F(1)), ("%", True, "point", F(1)), ("kg/kg", False, "0.1 kg/kg", F(1, 10)),
        ("", False, "0.1", F(1, 10)), ("kg", False, "kilogram", F(1)), ("kg", True, "pound", LB),
        ("ppm", False, "ppm", F(1)), ("ppm", True, "ppm", F(1)),
    ],
)  # fmt: skip
def test_each_unit_more_saves_and_each_unit_less_costs(unit: str, pounds: bool, one: str, per: F) -> None:
    for up, (loose, tight) in ((1, ("more", "less")), (-1, ("less", "more"))):
        found = of_a_limit(unit, up, pounds=pounds)
        assert f"each {one} {loose} saves {float(2 * per):.2f}." in found
        assert f"each {one} {tight} costs {float(3 * per):.2f}." in found


@pytest.mark.parametrize(
    ("saves", "lost", "said"),
    [
        ("2", "-2", "each point more saves 2.00."),
        ("2", "-2.1", "each point more saves 2.00. each point less costs 2.10."),
        ("2", None, "each point more saves 2.00."), (None, "-3", "each point less costs 3.00."),
        ("0", "-3", "each point more saves 0.00. each point less costs 3.00."),
        ("0", "0", "at its limit, and slack would save nothing."),
    ],
)  # fmt: skip
def test_of_a_limit_is_said_once_what_either_way_saves_alike(saves: str | None, lost: str | None, said: str) -> None:
    a, b = (None if x is None else F(x) for x in (saves, lost))
    found = of_a_limit("%", 1, pounds=False, saves=a, lost=b)
    assert re.findall(r"each point \w+ \w+ [\d.]+\.|at its limit, and .*? nothing\.", found) == re.findall(
        r"each.*?\d\.(?= |$)|at its.*", said
    )


def test_only_a_full_page_says_over_which_prices_a_lot_in_use_leaves_the_blend_as_it_is(tmp_path: Path) -> None:
    """Half of 20 and half of 30 % are the 25 % asked for; the dear lot is not used and has no such line."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,30,20,3\nB,30,30,2\nZ,30,20,9\n"
    words = ("why", str(tmp_path / "r.yaml"), "--meat-kg", "20")
    full = run(tmp_path, "name: x\nrequire:\n  - fat: {max_pct: 25}\n", lots, *words, "--full")
    assert re.findall(r"^\* (\w+): the blend is the same", full, re.M) == ["A", "B"]
    short = run(tmp_path, "name: x\nrequire:\n  - fat: {max_pct: 25}\n", lots, *words)
    assert "UP TO WHAT PRICE" in short and "the blend is the same" not in short


def test_an_order_that_gives_way_is_the_middle_of_its_new_band() -> None:
    """20 kg within 25 g; asked for 18 it is 18 within 25 g, no more and no less."""
    problem = kitchen(LEAN, FAT)
    size = next(r for r in problem.requirements if r.role is Role.SIZE)
    order = conceded(problem, [Concession(size, "both", F(20), F(18))]).order
    assert (order.kilograms, order.within_kg) == (18, F(25, 1000))


def test_a_picture_of_a_lots_price_says_how_much_of_it_goes_in_below_and_above_each_kink() -> None:
    """19.975 kg, the least of 20 within 25 g, of three lots of one fat: all of A while it is the cheapest; from 2.50
    on 5 kg of E in its place, all there is of it; from 4.00 on Z for the rest. Drawn to twice the price of A, 3.00.
    """
    further = ({"lot": "E", "on_hand_kg": 5, "cost_per_kg": 2.5}, {"lot": "Z", "on_hand_kg": 30, "cost_per_kg": 4})
    problem = kitchen(LEAN, *({"fat_pct": 20, **lot} for lot in further))
    ground = ground_of(problem)
    assert ground is not None
    (lot,) = (lot for lot in problem.formula.lots if isinstance(lot, Lot) and lot.name == "A")
    curve = price_curve(ground, lot)
    most, least = F("19.975"), F("14.975")
    assert [(point.figure, point.cost, point.kink) for point in curve.points] == [
        (0, 0, ""),
        (F("2.5"), most * F("2.5"), "19.975 kg below, 14.975 kg above"),
        (4, 5 * F("2.5") + least * 4, "14.975 kg below, 0.000 kg above"),
        (6, 5 * F("2.5") + least * 4, ""),
    ]
    assert tuple(map(astuple, curve.amounts)) == ((0, F("2.5"), most), (F("2.5"), 4, least), (4, 6, 0))
    assert (curve.present.figure, curve.present.cost) == (3, 5 * F("2.5") + least * 3)
    unit = dearest(ground_of(kitchen(LEAN, FAT)) or ground)
    assert unit is not None and (unit[0].what, unit[1], unit[2]) == ("fat", 1, most / 10)  # a point: a tenth of it B


# Why there is no batch, and what could not go in.


def test_no_reason_has_a_capital_in_the_middle_of_a_word() -> None:
    """Two limits against each other, neither with a figure that lots could reach."""
    problem = kitchen({**LEAN, "fat_sd_pct": 1}, {**FAT, "fat_sd_pct": 1})
    limit = requirement_of(problem, "fat")
    for confident, start in ((False, "Fat of"), (True, "With the confidence asked for, fat of")):
        sure = Confidence(probability=F("0.9")) if confident else None
        pair = (replace(limit, confidence=sure), limit)
        conflict = Conflict(pair, (), packs_matter=False)
        said = cause(replace(blend(problem), conflict=conflict))
        assert said.startswith(start) and "cannot hold together from these lots." in said, said
        alone = cause(replace(blend(problem), conflict=replace(conflict, requirements=pair[:1])))
        assert alone.startswith(start) and "cannot hold from these lots." in alone, alone


@pytest.mark.parametrize("gone", [0, 1, 2, 3, 4])
@pytest.mark.parametrize("most", [25, 10])
def test_a_line_of_what_is_left_out_stands_only_where_something_is(gone: int, most: int) -> None:
    """Lots past their use-by, with a batch (25 %) and without one (10 % of lots of 20 and 30)."""
    late = [{**LEAN, "lot": f"late{k}", "use_by": "2026-01-01"} for k in range(gone)]
    found = batch_page(blend(kitchen({**LEAN, "use_by": ""}, {**FAT, "use_by": ""}, *late, most=most)))
    lines = [line for line in found.splitlines() if "left out" in line]
    assert bool(lines) is bool(gone), lines
    assert not any(line.rstrip().endswith(":") for line in lines)
    assert all(f"late{k}" in lined(found) for k in range(gone))


def test_what_would_do_is_listed_only_where_nothing_does() -> None:
    """The same sentence counts as a price beside a batch, and as a way out where there is none."""
    for most, none in ((25, False), (10, True)):
        found = batch_page(blend(kitchen(LEAN, FAT, most=most)), [(None, "Something about it")])
        assert ("1. Something about it" in found) is none
        assert (WOULD_DO.upper() in found) is none and (ASK_WHY in lined(found)) is none
        assert "Something about it" in found


# Pounds and ounces.


def test_a_limit_on_a_weight_and_its_check_are_said_in_pounds() -> None:
    """45.359237 kg are 100 lb, 22.6796185 are 50, and in kilograms nothing moves."""
    answer = blend(kitchen(LEAN))
    assert answer.weighed is not None
    limit = replace(requirement_of(answer.problem, "fat"), unit="kg", lo=None, hi=100 * LB)
    (check, *_) = measured(answer.problem.requirements, answer.weighed)
    check = replace(check, requirement=limit, value=50 * LB, worst_load=75 * LB)
    said = Unit.of(pounds=True).check(check)
    assert (said.requirement.unit, said.requirement.lo, said.requirement.hi) == ("lb", None, 100)
    assert (said.value, said.worst_load) == (50, 75)
    assert Unit.of(pounds=False).check(check) is check
    share = replace(check, requirement=replace(limit, unit="%"))
    assert Unit.of(pounds=True).check(share) is share


@pytest.mark.parametrize(
    ("kilograms", "grams", "said"),
    [
        (F("19.4") * OZ, "50", "1 lb 3.4 oz"), (F("19.4") * OZ, "3", "1 lb 3.4 oz"), (F("3.44") * OZ, "1", "3.44 oz"),
        (32 * OZ, "1", "2 lb"), (F(0), "1", "0 oz"), (F("15.96") * OZ, "50", "1 lb"),
    ],
)  # fmt: skip
def test_ounces_have_a_decimal_at_least_and_never_sixteen_of_them(kilograms: F, grams: str, said: str) -> None:
    assert ounces(kilograms, F(grams) / 1000) == said


# The order.


def recipe_of(**more: Any) -> Any:
    return parse_recipe("name: x\n" + "".join(f"{key}: {value}\n" for key, value in more.items()), "r.yaml")


@pytest.mark.parametrize(
    ("size", "grams", "within"),
    [
        ("--meat-kg", "50", F("0.025")), ("--batch-kg", "50", F("0.05")),  # half a division, and a whole one
        ("--meat-kg", "1000", F("0.2")), ("--batch-kg", "1000", F("0.2")),  # a fiftieth of 10 kg
        ("--meat-lb", "1000", 10 * LB / 50),
    ],
)  # fmt: skip
def test_a_batch_is_within_half_a_division_and_never_more_than_a_fiftieth(size: str, grams: str, within: F) -> None:
    assert order_of(recipe_of(), size, F(10), DAY, Asked(meat_g=F(grams))).within_kg == within


@pytest.mark.parametrize(
    ("size", "own", "asked", "pounds"),
    [
        ("--meat-kg", "", None, None), ("--meat-lb", "", None, True), ("--meat-kg", "lb", None, True),
        ("--meat-kg", "kg", None, False), ("--meat-lb", "kg", None, True), ("--meat-lb", "lb", Units.KG, False),
        ("--batch-kg", "kg", Units.LB, True),
    ],
)  # fmt: skip
def test_pages_are_in_pounds_by_the_command_then_the_size_then_the_recipe(
    size: str, own: str, asked: Units | None, pounds: bool | None
) -> None:
    """None: nobody said, so that the lots table decides. A smallest pull of 2 units goes by the same unit."""
    recipe = recipe_of(**{"units": own} if own else {})
    order = order_of(recipe, size, F(100), DAY, Asked(units=asked, smallest_pull=lambda batch, unit: 2 * unit))
    assert order.in_pounds is pounds
    assert order.tidy is not None and order.tidy.pull.kilograms == (2 * LB if pounds else 2)
    share = 100 * (LB if size.endswith("lb") else 1) / 100  # by default a hundredth of the batch, in whole 50 g
    assert share <= order.tidy.remnant.kilograms < share + F("0.05")


# Money.


def test_what_is_lost_with_a_dying_lot_is_its_price_less_what_it_would_fetch() -> None:
    """30 kg at 3 with 0.5 to fetch: 18 used, 12 lost at 2.5 each; all of it unused: 75."""
    lot = {**LEAN, "salvage_per_kg": "0.5", "use_by": "2026-11-27"}
    problem = kitchen(lot, {**FAT, "salvage_per_kg": "", "use_by": ""})
    problem = replace(problem, order=replace(problem.order, next_chance=date(2026, 12, 2)))
    taken = next(item for item in problem.formula.lots if item.name == "A")
    for items, figures in (({taken: F(18)}, (18, 12, 30)), ({}, (0, 30, 75))):
        (found,) = dying_lots(problem, items)
        assert (found.used_kg, found.left_kg, found.loss) == figures


@pytest.mark.parametrize(
    ("price", "said"),
    [
        (F(9, 10), "They cost 0.90, 2.0 %."),
        (F(9), "They cost 9.00, 20.0 %."),
        (F(1, 100), ""),
        (None, ""),
        (F("0.045"), ""),
        (F("0.0451"), "They cost 0.05, 0.1 %."),
    ],
)
def test_what_tidiness_costs_is_said_as_a_share_of_the_batch(price: F | None, said: str) -> None:
    """The cheapest batch costs 19.975 kg times 2.50; here its optimum is set to 45. A thousandth is no matter."""
    problem = kitchen(LEAN, FAT)
    tidy = Tidy(Least(F("0.2")), Least(F("0.3")))
    answer = blend(problem)
    assert answer.optimum is not None
    answer = replace(
        answer, problem=replace(problem, order=replace(problem.order, tidy=tidy)), kept=tidy, tidy_price=price,
        optimum=replace(answer.optimum, cost=F(45)),
    )  # fmt: skip
    whole = "A lot in use gives at least 0.2 kg, an opened lot keeps nothing or at least 0.3 kg."
    assert tidiness(answer) == f"{whole} {said}".strip()


@pytest.mark.parametrize("breaks", ["10=-0.5", "10=2 20=-0.01", "10=4", "10=2 10=1", "20=2 10=1"])
def test_price_breaks_fall_and_stay_above_nothing(breaks: str) -> None:
    head = "offer,supplier,fat_pct,cost_per_kg,breaks\n"
    with pytest.raises(BadInput, match="price breaks rise in kilograms and fall in price"):
        parse_offers(f"{head}neck,Hill,20,3,{breaks}\n", "o.csv")
    assert parse_offers(f"{head}neck,Hill,20,3,10=2 20=0\n", "o.csv").offers


# Limits at their very figures.


def test_a_row_holds_at_both_of_its_ends() -> None:
    row = Row("fat", (F(1), F(2)), F(2), F(3))
    held = [row.holds((F(0), x)) for x in (F("0.9999"), F(1), F("1.2"), F("1.5"), F("1.5001"))]
    assert held == [False, True, True, True, False]


def test_a_lot_of_no_weight_is_not_in_a_batch() -> None:
    """Kept apart: 20 kg of A with nothing of B, as in a load that got none of it, holds; with 1 g of B it does not."""
    problem = Kitchen([LEAN, FAT], [{"apart": {"lots": ["A", "B"]}}], kilograms=20).problem()
    apart = requirement_of(problem, "A, B apart")
    a, b = problem.formula.lots
    for kilograms, ok in ((F(0), True), (F(1, 1000), False)):
        verdict = apart.measure(Batch({a: F(20), b: kilograms}, problem.recipe.process))
        assert verdict.ok is ok and verdict.value == (1 if ok else 2)


def test_of_lots_alike_the_first_in_use_is_taken_first_as_far_as_whole_divisions_of_it_go() -> None:
    """Of 5.03 kg 5.00 can be weighed in divisions of 50 g, half of it in each load; the other lot brings the rest."""
    sooner = {"lot": "Z", "on_hand_kg": 5.03, "fat_pct": 20, "cost_per_kg": 3, "use_by": "2026-11-27"}
    answer = blend(kitchen(LEAN | {"use_by": "2026-11-29"}, sooner, mixer_kg=10))
    assert answer.weighed is not None
    loads = [{item.name: kg for item, kg in load.kilograms.items()} for load in answer.weighed.loads]
    assert loads == [{"A": F("7.5"), "Z": F("2.5")}] * 2


@pytest.mark.parametrize(
    ("figures", "ok"),
    [("99.5", True), ("60, moisture_pct: 40", True), ("60.5, moisture_pct: 40", False)],
)
def test_what_is_not_stated_of_an_addition_counts_as_nothing(figures: str, ok: bool) -> None:
    text = f"name: x\nadditions:\n  - {{name: lard, is: spice, g_per_kg_meat: 10, fat_pct: {figures}}}\n"
    if ok:
        assert parse_recipe(text, "r.yaml")
    else:
        with pytest.raises(BadInput, match=r"add up to 100\.5 %"):
            parse_recipe(text, "r.yaml")


@pytest.mark.parametrize("full", [(), ("--full",)])
def test_what_confidence_costs_is_told_to_the_hundredth(full: tuple[str, ...], tmp_path: Path) -> None:
    """Nine parts of fat known to two points: the least cost at 95 % less the least cost without, by the documents."""
    lots = "lot,on_hand_kg,fat_pct,fat_sd_pct,cost_per_kg\nA,30,20,2,3.17\nB,30,33,2,2.03\n"
    recipe = "name: x\nrequire: [{fat: {max_pct: 27}}]\n"
    command = ("blend", str(tmp_path / "r.yaml"), "--meat-kg", "20")
    plain = json.loads(run(tmp_path, recipe, lots, *command, "--json"))
    sure = json.loads(run(tmp_path, recipe + "confidence: {probability: 0.95}\n", lots, *command, "--json"))
    page = lined(run(tmp_path, recipe + "confidence: {probability: 0.95}\n", lots, *command, *full))
    price = sure["cost"]["optimum"] - plain["cost"]["optimum"]
    assert price > 0.1 and f"confidence costs {price:.2f} " in page
    assert f"{100 * min(one['probability'] for one in sure['confidence']['limits']):.1f} % likely met" in page


@pytest.mark.parametrize(("salt", "refused"), [("1.1", True), ("1.0001", True), ("1", False), ("0.4", False)])
def test_a_total_of_salt_that_every_lot_exceeds_is_refused_where_it_is_asked_for(
    salt: str, refused: bool, tmp_path: Path
) -> None:
    """With 1 % in all and lots of more, salt would have to be taken out; at 1 % itself none is added."""
    lots = f"lot,on_hand_kg,fat_pct,cost_per_kg,salt_pct\nA,30,20,3,{salt}\nB,30,20,2,{float(salt) + 0.5}\n"
    recipe = "name: x\nadditions:\n  - {name: salt, is: salt, total_salt_pct: 1}\n"
    found = lined(run(tmp_path, recipe, lots, "blend", str(tmp_path / "r.yaml"), "--meat-kg", "20"))
    assert ("r.yaml:3:44: error:" in found) is refused
    assert ("total salt of 1 % is exceeded before any salt" in found) is refused


def test_the_full_page_tells_the_batch_and_its_meat_to_the_gram(tmp_path: Path) -> None:
    """20 kg of meat with 17 g of salt to the kilogram and 3 g of pepper."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,30,20,3\n"
    recipe = "name: x\nadditions:\n  - {name: salt, is: salt, g_per_kg_meat: 17}\n"
    recipe += "  - {name: pepper, g_per_kg_meat: 0.15}\n"
    found = lined(run(tmp_path, recipe, lots, "blend", str(tmp_path / "r.yaml"), "--meat-kg", "20", "--full"))
    assert "whole batch 20.343 kg, meat block 20.000 kg" in found


# Temperatures and logs.


def test_a_mix_is_told_to_a_tenth_of_a_degree(tmp_path: Path) -> None:
    """Mass balance of heat: what was ground at 4 C and what is added at 1 C, by their kilograms."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,30,20,3\nB,30,30,2\nL,30,5,4\n"
    (tmp_path / "b.csv").write_text("item,kg\nA,10\nB,10\n")
    words = ("correct", str(tmp_path / "b.csv"), "--recipe", str(tmp_path / "r.yaml"), "--ground-c", "4",
             "--added-c", "1", "--measured-fat", "26")  # fmt: skip
    found = run(tmp_path, "name: x\nrequire:\n  - fat: {max_pct: 25}\n", lots, *words)
    added = re.search(r"L\s+(\d+\.\d+)", found)
    assert added is not None, found
    kilograms = float(added[1])
    assert f"the mix comes to {(20 * 4 + kilograms) / (20 + kilograms):.1f} C" in lined(found)


def test_only_a_place_has_a_last_word() -> None:
    """What is judged of the product itself names no authority, on the full page as on the short one."""
    us = place("us")
    report = judge_cook(log_of(core=[(0, 40), (60, 160), (70, 130), (100, 80), (300, 40)]), product(), [us],
                        AskedHeat(gap=F(999)))  # fmt: skip
    here = next(judged for judged in report.judged if judged.place is us)
    word = f"The last word is with {us.authority}."
    assert word in lined(log_page(report, full=True)) and word not in lined(log_page(report))
    for full in (False, True):
        own = LogReport(report.product, report.log, (Judged(None, here.phases),))
        found = lined(log_page(own, full=full))
        assert "THE PRODUCT" in found and "last word" not in found


@pytest.mark.parametrize("by", [F(1), F(1, 2), F(3)])
def test_a_core_falls_whatever_part_of_a_minute_the_log_counts_in(by: F) -> None:
    """3 CCR 910.15(b) asks for a fall from 120 to 40 F: it counts from there, not from the heating before it."""
    salty: dict[str, Any] = {"salt_pct": F(4), "nitrite_ppm": F(45)}
    points = [(0, 40), (30, 90), (60 + by / 3, 160), (90, 120), (500, 80), (1290, 40)]
    for more, ok in (([], True), ([(600, 81)], None)):
        cores = sorted([*points, *more])
        report = judge_cook(log_of(core=cores), product(**salty), [place("us-california")], AskedHeat(gap=F(9999)))
        (found,) = (p.findings[2] for p in report.phases if p.title == "cooling")
        assert found.ok is ok, found.words


def test_the_loss_asked_of_a_dried_piece_is_told_as_stated() -> None:
    """A yield of 67.25 % asks for a loss of 32.75 %."""
    made = product(steps="[dried]", extra="yield: {finished_pct: 67.25}\n")
    log = log_of(weight=[(0, 1), (100, "0.6666")])
    report = judge_dry(log, made, [place("gb")], Pieces())
    (words,) = (f.words for p in report.phases if p.title == "weight loss" for f in p.findings)
    assert words == "33.34 % lost by the least dried piece, 32.75 % asked"


def test_only_what_has_days_in_all_says_so() -> None:
    """Old 9 CFR 318.10(c)(3), 2015 edition: method 1 counts 25 days in all to 3-1/2 in, method 5 only 65 at 45 F."""
    made = product(steps="[dried]", lots="pork", batch={"pork": "1"}, additions={"salt": ("salt", "0.04")})
    log = log_of(chamber=[(0, 45), (70 * 1440, 45)])
    report = judge_dry(log, made, [place("us")], Pieces(diameter_mm=F(60), piece_mm=F(10), gap=F(999999)))
    words = [f.words for p in report.phases if p.title == "Trichinella" for f in p.findings]
    assert any(re.fullmatch(r"method 1.*: 480 h at 45 F, 25 d in all met", said) for said in words), words
    assert any(re.fullmatch(r"method 5: 1560 h at 45 F met", said) for said in words), words


@pytest.mark.parametrize(("d", "words"), [("0.5", "30 s"), ("0.99", "59.4 s"), ("1", "1 min"), ("2.25", "2.25 min")])
def test_a_published_d_is_told_in_minutes_from_one_minute_on_and_in_seconds_below(d: str, words: str) -> None:
    us = place("us")
    one = us.opinions[0].model_copy(update={"d": F(d)})
    report = judge_cook(log_of(core=[(0, 150), (9, 150)]), product(), [us.model_copy(update={"opinions": (one,)})],
                        AskedHeat(gap=F(999)))  # fmt: skip
    (found,) = (f.words for p in report.phases for f in p.findings if f.words.startswith(f"{one.title}:"))
    assert f"(D {words} at " in found


@pytest.mark.parametrize(
    ("times", "words"), [("10.5", "10.5"), ("999.9", "999.9"), ("2000", "10^3"), ("20000", "10^4")]
)
def test_a_kill_is_told_in_tenfold_reductions_and_in_powers_of_ten_where_they_are_many(times: str, words: str) -> None:
    """A core held at the figure of each published D for so many D (and a little, for the sum is taken low)."""
    for rule in place("us").opinions:
        at, end = fahrenheit(rule.at, rule.unit), rule.d * F(times) * F("1.00001")
        report = judge_cook(log_of(core=[(0, at), (end, at)]), product(), [place("us")], AskedHeat(gap=F(10**9)))
        found = [f.words for p in report.phases for f in p.findings if f.words.startswith(f"{rule.title}:")]
        assert any(f"{rule.title}: {words} tenfold reductions" in said for said in found), found


def test_an_offer_says_what_it_is_worth_how_much_more_for_less_and_what_an_order_of_it_leaves(tmp_path: Path) -> None:
    """Of 19.975 kg at one fat 4 kg each come at 2, 3 and 4 and 7.975 at 6, of which 0.2 kg, 1 % of the batch, stay in.

    An offer takes the place of the dearest first; another kilogram of A too, worth 6 less its own 2.
    """
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,4,20,2\nB,4,20,3\nC,4,20,4\nD,30,20,6\n"
    offers = tmp_path / "o.csv"
    offers.write_text("offer,fat_pct,cost_per_kg,pack_kg,largest_order_kg\nO,20,5,5,\nfew,20,5,,2\nnone,20,7,5,\n")
    words = ("why", str(tmp_path / "r.yaml"), "--meat-kg", "20", "--offers", str(offers))
    short, full = (lined(run(tmp_path, "name: x\n", lots, *words, *more)) for more in ((), ("--full",)))
    assert "O: pay at most 6.00 a kg, for 7.98 kg. At the 5.00 asked use 7.98 kg and save 7.98. Sold in" in short
    assert "packs of 5 kg: that is an order of 10.00 kg for 50.00, of which 2.03 kg are left over." in short
    assert "none: pay at most 6.00 a kg, for 7.98 kg. At the 7.00 asked buy none. " in short
    few = "few: pay at most 6.00 a kg, for 2.00 kg. At the 5.00 asked buy 2.00 kg and save 2.00. * none"
    assert few in short and few in full
    assert "More would be bought" not in short and full.count("More would be bought") == 2
    assert "for less: 11.98 kg below 4.00, 15.98 kg below 3.00, 19.78 kg below 2.00. At the 5.00" in full
    assert "* A: 4.00 a kg * B: 3.00 a kg" in short and "* A: 4.00 a kg, up to 11.76 kg on hand * B" in full


@pytest.mark.parametrize(
    ("bound", "gap", "said"),
    [
        ("41.2345", "0.005", "less than 41.23; scales and packs cost 0.01. "), ("41.2345", "0.004", "than 41.23. "),
        ("41.238", "1.2345", "less than 41.24; scales and packs cost 1.23. "), ("7", "0", "costs less than 7.00. "),
    ],
)  # fmt: skip
def test_the_foot_says_what_is_proved_to_the_cent(bound: str, gap: str, said: str) -> None:
    answer = blend(kitchen(LEAN, FAT))
    assert answer.certificate is not None
    proved = replace(answer.certificate, lower_bound=F(bound), cost=F(bound) + F(gap))
    assert said in lined(batch_page(replace(answer, certificate=proved), full=False)) + " "


@pytest.mark.parametrize(
    ("finished", "fat", "said"),
    [
        (87.66, 1.25, "of the batch's weight 11.09 % is lost as water and 1.25 % as fat."),
        (90.5, 0, "of the batch's weight 9.5 % is lost as water."), (98.765, 0, "of the batch's weight 1.24 % is lost"),
    ],
)  # fmt: skip
def test_the_yield_counted_with_is_said(finished: float, fat: float, said: str, tmp_path: Path) -> None:
    recipe = f"name: x\nyield: {{finished_pct: {finished}, fat_loss_pct: {fat}}}\n"
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,40,20,2\n"
    page = lined(run(tmp_path, recipe, lots, "blend", str(tmp_path / "r.yaml"), "--meat-kg", "20", "--full"))
    assert f"Yield: {said}" in page


def test_the_picture_of_a_batch_is_ruled_at_every_fifth() -> None:
    """Nothing of a lot stands at the left edge of its bar, all of it at the right: 264 pixels from 112 on."""
    assert SIZES["ticks"] == [(112 + 264 * k / 5, f"{20 * k} %") for k in range(6)]
    assert (SIZES["room"], SIZES["room"] + 264) == (SIZES["ticks"][0][0], SIZES["ticks"][-1][0])


def test_words_are_listed_with_commas_and_one_and() -> None:
    told = [joined(["a", "b", "c", "d"][:n]) for n in range(5)]
    assert told == ["", "a", "a and b", "a, b and c", "a, b, c and d"]


@pytest.mark.parametrize(
    ("mixer", "head"), [("25", "one load of 20.360 kg"), ("12", "2 mixer loads, 20.360 kg in all"), ("7", "3 mixer")]
)
def test_what_is_weighed_out_is_headed_by_its_loads(mixer: str, head: str, tmp_path: Path) -> None:
    """20 kg of meat with 18 g of salt a kilogram."""
    recipe = "name: x\nadditions: [{name: salt, is: salt, g_per_kg_meat: 18}]\n"
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg\nA,40,20,2\n"
    words = ("blend", str(tmp_path / "r.yaml"), "--meat-kg", "20", "--mixer-kg", mixer)
    assert f"WEIGH, {head}" in lined(run(tmp_path, recipe, lots, *words))


@pytest.mark.parametrize(
    ("kind", "more", "said"),
    [
        (WayKind.CONFIDENCE, {"probability": (F("0.95"), F("0.9"))}, "ask for a confidence of 90 % instead of 95 %."),
        (WayKind.CONFIDENCE, {"probability": (F("0.975"), F("0.51")), "cost": F(42)},
         "ask for a confidence of 51 % instead of 97.5 %: the batch then costs 42.00, 2.10 a kg of meat block."),
        (WayKind.SCALE, {"figure": F("0.005")}, "weigh the meat to 5 g."),
        (WayKind.TOLERANCE, {"figure": F("0.0125"), "cost": F(40), "sure": False},
         "let the weight be within 12.5 g of the order: the batch then costs at most 40.00, 2.00 a kg of meat block."),
        (WayKind.USE_UP, {"lots": "AB"}, "do not use up A and B."),
        (WayKind.PURCHASE, {"lots": "AB", "spend": F("9.5")}, "buy 1 kg of A and 2 kg of B for 9.50."),
        (WayKind.PACKS, {"lots": "B"}, "open packs, or pull less than the smallest pull, of B."),
        (WayKind.MEASURED, {"lots": "A"},
         "measure the fat of A by the most precise bench method, if it comes out the same."),
    ],
)  # fmt: skip
def test_each_way_out_is_one_sentence(kind: WayKind, more: dict[str, Any], said: str) -> None:
    """Of 20 kg of meat."""
    problem = kitchen(LEAN, FAT)
    named = more.get("lots", "")
    lots = [lot for lot in problem.formula.lots if lot.name in named]
    more = {key: value for key, value in more.items() if key != "lots"}
    way = Way(kind, problem, lots=tuple((lot, F(k)) for k, lot in enumerate(lots, start=1)), **more)
    assert way_words(problem, way) == said
