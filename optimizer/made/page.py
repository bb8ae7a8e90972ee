"""What is printed of a log that was judged: one page, short or in full, or one JSON document."""

from __future__ import annotations

from collections.abc import Iterator

from constraints.treatment import Sourced
from optimizer.made.found import Finding, Judged, Phase, Report, spell
from optimizer.made.schedule import schedule_lines
from optimizer.pages.tables import heading, paragraph

CAUTION = (
    "A log shows what its probes felt, not the coldest spot they missed. Undercooked, slowly cooled or badly dried "
    "meat makes people ill. trimwright compares figures; your authority, your own plan and licensed practice decide."
)
HOLD = "HOLD THIS BATCH"
MOST_IN_SHORT = 4
"""Findings of a phase in short that decide nothing."""


def page(report: Report, *, full: bool = False) -> str:
    """The page, ending in a newline."""
    lines = [*_head(report), "", *paragraph(verdict(report))]
    lines += [line for reason in report.hold for line in paragraph(reason, "* ")]
    lines += [line for fault in report.log.warnings for line in paragraph(f"! {fault}")]
    for judged in report.judged:
        lines += _place(judged, full=full)
    if report.hold:
        lines += heading("what next")
        lines += paragraph("Keep it from sale and ask your authority before anything else is done with it.")
        for words in dict.fromkeys(j.place.next for j in report.judged if j.place is not None):
            lines += paragraph(words)
    steps = report.product.recipe.entry.schedule
    lines += [*schedule_lines(steps)] if steps and full else []
    return "\n".join([*lines, "", *paragraph(CAUTION)]) + "\n"


def _head(report: Report) -> Iterator[str]:
    log = report.log
    yield from paragraph(f"{report.product.recipe.entry.name}: the log {log.file}")
    when = f"{log.start:%Y-%m-%d %H:%M}, " if log.start else ""
    probes = ", ".join(curve.name for curves in log.curves.values() for curve in curves)
    yield from paragraph(f"{when}{spell(log.minutes)}; {probes}")
    if not report.error:
        yield "The thermometers are taken to be right: say --thermometer-error."
    if not report.product.species_said:
        yield from paragraph(
            "Which species are in it is not known, so the strictest table holds: say eligible: species."
        )


def verdict(report: Report) -> str:
    """The one line that decides: hold, or what the log meets, what is to be confirmed, and what was not judged."""
    if report.hold:
        return f"*** {HOLD} ***"
    deciding = [
        (judged, phase) for judged in report.judged for phase in judged.phases if phase.findings and not phase.warns
    ]
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
        for words in (f"The last word is with {judged.place.authority}.", *judged.place.notes):
            yield from paragraph(words)


def _source(by: Sourced, *, full: bool) -> str:
    """Where a figure was read and how; its note too where an authority must confirm it."""
    note = f"; {by.note}" if by.note and (full or by.confirm) else ""
    return f"[{by.title + '; ' if full else ''}{by.source}; {by.status}{note}]"


def _said(phase: Phase, *, full: bool) -> list[Finding]:
    """In short the finding that decides, beside it what else cooling might have done; all of them in full."""
    if full or phase.aside or not phase.best:
        return list(phase.findings) if full else []
    if phase.warns:
        return list(phase.findings[:MOST_IN_SHORT])
    others = phase.findings if phase.ok is not True and len(phase.findings) <= MOST_IN_SHORT else ()
    return [phase.best, *(finding for finding in others if finding is not phase.best)]


def mark(finding: Finding, phase: Phase) -> str:
    """The word before a finding, filled up to eight letters."""
    if phase.warns:
        return "note    "
    if finding.ok is True:
        return "ok      " if finding.passes else "memory  "
    if finding.ok is None:
        return "?       "
    return "not met " if phase.ok else "FAILS   "  # one row or option of a phase is enough
