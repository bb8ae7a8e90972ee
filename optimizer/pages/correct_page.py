"""What is printed of a correction: what to do first, then the corrected batch as a blend is printed."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from constraints.ingredients import FAT, MOISTURE, SALT, Lot
from constraints.numbers import G_PER_KG, KG_PER_LB, shown, trimmed
from constraints.quantities import Basis
from optimizer.correction import Correction
from optimizer.pages.batch_page import page
from optimizer.pages.correct_json import lots_taught
from optimizer.pages.figures import figure, money_words, unit_of
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
