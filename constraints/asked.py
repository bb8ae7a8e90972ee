"""What recipes and orders ask: how much, which lots, their components and properties, shares and ratios of groups.

The size of the batch, stock, packs and pulls come first, then which lots are opened at all. Most lots, lots that go
together and lots that never do are not about kilograms but about use, yes or no, so their rows are over one yes-or-no
figure a column. A ground mass uses the lots that are in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, ClassVar

from constraints.document import Broken, Name, Names, NotNegative, Number, Percent  # isort: skip
from constraints.document import Positive, Ruled, Strict, Whole, YesNo  # isort: skip
from constraints.as_typed import KG_PER_LB, ONE, PERCENT, ZERO
from constraints.formula import Batch, Formula
from constraints.limits import Band
from constraints.quantities import FAT, Amount, Basis, Ingredient, Lot, Quantity, Sum, Tagged, Weight, every
from constraints.requirement import Hold, Measurement, Origin, Requirement, Role
from constraints.row import Row, Vector


class Kilograms(Requirement):
    """Kilograms of something in the whole batch: ``lo <= weight <= hi``. No mixer load is judged by it."""

    over: Quantity

    @property
    def of_batch(self) -> bool:
        """Always."""
        return True

    def quantities(self) -> tuple[Quantity, ...]:
        """What is weighed."""
        return (self.over,)

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """One row with both limits."""
        return (Row(self.what, self.terms(formula)[0], self.lo, self.hi),)

    def terms(self, formula: Formula) -> tuple[Vector, None]:
        """Kilograms per kilogram of each column, over one."""
        return formula.totals(self.over), None

    def figure(self, batch: Batch) -> Measurement:
        """Kilograms in the batch."""
        value = batch.amount(self.over)
        return Measurement(self, value, self.within(value))


def batch_size(basis: Basis, kilograms: Fraction, tolerance: Fraction) -> Kilograms:
    """A batch of so many kilograms of meat block or whole batch, more or less the tolerance."""
    return Kilograms(
        what="weight", basis=basis.words, unit="kg", origin=Origin("batch size", "your order"), role=Role.SIZE,
        lo=kilograms - tolerance, hi=kilograms + tolerance, over=Weight(basis),
    )  # fmt: skip


def floors(lots: Sequence[Lot]) -> list[Kilograms]:
    """For each lot that states a least weight for the batch, as held, the least of it in usable kilograms."""
    origin = Origin("lots table", "use_at_least_kg of your lots table")
    return [
        Kilograms(
            what=f"lot {lot.name}", basis=Basis.MEAT.words, unit="kg", origin=origin,
            lo=lot.use_at_least_kg * lot.usable, over=Tagged("lot", frozenset({lot.name})),
        )
        for lot in lots if lot.use_at_least_kg
    ]  # fmt: skip


class Stock(Requirement):
    """No lot beyond what is on hand; packs whole; no pull smaller or larger than the lot allows.

    Judged lot by lot on kilograms as held. Reports the largest share of a lot's stock that the batch takes.
    """

    what: str = "largest share of a lot on hand"
    basis: str = "lot as held"
    unit: str = "%"
    origin: Origin = Origin("stock", "your lots table")
    hi: Fraction | None = Fraction(100)
    role: Role = Role.STOCK
    used_up: tuple[Lot, ...] = ()

    @classmethod
    def of(cls, lots: Sequence[Lot]) -> Stock:
        """The one stock requirement of a batch from these lots."""
        return cls(used_up=tuple(lot for lot in lots if lot.use_up))

    def figure(self, batch: Batch) -> Measurement:
        """The largest share taken of any lot, and whether every lot's own limits hold."""
        largest = ZERO
        sound = all(batch.kilograms.get(lot) == lot.usable_kg for lot in self.used_up)
        for item, kilograms in batch.kilograms.items():
            if isinstance(item, Lot) and kilograms:
                largest = max(largest, 100 * kilograms / item.usable_kg)
                sound = sound and allowed(item, kilograms)
        return Measurement(self, largest, sound and self.within(largest))


@dataclass(frozen=True)
class Least:
    """Kilograms as held below which something is not worth handling; ``asked`` for, or the tool's own default."""

    kilograms: Fraction
    asked: bool = True


@dataclass(frozen=True)
class Tidy:
    """The least ``pull`` of a lot, and the least ``remnant`` of an opened one that is not emptied.

    They hold for every lot that does not say otherwise.
    """

    pull: Least
    remnant: Least

    @property
    def asked(self) -> Tidy:
        """Only what was asked for, without defaults."""
        return Tidy(*(n if n.asked else Least(ZERO) for n in (self.pull, self.remnant)))

    @property
    def says_nothing(self) -> bool:
        """True where any pull and any remnant will do."""
        return not self.pull.kilograms and not self.remnant.kilograms


def hold(lot: Lot, tidy: Tidy | None = None) -> Hold:
    """A lot's limits in usable kilograms. A default bars no lot from being used up; loose ends of packs stay behind."""
    step = None if lot.pack_kg is None else lot.pack_kg * lot.usable
    if lot.use_up:
        return Hold(lot, lot.usable_kg, lot.usable_kg, step or lot.usable_kg, must=True)
    most = lot.on_hand_kg if lot.largest_pull_kg is None else min(lot.on_hand_kg, lot.largest_pull_kg)
    least, rest = lot.smallest_pull_kg, lot.smallest_remnant_kg
    if tidy is not None and least is None:
        least = tidy.pull.kilograms if tidy.pull.asked else min(tidy.pull.kilograms, most)
    if tidy is not None and rest is None:
        rest = tidy.remnant.kilograms
    stock = lot.on_hand_kg if lot.pack_kg is None else lot.on_hand_kg // lot.pack_kg * lot.pack_kg
    held = most, least or ZERO, stock, rest or ZERO
    most, least, stock, rest = held if lot.usable == 1 else (kg * lot.usable for kg in held)
    return Hold(lot, most, least, step, stock=stock, rest=rest)


def allowed(item: Ingredient, kilograms: Fraction) -> bool:
    """True where a weight of this lot keeps its own limits (none is always allowed)."""
    return not isinstance(item, Lot) or not kilograms or hold(item).allows(kilograms)


class Opened(Requirement):
    """At most ``hi`` lots in the batch; or of some ``lots`` at most one, or all of them ``together`` or none.

    The figure is the number of these lots used.
    """

    role: Role = Role.USE
    lots: tuple[str, ...] = ()
    together: bool = False

    def choices(self, formula: Formula) -> tuple[Row, ...]:
        """Together: every lot is used as often as the first. Else: at most so many are used.

        More of what is in a ground mass uses no further lot.
        """
        ground = {lot.name for c in formula.columns for lot, _ in c.parts if isinstance(lot, Lot)}
        lots_of = (([i.name for i in every([c]) if isinstance(i, Lot)], c) for c in formula.columns)
        uses = [frozenset(name for name in names if c.parts or name not in ground) for names, c in lots_of]
        if not self.together:
            counts = tuple(Fraction(len(lots.intersection(self.lots or lots))) for lots in uses)
            return (Row(self.what, counts, hi=self.hi or ONE),)
        first, *others = self.lots
        rows = (tuple(Fraction((first in lots) - (other in lots)) for lots in uses) for other in others)
        return tuple(Row(self.what, coefs, ZERO, ZERO) for coefs in rows if any(coefs))

    def figure(self, batch: Batch) -> Measurement:
        """How many of the lots are in the batch, and whether that is allowed."""
        items = every(item for item, kg in batch.kilograms.items() if kg > 0)
        names = {item.name for item in items if isinstance(item, Lot)}
        used = len(names.intersection(self.lots or names))
        ok = used in (0, len(self.lots)) if self.together else used <= (self.hi or 1)
        return Measurement(self, Fraction(used), ok)

    def complaints(self, formula: Formula) -> tuple[str, ...]:
        """Lots of the group that may not go in at all."""
        known = {lot.name for lot in every(formula.lots)}
        return tuple(f"no eligible lot is named {name!r}" for name in self.lots if name not in known)

    def limits(self) -> str:
        """The rule in words."""
        if not self.lots:
            return super().limits()
        return "all of them or none" if self.together else "at most one of them"


class MostLotsEntry(Strict):
    """The most lots that go into a batch."""

    max: Whole
    """Largest number of lots."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        return Opened(what="number of lots", basis="meat block", unit="", hi=Fraction(self.max))


class GroupEntry(Ruled):
    """Lots by name that go in all of them or none, or of which at most one goes in."""

    together: ClassVar[bool]
    lots: tuple[Name, ...]
    """Two lots or more, as typed in the lots table."""

    def _broken(self) -> Broken:
        if len(set(self.lots)) < 2 or len(set(self.lots)) != len(self.lots):
            yield "a group names two different lots or more"

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        what = f"{', '.join(self.lots)} {'together' if self.together else 'apart'}"
        return Opened(what=what, basis="meat block", unit="lots", lots=self.lots, together=self.together)


BARE_TARGET_PCT = Fraction("0.05")
"""Tolerance of a target stated without one, in percentage points; common practice, no source."""

BARE_TARGET_SHARE = Fraction("0.01")
"""Tolerance of a ratio's or property's target stated without one, as a share of it; common practice, no source."""


class Target(Band):
    """A target with its tolerance, or a band."""

    missing = "give a target, a smallest or a largest figure"
    unit: ClassVar[str] = ""
    """The end of the keys: ``_pct`` or nothing."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure that they stand for. Raises ValueError where they clash."""
        target, within, lo, hi = (getattr(self, key + self.unit) for key in ("target", "within", "min", "max"))
        if target is None and within is not None:
            raise ValueError("a tolerance needs a target")
        if target is not None:
            if lo is not None or hi is not None:
                raise ValueError("give either a target or a smallest and largest figure, not both")
            bare = BARE_TARGET_PCT if self.unit else abs(target) * BARE_TARGET_SHARE
            spread = bare if within is None else within
            lo, hi = target - spread, target + spread
        return (max(lo, ZERO) if self.unit and lo is not None else lo), hi


class PercentBand(Target):
    """A percentage by weight: a target with its tolerance, or a band."""

    unit = "_pct"
    target_pct: Percent | None = None
    """Figure aimed at, %."""
    within_pct: NotNegative | None = None
    """Tolerance about the target, percentage points; 0.05 where it is not stated."""
    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""


class PlainBand(Target):
    """A figure without a fixed unit: a target with its tolerance, or a band."""

    target: Number | None = None
    """Figure aimed at."""
    within: NotNegative | None = None
    """Tolerance about the target; one hundredth of it where it is not stated."""
    min: Number | None = None
    """Smallest figure."""
    max: Number | None = None
    """Largest figure."""


class Component(PercentBand):
    """One component by weight on a stated basis."""

    prop: ClassVar[str]
    what: ClassVar[str]
    basis: Basis = Basis.MEAT
    """What the percentage is of: meat (the meat block), batch (everything that goes in) or finished."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        return self.ratio(self.what, self.basis.words, Amount(self.prop, self.basis), Weight(self.basis), scale=ONE)


class PropertyBand(PlainBand):
    """Any numeric column of the lots table, as its mean by weight."""

    name: Name
    """The column's name."""
    basis: Basis = Basis.MEAT
    """What the mean is over: meat, batch or finished."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        unit = "%" if self.name.endswith("_pct") else "mg/kg" if self.name.endswith("_ppm") else ""
        amount = Amount(self.name, self.basis)
        return self.ratio(self.name, self.basis.words, amount, Weight(self.basis), unit=unit, scale=ONE)


TAGS = ("species", "role", "material", "lot", "rework")
"""What a group of lots may be picked by."""


_NEITHER = "none of either is in the batch"
"""What is said of a ratio of groups where there is nothing to keep in a ratio, so that it holds, as its rows do."""


class LotGroup(Ruled):
    """The lots of some species, roles or materials, or some lots by name."""

    called: ClassVar[str] = "a group of lots"
    species: Names | None = None
    """Species as typed in the lots table, one or a list."""
    role: Names | None = None
    """Role: meat or fat."""
    material: Names | None = None
    """Material as typed in the lots table, one or a list."""
    lot: Names | None = None
    """Lots by name, one or a list."""
    rework: YesNo | None = None
    """yes: the lots that are rework; no: those that are not."""

    def _broken(self) -> Broken:
        if sum(getattr(self, tag) not in (None, ()) for tag in TAGS) != 1:
            yield f"{self.called} names exactly one of species, role, material, lot or rework"

    def tagged(self) -> Tagged:
        """The lots that it counts."""
        tag = next(tag for tag in TAGS if getattr(self, tag) is not None)
        value = getattr(self, tag)
        return Tagged(tag, frozenset(["yes" if value else "no"] if tag == "rework" else value))


class RatioBand(PlainBand):
    """A ratio of two weights, which is never negative."""

    target: Positive | None = None
    """Figure aimed at."""
    min: Positive | None = None
    """Smallest figure."""
    max: Positive | None = None
    """Largest figure."""

    def of_weights(self, what: str, over: Quantity, under: Quantity, **further: Any) -> Requirement:
        """Kilograms of something in the meat block to kilograms of something else."""
        return self.ratio(what, Basis.MEAT.words, over, under, unit="kg/kg", scale=ONE, **further)


class MeatToFat(RatioBand):
    """Kilograms of lots with role meat to kilograms of lots with role fat."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        meat, fat = (Tagged("role", frozenset({role})) for role in ("meat", "fat"))
        return self.of_weights("meat-to-fat ratio", meat, fat, nothing=_NEITHER)


class GroupRatio(RatioBand):
    """Kilograms of one group of lots to kilograms of another."""

    of: LotGroup
    """The group above the line."""
    to: LotGroup
    """The group below it."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        of, to = self.of.tagged(), self.to.tagged()
        return self.of_weights(f"ratio of {of.words} to {to.words}", of, to, nothing=_NEITHER)


class LeanToFat(RatioBand):
    """Lean to fat by analysis: (100 - fat) / fat over the meat block."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        fat = Amount(FAT, Basis.MEAT)
        lean = Sum(((Fraction(PERCENT), Weight(Basis.MEAT)), (-ONE, fat)))
        return self.of_weights("lean-to-fat ratio by analysis", lean, fat)


class Share(LotGroup, PercentBand):
    """Share by weight of a group of lots."""

    called = "a share"
    basis: Basis = Basis.MEAT
    """What the share is of: meat, batch or finished."""

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        of, whole = self.tagged(), Weight(self.basis)
        return self.ratio(f"share of {of.words}", self.basis.words, of, whole, nothing=_NEITHER)


class GroupWeight(Band, LotGroup):
    """Kilograms of a group of lots in the whole batch, after bone and rind."""

    missing = "give a smallest or a largest weight"
    min_kg: NotNegative | None = None
    """Least weight, kilograms."""
    max_kg: NotNegative | None = None
    """Most weight, kilograms."""
    min_lb: NotNegative | None = None
    """Least weight, pounds."""
    max_lb: NotNegative | None = None
    """Most weight, pounds."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Least and most, kilograms."""
        sides = (("min", self.min_kg, self.min_lb), ("max", self.max_kg, self.max_lb))
        for side, kg, lb in sides:
            if kg is not None and lb is not None:
                raise ValueError(f"one of {side}_kg and {side}_lb")
        lo, hi = (kg if lb is None else lb * KG_PER_LB for _, kg, lb in sides)
        return lo, hi

    def build(self) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        (lo, hi), counted = self.between(), self.tagged()
        return Kilograms(what=counted.words, basis=Basis.MEAT.words, unit="kg", lo=lo, hi=hi, over=counted)
