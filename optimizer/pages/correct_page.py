"""What is printed of a correction: what to do first, then the corrected batch as a blend is printed.

Its JSON document is that of the corrected batch, the mass as one lot of it, with what was done; keys may be added,
never renamed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import Any

from constraints.ingredients import FAT, MOISTURE, SALT, Lot
from constraints.numbers import G_PER_KG, KG_PER_LB, shown, trimmed
from constraints.quantities import Basis
from optimizer.answer import Status
from optimizer.correction import Correction
from optimizer.pages.answer_json import Blend
from optimizer.pages.batch_page import page
from optimizer.pages.figures import figure, money_words, unit_of
from optimizer.pages.record import Figure, Record, at
from optimizer.pages.tables import paragraph
from optimizer.summary import composition
from optimizer.verdict import HEADLINES, Grade
from optimizer.wording import CAUTION, day_words

_ZERO = Fraction(0)
EVEN = "Mix until it is even throughout, then test it again."
NOT_ROUTINE = (
    "This is no matter of course: an uneven mix poisons. Put it right only if a person who answers for it decides so, "
    "with meat that has no cure, all in one mass, mixed until even throughout; otherwise throw it away."
)


def correct_page(found: Correction, heat: tuple[Fraction, Fraction] | None = None, *, full: bool = False) -> str:
    """The page, ending in a newline; ``heat`` are the temperatures of mass and addition, degrees Celsius.

    Where nothing on hand puts it right ``why`` has to say what would, with the caution.
    """
    said = opening(found)
    if found.answer.weighed is None:
        told = [] if found.answer.conflict is not None and not found.over else paragraph(CAUTION)
        return "\n".join([*said, "", *told]) + "\n"
    if heat is not None:
        mixed = shown(found.mixed(*heat), 1)
        said += paragraph(f"the mix comes to {mixed} C, all unfrozen and of one heat capacity", "* ")
    return page(found.answer, opening=said, full=full)


def opening(found: Correction) -> list[str]:
    """What stands first: what to do, or why not; what was measured, what is in it, and what the test teaches."""
    return [*_title(found), *_todo(found), *_what_is_in(found), *_taught(found)]


def _title(found: Correction) -> Iterator[str]:
    name, order = found.answer.problem.recipe.entry.name, found.order
    mass = f"{trimmed(found.ground.kilograms, 3)} kg"
    if order.in_pounds:
        mass = f"{trimmed(found.ground.kilograms / KG_PER_LB, 3)} lb ({mass})"
    yield from paragraph(f"{name}, put right: {mass} as ground, {day_words(order.day)}")


def _todo(found: Correction) -> Iterator[str]:
    """The verdict with its reasons, and what to add and hold back."""
    if found.grade in (Grade.HOLD, Grade.DO_NOT_MAKE):
        yield from paragraph(f"{'HOLD IT' if found.grade is Grade.HOLD else HEADLINES[found.grade]}.")
    if found.unfit:
        yield from paragraph(f"It may not be used: it {found.unfit}.", "* ")
        return
    for limit, value in found.over:
        said = f"{limit.what} of the {limit.basis} is {figure(value, limit)} {limit.unit} as it stands"
        yield from paragraph(f"{said}, {limit.limits()}: {limit.origin.source}", "* ")
    if found.over:
        yield from paragraph(NOT_ROUTINE)
    if found.answer.weighed is None:
        yield from paragraph(_nothing(found))
        return
    unit, optimum, money = unit_of(found.answer), found.answer.optimum, money_words(found.answer.problem)
    lots = sum((kg for item, kg in found.added.items() if isinstance(item, Lot)), _ZERO)
    others = sum(found.added.values(), _ZERO) - lots
    cost = _ZERO if found.answer.certificate is None else found.answer.certificate.cost
    if not found.added:
        yield from paragraph("NOTHING TO ADD. It is right as ground.")
    elif optimum is not None:
        more = f" and {trimmed(others * G_PER_KG, 1)} g of additions" if others else ""
        do = "IF SO, ADD" if found.over else "ADD"
        yield from paragraph(f"{do} {unit.said(lots)} of meat{more}, for {shown(cost, 2)}{money}. {EVEN}")
    back = found.ground.kilograms - found.kept_kg
    if back:
        words = f"HOLD BACK {unit.said(back)} of it as rework, labelled with its batch, lots and date"
        yield from paragraph(f"{words}; {unit.said(found.kept_kg)} stay in.")


def _nothing(found: Correction) -> str:
    if found.answer.grade is Grade.NO_ANSWER:
        return f"{HEADLINES[Grade.NO_ANSWER]}."
    return "Nothing on hand makes it lawful: throw it away." if found.over else "NOTHING ON HAND PUTS IT RIGHT."


def _what_is_in(found: Correction) -> Iterator[str]:
    """What was measured against the lots' own figures, what is in already, and what must still go in whole."""
    mass, measured = found.ground.typed, found.ground.found
    own = composition(found.ground.weighed, Basis.BATCH)
    for name, value in ((FAT, measured.fat), (MOISTURE, measured.moisture), (SALT, measured.salt)):
        if value is not None:
            word = name.removesuffix("_pct")
            told = f"; {shown(own[name], 2)} % by what went in" if name in own else ""
            sd = f" (standard deviation {trimmed(measured.sd, 3)})" if name == FAT and measured.sd else ""
            yield from paragraph(f"{word} measured: {trimmed(value, 3)} %{sd}{told}", "* ")
    lots = [f"{i.name} {unit_of(found.answer).said(kg)}" for i, kg in mass.kilograms.items() if isinstance(i, Lot)]
    added = {i: kg for i, kg in mass.kilograms.items() if not isinstance(i, Lot)}
    yield from paragraph(f"in it: {', '.join(lots)}", "* ")
    listed = ", ".join(f"{i.name} {trimmed(kg * G_PER_KG, 1)} g" for i, kg in added.items())
    recipe = found.answer.problem.recipe
    missing = ", ".join(a.item.name for a in recipe.additions if a.item not in added)
    yield from paragraph(f"seasoning in it, not to be weighed again: {listed or 'none'}", "* ")
    if missing:
        yield from paragraph(f"still to come, whole: {missing}", "* ")
    if found.fat_sd is not None:
        yield from paragraph(f"fat of the corrected meat: standard deviation {shown(found.fat_sd, 2)}", "* ")


def _taught(found: Correction) -> Iterator[str]:
    """What the test says of the lots, and which of them is out of line."""
    rows = lots_taught(found)
    said = [
        f"{row['lot']} {shown(row['fat_pct'], 1)} ± {shown(row['fat_sd_pct'], 1)} (typed "
        f"{trimmed(row['typed_fat_pct'], 2)})"
        for row in rows
    ]
    if said:
        yield from paragraph(f"what the test says of the lots' fat: {', '.join(said)}", "* ")
    if found.taught is not None and found.taught.out_of_line:
        told = "; one test cannot tell which of them" if len(rows) > 1 else ""
        names = ", ".join(found.taught.out_of_line)
        yield from paragraph(f"out of line by more than their errors explain: {names}{told}", "! ")


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
