"""The JSON document of ``correct``: that of the corrected batch, the mass as one lot of it, and what was done.

Keys may be added, never renamed.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

from constraints.ingredients import FAT, Lot
from constraints.numbers import G_PER_KG
from optimizer.answer import Status
from optimizer.correction import Correction
from optimizer.pages.answer_json import Blend
from optimizer.pages.record import Figure, Record, at
from optimizer.verdict import Grade


class LotIn(Record):
    """Kilograms of a lot that reach the grinder."""

    lot: str = at(lambda pair: pair[0].name)
    kg: Figure = at(lambda pair: pair[1])


class ItemIn(Record):
    """Grams of an addition."""

    item: str = at(lambda pair: pair[0].name)
    grams: Figure = at(lambda pair: pair[1] * G_PER_KG)


class Contents(Record):
    """What is in a batch by lots and additions, as check, stock and correct itself read it."""

    lots: list[LotIn] = at(lambda batch: [pair for pair in batch.kilograms.items() if isinstance(pair[0], Lot)])
    weigh_out: list[ItemIn] = at(lambda batch: [p for p in batch.kilograms.items() if not isinstance(p[0], Lot)])


class Measured(Record):
    """What was found of the mass as it is, per cent by weight, with the standard deviation of fat in points."""

    fat_pct: Figure | None = at("fat")
    moisture_pct: Figure | None = at("moisture")
    salt_pct: Figure | None = at("salt")
    fat_sd_pct: Figure | None = at("sd")


class Over(Record):
    """A limit on cure that the mass breaks as it stands."""

    what: str = at(lambda pair: pair[0].what)
    basis: str = at(lambda pair: pair[0].basis)
    unit: str = at(lambda pair: pair[0].unit)
    value: Figure = at(lambda pair: pair[1])
    max: Figure = at(lambda pair: pair[0].hi)


class LotTaught(Record):
    """What the test says of a lot's fat beside what was typed; its move in standard errors of its own."""

    lot: str
    typed_fat_pct: Figure
    fat_pct: Figure
    fat_sd_pct: Figure
    standard_errors: Figure
    out_of_line: bool


class Done(Record):
    """The mass as ground, what of it stays in, what is added and what there is then."""

    ground_kg: Figure = at("ground.kilograms")
    kept_kg: Figure
    held_back_kg: Figure | None = at(lambda f: f.ground.kilograms - f.kept_kg if f.answer.weighed else None)
    measured: Measured = at("ground.found")
    ground: Contents = at("ground.typed")
    add: Contents = at(lambda found: replace(found.ground.typed, kilograms=found.added))
    after: Contents | None = at(lambda found: found.after if found.kept_kg else None)
    over: list[Over]
    unfit: str
    """Why the mass may not be used; empty where it may."""
    fat_sd_after_pct: Figure | None = at("fat_sd")
    taught: list[LotTaught] = at(lambda found: lots_taught(found))


class Corrected(Blend):
    """The answer of ``trimwright correct``."""

    correction: Done
    ways: dict[str, Any] | None
    """What would put it right, as why says it; null where something on hand does."""


class View:
    """What the document is read off: the answer, graded as the correction is.

    A mass with too much cure in it has no status but *do not make*.
    """

    def __init__(self, found: Correction, ways: dict[str, Any] | None) -> None:
        self.correction, self.ways, self.grade = found, ways, found.grade
        refused = found.grade in (Grade.HOLD, Grade.DO_NOT_MAKE)
        self.status = Status.DO_NOT_MAKE if refused else found.answer.status

    def __getattr__(self, name: str) -> Any:
        return getattr(self.correction.answer, name)


def lots_taught(found: Correction) -> list[dict[str, Any]]:
    """Each lot in the mass with what the test says of it; none where an error is not stated."""
    if found.taught is None:
        return []
    typed: dict[str, Fraction] = {i.name: i.properties[FAT] for i in found.ground.typed.kilograms if isinstance(i, Lot)}
    rows = []
    for name, moved in zip(found.taught.names, found.taught.moved, strict=True):
        value, sd = found.taught.of(name)
        rows.append({
            "lot": name, "typed_fat_pct": typed[name], "fat_pct": value, "fat_sd_pct": sd,
            "standard_errors": float(moved), "out_of_line": name in found.taught.out_of_line,
        })  # fmt: skip
    return rows
