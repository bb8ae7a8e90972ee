"""Small pulls and crumbs: random kitchens against scipy's milp, and every choice of every lot tried by linprog.

A lot is left alone, gives something between its least pull and what leaves its least remnant, or is emptied. ``python
tests/tidy.py --kitchens 500`` compares so many kitchens; the tests take a few of them. Invented data.
"""

from __future__ import annotations

import argparse
import random
from dataclasses import dataclass
from datetime import date
from fractions import Fraction as F
from itertools import product
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from optimizer.answer import Answer, Status, blend
from optimizer.order import Asked, order_of
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe

DAY = date(2026, 11, 25)
WITHIN = 0.025
"""Half a division of the meat scale, the tolerance on the weight; kilograms."""


@dataclass
class Messy:
    """Lots by row: stock, fat, price, own least pull and remnant (None: the recipe's), kilograms of a pack or None."""

    lots: list[tuple[float, float, float, float | None, float | None, float | None]]
    kilograms: int
    fat: tuple[int, int]
    most: int | None
    asked: tuple[str, str] | None
    """The recipe's smallest pull and remnant; None: the default."""
    order: list[int] | None = None
    """The order of the rows in the table."""

    def problem(self) -> Problem:
        """What the program makes of it."""
        text = f"name: x\nrequire:\n  - fat: {{min_pct: {self.fat[0]}, max_pct: {self.fat[1]}}}\n"
        text += f"  - most_lots: {{max: {self.most}}}\n" if self.most else ""
        text += "smallest_pull: {}\nsmallest_remnant: {}\n".format(*self.asked) if self.asked else ""
        rows = [",".join("" if x is None else str(x) for x in (f"L{i}", *lot)) for i, lot in enumerate(self.lots)]
        rows = [rows[i] for i in self.order or range(len(rows))]
        head = "lot,on_hand_kg,fat_pct,cost_per_kg,smallest_pull_kg,smallest_remnant_kg,pack_kg"
        table, recipe = parse_lots("\n".join([head, *rows]) + "\n", "lots"), parse_recipe(text, "recipe")
        return assemble(recipe, table, order_of(recipe, "--meat-kg", F(self.kilograms), DAY, Asked()))

    def least(self, lot: tuple[Any, ...], *, tidy: bool) -> tuple[float, float]:
        """Least pull and remnant of a lot; without ``tidy`` only its own."""
        pull = rest = 0.0
        if tidy and self.asked is None:  # two divisions of 50 g, or 1 % of the batch in whole ones
            rest = max(2, -(-self.kilograms // 5)) * 0.05
            pull = min(rest, lot[0])
        elif tidy and self.asked:
            pull, rest = ((float(t[:-1]) * self.kilograms / 100 if t[-1] == "%" else float(t)) for t in self.asked)
        return pull if lot[3] is None else lot[3], rest if lot[4] is None else lot[4]

    def ways(self, lot: tuple[Any, ...], *, tidy: bool) -> list[tuple[float, float]]:
        """What may be taken of a lot: none, a range, all of it. Packs are counted: a range is a single number."""
        pull, rest = self.least(lot, tidy=tidy)
        stock, pack = lot[0], lot[5]
        if pack is not None:
            packs = int(stock / pack + 1e-9)
            taken = [n * pack for n in range(1, packs + 1) if n * pack >= pull - 1e-9]
            return [(0.0, 0.0), *((kg, kg) for kg in taken if packs * pack - kg >= rest - 1e-9 or kg == packs * pack)]
        found = [(0.0, 0.0)]
        found += [(pull, stock - rest)] if pull <= stock - rest + 1e-9 else []
        return found + ([(stock, stock)] if rest and stock >= pull else [])

    def milp(self, *, tidy: bool) -> float | None:
        """The least cost; None where there is no batch."""
        choices = [(i, lo, hi) for i, lot in enumerate(self.lots) for lo, hi in self.ways(lot, tidy=tidy)]
        n, k = len(self.lots), len(choices)
        size = 2 * k  # a choice's share of the lot, and whether it is the choice
        rows, low, high = [], [], []
        for place, (_, lo, hi) in enumerate(choices):
            for limit, sign in ((lo, 1), (hi, -1)):
                row = np.zeros(size)
                row[place], row[k + place] = sign, -sign * limit
                rows, low, high = [*rows, row], [*low, 0.0], [*high, np.inf]
        for i in range(n):
            row = np.zeros(size)
            row[[k + p for p, (lot, _, _) in enumerate(choices) if lot == i]] = 1
            rows, low, high = [*rows, row], [*low, 1.0], [*high, 1.0]
        fat = np.array([self.lots[i][1] for i, _, _ in choices] + [0.0] * k)
        weight = np.array([1.0] * k + [0.0] * k)
        used = np.array([0.0] * k + [float(hi > 0) for _, _, hi in choices])
        rows += [weight, fat - self.fat[0] * weight, fat - self.fat[1] * weight, used]
        low += [self.kilograms - WITHIN, 0.0, -np.inf, 0.0]
        high += [self.kilograms + WITHIN, np.inf, 0.0, self.most or n]
        cost = np.array([self.lots[i][2] for i, _, _ in choices] + [0.0] * k)
        found = milp(
            cost, integrality=np.array([0] * k + [1] * k), bounds=Bounds(0, [1e4] * k + [1] * k),
            constraints=LinearConstraint(np.array(rows), low, high), options={"mip_rel_gap": 0},
        )  # fmt: skip
        return float(found.fun) if found.status == 0 else None

    def tried(self, *, tidy: bool) -> float | None:
        """The same by trying every choice of every lot."""
        best: float | None = None
        fat = np.array([lot[1] for lot in self.lots])
        limits = np.array([fat - self.fat[1], self.fat[0] - fat, np.ones(len(fat)), -np.ones(len(fat))])
        right = [0, 0, self.kilograms + WITHIN, -self.kilograms + WITHIN]
        for bounds in product(*(self.ways(lot, tidy=tidy) for lot in self.lots)):
            if self.most and sum(hi > 0 for _, hi in bounds) > self.most:
                continue
            found = linprog([lot[2] for lot in self.lots], limits, right, bounds=bounds)
            if found.status == 0 and (best is None or found.fun < best):
                best = float(found.fun)
        return best


def messy(seed: int, size: int = 12) -> Messy:
    """A kitchen in which pulls and remnants matter."""
    rng = random.Random(seed)
    kilograms = rng.choice((10, 20, 25, 40))
    lots = []
    for _ in range(size):
        own = rng.random() < 0.15
        stock = round(rng.uniform(0.5, kilograms * 0.6), rng.choice((0, 1, 1, 2))) or 1.0
        lots.append((
            stock, rng.choice((4, 9, 15, 22, 35, 55, 80)), rng.randint(10, 90) / 10,
            round(rng.uniform(0, 3), 1) if own else None, round(rng.uniform(0, 3), 1) if own else None,
            rng.choice((1, 2, 2.5)) if rng.random() < 0.15 and stock >= 2.5 else None,
        ))  # fmt: skip
    low = rng.choice((15, 20, 25))
    asked = rng.choice((None, ("10%", "10%"), ("2", "1"), ("0", "3"), ("15%", "0")))
    return Messy(lots, kilograms, (low, low + rng.choice((1, 3, 6))), rng.choice((None, None, 3, 5)), asked)


def compared(kitchen: Messy, answer: Answer, oracle: Any) -> str:
    """How the kitchen ended; fails where the oracle says otherwise."""
    free, tidy = oracle(tidy=False), oracle(tidy=True)
    if answer.scale_prevents:
        return "scale"
    wanted = tidy if tidy is not None or kitchen.asked is not None else free
    assert (answer.optimum is not None) == (wanted is not None), (free, tidy)
    if answer.optimum is None or answer.weighed is None or wanted is None:
        return "none"
    gave_way = kitchen.asked is None and answer.kept is None
    assert abs(float(answer.optimum.cost) - (free if gave_way else wanted)) < 1e-5 * wanted, (free, tidy)
    assert answer.tidy_price is not None
    assert abs(float(answer.optimum.cost - answer.tidy_price) - free) < 1e-5 * free
    for i, lot in enumerate(kitchen.lots):
        taken = sum(float(kg) for item, kg in answer.weighed.total.kilograms.items() if item.name == f"L{i}")
        ways = kitchen.ways(lot, tidy=not gave_way)
        assert any(lo - 1e-9 <= taken <= hi + 1e-9 for lo, hi in ways), (lot, taken, ways)
    assert answer.certificate is not None and answer.certificate.gap is not None and answer.certificate.gap >= 0
    return "gave way" if gave_way else "dearer" if answer.tidy_price else "as it is"


def main() -> None:
    """Compare kitchens by scipy's milp, and small ones by trying everything."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--kitchens", type=int, default=500)
    ended: dict[str, int] = {}
    for seed in range(parser.parse_args().kitchens):
        kitchen = messy(seed, 4 if seed % 5 == 0 else 12)
        answer = blend(kitchen.problem())
        assert answer.status in (Status.OPTIMAL, Status.INFEASIBLE), seed
        how = compared(kitchen, answer, kitchen.tried if seed % 5 == 0 else kitchen.milp)
        ended[how] = ended.get(how, 0) + 1
    print(ended)


if __name__ == "__main__":
    main()
