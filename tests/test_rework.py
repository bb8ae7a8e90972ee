"""Rework: last week's sausage worked in again, with its own salt and nitrite.

The figures expected are worked out by hand in the comments. That both totals must pass follows from 9 CFR 424.21(c)
being a limit on what is put in per green weight (FSIS Directive 7620.3 ch. 3 introduction): neither the old nor the new
meat may get more.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import pytest

from constraints.as_typed import BadInput
from constraints.formula import Batch
from constraints.quantities import Lot
from constraints.requirement import Requirement
from optimizer.answer import Answer, Status, blend
from optimizer.order import Asked, order_of
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

RECIPE = """
name: With rework
rules: [us]
product_class: sausage
steps: [smoked]
require:
  - share: {rework: yes, min_pct: 10, max_pct: 10}
additions:
  - {name: salt, is: salt, total_salt_pct: 2, basis: meat}
  - {name: cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2}
  - {name: pepper, g_per_kg_meat: 3}
"""
LOTS = """lot,on_hand_kg,fat_pct,cost_per_kg,moisture_pct,protein_pct,rework,salt_pct,green_pct,original_nitrite_ppm
fresh,200,25,4,57,16,,,,
old,50,30,1,50,15,yes,2.5,80,150
"""


def made(recipe: str = RECIPE, lots: str = LOTS, kg: int = 100) -> Answer:
    read, table = parse_recipe(recipe, "r.yaml"), parse_lots(lots, "l.csv")
    asked = Asked(meat_g=Fraction(1), spice_g=Fraction(1, 100))
    return blend(assemble(read, table, order_of(read, "--meat-kg", Fraction(kg), date(2026, 11, 25), asked)))


def kilograms(answer: Answer) -> dict[str, Fraction]:
    assert answer.weighed is not None
    return {item.name: kg for item, kg in answer.weighed.total.kilograms.items()}


def named(answer: Answer, words: str) -> tuple[Requirement, Fraction | None, bool | None]:
    (check,) = [c for c in answer.checks if c.requirement.origin.rule == words]
    return check.requirement, check.value, check.ok


def test_doses_are_on_the_fresh_meat_and_its_own_salt_and_nitrite_count() -> None:
    answer = made()
    assert answer.status is Status.OPTIMAL
    found = kilograms(answer)
    fresh, old = found["fresh"], found["old"]
    assert fresh + old == pytest.approx(100, abs=0.001)
    assert found["cure"] == pytest.approx(float(fresh) * 0.002, abs=1e-5)
    assert found["cure"] <= fresh * Fraction("0.002")
    assert found["pepper"] == pytest.approx(float(fresh) * 0.003, abs=1e-5)
    # 2 % of all lots, less 93.75 % of the cure, less 2.5 % of the rework
    salt = Fraction("0.02") * (fresh + old) - Fraction("0.9375") * found["cure"] - Fraction("0.025") * old
    assert found["salt"] == pytest.approx(float(salt), abs=5e-4)


def test_nitrite_is_judged_over_all_green_meat_and_over_the_fresh_meat() -> None:
    answer = made()
    found = kilograms(answer)
    fresh, old, cure = found["fresh"], found["old"], found["cure"]
    # old: 150 mg on 80 % green; new: 62.5 g per kg of cure
    total = (old * Fraction("0.8") * 150 + cure * 62_500) / (fresh + old * Fraction("0.8"))
    alone = cure * 62_500 / fresh
    _, value, ok = named(answer, "us-nitrite-comminuted")
    assert value == max(total, alone) == total
    assert ok is True


def test_fresh_meat_alone_can_break_the_limit() -> None:
    """2.6 g of 6.25 % cure is 162.5 ppm on the fresh meat, hidden by rework of 100 ppm: 156.25 is 9 CFR 424.21(c)."""
    weak = LOTS.replace("80,150", "90,60")
    answer = made(RECIPE.replace("g_per_kg_meat: 2}", "g_per_kg_meat: 2.6}"), weak)
    total = (9 * 60 + 90 * Fraction("162.5")) / 99
    assert total < Fraction("156.25")
    assert answer.status is not Status.OPTIMAL and answer.weighed is None
    assert answer.grade.exit_code == 1


def test_rework_that_was_overdosed_breaks_the_total() -> None:
    answer = made(RECIPE.replace("g_per_kg_meat: 2}", "g_per_kg_meat: 2.5}"), LOTS.replace("80,150", "80,200"))
    assert answer.status is Status.INFEASIBLE
    assert answer.conflict is not None
    words = " ".join(r.words() for r in answer.conflict.requirements)
    assert "ingoing nitrite" in words and "rework" in words


def test_measure_of_a_batch_of_nothing_but_rework() -> None:
    table = parse_lots(LOTS, "l.csv")
    read = parse_recipe(RECIPE, "r.yaml")
    problem = assemble(read, table, order_of(read, "--meat-kg", Fraction(100), date(2026, 11, 25), Asked()))
    (limit,) = [r for r in problem.requirements if r.origin.rule == "us-nitrite-comminuted"]
    old = next(lot for lot in table.lots if isinstance(lot, Lot) and lot.rework)
    verdict = limit.measure(Batch({old: Fraction(10)}, read.process))
    assert (verdict.value, verdict.ok) == (150, True)


def test_rework_without_its_salt_is_an_error() -> None:
    with pytest.raises(BadInput, match="salt_pct is not given"):
        parse_lots(LOTS.replace("yes,2.5", "yes,"), "l.csv")
