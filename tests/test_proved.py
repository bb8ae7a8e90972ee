"""Whole numbers proved to the last cent: published integer problems, and a few of the kitchens of ``proved``."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction as F

import pytest
from proved import closed, packed
from vipr_check import verified

from constraints.row import Row
from optimizer.answer import Status, blend, proof_file
from optimizer.solver.optimum import Ranks, optimise
from optimizer.solver.program import Program, Variable
from optimizer.solver.tree import prove
from optimizer.solver.vipr import ProofFile

Terms = Mapping[str, F | int]


class Posed:
    """A program put together by name."""

    def __init__(self) -> None:
        self.variables: dict[str, Variable] = {}
        self.rows: list[tuple[Terms, F | int | None, F | int | None]] = []

    def var(self, name: str, cost: F | int, lo: int = 0, hi: int = 10**4, *, whole: bool = False) -> str:
        self.variables[name] = Variable(name, F(cost), F(lo), F(hi), whole=whole)
        return name

    def row(self, terms: Terms, lo: F | int | None, hi: F | int | None) -> None:
        self.rows.append((terms, lo, hi))

    def program(self) -> Program:
        names = list(self.variables)
        rows = tuple(
            Row(str(i), tuple(F(terms.get(n, 0)) for n in names), *(None if x is None else F(x) for x in (lo, hi)))
            for i, (terms, lo, hi) in enumerate(self.rows)
        )
        return Program(tuple(self.variables.values()), rows)


def steel() -> Program:
    """Ingots that are not cut, alloys and scrap into 25 t of steel: Westerberg, Bjorklund and Hultman, An Application
    of Mixed Integer Programming in a Swedish Steel Mill, Interfaces 7(2), 1977, 39-43. Data from memory.
    """
    posed, weight, carbon, molybdenum = Posed(), {}, {}, {}
    for i, (tons, price, c, m) in enumerate(((5, 350, 5, 3), (3, 330, 4, 3), (4, 310, 5, 4), (6, 280, 3, 4))):
        name = posed.var(f"ingot {i}", tons * price, hi=1, whole=True)
        weight[name], carbon[name], molybdenum[name] = tons, tons * c, tons * m
    for i, (price, c, m) in enumerate(((500, 8, 6), (450, 7, 7), (400, 6, 8), (100, 3, 9))):
        name = posed.var(f"alloy {i}", price)
        weight[name], carbon[name], molybdenum[name] = 1, c, m
    for terms, limit in ((weight, 25), (carbon, 125), (molybdenum, 125)):
        posed.row(terms, limit, limit)
    return posed.program()


def diet() -> Program:
    """Whole packages of food for a week: Fourer, Gay and Kernighan, AMPL, 2nd ed. 2003, ch. 2. Data from memory."""
    posed, rows = Posed(), [dict[str, int]() for _ in range(6)]
    foods = {
        "beef": ("3.19", 60, 20, 10, 15, 938, 295), "chicken": ("2.59", 8, 0, 20, 20, 2180, 770),
        "fish": ("2.29", 8, 10, 15, 10, 945, 440), "ham": ("2.89", 40, 40, 35, 10, 278, 430),
        "macaroni": ("1.89", 15, 35, 15, 15, 1182, 315), "meat loaf": ("1.99", 70, 30, 15, 15, 896, 400),
        "spaghetti": ("1.99", 25, 50, 25, 15, 1329, 370), "turkey": ("2.49", 60, 20, 15, 10, 1397, 450),
    }  # fmt: skip
    for name, (price, *figures) in foods.items():
        posed.var(name, F(price), lo=2, hi=10, whole=True)
        for row, figure in zip(rows, figures, strict=True):
            row[name] = figure
    for row, (lo, hi) in zip(rows, [*[(700, 20000)] * 4, (0, 50000), (16000, 24000)], strict=True):
        posed.row(row, lo, hi)
    return posed.program()


def food_manufacture() -> Program:
    """Oils bought, stored and blended over six months, three a month at most, 20 t of one at least, and OIL 3 with any
    vegetable oil: H. P. Williams, Model Building in Mathematical Programming, problem 12.2. Data from memory.
    """
    prices = ((110, 120, 130, 110, 115), (130, 130, 110, 90, 115), (110, 140, 130, 100, 95),
              (120, 110, 120, 120, 125), (100, 120, 150, 110, 105), (90, 100, 140, 80, 135))  # fmt: skip
    hard = ("8.8", "6.1", "2", "4.2", "5")
    posed = Posed()
    for t, month in enumerate(prices):
        used = {}
        for i, price in enumerate(month):
            most = 200 if i < 2 else 250
            buy, use = posed.var(f"buy {t} {i}", price), posed.var(f"use {t} {i}", -150, hi=most)
            end = posed.var(f"store {t} {i}", 5, *((500, 500) if t == 5 else (0, 1000)))
            before = {} if t == 0 else {f"store {t - 1} {i}": 1}
            posed.row({buy: 1, use: -1, end: -1, **before}, *([-500] * 2 if t == 0 else [0] * 2))
            used[i] = posed.var(f"any {t} {i}", 0, hi=1, whole=True)
            posed.row({use: 1, used[i]: -most}, None, 0)
            posed.row({use: 1, used[i]: -20}, 0, None)
        posed.row({f"use {t} {i}": 1 for i in (0, 1)}, 0, 200)
        posed.row({f"use {t} {i}": 1 for i in (2, 3, 4)}, 0, 250)
        posed.row({f"use {t} {i}": F(h) - 3 for i, h in enumerate(hard)}, 0, None)
        posed.row({f"use {t} {i}": F(h) - 6 for i, h in enumerate(hard)}, None, 0)
        posed.row(dict.fromkeys(used.values(), 1), 0, 3)
        for i in (0, 1):
            posed.row({used[4]: 1, used[i]: -1}, 0, None)
    return posed.program()


@pytest.mark.parametrize(
    ("program", "least"), [(steel(), F(8495)), (diet(), F("119.3")), (food_manufacture(), F("-100278.70370"))]
)
def test_published_integer_problems(program: Program, least: F) -> None:
    """Cost 8,495 of the steel, 119.30 of the food, profit 100,279 of the oils less what June's stock costs to keep."""
    found = optimise(program, Ranks((), {}))
    assert abs(found.cost - least) < F(1, 100), float(found.cost)
    assert found.bound == found.cost


def test_kitchens_of_forty_lots_in_packs() -> None:
    """A slice of what ``proved.py`` does of two hundred."""
    told = 0
    for seed in range(6):
        answer = blend(packed(seed).problem())
        told += closed(answer)
        text = proof_file(answer)
        if text is not None and answer.optimum is not None:
            assert verified(text) == ("range", answer.optimum.cost)
    assert told == 6


def test_the_tree_finds_what_it_proves() -> None:
    """Started from nothing it ends at the same steel."""
    proof = prove(steel(), None)
    assert proof.closed and proof.best is not None and proof.best.cost == 8495
    assert verified(ProofFile(steel(), proof, proof.best.values).text()) == ("range", F(8495))
    assert prove(steel(), F(8000)).best is None


def test_a_search_without_end_ends_and_says_that_its_gap_is_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any limit of time: after a few nodes here, in one kitchen with a batch by then and in one without."""
    whole = blend(packed(17).problem())
    monkeypatch.setattr("optimizer.solver.tree.LONGEST", 20)
    stopped = blend(packed(17).problem())
    assert whole.status is Status.OPTIMAL and stopped.status is Status.TIME_LIMIT
    assert stopped.grade.exit_code == 3
    assert whole.optimum and stopped.optimum and stopped.certificate
    bound, reported = stopped.optimum.bound, stopped.optimum.reported
    assert bound is not None and reported is not None
    assert bound <= whole.optimum.cost <= stopped.optimum.cost
    assert bound <= F(reported) <= whole.optimum.cost
    assert stopped.certificate.feasible and stopped.certificate.gap
    assert proof_file(stopped) is None
    monkeypatch.setattr("optimizer.solver.tree.LONGEST", 0)
    nothing = blend(packed(17).problem())
    assert (nothing.status, nothing.weighed, nothing.grade.exit_code) == (Status.TIME_LIMIT, None, 3)
    assert not nothing.conflict
