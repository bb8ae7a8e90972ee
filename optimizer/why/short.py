"""The prices of a blend in a few lines, for the page of the blend itself; and how money and units are said."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction

from constraints.numbers import shown
from constraints.requirement import Requirement, Role
from optimizer.answer import Answer
from optimizer.clock import OutOfTime
from optimizer.problem import Problem
from optimizer.solver.model import SolverDisagrees
from optimizer.verdict import Grade
from optimizer.why.ground import Ground, ground_of
from optimizer.why.prices import dearest
from optimizer.why.worth import PricedLot, nearest_unused

Price = tuple[Requirement | None, str]
"""A sentence on a price, with the limit it speaks of."""
_FINE = Fraction(1, 100)


class MoneyWords:
    """Money, prices and weights in words: in the unit of the kitchen, and with more decimals where two show nothing."""

    def __init__(self, problem: Problem) -> None:
        self.unit, unit = problem.money, problem.unit
        self.mass, self.in_mass = unit.name, unit.kg

    def __call__(self, value: Fraction, beside: Fraction | None = None) -> str:
        """Money with its currency."""
        return f"{self.bare(value, beside)}{self.unit}"

    def bare(self, value: Fraction, beside: Fraction | None = None) -> str:
        """Without the currency; with more decimals where two would look the same as another price beside it."""
        places = 2 if abs(value) >= _FINE or not value else 4
        if beside is not None and value != beside and shown(value, places) == shown(beside, places):
            places = 4
        return shown(value, places)

    def price(self, per_kg: Fraction, beside: Fraction | None = None) -> str:
        """A price of a kilogram as one of the kitchen's unit, without the currency."""
        return self.bare(per_kg * self.in_mass, None if beside is None else beside * self.in_mass)

    def bare_weight(self, kilograms: Fraction, places: int = 2) -> str:
        """A weight without its unit."""
        return shown(kilograms / self.in_mass, places)

    def weight(self, kilograms: Fraction) -> str:
        """A weight with its unit."""
        return f"{self.bare_weight(kilograms)} {self.mass}"

    def unit_of(self, requirement: Requirement) -> tuple[str, Fraction]:
        """What one unit of a requirement's limit is called, and how much of its own unit that is."""
        if requirement.unit == "%":
            return "point", Fraction(1)
        if requirement.unit == "kg/kg" or not requirement.unit:
            return f"0.1 {requirement.unit}".strip(), Fraction(1, 10)
        if requirement.unit == "kg":
            return {"kg": "kilogram", "lb": "pound"}[self.mass], self.in_mass
        return requirement.unit, Fraction(1)


def named_limit(requirement: Requirement, money: MoneyWords) -> str:
    """A limit with its figure; the order by its size."""
    if requirement.role is Role.SIZE and requirement.lo is not None and requirement.hi is not None:
        return f"size of the order, {money.weight((requirement.lo + requirement.hi) / 2)} of {requirement.basis}"
    return f"{requirement.what} of the {requirement.basis}, {requirement.limits()}"


def unused_words(lot: PricedLot, money: MoneyWords) -> str:
    """An unused lot: the price at which it enters, and how much of it would be used then."""
    name, kg = f"{lot.lot.name}, at {money.price(lot.price)} a {money.mass}", money.weight(lot.kg_then)
    if lot.stays_to is None:
        return f"{name}: would not be used even for nothing"
    if lot.stays_to == lot.price:
        return f"{name}: costs the same as a lot in use; any lower price brings in {kg}"
    if shown(lot.stays_to, 2) == shown(lot.price, 2):
        return f"{name}: costs all but the same as what is used; a little cheaper brings in {kg}"
    return f"{name}: comes in below {money.price(lot.stays_to, lot.price)}{money.unit}, with {kg}"


def short_form(answer: Answer) -> list[Price]:
    """Its dearest limit, and the nearest lot not used, for the page of a blend; without what time did not allow.

    Where there is no batch, the things that would do.
    """
    if answer.grade is Grade.NO_BATCH and (answer.conflict is not None or answer.scale_prevents):
        from optimizer.why.ways import ways_for  # late: only who has no batch pays for it
        from optimizer.why.ways_page import told

        return [(None, words) for words in told(answer.problem, ways_for(answer, []))]
    if answer.optimum is None or not answer.optimum.values or answer.weighed is None:
        return []
    lines: list[Price] = []
    with suppress(OutOfTime, SolverDisagrees):
        ground = ground_of(answer.problem, answer.optimum.values, answer.optimum.basis, answer.kept)
        lines.extend(() if ground is None else _short(answer, ground))
    return lines


def _short(answer: Answer, ground: Ground) -> Iterator[Price]:
    money = MoneyWords(answer.problem)
    found = dearest(ground)
    if found is not None:
        r, way, saves = found
        unit, per = money.unit_of(r)
        saved = f"one {unit} {'more' if way > 0 else 'less'} would save {money(saves * per)}"
        yield r, f"at its limit: {named_limit(r, money)}; {saved}"
    near = nearest_unused(ground) if not ground.whole and not ground.cones else None
    if near is not None:
        yield None, f"nearest lot not used: {unused_words(near, money)}"
