"""The page a person reads of a batch: may I make it, what do I take, what do I weigh, what comes out, what to watch.

One screen by default; ``full`` adds every check with its source and the figures behind (``details``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.ingredients import FAT, Lot
from constraints.meaning import Role
from constraints.numbers import shown, trimmed
from constraints.quantities import Basis
from constraints.requirement import Requirement
from optimizer.answer import Answer, unrounded
from optimizer.cause import cause
from optimizer.order import Order
from optimizer.pages import details
from optimizer.pages.comes_out import comes_out
from optimizer.pages.figures import Unit, division_words, figure, money_words, unit_of
from optimizer.pages.loads import by_load, one_load, whole_load
from optimizer.pages.tables import apart, heading, listed, paragraph, table
from optimizer.problem import Problem
from optimizer.reading.packs import class_for
from optimizer.remarks import heed, left_out, tidiness, verdict_of, warnings
from optimizer.solver.program import holds_of
from optimizer.summary import costs, weight
from optimizer.verdict import Grade, Mark, hurts, mark
from optimizer.wording import (
    ASK_WHY,
    CAUTION,
    FULL,
    NO_WEIGH_OUT,
    NOT_SMALLEST,
    TAKE,
    WATCH,
    WEIGH,
    WOULD_DO,
    counted,
    day_words,
)

Prices = Sequence[tuple[Requirement | None, str]]
"""Sentences on prices, each with the limit it speaks of."""
_TIGHT = Fraction(1, 100)
"""Share of a limit within which a figure is told to be near it."""
_CENT = Fraction(1, 100)
_MOST_TIGHT, _MOST_LEFT_OUT = 3, 8


def page(answer: Answer, short_why: Prices = (), *, full: bool = False, opening: Sequence[str] = ()) -> str:
    """The whole page, ending in a newline.

    ``short_why`` are sentences on prices, which have a meaning only for a batch that is the cheapest by itself;
    ``opening`` stands in place of title and verdict.
    """
    lines = [*opening] if opening else [*title(answer.problem), *_verdict(answer, full=full)]
    if answer.weighed is not None:
        lines += [*_take(answer), *_weigh(answer, full=full), *comes_out(answer)]
        lines += [*details.trade_off(answer.near), *details.dying(answer)]
    if answer.grade is Grade.NO_BATCH:
        lines += what_would_do(short_why)
        short_why = ()
    lines += _watch(answer, short_why)
    lines += details.details(answer) if full else []
    lines += ["", *_foot(answer, full=full), *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def title(problem: Problem) -> Iterator[str]:
    """The product, its size as it was asked for, and the day."""
    order = problem.order
    size, day = _size(order, Unit.of(pounds=problem.in_pounds)), day_words(order.day)
    yield from paragraph(f"{problem.recipe.entry.name}: {size} of {order.basis.words}, {day}")


def _size(order: Order, unit: Unit) -> str:
    """What was ordered: a figure, or a band."""
    ends = (-order.within_kg, order.within_kg) if order.band else (Fraction(0),)
    return f"{' to '.join(trimmed((order.kilograms + end) / unit.kg, 3) for end in ends)} {unit.name}"


def _verdict(answer: Answer, *, full: bool) -> Iterator[str]:
    """The grade with its reasons; of a batch that may be made what it costs."""
    headline = f"{verdict_of(answer).headline} {cause(answer)}".rstrip()
    if answer.weighed is not None:
        found, money, unit = costs(answer.problem, answer.weighed), money_words(answer.problem), unit_of(answer)
        headline += f" {apart(shown(found.cash, 2))}{money}, {unit.price(found.per_kg_batch)} a {unit.name}."
    yield from paragraph(headline)
    near = answer.near
    if near is not None and answer.weighed is not None:
        within = f"within {trimmed(near.premium_pct, 3)} % of the cheapest"
        yield from paragraph(f"Near-cheapest batch for {near.wish.words}, {within}.")
    elif answer.refused:
        yield from do_not_make(answer)
        yield NO_WEIGH_OUT
    yield from _conflict(answer, full=full)


def do_not_make(answer: Answer) -> Iterator[str]:
    """Every limit that a batch breaks, those that protect health first."""
    broken = [check for check in answer.checks if check.broken]
    unit = unit_of(answer)
    for check in sorted(
        map(unit.check, broken), key=lambda check: (not hurts(check.requirement), not check.requirement.origin.legal)
    ):
        requirement = check.requirement
        value = "" if check.value is None else f" is {figure(check.value, requirement)} {requirement.unit}"
        what = f"{requirement.what} of the {requirement.basis}{value}" + (f" ({check.why})" if check.why else "")
        yield from paragraph(f"{what}, {requirement.limits()} allowed: {details.source_words(requirement)}", "* ")
    for text in answer.other_names:
        yield from paragraph(f"{text}.", "> ", "  ")
    yield from doses_that_pass(answer)


def doses_that_pass(answer: Answer) -> Iterator[str]:
    """The dose that would be lawful, for each addition whose dose is not."""
    for dose in answer.lawful_doses:
        yield from paragraph(f"What would pass: {dose.words()}.", "> ", "  ")


def _conflict(answer: Answer, *, full: bool) -> Iterator[str]:
    """What cannot hold together, and how near one can get; on a short page the sentence above says enough."""
    if answer.scale_prevents and full:
        yield from _scale_prevents(answer)
    conflict = answer.conflict
    if conflict is None:
        return
    reached, unit = {id(reach.requirement): reach.nearest for reach in conflict.reach}, unit_of(answer)
    if full:
        yield "These cannot hold together:" if conflict.smallest else f"These cannot hold together ({NOT_SMALLEST}):"
    for own in conflict.requirements if full else ():
        requirement, nearest = unit.limit(own), reached.get(id(own))
        yield from paragraph(requirement.words(), "* ")
        if nearest is not None and not nearest and requirement.role is Role.SIZE:
            yield "    with all the others kept, there is no batch of any weight"
        elif nearest is not None:
            nearest /= unit.kg if requirement is not own else 1
            near = f"{figure(nearest, requirement)} {requirement.unit}"
            yield from paragraph(f"with all the others kept, the nearest attainable is {near}", "    ")
    yield from doses_that_pass(answer)
    if conflict.packs_matter and full:
        yield from paragraph("Whole packs or smallest pulls are part of it: without them there is a batch.")


def what_would_do(ways: Prices) -> Iterator[str]:
    """What can be done where there is no batch, in a list, and where more is told."""
    if ways:
        yield from heading(WOULD_DO)
        for k, (_, text) in enumerate(ways, start=1):
            yield from paragraph(text, f"{k}. ")
    yield from paragraph(ASK_WHY)


def _scale_prevents(answer: Answer) -> Iterator[str]:
    none = "none exists" if answer.scale_certain else "none was found"
    unit = unit_of(answer)
    broken = "; ".join(unit.limit(r).words() for r in answer.scale_prevents)
    yield from paragraph(
        f"A batch exists, but {none} in whole divisions of these scales. Rounding breaks: {broken}. A finer scale or a "
        "wider tolerance helps."
    )
    batch = unrounded(answer)
    if batch is not None and answer.optimum is not None:
        parts = ", ".join(f"{item.name} {trimmed(kg / unit.kg, 4)}" for item, kg in batch.kilograms.items())
        yield from paragraph(f"Before the scales the cheapest is, in {unit.name}: {parts}.")
    division = answer.problem.order.meat_division_kg
    for limits in holds_of(answer.problem):
        if limits.step is None or (limits.step / division).denominator == 1:
            continue
        part = "all of it goes in" if limits.must else "it goes in by the pack"
        yield from paragraph(
            f"{limits.column.name} is part of that: {part}, and {unit.said(limits.step)} is no whole number of "
            f"divisions of {division_words(division)}."
        )


def _take(answer: Answer) -> Iterator[str]:
    """The lots to take from the cooler, as held; what reaches the grinder where bone and rind come off."""
    assert answer.weighed is not None
    yield from heading(TAKE)
    problem = answer.problem
    lots = [(item, kg) for item, kg in answer.weighed.total.kilograms.items() if isinstance(item, Lot)]
    unit = unit_of(answer)
    places = max(unit.places(answer.weighed.divisions[item]) for item, _ in lots)
    bony = any(item.usable < 1 for item, _ in lots)
    rows = []
    for item, kg in lots:
        held = item.held_kg(kg)
        left = item.on_hand_kg - held
        rows.append([
            ("! " if item.suspicions else "") + item.name, item.material or item.role, unit.figure(held, places),
            *([unit.figure(kg, places)] if bony else []), unit.figure(left, places) if left else "none",
            day_words(item.use_by, problem.order.day),
            shown(item.properties[FAT], 1), apart(shown(kg * item.book_per_kg, 2)),
        ])  # fmt: skip
    heads = ["lot", "what", unit.name, *[f"net {unit.name}"] * bony, f"left {unit.name}", "use by", "fat %", "cost"]
    align = "<<>" + ">" * bony + "><>>"
    held_total = sum((item.held_kg(kg) for item, kg in lots), Fraction(0))
    sums = ["", "in all", unit.figure(held_total, places)]
    sums += [unit.figure(weight(answer.weighed.total, Basis.MEAT), places)] if bony else []
    rows.append([*sums, *[""] * (len(heads) - len(sums))])
    yield from table(heads, rows, align, ruled=False)
    said = tidiness(answer)
    yield from paragraph(said) if said else ()


def _weigh(answer: Answer, *, full: bool) -> Iterator[str]:
    assert answer.weighed is not None
    loads, unit = len(answer.weighed.loads), unit_of(answer)
    whole = whole_load(answer.weighed, answer.weighed.total, unit)
    size = f"one load of {whole}" if loads == 1 else f"{loads} mixer loads, {whole} in all"
    yield from ("", *paragraph(f"{WEIGH}, {size}"))
    yield from (one_load if loads == 1 else by_load)(answer.weighed, unit, full=full)


def _watch(answer: Answer, short_why: Prices) -> Iterator[str]:
    """What needs attention: warnings, what a laboratory must find, limits that are near, prices, lots left out."""
    said = [("! ", text) for text in warnings(answer)]
    said += [("* ", text) for text in heed(answer)]
    if answer.weighed is not None:
        said += [("? ", details.unknown_words(check)) for check in answer.checks if mark(check) is Mark.LABORATORY]
        said += [("* ", text) for text in (*_near_limits(answer, short_why), *details.sure_in_short(answer))]
    said += [("* ", text) for text in _left_out(answer)]
    yield from (*heading(WATCH), *listed(said)) if said else ()


def _near_limits(answer: Answer, short_why: Prices) -> Iterator[str]:
    """Limits of composition that the batch is at, or all but; first those of which the price is known."""
    yield from (text for _, text in short_why)
    priced = [id(r) for r, _ in short_why]
    near = []
    for check in map(unit_of(answer).check, answer.checks):
        r = check.requirement
        judged = check.ok and check.value and r.role in (Role.OWN, Role.LAW) and r.origin.blocks and r.lo != r.hi
        judged = judged and id(r) not in priced
        if judged and any(x and abs(x - (check.value or 0)) <= _TIGHT * x for x in (r.lo, r.hi)):
            value = figure(check.value or Fraction(0), r, 1)
            near.append(f"near its limit: {r.what} of the {r.basis} {value} {r.unit}, {r.limits()}")
    yield from near[:_MOST_TIGHT]
    if len(near) > _MOST_TIGHT:
        yield f"{len(near) - _MOST_TIGHT} more near their limits"


def _left_out(answer: Answer) -> Iterator[str]:
    """Lots that could not go in, in one line; the reasons of each stand on the full page and in the JSON."""
    out = left_out(answer.problem)
    lots = len(answer.problem.left_out)
    if answer.grade is Grade.NO_BATCH:
        yield from (f"left out: {text}" for text in out[:_MOST_LEFT_OUT])
        out = out[_MOST_LEFT_OUT:]
    if 0 < len(out) <= 2:
        yield f"left out: {'; '.join(out)}"
    elif out:
        names = ", ".join(entry.lot.name for entry in answer.problem.left_out[:6])
        yield f"{counted(lots, 'lot')} left out: {names}{', ...' if lots > 6 else ''} (why: --full)"


def _foot(answer: Answer, *, full: bool) -> Iterator[str]:
    certificate = answer.certificate
    if certificate is not None and certificate.lower_bound is not None and certificate.gap is not None:
        text = f"Proved: no such batch costs less than {shown(certificate.lower_bound, 2)}"
        text += f"; scales and packs cost {shown(certificate.gap, 2)}." if certificate.gap >= _CENT / 2 else "."
        if answer.of_week:
            text = "The plan chose the lots; its own page says what is proved."
        yield from paragraph(text)
    places = []
    for name, pack in zip(answer.problem.recipe.entry.rules, answer.problem.packs, strict=False):
        wanted = class_for(answer.problem.recipe, name, pack)
        title = next((entry.title for entry in pack.classes if entry.id == wanted), "no product class stated")
        places.append(f"{pack.title}, {title}")
    rules = f"Rules: {'; '.join(places)}." if places else "Rules: none named."
    yield from paragraph(rules if full else f"{rules} {FULL}")
