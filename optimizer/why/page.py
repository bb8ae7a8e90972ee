"""The explanation as a page 80 columns wide, in sentences with figures and units; and its short form."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.numbers import shown, trimmed
from optimizer.pages.figures import figure
from optimizer.pages.page import do_not_make, title
from optimizer.pages.tables import heading, paragraph, table
from optimizer.remarks import verdict_of
from optimizer.why.explain import Explanation
from optimizer.why.ground import Means
from optimizer.why.limits import LimitPrice, Side
from optimizer.why.lots import LotPrice
from optimizer.why.offers import Offered, OfferWorth
from optimizer.why.short import Money, per_unit, unused_words
from optimizer.why.unfinished import Part
from optimizer.why.ways_page import no_batch
from optimizer.why.what_if import Change, FigureMove
from optimizer.words import CAUTION, FULL_WHY

_ZERO = Fraction(0)
_SAME = Fraction(1, 10**5)
"""Share of a price within which it is told as the same on both sides."""


def page(explanation: Explanation, *, full: bool = False) -> str:
    """The page, ending in a newline; ``full`` adds how far each price holds, every margin, and every way out."""
    answer = explanation.answer
    lines = [*title(answer.problem)]
    money = Money(answer)
    if answer.refused:
        lines += [*paragraph(verdict_of(answer).headline), *do_not_make(answer)]
    if explanation.out is not None:
        lines += no_batch(explanation, money, full=full)
    if explanation.change is not None:
        lines += _change(explanation.change, money)
    if explanation.unsaid:
        lines += ["", *paragraph(f"Prices are not given: {explanation.unsaid}.")]
    if explanation.ground is not None:
        lines += _opening(explanation, money, full=full)
        lines += [*_limits(explanation, money, full=full)]
    lines += _offers(explanation, money, full=full)
    if explanation.ground is not None:
        lines += _lots(explanation, money, full=full)
        lines += _margins(explanation) if full else []
    if explanation.unfinished:
        lines += heading("not settled")
        for left in explanation.unfinished:
            lines += paragraph(left.words(), "* ")
    lines += ["", *([] if full else [FULL_WHY]), *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def _opening(explanation: Explanation, money: Money, *, full: bool) -> Iterator[str]:
    ground = explanation.ground
    assert ground is not None
    text = f"The cheapest batch costs {money(ground.cost)} before it is rounded to the scales. "
    if not full:
        text = text.strip()
    elif ground.means in (Means.CURVED, Means.CURVED_FIXED):
        text += (
            "Limits are kept with a stated confidence, so that cost is a smooth curve. The price of a limit is that "
            "where the limit stands now, to about five figures; how far it reaches and all prices of lots were found "
            "by solving again at changed figures, ranges to within a thousandth of their length."
        )
        if ground.whole:
            text += (
                " Some lots come in whole packs or have a smallest pull: prices of limits hold the packs and pulls as "
                "they were chosen; the line 'one unit' and all prices of lots choose them anew."
            )
    elif ground.whole:
        text += (
            "Some lots come in whole packs or have a smallest pull. Prices of limits hold the packs and pulls as they "
            "were chosen; the line 'one unit' and all prices of lots come from solving everything again."
        )
    else:
        text += "All prices below are exact, and so are the ranges over which they hold."
    yield from paragraph(text)


# Limits.


def _limits(explanation: Explanation, money: Money, *, full: bool) -> Iterator[str]:
    if not explanation.limits and explanation.left(Part.PRICES):
        return
    yield from heading("what each limit costs")
    if not explanation.limits:
        yield "No limit stands in the way: the lots alone decide."
    for price in explanation.limits:
        yield from paragraph(" ".join(_limit_words(price, money, full=full)), "* ")


def _limit_words(price: LimitPrice, money: Money, *, full: bool) -> Iterator[str]:
    r = price.requirement
    unit, per = per_unit(r)
    name = f"{r.what} of the {r.basis}, {r.limits()}"
    yield f"{name}{' (law: cannot be relaxed)' if r.origin.legal else ''}:"
    loosen, tighten = price.loosen, price.tighten
    if loosen is None or tighten is None:
        if price.unit_saving is not None:
            yield f"one unit of slack saves {money(price.unit_saving)}, everything solved again."
        else:
            yield "at its limit; its price cannot be read from the rows."
        return
    words = ("more", "less") if price.up > 0 else ("less", "more")
    a, b = loosen.saves, tighten.saves
    if not a and not b:
        yield "at its limit, and slack would save nothing."
        return
    if a is not None and b is not None and abs(a + b) <= _SAME * abs(a):
        yield f"each {unit} {words[0]} saves {money(a * per)}." if a else "it costs nothing as it stands."
    else:
        if a is not None:
            yield f"each {unit} {words[0]} saves {money(a * per)}."
        if b is not None:
            yield f"each {unit} {words[1]} costs {money(-b * per)}."
    for side, word in ((loosen, words[0]), (tighten, words[1])) if full else ():
        yield from _range_words(price, side, word, money)
    if price.unit_saving is not None and price.means is Means.FIXED:
        yield f"One unit {words[0]} with packs and pulls chosen anew saves {money(price.unit_saving)}."


def _range_words(price: LimitPrice, side: Side, word: str, money: Money) -> Iterator[str]:
    r = price.requirement
    unit, per = per_unit(r)
    up = word == "more"
    if not side.possible:
        yield f"No batch exists with any {word}."
        return
    if side.until is None:
        yield f"However much {word}, that stays so."
        return
    to = f"{figure(side.until, None, 2)} {r.unit}".strip()
    text = f"{'Up' if up else 'Down'} to {to}" + (
        " that holds"
        if side.straight
        else f" it changes gradually{_at_last(side, per, money)}, {_all_told(side, money)}"
    )
    if side.ends_there:
        why = f" ({'; '.join(side.beyond)} in the way)" if side.beyond else ""
        yield f"{text}; beyond, no batch exists{why}."
        return
    after = "; ".join(side.beyond)
    then = ""
    if side.beyond_saves is not None:
        rate = side.beyond_saves * per
        then = f"each {unit} {word} {'saves' if rate >= 0 else 'costs'} {money(abs(rate))}"
        then = then if rate else "nothing more is saved"
    yield f"{text}; then {': '.join(filter(None, (after, then)))}."


def _at_last(side: Side, per: Fraction, money: Money) -> str:
    if side.until_saves is None or side.saves is None:
        return ""
    return f", to {money(abs(side.until_saves * per), abs(side.saves * per))} there"


def _all_told(side: Side, money: Money) -> str:
    saved = side.saved_there or _ZERO
    return f"{money(abs(saved))} {'saved' if saved >= 0 else 'spent'} in all"


def _margins(explanation: Explanation) -> Iterator[str]:
    if not explanation.margins:
        return
    yield from heading("limits with room, and how much")
    rows = []
    for found in explanation.margins:
        r = found.requirement
        value = "" if found.value is None else figure(found.value, r)
        rows.append([f"{r.what}, {r.basis}", value, r.limits(), "" if found.margin is None else figure(found.margin)])
    yield from table(("limit of", "figure", "limit", "room"), rows, "<><>")


# Lots.


def _lots(explanation: Explanation, money: Money, *, full: bool) -> Iterator[str]:
    used = [lot for lot in explanation.lots if lot.used_kg]
    unused = [lot for lot in explanation.lots if not lot.used_kg]
    if used or not explanation.left(Part.LOTS):
        yield from heading("lots used (kilograms and prices as held)")
    for lot in used:
        yield from paragraph(" ".join(_used_words(lot, money, full=full)), "* ")
    if unused:
        yield from heading("lots not used")
    for lot in unused:
        yield from paragraph(unused_words(lot, money), "* ")


def _used_words(lot: LotPrice, money: Money, *, full: bool) -> Iterator[str]:
    yield f"{lot.lot.name}: {shown(lot.used_kg, 2)} kg at {money(lot.price)} a kg."
    if lot.needed:
        yield f"No batch exists without it; at any price at least {shown(lot.kg_then, 3)} kg are used."
    elif lot.stays_to is not None:
        more = "" if lot.kg_then == lot.used_kg else f" ({shown(lot.kg_then, 3)} kg of it at the last)"
        yield f"It stays in up to {money(lot.stays_to, lot.price)}{more}."
    if not full:
        return
    low, high = lot.same_from, lot.same_to
    if low is not None and low == high:
        yield "Any change of its price changes the blend, or another blend costs the same."
    elif low is None and high is None:
        yield "No price changes the blend."
    elif low is None and high is not None:
        yield f"The blend is the same at any price up to {money.bare(high, lot.price)}."
    elif high is None and low is not None:
        yield f"The blend is the same at any price from {money.bare(low, lot.price)}."
    elif low is not None and high is not None:
        yield f"The blend is the same from {money.bare(low, lot.price)} to {money.bare(high, lot.price)}."
    if lot.amounts:
        yield f"{_at_prices(lot.amounts, money)}."
    if lot.more is not None and lot.more.saves:
        text = f"All of it is used; another kilogram at this price saves {money(lot.more.saves)}"
        text += f", up to {shown(lot.more.until, 2)} kg on hand." if lot.more.until is not None else "."
        yield text


def _at_prices(amounts: Sequence[tuple[Fraction, Fraction]], money: Money) -> str:
    """Kilograms at prices."""
    return "Priced " + ", ".join(f"at {money.bare(price)} it would be {shown(kg, 2)} kg" for price, kg in amounts)


# Offers.


def _offers(explanation: Explanation, money: Money, *, full: bool) -> Iterator[str]:
    if not explanation.offers:
        return
    yield from heading("offers, each on its own")
    for worth in explanation.offers:
        yield from paragraph(" ".join(_offer_words(worth, money, full=full)), "* ")


def _offer_words(worth: OfferWorth, money: Money, *, full: bool) -> Iterator[str]:
    name = worth.offer.lot.name
    if worth.left_out:
        yield f"{name}: may not go in ({worth.left_out})."
        return
    if not worth.possible:
        yield f"{name}: even with it no batch exists."
        return
    if worth.needed:
        yield f"{name}: makes a batch possible, with {shown(worth.kg, 2)} kg or more."
    elif worth.most is None:
        yield f"{name}: of no use, even for nothing."
        return
    else:
        gradual = worth.means is Means.CHANGED and len(worth.steps) > 1
        start = "; below that little by little more:" if gradual else f", for {shown(worth.kg, 2)} kg."
        yield f"{name}: pay at most {money(worth.most)} a kg{start}"
        word = "at" if worth.means is Means.CHANGED else "below"
        later = [f"{shown(kg, 2)} kg {word} {money.bare(price)}" for price, kg in worth.steps[1:4]]
        if later and (full or gradual):
            yield f"{', '.join(later)}." if gradual else f"More would be bought for less: {', '.join(later)}."
    if worth.offer.price is None or worth.kg_asked is None:
        if worth.offer.uncounted:
            yield f"Not counted: {', '.join(worth.offer.uncounted)}."
        return
    asked = f"At the {money.bare(worth.offer.price)} asked"
    verb = "buy" if worth.offer.ordered(worth.kg_asked) == worth.kg_asked else "use"
    if not worth.kg_asked:
        yield f"{asked} buy none."
    elif worth.saving is not None:
        yield f"{asked} {verb} {shown(worth.kg_asked, 2)} kg and save {money(worth.saving)}."
    elif worth.cost_asked is not None:
        yield f"{asked} {verb} {shown(worth.kg_asked, 2)} kg; the batch then costs {money(worth.cost_asked)}."
    yield from _order_words(worth.offer, worth.kg_asked, money)


def _order_words(offer: Offered, kg: Fraction, money: Money) -> Iterator[str]:
    """What has to be ordered to use so many kilograms, what that costs, and what the offer states beside."""
    order = offer.ordered(kg)
    pays = offer.pays(order)
    if kg and pays is not None and (order - kg > Fraction(1, 200) or offer.breaks):
        packs = "" if offer.pack is None else f" in packs of {trimmed(offer.pack)} kg"
        left = f", of which {shown(order - kg, 2)} kg are left over" if order - kg > Fraction(1, 200) else ""
        yield f"Sold{packs}: that is an order of {shown(order, 2)} kg for {money(pays)}{left}."
    if offer.breaks:
        told = ", ".join(f"{money.bare(price)} from {trimmed(low)} kg" for low, price in offer.breaks)
        yield f"Cheaper by quantity: {told}; the worth above is at the price for less."
    if offer.uncounted:
        yield f"Not counted: {', '.join(offer.uncounted)}."


# What if.


def _change(change: Change, money: Money) -> Iterator[str]:
    yield from heading("what if")
    for setting in change.settings:
        yield from paragraph(f"{setting.path} = {setting.value}", "* ")
    old, new = change.old, change.new
    if not new.weighed or not old.weighed:
        state = {True: "has a batch", False: "has no batch to make"}
        yield from paragraph(f"As it was the recipe {state[old.weighed is not None]}; "
                             f"with the change it {state[new.weighed is not None]}.")  # fmt: skip
    elif change.saving is not None:
        assert old.optimum is not None and new.optimum is not None
        verb = "saves" if change.saving >= 0 else "costs"
        yield from paragraph(
            f"Cost {money(old.optimum.cost)} before, {money(new.optimum.cost)} after: "
            f"the change {verb} {money(abs(change.saving))}."
        )
    moved = [move for move in change.lots if move.old != move.new]
    rows = [[m.name, shown(m.old, 3), shown(m.new, 3), f"{'+' if m.new > m.old else ''}{shown(m.new - m.old, 3)}"]
            for m in moved]  # fmt: skip
    if rows:
        yield from table(("lot", "kg before", "kg after", "moved"), rows, "<>>>")
    same = len(change.lots) - len(moved)
    if same:
        yield f"{same} {'lot is' if same == 1 else 'lots are'} used as before."
    yield ""
    for f in change.figures:
        if (f.old, f.old_limits, f.old_binds) != (f.new, f.new_limits, f.new_binds):
            yield from paragraph(_figure_words(f), "* ")


def _figure_words(f: FigureMove) -> str:
    unit = f" {f.unit}" if f.unit else ""
    old, new = (
        "no figure" if value is None else f"{figure(value)}{unit}{' (binds)' if binds else ''}"
        for value, binds in ((f.old, f.old_binds), (f.new, f.new_binds))
    )
    text = f"{f.what}: {old} before, {new} after"
    if f.old_limits == f.new_limits:
        return f"{text}; {f.new_limits}."
    return f"{text}; {f.old_limits or 'no limit'} before, {f.new_limits or 'no limit'} after."
