"""What was actually weighed, measured against the rules of any places: no solver, only the requirements' measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from constraints.faults import BadInput, Fault, nearest
from constraints.formula import Batch, Formula, NoDose
from constraints.ingredients import Ingredient, Kind, Lot
from constraints.interval import extremes
from constraints.numbers import G_PER_KG, trimmed
from constraints.quantities import MissingProperty
from constraints.requirement import Ratio, Requirement
from constraints.rules import Pack
from optimizer.blend import margin
from optimizer.problem import gaps_of, legal_requirements, product_of, why_left_out
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe
from optimizer.reading.weighed import WeighedItem

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Finding:
    """One requirement on the batch as weighed.

    ``low`` and ``high`` are the figure's range within the scales' tolerance, None where none was given or it is not
    known. ``whole_range`` is True where the verdict is the same over all of it, None without a range.
    """

    requirement: Requirement
    value: Fraction | None
    ok: bool | None
    low: Fraction | None = None
    high: Fraction | None = None
    whole_range: bool | None = None
    why: str = ""

    @property
    def forbids(self) -> bool:
        """True where the batch must not be made."""
        return self.ok is False and self.requirement.origin.blocks


@dataclass(frozen=True)
class Place:
    """The findings under one rule pack, or under the recipe itself, the worst margin first."""

    name: str
    title: str
    authority: str
    findings: tuple[Finding, ...]


OFF_DOSE = Fraction(1, 10)
"""Part of its dose by which an addition may be off before it is named; common practice, no source."""


@dataclass(frozen=True)
class Dose:
    """An addition whose weight is off its dose for the lots weighed; kilograms. ``forbids`` for a cure left out."""

    item: Ingredient
    weighed_kg: Fraction
    wanted_kg: Fraction

    @property
    def forbids(self) -> bool:
        """True for a cure of which most is missing: the batch would count as cured and not be."""
        return self.item.kind is Kind.CURE and self.weighed_kg < self.wanted_kg * (1 - OFF_DOSE)


@dataclass(frozen=True)
class Report:
    """A batch checked: what was weighed, and a place for each pack and for the recipe.

    ``off`` are additions off their dose, ``unfit`` lots that may not go in, or not so much of them.
    """

    recipe: Recipe
    day: date
    batch: Batch
    places: tuple[Place, ...]
    off: tuple[Dose, ...]
    unfit: tuple[str, ...]

    @property
    def forbidden(self) -> bool:
        """True where any place forbids the batch, a lot may not go in, or the cure is missing."""
        broken = any(f.forbids for place in self.places for f in place.findings)
        return broken or bool(self.unfit) or any(dose.forbids for dose in self.off)


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
    batch = _batch(recipe, table, weighed, file, faults)
    packs, legal = legal_requirements(recipe, product_of(recipe, day), faults)
    every = [*recipe.requirements, *legal]
    faults += _gap_faults(recipe, batch, every, file)
    if faults:
        raise BadInput(faults)
    places = [_place("recipe", recipe.entry.name, "you", recipe.requirements, batch, tolerance)]
    places += [_pack_place(pack, legal, batch, tolerance) for pack in packs]
    kept = tuple(p for p in places if p.findings)
    return Report(recipe, day, batch, kept, _off_dose(recipe, batch), _unfit(recipe, batch, day))


def _off_dose(recipe: Recipe, batch: Batch) -> tuple[Dose, ...]:
    """Additions that are off what the recipe doses for the lots as weighed, free ones at what was weighed of them."""
    lots = [item for item in batch.kilograms if isinstance(item, Lot)]
    try:
        formula = Formula(lots, recipe.additions, recipe.process)
        wanted = formula.exact_batch(tuple(batch.kilograms.get(c, _ZERO) for c in formula.columns)).kilograms
    except (NoDose, MissingProperty):
        return ()
    doses = (
        Dose(a.item, batch.kilograms.get(a.item, _ZERO), max(wanted.get(a.item, _ZERO), _ZERO)) for a in formula.dosed
    )
    return tuple(dose for dose in doses if abs(dose.weighed_kg - dose.wanted_kg) > OFF_DOSE * dose.wanted_kg)


def _batch(recipe: Recipe, table: LotTable, weighed: Sequence[WeighedItem], file: str, faults: list[Fault]) -> Batch:
    lots: dict[str, Ingredient] = {lot.name: lot for lot in table.lots}
    additions = {addition.item.name: addition.item for addition in recipe.additions}
    found: dict[Ingredient, Fraction] = {}
    for entry in weighed:
        if entry.name in lots and entry.name in additions:
            faults.append(
                Fault(file, entry.line or None, "item", f"{entry.name!r} is a lot and an addition", "rename one")
            )
        item = lots.get(entry.name) or additions.get(entry.name)
        if item is None:
            close = nearest(entry.name, [*lots, *additions])
            hint = f"did you mean {close}?" if close else "a lot of the table or an addition of the recipe"
            faults.append(Fault(file, entry.line or None, "item", f"no lot or addition is named {entry.name!r}", hint))
        elif entry.kilograms:
            found[item] = entry.kilograms
    if not faults and not any(isinstance(item, Lot) for item in found):
        faults.append(Fault(file, None, None, "no lot was weighed", "at least one line names a lot"))
    return Batch(found, recipe.process)


def _gap_faults(recipe: Recipe, batch: Batch, every: Sequence[Requirement], file: str) -> list[Fault]:
    needed = [(r, q) for r in every for q in r.quantities()]
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
    if tolerance is None or verdict.ok is None:
        return Finding(requirement, verdict.value, verdict.ok, why=verdict.why)
    spread = {item: tolerance.of(item) for item in batch.kilograms}
    span = extremes(requirement, batch, spread) if isinstance(requirement, Ratio) else None
    if span is None:
        return Finding(requirement, verdict.value, verdict.ok, why=verdict.why)
    low, high = span
    same = all(requirement.within(x) for x in span) if verdict.ok else not _any_within(requirement, low, high)
    return Finding(requirement, verdict.value, verdict.ok, low, high, same, verdict.why)


def _any_within(requirement: Requirement, low: Fraction, high: Fraction) -> bool:
    return (requirement.lo is None or high >= requirement.lo) and (requirement.hi is None or low <= requirement.hi)


def _badness(finding: Finding) -> tuple[int, Fraction, str]:
    """Broken first, then what arithmetic cannot decide, then by margin as a share of the limit."""
    requirement = finding.requirement
    rank = 0 if finding.forbids else 1 if finding.ok is False else 2 if finding.ok is None else 3
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
