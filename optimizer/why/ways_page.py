"""Where there is no batch: the cause in one sentence, and what can be done, each thing in a sentence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.numbers import G_PER_KG, PERCENT, trimmed
from constraints.quantities import FAT, Lot
from optimizer.answer import Answer
from optimizer.cause import cause, listed
from optimizer.pages.batch_page import doses_that_pass
from optimizer.pages.tables import heading, paragraph
from optimizer.problem import Problem
from optimizer.verdict import HEADLINES, Grade
from optimizer.why.ground import NotSettled, Section
from optimizer.why.short import MoneyWords
from optimizer.why.way import TOLD, Concession, Way, WayKind
from optimizer.wording import NOT_SMALLEST, WOULD_DO

LAW = " (law: cannot be relaxed)"


def no_batch(answer: Answer, ways: Sequence[Way], unfinished: Sequence[NotSettled], *, full: bool) -> Iterator[str]:
    """The cause, the three cheapest ways out; ``full`` adds what cannot hold together and every other way."""
    if not answer.refused:
        yield from paragraph(f"{HEADLINES[Grade.NO_BATCH]}. {cause(answer)}")
    yield from doses_that_pass(answer)
    if full and answer.conflict is not None:
        smallest = "" if answer.conflict.smallest else f" ({NOT_SMALLEST})"
        yield from heading(f"what cannot hold together{smallest}")
        for r in answer.conflict.requirements:
            yield from paragraph(f"{r.words()}{LAW if r.origin.legal else ''}", "* ")
    words = told(answer.problem, ways)
    yield from heading(WOULD_DO)
    if not words:
        none = "Nothing that was tried: what stands in the way is law, or no single figure of yours will do."
        stopped = any(left.part is Section.WAYS_OUT for left in unfinished)
        yield from paragraph("None was found in the time there was." if stopped else none)
    for k, text in enumerate(words, start=1):
        yield from paragraph(text, f"{k}. ")
    if words:
        ground = any(isinstance(lot, Lot) and lot.parts for lot in answer.problem.formula.lots)
        first = None if ground else next((way for way in _best(ways) if way.typed), None)
        done = "Each was blended to the end." if _best(ways)[0].weighed else "Each was solved; none was weighed out."
        yield from paragraph(done + ("" if first is None else f" Try one: --set {' --set '.join(first.typed)}"))
    others = [way for way in ways if way not in _best(ways)] if full else []
    if others:
        yield from heading("would do too, if it can be weighed")
        for way in others:
            yield from paragraph(way_words(answer.problem, way), "* ")


def told(problem: Problem, ways: Sequence[Way]) -> list[str]:
    """The ways that can be weighed, at most three; where none can, those that were solved."""
    return [way_words(problem, way) for way in _best(ways)]


def _best(ways: Sequence[Way]) -> list[Way]:
    return [way for way in ways if way.weighed][:TOLD] or [*ways[:TOLD]]


def way_words(problem: Problem, way: Way) -> str:
    """One way out in a sentence."""
    money = MoneyWords(problem)
    at_most = "" if way.sure else "at most "
    made = next((c.new for c in way.concessions if c.limit == "both"), problem.order.kilograms)
    then = ""
    if way.cost is not None:
        each = f"{money.price(way.cost / made)} a {money.mass} of {problem.order.basis.words}"
        then = f": the batch then costs {at_most}{money(way.cost)}, {each}"
    spend = "" if way.spend is None else f" for {money(way.spend)}"
    names = listed([lot.name for lot, _ in way.lots])
    bought = listed([f"{problem.unit.said(kg, 2)} of {lot.name}" for lot, kg in way.lots])
    more = listed([f"{problem.unit.said(kg, 2)} more like {lot.name} ({_kind(lot)})" for lot, kg in way.lots])
    grams = trimmed((way.figure or Fraction(0)) * G_PER_KG)
    old, new = (f"{trimmed(p * PERCENT)} %" for p in way.probability or (Fraction(0),) * 2)
    moved = " and ".join(_concession_words(problem, c) for c in way.concessions)
    return (
        {
            WayKind.DROPPED: f"leave out: {way.dropped.words()}" if way.dropped is not None else "",
            WayKind.STOCK: f"get {more}{spend}",
            WayKind.USE_UP: f"do not use up {names}",
            WayKind.PACKS: f"open packs, or pull less than the smallest pull, of {names}",
            WayKind.PURCHASE: f"buy {bought}{spend}",
            WayKind.SCALE: f"weigh the meat to {grams} g",
            WayKind.TOLERANCE: f"let the weight be within {grams} g of the order",
            WayKind.CONFIDENCE: f"ask for a confidence of {new} instead of {old}",
            WayKind.MEASURED: f"measure the fat of {names} by the most precise bench method, if it comes out the same",
        }.get(way.kind, moved)
        + then
        + "."
    )


def _kind(lot: Lot) -> str:
    """A kind of material in words."""
    kind = " ".join(filter(None, (lot.species, lot.material))) or "material"
    return f"{kind}, {trimmed(lot.properties[FAT], 1)} % fat"


def _concession_words(problem: Problem, c: Concession) -> str:
    r = c.requirement
    unit = f" {r.unit}" if r.unit else ""
    if c.limit == "both":
        return f"make {problem.unit.said(c.new, 2)} instead of {problem.unit.said(c.old)}"
    word = "at least" if c.limit == "lo" else "at most"
    return f"allow {r.what} of the {r.basis} of {word} {trimmed(c.new)}{unit} instead of {trimmed(c.old)}{unit}"
