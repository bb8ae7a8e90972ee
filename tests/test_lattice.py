"""Whole numbers under equations: every solution and no other, against counting them all; and a scale of 0.01 g."""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction as F
from itertools import product

from constraints.row import Row
from optimizer.answer import Status, blend
from optimizer.order import Asked, order_of
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.solver.lattice import lattice_of, reduced, whole
from optimizer.solver.program import Program, Variable

FINE = """name: fine
require:
  - protein: {target_pct: 15, within_pct: 0.00001}
  - property: {name: u, min: 0, max: 0}
  - property: {name: v, min: 0, max: 0}
scales: {meat_g: 0.01, spice_g: 0.01}
"""
FINE_LOTS = """lot,on_hand_kg,fat_pct,protein_pct,u,v,cost_per_kg
A,60,20,18,1,0,2
B,60,30,16,-1,0,3
C,60,25,14.05,0,2,4
D,60,28,15.55,0,-3,5
"""


def program(rng: random.Random) -> Program:
    """Four whole numbers up to six under one or two equations and a band, mostly with few solutions."""
    variables = tuple(
        Variable(f"x{j}", F(rng.randint(-3, 9)), F(0), F(rng.randint(2, 6)), whole=True) for j in range(4)
    )
    rows = []
    for k in range(rng.choice((1, 2))):
        limit = F(rng.randint(-6, 12))
        rows.append(Row(f"equal {k}", tuple(F(rng.randint(-4, 5)) for _ in range(4)), limit, limit))
    low = F(rng.randint(0, 8))
    rows.append(Row("band", tuple(F(rng.randint(0, 3)) for _ in range(4)), low, low + rng.randint(0, 6)))
    return Program(variables, tuple(rows))


def test_the_cheapest_point_of_a_lattice_is_that_of_counting() -> None:
    rng, found, none = random.Random(4), 0, 0
    for _ in range(120):
        one = program(rng)
        points = [x for x in product(*(range(int(v.hi) + 1) for v in one.variables)) if one.feasible([F(n) for n in x])]
        best, proof = whole(one)
        assert proof.closed
        assert bool(best) == bool(points)
        if best:
            assert one.feasible(best)
            assert one.cost(best) == min(one.cost([F(n) for n in x]) for x in points)
            found += 1
        none += not best
        lattice = lattice_of(one)
        if isinstance(lattice, bool):
            assert lattice or not points
            continue
        for z in product(range(-3, 4), repeat=len(lattice.basis)):
            x = lattice.unfold([F(n) for n in z])
            assert all(row.holds(x) for row in one.rows if row.lo == row.hi)
            assert one.feasible(x) == lattice.program.feasible([F(n) for n in z])
    assert min(found, none) > 20


def test_a_reduced_basis_spans_the_same_lattice_with_shorter_vectors() -> None:
    """The example of two vectors whose lattice is all of Z x Z: the determinant is 1, so both become unit vectors."""
    basis, _ = reduced([[1_000_001, 1_000_000], [1_000_000, 999_999]])
    assert sorted(sorted(map(abs, vector)) for vector in basis) == [[0, 1], [0, 1]]


def test_equations_on_a_fine_scale_are_kept_in_whole_divisions() -> None:
    """A and B alike, C to D as 3 to 2, protein within 0.00001 points: 7.4468 kg of A, 51.06384 of C keep them all."""
    recipe = parse_recipe(FINE, "r.yaml")
    order = order_of(recipe, "--meat-kg", F(100), date(2026, 11, 25), Asked())
    answer = blend(assemble(recipe, parse_lots(FINE_LOTS, "l.csv"), order))
    assert answer.status is Status.OPTIMAL and answer.weighed is not None
    kg = {item.name: weight for item, weight in answer.weighed.total.kilograms.items()}
    assert kg["A"] == kg["B"] and 2 * kg["C"] == 3 * kg["D"] and sum(kg.values()) == 100
    assert all((weight * 100_000).denominator == 1 for weight in kg.values())
    protein = (18 * kg["A"] + 16 * kg["B"] + F("14.05") * kg["C"] + F("15.55") * kg["D"]) / 100
    assert abs(protein - 15) <= F("0.00001")
