"""The explanation as a page: what a point, a kilogram and a limit cost, what to buy at what price, what would do."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from constraints.as_typed import ZERO, shown, trimmed
from constraints.requirement import Role
from optimizer.figures import figure
from optimizer.pages.batch_page import do_not_make, title
from optimizer.pages.chart import END, across, render, upwards
from optimizer.pages.tables import heading, listed, paragraph, table, titled
from optimizer.remarks import verdict_of
from optimizer.why.curves import CurveDrawn
from optimizer.why.explain import Explanation
from optimizer.why.ground import Means, Section
from optimizer.why.offered import OfferWorth
from optimizer.why.prices import Direction, LimitPrice
from optimizer.why.short import LAW, MoneyWords, named_limit, no_batch
from optimizer.why.what_if import Change
from optimizer.why.worth import PricedLot
from optimizer.wording import CAUTION, FULL_WHY, counted

_SAME = Fraction(1, 10**5)
"""Share of a price within which it is told as the same on both sides."""
_HOW = {
    Means.EXACT: "All prices below are exact, and so are the ranges over which they hold.",
    Means.FIXED: "Prices of limits hold for the choice of lots made, packs and pulls as they are; a range ends where "
    "another choice becomes cheaper. The line 'one unit' and all prices of lots come from solving everything again.",
    Means.CURVED: "Limits are kept with a stated confidence, so that cost is a smooth curve. The price of a limit is "
    "that where the limit stands now, to about five figures; how far it reaches and all prices of lots were found by "
    "solving again at changed figures, ranges to within a thousandth of their length.",
}
_HOW[Means.CURVED_FIXED] = f"{_HOW[Means.CURVED]} {_HOW[Means.FIXED]}"


def page(explanation: Explanation, *, full: bool = False) -> str:
    """The page, ending in a newline; ``full`` adds how far each price holds, every margin, and every way out."""
    answer, ground = explanation.answer, explanation.ground
    lines = [*title(answer.problem)]
    money = MoneyWords(answer.problem)
    if answer.grade.forbids:
        lines += [*paragraph(verdict_of(answer).headline), *do_not_make(answer)]
    out, change = explanation.out, explanation.change
    lines += no_batch(answer, out, explanation.unfinished, full=full) if out is not None else []
    lines += _change(change, money) if change is not None else []
    lines += ["", *paragraph(f"Prices are not given: {explanation.unsaid}.")] if explanation.unsaid else []
    if ground is not None:
        lines += [""] if change is not None else []
        how = f" {_HOW[ground.means]}" if full else ""
        cost = money(ground.cost)
        lines += paragraph(f"The cheapest batch costs {cost} before it is rounded to the scales.{how}")
        lines += _limits(explanation, money, full=full)
    if explanation.offers and (full or ground is not None):
        lines += heading("offers, each on its own: at what price to say yes")
        lines += listed(("* ", " ".join(_offer_words(worth, money, full=full))) for worth in explanation.offers)
    if ground is not None:
        lines += _lots(explanation, money, full=full)
        lines += _margins(explanation) if full else []
    if explanation.unfinished:
        lines += [*heading("not settled"), *listed(("* ", left.words()) for left in explanation.unfinished)]
    lines += ["", *([] if full else [FULL_WHY]), *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


# Limits.


def _limits(explanation: Explanation, money: MoneyWords, *, full: bool) -> Iterator[str]:
    if not explanation.limits and any(left.part is Section.PRICES for left in explanation.unfinished):
        return
    yield from heading("what each limit costs")
    if not explanation.limits:
        yield "No limit stands in the way: the lots alone decide."
    yield from listed(("* ", " ".join(_limit_words(price, money, full=full))) for price in explanation.limits)


def _limit_words(price: LimitPrice, money: MoneyWords, *, full: bool) -> Iterator[str]:
    unit, per = money.unit_of(price.requirement)
    yield f"{named_limit(price.requirement, money)}{LAW if price.requirement.origin.legal else ''}:"
    loosen, tighten = price.loosen, price.tighten
    if loosen is None or tighten is None:
        told = price.unit_saving is not None
        one = f"one unit of slack saves {money(price.unit_saving or ZERO)}, everything solved again."
        yield one if told else "at its limit; its price cannot be read from the rows."
        return
    words = ("more", "less") if price.up > 0 else ("less", "more")
    a, b = loosen.saves, tighten.saves
    if not a and not b:
        yield "at its limit, and slack would save nothing."
        return
    if a is not None and b is not None and abs(a + b) <= _SAME * abs(a):
        yield f"each {unit} {words[0]} saves {money(a * per)}."
    else:
        yield "" if a is None else f"each {unit} {words[0]} saves {money(a * per)}."
        yield "" if b is None else f"each {unit} {words[1]} costs {money(-b * per)}."
    for side, word in ((loosen, words[0]), (tighten, words[1])) if full else ():
        yield from _range_words(price, side, word, money)
    if price.unit_saving is not None and price.means is Means.FIXED:
        yield f"One unit {words[0]} with packs and pulls chosen anew saves {money(price.unit_saving)}."


def _range_words(price: LimitPrice, side: Direction, word: str, money: MoneyWords) -> Iterator[str]:
    unit, per = money.unit_of(price.requirement)
    if not side.possible:
        yield f"No batch exists with any {word}."
        return
    if side.until is None:
        yield f"However much {word}, that stays so."
        return
    size = price.requirement.role is Role.SIZE
    to = money.weight(side.until) if size else f"{figure(side.until, None, 2)} {price.requirement.unit}".strip()
    text, saved = f"{'Up' if word == 'more' else 'Down'} to {to}", side.saved_there or ZERO
    if side.straight:
        text += " that holds"
    else:
        slope = None if side.until_saves is None else abs(side.until_saves * per)
        there = "" if slope is None else f", to {money(slope, abs((side.saves or ZERO) * per))} there"
        text += f" it changes gradually{there}, {money(abs(saved))} {'saved' if saved >= 0 else 'spent'} in all"
    why = "; ".join(side.beyond)
    if side.ends_there:
        yield f"{text}; beyond, no batch exists."
        return
    then = []
    if side.beyond_saves is not None:
        rate = side.beyond_saves * per
        each = f"each {unit} {word} {'saves' if rate >= 0 else 'costs'} {money(abs(rate))}"
        then = [each if rate else "nothing more is saved"]
    yield f"{text}; then {': '.join(filter(None, (why, *then)))}."


def _margins(explanation: Explanation) -> Iterator[str]:
    rows = []
    for found in explanation.margins:
        r = found.requirement
        value = "" if found.value is None else figure(found.value, r)
        rows.append([f"{r.what}, {r.basis}", value, r.limits(), "" if found.margin is None else figure(found.margin)])
    yield from titled("limits with room, and how much", ("limit of", "figure", "limit", "room"), rows, "<><>")


# Lots.


def _lots(explanation: Explanation, money: MoneyWords, *, full: bool) -> Iterator[str]:
    """Every lot with the price up to which it is used, and how much of it there."""
    if not explanation.lots:
        return
    yield from heading("lots, as held: up to what price to say yes")
    rows = []
    for lot in explanation.lots:
        used = money.unit.figure(lot.used_kg, 2) if lot.used_kg else "none"
        never = lot.stays_to is None and not lot.needed
        yes = "any price" if lot.stays_to is None else money.price(lot.stays_to, lot.price)
        yes, then = ("never", "") if never else (yes, money.unit.figure(lot.kg_then, 2))
        rows.append([lot.lot.name, used, money.price(lot.price), yes, then])
    heads = ("lot", f"{money.unit.name} used", f"price a {money.unit.name}", "yes up to", f"for {money.unit.name}")
    yield from table(heads, rows, "<>>>>", ruled=False)
    told = [lot for lot in explanation.lots if full and lot.used_kg]
    yield from listed(("* ", f"{lot.lot.name}: {_lot_words(lot, money)}") for lot in told)
    more = [(lot.lot.name, lot.more) for lot in explanation.lots if lot.more is not None and lot.more.saves]
    yield from heading("used up: what more of it would save at its price") if more else ()
    for name, side in more:
        upto = "" if side.until is None else f", up to {money.weight(side.until)} on hand"
        saves = money((side.saves or ZERO) * money.unit.kg)
        yield from paragraph(f"{name}: {saves} a {money.unit.name}{upto}", "* ")


def _lot_words(lot: PricedLot, money: MoneyWords) -> str:
    """Over which prices the blend stays as it is."""
    low, high = (None if x is None else money.price(x, lot.price) for x in (lot.same_from, lot.same_to))
    if low is not None and lot.same_from == lot.same_to:
        return "any change of its price changes the blend, or another blend costs the same."
    ends = (f"from {low} " if low else "") + (f"up to {high}" if high else "on" if low else "at any price")
    return f"the blend is the same {ends.strip()}."


# Offers.


def _offer_words(worth: OfferWorth, money: MoneyWords, *, full: bool) -> Iterator[str]:
    name, offer = worth.offer.lot.name, worth.offer
    if worth.left_out or not worth.possible:
        why = f"may not go in ({worth.left_out})" if worth.left_out else "even with it no batch exists"
        yield f"{name}: {why}."
        return
    if worth.needed:
        yield f"{name}: makes a batch possible, with {money.weight(worth.kg)} or more."
    elif worth.most is None:
        yield f"{name}: of no use, even for nothing."
        return
    else:
        gradual = worth.means is Means.CHANGED and len(worth.steps) > 1
        start = "; below that little by little more:" if gradual else f", for {money.weight(worth.kg)}."
        yield f"{name}: pay at most {money.price(worth.most)}{money.currency} a {money.unit.name}{start}"
        word = "at" if worth.means is Means.CHANGED else "below"
        later = [f"{money.weight(kg)} {word} {money.price(price)}" for price, kg in worth.steps[1:4]]
        if later and (full or gradual):
            yield f"{', '.join(later)}." if gradual else f"More would be bought for less: {', '.join(later)}."
    if offer.price is not None and worth.kg_asked is not None:
        verb = "buy" if worth.order == worth.kg_asked else "use"
        then = f"; the batch then costs {money(worth.cost_asked or ZERO)}"
        then = then if worth.saving is None else f" and save {money(worth.saving)}"
        buy = f"{verb} {money.weight(worth.kg_asked)}{then}" if worth.kg_asked else "buy none"
        yield f"At the {money.price(offer.price)} asked {buy}."
        yield from _order_words(worth, worth.kg_asked, money)
    if offer.uncounted:
        yield f"Not counted: {', '.join(offer.uncounted)}."


def _order_words(worth: OfferWorth, kg: Fraction, money: MoneyWords) -> Iterator[str]:
    """What has to be ordered to use so many kilograms, and what that costs."""
    offer, order, pays = worth.offer, worth.order or kg, worth.order_costs
    pack = offer.offer.terms.pack_kg
    left = order - kg > Fraction(1, 200)
    if kg and pays is not None and (left or offer.breaks):
        packs = "" if pack is None else f" in packs of {trimmed(pack / money.unit.kg, 2)} {money.unit.name}"
        over = f", of which {money.weight(order - kg)} are left over" if left else ""
        yield f"Sold{packs}: that is an order of {money.weight(order)} for {money(pays)}{over}."
    if offer.breaks:
        told = ", ".join(f"{money.price(price)} from {money.weight(low)}" for low, price in offer.breaks)
        yield f"Cheaper by quantity: {told}; the worth above is at the price for less."


# What if.


def _change(change: Change, money: MoneyWords) -> Iterator[str]:
    yield from heading("what if")
    yield from listed(("* ", f"{setting.path} = {setting.value}") for setting in change.settings)
    if change.saving is None:
        old, new = ("a batch" if a.weighed else "no batch" for a in (change.old, change.new))
        yield from paragraph(f"Before the change {old} could be made; with it {new} can.")
    else:
        verb = "saves" if change.saving >= 0 else "costs"
        before, after = (money(a.optimum.cost) for a in (change.old, change.new) if a.optimum is not None)
        saved = money(abs(change.saving))
        yield from paragraph(f"Cost {before} before, {after} after: the change {verb} {saved}.")
    moved = [move for move in change.lots if move.old_kg != move.new_kg]
    rows = [[m.lot, *(money.unit.figure(kg, 3) for kg in (m.old_kg, m.new_kg, m.new_kg - m.old_kg))] for m in moved]
    rows = [[*row, plus if plus.startswith("-") else f"+{plus}"] for *row, plus in rows]
    if rows:
        yield from table(("lot", f"{money.unit.name} before", f"{money.unit.name} after", "moved"), rows, "<>>>")
    same = len(change.lots) - len(moved)
    if same:
        yield f"{counted(same, 'lot is', 'lots are')} used as before."
    moves = [f for f in change.figures if (f.old, f.old_limits, f.old_binds) != (f.new, f.new_limits, f.new_binds)]
    rows = []
    for f in moves:
        old, new = ("none" if x is None else f"{shown(x, 2)}{' *' if binds else ''}"
                    for x, binds in ((f.old, f.old_binds), (f.new, f.new_binds)))  # fmt: skip
        changed = f"{f.old_limits or 'none'}; then {f.new_limits or 'none'}"
        rows.append([f.what, old, new, f.new_limits if f.old_limits == f.new_limits else changed])
    if rows:
        yield from table(("limit of (* at it)", "before", "after", "limit"), rows, "<>><")


# Pictures.


def html(found: Explanation) -> str:
    """The curves as an HTML page with inline pictures, with every text from the input escaped."""
    entry = found.answer.problem.recipe.entry
    money = f"least cost of the batch{', ' + entry.currency if entry.currency else ''}"
    return render("why/prices.html", title=entry.name, charts=[_chart(curve) for curve in found.curves], money=money)


def _chart(curve: CurveDrawn) -> dict[str, Any]:
    every = [*curve.points, curve.present]
    x = across([float(p.figure) for p in every])
    y = upwards([float(p.cost) for p in every])
    spots = [(x.at(float(p.figure)), y.at(float(p.cost)), p) for p in curve.points]
    now_x = x.at(float(curve.present.figure))
    far = now_x > END - 60
    walls = [spots[k][0] for k, closed in ((0, curve.closed[0]), (-1, curve.closed[1])) if closed and spots]
    kinks = [(px, py, p) for px, py, p in spots if p.kink]
    rises = bool(spots) and curve.points[-1].cost > curve.points[0].cost
    now_y = y.at(float(curve.present.cost))
    note = f"Found: {curve.means}. The full point, marked now, is the batch as it stands"
    note += "; beyond a dashed line no batch exists." if walls else "."
    told = [p for _, _, p in kinks] or list(curve.points)  # a table stands below every curve
    return {
        "title": curve.title, "axis": curve.axis, "x_ticks": x.ticks(), "y_ticks": y.ticks(), "walls": walls,
        "path": " ".join(f"{px},{py}" for px, py, _ in spots), "note": note,
        "kinks": [(px, py, f"{float(p.figure):.4g}: {p.kink}") for px, py, p in kinks],
        "now": (now_x, now_y, now_x + (-8 if far else 8), "end" if far else "start", now_y + (22 if rises else -12)),
        "rows": [(f"{float(p.figure):.4g}", f"{float(p.cost):.2f}", p.kink) for p in told],
    }  # fmt: skip
