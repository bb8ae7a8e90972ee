"""From a recipe, a lots table and an order to one problem: who may go in, and what must hold.

Everything that can be wrong between the files is found here, all at once, before anything is solved.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil

from constraints.as_typed import G_PER_KG, PERCENT, ZERO, BadInput, Fault, meant, trimmed
from constraints.asked import Stock, batch_size, floors
from constraints.formula import Addition, Dosing, Formula, NoDose
from constraints.library import brought, guarding, limits_cure

from constraints.quantities import FAT, MOISTURE, SALT, Amount, Basis, Ingredient  # isort: skip
from constraints.quantities import Kind, Lot, MissingProperty, Process, Quantity, Weight  # isort: skip
from constraints.requirement import Origin, Ratio, Requirement, confident, marked
from constraints.row import Row
from constraints.rules import Pack, Product
from constraints.words import look_alikes
from optimizer.figures import Unit
from optimizer.missing import LeftOut, complete, figures_of
from optimizer.order import Order
from optimizer.reading.entry import ScaleName
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe, legal_requirements, opposed, product_of, unjudged
from optimizer.wording import day_words

MOST_LOADS = 50
"""Mixer loads above which an order is several batches; common practice, no source."""
LEAST_OF_CURE = Fraction(9, 10)
"""Least part of a cure's dose that rounding to the scale may leave; common practice, no source."""
NO_STOCK = "no stock"
ROUNDED_DOSE = 2
"""How many times more or less than its dose a scale may make of any other addition; common practice, no source."""


class Portion(Quantity):
    """Kilograms of one addition."""

    item: Ingredient

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """1 for the addition itself, else 0."""
        return Fraction(item is self.item)


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
    faults = [*_name_faults(recipe, table), *_clashes(recipe, table), *order_faults(recipe, order)]
    product = product_of(recipe, order.day)
    packs, legal = legal_requirements(recipe, product, faults)
    whys = [(lot, why_left_out(recipe, lot, order.day)) for lot in sorted(table.lots, key=lambda lot: lot.name)]
    usable = [lot for lot, why in whys if not why]
    left_out = [LeftOut(lot, why, why == NO_STOCK or bool(not_chosen(recipe, lot))) for lot, why in whys if why]
    # a dying lot costs what it would fetch if it were not used, any other its book price
    usable = [replace(x, cost_per_kg=x.salvage_per_kg / x.usable) if dying(x, order) else x for x in usable]
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
    faults += _meaningless(recipe, formula, table, left_out) if lots else ()
    own = [*_own_rows(recipe, formula, order, faults), *_losses(recipe, formula, faults)]
    _refuse(recipe, table, legal, faults)
    requirements, own = ([marked(r, lots, recipe.process) for r in found] for found in (requirements, own))
    if lots and (asked := recipe.entry.confidence) is not None:
        requirements = [confident(r, asked, formula) for r in requirements]
    size = batch_size(order.basis, order.kilograms, order.within_kg)
    every = (size, Stock.of(lots), *requirements, *own, *further)
    fixed = tuple(r for r in every if r.fixed_value(formula) is not None)
    settled = {id(r) for r in fixed}
    # guidance and what was waived are measured and said, never imposed on the choice of lots
    spared = (r for r in every if r.origin.waived or not (r.origin.blocks or r.origin.legal))
    measured = tuple(r for r in spared if id(r) not in settled)
    return Problem(recipe, order, product, packs, formula, every, fixed, measured, tuple(left_out), table.in_pounds)


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


def rows_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> list[Row]:
    """The rows of the model, each owned by the requirement it belongs to."""
    chosen = problem.choosing if requirements is None else requirements
    return [row.owned(requirement) for requirement in chosen for row in requirement.rows(problem.formula)]


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


def dying(lot: Lot, order: Order) -> bool:
    """True where the lot will not keep until the next chance to use it."""
    return order.next_chance is not None and lot.use_by is not None and lot.use_by < order.next_chance


def why_left_out(recipe: Recipe, lot: Lot, day: date) -> str:
    """Why a lot may not go into this recipe on this day, or nothing."""
    for part, _ in lot.parts:
        if isinstance(part, Lot) and (why := why_left_out(recipe, part, day)):
            return f"holds {part.name}: {why}"
    if lot.parts:
        return ""
    if why := not_chosen(recipe, lot):
        return why
    if recipe.entry.made_without_nitrite and brought([lot]):
        return "brings nitrite or nitrate, and the recipe is made without"
    if why := barred(lot, day):
        return why
    if lot.received is not None and lot.received > day:
        return f"not received before {day_words(lot.received)}"
    return "" if lot.on_hand_kg else NO_STOCK


def not_chosen(recipe: Recipe, lot: Lot) -> str:
    """Why the recipe itself does not take a lot, or nothing."""
    eligible = recipe.entry.eligible
    if lot.name in eligible.leave_out:
        return "left out by the recipe"
    for tag, found in (("species", lot.species), ("material", lot.material), ("lot", lot.name)):
        allowed = getattr(eligible, tag)
        if allowed is not None and found not in allowed:
            return f"not eligible by {tag}" + (f" {found}" if tag != "lot" and found else "")
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


def below_a_division(recipe: Recipe, order: Order) -> frozenset[int]:
    """The additions, by their place, of whose dose a load holds less than a division of their scale."""
    loads = 1 if order.mixer_kg is None else ceil(order.kilograms / order.mixer_kg) + 1
    scales: dict[ScaleName | None, Fraction] = {ScaleName.MEAT: order.meat_division_kg}
    divisions = (scales.get(entry.scale, order.spice_division_kg) for entry in recipe.entry.additions)
    doses = (addition.rate * order.kilograms / loads for addition in recipe.additions)
    return frozenset(i for i, (dose, least) in enumerate(zip(doses, divisions, strict=True)) if 0 < dose < least)


def _own_rows(recipe: Recipe, formula: Formula, order: Order, faults: list[Fault]) -> Iterator[Requirement]:
    """What follows from the recipe itself: what a scale must leave of a dose, and no salt taken out."""
    small = below_a_division(recipe, order)
    for i, addition in enumerate(recipe.additions):
        if addition.dosing is Dosing.FREE:
            yield free_band(addition)
        elif addition.item.kind is Kind.CURE and addition.rate:
            yield _kept(addition, LEAST_OF_CURE, None, "nine tenths of the dose at least")
        elif i in small:
            most, source = Fraction(ROUNDED_DOSE), "from half of the dose to twice as much on your scale"
            yield _kept(addition, 1 / most, most, source)
        salted = addition.dosing is Dosing.TOTAL_SALT
        shares = [dict(formula.carried(column))[addition.item] for column in formula.columns if salted]
        if shares and all(share < 0 for share in shares):
            at = ("additions", i, "total_salt_pct")
            found = f"total salt of {trimmed(PERCENT * addition.rate)} % is exceeded before any {addition.item.name}"
            faults.append(recipe.document.fault(at, found, "lots, cure, liquids and inclusions bring more"))
        elif any(share < 0 for share in shares):
            yield _grams(addition, f"{addition.item.name} to add", Basis.MEAT, ZERO, source="total salt")


def _losses(recipe: Recipe, formula: Formula, faults: list[Fault]) -> Iterator[Requirement]:
    """No more water, and no more fat, is lost than there is; nothing where a figure is not stated."""
    process, origin = recipe.process, Origin("recipe", "no more is lost than there is")
    losses = ((MOISTURE, process.water_loss, "finished_pct", "water"), (FAT, process.fat_loss, "fat_loss_pct", "fat"))
    for name, loss, key, what in losses if process.declared else ():
        left = Amount(name, Basis.FINISHED)
        try:
            amounts = formula.totals(left) if loss else ()
        except MissingProperty:
            continue
        if amounts and all(amount < 0 for amount in amounts):
            found = f"the yield loses more {what} than the batch holds"
            faults.append(recipe.document.fault(("yield", key), found, "a smaller loss"))
        if loss:
            yield Ratio(
                what=f"{name.removesuffix('_pct')} left after the yield", basis=Basis.FINISHED.words, unit="%",
                origin=origin, lo=ZERO, over=left, under=Weight(Basis.FINISHED),
            )  # fmt: skip


def _grams(
    addition: Addition, what: str, basis: Basis, lo: Fraction, hi: Fraction | None = None, source: str = "your recipe"
) -> Requirement:
    """Grams of an addition per kilogram of a basis; the limits are kilograms per kilogram."""
    return Ratio(
        what=what, basis=basis.words, unit="g/kg", origin=Origin("recipe", source), lo=lo * G_PER_KG,
        hi=None if hi is None else hi * G_PER_KG, over=Portion(addition.item), under=Weight(basis),
        scale=Fraction(G_PER_KG),
    )  # fmt: skip


def _kept(addition: Addition, least: Fraction, most: Fraction | None, source: str) -> Requirement:
    """What a scale too coarse for a dose must leave of it, at least and at most so many times the dose.

    A cure must not be taken away, and of anything else neither nothing be left nor a multiple.
    """
    lo, hi = addition.rate * least, None if most is None else addition.rate * most
    said, basis = f"your recipe; {source}, common practice, no source", addition.basis
    if addition.dosing is Dosing.TOTAL_SALT:
        return Ratio(
            what="total salt as weighed", basis=basis.words, unit="%", origin=Origin("recipe", said), lo=PERCENT * lo,
            hi=None if hi is None else PERCENT * hi, over=Amount(SALT, Basis.BATCH), under=Weight(basis),
        )  # fmt: skip
    of = Basis.BATCH if basis is Basis.BATCH else Basis.FRESH
    return _grams(addition, f"{addition.item.name} weighed in", of, lo, hi, said)


def free_band(addition: Addition) -> Requirement:
    """The band of an addition left to the solver, g per kilogram of meat block."""
    return _grams(addition, addition.item.name, Basis.MEAT, addition.least, addition.most)
