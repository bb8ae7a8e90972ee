"""The optimum against the outside: scipy on independently built matrices, brute force, and a solver that lies."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction as F
from itertools import product

import numpy as np
import pytest
from kitchens import DAY, Kitchen, figures, random_kitchen
from matrices import matrix_of
from solved import Outcome, solve

from constraints.row import Row
from optimizer.answer import Status, blend
from optimizer.problem import Problem
from optimizer.solver.exact import Simplex, lower_bound
from optimizer.solver.optimum import Optimum, Unsettled, optimise, ranks_of, settle
from optimizer.solver.program import (
    BasisStatus,
    Ending,
    Program,
    SimplexBasis,
    SolverDisagrees,
    Variable,
    layout_of,
    relaxed,
)
from optimizer.solver.session import ALL, Session
from optimizer.solver.tree import Proof

CHUNKS, EACH = 8, 255
CLOSE = 1e-6
"""An instance is near infeasibility where widening or narrowing every limit by this much, in kilograms of the batch's
size or points of a requirement over the whole batch, decides whether there is a batch."""


def holds(problem: Problem) -> bool:
    """What no choice of lots can change is as asked for."""
    values = [(r, r.fixed_value(problem.formula)) for r in problem.fixed]
    return all(value is not None and r.within(value) for r, value in values)


def best(problem: Problem) -> Optimum:
    return optimise(layout_of(problem).program, ranks_of(problem.formula.columns))


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_exact_optimum_is_scipys_on_an_independent_matrix(chunk: int) -> None:
    near, ended = 0, {0: 0, 2: 0}
    for seed in range(chunk * EACH, (chunk + 1) * EACH):
        kitchen = random_kitchen(seed)
        problem = kitchen.problem()
        found, matrix = best(problem), matrix_of(kitchen)
        theirs = matrix.linear()
        assert theirs.status in (0, 2)
        if abs(matrix.slack()) <= CLOSE:
            near += 1
            continue
        ended[theirs.status] += 1
        feasible = bool(found.values) and holds(problem)
        assert feasible == (theirs.status == 0), f"kitchen {seed}"
        if feasible:
            assert float(found.cost) == pytest.approx(theirs.fun, rel=1e-7, abs=1e-9), f"kitchen {seed}"
            assert found.bound == found.cost
    assert near <= EACH // 100
    assert min(ended.values()) > EACH // 4


def small_kitchen(lots: list[dict[str, object]], **changes: object) -> Kitchen:
    kitchen = Kitchen(
        [{"role": "meat", "on_hand_kg": 30, "cost_per_kg": 2, "fat_pct": 25, **lot} for lot in lots],
        [{"fat": {"min_pct": 20, "max_pct": 30}}], [{"name": "salt", "is": "salt", "g_per_kg_meat": 18}],
    )  # fmt: skip
    return replace(kitchen, **changes)


def used(kitchen: Kitchen) -> dict[str, float]:
    problem = kitchen.problem()
    layout = layout_of(problem)
    found = optimise(layout.program, ranks_of(problem.formula.columns))
    kilograms = layout.kilograms(found.values) if found.values else [0] * len(problem.formula.columns)
    return {c.name: float(kg) for c, kg in zip(problem.formula.columns, kilograms, strict=True) if kg}


def test_between_identical_lots_the_earliest_use_by_goes_first_then_the_name() -> None:
    lots = [
        {"lot": "a"}, {"lot": "b", "use_by": "2026-12-05"}, {"lot": "c", "use_by": "2026-12-01"},
        {"lot": "e", "use_by": "2026-12-03"}, {"lot": "d", "use_by": "2026-12-03"},
    ]  # fmt: skip
    assert used(small_kitchen(lots)) == {"c": 30, "d": 30, "e": 30, "b": 9.975}
    assert used(small_kitchen(lots, kilograms=140)) == {"c": 30, "d": 30, "e": 30, "b": 30, "a": 19.975}
    assert used(small_kitchen(lots, kilograms=20)) == {"c": 19.975}


def test_free_trim_is_used_by_date_too() -> None:
    lots = [{"lot": n, "cost_per_kg": 0, "use_by": f"2026-12-{d:02d}"} for n, d in (("a", 9), ("b", 2), ("c", 5))]
    assert used(small_kitchen(lots, kilograms=40)) == {"b": 30, "c": pytest.approx(10, abs=0.03)}


def test_as_much_as_possible_of_the_earliest_date_even_where_fat_must_be_made_up() -> None:
    lots = [
        {"lot": "lean early", "fat_pct": 10, "use_by": "2026-12-01"}, {"lot": "right", "use_by": "2026-12-02"},
        {"lot": "fat late", "fat_pct": 60, "use_by": "2026-12-09"},
    ]  # fmt: skip
    kitchen = small_kitchen(lots, kilograms=30, within_kg=0.0)
    assert used(kitchen) == {"lean early": 24, "fat late": 6}, "at 20 % fat no blend holds more of the early lot"


def test_cheaper_goes_before_earlier() -> None:
    lots = [{"lot": "dear", "cost_per_kg": 2.01, "use_by": "2026-12-01"}, {"lot": "cheap"}]
    assert used(small_kitchen(lots, kilograms=20)) == {"cheap": 19.975}


def test_whole_packs_of_identical_lots_go_by_date_too() -> None:
    lots = [{"lot": n, "pack_kg": 5, "use_by": f"2026-12-{d:02d}"} for n, d in (("a", 9), ("b", 2), ("c", 5))]
    assert used(small_kitchen(lots, kilograms=40)) == {"b": 30, "c": 10}


@pytest.mark.parametrize("seed", range(40))
def test_of_equally_cheap_choices_of_packs_the_earliest_dates_are_used_soonest(seed: int) -> None:
    """Every choice of five lots in packs tried: each kilogram counts for its lot's place in the order of dates."""
    rng = random.Random(seed)
    days, fats = rng.sample(range(1, 29), 5), rng.sample([14, 17, 20, 25, 31, 38], 5)
    prices, sizes = [rng.choice([2, 2, 2, 3]) for _ in range(5)], [rng.choice([3, 4, 5, 7]) for _ in range(5)]
    lots = [
        {"lot": f"L{k}", "pack_kg": sizes[k], "on_hand_kg": 4 * sizes[k], "fat_pct": fats[k],
         "cost_per_kg": prices[k], "use_by": f"2026-12-{days[k]:02d}"}
        for k in range(5)
    ]  # fmt: skip
    place = [sorted(days).index(day) + 1 for day in days]

    def of(figures: list[int], kg: Sequence[float]) -> float:
        return sum(a * b for a, b in zip(figures, kg, strict=True))

    tried = product(*(range(0, 4 * size + 1, size) for size in sizes))
    choices = [kg for kg in tried if sum(kg) == 41 and 41 * 23 <= of(fats, kg) <= 41 * 24]
    kitchen = small_kitchen(lots, kilograms=41)
    kitchen.require = [{"fat": {"min_pct": 23, "max_pct": 24}}]
    found = used(kitchen)
    if choices:
        kg = [found.get(f"L{k}", 0) for k in range(5)]
        assert (of(prices, kg), of(place, kg)) == min((of(prices, kg), of(place, kg)) for kg in choices)
    assert bool(found) is bool(choices)


TIED = 60


@pytest.mark.parametrize("chunk", range(2))
def test_shuffled_lots_with_tied_prices_give_the_same_blend_at_the_exact_optimum(chunk: int) -> None:
    ties = 0
    for seed in range(chunk * TIED, (chunk + 1) * TIED):
        kitchen = random_kitchen(seed, tied=True, whole=0.3 if seed % 3 == 0 else 0)
        first = best(kitchen.problem())
        random.Random(seed).shuffle(kitchen.lots)
        again = kitchen.problem()
        assert best(again) == first
        program = layout_of(again).program
        if not first.values or program.whole:
            continue
        cheapest = settle(program)
        assert cheapest is not None
        assert first.cost == program.cost(cheapest.values)
        assert first.cost == program.cost(first.values)
        assert program.feasible(first.values)
        ties += cheapest.values != first.values
    assert ties > 2, "the choice between equals must matter in some kitchens"


def test_tie_is_broken_as_stated_among_all_optimal_blends() -> None:
    """Lexicographic by date groups and then names, each level checked by scipy on the optimal face."""
    checked = 0
    for seed in range(60):
        kitchen = random_kitchen(seed, size=8, tied=True, free=False)
        problem = kitchen.problem()
        program = layout_of(problem).program
        found = best(problem)
        if not found.values:
            continue
        columns = problem.formula.columns
        dates = sorted({lot.use_by for lot in problem.formula.lots if lot.use_by})
        levels = [[lot.use_by == day for lot in columns] for day in dates]
        order = sorted(
            range(len(columns)), key=lambda j: (columns[j].use_by is None, columns[j].use_by or DAY, columns[j].name)
        )
        levels += [[k == j for k in range(len(columns))] for j in order]
        rows = [*program.rows, Row("cost", tuple(v.cost for v in program.variables), None, found.cost + F(1, 10**9))]
        for level in levels:
            aim = tuple(replace(v, cost=F(-int(on))) for v, on in zip(program.variables, level, strict=True))
            most = -solve(Program(aim, tuple(rows))).bound
            taken = sum(x for x, on in zip(found.values, level, strict=True) if on)
            assert float(taken) == pytest.approx(most, abs=2e-5), f"kitchen {seed}"
            rows.append(Row("taken", tuple(F(int(on)) for on in level), taken - F(1, 10**6), None))
            checked += 1
    assert checked > 100


def test_three_hundred_identical_lots_are_ordered_too() -> None:
    lots = [
        {"lot": f"A{i:03d}", "on_hand_kg": 1, "use_by": (DAY + timedelta(days=i * 7 % 9)).isoformat()}
        for i in range(300)
    ]
    taken = used(small_kitchen(lots))
    first = sorted(lots, key=lambda lot: (lot["use_by"], lot["lot"]))[:100]
    assert sorted(taken) == sorted(str(lot["lot"]) for lot in first)
    assert sum(taken.values()) == pytest.approx(99.975)


@pytest.mark.parametrize("chunk", range(2))
def test_packs_and_smallest_pulls_cost_what_scipys_integer_search_finds(chunk: int) -> None:
    ended = {0: 0, 2: 0}
    only_whole = 0
    for seed in range(5000 + chunk * 102, 5000 + (chunk + 1) * 102):
        kitchen = random_kitchen(seed, size=2 + seed % 17, whole=0.5)
        problem = kitchen.problem()
        found, matrix = best(problem), matrix_of(kitchen)
        theirs = matrix.whole()
        assert theirs.status in (0, 2)
        if abs(matrix.slack()) <= CLOSE:
            continue
        ended[theirs.status] += 1
        only_whole += theirs.status == 2 and matrix.linear().status == 0
        feasible = bool(found.values) and holds(problem)
        assert feasible == (theirs.status == 0), f"kitchen {seed}"
        if feasible:
            assert float(found.cost) == pytest.approx(theirs.fun, rel=1e-6), f"kitchen {seed}"
            program = layout_of(problem).program
            assert program.feasible(found.values)
            assert found.bound is not None
            assert found.bound <= found.cost
            assert program.cost(found.values) == found.cost
    assert min(ended.values()) > 25
    assert only_whole > 2


def test_small_packs_by_brute_force() -> None:
    rng = random.Random(4)
    found_some = 0
    for _ in range(60):
        size = rng.choice((2, 3))
        lots = [
            {
                "lot": f"L{i}",
                "pack_kg": rng.choice((1, 2, 2.5)),
                "on_hand_kg": rng.choice((5, 7.5, 8)),
                "fat_pct": figures(rng, 5, 60, 0),
                "cost_per_kg": figures(rng, 1, 4),
                "smallest_pull_kg": rng.choice((1, 4)),
            }
            for i in range(size)
        ]
        kitchen = small_kitchen(lots, kilograms=rng.choice((5, 8, 10)), within_kg=0.5)
        costs = []
        for packs in product(*(range(int(lot["on_hand_kg"] / lot["pack_kg"]) + 1) for lot in lots)):
            kgs = [n * lot["pack_kg"] for n, lot in zip(packs, lots, strict=True)]
            if any(0 < kg < lot["smallest_pull_kg"] for kg, lot in zip(kgs, lots, strict=True)):
                continue
            weight, fat = sum(kgs), sum(kg * lot["fat_pct"] for kg, lot in zip(kgs, lots, strict=True))
            if abs(weight - kitchen.kilograms) <= 0.5 and 20 * weight <= fat <= 30 * weight:
                costs.append(sum(kg * lot["cost_per_kg"] for kg, lot in zip(kgs, lots, strict=True)))
        found = best(kitchen.problem())
        assert bool(found.values) == bool(costs)
        assert found.certain
        if costs:
            assert float(found.cost) == pytest.approx(min(costs))
            found_some += 1
    assert 10 < found_some < 55


# A solver that lies. Every lie must come out: the exact answer is right all the same, or no answer is given.

Lie = Callable[[Program, random.Random], Outcome]


def _worse_basis(program: Program, rng: random.Random) -> Outcome:
    """A feasible vertex that is not the cheapest, told as optimal with its own basis."""
    search = Simplex(program)
    search.minimise({j: F(rng.randrange(-9, 10)) for j in range(len(program.variables))})
    return Outcome(Ending.OPTIMAL, tuple(map(float, search.values)), search.basis, 0.0)


def _broken_basis(program: Program, rng: random.Random) -> Outcome:
    """Variables resting on bounds at random, every row let go: mostly infeasible."""
    places = tuple(rng.choice((BasisStatus.LOWER, BasisStatus.UPPER)) for _ in program.variables)
    return Outcome(
        Ending.OPTIMAL,
        tuple(float(v.hi) for v in program.variables),
        SimplexBasis(places, (BasisStatus.BASIC,) * len(program.rows)),
    )


def _no_basis_at_all(program: Program, rng: random.Random) -> Outcome:
    """A basis of nothing but nonsense: too many basic entries, limits that do not exist."""
    return Outcome(
        Ending.OPTIMAL,
        (0.0,) * len(program.variables),
        SimplexBasis((BasisStatus.BASIC,) * len(program.variables), (BasisStatus.UPPER,) * len(program.rows)),
    )


def _wrong_values(program: Program, rng: random.Random) -> Outcome:
    """The right basis with amounts and cost that are not its own."""
    return replace(solve(program), values=tuple(rng.uniform(0, 9) for _ in program.variables), bound=-1.0)


def _says_infeasible(program: Program, rng: random.Random) -> Outcome:
    return Outcome(Ending.INFEASIBLE)


def _says_infeasible_with_basis(program: Program, rng: random.Random) -> Outcome:
    return replace(solve(program), ending=Ending.INFEASIBLE, values=())


def _fails(program: Program, rng: random.Random) -> Outcome:
    return Outcome(Ending.FAILED)


class Lying(Session):
    """A session that tells a lie about the program it was made with."""

    lie: Lie
    rng: random.Random

    def __init__(self, program: Program, *, whole: bool = False, stated: bool = False) -> None:
        super().__init__(program, whole=whole, stated=stated)
        self.program, self.told = program, Outcome(Ending.FAILED)

    def run(self, *, steps: int = ALL, nodes: int = ALL, gap: float = 0.0) -> bool:
        self.told = type(self).lie(self.program, self.rng)
        return self.told.ending is Ending.OPTIMAL

    found = property(lambda self: bool(self.told.values))
    values = property(lambda self: np.array(self.told.values))
    basis = property(lambda self: self.told.basis)
    ray = property(lambda self: np.array(self.told.ray))


def let_lie(monkeypatch: pytest.MonkeyPatch, lie: Lie, rng: random.Random) -> None:
    kind = type("Liar", (Lying,), {"lie": staticmethod(lie), "rng": rng})
    monkeypatch.setattr("optimizer.solver.optimum.Session", kind)


LIES: tuple[Lie, ...] = (
    _worse_basis, _broken_basis, _no_basis_at_all, _wrong_values, _says_infeasible, _says_infeasible_with_basis, _fails,
)  # fmt: skip


@pytest.mark.parametrize("lie", LIES)
def test_a_lying_solver_does_not_change_the_exact_answer(lie: Lie, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(1)
    kitchens = [random_kitchen(seed, size=6) for seed in range(25)]
    honest = [best(kitchen.problem()) for kitchen in kitchens]
    assert 5 < sum(bool(found.values) for found in honest) < 20
    let_lie(monkeypatch, lie, rng)
    for kitchen, truth in zip(kitchens, honest, strict=True):
        found = best(kitchen.problem())
        assert (found.ending, found.values, found.cost) == (truth.ending, truth.values, truth.cost)
        program = layout_of(kitchen.problem()).program
        if found.values:
            assert lower_bound(program, found.prices) == found.cost


@pytest.mark.parametrize("lie", LIES)
def test_a_lying_solver_does_not_change_what_the_tree_proves(lie: Lie, monkeypatch: pytest.MonkeyPatch) -> None:
    """With whole numbers too: the least cost is the least cost, or no answer is given."""
    rng = random.Random(2)
    kitchens = [random_kitchen(seed, size=5, whole=0.6) for seed in range(40)]
    honest = [best(kitchen.problem()) for kitchen in kitchens]
    let_lie(monkeypatch, lie, rng)
    told = 0
    for kitchen, truth in zip(kitchens, honest, strict=True):
        program = layout_of(kitchen.problem()).program
        if not program.whole:
            continue
        try:
            found = optimise(program, ranks_of(kitchen.problem().formula.columns), 60)
        except (SolverDisagrees, Unsettled):
            continue
        if found.ending is Ending.TIME_LIMIT and not found.values:
            continue
        assert bool(found.values) == bool(truth.values)
        told += bool(found.values)
        if found.values:
            assert program.feasible(found.values)
            assert found.bound is not None
            assert found.bound <= truth.cost <= found.cost == program.cost(found.values)
            assert found.cost == truth.cost or not found.certain
    assert told > 5 or lie not in (_worse_basis, _broken_basis, _no_basis_at_all, _says_infeasible_with_basis)


def _told(lie: Lie, program: Program, rng: random.Random) -> tuple[F, ...]:
    """Whole numbers of a lie."""
    return tuple(F(round(x)) for x in lie(program, rng).values)


@pytest.mark.parametrize("lie", LIES)
def test_no_page_of_a_lying_solver_is_wrong(lie: Lie, monkeypatch: pytest.MonkeyPatch) -> None:
    """From problem to certificate, lies in the linear programs and in the tree on whole divisions alike."""
    rng = random.Random(3)
    kitchens = [replace(random_kitchen(seed, size=6, free=False), basis="meat", kilograms=12.0) for seed in range(14)]
    honest = [blend(kitchen.problem()) for kitchen in kitchens]
    let_lie(monkeypatch, lie, rng)
    monkeypatch.setattr("optimizer.weighing.divisions.whole", lambda program, *_: (_told(lie, program, rng), Proof()))
    answered = 0
    for kitchen, truth in zip(kitchens, honest, strict=True):
        try:
            told = blend(kitchen.problem())
        except SolverDisagrees:
            continue
        if told.optimum is not None and truth.optimum is not None:
            assert told.optimum.cost == truth.optimum.cost
        if told.weighed is None:
            assert truth.weighed is None or told.scale_prevents, "only the scales' divisions rest on the solver's word"
            continue
        answered += 1
        assert told.status is Status.OPTIMAL
        assert told.certificate is not None
        assert told.certificate.feasible
        assert told.certificate.gap is not None
        assert told.certificate.gap >= 0
        assert told.certificate.lower_bound == truth.optimum.cost  # type: ignore[union-attr]
    assert answered > 2


def test_optimum_that_misses_feasibility_by_less_than_any_tolerance_is_refused() -> None:
    """HiGHS calls this optimal; there is no such batch."""
    program = Program(
        tuple(Variable(f"x{j}", F(1), F(0), F(1)) for j in range(2)),
        (Row("sum", (F(1), F(1)), F(2) + F(1, 10**9), None),),
    )
    assert solve(program).ending is Ending.OPTIMAL
    assert settle(program) is None


def _stops_at_once(search: Simplex, cost: object = None) -> bool:
    return True


def _gives_up_hope(search: Simplex, cost: object = None) -> bool:
    return False


@pytest.mark.parametrize("fault", [_stops_at_once, _gives_up_hope])
def test_a_faulty_exact_search_is_caught_by_the_proof(
    fault: Callable[..., bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither a point that is not the cheapest, nor 'none' where there is one, gets past what is proved."""
    kitchens = [random_kitchen(seed, size=6) for seed in range(20)]
    programs = [layout_of(kitchen.problem()).program for kitchen in kitchens]
    truth = [settle(program) for program in programs]
    monkeypatch.setattr(Simplex, "minimise", fault)
    let_lie(monkeypatch, _fails, random.Random(0))
    for program, expected in zip(programs, truth, strict=True):
        try:
            found = settle(program)
        except SolverDisagrees:
            continue
        assert (found is None) == (expected is None)
        assert found is None or program.cost(found.values) == program.cost(expected.values)  # type: ignore[union-attr]


def test_relaxed_bound_needs_no_trust() -> None:
    for seed in range(30):
        program = layout_of(random_kitchen(seed, size=5, whole=0.7).problem()).program
        found = settle(relaxed(program))
        if found is not None:
            assert lower_bound(relaxed(program), found.prices) == program.cost(found.values)


@pytest.fixture(autouse=True)
def _no_float_warnings() -> Iterator[None]:
    with np.errstate(all="raise", under="ignore"):
        yield
