"""Figures of a recipe that are allowed and probably a slip: they are warned of, and nothing else follows."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from constraints.document import Document
from constraints.document.place import Loc
from constraints.faults import Fault, Severity
from constraints.numbers import G_PER_KG, trimmed
from optimizer.reading.entry import RecipeEntry, may_be_fraction

NO_SOURCE = "common practice, no source"

SALT_PCT = Fraction("0.5"), Fraction(4)
"""Total salt of a batch outside this is suspicious, %; common practice, no source."""
MOST_SPICE_G = Fraction(50)
"""Grams of one spice per kilogram above which the dose is suspicious; common practice, no source."""
CASING_KG_PER_M = Fraction("0.1"), Fraction(20)
"""Filling outside this is suspicious, kilograms of batch per metre, from the thinnest sheep casing to the widest bung;
common practice, no source."""
LEAST_LINK_G = Fraction(10)
"""Weight of one raw link under which it is suspicious, grams; common practice, no source."""

_FIGURES = ("target_pct", "min_pct", "max_pct")
_WHOLE_PERCENTS = ("fat", "protein", "moisture", "share")
"""Requirements whose percentages are never under one in earnest; common practice, no source."""


def suspicions(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    """Every suspicious figure of a recipe, as a warning."""
    yield from _fractions(entry, document)
    yield from _spices(entry, document)
    yield from _casing(entry, document)


def _warning(document: Document, loc: Loc, found: str, allowed: str) -> Fault:
    """A warning in words that need no path, so that a page can repeat it."""
    line, column = document.mark(loc)
    return Fault(document.file, line, column, found, allowed, Severity.WARNING)


def _fractions(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    for i, asked in enumerate(entry.require):
        kind = asked.kind()
        if kind not in _WHOLE_PERCENTS:
            continue
        for key in _FIGURES:
            figure = getattr(getattr(asked, kind), key, None)
            if figure is not None and may_be_fraction(figure):
                found = f"{kind} {key} {trimmed(figure)} may be a fraction"
                allowed = f"percent: {trimmed(100 * figure)}, not {trimmed(figure)}"
                yield _warning(document, ("require", i, kind, key), found, allowed)


def _spices(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    for i, item in enumerate(entry.additions):
        for key in ("g_per_kg_meat", "g_per_kg_batch"):
            dose = getattr(item, key)
            if item.is_ == "spice" and dose is not None and dose > MOST_SPICE_G:
                found = f"{trimmed(dose)} g of {item.name} in a kilogram is a lot for a spice"
                allowed = f"{trimmed(MOST_SPICE_G)} g or less; {NO_SOURCE}"
                yield _warning(document, ("additions", i, key), found, allowed)


def _casing(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    casing = entry.casing
    if casing is None:
        return
    low, high = CASING_KG_PER_M
    if not low <= casing.kg_per_m <= high:
        found = f"{trimmed(casing.kg_per_m)} kg of batch in a metre of casing"
        allowed = f"{trimmed(low)} to {trimmed(high)} kg; {NO_SOURCE}"
        yield _warning(document, ("casing", "kg_per_m"), found, allowed)
    link = None if casing.link_cm is None else casing.kg_per_m * casing.link_cm / 100 * G_PER_KG
    if link is not None and link < LEAST_LINK_G:
        found = f"a link of {trimmed(casing.link_cm or Fraction(0))} cm weighs only {trimmed(link, 2)} g"
        allowed = f"{trimmed(LEAST_LINK_G)} g or more; {NO_SOURCE}"
        yield _warning(document, ("casing", "link_cm"), found, allowed)
