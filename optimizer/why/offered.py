"""Offers not yet bought: the most to pay for each and how many kilograms at that price.

Of an offer's price periods the one of the batch's day counts. What is ordered comes in
whole order packs and not below the smallest order; what is used of it may be any part.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil
from typing import NamedTuple

from constraints.as_typed import ZERO, BadInput, Fault, trimmed
from constraints.asked import Tidy
from constraints.quantities import Lot
from optimizer.order import Order
from optimizer.problem import Problem, assemble
from optimizer.reading.entry import WhenMissing
from optimizer.reading.lots import LotTable
from optimizer.reading.offers import Offer, OfferTable, Period, Stretch
from optimizer.reading.recipe import Recipe
from optimizer.solver.program import holds_of, layout_of
from optimizer.why.ground import Means, all_keep, imposing
from optimizer.why.moving import Curved, curved_of
from optimizer.why.worth import Market, PriceLine, kinks, worth
from optimizer.wording import counted, day_words

_SHARES = (Fraction(1, 100), Fraction(5, 100), Fraction(10, 100), Fraction(25, 100), Fraction(1, 2))
"""Shares of a price below it at which kilograms are told."""
_HAIR = Fraction(1, 10**6)
"""Part of a pack too small to order another for: less than a solve's error."""


@dataclass(frozen=True, eq=False)
class Offered:
    """An offer at the price in force on one day, where there is one.

    ``uncounted`` names what else the offer states and its worth to one batch does not count.
    """

    offer: Offer
    period: Period | None
    uncounted: tuple[str, ...] = ()

    @property
    def lot(self) -> Lot:
        """What it is made of."""
        return self.offer.lot

    @property
    def price(self) -> Fraction | None:
        """Money per kilogram as held; None where none is asked."""
        return None if self.period is None else self.period.cost_per_kg

    @property
    def breaks(self) -> tuple[tuple[Fraction, Fraction], ...]:
        """Lower prices, each for kilograms ordered from so many on."""
        return () if self.period is None else self.period.breaks

    def ordered(self, kg: Fraction) -> Fraction:
        """Kilograms to order so that so many can be used."""
        least, pack = max(kg, self.offer.terms.smallest_order_kg), self.offer.terms.pack_kg
        return kg if not kg else least if pack is None else ceil(least / pack - _HAIR) * pack

    def pays(self, kg: Fraction) -> Fraction | None:
        """Money for so many kilograms ordered; None where no price is asked."""
        return None if self.period is None else Stretch.paid(self.offer.ladder(self.period), kg)


@dataclass(frozen=True)
class OfferWorth:
    """What an offer is worth to this batch, money per kilogram as held and kilograms as held.

    ``most`` is the most to pay, ``kg`` how many kilograms at that price (just below it), ``steps`` the kilograms wanted
    below each price, the highest first. ``most`` None: with ``needed`` no batch exists without it, so any price is
    better than none; else it is of no use even for nothing. At the price asked ``kg_asked`` are bought and ``saving``
    is saved. ``left_out`` says why it may not go in.
    """

    offer: Offered
    means: Means
    most: Fraction | None = None
    kg: Fraction = ZERO
    needed: bool = False
    possible: bool = True
    steps: tuple[tuple[Fraction, Fraction], ...] = ()
    kg_asked: Fraction | None = None
    saving: Fraction | None = None
    cost_asked: Fraction | None = None
    left_out: str = ""

    @property
    def order(self) -> Fraction | None:
        """Kilograms to order for what is bought at the price asked."""
        return None if self.kg_asked is None else self.offer.ordered(self.kg_asked)

    @property
    def order_costs(self) -> Fraction | None:
        """Money for that order."""
        return None if self.order is None else self.offer.pays(self.order)


def offered(table: OfferTable, lots: LotTable, day: date) -> tuple[Offered, ...]:
    """The offers of a table as they stand on a day of delivery; none may have the name of a lot at hand.

    Raises BadInput.
    """
    known = {lot.name for lot in lots.lots}
    twice = (Fault(table.file, o.line, table.named, f"{o.name!r} is the name of a lot at hand in {lots.file}",
                   "another name") for o in table.offers if o.name in known)  # fmt: skip
    BadInput.raise_for(twice)
    return tuple(_offered(offer, day) for offer in table.offers)


def _offered(offer: Offer, day: date) -> Offered:
    """An offer as it stands on one day; without a price where none is in force then."""
    period, terms = next((period for period in offer.periods if period.covers(day)), None), offer.terms
    uncounted = {
        f"no price is in force on {day_words(day)}": offer.periods and period is None,
        f"a delivery charge of {trimmed(terms.delivery_charge)}": terms.delivery_charge,
        f"the supplier's minimum of {trimmed(terms.supplier_minimum)}": terms.supplier_minimum,
        f"delivery {counted(terms.lead_days, 'day')} after the order": terms.lead_days,
    }
    return Offered(offer, period, tuple(words for words, so in uncounted.items() if so))


class OnOffer(NamedTuple):
    """What could be bought beside the lots at hand, and the problem with all of it among its lots."""

    problem: Problem
    offers: Sequence[Offered]


def with_offers(recipe: Recipe, lots: LotTable, offers: Sequence[Offered], order: Order) -> OnOffer:
    """Every offer beside the lots; one that lacks a figure is left out by name."""
    eligible = recipe.entry.eligible.model_copy(update={"if_missing": WhenMissing.LEAVE_OUT})
    ceiling = order.kilograms + order.within_kg
    added = []
    for lot, terms in ((one.lot, one.offer.terms) for one in offers):
        limited = terms.largest_order_kg is not None
        added.append(lot if limited else replace(lot, on_hand_kg=ceiling / lot.usable))
    return OnOffer(assemble(recipe.having(eligible=eligible), replace(lots, lots=(*lots.lots, *added)), order), offers)


def offers_valued(
    cost: Fraction | None, shelf: OnOffer, kept: Tidy | None = None, *, whole: bool = False
) -> Iterator[OfferWorth]:
    """What each offer alone is worth, one after the other; ``cost`` is the least without it (None: no batch).

    ``kept`` are the pulls and remnants that every batch is to keep; ``whole`` where the batch needs rows for them.
    Raises OutOfTime on the way.
    """
    free, offers = shelf
    tidy = free if kept is None else imposing(free, kept)
    why = {out.lot.name: out.why for out in free.left_out}
    columns = {column.name: j for j, column in enumerate(free.formula.columns)}
    taken = {columns[offer.lot.name] for offer in offers if offer.lot.name in columns}
    holds, units = holds_of(tidy), layout_of(free).units
    programs = [curved_of(tidy)]
    if kept is not None and not whole and not programs[0].cones:
        programs.insert(0, curved_of(free))
    for offer in offers:
        j = columns.get(offer.lot.name)
        if j is None:
            means = _means(programs[0])
            yield OfferWorth(offer, means, possible=False, left_out=why.get(offer.lot.name, "may not go in"))
            continue
        for program in programs:
            market = Market.of(_without(program, taken - {j}), tidy.formula, holds[j], j, cost or ZERO)
            told = _worth(market, OfferWorth(offer, _means(program)), cost)
            if all(all_keep(holds, units, line.batch, about=bool(program.cones)) for line in market.quoted):
                break
        yield told


def _means(program: Curved) -> Means:
    return Means.CHANGED if program.cones else Means.SOLVED_AGAIN if program.program.whole else Means.EXACT


def _without(curved: Curved, columns: set[int]) -> Curved:
    """The program with nothing of these columns."""
    program = curved.program
    variables = tuple(replace(v, hi=ZERO) if k in columns else v for k, v in enumerate(program.variables))
    return replace(curved, program=replace(program, variables=variables))


def _worth(market: Market, told: OfferWorth, cost: Fraction | None) -> OfferWorth:
    """What one offer is worth."""
    if market.best(market.floor) is None:
        return replace(told, possible=False)
    bare = None if cost is None else PriceLine(cost, ZERO)
    if bare is not None and market.free.cones and not market.program.whole:
        bare = market.bare()
    value = worth(market, bare, market.floor)
    told = replace(told, most=market.money(value.price), kg=market.kg(value.amount), needed=value.needed)
    if value.price is not None and told.most is not None:
        if market.free.cones:
            told = replace(told, steps=((told.most, told.kg), *_more_below(market, told.most)))
        else:
            lines = kinks(market, market.floor, value.price)
            market.quoted += [line for _, line in lines if line.amount]
            ends = [*(start for start, _ in lines[1:]), value.price]
            used = [(end, line.amount) for end, (start, line) in zip(ends, lines, strict=True) if end > start]
            steps = ((market.money(end) or ZERO, market.kg(amount)) for end, amount in reversed(used) if amount)
            told = replace(told, steps=tuple(steps))
    return _asked(told, market, cost)


def _more_below(market: Market, most: Fraction) -> Iterator[tuple[Fraction, Fraction]]:
    """Prices below the most to pay, and the kilograms wanted at each, as held; only where they are more."""
    before = ZERO
    for price in (most * (1 - share) for share in _SHARES if most > 0):
        line = market.best(market.priced(price))
        if line is not None and market.kg(line.amount) > before * Fraction(101, 100):
            before = market.kg(line.amount)
            yield price, before


def _asked(told: OfferWorth, market: Market, without: Fraction | None) -> OfferWorth:
    """What of an offer is bought at the price asked, and what that saves; nothing where that is too little to tell."""
    cost = None if told.offer.price is None else market.priced(told.offer.price)
    line = None if cost is None else market.best(cost)
    market.quoted += [line] if line is not None else []
    if line is None or cost is None:
        return told
    saving = None if without is None else max(ZERO, without - line.at(cost))
    bought = market.kg(line.amount) if saving is None or saving >= market.slack else ZERO
    return replace(told, kg_asked=bought, saving=saving, cost_asked=line.at(cost))
