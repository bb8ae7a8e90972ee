"""The law the tool uses, as a page and as JSON: packs, classes, limits with sources, and what they mean in grams."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

from constraints.faults import BadInput, Fault, nearest
from constraints.numbers import shown, trimmed
from constraints.requirement import Requirement
from constraints.rules import Pack, PackRow, in_grams, load_pack, shipped
from optimizer.pages.page import source_words
from optimizer.pages.tables import heading, paragraph, table
from optimizer.words import CAUTION

DEFER = f"Figures change: read the source before you rely on one. {CAUTION}"


@dataclass(frozen=True)
class Asked:
    """Which rows to show: of one class, in force on one day; and kilograms of a batch to turn figures into grams."""

    product_class: str | None = None
    day: date | None = None
    kilograms: Fraction | None = None


def packs_page() -> str:
    """Every shipped pack, a line each."""
    packs = [load_pack(name) for name in shipped()]
    rows = [[p.pack, p.title, str(len(p.classes)), str(len(p.rows)), p.checked_on.isoformat()] for p in packs]
    lines = table(("pack", "place", "classes", "limits", "figures read"), rows, "<<>><")
    lines += ["", "trimwright rules PACK lists the limits of one.", "", *paragraph(DEFER)]
    return "\n".join(lines) + "\n"


def pack_page(pack: Pack, asked: Asked) -> str:
    """One pack's classes and limits, ending in a newline. Raises BadInput for a class the pack lacks."""
    rows = _chosen(pack, asked)
    lines = [*paragraph(f"{pack.title}: figures read {pack.checked_on.isoformat()}; {pack.authority}")]
    if asked.product_class is None:
        lines += heading("classes of product")
        lines += table(("class", "title", "source"), [[c.id, c.title, c.source] for c in pack.classes], "<<<")
    lines += heading("limits")
    for row in rows:
        lines += _row(row, asked)
    if pack.notes:
        lines += heading("notes")
        for note in pack.notes:
            lines += paragraph(note, "* ")
    return "\n".join([*lines, "", *paragraph(DEFER)]) + "\n"


def _chosen(pack: Pack, asked: Asked) -> list[PackRow]:
    known = [entry.id for entry in pack.classes]
    if asked.product_class is not None and asked.product_class not in known:
        close = nearest(asked.product_class, known)
        hint = f"did you mean {close}?" if close else f"known: {', '.join(known)}"
        raise BadInput([Fault(pack.pack, None, None, f"no product class {asked.product_class!r}", hint)])
    return list(pack.listed(asked.product_class, asked.day))


def _row(row: PackRow, asked: Asked) -> Iterator[str]:
    requirement = row.requirement()
    effect = "blocks" if row.blocks() else "warns"
    health = ", protects health" if row.protects_health else ""
    yield from paragraph(f"{requirement.words()} ({row.layer}, {effect}{health})", "* ")
    for grams in grams_words(requirement, asked.kilograms):
        yield from paragraph(grams, "    ")
    if row.classes:
        yield from paragraph(f"for {', '.join(row.classes)}", "    ")
    if row.not_classes:
        yield from paragraph(f"not for {', '.join(row.not_classes)}", "    ")
    dates = [f"from {row.valid_from}" if row.valid_from else "", f"to {row.valid_to}" if row.valid_to else ""]
    if any(dates):
        yield f"    in force {' '.join(d for d in dates if d)}"
    yield from paragraph(f"[{source_words(requirement)}]", "    ", "     ")


def grams_words(requirement: Requirement, kilograms: Fraction | None) -> list[str]:
    """What a limit means in grams for so many kilograms of its basis; nothing where its unit is not a share."""
    found = None if kilograms is None else in_grams(requirement, kilograms)
    if kilograms is None or found is None:
        return []
    size = f"in {trimmed(kilograms)} kg of {requirement.basis}"
    return [
        f"{word} {shown(grams, 3)} g {size}" for word, grams in zip(("at least", "at most"), found, strict=True)
        if grams is not None
    ]  # fmt: skip


def packs_document() -> str:
    """Every shipped pack as one JSON document."""
    return _dump([_pack(load_pack(name), Asked()) for name in shipped()])


def pack_document(pack: Pack, asked: Asked) -> str:
    """One pack as one JSON document. Raises BadInput for a class the pack lacks."""
    return _dump(_pack(pack, asked))


def _dump(data: Any) -> str:
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _pack(pack: Pack, asked: Asked) -> dict[str, Any]:
    return {
        "pack": pack.pack,
        "title": pack.title,
        "authority": pack.authority,
        "checked_on": pack.checked_on.isoformat(),
        "notes": list(pack.notes),
        "classes": [{"id": c.id, "title": c.title, "source": c.source} for c in pack.classes],
        "limits": [_limit(row, asked) for row in _chosen(pack, asked)],
        "caution": DEFER,
    }


def _limit(row: PackRow, asked: Asked) -> dict[str, Any]:
    requirement = row.requirement()
    return {
        "id": row.id,
        "what": requirement.what,
        "basis": requirement.basis,
        "unit": requirement.unit,
        "min": None if requirement.lo is None else float(requirement.lo),
        "max": None if requirement.hi is None else float(requirement.hi),
        "words": requirement.words(),
        "in_grams": grams_words(requirement, asked.kilograms),
        "classes": list(row.classes),
        "not_classes": list(row.not_classes),
        "layer": str(row.layer),
        "blocks": row.blocks(),
        "protects_health": row.protects_health,
        "source": row.source,
        "status": str(row.status),
        "valid_from": row.valid_from.isoformat() if row.valid_from else None,
        "valid_to": row.valid_to.isoformat() if row.valid_to else None,
        "note": row.note,
    }
