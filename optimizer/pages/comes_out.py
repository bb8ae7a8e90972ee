"""What comes out of a batch: the handful of figures that a maker asks for."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from constraints.formula import Batch
from constraints.ingredients import FAT, SALT
from constraints.meaning import BY_ION, Role, Stage
from constraints.numbers import G_PER_KG, M_PER_FT, PERCENT, shown, trimmed
from constraints.quantities import Amount, Basis
from optimizer.answer import Answer
from optimizer.pages.figures import Unit, figure, money_words, ounces, reckoned, unit_of, wanted
from optimizer.pages.tables import apart, heading, named
from optimizer.remarks import uncured
from optimizer.summary import CasingNeed, casing_need, composition, costs, finished_kg
from optimizer.verdict import Check, margin
from optimizer.wording import COMES_OUT

_BASES = {Basis.MEAT: "of the meat", Basis.BATCH: "of the whole batch", Basis.FINISHED: "finished"}


def comes_out(answer: Answer) -> Iterator[str]:
    """The handful of figures that a maker asks for."""
    assert answer.weighed is not None
    rows = [("fat", _fat(answer)), ("salt", _salt(answer)), *((ion, _ingoing(answer, ion)) for ion in BY_ION)]
    finished = finished_kg(answer.problem, answer.weighed.total)
    found = costs(answer.problem, answer.weighed)
    if finished is not None and found.per_kg_finished is not None:
        unit = unit_of(answer)
        each = f"{unit.price(found.per_kg_finished)}{money_words(answer.problem)} a {unit.name}"
        rows.append(("yield", f"{unit.figure(finished, 2)} {unit.name} finished, {each}"))
    if answer.problem.recipe.measured is not None:
        declared = answer.problem.recipe.process.yield_fraction * PERCENT
        rows.append(("measured", f"{answer.problem.recipe.measured.words()}; the recipe says {trimmed(declared)} %"))
    rows.append(("casing", _casing(answer)))
    yield from heading(COMES_OUT)
    yield from named([(name, text) for name, text in rows if text])


def _fat(answer: Answer) -> str:
    """Fat on the basis where the recipe limits it, with its limits, then on the others."""
    own = {
        basis: check for check in answer.checks for basis in _BASES
        if check.requirement.counted == Amount(FAT, basis) and check.requirement.role is Role.OWN
        and (check.requirement.hi is not None or check.requirement.lo)
    }  # fmt: skip
    parts: list[str] = []
    for basis in sorted(reckoned(answer.problem), key=lambda basis: basis not in own):
        value = composition(_total(answer), basis, (FAT,)).get(FAT)
        check = own.get(basis)
        if value is not None and (check is not None or not parts or basis is not Basis.BATCH):
            said = shown(value, 1) if check is None else figure(value, check.requirement, 1)
            parts.append(f"{said} % {_BASES[basis]}" + (f" ({wanted(check.requirement)})" if check else ""))
    return "; ".join(parts)


def _salt(answer: Answer) -> str:
    basis = Basis.FINISHED if answer.problem.recipe.process.declared else Basis.BATCH
    value = composition(_total(answer), basis, (SALT,)).get(SALT)
    return "not known: a lot does not state its salt" if value is None else f"{shown(value, 2)} % {_BASES[basis]}"


def _ingoing(answer: Answer, ion: str) -> str:
    """Nitrite or nitrate as weighed in against the nearest limit of any place."""
    salts = frozenset(BY_ION[ion])
    limits = [
        check for check in answer.checks
        if check.requirement.regulates.stage is Stage.INGOING and salts & check.requirement.regulates.substances
        and check.requirement.regulates.substances <= salts
        and check.requirement.hi is not None and check.value is not None and check.requirement.origin.blocks
    ]  # fmt: skip
    if uncured(answer) or not limits:
        return uncured(answer) if ion == "nitrite" else ""
    check = min(limits, key=_share_left)
    r = check.requirement
    if not check.value:
        return ""
    return f"{figure(check.value, r, 1)} ppm of the {r.basis} goes in ({wanted(r)})"


def _share_left(check: Check) -> Fraction:
    return margin(check.requirement, check.value or Fraction(0)) / (check.requirement.hi or Fraction(1))


def _casing(answer: Answer) -> str:
    assert answer.weighed is not None
    need = casing_need(answer.problem, answer.weighed.total)
    if need is None:
        return ""
    money, unit = money_words(answer.problem), unit_of(answer)
    said = [f"{need.name}: {unit.length(need.filled_m)}, prepare {unit.length(need.prepare_m)}"]
    if need.hanks is not None:
        said[0] += f", {shown(need.hanks, 2)} hanks"
    if need.density_kg_per_l is not None:
        metre, foot = (
            f"{shown(need.kg_per_m, 3)} kg in a metre",
            f"{unit.figure(need.kg_per_m * M_PER_FT, 3)} lb in a foot",
        )
        filling = metre if unit.name == "kg" else foot
        said[0] += f" ({filling} at {trimmed(need.density_kg_per_l, 3)} kg a litre)"
    said += [f"it costs {shown(need.cost, 2)}{money}"] if need.cost is not None else []
    said += _links(need, money, unit)
    if need.cost is not None:
        each = (need.cost_per_kg_raw, "raw"), (need.cost_per_kg_finished, "finished")
        prices = [f"{unit.price(cost)} a {unit.name} {what}" for cost, what in each if cost is not None]
        said.append(f"with its casing{money} {', '.join(prices)}")
    return "; ".join(said)


def _links(need: CasingNeed, money: str, unit: Unit) -> list[str]:
    if not need.links or need.link_g_raw is None or need.cost_per_link is None:
        return []
    finished = "" if need.link_g_finished is None else f", {_link(need.link_g_finished, unit)} finished"
    weight = f"{_link(need.link_g_raw, unit)}{finished}"
    return [f"{apart(str(need.links))} links of {weight}, {shown(need.cost_per_link, 2)}{money} each"]


def _link(grams: Fraction, unit: Unit) -> str:
    return f"{shown(grams, 0)} g" if unit.name == "kg" else ounces(grams / G_PER_KG, Fraction(1, G_PER_KG))


def _total(answer: Answer) -> Batch:
    assert answer.weighed is not None
    return answer.weighed.total
