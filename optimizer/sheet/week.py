"""A week as sheets: the order list by supplier, the pull list by day, and the sheet of every batch."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from constraints.numbers import shown
from optimizer.figures import ounces, places_of
from optimizer.ledger import Past
from optimizer.plan.report.outcome import Outcome
from optimizer.plan.report.plan_page import name_of, order_cells, pulled, verdict_lines
from optimizer.sheet.batch_sheet import Sheet, sheet_page
from optimizer.wording import day_words


def week_page(outcome: Outcome) -> str:
    """The page; only its verdict where there is no plan, or where something already made must be held back."""
    stop = not outcome.stands or bool(outcome.hold)
    lists = {
        "stop": stop, "verdict": list(verdict_lines(outcome)), "unit": outcome.unit.name,
        "orders": [] if stop else list(_orders(outcome)), "pulls": [] if stop else list(_pulls(outcome)),
    }  # fmt: skip
    return sheet_page(outcome.plan.world.week.entry.name, [] if stop else list(_sheets(outcome)), lists)


def _sheets(outcome: Outcome) -> Iterator[Sheet]:
    """Every batch with its code; numbers go on after those of the same day that are made already."""
    world, pounds = outcome.plan.world, outcome.unit.name == "lb"
    past = Past.of(world.week.lots.file)
    for on, group in groupby(outcome.made, key=lambda one: one.on):
        done = sum(batch["date"] == on.isoformat() for batch in outcome.done)
        for number, one in enumerate(group, start=done + 1):
            taken = [world.supplies[s] for s in one.taken]
            bought = {supply.lot.name: supply.offer.terms.supplier for supply in taken if supply.offer}
            title = f"{one.job.name} ({one.job.recipe.entry.name})"
            yield Sheet(one.answer, past.free_code(on, number), title, pounds, {**past.suppliers, **bought})


def _orders(outcome: Outcome) -> Iterator[tuple[str, list[list[str]]]]:
    found = sorted(outcome.orders, key=lambda order: (order.offer.terms.supplier, order.order_by, order.delivered))
    for supplier, group in groupby(found, key=lambda order: order.offer.terms.supplier):
        yield supplier, [
            [*order_cells(o, outcome.unit), day_words(o.order_by), day_words(o.delivered)] for o in group
        ]  # fmt: skip


def _pulls(outcome: Outcome) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """What comes out of the cooler on each day, as held, and for which batches."""
    for on, group in groupby(outcome.made, key=lambda one: one.on):
        batches = list(group)
        division = batches[0].answer.problem.order.meat_division_kg
        rows = []
        for supply, mine in pulled(outcome, batches):
            total = sum(mine.values(), Fraction(0))
            plain = f"{shown(total, places_of(division))} kg"
            large, small = (ounces(total, division), plain) if outcome.unit.name == "lb" else (plain, "")
            rows.append({"lot": name_of(supply), "what": supply.lot.material, "large": large, "small": small,
                         "for_": ", ".join(mine)})  # fmt: skip
        yield day_words(on), rows
