"""A cook and its cooling judged by a place's tables: the coldest core for the kill, the slowest core for cooling.

A thermometer's error always counts against the batch. Times are exact; integrated lethality is a second opinion only.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import log10

from constraints.as_typed import PERCENT, ZERO, refuse, shown, trimmed
from constraints.quantities import speaks_of
from constraints.treatment import ComeUp, CoolingStage, Humidity, Kill, Option, Scale, Treatments, fahrenheit
from optimizer.made.curve import Readings, coldest
from optimizer.made.found import Judged, LogFinding, LogReport, MadeProduct, Phase, TimeSpan, degrees, lacks, spell
from optimizer.made.log import Log

COOK_GAP, COOL_GAP = Fraction(10), Fraction(30)
"""Minutes without a reading that break a time earned (common practice, no source), and the first stage of cooling (30
minutes between 130 and 80 F: our reading of what can be judged)."""
HEATED_F = 10
"""Degrees Fahrenheit that a core rises before its peak counts as seen; less may be noise (our rule)."""
COOLEST_COOK_F, HOTTEST_CORE_F = 100, 230
"""A Fahrenheit log that never comes higher may be one in Celsius; no core of a sausage comes hotter (water boils)."""


@dataclass(frozen=True)
class HowRead:
    """How a log is to be read: the thermometer's error, Fahrenheit, and the longest gap, minutes (None: ours)."""

    error: Fraction = ZERO
    gap: Fraction | None = None


def judge_cook(log: Log, product: MadeProduct, places: Sequence[Treatments], asked: HowRead) -> LogReport:
    """Every phase under every place. Raises BadInput for a log without a core, or surely in another unit."""
    cores = log.of("core")
    if not cores:
        refuse(log.file, "no column is a core's probe", "core_c or core_f, or --column NAME=core")
    cold = coldest(cores)
    judged = tuple(Judged(place, tuple(_Cook(log, cold, product, place, asked).phases())) for place in places)
    return LogReport(product, log, judged, (*lacks(places, "cook", "kills"), *lacks(places, "cooling")), asked.error)


def in_its_unit(log: Log, *, sure: bool) -> Log:
    """The same. Raises BadInput for a core that no kitchen can have, or, unless the user is ``sure`` of the unit, that
    may be in the other one.
    """
    cores = log.of("core")
    top = max((core.top for core in cores), default=ZERO)
    if top > HOTTEST_CORE_F:
        found = f"a core comes to {degrees(top)}, hotter than boiling water: is it another probe, or in the other unit?"
        allowed = "core_f or core_c as the logger was set, or --unit"
    elif cores and top <= COOLEST_COOK_F and not sure:
        found = f"no core comes above {degrees(top)}: is the log in Celsius, or is the cook not in it?"
        allowed = "core_c if it is in Celsius; --unit F if it is as it stands"
    else:
        return log
    refuse(log.file, found, allowed, column=cores[0].name)


@dataclass(frozen=True)
class _Cook:
    """A log with its coldest core, judged by one place."""

    log: Log
    cold: Readings
    product: MadeProduct
    place: Treatments
    asked: HowRead

    def phases(self) -> Iterator[Phase]:
        """Every phase; all that follows the cook begins where a table is met, else at the last of the hottest."""
        place = self.place
        kills = [kill for kill in place.kills if self.product.takes(kill.species, kill.not_species)]
        cooks = [Phase("cook", tuple(self.rows(kill)), needed=True) for kill in kills if kill.judges]
        yield from cooks
        met = next((phase.best for phase in cooks if phase.ok and phase.best), None)
        end = self.cold.peak if met is None else met.spans[0].end
        if place.come_up is not None:
            yield Phase("come-up", (self.come_up(place.come_up),))
        if place.humidity is not None:
            yield Phase("humid air", (self.humid(place.humidity, end),))
        if place.cooling:
            yield Phase("cooling", tuple(self.cooled(option, end) for option in place.cooling), needed=True)
            yield Phase("held warm", tuple(self.warm(end)), warns=True)
        yield Phase("before the cook", tuple(self.handled()), warns=True)
        yield Phase("second opinion", tuple(self.opinions()), warns=True)
        beside = [(kill, [row.words for row in self.rows(kill) if row.ok]) for kill in kills if not kill.judges]
        told = (LogFinding(bool(rows), f"{kill.title}: {['no row met', *rows][-1]}", kill) for kill, rows in beside)
        yield Phase("other tables", tuple(told), warns=True, aside=True)

    def rows(self, kill: Kill) -> Iterator[LogFinding]:
        """Each row of a table: the longest unbroken time of the coldest core at or above it."""
        longest = self.asked.gap or COOK_GAP
        widest = self.cold.widest_gap(ZERO, self.log.minutes)
        gap = f" (the cores have no reading for {spell(widest)})" if widest > longest else ""
        for at, needed in kill.rows.items():
            level = fahrenheit(at, kill.unit)
            span = self.cold.longest_above(level + self.asked.error, longest)
            time = Fraction(-1) if span is None else span[1] - span[0]
            ok = time >= needed
            asks = f"{spell(needed)} asked" if needed else "to be reached"
            held = "never reached" if span is None else f"held {spell(time, needed)}"
            near = 1 + level if ok else ZERO if not needed else max(time, ZERO) / needed
            spans = () if span is None else (TimeSpan(self.cold.name, *span, level, earns=True),)
            words = f"{degrees(level, kill.unit)} {held}{'' if ok else gap}, {asks}"
            yield LogFinding(ok, words, kill, near, spans)

    def come_up(self, rule: ComeUp) -> LogFinding:
        """The slowest core's time from first reaching the lower temperature to last passing the upper one."""
        low, high = (fahrenheit(at, rule.unit) for at in (rule.start, rule.end))
        found = []
        for core in self.log.of("core"):
            start = next(core.crossings(low - self.asked.error, rising=True), None)
            ups = [at for at in core.crossings(high + self.asked.error, rising=True) if at <= core.peak]
            if start is None or core.value(0) >= low - self.asked.error:
                return LogFinding(None, f"not judged: the log of {core.name} begins at {degrees(core.value(0))}", rule)
            if not ups:
                return LogFinding(None, f"not judged: {core.name} never comes up to {degrees(high)}", rule)
            found.append(TimeSpan(core.name, start, ups[-1], high))
        span = max(found, key=lambda span: span.minutes)
        words = f"{degrees(low)} to {degrees(high)} took {spell(span.minutes, rule.within)}"
        return LogFinding(span.minutes <= rule.within, f"{words}, at most {spell(rule.within)}", rule, spans=(span,))

    def humid(self, rule: Humidity, end: Fraction) -> LogFinding:
        """The least time of humid air that a probe has before the cook's end."""
        casing, air = self.product.recipe.entry.casing, self.log.of("humidity")
        if casing is not None and speaks_of(casing.name, frozenset(rule.casings)):
            return LogFinding(True, f"not needed: {casing.name} holds the moisture", rule)
        if not air:
            lacking = "not judged: no humidity in the log, and no casing in the recipe that holds moisture"
            return LogFinding(None, lacking, rule)
        needed = max(end * rule.share_pct / PERCENT, rule.at_least)
        spans = [curve.longest_above(rule.least_pct, self.asked.gap or COOL_GAP) or (end, end) for curve in air]
        time = min(min(last, end) - min(first, end) for first, last in spans)
        words = f"{trimmed(rule.least_pct)} % or more for {spell(time, needed)}, {spell(needed)} asked"
        return LogFinding(time >= needed, words, rule)

    def cooled(self, option: Option, cook_end: Fraction) -> LogFinding:
        """One way of cooling: whether it is open to the product, and every stage by the slowest probe."""
        open_, lacking = self.product.meets(option.requires, option.source)
        if option.max_water_activity is not None:
            known = self.product.water_activity
            open_ = None if known is None else known <= option.max_water_activity
            lacking = "" if open_ else f"water activity {'is not measured' if known is None else trimmed(known, 3)}"
        if open_ is not True:
            why = "not for this product" if open_ is False else "not judged"
            return LogFinding(None, f"{option.title}: {why}, {lacking}", option)
        stages = [self.stage(option, stage, cook_end) for stage in option.stages]
        spans = tuple(span for stage in stages for span in stage.spans)
        most = option.begins_within
        if most is not None and spans:
            wait = spans[0].start - cook_end
            begun = f"begun {spell(wait, most)} after the cook, at most {spell(most)}"
            stages.append(LogFinding(wait <= most, begun))
        verdicts = [stage.ok for stage in stages]
        ok = False if False in verdicts else None if None in verdicts else True
        words = f"{option.title}: {'; '.join(stage.words for stage in stages)}"
        return LogFinding(ok, words, option, Fraction(verdicts.count(True)), spans)

    def stage(self, option: Option, stage: CoolingStage, cook_end: Fraction) -> LogFinding:
        """One stage by the probe that took longest; not judged where the log cannot tell."""
        probes = self.log.of("surface") if stage.surface else self.log.of("core")
        to = fahrenheit(stage.to, option.unit)
        start_words = "end of cook" if stage.start is None else f"{trimmed(stage.start)} {option.unit}"
        name = f"{start_words} to {trimmed(stage.to)} {option.unit}"
        if stage.surface and all(self.never_rises(core, option) for core in self.log.of("core")):
            return LogFinding(True, "the core fell without rising")
        if not probes:
            return LogFinding(None, f"{name}: no probe at the surface, and the core rose on the way")
        found: list[tuple[bool, Fraction, TimeSpan, Readings]] = []
        for probe in probes:
            start = self.begin(probe, option.stages[0] if stage.from_first else stage, option.unit, cook_end)
            if start is None:
                return LogFinding(None, f"{name}: the log begins too late")
            end = probe.stays_at_most(to - self.asked.error)
            span = TimeSpan(probe.name, start, self.log.minutes if end is None else max(end, start), to)
            gap = probe.widest_gap(start, span.end)
            if gap > (self.asked.gap or COOL_GAP):
                words = f"{name}: cannot be judged, {probe.name} has no reading for {spell(gap)}"
                return LogFinding(None, words, spans=(span,))
            found.append((end is None, span.minutes, span, probe))
        unfinished, time, span, probe = max(found, key=lambda one: one[:2])
        limit = stage.within
        took = f"took {spell(time, limit)}"
        if unfinished:
            took = f"is at {degrees(probe.last, option.unit)} when the log ends"
            took += f" after {spell(time, limit)}" if time else ""
        ok = False if limit is not None and time > limit else None if unfinished else True
        return LogFinding(ok, f"{name} {took}{'' if limit is None else f', at most {spell(limit)}'}", spans=(span,))

    def begin(self, probe: Readings, stage: CoolingStage, unit: Scale, cook_end: Fraction) -> Fraction | None:
        """Minute at which a stage begins (where no core comes to it: at the peak); None where the log begins after."""
        if stage.start is None:
            return cook_end
        level = fahrenheit(stage.start, unit) + self.asked.error
        fallen = next((at for at in probe.crossings(level, rising=False) if at >= probe.peak), None)
        if fallen is not None:
            return fallen
        if probe.top >= level:  # it ends above: the stage has not begun
            return probe.minute(len(probe) - 1)
        return probe.peak if probe.top - probe.value(0) >= HEATED_F else None

    def never_rises(self, core: Readings, option: Option) -> bool:
        """True where a core falls all the way from the first stage's start to its end."""
        first = option.stages[0]
        start = self.begin(core, first, option.unit, ZERO)
        end = core.stays_at_most(fahrenheit(first.to, option.unit) - self.asked.error)
        return start is not None and end is not None and core.falls(start, end)

    def warm(self, cook_end: Fraction) -> Iterator[LogFinding]:
        """From the end of the cook to the slowest core's 80 F: standing at room temperature counts in the stages."""
        ends = [(core.stays_at_most(Fraction(80)), core.name) for core in self.log.of("core")]
        for end, name in sorted((end, name) for end, name in ends if end is not None and end > cook_end)[-1:]:
            words = f"{spell(end - cook_end)} from the end of the cook to 80 F in {name}, all of it counted"
            yield LogFinding(None, words)

    def handled(self) -> Iterator[LogFinding]:
        """The meat's temperatures before the cook."""
        for rule in self.place.handling:
            for curve in self.log.of(rule.step):
                most = fahrenheit(rule.at_most, rule.unit)
                words = f"{rule.title}: highest {degrees(curve.top, rule.unit)}, at most {degrees(most, rule.unit)}"
                yield LogFinding(curve.top <= most, words, rule)

    def opinions(self) -> Iterator[LogFinding]:
        """Integrated lethality by published resistances."""
        for rule in self.place.opinions:
            at = float(fahrenheit(rule.at, rule.unit) + self.asked.error)
            logs = self.cold.lethality(at, float(rule.z) * (1.8 if rule.unit == "C" else 1)) / float(rule.d)
            each = f"{trimmed(rule.d, 2)} min" if rule.d >= 1 else f"{trimmed(rule.d * 60, 1)} s"
            d = f"D {each} at {trimmed(rule.at)} {rule.unit}, z {trimmed(rule.z)} {rule.unit}"
            found = f"{logs:.1f}" if logs < 1000 else f"10^{log10(logs):.0f}"
            words = f"{rule.title}: {found} tenfold reductions, {shown(rule.logs, 1)} wanted ({d})"
            yield LogFinding(logs >= rule.logs, words, rule)
