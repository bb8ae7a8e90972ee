"""The dose that would pass: where a dose breaks a limit, the nearest one that keeps every limit on what it brings.

It is said in the recipe's own key and unit, rounded inward, and holds whatever lots are chosen. And another name for
lawful food that may not bear its own: classes of the same pack whose every rule it keeps.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cached_property
from math import ceil

from constraints.as_typed import ZERO, trimmed
from constraints.formula import Batch, Formula, NoDose
from constraints.library import GUARD
from constraints.quantities import Ingredient, MissingProperty
from constraints.requirement import Regulates, Requirement
from constraints.row import Row
from constraints.rules import Method, Pack, Product, ProductClass
from optimizer.problem import Problem
from optimizer.reading.entry import DOSES
from optimizer.reading.recipe import Recipe, addition, product_of

_DECIMALS = {"g_per_kg_meat": 3, "g_per_kg_batch": 3, "total_salt_pct": 2, "ingoing_nitrite_ppm": 1}
STEPS = {key: Fraction(1, 10**places) for key, places in _DECIMALS.items()}
"""The last decimal in which each key of a dose is told."""
_ROUNDS = 6
"""How often doses that are too large together are looked at again."""
_FURTHEST = 10
"""How many times the dose typed is looked at for one that is large enough."""


@dataclass(frozen=True)
class LawfulDose:
    """The largest (``most``) or smallest dose of an addition that keeps every limit; None where none does.

    ``under`` are the places whose limits bind there.
    """

    addition: str
    key: str
    most: bool
    value: Fraction | None
    under: tuple[str, ...]

    def stricter(self, other: LawfulDose | None) -> bool:
        """True beside none, and beside a dose that leaves more room."""
        if other is None or self.value is None or other.value is None:
            return other is None
        return self.value < other.value if self.most else self.value > other.value

    def words(self) -> str:
        """Itself in one sentence."""
        places = " and ".join(self.under)
        if self.value is None:
            return f"{self.addition}: no dose of it keeps the limits of {places}"
        if self.most and not self.value:
            return f"{self.addition}: none at all is lawful under {places}"
        return f"{self.addition}: {self.key} at {'most' if self.most else 'least'} {trimmed(self.value)} under {places}"


@dataclass(frozen=True)
class Dosed:
    """What the doses of a recipe are judged by: its packs, every requirement, and the lots that may go in."""

    recipe: Recipe
    packs: tuple[Pack, ...]
    requirements: tuple[Requirement, ...]
    lots: tuple[Ingredient, ...]

    @classmethod
    def of(cls, problem: Problem) -> Dosed:
        """Those of a batch to decide."""
        return cls(problem.recipe, problem.packs, problem.requirements, problem.formula.lots)


def doses_instead(dosed: Dosed, broken: Sequence[Requirement]) -> tuple[LawfulDose, ...]:
    """For each addition that moves one of these limits and whose dose is at fault, the dose that would pass.

    All of them together pass, though a smaller dose of one makes a smaller batch for all.
    """
    if not broken or not dosed.lots:
        return ()
    trials = [t for i in range(len(dosed.recipe.additions)) if (t := _Trial(dosed, i)).key in STEPS]
    told: dict[int, LawfulDose] = {}
    for _ in range(_ROUNDS):
        others = dict(told)
        for trial in (t for t in trials if any(t.moves(r) for r in broken)):
            trial.others = {i: dose for i, dose in others.items() if i != trial.index}
            told |= [(trial.index, dose) for dose in trial.doses() if dose.stricter(others.get(trial.index))]
        if len(told) < 2 or told == others:
            break
    return tuple(told[i] for i in sorted(told))


class _Trial:
    """One addition of a recipe at other doses, everything else as typed."""

    def __init__(self, dosed: Dosed, index: int) -> None:
        self.dosed, self.index = dosed, index
        self.others: dict[int, LawfulDose] = {}
        self.entry = dosed.recipe.entry.additions[index]
        self.key = next(key for key in DOSES if getattr(self.entry, key) is not None)

    def moves(self, requirement: Requirement) -> bool:
        """True where a limit counts what the addition brings."""
        item = self.dosed.recipe.additions[self.index].item
        try:
            counted = requirement.on_paper.counted
            return counted is not None and counted.per_kg(item, self.dosed.recipe.process) > 0
        except MissingProperty:
            return False

    @cached_property
    def limits(self) -> list[Requirement]:
        """The limits of packs and recipe on what it brings that must hold; what keeps a dose near the typed is none."""
        stated = {id(r.origin) for r in self.dosed.recipe.requirements}
        bound = (r for r in self.dosed.requirements if r.origin.blocks and not r.origin.waived)
        return [r for r in bound if (r.origin.pack or id(r.origin) in stated) and self.moves(r)]

    def doses(self) -> Iterator[LawfulDose]:
        """The largest dose where the one typed is too large, the smallest where it is too small."""
        step = STEPS[self.key]
        typed = getattr(self.entry, self.key)
        most = bool(self.broken(typed, most=True))
        if most or self.broken(typed, most=False):
            far = ceil(typed / step) * (1 if most else _FURTHEST)
            steps = range(far + 1) if most else range(far, -1, -1)  # those that hold come first
            found = bisect_left(steps, True, key=lambda n: bool(self.broken(step * n, most=most)))
            if found:
                yield self._told(step * steps[found - 1], step, most=most)

    def _told(self, value: Fraction, step: Fraction, *, most: bool) -> LawfulDose:
        beyond = self.broken(value + step if most else max(value - step, ZERO), most=most)
        against = self.broken(value, most=not most)
        binding = dict.fromkeys(map(self._place, [*beyond, *against]))
        return LawfulDose(self.entry.name, self.key, most, None if against else value, tuple(binding))

    def _place(self, requirement: Requirement) -> str:
        titles = {pack.pack: f"the {pack.title} pack" for pack in self.dosed.packs} | {GUARD: "the tool's own guard"}
        return titles.get(requirement.origin.pack, "your recipe")

    def broken(self, value: Fraction, *, most: bool) -> list[Requirement]:
        """The limits of one side that this dose breaks for some lot, with as little or as much as goes in freely."""
        recipe = self.dosed.recipe
        additions = list(recipe.additions)
        for i, key, dose in [(self.index, self.key, value), *((i, d.key, d.value) for i, d in self.others.items())]:
            if dose is not None:
                additions[i] = addition(recipe.entry.additions[i].model_copy(update={key: dose}))
        try:
            formula = Formula(self.dosed.lots, additions, recipe.process)
        except NoDose:
            return list(self.limits) if most else []
        return [
            limit for limit in self.limits
            if not all(_keeps(row, formula) for row in limit.rows(formula) if (row.hi is not None) is most)
        ]  # fmt: skip


def _keeps(row: Row, formula: Formula) -> bool:
    """True where a kilogram of any lot keeps a row with the least and with the most of all that is free.

    Every batch lies between these, and a row of a ratio asks for zero or less, or for zero or more, of each.
    """
    lots, free = row.coefs[: len(formula.lots)], row.coefs[len(formula.lots) :]
    for amounts in ([a.least for a in formula.free], [a.most or a.least for a in formula.free]):
        more = sum((a * b for a, b in zip(free, amounts, strict=True)), ZERO)
        ends = min(lots) + more, max(lots) + more
        if (row.hi is not None and ends[1] > row.hi) or (row.lo is not None and ends[0] < row.lo):
            return False
    return True


def other_names(recipe: Recipe, packs: Sequence[Pack], day: date, batch: Batch) -> tuple[str, ...]:
    """For each pack one of whose rules is broken under the class stated, the classes that fit the batch, in words."""
    said, product = [], product_of(recipe, day)
    for named, pack in zip(recipe.entry.rules, packs, strict=True):
        present = recipe.stated.class_for(named, pack)
        if present is not None and not _lawful(pack, present, product, batch):
            found = [f"{c.title} (product_class: {c.id})" for c in fitting(pack, present, product, batch)]
            said += [f"Lawful under the {pack.title} pack as {'; '.join(found)}"] if found else []
    return tuple(said)


def fitting(pack: Pack, present: str, product: Product, batch: Batch) -> tuple[ProductClass, ...]:
    """The pack's other classes that the batch could be sold as: made and cured like it, with every rule of law kept.

    Only classes whose composition the pack limits, and of a class and a wider one only the wider.
    """
    method = next((c.method for c in pack.classes if c.id == present), Method.COMMINUTED)
    others = (c for c in pack.classes if c.id != present and c.method is method and product.uses.issuperset(c.needs))
    like = (c for c in others if c.made.holds(product, method))
    found = [c for c in like if _identified(pack, c.id, product) and _lawful(pack, c.id, product, batch)]
    ids = {c.id for c in found}
    return tuple(c for c in found if not (pack.belongs_to(c.id) - {c.id}) & ids)


def _identified(pack: Pack, name: str, product: Product) -> bool:
    """True where the pack holds a rule on the composition of this class, and not only on what is added to any."""
    rows = (row for row in pack.in_force(product, name) if row.classes)
    return any(row.requirement().regulates == Regulates() for row in rows)


def _lawful(pack: Pack, name: str, product: Product, batch: Batch) -> bool:
    """True where the batch breaks no rule of law for the class; False too where that cannot be told."""
    try:
        legal = (requirement for requirement in pack.requirements(product, name) if requirement.origin.legal)
        return all(requirement.measure(batch).ok is not False for requirement in legal)
    except MissingProperty:
        return False
