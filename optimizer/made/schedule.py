"""A schedule of the smokehouse, and a planned hold by the tables: plans, which only a probe proves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.numbers import PERCENT, trimmed
from constraints.treatment import Kill, Treatments, fahrenheit
from optimizer.made.found import degrees, lacks, spell
from optimizer.made.product import Product
from optimizer.pages.tables import heading, paragraph, table
from optimizer.reading.entry import StepEntry

PROVE = "To be proved by a probe: what the chamber is set to shows nothing of the core."


def step_degrees(step: StepEntry) -> tuple[Fraction, Fraction | None]:
    """What the chamber is set to, and the core's temperature at which the step ends, in Fahrenheit."""
    at = fahrenheit(step.set_c, "C") if step.set_c is not None else step.set_f or Fraction(0)
    until = step.until_core_f if step.until_core_c is None else fahrenheit(step.until_core_c, "C")
    return at, until


HEADS = ("step", "chamber", "humidity", "time", "until the core is")


def step_cells(step: StepEntry) -> list[str]:
    """What a step is set to, below HEADS; temperatures in the unit they are typed in, then in the other."""
    at, until = step_degrees(step)
    humidity = "" if step.humidity_pct is None else f"{trimmed(step.humidity_pct)} %"
    core = "" if until is None else degrees(until, "F" if step.until_core_c is None else "C")
    time = "" if step.minutes is None else spell(step.minutes)
    return [step.name, degrees(at, "F" if step.set_c is None else "C"), humidity, time, core]


def schedule_lines(steps: Sequence[StepEntry]) -> Iterator[str]:
    """The schedule as a table with boxes to tick, its total, and what is odd about it."""
    rows = [["[ ]", f"{number}", *step_cells(step)] for number, step in enumerate(steps, start=1)]
    yield from heading("schedule")
    yield from table(("", "", *HEADS), rows, "<><>>>>")
    total = Fraction(sum(step.minutes or 0 for step in steps))
    open_ended = any(step.minutes is None for step in steps)
    yield from paragraph(f"{spell(total)} in all{', and the steps without a time' if open_ended else ''}. {PROVE}")
    for words in odd_steps(steps):
        yield from paragraph(words, "! ")


def odd_steps(steps: Sequence[StepEntry]) -> Iterator[str]:
    """What cannot be meant: a core hotter than its air, heat again after cooling."""
    before: Fraction | None = None
    cooled = ""
    for number, step in enumerate(steps, start=1):
        at, until = step_degrees(step)
        if until is not None and (before is None or before <= at) and until > at:
            yield f"step {number}, {step.name}: no core comes to {degrees(until)} in air at {degrees(at)}"
        if before is not None and at > before and cooled:
            yield f"step {number}, {step.name}, heats again after {cooled} cooled: a core on the way down must not wait"
        cooled = step.name if before is not None and at < before else cooled
        before = at


def plan_page(product: Product, places: Sequence[Treatments], at: Fraction | None, minutes: Fraction | None) -> str:
    """The plan of a cook: the tables' answer, and the recipe's schedule."""
    recipe = product.recipe.entry
    lines = [recipe.name, *_planned(product, places, at, minutes)]
    return "\n".join([*lines, *(schedule_lines(recipe.schedule) if recipe.schedule else ())]) + "\n"


def _planned(
    product: Product, places: Sequence[Treatments], at: Fraction | None, minutes: Fraction | None
) -> Iterator[str]:
    """How long the core must hold at a temperature (Fahrenheit), or where for so many minutes; else every row."""
    yield from (line for words in lacks(places, "cook", "kills") for line in paragraph(words))
    steps = product.recipe.entry.schedule
    for place in places:
        for kill in place.kills:
            if kill.judges and product.takes(kill.species, kill.not_species):
                yield from heading(place.title)
                yield from paragraph(f"{kill.title} [{kill.source}; {kill.status}]")
                yield from _hold(kill, at, minutes)
        if place.humidity is not None and steps:
            rule = place.humidity
            total = sum(step.minutes or 0 for step in steps)
            humid = sum(step.minutes or 0 for step in steps if (step.humidity_pct or 0) >= rule.least_pct)
            needed = max(total * rule.share_pct / PERCENT, rule.at_least)
            asked = f"{trimmed(rule.least_pct)} % or more for {spell(needed)}, or a casing that holds moisture"
            yield from paragraph(f"humid air: {spell(Fraction(humid))} planned; {asked} [{rule.source}]")
    yield from paragraph(PROVE)


def _hold(kill: Kill, at: Fraction | None, minutes: Fraction | None) -> Iterator[str]:
    """One table's answer."""
    rows = [(fahrenheit(level, kill.unit), needed) for level, needed in kill.rows.items()]
    if at is not None:
        least = min((needed for level, needed in rows if level <= at), default=None)
        long = "too cold for this table" if least is None else f"at least {spell(least)}" if least else "reached"
        yield f"core at {degrees(at)}: {long}"
    if minutes is not None:
        levels = [level for level, needed in rows if needed <= minutes]
        where = f"core at {degrees(min(levels), kill.unit)} or above" if levels else "too short for this table"
        yield f"for {spell(minutes)}: {where}"
    if at is None and minutes is None:
        cells = [f"{degrees(level, kill.unit)} {spell(needed) if needed else 'reached'}" for level, needed in rows]
        cells += [""] * (-len(cells) % 3)
        yield from table(("core", "", ""), [cells[k : k + 3] for k in range(0, len(cells), 3)], "<<<")
