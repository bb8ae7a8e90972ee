"""The page a person reads: blend, weigh-out, checks, cost and certificate, 80 columns wide."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from constraints.formula import Batch
from constraints.ingredients import Lot
from constraints.meaning import Role
from constraints.numbers import G_PER_KG, KG_PER_LB, PERCENT, shown, trimmed
from constraints.quantities import Basis
from constraints.requirement import Requirement, Status
from optimizer.blend import Answer, Check, unrounded
from optimizer.lawful import lawful_doses
from optimizer.pages.loads import by_load, division_words, one_load
from optimizer.pages.tables import heading, paragraph, table
from optimizer.problem import Problem
from optimizer.reading.packs import class_for
from optimizer.remarks import confirm, left_out, notes, verdict_of, warnings
from optimizer.solver.program import holds_of
from optimizer.summary import casing_need, composition, costs, dying_lots, finished_kg, weight
from optimizer.verdict import Grade, Judged, hurts, mark
from optimizer.words import CAUTION

if TYPE_CHECKING:
    from optimizer.near import Near

NOT_SMALLEST = "not shown to be the smallest such set"
_MOST_PLACES = 8


def page(answer: Answer, near: Near | None = None, short_why: Sequence[str] = ()) -> str:
    """The whole page, ending in a newline; ``near`` adds the trade-off of a near-cheapest choice.

    ``short_why`` are lines on prices in short, which have a meaning only for a batch that is the cheapest by itself.
    """
    lines = [*_title(answer.problem), *_verdict(answer, near)]
    if answer.weighed is not None:
        lines += [*_blend(answer), *_weigh_out(answer)]
        declared = answer.problem.recipe.process.declared
        lines += [*composition_table(answer.weighed.total, declared=declared), *_casing(answer)]
    lines += _checks(answer)
    if answer.weighed is not None:
        lines += [*_cost(answer), *_trade_off(near), *_dying(answer), *_sure(answer)]
        lines += [*heading("why, in short"), *short_why] if short_why else []
        lines += _certificate(answer)
    lines += [*_remarks(answer), *_absent(answer), *heading("caution"), *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def figure(value: Fraction, requirement: Requirement | None = None, places: int = 2) -> str:
    """A figure with so many decimals, or more where fewer would hide on which side of a limit it is."""
    limits = [] if requirement is None else [x for x in (requirement.lo, requirement.hi) if x is not None]
    while places < _MOST_PLACES and any(value != x and shown(value, places) == shown(x, places) for x in limits):
        places += 1
    return shown(value, places)


def _title(problem: Problem) -> Iterator[str]:
    recipe, order = problem.recipe, problem.order
    yield from paragraph(recipe.entry.name)
    basis = order.basis.words
    size = f"{trimmed(order.kilograms, 3)} kg"
    if order.in_pounds:
        size = f"{trimmed(order.kilograms / KG_PER_LB, 3)} lb ({size})"
    size += f" of {basis} (within {trimmed(order.within_kg * G_PER_KG, 3)} g)"
    yield f"{size}, judged at {order.day.isoformat()}"
    if problem.packs:
        for named, pack in zip(recipe.entry.rules, problem.packs, strict=False):
            name = class_for(recipe, named, pack)
            title = next((entry.title for entry in pack.classes if entry.id == name), "no product class stated")
            yield from paragraph(f"Rules: {pack.title}, {title}; figures read {pack.checked_on.isoformat()}")


def _verdict(answer: Answer, near: Near | None) -> Iterator[str]:
    yield ""
    yield from paragraph(verdict_of(answer).headline)
    if near is not None and answer.weighed is not None:
        within = f"within {trimmed(near.premium_pct, 3)} % of the cheapest"
        yield from paragraph(f"Near-cheapest batch for {near.wish.words}, {within}.")
    elif answer.grade is Grade.MAKE:
        yield "Its lots are those of the plan." if answer.of_week else "This is the cheapest batch within them."
    elif answer.refused:
        yield from do_not_make(answer)
        yield "No weigh-out is given."
    elif answer.grade is Grade.NO_BATCH:
        yield "None exists that satisfies every limit. Do not make it from these lots."
    yield from _conflict(answer)


def do_not_make(answer: Answer) -> Iterator[str]:
    """Every limit that a batch breaks, those that protect health first."""
    broken = [check for check in answer.checks if check.ok is False and check.requirement.origin.blocks]
    for check in sorted(broken, key=lambda check: (not hurts(check.requirement), not check.requirement.origin.legal)):
        yield from paragraph(_broken(check), "* ")
    yield from doses_that_pass(answer)


def doses_that_pass(answer: Answer) -> Iterator[str]:
    """The dose that would be lawful, for each addition whose dose is not."""
    for dose in lawful_doses(answer):
        yield from paragraph(f"What would pass: {dose.words()}.", "> ", "  ")


def _broken(check: Check) -> str:
    requirement = check.requirement
    value = "" if check.value is None else f" is {figure(check.value, requirement)} {requirement.unit}"
    what = f"{requirement.what} of the {requirement.basis}{value}"
    return f"{what}, {requirement.limits()} allowed: {source_words(requirement)}"


def _conflict(answer: Answer) -> Iterator[str]:
    if answer.scale_prevents:
        none = "none exists" if answer.scale_certain else "none was found"
        yield from paragraph(
            f"A batch exists, but {none} in whole divisions of these scales. Rounding breaks: "
            + "; ".join(r.words() for r in answer.scale_prevents)
            + ". A finer scale or a wider tolerance helps."
        )
        batch = unrounded(answer)
        if batch is not None and answer.optimum is not None:
            parts = ", ".join(f"{item.name} {trimmed(kg, 4)}" for item, kg in batch.kilograms.items())
            yield from paragraph(f"Before the scales the cheapest is, in kg: {parts}.")
    conflict = answer.conflict
    for text in _shared_unevenly(answer):
        yield from paragraph(text)
    if conflict is None:
        return
    yield "These cannot hold together:" if conflict.smallest else f"These cannot hold together ({NOT_SMALLEST}):"
    reached = {id(reach.requirement): reach.nearest for reach in conflict.reach}
    for requirement in conflict.requirements:
        yield from paragraph(requirement.words(), "* ")
        nearest = reached.get(id(requirement))
        if nearest is not None and not nearest and requirement.role is Role.SIZE:
            yield "    with all the others kept, there is no batch of any weight"
        elif nearest is not None:
            near = f"{figure(nearest, requirement)} {requirement.unit}"
            yield from paragraph(f"with all the others kept, the nearest attainable is {near}", "    ")
    yield from doses_that_pass(answer)
    if conflict.packs_matter:
        yield from paragraph("Whole packs or smallest pulls are part of the conflict: without them a batch exists.")


def _shared_unevenly(answer: Answer) -> Iterator[str]:
    """Lots of which only whole packs, or all, may go in, where that is no whole number of scale divisions."""
    if not answer.scale_prevents:
        return
    division = answer.problem.order.meat_division_kg
    for limits in holds_of(answer.problem):
        if limits.step is None or (limits.step / division).denominator == 1:
            continue
        part = "all of it goes in" if limits.must else "it goes in by the pack"
        yield (
            f"{limits.column.name} is part of that: {part}, and {trimmed(limits.step, 3)} kg is no whole number of "
            f"divisions of {division_words(division)}."
        )


def _blend(answer: Answer) -> Iterator[str]:
    assert answer.weighed is not None
    yield from heading("blend")
    in_pounds = answer.problem.order.in_pounds or answer.problem.lots_in_pounds
    rows = []
    for item, kilograms in _lots(answer.weighed.total):
        held = item.held_kg(kilograms)
        pounds = [shown(kilograms / KG_PER_LB, 2)] if in_pounds else []
        rows.append([
            ("! " if item.suspicions else "") + item.name,
            item.material or item.role,
            shown(kilograms, 3),
            *pounds,
            shown(held, 3),
            shown(item.on_hand_kg - held, 3),
            trimmed(item.properties["fat_pct"], 2),
            item.use_by.isoformat() if item.use_by else "",
            shown(kilograms * item.book_per_kg, 2),
        ])  # fmt: skip
    units = ("use kg", "use lb") if in_pounds else ("use kg",)
    headings = ("lot", "material", *units, "pull kg", "left kg", "fat %", "use by", "cost")
    yield from table(headings, rows, "<<" + ">" * len(units) + ">>><>")
    total = weight(answer.weighed.total, Basis.MEAT)
    yield f"meat block {shown(total, 3)} kg; use is after bone and rind, pull is as held"


def _lots(batch: Batch) -> list[tuple[Lot, Fraction]]:
    return [(item, kg) for item, kg in batch.kilograms.items() if isinstance(item, Lot)]


def _weigh_out(answer: Answer) -> Iterator[str]:
    assert answer.weighed is not None
    yield from heading("weigh-out" if len(answer.weighed.loads) == 1 else "weigh-out, load by load, grams")
    yield from one_load(answer.weighed) if len(answer.weighed.loads) == 1 else by_load(answer.weighed)
    finished = finished_kg(answer.problem, answer.weighed.total)
    whole = f"whole batch {shown(weight(answer.weighed.total, Basis.BATCH), 3)} kg"
    yield whole + ("" if finished is None else f", finished {shown(finished, 3)} kg")


def composition_table(batch: Batch, *, declared: bool) -> Iterator[str]:
    """Fat, moisture, protein and salt of a batch on every basis; ``declared`` is whether it has a yield."""
    bases = [Basis.MEAT, Basis.BATCH] + ([Basis.FINISHED] if declared else [])
    found = [composition(batch, basis) for basis in bases]
    names = list(dict.fromkeys(name for part in found for name in part))
    rows = [
        [basis.words, *[f"{shown(part[name], 2)}" if name in part else "not stated" for name in names]]
        for basis, part in zip(bases, found, strict=True)
    ]
    yield from heading("composition, %")
    yield from table(["", *[name.removesuffix("_pct") for name in names]], rows, "<" + ">" * len(names))


def _casing(answer: Answer) -> Iterator[str]:
    assert answer.weighed is not None
    need = casing_need(answer.problem, answer.weighed.total)
    if need is None:
        return
    yield from heading("casing")
    text = f"{need.name}: {shown(need.filled_m, 1)} m filled, prepare {shown(need.prepare_m, 1)} m"
    if need.links is not None and need.link_g_raw is not None:
        text += f"; {need.links} links of {shown(need.link_g_raw, 0)} g"
        if need.link_g_finished is not None:
            text += f", {shown(need.link_g_finished, 0)} g finished"
    yield from paragraph(text)


def _checks(answer: Answer) -> Iterator[str]:
    yield from heading("checks")
    for check in answer.checks:
        if answer.weighed is None and check.value is None:
            yield from paragraph(f"{check.requirement.words()}: not measured", f"{'?':8}")
        elif not nothing_goes_in(check):
            yield from paragraph(_check_words(check), f"{mark(check):8}")
            yield from paragraph(f"[{source_words(check.requirement)}]", " " * 8, " " * 9)


def _absent(answer: Answer) -> Iterator[str]:
    """The rules' largest figures for what the batch holds none of, in few words."""
    absent = [check.requirement for check in answer.checks if nothing_goes_in(check)]
    if absent:
        yield from heading("also checked: 0 in this batch")
    for requirement in absent:
        yield from paragraph(absent_words(requirement), "ok  ", "    ")


def absent_words(requirement: Requirement) -> str:
    """A largest figure for what a batch holds none of, with its source."""
    origin = requirement.origin
    limits = f"{requirement.what}, {requirement.basis}: {requirement.limits()}"
    return f"{limits} [{origin.rule}; {origin.source}; {origin.status}]"


def nothing_goes_in(check: Judged) -> bool:
    """A rule's largest figure for something of which the batch holds none."""
    requirement = check.requirement
    capped = requirement.lo is None and requirement.hi is not None
    return bool(requirement.origin.pack) and capped and not check.value and check.ok is True and not check.why


def _check_words(check: Check) -> str:
    requirement = check.requirement
    unit = f" {requirement.unit}" if requirement.unit else ""
    value = "not measured" if check.value is None else f"{figure(check.value, requirement)}{unit}"
    words = f"{requirement.what}, {requirement.basis}: {value}, {requirement.limits()}"
    if check.worst_load is not None and check.worst_load != check.value:
        words += f" (worst load {figure(check.worst_load, requirement)}{unit})"
    return f"{words}; {check.why}" if check.why else words


def source_words(requirement: Requirement) -> str:
    """Where a limit comes from: source, row, how it was read, and what else a reader should know."""
    origin = requirement.origin
    parts = [origin.source]
    if origin.status is not Status.YOURS:
        parts.append(f"{origin.rule}, {origin.status}")
    if origin.note:
        parts.append(origin.note)
    return "; ".join(parts) + confirm(requirement)


def _cost(answer: Answer) -> Iterator[str]:
    assert answer.weighed is not None
    found = costs(answer.problem, answer.weighed)
    currency = answer.problem.recipe.entry.currency
    unit = f" {currency}" if currency else ""
    yield from heading("cost")
    if answer.problem.order.next_chance is not None:
        used = f"value used {shown(found.value_used, 2)}{unit}: dying lots at salvage, all else at book price"
        yield from paragraph(used)
    yield from paragraph(f"cash {shown(found.cash, 2)}{unit}, of which additions {shown(found.additions, 2)}{unit}")
    text = f"per kg of batch {shown(found.per_kg_batch, 3)}{unit}"
    if found.per_kg_finished is not None:
        text += f", per kg finished {shown(found.per_kg_finished, 3)}{unit}"
    yield from paragraph(text)


def _trade_off(near: Near | None) -> Iterator[str]:
    if near is None or not near.steps:
        return
    yield from heading("trade-off")
    rows = [[f"{trimmed(s.premium_pct, 3)} %", shown(s.cost, 2), shown(s.figure, near.wish.places)] for s in near.steps]
    yield from table(("premium allowed", "cost as minimised", near.wish.words), rows, ">>>")
    yield f"the cheapest, unrounded, costs {shown(near.cheapest, 4)} as minimised"


def _sure(answer: Answer) -> Iterator[str]:
    sure = answer.sure
    if sure is None:
        return
    yield from heading(f"how sure ({sure.words} asked of each limit)")
    for requirement, found in sure.likely:
        likely = f"{100 * found.probability:.2f} % likely met as weighed"
        yield from paragraph(f"{found.label}, {requirement.basis}: {likely}", "* ")
    if sure.price is not None:
        yield f"the confidence costs {shown(sure.price, 2)} against the optimum without it"
    for again in sure.again:
        better = f"{trimmed(again.now.sd, 2)} to {trimmed(again.then.sd, 2)} points"
        yield from paragraph(
            f"measuring {again.lot.name} again (error {better}) would save {shown(again.saving, 2)}", "* "
        )  # fmt: skip


def _dying(answer: Answer) -> Iterator[str]:
    order = answer.problem.order
    found = dying_lots(answer.problem, answer.weighed.total if answer.weighed else None)
    if not found or order.next_chance is None:
        return
    yield from heading(f"dying before {order.next_chance.isoformat()}")
    rows = [
        [
            entry.lot.name,
            entry.lot.use_by.isoformat() if entry.lot.use_by else "",
            shown(entry.used_kg, 3),
            shown(entry.left_kg, 3),
            shown(entry.loss, 2),
        ]
        for entry in found
    ]
    yield from table(("lot", "use by", "used kg", "left kg", "lost with it"), rows, "<<>>>")


def _certificate(answer: Answer) -> Iterator[str]:
    certificate, optimum = answer.certificate, answer.optimum
    assert certificate is not None and optimum is not None
    yield from heading("certificate")
    yield from paragraph(
        "Every requirement was measured again on the weights above in exact arithmetic, and holds. "
        f"Cost as minimised {shown(certificate.cost, 4)}; unrounded optimum {shown(optimum.cost, 4)}."
    )
    if certificate.lower_bound is not None and certificate.gap is not None:
        share = PERCENT * certificate.gap / certificate.cost if certificate.cost else Fraction(0)
        yield from paragraph(
            f"Proved: no batch within these requirements costs less than {shown(certificate.lower_bound, 4)}. "
            f"Gap {shown(certificate.gap, 4)} ({shown(share, 3)} %): what whole scale divisions, whole packs and the "
            "exact weight cost at most."
        )
    if certificate.reported is not None:
        yield f"Reported by the solver, not proved: at least {certificate.reported:.4f} with whole packs."


def _remarks(answer: Answer) -> Iterator[str]:
    out = left_out(answer.problem)
    if out:
        yield from heading("left out")
        for text in out:
            yield from paragraph(text, "* ")
    said = warnings(answer)
    if said:
        yield from heading("warnings")
        for text in said:
            yield from paragraph(text, "! ")
    noted = notes(answer)
    if noted:
        yield from heading("notes")
        for text in noted:
            yield from paragraph(text, "* ")
