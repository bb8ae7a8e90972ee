"""A program with cones made smaller: one column for all fixed variables, and bounds for rows on one variable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.cone import Cone, Source
from constraints.row import Row
from optimizer.solver.model import Program, Variable
from optimizer.solver.optimum import Ranks

_ZERO = Fraction(0)
_ONE = Fraction(1)


@dataclass(frozen=True)
class Folded:
    """The smaller program and its cones; ``free`` are the places that its variables had, less the last one."""

    program: Program
    cones: tuple[Cone, ...]
    free: tuple[int, ...]
    fixed: tuple[Fraction, ...]

    def unfold(self, values: Sequence[Fraction]) -> tuple[Fraction, ...]:
        """Values of all variables."""
        whole = list(self.fixed)
        for j, value in zip(self.free, values, strict=False):
            whole[j] = value
        return tuple(whole)

    def ranks(self, ranks: Ranks) -> Ranks:
        """The order of use of the free variables."""
        place = {j: k for k, j in enumerate(self.free)}
        levels = ({place[j]: kg for j, kg in level.items() if j in place} for level in ranks.levels)
        places = (*(ranks.places[j] if j < len(ranks.places) else _ZERO for j in self.free), _ZERO)
        return Ranks(tuple(level for level in levels if level), places)


def fold(program: Program, cones: Sequence[Cone] = ()) -> Folded:
    """The same program without whole numbers, smaller. Its rows are not those of the program any more."""
    free = tuple(j for j, v in enumerate(program.variables) if v.lo < v.hi)
    fixed = tuple(v.lo if v.lo >= v.hi else _ZERO for v in program.variables)
    place = {j: k for k, j in enumerate(free)}
    last = len(free)
    settled = [(j, x) for j, x in enumerate(fixed) if x]

    def line(coefs: Sequence[Fraction]) -> tuple[Fraction, ...]:
        rest = sum((coefs[j] * x for j, x in settled if coefs[j]), _ZERO)
        return (*(coefs[j] for j in free), rest)

    def source(terms: Source) -> Source:
        rest = sum((a * fixed[j] for j, a in terms), _ZERO)
        kept = tuple((place[j], a) for j, a in terms if j in place)
        return (*kept, (last, rest)) if rest else kept

    cost = line([v.cost for v in program.variables])[-1]
    variables = [*(program.variables[j] for j in free), Variable("all that is fixed", cost, _ONE, _ONE)]
    rows = []
    for row in program.rows:
        kept = Row(row.label, line(row.coefs), row.lo, row.hi)
        if not _absorbed(kept, variables):
            rows.append(kept)
    smaller = tuple(
        Cone(c.label, line(c.coefs), c.limit, c.z, tuple(s for e in c.errors if (s := source(e)))) for c in cones
    )
    return Folded(Program(tuple(variables), tuple(rows)), smaller, free, fixed)


def _absorbed(row: Row, variables: list[Variable]) -> bool:
    """Turn a row on one free variable at most into its bounds; False where it has to stay a row."""
    used = [j for j, a in enumerate(row.coefs[:-1]) if a]
    rest = row.coefs[-1]
    if not used:
        return (row.lo is None or row.lo <= rest) and (row.hi is None or rest <= row.hi)
    if len(used) > 1:
        return False
    j, a = used[0], row.coefs[used[0]]
    limits = [None if limit is None else (limit - rest) / a for limit in (row.lo, row.hi)]
    low, high = limits if a > 0 else (limits[1], limits[0])
    lo = variables[j].lo if low is None else max(variables[j].lo, low)
    hi = variables[j].hi if high is None else min(variables[j].hi, high)
    if lo > hi:
        return False
    variables[j] = replace(variables[j], lo=lo, hi=hi)
    return True
