"""Putting a ground batch right: the cheapest that can be added, or taken out and added, so that it is on target.

The mass in the bowl is one more lot, whose parts are the lots and additions already in it, moved to what was measured.
It must go in, whole or (where the mixer is full) in part; nothing that is in can be taken out. All else is a blend: the
same program, rounding, checks and proof.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil, sqrt

from constraints.faults import BadInput, Fault
from constraints.formula import Addition, Batch, Dosing, Formula
from constraints.ingredients import FAT, MOISTURE, SALT, Ingredient, Kind, Lot
from constraints.judged import brought
from constraints.meaning import Stage
from constraints.methods import UnknownMethod, finding, method_named
from constraints.numbers import G_PER_KG, PERCENT, trimmed
from constraints.quantities import Amount, Basis, Weight, stated
from constraints.requirement import Origin, Ratio, Requirement
from constraints.row import Row
from constraints.vector import Vector
from optimizer.blend import Answer, Status, blend
from optimizer.doses import NEAR_DOSE
from optimizer.estimate import LEAN, Assay, Estimates, estimate
from optimizer.order import Asked, Order, order_of
from optimizer.own_rows import Portion
from optimizer.problem import Problem, assemble
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.verdict import Grade

_ZERO = Fraction(0)
FAR = Fraction(5)
"""Points by which a test may lie beyond the fattest or the leanest lot in a batch; common practice, no source (by eye
alone fat is known to 3 to 5 points)."""
APART = Fraction("2.8")
"""Standard deviations between two readings of one sample that nineteen pairs of twenty keep to: the repeatability limit
of ISO 5725-6:1994, 4.1.4 (from memory)."""


@dataclass(frozen=True)
class Found:
    """What was measured of the mass as it is, percent by weight, and the standard deviation of fat in points."""

    fat: Fraction | None = None
    moisture: Fraction | None = None
    salt: Fraction | None = None
    sd: Fraction | None = None
    method: str = ""


def measured(
    readings: Sequence[Fraction], moisture: Fraction | None, salt: Fraction | None, sd: Fraction | None, method: str
) -> Found:
    """What was measured, of several readings of fat their mean and its error. Raises BadInput where they disagree."""
    if not readings:
        return Found(moisture=moisture, salt=salt)
    mean = sum(readings, _ZERO) / len(readings)
    try:
        error = sd if sd is not None or not method else method_named(method).sd(mean)
    except UnknownMethod as unknown:
        raise BadInput([Fault("--method", None, None, str(unknown), unknown.hint)]) from None
    apart = max(readings) - min(readings)
    most = FAR if error is None else APART * error
    if apart > most:
        said = f"the readings {', '.join(trimmed(r, 3) for r in readings)} % are {trimmed(apart, 3)} points apart"
        allowed = f"at most {trimmed(most, 2)} for this method: test again"
        raise BadInput([Fault("--measured-fat", None, None, said, allowed)])
    spread = None if error is None else Fraction(sqrt(error**2 / len(readings))).limit_denominator(10**6)
    return Found(mean, moisture, salt, spread, method)


@dataclass(frozen=True)
class Ground:
    """A ground mass: as one lot, what is in it by its lots' own figures, and what was measured of it."""

    lot: Lot
    typed: Batch
    found: Found

    @property
    def kilograms(self) -> Fraction:
        """Kilograms of the mass."""
        return self.lot.on_hand_kg

    @property
    def alone(self) -> Batch:
        """The mass as a batch."""
        return Batch({self.lot: self.kilograms}, self.typed.process)


@dataclass(frozen=True, kw_only=True)
class StaysIn(Ratio):
    """What is in already is in: a batch grows until an addition, or a total of salt, is no more than its dose.

    ``strength`` is the part of the addition that counts, ``dose`` the figure wanted. ``over`` counts what is weighed.
    """

    addition: Addition
    dose: Fraction
    strength: Fraction = Fraction(1)

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """What is still to come of it is not below zero, but for what the limit leaves above the dose."""
        carried = [dict(formula.carried(column)).get(self.addition.item) for column in formula.columns]
        if None in carried:  # counted by itself
            return super().rows(formula)
        room = ((self.hi or _ZERO) - self.dose) / self.scale / self.strength
        net = Vector.of(kg or _ZERO for kg in carried)
        return (Row(f"{self.what} already in", net.plus(formula.totals(self.under), room), lo=_ZERO),)

    def fixed_value(self, formula: Formula) -> Fraction | None:
        """None: what is in is fixed, and what it is divided by is not."""
        return None


def stays_in(recipe: Recipe, ground: Ground, lots: Sequence[Lot]) -> Iterator[StaysIn]:
    """The rule for every dosed addition of which the mass, with some of these lots, may hold more than its dose."""
    there = dict(ground.lot.parts)
    scales = recipe.entry.scales
    for addition in recipe.additions:
        share, salt = there.get(addition.item, _ZERO), addition.dosing is Dosing.TOTAL_SALT
        if addition.dosing is Dosing.FREE or not share:
            continue
        salty = salt and any(lot.properties.get(SALT) for lot in lots)
        basis = addition.basis if salt else Basis.BATCH if addition.basis is Basis.BATCH else Basis.FRESH
        scale = Fraction(1 if salt else G_PER_KG)
        dose = addition.rate * (PERCENT if salt else scale)
        rule = StaysIn(
            what="total salt" if salt else f"{addition.item.name} weighed in", basis=basis.words,
            unit="%" if salt else "g/kg", origin=Origin("recipe", "what is in cannot be taken out"), hi=dose,
            over=Amount(SALT, Basis.BATCH) if salt else Portion(addition.item), under=Weight(basis), scale=scale,
            addition=addition, dose=dose,
            strength=addition.item.properties[SALT] / PERCENT if salt else Fraction(1),
        )  # fmt: skip
        now = rule.measure(ground.alone).value
        weighed = share * ground.kilograms
        room = dose * max(NEAR_DOSE, scales.spice_g / G_PER_KG / weighed)
        if now is not None and now > dose + room:
            yield rule
        elif now is not None and salty:
            yield replace(rule, hi=max(dose, now))


def ground_of(
    recipe: Recipe, batch: Batch, kilograms: Fraction | None, found: Found, file: str, name: str = "as ground"
) -> Ground:
    """The mass that a batch was ground to. Raises BadInput where no such mass can have what was measured.

    ``kilograms`` is what it weighs (None: what went in); what was lost was lost of all alike.
    """
    items = dict(batch.kilograms)
    mass = sum(items.values(), _ZERO) if kilograms is None else kilograms
    items = _scaled(items, mass)
    if found.salt is not None:
        items = _with_salt(recipe, items, found.salt, file)
    lots = {item: kg for item, kg in items.items() if isinstance(item, Lot)}
    moved = _as_measured(lots, items, found, file)
    parts = [(moved.get(item, item), kg / mass) for item, kg in items.items() if kg]
    meat = sum(lots.values(), _ZERO)
    states = [n for n in next(iter(moved.values())).properties if all(n in lot.properties for lot in moved.values())]
    figures = {n: sum((share * part.properties.get(n, _ZERO) for part, share in parts), _ZERO) for n in states}
    dates = [lot.use_by for lot in lots if lot.use_by is not None]
    paid = sum((kg * (i.book_per_kg if isinstance(i, Lot) else i.cost_per_kg) for i, kg in items.items()), _ZERO)
    lot = Lot(
        name=name, kind=Kind.LOT, properties=figures, parts=tuple(parts),
        species=" and ".join(dict.fromkeys(lot.species for lot in lots if lot.species)),
        on_hand_kg=mass, held_cost_per_kg=paid / mass, use_by=min(dates, default=None), use_up=True,
        cured=any(lot.cured for lot in lots), rework=any(lot.rework for lot in lots),
        fat_sd=None if found.sd is None else found.sd * mass / meat, fat_method=found.method,
    )  # fmt: skip
    return Ground(lot, Batch(items, recipe.process), found)


def _scaled(items: Mapping[Ingredient, Fraction], mass: Fraction) -> dict[Ingredient, Fraction]:
    factor = mass / sum(items.values(), _ZERO)
    return {item: kg * factor for item, kg in items.items()}


def _with_salt(
    recipe: Recipe, items: dict[Ingredient, Fraction], salt: Fraction, file: str
) -> dict[Ingredient, Fraction]:
    """The mass with so much salt in it that its total is as measured; the rest makes room for it."""
    added = next((a.item for a in recipe.additions if a.item.kind is Kind.SALT), None)
    if added is None:
        allowed = "a recipe with salt, or no --measured-salt"
        raise BadInput([Fault(recipe.file, None, "additions", "no salt is among the additions", allowed)])
    mass, others = sum(items.values(), _ZERO), {item: kg for item, kg in items.items() if item is not added}
    without = Batch(_scaled(others, mass), recipe.process)
    brought_pct, strength = without.amount(Amount(SALT, Basis.BATCH)) / mass, added.properties[SALT]
    share = (salt - brought_pct) / (strength - brought_pct)
    if not 0 <= share < 1:
        found = f"{trimmed(salt, 3)} % salt, and all but the salt weighed in brings {trimmed(brought_pct, 3)} %"
        raise BadInput([Fault("--measured-salt", None, None, found, f"test again, or mend what is in {file}")])
    return {**_scaled(others, mass * (1 - share)), added: mass * share}


def _as_measured(
    lots: Mapping[Lot, Fraction], items: Mapping[Ingredient, Fraction], found: Found, file: str
) -> dict[Ingredient, Lot]:
    """The lots in the mass, each moved so that together they are as measured; a figure not stated stays."""
    mass, meat = sum(items.values(), _ZERO), sum(lots.values(), _ZERO)
    moved = {lot: dict(lot.properties) for lot in lots}
    for option, name, figure in (("fat", FAT, found.fat), ("moisture", MOISTURE, found.moisture)):
        if figure is None or any(name not in lot.properties for lot in lots):
            continue
        rest = sum((kg * stated(item, name) for item, kg in items.items() if item not in lots), _ZERO)
        wanted = (figure * mass - rest) / meat
        low, high = min(lot.properties[name] for lot in lots), max(lot.properties[name] for lot in lots)
        if not max(low - FAR, _ZERO) <= wanted <= min(high + FAR, Fraction(PERCENT)):
            said = f"{trimmed(figure, 3)} % {option} of the mass is {trimmed(wanted, 2)} % of its meat"
            allowed = f"its lots have {trimmed(low, 2)} to {trimmed(high, 2)} %: test again, or mend what is in {file}"
            raise BadInput([Fault(f"--measured-{option}", None, None, said, allowed)])
        now = sum((lot.properties[name] * kg for lot, kg in lots.items()), _ZERO) / meat
        for figures in moved.values():
            _move(figures, name, wanted, now)
    return {lot: replace(lot, properties=figures, on_hand_kg=lot.held_kg(lots[lot])) for lot, figures in moved.items()}


def _move(figures: dict[str, Fraction], name: str, wanted: Fraction, now: Fraction) -> None:
    """One lot's figure on the way from a mean of ``now`` to ``wanted``, percent; what is not fat keeps its make-up."""
    old = figures[name]
    new = old * wanted / now if wanted < now else old + (PERCENT - old) * (wanted - now) / (PERCENT - now)
    figures[name] = new
    for other in LEAN if name == FAT and old < PERCENT else ():
        if other in figures:
            figures[other] *= (PERCENT - new) / (PERCENT - old)


@dataclass(frozen=True)
class Correction:
    """What puts a ground batch right. ``table`` and ``order`` are those of ``answer``.

    ``over`` are limits on cure that the mass breaks as it stands, with its figure; ``unfit`` why it may not be used.
    """

    ground: Ground
    answer: Answer
    table: LotTable
    order: Order
    over: tuple[tuple[Requirement, Fraction], ...] = ()
    unfit: str = ""
    taught: Estimates | None = None

    @property
    def grade(self) -> Grade:
        """What is to be done: a mass with too much cure in it is never put right as a matter of course."""
        if self.unfit or (self.over and self.answer.weighed is None):
            return Grade.DO_NOT_MAKE
        return Grade.HOLD if self.over and self.answer.grade is Grade.MAKE else self.answer.grade

    @property
    def exit_code(self) -> int:
        """That of the grade."""
        return self.grade.exit_code

    @property
    def fat_sd(self) -> Fraction | None:
        """Standard deviation of the corrected meat's fat, points, errors independent; None where one is not known."""
        lots = [item for item in self.added if isinstance(item, Lot)]
        asked = self.answer.problem.recipe.entry.confidence
        known = [finding(lot, (asked.usual_method or "") if asked else "") for lot in lots]
        mass, meat = self.ground.found.sd, self.after.amount(Weight(Basis.MEAT))
        if mass is None or not meat or None in known:
            return None
        errors = [self.added[lot] * found.sd for lot, found in zip(lots, known, strict=True) if found is not None]
        return Fraction(sqrt(sum(e * e for e in (*errors, self.kept_kg * mass)))) / meat

    def mixed(self, ground_c: Fraction, added_c: Fraction) -> Fraction:
        """Temperature of the mix: the mean by weight, nothing of it frozen (as if all had one heat capacity)."""
        added = sum(self.added.values(), _ZERO)
        return (self.kept_kg * ground_c + added * added_c) / (self.kept_kg + added)

    @property
    def added(self) -> dict[Ingredient, Fraction]:
        """Kilograms of every lot and addition to put in."""
        items = {} if self.answer.weighed is None else self.answer.weighed.total.kilograms
        return {item: kg for item, kg in items.items() if item is not self.answer_lot}

    @property
    def answer_lot(self) -> Ingredient:
        """The mass as it stands in the answer."""
        return next(lot for lot in self.table.lots if lot.parts)

    @property
    def kept_kg(self) -> Fraction:
        """Kilograms of the mass that go in."""
        return _ZERO if self.answer.weighed is None else self.answer.weighed.total.kilograms.get(self.answer_lot, _ZERO)

    @property
    def after(self) -> Batch:
        """The corrected batch by lots and additions, figures as typed; nothing where there is none."""
        share = self.kept_kg / self.ground.kilograms
        items = {item: kg * share for item, kg in self.ground.typed.kilograms.items() if share}
        typed = {lot.name: lot for lot in items if isinstance(lot, Lot)}
        for item, kg in self.added.items():
            own = typed.get(item.name, item)
            items[own] = items.get(own, _ZERO) + kg
        return Batch(items, self.ground.typed.process)


def correct(
    recipe: Recipe,
    table: LotTable,
    ground: Ground,
    day: date,
    asked: Asked,
    size: tuple[str, Fraction] | None = None,
    *,
    taken: bool = False,
    pounds: bool = False,
) -> Correction:
    """Find the cheapest correction. Raises BadInput, and SolverDisagrees where no answer can be trusted.

    ``size`` is what the batch is to weigh (None: as it comes, within the mixer); ``taken`` says that the table no
    longer holds what is in the mass, ``pounds`` that its reader thinks in them.
    """
    left = table if taken else _without(table, ground.typed)
    order = order_of(recipe, *(size or ("--batch-kg", ground.kilograms)), day, asked)
    whole = size is None or ground.alone.amount(Weight(order.basis)) <= order.kilograms + order.within_kg
    order = replace(order, in_pounds=order.in_pounds or pounds, tidy=None)  # a correction is as small as it can be
    if size is None:
        mixer, plenty = order.mixer_kg, 2 * sum((lot.usable_kg for lot in left.lots), ground.kilograms)
        order = _between(order, ground.kilograms, mixer * ceil(ground.kilograms / mixer) if mixer else plenty)
    rules = tuple(stays_in(recipe, ground, left.lots))
    found = _tried(recipe, left, ground, order, rules, whole=whole)
    if found.over:  # only meat without cure makes it less
        left = replace(left, lots=tuple(lot for lot in left.lots if not lot.rework and not brought([lot])))
        found = _tried(recipe, left, ground, order, rules, whole=whole)
    bound = (order.mixer_kg is not None or size is not None) and not found.over and not found.unfit
    if bound and found.answer.status is Status.INFEASIBLE:
        most = order.kilograms + order.within_kg
        filled = order if size else _between(order, most, most)
        swapped = _tried(recipe, left, ground, filled, rules, whole=False)
        found = found if swapped.answer.weighed is None else swapped
    return replace(found, taught=_taught(recipe, ground))


def _between(order: Order, least: Fraction, most: Fraction) -> Order:
    """The order for any weight between two; from a division less, so that none is put in for the round figure."""
    least -= order.meat_division_kg
    return replace(order, kilograms=(least + most) / 2, within_kg=(most - least) / 2, band=True)


def _tried(
    recipe: Recipe, left: LotTable, ground: Ground, order: Order, rules: Sequence[StaysIn], *, whole: bool
) -> Correction:
    lot = replace(ground.lot, use_up=whole)
    table = replace(left, lots=(*left.lots, lot))
    problem = assemble(recipe, table, order, rules)
    unfit = next((entry.why for entry in problem.left_out if entry.lot.parts), "")
    if unfit:
        refused = Answer(Status.DO_NOT_MAKE, problem, ())
        return Correction(ground, refused, table, order, unfit=unfit)
    return Correction(ground, blend(problem), table, order, tuple(_over_cured(problem, rules, ground)))


def _over_cured(problem: Problem, rules: Sequence[StaysIn], ground: Ground) -> Iterator[tuple[Requirement, Fraction]]:
    """The limits on what goes in of a cure, the recipe's dose among them, that the mass alone breaks."""
    cures = [rule for rule in rules if rule.addition.item.kind is Kind.CURE]
    limits = [r for r in problem.requirements if r.regulates.stage is Stage.INGOING and r.origin.blocks and r.hi]
    for limit in (*limits, *cures):
        value = limit.measure(ground.alone).value
        if value is not None and limit.hi is not None and value > limit.hi:
            yield limit, value


def _without(table: LotTable, batch: Batch) -> LotTable:
    """The table less what is in a batch. Raises BadInput where it holds less than that."""
    faults, left = [], []
    for lot in table.lots:
        held = lot.held_kg(batch.kilograms.get(lot, _ZERO))
        if held > lot.on_hand_kg + Fraction(1, G_PER_KG):
            found = f"{trimmed(held, 3)} kg of {lot.name} are in the batch, and {trimmed(lot.on_hand_kg, 3)} kg on hand"
            faults.append(Fault(table.file, lot.line, "on_hand_kg", found, "say --taken where the table is as left"))
        left.append(replace(lot, on_hand_kg=max(lot.on_hand_kg - held, _ZERO), use_up=False) if held else lot)
    if faults:
        raise BadInput(faults)
    return replace(table, lots=tuple(left))


def test_of(recipe: Recipe, ground: Ground) -> Assay | None:
    """What was measured of the mass as a test of its lots; None where its error, or its fat, is not known."""
    found, items = ground.found, ground.typed.kilograms
    if found.fat is None or not found.sd:
        return None
    shares = {item.name: kg / ground.kilograms for item, kg in items.items() if isinstance(item, Lot)}
    others = ((item, kg) for item, kg in items.items() if not isinstance(item, Lot))
    rest = sum((kg * stated(item, FAT) for item, kg in others), _ZERO) / ground.kilograms
    return Assay(shares, found.fat, found.sd, rest)


def _taught(recipe: Recipe, ground: Ground) -> Estimates | None:
    """What the test says of the lots; None where an error is not stated."""
    test, asked = test_of(recipe, ground), recipe.entry.confidence
    usual, own = (asked.usual_method or "", asked.methods) if asked else ("", ())
    lots = [lot for lot in ground.typed.kilograms if isinstance(lot, Lot)]
    known = {lot.name: (lot.properties[FAT], found.sd) for lot in lots if (found := finding(lot, usual, own))}
    return estimate(known, [test]) if test is not None and len(known) == len(lots) else None
