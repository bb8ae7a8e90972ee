"""When no batch exists: a set of requirements that cannot hold together, and how close one can get.

Every requirement of the set is needed for the conflict: without any one of them there is a batch. Where no whole packs
are involved all of it is exact, the nearest attainable figures too.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from constraints.requirement import Requirement, Role
from optimizer.bench import Bench
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.cone import optimise_with_cuts
from optimizer.solver.optimum import Ranks, Unsettled
from optimizer.solver.program import Ending, SolverDisagrees, layout_of

_Test = Callable[[Sequence[Requirement]], bool]
"""Whether a batch satisfies some requirements."""


@dataclass(frozen=True)
class Reach:
    """How far one requirement of a conflict can be met while all other requirements hold.

    ``below`` is its largest figure under its lower limit, ``above`` its smallest over its upper one; None where there
    is no such batch, and both None where the others have no batch either (then this conflict is not the only one).
    ``sure`` is False where a search in whole numbers was given up before it was known that none is closer.
    """

    requirement: Requirement
    below: Fraction | None = None
    above: Fraction | None = None
    sure: bool = True

    @property
    def nearest(self) -> Fraction | None:
        """The figure closest to the limits, where it is sure."""
        sides = ((self.below, self.requirement.lo), (self.above, self.requirement.hi))
        gaps = [(abs(figure - limit), figure) for figure, limit in sides if figure is not None and limit is not None]
        return min(gaps)[1] if gaps and self.sure else None


@dataclass(frozen=True)
class Conflict:
    """Requirements that cannot hold together, each of them needed for the conflict.

    ``packs_matter`` is True where the lots' whole packs or smallest pulls are part of it; then ``certain`` may be False
    where the solver's word that there is no batch could not be checked to the end. ``smallest`` is False where the
    search ended before it was known that each requirement is needed, ``stopped`` True where time ended any search of
    the report. ``bench`` is the program all this was found on.
    """

    requirements: tuple[Requirement, ...]
    reach: tuple[Reach, ...]
    packs_matter: bool
    certain: bool = True
    smallest: bool = True
    stopped: bool = False
    bench: Bench | None = field(default=None, compare=False, repr=False)


def explain(problem: Problem) -> Conflict:
    """Find a conflict by leaving requirements out, and what each of its members could reach at best.

    The last in the list are left out first, so that the recipe's own requirements are named sooner than the law's. What
    cannot hold at any weight does not name the weight. Raises SolverDisagrees where there is a batch after all.
    """
    return _Search(problem).run()


class _Search:
    """One search for a conflict, and whether what it found last is certain."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.chosen = list(problem.choosing)
        self.uncertain = any(r.cones(problem.formula) for r in self.chosen)
        self.bench = Bench(problem)
        self.opened = Bench(problem, opened=True, choices=False) if self.bench.whole else self.bench
        self.certain = self.settled = True

    def run(self) -> Conflict:
        """The conflict; where time runs out what is known of it."""
        core, smallest, packs_matter, stopped = self.chosen, False, False, False
        reach: list[Reach] = []
        try:
            core = self._smallest()
            smallest = self.settled
            packs_matter = self._packs_matter(core)
            reach += [self._reach(requirement) for requirement in core]
        except OutOfTime:
            stopped = True
        self.bench.hold()
        return Conflict(tuple(core), tuple(reach), packs_matter, self.certain, smallest, stopped, self.bench)

    def _smallest(self) -> list[Requirement]:
        start = self.chosen
        if not self._on_paper(start):
            start = _by_halves(start, self._on_paper)
            if not self.uncertain:
                return start
        test = self._with_cones if self.uncertain else self._in_whole if self.bench.whole else self._on_paper
        if test(start):
            if not self.settled:
                return start
            raise SolverDisagrees("a batch was said not to exist, and one was found")
        return _by_halves(start, test)

    def _packs_matter(self, core: Sequence[Requirement]) -> bool:
        """True where opened packs, with any rule on the use of lots kept, would leave the core possible."""
        if not self.bench.whole:
            return False
        self.opened.hold(core)
        return bool(self.opened.point()) and bool(Bench(self.problem, self._some_batch(core), opened=True).point())

    def _some_batch(self, requirements: Sequence[Requirement]) -> list[Requirement]:
        """These requirements, and where the batch's size is not among them that there is a batch at all."""
        kept, least = {id(r) for r in requirements}, self.problem.order.meat_division_kg
        sizes = [r for r in self.chosen if r.role is Role.SIZE and id(r) not in kept]
        return [*requirements, *(replace(r, lo=least, hi=None) for r in sizes)]

    def _on_paper(self, requirements: Sequence[Requirement]) -> bool:
        """With any part of a pack and any use of lots."""
        self.opened.hold(requirements)
        return bool(self.opened.point())

    def _in_whole(self, requirements: Sequence[Requirement]) -> bool:
        """With whole packs and pulls; True where that could not be settled.

        A requirement that lots go together changes more of the program than its rows.
        """
        gone = [r for r in self.chosen if not any(r is kept for kept in requirements)]
        together = any(row.lo is not None for r in gone for row in r.choices(self.problem.formula))
        bench = Bench(self.problem, self._some_batch(requirements)) if together else self.bench
        bench.hold(None if together else requirements)
        try:
            possible = bool(bench.point())
        except Unsettled:
            self.settled = False
            return True
        self.certain = possible or bench.kept.certain
        return possible

    def _with_cones(self, requirements: Sequence[Requirement]) -> bool:
        requirements = self._some_batch(requirements)
        layout, formula = layout_of(self.problem, requirements), self.problem.formula
        optimum = optimise_with_cuts(layout, requirements, formula, Ranks((), {})).optimum
        if optimum.ending is Ending.TIME_LIMIT:
            raise OutOfTime
        possible = optimum.ending is not Ending.INFEASIBLE
        self.certain = possible or optimum.certain
        return possible

    def _reach(self, requirement: Requirement) -> Reach:
        if self.uncertain:
            return Reach(requirement)
        self.bench.hold([other for other in self.chosen if other is not requirement])
        found, sure = self.bench.nearest(requirement)
        return Reach(requirement, found.get("lo"), found.get("hi"), sure)


def _by_halves(chosen: Sequence[Requirement], test: _Test) -> list[Requirement]:
    """A smallest conflict by as few tests as its size allows: about five for each member.

    Each member is the first in the list that, with the members known and all before it, leaves no batch.
    """
    members: list[Requirement] = []
    rest = list(chosen)
    while rest and (not members or test(members)):
        longest = bisect_left(range(1, len(rest)), True, key=lambda k: not test([*rest[:k], *members]))
        members.append(rest[longest])
        rest = rest[:longest]
    return [r for r in chosen if any(r is member for member in members)]
