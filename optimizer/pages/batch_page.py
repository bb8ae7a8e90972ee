"""The page a person reads of a batch: may I make it, what do I take, what do I weigh, what comes out, what to watch.

One screen by default; ``full`` adds every check with its source and the figures behind (``details``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.numbers import shown, trimmed
from constraints.quantities import FAT, Basis
from constraints.requirement import Requirement, Role
from optimizer import wording
from optimizer.answer import Answer, unrounded
from optimizer.cause import cause
from optimizer.figures import apart, division_words, figure
from optimizer.pages import details
from optimizer.pages.loads import by_load, comes_out, one_load, whole_load
from optimizer.pages.tables import heading, listed, paragraph, table
from optimizer.problem import Problem
from optimizer.remarks import classes_of, heed, left_out, tidiness, verdict_of, warnings
from optimizer.solver.program import holds_of
from optimizer.summary import costs, weight
from optimizer.verdict import Grade, Mark, hurts, mark
from optimizer.wording import counted, day_words

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
    lines += ["", *_foot(answer, full=full), *paragraph(wording.CAUTION)]
    return "\n".join(lines) + "\n"


def title(problem: Problem) -> list[str]:
    """The product, its size as it was asked for, a figure or a band, and the day."""
    order, unit = problem.order, problem.unit
    ends = (-order.within_kg, order.within_kg) if order.band else (Fraction(0),)
    size = " to ".join(trimmed((order.kilograms + end) / unit.kg, 3) for end in ends)
    named = f"{problem.recipe.entry.name}: {size} {unit.name} of {order.basis.words}"
    return paragraph(f"{named}, {day_words(order.day)}")


def _verdict(answer: Answer, *, full: bool) -> Iterator[str]:
    """The grade with its reasons; of a batch that may be made what it costs."""
    headline = f"{verdict_of(answer).headline} {cause(answer)}".rstrip()
    if answer.weighed is not None:
        found, money, unit = costs(answer.problem, answer.weighed), answer.problem.money, answer.problem.unit
        headline += f" {apart(shown(found.cash, 2))}{money}, {unit.price(found.per_kg_batch)} a {unit.name}."
    yield from paragraph(headline)
    near = answer.near
    if near is not None and answer.weighed is not None:
        within = f"within {trimmed(near.premium_pct, 3)} % of the cheapest"
        yield from paragraph(f"Near-cheapest batch for {near.wish.words}, {within}.")
    elif answer.refused:
        yield from do_not_make(answer)
        yield wording.NO_WEIGH_OUT
    yield from (*(_scale_prevents(answer) if answer.scale_prevents and full else ()), *_conflict(answer, full=full))


def do_not_make(answer: Answer) -> Iterator[str]:
    """Every limit that a batch breaks, those that protect health first."""
    broken = map(answer.problem.unit.check, (check for check in answer.checks if check.broken))
    for check in sorted(broken, key=lambda c: (not hurts(c.requirement), not c.requirement.origin.legal)):
        r = check.requirement
        value = "" if check.value is None else f" is {figure(check.value, r)} {r.unit}"
        what = f"{r.what} of the {r.basis}{value}" + (f" ({check.why})" if check.why else "")
        yield from paragraph(f"{what}, {r.limits()} allowed: {details.source_words(r)}", "* ")
    yield from listed(("> ", f"{text}.") for text in answer.other_names)
    yield from doses_that_pass(answer)


def doses_that_pass(answer: Answer) -> list[str]:
    """The dose that would be lawful, for each addition whose dose is not."""
    return listed(("> ", f"What would pass: {dose.words()}.") for dose in answer.lawful_doses)


def _conflict(answer: Answer, *, full: bool) -> Iterator[str]:
    """What cannot hold together, and how near one can get; on a short page the sentence above says enough."""
    conflict, unit = answer.conflict, answer.problem.unit
    if conflict is None:
        return
    reached = {id(reach.requirement): reach.nearest for reach in conflict.reach}
    if full:
        yield f"These cannot hold together{'' if conflict.smallest else f' ({wording.NOT_SMALLEST})'}:"
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


def what_would_do(ways: Prices) -> list[str]:
    """What can be done where there is no batch, in a list, and where more is told."""
    told = listed((f"{k}. ", text) for k, (_, text) in enumerate(ways, start=1))
    return [*(heading(wording.WOULD_DO) if ways else ()), *told, *paragraph(wording.ASK_WHY)]


def _scale_prevents(answer: Answer) -> Iterator[str]:
    """What rounding breaks, the batch before it, and what is no whole number of divisions."""
    none, unit = "none exists" if answer.scale_certain else "none was found", answer.problem.unit
    broken = "; ".join(unit.limit(r).words() for r in answer.scale_prevents)
    yield from paragraph(
        f"A batch exists, but {none} in whole divisions of these scales. Rounding breaks: {broken}. A finer scale or a "
        "wider tolerance helps."
    )
    batch, division = unrounded(answer), answer.problem.order.meat_division_kg
    if batch is not None:
        parts = ", ".join(f"{item.name} {trimmed(kg / unit.kg, 4)}" for item, kg in batch.kilograms.items())
        yield from paragraph(f"Before the scales the cheapest is, in {unit.name}: {parts}.")
    for hold in holds_of(answer.problem):
        if hold.step is not None and (hold.step / division).denominator != 1:
            part = "all of it goes in" if hold.must else "it goes in by the pack"
            whole = f"{unit.said(hold.step)} is no whole number of divisions of {division_words(division)}"
            yield from paragraph(f"{hold.column.name} is part of that: {part}, and {whole}.")


def _take(answer: Answer) -> Iterator[str]:
    """The lots to take from the cooler, as held; what reaches the grinder where bone and rind come off."""
    assert answer.weighed is not None
    yield from heading(wording.TAKE)
    problem, unit, lots = answer.problem, answer.problem.unit, answer.lots
    places = max(unit.places(answer.weighed.divisions[item]) for item in lots)
    bony = any(item.usable < 1 for item in lots)
    rows = []
    for item, kg in lots.items():
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
    held_total = sum((item.held_kg(kg) for item, kg in lots.items()), Fraction(0))
    sums = ["", "in all", unit.figure(held_total, places)]
    sums += [unit.figure(weight(answer.weighed.total, Basis.MEAT), places)] if bony else []
    rows.append([*sums, *[""] * (len(heads) - len(sums))])
    yield from table(heads, rows, align, ruled=False)
    said = tidiness(answer)
    yield from paragraph(said) if said else ()


def _weigh(answer: Answer, *, full: bool) -> Iterator[str]:
    assert answer.weighed is not None
    loads, unit = len(answer.weighed.loads), answer.problem.unit
    whole = whole_load(answer.weighed, answer.weighed.total, unit)
    size = f"one load of {whole}" if loads == 1 else f"{loads} mixer loads, {whole} in all"
    yield from ("", *paragraph(f"{wording.WEIGH}, {size}"))
    yield from (one_load if loads == 1 else by_load)(answer.weighed, unit, full=full)


def _watch(answer: Answer, short_why: Prices) -> list[str]:
    """What needs attention: warnings, what a laboratory must find, limits that are near, prices, lots left out."""
    said = [("! ", text) for text in warnings(answer)]
    said += [("* ", text) for text in heed(answer)]
    if answer.weighed is not None:
        said += [("? ", details.unknown_words(check)) for check in answer.checks if mark(check) is Mark.LABORATORY]
        said += [("* ", text) for text in (*_near_limits(answer, short_why), *details.sure_in_short(answer))]
    said += [("* ", text) for text in _left_out(answer)]
    return [*heading(wording.WATCH), *listed(said)] if said else []


def _near_limits(answer: Answer, short_why: Prices) -> Iterator[str]:
    """Limits of composition that the batch is at, or all but; first those of which the price is known."""
    yield from (text for _, text in short_why)
    priced = [id(r) for r, _ in short_why]
    near = []
    for check in map(answer.problem.unit.check, answer.checks):
        r, value = check.requirement, check.value
        if not check.ok or not value or r.role not in (Role.OWN, Role.LAW) or not r.origin.blocks or r.lo == r.hi:
            continue
        if id(r) not in priced and any(x and abs(x - value) <= _TIGHT * x for x in (r.lo, r.hi)):
            near.append(f"near its limit: {r.what} of the {r.basis} {figure(value, r, 1)} {r.unit}, {r.limits()}")
    yield from near[:_MOST_TIGHT]
    if len(near) > _MOST_TIGHT:
        yield f"{len(near) - _MOST_TIGHT} more near their limits"


def _left_out(answer: Answer) -> Iterator[str]:
    """Lots that could not go in, in one line; the reasons of each stand on the full page and in the JSON."""
    out, lots = left_out(answer.problem), [entry.lot.name for entry in answer.problem.left_out]
    if answer.grade is Grade.NO_BATCH:
        yield from (f"left out: {text}" for text in out[:_MOST_LEFT_OUT])
        out = out[_MOST_LEFT_OUT:]
    if 0 < len(out) <= 2:
        yield f"left out: {'; '.join(out)}"
    elif out:
        names = ", ".join([*lots[:6], *["..."] * (len(lots) > 6)])
        yield f"{counted(len(lots), 'lot')} left out: {names} (why: --full)"


def _foot(answer: Answer, *, full: bool) -> Iterator[str]:
    certificate = answer.certificate
    if certificate is not None and certificate.lower_bound is not None and certificate.gap is not None:
        text = f"Proved: no such batch costs less than {shown(certificate.lower_bound, 2)}"
        text += f"; scales and packs cost {shown(certificate.gap, 2)}." if certificate.gap >= _CENT / 2 else "."
        yield from paragraph("The plan chose the lots; its own page says what is proved." if answer.of_week else text)
    places = []
    for pack, known in classes_of(answer.problem):
        title = next((entry.title for entry in pack.classes if entry.id == known), "no product class stated")
        places.append(f"{pack.title}, {title}")
    rules = f"Rules: {'; '.join(places) or 'none named'}."
    yield from paragraph(rules if full else f"{rules} {wording.FULL}")
