"""Explanations against the blends they explain: ``python tests/benchmark_why.py [SEEDS]``.

Three tables; a line that misses its target is marked, and the end is 1 where any does.

1. In one process: everything the page of ``why`` says of a batch (prices of all limits and lots) against the blend of
   the same problem, without a target, for the 40-lot example and for random kitchens of
   40 lots and 12 requirements. The blend is included in what ``why`` takes.
2. Whole commands in fresh processes, ``why`` against ``blend``, on the 40-lot example (target: 3 times the blend), and
   with confidence on 9 lots (2 times) and on the 40 (4 times).
3. Kitchens of 300 lots and 30 requirements without a batch, one line for each kind of conflict (see crowds): the whole
   report, from the problem to the last way out, against solving the counterpart that has a batch, the same rows and
   whole numbers without the conflict. Target for the worst: 40 solves. A counterpart still unsolved after some seconds
   counts as those seconds.

Times are those of the processor; a yardstick is the median of several solves.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import date
from fractions import Fraction
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from crowds import KINDS, Crowd, crowd, feasible

from optimizer.answer import Status, _cheapest, blend
from optimizer.order import Asked
from optimizer.problem import Problem
from optimizer.why.explain import Question, answered, explain, question as asked_of
from optimizer.why.what_if import Inputs

ROOT = Path(__file__).parents[1]
EXAMPLE = ("examples/odds-and-ends.yaml", "examples/odds-and-ends-lots.csv")
WORDS = (EXAMPLE[0], "--lots", EXAMPLE[1], "--batch-kg", "60", "--date", "2026-11-25")
NINE = ("examples/fresh.yaml", "--lots", "examples/fresh-lots.csv", "--meat-kg", "25", "--date", "2026-11-25")
DAY = date(2026, 11, 25)
TIMES_BLEND, TIMES_NINE, TIMES_FORTY, SOLVES = 3.0, 2.0, 4.0, 40.0
"""Targets: an explanation in blends, a conflict report in solves."""
SEEDS, KITCHENS, ROUNDS = 2, 6, 5


def seconds(work: Callable[[], object]) -> float:
    """Seconds of the processor that some work takes."""
    start = time.process_time()
    work()
    return time.process_time() - start


# 1 and 2: explanations of batches.


def example() -> Question:
    """The 40-lot example as a question."""
    texts = [(ROOT / name).read_text(encoding="utf-8") for name in EXAMPLE]
    inputs = Inputs(texts[0], EXAMPLE[0], texts[1], EXAMPLE[1], ("--batch-kg", Fraction(60)), DAY, Asked())
    return asked_of(inputs, lambda _: None)


def kitchen(seed: int) -> Crowd:
    """A kitchen of 40 lots and 12 requirements with a batch."""
    return feasible(seed, lots=40, requirements=12)


def question(found: Crowd) -> Question | None:
    """A kitchen as a question; None where it has no batch after all."""
    problem = found.problem()
    if blend(problem).status is not Status.OPTIMAL:
        return None
    return Question(problem)


def explained(asked: Question, rounds: int = ROUNDS) -> tuple[float, float]:
    """Median seconds of the blend, and of the blend with its whole explanation as the page has it."""
    problem = asked.problem
    pairs = [
        (seconds(lambda: blend(problem)), seconds(lambda: answered(asked, with_curves=False, detail=False)))
        for _ in range(rounds)
    ]
    return median(pair[0] for pair in pairs), median(pair[1] for pair in pairs)


def commands(words: Sequence[str]) -> tuple[float, float]:
    """Median seconds of the processor of both commands in fresh processes, run in turn."""

    def whole(word: str) -> float:
        before = os.times()
        subprocess.run([sys.executable, "-m", "optimizer", word, *words], cwd=ROOT, check=True, capture_output=True)
        after = os.times()
        return after.children_user + after.children_system - before.children_user - before.children_system

    whole("blend")
    pairs = [(whole("blend"), whole("why")) for _ in range(ROUNDS)]
    return median(pair[0] for pair in pairs), median(pair[1] for pair in pairs)


def unsure(words: Sequence[str], folder: str) -> list[str]:
    """The command over the same recipe with a confidence of 95 %."""
    file = Path(folder) / Path(words[0]).name
    recipe = (ROOT / words[0]).read_text(encoding="utf-8")
    asked = "confidence: {probability: 0.95, usual_method: nir_bench}\nrequire:"
    file.write_text(recipe.replace("require:", asked, 1), encoding="utf-8")
    return [str(file), *words[1:]]


def line(name: str, pairs: list[tuple[float, float]], target: float | None, worst: bool = False) -> int:
    """Print one line of yardstick, own time and ratios; 1 where the target is missed."""
    ratios = [own / yard for yard, own in pairs]
    yard, own = median(pair[0] for pair in pairs), median(pair[1] for pair in pairs)
    judged = max(ratios) if worst else median(ratios)
    missed = target is not None and judged > target
    aim = "" if target is None else f"{target:7.1f}"
    print(
        f"{name:24} {len(pairs):4} {yard:9.3f} {own:9.3f} {median(ratios):8.2f} {max(ratios):8.2f} {aim}"
        f"{'  missed' if missed else ''}",
        flush=True,
    )
    return int(missed)


def head(title: str, yardstick: str) -> None:
    """Print the heads of one table."""
    print(f"\n{title}")
    print(f"{'':24} {'runs':>4} {yardstick:>9} {'own s':>9} {'ratio':>8} {'worst':>8} {'target':>7}")


# 3: conflict reports.


def counterpart(kind: str, seed: int) -> Problem:
    """The same rows and whole numbers with a batch: the conflict left out, or its one figure made possible."""
    if kind == "packs alone":
        found = crowd(kind, seed)
        found.kilograms += 1
        return found.problem()
    plain = feasible(seed)
    if kind == "most lots":
        plain.require[-1] = {"most_lots": {"max": 60}}
    if kind == "packs, linear conflict":
        packed = crowd(kind, seed)
        packed.require[0] = plain.require[0]
        return packed.problem()
    return plain.problem()


def solve(problem: Problem) -> None:
    """Built and solved as a blend does, to the proved optimum."""
    _cheapest(problem)


def report(found: Crowd) -> None:
    """Everything said where no batch exists: why, ways out, what to get."""
    answer = blend(found.problem())
    assert answer.status is Status.INFEASIBLE and answer.conflict is not None
    assert explain(answer).out is not None


def conflict(kind: str, seed: int) -> tuple[float, float]:
    """Seconds of one solve of the counterpart, the median where it is short, and of the report."""
    once = seconds(lambda: solve(counterpart(kind, seed)))
    yard = once if once > 1 else median([once, *(seconds(lambda: solve(counterpart(kind, seed))) for _ in range(2))])
    return yard, seconds(lambda: report(crowd(kind, seed)))


def main() -> int:
    """Measure everything and print it."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    missed = 0
    head("explanation against blend, one process, seconds of the processor", "blend s")
    explained(example())  # once for the imports
    missed += line("the 40-lot example", [explained(example())], None)
    asked = [question(kitchen(seed)) for seed in range(KITCHENS)]
    line("40 lots", [explained(one, 3) for one in asked if one is not None], None)  # twice the requirements
    head("whole commands, seconds of the processor", "blend s")
    missed += line("the 40-lot example", [commands(WORDS)], TIMES_BLEND)
    with TemporaryDirectory() as folder:
        missed += line("9 lots, confidence", [commands(unsure(NINE, folder))], TIMES_NINE)
        missed += line("40 lots, confidence", [commands(unsure(WORDS, folder))], TIMES_FORTY)
    head("conflict report against one solve, 300 lots, seconds of the processor", "solve s")
    report(crowd("leaner than the stock", 0, 40))
    for kind in KINDS:
        pairs = [conflict(kind, seed) for seed in range(1, seeds + 1)]
        missed += line(kind, pairs, SOLVES, worst=True)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
