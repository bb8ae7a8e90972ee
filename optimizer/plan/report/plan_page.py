"""The page of a plan, 80 columns wide: what to order, what to make, what to pull and weigh each day, what to watch.

The short page is what a kitchen works by; the full one adds stock by day, what limits cost, and every batch's own page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from itertools import groupby

from constraints.numbers import PERCENT, shown, trimmed
from constraints.quantities import Basis
from optimizer.blend import Status
from optimizer.pages.page import page
from optimizer.pages.tables import heading, paragraph, table
from optimizer.plan.report.day_page import day_by_day, name_of, weekday
from optimizer.plan.report.outcome import Outcome, by_day, figures_of
from optimizer.plan.report.way_out import NoPlan
from optimizer.plan.settle.read_off import Order
from optimizer.verdict import HEADLINES, Grade, Verdict
from optimizer.words import CAUTION, counted

_NOTHING = 0.005
"""Money a kilogram that is not shown with two places."""
_BAR = 30
"""Letters of the longest bar."""
_LISTED = 12
"""Lots that expire, the dearest, which the short page names."""
_CRUMB_KG = Fraction("0.1")
"""Kilograms below which what expires is named on the full page only."""


def plan_page(outcome: Outcome, *, full: bool = False) -> str:
    """The whole page, ending in a newline; with ``full`` followed by the page of every batch."""
    plan = outcome.plan
    lines = [*_title(outcome), *verdict_lines(outcome)]
    if plan.money is not None and plan.status is not Status.DO_NOT_MAKE:
        lines += [*_orders(outcome), *_make(outcome), *day_by_day(outcome, full=full)]
        lines += [*_left_over(outcome), *_expiring(outcome, full=full), *_left_out(outcome)]
        lines += [*_stock(outcome), *_picture(outcome), *_limits(outcome)] if full else []
        lines += [*_money(outcome), *_proof(outcome)]
        lines += [] if full else ["", "Stock by day, what limits cost, and every check and source: --full"]
    if outcome.no_plan is not None:
        lines += _no_plan(outcome, outcome.no_plan)
    lines += [*heading("caution"), *paragraph(CAUTION)]
    text = "\n".join(lines) + "\n"
    if full and plan.status is not Status.DO_NOT_MAKE:
        for one in plan.made:
            title = "\n".join(paragraph(f"{weekday(one.on)}: {one.job.name}"))
            text += f"\n{'=' * 80}\n{title}\n\n{page(one.answer, full=True)}"
    return text


STOPPED = "Stopped at the time limit before any plan was found."


def stopped_page() -> str:
    """The page where the time was over before there was anything to plan."""
    return "\n".join([STOPPED, *heading("caution"), *paragraph(CAUTION)]) + "\n"


def _currency(outcome: Outcome) -> str:
    currency = outcome.plan.world.week.entry.currency
    return f" {currency}" if currency else ""


def _title(outcome: Outcome) -> Iterator[str]:
    week = outcome.plan.world.week
    days = week.dates
    money = "" if outcome.plan.money is None else f"; cash {shown(outcome.plan.money.cash, 2)}{_currency(outcome)}"
    count = counted(len(week.entry.batches), "batch", "batches")
    yield from paragraph(
        f"{week.entry.name}: {weekday(days[0])} to {weekday(days[-1])} {days[-1].year}, {count}{money}"
    )


def verdict_lines(outcome: Outcome) -> Iterator[str]:
    """The answer in the first lines; what was made and is in doubt before all else."""
    if outcome.hold:
        yield f"*** {HEADLINES[Grade.HOLD]} ***"
        for words in outcome.hold:
            yield from paragraph(words, "* ")
        yield ""
    yield from _headline(outcome)
    if outcome.done:
        names = ", ".join(f"{b['batch']}" for b in outcome.done)
        yield from paragraph(f"Already done and left as it was: {names}")
    if outcome.missed:
        yield from paragraph(f"Not made, and their days are past: {', '.join(outcome.missed)}")
    if outcome.fewest_changes is not None:
        yield f"Batches of the fixed days that change: at most {outcome.fewest_changes}"


def _headline(outcome: Outcome) -> Iterator[str]:
    plan, certificate = outcome.plan, outcome.plan.certificate
    if plan.status is Status.DO_NOT_MAKE:
        yield "*** DO NOT MAKE ***"
        if outcome.no_plan is not None:
            yield from paragraph("A batch of this week breaks a limit of the law that no choice of lots can mend:")
            return
        yield "This plan does not stand up to being weighed and checked again:"
        for fault in certificate.faults if certificate else ():
            yield from paragraph(fault, "* ")
        for one in plan.made:
            if not one.sound:
                yield from paragraph(f"{one.job.name} on {one.on} has no weigh-out on these scales", "* ")
    elif plan.money is not None and certificate is not None:
        limits = Verdict.of(Grade.MAKE, [check for one in plan.made for check in one.answer.checks]).counted
        words = "PLAN" if plan.status is Status.OPTIMAL else "PLAN, the best found in time"
        words += ", for what is still to be made" if outcome.done or outcome.hold else ""
        if certificate.excess:
            words = "NOT ALL HOLDS: the scales do not allow every limit of the kitchen to be kept"
        saving = outcome.saving
        together = (
            f" Planning together saves {saving:.2f}{_currency(outcome)}." if saving and saving >= _NOTHING else ""
        )
        yield from paragraph(f"{words}. {limits}{together}")
        for excess in certificate.excess:
            yield from paragraph(excess.words, "* ")
    elif plan.status is Status.TIME_LIMIT:
        yield STOPPED
    else:
        yield "NO SUCH PLAN EXISTS."


def _orders(outcome: Outcome) -> Iterator[str]:
    yield from heading("order")
    if not outcome.plan.orders:
        yield "Nothing: the lots at hand are enough, or cheaper."
        return
    left = {row.supply: row for row in outcome.left_over}

    def drop(order: Order) -> tuple[date, str, date]:
        return order.order_by, order.offer.terms.supplier, order.delivered

    for (by, supplier, delivered), group in groupby(sorted(outcome.plan.orders, key=drop), key=drop):
        lines = list(group)
        charge = lines[0].offer.terms.delivery_charge
        total = sum((o.money for o in lines), Fraction(0)) + charge
        words = f"by {weekday(by)} from {supplier}, comes {weekday(delivered)}: {shown(total, 2)}{_currency(outcome)}"
        yield from paragraph(words + (f" with {shown(charge, 2)} for the drop" if charge else ""))
        rows = []
        for o in lines:
            rest = left[o.supply].kg if o.supply in left else Fraction(0)
            packs = "" if o.packs is None else str(o.packs)
            rows.append([o.offer.name, o.supply.lot.material, packs, shown(o.kg, 2), shown(o.price, 3),
                         shown(o.money, 2), shown(rest, 2) if rest else "none"])  # fmt: skip
        yield from table(("offer", "material", "packs", "kg", "per kg", "money", "left, kg"), rows, "<<>>>>>")


def _make(outcome: Outcome) -> Iterator[str]:
    yield from heading("make")
    rows = []
    for one in outcome.plan.made:
        f = figures_of(one)
        cells = [(f.fat_pct, 1), (f.salt_pct, 2), (f.nitrite_ppm, 1), (f.links, 0), (f.cost_per_kg, 2)]
        figures = ["-" if not x else shown(Fraction(x), places) for x, places in cells]
        loads = str(f.loads) if f.loads > 1 else ""
        rows.append([weekday(one.on)[:6].strip(), one.job.name, shown(one.kilograms(Basis.MEAT), 2),
                     shown(one.kilograms(Basis.BATCH), 2), *figures, loads])  # fmt: skip
    heads = ("day", "batch", "meat kg", "all kg", "fat %", "salt %", "nitrite", "links", "per kg", "loads")
    yield from table(heads, rows, "<<>>>>>>>>")
    yield "fat of the meat; salt and money of the whole batch; nitrite ingoing, ppm"


def _left_out(outcome: Outcome) -> Iterator[str]:
    for name, why in outcome.left_out_why:
        yield from paragraph(f"{name} is left out: {why}", "- ")
    if outcome.lots_left_out:
        yield from heading("lots no day can use")
        yield from table(("lot", "why"), [[name, why] for name, why in outcome.lots_left_out], "<<")


def _stock(outcome: Outcome) -> Iterator[str]:
    """Stock of every lot at the end of every day, as many days in a table as the page is wide."""
    world = outcome.plan.world
    yield from heading("stock at the end of the day, kg as held")
    dates = world.week.dates
    for start in range(0, len(dates), 7):
        part = range(start, min(start + 7, len(dates)))
        rows = []
        for s, levels in sorted(outcome.stock.items(), key=lambda pair: (world.supplies[pair[0]].name, pair[0])):
            rows.append([name_of(outcome, s), *[shown(levels[day], 1) if levels[day] else "." for day in part]])
        heads = ("lot", *[f"{dates[day]:%m-%d}" for day in part])
        yield from table(heads, rows, "<" + ">" * len(part))


def _left_over(outcome: Outcome) -> Iterator[str]:
    """What was ordered and no batch of the week uses: it is paid for."""
    if not outcome.left_over:
        return
    yield from heading("left over from orders")
    end = outcome.plan.world.week.dates[-1]
    rows = []
    for row in outcome.left_over:
        use_by = row.supply.lot.use_by
        live = "keeps" if use_by is None else f"{max((use_by - end).days, 0)} days, until {weekday(use_by)}"
        rows.append([row.supply.name, weekday(row.came), shown(row.kg, 2), live, shown(row.worth, 2)])
    yield from table(("offer", "came", "kg", "good after the week", "worth"), rows, "<<><>")


def _expiring(outcome: Outcome, *, full: bool) -> Iterator[str]:
    told = [e for e in outcome.expiring if full or e.left >= _CRUMB_KG]
    if not told:
        return
    dearest = sorted(told, key=lambda e: -e.lost)[: len(told) if full else _LISTED]
    hidden = len(told) - len(dearest)
    told = [e for e in told if e in dearest]
    yield from heading("will expire unused")
    rows = []
    for e in told:
        if e.batch is None:
            way = "no batch may take it"
        else:
            cost = e.saving_costs or 0.0
            more = f"costs {cost:.2f} a kg more" if cost >= _NOTHING else "no dearer, but for the scales"
            way = f"in {e.batch} on {weekday(e.day)}: {more}" if e.day else more
        rows.append([e.supply.name, weekday(e.last), shown(e.left, 2), shown(e.lost, 2), way])
    yield from table(("lot", "last day", "kg", "lost", "to save it, use it"), rows, "<<>><")
    if hidden:
        yield f"and {hidden} more that lose less: --full"


def _picture(outcome: Outcome) -> Iterator[str]:
    yield from heading("stock and use by day, kg as held")
    rows = by_day(outcome)
    most = max((max(row[1:]) for row in rows), default=Fraction(0)) or Fraction(1)
    for on, used, came, left in rows:
        for word, sign, kg in (("used", "#", used), ("came", "+", came), ("stock", "=", left)):
            if kg or word == "stock":
                day = f"{weekday(on):10}" if word == "stock" else " " * 10
                bar = sign * max(round(_BAR * kg / most), 1 if kg else 0)
                yield f"{day}  {word:5} {bar:{_BAR}} {shown(kg, 1):>9}"


def _money(outcome: Outcome) -> Iterator[str]:
    """Cash, and what the plan minimises: every row shown to the cent so that the rows add up to the sums."""
    found = outcome.plan.money
    assert found is not None
    yield from heading("money" + (f", {_currency(outcome).strip()}" if _currency(outcome) else ""))
    cash = [("orders", found.orders), ("delivery charges", found.charges), ("additions", found.additions),
            ("holding", found.holding)]  # fmt: skip
    used = [("cash this week", found.cash), ("stock used, at what it is worth", found.stock_used),
            ("additions by their exact doses, less as weighed", found.dose_rounding),
            ("less worth of what was bought and is left", -found.bought_left),
            ("less worth of the product", -found.product)]  # fmt: skip
    cents = _to_the_cent([kg for _, kg in cash])
    rows = [[name, shown(x, 2)] for (name, _), x in zip(cash, cents, strict=True)]
    total = sum(cents, Fraction(0))
    parts = _to_the_cent([total, *(x for _, x in used[1:])])
    rows += [[name, shown(x, 2)] for (name, _), x in zip(used, parts, strict=True) if x or name.startswith("cash")]
    rows.append(["value used, as minimised", shown(sum(parts, Fraction(0)), 2)])
    yield from table(("", "money"), rows, "<>")
    beside = f"Beside that: used at book value {shown(found.used, 2)}; left and keeping {shown(found.left, 2)}"
    yield from paragraph(beside + (f"; lost with what expires {shown(found.lost, 2)}." if found.lost else "."))
    compared = outcome.in_order
    if compared is not None and compared.cost is None:
        yield from paragraph(
            f"Batch by batch, in order, there is no plan at all: nothing is left for {compared.stuck}."
        )
    elif compared is not None and outcome.saving is not None and compared.cost is not None:
        yield from paragraph(
            f"Before rounding to the scales {outcome.plan.solved.cost:.2f}; planned batch by batch, in order, "
            f"{compared.cost:.2f}."
        )


def _to_the_cent(parts: Sequence[Fraction]) -> list[Fraction]:
    """The parts in whole cents, which add up to the sum in whole cents: what rounding moves goes to the next part."""
    found, exact, given = [], Fraction(0), Fraction(0)
    for part in parts:
        exact += part
        found.append(Fraction(round(exact * 100), 100) - given)
        given += found[-1]
    return found


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


def _proof(outcome: Outcome) -> Iterator[str]:
    certificate, currency = outcome.plan.certificate, _currency(outcome)
    assert certificate is not None
    yield ""
    if certificate.lower_bound is not None and certificate.gap is not None:
        share = PERCENT * certificate.gap / abs(certificate.cost) if certificate.cost else Fraction(0)
        yield from paragraph(
            f"Proved: no plan of this week comes below {shown(certificate.lower_bound, 2)}{currency} of value used. "
            f"This one is at {shown(certificate.cost, 2)}, so that {shown(certificate.gap, 2)} ({shown(share, 2)} %) "
            "is the most there could be to save."
        )
    if certificate.reported is not None:
        yield from paragraph(
            f"With whole packs, days and choices the search found nothing below {certificate.reported:.2f}; that is "
            "not proved."
        )
    yield from paragraph(
        "Every batch was weighed and measured again in exact arithmetic; stock, dates, orders and the kitchen's limits "
        "were added up again from the files."
    )


def _no_plan(outcome: Outcome, found: NoPlan) -> Iterator[str]:
    world = outcome.plan.world
    for batch, requirement in found.impossible:
        yield from paragraph(f"{batch} can never meet: {requirement.words()}", "* ")
    for batch, dose in found.instead(world):
        yield from paragraph(f"What would pass in {batch}: {dose.words()}.", "> ", "  ")
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
