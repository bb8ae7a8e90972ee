"""Confidence: a limit on fat holds with a stated probability, though every lot's fat is only a measurement.

A requirement's rows are linear in the fat of the lots. Where a row is ``a . x <= b`` and one point of fat in lot j
changes ``a_j`` by ``s_j``, errors with standard deviations ``d_j`` give the row the standard deviation
``sqrt(sum (s_j d_j x_j)^2)`` (law of propagation, JCGM 100:2008, 5.1.2; exact, because the row is linear). With normal
errors the row holds with probability p when ``a . x + z * that <= b``, z being the p-quantile of the standard normal
distribution. Each limit is held by itself with that probability, not all of them together.

What is estimated from a lot's fat moves with it, and is off its line by errors of its own (see estimate).

Errors are independent from lot to lot, or fully shared by the lots of one method (5.2.2, correlation 1): then these
add up before they are squared. A lot that states its own figure and no method is independent in either case.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import sqrt
from statistics import NormalDist

from pydantic import model_validator

from constraints.document import Name, Number, Strict, YesNo
from constraints.estimate import Off
from constraints.faults import Fault
from constraints.formula import Batch, Formula
from constraints.ingredients import FAT, Ingredient, Lot
from constraints.methods import FAT_METHOD, FAT_SD, Confidence, FatMethod, UnknownMethod, finding
from constraints.quantities import MissingProperty, Process, Quantity
from constraints.requirement import Likelihood, Requirement, Verdict
from constraints.row import Cone, Row, Source
from constraints.vector import Vector

_ZERO = Fraction(0)


class ConfidenceEntry(Strict):
    """Confidence that every limit on fat is met, lots being known only as well as they were measured."""

    probability: Number
    """Probability with which each limit holds: above 0.5, below 1."""
    shared_by_method: YesNo = False
    """Whether lots whose fat was found by one method err together, as with one instrument out of true."""
    usual_method: Name | None = None
    """Method of lots that state neither fat_sd_pct nor fat_method."""
    methods: tuple[FatMethod, ...] = ()
    """Methods of your own, beside the published ones."""

    @model_validator(mode="after")
    def _sound(self) -> ConfidenceEntry:
        try:
            self.confidence()
        except UnknownMethod as error:
            raise ValueError(f"{error}; {error.hint}") from None
        return self

    def confidence(self) -> Confidence:
        """What the entry stands for."""
        return Confidence(self.probability, self.shared_by_method, self.usual_method or "", self.methods)


@dataclass(frozen=True)
class FatError:
    """Standard deviation of fat in points times kilograms, so that a reader can ask every lot for it beforehand."""

    confidence: Confidence

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The lot's standard deviation, zero for anything else. Raises MissingProperty."""
        return self.confidence.finding(item).sd if isinstance(item, Lot) else _ZERO


@dataclass(frozen=True, kw_only=True)
class Confident(Requirement):
    """A requirement whose every limit holds with a stated probability. ``plain`` is the requirement itself.

    The rows are those of the plain requirement, which still hold; the cones hold them with room for error.
    """

    plain: Requirement
    confidence: Confidence

    @property
    def on_paper(self) -> Requirement:
        """The plain requirement between this one's own limits, which may have been widened."""
        return replace(self.plain, lo=self.lo, hi=self.hi)

    @property
    def by_column(self) -> bool:
        """As the plain requirement."""
        return self.plain.by_column

    @property
    def counted(self) -> Quantity | None:
        """What the plain requirement counts."""
        return self.plain.counted

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """The plain rows."""
        return self.on_paper.rows(formula)

    def cones(self, formula: Formula) -> tuple[Cone, ...]:
        """One cone for each limit that the fat of some lot moves. Raises MissingProperty."""
        return tuple(cone for _, cone in self._sides(formula))

    def sides(self, formula: Formula) -> tuple[str, ...]:
        """The side, ``lo`` or ``hi``, that each of its cones holds."""
        return tuple(side for side, _ in self._sides(formula))

    def measure(self, batch: Batch) -> Verdict:
        """The plain figure; ``ok`` only where every limit also holds with room for error, decided exactly."""
        found = replace(self.on_paper.measure(batch), requirement=self)
        if found.ok is False:
            return found
        weights = tuple(batch.kilograms.values())
        if all(cone.holds(weights) for cone in self.cones(_as_formula(batch))):
            return found
        return replace(found, ok=False, why=f"met on paper, but not with {self.confidence.words}")

    def likelihoods(self, batch: Batch) -> tuple[Likelihood, ...]:
        """How likely each limit that depends on measured fat is met as blended, in floating point."""
        weights = tuple(batch.kilograms.values())
        return tuple(
            Likelihood(cone.label, side, _likely(cone, weights)) for side, cone in self._sides(_as_formula(batch))
        )

    def probability(self, batch: Batch, side: str) -> float | None:
        """How likely the limit on one side, ``lo`` or ``hi``, is met; the least where several rows stand for it.

        None where no row on that side depends on measured fat.
        """
        return min((found.probability for found in self.likelihoods(batch) if found.side == side), default=None)

    def quantities(self) -> tuple[Quantity, ...]:
        """What the plain requirement counts, and the error of every lot's fat."""
        return (*self.plain.quantities(), FatError(self.confidence))

    def measured_only(self, formula: Formula) -> bool:
        """As the plain requirement."""
        return self.on_paper.measured_only(formula)

    def complaints(self, formula: Formula) -> tuple[str, ...]:
        """What the plain requirement complains of, and lots whose error is not known."""
        unknown = tuple(
            f"the lot {lot.name!r} states neither {FAT_SD} nor {FAT_METHOD}, which {self.confidence.words} needs"
            for lot in _unknown(formula.lots, self.confidence)
        )
        return (*self.on_paper.complaints(formula), *unknown)

    def within(self, value: Fraction) -> bool:
        """As the plain requirement: whether a figure is met on paper."""
        return self.on_paper.within(value)

    def limits(self) -> str:
        """The plain limits with the confidence."""
        each = "each " if self.lo is not None and self.hi is not None else ""
        return f"{self.on_paper.limits()}, {each}with {self.confidence.words}"

    def fixed_value(self, formula: Formula) -> Fraction | None:
        """The plain figure where neither it nor its error depends on the lots chosen."""
        return None if self.cones(formula) else self.on_paper.fixed_value(formula)

    def terms(self, formula: Formula) -> tuple[Vector, Vector | None] | None:
        """The plain figure's numerator and denominator."""
        return self.on_paper.terms(formula)

    def _sides(self, formula: Formula) -> Iterator[tuple[str, Cone]]:
        for row, fatter, *others in zip(self.rows(formula), *map(self.rows, _moved(formula)), strict=True):
            errors = self._errors(formula, _slopes(row, fatter))
            slopes = (slope for other in others for slope in enumerate(_slopes(row, other)))
            errors += tuple(((j, slope),) for j, slope in slopes if slope)
            if not errors:
                continue
            if row.hi is not None:
                yield "hi", Cone(row.label, tuple(row.coefs), row.hi, self.confidence.z, errors)
            if row.lo is not None:
                yield "lo", Cone(row.label, tuple(-a for a in row.coefs), -row.lo, self.confidence.z, errors)

    def _errors(self, formula: Formula, slopes: Iterable[Fraction]) -> tuple[Source, ...]:
        """The independent error sources: one a lot, or one a method where the lots of one method err together."""
        sources: dict[tuple[str, str], list[tuple[int, Fraction]]] = {}
        for j, (column, slope) in enumerate(zip(formula.columns, slopes, strict=True)):
            if not slope or not isinstance(column, Lot):
                continue
            found = self.confidence.finding(column)
            together = self.confidence.shared and found.method
            key = ("method", found.method) if together else ("lot", column.name)
            if found.sd:
                sources.setdefault(key, []).append((j, slope * found.sd))
        return tuple(tuple(source) for source in sources.values())


def confident(requirement: Requirement, confidence: Confidence, formula: Formula) -> Requirement:
    """The requirement held with confidence where the fat of these lots matters to its rows; else itself."""
    if isinstance(requirement, Confident):
        return replace(requirement, confidence=confidence)
    before, moved = requirement.rows(formula), map(requirement.rows, _moved(formula))
    if all(row.coefs == other.coefs for after in moved for row, other in zip(before, after, strict=True)):
        return requirement
    return Confident(
        what=requirement.what, basis=requirement.basis, unit=requirement.unit, origin=requirement.origin,
        lo=requirement.lo, hi=requirement.hi, role=requirement.role, regulates=requirement.regulates,
        plain=requirement, confidence=confidence, estimated=requirement.estimated,
    )  # fmt: skip


def measured_again(requirement: Requirement, lot: Lot, method: FatMethod | None = None) -> Requirement:
    """A requirement once a lot was measured by a better method; itself where no confidence is asked."""
    if not isinstance(requirement, Confident):
        return requirement
    return replace(requirement, confidence=requirement.confidence.measured_again(lot, method))


def lot_faults(file: str, lots: Iterable[Lot], confidence: Confidence) -> Iterator[Fault]:
    """Lots whose error is not known, is below zero, or was found by a method that is not known."""
    for lot in lots:
        try:
            if finding(lot, confidence.usual, confidence.own) is None:
                found = f"the lot {lot.name!r} states neither {FAT_SD} nor {FAT_METHOD}"
                allowed = f"one of them, or usual_method beside the confidence; {confidence.words} is asked for"
                yield Fault(file, lot.line, FAT_METHOD, found, allowed)
        except UnknownMethod as error:
            yield Fault(file, lot.line, FAT_METHOD, str(error), error.hint)
        except MissingProperty as error:
            yield Fault(file, lot.line, FAT, f"the lot {lot.name!r} does not state {error.property_name}", "its fat, %")
        except ValueError as error:
            yield Fault(file, lot.line, FAT_SD, str(error), "zero or more, percentage points of fat")


def _unknown(lots: Iterable[Ingredient], confidence: Confidence) -> list[Lot]:
    known = [lot for lot in lots if isinstance(lot, Lot)]
    return [lot for lot in known if finding(lot, confidence.usual, confidence.own) is None]


def _slopes(row: Row, moved: Row) -> list[Fraction]:
    return [after - before for before, after in zip(row.coefs, moved.coefs, strict=True)]


def _moved(formula: Formula) -> tuple[Formula, ...]:
    """The formula with one point more of fat and, where it has estimates, with one deviation more of each error."""
    return _fatter(formula), *(_off(formula, error) for error in Off if formula.process.estimates)


@lru_cache(maxsize=32)
def _off(formula: Formula, error: Off) -> Formula:
    return Formula(formula.lots, formula.additions, replace(formula.process, off=error))


@lru_cache(maxsize=16)
def _fatter(formula: Formula) -> Formula:
    """The same formula with one point more fat in every lot that states its fat."""
    lots = [_with_more_fat(lot) if isinstance(lot, Lot) else lot for lot in formula.lots]
    return Formula(lots, formula.additions, formula.process)


def _with_more_fat(lot: Lot) -> Lot:
    if FAT not in lot.properties:
        return lot
    parts = tuple((_with_more_fat(part) if isinstance(part, Lot) else part, share) for part, share in lot.parts)
    return replace(lot, properties={**lot.properties, FAT: lot.properties[FAT] + 1}, parts=parts)


def _as_formula(batch: Batch) -> Formula:
    """A batch's ingredients as columns, each for itself, so that rows can be read off the weights as they are."""
    return Formula(tuple(batch.kilograms), (), batch.process)


def _likely(cone: Cone, weights: tuple[Fraction, ...]) -> float:
    margin, variance = float(cone.margin(weights)), float(cone.variance(weights))
    if not variance:
        return 1.0 if margin >= 0 else 0.0
    return NormalDist().cdf(margin / sqrt(variance))
