"""The prices of a blend in a few lines, for the page of the blend itself; and how money and units are said."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction

from constraints.numbers import shown
from constraints.requirement import Requirement
from optimizer.blend import Answer
from optimizer.clock import OutOfTime
from optimizer.solver.model import SolverDisagrees
from optimizer.why.ground import Ground, ground_of
from optimizer.why.limits import dearest
from optimizer.why.lots import LotPrice, nearest_unused

Price = tuple[Requirement | None, str]
"""A sentence on a price, with the limit it speaks of."""
_FINE = Fraction(1, 100)


class Money:
    """Money in words, with more decimals where two would show nothing."""

    def __init__(self, answer: Answer) -> None:
        currency = answer.problem.recipe.entry.currency
        self.unit = f" {currency}" if currency else ""

    def __call__(self, value: Fraction, beside: Fraction | None = None) -> str:
        """Money with its currency."""
        return f"{self.bare(value, beside)}{self.unit}"

    def bare(self, value: Fraction, beside: Fraction | None = None) -> str:
        """Without the currency; with more decimals where two would look the same as another price beside it."""
        places = 2 if abs(value) >= _FINE * 10 or not value else 4
        if beside is not None and value != beside and shown(value, places) == shown(beside, places):
            places = 4
        return shown(value, places)


def per_unit(requirement: Requirement) -> tuple[str, Fraction]:
    """What one unit of a requirement's limit is called, and how much of its own unit that is."""
    if requirement.unit == "%":
        return "point", Fraction(1)
    if requirement.unit == "kg/kg" or not requirement.unit:
        return f"0.1 {requirement.unit}".strip(), Fraction(1, 10)
    return {"kg": "kilogram"}.get(requirement.unit, requirement.unit), Fraction(1)


def unused_words(lot: LotPrice, money: Money) -> str:
    """An unused lot: the price at which it enters, and how much of it would be used then."""
    name = f"{lot.lot.name}, at {money.bare(lot.price)} a kg"
    if lot.stays_to is None:
        return f"{name}: would not be used even for nothing."
    if lot.amounts:
        told = ", ".join(f"{shown(kg, 2)} kg at {money.bare(price)}" for price, kg in lot.amounts)
        return f"{name}: comes in below {money(lot.stays_to, lot.price)}, little by little: {told}."
    if lot.stays_to == lot.price:
        return f"{name}: costs the same as a lot in use; any lower price brings in {shown(lot.kg_then, 2)} kg."
    if shown(lot.stays_to, 2) == shown(lot.price, 2):
        return f"{name}: costs all but the same as what is used; a little cheaper brings in {shown(lot.kg_then, 2)} kg."
    return f"{name}: comes in below {money(lot.stays_to, lot.price)}, with {shown(lot.kg_then, 2)} kg."


def short_form(answer: Answer) -> list[Price]:
    """Its dearest limit, and the nearest lot not used, for the page of a blend; without what time did not allow."""
    if answer.optimum is None or not answer.optimum.values or answer.weighed is None:
        return []
    sure = any(requirement.cones(answer.problem.formula) for requirement in answer.problem.choosing)
    lines: list[Price] = []
    with suppress(OutOfTime, SolverDisagrees):
        if sure:
            lines.extend(_sure(answer, answer.optimum.values))
        else:
            ground = ground_of(answer.problem, answer.optimum.values, answer.optimum.basis)
            lines.extend(() if ground is None else _short(answer, ground))
    return lines


def _sure(answer: Answer, values: tuple[Fraction, ...]) -> Iterator[Price]:
    """Under a stated confidence prices of lots take a solve each, and are left to ``why``."""
    from optimizer.why.sure.limits import sure_dearest, sure_ground  # late: only confidence pays for its imports

    ground = sure_ground(answer.problem, values)
    found = None if ground is None else sure_dearest(ground)
    if found is not None:
        yield _dearest(found, Money(answer))


def _dearest(found: tuple[Requirement, int, Fraction], money: Money) -> Price:
    r, way, saves = found
    unit, per = per_unit(r)
    more = "more" if way > 0 else "less"
    saved = f"one {unit} {more} would save {money(saves * per)}"
    return r, f"at its limit: {r.what} of the {r.basis}, {r.limits()}; {saved}"


def _short(answer: Answer, ground: Ground) -> Iterator[Price]:
    money = Money(answer)
    found = dearest(ground)
    if found is not None:
        yield _dearest(found, money)
    if not ground.whole:
        near = nearest_unused(ground)
        if near is not None:
            yield None, f"nearest lot not used: {unused_words(near, money).rstrip('.')}"
