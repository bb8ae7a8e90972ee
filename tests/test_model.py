"""The one model: a program in blocks of vectors is the same program as one of single variables, and as scipy has it."""

from __future__ import annotations

import random
from fractions import Fraction as F

import numpy as np
import pytest
from scipy.optimize import linprog

from constraints.row import Owner, Row, RowKind, Vector
from optimizer.solver.exact import lower_bound, multipliers, reduced_costs
from optimizer.solver.optimum import Kept
from optimizer.solver.program import Model, Program
from optimizer.solver.session import Session

OWN = Owner(RowKind.STOCK, "lots")


def random_model(seed: int) -> Model:
    """Blocks of columns from zero up, single ones between them, and rows over some of them."""
    rng = random.Random(seed)
    model = Model(constant=F(rng.randint(-9, 9), 7))
    for _ in range(rng.randint(1, 3)):
        size = rng.randint(1, 6)
        cost = Vector.of(F(rng.randint(-40, 90), rng.choice((1, 3, 8))) for _ in range(size))
        model.variables.add(cost, Vector.of(F(rng.randint(0, 50), rng.choice((1, 7))) for _ in range(size)))
        model.column(F(rng.randint(1, 9)), F(rng.randint(1, 9), 2))
    for _ in range(rng.randint(1, 5)):
        columns = rng.sample(range(model.size), rng.randint(1, model.size))
        coefs = [F(rng.randint(0, 20), rng.choice((1, 6, 11))) for _ in columns]
        lo, hi = sorted((F(rng.randint(0, 60)), F(rng.randint(0, 200))))
        model.row(columns, coefs, rng.choice((lo, None)), rng.choice((hi, None)), OWN)
    return model


def outside(model: Model) -> float | None:
    """The least cost as scipy finds it; None where there is no point."""
    rows, limits = [], []
    for row in model.rows:
        line = np.zeros(model.size)
        for j, a in row.terms:
            line[j] = float(a)
        rows += [line, -line]
        limits += [np.inf if row.hi is None else float(row.hi), np.inf if row.lo is None else -float(row.lo)]
    kept = np.isfinite(limits)
    bounds = [(float(v.lo), float(v.hi)) for v in model.variables]
    costs = [float(v.cost) for v in model.variables]
    found = linprog(
        costs, A_ub=np.array(rows)[kept] if kept.any() else None, b_ub=np.array(limits)[kept] if kept.any() else None,
        bounds=bounds, method="highs-ds",
    )  # fmt: skip
    return float(found.fun) + float(model.constant) if found.status == 0 else None


@pytest.mark.parametrize("seed", range(60))
def test_a_model_is_the_program_of_its_variables(seed: int) -> None:
    model = random_model(seed)
    alike = Program(tuple(model.variables), tuple(model.rows), model.constant)
    assert model.whole == alike.whole
    assert [tuple(part) for part in model.vectors] == [tuple(part) for part in alike.vectors]
    rng = random.Random(seed)
    for _ in range(5):  # any prices whatever
        prices = multipliers(model, [rng.uniform(-9, 9) for _ in model.rows])
        assert lower_bound(model, prices) == lower_bound(alike, prices)
        assert reduced_costs(model, prices) == reduced_costs(alike, prices)
    least, kept = outside(model), Kept(alike)
    found = kept.settle()
    assert (found is None) == (least is None)
    if found is None or least is None:
        return
    cost = alike.cost(found.values)
    assert float(cost) == pytest.approx(least, rel=1e-9, abs=1e-9)
    session = Session(model, options={})
    assert session.run()
    assert session.cost + float(model.constant) == pytest.approx(least, rel=1e-7, abs=1e-6)
    bound = lower_bound(model, multipliers(model, session.prices))
    assert bound is not None and bound <= cost and float(bound) == pytest.approx(float(cost), rel=1e-6, abs=1e-6)


def test_other_costs_and_further_columns_leave_the_rest_alone() -> None:
    model = random_model(3)
    other = model.costing({0: F(5, 3)})
    assert [v.cost for v in other.variables] == [F(5, 3), *[F(0)] * (model.size - 1)]
    assert [v.hi for v in other.variables] == [v.hi for v in model.variables]
    assert other.constant == 0 and len(other.rows) == len(model.rows)
    row = model.rows[0]
    place = other.column(F(1), F(9))
    wider = row.plus({place: F(2, 7)})
    assert dict(wider.terms) == dict(row.terms) | {place: F(2, 7)}
    assert (wider.lo, wider.hi, wider.owner) == (row.lo, row.hi, OWN) and place == model.size


def test_a_row_over_packs_counts_packs_and_keeps_its_owner() -> None:
    row = Row("fat", (F(1, 3), F(0), F(-2)), hi=F(4)).owned("the recipe")
    over = row.over((F(5), F(1), F(1)))
    assert over.terms == ((0, F(5, 3)), (2, F(-2))) and over.owner == Owner(RowKind.NEED, "the recipe")
    assert row.over((F(1),) * 3) is row
    assert row.but(lo=F(1), hi=None).terms == row.terms


def test_figures_capped_put_and_joined() -> None:
    some = Vector.of([F(1, 3), F(7, 2), F(5)])
    assert some.capped(F(10, 3)) == (F(1, 3), F(10, 3), F(10, 3))
    assert some.capped(F(6)) == some
    assert some.put(1, F(2, 11)) == (F(1, 3), F(2, 11), F(5)) and some[1] == F(7, 2)
    assert some.joined(Vector.of([F(1, 7)]), Vector.whole([2**70])) == (*some, F(1, 7), F(2**70))
    shares, top = Vector.of([F(1, 3), F(-2, 3)]).shares
    assert top == F(2, 3) and shares.tolist() == [0.5, -1.0]
