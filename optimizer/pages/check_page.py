"""A checked batch as a page, 80 columns wide, and as JSON: one table a place, the worst margin first."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from constraints.numbers import G_PER_KG, PERCENT, shown
from constraints.quantities import Basis
from optimizer.check import Dose, Finding, Place, Report, relative_margin
from optimizer.pages.page import figure, source_words
from optimizer.pages.tables import heading, paragraph, table
from optimizer.remarks import CAUTION
from optimizer.summary import weight


def check_page(report: Report) -> str:
    """The whole page, ending in a newline."""
    lines = [*_title(report), *_verdict(report)]
    for place in report.places:
        lines += _place(place)
    if report.off:
        lines += heading("off the recipe's dose")
        for dose in report.off:
            lines += paragraph(_dose_words(dose), "! ")
    lines += [*heading("caution"), *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def _title(report: Report) -> Iterator[str]:
    meat, whole = (shown(weight(report.batch, basis), 3) for basis in (Basis.MEAT, Basis.BATCH))
    yield from paragraph(f"{report.recipe.entry.name}, as weighed")
    yield f"{meat} kg of meat block, {whole} kg of whole batch, judged at {report.day.isoformat()}"
    yield ""


def _verdict(report: Report) -> Iterator[str]:
    if not report.forbidden:
        yield "No limit that forbids the batch is broken."
        return
    yield "*** DO NOT MAKE ***"
    for text in report.unfit:
        yield from paragraph(text, "* ")
    for dose in report.off:
        if dose.forbids:
            yield from paragraph(_dose_words(dose), "* ")
    for place in report.places:
        for finding in place.findings:
            if finding.forbids:
                yield from paragraph(f"{place.title}: {_words(finding)}", "* ")


def _dose_words(dose: Dose) -> str:
    weighed, wanted = (shown(kg * G_PER_KG, 2) for kg in (dose.weighed_kg, dose.wanted_kg))
    return f"{dose.item.name}: {weighed} g weighed, {wanted} g is its dose for these lots"


def _words(finding: Finding) -> str:
    requirement = finding.requirement
    value = "not measured" if finding.value is None else f"{figure(finding.value, requirement)} {requirement.unit}"
    return f"{requirement.what} of the {requirement.basis} is {value.strip()}, {requirement.limits()} allowed"


def _place(place: Place) -> Iterator[str]:
    yield from heading(place.title)
    rows = []
    for number, finding in enumerate(place.findings, start=1):
        requirement = finding.requirement
        value = "" if finding.value is None else figure(finding.value, requirement)
        rows.append([
            _mark(finding), f"{requirement.what}, {requirement.basis}", value, requirement.limits(),
            _margin(finding), f"{number}",
        ])  # fmt: skip
    yield from table(("", "what", "is", "limit", "margin", "source"), rows, "<<><>>")
    for number, finding in enumerate(place.findings, start=1):
        if finding.low is not None and finding.high is not None and finding.low != finding.high:
            yield from _range(number, finding)
    for number, finding in enumerate(place.findings, start=1):
        why = f"{finding.why}; " if finding.why else ""
        yield from paragraph(why + source_words(finding.requirement), f"{number:3}  ")
    if place.name != "recipe":
        yield from paragraph(f"The last word is with {place.authority}.")


def _mark(finding: Finding) -> str:
    if finding.ok is None:
        return "?"
    if finding.ok:
        return "ok" if finding.whole_range is not False else "ok?"
    return "BROKEN" if finding.forbids else "warning"


def _margin(finding: Finding) -> str:
    return "" if finding.value is None else f"{shown(PERCENT * relative_margin(finding), 2)} %"


def _range(number: int, finding: Finding) -> Iterator[str]:
    assert finding.low is not None and finding.high is not None
    requirement = finding.requirement
    low, high = figure(finding.low, requirement), figure(finding.high, requirement)
    verdict = "holds for" if finding.whole_range else "does NOT hold for"
    unit = f" {requirement.unit}" if requirement.unit else ""
    yield from paragraph(
        f"{low} to {high}{unit} within the scales' tolerance; the verdict {verdict} all of it.",
        f"{number:3}  ",
    )


def check_document(report: Report) -> str:
    """The report as one JSON document, ending in a newline."""
    document = {
        "status": "do_not_make" if report.forbidden else "checked",
        "recipe": report.recipe.entry.name,
        "date": report.day.isoformat(),
        "meat_kg": float(weight(report.batch, Basis.MEAT)),
        "batch_kg": float(weight(report.batch, Basis.BATCH)),
        "unfit": list(report.unfit),
        "off_dose": [
            {
                "item": dose.item.name,
                "grams": float(dose.weighed_kg * G_PER_KG),
                "dose_grams": float(dose.wanted_kg * G_PER_KG),
                "forbids": dose.forbids,
            }
            for dose in report.off
        ],
        "places": [
            {"rules": place.name, "title": place.title, "checks": [_as_dict(f) for f in place.findings]}
            for place in report.places
        ],
        "caution": CAUTION,
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _as_dict(finding: Finding) -> dict[str, Any]:
    requirement = finding.requirement
    figures = {
        "value": finding.value,
        "low": finding.low,
        "high": finding.high,
        "min": requirement.lo,
        "max": requirement.hi,
    }
    return {
        "rule": requirement.origin.rule,
        "what": requirement.what,
        **{key: None if value is None else float(value) for key, value in figures.items()},
        "unit": requirement.unit,
        "basis": requirement.basis,
        "ok": finding.ok,
        "blocks": requirement.origin.blocks,
        "whole_range": finding.whole_range,
        "source": requirement.origin.source,
        "status": str(requirement.origin.status),
        "note": requirement.origin.note,
        "why": finding.why,
    }
