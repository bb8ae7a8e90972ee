"""What is pulled and weighed on each day of a plan, every mixer load with its own grams."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from itertools import groupby

from constraints.formula import Batch
from constraints.ingredients import Ingredient, Kind
from constraints.numbers import KG_PER_LB, OZ_PER_LB, shown
from constraints.quantities import Basis
from optimizer.pages.details import source_words
from optimizer.pages.figures import Unit, figure, grams
from optimizer.pages.tables import heading, paragraph, table
from optimizer.plan.model.world import Supply
from optimizer.plan.report.outcome import Outcome
from optimizer.plan.settle.weigh import Made
from optimizer.remarks import known_to_contain, lot_notes, warnings
from optimizer.verdict import Grade, Verdict, mark
from optimizer.wording import day_words

_ZERO = Fraction(0)
_LOADS = 4
"""Mixer loads beside each other."""
_COARSEST = Fraction(1, 10_000)
"""Division down to which grams show one decimal, kilograms."""


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
            total = unit.figure(sum(mine.values(), _ZERO), places)
            rows.append([name_of(supply), supply.lot.material, total, ", ".join(parts)])
        yield from table(("pull", "material", f"{unit.name} as held", "for"), rows, "<<><")
        for one in batches:
            yield from _batch(one, unit, full=full)


def pulled(outcome: Outcome, batches: Sequence[Made]) -> Iterator[tuple[Supply, dict[str, Fraction]]]:
    """What comes out of the cooler for the batches of a day, as held, and how much of it for which."""
    supplies = outcome.plan.world.supplies
    for s in sorted({s for one in batches for s in one.taken}, key=lambda s: (supplies[s].name, s)):
        yield supplies[s], {one.job.name: one.taken[s] for one in batches if s in one.taken}


def _batch(one: Made, unit: Unit, *, full: bool) -> Iterator[str]:
    """The weigh-out of every mixer load, each with its own grams."""
    weighed = one.answer.weighed
    assert weighed is not None
    yield ""
    places = unit.places(one.answer.problem.order.meat_division_kg)
    meat, whole = (unit.figure(one.kilograms(basis), places) for basis in (Basis.MEAT, Basis.BATCH))
    loads = weighed.loads or (weighed.total,)
    many = f", in {len(loads)} loads; each has its own grams" if len(loads) > 1 else ""
    size = f"{meat} {unit.name} meat, {whole} {unit.name} in all"
    yield from paragraph(f"{one.job.name} ({one.job.recipe.entry.name}): {size}{many}")
    items = sorted(weighed.total.kilograms, key=lambda item: item.kind is not Kind.LOT)
    for start in range(0, len(loads), _LOADS):
        part = loads[start : start + _LOADS]
        heads = [f"load {start + n + 1}" if len(loads) > 1 else f"{unit.name} or grams" for n in range(len(part))]
        rows = [[item.name, *[_weight(item, load, weighed.divisions[item], unit) for load in part]] for item in items]
        yield from table(("weigh out", *heads), rows, "<" + ">" * len(part))
    for said in (*warnings(one.answer), *lot_notes(one.answer)):
        yield from paragraph(said, "! ")
    for said in known_to_contain(one.job.recipe):
        yield from paragraph(said, "* ")
    if full or any(check.ok is not True for check in one.answer.checks):
        yield from _checks(one)


def _weight(item: Ingredient, load: Batch, division: Fraction, unit: Unit) -> str:
    """A lot in the week's unit; an addition in grams, in a week of pounds with ounces beside them."""
    kg = load.kilograms.get(item, _ZERO)
    if item.kind is Kind.LOT:
        return f"{unit.figure(kg, unit.places(division))} {unit.name}"
    ounces = f" = {shown(kg / KG_PER_LB * OZ_PER_LB, 2)} oz" if unit.name == "lb" else ""
    return f"{grams(kg, min(division, _COARSEST))} g{ounces}"


def _checks(one: Made) -> Iterator[str]:
    """What holds in one line, what does not in full; every check stands on the batch's own page and in the JSON."""
    yield from paragraph(Verdict.of(Grade.MAKE, one.answer.checks).counted)
    for check in one.answer.checks:
        if check.ok is True:
            continue
        r = check.requirement
        value = "not measured" if check.value is None else f"{figure(check.value, r)} {r.unit}"
        yield from paragraph(f"{r.what}, {r.basis}: {value}, {r.limits()} [{source_words(r)}]", f"{mark(check):8}")
