"""The JSON document of ``cook`` and ``dry``."""

from __future__ import annotations

from datetime import datetime

from constraints.treatment import celsius
from optimizer.made.page import CAUTION, verdict
from optimizer.pages.record import Figure, Record, at


class Span(Record):
    """A time of the log that a finding rests on, minutes from its start, at a level."""

    probe: str = at("name")
    start_min: Figure = at("start")
    end_min: Figure = at("end")
    level_f: Figure = at("level")
    level_c: Figure = at(lambda span: celsius(span.level))


class Finding(Record):
    """One table row, option or figure; ``ok`` null: not judged."""

    ok: bool | None
    passes: bool
    words: str
    title: str | None = at("by.title")
    source: str | None = at("by.source")
    status: str | None = at("by.status")
    spans: list[Span]


class Phase(Record):
    """Findings of which one is enough; ``holds``: the batch is held for it."""

    phase: str = at("title")
    ok: bool | None
    decides: bool = at(lambda phase: not phase.warns)
    holds: bool
    findings: list[Finding]


class Place(Record):
    """The phases under one place, or (null) of the product itself."""

    place: str | None = at("place.title")
    phases: list[Phase] = at(lambda judged: [phase for phase in judged.phases if phase.findings])


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
    places: list[Place] = at("judged")
    warnings: list[str] = at(lambda report: [str(fault) for fault in report.log.warnings])
    caution: str = at(lambda report: CAUTION)
