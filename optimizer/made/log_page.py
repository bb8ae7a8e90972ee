"""What is said of a cook: of a log that was judged one page, a picture that prints in grey and JSON; and its plan.

A plan is a schedule of the smokehouse, or a hold by the tables: only a probe proves it.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime
from fractions import Fraction
from itertools import pairwise
from typing import Any

from constraints.as_typed import PERCENT, ZERO, trimmed
from constraints.treatment import Kill, Sourced, Treatments, celsius, fahrenheit
from optimizer.made.curve import Readings
from optimizer.made.found import Judged, LogFinding, LogReport, MadeProduct, Phase, degrees, lacks, spell
from optimizer.pages.chart import across, render, upwards
from optimizer.pages.tables import heading, listed, paragraph, table
from optimizer.reading.entry import StepEntry
from optimizer.record import Figure, Record, at

CAUTION = (
    "A log shows what its probes felt, not the coldest spot they missed. Undercooked, slowly cooled or badly dried "
    "meat makes people ill. trimwright compares figures; your authority, your own plan and licensed practice decide."
)
HOLD = "HOLD THIS BATCH"
MOST_IN_SHORT = 4
"""Findings of a phase in short that decide nothing."""


def page(report: LogReport, *, full: bool = False) -> str:
    """The page, ending in a newline."""
    said = [("", verdict(report)), *(("* ", reason) for reason in report.hold)]
    lines = [*_head(report), "", *listed([*said, *(("", f"! {fault}") for fault in report.log.warnings)])]
    for judged in report.judged:
        lines += _place(judged, full=full)
    if report.hold:
        keep = "Keep it from sale and ask your authority before anything else is done with it."
        after = dict.fromkeys(judged.place.next for judged in report.judged if judged.place is not None)
        lines += [*heading("what next"), *listed(("", words) for words in (keep, *after))]
    steps = report.product.recipe.entry.schedule
    lines += [*schedule_lines(steps)] if steps and full else []
    return "\n".join([*lines, "", *paragraph(CAUTION)]) + "\n"


def _head(report: LogReport) -> list[str]:
    log = report.log
    when = f"{log.start:%Y-%m-%d %H:%M}, " if log.start else ""
    probes = ", ".join(curve.name for curves in log.curves.values() for curve in curves)
    said = [f"{report.product.recipe.entry.name}: the log {log.file}", f"{when}{spell(log.minutes)}; {probes}"]
    said += [] if report.error else ["The thermometers are taken to be right: say --thermometer-error."]
    unknown = "Which species are in it is not known, so the strictest table holds: say eligible: species."
    return listed(("", words) for words in (*said, *([] if report.product.species_said else [unknown])))


def verdict(report: LogReport) -> str:
    """The one line that decides: hold, or what the log meets, what is to be confirmed, and what was not judged."""
    if report.hold:
        return f"*** {HOLD} ***"
    deciding = [(j, phase) for j in report.judged for phase in j.phases if phase.findings and not phase.warns]
    met = dict.fromkeys(j.place.title for j, phase in deciding if j.place and phase.ok)
    unjudged = [phase.title for _, phase in deciding if phase.ok is None]
    unjudged += [j.place.title for j in report.judged if j.place and j.place.title not in met]
    said = f"THE LOG MEETS what is asked{': ' + ' and '.join(met) if met else ''}"
    said += "; CONFIRM WITH YOUR AUTHORITY, for a figure was read second hand" if report.confirm else ""
    return said + (f"; not judged: {', '.join(dict.fromkeys(unjudged))}" if unjudged else "") + "."


def _place(judged: Judged, *, full: bool) -> Iterator[str]:
    phases = [phase for phase in judged.phases if phase.findings]
    if not phases:
        return
    yield from heading(judged.place.title if judged.place else "the product")
    for phase in phases:
        said = _said(phase, full=full)
        for finding, after in zip(said, (*said[1:], None), strict=False):
            yield from paragraph(f"{phase.title}: {finding.words}", mark(finding, phase))
            last = after is None or after.by is not finding.by  # a table's source stands once, below its rows
            if finding.by is not None and last and (full or not phase.warns):
                yield from paragraph(_source(finding.by, full=full), "        ")
    if full and judged.place is not None:
        word = f"The last word is with {judged.place.authority}."
        yield from listed(("", words) for words in (word, *judged.place.notes))


def _source(by: Sourced, *, full: bool) -> str:
    """Where a figure was read and how; its note too where an authority must confirm it."""
    note = f"; {by.note}" if by.note and (full or by.confirm) else ""
    return f"[{by.title + '; ' if full else ''}{by.source}; {by.status}{note}]"


def _said(phase: Phase, *, full: bool) -> list[LogFinding]:
    """In short the finding that decides, beside it what else cooling might have done; all of them in full."""
    if full or phase.aside or not phase.best:
        return list(phase.findings) if full else []
    if phase.warns:
        return list(phase.findings[:MOST_IN_SHORT])
    others = phase.findings if phase.ok is not True and len(phase.findings) <= MOST_IN_SHORT else ()
    return [phase.best, *(finding for finding in others if finding is not phase.best)]


def mark(finding: LogFinding, phase: Phase) -> str:
    """The word before a finding, filled up to eight letters."""
    if phase.warns:
        return "note    "
    if finding.ok is True:
        return "ok      " if finding.passes else "memory  "
    if finding.ok is None:
        return "?       "
    return "not met " if phase.ok else "FAILS   "  # one row or option of a phase is enough


MOST_POINTS = 400
DRAWN = {"core": "", "surface": "2 3", "chamber": "8 4", "freezer": "8 4", "set": "1 5"}
"""What is drawn, with the dashes by which it is told apart without colour."""


def picture(report: LogReport) -> str:
    """The page as HTML with one inline picture; everything from the input is escaped."""
    shown = [(curve.name, dashes, _dots(curve)) for role, dashes in DRAWN.items() for curve in report.log.of(role)]
    x, y = across([0.0, float(report.log.minutes)]), upwards([at for _, _, dots in shown for _, at in dots] or [0.0])
    deciding = [(phase, phase.best) for phase in report.phases if not phase.warns and phase.best]
    curves: list[dict[str, Any]] = [
        {"name": name, "dashes": dashes, "points": " ".join(f"{x.at(minute)},{y.at(at)}" for minute, at in dots),
         "x": x.at(dots[-1][0]), "y": y.at(dots[-1][1]) - 6}
        for name, dashes, dots in shown
    ]  # fmt: skip
    curves.sort(key=lambda curve: -curve["y"])
    for below, curve in pairwise(curves):  # from the lowest end upwards, no name on another
        curve["y"] = min(curve["y"], below["y"] - 15)
    return render(
        "made/log.html", title=f"{report.product.recipe.entry.name}: {report.log.file}",
        verdict=" ".join((verdict(report), "; ".join(report.hold))),
        spans=[(span, span.earns and finding.ok) for _, finding in deciding for span in finding.spans],
        x=x, y=y, celsius=celsius, curves=curves,
        since=f"minutes since {report.log.start:%Y-%m-%d %H:%M}" if report.log.start else "minutes",
        findings=[(mark(f, phase).strip(), f"{phase.title}: {f.words}") for phase, f in deciding],
        x_ticks=x.ticks(), y_ticks=y.ticks(),
    )  # fmt: skip


def _dots(curve: Readings) -> list[tuple[float, float]]:
    """Minutes and degrees Celsius, thinned to what a page can show; the last reading is always there."""
    chosen = sorted({*range(0, len(curve), max(1, len(curve) // MOST_POINTS)), len(curve) - 1})
    return [(float(curve.minute(i)), float(celsius(curve.value(i)))) for i in chosen]


class JudgedSpan(Record):
    """A time of the log that a finding rests on, minutes from its start, at a level."""

    probe: str = at("name")
    start_min: Figure = at("start")
    end_min: Figure = at("end")
    level_f: Figure = at("level")
    level_c: Figure = at(lambda span: celsius(span.level))


class JudgedFinding(Record):
    """One table row, option or figure; ``ok`` null: not judged."""

    ok: bool | None
    passes: bool
    words: str
    title: str | None = at("by.title")
    source: str | None = at("by.source")
    status: str | None = at("by.status")
    spans: list[JudgedSpan]


class JudgedPhase(Record):
    """Findings of which one is enough; ``holds``: the batch is held for it."""

    phase: str = at("title")
    ok: bool | None
    decides: bool = at(lambda phase: not phase.warns)
    holds: bool
    findings: list[JudgedFinding]


class JudgedPlace(Record):
    """The phases under one place, or (null) of the product itself."""

    place: str | None = at("place.title")
    phases: list[JudgedPhase] = at(lambda judged: [phase for phase in judged.phases if phase.findings])


class JudgedLog(Record):
    """The answer of ``trimwright cook`` and ``trimwright dry`` on a log."""

    status: str = at(lambda report: "hold" if report.hold else "meets")
    verdict: str = at(verdict)
    confirm_with_authority: bool = at("confirm")
    why_held: list[str] = at("hold")
    recipe: str = at("product.recipe.entry.name")
    log: str = at("log.file")
    start: datetime | None = at("log.start")
    minutes: Figure = at("log.minutes")
    places: list[JudgedPlace] = at("judged")
    warnings: list[str] = at(lambda report: [str(fault) for fault in report.log.warnings])
    caution: str = at(lambda report: CAUTION)


PROVE = "To be proved by a probe: what the chamber is set to shows nothing of the core."


def step_degrees(step: StepEntry) -> tuple[Fraction, Fraction | None]:
    """What the chamber is set to, and the core's temperature at which the step ends, in Fahrenheit."""
    at = fahrenheit(step.set_c, "C") if step.set_c is not None else step.set_f or ZERO
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
    yield from listed(("! ", words) for words in odd_steps(steps))


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


def cook_plan(product: MadeProduct, places: Sequence[Treatments], at: Fraction | None, minutes: Fraction | None) -> str:
    """The plan of a cook: the tables' answer, and the recipe's schedule."""
    recipe = product.recipe.entry
    lines = [recipe.name, *_planned(product, places, at, minutes)]
    return "\n".join([*lines, *(schedule_lines(recipe.schedule) if recipe.schedule else ())]) + "\n"


def _planned(
    product: MadeProduct, places: Sequence[Treatments], at: Fraction | None, minutes: Fraction | None
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
