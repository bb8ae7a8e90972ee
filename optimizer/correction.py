"""Putting a ground batch right: the cheapest that can be added, or taken out and added, so that it is on target.

The mass in the bowl is one more lot, whose parts are the lots and additions already in it, moved to what was measured.
It must go in, whole or (where the mixer is full) in part; nothing that is in can be taken out. All else is a blend: the
same program, rounding, checks and proof.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from math import ceil, sqrt

from constraints.faults import BadInput, Fault
from constraints.formula import Addition, Batch, Dosing, Formula, NoDose
from constraints.library import brought
from constraints.numbers import G_PER_KG, PERCENT, trimmed
from constraints.quantities import FAT, SALT, Amount, Basis, Ingredient, Kind, Lot, MissingProperty, Weight, in_one_kg
from constraints.requirement import Origin, Ratio, Requirement, Stage
from constraints.row import Row, Vector
from optimizer.answer import Answer, Status, blend
from optimizer.as_weighed import NEAR_DOSE, divisions
from optimizer.mass import GroundMass, errors_of
from optimizer.order import Asked, Order, order_of
from optimizer.problem import Portion, Problem, assemble
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.taught import Taught, assay_of, estimate
from optimizer.verdict import Grade

_ZERO = Fraction(0)


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
        item, hi = self.addition.item, self.hi or _ZERO
        over, under = (in_one_kg(part, item, formula.process) for part in (self.over, self.under))
        room = (hi - self.dose) / (over * self.scale - hi * under)  # what is left in weighs too
        net = Vector.of(kg or _ZERO for kg in carried)
        return (Row(f"{self.what} already in", net.plus(formula.totals(self.under), room), lo=_ZERO),)

    def fixed_value(self, formula: Formula) -> Fraction | None:
        """None: what is in is fixed, and what it is divided by is not."""
        return None


def stays_in(recipe: Recipe, ground: GroundMass, lots: Sequence[Lot]) -> Iterator[StaysIn]:
    """The rule for every dosed addition of which the mass, with some of these lots, may hold more than its dose."""
    there, alone = dict(ground.lot.parts), ground.alone
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
    """

    ground: GroundMass
    answer: Answer
    over: tuple[tuple[Requirement, Fraction], ...] = ()
    unfit: str = ""
    taught: Taught | None = None

    @property
    def grade(self) -> Grade:
        """What is to be done: a mass with too much cure in it is never put right as a matter of course."""
        if self.unfit or (self.over and self.answer.weighed is None):
            return Grade.DO_NOT_MAKE
        return Grade.HOLD if self.over else self.answer.grade

    @property
    def exit_code(self) -> int:
        """That of the grade."""
        return self.grade.exit_code

    @property
    def fat_sd(self) -> Fraction | None:
        """Standard deviation of the corrected meat's fat, points, errors independent; None where one is not known."""
        known = errors_of(self.answer.problem.recipe, self.added)
        mass, meat = self.ground.found.sd, self.after.amount(Weight(Basis.MEAT))
        if mass is None or not meat or None in known.values():
            return None
        errors = [self.added[lot] * sd for lot, sd in known.items() if sd is not None]
        return Fraction(sqrt(sum(e * e for e in (*errors, self.kept_kg * mass)))) / meat

    def mixed(self, ground_c: Fraction, added_c: Fraction) -> Fraction:
        """Temperature of the mix: the mean by weight, nothing of it frozen (as if all had one heat capacity)."""
        added = sum(self.added.values(), _ZERO)
        return (self.kept_kg * ground_c + added * added_c) / (self.kept_kg + added)

    @property
    def added(self) -> dict[Ingredient, Fraction]:
        """Kilograms of every lot and addition to put in."""
        return {item: kg for item, kg in self.answer.batch.items() if not item.parts}

    @property
    def kept_kg(self) -> Fraction:
        """Kilograms of the mass that go in."""
        return sum((kg for item, kg in self.answer.batch.items() if item.parts), _ZERO)

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
        over = () if unfit else tuple(_over_cured(problem, rules, ground))
        return Correction(ground, answer, over, unfit, taught)

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
        return _ZERO
    alone = (ground.kilograms, *(_ZERO for _ in formula.columns[1:]))
    return -sum((min(kg, _ZERO) for kg in formula.exact_batch(alone).kilograms.values()), _ZERO)


def _between(order: Order, least: Fraction, most: Fraction) -> Order:
    """The order for any weight between two; from a division less, so that none is put in for the round figure."""
    least -= order.meat_division_kg
    return replace(order, kilograms=(least + most) / 2, within_kg=(most - least) / 2, band=True)


def _over_cured(
    problem: Problem, rules: Sequence[StaysIn], ground: GroundMass
) -> Iterator[tuple[Requirement, Fraction]]:
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


def _taught(recipe: Recipe, ground: GroundMass) -> Taught | None:
    """What the test says of the lots; None where its error, or that of a lot, is not stated."""
    found, errors = ground.found, errors_of(recipe, ground.typed.kilograms)
    known = {lot.name: (lot.properties[FAT], sd) for lot, sd in errors.items() if sd is not None}
    if found.fat is None or not found.sd or len(known) < len(errors):
        return None
    return estimate(known, [assay_of(ground.typed, found.fat, found.sd)])
