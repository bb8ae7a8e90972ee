"""Why no batch exists, in one plain sentence for the first line of a page."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import ceil, floor

from constraints.numbers import PERCENT, shown
from constraints.quantities import FAT, Amount, Lot
from constraints.requirement import Requirement, Role
from optimizer.answer import Answer, Status
from optimizer.conflict import Conflict, Reach
from optimizer.problem import Problem
from optimizer.wording import counted

_ZERO = Fraction(0)
_TENTH = Fraction(1, 10)


def inward(problem: Problem, kilograms: Fraction, way: int) -> Fraction:
    """Kilograms of a batch rounded up (``way`` 1) or down to a tenth of the kitchen's unit, a hundredth below ten."""
    unit = problem.unit.kg
    step = unit * (_TENTH if kilograms >= 10 * unit else _TENTH / 10)
    return (ceil(kilograms / step) if way > 0 else floor(kilograms / step)) * step


def cause(answer: Answer) -> str:
    """The sentence; empty where a batch exists, no reason was found, or the time was up before either."""
    problem, conflict = answer.problem, answer.conflict
    if answer.status is Status.TIME_LIMIT:
        return ""
    if answer.scale_prevents:
        broken = "; ".join(r.words() for r in answer.scale_prevents)
        return f"A batch exists, but none in whole divisions of these scales: rounding breaks {broken}."
    if conflict is None or not conflict.requirements:
        return ""
    if not problem.formula.lots:
        return "No lot may go in."
    for requirement in conflict.requirements:
        value = requirement.fixed_value(problem.formula)
        if value is not None:
            return f"{_figure(requirement, value)} whatever lots are chosen; {_asked(requirement)}."
    reached = {id(reach.requirement): reach for reach in conflict.reach}
    size = next((r for r in conflict.requirements if r.role is Role.SIZE), None)
    return (size is not None and _size(problem, conflict, reached.get(id(size)))) or _limits(problem, conflict, reached)


def _size(problem: Problem, conflict: Conflict, reach: Reach | None) -> str:
    """Where only the weight stands in the way of the rest."""
    order = problem.order
    least = "at least " * order.band
    asked = f"you asked for {least}{problem.unit.said(order.kilograms - order.band * order.within_kg)}"
    if reach is not None and reach.below:
        most = problem.unit.said(inward(problem, reach.below, -1), 2)
        if conflict.packs_matter:
            return f"In whole packs and pulls this recipe takes {most} from the cooler; {asked}."
        amounts = [r for r in conflict.requirements if r.of_batch and r.role is Role.OWN]
        if amounts:
            held = "; ".join(f"{r.what} {r.limits()}" for r in amounts)
            return f"With {held} no more than {most} can be made; {asked}."
        return f"The cooler holds {most} for this recipe; {asked}."
    if reach is None or reach.above is None:
        return ""
    if order.band:
        asked = f"you asked for at most {problem.unit.said(order.kilograms + order.within_kg)}"
    least = problem.unit.said(inward(problem, reach.above, 1), 2)
    must = [lot for lot in problem.formula.lots if isinstance(lot, Lot) and lot.use_up]
    if not must:
        return f"From these lots no less than {least} can be made of this recipe; {asked}."
    kg = problem.unit.said(sum((lot.usable_kg for lot in must), _ZERO), 2)
    fat = sum((lot.usable_kg * lot.properties[FAT] / PERCENT for lot in must), _ZERO)
    on_fat = any(isinstance(r.counted, Amount) and r.counted.name == FAT for r in conflict.requirements)
    told = f", {problem.unit.said(fat, 1)} of them fat" if on_fat else ""
    word = f"{counted(len(must), 'lot')} must be used up, {kg} in all{told}, which"
    return f"{word} needs {least} of batch; {asked}."


def _limits(problem: Problem, conflict: Conflict, reached: dict[int, Reach]) -> str:
    """Where limits stand against each other or what the lots are; one of your own is named sooner than a law."""
    core = sorted(conflict.requirements, key=lambda r: (r.origin.legal, r.role is Role.SIZE))
    surely = "" if not any(r.confidence for r in core) else "With the confidence asked for, "
    for requirement in core:
        reach = reached.get(id(requirement))
        if reach is None or reach.nearest is None or requirement.role is Role.SIZE:
            continue
        word = "at most" if requirement.lo is not None and reach.nearest < requirement.lo else "at least"
        others = [r.words() for r in core if r is not requirement]
        kept = f", with {listed(others)}" if others else ""
        text = f"{requirement.what} of the {requirement.basis} is {word} {_said(requirement, reach.nearest)}"
        return f"From these lots {text}{kept}; {_asked(requirement)}."
    text = listed([r.words() for r in core])
    together = "cannot hold together from these lots" if len(core) > 1 else "cannot hold from these lots"
    packs = " in whole packs and pulls" if conflict.packs_matter else ""
    return f"{surely}{text[:1] if surely else text[:1].upper()}{text[1:]} {together}{packs}."


def listed(words: Sequence[str]) -> str:
    """``a, b and c``."""
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def _said(requirement: Requirement, value: Fraction) -> str:
    return f"{shown(value, 2)} {requirement.unit}".strip()


def _figure(requirement: Requirement, value: Fraction) -> str:
    text = f"{requirement.what} of the {requirement.basis} is {_said(requirement, value)}"
    return text[:1].upper() + text[1:]


def _asked(requirement: Requirement) -> str:
    return f"{'the law allows' if requirement.origin.legal else 'the recipe asks for'} {requirement.limits()}"
