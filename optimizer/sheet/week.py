"""A week as sheets: the order list by supplier, the pull list by day, and the sheet of every batch."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from constraints.numbers import shown
from optimizer.answer import Status
from optimizer.pages.figures import ounces, places_of
from optimizer.past import Past
from optimizer.plan.model.world import Supply
from optimizer.plan.report.day_page import name_of
from optimizer.plan.report.outcome import Outcome
from optimizer.plan.report.plan_page import verdict_lines
from optimizer.plan.report.unit import Unit
from optimizer.plan.settle.weigh import Made
from optimizer.sheet.batch import Sheet
from optimizer.sheet.page import sheet_page
from optimizer.wording import day_words


def week_page(outcome: Outcome) -> str:
    """The page; only its verdict where there is no plan, or where something already made must be held back."""
    plan = outcome.plan
    week = plan.world.week
    stop = plan.money is None or plan.status is Status.DO_NOT_MAKE or bool(outcome.hold)
    lists = {
        "stop": stop,
        "verdict": list(verdict_lines(outcome)),
        "orders": [],
        "pulls": [],
        "unit": Unit.of(outcome.plan.world).name,
    }
    if not stop:
        lists |= {
            "unit": Unit.of(outcome.plan.world).name,
            "orders": list(_orders(outcome)),
            "pulls": list(_pulls(outcome)),
        }
    return sheet_page(week.entry.name, [] if stop else list(_sheets(outcome)), lists)


def _sheets(outcome: Outcome) -> Iterator[Sheet]:
    """Every batch with its code; numbers go on after those of the same day that are made already."""
    world = outcome.plan.world
    past = Past.of(world.week.lots.file)
    for on, group in groupby(outcome.plan.made, key=lambda one: one.on):
        done = sum(batch["date"] == on.isoformat() for batch in outcome.done)
        for number, one in enumerate(group, start=done + 1):
            bought = {
                world.supplies[s].lot.name: offer.terms.supplier
                for s in one.taken
                if (offer := world.supplies[s].offer)
            }
            title = f"{one.job.name} ({one.job.recipe.entry.name})"
            yield Sheet(one.answer, past.free_code(on, number), title, _pounds(outcome), {**past.suppliers, **bought})


def _pounds(outcome: Outcome) -> bool:
    return Unit.of(outcome.plan.world).name == "lb"


def _orders(outcome: Outcome) -> Iterator[tuple[str, list[list[str]]]]:
    unit = Unit.of(outcome.plan.world)
    found = sorted(outcome.plan.orders, key=lambda order: (order.offer.terms.supplier, order.order_by, order.delivered))
    for supplier, group in groupby(found, key=lambda order: order.offer.terms.supplier):
        yield supplier, [
            [o.offer.name, o.supply.lot.material, "" if o.packs is None else str(o.packs), unit(o.kg, 2),
             unit.price(o.price, 3), shown(o.money, 2), day_words(o.order_by), day_words(o.delivered)]
            for o in group
        ]  # fmt: skip


def _pulls(outcome: Outcome) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """What comes out of the cooler on each day, as held, and for which batches."""
    for on, group in groupby(outcome.plan.made, key=lambda one: one.on):
        batches = list(group)
        taken = {s: outcome.plan.world.supplies[s] for one in batches for s in one.taken}
        rows = [_pull(batches, s, supply, _pounds(outcome)) for s, supply in taken.items()]
        yield day_words(on), sorted(rows, key=lambda row: row["lot"])


def _pull(batches: list[Made], s: int, supply: Supply, in_pounds: bool) -> dict[str, str]:
    mine = [one for one in batches if s in one.taken]
    total = sum((one.taken[s] for one in mine), Fraction(0))
    division = mine[0].answer.problem.order.meat_division_kg
    plain = f"{shown(total, places_of(division))} kg"
    large, small = (ounces(total, division), plain) if in_pounds else (plain, "")
    return {"lot": name_of(supply), "what": supply.lot.material, "large": large, "small": small,
            "for_": ", ".join(one.job.name for one in mine)}  # fmt: skip
