"""The program of a problem on the bench, and why it has no batch: requirements held or let go, costs changed.

Everything a report on a conflict asks is asked of the one program kept here (see optimum): nothing is built twice.
A conflict is a set of requirements that cannot hold together, and how close one can get. Every requirement of the set
is needed: without any one of them there is a batch. Where no whole packs are involved all of it is exact, the nearest
attainable figures too.
"""

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from constraints.as_typed import ONE, ZERO
from constraints.formula import Formula
from constraints.quantities import Lot
from constraints.requirement import Requirement, Role
from constraints.row import Row, RowKind
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.cone import optimise_with_cuts
from optimizer.solver.optimum import MOST_NODES, Kept, Ranks, Unsettled
from optimizer.solver.program import Ending, SolverDisagrees, layout_of

_GAP = Fraction(1, 200)
NEAR_NODES = 200
"""Nodes after which a search for the nearest figure in whole numbers takes the best one found."""
_TURNS = 60
MANY = 60
"""Whole numbers above which a figure near to the best without them is good enough."""
_NEAR = Fraction(1, 1000)
"""How near, as a share of the figure; a concession is told to a tenth of a percent or so."""


Part = Mapping[int, Fraction]
"""A sum: so much per unit of each variable."""
Terms = tuple[Sequence[Fraction], Sequence[Fraction] | None]
"""Numerator and denominator (None: one) of a figure, per kilogram of each column."""


class Bench:
    """The program of some requirements of a problem. At first all of them are held and the costs are the problem's."""

    def __init__(
        self, problem: Problem, requirements: Sequence[Requirement] | None = None, *, opened: bool = False,
        choices: bool = True,
    ) -> None:  # fmt: skip
        """``opened``: any part of a pack and any small pull may be used. Without ``choices`` no use of lots counts."""
        self.problem = problem
        self.requirements = tuple(problem.choosing if requirements is None else requirements)
        self.layout = layout_of(problem, self.requirements, opened=opened, choices=choices)
        program = self.layout.program
        self.kept = Kept(program)
        self.costs = {j: v.cost for j, v in enumerate(program.variables)}
        self.whole = program.whole
        self.sure = True
        self._limits = [(row.lo, row.hi) for row in program.rows]
        self._let_go: dict[int, tuple[Fraction | None, Fraction | None]] = {}
        self._rows: dict[int, list[int]] = {}
        for i, row in enumerate(program.rows):
            if row.owner.kind is RowKind.NEED:
                self._rows.setdefault(id(row.owner.what), []).append(i)
                if row.owner.what.role is Role.SIZE:
                    self._let_go[i] = (problem.order.meat_division_kg, None)

    # What holds.

    def rows_of(self, requirement: Requirement) -> list[int]:
        """Places of a requirement's rows, those over the use of lots too."""
        return self._rows.get(id(requirement), [])

    def hold(self, requirements: Sequence[Requirement] | None = None) -> None:
        """Let only these requirements hold (None: all of them), each between its own limits.

        Without the batch's size there is still a batch, of one division of the meat scale at least.
        """
        held = {id(r) for r in (self.requirements if requirements is None else requirements)}
        for key, rows in self._rows.items():
            for i in rows:
                self.kept.limit(i, *(self._limits[i] if key in held else self._let_go.get(i, (None, None))))

    # Questions.

    def point(self) -> tuple[Fraction, ...]:
        """Some point; empty where there is none (``kept.certain`` says whether that is sure; see ``Kept.best``)."""
        self.kept.aim({})
        return self.kept.best()

    def least_cost(self) -> Fraction | None:
        """The least cost; None where there is no point.

        With many whole numbers one within a two hundredth of the least cost is good enough, and ``sure`` is False.
        """
        self.kept.aim(self.costs)
        many = len(self.kept.counted) > MANY
        values = self.kept.best(*((NEAR_NODES, _GAP) if many else ()))
        self.sure = not self.whole or self.kept.certain
        cost = sum((self.costs[j] * x for j, x in enumerate(values) if x and j in self.costs), ZERO)
        return cost if values else None

    def by_variable(self, terms: Terms) -> tuple[Part, Part | None]:
        """A figure's numerator and denominator by variable instead of per kilogram of each column."""
        (over, under), units = terms, self.layout.units
        top, bottom = ({j: a * units[j] for j, a in enumerate(part) if a} for part in (over, under or ()))
        return top, None if under is None else bottom

    def nearest(self, requirement: Requirement) -> tuple[dict[str, Fraction], bool]:
        """The figures closest to the limits of a requirement that is let go, by limit: below ``lo``, above ``hi``.

        Empty where the requirement has no figure or what is held leaves no point. With whole numbers a figure may be a
        little off the closest one, or missing, where the search was given up; then the second is False. Raises
        SolverDisagrees where a point keeps the requirement.
        """
        terms = requirement.terms(self.problem.formula)
        if terms is None:
            return {}, True
        over, under = self.by_variable(terms)
        sides = [side for side in ("hi", "lo") if getattr(requirement, side) is not None]
        if not self.whole:  # all points lie on one side, because they are convex and keep no figure between
            values = self.point()
            here = figure_of(over, under, values) if values else None
            if here is not None and requirement.within(here):
                if self._keeps(requirement, values):
                    raise SolverDisagrees("a batch was said not to exist, and one was found")
                return {}, True  # another of its rows is broken: its own figure says nothing
            below = here is not None and requirement.lo is not None and here < requirement.lo
            sides = ["lo" if below else "hi"] if values else []
        figures, sure = {}, True
        for side in sides:
            found, settled = self._beyond(requirement, terms, side)
            sure = sure and settled
            if found is not None and not requirement.within(found):  # within: another of its rows is broken
                figures[side] = found
        return figures, sure

    def _keeps(self, requirement: Requirement, values: Sequence[Fraction]) -> bool:
        """True where a point keeps every row of a requirement, not only the one of its figure."""
        kilograms = self.layout.kilograms(values)
        return all(row.holds(kilograms) for row in requirement.rows(self.problem.formula))

    def _beyond(self, requirement: Requirement, terms: Terms, side: str) -> tuple[Fraction | None, bool]:
        """The figure nearest to one limit from its wrong side."""
        limit, sign = (requirement.hi, 1) if side == "hi" else (requirement.lo, -1)
        row = None
        if self.whole and limit is not None:
            over, under = terms
            coefs = over if under is None else tuple(a - limit * b for a, b in zip(over, under, strict=True))
            at = limit if under is None else ZERO
            beyond = Row("beyond", coefs, *((at, None) if sign > 0 else (None, at)))
            row = self.kept.add_row(beyond.over(self.layout.units))
        try:
            return extreme(self.kept, *self.by_variable(terms), sign, NEAR_NODES)
        except Unsettled:
            return None, False
        finally:
            if row is not None:
                self.kept.limit(row, None, None)

    def fewest(self, requirement: Requirement) -> Fraction | None:
        """The smallest sum over the use of lots that a requirement bounds from above; None where it is not known.

        The requirement itself is to be let go.
        """
        rows = self.rows_of(requirement)
        if len(rows) != 1 or requirement.hi is None or len(requirement.choices(self.problem.formula)) != 1:
            return None
        used = dict(self.kept.rows[rows[0]].terms)
        try:
            return extreme(self.kept, used, None, 1, NEAR_NODES)[0]
        except Unsettled:
            return None


def with_lots(problem: Problem, lots: Sequence[Lot]) -> Problem:
    """The problem over other lots."""
    return replace(problem, formula=Formula(lots, problem.formula.additions, problem.formula.process))


def extreme(
    kept: Kept, over: Part, under: Part | None, sign: int, nodes: int = MOST_NODES
) -> tuple[Fraction | None, bool]:
    """The smallest (``sign`` 1) or largest (-1) figure, and whether it is sure; None where there is no point.

    A ratio is made small by solving for ``over - figure * under`` with ever better figures (Dinkelbach, Management
    Science 13, 1967, 492-498). None too where the best point has nothing to divide by. With whole numbers from the
    figure without them on, which none can better; with many of them one very near to it is not made better. The costs
    are others afterwards. Raises Unsettled where whole numbers leave it open.
    """

    def turned(solve: Callable[[], Sequence[Fraction]], start: Fraction, near: Fraction | None) -> Fraction | None:
        best, aimed = None, start
        for _ in range(_TURNS):
            bottom = under or {}
            kept.aim({j: sign * (over.get(j, ZERO) - aimed * bottom.get(j, ZERO)) for j in {*over, *bottom}})
            values = solve()
            found = figure_of(over, under, values) if values else None
            if found is None or (best is not None and sign * (found - best) >= 0):
                return best
            best = aimed = found
            if under is None or (near is not None and abs(best - start) <= near):
                return best
        raise SolverDisagrees("the nearest figure could not be settled")

    def loose() -> Sequence[Fraction]:
        found = kept.settle()
        return () if found is None else found.values

    bound = turned(loose, ZERO, None)
    if bound is None or not kept.counted:
        return bound, True
    near = _NEAR * max(ONE, abs(bound)) if len(kept.counted) > MANY else ZERO
    return turned(lambda: kept.best(nodes), bound, near), kept.certain


def figure_of(over: Part, under: Part | None, values: Sequence[Fraction]) -> Fraction | None:
    """The figure of a point; None where there is nothing to divide by."""
    top = sum((a * values[j] for j, a in over.items() if values[j]), ZERO)
    if under is None:
        return top
    bottom = sum((a * values[j] for j, a in under.items() if values[j]), ZERO)
    return top / bottom if bottom > 0 else None


def with_requirements(problem: Problem, new: Callable[[Requirement], Requirement]) -> Problem:
    """The problem with its requirements replaced one by one."""
    again = {id(r): new(r) for r in problem.requirements}
    return replace(
        problem, requirements=tuple(again.values()), fixed=tuple(again.get(id(r), r) for r in problem.fixed),
        measured_only=tuple(again.get(id(r), r) for r in problem.measured_only),
    )  # fmt: skip


# A conflict.


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
    return _ConflictSearch(problem).run()


class _ConflictSearch:
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


def _by_halves(chosen: Sequence[Requirement], test: Callable[[Sequence[Requirement]], bool]) -> list[Requirement]:
    """A smallest conflict by as few tests as its size allows: about five for each member.

    A test says whether a batch satisfies some requirements. Each member is the first in the list that, with the
    members known and all before it, leaves no batch.
    """
    members: list[Requirement] = []
    rest = list(chosen)
    while rest and (not members or test(members)):
        longest = bisect_left(range(1, len(rest)), True, key=lambda k: not test([*rest[:k], *members]))
        members.append(rest[longest])
        rest = rest[:longest]
    return [r for r in chosen if any(r is member for member in members)]
