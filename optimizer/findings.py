"""What was actually weighed, measured against the rules of any places: no solver, only the requirements' measure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import partial

from constraints.as_typed import G_PER_KG, ONE, ZERO, BadInput, Fault, trimmed
from constraints.confidence import lot_faults
from constraints.formula import Batch, Dosing, Formula
from constraints.library import guard, guarding, limits_cure
from constraints.limits import corners
from constraints.quantities import SALT, Basis, Ingredient, Lot, Weight
from constraints.requirement import Requirement, confident, marked
from constraints.rules import Pack
from optimizer.as_weighed import Dose, Mend, Mender, batch_of, doses, not_adding_up, salt_targets, two_weights
from optimizer.figures import Unit
from optimizer.lawful import Dosed, LawfulDose, doses_instead, other_names
from optimizer.missing import gap_faults, needed_by
from optimizer.problem import free_band, why_left_out
from optimizer.reading.entry import Units
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe, legal_requirements, product_of, unjudged
from optimizer.reading.weighed import WeighedItem
from optimizer.verdict import Check, Grade, grade_of, worst


@dataclass(frozen=True)
class Finding(Check):
    """One requirement on the batch as weighed.

    ``low`` and ``high`` are the figure's range within the scales' tolerance, None where none was given or it is not
    known. ``mend`` is what one lot more could do about a broken target.
    """

    low: Fraction | None = None
    high: Fraction | None = None
    mend: Mend | None = None

    @property
    def grade(self) -> Grade:
        """What follows of it alone.

        Where a rule is kept on paper and only the recipe's confidence is not, the recipe is what is broken.
        """
        if self.ok is not False or not self.requirement.origin.blocks:
            return Grade.MAKE
        return Grade.NOT_THE_RECIPE if self.on_paper else grade_of([self.requirement])


@dataclass(frozen=True)
class Place:
    """The findings under one rule pack, or under the recipe itself, the worst margin first."""

    name: str
    title: str
    authority: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Report:
    """A batch checked: what was weighed, and a place for each pack and for the recipe.

    ``doses`` are the additions against their doses, ``unfit`` lots that may not go in, or not so much of them.
    ``loads`` are the mixer loads, each checked alone, where they were weighed apart; ``load`` is the number of this
    one, 0 for the whole batch. ``apart`` says where the loads do not add up to the whole, ``unlike`` where a lot's two
    weights do not belong together, ``against`` what the lots table or the mixer does not allow, ``not_judged`` what
    a blend would have judged and a weighed batch does not show, ``other_names`` under which name it is lawful,
    and ``instead`` the dose that would pass for each addition whose dose in the recipe would not.
    """

    recipe: Recipe
    day: date
    batch: Batch
    places: tuple[Place, ...]
    doses: tuple[Dose, ...]
    unfit: tuple[str, ...]
    load: int = 0
    loads: tuple[Report, ...] = ()
    apart: tuple[str, ...] = ()
    unlike: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    not_judged: tuple[str, ...] = ()
    other_names: tuple[str, ...] = ()
    instead: tuple[LawfulDose, ...] = ()
    table_in_pounds: bool = False

    @property
    def each(self) -> tuple[Report, ...]:
        """The whole batch, then each load."""
        return (self, *self.loads)

    @property
    def findings(self) -> list[Finding]:
        """Those of every place."""
        return [finding for place in self.places for finding in place.findings]

    @property
    def unit(self) -> Unit:
        """The unit in which weights are said: pounds where the recipe says so, or the lots table weighs so."""
        units = self.recipe.entry.units
        return Unit.of(pounds=self.table_in_pounds if units is None else units is Units.LB)

    @property
    def off(self) -> tuple[Dose, ...]:
        """The additions off their dose."""
        return tuple(dose for dose in self.doses if dose.off)

    @property
    def grade(self) -> Grade:
        """The worst of everything judged, tolerances aside.

        Several loads that do not add up to the whole are no batch of any recipe.
        """
        grades = [finding.grade for finding in self.findings] + [load.grade for load in self.loads]
        apart = bool(self.apart) and len(self.loads) > 1
        grades += [Grade.DO_NOT_MAKE] * any((self.unfit, *(dose.forbids for dose in self.doses)))
        grades += [Grade.NOT_THE_RECIPE] * any((self.against, apart, *(dose.breaks for dose in self.doses)))
        return worst(grades)


@dataclass(frozen=True)
class Tolerance:
    """How far a weight may be off, grams: that of a lot, and any other (None: not stated, and not at all)."""

    meat_g: Fraction | None
    spice_g: Fraction | None

    def of(self, item: Ingredient) -> Fraction:
        """Kilograms by which an item's weight may be off."""
        return ((self.meat_g if isinstance(item, Lot) else self.spice_g) or ZERO) / G_PER_KG


def check(
    recipe: Recipe, table: LotTable, weighed: Sequence[WeighedItem], file: str, day: date,
    tolerance: Tolerance | None = None,
) -> Report:  # fmt: skip
    """Measure what was weighed against the recipe and its packs.

    Raises BadInput where a name is unknown or a property that a limit needs is not stated.
    """
    faults: list[Fault] = []
    loads = sorted({item.load for item in weighed} | {0})
    batches = {n: batch_of(recipe, table, [item for item in weighed if item.load == n], file, faults) for n in loads}
    product = product_of(recipe, day)
    packs, legal = legal_requirements(recipe, product, faults)
    items = dict.fromkeys(item for batch in batches.values() for item in batch.kilograms)
    lots = [item for item in items if isinstance(item, Lot)]
    faults += () if faults else unjudged(recipe, packs, legal, product, lots, table.file)
    legal += guarding(items)
    asked = recipe.entry.confidence
    faults += gap_faults(recipe, table, items, needed_by([*recipe.requirements, *legal]))
    faults += lot_faults(table.file, lots, asked) if asked else ()
    BadInput.raise_for(faults)
    judge = _Judge(recipe, day, packs, legal, tolerance)
    several = max(len(batches) - 1, 1)
    whole, *parts = (judge.report(batch, load, 1 if load else several) for load, batch in batches.items())
    named = whole.grade is Grade.NOT_THIS_NAME
    whole = replace(whole, loads=tuple(parts), table_in_pounds=table.in_pounds)
    together = Batch.together([part.batch for part in parts], recipe.process, recipe.found)
    unfit = dict.fromkeys((*_unfit(recipe, whole.batch, day), *_unfit(recipe, together, day)))
    judging = Dosed(recipe, packs, (*recipe.requirements, *legal), tuple(lots))
    return replace(
        whole, places=_mended(whole, table), unfit=tuple(unfit),
        apart=not_adding_up(whole.batch, together) if parts else (), unlike=tuple(two_weights(table, weighed)),
        against=tuple(_against(whole, table)), not_judged=tuple(_not_judged(whole)),
        other_names=other_names(recipe, packs, day, whole.batch) if named else (),
        instead=doses_instead(judging, [f.requirement for f in whole.findings if f.grade.forbids]),
    )  # fmt: skip


@dataclass(frozen=True)
class _Judge:
    """What the whole batch and each of its loads are judged by."""

    recipe: Recipe
    day: date
    packs: Sequence[Pack]
    legal: Sequence[Requirement]
    tolerance: Tolerance | None

    def report(self, batch: Batch, load: int, loads: int) -> Report:
        """The whole batch, or one load of it, measured; whether its lots may go in is judged on all loads together.

        ``loads`` are those it was weighed in.
        """
        recipe, law = self.recipe, self._held(batch, self.legal)
        own = self._held(batch, [*recipe.requirements, *_further(recipe, batch, loads)])
        named = [("recipe", recipe.entry.name, "you", own)]
        for pack in (*self.packs, guard()):
            named.append((pack.pack, pack.title, pack.authority, [r for r in law if r.origin.pack == pack.pack]))
        places = tuple(
            Place(name, title, authority, tuple(sorted((self._finding(r, batch) for r in rows), key=_badness)))
            for name, title, authority, rows in named if rows
        )  # fmt: skip
        guarded = any(limits_cure(r) and r.origin.pack != guard().pack for r in law)
        return Report(recipe, self.day, batch, places, doses(recipe, batch, guarded=guarded, loads=loads), (), load)

    def _held(self, batch: Batch, requirements: Sequence[Requirement]) -> list[Requirement]:
        """The requirements with the confidence the recipe asks for, where it asks for any."""
        requirements = [marked(requirement, batch.kilograms, batch.process) for requirement in requirements]
        asked = self.recipe.entry.confidence
        if asked is None:
            return requirements
        formula, confidence = Formula(tuple(batch.kilograms), (), batch.process), asked
        return [confident(requirement, confidence, formula) for requirement in requirements]

    def _finding(self, requirement: Requirement, batch: Batch) -> Finding:
        verdict, tolerance = requirement.measure(batch), self.tolerance
        on_paper = None if requirement.confidence is None else requirement.on_paper.measure(batch).ok
        found = Finding(requirement, verdict.value, verdict.ok, why=verdict.why, on_paper=on_paper)
        if tolerance is None or verdict.ok is None:
            return found
        ends = corners(requirement, batch, {item: tolerance.of(item) for item in batch.kilograms})
        if ends is None:
            return replace(found, whole_range=False)
        figures = [x for end in ends if (x := requirement.on_paper.measure(end).value) is not None]
        if not figures:
            return found
        low, high, lo, hi = min(figures), max(figures), requirement.lo, requirement.hi
        outside = (lo is not None and high < lo) or (hi is not None and low > hi)
        same = all(requirement.measure(end).ok for end in ends) if verdict.ok else outside
        return replace(found, low=low, high=high, whole_range=same)


def _further(recipe: Recipe, batch: Batch, loads: int) -> Iterator[Requirement]:
    """What the recipe asks beside its requirements: its total of salt, and water left to the solver in its band."""
    if not any(item.kind.states_composition and SALT not in item.properties for item in batch.kilograms):
        yield from salt_targets(recipe, batch, loads)
    yield from (free_band(addition) for addition in recipe.additions if addition.dosing is Dosing.FREE)


def _mended(report: Report, table: LotTable) -> tuple[Place, ...]:
    """The places with a way to mend each broken target, found among the lots that may still go in."""
    recipe, kept = report.recipe, [finding.requirement for finding in report.findings if finding.ok]
    if all(finding.grade is not Grade.NOT_THE_RECIPE for finding in report.findings):
        return report.places
    lots = [lot for lot in table.lots if not why_left_out(recipe, lot, report.day)]
    mender = Mender(recipe, report.batch, lots, recipe.entry.scales.meat_g / G_PER_KG)

    def mended(found: Finding) -> Finding:
        wrong = found.grade is Grade.NOT_THE_RECIPE
        return replace(found, mend=mender.mend(found.requirement, kept)) if wrong else found

    return tuple(replace(place, findings=tuple(map(mended, place.findings))) for place in report.places)


def _badness(finding: Finding) -> tuple[int, Fraction, str]:
    """Broken first, then what arithmetic cannot decide, then by margin as a share of the nearer limit (or of one)."""
    r, value, distance = finding.requirement, finding.value, finding.margin or ZERO
    rank = 0 if finding.grade is not Grade.MAKE else 1 if finding.ok is False else 2 if finding.ok is None else 3
    near = (x for x in (r.lo, r.hi) if x is not None and value is not None and abs(value - x) == abs(distance))
    return rank, distance / abs(next(near, ONE) or ONE), r.origin.rule


def _unfit(recipe: Recipe, batch: Batch, day: date) -> Iterator[str]:
    """Lots that may not go in on this day, and lots of which more was weighed than there is."""
    for lot, kilograms in batch.kilograms.items():
        if not isinstance(lot, Lot):
            continue
        if why := why_left_out(recipe, lot, day):
            yield f"{lot.name}: {why}"
        elif kilograms > lot.usable_kg:
            weighed, had = trimmed(kilograms, 3), trimmed(lot.usable_kg, 3)
            yield f"{lot.name}: {weighed} kg weighed, and only {had} kg usable on hand"


def _against(report: Report, table: LotTable) -> Iterator[str]:
    """What the lots' own limits and the mixer do not allow, with half a division of the meat scale to spare.

    Loads that were weighed apart are held to the mixer; a whole batch that needs several is named as not judged.
    """
    recipe, whole = report.recipe, report.batch
    say = partial(report.unit.said, places=3 if report.unit.name == "kg" else 2)
    room = recipe.entry.scales.meat_g / G_PER_KG / 2
    for lot in table.lots:
        taken = lot.held_kg(whole.kilograms.get(lot, ZERO))
        weighed = f"{lot.name}: {say(taken)} as held"
        if lot.use_up and not why_left_out(recipe, lot, report.day) and abs(lot.on_hand_kg - taken) > room:
            yield f"{weighed}, and all {say(lot.on_hand_kg)} of it are to be used up"
        if not taken or lot.use_up:
            continue
        if lot.largest_pull_kg is not None and taken > lot.largest_pull_kg + room:
            yield f"{weighed}, and {say(lot.largest_pull_kg)} is the most to pull"
        if lot.smallest_pull_kg is not None and taken < lot.smallest_pull_kg - room:
            yield f"{weighed}, and {say(lot.smallest_pull_kg)} is the least to pull"
        if lot.pack_kg is not None and abs(taken - round(taken / lot.pack_kg) * lot.pack_kg) > room:
            yield f"{weighed}, and it goes in by whole packs of {say(lot.pack_kg)}"
    for part in report.loads:
        weight, mixer = part.batch.amount(Weight(Basis.BATCH)), recipe.entry.mixer_kg
        if mixer is not None and weight > mixer + room:
            yield f"load {part.load}: {say(weight)}, and the mixer takes {say(mixer)}"


def _not_judged(report: Report) -> Iterator[str]:
    """What a blend judges and what was weighed does not show."""
    yield "the size ordered and whether it is the cheapest batch"
    weight, mixer = report.batch.amount(Weight(Basis.BATCH)), report.recipe.entry.mixer_kg
    if mixer is not None and weight > mixer and not report.loads:
        yield "the loads, for the mixer does not take all of it at once: weigh them apart"
