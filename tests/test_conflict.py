"""Why there is no batch: every conflict and every nearest figure judged by scipy on independently built matrices."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
from kitchens import Kitchen, random_kitchen
from matrices import DOSE, OWN, WEIGHT, Columns, Matrix, matrix_of

from constraints.asked import Kilograms
from constraints.requirement import Requirement
from constraints.row import Row
from optimizer.answer import Status, blend
from optimizer.bench import Conflict, explain, extreme as furthest
from optimizer.problem import Problem
from optimizer.solver.optimum import Kept
from optimizer.solver.program import Program, Variable, layout_of, relaxed

CLOSE = 1e-6


def owner_of(problem: Problem, requirement: Requirement) -> int:
    """The owner of a requirement's rows in the independent matrix."""
    if isinstance(requirement, Kilograms):
        return WEIGHT
    places = {id(r): k for k, r in enumerate(problem.recipe.requirements)}
    return places.get(id(requirement), OWN)


def explained(problem: Problem) -> Conflict | None:
    """The conflict, or None where there is a batch or the fault lies with what no lot can change."""
    if any(not r.within(v) for r in problem.fixed if (v := r.fixed_value(problem.formula)) is not None):
        return None
    values = Kept(layout_of(problem).program).best()
    return None if values else explain(problem)


def widest(matrix: Matrix, whole: bool) -> int:
    return int((matrix.whole() if whole else matrix.linear()).status)


def judge(matrix: Matrix, problem: Problem, conflict: Conflict) -> None:
    """The set has no batch; without any one of its members there is one."""
    everything = set(matrix.owners.tolist()) - {DOSE}
    members = {owner_of(problem, r) for r in conflict.requirements}
    assert widest(matrix.without(everything - members), conflict.packs_matter) == 2
    for member in members:
        assert widest(matrix.without(everything - members | {member}), conflict.packs_matter) == 0


def extreme(kitchen: Kitchen, matrix: Matrix, owner: int, above: bool) -> float | None:
    """The figure of a requirement nearest to its limit from the wrong side, the rows of all others kept.

    A ratio is turned into a linear figure by scaling the batch until its denominator is one (Charnes and Cooper,
    Naval Research Logistics Quarterly 9, 1962, 181-186).
    """
    columns = Columns(kitchen)
    others = matrix.without({owner})
    if owner == WEIGHT:
        size = columns.weight(kitchen.basis)
        found = others.linear(size if above else -size)
        return None if found.status else float(size @ found.x)
    over, under = columns.ratio(kitchen.require[owner])
    scaled = [(others.rows, others.row_lo, others.row_hi), (np.eye(len(over)), others.lo, others.hi)]
    rows, lo, hi = [np.append(under, 0.0)], [1.0], [1.0]
    for block, low, high in scaled:
        for coefs, a, b in zip(block, low, high, strict=True):
            if a == b:
                rows.append(np.append(coefs, -a))
                lo.append(0.0)
                hi.append(0.0)
                continue
            if np.isfinite(a):
                rows.append(np.append(coefs, -a))
                lo.append(0.0)
                hi.append(np.inf)
            if np.isfinite(b):
                rows.append(np.append(coefs, -b))
                lo.append(-np.inf)
                hi.append(0.0)
    cost = np.append(over if above else -over, 0.0)
    size = len(cost)
    homogeneous = replace(
        matrix, cost=cost, rows=np.array(rows), row_lo=np.array(lo), row_hi=np.array(hi),
        owners=np.zeros(len(rows)), lo=np.zeros(size), hi=np.full(size, np.inf),
    )  # fmt: skip
    found = homogeneous.linear()
    return None if found.status else float(over @ found.x[:-1])


@pytest.mark.parametrize("chunk", range(2))
def test_conflicts_are_minimal_and_reach_is_scipys_extreme(chunk: int) -> None:
    conflicts = figures = 0
    for seed in range(chunk * 80, chunk * 80 + 80):
        kitchen = random_kitchen(seed, free=False)
        problem, matrix = kitchen.problem(), matrix_of(kitchen)
        conflict = explained(problem)
        if conflict is None or abs(matrix.slack()) < CLOSE:
            continue
        conflicts += 1
        assert conflict.certain
        assert not conflict.packs_matter
        judge(matrix, problem, conflict)
        for reach in conflict.reach:
            owner = owner_of(problem, reach.requirement)
            if owner == OWN:
                continue
            if reach.nearest is None:
                assert matrix.without({owner}).linear().status == 2
                continue
            figures += 1
            low, high = reach.requirement.lo, reach.requirement.hi
            above = high is not None and reach.nearest > high
            assert above or (low is not None and reach.nearest < low), "the nearest figure breaks the requirement"
            expected = extreme(kitchen, matrix, owner, above)
            assert expected is not None
            assert float(reach.nearest) == pytest.approx(expected, rel=1e-6, abs=1e-7), f"kitchen {seed}"
    assert conflicts > 20
    assert figures > 20


def test_conflicts_of_packs_are_minimal_too() -> None:
    told = {True: 0, False: 0}
    for seed in range(6000, 6056):
        kitchen = random_kitchen(seed, size=4 + seed % 3, whole=0.7, free=False)
        problem, matrix = kitchen.problem(), matrix_of(kitchen)
        conflict = explained(problem)
        if conflict is None or abs(matrix.slack()) < CLOSE:
            continue
        assert conflict.certain
        assert conflict.packs_matter == (matrix.linear().status == 0)
        judge(matrix, problem, conflict)
        for reach in conflict.reach:
            assert reach.sure
            if reach.nearest is None:
                ratio = reach.requirement.what == "meat-to-fat ratio"  # without any fat there is no figure
                assert ratio or matrix.without({owner_of(problem, reach.requirement)}).whole().status == 2
                continue
            assert not reach.requirement.within(reach.nearest)
        told[conflict.packs_matter] += 1
    assert min(told.values()) > 3, told


def test_closest_ratio_is_found_where_the_first_guess_is_not_it() -> None:
    """The best ratio on a polygon by its corners; aiming at the limit alone stops at another corner in some."""
    rng, later = random.Random(9), 0
    for _ in range(80):
        points = [(F(rng.randrange(5, 60)), F(rng.randrange(1, 30))) for _ in range(4)]
        size = len(points)
        variables = tuple(Variable(f"w{k}", F(0), F(0), F(1)) for k in range(size))
        kept = Kept(Program(variables, (Row("mixture", (F(1),) * size, F(1), F(1)),)))
        over, under = (dict(enumerate(part)) for part in zip(*points, strict=True))
        assert furthest(kept, over, under, 1) == (min(a / b for a, b in points), True)
        assert furthest(kept, over, under, -1) == (max(a / b for a, b in points), True)
        aimed = min(points, key=lambda point: point[0] - point[1] / 10)
        later += aimed[0] / aimed[1] != min(a / b for a, b in points)
    assert later > 10


def simple(**changes: object) -> Kitchen:
    lots = [
        {"lot": "lean", "on_hand_kg": 30, "fat_pct": 12, "cost_per_kg": 3, "role": "meat", "species": "pork"},
        {"lot": "fat", "on_hand_kg": 30, "fat_pct": 60, "cost_per_kg": 1, "role": "fat", "species": "pork"},
    ]
    return replace(
        Kitchen(lots, [{"fat": {"target_pct": 30, "within_pct": 1}}], kilograms=40, within_kg=0.05), **changes
    )


def told(kitchen: Kitchen) -> tuple[dict[str, float | None], Conflict]:
    """Nearest figure by requirement of the conflict that the blend reports."""
    answer = blend(kitchen.problem())
    assert answer.status is Status.INFEASIBLE
    assert answer.conflict is not None
    assert answer.weighed is None
    reach = {r.requirement.what: None if r.nearest is None else float(r.nearest) for r in answer.conflict.reach}
    return reach, answer.conflict


def test_too_little_stock_names_the_weight_and_the_most_there_is() -> None:
    reach, conflict = told(simple(require=[], kilograms=80))
    assert reach == {"weight": 60}
    assert [r.what for r in conflict.requirements] == ["weight"]


def test_too_little_stock_for_the_fat_asked_for() -> None:
    """30 kg lean at 12 % and x kg at 60 % give 31 % at most with x = 570 / 29."""
    reach, _ = told(simple(kilograms=55))
    assert reach["weight"] == pytest.approx(30 + 570 / 29)
    assert reach["fat"] == pytest.approx((30 * 12 + 24.95 * 60) / 54.95), "all the lean there is, and the least weight"


def test_lowest_attainable_fat_is_said() -> None:
    reach, _ = told(simple(require=[{"fat": {"max_pct": 10}}], kilograms=20))
    assert reach == {"fat": 12}, "it holds at every weight, so the weight is not named"


def test_requirement_that_has_no_part_in_it_is_not_named() -> None:
    require = [
        {"fat": {"max_pct": 20}}, {"share": {"species": "pork", "min_pct": 10}},
        {"share": {"role": "fat", "min_pct": 40}}, {"share": {"lot": "lean", "min_pct": 5}},
    ]  # fmt: skip
    reach, conflict = told(simple(require=require, kilograms=30))
    assert set(reach) == {"fat", "share of role fat"}
    assert reach["fat"] == pytest.approx(0.6 * 12 + 0.4 * 60)
    assert reach["share of role fat"] == pytest.approx(100 * (20 - 12) / (60 - 12))
    assert not conflict.packs_matter


def test_only_whole_packs_stand_in_the_way() -> None:
    kitchen = simple(kilograms=45, within_kg=0.5)
    for lot, pack in zip(kitchen.lots, (5, 3), strict=True):
        lot["pack_kg"] = pack
    reach, conflict = told(kitchen)
    assert conflict.packs_matter
    assert conflict.certain
    assert reach["weight"] == 48, "as many packs of one as of the other, and five of each are 40 kg"
    values = Kept(relaxed(layout_of(kitchen.problem()).program)).best()
    assert values, "without whole packs there is a batch"


def test_only_a_smallest_pull_stands_in_the_way() -> None:
    kitchen = simple(kilograms=12, within_kg=0.05)
    kitchen.lots[1]["smallest_pull_kg"] = 8
    reach, conflict = told(kitchen)
    assert conflict.packs_matter
    assert reach["weight"] == pytest.approx(8 + 8 * (60 - 31) / (31 - 12))
    assert reach["fat"] == pytest.approx((8 * 60 + 4.05 * 12) / 12.05)


def test_lots_that_go_in_together_stand_in_the_way_of_less_than_a_division_of_one() -> None:
    """0.05 to 0.1 % of 20 kg are 10 to 20 g; the meat scale gives 50 g of a lot that has to be in beside another."""
    odd = {"lot": "odd", "on_hand_kg": 30, "fat_pct": 30, "cost_per_kg": 1, "role": "meat", "species": "pork"}
    share = {"share": {"lot": "odd", "min_pct": 0.05, "max_pct": 0.1}}
    require = [{"fat": {"max_pct": 30}}, {"together": {"lots": ["fat", "odd"]}}, share]
    kitchen = simple(require=require, kilograms=20)
    kitchen.lots.append(odd)
    _, conflict = told(kitchen)
    assert {r.what for r in conflict.requirements} == {"weight", "fat, odd together", "share of lot odd"}
    assert not conflict.packs_matter and conflict.certain
    assert blend(replace(kitchen, require=require[:2]).problem()).status is Status.OPTIMAL
    finer = replace(kitchen, require=[require[0], share], meat_g=10)  # together apart, 10 and 20 g may be weighed
    assert blend(finer.problem()).status is Status.OPTIMAL
