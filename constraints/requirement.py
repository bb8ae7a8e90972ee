"""A requirement and its three faces: rows for the solver, a measure for the check, words for the reader.

The faces share one definition (a quantity over a quantity between two limits), so they cannot disagree. What it means
is data too: who set it, and which substances it regulates. Whatever is decided about it is decided on these; its words
are for readers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from itertools import product
from math import ceil, floor
from typing import dataclass_transform

from constraints.as_typed import ONE, ZERO, trimmed
from constraints.confidence import Confidence, cones, moved
from constraints.formula import Batch, Formula
from constraints.quantities import Ingredient, Lot, MissingProperty, Process, Quantity, Tagged, in_one_kg
from constraints.row import Cone, Row, Vector


class Role(StrEnum):
    """Who set a requirement: the order's size, the stock, which lots are used at all, a law, or the maker."""

    SIZE = "size"
    STOCK = "stock"
    USE = "use"
    LAW = "law"
    OWN = "own"


class Stage(StrEnum):
    """Where a substance is counted: as weighed in, as a laboratory finds it left over, or in the product as made."""

    INGOING = "ingoing"
    RESIDUAL = "residual"
    PRODUCT = "product"


class Salt(StrEnum):
    """A salt of nitrite or nitrate, valued by its formula."""

    SODIUM_NITRITE = "NaNO2"
    POTASSIUM_NITRITE = "KNO2"
    SODIUM_NITRATE = "NaNO3"
    POTASSIUM_NITRATE = "KNO3"


BY_ION = {
    "nitrite": (Salt.SODIUM_NITRITE, Salt.POTASSIUM_NITRITE),
    "nitrate": (Salt.SODIUM_NITRATE, Salt.POTASSIUM_NITRATE),
}
"""The salts that a word of a rule pack stands for."""


@dataclass(frozen=True)
class Regulates:
    """The substances a requirement counts (salts of nitrite and nitrate, or additives by name), and where.

    No substance: it is about composition, weight or choice.
    """

    substances: frozenset[str] = frozenset()
    stage: Stage = Stage.PRODUCT

    @classmethod
    def ingoing(cls, substances: Iterable[str]) -> Regulates:
        """Substances as weighed in."""
        return cls(frozenset(substances), Stage.INGOING)

    @classmethod
    def residual(cls, names: Iterable[str]) -> Regulates:
        """Substances as a laboratory finds them; ``nitrite`` and ``nitrate`` stand for their salts."""
        return cls(frozenset(salt for name in names for salt in BY_ION.get(name, (name,))), Stage.RESIDUAL)


class Provenance(StrEnum):
    """How a figure was read. Only the first three were read in a text that carries the law's own words."""

    PRIMARY = "primary text"
    QUOTED = "quoted verbatim"
    STATE_COPY = "state's copy"
    COMPUTED = "computed"
    SECONDARY = "secondary text"
    MEMORY = "from memory"
    YOURS = "yours"


@dataclass(frozen=True)
class Origin:
    """Where a limit comes from and what follows when it is broken.

    ``rule`` is the pack's row or the recipe's own key, ``pack`` the pack's name (empty: not from a pack), ``blocks``
    whether breaking it forbids the batch, ``legal`` whether it is a law's figure (never offered for relaxing),
    ``waived`` whether the recipe waived it by name (it is measured and said, and binds nothing).
    """

    rule: str
    source: str
    status: Provenance = Provenance.YOURS
    blocks: bool = True
    legal: bool = False
    protects_health: bool = False
    note: str = ""
    pack: str = ""
    waived: bool = False


@dataclass(frozen=True)
class Measurement:
    """A requirement measured on a batch. ``ok`` None means that arithmetic cannot decide, and is never a pass.

    ``why`` says what is missing for a verdict, or what the figure leaves out; empty where nothing is to be said.
    """

    requirement: Requirement
    value: Fraction | None
    ok: bool | None
    why: str = ""


@dataclass_transform(kw_only_default=True, frozen_default=True)
@dataclass(frozen=True, kw_only=True)
class Requirement:
    """Base of every requirement, each of which is a dataclass like it.

    ``what`` names it in a few words, ``basis`` names what its figure is divided by, ``unit`` its unit, ``lo`` and
    ``hi`` its limits in that unit (None: no limit). ``role`` and ``regulates`` say what it means, ``confidence`` how
    sure it must be (None: as measured). ``estimated`` names the properties that its figure takes from estimates.
    """

    what: str
    basis: str
    unit: str
    origin: Origin = Origin("", "")
    lo: Fraction | None = None
    hi: Fraction | None = None
    role: Role = Role.OWN
    regulates: Regulates = Regulates()
    confidence: Confidence | None = None
    estimated: tuple[str, ...] = ()

    def __init_subclass__(cls) -> None:
        dataclass(frozen=True, kw_only=True)(cls)

    @property
    def on_paper(self) -> Requirement:
        """Itself without room for error."""
        return self if self.confidence is None else replace(self, confidence=None)

    @property
    def counted(self) -> Quantity | None:
        """What it counts over something else, where it is a ratio."""
        return None

    @property
    def of_batch(self) -> bool:
        """True where it is about the batch as a whole, so that no mixer load is judged by it."""
        return self.role in (Role.SIZE, Role.STOCK)

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """Itself as linear rows over the formula's columns; none for some. Raises MissingProperty."""
        return ()

    def choices(self, formula: Formula) -> tuple[Row, ...]:
        """Rows over the use of each column, one for used and zero for not; none for most requirements."""
        return ()

    def measure(self, batch: Batch) -> Measurement:
        """Itself computed on a finished batch, exactly, with no solver, and with the room for error asked for."""
        found, weights = self.figure(batch), tuple(batch.kilograms.values())
        if self.confidence is None or found.ok is False or all(c.holds(weights) for c in self._cones_of(batch)):
            return found
        return replace(found, ok=False, why=f"met on paper, but not with {self.confidence.words}")

    def figure(self, batch: Batch) -> Measurement:
        """Itself on a finished batch, without room for error."""
        raise NotImplementedError

    def beside(self, others: Sequence[Requirement]) -> Requirement:
        """Itself in the company of all rows of its pack that are in force; nearly always just itself."""
        return self

    def quantities(self) -> tuple[Quantity, ...]:
        """What it counts, so that a reader can ask every ingredient for it beforehand."""
        return ()

    def measured_only(self, formula: Formula) -> bool:
        """True where the rows leave part of it unsaid (or there are none), so that only the measure decides."""
        return False

    def complaints(self, formula: Formula) -> tuple[str, ...]:
        """What about this formula makes the requirement meaningless, in words: tags that no eligible lot carries."""
        tagged = [part for part in self.quantities() if isinstance(part, Tagged)]
        none = (t for t in tagged if not any(in_one_kg(t, lot, formula.process) for lot in formula.lots))
        return tuple(f"no eligible lot has {part.words}" for part in none)

    def words(self) -> str:
        """Itself in one sentence with its figure."""
        return f"{self.what} of the {self.basis} {self.limits()}"

    def limits(self) -> str:
        """The limits in words, e.g. ``between 27 and 29 %``."""
        unit = f" {self.unit}" if self.unit else ""
        sure = "" if self.confidence is None else f"with {self.confidence.words}"
        if self.lo is not None and self.hi is not None:
            said = f"between {trimmed(self.lo)} and {trimmed(self.hi)}"
            said = f"exactly {trimmed(self.lo)}" if self.lo == self.hi else said
            return f"{said}{unit}" + (f", each {sure}" if sure else "")
        said = f"at least {trimmed(self.lo or ZERO)}" if self.hi is None else f"at most {trimmed(self.hi)}"
        return f"{said}{unit}" + (f", {sure}" if sure else "")

    def within(self, value: Fraction) -> bool:
        """True where a figure lies between the limits, compared exactly and unrounded."""
        return (self.lo is None or value >= self.lo) and (self.hi is None or value <= self.hi)

    def fixed_value(self, formula: Formula) -> Fraction | None:
        """The figure where neither it nor its error depends on the lots chosen, else None."""
        return None if self.cones(formula) else self.fixed(formula)

    def fixed(self, formula: Formula) -> Fraction | None:
        """The figure where it is the same whatever lots are chosen, else None."""
        return None

    def cones(self, formula: Formula) -> tuple[Cone, ...]:
        """One for each limit that the fat of some lot moves, beside ``rows``. Raises MissingProperty."""
        return () if self.confidence is None else tuple(cones(self.rows, self.confidence, formula))

    def _cones_of(self, batch: Batch) -> tuple[Cone, ...]:
        """The cones over a batch's ingredients, each a column for itself."""
        return self.cones(Formula(tuple(batch.kilograms), (), batch.process)) if self.confidence else ()

    def cuts(self, formula: Formula, kilograms: tuple[Fraction, ...]) -> tuple[Row, ...]:
        """Linear rows, valid for every batch that satisfies it, that these kilograms of the columns break."""
        broken = (cone for cone in self.cones(formula) if not cone.holds(kilograms))
        return tuple(row for cone in broken if (row := cone.cut(kilograms)) is not None)

    def likelihoods(self, batch: Batch) -> tuple[tuple[Cone, float], ...]:
        """Each limit that depends on measured figures, and how likely it is met as blended: a float from 0 to 1."""
        weights = tuple(batch.kilograms.values())
        return tuple((cone, cone.likelihood(weights)) for cone in self._cones_of(batch))

    def terms(self, formula: Formula) -> tuple[Vector, Vector | None] | None:
        """Its figure as numerator over denominator (None: one) per kilogram of each column, where it is one."""
        return None


class Measured(Requirement):
    """Base of requirements that no linear row says: only the measure decides."""

    def measured_only(self, formula: Formula) -> bool:
        """Always."""
        return True


class Ratio(Requirement):
    """``scale`` times one quantity over another, between limits: ``lo <= scale * over / under <= hi``.

    As rows: ``scale * over - hi * under <= 0`` and ``scale * over - lo * under >= 0``, which hold exactly when the
    ratio does because ``under`` is never negative. Where ``under`` is zero they ask of ``over`` to be zero or less (a
    largest figure) or zero or more (a smallest). Where both are zero the ratio is undefined, which is broken unless
    ``nothing`` has what is said of it instead.
    """

    over: Quantity
    under: Quantity
    scale: Fraction = ONE
    nothing: str | None = None

    @property
    def counted(self) -> Quantity:
        """The numerator."""
        return self.over

    def quantities(self) -> tuple[Quantity, ...]:
        """Numerator and denominator."""
        return (self.over, self.under)

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """One row a limit."""
        over, under = self.terms(formula)
        sides = ("at most", self.hi, None, ZERO), ("at least", self.lo, ZERO, None)
        kept = ((f"{self.what} {said}", limit, lo, hi) for said, limit, lo, hi in sides if limit is not None)
        return tuple(Row(label, over.plus(under, -limit), lo, hi) for label, limit, lo, hi in kept)

    def figure(self, batch: Batch) -> Measurement:
        """The ratio on this batch; value None where there is nothing to divide by."""
        over, under = self.scale * batch.amount(self.over), batch.amount(self.under)
        if under:
            return Measurement(self, over / under, self.within(over / under))
        if over:
            return Measurement(self, None, self.hi is None if over > 0 else self.lo is None)
        return Measurement(self, None, self.nothing is not None, self.nothing or "")

    def fixed(self, formula: Formula) -> Fraction | None:
        """The ratio where every column, with what it carries, has the same one."""
        over, under = self.terms(formula)
        return over.first / under.first if over.alike(under) else None

    def terms(self, formula: Formula) -> tuple[Vector, Vector]:
        """Scaled numerator and denominator per kilogram of each column."""
        return formula.totals(self.over, self.scale), formula.totals(self.under)


@dataclass(frozen=True)
class Span:
    """What may be taken: none, between ``lo`` and ``hi``, or exactly ``every`` (None: no such choice besides)."""

    lo: Fraction
    hi: Fraction
    every: Fraction | None = None


@dataclass(frozen=True)
class Hold:
    """What one column may be: at most ``most`` kilograms, and none or at least ``least``, in steps of ``step``.

    Of ``stock`` nothing is left, or at least ``rest``. With ``must`` it is ``most`` and nothing else.
    """

    column: Ingredient
    most: Fraction
    least: Fraction = ZERO
    step: Fraction | None = None
    must: bool = False
    stock: Fraction = ZERO
    rest: Fraction = ZERO

    def allows(self, kilograms: Fraction) -> bool:
        """True where a weight keeps all this; none is always allowed unless it must go in."""
        if self.must or not kilograms:
            return kilograms == (self.most if self.must else 0)
        whole = self.step is None or (kilograms / self.step).denominator == 1
        tidy = not self.rest or kilograms == self.stock or self.stock - kilograms >= self.rest
        return whole and tidy and self.least <= kilograms <= self.most

    def span(self, unit: Fraction | None = None) -> Span:
        """What may be taken, in whole units of so many kilograms; in kilograms without any. ``must`` is left aside."""
        lo, hi, every = self.least, self.most, None
        if self.rest and hi > self.stock - self.rest:
            hi = self.stock - self.rest
            every = self.stock if self.most >= self.stock >= lo else None
        if unit is None:
            return Span(lo, hi, every)
        lo, hi = Fraction(ceil(lo / unit)), Fraction(floor(hi / unit))
        if every is not None and every / unit == max(lo, hi + 1):
            return Span(lo, every / unit)
        return Span(lo, hi, None if every is None else every / unit)


def marked(requirement: Requirement, items: Iterable[Ingredient], process: Process) -> Requirement:
    """A requirement that says so where its figure on some of these ingredients rests on estimates."""
    missing = set()
    for name, quantity, item in product(process.estimates, requirement.quantities(), items):
        try:
            in_one_kg(quantity, item, replace(process, estimates=process.estimates - {name}))
        except MissingProperty:
            missing.add(name)
    names = tuple(sorted(missing))
    return replace(requirement, what=f"estimated {requirement.what}", estimated=names) if names else requirement


def asked_confidence(requirements: Iterable[Requirement]) -> Confidence | None:
    """The confidence that a recipe asks for, which all of its requirements that depend on measured fat share."""
    return next((r.confidence for r in requirements if r.confidence is not None), None)


def confident(requirement: Requirement, confidence: Confidence, formula: Formula) -> Requirement:
    """The requirement held with confidence where the fat of these lots matters to its rows; else itself.

    The rows still hold; the cones hold them with room for error.
    """
    before = [row.coefs for row in requirement.rows(formula)]
    if all([row.coefs for row in requirement.rows(other)] == before for other in moved(formula)):
        return requirement
    return replace(requirement, confidence=confidence)


def measured_again(requirement: Requirement, lot: Lot) -> Requirement:
    """A requirement once a lot was measured by a better method; itself where no confidence is asked."""
    asked = requirement.confidence
    return requirement if asked is None else replace(requirement, confidence=asked.measured_again(lot))
