"""What is printed of a correction: what to do first, then the corrected batch as a blend is printed.

Its JSON document is that of the corrected batch, the mass as one lot of it, with what was done; keys may be added,
never renamed.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from constraints.as_typed import G_PER_KG, ZERO, shown, trimmed
from constraints.quantities import FAT, MOISTURE, SALT, Lot
from optimizer.answer import Status
from optimizer.correction import Correction
from optimizer.figures import Unit, measured
from optimizer.pages.answer_json import Blend, Bounds, ItemIn, LotIn
from optimizer.pages.batch_page import page
from optimizer.pages.tables import listed, paragraph
from optimizer.record import Figure, Record, at
from optimizer.remarks import verdict_of
from optimizer.summary import items_in, lots_in
from optimizer.taught import LotTaught
from optimizer.verdict import HEADLINES, Grade
from optimizer.wording import CAUTION, day_words

EVEN = "Mix until it is even throughout, then test it again."
NOT_ROUTINE = (
    "This is no matter of course: an uneven mix poisons. Put it right only if a person who answers for it decides so, "
    "with meat that has no cure, all in one mass, mixed until even throughout; otherwise throw it away."
)


def correct_page(found: Correction, *, full: bool = False) -> str:
    """The page, ending in a newline.

    Where nothing on hand puts it right ``why`` has to say what would, with the caution.
    """
    said = opening(found)
    if found.answer.weighed is None:
        told = [] if found.answer.conflict is not None and not found.over else paragraph(CAUTION)
        return "\n".join([*said, "", *told]) + "\n"
    if found.mixed_c is not None:
        said += paragraph(f"the mix comes to {shown(found.mixed_c, 1)} C, all unfrozen and of one heat capacity", "* ")
    return page(found.answer, opening=said, full=full)


def opening(found: Correction) -> list[str]:
    """What stands first: what to do, or why not; what was measured, what is in it, and what the test teaches."""
    unit, mass = found.answer.problem.unit, found.ground.kilograms
    metric = "" if unit.name == "kg" else f" ({trimmed(mass, 3)} kg)"
    name, day = found.answer.problem.recipe.entry.name, day_words(found.answer.problem.order.day)
    title = f"{name}, put right: {unit.said(mass)}{metric} as ground, {day}"
    marked = [*_what_is_in(found, unit), *_taught(found)]
    return [*paragraph(title), *listed(_todo(found, unit)), *listed(marked)]


def _todo(found: Correction, unit: Unit) -> Iterator[tuple[str, str]]:
    """The verdict with its reasons, and what to add and hold back."""
    if found.grade in (Grade.HOLD, Grade.DO_NOT_MAKE):
        yield "", f"{'HOLD IT' if found.grade is Grade.HOLD else HEADLINES[found.grade]}."
    if found.unfit:
        yield "* ", f"It may not be used: it {found.unfit}."
        return
    for limit, value in ((one.requirement, one.value) for one in found.over):
        said = f"{limit.what} of the {limit.basis} is {measured(value, limit)} as it stands"
        yield "* ", f"{said}, {limit.limits()}: {limit.origin.source}"
    yield from [("", NOT_ROUTINE)] if found.over else ()
    certificate = found.answer.certificate
    if certificate is None:
        late = found.answer.grade is Grade.NO_ANSWER
        none = "Nothing on hand makes it lawful: throw it away." if found.over else "NOTHING ON HAND PUTS IT RIGHT."
        yield "", f"{HEADLINES[Grade.NO_ANSWER]}." if late else none
        return
    lots = sum((kg for item, kg in found.added.items() if isinstance(item, Lot)), ZERO)
    others = sum(found.added.values(), ZERO) - lots
    parts = [f"{unit.said(lots)} of meat"] if lots else []
    parts += [f"{trimmed(others * G_PER_KG, 1)} g of additions"] if others else []
    if parts:
        paid = f"{shown(certificate.cost, 2)}{found.answer.problem.money}"
        yield "", f"{'IF SO, ADD' if found.over else 'ADD'} {' and '.join(parts)}, for {paid}. {EVEN}"
    else:
        yield "", "NOTHING TO ADD. It is right as ground."
    if found.held_back_kg:
        words = f"HOLD BACK {unit.said(found.held_back_kg)} of it as rework, labelled with its batch, lots and date"
        yield "", f"{words}; {unit.said(found.kept_kg)} stay in."


def _what_is_in(found: Correction, unit: Unit) -> Iterator[tuple[str, str]]:
    """What was measured against the lots' own figures, what is in already, and what must still go in whole."""
    mass, test, own = found.ground.typed.kilograms, found.ground.found, found.ground.by_lots
    for name, value in ((FAT, test.fat), (MOISTURE, test.moisture), (SALT, test.salt)):
        if value is not None:
            told = f"; {shown(own[name], 2)} % by what went in" if name in own else ""
            sd = f" (standard deviation {trimmed(test.sd, 3)})" if name == FAT and test.sd else ""
            yield "* ", f"{name.removesuffix('_pct')} measured: {trimmed(value, 3)} %{sd}{told}"
    yield "* ", f"in it: {', '.join(f'{i.name} {unit.said(kg)}' for i, kg in mass.items() if isinstance(i, Lot))}"
    added = [f"{i.name} {trimmed(kg * G_PER_KG, 1)} g" for i, kg in mass.items() if not isinstance(i, Lot)]
    yield "* ", f"seasoning in it, not to be weighed again: {', '.join(added) or 'none'}"
    missing = ", ".join(a.item.name for a in found.answer.problem.recipe.additions if a.item not in mass)
    yield from [("* ", f"still to come, whole: {missing}")] if missing else ()
    if found.fat_sd is not None:
        yield "* ", f"fat of the corrected meat: standard deviation {shown(found.fat_sd, 2)}"


def _taught(found: Correction) -> Iterator[tuple[str, str]]:
    """What the test says of the lots, and which of them is out of line."""
    if found.taught is None:
        return
    lots = ((x.lot, shown(x.fat_pct, 1), shown(x.fat_sd_pct, 1), x.typed_fat_pct) for x in found.taught.lots)
    said = [f"{lot} {fat} ± {sd} (typed {trimmed(typed, 2)})" for lot, fat, sd, typed in lots]
    yield "* ", f"what the test says of the lots' fat: {', '.join(said)}"
    if far := found.taught.out_of_line:
        told = "; one test cannot tell which of them" if len(said) > 1 else ""
        yield "! ", f"out of line by more than their errors explain: {', '.join(far)}{told}"


class Contents(Record):
    """What is in a batch by lots and additions, as check, stock and correct itself read it."""

    lots: list[LotIn] = at(lots_in)
    weigh_out: list[ItemIn] = at(items_in)


class MeasuredPart(Record):
    """What was found of the mass as it is, per cent by weight, with the standard deviation of fat in points."""

    fat_pct: Figure | None = at("fat")
    moisture_pct: Figure | None = at("moisture")
    salt_pct: Figure | None = at("salt")
    fat_sd_pct: Figure | None = at("sd")


class Over(Bounds):
    """A limit on cure that the mass breaks as it stands."""

    value: Figure


class Done(Record):
    """The mass as ground, what of it stays in, what is added and what there is then."""

    ground_kg: Figure = at("ground.kilograms")
    kept_kg: Figure
    held_back_kg: Figure | None
    measured: MeasuredPart = at("ground.found")
    by_lots: dict[str, Figure] = at("ground.by_lots")
    """The same figures by those of what went in, per cent by weight."""
    mixed_c: Figure | None
    """Temperature of the mix, degrees Celsius, where those of its parts are known."""
    ground: Contents = at("ground.typed")
    add: Contents = at(lambda found: replace(found.ground.typed, kilograms=found.added))
    after: Contents | None = at(lambda found: found.after if found.kept_kg else None)
    over: list[Over]
    unfit: str
    """Why the mass may not be used; empty where it may."""
    fat_sd_after_pct: Figure | None = at("fat_sd")
    taught: list[LotTaught] = at(lambda found: found.taught.lots if found.taught else [])


class Corrected(Blend):
    """The answer of ``trimwright correct``."""

    correction: Done
    ways: dict[str, Any] | None
    """What would put it right, as why says it; null where something on hand does."""


def corrected(found: Correction, ways: dict[str, Any] | None) -> dict[str, Any]:
    """The keys of the document: the answer's, graded as the correction is.

    A mass with too much cure in it has no status but *do not make*.
    """
    status = Status.DO_NOT_MAKE if found.grade in (Grade.HOLD, Grade.DO_NOT_MAKE) else found.answer.status
    own = {"verdict": verdict_of(found.answer, found.grade), "correction": found, "ways": ways}
    return {**dict(Blend.model_validate(found.answer)), **own, "status": status}
