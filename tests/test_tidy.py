"""No crumbs: pulls and remnants of a batch (see tidy), how they are asked for, and when the default gives way."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from fractions import Fraction as F
from itertools import product
from typing import Any

import pytest
from test_why_command import FRESH, run
from tidy import Messy, compared, messy

from constraints.as_typed import BadInput, NotANumber, weight
from constraints.requirement import Role, Span
from optimizer.answer import Status, blend
from optimizer.reading.recipe import parse_recipe
from optimizer.solver.program import none_or, possible
from optimizer.weighing.rounding import Weighed, breaks


def test_pulls_and_remnants_are_those_of_milp() -> None:
    ended: dict[str, int] = {}
    for seed in (s for s in range(36) if s % 5):
        kitchen = messy(seed)
        how = compared(kitchen, blend(kitchen.problem()), kitchen.milp)
        ended[how] = ended.get(how, 0) + 1
    assert ended["dearer"] > 4 and ended["as it is"] > 4 and ended["none"] > 1, ended


def test_pulls_and_remnants_are_those_of_every_choice_tried() -> None:
    for seed in range(0, 35, 5):
        kitchen = messy(seed, 4)
        compared(kitchen, blend(kitchen.problem()), kitchen.tried)


def two(band: tuple[int, int], asked: tuple[str, str] | None, **more: Any) -> Messy:
    """Ten kilograms of a lean lot and a fat one: 25 % of fat takes 2.5 kg of the fat one."""
    lots = [(more.get("lean", 20.0), 10.0, 5.0, None, None, None), (more.get("fat", 20.0), 70.0, 2.0, None, None, None)]
    return Messy(lots, 10, band, None, asked)


def test_the_default_gives_way_where_nothing_keeps_it() -> None:
    """Of 2.55 kg of fat 2.5 are needed, and all of it is too much: 50 g are left whatever is done."""
    answer = blend(two((25, 25), None, fat=2.55).problem())
    assert answer.status is Status.OPTIMAL and answer.kept is None
    asked = blend(two((25, 25), ("0", "0.1"), fat=2.55).problem())
    assert asked.status is Status.INFEASIBLE and asked.conflict is not None and asked.conflict.packs_matter
    off = blend(two((25, 25), ("0", "0"), fat=2.55).problem())
    assert off.status is Status.OPTIMAL and off.optimum == answer.optimum


def test_what_the_free_optimum_keeps_is_not_solved_again(monkeypatch: pytest.MonkeyPatch) -> None:
    import optimizer.answer as module

    asked = []
    plain = module.optimise_with_cuts
    monkeypatch.setattr(module, "optimise_with_cuts", lambda *words: asked.append(1) or plain(*words))
    answer = blend(two((20, 25), None).problem())
    assert answer.kept is not None and answer.tidy_price == 0 and len(asked) == 1
    assert answer.problem.order.imposed is None


def test_a_lot_emptied_is_emptied_to_the_gram() -> None:
    """2.537 kg lie on no division of 50 g: where less than 1 kg may not be left, all of it goes in."""
    kitchen = two((25, 30), ("0", "1"), fat=2.537)
    answer = blend(kitchen.problem())
    assert answer.weighed is not None
    assert [kg for item, kg in answer.weighed.total.kilograms.items() if item.name == "L1"] == [F("2.537")]
    compared(kitchen, answer, kitchen.tried)


@pytest.mark.parametrize(
    ("lean", "fat", "broken"),
    [("9.5", "0.5", True), ("0.95", "9", True), ("9", "1", False), ("10", "0", False), ("19.5", "2", True),
     ("5", "19.05", True), ("19", "19", False), ("20", "2", False), ("20", "20", False)],
)  # fmt: skip
def test_a_weigh_out_keeps_every_pull_and_every_remnant_that_was_imposed(lean: str, fat: str, broken: bool) -> None:
    """Of 20 kg each: at least a kilogram of either goes in or none, and at least a kilogram is left or none."""
    problem = two((10, 70), ("1", "1")).problem()
    held = replace(problem, order=replace(problem.order, imposed=problem.order.tidy))
    batch = problem.formula.exact_batch((F(lean), F(fat)))
    weighed = Weighed((batch,), batch, solved_again=False)
    assert [r.role for r in breaks(held, [], weighed)] == [Role.STOCK] * broken
    assert breaks(problem, [], weighed) == []


def test_the_order_of_the_rows_changes_nothing() -> None:
    """Lots in alike pairs, so that many batches cost the same."""
    for seed in range(8):
        kitchen = messy(seed)
        kitchen.lots = [kitchen.lots[i // 2 * 2] for i in range(len(kitchen.lots))]
        kitchen.order, said = list(range(len(kitchen.lots))), []
        for _ in range(2):
            answer = blend(kitchen.problem())
            total = answer.weighed.total.kilograms if answer.weighed else {}
            said.append(
                (answer.status, answer.optimum and answer.optimum.cost, {i.name: kg for i, kg in total.items()})
            )
            random.Random(seed).shuffle(kitchen.order)
        assert said[0] == said[1], seed


@pytest.mark.parametrize("seed", range(4))
def test_mixer_loads_keep_them_too(seed: int) -> None:
    kitchen = messy(3 * seed + 1, 6)
    kitchen.asked = ("1.5", "1.5")
    problem = kitchen.problem()
    mixer = F(kitchen.kilograms, random.Random(seed).choice((2, 3))) + F(1, 10)
    answer = blend(replace(problem, order=replace(problem.order, mixer_kg=mixer)))
    compared(kitchen, answer, kitchen.milp)


@pytest.mark.parametrize(
    ("typed", "kg"), [("0.5", "1"), ("0.5 kg", "0.5"), ("1%", "0.3"), ("2 lb", "0.90718474"), ("1 kg", "1")]
)
def test_ways_to_say_a_weight(typed: str, kg: str) -> None:
    """A figure without a unit is here in units of 2 kg."""
    assert weight(typed)(F(30), F(2)) == F(kg)


def test_no_weight() -> None:
    for typed in ("", "much", "-1", "1 stone", "1,5"):
        with pytest.raises(NotANumber):
            weight(typed)
    with pytest.raises(BadInput):
        parse_recipe("name: x\nsmallest_pull: a handful\n", "r.yaml")


def test_command_page_and_document() -> None:
    words = ["blend", *FRESH[1:], "--meat-kg", "25"]
    usual = "By default a lot in use gives at least 0.25 kg, an opened lot keeps nothing or at least 0.25 kg; off: "
    assert f"{usual}--smallest-pull=0 --smallest-remnant=0." in " ".join(run(*words).stdout.split())
    off = run(*words, "--smallest-pull", "0", "--smallest-remnant", "0").stdout
    assert "mallest" not in off and "By default" not in off
    pounds = run("blend", *FRESH[1:], "--meat-kg", "25", "--units", "lb", "--smallest-pull", "2").stdout
    kept = (
        "A lot in use gives at least 2 lb, an opened lot keeps nothing or at least 0.55 lb; off: --smallest-remnant=0."
    )
    assert kept in " ".join(pounds.split())
    told = json.loads(run(*words, "--smallest-pull", "5.2", "--json").stdout)
    assert told["tidy"]["pull_asked"] and not told["tidy"]["remnant_asked"] and not told["tidy"]["gave_way"]
    assert min(lot["held_kg"] for lot in told["lots"]) >= 5.2
    free = json.loads(run(*words, "--smallest-pull", "0", "--smallest-remnant", "0", "--json").stdout)
    assert told["tidy"]["price"] == pytest.approx(told["cost"]["optimum"] - free["cost"]["optimum"])
    assert told["tidy"]["price"] > 0.001 * told["cost"]["optimum"]
    assert "They cost" in " ".join(run(*words, "--smallest-pull", "5.2").stdout.split())


@pytest.mark.parametrize(
    ("lo", "hi", "every"),
    [(1, 7, None), (0, 7, None), (1, 7, 9), (3, 3, 8), (0, 5, 6), (5, 2, 9), (5, 2, None), (2, 8, 8), (4, 4, None)],
)
def test_the_rows_of_a_pull_leave_none_a_span_or_all_of_it(lo: int, hi: int, every: int | None) -> None:
    """By every choice tried: with the yes-or-no variables whole, the totals left are none, the span, and all of it."""
    span = Span(F(lo), F(hi), None if every is None else F(every))
    lines = none_or({0: F(1, 2), 1: F(1)}, span, 2, 3, "A")  # a total of half the first and all of the second
    most = possible(span)
    found = set()
    for use, all_of_it, total in product((0, 1), (0, 1), range(12)):
        point = {0: F(total), 1: F(total, 2), 2: F(use), 3: F(all_of_it)}
        sums = [(sum((a * point[j] for j, a in row.terms), F(0)), row.lo, row.hi) for row in lines]
        held = all((least is None or s >= least) and (top is None or s <= top) for s, least, top in sums)
        if held and use <= most:
            found.add(total)
    assert found == {0, *range(lo, hi + 1), *([] if every is None else [every])}
