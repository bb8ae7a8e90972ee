"""Faults that were once planted and went unseen, each in the place where it would do its harm.

What ought to come out is worked out here by hand, or by scipy from the raw figures.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from kitchens import Kitchen
from typer.testing import CliRunner
from where import ROOT

from optimizer.answer import Status, measured
from optimizer.cli import app
from optimizer.figures import Unit
from optimizer.plan.files.happened import LotHappened, _slips
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import rules_of
from optimizer.plan.model.world import assemble_week
from optimizer.plan.report.outcome import Expiring, Outcome, plan_week
from optimizer.plan.report.plan_page import _tidy, plan_page
from optimizer.plan.settle import find, repair
from optimizer.plan.settle.books import Books
from optimizer.plan.settle.find import Plan
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

F = Fraction
DATE = ("--date", "2026-11-25")
HEAD = "lot,material,role,species,on_hand_kg,fat_pct,moisture_pct,protein_pct,cost_per_kg,use_by\n"


def run(folder: Path, recipe: str, lots: str, *words: str) -> tuple[int, Any]:
    """A command on two files, and its JSON document."""
    (folder / "r.yaml").write_text(recipe)
    (folder / "l.csv").write_text(lots)
    done = CliRunner().invoke(app, [*words, *DATE, "--json"])
    return done.exit_code, json.loads(done.stdout) if done.stdout else done.stderr


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


BLEND = ("blend", "r.yaml", "--lots", "l.csv", "--meat-kg", "20")
CHECK = ("check", "b.csv", "--recipe", "r.yaml", "--lots", "l.csv")


def used(found: Any) -> dict[str, float]:
    return {lot["lot"]: lot["kg"] for lot in found["lots"]}


def test_a_lot_without_a_date_goes_in_after_one_with_a_date(tmp_path: Path) -> None:
    """Alike in all else; the undated one sorts first by its name."""
    lots = HEAD + "A,leg,meat,pork,30,20,62,17,3,\nB,leg,meat,pork,30,20,62,17,3,2027-06-01\n"
    _, found = run(tmp_path, "name: x\nrequire:\n  - fat: {max_pct: 25}\n", lots, *BLEND)
    assert used(found) == {"B": 20.0}


def test_the_earlier_of_two_dates_goes_in_first(tmp_path: Path) -> None:
    lots = HEAD + "A,leg,meat,pork,30,20,62,17,3,2026-12-02\nB,leg,meat,pork,12,20,62,17,3,2026-12-01\n"
    _, found = run(tmp_path, "name: x\nrequire:\n  - fat: {max_pct: 25}\n", lots, *BLEND)
    assert used(found) == {"A": 8.0, "B": 12.0}


PAIR = HEAD + "A,leg,meat,pork,12,20,62,17,2,\nB,neck,meat,pork,12,20,62,17,2.5,\nC,loin,meat,pork,30,20,62,17,4,\n"


def test_lots_that_are_kept_apart_never_meet(tmp_path: Path) -> None:
    """A with C costs 12 x 2 + 8 x 4 = 56, B with C 62, A with B, which may not be, 12 x 2 + 8 x 2.5 = 44."""
    recipe = "name: x\nrequire:\n  - fat: {max_pct: 25}\n  - apart: {lots: [A, B]}\n"
    code, found = run(tmp_path, recipe, PAIR, *BLEND)
    assert code == 0 and used(found) == {"A": 12.0, "C": 8.0}
    assert found["cost"]["value_used"] == 56.0
    Path("b.csv").write_text("item,kg\nA,12\nB,8\n")
    code, found = run(tmp_path, recipe, PAIR, *CHECK)
    (check,) = (c for place in found["places"] for c in place["checks"] if c["what"] == "A, B apart")
    assert (code, check["value"], check["ok"]) == (1, 2.0, False)


def test_lots_that_go_together_come_both_or_not_at_all(tmp_path: Path) -> None:
    """B and C together: 12 x 2.5 + 8 x 4 = 62, with A less: 12 x 2 + 7.95 x 2.5 + 0.05 x 4 = 44.075."""
    recipe = "name: x\nrequire:\n  - fat: {max_pct: 25}\n  - together: {lots: [B, C]}\n"
    code, found = run(tmp_path, recipe, PAIR, *BLEND)
    assert code == 0 and set(used(found)) in ({"A", "B", "C"}, {"B", "C"})
    Path("b.csv").write_text("item,kg\nA,12\nB,8\n")
    code, found = run(tmp_path, recipe, PAIR, *CHECK)
    (check,) = (c for place in found["places"] for c in place["checks"] if c["what"] == "B, C together")
    assert (code, check["ok"]) == (1, False)


@pytest.mark.parametrize(("limits", "ok"), [("max: 6", False), ("min: 1.5", True), ("min: 1.5, max: 6", False)])
def test_meat_without_any_fat_is_no_ratio_below_a_limit(limits: str, ok: bool, tmp_path: Path) -> None:
    """Kilograms of meat over none of fat are more than any limit."""
    recipe = f"name: x\nrequire:\n  - meat_to_fat: {{{limits}}}\n"
    Path("b.csv").write_text("item,kg\nC,20\n")
    code, found = run(tmp_path, recipe, PAIR, *CHECK)
    (check,) = (c for place in found["places"] for c in place["checks"] if c["what"] == "meat-to-fat ratio")
    assert check["ok"] is ok and code == (0 if ok else 1)


def test_one_load_beyond_a_limit_breaks_it_though_the_whole_holds() -> None:
    """Loads of 20 and 28 % fat under a limit of 25 %: together 24 %."""
    kitchen = Kitchen(
        [{"lot": "A", "on_hand_kg": 30, "fat_pct": 20, "cost_per_kg": 3},
         {"lot": "B", "on_hand_kg": 30, "fat_pct": 28, "cost_per_kg": 2}],
        [{"fat": {"max_pct": 25}}], kilograms=20,
    )  # fmt: skip
    problem = assemble(parse_recipe(kitchen.recipe_text(), "r"), parse_lots(kitchen.lots_text(), "l"), kitchen.order())
    a, b = (problem.formula.exact_batch(kg) for kg in ((F(10), F(0)), (F(0), F(10))))
    both = problem.formula.exact_batch((F(10), F(10)))
    weighed: Any = SimpleNamespace(total=both, loads=(a, b))
    (check,) = (c for c in measured(problem.requirements, weighed) if c.requirement.what == "fat")
    assert (check.value, check.worst_load, check.ok) == (24, 28, False)
    weighed = SimpleNamespace(total=both, loads=(a, a))
    (check,) = (c for c in measured(problem.requirements, weighed) if c.requirement.what == "fat")
    assert (check.worst_load, check.ok) == (20, True)


CURED = """\
name: x
rules: [us]
product_class: sausage
steps: [smoked, cooked]
require:
  - fat: {max_pct: 25}
additions:
  - {name: cure, is: cure, nitrite_pct: 6.25, ingoing_nitrite_ppm: 150}
yield: {finished_pct: 90}
scales: {spice_g: 0.1}
"""


@pytest.mark.parametrize(
    ("share", "forbids", "off"),
    [("0.89", True, True), ("0.911", False, True), ("1", False, False), ("1.03", False, True), ("1.05", True, True)],
)
def test_a_cure_a_tenth_short_or_over_the_law_must_not_be_made(
    share: str, forbids: bool, off: bool, tmp_path: Path
) -> None:
    """20 kg at 150 ppm want 48 g of 6.25 %; 156.25 ppm (9 CFR 424.21(c), 1/4 oz to 100 lb) are 50 g."""
    grams = F(48) * F(share)
    Path("b.csv").write_text(f"item,kg,grams\nA,12,\nC,8,\ncure,,{float(grams)}\n")
    code, found = run(tmp_path, CURED, PAIR, *CHECK)
    (dose,) = found["doses"]
    assert (dose["dose_grams"], dose["off"]) == (48.0, off)
    assert dose["forbids"] is (share == "0.89")
    assert found["verdict"]["headline"].startswith("DO NOT MAKE") is forbids
    assert code == (1 if forbids or off else 0)


@pytest.mark.parametrize(("tolerance", "certain"), [("5", True), ("60", False)])
def test_a_range_of_the_scales_that_crosses_a_limit_is_not_certain(
    tolerance: str, certain: bool, tmp_path: Path
) -> None:
    """10 kg of 20 % and 10 kg of 30 % are 25 %; the limit is 25.1. With 60 g up and down: at most 25.2 %."""
    lots = HEAD + "A,leg,meat,pork,30,20,62,17,3,\nB,neck,meat,pork,30,30,54,15,3,\n"
    Path("b.csv").write_text("item,kg\nA,10\nB,10\n")
    recipe = "name: x\nrequire:\n  - fat: {max_pct: 25.02}\n"
    code, found = run(tmp_path, recipe, lots, *CHECK, "--meat-tolerance-g", tolerance)
    (check,) = (c for place in found["places"] for c in place["checks"] if c["what"] == "fat")
    high = (F(20) * (10 - F(tolerance) / 1000) + 30 * (10 + F(tolerance) / 1000)) / 20
    assert (check["value"], check["ok"]) == (25.0, True)
    assert check["high"] == pytest.approx(float(high))
    assert check["whole_range"] is certain
    assert (code == 0) is certain and found["verdict"]["headline"].startswith("NOT CERTAIN") is not certain


def test_a_price_of_a_ratio_is_per_kilogram_on_a_kilogram(tmp_path: Path) -> None:
    """The least meat to a kilogram of fat, 3: of 20 kg 15 are meat at 3.00 and 5 fat at 1.00; at 4 they are 16 and 4.

    Cost at a ratio r is 20.025 (least weight 19.975) times (3 r + 1) / (r + 1): its slope at 3 is 2 / 16 a kilogram.
    """
    lots = HEAD + "A,leg,meat,pork,30,10,70,19,3,\nB,back fat,fat,pork,30,80,15,4,1,\n"
    recipe = "name: x\nrequire:\n  - meat_to_fat: {min: 3}\n"
    _, found = run(tmp_path, recipe, lots, "why", *BLEND[1:])
    (price,) = (b for b in found["binding"] if b["what"] == "meat-to-fat ratio")
    assert price["loosen"]["saves_per_unit"] == pytest.approx(19.975 * 2 / 16, rel=1e-9)


def test_a_blend_in_loads_is_never_worse_in_one_of_them(tmp_path: Path) -> None:
    """A fat band as narrow as two divisions: every load holds it, by the figures of the loads alone."""
    lots = HEAD + "A,leg,meat,pork,60,10,70,19,3,\nB,belly,fat,pork,60,52,37,10,1.5,\n"
    recipe = "name: x\nrequire:\n  - fat: {min_pct: 24, max_pct: 25}\nmixer_kg: 9\n"
    code, found = run(tmp_path, recipe, lots, *BLEND)
    assert code == 0 and len(found["loads"]) == 3
    fat = {"A": F(10), "B": F(52)}
    each = []
    for load in found["loads"]:
        kg = {lot["lot"]: F(str(lot["kg"])) for lot in load["lots"]}
        each.append(sum(fat[n] * x for n, x in kg.items()) / sum(kg.values()))
    assert all(24 <= x <= 25 for x in each)
    (check,) = (c for c in found["checks"] if c["what"] == "fat")
    assert check["worst_load"] == pytest.approx(float(max(each)))


# A plan checked again: every rule of the kitchen and of an order, broken one at a time.


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_week(read_week(str(ROOT / "tests/data/small/week/week.yaml")), compare=False).plan


def said(plan: Plan, **changed: Any) -> str:
    made, orders = changed.get("made", plan.made), changed.get("orders", plan.orders)
    return "; ".join(Books(plan.program, made, orders).faults())


def test_a_sound_plan_has_no_faults(plan: Plan) -> None:
    assert said(plan) == ""


def order_of(plan: Plan, **terms: Any) -> list[Any]:
    """The orders, the first of them of an offer with other terms."""
    first, *others = plan.orders
    offer = replace(first.offer, terms=replace(first.offer.terms, **terms))
    return [replace(first, supply=replace(first.supply, offer=offer)), *others]


def test_an_order_that_its_terms_do_not_allow_is_a_fault(plan: Plan) -> None:
    first = plan.orders[0]
    money, kg = first.money, first.kg
    one = F(1, 100)
    assert said(plan, orders=order_of(plan, supplier_minimum=money, smallest_order_kg=kg, largest_order_kg=kg)) == ""
    for offer, words in (
        ({"supplier_minimum": money + one}, "below the minimum"),
        ({"smallest_order_kg": kg + one}, "outside what one may order"),
        ({"largest_order_kg": kg - one}, "outside what one may order"),
        ({"pack_kg": kg * 2 / 3}, "no whole number of packs"),
        ({"delivery_days": frozenset()}, "is not delivered on"),
    ):
        assert words in said(plan, orders=order_of(plan, **offer)), offer


@pytest.mark.parametrize("faulty", [(), ("more is used than there is",)])
@pytest.mark.parametrize("unsound", [(), (0,), (2,), (0, 1, 2)])
def test_a_plan_with_a_fault_or_a_batch_that_is_not_sound_is_never_called_sound(
    faulty: tuple[str, ...], unsound: tuple[int, ...], plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = [replace(one, answer=replace(one.answer, status=Status.DO_NOT_MAKE)) if k in unsound else one
            for k, one in enumerate(plan.made)]  # fmt: skip
    assert [not one.sound for one in made] == [k in unsound for k in range(len(made))]
    monkeypatch.setattr(find, "weigh_all", lambda *_: made)
    monkeypatch.setattr(Books, "faults", lambda _: iter(faulty))
    found = find.finish(plan.program, plan.solved, plan.solved)
    assert (found.status is Status.DO_NOT_MAKE) is bool(faulty or unsound)
    assert found.whole is not bool(faulty or unsound)
    assert found.certificate is not None and found.certificate.feasible is found.whole


def test_more_than_there_is_is_a_fault(plan: Plan) -> None:
    one, *others = plan.made
    supply, kg = next(iter(one.taken.items()))
    more = replace(one, taken={**one.taken, supply: kg + 1000})
    assert "is used than there is" in said(plan, made=[more, *others])
    bought = replace(plan.orders[0], kg=F(1, 10))
    assert "is used than there is" in said(plan, orders=[bought, *plan.orders[1:]])


def test_a_batch_outside_its_days_or_its_size_is_a_fault(plan: Plan) -> None:
    last = plan.made[-1]
    others = [one for one in plan.made if one is not last]
    assert f"{last.job.name} has 0 kg" in said(plan, made=others) or last.job.name in said(plan, made=others)
    moved = replace(last, day=0)
    assert f"{last.job.name} is made outside its days" in said(plan, made=[*others, moved])
    assert f"{last.job.name} is made in parts" in said(plan, made=[*plan.made, last])
    assert "in parts" not in said(plan, made=others)


def test_a_kitchen_that_is_too_small_is_a_fault(plan: Plan) -> None:
    """Two batches of 40 kg on a day whose grinder takes 60."""
    by_name = {one.job.name: one for one in plan.made}
    second = replace(by_name["second"], day=by_name["first"].day)
    found = Books(plan.program, [by_name["first"], second, by_name["third"]], plan.orders).excesses()
    (stage, *_) = rules_of(plan.world)
    assert [(one.owner, one.by) for one in found] == [(stage.limit_on(by_name["first"].day), 20)]
    assert Books(plan.program, plan.made, plan.orders).excesses() == []


def test_a_batch_without_days_may_be_made_on_any_day_of_the_week_that_is_not_closed(tmp_path: Path) -> None:
    """Four days from Monday 30 November, the second closed; from the third on; up to the third; the fourth alone."""
    week = """\
name: x
start: 2026-11-30
days: 4
lots: l.csv
batches:
  - {name: any, recipe: r.yaml, meat_kg: 4}
  - {name: late, recipe: r.yaml, meat_kg: 4, from_day: 2026-12-02}
  - {name: early, recipe: r.yaml, meat_kg: 4, to_day: 2026-12-02}
  - {name: one, recipe: r.yaml, meat_kg: 4, day: 2026-12-03}
kitchen: {closed: [2026-12-01]}
"""
    for name, text in (("w.yaml", week), ("r.yaml", "name: x\nrequire:\n  - fat: {max_pct: 25}\n"), ("l.csv", PAIR)):
        (tmp_path / name).write_text(text)
    days = {job.name: tuple(job.days) for job in assemble_week(read_week(str(tmp_path / "w.yaml"))).jobs}
    assert days == {"any": (0, 2, 3), "late": (2, 3), "early": (0, 2), "one": (3,)}


@pytest.mark.parametrize(("pounds", "unit", "price"), [(False, "kg", "1.50"), (True, "lb", "0.68")])
def test_what_it_costs_to_save_an_expiring_lot_is_said_or_that_it_costs_nothing(
    pounds: bool, unit: str, price: str, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """1.50 a kilogram are 0.68 a pound (1.5 x 0.45359237); under half a cent, or less than nothing, is no dearer."""
    monkeypatch.setattr(Outcome, "unit", Unit.of(pounds=pounds))
    day = plan.world.date(1)
    lots = [
        Expiring(lot=name, last_day=day, kg=F(3), lost=F(9), save_in=batch, save_on=day if batch else None,
                 saving_costs_per_kg=cost)
        for name, batch, cost in (("P", "second", F("1.5")), ("Q", "second", F("0.004")), ("R", "second", F(-2)),
                                  ("S", "second", F(0)), ("T", None, None))
    ]  # fmt: skip
    lines = plan_page(Outcome(plan, expiring=lots)).splitlines()
    of = {line.split()[0]: " ".join(line.split()) for line in lines if re.match("[PQRST] ", line)}
    assert of["P"].endswith(f"in second on Tue 1 Dec: costs {price} a {unit} more"), of["P"]
    assert all("Tue 1 Dec: no dearer, but" in of[name] for name in "QRS"), of
    assert "no batch may take it" in of["T"]


@pytest.mark.parametrize(
    ("at", "beyond", "words"),
    [
        ({"short_kg": "12"}, {"short_kg": "12.1"}, "12.1 kg short of 12 kg"),
        ({"on_hand_kg": "120"}, {"on_hand_kg": "120.1"}, "120.1 kg of a lot of 12 kg"),
        ({"counted_now_kg": "120"}, {"counted_now_kg": "120.1"}, "120.1 kg of a lot of 12 kg"),
        ({"fat_pct": "1.01", "moisture_pct": "70"}, {"fat_pct": "1", "moisture_pct": "70"}, "fat of 1 % may be"),
        ({"nitrite_ppm": "1000000"}, {"nitrite_ppm": "1000001"}, "1000001 mg in a kilogram"),
        # 102.5 % is what raw meats in USDA SR28 reach, rounded up
        ({"fat_pct": "23.5"}, {"fat_pct": "23.6"}, "now add up to 102.6 %"),
    ],
)
def test_what_happened_to_a_lot_is_taken_to_the_last_figure_and_no_further(
    at: dict[str, str], beyond: dict[str, str], words: str
) -> None:
    (lot,) = parse_lots(HEAD + "A,leg,meat,pork,12,20,62,17,3,\n", "l").lots
    assert [found for _, found, _ in _slips(LotHappened.model_validate({"lot": "A", **at}), lot)] == []
    (found,) = (found for _, found, _ in _slips(LotHappened.model_validate({"lot": "A", **beyond}), lot))
    assert words in found


@pytest.mark.parametrize(
    ("crumbs", "told"),
    [(0, ""), (1, "c0"), (3, "c0; c1; c2"), (4, "c0; c1; c2; and 1 more"), (9, "c0; c1; c2; and 6 more")],
)
def test_of_crumbs_three_are_told_and_how_many_more_there_are(crumbs: int, told: str, plan: Plan) -> None:
    of: Any = SimpleNamespace(crumbs=[f"c{k}" for k in range(crumbs)], made=[], tidy_price=0.0, solved=plan.solved)
    page = " ".join(_tidy(SimpleNamespace(plan=of, currency="")))  # type: ignore[arg-type]
    words = "Smaller than is usually worth pulling or keeping, for want of a better way: "
    assert " ".join(page.split()) == (f"{words}{told}." if told else "")


@pytest.mark.parametrize(
    ("split", "left", "made", "done"),
    [
        (True, "0", True, True), (True, "-0.5", True, True), (True, "0.05", True, False), (True, "0", False, False),
        (False, "5", True, True), (False, "5", False, False),
    ],
)  # fmt: skip
def test_a_batch_in_parts_is_done_once_its_least_size_is_made_and_any_other_once_it_is(
    split: bool, left: str, made: bool, done: bool
) -> None:
    """``left`` are kilograms of the least size still to be made after the parts that were."""
    job: Any = SimpleNamespace(name="A", lo=F(left), entry=SimpleNamespace(may_split=split))
    parts: Any = [SimpleNamespace(batch="A" if made else "B")]
    assert repair._is_done(job, parts) is done


@pytest.mark.parametrize(("split", "rest"), [(True, (3, 7)), (False, (10, 14))])
def test_of_a_batch_in_parts_what_was_made_is_off_its_size_and_of_any_other_nothing(
    split: bool, rest: tuple[int, int], plan: Plan
) -> None:
    """Of 10 to 14 kg 4 and 3 were made; 5 kg of another batch are none of it. Days 0 and 1 are over."""
    job = plan.made[0].job
    job = replace(job, entry=job.entry.model_copy(update={"may_split": split}), lo=F(10), hi=F(14), days=(0, 1, 2, 4))
    parts: Any = [SimpleNamespace(batch=name, kilograms=lambda _, kg=kg: F(kg))
                  for name, kg in ((job.name, 4), ("other", 5), (job.name, 3))]  # fmt: skip
    left = repair._rest_of(job, parts, 2)
    assert (left.lo, left.hi, left.days) == (*rest, (2, 4))
