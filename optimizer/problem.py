"""From a recipe, a lots table and an order to one problem: who may go in, and what must hold.

Everything that can be wrong between the files is found here, all at once, before anything is solved.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil

from constraints.confidence import confident, lot_faults
from constraints.estimate import Component
from constraints.faults import BadInput, Fault, nearest
from constraints.figures import Figures
from constraints.formula import Addition, Dosing, Formula, NoDose
from constraints.ingredients import FAT, MOISTURE, SALT, Ingredient, Kind, Lot
from constraints.judged import brought, guarding, limits_cure
from constraints.methods import FAT_METHOD, FAT_SD, Confidence, finding
from constraints.numbers import G_PER_KG, PERCENT, trimmed
from constraints.products import Product
from constraints.quantities import Amount, Basis, MissingProperty, Process, Quantity, Weight, in_one_kg
from constraints.requirement import Origin, Ratio, Requirement, marked
from constraints.row import Row
from constraints.rules import Pack
from constraints.spelling import look_alikes
from constraints.stock import Stock, Tidy, batch_size, floors
from optimizer.reading.entry import ScaleName, WhenMissing
from optimizer.reading.lots import LotTable
from optimizer.reading.packs import legal_requirements, opposed, product_of, unjudged
from optimizer.reading.recipe import Recipe
from optimizer.words import day_words

_ZERO = Fraction(0)
MOST_LOADS = 50
"""Mixer loads above which an order is several batches; common practice, no source."""
LEAST_OF_CURE = Fraction(9, 10)
"""Least part of a cure's dose that rounding to the scale may leave; common practice, no source."""


ROUNDED_DOSE = 2
"""How many times more or less than its dose a scale may make of any other addition; common practice, no source."""


@dataclass(frozen=True)
class Order:
    """How much to make and when. ``within_kg`` is the tolerance on the weight, printed with it.

    With ``band`` that tolerance is what was asked for: any weight within it is as good as another. ``next_chance`` is
    the next day on which a lot left over could be used; a lot whose use-by is before it is dying.
    ``tidy`` is what is wanted of pulls and remnants (None: nothing), ``imposed`` what of it the program holds.
    """

    basis: Basis
    kilograms: Fraction
    within_kg: Fraction
    day: date
    meat_division_kg: Fraction
    spice_division_kg: Fraction
    mixer_kg: Fraction | None = None
    in_pounds: bool | None = None
    next_chance: date | None = None
    tidy: Tidy | None = None
    imposed: Tidy | None = None
    band: bool = False


@dataclass(frozen=True)
class LeftOut:
    """A lot that may not go in, and why."""

    lot: Lot
    why: str


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
    faults += _order_faults(recipe, order)
    product = product_of(recipe, order.day)
    packs, legal = legal_requirements(recipe, product, faults)
    usable, left_out = _usable(recipe, table, order)
    faults += () if faults else unjudged(recipe, packs, legal, product, usable, table.file)
    faults += () if faults else opposed(recipe, packs, legal)
    own_guard = guarding([*usable, *(addition.item for addition in recipe.additions)])
    requirements = [*recipe.requirements, *legal, *own_guard, *floors(usable)]
    lots, lacking = _complete(recipe, table, usable, requirements, faults)
    left_out += lacking
    _refuse(recipe, table, legal, faults)
    try:
        formula = Formula(lots, recipe.additions, recipe.process, _figures(table, lots))
    except NoDose as error:
        line, column = recipe.document.mark(("additions",))
        raise BadInput([Fault(recipe.file, line, column, str(error), "")]) from error
    if lots:
        faults += _meaningless(recipe, formula, table, left_out)
    own = _own_rows(recipe, formula, order, faults)
    _refuse(recipe, table, legal, faults)
    requirements, own = (
        [marked(requirement, lots, recipe.process) for requirement in found] for found in (requirements, own)
    )
    requirements = [*_with_confidence(recipe, formula, requirements), *own]
    size = batch_size(order.basis, order.kilograms, order.within_kg)
    every = (size, Stock.of(lots), *requirements, *further)
    fixed = tuple(r for r in every if r.fixed_value(formula) is not None)
    waived, settled = set(recipe.entry.waive), {id(r) for r in fixed}
    measured = tuple(r for r in every if id(r) not in settled and (not _binds(r) or r.origin.rule in waived))
    return Problem(
        recipe, order, product, packs, formula, every, fixed, measured, tuple(left_out), tuple(recipe.warnings),
        table.in_pounds,
    )  # fmt: skip


def _figures(table: LotTable, lots: Sequence[Lot]) -> Figures | None:
    """The figures of the table's lots, where every lot is one of them as it stands there."""
    return table.figures if all(lot in table.figures.place for lot in lots) else None


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
            figure = min((share * strength / weight for share, weight in weights if weight), default=_ZERO)
            if figure > (limit.hi or _ZERO):
                found = f"{cure.name} alone gives {trimmed(figure, 2)} ppm {limit.what}"
                yield recipe.document.fault(("additions", i), found, f"{limit.limits()}: {limit.origin.source}")


def _with_confidence(recipe: Recipe, formula: Formula, requirements: Sequence[Requirement]) -> list[Requirement]:
    """Every requirement that the fat of a lot moves, held with the confidence the recipe asks for."""
    asked = recipe.entry.confidence
    if asked is None or not formula.lots:
        return list(requirements)
    confidence = asked.confidence()
    return [confident(requirement, confidence, formula) for requirement in requirements]


def rows_of(problem: Problem, requirements: Sequence[Requirement] | None = None) -> list[tuple[Requirement, Row]]:
    """The rows of the model, each with the requirement it belongs to."""
    chosen = problem.choosing if requirements is None else requirements
    return [(requirement, row) for requirement in chosen for row in requirement.rows(problem.formula)]


def _binds(requirement: Requirement) -> bool:
    """Guidance and what was waived are measured and said, never imposed on the choice of lots."""
    origin = requirement.origin
    return (origin.blocks or origin.legal) and not origin.waived


def _name_faults(recipe: Recipe, table: LotTable) -> Iterator[Fault]:
    """Names in the recipe's list of eligible lots that the lots table does not know."""
    known = {
        "species": {lot.species for lot in table.lots},
        "material": {lot.material for lot in table.lots},
        "lot": {lot.name for lot in table.lots},
        "leave_out": {lot.name for lot in table.lots},
    }
    for key, names in known.items():
        for i, wanted in enumerate(getattr(recipe.entry.eligible, key) or ()):
            if wanted not in names:
                line, column = recipe.document.mark(("eligible", key, i))
                close = nearest(wanted, names - {""})
                missing = "" if names - {""} or key == "leave_out" else f"no lot of {table.file} fills a column {key}"
                typed = missing or f"names are taken as typed in {table.file}"
                hint = f"did you mean {close}?" if close else typed
                what = "lot" if key == "leave_out" else key
                yield Fault(recipe.file, line, column, f"no lot has {what} {wanted!r}", hint)


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


def _order_faults(recipe: Recipe, order: Order) -> Iterator[Fault]:
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
    usable, left_out = [], []
    for lot in sorted(table.lots, key=lambda lot: lot.name):
        why = why_left_out(recipe, lot, order.day)
        if why:
            left_out.append(LeftOut(lot, why))
        else:
            usable.append(_at_its_worth(lot, order))
    return usable, left_out


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
    if lot.on_hold:
        return "on hold"
    if lot.use_by is not None and lot.use_by < day:
        return f"past its use-by {day_words(lot.use_by)}"
    if lot.received is not None and lot.received > day:
        return f"not received before {day_words(lot.received)}"
    if not lot.on_hand_kg:
        return "no stock"
    return ""


def _complete(
    recipe: Recipe,
    table: LotTable,
    usable: Sequence[Lot],
    requirements: Sequence[Requirement],
    faults: list[Fault],
) -> tuple[list[Lot], list[LeftOut]]:
    """The lots that state every property needed; the others are faults, or left out by name on request."""
    needed = list({q: (r, q) for r in reversed(requirements) for q in r.quantities()}.values())[::-1]
    salt = next((a for a in recipe.additions if a.dosing is Dosing.TOTAL_SALT), None)
    faults += _addition_faults(recipe, needed, salt)
    complete, lacking, told = [], [], dict[tuple[str, str], list[Lot]]()
    lacking_some = _lacking(table, usable, needed, recipe)
    for lot in usable:
        gaps = gaps_of(lot, needed, recipe) if lacking_some is None or lot in lacking_some else []
        if salt is not None and SALT not in lot.properties:
            gaps.append(("total salt", SALT))
        if not gaps:
            complete.append(lot)
        elif recipe.entry.eligible.if_missing is WhenMissing.LEAVE_OUT:
            lacking.append(LeftOut(lot, "; ".join(f"does not state {name}, which {what} needs" for what, name in gaps)))
        else:
            for what, name in gaps:
                told.setdefault((name, what), []).append(lot)
    laws = {r.what: r.origin for r in requirements}
    faults += [_silent(recipe, table, name, what, laws.get(what), lots) for (name, what), lots in told.items()]
    asked = recipe.entry.confidence
    if asked is None:
        return complete, lacking
    confidence = asked.confidence()
    if recipe.entry.eligible.if_missing is WhenMissing.LEAVE_OUT:
        silent = [lot for lot in complete if not _states_its_error(lot, confidence)]
        why = f"states neither {FAT_SD} nor {FAT_METHOD}, which {confidence.words} needs"
        lacking += [LeftOut(lot, why) for lot in silent]
        complete = [lot for lot in complete if lot not in silent]
    faults += error_faults(table.file, complete, confidence)
    return complete, lacking


def _silent(recipe: Recipe, table: LotTable, name: str, what: str, origin: Origin | None, lots: Sequence[Lot]) -> Fault:
    """One fault for all lots that do not state a property: who asks for it, and the ways out."""
    law = f" ({origin.rule}, {origin.source})" if origin is not None and origin.pack else ""
    absent = _no_column(name, table)
    ways = [absent or "state it", "say if_missing: leave_out under eligible"]
    component = next((c for c in Component if c.property_name == name), None)
    if component is not None and name not in recipe.process.estimates:
        ways.insert(
            1, f"say estimate: [{component}] in the recipe: from fat, of raw pork, beef, lamb, veal and poultry"
        )
    elif component is not None:
        ways[0] += "; an estimate is for raw lots of a known species that state their fat, and hold no salt"
    first = min(lots, key=lambda lot: lot.line)
    who = f"the lot {first.name!r} does not state"
    if len(lots) > 1:
        every = absent and len({lot.name for lot in lots}) == len(table.lots)
        who = "no lot states" if every else f"the lots {', '.join(lot.name for lot in lots)} do not state"
    return Fault(table.file, first.line, name, f"{who} {name}, which {what}{law} needs", "; or ".join(ways))


def _lacking(
    table: LotTable, lots: Sequence[Lot], needed: Sequence[tuple[Requirement, Quantity]], recipe: Recipe
) -> set[Ingredient] | None:
    """Lots that do not state something needed, looked up once for all recipes; None where each must be asked."""
    figures = _figures(table, lots)
    if figures is None:
        return None
    return {figures.items[j] for _, q in needed for j in figures.of(q, recipe.process)[1]}


def error_faults(file: str, lots: Sequence[Lot], confidence: Confidence) -> list[Fault]:
    """Lots whose fat's error is not known, in one fault, and every other fault of one by itself."""
    silent = sorted((lot for lot in lots if not _states_its_error(lot, confidence)), key=lambda lot: lot.line)
    others = [lot for lot in lots if lot not in silent]
    faults = sorted(lot_faults(file, others, confidence), key=lambda fault: fault.line or 0)
    if len(silent) < 2:
        return [*lot_faults(file, silent, confidence), *faults]
    names = ", ".join(lot.name for lot in silent)
    found = f"{len(silent)} lots state neither {FAT_SD} nor {FAT_METHOD}: {names}"
    allowed = (
        f"one of them, usual_method beside the confidence, or if_missing: leave_out under eligible; "
        f"{confidence.words} is asked for"
    )
    return [Fault(file, silent[0].line, FAT_METHOD, found, allowed), *faults]


def _states_its_error(lot: Lot, confidence: Confidence) -> bool:
    """Whether a lot states the error of its fat, or a method, known or not."""
    try:
        return finding(lot, confidence.usual, confidence.own) is not None
    except (ValueError, MissingProperty):
        return True  # a fault of another kind


_NAMED = ("species", "role", "material")


def _no_column(name: str, table: LotTable) -> str:
    known = [*table.properties, *(key for key in _NAMED if any(getattr(lot, key) for lot in table.lots))]
    if name in known:
        return ""
    close = nearest(name, known)
    return f"there is no column {name!r} with anything in it" + (f"; did you mean {close}?" if close else "")


def gaps_of(item: Ingredient, needed: Sequence[tuple[Requirement, Quantity]], recipe: Recipe) -> list[tuple[str, str]]:
    """Properties that an ingredient does not state, each with what needs it first."""
    gaps: dict[str, str] = {}
    for requirement, quantity in needed:
        while (name := _missing(item, quantity, recipe.process)) and gaps.setdefault(name, requirement.what):
            if name in item.properties or name in _NAMED:
                break
            item = replace(item, properties={**item.properties, name: _ZERO})  # it may lack more
    return [(what, name) for name, what in gaps.items()]


def _missing(item: Ingredient, quantity: Quantity, process: Process) -> str:
    """The property that a quantity does not find in an ingredient, or nothing."""
    try:
        in_one_kg(quantity, item, process)
    except MissingProperty as missing:
        return missing.property_name
    return ""


def _addition_faults(
    recipe: Recipe, needed: Sequence[tuple[Requirement, Quantity]], salt: Addition | None
) -> Iterator[Fault]:
    for i, addition in enumerate(recipe.additions):
        gaps = gaps_of(addition.item, needed, recipe)
        if salt is not None and addition.item.kind.states_composition and SALT not in addition.item.properties:
            gaps.append(("total salt", SALT))
        for what, name in gaps:
            line, column = recipe.document.mark(("additions", i))
            found = f"{addition.item.name} does not state {name}, which {what} needs"
            yield Fault(recipe.file, line, column, found, f"a {addition.item.kind} states it; zero is a figure too")


def _meaningless(recipe: Recipe, formula: Formula, table: LotTable, left_out: Sequence[LeftOut]) -> Iterator[Fault]:
    said = "; ".join(f"{entry.lot.name} is left out: {entry.why}" for entry in left_out[:3])
    hint = f"names are taken as typed in {table.file}" + (f"; {said}" if said else "")
    for i, requirement in enumerate(recipe.requirements):
        for complaint in requirement.complaints(formula):
            line, column = recipe.document.mark(("require", i))
            yield Fault(recipe.file, line, column, complaint, hint)


def _own_rows(recipe: Recipe, formula: Formula, order: Order, faults: list[Fault]) -> list[Requirement]:
    """What follows from the recipe itself: salt is not taken out, no more water is lost than there is."""
    own: list[Requirement] = []
    for i, addition in enumerate(recipe.additions):
        if addition.dosing is Dosing.FREE:
            own.append(free_band(addition))
        elif addition.item.kind is Kind.CURE and addition.rate:
            own.append(_cure_kept(addition))
        elif addition.rate * _load_kg(order) < _division_kg(recipe.scales[i], order) and addition.rate:
            own.append(_dose_kept(addition))
        if addition.dosing is not Dosing.TOTAL_SALT:
            continue
        shares = [dict(formula.carried(column))[addition.item] for column in formula.columns]
        if shares and all(share < 0 for share in shares):
            line, column = recipe.document.mark(("additions", i, "total_salt_pct"))
            found = f"total salt of {trimmed(PERCENT * addition.rate)} % is exceeded before any {addition.item.name}"
            faults.append(Fault(recipe.file, line, column, found, "lots, cure, liquids and inclusions bring more"))
        elif any(share < 0 for share in shares):
            own.append(_not_negative(addition))
    own += _losses(recipe, formula, faults)
    return own


def _losses(recipe: Recipe, formula: Formula, faults: list[Fault]) -> list[Requirement]:
    """No more water, and no more fat, is lost than there is; nothing where a figure is not stated."""
    process = recipe.process
    kept = []
    for name, loss in ((MOISTURE, process.water_loss), (FAT, process.fat_loss)):
        if not process.declared or not loss:
            continue
        left = Amount(name, Basis.FINISHED)
        word = name.removesuffix("_pct")
        try:
            amounts = formula.totals(left)
        except MissingProperty:
            continue
        if amounts and all(amount < 0 for amount in amounts):
            key = "finished_pct" if name == MOISTURE else "fat_loss_pct"
            what = "water" if name == MOISTURE else "fat"
            found = f"the yield loses more {what} than the batch holds"
            faults.append(recipe.document.fault(("yield", key), found, "a smaller loss"))
        kept.append(
            Ratio(
                what=f"{word} left after the yield", basis=Basis.FINISHED.words, unit="%",
                origin=Origin("recipe", "no more is lost than there is"), lo=_ZERO,
                over=left, under=Weight(Basis.FINISHED),
            )
        )  # fmt: skip
    return list(kept)


@dataclass(frozen=True)
class Portion:
    """Kilograms of one addition."""

    item: Ingredient

    def per_kg(self, item: Ingredient, process: object) -> Fraction:
        """1 for the addition itself, else 0."""
        return Fraction(1) if item is self.item else _ZERO


def _cure_kept(addition: Addition) -> Requirement:
    """A scale so coarse that it takes most of the cure away must not make an uncured batch of a cured one."""
    basis = Basis.BATCH if addition.basis is Basis.BATCH else Basis.FRESH
    return Ratio(
        what=f"{addition.item.name} weighed in", basis=basis.words, unit="g/kg",
        origin=Origin("recipe", "your recipe; nine tenths of the dose at least, common practice, no source"),
        lo=addition.rate * 1000 * LEAST_OF_CURE,
        over=Portion(addition.item), under=Weight(basis), scale=Fraction(1000),
    )  # fmt: skip


def _load_kg(order: Order) -> Fraction:
    """Kilograms of a mixer load, or of the batch, at least."""
    loads = 1 if order.mixer_kg is None else ceil(order.kilograms / order.mixer_kg) + 1
    return order.kilograms / loads


def _division_kg(scale: ScaleName | None, order: Order) -> Fraction:
    """Division of the scale for an addition of less than one division of the spice scale."""
    return order.meat_division_kg if scale is ScaleName.MEAT else order.spice_division_kg


def _dose_kept(addition: Addition) -> Requirement:
    """A scale whose division is more than a dose must leave neither nothing of it nor a multiple."""
    source = "your recipe; from half of the dose to twice as much on your scale, common practice, no source"
    if addition.dosing is Dosing.TOTAL_SALT:
        target = PERCENT * addition.rate
        return Ratio(
            what="total salt as weighed", basis=addition.basis.words, unit="%", origin=Origin("recipe", source),
            lo=target / ROUNDED_DOSE, hi=target * ROUNDED_DOSE,
            over=Amount(SALT, Basis.BATCH), under=Weight(addition.basis),
        )  # fmt: skip
    basis = Basis.BATCH if addition.basis is Basis.BATCH else Basis.FRESH
    grams = addition.rate * G_PER_KG
    return Ratio(
        what=f"{addition.item.name} weighed in", basis=basis.words, unit="g/kg", origin=Origin("recipe", source),
        lo=grams / ROUNDED_DOSE, hi=grams * ROUNDED_DOSE,
        over=Portion(addition.item), under=Weight(basis), scale=Fraction(G_PER_KG),
    )  # fmt: skip


def _not_negative(addition: Addition) -> Requirement:
    return Ratio(
        what=f"{addition.item.name} to add", basis=Basis.MEAT.words, unit="g/kg",
        origin=Origin("recipe", "total salt"), lo=_ZERO,
        over=Portion(addition.item), under=Weight(Basis.MEAT), scale=Fraction(1000),
    )  # fmt: skip


def free_band(addition: Addition) -> Requirement:
    """The band of an addition left to the solver, g per kilogram of meat block."""
    most = None if addition.most is None else addition.most * 1000
    return Ratio(
        what=addition.item.name, basis=Basis.MEAT.words, unit="g/kg", origin=Origin("recipe", "your recipe"),
        lo=addition.least * 1000, hi=most, over=Portion(addition.item), under=Weight(Basis.MEAT), scale=Fraction(1000),
    )  # fmt: skip
