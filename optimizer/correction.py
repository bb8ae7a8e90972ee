"""Putting a ground batch right: the cheapest that can be added, or taken out and added, so that it is on target.

The mass in the bowl is one more lot, whose parts are the lots and additions already in it, moved to what was measured.
It must go in, whole or (where the mixer is full) in part; nothing that is in can be taken out. All else is a blend: the
same program, rounding, checks and proof.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil, sqrt

from constraints.as_typed import G_PER_KG, PERCENT, ZERO, BadInput, Fault, refuse, trimmed
from constraints.confidence import UnknownMethod, errors_of, method_named
from constraints.formula import Addition, Batch, Dosing, Formula, NoDose
from constraints.library import brought

from constraints.quantities import FAT, MOISTURE, SALT, Amount, Basis, Ingredient, Kind, Lot  # isort: skip
from constraints.quantities import MissingProperty, Weight, in_one_kg, stated  # isort: skip
from constraints.requirement import Measurement, Origin, Ratio, Stage
from constraints.row import Row, Vector
from optimizer.answer import Answer, Status, blend
from optimizer.as_weighed import NEAR_DOSE, divisions
from optimizer.order import Asked, Order, order_of
from optimizer.problem import Portion, Problem, assemble
from optimizer.reading.lot_checks import SD_MOST, SUM_MOST
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.summary import composition, paid
from optimizer.taught import LEAN, Taught, assay_of, estimate
from optimizer.verdict import Grade

Mix = Mapping[Ingredient, Fraction]
"""Kilograms of lots and additions together."""
FAR = Fraction(5)
"""Points by which a test may lie beyond the fattest or the leanest lot in a batch; common practice, no source (by eye
alone fat is known to 3 to 5 points)."""
LEAST_LEFT, MOST_LEFT = Fraction(1, 2), Fraction(21, 20)
"""Shares of what went in that a ground mass may weigh; common practice, no source."""
APART = Fraction("2.8")
"""Standard deviations between two readings of one sample that nineteen pairs of twenty keep to: the repeatability limit
of ISO 5725-6:1994, 4.1.4 (from memory)."""


@dataclass(frozen=True)
class MassMeasured:
    """What was measured of the mass as it is, percent by weight, and the standard deviation of fat in points."""

    fat: Fraction | None = None
    moisture: Fraction | None = None
    salt: Fraction | None = None
    sd: Fraction | None = None
    method: str = ""


def measured(readings: Sequence[Fraction], found: MassMeasured, recipe: Recipe | None = None) -> MassMeasured:
    """What was measured, of several readings of fat their mean and its error. Raises BadInput where they disagree.

    ``found`` is what was measured else, ``sd`` there the error of one reading; ``recipe`` may state methods beside the
    published ones.
    """
    if not readings:
        return replace(found, sd=None, method="")
    mean, asked, error = sum(readings, ZERO) / len(readings), recipe and recipe.entry.confidence, found.sd
    try:
        if error is None and found.method:
            error = method_named(found.method, asked.methods if asked else ()).sd(mean)
    except UnknownMethod as unknown:
        refuse("--method", str(unknown), unknown.hint)
    if error is not None and error > SD_MOST:
        said = f"a standard deviation of {trimmed(error, 3)} points"
        refuse("--fat-sd-pct", said, f"at most {trimmed(SD_MOST)}")
    apart, most = max(readings) - min(readings), FAR if error is None else APART * error
    if apart > most:
        said = f"the readings {', '.join(trimmed(r, 3) for r in readings)} % are {trimmed(apart, 3)} points apart"
        refuse("--measured-fat", said, f"at most {trimmed(most, 2)} for this method: test again")
    spread = None if error is None else Fraction(sqrt(error**2 / len(readings))).limit_denominator(10**6)
    return replace(found, fat=mean, sd=spread)


@dataclass(frozen=True)
class GroundMass:
    """A ground mass: as one lot, what is in it by its lots' own figures, what was measured, and what once went in."""

    lot: Lot
    typed: Batch
    found: MassMeasured
    weighed: Batch

    @property
    def kilograms(self) -> Fraction:
        """Kilograms of the mass."""
        return self.lot.on_hand_kg

    @property
    def by_lots(self) -> dict[str, Fraction]:
        """What it would hold by the figures of what went in, per cent by weight, as far as these are stated."""
        return composition(self.weighed, Basis.BATCH)

    @property
    def alone(self) -> Batch:
        """The mass as a batch."""
        return Batch({self.lot: self.kilograms}, self.typed.process)


def ground_of(recipe: Recipe, batch: Batch, kilograms: Fraction | None, found: MassMeasured, file: str) -> GroundMass:
    """The mass that a batch was ground to. Raises BadInput where no such mass can have what was measured.

    ``kilograms`` is what it weighs (None: what went in); what was lost was lost of all alike.
    """
    went_in = sum(batch.kilograms.values(), ZERO)
    mass = went_in if kilograms is None else kilograms
    if not LEAST_LEFT <= mass / went_in <= MOST_LEFT:
        said = f"{trimmed(mass, 3)} kg cannot be left of {trimmed(went_in, 3)} kg"
        refuse("--ground-kg", said, f"what is in it, as {file} has to say")
    items = _scaled(batch.kilograms, mass)
    try:
        items = items if found.salt is None else _with_salt(recipe, items, found.salt, file)
        lots = {item: kg for item, kg in items.items() if isinstance(item, Lot)}
        moved = _as_measured(lots, items, found, file)
    except MissingProperty as missing:
        refuse(file, str(missing), "state it in the recipe or the lots table, or leave out what was measured")
    ground = Batch({moved.get(item, item): kg for item, kg in items.items() if kg}, recipe.process)
    names = dict.fromkeys(name for lot in moved.values() for name in lot.properties)
    fat = {FAT: sum((kg * moved[lot].properties[FAT] for lot, kg in lots.items()), ZERO) / mass}
    roles = {lot.role: sum(kg for other, kg in lots.items() if other.role == lot.role) for lot in lots if lot.role}
    dates = [lot.use_by for lot in lots if lot.use_by is not None]
    lot = Lot(
        name="as ground", kind=Kind.LOT, properties=fat | composition(ground, Basis.BATCH, names),
        parts=tuple((item, kg / mass) for item, kg in ground.kilograms.items()),
        role=max(roles, key=lambda role: roles[role], default=""),  # the side with more weight; no source
        species=" and ".join(dict.fromkeys(lot.species for lot in lots if lot.species)),
        on_hand_kg=mass, held_cost_per_kg=paid(items) / mass, use_by=min(dates, default=None), use_up=True,
        cured=any(lot.cured for lot in lots), rework=any(lot.rework for lot in lots),
        fat_sd=_error(recipe, lots, found, mass), fat_method=found.method,
    )  # fmt: skip
    return GroundMass(lot, Batch(items, recipe.process), found, batch)


def _error(recipe: Recipe, lots: Mapping[Lot, Fraction], found: MassMeasured, mass: Fraction) -> Fraction | None:
    """Standard deviation of the meat's fat, points: of the test, or where there is none of the lots together.

    Raises BadInput where the recipe asks for confidence and the test states no error.
    """
    meat, asked = sum(lots.values(), ZERO), recipe.entry.confidence
    if found.sd is not None:
        return found.sd * mass / meat
    if asked is not None and found.fat is not None:
        said = f"{asked.words} is asked for, and the error of the test is not stated"
        refuse("--measured-fat", said, "--method or --fat-sd-pct beside it")
    errors = errors_of(lots, recipe.entry.confidence)
    if found.fat is not None or None in errors.values():
        return None
    return Fraction(sqrt(sum((lots[lot] * sd) ** 2 for lot, sd in errors.items() if sd is not None))) / meat


def _scaled(items: Mix, mass: Fraction) -> Mix:
    factor = mass / sum(items.values(), ZERO)
    return {item: kg * factor for item, kg in items.items()}


def _with_salt(recipe: Recipe, items: Mix, salt: Fraction, file: str) -> Mix:
    """The mass with so much salt in it that its total is as measured; the rest makes room for it."""
    added = next((a.item for a in recipe.additions if a.item.kind is Kind.SALT), None)
    if added is None:
        allowed = "a recipe with salt, or no --measured-salt"
        refuse(recipe.file, "no salt is among the additions", allowed, column="additions")
    mass, others = sum(items.values(), ZERO), {item: kg for item, kg in items.items() if item is not added}
    without = Batch(_scaled(others, mass), recipe.process)
    brought_pct, strength = without.amount(Amount(SALT, Basis.BATCH)) / mass, added.properties[SALT]
    share = (salt - brought_pct) / (strength - brought_pct)
    if not 0 <= share <= 1 - LEAST_LEFT * sum(others.values(), ZERO) / mass:
        found = f"{trimmed(salt, 3)} % salt, and all but the salt weighed in brings {trimmed(brought_pct, 3)} %"
        refuse("--measured-salt", found, f"test again, or mend what is in {file}")
    return {**_scaled(others, mass * (1 - share)), added: mass * share}


def _as_measured(lots: Mapping[Lot, Fraction], items: Mix, found: MassMeasured, file: str) -> dict[Ingredient, Lot]:
    """The lots in the mass, each moved so that together they are as measured; a figure not stated stays."""
    mass, meat = sum(items.values(), ZERO), sum(lots.values(), ZERO)
    moved = {lot: dict(lot.properties) for lot in lots}
    for option, name, figure in (("fat", FAT, found.fat), ("moisture", MOISTURE, found.moisture)):
        if figure is None or any(name not in lot.properties for lot in lots):
            continue
        rest = sum((kg * stated(item, name) for item, kg in items.items() if item not in lots), ZERO)
        wanted = (figure * mass - rest) / meat
        low, high = min(lot.properties[name] for lot in lots), max(lot.properties[name] for lot in lots)
        if not max(low - FAR, ZERO) <= wanted <= min(high + FAR, Fraction(PERCENT)):
            said = f"{trimmed(figure, 3)} % {option} of the mass is {trimmed(wanted, 2)} % of its meat"
            allowed = f"its lots have {trimmed(low, 2)} to {trimmed(high, 2)} %: test again, or mend what is in {file}"
            refuse(f"--measured-{option}", said, allowed)
        now = sum((lot.properties[name] * kg for lot, kg in lots.items()), ZERO) / meat
        for figures in moved.values():
            _move(figures, name, wanted, now)
    parts = [sum((moved[lot].get(n, ZERO) * kg for lot, kg in lots.items()), ZERO) / meat for n in (FAT, *LEAN[:2])]
    if sum(parts) > SUM_MOST and (found.fat is not None or found.moisture is not None):
        said = f"fat, moisture and protein of the meat come to {trimmed(sum(parts, ZERO), 1)} % by what was measured"
        refuse("--measured-fat", said, f"at most {trimmed(SUM_MOST)}: test again")
    return {lot: replace(lot, properties=figures, on_hand_kg=lot.held_kg(lots[lot])) for lot, figures in moved.items()}


def _move(figures: dict[str, Fraction], name: str, wanted: Fraction, now: Fraction) -> None:
    """One lot's figure on the way from a mean of ``now`` to ``wanted``, percent; what is not fat keeps its make-up."""
    old = figures[name]
    new = old * wanted / now if wanted < now else old + (PERCENT - old) * (wanted - now) / (PERCENT - now)
    figures[name] = new
    for other in LEAN if name == FAT and old < PERCENT else ():
        if other in figures:
            figures[other] *= (PERCENT - new) / (PERCENT - old)


class StaysIn(Ratio):
    """What is in already is in: a batch grows until an addition, or a total of salt, is no more than its dose.

    ``dose`` is the figure wanted. ``over`` counts what is weighed.
    """

    addition: Addition
    dose: Fraction

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """What is still to come of it is not below zero, but for what the limit leaves above the dose."""
        carried = [dict(formula.carried(column)).get(self.addition.item) for column in formula.columns]
        if None in carried:  # counted by itself
            return super().rows(formula)
        item, hi = self.addition.item, self.hi or ZERO
        over, under = (in_one_kg(part, item, formula.process) for part in (self.over, self.under))
        room = (hi - self.dose) / (over * self.scale - hi * under)  # what is left in weighs too
        net = Vector.of(kg or ZERO for kg in carried)
        return (Row(f"{self.what} already in", net.plus(formula.totals(self.under), room), lo=ZERO),)

    def fixed_value(self, formula: Formula) -> Fraction | None:
        """None: what is in is fixed, and what it is divided by is not."""
        return None


def stays_in(recipe: Recipe, ground: GroundMass, lots: Sequence[Lot]) -> Iterator[StaysIn]:
    """The rule for every dosed addition of which the mass, with some of these lots, may hold more than its dose."""
    there, alone = dict(ground.lot.parts), ground.alone
    for addition in recipe.additions:
        share, salt = there.get(addition.item, ZERO), addition.dosing is Dosing.TOTAL_SALT
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
        )  # fmt: skip
        now, weighed = rule.measure(alone).value, share * ground.kilograms
        off = divisions(recipe, alone, addition.item, weighed)[1] / alone.amount(rule.under)
        if now is not None and now > dose * (1 + NEAR_DOSE) + off * (PERCENT if salt else scale):
            yield rule
        elif now is not None and salty:
            yield replace(rule, hi=max(dose, now))


@dataclass(frozen=True)
class Correction:
    """What puts a ground batch right.

    ``over`` are limits on cure that the mass breaks as it stands, with its figure; ``unfit`` why it may not be used.
    ``heat`` are the temperatures of mass and addition, degrees Celsius.
    """

    ground: GroundMass
    answer: Answer
    over: tuple[Measurement, ...] = ()
    unfit: str = ""
    taught: Taught | None = None
    heat: tuple[Fraction, Fraction] | None = None

    @property
    def grade(self) -> Grade:
        """What is to be done: a mass with too much cure in it is never put right as a matter of course."""
        if self.unfit or (self.over and self.answer.weighed is None):
            return Grade.DO_NOT_MAKE
        return Grade.HOLD if self.over else self.answer.grade

    @property
    def fat_sd(self) -> Fraction | None:
        """Standard deviation of the corrected meat's fat, points, errors independent; None where one is not known."""
        known = errors_of(self.added, self.answer.problem.recipe.entry.confidence)
        mass, meat = self.ground.found.sd, self.after.amount(Weight(Basis.MEAT))
        if mass is None or not meat or None in known.values():
            return None
        errors = [self.added[lot] * sd for lot, sd in known.items() if sd is not None]
        return Fraction(sqrt(sum(e * e for e in (*errors, self.kept_kg * mass)))) / meat

    @property
    def mixed_c(self) -> Fraction | None:
        """Temperature of the mix: the mean by weight, nothing of it frozen (as if all had one heat capacity)."""
        if self.heat is None or self.answer.weighed is None:
            return None
        added, (ground_c, added_c) = sum(self.added.values(), ZERO), self.heat
        return (self.kept_kg * ground_c + added * added_c) / (self.kept_kg + added)

    @property
    def added(self) -> dict[Ingredient, Fraction]:
        """Kilograms of every lot and addition to put in."""
        return {item: kg for item, kg in self.answer.batch.items() if not item.parts}

    @property
    def kept_kg(self) -> Fraction:
        """Kilograms of the mass that go in."""
        return sum((kg for item, kg in self.answer.batch.items() if item.parts), ZERO)

    @property
    def held_back_kg(self) -> Fraction | None:
        """Kilograms of the mass that stay out; None where nothing is weighed out."""
        return None if self.answer.weighed is None else self.ground.kilograms - self.kept_kg

    @property
    def after(self) -> Batch:
        """The corrected batch by lots and additions, figures as typed; nothing where there is none."""
        share = self.kept_kg / self.ground.kilograms
        items = {item: kg * share for item, kg in self.ground.typed.kilograms.items() if share}
        typed = {lot.name: lot for lot in items if isinstance(lot, Lot)}
        for item, kg in self.added.items():
            own = typed.get(item.name, item)
            items[own] = items.get(own, ZERO) + kg
        return Batch(items, self.ground.typed.process)


def correct(
    recipe: Recipe, table: LotTable, ground: GroundMass, day: date, asked: Asked,
    size: tuple[str, Fraction] | None = None, *, taken: bool = False, pounds: bool = False,
) -> Correction:  # fmt: skip
    """Find the cheapest correction. Raises BadInput, and SolverDisagrees where no answer can be trusted.

    ``size`` is what the batch is to weigh (None: as it comes, within the mixer); ``taken`` says that the table no
    longer holds what is in the mass, ``pounds`` that its reader thinks in them.
    """
    left = table if taken else _without(table, ground.weighed)
    order = order_of(recipe, *(size or ("--batch-kg", ground.kilograms)), day, asked)
    whole = size is None or ground.alone.amount(Weight(order.basis)) <= order.kilograms + order.within_kg
    pounds = bool(order.in_pounds) if asked.units else order.in_pounds or pounds
    order = replace(order, in_pounds=pounds, tidy=None)  # a correction is as small as it can be
    if size is None:
        mass, mixer = ground.kilograms, order.mixer_kg
        plenty = 2 * sum((lot.usable_kg for lot in left.lots), mass)
        order = _between(order, mass - _over(recipe, ground), mixer * ceil(mass / mixer) if mixer else plenty)
    rules, taught = tuple(stays_in(recipe, ground, left.lots)), _taught(recipe, ground)

    def tried(order: Order, *, whole: bool) -> Correction:
        """What is found with the mass among the lots, all of it to go in or part."""
        table = replace(left, lots=(*left.lots, replace(ground.lot, use_up=whole)))
        problem = assemble(recipe, table, order, rules)
        unfit = next((entry.why for entry in problem.left_out if entry.lot.parts), "")
        answer = Answer(Status.DO_NOT_MAKE, problem, ()) if unfit else blend(problem)
        return Correction(ground, answer, () if unfit else tuple(_broken(problem, rules, ground)), unfit, taught)

    found = tried(order, whole=whole)
    if found.over:  # only meat without cure makes it less
        left = replace(left, lots=tuple(lot for lot in left.lots if not lot.rework and not brought([lot])))
        found = tried(order, whole=whole)
    bound = (order.mixer_kg is not None or size is not None) and not found.over and not found.unfit
    if bound and found.answer.status is Status.INFEASIBLE:
        most = order.kilograms + order.within_kg
        swapped = tried(order if size else _between(order, most, most), whole=False)
        return found if swapped.answer.weighed is None else swapped
    return found


def _over(recipe: Recipe, ground: GroundMass) -> Fraction:
    """Kilograms of additions in the mass beyond their doses: they count as less of the batch, not as meat to come."""
    try:
        formula = Formula([ground.lot], recipe.additions, recipe.process)
    except (NoDose, MissingProperty):  # said where the recipe is put together with the lots
        return ZERO
    alone = (ground.kilograms, *(ZERO for _ in formula.columns[1:]))
    return -sum((min(kg, ZERO) for kg in formula.exact_batch(alone).kilograms.values()), ZERO)


def _between(order: Order, least: Fraction, most: Fraction) -> Order:
    """The order for any weight between two; from a division less, so that none is put in for the round figure."""
    least -= order.meat_division_kg
    return replace(order, kilograms=(least + most) / 2, within_kg=(most - least) / 2, band=True)


def _broken(problem: Problem, rules: Sequence[StaysIn], ground: GroundMass) -> Iterator[Measurement]:
    """The limits on what goes in of a cure, the recipe's dose among them, that the mass alone breaks."""
    cures = [rule for rule in rules if rule.addition.item.kind is Kind.CURE]
    limits = [r for r in problem.requirements if r.regulates.stage is Stage.INGOING and r.origin.blocks and r.hi]
    for limit in (*limits, *cures):
        found = limit.measure(ground.alone)
        if found.value is not None and limit.hi is not None and found.value > limit.hi:
            yield found


def _without(table: LotTable, batch: Batch) -> LotTable:
    """The table less what is in a batch. Raises BadInput where it holds less than that."""
    faults, left = [], []
    for lot in table.lots:
        held = lot.held_kg(batch.kilograms.get(lot, ZERO))
        if held > lot.on_hand_kg + Fraction(1, G_PER_KG):
            found = f"{trimmed(held, 3)} kg of {lot.name} are in the batch, and {trimmed(lot.on_hand_kg, 3)} kg on hand"
            faults.append(Fault(table.file, lot.line, "on_hand_kg", found, "say --taken where the table is as left"))
        left.append(replace(lot, on_hand_kg=max(lot.on_hand_kg - held, ZERO), use_up=False) if held else lot)
    BadInput.raise_for(faults)
    return replace(table, lots=tuple(left))


def _taught(recipe: Recipe, ground: GroundMass) -> Taught | None:
    """What the test says of the lots; None where its error, or that of a lot, is not stated."""
    found, errors = ground.found, errors_of(ground.typed.kilograms, recipe.entry.confidence)
    known = {lot.name: (lot.properties[FAT], sd) for lot, sd in errors.items() if sd is not None}
    if found.fat is None or not found.sd or len(known) < len(errors):
        return None
    return estimate(known, [assay_of(ground.typed, found.fat, found.sd)])
