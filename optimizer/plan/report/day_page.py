"""What is pulled and weighed on each day of a plan, every mixer load with its own grams."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from itertools import groupby

from constraints.formula import Batch
from constraints.ingredients import Ingredient, Kind
from constraints.numbers import shown
from constraints.quantities import Basis
from optimizer.pages.details import source_words
from optimizer.pages.figures import figure, grams, places_of
from optimizer.pages.tables import heading, paragraph, table
from optimizer.plan.report.outcome import Outcome
from optimizer.plan.settle.weigh import Made
from optimizer.remarks import known_to_contain, lot_notes, warnings
from optimizer.verdict import Grade, Verdict, mark
from optimizer.words import day_words

_LOADS = 4
"""Mixer loads beside each other."""
_COARSEST = Fraction(1, 10_000)
"""Division down to which grams show one decimal, kilograms."""


def weekday(day: date) -> str:
    """A day of the week in hand: its year is said once, at the top."""
    return day_words(day, day)


def day_by_day(outcome: Outcome, *, full: bool) -> Iterator[str]:
    """A part for each day on which anything is made."""
    for on, group in groupby(outcome.plan.made, key=lambda one: one.on):
        batches = list(group)
        yield from heading(weekday(on))
        yield from _pulls(outcome, batches)
        for one in batches:
            yield from _batch(one, full=full)


def _pulls(outcome: Outcome, batches: Sequence[Made]) -> Iterator[str]:
    """What comes out of the cooler that day, as held, and for what."""
    world = outcome.plan.world
    places = max(3, *(places_of(one.answer.problem.order.meat_division_kg) for one in batches))
    rows = []
    for s in sorted({s for one in batches for s in one.taken}, key=lambda s: (world.supplies[s].name, s)):
        mine = [(one.job.name, one.taken[s]) for one in batches if s in one.taken]
        parts = [f"{name} {shown(kg, places)}" if len(mine) > 1 else name for name, kg in mine]
        total = sum((kg for _, kg in mine), Fraction(0))
        rows.append([name_of(outcome, s), world.supplies[s].lot.material, shown(total, places), ", ".join(parts)])
    yield from table(("pull", "material", "kg as held", "for"), rows, "<<><")


def name_of(outcome: Outcome, s: int) -> str:
    """A lot by its name, a delivery with its day."""
    supply = outcome.plan.world.supplies[s]
    return (
        supply.name if supply.offer is None else f"{supply.name}, came {weekday(outcome.plan.world.date(supply.first))}"
    )


def _batch(one: Made, *, full: bool) -> Iterator[str]:
    """The weigh-out of every mixer load, each with its own grams."""
    weighed = one.answer.weighed
    yield ""
    places = max(3, places_of(one.answer.problem.order.meat_division_kg))
    size = f"{shown(one.kilograms(Basis.MEAT), places)} kg meat, {shown(one.kilograms(Basis.BATCH), places)} kg in all"
    loads = () if weighed is None else weighed.loads or (weighed.total,)
    many = f", in {len(loads)} loads; each has its own grams" if len(loads) > 1 else ""
    yield from paragraph(f"{one.job.name} ({one.job.recipe.entry.name}): {size}{many}")
    divisions = weighed.divisions if weighed else {}
    items = sorted(weighed.total.kilograms if weighed else (), key=lambda item: item.kind is not Kind.LOT)
    for start in range(0, len(loads), _LOADS):
        part = loads[start : start + _LOADS]
        heads = [f"load {start + n + 1}" if len(loads) > 1 else "kg or grams" for n in range(len(part))]
        rows = [[item.name, *[_weight(item, load, divisions[item]) for load in part]] for item in items]
        yield from table(("weigh out", *heads), rows, "<" + ">" * len(part))
    for said in (*warnings(one.answer), *lot_notes(one.answer)):
        yield from paragraph(said, "! ")
    for said in known_to_contain(one.job.recipe):
        yield from paragraph(said, "* ")
    if full or any(check.ok is not True for check in one.answer.checks):
        yield from _checks(one)


def _weight(item: Ingredient, load: Batch, division: Fraction) -> str:
    kg = load.kilograms.get(item, Fraction(0))
    lot = f"{shown(kg, max(3, places_of(division)))} kg"
    return lot if item.kind is Kind.LOT else f"{grams(kg, min(division, _COARSEST))} g"


def _checks(one: Made) -> Iterator[str]:
    """What holds in one line, what does not in full; every check stands on the batch's own page and in the JSON."""
    yield from paragraph(Verdict.of(Grade.MAKE, one.answer.checks).counted)
    for check in one.answer.checks:
        if check.ok is True:
            continue
        r = check.requirement
        value = "not measured" if check.value is None else f"{figure(check.value, r)} {r.unit}"
        yield from paragraph(f"{r.what}, {r.basis}: {value}, {r.limits()} [{source_words(r)}]", f"{mark(check):8}")
