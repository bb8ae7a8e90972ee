"""What was found of a batch's heat, cold and drying: findings in phases, under each place, and the verdict on all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.numbers import ZERO, shown, trimmed
from constraints.treatment import Sourced, Treatments, celsius
from optimizer.made.log import Log
from optimizer.made.product import MadeProduct


@dataclass(frozen=True)
class TimeSpan:
    """A time of the log to be drawn: minutes, a level in Fahrenheit, and whose."""

    name: str
    start: Fraction
    end: Fraction
    level: Fraction
    earns: bool = False

    @property
    def minutes(self) -> Fraction:
        """How long it is."""
        return self.end - self.start


@dataclass(frozen=True)
class LogFinding:
    """One table row, option or figure on the log. ``ok`` None: not judged. ``near`` orders what was not met."""

    ok: bool | None
    words: str
    by: Sourced | None = None
    near: Fraction = ZERO
    spans: tuple[TimeSpan, ...] = ()

    @property
    def passes(self) -> bool:
        """True where it is met and its figure may pass a batch."""
        return self.ok is True and (self.by is None or self.by.passes)


@dataclass(frozen=True)
class Phase:
    """Findings of which one is enough. ``needed``: not judged is no pass; ``warns``: it never decides;
    ``aside``: it is said in full only.
    """

    title: str
    findings: tuple[LogFinding, ...]
    needed: bool = False
    warns: bool = False
    aside: bool = False

    @property
    def ok(self) -> bool | None:
        """True where one passes, False where none does and one fails, else None."""
        if any(finding.passes for finding in self.findings):
            return True
        return False if any(finding.ok is False for finding in self.findings) else None

    @property
    def best(self) -> LogFinding | None:
        """The finding to show: one that passes, read in the law first; else the nearest to it."""
        passing = [finding for finding in self.findings if finding.passes]
        if passing:
            return max(passing, key=lambda f: (f.by is None or not f.by.confirm, f.near))
        return max(self.findings, key=lambda f: (f.ok is not None, f.by is None or f.by.passes, f.near), default=None)

    @property
    def holds(self) -> bool:
        """True where the batch must be held for it."""
        return not self.warns and (self.ok is False or (self.needed and self.ok is None))

    @property
    def confirm(self) -> bool:
        """True where it passes only by a figure that an authority must confirm."""
        return bool(self.ok and not self.warns and self.best and self.best.by and self.best.by.confirm)


@dataclass(frozen=True)
class Judged:
    """The phases under one place, or (``place`` None) of the product itself."""

    place: Treatments | None
    phases: tuple[Phase, ...]


@dataclass(frozen=True)
class LogReport:
    """A log judged. ``lacking`` names what no place has a table for; ``error`` is the thermometer's, Fahrenheit."""

    product: MadeProduct
    log: Log
    judged: tuple[Judged, ...]
    lacking: tuple[str, ...] = ()
    error: Fraction = ZERO

    @property
    def phases(self) -> Iterator[Phase]:
        """Every phase of every place."""
        return (phase for judged in self.judged for phase in judged.phases)

    @property
    def hold(self) -> tuple[str, ...]:
        """Why the batch must be held, in words; empty where every phase passes that must."""
        said = tuple(_why(phase) for phase in self.phases if phase.holds)
        if not any(phase.ok for phase in self.phases if not phase.warns):
            said += () if (*said, *self.lacking) else ("nothing of it could be judged",)
        return tuple(dict.fromkeys((*said, *self.lacking)))

    @property
    def confirm(self) -> bool:
        """True where a pass rests on a figure read second hand."""
        return any(phase.confirm for phase in self.phases)


def lacks(places: Sequence[Treatments], what: str, key: str = "") -> tuple[str, ...]:
    """What no place has a table for, in words; nothing where one has."""
    if any(getattr(place, key or what) for place in places):
        return ()
    names = " and ".join(place.title for place in places)
    return (f"{what}: {names} has no table" if names else f"{what}: no place with a table is named (--rules)",)


def _why(phase: Phase) -> str:
    best = phase.best
    if best is None:
        return f"{phase.title}: not judged"
    memory = best.by is not None and not best.by.passes and best.ok is True
    return f"{phase.title}: {best.words}" + ("; the figure is from memory, which passes nothing" if memory else "")


def spell(minutes: Fraction, beside: Fraction | None = None) -> str:
    """A duration in words, to the second, finer where that would hide on which side of a limit it is."""
    places = 0 if beside is None else places_apart(minutes * 60, beside * 60)
    seconds = Fraction(shown(minutes * 60, places))
    hours, rest = divmod(seconds, 3600)
    if hours >= 72 and not seconds % 3600:
        return f"{trimmed(Fraction(hours, 24), 2)} d"
    parts = [f"{hours} h"] if hours else []
    parts += [f"{int(rest // 60)} min"] if rest >= 60 else []
    parts += [f"{trimmed(rest % 60, places)} s"] if rest % 60 or not parts else []
    return " ".join(parts)


def places_apart(value: Fraction, limit: Fraction, least: int = 0) -> int:
    """Decimals, six at most, at which a figure can be told from its limit."""
    return next((k for k in range(least, 6) if value == limit or shown(value, k) != shown(limit, k)), 6)


def degrees(fahrenheit: Fraction, first: str = "F") -> str:
    """A temperature in both scales, one of them first."""
    both = f"{trimmed(fahrenheit, 1)} F", f"{trimmed(celsius(fahrenheit), 1)} C"
    return f"{both[0]} ({both[1]})" if first == "F" else f"{both[1]} ({both[0]})"
