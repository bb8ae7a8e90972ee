"""What is weighed out, the additions of one load or every load side by side; and the figures that a maker asks for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import groupby

from constraints.formula import Batch
from constraints.numbers import G_PER_KG, M_PER_FT, OZ_PER_LB, PERCENT, shown, trimmed
from constraints.quantities import FAT, SALT, Amount, Basis, Ingredient, Lot
from constraints.requirement import BY_ION, Role, Stage
from optimizer.answer import Answer
from optimizer.figures import Unit, apart, division_words, figure, ounces, reckoned, wanted
from optimizer.pages.tables import WIDTH, columns, heading, named, paragraph, table, width
from optimizer.remarks import uncured
from optimizer.summary import CasingNeed, casing_need, composition, costs, finished_kg, weight
from optimizer.verdict import margin
from optimizer.weighing.rounding import Weighed
from optimizer.wording import COMES_OUT


def one_load(weighed: Weighed, unit: Unit, *, full: bool) -> Iterator[str]:
    """The additions of a batch in one load, two abreast where they fit; ``full`` adds doses and scales."""
    added = [item for item in weighed.total.kilograms if not isinstance(item, Lot)]
    if full and added:
        rows = [[item.name, *_weights(weighed, item, unit), division_words(weighed.divisions[item])] for item in added]
        yield from table(("item", unit.smaller, unit.dose, "scale"), rows, "<>>>")
        return
    cells = [[item.name, unit.small(weighed.total.kilograms[item], weighed.divisions[item])] for item in added]
    half = (len(cells) + 1) // 2
    paired = [[*one, "", *other] for one, other in zip(cells, [*cells[half:], ["", ""]], strict=False)][:half]
    room = sum(max((columns(row[j]) for row in paired), default=0) for j in (0, 1, 3, 4)) + 8
    if cells and room > width():
        yield from table(("", ""), cells, "<>")
    elif cells:
        yield from table(("",) * 5, paired, "<><<>")


def _weights(weighed: Weighed, item: Ingredient, unit: Unit) -> tuple[str, str]:
    """An item in the whole batch, and for a kilogram or a pound of meat block."""
    kilograms, meat = weighed.total.kilograms[item], weight(weighed.total, Basis.MEAT)
    dose = shown(kilograms / meat * (G_PER_KG if unit.name == "kg" else OZ_PER_LB), 3)
    return unit.small(kilograms, weighed.divisions[item]).removesuffix(" g"), dose


_SHORT = 6
"""Letters of the numbers of loads that stand at the head of their column."""
MOST_ABREAST = 3
"""Columns of loads that fit on a page 80 columns wide."""


def by_load(weighed: Weighed, unit: Unit, *, full: bool) -> Iterator[str]:
    """A column a load, loads that are alike in one; several tables where one would be too wide for the page."""
    alike: list[tuple[list[int], Batch]] = []
    for number, load in enumerate(weighed.loads, start=1):
        same = [numbers for numbers, batch in alike if batch.kilograms == load.kilograms]
        same[0].append(number) if same else alike.append(([number], load))
    abreast = MOST_ABREAST if width() >= WIDTH else 1
    items = sorted(weighed.total.kilograms, key=lambda item: not isinstance(item, Lot))
    for start in range(0, len(alike), abreast):
        part = alike[start : start + abreast]
        names = [_load_name(start + k, numbers, len(weighed.loads)) for k, (numbers, _) in enumerate(part)]
        rows = []
        for item in items:
            division = weighed.divisions[item]
            cells = [_amount(load.kilograms.get(item, Fraction(0)), item, division, unit) for _, load in part]
            beside = (*_weights(weighed, item, unit), division_words(division)) if full else ()
            rows.append([item.name, *cells, *beside])
        rows.append(["whole load", *[whole_load(weighed, load, unit) for _, load in part], *["", "", ""] * full])
        yield from [""] * bool(start)
        more = [f"{unit.smaller} in all", unit.dose, "scale"] if full else []
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


def whole_load(weighed: Weighed, load: Batch, unit: Unit) -> str:
    """The weight of a whole load or batch, to the coarsest scale that anything of it is weighed on."""
    places = max(3, unit.places(max(weighed.divisions.values())))
    return f"{unit.figure(weight(load, Basis.BATCH), places)} {unit.name}"


_BASES = {Basis.MEAT: "of the meat", Basis.BATCH: "of the whole batch", Basis.FINISHED: "finished"}


def comes_out(answer: Answer) -> Iterator[str]:
    """The handful of figures that a maker asks for."""
    assert answer.weighed is not None
    problem, total = answer.problem, answer.weighed.total
    rows = [("fat", _fat(answer, total)), ("salt", _salt(answer, total))]
    rows += [(ion, _ingoing(answer, ion)) for ion in BY_ION]
    finished, found = finished_kg(problem, total), costs(problem, answer.weighed)
    if finished is not None and found.per_kg_finished is not None:
        unit = answer.problem.unit
        each = f"{unit.price(found.per_kg_finished)}{problem.money} a {unit.name}"
        rows.append(("yield", f"{unit.figure(finished, 2)} {unit.name} finished, {each}"))
    if problem.recipe.measured is not None:
        declared = trimmed(problem.recipe.process.yield_fraction * PERCENT)
        rows.append(("measured", f"{problem.recipe.measured.words()}; the recipe says {declared} %"))
    rows.append(("casing", _casing(answer, casing_need(problem, total))))
    yield from heading(COMES_OUT)
    yield from named([(name, text) for name, text in rows if text])


def _fat(answer: Answer, total: Batch) -> str:
    """Fat on the basis where the recipe limits it, with its limits, then on the others."""
    own = {
        basis: check for check in answer.checks for basis in _BASES
        if check.requirement.counted == Amount(FAT, basis) and check.requirement.role is Role.OWN
        and (check.requirement.hi is not None or check.requirement.lo)
    }  # fmt: skip
    parts: list[str] = []
    bases = reckoned(declared=answer.problem.recipe.process.declared)
    for basis in sorted(bases, key=lambda basis: basis not in own):
        value, check = composition(total, basis, (FAT,)).get(FAT), own.get(basis)
        if value is not None and (check is not None or not parts or basis is not Basis.BATCH):
            said = shown(value, 1) if check is None else figure(value, check.requirement, 1)
            parts.append(f"{said} % {_BASES[basis]}" + (f" ({wanted(check.requirement)})" if check else ""))
    return "; ".join(parts)


def _salt(answer: Answer, total: Batch) -> str:
    basis = Basis.FINISHED if answer.problem.recipe.process.declared else Basis.BATCH
    value = composition(total, basis, (SALT,)).get(SALT)
    return "not known: a lot does not state its salt" if value is None else f"{shown(value, 2)} % {_BASES[basis]}"


def _ingoing(answer: Answer, ion: str) -> str:
    """Nitrite or nitrate as weighed in against the nearest limit of any place."""
    salts = frozenset(BY_ION[ion])
    limits = [
        (margin(r, check.value) / (r.hi or 1), check) for check in answer.checks
        if (r := check.requirement).regulates.stage is Stage.INGOING and r.regulates.substances
        and r.regulates.substances <= salts and r.hi is not None and r.origin.blocks and check.value is not None
    ]  # fmt: skip
    if uncured(answer) or not limits:
        return uncured(answer) if ion == "nitrite" else ""
    check = min(limits, key=lambda pair: pair[0])[1]
    r = check.requirement
    return f"{figure(check.value, r, 1)} ppm of the {r.basis} goes in ({wanted(r)})" if check.value else ""


def _casing(answer: Answer, need: CasingNeed | None) -> str:
    if need is None:
        return ""
    money, unit = answer.problem.money, answer.problem.unit
    said = [f"{need.name}: {unit.length(need.filled_m)}, prepare {unit.length(need.prepare_m)}"]
    if need.hanks is not None:
        said[0] += f", {shown(need.hanks, 2)} hanks"
    if need.density_kg_per_l is not None:
        filling = f"{shown(need.kg_per_m, 3)} kg in a metre"
        filling = filling if unit.name == "kg" else f"{unit.figure(need.kg_per_m * M_PER_FT, 3)} lb in a foot"
        said[0] += f" ({filling} at {trimmed(need.density_kg_per_l, 3)} kg a litre)"
    said += [f"it costs {shown(need.cost, 2)}{money}"] if need.cost is not None else []
    if need.links and need.link_g_raw is not None and need.cost_per_link is not None:
        finished = "" if need.link_g_finished is None else f", {_link(need.link_g_finished, unit)} finished"
        links = f"{apart(str(need.links))} links of {_link(need.link_g_raw, unit)}{finished}"
        said.append(f"{links}, {shown(need.cost_per_link, 2)}{money} each")
    if need.cost is not None:
        each = (need.cost_per_kg_raw, "raw"), (need.cost_per_kg_finished, "finished")
        prices = [f"{unit.price(cost)} a {unit.name} {what}" for cost, what in each if cost is not None]
        said.append(f"with its casing{money} {', '.join(prices)}")
    return "; ".join(said)


def _link(grams: Fraction, unit: Unit) -> str:
    return f"{shown(grams, 0)} g" if unit.name == "kg" else ounces(grams / G_PER_KG, Fraction(1, G_PER_KG))
