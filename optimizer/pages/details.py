"""What the full page adds: every check with its source, composition, sums, what was assumed, and the certificate."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from constraints.formula import Batch
from constraints.numbers import PERCENT, shown, trimmed
from constraints.quantities import Basis
from constraints.requirement import Provenance, Requirement
from optimizer.answer import Answer
from optimizer.figures import figure, reckoned
from optimizer.pages.tables import heading, listed, paragraph, table
from optimizer.remarks import confirm, left_out, notes
from optimizer.summary import composition, costs, dying_lots, estimated_in, weight
from optimizer.verdict import Check, mark
from optimizer.weighing.rounding import Weighed
from optimizer.wish import Near
from optimizer.wording import day_words


def details(answer: Answer) -> Iterator[str]:
    """Everything that the first screen does not say."""
    if answer.weighed is not None:
        yield from composition_table(answer.weighed.total, declared=answer.problem.recipe.process.declared)
    yield from _checks(answer)
    yield from _absent(answer)
    if answer.weighed is not None:
        yield from (*_sums(answer, answer.weighed), *_sure(answer))
    for words, said in (("left out", left_out(answer.problem)), ("notes", _notes(answer))):
        yield from (*heading(words), *listed(("* ", text) for text in said)) if said else ()
    yield from _certificate(answer)


def _notes(answer: Answer) -> list[str]:
    order = answer.problem.order
    within = f"The size is kept within {answer.problem.unit.small(order.within_kg, order.spice_division_kg)}."
    read = [f"{p.title}: figures read {day_words(p.checked_on)}." for p in answer.problem.packs]
    return [within, *read, *notes(answer)]


def composition_table(batch: Batch, *, declared: bool) -> Iterator[str]:
    """Fat, moisture, protein and salt of a batch on every basis; ``declared`` is whether it has a yield."""
    found = {basis: composition(batch, basis) for basis in reckoned(declared=declared)}
    names = list(dict.fromkeys(name for part in found.values() for name in part))
    rows = [
        [basis.words, *[f"{shown(part[name], 2)}" if name in part else "not stated" for name in names]]
        for basis, part in found.items()
    ]
    yield from heading("composition, %")
    guessed = estimated_in(batch)
    heads = [name.removesuffix("_pct") + (", estimated" if name in guessed else "") for name in names]
    yield from table(["", *heads], rows, "<" + ">" * len(names))


def _checks(answer: Answer) -> Iterator[str]:
    yield from heading("checks")
    for check in map(answer.problem.unit.check, answer.checks):
        unknown = answer.weighed is None and check.value is None
        if not unknown and not nothing_goes_in(check):
            yield from paragraph(check_words(check), f"{mark(check):8}")
            yield from paragraph(f"[{source_words(check.requirement)}]", " " * 8, " " * 9)


def unknown_words(check: Check) -> str:
    """A limit that arithmetic cannot decide."""
    r = check.requirement
    return f"{r.what} of the {r.basis}, {r.limits()}: {check.why or 'a laboratory has to find it'}"


def check_words(check: Check) -> str:
    """A check with its figure, its limits, and what is to be said of it."""
    r, worst = check.requirement, check.worst_load
    value = "not measured" if check.value is None else f"{figure(check.value, r)} {r.unit}".strip()
    words = f"{r.what}, {r.basis}: {value}, {r.limits()}"
    if worst is not None and worst != check.value:
        words += f" (worst load {f'{figure(worst, r)} {r.unit}'.strip()})"
    return f"{words}; {check.why}" if check.why else words


def source_words(requirement: Requirement) -> str:
    """Where a limit comes from: source, row, how it was read, and what else a reader should know."""
    origin = requirement.origin
    read = "" if origin.status is Provenance.YOURS else f"{origin.rule}, {origin.status}"
    return "; ".join(filter(None, (origin.source, read, origin.note))) + confirm(requirement)


def _absent(answer: Answer) -> Iterator[str]:
    """The rules' largest figures for what the batch holds none of, a paragraph a pack."""
    absent = [check.requirement for check in answer.checks if nothing_goes_in(check)]
    if absent:
        yield from heading("also checked: 0 in this batch")
    titles = {pack.pack: pack.title for pack in answer.problem.packs}
    for pack, rows in groupby(absent, key=lambda requirement: requirement.origin.pack):
        yield from paragraph(f"{titles[pack]}: {'; '.join(map(absent_words, rows))}.", "* ")


def absent_words(requirement: Requirement) -> str:
    """A largest figure for what a batch holds none of, with its source."""
    return f"{requirement.what}, {requirement.basis}: {requirement.limits()} [{source_words(requirement)}]"


def nothing_goes_in(check: Check) -> bool:
    """A rule's largest figure for something of which the batch holds none."""
    requirement = check.requirement
    capped = requirement.lo is None and requirement.hi is not None
    return bool(requirement.origin.pack) and capped and not check.value and check.ok is True and not check.why


def _sums(answer: Answer, weighed: Weighed) -> Iterator[str]:
    found, unit, kg = costs(answer.problem, weighed), answer.problem.money, answer.problem.unit
    meat, whole = (kg.figure(weight(weighed.total, basis), 3) for basis in (Basis.MEAT, Basis.BATCH))
    used = f"value used {shown(found.value_used, 2)}{unit}: dying lots at salvage, all else at book price"
    each = f"per {kg.name} of whole batch {kg.price(found.per_kg_batch, 3)}{unit}"
    if found.per_kg_finished is not None:
        each += f", per {kg.name} finished {kg.price(found.per_kg_finished, 3)}{unit}"
    cash = f"cash {shown(found.cash, 2)}{unit}, of which additions {shown(found.additions, 2)}{unit}"
    said = [cash, each, f"whole batch {whole} {kg.name}, meat block {meat} {kg.name}"]
    said = said if answer.problem.order.next_chance is None else [used, *said]
    yield from (*heading("cost"), *listed(("", text) for text in said))


def trade_off(near: Near | None) -> Iterator[str]:
    """What a near-cheapest choice costs at several premiums."""
    if near is None or not near.steps:
        return
    yield from heading("trade-off")
    rows = [[f"{trimmed(s.premium_pct, 3)} %", shown(s.cost, 2), shown(s.figure, near.wish.places)] for s in near.steps]
    yield from table(("premium allowed", "cost", near.wish.words), rows, ">>>")
    yield f"the cheapest, before the scales, costs {shown(near.cheapest, 2)}"


def sure_in_short(answer: Answer) -> Iterator[str]:
    """The least likely of the limits held with confidence, and the price of it."""
    sure = answer.sure
    if sure is None or not sure.likely:
        return
    requirement, found = min(sure.likely, key=lambda pair: pair[1].probability)
    yield f"{sure.words}: {found.label} of the {requirement.basis} is {100 * found.probability:.1f} % likely met"
    if sure.price is not None:
        yield f"that confidence costs {shown(sure.price, 2)}{answer.problem.money}"


def _sure(answer: Answer) -> Iterator[str]:
    sure = answer.sure
    if sure is None:
        return
    yield from heading(f"how sure ({sure.words} asked of each limit)")
    yield from listed(
        ("* ", f"{found.label}, {r.basis}: {100 * found.probability:.2f} % likely met as weighed")
        for r, found in sure.likely
    )
    if sure.price is not None:
        yield f"the confidence costs {shown(sure.price, 2)} against the optimum without it"
    for again in sure.again:
        better = f"{trimmed(again.now.sd, 2)} to {trimmed(again.then.sd, 2)} points"
        text = f"measuring {again.lot.name} again (error {better}) would save {shown(again.saving, 2)}"
        yield from paragraph(text, "* ")


def dying(answer: Answer) -> Iterator[str]:
    """Lots that will not keep until the next chance, with what is used, left and lost."""
    order, kg = answer.problem.order, answer.problem.unit
    found = dying_lots(answer.problem, answer.batch)
    if not found or order.next_chance is None:
        return
    yield from heading(f"dying before {day_words(order.next_chance, order.day)}")
    rows = [
        (e.lot.name, day_words(e.lot.use_by, order.day), kg.figure(e.used_kg, 2), kg.figure(e.left_kg, 2),
         shown(e.loss, 2)) for e in found
    ]  # fmt: skip
    heads = ("lot", "use by", f"used {kg.name}", f"left {kg.name}", "lost with it")
    yield from table(heads, rows, "<<>>>", ruled=False)


def _certificate(answer: Answer) -> Iterator[str]:
    certificate, optimum = answer.certificate, answer.optimum
    if certificate is None or optimum is None:
        return
    said = [
        "Every limit was measured again on the weights above in exact arithmetic. "
        f"Value used {shown(certificate.cost, 4)}; before the scales {shown(optimum.cost, 4)}."
    ]
    if certificate.lower_bound is not None and certificate.gap is not None:
        share = PERCENT * certificate.gap / certificate.cost if certificate.cost else Fraction(0)
        said.append(
            f"Proved: no batch within these limits costs less than {shown(certificate.lower_bound, 4)}. "
            f"Gap {shown(certificate.gap, 4)} ({shown(share, 3)} %): what whole scale divisions, whole packs and the "
            "exact weight cost at most."
        )
    if certificate.reported is not None:
        said.append(f"Reported by the solver, not proved: at least {certificate.reported:.4f} with whole packs.")
    yield from (*heading("certificate"), *listed(("", text) for text in said))
