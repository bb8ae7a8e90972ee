"""The page of a plan: what to order, what to make, what to pull and weigh each day, what to watch; and its picture.

The short page is what a kitchen works by; the full one adds stock by day, what limits cost, and every batch's own page.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from itertools import groupby

from constraints.as_typed import ZERO, shown
from constraints.quantities import Basis
from optimizer.answer import Status
from optimizer.figures import Unit
from optimizer.pages.batch_page import page
from optimizer.pages.chart import render
from optimizer.pages.details import by_load, check_words, source_words
from optimizer.pages.tables import heading, listed, paragraph, table, titled
from optimizer.plan.model.world import Supply
from optimizer.plan.report.outcome import STOPPED, BatchFigures, Outcome
from optimizer.plan.report.way_out import NoPlan, instead
from optimizer.plan.settle.books import Purchase
from optimizer.plan.settle.weigh import WeighedBatch
from optimizer.remarks import known_to_contain, lot_notes, warnings
from optimizer.verdict import HEADLINES, Grade, held_words, mark
from optimizer.wording import CAUTION, TIDY_WEEK, counted, day_words

_NOTHING = 0.005
"""Money that is not shown with two places."""
_WORTH_A_WORD = 0.001
"""Share of the cost above which the price of tidiness is said."""
_STEP = 114
"""Width of a day in the picture."""
_DAYS, _CRUMBS, _LISTED = 7, 3, 12
"""Days beside each other, crumbs that the page names, and lots that expire, the dearest, which the short page names."""
_CRUMB_KG = Fraction("0.1")
"""Kilograms below which what expires is named on the full page only."""


def plan_page(outcome: Outcome, *, full: bool = False) -> str:
    """The whole page, ending in a newline; with ``full`` followed by the page of every batch."""
    lines = [*_title(outcome), *verdict_lines(outcome)]
    if outcome.stands:
        lines += [*_orders(outcome), *_make(outcome), *day_by_day(outcome, full=full)]
        lines += [*_left_over(outcome), *_expiring(outcome, full=full), *_left_out(outcome)]
        lines += [*_stock(outcome), *_limits(outcome)] if full else []
        lines += [*_money(outcome), *_tidy(outcome), *_proof(outcome)]
        lines += [] if full else ["", "Stock by day, what limits cost, and every check and source: --full"]
    text = "\n".join([*lines, "", *paragraph(CAUTION)]) + "\n"
    for one in outcome.made if full else ():
        title = "\n".join(paragraph(f"{weekday(one.on)}: {one.job.name}"))
        problem = one.answer.problem
        order = replace(problem.order, in_pounds=outcome.unit.name == "lb")
        answer = replace(one.answer, problem=replace(problem, order=order))
        text += f"\n{'=' * 80}\n{title}\n\n{page(answer, full=True)}"
    return text


def picture(outcome: Outcome) -> str:
    """Stock and use by day as an HTML page with an inline SVG. Everything a user typed is escaped."""
    keys, kg = ("used", "came", "stock"), outcome.unit.kg
    sums = [(weekday(day.date), (day.used_kg, day.delivered_kg, day.left_kg)) for day in outcome.by_day]
    days = [{"name": name, **{key: float(x / kg) for key, x in zip(keys, day, strict=True)}} for name, day in sums]
    title = f"{outcome.plan.world.week.entry.name}: stock and use by day"
    width = max(len(days), 1) * _STEP
    return render("plan/report/by_day.html", title=title, days=days, width=width, step=_STEP, unit=outcome.unit.name)


def stopped_page() -> str:
    """The page where the time was over before there was anything to plan."""
    return "\n".join([f"{STOPPED}.", "", *paragraph(CAUTION)]) + "\n"


def _title(outcome: Outcome) -> Iterator[str]:
    week = outcome.plan.world.week
    first, last = week.dates[0], week.dates[-1]
    money = "" if outcome.plan.money is None else f"; cash {shown(outcome.plan.money.cash, 2)}{outcome.currency}"
    count = counted(len(week.entry.batches), "batch", "batches")
    yield from paragraph(f"{week.entry.name}: {weekday(first)} to {weekday(last)} {last.year}, {count}{money}")


def verdict_lines(outcome: Outcome) -> Iterator[str]:
    """The answer in the first lines; what was made and is in doubt before all else."""
    plan, certificate = outcome.plan, outcome.plan.certificate
    if outcome.hold:
        yield f"*** {HEADLINES[Grade.HOLD]} ***"
        yield from listed(("* ", words) for words in outcome.hold)
        yield ""
    if plan.status is Status.DO_NOT_MAKE:
        yield f"*** {HEADLINES[Grade.DO_NOT_MAKE]} ***"
    if outcome.no_plan is not None:
        yield from _no_plan(outcome, outcome.no_plan)
    elif plan.status is Status.DO_NOT_MAKE:
        yield "This plan does not stand up to being weighed and checked again:"
        unsound = (one for one in plan.made if not one.sound)
        bad = [f"{one.job.name} on {weekday(one.on)} has no weigh-out on these scales" for one in unsound]
        yield from listed(("* ", words) for words in (*(certificate.faults if certificate else ()), *bad))
    else:
        words = (replace(outcome, hold=()) if outcome.hold else outcome).verdict.headline
        saving = (outcome.in_order and outcome.in_order.saving) or 0.0
        told = f" Planning together saves {saving:.2f}{outcome.currency}." if saving >= _NOTHING else ""
        yield from paragraph(words + told)
        yield from listed(("* ", excess.words) for excess in (certificate.excess if certificate else ()))
    if outcome.done:
        yield from paragraph(f"Already done and left as it was: {', '.join(str(b['batch']) for b in outcome.done)}")
    if outcome.missed:
        yield from paragraph(f"Not made, and their days are past: {', '.join(outcome.missed)}")
    if outcome.fewest_changes is not None:
        yield f"Batches of the fixed days that change: at most {outcome.fewest_changes}"


def _no_plan(outcome: Outcome, found: NoPlan) -> Iterator[str]:
    """The cause in one sentence, and at most three things that would do."""
    yield from paragraph(f"NO SUCH PLAN EXISTS: {found.cause}")
    for batch, dose in instead(outcome.plan.world) if found.impossible else ():
        yield from paragraph(f"What would pass in {batch}: {dose.words()}.", "> ", "  ")
    if found.ways:
        yield from heading("what would do, each solved again")
    for way in found.ways:
        yield from paragraph(f"{way.way}:", "- ")
        yield from listed(("    ", change.said(outcome.unit, ": ")) for change in way.changes)


def _orders(outcome: Outcome) -> Iterator[str]:
    yield from heading("order")
    if not outcome.orders:
        yield "Nothing: the lots at hand are enough, or cheaper."
        return
    unit = outcome.unit
    left = {(row.offer, row.delivered): unit.figure(row.kg, 2) for row in outcome.left_over}

    def drop(order: Purchase) -> tuple[date, str, date]:
        return order.order_by, order.offer.terms.supplier, order.delivered

    for (by, supplier, delivered), group in groupby(sorted(outcome.orders, key=drop), key=drop):
        lines = list(group)
        charge = lines[0].offer.terms.delivery_charge
        total = sum((o.money for o in lines), charge)
        words = f"by {weekday(by)} from {supplier}, comes {weekday(delivered)}: {shown(total, 2)}{outcome.currency}"
        yield from paragraph(words + (f" with {shown(charge, 2)} for the drop" if charge else ""))
        rows = [[*order_cells(o, unit), left.get((o.offer.name, o.delivered), "none")] for o in lines]
        heads = ("offer", "material", "packs", unit.name, f"per {unit.name}", "cost", f"left {unit.name}")
        yield from table(heads, rows, "<<>>>>>")


def order_cells(order: Purchase, unit: Unit) -> list[str]:
    """An order in a list: what, packs, weight, price and cost."""
    packs = "" if order.packs is None else str(order.packs)
    return [order.offer.name, order.supply.lot.material, packs, unit.figure(order.kg, 2), unit.price(order.price, 3),
            shown(order.money, 2)]  # fmt: skip


def _make(outcome: Outcome) -> Iterator[str]:
    yield from heading("make")
    rows, unit = [], outcome.unit
    for one in outcome.made:
        f = BatchFigures.model_validate(one)
        cells = [(f.fat_pct, 1), (f.salt_pct, 2), (f.nitrite_ppm, 1), (f.links, 0)]
        rows.append([
            weekday(one.on)[:6].strip(), one.job.name,
            *(unit.figure(one.kilograms(basis), 2) for basis in (Basis.MEAT, Basis.BATCH)),
            *("-" if not x else shown(Fraction(x), places) for x, places in cells),
            unit.price(f.cost_per_kg, 2), str(f.loads) if f.loads > 1 else "",
        ])  # fmt: skip
    heads = ("day", "batch", f"meat {unit.name}", f"all {unit.name}", "fat %", "salt %", "nitrite", "links",
             f"per {unit.name}", "loads")  # fmt: skip
    yield from table(heads, rows, "<<>>>>>>>>")
    yield "fat of the meat; salt and money of the whole batch; nitrite ingoing, ppm"


def weekday(day: date | None) -> str:
    """A day of the week in hand: its year is said once, at the top."""
    return day_words(day, day)


def name_of(supply: Supply) -> str:
    """A lot by its name, a delivery with its day."""
    return supply.name if supply.came is None else f"{supply.name}, came {weekday(supply.came)}"


def day_by_day(outcome: Outcome, *, full: bool) -> Iterator[str]:
    """A part for each day on which anything is made."""
    unit = outcome.unit
    for on, group in groupby(outcome.made, key=lambda one: one.on):
        batches = list(group)
        yield from heading(weekday(on))
        places = max(unit.places(one.answer.problem.order.meat_division_kg) for one in batches)
        rows = []
        for supply, mine in pulled(outcome, batches):
            parts = [f"{name} {unit.figure(kg, places)}" if len(mine) > 1 else name for name, kg in mine.items()]
            total = unit.figure(sum(mine.values(), ZERO), places)
            rows.append([name_of(supply), supply.lot.material, total, ", ".join(parts)])
        yield from table(("pull", "material", f"{unit.name} as held", "for"), rows, "<<><")
        for one in batches:
            yield from _batch(one, unit, full=full)


def pulled(outcome: Outcome, batches: Sequence[WeighedBatch]) -> Iterator[tuple[Supply, dict[str, Fraction]]]:
    """What comes out of the cooler for the batches of a day, as held, and how much of it for which."""
    supplies = outcome.plan.world.supplies
    for s in sorted({s for one in batches for s in one.taken}, key=lambda s: (supplies[s].name, s)):
        yield supplies[s], {one.job.name: one.taken[s] for one in batches if s in one.taken}


def _batch(one: WeighedBatch, unit: Unit, *, full: bool) -> Iterator[str]:
    """The weigh-out of every mixer load, each with its own grams; what does not hold in full.

    Every check stands on the batch's own page and in the JSON.
    """
    weighed = one.answer.weighed
    assert weighed is not None
    yield ""
    places = unit.places(one.answer.problem.order.meat_division_kg)
    meat, whole = (unit.figure(one.kilograms(basis), places) for basis in (Basis.MEAT, Basis.BATCH))
    loads = len(weighed.loads)
    many = f", in {loads} loads; each has its own grams" if loads > 1 else ""
    size = f"{meat} {unit.name} meat, {whole} {unit.name} in all"
    yield from paragraph(f"{one.job.name} ({one.job.recipe.entry.name}): {size}{many}")
    yield from by_load(weighed, unit, full=False)
    yield from listed(("! ", said) for said in (*warnings(one.answer), *lot_notes(one.answer)))
    yield from listed(("* ", said) for said in known_to_contain(one.job.recipe))
    broken = [check for check in map(unit.check, one.answer.checks) if check.ok is not True]
    if full or broken:
        yield from paragraph(held_words(one.answer.checks))
    yield from listed((f"{mark(c):8}", f"{check_words(c)} [{source_words(c.requirement)}]") for c in broken)


def _left_out(outcome: Outcome) -> Iterator[str]:
    yield from listed(("- ", f"{name} is left out: {why}") for name, why in outcome.left_out_why.items())
    yield from titled("lots no day can use", ("lot", "why"), list(outcome.lots_left_out.items()), "<<")


def _stock(outcome: Outcome) -> Iterator[str]:
    """Stock of every lot at the end of every day, as many days in a table as the page is wide."""
    dates, unit = outcome.plan.world.week.dates, outcome.unit
    yield from heading(f"stock at the end of the day, {unit.name} as held")
    held = [(outcome.plan.world.supplies[s], levels) for s, levels in sorted(outcome.stock.items())]
    held.sort(key=lambda pair: pair[0].name)
    for start in range(0, len(dates), _DAYS):
        part = slice(start, start + _DAYS)
        rows = [[name_of(s), *[unit.figure(kg, 1) if kg else "." for kg in levels[part]]] for s, levels in held]
        yield from table(("lot", *[f"{on:%m-%d}" for on in dates[part]]), rows, "<" + ">" * len(dates[part]))


def _left_over(outcome: Outcome) -> Iterator[str]:
    """What was ordered and no batch of the week uses: it is paid for."""
    unit, rows = outcome.unit, []
    for row in outcome.left_over:
        live = f"{row.days_good} days, until {weekday(row.use_by)}" if row.use_by else "keeps"
        rows.append([row.offer, weekday(row.delivered), unit.figure(row.kg, 2), live, shown(row.worth, 2)])
    heads = ("offer", "came", unit.name, "good after the week", "worth")
    yield from titled("left over from orders", heads, rows, "<<><>")


def _expiring(outcome: Outcome, *, full: bool) -> Iterator[str]:
    told = [e for e in outcome.expiring if full or e.kg >= _CRUMB_KG]
    dearest = sorted(told, key=lambda e: -e.lost)[: len(told) if full else _LISTED]
    rows, unit = [], outcome.unit
    for e in (e for e in told if e in dearest):
        cost = e.saving_costs_per_kg or 0.0
        price = unit.price(Fraction(cost), 2)
        more = f"costs {price} a {unit.name} more" if cost >= _NOTHING else "no dearer, but for the scales"
        way = "no batch may take it" if e.save_in is None else f"in {e.save_in} on {weekday(e.save_on)}: {more}"
        rows.append([e.lot, weekday(e.last_day), unit.figure(e.kg, 2), shown(e.lost, 2), way])
    heads = ("lot", "last day", unit.name, "lost", "to save it, use it")
    yield from titled("will expire unused", heads, rows, "<<>><")
    if rows and (hidden := len(outcome.expiring) - len(dearest)):
        yield f"and {hidden} more, smaller or of less worth: --full"


def _money(outcome: Outcome) -> Iterator[str]:
    """Cash, and what the plan minimises: every row shown to the cent so that the rows add up to the sums."""
    found, compared = outcome.plan.money, outcome.in_order
    assert found is not None
    cash = _to_the_cent({"orders": found.orders, "delivery charges": found.charges, "additions": found.additions,
                         "holding": found.holding})  # fmt: skip
    used = _to_the_cent({"cash this week": found.cash, "stock used, at what it is worth": found.stock_used,
                         "doses rounded to the scale": found.dose_rounding,
                         "less worth of what was bought and is left": -found.bought_left,
                         "less worth of the product": -found.product})  # fmt: skip
    told = {name: x for name, x in used.items() if x or name.startswith("cash")}
    rows = [[name, shown(x, 2)] for name, x in (cash | told | {"value used": sum(used.values(), ZERO)}).items()]
    yield from titled("money" + (f",{outcome.currency}" if outcome.currency else ""), ("", "money"), rows, "<>")
    beside = f"Beside that: used at book value {shown(found.used, 2)}; left and keeping {shown(found.left, 2)}"
    yield from paragraph(beside + (f"; lost with what expires {shown(found.lost, 2)}." if found.lost else "."))
    if compared is not None and compared.cost is None:
        stuck = f"nothing is left for {compared.stuck}."
        yield from paragraph(f"Planned one batch after the other there is no plan: {stuck}")
    elif compared is not None and compared.saving is not None:
        whole, alone = f"{outcome.plan.solved.cost:.2f}", f"{compared.cost:.2f}"
        yield from paragraph(f"Before rounding to the scales {whole}; planned one batch after the other {alone}.")


def _tidy(outcome: Outcome) -> Iterator[str]:
    """What tidiness costs where that is worth a word, and what gave way; what is wanted by default."""
    plan, crumbs = outcome.plan, outcome.plan.crumbs
    least = [one for made in plan.made for one in (made.job.tidy.pull, made.job.tidy.remnant)]
    if any(one.kilograms and not one.asked for one in least):
        yield from paragraph(TIDY_WEEK)
    if plan.tidy_price > _WORTH_A_WORD * abs(plan.solved.cost):
        yield from paragraph(f"Tidy pulls and remnants cost {plan.tidy_price:.2f}{outcome.currency}.")
    if crumbs:
        more = [f"and {len(crumbs) - _CRUMBS} more"] if len(crumbs) > _CRUMBS else []
        words = "; ".join([*crumbs[:_CRUMBS], *more])
        yield from paragraph(f"Smaller than is usually worth pulling or keeping, for want of a better way: {words}.")


def _to_the_cent(parts: Mapping[str, Fraction]) -> dict[str, Fraction]:
    """The parts in whole cents, which add up to the sum in whole cents: what rounding moves goes to the next part."""
    found, exact = dict[str, Fraction](), ZERO
    for name, part in parts.items():
        exact += part
        found[name] = Fraction(round(exact * 100), 100) - sum(found.values(), ZERO)
    return found


def _limits(outcome: Outcome) -> Iterator[str]:
    unit, rows = outcome.unit, []
    for x in outcome.limits:
        per, of = (float(unit.kg), unit.name) if x.for_one_more == "kg" else (1, x.for_one_more)
        rows.append([x.what, weekday(x.date), f"{x.saves * per:.4f}", of])
    yield from titled("what the kitchen's limits cost", ("limit", "day", "saves", "for one more"), rows, "<<><")
    if any(x.whole_numbers_held for x in outcome.limits):
        yield from paragraph("Prices with every whole number (packs, days, choices) held where the plan has it.")


def _proof(outcome: Outcome) -> Iterator[str]:
    """What is proved, and what is not."""
    certificate = outcome.plan.certificate
    assert certificate is not None
    yield ""
    told = certificate.lower_bound, certificate.cost, certificate.gap
    if certificate.gap_pct is not None:
        bound, cost, gap = (shown(x or ZERO, 2) for x in told)
        yield from paragraph(
            f"Proved: no plan of this week comes below {bound}{outcome.currency} of value used. This one uses {cost}: "
            f"at most {gap} ({shown(certificate.gap_pct, 1)} %) could still be saved."
        )
    if (least := certificate.reported) is not None:
        yield from paragraph(f"With whole packs and days nothing below {least:.2f} was found; that is not proved.")
    yield from paragraph(
        "Every batch was weighed and measured again in exact arithmetic; stock, dates, orders and the kitchen's limits "
        "were added up again from the files."
    )
