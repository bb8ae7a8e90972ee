"""Every benchmark in one command, as a table and a picture: ``python tests/benchmarks.py [--picture FILE]``.

Each line is the middle of a few runs of ours beside a yardstick run in turn, seconds of both, their ratio and the ratio
wanted. The picture is SVG: a bar a line, how often the target it takes, met where it ends before the line at 1. The
scripts named in DEVELOPERS.md measure more of each. Ends with 1 where a target is missed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from math import inf
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import benchmark
import benchmark_plan
import benchmark_whole
import benchmark_why
from packed import packed_kitchen

KITCHENS, CONFLICTS, SIZE = 12, ("fat against protein", "leaner than the stock"), (200, 50)
PLAN_TARGET, KITCHEN_TARGETS = 1.0, (3.0, 4.0)
"""Ratios wanted: a whole plan to a bare process that builds and solves the matrix; a kitchen, and one with confidence,
to HiGHS on the matrix without."""
BAR, ROW = 520, 26


@dataclass(frozen=True)
class Line:
    """One thing timed: seconds of the yardstick and of ours, and the largest ratio wanted."""

    name: str
    yardstick: float
    own: float
    target: float

    @property
    def ratio(self) -> float:
        """Times the yardstick."""
        return self.own / self.yardstick

    @property
    def missed(self) -> bool:
        """Whether the target is missed."""
        return self.ratio > self.target

    def __str__(self) -> str:
        said = f"{self.name:42} {self.yardstick:9.3f} {self.own:9.3f} {self.ratio:7.2f} {self.target:7.2f}"
        return f"{said}{'  missed' if self.missed else ''}"


def middle(name: str, pairs: Sequence[tuple[float, float]], target: float) -> Line:
    """The run of the middle ratio."""
    ratio = median(own / yard for yard, own in pairs)
    yard = median(yard for yard, _ in pairs)
    return Line(name, yard, yard * ratio, target)


def lines() -> Iterator[Line]:
    """Everything that is timed, one after the other."""
    for name, words, target in benchmark.CASES:
        yield middle(f"{name} / its imports", [benchmark.measure(words, 5)], target)
    benchmark_whole.race(replace(packed_kitchen(0), probability="0.95"), 0, 4.0)  # once for the imports
    for probability, target in zip((None, "0.95"), KITCHEN_TARGETS, strict=True):
        kitchens = [replace(packed_kitchen(seed), probability=probability) for seed in range(KITCHENS)]
        races = [benchmark_whole.race(kitchen, seed, target) for seed, kitchen in enumerate(kitchens)]
        name = "40 lots in packs" + (" with confidence" if probability else "")
        yield middle(f"{name} / HiGHS", [(one.yardstick.seconds, one.own.seconds) for one in races], target)
    with TemporaryDirectory() as folder:
        for name, words, target in (
            ("why, 40 lots", benchmark_why.WORDS, benchmark_why.TIMES_BLEND),
            ("why, 9 lots, confidence", benchmark_why.unsure(benchmark_why.NINE, folder), benchmark_why.TIMES_NINE),
            ("why, 40 lots, confidence", benchmark_why.unsure(benchmark_why.WORDS, folder), benchmark_why.TIMES_FORTY),
        ):
            yield middle(f"{name} / its blend", [benchmark_why.commands(words)], target)
    for kind in CONFLICTS:
        yield middle(f"conflict, {kind} / one solve", [benchmark_why.conflict(kind, 1)], benchmark_why.SOLVES)
    with TemporaryDirectory() as name:
        folder = Path(name)
        benchmark_plan.write_week(folder, *SIZE, rules=False)
        least = inf
        for method in benchmark_plan.METHODS:
            start = time.perf_counter()
            benchmark_plan.alone("yardstick", folder, "--method", method)
            least = min(least, time.perf_counter() - start)
        week = f"plan {SIZE[0]} x {SIZE[1]} / a bare process"
        yield Line(week, least, benchmark_plan.whole_run(folder)["seconds"], PLAN_TARGET)


def picture(found: Sequence[Line]) -> str:
    """A bar a line: its ratio over the ratio wanted."""
    parts = [one.ratio / one.target for one in found]
    scale = BAR / max(2.0, *parts)
    height = ROW * (len(found) + 1)
    drawn = [
        f'<text x="296" y="{ROW * i + 17}" text-anchor="end">{escape(one.name)}</text>'
        f'<rect x="304" y="{ROW * i + 4}" width="{scale * part:.1f}" height="{ROW - 8}" '
        f'fill="{"#b3261e" if one.missed else "#33691e"}"/>'
        f'<text x="{308 + scale * part:.1f}" y="{ROW * i + 17}">{one.ratio:.2f} of {one.target:g}</text>'
        for i, (one, part) in enumerate(zip(found, parts, strict=True))
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {420 + BAR} {height}" font-family="sans-serif" '
        f'font-size="12"><title>Ratios to their yardsticks, over those wanted</title>{"".join(drawn)}'
        f'<line x1="{304 + scale:.1f}" x2="{304 + scale:.1f}" y1="0" y2="{height}" stroke="black"/></svg>\n'
    )


def main() -> int:
    """Measure, print, draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--picture", type=Path, help="SVG file to write")
    asked = parser.parse_args()
    print(f"{'ours / yardstick':42} {'yard s':>9} {'own s':>9} {'ratio':>7} {'target':>7}", flush=True)
    found = []
    for one in lines():
        found.append(one)
        print(one, flush=True)
    if asked.picture:
        asked.picture.write_text(picture(found), encoding="utf-8")
    return int(any(one.missed for one in found))


if __name__ == "__main__":
    sys.exit(main())
