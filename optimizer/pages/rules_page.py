"""The law the tool uses, as a page and as JSON: packs, classes, limits with sources, and what they mean in grams."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from math import ceil, floor
from typing import NamedTuple

from constraints.faults import BadInput, Fault, likely
from constraints.library import bare_classes, flaws, load_pack, shipped
from constraints.numbers import G_PER_KG, PERCENT, PPM, trimmed
from constraints.requirement import Requirement, Salt
from constraints.rules import READ_IN_LAW, Layer, Pack, PackRow
from constraints.substances import ACCELERATOR, FORMULAS
from optimizer.pages.details import source_words
from optimizer.pages.tables import heading, listed, paragraph, table
from optimizer.record import Figure, Record, at
from optimizer.wording import CAUTION

DEFER = f"Figures change: read the source before you rely on one. {CAUTION}"


GROUPS = ("name and composition", "curing", "other additives")
USUAL_KG = Fraction(10)
_MILLI = 1000
_UNWEIGHED = ("substance_share", "fat_to_flesh", "salt_on_water", "property")
"""Kinds whose figure is of nothing that is weighed by itself."""
EFFECTS = (
    "health: protects health, and breaking it forbids the batch; blocks: the batch may not be sold as this; warns: it "
    "is said. Grams are of what the limit is divided by."
)


@dataclass(frozen=True)
class Chosen:
    """A pack, and which of its rows to show: of one class, in force on one day; and kilograms of a batch to turn
    figures into grams.
    """

    pack: Pack
    product_class: str | None = None
    day: date | None = None
    kilograms: Fraction | None = None

    @property
    def rows(self) -> list[PackRow]:
        """The rows asked for. Raises BadInput for a class the pack lacks."""
        known, wanted = [entry.id for entry in self.pack.classes], self.product_class
        if wanted is not None and wanted not in known:
            close = likely(wanted, known)
            hint = f"did you mean {close}?" if close else f"known: {', '.join(known)}"
            raise BadInput([Fault(self.pack.pack, None, None, f"no product class {wanted!r}", hint)])
        return list(self.pack.listed(wanted, self.day))

    @property
    def limits(self) -> list[Listed]:
        """The rows with what each means in grams: for the kilograms asked for, or for 10 of one class."""
        weight = self.kilograms or (USUAL_KG if self.product_class else None)
        return [Listed(row, row.requirement(), grams_words(row, weight)) for row in self.rows]


class Listed(NamedTuple):
    """A row of a pack, what it requires, and its figures in grams."""

    row: PackRow
    requirement: Requirement
    in_grams: list[str]


def _ended(lines: Sequence[str]) -> str:
    return "\n".join([*lines, "", *paragraph(DEFER)]) + "\n"


def packs_page() -> str:
    """Every shipped pack, a line each."""
    packs = [load_pack(name) for name in shipped()]
    rows = [[p.pack, p.title, str(len(p.classes)), str(len(p.rows)), p.checked_on.isoformat()] for p in packs]
    lines = table(("pack", "place", "classes", "limits", "figures read"), rows, "<<>><")
    return _ended([*lines, "", "trimwright rules PACK lists the limits of one."])


def pack_page(chosen: Chosen) -> str:
    """One pack's classes and limits by group, ending in a newline. Raises BadInput for a class the pack lacks."""
    pack, limits = chosen.pack, chosen.limits
    lines = [*paragraph(f"{pack.title}: figures read {pack.checked_on.isoformat()}; {pack.authority}")]
    lines += paragraph(EFFECTS)
    if chosen.product_class is None:
        lines += heading("classes of product")
        lines += table(("class", "title", "source"), [[c.id, c.title, c.source] for c in pack.classes], "<<<")
    for entry in (c for c in pack.classes if c.id == chosen.product_class):
        lines += paragraph(f"{entry.id}: {entry.title} [{entry.source}]")
    for group in GROUPS:
        rows = [limit for limit in limits if group_of(limit.requirement) == group]
        lines += heading(group) if rows else ()
        lines += [line for limit in rows for line in _limit(limit, every=chosen.product_class is None)]
    lines += [*heading("not covered"), *_not_covered(chosen)] if pack.not_covered else []
    lines += [*heading("notes"), *listed(("* ", note) for note in pack.notes)] if pack.notes else []
    return _ended(lines)


def _not_covered(chosen: Chosen) -> Iterator[str]:
    every, of_class = chosen.product_class is None, chosen.pack.belongs_to(chosen.product_class)
    for entry in chosen.pack.not_covered:
        if every or not entry.classes or not of_class.isdisjoint(entry.classes):
            for_whom = f"for {', '.join(entry.classes)}" if entry.classes and every else ""
            when = f"where {entry.when.words()}" if entry.when.words() else ""
            yield from paragraph("; ".join(filter(None, (", ".join(entry.what), for_whom, when))), "* ")


def group_of(requirement: Requirement) -> str:
    """Under which heading a limit stands, by what it counts."""
    counted = requirement.regulates.substances
    curing = any(name in counted for name in (*Salt, *FORMULAS[ACCELERATOR]))
    return GROUPS[1] if curing else GROUPS[2] if counted or requirement.unit == "ppm" else GROUPS[0]


def unread_page(packs: Sequence[Pack]) -> str:
    """Every row whose figure was not read in the law's own words."""
    lines = paragraph("Rows read in no text that carries the law's own words: confirm them with your authority.")
    for pack in packs:
        limits = [limit for limit in Chosen(pack).limits if limit.row.status not in READ_IN_LAW]
        lines += [*(heading(pack.title) if limits else ()), *(line for limit in limits for line in _limit(limit))]
    return _ended(lines)


def verified(pack: Pack) -> str:
    """What was proved of a pack, ending in a newline. Raises BadInput with everything that does not hold."""
    found = [*flaws(pack, {row.id for row in pack.rows}), *bare_classes(pack)]
    if found:
        raise BadInput([Fault(pack.pack, None, flaw.where, flaw.found, flaw.allowed) for flaw in found])
    text = (
        f"{pack.title}, {len(pack.rows)} limits and {len(pack.classes)} classes: every limit binds for some class and "
        "product, no two contradict or overlap in time, every class has all limits of the wider classes it is also, "
        "and none goes without a limit on nitrite or nitrate that other classes have."
    )
    return "\n".join(paragraph(text)) + "\n"


def _limit(limit: Listed, *, every: bool = True) -> Iterator[str]:
    """A limit with its source; for which classes, where those of ``every`` one are shown."""
    row, requirement = limit.row, limit.requirement
    effect = "warns" if not row.blocks() else "health" if row.protects_health else "blocks"
    layer = "" if row.layer is Layer.LAW else f" ({row.layer})"
    grams = "".join(f", {text}" for text in limit.in_grams)
    words = f"{requirement.what}, {requirement.basis}: {requirement.limits()}{grams}{layer}"
    yield from paragraph(words, f"{effect:8}", " " * 8)
    says = [f"for {', '.join(row.classes)}"] if row.classes and every else []
    says += [f"not for {', '.join(row.not_classes)}"] if row.not_classes and every else []
    says += [f"where {row.when.words()}"] if row.when.words() else []
    yield from paragraph("; ".join(says), " " * 8) if says else ()
    yield from paragraph(f"[{source_words(requirement)}]", " " * 8, " " * 9)


def grams_words(row: PackRow, kilograms: Fraction | None) -> list[str]:
    """What a limit means in grams for so many kilograms of its base, never beyond it; nothing where none is."""
    found = None if kilograms is None or row.requires.kind() in _UNWEIGHED else in_grams(row.requirement(), kilograms)
    least, most = found or (None, None)
    figures = [Fraction(ceil(least * _MILLI), _MILLI)] if least else []
    figures += [Fraction(floor(most * _MILLI), _MILLI)] if most else []
    words = f"{' to '.join(trimmed(g, 3) for g in figures)} g in {trimmed(kilograms or Fraction(0))} kg"
    return [words] if figures else []


def in_grams(requirement: Requirement, kilograms: Fraction) -> tuple[Fraction | None, Fraction | None] | None:
    """A requirement's limits as grams in so many kilograms of its base; None where its unit is neither % nor ppm."""
    whole = {"%": PERCENT, "ppm": PPM}.get(requirement.unit)
    if whole is None:
        return None
    lo, hi = (None if x is None else x * kilograms * G_PER_KG / whole for x in (requirement.lo, requirement.hi))
    return lo, hi


class ProductClass(Record):
    """What a product may be sold as."""

    id: str
    title: str
    source: str


class NotCovered(Record):
    """What the pack does not judge, of which classes (empty: all), and when."""

    what: list[str]
    classes: list[str]
    when: str = at("when.words")


class Limit(Record):
    """One row; ``in_grams`` says its figures in grams for so many kilograms, where they were asked for."""

    id: str = at("row.id")
    what: str = at("requirement.what")
    basis: str = at("requirement.basis")
    unit: str = at("requirement.unit")
    min: Figure | None = at("requirement.lo")
    max: Figure | None = at("requirement.hi")
    words: str = at("requirement.words")
    in_grams: list[str]
    group: str = at(lambda limit: group_of(limit.requirement))
    when: str = at("row.when.words")
    classes: list[str] = at("row.classes")
    not_classes: list[str] = at("row.not_classes")
    layer: Layer = at("row.layer")
    blocks: bool = at("row.blocks")
    protects_health: bool = at("row.protects_health")
    source: str = at("row.source")
    status: str = at("row.status")
    """How the figure was read."""
    valid_from: date | None = at("row.valid_from")
    valid_to: date | None = at("row.valid_to")
    note: str | None = at("row.note")


class Rules(Record):
    """The answer of ``trimwright rules PACK``."""

    pack: str = at("pack.pack")
    title: str = at("pack.title")
    authority: str = at("pack.authority")
    checked_on: date = at("pack.checked_on")
    notes: list[str] = at("pack.notes")
    not_covered: list[NotCovered] = at("pack.not_covered")
    classes: list[ProductClass] = at("pack.classes")
    limits: list[Limit]
    caution: str = at(lambda chosen: DEFER)


Packs = list[Rules]
"""The answer of ``trimwright rules``: every shipped pack."""
