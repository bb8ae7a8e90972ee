"""Parts of a batch's page: what is weighed out, load by load, the trade-off of a choice, lots that die; and what the
full page adds: every check with its source, composition, sums, what was assumed, and the certificate.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import groupby

from constraints.as_typed import G_PER_KG, OZ_PER_LB, ZERO, shown, trimmed
from constraints.formula import Batch
from constraints.quantities import Basis, Ingredient, Lot
from constraints.requirement import Provenance, Requirement
from optimizer.answer import Answer
from optimizer.figures import Unit, division_words, measured
from optimizer.order import Near
from optimizer.pages.tables import WIDTH, columns, heading, listed, paragraph, table, titled, width
from optimizer.remarks import confirm, left_out, notes
from optimizer.summary import Cost, Taken, dying_lots, estimated_in, told, weight
from optimizer.verdict import Check, mark
from optimizer.weighing.rounding import Weighed
from optimizer.wording import WEIGH, day_words


def details(answer: Answer) -> Iterator[str]:
    """Everything that the first screen does not say."""
    if answer.weighed is not None:
        yield from composition_table(answer.weighed.total)
    yield from (*_checks(answer), *_absent(answer))
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


def composition_table(batch: Batch) -> Iterator[str]:
    """Fat, moisture, protein and salt of a batch on every basis that is known."""
    found = told(batch)
    names, guessed = list(dict.fromkeys(name for share in found.values() for name in share)), estimated_in(batch)
    each = [(basis.words, share) for basis, share in found.items()]
    rows = [[of, *[shown(share[name], 2) if name in share else "not stated" for name in names]] for of, share in each]
    heads = [name.removesuffix("_pct") + (", estimated" if name in guessed else "") for name in names]
    yield from (*heading("composition, %"), *table(["", *heads], rows, "<" + ">" * len(names)))


# Checks.


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


def broken_words(check: Check, limit: str) -> str:
    """A limit that does not hold, which is ``allowed``, ``asked`` or ``wanted``."""
    r, told = check.requirement, f" ({check.why})" if check.why and not check.on_paper else ""
    return f"{r.what} of the {r.basis} is {measured(check.value, r)}{told}, {r.limits()} {limit}"


def check_words(check: Check) -> str:
    """A check with its figure, its limits, and what is to be said of it."""
    r, worst = check.requirement, check.worst_load
    words = f"{r.what}, {r.basis}: {measured(check.value, r)}, {r.limits()}"
    words += f" (worst load {measured(worst, r)})" if worst is not None and worst != check.value else ""
    return f"{words}; {check.why}" if check.why else words


def source_words(requirement: Requirement) -> str:
    """Where a limit comes from: source, row, how it was read, and what else a reader should know."""
    origin = requirement.origin
    read = "" if origin.status is Provenance.YOURS else f"{origin.rule}, {origin.status}"
    return "; ".join(filter(None, (origin.source, read, origin.note))) + confirm(requirement)


def _absent(answer: Answer) -> Iterator[str]:
    """The rules' largest figures for what the batch holds none of, a paragraph a pack."""
    absent = [check.requirement for check in answer.checks if nothing_goes_in(check)]
    yield from heading("also checked: 0 in this batch") if absent else ()
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


# Money, and how sure it all is.


def _sums(answer: Answer, weighed: Weighed) -> list[str]:
    found, unit, kg = Cost.model_validate(answer), answer.problem.money, answer.problem.unit
    meat, whole = (kg.figure(weight(weighed.total, basis), 3) for basis in (Basis.MEAT, Basis.BATCH))
    used = f"value used {shown(found.value_used, 2)}{unit}: dying lots at salvage, all else at book price"
    each = f"per {kg.name} of whole batch {kg.price(found.per_kg_batch, 3)}{unit}"
    if found.per_kg_finished is not None:
        each += f", per {kg.name} finished {kg.price(found.per_kg_finished, 3)}{unit}"
    cash = f"cash {shown(found.cash, 2)}{unit}, of which additions {shown(found.additions, 2)}{unit}"
    said = [] if answer.problem.order.next_chance is None else [used]
    said += [cash, each, f"whole batch {whole} {kg.name}, meat block {meat} {kg.name}"]
    return [*heading("cost"), *listed(("", text) for text in said)]


def trade_off(near: Near | None) -> Iterator[str]:
    """What a near-cheapest choice costs at several premiums."""
    if near is None or not near.steps:
        return
    rows = [[f"{trimmed(s.premium_pct, 3)} %", shown(s.cost, 2), shown(s.figure, near.wish.places)] for s in near.steps]
    yield from (*heading("trade-off"), *table(("premium allowed", "cost", near.wish.words), rows, ">>>"))
    yield f"the cheapest, before the scales, costs {shown(near.cheapest, 2)}"


def sure_in_short(answer: Answer) -> Iterator[str]:
    """The least likely of the limits held with confidence, and the price of it."""
    sure = answer.sure
    if sure is None or not sure.limits:
        return
    least = min(sure.limits, key=lambda limit: limit.probability)
    yield f"{sure.asked}: {least.limit} of the {least.basis} is {100 * least.probability:.1f} % likely met"
    if sure.price is not None:
        yield f"that confidence costs {shown(sure.price, 2)}{answer.problem.money}"


def _sure(answer: Answer) -> Iterator[str]:
    sure = answer.sure
    if sure is None:
        return
    yield from heading(f"how sure ({sure.asked} asked of each limit)")
    likely = ((f"{one.limit}, {one.basis}", 100 * one.probability) for one in sure.limits)
    yield from listed(("* ", f"{limit}: {pct:.2f} % likely met as weighed") for limit, pct in likely)
    if sure.price is not None:
        yield f"the confidence costs {shown(sure.price, 2)} against the optimum without it"
    for again in sure.measure_again:
        better = f"{trimmed(again.sd_now, 2)} to {trimmed(again.sd_then, 2)} points"
        text = f"measuring {again.lot} again (error {better}) would save {shown(again.saving, 2)}"
        yield from paragraph(text, "* ")


def dying(answer: Answer) -> Iterator[str]:
    """Lots that will not keep until the next chance, with what is used, left and lost."""
    order, kg = answer.problem.order, answer.problem.unit
    rows = [
        (e.lot, day_words(e.use_by, order.day), kg.figure(e.used_kg, 2), kg.figure(e.left_kg, 2), shown(e.loss, 2))
        for e in dying_lots(answer.problem, answer.batch)
    ]
    heads = ("lot", "use by", f"used {kg.name}", f"left {kg.name}", "lost with it")
    yield from titled(f"dying before {day_words(order.next_chance, order.day)}", heads, rows, "<<>>>", ruled=False)


def _certificate(answer: Answer) -> Iterator[str]:
    certificate, optimum = answer.certificate, answer.optimum
    if certificate is None or optimum is None:
        return
    yield from heading("certificate")
    yield from paragraph(
        "Every limit was measured again on the weights above in exact arithmetic. "
        f"Value used {shown(certificate.cost, 4)}; before the scales {shown(optimum.cost, 4)}."
    )
    bound, gap, share = certificate.lower_bound, certificate.gap, certificate.gap_pct
    if bound is not None and gap is not None and share is not None:
        yield from paragraph(
            f"Proved: no batch within these limits costs less than {shown(bound, 4)}. "
            f"Gap {shown(gap, 4)} ({shown(share, 3)} %): what whole scale divisions, whole packs and the "
            "exact weight cost at most."
        )
    if certificate.reported is not None:
        least = f"at least {certificate.reported:.4f} with whole packs."
        yield from paragraph(f"Reported by the solver, not proved: {least}")


# What is weighed out.


def weigh_out(weighed: Weighed, unit: Unit, *, full: bool) -> Iterator[str]:
    """The additions of one load, or every load; ``full`` adds doses and scales."""
    loads, whole = len(weighed.loads), _whole_load(weighed, weighed.total, unit)
    size = f"one load of {whole}" if loads == 1 else f"{loads} mixer loads, {whole} in all"
    yield from ("", *paragraph(f"{WEIGH}, {size}"))
    yield from (_one_load if loads == 1 else by_load)(weighed, unit, full=full)


def _one_load(weighed: Weighed, unit: Unit, *, full: bool) -> list[str]:
    """The additions of a batch in one load, two abreast where they fit."""
    added = {item: kg for item, kg in weighed.total.kilograms.items() if not isinstance(item, Lot)}
    if full and added:
        rows = [[item.name, *_weights(weighed, item, unit), division_words(weighed.divisions[item])] for item in added]
        return table(("item", unit.smaller, unit.dose, "scale"), rows, "<>>>")
    cells = [[item.name, unit.small(kg, weighed.divisions[item])] for item, kg in added.items()]
    half = (len(cells) + 1) // 2
    paired = [[*one, "", *other] for one, other in zip(cells, [*cells[half:], ["", ""]], strict=False)][:half]
    if sum(max((columns(row[j]) for row in paired), default=0) for j in (0, 1, 3, 4)) + 8 > width():
        return table(("", ""), cells, "<>")
    return table(("",) * 5, paired, "<><<>")


def _weights(weighed: Weighed, item: Ingredient, unit: Unit) -> tuple[str, str]:
    """An item in the whole batch, and for a kilogram or a pound of meat block."""
    taken = Taken(item, weighed.total.kilograms[item], weight(weighed.total, Basis.MEAT))
    dose = shown(taken.per_kg_meat * (G_PER_KG if unit.name == "kg" else OZ_PER_LB), 3)
    return unit.small(taken.kg, weighed.divisions[item]).removesuffix(" g"), dose


_SHORT = 6
"""Letters of the numbers of loads that stand at the head of their column."""
MOST_ABREAST = 3
"""Columns of loads that fit on a page 80 columns wide."""


def by_load(weighed: Weighed, unit: Unit, *, full: bool) -> Iterator[str]:
    """A column a load, loads that are alike in one; several tables where one would be too wide for the page."""
    alike: dict[frozenset[tuple[Ingredient, Fraction]], list[int]] = {}
    for number, load in enumerate(weighed.loads, start=1):
        alike.setdefault(frozenset(load.kilograms.items()), []).append(number)
    each = [(numbers, weighed.loads[numbers[0] - 1]) for numbers in alike.values()]
    abreast = MOST_ABREAST if width() >= WIDTH else 1
    more = [f"{unit.smaller} in all", unit.dose, "scale"] if full else []
    for start in range(0, len(each), abreast):
        part = each[start : start + abreast]
        names = [_load_name(start + k, numbers, len(weighed.loads)) for k, (numbers, _) in enumerate(part)]
        rows = []
        for item in sorted(weighed.total.kilograms, key=lambda item: not isinstance(item, Lot)):
            division = weighed.divisions[item]
            cells = [_amount(load.kilograms.get(item, ZERO), item, division, unit) for _, load in part]
            beside = (*_weights(weighed, item, unit), division_words(division)) if full else ()
            rows.append([item.name, *cells, *beside])
        rows.append(["whole load", *[_whole_load(weighed, load, unit) for _, load in part], *[""] * len(more)])
        yield from [""] * bool(start)
        yield from table(["", *names, *more], rows, "<" + ">" * (len(part) + len(more)), ruled=False)
        for name, (numbers, _) in zip(names, part, strict=True):
            yield from paragraph(f"{name}: loads {_runs(numbers)}") if name[-1].isalpha() else ()


def _amount(kilograms: Fraction, item: Ingredient, division: Fraction, unit: Unit) -> str:
    """A lot in the large unit, what is added in the small."""
    if isinstance(item, Lot):
        return f"{unit.figure(kilograms, unit.places(division))} {unit.name}"
    return unit.small(kilograms, division)


def _load_name(place: int, numbers: Sequence[int], of: int) -> str:
    """The head of a column: one load, all of them, some, or many that are alike and are named below."""
    if len(numbers) == 1:
        return f"load {numbers[0]}"
    if len(numbers) < of and len(_runs(numbers)) <= _SHORT:
        return f"loads {_runs(numbers)}"
    return f"each of {of}" if len(numbers) == of else f"{len(numbers)} alike {chr(ord('A') + place % 26)}"


def _runs(numbers: Sequence[int]) -> str:
    """Numbers that rise, neighbours as a run: ``1, 3-5``."""
    runs = [[n for _, n in run] for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0])]
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def _whole_load(weighed: Weighed, load: Batch, unit: Unit) -> str:
    """The weight of a whole load or batch, to the coarsest scale that anything of it is weighed on."""
    places = max(3, unit.places(max(weighed.divisions.values())))
    return f"{unit.figure(weight(load, Basis.BATCH), places)} {unit.name}"
