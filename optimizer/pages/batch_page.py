"""The page a person reads of a batch: may I make it, what do I take, what do I weigh, what comes out, what to watch.

One screen by default; ``full`` adds every check with its source and the figures behind (``details``).
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.as_typed import G_PER_KG, M_PER_FT, PERCENT, ZERO, shown, trimmed
from constraints.formula import Batch
from constraints.quantities import FAT, SALT, Amount, Basis
from constraints.requirement import BY_ION, Requirement, Role, Stage
from optimizer import wording
from optimizer.answer import Answer, unrounded
from optimizer.bench import Conflict
from optimizer.figures import Unit, apart, division_words, figure, measured, ounces, wanted
from optimizer.pages import details
from optimizer.pages.tables import heading, listed, named, paragraph, table
from optimizer.problem import Problem
from optimizer.remarks import cause, classes_of, heed, left_out, tidiness, uncured, verdict_of, warnings
from optimizer.solver.program import holds_of
from optimizer.summary import Casing, Cost, casing_need, finished_kg, lots_in, told, weight
from optimizer.verdict import Grade, Mark, hurts, mark
from optimizer.weighing.rounding import Weighed
from optimizer.wording import counted, day_words

Price = tuple[Requirement | None, str]
"""A sentence on a price, with the limit it speaks of."""
_TIGHT = Fraction(1, 100)
"""Share of a limit within which a figure is told to be near it."""
_CENT = Fraction(1, 100)
_MOST_TIGHT, _MOST_LEFT_OUT = 3, 8


def page(answer: Answer, short_why: Sequence[Price] = (), *, full: bool = False, opening: Sequence[str] = ()) -> str:
    """The whole page, ending in a newline.

    ``short_why`` are sentences on prices, which have a meaning only for a batch that is the cheapest by itself;
    ``opening`` stands in place of title and verdict.
    """
    lines = [*opening] if opening else [*title(answer.problem), *_verdict(answer, full=full)]
    if answer.weighed is not None:
        lines += [*_take(answer, answer.weighed), *details.weigh_out(answer.weighed, answer.problem.unit, full=full)]
        lines += _comes_out(answer, answer.weighed.total)
        lines += [*details.trade_off(answer.near), *details.dying(answer)]
    if answer.grade is Grade.NO_BATCH:
        lines += heading(wording.WOULD_DO) if short_why else ()
        lines += listed((f"{k}. ", text) for k, (_, text) in enumerate(short_why, start=1))
        lines += paragraph(wording.ASK_WHY)
        short_why = ()
    lines += _watch(answer, short_why)
    lines += details.details(answer) if full else []
    lines += ["", *_foot(answer, full=full), *paragraph(wording.CAUTION)]
    return "\n".join(lines) + "\n"


def title(problem: Problem) -> list[str]:
    """The product, its size as it was asked for, a figure or a band, and the day."""
    order, unit = problem.order, problem.unit
    ends = (-order.within_kg, order.within_kg) if order.band else (ZERO,)
    size = " to ".join(trimmed((order.kilograms + end) / unit.kg, 3) for end in ends)
    named = f"{problem.recipe.entry.name}: {size} {unit.name} of {order.basis.words}"
    return paragraph(f"{named}, {day_words(order.day)}")


def _verdict(answer: Answer, *, full: bool) -> Iterator[str]:
    """The grade with its reasons; of a batch that may be made what it costs."""
    headline, near = f"{verdict_of(answer).headline} {cause(answer)}".rstrip(), answer.near
    if answer.weighed is not None:
        found, unit = Cost.model_validate(answer), answer.problem.unit
        paid = f"{apart(shown(found.cash, 2))}{answer.problem.money}"
        headline += f" {paid}, {unit.price(found.per_kg_batch)} a {unit.name}."
    yield from paragraph(headline)
    if near is not None and answer.weighed is not None:
        within = f"within {trimmed(near.premium_pct, 3)} % of the cheapest"
        yield from paragraph(f"Near-cheapest batch for {near.wish.words}, {within}.")
    elif answer.grade.forbids:
        yield from do_not_make(answer)
        yield wording.NO_WEIGH_OUT
    yield from _scale_prevents(answer) if answer.scale_prevents and full else ()
    if answer.conflict is not None:
        yield from _conflict(answer.conflict, answer.problem.unit) if full else ()
        yield from doses_that_pass(answer)
        if answer.conflict.packs_matter and full:
            yield from paragraph("Whole packs or smallest pulls are part of it: without them there is a batch.")


def do_not_make(answer: Answer) -> Iterator[str]:
    """Every limit that a batch breaks, those that protect health first."""
    broken = map(answer.problem.unit.check, (check for check in answer.checks if check.broken))
    for check in sorted(broken, key=lambda c: (not hurts(c.requirement), not c.requirement.origin.legal)):
        words = details.broken_words(check, "allowed")
        yield from paragraph(f"{words}: {details.source_words(check.requirement)}", "* ")
    yield from listed(("> ", f"{text}.") for text in answer.other_names)
    yield from doses_that_pass(answer)


def doses_that_pass(answer: Answer) -> list[str]:
    """The dose that would be lawful, for each addition whose dose is not."""
    return listed(("> ", f"What would pass: {dose.words()}.") for dose in answer.lawful_doses)


def _conflict(conflict: Conflict, unit: Unit) -> Iterator[str]:
    """What cannot hold together, and how near one can get; on a short page the sentence above says enough."""
    reached = {id(reach.requirement): reach.nearest for reach in conflict.reach}
    yield f"These cannot hold together{'' if conflict.smallest else f' ({wording.NOT_SMALLEST})'}:"
    for own in conflict.requirements:
        requirement, nearest = unit.limit(own), reached.get(id(own))
        yield from paragraph(requirement.words(), "* ")
        if nearest is not None and not nearest and requirement.role is Role.SIZE:
            yield "    with all the others kept, there is no batch of any weight"
        elif nearest is not None:
            near = measured(nearest / (unit.kg if requirement is not own else 1), requirement)
            yield from paragraph(f"with all the others kept, the nearest attainable is {near}", "    ")


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


def _take(answer: Answer, weighed: Weighed) -> Iterator[str]:
    """The lots to take from the cooler, as held; what reaches the grinder where bone and rind come off."""
    unit, lots, day = answer.problem.unit, lots_in(weighed.total), answer.problem.order.day
    places = max(unit.places(weighed.divisions[taken.item]) for taken in lots)
    rows = [["lot", "what", unit.name, f"net {unit.name}", f"left {unit.name}", "use by", "fat %", "cost"]]
    for taken in lots:
        item, left = taken.item, taken.left_kg
        rows.append([
            "! " * bool(item.suspicions) + item.name, item.material or item.role,
            *(unit.figure(x, places) for x in (taken.held_kg, taken.kg)), unit.figure(left, places) if left else "none",
            day_words(item.use_by, day), shown(item.properties[FAT], 1), apart(shown(taken.cost, 2)),
        ])  # fmt: skip
    sums = sum((taken.held_kg for taken in lots), ZERO), weight(weighed.total, Basis.MEAT)
    rows.append(["", "in all", *(unit.figure(x, places) for x in sums), "", "", "", ""])
    bony = any(taken.item.usable < 1 for taken in lots)
    heads, *rows = rows if bony else [[*row[:3], *row[4:]] for row in rows]
    yield from (*heading(wording.TAKE), *table(heads, rows, "<<>>><>>" if bony else "<<>><>>", ruled=False))
    yield from paragraph(said) if (said := tidiness(answer)) else ()


_BASES = {Basis.MEAT: "of the meat", Basis.BATCH: "of the whole batch", Basis.FINISHED: "finished"}


def _comes_out(answer: Answer, total: Batch) -> list[str]:
    """The handful of figures that a maker asks for."""
    problem, unit, basis = answer.problem, answer.problem.unit, list(told(total))[-1]
    salt = told(total)[basis].get(SALT)
    known = "not known: a lot does not state its salt" if salt is None else f"{shown(salt, 2)} % {_BASES[basis]}"
    rows = [("fat", _fat(answer, total)), ("salt", known), *((ion, _ingoing(answer, ion)) for ion in BY_ION)]
    finished, found = finished_kg(total), Cost.model_validate(answer)
    if finished is not None and found.per_kg_finished is not None:
        each = f"{unit.price(found.per_kg_finished)}{problem.money} a {unit.name}"
        rows.append(("yield", f"{unit.figure(finished, 2)} {unit.name} finished, {each}"))
    if problem.recipe.measured is not None:
        declared = trimmed(problem.recipe.process.yield_fraction * PERCENT)
        rows.append(("measured", f"{problem.recipe.measured.words()}; the recipe says {declared} %"))
    need = casing_need(problem, total)
    rows.append(("casing", "; ".join(_casing(need, unit, problem.money)) if need else ""))
    return [*heading(wording.COMES_OUT), *named([(name, text) for name, text in rows if text])]


def _fat(answer: Answer, total: Batch) -> str:
    """Fat on the basis where the recipe limits it, with its limits, then on the others."""
    own = {
        basis: check for check in answer.checks for basis in _BASES
        if check.requirement.counted == Amount(FAT, basis) and check.requirement.role is Role.OWN
        and (check.requirement.hi is not None or check.requirement.lo)
    }  # fmt: skip
    parts: list[str] = []
    for basis, share in sorted(told(total).items(), key=lambda pair: pair[0] not in own):
        value, check = share.get(FAT), own.get(basis)
        if value is not None and (check is not None or not parts or basis is not Basis.BATCH):
            said = shown(value, 1) if check is None else figure(value, check.requirement, 1)
            parts.append(f"{said} % {_BASES[basis]}" + (f" ({wanted(check.requirement)})" if check else ""))
    return "; ".join(parts)


def _ingoing(answer: Answer, ion: str) -> str:
    """Nitrite or nitrate as weighed in against the nearest limit of any place."""
    salts = frozenset(BY_ION[ion])
    limits = [
        (check.margin / (r.hi or 1), check) for check in answer.checks
        if (r := check.requirement).regulates.stage is Stage.INGOING and r.regulates.substances
        and r.regulates.substances <= salts and r.hi is not None and r.origin.blocks and check.margin is not None
    ]  # fmt: skip
    if uncured(answer) or not limits:
        return uncured(answer) if ion == "nitrite" else ""
    check = min(limits, key=lambda pair: pair[0])[1]
    r = check.requirement
    return f"{figure(check.value, r, 1)} ppm of the {r.basis} goes in ({wanted(r)})" if check.value else ""


def _casing(need: Casing, unit: Unit, money: str) -> Iterator[str]:
    said = f"{need.name}: {unit.length(need.filled_m)}, prepare {unit.length(need.prepare_m)}"
    said += f", {shown(need.hanks, 2)} hanks" if need.hanks is not None else ""
    if need.density_kg_per_l is not None:
        filling = f"{shown(need.kg_per_m, 3)} kg in a metre"
        filling = filling if unit.name == "kg" else f"{unit.figure(need.kg_per_m * M_PER_FT, 3)} lb in a foot"
        said += f" ({filling} at {trimmed(need.density_kg_per_l, 3)} kg a litre)"
    yield said
    yield from [f"it costs {shown(need.cost, 2)}{money}"] if need.cost is not None else []
    if need.links and need.cost_per_link is not None:
        weights = (need.link_g_raw, ""), (need.link_g_finished, " finished")
        links = ", ".join(f"{_link(grams, unit)}{what}" for grams, what in weights if grams is not None)
        yield f"{apart(str(need.links))} links of {links}, {shown(need.cost_per_link, 2)}{money} each"
    if need.cost is not None:
        each = (need.cost_per_kg_raw, "raw"), (need.cost_per_kg_finished, "finished")
        prices = [f"{unit.price(cost)} a {unit.name} {what}" for cost, what in each if cost is not None]
        yield f"with its casing{money} {', '.join(prices)}"


def _link(grams: Fraction, unit: Unit) -> str:
    return f"{shown(grams, 0)} g" if unit.name == "kg" else ounces(grams / G_PER_KG, Fraction(1, G_PER_KG))


def _watch(answer: Answer, short_why: Sequence[Price]) -> list[str]:
    """What needs attention: warnings, what a laboratory must find, limits that are near, prices, lots left out."""
    said = [("! ", text) for text in warnings(answer)]
    said += [("* ", text) for text in heed(answer)]
    if answer.weighed is not None:
        said += [("? ", details.unknown_words(check)) for check in answer.checks if mark(check) is Mark.LABORATORY]
        said += [("* ", text) for text in (*_near_limits(answer, short_why), *details.sure_in_short(answer))]
    said += [("* ", text) for text in _left_out(answer)]
    return [*heading(wording.WATCH), *listed(said)] if said else []


def _near_limits(answer: Answer, short_why: Sequence[Price]) -> Iterator[str]:
    """Limits of composition that the batch is at, or all but; first those of which the price is known."""
    yield from (text for _, text in short_why)
    priced = [id(r) for r, _ in short_why]
    near = []
    for check in map(answer.problem.unit.check, answer.checks):
        r, value = check.requirement, check.value
        if not check.ok or not value or r.role not in (Role.OWN, Role.LAW) or not r.origin.blocks or r.lo == r.hi:
            continue
        if id(r) not in priced and any(x and abs(x - value) <= _TIGHT * x for x in (r.lo, r.hi)):
            near.append(f"near its limit: {r.what} of the {r.basis} {measured(value, r, 1)}, {r.limits()}")
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
        yield from paragraph(text)
    places = [
        f"{pack.title}, {next((c.title for c in pack.classes if c.id == known), 'no product class stated')}"
        for pack, known in classes_of(answer.problem)
    ]
    rules = f"Rules: {'; '.join(places) or 'none named'}."
    yield from paragraph(rules if full else f"{rules} {wording.FULL}")
