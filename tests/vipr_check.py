"""A small verifier of VIPR 1.0 files that knows nothing of how they were made.

After Cheung, Gleixner and Steffy, Verifying Integer Programming Results, IPCO 2017 (doi:10.1007/978-3-319-59250-3_13).
Stricter than the format in one thing: every listed point is measured against every constraint.
"""

from __future__ import annotations

import re
from fractions import Fraction as F

NUMBER = re.compile(r"-?\d+(/\d+)?$")
Sum = dict[int, F]
Constraint = tuple[str, F, Sum, frozenset[int]]


class Refused(Exception):
    """The file does not prove what it says."""


class Reader:
    """The tokens of a file, one after the other."""

    def __init__(self, text: str) -> None:
        self.tokens = " ".join(line for line in text.splitlines() if not line.startswith("%")).split()
        self.at = 0

    def word(self, *wanted: str) -> str:
        if self.at >= len(self.tokens):
            raise Refused("the file ends too soon")
        token = self.tokens[self.at]
        self.at += 1
        if wanted and token not in wanted:
            raise Refused(f"{token} stands where {wanted} is wanted")
        return token

    def number(self) -> F:
        token = self.word()
        if not NUMBER.match(token) or str(F(token)) != token:
            raise Refused(f"{token} is no reduced fraction")
        return F(token)

    def count(self) -> int:
        found = self.number()
        if found.denominator != 1 or found < -1:
            raise Refused(f"{found} is no count")
        return int(found)

    def sum(self, objective: Sum | None = None) -> Sum:
        if objective is not None and self.tokens[self.at] == "OBJ":
            self.at += 1
            return dict(objective)
        found = [(self.count(), self.number()) for _ in range(self.count())]
        if len(dict(found)) != len(found):
            raise Refused("an index stands twice")
        return {j: a for j, a in found if a}


def dominates(one: Constraint, sense: str, limit: F, terms: Sum) -> bool:
    """Whether a constraint says at least as much as another."""
    its_sense, its_limit, its_terms, _ = one
    if not its_terms:
        absurd = {"G": its_limit > 0, "L": its_limit < 0, "E": its_limit != 0}[its_sense]
        if absurd:
            return True
    if its_terms != terms:
        return False
    if sense == "E":
        return its_sense == "E" and its_limit == limit
    if its_sense not in (sense, "E"):
        return False
    return its_limit >= limit if sense == "G" else its_limit <= limit


def combined(known: list[Constraint], factors: Sum, sense: str) -> Constraint:
    """A combination of constraints that all pull one way."""
    way = {"G": 1, "L": -1, "E": 0}[sense]
    limit, terms, leaned = F(0), dict[int, F](), frozenset[int]()
    for i, factor in factors.items():
        its_sense, its_limit, its_terms, its_leaned = known[i]
        if its_sense != "E" and (factor > 0) != ((its_sense == "G") == (way > 0)):
            raise Refused(f"constraint {i} pulls the wrong way")
        if its_sense != "E" and not way:
            raise Refused("an equation made of inequalities")
        limit += factor * its_limit
        leaned |= its_leaned
        for j, a in its_terms.items():
            terms[j] = terms.get(j, F(0)) + factor * a
    return sense, limit, {j: a for j, a in terms.items() if a}, leaned


def verified(text: str) -> tuple[str, F | None]:
    """``infeas`` or ``range`` with the bound proved. Raises Refused."""
    read = Reader(text)
    read.word("VER"), read.word("1.0"), read.word("VAR")
    size = read.count()
    for _ in range(size):
        read.word()
    read.word("INT")
    whole = {read.count() for _ in range(read.count())}
    read.word("OBJ"), read.word("min")
    objective = read.sum()
    read.word("CON")
    given, bounds = read.count(), read.count()
    known: list[Constraint] = []
    for i in range(given):
        read.word()
        sense, limit, terms = read.word("E", "L", "G"), read.number(), read.sum(objective)
        if i < bounds and len(terms) != 1:
            raise Refused("a bound over several variables")
        known.append((sense, limit, terms, frozenset()))
    read.word("RTP")
    claim = read.word("infeas", "range")
    low, high = (read.number(), read.number()) if claim == "range" else (None, None)
    read.word("SOL")
    costs = []
    for _ in range(read.count()):
        read.word()
        costs.append(_cost(read.sum(), known[:given], whole, objective))
    if claim == "range" and not any(cost <= high for cost in costs):
        raise Refused("no point is as cheap as claimed")
    read.word("DER")
    for _ in range(read.count()):
        _derived(read, known, given, whole, objective)
    if read.at != len(read.tokens):
        raise Refused("something stands after the end")
    last = known[-1]
    if last[3] or len(known) == given:
        raise Refused("the last constraint leans on an assumption, or nothing was derived")
    wanted: tuple[str, F, Sum] = ("G", F(1), {}) if low is None else ("G", low, objective)
    if low is None and not dominates((*last[:3], frozenset()), *wanted):
        raise Refused("nothing absurd was derived")
    if low is not None and not dominates(last, *wanted):
        raise Refused("the bound is not what was claimed")
    return claim, low


def _cost(point: Sum, given: list[Constraint], whole: set[int], objective: Sum) -> F:
    if any(point.get(j, F(0)).denominator != 1 for j in whole):
        raise Refused("a point is not whole")
    for sense, limit, terms, _ in given:
        value = sum((a * point.get(j, F(0)) for j, a in terms.items()), F(0))
        if {"G": value < limit, "L": value > limit, "E": value != limit}[sense]:
            raise Refused("a point breaks a constraint")
    return sum((a * point.get(j, F(0)) for j, a in objective.items()), F(0))


def _derived(read: Reader, known: list[Constraint], given: int, whole: set[int], objective: Sum) -> None:
    read.word()
    sense, limit, terms = read.word("E", "L", "G"), read.number(), read.sum(objective)
    read.word("{")
    reason = read.word("asm", "lin", "uns")
    at = len(known)
    if reason == "asm":
        leaned = frozenset({at})
    elif reason == "lin":
        factors = read.sum()
        if any(not 0 <= i < at for i in factors):
            raise Refused("a combination of what is not yet known")
        made = combined(known, factors, sense)
        if not dominates(made, sense, limit, terms):
            raise Refused(f"derived constraint {at} does not follow")
        leaned = made[3]
    else:
        one, left, two, right = (read.count() for _ in range(4))
        if not all(0 <= i < at for i in (one, left, two, right)):
            raise Refused("a case of what is not yet known")
        _cases(known, left, right, given, whole)
        if not all(dominates(known[i], sense, limit, terms) for i in (one, two)):
            raise Refused(f"derived constraint {at} does not follow from both cases")
        leaned = (known[one][3] - {left}) | (known[two][3] - {right})
    read.word("}")
    if read.count() != -1:
        raise Refused("a last use")
    known.append((sense, limit, terms, leaned))


def _cases(known: list[Constraint], left: int, right: int, given: int, whole: set[int]) -> None:
    """``a x <= b`` and ``a x >= b + 1`` in whole numbers, both assumed."""
    if min(left, right) < given or any(known[i][3] != {i} for i in (left, right)):
        raise Refused("a case that was not assumed")
    below, above = sorted((known[left], known[right]), key=lambda case: case[0], reverse=True)
    integral = set(below[2]) <= whole and all(a.denominator == 1 for a in below[2].values())
    whole_limit = below[1].denominator == 1
    if (below[0], above[0]) != ("L", "G") or below[2] != above[2] or not integral or not whole_limit:
        raise Refused("two cases that are not the only ones")
    if above[1] != below[1] + 1:
        raise Refused("two cases with something between them")
