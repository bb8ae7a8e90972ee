"""What was actually weighed, measured against the rules of any places: no solver, only the requirements' measure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from constraints.faults import BadInput, Fault
from constraints.formula import Batch, Dosing, Formula
from constraints.ingredients import SALT, Ingredient, Lot
from constraints.judged import guarding, limits_cure
from constraints.library import guard
from constraints.limits import corners
from constraints.numbers import G_PER_KG, trimmed
from constraints.requirement import Requirement, confident, marked
from constraints.rules import Pack
from optimizer.answer import Check, margin
from optimizer.as_weighed import batch_of, not_adding_up, summed, two_weights
from optimizer.beside import against, not_judged
from optimizer.doses import Dose, doses, salt_targets
from optimizer.lawful import Dosed, LawfulDose, doses_instead
from optimizer.mend import Mend, Mender
from optimizer.missing import error_faults, gaps_of
from optimizer.other_names import other_names
from optimizer.own_rows import free_band
from optimizer.problem import why_left_out
from optimizer.reading.entry import Units
from optimizer.reading.lots import LotTable
from optimizer.reading.packs import legal_requirements, product_of, unjudged
from optimizer.reading.recipe import Recipe
from optimizer.reading.weighed import WeighedItem
from optimizer.verdict import Grade, grade_of, worst

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Finding(Check):
    """One requirement on the batch as weighed.

    ``low`` and ``high`` are the figure's range within the scales' tolerance, None where none was given or it is not
    known. ``whole_range`` is True where the verdict is the same over all of it, None without a range. ``on_paper`` is
    True where the figure is within the limits and only their confidence is not given. ``mend`` is what one lot more
    could do about a broken target.
    """

    low: Fraction | None = None
    high: Fraction | None = None
    whole_range: bool | None = None
    on_paper: bool | None = None
    mend: Mend | None = None

    @property
    def certain(self) -> bool:
        """Whether the verdict is the same over the whole tolerance of the scales."""
        return self.whole_range is not False

    @property
    def forbids(self) -> bool:
        """True where the batch must not be made for this alone, or may not be sold under its name."""
        return self.grade in (Grade.DO_NOT_MAKE, Grade.NOT_THIS_NAME)

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
    def in_pounds(self) -> bool:
        """Whether weights are said in pounds: where the recipe says so, or the lots table weighs so."""
        units = self.recipe.entry.units
        return self.table_in_pounds if units is None else units is Units.LB

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
        if self.unfit or any(dose.forbids for dose in self.doses):
            grades.append(Grade.DO_NOT_MAKE)
        apart = bool(self.apart) and len(self.loads) > 1
        if self.against or apart or any(dose.breaks for dose in self.doses):
            grades.append(Grade.NOT_THE_RECIPE)
        return worst(grades)

    @property
    def forbidden(self) -> bool:
        """True where the batch, or a load, must not be made, or may not be sold under its name."""
        return self.grade in (Grade.DO_NOT_MAKE, Grade.NOT_THIS_NAME)

    @property
    def missed(self) -> bool:
        """True where nothing forbids the batch, and it or a load is not what the recipe asks."""
        return self.grade is Grade.NOT_THE_RECIPE


@dataclass(frozen=True)
class Tolerance:
    """How far a weight may be off, kilograms: lots, and everything else."""

    meat_kg: Fraction = _ZERO
    spice_kg: Fraction = _ZERO

    @classmethod
    def of_grams(cls, meat_g: Fraction | None, spice_g: Fraction | None) -> Tolerance | None:
        """The tolerance stated in grams, or None where none is stated."""
        if meat_g is None and spice_g is None:
            return None
        return cls((meat_g or _ZERO) / G_PER_KG, (spice_g or _ZERO) / G_PER_KG)

    def of(self, item: Ingredient) -> Fraction:
        """Tolerance of an item's weight."""
        return self.meat_kg if isinstance(item, Lot) else self.spice_kg


def check(
    recipe: Recipe,
    table: LotTable,
    weighed: Sequence[WeighedItem],
    file: str,
    day: date,
    tolerance: Tolerance | None = None,
) -> Report:
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
    for batch in batches.values():
        faults += _gap_faults(recipe, batch, [*recipe.requirements, *legal], file)
        faults += _error_faults(recipe, table, batch)
    if faults:
        raise BadInput(list(dict.fromkeys(faults)))
    whole, *parts = (
        _report(recipe, batch, packs, legal, day, tolerance, load, 1 if load else max(len(batches) - 1, 1))
        for load, batch in batches.items()
    )
    whole = replace(whole, table_in_pounds=table.in_pounds)
    mended = tuple(p for p in _mended(whole.places, recipe, table, whole.batch, day) if p.findings)
    together = summed([part.batch for part in parts], recipe)
    unfit = dict.fromkeys((*_unfit(recipe, whole.batch, day), *_unfit(recipe, together, day)))
    named = whole.grade is Grade.NOT_THIS_NAME
    judging = Dosed(recipe, packs, (*recipe.requirements, *legal), tuple(lots))
    apart_by = {part.load: part.batch for part in parts}
    return replace(
        whole, places=mended, unfit=tuple(unfit), loads=tuple(parts),
        apart=not_adding_up(whole.batch, together) if parts else (), unlike=tuple(two_weights(table, weighed)),
        against=tuple(against(recipe, table, day, whole.batch, apart_by, in_pounds=whole.in_pounds)),
        not_judged=tuple(not_judged(recipe, whole.batch, apart_by)),
        other_names=other_names(recipe, packs, day, whole.batch) if named else (),
        instead=doses_instead(judging, [f.requirement for f in whole.findings if f.forbids]),
    )  # fmt: skip


def _report(
    recipe: Recipe,
    batch: Batch,
    packs: Sequence[Pack],
    legal: Sequence[Requirement],
    day: date,
    tolerance: Tolerance | None,
    load: int,
    loads: int,
) -> Report:
    """The whole batch, or one load of it, measured; whether its lots may go in is judged on all loads together.

    ``loads`` are those it was weighed in.
    """
    own = _with_confidence(recipe, batch, [*recipe.requirements, *_further(recipe, batch, loads)])
    held = _with_confidence(recipe, batch, legal)
    places = [_place("recipe", recipe.entry.name, "you", own, batch, tolerance)]
    places += [_pack_place(pack, held, batch, tolerance) for pack in (*packs, guard())]
    guarded = any(limits_cure(r) and r.origin.pack != guard().pack for r in held)
    kept = tuple(place for place in places if place.findings)
    return Report(recipe, day, batch, kept, doses(recipe, batch, guarded=guarded, loads=loads), (), load)


def _further(recipe: Recipe, batch: Batch, loads: int) -> Iterator[Requirement]:
    """What the recipe asks beside its requirements: its total of salt, and water left to the solver in its band."""
    if not _silent_on_salt(batch):
        yield from salt_targets(recipe, batch, loads)
    yield from (free_band(addition) for addition in recipe.additions if addition.dosing is Dosing.FREE)


def _silent_on_salt(batch: Batch) -> bool:
    return any(item.kind.states_composition and SALT not in item.properties for item in batch.kilograms)


def _error_faults(recipe: Recipe, table: LotTable, batch: Batch) -> list[Fault]:
    """Lots weighed whose fat's error is not known, where the recipe asks for confidence."""
    asked = recipe.entry.confidence
    lots = [item for item in batch.kilograms if isinstance(item, Lot)]
    return [] if asked is None else error_faults(table.file, lots, asked.confidence())


def _with_confidence(recipe: Recipe, batch: Batch, requirements: Sequence[Requirement]) -> list[Requirement]:
    """The requirements with the confidence the recipe asks for, where it asks for any."""
    requirements = [marked(requirement, batch.kilograms, batch.process) for requirement in requirements]
    asked = recipe.entry.confidence
    if asked is None:
        return requirements
    formula, confidence = Formula(tuple(batch.kilograms), (), batch.process), asked.confidence()
    return [confident(requirement, confidence, formula) for requirement in requirements]


def _mended(places: Sequence[Place], recipe: Recipe, table: LotTable, batch: Batch, day: date) -> Iterator[Place]:
    """The places with a way to mend each broken target, found among the lots that may still go in."""
    every = [finding for place in places for finding in place.findings]
    if not any(finding.grade is Grade.NOT_THE_RECIPE for finding in every):
        yield from places
        return
    lots = [lot for lot in table.lots if not why_left_out(recipe, lot, day)]
    mender = Mender(recipe, batch, lots, recipe.entry.scales.meat_g / G_PER_KG)
    kept = [finding.requirement for finding in every if finding.ok]
    for place in places:
        findings = tuple(
            replace(f, mend=mender.mend(f.requirement, kept)) if f.grade is Grade.NOT_THE_RECIPE else f
            for f in place.findings
        )
        yield replace(place, findings=findings)


def _gap_faults(recipe: Recipe, batch: Batch, every: Sequence[Requirement], file: str) -> list[Fault]:
    needed = {q: r.what for r in reversed(every) for q in r.quantities()}
    return [
        Fault(file, None, name, f"{item.name} does not state {name}, which {what} needs", "give the figure")
        for item in batch.kilograms
        for what, name in gaps_of(item, needed, recipe)
    ]


def _pack_place(pack: Pack, legal: Sequence[Requirement], batch: Batch, tolerance: Tolerance | None) -> Place:
    own = [requirement for requirement in legal if requirement.origin.pack == pack.pack]
    return _place(pack.pack, pack.title, pack.authority, own, batch, tolerance)


def _place(
    name: str,
    title: str,
    authority: str,
    requirements: Sequence[Requirement],
    batch: Batch,
    tolerance: Tolerance | None,
) -> Place:
    findings = [_finding(requirement, batch, tolerance) for requirement in requirements]
    return Place(name, title, authority, tuple(sorted(findings, key=_badness)))


def _finding(requirement: Requirement, batch: Batch, tolerance: Tolerance | None) -> Finding:
    verdict = requirement.measure(batch)
    on_paper = None if requirement.confidence is None else requirement.on_paper.measure(batch).ok
    found = Finding(requirement, verdict.value, verdict.ok, why=verdict.why, on_paper=on_paper)
    if tolerance is None or verdict.ok is None:
        return found
    spread = {item: tolerance.of(item) for item in batch.kilograms}
    ends = corners(requirement, batch, spread)
    if ends is None:
        return replace(found, whole_range=False)
    figures = [x for end in ends if (x := requirement.on_paper.measure(end).value) is not None]
    if not figures:
        return found
    low, high = min(figures), max(figures)
    if verdict.ok:
        return replace(found, low=low, high=high, whole_range=all(requirement.measure(end).ok for end in ends))
    return replace(found, low=low, high=high, whole_range=not _any_within(requirement, low, high))


def _any_within(requirement: Requirement, low: Fraction, high: Fraction) -> bool:
    return (requirement.lo is None or high >= requirement.lo) and (requirement.hi is None or low <= requirement.hi)


def _badness(finding: Finding) -> tuple[int, Fraction, str]:
    """Broken first, then what arithmetic cannot decide, then by margin as a share of the limit."""
    requirement = finding.requirement
    rank = 0 if finding.grade is not Grade.MAKE else 1 if finding.ok is False else 2 if finding.ok is None else 3
    return rank, relative_margin(finding), requirement.origin.rule


def relative_margin(finding: Finding) -> Fraction:
    """Distance to the nearer limit as a share of that limit (of one where the limit is zero)."""
    requirement = finding.requirement
    if finding.value is None:
        return _ZERO
    distance = margin(requirement, finding.value)
    near = [x for x in (requirement.lo, requirement.hi) if x is not None and abs(finding.value - x) == abs(distance)]
    return distance / abs(near[0]) if near and near[0] else distance


def _unfit(recipe: Recipe, batch: Batch, day: date) -> tuple[str, ...]:
    """Lots that may not go in on this day, and lots of which more was weighed than there is."""
    said = []
    for item, kilograms in batch.kilograms.items():
        if not isinstance(item, Lot):
            continue
        why = why_left_out(recipe, item, day)
        if why:
            said.append(f"{item.name}: {why}")
        elif kilograms > item.usable_kg:
            had = trimmed(item.usable_kg, 3)
            said.append(f"{item.name}: {trimmed(kilograms, 3)} kg weighed, and only {had} kg usable on hand")
    return tuple(said)
