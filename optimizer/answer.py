"""One batch from problem to answer: optimum, weigh-out, checks, certificate, how sure it is, or why there is none."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import Literal

from constraints.as_typed import ZERO
from constraints.asked import Tidy
from constraints.formula import Batch, Formula
from constraints.quantities import Ingredient, Lot
from constraints.requirement import Requirement, Role, asked_confidence, measured_again
from optimizer import clock
from optimizer.bench import Conflict, explain
from optimizer.late import late
from optimizer.lawful import Dosed, LawfulDose, doses_instead, other_names
from optimizer.order import Near
from optimizer.problem import Problem
from optimizer.record import Figure, Record
from optimizer.solver.cone import Held, cones_of, optimise_with_cuts
from optimizer.solver.exact import lower_bound
from optimizer.solver.optimum import Optimum, Unsettled, ranks_of
from optimizer.solver.program import Ending, Layout, Program, SolverDisagrees, holds_of, layout_of, relaxed
from optimizer.solver.session import ALL
from optimizer.solver.tree import prove
from optimizer.verdict import Check, Grade, grade_of, margin
from optimizer.weighing.rounding import Certificate, Weighed, certify
from optimizer.weighing.weighout import ScalePrevents, weigh_out

with late():
    from optimizer.solver import vipr

TIDY_NODES = 500
"""Nodes after which a search with the default for pulls and remnants gives way."""
SLIGHT = Fraction(1, 10**6)
"""Saving, as a share of the cost, that is not worth a word."""
_MOMENT = 0.35
"""Seconds left to weigh out where the optimum has taken all there were."""


class LikelyLimit(Record):
    """How likely a limit is met, from 0 to 1."""

    what: str
    basis: str
    limit: str
    side: Literal["lo", "hi"]
    probability: Figure


class Remeasured(Record):
    """What it saves to measure a lot again: its error in points now and then, money on this batch."""

    lot: str
    sd_now: Figure
    sd_then: Figure
    saving: Figure


class HowSure(Record):
    """What the confidence asked for means and costs."""

    asked: str
    price: Figure | None
    limits: list[LikelyLimit]
    measure_again: list[Remeasured]


class Status(StrEnum):
    """What the answer is worth."""

    OPTIMAL = "optimal"
    INFEASIBLE = "infeasible"
    DO_NOT_MAKE = "do_not_make"
    NOT_THIS_NAME = "not_lawful_under_this_name"
    TIME_LIMIT = "time_limit"


@dataclass(frozen=True)
class Answer:
    """Everything the page and the JSON document say. Weights are shown only where ``status`` allows it."""

    status: Status
    problem: Problem
    checks: tuple[Check, ...]
    optimum: Optimum | None = None
    weighed: Weighed | None = None
    certificate: Certificate | None = None
    conflict: Conflict | None = None
    scale_prevents: tuple[Requirement, ...] = ()
    scale_certain: bool = True
    sure: HowSure | None = None
    kept: Tidy | None = None
    """What the batch keeps of the pulls and remnants that were wanted."""
    tidy_price: Fraction | None = None
    """What they cost against the cheapest batch without regard to them; money."""
    other_names: tuple[str, ...] = ()
    """Where it may not bear this name: the names under which it is lawful, in words."""
    near: Near | None = None
    """What it was chosen for among the near-cheapest, and the trade-off, where that was asked."""

    @property
    def grade(self) -> Grade:
        """What is to be done with the batch."""
        if self.status is Status.TIME_LIMIT:
            return Grade.NO_ANSWER if self.weighed is None else Grade.BEST_FOUND
        return {Status.OPTIMAL: Grade.MAKE, Status.INFEASIBLE: Grade.NO_BATCH}.get(self.status) or Grade(self.status)

    @property
    def batch(self) -> Mapping[Ingredient, Fraction]:
        """Kilograms of every lot and addition over all loads; nothing where nothing is weighed out."""
        return {} if self.weighed is None else self.weighed.total.kilograms

    @property
    def lots(self) -> dict[Lot, Fraction]:
        """Kilograms of every lot."""
        return {item: kg for item, kg in self.batch.items() if isinstance(item, Lot)}

    @property
    def conflict_of(self) -> tuple[Requirement, ...]:
        """What cannot hold together; nothing where there is a batch, be it only before the scales."""
        return () if self.conflict is None else self.conflict.requirements

    @property
    def surely_none(self) -> bool:
        """Whether it is certain that no batch exists, or none on these scales, where none was found."""
        return self.scale_certain if self.conflict is None else self.conflict.certain

    @property
    def lawful_doses(self) -> tuple[LawfulDose, ...]:
        """For each addition whose dose breaks a limit, or is in what cannot hold together, the dose that would pass."""
        broken = [check.requirement for check in self.checks if check.broken]
        return doses_instead(Dosed.of(self.problem), [*broken, *self.conflict_of])


def unrounded(answer: Answer) -> Batch | None:
    """The cheapest batch before the scales, with every addition at its exact dose; None where there is none."""
    if answer.optimum is None or not answer.optimum.values:
        return None
    return answer.problem.formula.exact_batch(layout_of(answer.problem).kilograms(answer.optimum.values))


def proof_file(answer: Answer) -> str | None:
    """The proof that no batch is cheaper before the scales, or that there is none, as a file (see vipr).

    None where it is not of linear rows alone, not finished in the time there is, or not what the answer says.
    """
    problem, program = answer.problem, layout_of(answer.problem).program
    found = answer.optimum
    if any(r.cones(problem.formula) for r in problem.choosing) or answer.status is Status.DO_NOT_MAKE:
        return None
    values = found.values if found is not None else ()
    proof = prove(program, program.cost(values) if values else None)
    return vipr.ProofFile(program, proof, values).text() if proof.closed and proof.best is None else None


def blend(problem: Problem, *, time_limit: float | None = None) -> Answer:
    """Find the cheapest batch, weigh it out and check it. Raises SolverDisagrees where no answer can be trusted.

    ``time_limit`` is in seconds, within that of the command; a moment is always left to weigh out what was found.
    """
    with clock.limited(time_limit):
        try:
            return _blend(problem)
        except clock.OutOfTime:
            return Answer(Status.TIME_LIMIT, problem, _unmeasured(problem))


def _blend(problem: Problem) -> Answer:
    checks = _unmeasured(problem)
    impossible = tuple(check.requirement for check in checks if check.broken)
    if not problem.formula.lots:
        impossible = tuple(requirement for requirement in problem.requirements if requirement.role is Role.SIZE)
    forbidden = [r for r in impossible if r.origin.legal]
    if impossible and not forbidden:
        return Answer(Status.INFEASIBLE, problem, checks, conflict=Conflict(impossible, (), False))
    doomed = Answer(_refusal(forbidden), problem, checks)
    free = _cheapest(problem)
    if not free.optimum.values:
        return doomed if forbidden else _none(problem, free)
    tidied = _tidied(problem, free)
    if tidied is None:
        posed, held = _imposed(problem, problem.order.tidy and problem.order.tidy.asked, free)
        if not held.optimum.values:
            return doomed if forbidden else _none(posed, held)
        try:
            tidied = posed, held, _weighed_out(posed, held)
        except ScalePrevents as error:
            return doomed if forbidden else _none(problem if held is free else posed, held, error)
    posed, held, weighed = tidied
    problem = problem if held is free else posed  # what the free optimum keeps anyway needs no rows
    answer = _answer(problem, held.layout, held.optimum, weighed)
    answer = replace(answer, kept=posed.order.imposed, tidy_price=held.optimum.cost - free.optimum.cost)
    if answer.weighed is None or problem.recipe.entry.confidence is None:
        return answer
    return replace(answer, sure=how_sure(problem, held, weighed))


def _none(problem: Problem, held: Held, scale: ScalePrevents | None = None) -> Answer:
    """The answer where there is no batch, before any scale or on the scales alone."""
    checks, ending = _unmeasured(problem), held.optimum.ending
    late = ending is Ending.TIME_LIMIT if scale is None else clock.over() and not scale.certain
    answer = Answer(Status.TIME_LIMIT if late else Status.INFEASIBLE, problem, checks)
    if scale is None:
        return replace(answer, conflict=explain(problem) if ending is Ending.INFEASIBLE else None)
    return replace(answer, optimum=held.optimum, scale_prevents=scale.broken, scale_certain=scale.certain)


def _imposed(problem: Problem, tidy: Tidy | None, free: Held, nodes: int = ALL) -> tuple[Problem, Held]:
    """The problem with pulls and remnants held to a rule, and its optimum: the free one where that keeps it."""
    if tidy is None or tidy.says_nothing:
        return problem, free
    posed = replace(problem, order=replace(problem.order, imposed=tidy))
    kilograms = free.layout.kilograms(free.optimum.values)
    if all(hold.allows(kg) for hold, kg in zip(holds_of(posed), kilograms, strict=True)):
        return posed, free
    return posed, _cheapest(posed, nodes)


def _tidied(problem: Problem, free: Held) -> tuple[Problem, Held, Weighed] | None:
    """The batch with the default for pulls and remnants; None where there is none to keep, or it has to give way."""
    tidy = problem.order.tidy
    if tidy is None or tidy == tidy.asked:
        return None
    try:
        posed, held = _imposed(problem, tidy, free, TIDY_NODES)
        done = held.optimum.values and held.optimum.ending is free.optimum.ending
        return (posed, held, _weighed_out(posed, held)) if done else None
    except (ScalePrevents, Unsettled, clock.OutOfTime):
        return None


def _weighed_out(problem: Problem, held: Held) -> Weighed:
    with clock.moment(_MOMENT):
        return weigh_out(problem, held.layout, held.optimum, held.cuts)


def _cheapest(problem: Problem, nodes: int = ALL) -> Held:
    """The optimum with the layout in whose rows its prices count, and the cuts that confidence added.

    ``nodes`` is where a search in whole numbers ends.
    """
    formula = problem.formula
    return optimise_with_cuts(layout_of(problem), problem.choosing, formula, ranks_of(formula.columns), nodes)


def _answer(problem: Problem, layout: Layout, optimum: Optimum, weighed: Weighed) -> Answer:
    # A recipe that doses too much cure is not made lawful by a scale that rounds down: what no choice of lots can
    # change is judged on the exact dose where that breaks it.
    fixed = {id(check.requirement): check.value for check in _unmeasured(problem) if check.ok is False}
    found = ((check, id(check.requirement)) for check in measured(problem.requirements, weighed))
    checks = tuple(replace(check, value=fixed[key], ok=False) if key in fixed else check for check, key in found)
    broken = [check.requirement for check in checks if check.broken]
    if broken:
        refused = Answer(_refusal(broken), problem, checks)
        if refused.grade is not Grade.NOT_THIS_NAME:
            return refused
        names = other_names(problem.recipe, problem.packs, problem.order.day, weighed.total)
        return replace(refused, other_names=names)
    certificate = certify(problem, layout, optimum, weighed)
    if not certificate.feasible or (certificate.gap is not None and certificate.gap < 0):
        raise SolverDisagrees("the weighed batch does not stand up to exact recomputation")
    status = Status.TIME_LIMIT if optimum.ending is Ending.TIME_LIMIT else Status.OPTIMAL
    return Answer(status, problem, checks, optimum, weighed, certificate)


def _refusal(broken: Iterable[Requirement]) -> Status:
    """Not lawful under its name where nothing worse is broken, else not to be made."""
    return Status.NOT_THIS_NAME if grade_of(broken) is Grade.NOT_THIS_NAME else Status.DO_NOT_MAKE


def measured(requirements: Iterable[Requirement], weighed: Weighed) -> tuple[Check, ...]:
    """Every requirement on the batch as weighed; what can differ between loads is judged on each of them too."""
    return tuple(_check(requirement, weighed.total, weighed.loads) for requirement in requirements)


def _check(requirement: Requirement, total: Batch, loads: tuple[Batch, ...]) -> Check:
    verdict = requirement.measure(total)
    if len(loads) < 2 or requirement.of_batch:
        return Check(requirement, verdict.value, verdict.ok, why=verdict.why)
    alone = [requirement.measure(load) for load in loads]
    ok = verdict.ok if all(v.ok is not False for v in alone) else False
    known = [v.value for v in alone if v.value is not None]
    worst = min(known, key=lambda value: margin(requirement, value), default=None)
    return Check(requirement, verdict.value, ok, worst, verdict.why)


def _unmeasured(problem: Problem) -> tuple[Check, ...]:
    """Checks where there is no batch: only what no choice of lots can change has a figure."""
    figures = [(requirement, requirement.fixed_value(problem.formula)) for requirement in problem.requirements]
    return tuple(Check(r, value, None if value is None else r.within(value)) for r, value in figures)


# Under a stated confidence.


def how_sure(problem: Problem, held: Held, weighed: Weighed) -> HowSure | None:
    """The report of a weighed blend, or None where no limit depends on measured fat.

    The price is against the plain optimum; the limits are those that measured fat moves, as weighed.
    """
    asked = asked_confidence(problem.requirements)
    if asked is None:
        return None
    likely = [
        {"what": r.what, "basis": r.basis, "limit": cone.label, "side": cone.side, "probability": probability}
        for r in problem.requirements for cone, probability in r.likelihoods(weighed.total)
    ]  # fmt: skip
    again: list[Remeasured] = []
    with suppress(clock.OutOfTime):
        again = worth_remeasuring(problem, problem.choosing, held)
    found = {"asked": asked.words, "price": held.price, "limits": likely, "measure_again": again}
    return HowSure.model_validate(found)


def worth_remeasuring(
    problem: Problem, requirements: Sequence[Requirement], held: Held, most: int = 3
) -> list[Remeasured]:
    """The lots whose error costs most, largest saving first, at most ``most`` of them.

    Each lot in turn is taken as found by the most precise published bench method with the same fat, and the batch is
    solved again. Weak duality with the prices at hand says how much a lot can save at best, so only those are solved
    again that can be among the first. With whole numbers the lots are picked on the program without them, and then
    solved in whole numbers.
    """
    layout, formula, ranks = layout_of(problem), problem.formula, ranks_of(problem.formula.columns)
    asked = asked_confidence(requirements)
    if asked is None:
        return []
    candidates = []
    for lot in formula.lots:
        if isinstance(lot, Lot) and asked.improves(lot):
            again = tuple(measured_again(requirement, lot) for requirement in requirements)
            candidates.append((_most_saved(layout, again, formula, held), lot, again))
    least = SLIGHT * abs(held.optimum.cost)
    candidates.sort(key=lambda entry: (-entry[0], entry[1].name))
    found: list[Remeasured] = []
    for tried, (ceiling, lot, again) in enumerate(candidates):
        full = len(found) >= most and (layout.program.whole or ceiling <= found[most - 1].saving)
        if ceiling <= least or full or tried >= 4 * most:
            break
        optimum = optimise_with_cuts(layout, again, formula, ranks).optimum
        saving = held.optimum.cost - optimum.cost
        if optimum.values and saving > least:
            now, then = asked.finding(lot).sd, asked.measured_again(lot).finding(lot).sd
            found.append(Remeasured(lot=lot.name, sd_now=now, sd_then=then, saving=saving))
            found.sort(key=lambda entry: (-entry.saving, entry.lot))
    return found[:most]


def _most_saved(layout: Layout, again: Sequence[Requirement], formula: Formula, held: Held) -> Fraction:
    """The most that other errors can save: the proved bound with the prices at hand, on cuts for the new errors.

    With whole numbers it is what they save the linear program, as far as these prices show it.
    """
    program = layout.program
    cones = cones_of(again, formula)
    rows = []
    for c in held.optimum.of:
        row = cones[c].over(layout.units, len(program.variables)).cut(held.optimum.point) if c < len(cones) else None
        if row is None:
            return held.price or ZERO
        rows.append(row)
    bound = lower_bound(relaxed(Program(program.variables, (*program.rows, *rows))), held.optimum.prices)
    now = held.optimum.bound if program.whole else held.optimum.cost
    return ZERO if bound is None or now is None else now - bound
