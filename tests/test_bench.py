"""The program kept in the solver: changes put in and taken out again, sparse elimination, proofs that nothing fits."""

from __future__ import annotations

import random
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from crowds import crowd, feasible
from solved import solve

from constraints.row import Row, solve as eliminate
from optimizer.answer import blend
from optimizer.solver.exact import refuted_by
from optimizer.solver.lattice import no_sum_fits
from optimizer.solver.optimum import Ranks, optimise
from optimizer.solver.program import Ending, Program, Variable, layout_of, relaxed
from optimizer.solver.session import Session
from optimizer.why.ground import ground_of

ZERO = Fraction(0)
COUNTED = {"most_lots": {"max": 4}}


def _matrix(draw: random.Random, size: int) -> Any:
    return np.array([[draw.choice([0, 0, 0, 1, 2, -3]) for _ in range(size)] for _ in range(size)], dtype=object)


@pytest.mark.parametrize("seed", range(5))
def test_an_elimination_agrees_with_numpy_and_finds_every_singular_matrix(seed: int) -> None:
    draw = random.Random(seed)
    found = 0
    for _ in range(200):
        matrix = _matrix(draw, draw.randint(1, 9))
        size = len(matrix)
        lines = [{j: Fraction(a) for j, a in enumerate(line) if a} for line in matrix]
        inverse = eliminate(lines, [{i: Fraction(1)} for i in range(size)])
        assert (inverse is not None) == (np.linalg.matrix_rank(matrix.astype(float)) == size)
        if inverse is not None:
            found += 1
            dense = np.array([[line.get(k, ZERO) for k in range(size)] for line in inverse], dtype=object)
            assert (dense @ matrix == np.eye(size, dtype=int)).all()
    assert found > 20


def test_a_ray_proves_that_a_large_kitchen_has_no_batch_and_nothing_else() -> None:
    program = relaxed(layout_of(crowd("law against recipe", 1).problem()).program)
    outcome = solve(program)
    assert outcome.ending is Ending.INFEASIBLE
    assert refuted_by(program, outcome.ray)
    possible = relaxed(layout_of(feasible(1).problem()).program)
    draw = random.Random(0)
    for _ in range(20):
        assert not refuted_by(possible, [draw.uniform(-1, 1) for _ in possible.rows])
    assert not refuted_by(program, [0.0] * len(program.rows))


def _packs(*steps: int, kilograms: int) -> Program:
    variables = tuple(Variable(f"x{k}", Fraction(1), ZERO, Fraction(50), whole=True) for k in steps)
    return Program(variables, (Row("weight", tuple(map(Fraction, steps)), Fraction(kilograms), Fraction(kilograms)),))


def test_an_odd_weight_of_even_packs_needs_no_search() -> None:
    assert no_sum_fits(_packs(4, 6, kilograms=21))
    assert not no_sum_fits(_packs(4, 6, kilograms=22))
    assert not no_sum_fits(_packs(4, 7, kilograms=21))
    found = optimise(_packs(4, 6, kilograms=21), Ranks((), {}))
    assert found.ending is Ending.INFEASIBLE and found.certain


def test_a_plain_blend_and_the_prices_on_its_page_take_one_solve(monkeypatch: pytest.MonkeyPatch) -> None:
    runs = 0
    honest = Session.run

    def counted(session: Session, **bounds: Any) -> bool:
        nonlocal runs
        runs += not session.whole  # whole divisions of the scales are another program
        return honest(session, **bounds)

    monkeypatch.setattr(Session, "run", counted)
    answer = blend(feasible(2, lots=14, requirements=3).problem())
    assert answer.optimum is not None and answer.optimum.basis is not None
    assert runs == 1
    assert ground_of(answer.problem, answer.optimum.values, answer.optimum.basis) is not None
    assert runs == 1
