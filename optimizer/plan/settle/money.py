"""What a plan costs: cash, what was minimised, and what is left at its worth. Exact."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from constraints.ingredients import Lot
from constraints.quantities import Weight
from optimizer.pages.record import Figure, Record
from optimizer.plan.model.blocks import WeekProgram
from optimizer.plan.settle.read_off import Order
from optimizer.plan.settle.weigh import Made
from optimizer.weighing.certificate import minimised_cost

_ZERO = Fraction(0)


class Money(Record):
    """Money of a plan.

    ``minimised`` is what the plan minimised: lots and purchases at what using them costs (book price or salvage, of a
    purchase its price less the worth of what is left), additions, charges and holding, less what the product is worth.
    ``cash`` is paid in the week: orders, charges, additions and holding. ``used`` is the book value of the lots used,
    ``left`` the worth of what is left and keeps, ``lost`` book value less salvage of what dies unused. ``minimised`` is
    ``cash`` with ``stock_used`` (lots at hand, at what they are worth) and ``dose_rounding`` (additions at their exact
    doses less as weighed), less ``bought_left`` (worth of what was bought and is left) and ``product``.
    """

    minimised: Figure
    cash: Figure
    orders: Figure
    charges: Figure
    additions: Figure
    holding: Figure
    used: Figure
    left: Figure
    lost: Figure
    product: Figure
    stock_used: Figure
    bought_left: Figure
    dose_rounding: Figure


def money(program: WeekProgram, made: Sequence[Made], bought: Sequence[Order]) -> Money:
    """Add up a plan as weighed."""
    world = program.world
    taken = taken_by_day(made)
    ordered = sum((o.money for o in bought), _ZERO)
    charges = charges_of(bought)
    values, additions, used, product = _batches(made)
    have = program.stock | {o.supply_index: o.kg for o in bought}
    paid = {o.supply_index: o.price for o in bought}
    holding = left = lost = stock_used = bought_left = worth_used = _ZERO
    for s, kg in have.items():
        supply = world.supplies[s]
        gone = sum(taken.get(s, {}).values(), _ZERO)
        rest = kg - gone
        nights = sum((k * supply.nights_to(day) for day, k in taken.get(s, {}).items()), rest * supply.nights)
        holding += world.holding * nights
        left += rest * supply.worth if supply.keeps else _ZERO
        lost += _ZERO if supply.keeps else rest * (paid.get(s, supply.price) - supply.worth)
        worth_used += gone * supply.worth
        if s in paid:
            bought_left += rest * supply.worth
        else:
            stock_used += gone * supply.worth
    cash = ordered + charges + additions + holding
    rounding = values - worth_used - additions
    minimised = cash + stock_used + rounding - bought_left - product
    return Money(
        minimised=minimised, cash=cash, orders=ordered, charges=charges, additions=additions, holding=holding,
        used=used, left=left, lost=lost, product=product, stock_used=stock_used, bought_left=bought_left,
        dose_rounding=rounding,
    )  # fmt: skip


def charges_of(bought: Sequence[Order]) -> Fraction:
    """Delivery charges, one a supplier and day."""
    drops = {(o.offer.terms.supplier, o.delivered): o.offer.terms.delivery_charge for o in bought}
    return sum(drops.values(), _ZERO)


def taken_by_day(made: Sequence[Made]) -> dict[int, dict[int, Fraction]]:
    """Kilograms as held taken of each supply on each day."""
    found: dict[int, dict[int, Fraction]] = {}
    for one in made:
        for s, kg in one.taken.items():
            days = found.setdefault(s, {})
            days[one.day] = days.get(one.day, _ZERO) + kg
    return found


def _batches(made: Sequence[Made]) -> tuple[Fraction, Fraction, Fraction, Fraction]:
    """What the batches' contents cost as minimised, their additions and lots at book price, and their worth."""
    values = additions = used = product = _ZERO
    for one in made:
        weighed = one.answer.weighed
        if weighed is None:
            continue
        values += minimised_cost(one.answer.problem, weighed)
        for item, kg in weighed.total.kilograms.items():
            if isinstance(item, Lot):
                used += kg * item.book_per_kg
            else:
                additions += kg * item.cost_per_kg
        if one.job.entry.value_per_kg is not None:
            exact = weighed.exactly_dosed(one.answer.problem.formula)
            product += one.job.entry.value_per_kg * exact.amount(Weight(one.job.entry.basis))
    return values, additions, used, product
