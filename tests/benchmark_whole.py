"""Batches of whole packs against bare HiGHS: ``python tests/benchmark_whole.py [KITCHENS]``.

Every kitchen has 40 lots with packs, smallest and largest pulls, a most-lots limit and groups. Timed is the way from
the problem to the proved optimum, ties broken: layout, program, search, exact recomputation. Beside it, in turn and in
the same process, HiGHS is given the same matrix directly (one thread, no gap allowed). Every figure is the least of
three; times are those of the processor. The same kitchens are then asked for with confidence in their measured fat;
HiGHS knows no such rows, so the plain matrix stays the yardstick.

Prints median and worst, and ends with 1 where a kitchen misses its target: 2 times the yardstick, 4 times with
confidence, or 0.2 s where that is more.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import median

import highspy
import numpy as np
from packed import PackedKitchen, packed_kitchen

from optimizer.answer import _cheapest
from optimizer.problem import Problem
from optimizer.solver.program import Ending, Program, layout_of

KITCHENS = 60
BEST_OF = 3
LEAST_S = 0.2
"""Seconds of the processor always allowed."""
GAP = 1e-6
"""Share of the cost by which the two costs may differ: HiGHS's own tolerance of feasibility."""


@dataclass(frozen=True)
class Timed:
    """Seconds of the processor, the cost found (None: no batch) and how the search ended."""

    seconds: float
    cost: float | None
    ending: str = ""


def ours(problem: Problem) -> Timed:
    """From a problem to its proved optimum, as a blend does."""
    start = time.process_time()
    found = _cheapest(problem).optimum
    seconds = time.process_time() - start
    return Timed(seconds, float(found.cost) if found.values else None, found.ending)


@dataclass(frozen=True)
class Matrix:
    """A program as HiGHS takes it, column by column."""

    cost: np.ndarray
    lo: np.ndarray
    hi: np.ndarray
    whole: list[bool]
    row_lo: np.ndarray
    row_hi: np.ndarray
    start: np.ndarray
    index: np.ndarray
    value: np.ndarray

    @classmethod
    def of(cls, program: Program) -> Matrix:
        """The arrays of a program."""
        start, index, value = [0], [], []
        rows = [dict(row.terms) for row in program.rows]
        for j in range(len(program.variables)):
            for i, coefs in enumerate(rows):
                if j in coefs:
                    index.append(i)
                    value.append(float(coefs[j]))
            start.append(len(index))
        limits = [
            (-np.inf if r.lo is None else float(r.lo), np.inf if r.hi is None else float(r.hi)) for r in program.rows
        ]
        return cls(
            np.array([float(v.cost) for v in program.variables]),
            np.array([float(v.lo) for v in program.variables]),
            np.array([float(v.hi) for v in program.variables]),
            [v.whole for v in program.variables],
            np.array([lo for lo, _ in limits]), np.array([hi for _, hi in limits]),
            np.array(start, dtype=np.int32), np.array(index, dtype=np.int32), np.array(value),
        )  # fmt: skip

    def solve(self) -> Timed:
        """HiGHS on this matrix."""
        start = time.process_time()
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.cost), len(self.row_lo)
        lp.col_cost_, lp.col_lower_, lp.col_upper_ = self.cost, self.lo, self.hi
        lp.row_lower_, lp.row_upper_ = self.row_lo, self.row_hi
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_, lp.a_matrix_.index_, lp.a_matrix_.value_ = self.start, self.index, self.value
        kinds = highspy.HighsVarType
        lp.integrality_ = [kinds.kInteger if whole else kinds.kContinuous for whole in self.whole]
        highs = highspy.Highs()
        for key, setting in (("output_flag", False), ("threads", 1), ("mip_rel_gap", 0.0), ("mip_abs_gap", 0.0)):
            highs.setOptionValue(key, setting)
        highs.passModel(lp)
        highs.run()
        optimal = highs.getModelStatus() == highspy.HighsModelStatus.kOptimal
        cost = highs.getObjectiveValue() if optimal else None
        return Timed(time.process_time() - start, cost)


@dataclass(frozen=True)
class Race:
    """One kitchen: what the yardstick and the program took."""

    seed: int
    yardstick: Timed
    own: Timed
    factor: float

    @property
    def limit(self) -> float:
        """Seconds allowed."""
        return max(self.factor * self.yardstick.seconds, LEAST_S)


def race(kitchen: PackedKitchen, seed: int, factor: float) -> Race:
    """The best of several runs of both, in turn. Everything is put together anew each time: nothing is remembered."""
    plain = Matrix.of(layout_of(replace(kitchen, probability=None).problem()).program)
    pairs = [(plain.solve(), ours(kitchen.problem())) for _ in range(BEST_OF)]
    yardstick = min((pair[0] for pair in pairs), key=lambda timed: timed.seconds)
    own = min((pair[1] for pair in pairs), key=lambda timed: timed.seconds)
    assert own.ending in (Ending.OPTIMAL, Ending.INFEASIBLE), (seed, own.ending)
    return Race(seed, yardstick, own, factor)


def same_cost(found: Race) -> bool:
    """Whether both found the same cost; with confidence whether it is no less than without."""
    if found.yardstick.cost is None or found.own.cost is None:
        return found.own.cost is None
    apart = found.own.cost - found.yardstick.cost
    slack = GAP * max(1.0, abs(found.yardstick.cost))
    return abs(apart) <= slack


def no_cheaper(found: Race) -> bool:
    """Whether the cost with confidence is no less than without."""
    if found.yardstick.cost is None or found.own.cost is None:
        return found.own.cost is None
    return found.own.cost >= found.yardstick.cost - GAP * max(1.0, abs(found.yardstick.cost))


def report(name: str, races: list[Race]) -> int:
    """Print one line of figures and those that missed; the number missed."""
    missed = [found for found in races if found.own.seconds > found.limit]
    ratios = [found.own.seconds / found.yardstick.seconds for found in races]
    own, yard = [f.own.seconds for f in races], [f.yardstick.seconds for f in races]
    batches = sum(found.own.cost is not None for found in races)
    print(
        f"{name:16} {len(races):4} {batches:8} {median(yard):8.3f} {max(yard):8.3f} {median(own):8.3f} {max(own):8.3f}"
        f" {median(ratios):8.2f} {max(ratios):8.2f} {len(missed):7}"
    )
    for found in missed:
        print(f"    kitchen {found.seed}: {found.own.seconds:.3f} s, allowed {found.limit:.3f} s")
    return len(missed)


def main() -> int:
    """Race every kitchen without and with confidence."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else KITCHENS
    ways: list[tuple[str, float, Callable[[Race], bool], str | None, bool]] = [
        ("plain", 2.0, same_cost, None, False),
        ("confidence", 4.0, no_cheaper, "0.95", False),
        ("shared", 4.0, no_cheaper, "0.95", True),
    ]
    race(packed_kitchen(0), 0, 2.0)  # once for the imports
    race(replace(packed_kitchen(0), probability="0.95"), 0, 4.0)
    print(f"{count} kitchens of 40 lots; seconds of the processor, best of {BEST_OF}")
    heads = ("batches", "HiGHS s", "worst", "own s", "worst", "ratio", "worst")
    print(f"{'':16} {'runs':>4} " + " ".join(f"{head:>8}" for head in heads) + f" {'missed':>7}")
    missed = 0
    for name, factor, agrees, probability, shared in ways:
        races = []
        for seed in range(count):
            kitchen = replace(packed_kitchen(seed), probability=probability, shared=shared)
            found = race(kitchen, seed, factor)
            assert agrees(found), (name, seed, found.yardstick.cost, found.own.cost)
            races.append(found)
        missed += report(name, races)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
