"""Times of the command against the bare import of its libraries: ``python tests/benchmark.py [ROUNDS]``.

Every figure is the median of fresh processes, each run beside one of the floor, so that a busy machine slows both.
Prints the ratios with their targets; ends with 1 where a target is missed.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[1]
FLOOR = ("-c", "import pulp, highspy, pandas, typer, yaml")
BLEND = "blend examples/odds-and-ends.yaml --lots examples/odds-and-ends-lots.csv --batch-kg 60 --date 2026-11-25"
CASES = (
    ("the 40-lot example", tuple(BLEND.split()), 1.5),
    ("--help", ("--help",), 0.6),
    ("--version", ("--version",), 0.6),
)
"""What is timed, its words after ``python -m optimizer``, and the largest ratio to the floor wanted."""
ROUNDS = 7


def seconds(words: tuple[str, ...]) -> float:
    """Wall time of one fresh interpreter; raises CalledProcessError where it fails."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], cwd=ROOT, check=True, capture_output=True)
    return time.perf_counter() - start


def measure(words: tuple[str, ...], rounds: int) -> tuple[float, float]:
    """Median seconds of the floor and of a command, run in turn."""
    pairs = [(seconds(FLOOR), seconds(("-m", "optimizer", *words))) for _ in range(rounds)]
    return median(floor for floor, _ in pairs), median(own for _, own in pairs)


def main() -> int:
    """Measure every case and print it."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    for words in (FLOOR, *(("-m", "optimizer", *words) for _, words, _ in CASES)):
        seconds(words)  # once for the disk cache and the compiled modules
    print(f"floor: python {FLOOR[0]} {FLOOR[1]!r}; medians of {rounds} fresh processes each")
    print(f"{'':20}  {'floor s':>8}  {'own s':>8}  {'ratio':>6}  {'target':>6}")
    missed = 0
    for name, words, target in CASES:
        floor, own = measure(words, rounds)
        ratio = own / floor
        missed += ratio > target
        verdict = "" if ratio <= target else "  missed"
        print(f"{name:20}  {floor:8.3f}  {own:8.3f}  {ratio:6.2f}  {target:6.2f}{verdict}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
