"""A cook and its cooling judged by a place's tables: the coldest core for the kill, the slowest core for cooling.

A thermometer's error always counts against the batch. Times are exact; integrated lethality is a second opinion only.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial, reduce
from math import lcm, log10

import numpy as np

from constraints.faults import BadInput, Fault
from constraints.numbers import PERCENT, shown, trimmed
from constraints.quantities import speaks_of
from constraints.treatment import ComeUp, Humidity, Kill, Option, Scale, Stage, Treatments, fahrenheit
from optimizer.made.curve import Curve
from optimizer.made.found import Finding, Judged, Phase, Report, Span, degrees, lacks, spell
from optimizer.made.log import Log
from optimizer.made.product import Product

COOK_GAP, COOL_GAP = Fraction(10), Fraction(30)
"""Minutes without a reading that break a time earned (common practice, no source), and the first stage of cooling (30
minutes between 130 and 80 F: our reading of what can be judged)."""
COOLEST_COOK_F, HOTTEST_CORE_F = 100, 230
"""A Fahrenheit log that never comes higher may be one in Celsius; no core of a sausage comes hotter (water boils)."""


@dataclass(frozen=True)
class Asked:
    """How a log is to be read: the thermometer's error, Fahrenheit, and the longest gap, minutes (None: ours)."""

    error: Fraction = Fraction(0)
    gap: Fraction | None = None


def judge_cook(log: Log, product: Product, places: Sequence[Treatments], asked: Asked) -> Report:
    """Every phase under every place. Raises BadInput for a log without a core, or surely in another unit."""
    cores = log.of("core")
    if not cores:
        found = "no column is a core's probe"
        raise BadInput([Fault(log.file, None, None, found, "core_c or core_f, or --column NAME=core")])
    cold = coldest(cores)
    judged = tuple(Judged(place, tuple(_phases(log, cold, product, place, asked))) for place in places)
    return Report(product, log, judged, (*lacks(places, "cook", "kills"), *lacks(places, "cooling")), asked.error)


def unit_faults(log: Log, *, sure: bool) -> Iterator[Fault]:
    """A core that no kitchen can have, or that may be in the other unit; ``sure`` where the user named the unit."""
    cores = log.of("core")
    top = max((core.top for core in cores), default=Fraction(0))
    if top > HOTTEST_CORE_F:
        found = f"a core comes to {degrees(top)}, hotter than boiling water: is it another probe, or in the other unit?"
        yield Fault(log.file, None, cores[0].name, found, "core_f or core_c as the logger was set, or --unit")
    elif cores and top <= COOLEST_COOK_F and not sure:
        found = f"no core comes above {degrees(top)}: is the log in Celsius, or is the cook not in it?"
        yield Fault(log.file, None, cores[0].name, found, "core_c if it is in Celsius; --unit F if it is as it stands")


def coldest(cores: Sequence[Curve]) -> Curve:
    """The coldest of all cores at every moment at which each has a reading."""
    if len(cores) == 1:
        return cores[0]
    times = reduce(partial(np.intersect1d, assume_unique=True), [core.times for core in cores])
    scale = lcm(*(core.scale for core in cores))
    rows = [core.values[np.searchsorted(core.times, times)] * (scale // core.scale) for core in cores]
    return Curve("coldest core", times, np.min(rows, axis=0), cores[0].tick, scale)


def _phases(log: Log, cold: Curve, product: Product, place: Treatments, asked: Asked) -> Iterator[Phase]:
    kills = [kill for kill in place.kills if product.takes(kill.species, kill.not_species)]
    judges = [kill for kill in kills if kill.judges]
    met: list[Finding] = []
    for kill in judges:
        phase = Phase("cook", tuple(_rows(kill, cold, asked)), needed=True)
        met += [phase.best] if phase.ok and phase.best else []
        yield phase
    end = met[0].spans[0].end if met else _peak(cold)
    if place.come_up is not None:
        yield Phase("come-up", (_come_up(log, place.come_up, asked),))
    if place.humidity is not None:
        yield Phase("humid air", (_humidity(log, product, place.humidity, end, asked),))
    if place.cooling:
        options = tuple(_option(log, product, option, end, asked) for option in place.cooling)
        yield Phase("cooling", options, needed=True)
        yield Phase("held warm", tuple(_warm(log, end)), warns=True)
    yield Phase("before the cook", tuple(_handling(log, place)), warns=True)
    yield Phase("second opinion", tuple(_opinions(cold, place, asked)), warns=True)
    beside = [kill for kill in kills if not kill.judges]
    yield Phase("other tables", tuple(_beside(cold, beside, asked)), warns=True, aside=True)


def _rows(kill: Kill, cold: Curve, asked: Asked) -> Iterator[Finding]:
    """Each row of a table: the longest unbroken time of the coldest core at or above it."""
    widest = cold.widest_gap(Fraction(0), cold.minute(len(cold) - 1)) if len(cold) else Fraction(0)
    gap = f" (the cores have no reading for {spell(widest)})" if widest > (asked.gap or COOK_GAP) else ""
    for at, needed in kill.rows.items():
        level = fahrenheit(at, kill.unit)
        span = cold.longest_above(level + asked.error, asked.gap or COOK_GAP) if len(cold) else None
        time = Fraction(-1) if span is None else span[1] - span[0]
        ok = time >= needed
        asks = f"{spell(needed)} asked" if needed else "to be reached"
        held = "never reached" if span is None else f"held {spell(time, needed)}"
        held += gap if not ok else ""
        near = 1 + level if ok else Fraction(0) if not needed else max(time, Fraction(0)) / needed
        spans = () if span is None else (Span(cold.name, *span, level, earns=True),)
        yield Finding(ok, f"{degrees(level, kill.unit)} {held}, {asks}", kill, near, spans)


def _peak(curve: Curve) -> Fraction:
    """The last minute at the highest reading."""
    if not len(curve):
        return Fraction(0)
    return curve.minute(len(curve) - 1 - int(np.argmax(curve.values[::-1])))


def _come_up(log: Log, rule: ComeUp, asked: Asked) -> Finding:
    """The slowest core's time from first reaching the lower temperature to last passing the upper one."""
    low, high = fahrenheit(rule.start, rule.unit), fahrenheit(rule.end, rule.unit)
    found = []
    for core in log.of("core"):
        start = core.rises_to(low - asked.error)
        until = core.rises_to(high + asked.error, _peak(core), last=True)
        if start is None or core.value(0) >= low - asked.error:
            return Finding(None, f"not judged: the log of {core.name} begins at {degrees(core.value(0))}", rule)
        if until is None:
            return Finding(None, f"not judged: {core.name} never comes up to {degrees(high)}", rule)
        found.append(Span(core.name, start, until, high))
    span = max(found, key=lambda span: span.end - span.start)
    time = span.end - span.start
    words = f"{degrees(low)} to {degrees(high)} took {spell(time, rule.within)}, at most {spell(rule.within)}"
    return Finding(time <= rule.within, words, rule, spans=(span,))


def _humidity(log: Log, product: Product, rule: Humidity, end: Fraction, asked: Asked) -> Finding:
    casing = product.recipe.entry.casing
    if casing is not None and speaks_of(casing.name, frozenset(rule.casings)):
        return Finding(True, f"not needed: {casing.name} holds the moisture", rule)
    if not log.of("humidity"):
        lacks_it = "not judged: no humidity in the log, and no casing in the recipe that holds moisture"
        return Finding(None, lacks_it, rule)
    needed = max(end * rule.share_pct / PERCENT, rule.at_least)
    spans = [curve.longest_above(rule.least_pct, asked.gap or COOL_GAP) for curve in log.of("humidity")]
    time = min(Fraction(0) if span is None else min(span[1], end) - min(span[0], end) for span in spans)
    words = f"{trimmed(rule.least_pct)} % or more for {spell(time, needed)}, {spell(needed)} asked"
    return Finding(time >= needed, words, rule)


def _option(log: Log, product: Product, option: Option, cook_end: Fraction, asked: Asked) -> Finding:
    """One way of cooling: whether it is open to the product, and every stage by the slowest probe."""
    open_, lacks = product.meets(option.requires, option.source)
    if option.max_water_activity is not None:
        known = product.water_activity
        open_ = None if known is None else known <= option.max_water_activity
        lacks = "" if open_ else f"water activity {'is not measured' if known is None else trimmed(known, 3)}"
    if open_ is not True:
        why = "not for this product" if open_ is False else "not judged"
        return Finding(None, f"{option.title}: {why}, {lacks}", option)
    judged = [_stage(log, option, stage, cook_end, asked) for stage in option.stages]
    spans = tuple(span for _, _, span in judged if span is not None)
    most = option.begins_within
    if most is not None and spans:
        wait = spans[0].start - cook_end
        judged.append((wait <= most, f"begun {spell(wait, most)} after the cook, at most {spell(most)}", None))
    verdicts = [verdict for verdict, _, _ in judged]
    ok = False if False in verdicts else None if None in verdicts else True
    words = f"{option.title}: {'; '.join(said for _, said, _ in judged)}"
    return Finding(ok, words, option, Fraction(verdicts.count(True)), spans)


def _stage(
    log: Log, option: Option, stage: Stage, cook_end: Fraction, asked: Asked
) -> tuple[bool | None, str, Span | None]:
    """One stage by the probe that took longest; None where the log cannot tell."""
    probes = log.of("surface") if stage.surface else log.of("core")
    to = fahrenheit(stage.to, option.unit)
    name = f"{_plain(stage.start, option.unit)} to {_plain(stage.to, option.unit)}"
    if stage.surface and all(_never_rises(core, log, option, asked) for core in log.of("core")):
        return True, "the core fell without rising", None
    if not probes:
        return None, f"{name}: no probe at the surface, and the core rose on the way", None
    found: list[tuple[bool, Fraction, Span, Curve]] = []
    for probe in probes:
        begins = option.stages[0] if stage.from_first else stage
        start = _begin(probe, begins.start, option.unit, cook_end, asked)
        if start is None:
            return None, f"{name}: the log begins too late", None
        end = probe.stays_at_most(to - asked.error)
        span = Span(probe.name, start, log.minutes if end is None else max(end, start), to)
        gap = probe.widest_gap(start, span.end)
        if gap > (asked.gap or COOL_GAP):
            return None, f"{name}: cannot be judged, {probe.name} has no reading for {spell(gap)}", span
        found.append((end is None, span.end - span.start, span, probe))
    unfinished, time, span, probe = max(found, key=lambda one: one[:2])
    limit = stage.within
    late = limit is not None and time > limit
    allowed = "" if limit is None else f", at most {spell(limit)}"
    took = f"took {spell(time, limit)}"
    if unfinished:
        took = f"is at {degrees(probe.last, option.unit)} when the log ends"
        took += f" after {spell(time, limit)}" if time else ""
    return False if late else None if unfinished else True, f"{name} {took}{allowed}", span


def _plain(at: Fraction | None, unit: Scale) -> str:
    return "end of cook" if at is None else f"{trimmed(at)} {unit}"


def _begin(probe: Curve, at: Fraction | None, unit: Scale, cook_end: Fraction, asked: Asked) -> Fraction | None:
    """Minute at which a stage begins; None where the log begins below it."""
    if at is None:
        return cook_end
    level = fahrenheit(at, unit) + asked.error
    peak = _peak(probe)
    found = probe.falls_below(level, peak)
    if found is not None:
        return found
    if probe.top >= level:  # it ends above: the stage has not begun
        return probe.minute(len(probe) - 1)
    return peak if peak > 0 else None


def _never_rises(core: Curve, log: Log, option: Option, asked: Asked) -> bool:
    """True where a core falls all the way from the first stage's start to its end."""
    first = option.stages[0]
    start = _begin(core, first.start, option.unit, Fraction(0), asked)
    end = core.stays_at_most(fahrenheit(first.to, option.unit) - asked.error)
    if start is None or end is None:
        return False
    inside = (core.times * float(core.tick) >= float(start)) & (core.times * float(core.tick) <= float(end))
    return bool(np.all(np.diff(core.values[inside]) <= 0))


def _warm(log: Log, cook_end: Fraction) -> Iterator[Finding]:
    """From the end of the cook to the slowest core's 80 F: standing at room temperature counts in the stages."""
    ends = {core.name: core.stays_at_most(Fraction(80)) for core in log.of("core")}
    cooled = [(end - cook_end, name) for name, end in ends.items() if end is not None and end > cook_end]
    if cooled:
        time, name = max(cooled)
        yield Finding(None, f"{spell(time)} from the end of the cook to 80 F in {name}, all of it counted")


def _handling(log: Log, place: Treatments) -> Iterator[Finding]:
    for rule in place.handling:
        for curve in log.of(rule.step):
            most = fahrenheit(rule.at_most, rule.unit)
            words = f"{rule.title}: highest {degrees(curve.top, rule.unit)}, at most {degrees(most, rule.unit)}"
            yield Finding(curve.top <= most, words, rule)


def _opinions(cold: Curve, place: Treatments, asked: Asked) -> Iterator[Finding]:
    """Integrated lethality by published resistances."""
    for rule in place.opinions:
        at = float(fahrenheit(rule.at, rule.unit) + asked.error)
        z = float(rule.z) * (1.8 if rule.unit == "C" else 1)
        logs = cold.lethality(at, z) / float(rule.d) if len(cold) > 1 else 0.0
        each = f"{trimmed(rule.d, 2)} min" if rule.d >= 1 else f"{trimmed(rule.d * 60, 1)} s"
        d = f"D {each} at {trimmed(rule.at)} {rule.unit}, z {trimmed(rule.z)} {rule.unit}"
        found = f"{logs:.1f}" if logs < 1000 else f"10^{log10(logs):.0f}"
        wanted = shown(rule.logs, 1)
        yield Finding(logs >= rule.logs, f"{rule.title}: {found} tenfold reductions, {wanted} wanted ({d})", rule)


def _beside(cold: Curve, kills: Sequence[Kill], asked: Asked) -> Iterator[Finding]:
    """Tables that do not decide."""
    for kill in kills:
        met = [row for row in _rows(kill, cold, asked) if row.ok]
        yield Finding(bool(met), f"{kill.title}: " + (met[-1].words if met else "no row met"), kill)
