"""The page of a plan, 80 columns wide: what to order, what to pull and weigh each day, and what it comes to."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from fractions import Fraction
from itertools import groupby

from constraints.ingredients import Lot
from constraints.numbers import G_PER_KG, PERCENT, shown, trimmed
from constraints.quantities import Basis
from optimizer.blend import Status
from optimizer.pages.page import figure, page, source_words
from optimizer.pages.tables import heading, paragraph, table
from optimizer.plan.outcome import Outcome, by_day
from optimizer.plan.way_out import NoPlan
from optimizer.plan.weigh import Made
from optimizer.remarks import lot_notes, warnings
from optimizer.words import CAUTION

_NOTHING = 0.005
"""Money a kilogram that is not shown with two places."""
_BAR = 30
"""Letters of the longest bar."""


def plan_page(outcome: Outcome, *, full: bool = False) -> str:
    """The whole page, ending in a newline; with ``full`` followed by the page of every batch."""
    plan = outcome.plan
    lines = [*_title(outcome), *_verdict(outcome)]
    if plan.money is not None and plan.status is not Status.DO_NOT_MAKE:
        lines += [
            *_orders(outcome),
            *_days(outcome),
            *_left_out(outcome),
            *_stock(outcome),
            *_expiring(outcome),
            *_picture(outcome),
        ]
        lines += [*_money(outcome), *_limits(outcome), *_certificate(outcome)]
    if outcome.no_plan is not None:
        lines += _no_plan(outcome, outcome.no_plan)
    lines += [*heading("caution"), *paragraph(CAUTION)]
    text = "\n".join(lines) + "\n"
    if full and plan.status is not Status.DO_NOT_MAKE:
        for one in plan.made:
            title = "\n".join(paragraph(f"{one.on} {one.job.name}"))
            text += f"\n{'=' * 80}\n{title}\n\n{page(one.answer)}"
    return text


def weekday(day: date) -> str:
    """A date with its day of the week in English, whatever the machine's language."""
    return f"{('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day.weekday()]} {day.isoformat()}"


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _title(outcome: Outcome) -> Iterator[str]:
    week = outcome.plan.world.week
    yield from paragraph(week.entry.name)
    days = week.dates
    count = f"{_counted(len(days), 'day', 'days')}, {_counted(len(week.entry.batches), 'batch', 'batches')}"
    yield f"{weekday(days[0])} to {weekday(days[-1])}: {count}"
    if outcome.done:
        names = ", ".join(f"{b['batch']}" for b in outcome.done)
        yield from paragraph(f"Already done and left as it was: {names}")
    if outcome.hold:
        yield ""
        yield "*** HOLD WHAT WAS MADE: check it again before it leaves the house ***"
        for words in outcome.hold:
            yield from paragraph(words, "* ")
    if outcome.missed:
        yield from paragraph(f"Not made, and their days are past: {', '.join(outcome.missed)}")
    if outcome.fewest_changes is not None:
        yield f"Batches of the fixed days that change: at most {outcome.fewest_changes}"


def _verdict(outcome: Outcome) -> Iterator[str]:
    plan = outcome.plan
    yield ""
    if plan.status is Status.OPTIMAL:
        what = "still to be made " if outcome.done or outcome.hold else ""
        yield f"Every requirement of every batch {what}holds. The cheapest plan, to the gap below."
    elif plan.status is Status.TIME_LIMIT and plan.money is not None:
        yield "Stopped before it was proved: the best plan found, with its gap below."
    elif plan.status is Status.TIME_LIMIT:
        yield "Stopped at the time limit before any plan was found."
    elif plan.status is Status.DO_NOT_MAKE:
        yield "*** DO NOT MAKE ***"
        if outcome.no_plan is not None:
            yield from paragraph("A batch of this week breaks a limit of the law that no choice of lots can mend:")
            return
        yield "This plan does not stand up to being weighed and checked again:"
        for fault in plan.certificate.faults if plan.certificate else ():
            yield from paragraph(fault, "* ")
        for one in plan.made:
            if not one.sound:
                yield from paragraph(f"{one.job.name} on {one.on} has no weigh-out on these scales", "* ")
    else:
        yield "NO SUCH PLAN EXISTS."


def _orders(outcome: Outcome) -> Iterator[str]:
    yield from heading("order")
    orders = outcome.plan.orders
    if not orders:
        yield "Nothing: the lots at hand are enough, or cheaper."
        return
    for (supplier, delivered), group in groupby(
        sorted(orders, key=lambda o: (o.order_by, o.offer.supplier, o.delivered)),
        key=lambda o: (o.offer.supplier, o.delivered),
    ):
        lines = list(group)
        charge = lines[0].offer.charge
        total = sum((o.money for o in lines), Fraction(0)) + charge
        words = f"{supplier}, for delivery on {weekday(delivered)}, {shown(total, 2)} in all"
        yield from paragraph(words + (f" with {shown(charge, 2)} for the drop" if charge else ""))
        rows = [
            [
                o.offer.name, o.supply.lot.material, "" if o.packs is None else str(o.packs), shown(o.kg, 2),
                shown(o.price, 3), shown(o.money, 2), o.order_by.isoformat(),
            ]
            for o in lines
        ]  # fmt: skip
        yield from table(("offer", "material", "packs", "kg", "per kg", "money", "order by"), rows, "<<>>>><")


def _days(outcome: Outcome) -> Iterator[str]:
    for on, group in groupby(outcome.plan.made, key=lambda one: one.on):
        yield from heading(weekday(on))
        for one in group:
            yield from _batch(outcome, one)


def _left_out(outcome: Outcome) -> Iterator[str]:
    if outcome.left_out:
        yield from paragraph(f"Not worth making, and left out: {', '.join(outcome.left_out)}")
    if outcome.lots_left_out:
        yield from heading("lots no day can use")
        yield from table(("lot", "why"), [[name, why] for name, why in outcome.lots_left_out], "<<")


def _batch(outcome: Outcome, one: Made) -> Iterator[str]:
    meat, whole = one.kilograms(Basis.MEAT), one.kilograms(Basis.BATCH)
    yield ""
    yield from paragraph(
        f"{one.job.name} ({one.job.recipe.entry.name}): {shown(meat, 3)} kg meat, {shown(whole, 3)} kg batch"
    )
    weighed = one.answer.weighed
    if weighed is None:
        return
    rows = []
    for item, kg in sorted(weighed.total.kilograms.items(), key=lambda pair: not isinstance(pair[0], Lot)):
        pull = shown(item.held_kg(kg), 3) if isinstance(item, Lot) else ""
        rows.append([item.name, shown(kg * G_PER_KG, 1), shown(kg / meat * G_PER_KG, 2), pull])
    yield from table(("weigh out", "grams", "g/kg meat", "pull kg"), rows, "<>>>")
    if len(weighed.loads) > 1:
        yield f"in {len(weighed.loads)} mixer loads"
    for said in (*warnings(one.answer), *lot_notes(one.answer)):
        yield from paragraph(said, "! ")
    yield from _checks(one)


def _checks(one: Made) -> Iterator[str]:
    """What holds in one line, what does not in full; every check stands on the batch's own page and in the JSON."""
    checks = one.answer.checks
    held = sum(check.ok is True for check in checks)
    yield f"{held} of {len(checks)} checks hold" + (": all" if held == len(checks) else "")
    for check in checks:
        if check.ok is True:
            continue
        r = check.requirement
        mark = "?" if check.ok is None else "BROKEN" if r.origin.blocks else "warning"
        value = "not measured" if check.value is None else f"{figure(check.value, r)} {r.unit}"
        yield from paragraph(f"{r.what}, {r.basis}: {value}, {r.limits()} [{source_words(r)}]", f"{mark:8}")


def _stock(outcome: Outcome) -> Iterator[str]:
    """Stock of every lot at the end of every day, as many days in a table as the page is wide."""
    world = outcome.plan.world
    yield from heading("stock at the end of the day, kg as held")
    dates = world.week.dates
    for start in range(0, len(dates), 7):
        part = range(start, min(start + 7, len(dates)))
        rows = []
        for s, levels in sorted(outcome.stock.items(), key=lambda pair: (world.supplies[pair[0]].name, pair[0])):
            supply = world.supplies[s]
            name = supply.name if supply.offer is None else f"{supply.name} of {world.date(supply.first):%m-%d}"
            rows.append([name, *[shown(levels[day], 1) if levels[day] else "." for day in part]])
        heads = ("lot", *[f"{dates[day]:%m-%d}" for day in part])
        yield from table(heads, rows, "<" + ">" * len(part))


def _expiring(outcome: Outcome) -> Iterator[str]:
    if not outcome.expiring:
        return
    yield from heading("will expire unused")
    rows = []
    for e in outcome.expiring:
        if e.batch is None:
            way = "no batch may take it"
        else:
            cost = e.saving_costs or 0.0
            more = f"costs {cost:.2f} a kg more" if cost >= _NOTHING else "no dearer, but for the scales"
            way = f"in {e.batch} on {e.day:%m-%d}: {more}"
        rows.append([e.supply.name, e.last.isoformat(), shown(e.left, 2), shown(e.lost, 2), way])
    yield from table(("lot", "last day", "kg", "lost", "to save it, use it"), rows, "<<>><")


def _picture(outcome: Outcome) -> Iterator[str]:
    yield from heading("stock and use by day, kg as held")
    rows = by_day(outcome)
    most = max((max(row[1:]) for row in rows), default=Fraction(0)) or Fraction(1)
    for on, used, came, left in rows:
        for word, mark, kg in (("used", "#", used), ("came", "+", came), ("stock", "=", left)):
            if kg or word == "stock":
                day = weekday(on)[:3] + f"{on: %m-%d}" if word == "stock" else " " * 9
                bar = mark * max(round(_BAR * kg / most), 1 if kg else 0)
                yield f"{day}  {word:5} {bar:{_BAR}} {shown(kg, 1):>9}"


def _money(outcome: Outcome) -> Iterator[str]:
    found = outcome.plan.money
    assert found is not None
    currency = outcome.plan.world.week.entry.currency
    yield from heading("money" + (f", {currency}" if currency else ""))
    rows = [
        ["orders", shown(found.orders, 2)],
        ["delivery charges", shown(found.charges, 2)],
        ["additions", shown(found.additions, 2)],
        ["holding", shown(found.holding, 2)],
        ["cash this week", shown(found.cash, 2)],
        ["book value of what is used", shown(found.used, 2)],
        ["worth of what is left and keeps", shown(found.left, 2)],
        ["lost with what expires", shown(found.lost, 2)],
    ]
    if found.product:
        rows.append(["worth of the product", shown(found.product, 2)])
    rows.append(["value used, as minimised", shown(found.minimised, 2)])
    yield from table(("", "money"), rows, "<>")
    compared, saving = outcome.in_order, outcome.saving
    if compared is not None and compared.cost is None:
        yield from paragraph(
            f"Batch by batch, in order, there is no plan at all: nothing is left for {compared.stuck}."
        )
    elif compared is not None and saving is not None and compared.cost is not None:
        yield from paragraph(
            f"Before rounding to the scales this week costs {outcome.plan.solved.cost:.2f}; planned batch by batch, "
            f"in order, {compared.cost:.2f}. Planning it together saves {saving:.2f}."
        )


def _limits(outcome: Outcome) -> Iterator[str]:
    if not outcome.limits:
        return
    yield from heading("what the kitchen's limits cost")
    world = outcome.plan.world
    rows = [
        [x.what, "" if x.day is None else weekday(world.date(x.day)), f"{x.price:.4f}", x.unit] for x in outcome.limits
    ]  # fmt: skip
    yield from table(("limit", "day", "saves", "for one more"), rows, "<<><")
    if outcome.limits[0].held:
        yield from paragraph("Prices with every whole number (packs, days, choices) held where the plan has it.")


def _certificate(outcome: Outcome) -> Iterator[str]:
    certificate = outcome.plan.certificate
    assert certificate is not None
    yield from heading("certificate")
    yield from paragraph(
        "Every batch was weighed and measured again in exact arithmetic, and stock, dates, orders and capacities were "
        f"added up again from the files: all hold. Cost as minimised, as weighed: {shown(certificate.cost, 4)}."
    )
    if certificate.lower_bound is not None and certificate.gap is not None:
        share = PERCENT * certificate.gap / abs(certificate.cost) if certificate.cost else Fraction(0)
        yield from paragraph(
            f"Proved: no plan costs less than {shown(certificate.lower_bound, 4)} (linear relaxation, exact "
            f"arithmetic). Gap {shown(certificate.gap, 4)} ({shown(share, 3)} %), with scale divisions and whole "
            "numbers."
        )
    if certificate.reported is not None:
        cost = outcome.plan.solved.cost
        gap = abs(cost - certificate.reported) / abs(cost) * PERCENT if cost else 0.0
        yield from paragraph(
            f"Reported by the solver, not proved: at least {certificate.reported:.4f} with whole numbers, "
            f"{gap:.3f} % below the plan before rounding to the scales ({cost:.4f})."
        )


def _no_plan(outcome: Outcome, found: NoPlan) -> Iterator[str]:
    world = outcome.plan.world
    for batch, requirement in found.impossible:
        yield from paragraph(f"{batch} can never meet: {requirement.words()}", "* ")
    for words, names in (
        ("Batches that cannot all be made", found.batches),
        ("Limits that stand in the way", found.limits),
        ("Materials that are short", found.materials),
    ):
        if names:
            yield from heading(words)
            for name in names:
                yield from paragraph(name, "* ")
    if found.ways:
        yield from heading("ways out")
    for way in found.ways:
        if not way.changes:
            yield from paragraph(f"{way.way}: does not help by itself", "- ")
            continue
        yield from paragraph(f"{way.way}:", "- ")
        for change in way.changes:
            when = "" if change.day is None else f" on {weekday(world.date(change.day))}"
            yield from paragraph(f"{change.what}{when}: {trimmed(Fraction(change.amount), 2)} {change.unit}", "    ")
