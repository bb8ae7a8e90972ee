"""From files and figures set anew to the explanation, and to the page, document and pictures of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from constraints.faults import BadInput, Fault, nearest
from constraints.ingredients import Lot
from optimizer.answer import Answer, Status, blend
from optimizer.clock import OutOfTime
from optimizer.order import Order
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import LotTable
from optimizer.reading.offers import read_offers
from optimizer.reading.recipe import Recipe
from optimizer.why.curves import Curve, dearest_lot, fat_requirement, price_curve, target_curve
from optimizer.why.explain import Explanation, explain
from optimizer.why.ground import Ground
from optimizer.why.offered import Offered, offered
from optimizer.why.unfinished import Part, Unfinished, settled
from optimizer.why.what_if import Change, Inputs, Setting, at_option, change_of, settings_of, with_settings


@dataclass(frozen=True)
class Question:
    """What is asked: the inputs, figures to set as typed, the offers file, the lot of the picture."""

    inputs: Inputs
    changed: tuple[str, ...] = ()
    offers_file: str | None = None
    lot: str | None = None
    settings: tuple[Setting, ...] = ()
    before: Problem | None = None
    problem: Problem | None = None
    files: tuple[Recipe, LotTable, Order] | None = None
    offers: tuple[Offered, ...] = ()

    def read(self, say: Callable[[Iterable[Fault]], None]) -> Question:
        """Everything read and put together, warnings said. Raises BadInput with the faults found."""
        recipe, table, order = self.inputs.read()
        say([*recipe.warnings, *table.warnings])
        settings = settings_of(self.changed)
        before = assemble(recipe, table, order) if settings else None
        if settings:
            known = {_told(fault) for fault in (*recipe.warnings, *table.warnings)}
            try:
                recipe, table, order = with_settings(self.inputs, settings).read()
            except BadInput as error:
                raise BadInput([at_option(fault, settings) for fault in error.faults]) from None
            new = [fault for fault in (*recipe.warnings, *table.warnings) if _told(fault) not in known]
            say([at_option(fault, settings) for fault in new])
        try:
            problem = assemble(recipe, table, order)
        except BadInput as error:
            raise BadInput([at_option(fault, settings) for fault in error.faults]) from None
        offers: tuple[Offered, ...] = ()
        if self.offers_file is not None:
            read = read_offers(self.offers_file, simple=True)
            say(read.warnings)
            offers = offered(read, table, order.day)
        names = [column.name for column in problem.formula.lots]
        if self.lot is not None and self.lot not in names:
            close = nearest(self.lot, names)
            hint = f"did you mean {close}?" if close else "a lot that may go in"
            raise BadInput([Fault("--lot", None, None, f"no eligible lot is named {self.lot!r}", hint)])
        return replace(
            self, settings=settings, before=before, problem=problem, files=(recipe, table, order), offers=offers
        )


def _told(fault: Fault) -> tuple[str, str]:
    """What a fault says, wherever the file has it."""
    return fault.found, fault.allowed


@dataclass(frozen=True)
class Answered:
    """The explanation with its curves, and what is printed of it."""

    explanation: Explanation

    @property
    def exit_code(self) -> int:
        """That of the blend explained; that of one stopped at a time limit where a batch was found and time ran out."""
        status = self.explanation.answer.status
        stopped = any(left.time for left in self.explanation.unfinished)
        return Status.TIME_LIMIT.exit_code if stopped and status is Status.OPTIMAL else status.exit_code

    def page(self, *, full: bool = False) -> str:
        """The page; ``full`` adds ranges, margins and every way out."""
        from optimizer.why.page import page

        return page(self.explanation, full=full)

    def document(self) -> str:
        """One JSON document."""
        from optimizer.pages.record import document

        return document("why", self.explanation)

    def html(self) -> str:
        """The pictures as an HTML page."""
        from optimizer.why.picture import html

        entry = self.explanation.answer.problem.recipe.entry
        return html(entry.name, list(self.explanation.curves), entry.currency)


def answered(question: Question, *, with_curves: bool, detail: bool = True) -> Answered:
    """Blend, explain and, where wanted, draw, within the time there is. Raises SolverDisagrees."""
    assert question.problem is not None and question.files is not None
    answer = blend(question.problem)
    found = explain(answer, *question.files, question.offers, detail=detail)
    unfinished: list[Unfinished] = []
    if question.before is not None:
        with settled(unfinished, Part.WHAT_IF, "the change against the recipe as it was"):
            found = replace(found, change=_change(question, question.before, answer))
    curves: list[Curve] = []
    if with_curves and found.ground is not None:
        with settled(unfinished, Part.CURVES, "curves"):
            curves.extend(_curves(question, found.ground))
    return Answered(replace(found, curves=tuple(curves), unfinished=(*found.unfinished, *unfinished)))


def _change(question: Question, before: Problem, answer: Answer) -> Change:
    """What the figures set changed. Raises OutOfTime where either batch is not known to be the cheapest."""
    old = blend(before)
    if Status.TIME_LIMIT in (old.status, answer.status):
        raise OutOfTime
    return change_of(question.settings, old, answer)


def _curves(question: Question, ground: Ground) -> Iterator[Curve]:
    requirement = fat_requirement(ground.problem)
    lot = next((c for c in ground.problem.formula.columns if c.name == question.lot), None)
    target = None if requirement is None else target_curve(ground, requirement)
    if target is not None:
        yield target
    yield price_curve(ground, lot if isinstance(lot, Lot) else dearest_lot(ground))
