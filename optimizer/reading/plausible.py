"""Figures of a recipe that are probably a slip: they are warned of; those that no kitchen can mean are refused."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from constraints.composition import PercentBand
from constraints.document import Document
from constraints.document.place import Loc
from constraints.faults import Fault, Severity
from constraints.numbers import G_PER_KG, PERCENT, trimmed
from optimizer.reading.added import AdditionEntry
from optimizer.reading.entry import RecipeEntry, may_be_fraction

NO_SOURCE = "common practice, no source"

SALT_PCT = Fraction("0.5"), Fraction(4)
"""Total salt of a batch outside this is suspicious, %; common practice, no source."""
MOST_SPICE_G = Fraction(50)
"""Grams of one spice per kilogram above which the dose is suspicious; common practice, no source."""
MOST_SALT_G = Fraction(250)
"""Grams of salt per kilogram, and a tenth of that in percent, that no sausage has; common practice, no source."""
MOST_DRY_G = Fraction(500)
"""Grams of any other dry addition per kilogram above which a recipe is refused; common practice, no source."""
MOST_ADDED_G = Fraction(900)
"""Additions per kilogram of batch that leave too little meat to be meant, grams; common practice, no source."""
WILD = 100
"""How many times outside what is usual a casing or a link is refused; common practice, no source."""
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
    yield from _idle(entry, document)
    yield from _spices(entry, document)
    yield from _casing(entry, document)


def impossible(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    """Every figure of a recipe that no kitchen can mean, as an error."""
    for i, item in enumerate(entry.additions):
        yield from _doses(item, i, document)
    yield from _no_room(entry, document)
    for place, found, allowed in _filling(entry, WILD):
        yield document.fault(place, found, allowed)


def _doses(item: AdditionEntry, i: int, document: Document) -> Iterator[Fault]:
    """More of a dry addition than a sausage can hold. Cures have limits of their own, which say *do not make*."""
    if item.is_ in _WET or item.is_ == "cure":
        return
    most = MOST_SALT_G if item.is_ == "salt" else MOST_DRY_G
    for key in ("g_per_kg_meat", "g_per_kg_batch"):
        dose = getattr(item, key)
        if dose is not None and dose > most:
            found = f"{trimmed(dose)} g of {item.name} in a kilogram"
            yield document.fault(("additions", i, key), found, f"{trimmed(most)} g at most; {NO_SOURCE}")
    share, most_pct = item.total_salt_pct, PERCENT * MOST_SALT_G / G_PER_KG
    if share is not None and share > most_pct:
        found = f"a total of {trimmed(share)} % salt"
        yield document.fault(("additions", i, "total_salt_pct"), found, f"{trimmed(most_pct)} % at most; {NO_SOURCE}")


_WET = ("water", "liquid", "inclusion")


def _no_room(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    """Additions that leave hardly any meat in the batch."""
    whole = sum((item.g_per_kg_batch or Fraction(0) for item in entry.additions), Fraction(0))
    if whole >= MOST_ADDED_G:
        found = f"additions per kilogram of batch add up to {trimmed(whole)} g"
        yield document.fault(("additions",), found, "they must leave room for the meat")
    keys = ("g_per_kg_meat", "from_g_per_kg_meat")
    to_meat = sum((getattr(item, key) or Fraction(0) for item in entry.additions for key in keys), Fraction(0))
    most = MOST_ADDED_G / (G_PER_KG - MOST_ADDED_G) * G_PER_KG
    if to_meat >= most:
        found = f"additions per kilogram of meat add up to {trimmed(to_meat)} g"
        yield document.fault(("additions",), found, f"under {trimmed(most)} g: they must leave room for the meat")


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


def _idle(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    """Percentages that every batch keeps."""
    for i, asked in enumerate(entry.require):
        limits = asked.entry()
        if isinstance(limits, PercentBand):
            lo, hi = limits.limits()
            if not lo and (hi is None or hi >= PERCENT):
                found = f"every batch keeps this limit on {asked.kind()}"
                allowed = "a smallest figure above 0 %, or a largest below 100 %"
                yield _warning(document, ("require", i, asked.kind()), found, allowed)


def _spices(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    for i, item in enumerate(entry.additions):
        for key in ("g_per_kg_meat", "g_per_kg_batch"):
            dose = getattr(item, key)
            if item.is_ == "spice" and dose is not None and dose > MOST_SPICE_G:
                found = f"{trimmed(dose)} g of {item.name} in a kilogram is a lot for a spice"
                allowed = f"{trimmed(MOST_SPICE_G)} g or less; {NO_SOURCE}"
                yield _warning(document, ("additions", i, key), found, allowed)


def _casing(entry: RecipeEntry, document: Document) -> Iterator[Fault]:
    for place, found, allowed in _filling(entry):
        yield _warning(document, place, found, allowed)
    casing = entry.casing
    link = None if casing is None or casing.link_kg is None else casing.link_kg * G_PER_KG
    if casing is not None and link is not None and link < LEAST_LINK_G:
        long = "" if casing.link_cm is None else f" of {trimmed(casing.link_cm)} cm"
        found = f"a link{long} weighs only {trimmed(link, 2)} g"
        allowed = f"{trimmed(LEAST_LINK_G)} g or more; {NO_SOURCE}"
        yield _warning(document, ("casing", "link_g" if casing.link_cm is None else "link_cm"), found, allowed)


def _filling(entry: RecipeEntry, times: int = 1) -> Iterator[tuple[Loc, str, str]]:
    """That a metre of casing holds what none does, so many times beyond what is usual."""
    low, high = CASING_KG_PER_M[0] / times, CASING_KG_PER_M[1] * times
    if entry.casing is not None and not low <= entry.casing.fills <= high:
        found = f"{trimmed(entry.casing.fills, 4)} kg of batch in a metre of casing"
        key = "diameter_mm" if entry.casing.kg_per_m is None else "kg_per_m"
        yield ("casing", key), found, f"{trimmed(low)} to {trimmed(high)} kg; {NO_SOURCE}"
