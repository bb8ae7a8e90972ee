"""Checks, turned into one grade, one headline and one exit code, for page, JSON document and picture alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from constraints.requirement import Requirement, Salt
from optimizer.record import Record
from optimizer.wording import counted


@dataclass(frozen=True)
class Check:
    """A requirement judged on a batch as weighed and on its worst load.

    ``value`` None and ``ok`` None where there is no batch to measure or arithmetic cannot decide; ``why`` then says
    what is missing.
    """

    requirement: Requirement
    value: Fraction | None
    ok: bool | None
    worst_load: Fraction | None = None
    why: str = ""
    whole_range: bool | None = None
    """Whether the verdict is the same over the whole tolerance of the scales, where one was given."""
    on_paper: bool | None = None
    """True where the figure is within the limits and only their confidence is not given."""

    @property
    def margin(self) -> Fraction | None:
        """Distance of the figure to the nearer limit, negative where it is broken; None without a figure."""
        return None if self.value is None else margin(self.requirement, self.value)

    @property
    def broken(self) -> bool:
        """True where a limit that forbids the batch does not hold."""
        return self.ok is False and self.requirement.origin.blocks


def margin(requirement: Requirement, value: Fraction) -> Fraction:
    """Distance to the nearer limit, negative where it is broken."""
    gaps = [] if requirement.lo is None else [value - requirement.lo]
    gaps += [] if requirement.hi is None else [requirement.hi - value]
    return min(gaps, default=Fraction(0))


class Mark(StrEnum):
    """One check in a word, as it stands before its line."""

    OK = "ok"
    NOT_CERTAIN = "ok?"
    LABORATORY = "?"
    WARNING = "warning"
    WAIVED = "waived"
    BROKEN = "BROKEN"


class Grade(StrEnum):
    """What is to be done with a batch, the best first."""

    MAKE = "holds"
    BEST_FOUND = "best_found"
    NO_ANSWER = "no_answer_in_time"
    NOT_CERTAIN = "not_certain"
    NOT_THE_RECIPE = "not_what_the_recipe_asks"
    NOT_THIS_NAME = "not_lawful_under_this_name"
    NO_BATCH = "no_such_batch"
    HOLD = "hold"
    DO_NOT_MAKE = "do_not_make"

    @property
    def exit_code(self) -> int:
        """0 make it, 3 stopped at a limit of time or search, 1 anything else."""
        return {Grade.MAKE: 0, Grade.BEST_FOUND: 3, Grade.NO_ANSWER: 3}.get(self, 1)

    @property
    def forbids(self) -> bool:
        """True where the batch must not be made, or may not be sold under its name."""
        return self in (Grade.DO_NOT_MAKE, Grade.NOT_THIS_NAME)


HEADLINES = {
    Grade.MAKE: "MAKE IT",
    Grade.BEST_FOUND: "THE BEST FOUND IN TIME, not proved to be the cheapest",
    Grade.NO_ANSWER: "STOPPED AT ITS LIMIT before any batch was found. Make nothing of this",
    Grade.NOT_CERTAIN: "NOT CERTAIN within the tolerance of the scales",
    Grade.NOT_THE_RECIPE: "NOT WHAT THE RECIPE ASKS",
    Grade.NOT_THIS_NAME: "NOT LAWFUL UNDER THIS NAME",
    Grade.NO_BATCH: "NO SUCH BATCH",
    Grade.HOLD: "HOLD WHAT WAS MADE: check it again before it leaves the house",
    Grade.DO_NOT_MAKE: "DO NOT MAKE",
}
MADE_ALREADY = "RIGHT AS WEIGHED"
"""In place of MAKE IT where the batch is already weighed."""


_SALTS: frozenset[str] = frozenset(Salt)


def hurts(requirement: Requirement) -> bool:
    """True where breaking it can make somebody ill: what protects health, and any limit of your own on a cure."""
    origin = requirement.origin
    return origin.blocks and (origin.protects_health or bool(_SALTS & requirement.regulates.substances))


def worst(grades: Iterable[Grade]) -> Grade:
    """The worst of some grades; make it, where there are none."""
    return max(grades, key=list(Grade).index, default=Grade.MAKE)


def grade_of(broken: Iterable[Requirement]) -> Grade:
    """The grade of a batch that breaks these requirements, all of which block."""
    return worst(
        Grade.DO_NOT_MAKE if hurts(r) else Grade.NOT_THIS_NAME if r.origin.legal else Grade.NOT_THE_RECIPE
        for r in broken
    )


def mark(check: Check) -> Mark:
    """A check in a word."""
    origin = check.requirement.origin
    if origin.waived and not check.ok:
        return Mark.WAIVED
    if check.ok is None:
        return Mark.LABORATORY
    if check.ok:
        sure = check.whole_range is not False
        return Mark.OK if sure else Mark.NOT_CERTAIN if origin.blocks else Mark.WARNING
    return Mark.BROKEN if origin.blocks else Mark.WARNING


class VerdictPart(Record):
    """The grade with its headline; ``limits`` counts the limits that bear each mark."""

    grade: Grade
    headline: str
    warnings: int
    limits: dict[str, int]

    @classmethod
    def of(
        cls, grade: Grade, checks: Sequence[Check], warnings: int = 0, *, weighed: bool = False, words: str = ""
    ) -> VerdictPart:
        """The verdict on these checks; where nothing was found wrong, doubt about a limit that blocks makes it so.

        The headline starts with the grade, or with ``words`` where it is no batch that is judged.
        """
        marks = Counter(map(mark, checks))
        if grade is Grade.MAKE and marks[Mark.NOT_CERTAIN]:
            grade = Grade.NOT_CERTAIN
        if not words:
            words = MADE_ALREADY if weighed and grade is Grade.MAKE else HEADLINES[grade]
            if warnings and grade in (Grade.MAKE, Grade.BEST_FOUND):
                words += f", with {counted(warnings, 'warning')}"
        told = "" if grade in (Grade.NO_BATCH, Grade.NO_ANSWER) else held_words(checks)
        by_mark = {m.name.lower(): marks[m] for m in Mark}
        return cls(grade=grade, headline=f"{words}. {told}".strip(), warnings=warnings, limits=by_mark)


def held_words(checks: Sequence[Check]) -> str:
    """How many limits hold and what the others do; nothing where nothing was measured."""
    marks = Counter(map(mark, checks))
    total, held = sum(n for m, n in marks.items() if m is not Mark.WAIVED), marks[Mark.OK]
    if held == total:
        return "" if not total else f"All {total} limits hold." if total > 1 else "The one limit holds."
    told = [
        (Mark.BROKEN, "is broken", "are broken"), (Mark.NOT_CERTAIN, "is not certain", "are not certain"),
        (Mark.WARNING, "warns", "warn"), (Mark.LABORATORY, "needs a laboratory", "need a laboratory"),
    ]  # fmt: skip
    parts = [counted(n, one, many) for m, one, many in told if (n := marks[m])]
    return f"{held} of {total} limits hold; {', '.join(parts)}."
