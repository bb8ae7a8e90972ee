"""From a recipe, a lots table and an order to one problem: who may go in, and what must hold.

Everything that can be wrong between the files is found here, all at once, before anything is solved.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

from constraints.asked import Stock, batch_size, floors
from constraints.faults import BadInput, Fault, meant
from constraints.formula import Formula, NoDose
from constraints.library import brought, guarding, limits_cure
from constraints.numbers import ZERO, trimmed
from constraints.quantities import Kind, Lot, MissingProperty
from constraints.requirement import Requirement, confident, marked
from constraints.row import Row
from constraints.rules import Pack, Product
from constraints.words import look_alikes
from optimizer.figures import Unit
from optimizer.missing import LeftOut, complete, figures_of
from optimizer.order import Order
from optimizer.own_rows import own_rows
from optimizer.reading.lots import LotTable
from optimizer.reading.packs import legal_requirements, opposed, product_of, unjudged
from optimizer.reading.recipe import Recipe
from optimizer.wording import day_words

MOST_LOADS = 50
"""Mixer loads above which an order is several batches; common practice, no source."""


@dataclass(frozen=True)
class Problem:
    """One batch to decide. ``fixed`` are requirements whose figure no choice of lots can change.

    ``lots_in_pounds`` is True where the lots table states its stock in pounds, so that a reader thinks in them.
    """

    recipe: Recipe
    order: Order
    product: Product
    packs: tuple[Pack, ...]
    formula: Formula
    requirements: tuple[Requirement, ...]
    fixed: tuple[Requirement, ...]
    measured_only: tuple[Requirement, ...]
    left_out: tuple[LeftOut, ...]
    warnings: tuple[Fault, ...]
    lots_in_pounds: bool = False

    @property
    def in_pounds(self) -> bool:
        """Whether weights are said in pounds: where the command or the recipe says so, or the lots table weighs so."""
        return self.lots_in_pounds if self.order.in_pounds is None else self.order.in_pounds

    @property
    def unit(self) -> Unit:
        """The unit in which its pages say weights."""
        return Unit.of(pounds=self.in_pounds)

    @property
    def money(self) -> str:
        """What stands behind a sum of money on its pages."""
        return f" {self.recipe.entry.currency}".rstrip()

    @property
    def choosing(self) -> tuple[Requirement, ...]:
        """The requirements that depend on the lots and must hold: the rows of the model."""
        apart = {id(r) for r in (*self.fixed, *self.measured_only)}
        return tuple(r for r in self.requirements if id(r) not in apart)


def assemble(recipe: Recipe, table: LotTable, order: Order, further: Sequence[Requirement] = ()) -> Problem:
    """Put the files together. Raises BadInput with every fault found between them.

    ``further`` are requirements beside those of recipe, law and stock.
    """
    faults: list[Fault] = []
    faults += _name_faults(recipe, table)
    faults += _clashes(recipe, table)
    faults += order_faults(recipe, order)
    product = product_of(recipe, order.day)
    packs, legal = legal_requirements(recipe, product, faults)
    usable, left_out = _usable(recipe, table, order)
    faults += () if faults else unjudged(recipe, packs, legal, product, usable, table.file)
    faults += () if faults else opposed(recipe, packs, legal)
    own_guard = guarding([*usable, *(addition.item for addition in recipe.additions)])
    requirements = [*recipe.requirements, *legal, *own_guard, *floors(usable)]
    lots, lacking = complete(recipe, table, usable, requirements, faults)
    left_out += lacking
    _refuse(recipe, table, legal, faults)
    try:
        formula = Formula(lots, recipe.additions, recipe.process, figures_of(table, lots))
    except NoDose as error:
        raise BadInput([recipe.document.fault(("additions",), str(error), "")]) from error
    if lots:
        faults += _meaningless(recipe, formula, table, left_out)
    own = own_rows(recipe, formula, order, faults)
    _refuse(recipe, table, legal, faults)
    requirements, own = ([marked(r, lots, recipe.process) for r in found] for found in (requirements, own))
    requirements = [*_with_confidence(recipe, formula, requirements), *own]
    size = batch_size(order.basis, order.kilograms, order.within_kg)
    every = (size, Stock.of(lots), *requirements, *further)
    fixed = tuple(r for r in every if r.fixed_value(formula) is not None)
    settled = {id(r) for r in fixed}
    measured = tuple(r for r in every if id(r) not in settled and not _binds(r))
    return Problem(
        recipe, order, product, packs, formula, every, fixed, measured, tuple(left_out), tuple(recipe.warnings),
        table.in_pounds,
    )  # fmt: skip


def _refuse(recipe: Recipe, table: LotTable, legal: Sequence[Requirement], faults: Sequence[Fault]) -> None:
    """Raise BadInput where there are faults: a cure beyond the law first, then those of each file by line."""
    if faults:
        in_order = sorted(dict.fromkeys(faults), key=lambda fault: (fault.file == table.file, fault.line or 0))
        raise BadInput([*_overdoses(recipe, table, legal), *in_order])


def _overdoses(recipe: Recipe, table: LotTable, legal: Sequence[Requirement]) -> Iterator[Fault]:
    """Cures that alone bring more than a rule allows, whichever fresh lots they are for."""
    limits = [(r, r.counted) for r in legal if r.counted is not None and limits_cure(r)]
    cures = [(i, a.item) for i, a in enumerate(recipe.additions) if a.item.kind is Kind.CURE]
    try:
        formula = Formula([lot for lot in table.lots if not lot.rework], recipe.additions, recipe.process)
    except (NoDose, MissingProperty):
        return
    for i, cure in cures if formula.lots else ():
        carried = [dict(formula.carried(lot))[cure] for lot in formula.lots]
        for limit, counted in limits:
            strength, (_, under) = counted.per_kg(cure, recipe.process), limit.terms(formula) or ((), None)
            weights = zip(carried, under or (), strict=False)
            figure = min((share * strength / weight for share, weight in weights if weight), default=ZERO)
            if figure > (limit.hi or ZERO):
                found = f"{cure.name} alone gives {trimmed(figure, 2)} ppm {limit.what}"
                yield recipe.document.fault(("additions", i), found, f"{limit.limits()}: {limit.origin.source}")


def _with_confidence(recipe: Recipe, formula: Formula, requirements: Sequence[Requirement]) -> list[Requirement]:
    """Every requirement that the fat of a lot moves, held with the confidence the recipe asks for."""
    asked = recipe.entry.confidence if formula.lots else None
    return [r if asked is None else confident(r, asked.confidence(), formula) for r in requirements]


def rows_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> list[Row]:
    """The rows of the model, each owned by the requirement it belongs to."""
    chosen = problem.choosing if requirements is None else requirements
    return [row.owned(requirement) for requirement in chosen for row in requirement.rows(problem.formula)]


def _binds(requirement: Requirement) -> bool:
    """Guidance and what was waived are measured and said, never imposed on the choice of lots."""
    origin = requirement.origin
    return (origin.blocks or origin.legal) and not origin.waived


def _name_faults(recipe: Recipe, table: LotTable) -> Iterator[Fault]:
    """Names in the recipe's list of eligible lots that the lots table does not know."""
    stated = {"species": "species", "material": "material", "lot": "name", "leave_out": "name"}
    known = {key: {str(getattr(lot, name)) for lot in table.lots} for key, name in stated.items()}
    for key, names in known.items():
        for i, wanted in enumerate(getattr(recipe.entry.eligible, key) or ()):
            if wanted not in names:
                none = not names - {""} and key != "leave_out"
                typed = f"names are taken as typed in {table.file}"
                hint = meant(wanted, names - {""}, f"no lot of {table.file} fills a column {key}" if none else typed)
                what = "lot" if key == "leave_out" else key
                yield recipe.document.fault(("eligible", key, i), f"no lot has {what} {wanted!r}", hint)


def _clashes(recipe: Recipe, table: LotTable) -> Iterator[Fault]:
    """Names that are a lot's and an addition's: the weigh-out could not tell them apart."""
    lots = dict.fromkeys(lot.name for lot in table.lots)
    for i, addition in enumerate(recipe.additions):
        if addition.item.name in lots:
            found = f"{addition.item.name!r} is a lot and an addition"
            yield recipe.document.fault(("additions", i, "name"), found, "another name for one of them")
    own = {addition.item.name: i for i, addition in enumerate(recipe.additions)}
    for lot, name in look_alikes([*lots, *own]):
        if lot in lots and name in own:
            found = f"{name!r} looks like the lot {lot!r}, and is written with other letters"
            yield recipe.document.fault(("additions", own[name], "name"), found, "another name for one of them")


def order_faults(recipe: Recipe, order: Order) -> Iterator[Fault]:
    """An order that the scale or the mixer makes meaningless; the size is no fault of the recipe."""
    size = f"--{order.basis}-{'lb' if order.in_pounds else 'kg'}"
    if order.within_kg >= order.kilograms / 2 and not order.band:
        found = f"{trimmed(order.kilograms)} kg within {trimmed(order.within_kg)} kg says nothing"
        yield Fault(size, None, None, found, "a finer meat scale, a smaller tolerance or a larger batch")
    elif order.kilograms <= order.meat_division_kg:
        found = f"{trimmed(order.kilograms)} kg on a meat scale of {trimmed(order.meat_division_kg)} kg says nothing"
        yield Fault(size, None, None, found, "a finer meat scale or a larger batch")
    if order.mixer_kg is not None and order.kilograms > MOST_LOADS * order.mixer_kg:
        found = f"{trimmed(order.kilograms)} kg in a mixer of {trimmed(order.mixer_kg)} kg is over {MOST_LOADS} loads"
        if order.mixer_kg == recipe.entry.mixer_kg:
            yield recipe.document.fault(("mixer_kg",), found, "a larger mixer_kg, or several batches")
        else:
            yield Fault("--mixer-kg", None, None, found, "a larger one, or several batches")


def _usable(recipe: Recipe, table: LotTable, order: Order) -> tuple[list[Lot], list[LeftOut]]:
    whys = [(lot, why_left_out(recipe, lot, order.day)) for lot in sorted(table.lots, key=lambda lot: lot.name)]
    return [_at_its_worth(lot, order) for lot, why in whys if not why], [LeftOut(*one) for one in whys if one[1]]


def dying(lot: Lot, order: Order) -> bool:
    """True where the lot will not keep until the next chance to use it."""
    return order.next_chance is not None and lot.use_by is not None and lot.use_by < order.next_chance


def _at_its_worth(lot: Lot, order: Order) -> Lot:
    """A dying lot costs what it would fetch if it were not used, any other its book price."""
    return replace(lot, cost_per_kg=lot.salvage_per_kg / lot.usable) if dying(lot, order) else lot


def why_left_out(recipe: Recipe, lot: Lot, day: date) -> str:
    """Why a lot may not go into this recipe on this day, or nothing."""
    for part, _ in lot.parts:
        if isinstance(part, Lot) and (why := why_left_out(recipe, part, day)):
            return f"holds {part.name}: {why}"
    if lot.parts:
        return ""
    eligible = recipe.entry.eligible
    if lot.name in eligible.leave_out:
        return "left out by the recipe"
    for tag, found in (("species", lot.species), ("material", lot.material), ("lot", lot.name)):
        allowed = getattr(eligible, tag)
        if allowed is not None and found not in allowed:
            return f"not eligible by {tag}" + (f" {found}" if tag != "lot" and found else "")
    if recipe.entry.made_without_nitrite and brought([lot]):
        return "brings nitrite or nitrate, and the recipe is made without"
    if why := barred(lot, day):
        return why
    if lot.received is not None and lot.received > day:
        return f"not received before {day_words(lot.received)}"
    if not lot.on_hand_kg:
        return "no stock"
    return ""


def barred(lot: Lot, day: date) -> str:
    """Why a lot may go neither into a batch nor out of the house that day; empty where it may."""
    if lot.on_hold:
        return "on hold"
    return f"past its use-by {day_words(lot.use_by)}" if lot.use_by is not None and lot.use_by < day else ""


def _meaningless(recipe: Recipe, formula: Formula, table: LotTable, left_out: Sequence[LeftOut]) -> Iterator[Fault]:
    said = "; ".join(f"{entry.lot.name} is left out: {entry.why}" for entry in left_out[:3])
    hint = f"names are taken as typed in {table.file}" + (f"; {said}" if said else "")
    for i, requirement in enumerate(recipe.requirements):
        for complaint in requirement.complaints(formula):
            yield recipe.document.fault(("require", i), complaint, hint)
