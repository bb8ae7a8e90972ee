"""One exact solve of linear equations, whatever figures they are in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction


def solve(
    lines: Sequence[Mapping[int, Fraction]], rights: Sequence[Mapping[int, Fraction]]
) -> list[dict[int, Fraction]] | None:
    """X with ``matrix @ X = right``, both sides given by their rows without zeros; None where there is no such one X.

    ``matrix`` is n by n. Gauss-Jordan elimination that takes the shortest row next and in it the column that the fewest
    rows have (Markowitz, Management Science 3, 1957, 255-269), so that the many rows of two figures (those of packs and
    pulls) stay short.
    """
    size = len(lines)
    left, made = [dict(line) for line in lines], [dict(line) for line in rights]
    using: list[set[int]] = [set() for _ in range(size)]
    for i, line in enumerate(left):
        for j in line:
            using[j].add(i)
    waiting, row_of = set(range(size)), [0] * size
    while waiting:
        i = min(waiting, key=lambda i: (len(left[i]), i))
        if not left[i]:
            return None
        waiting.remove(i)
        j = min(left[i], key=lambda j: (len(using[j]), j))
        row_of[j], lead = i, left[i][j]
        for part in (left[i], made[i]):
            for k, a in part.items():
                part[k] = a / lead
        for other in [k for k in using[j] if k != i]:
            factor = left[other][j]
            _take_off(made[other], made[i], factor)
            for k in _take_off(left[other], left[i], factor):
                (using[k].add if k in left[other] else using[k].discard)(other)
    return [made[i] for i in row_of]


def _take_off(line: dict[int, Fraction], other: Mapping[int, Fraction], factor: Fraction) -> Mapping[int, Fraction]:
    """Take a multiple of another row off one; the other row, whose places are those that may have changed."""
    for k, a in other.items():
        rest = line.get(k, 0) - factor * a
        if rest:
            line[k] = rest
        else:
            line.pop(k, None)
    return other
