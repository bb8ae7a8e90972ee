"""Confidence: a limit on fat holds with a stated probability, though every lot's fat is only a measurement.

A requirement's rows are linear in the fat of the lots. Where a row is ``a . x <= b`` and one point of fat in lot j
changes ``a_j`` by ``s_j``, errors with standard deviations ``d_j`` give the row the standard deviation
``sqrt(sum (s_j d_j x_j)^2)`` (law of propagation, JCGM 100:2008, 5.1.2; exact, because the row is linear). With normal
errors the row holds with probability p when ``a . x + z * that <= b``, z being the p-quantile of the standard normal
distribution. Each limit is held by itself with that probability, not all of them together.

Errors are independent from lot to lot, or fully shared by the lots of one method (5.2.2, correlation 1): then these
add up before they are squared. A lot that states its own figure and no method is independent in either case.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, lru_cache
from math import ceil, sqrt
from statistics import NormalDist

from pydantic import model_validator

from constraints.cone import Cone, Source
from constraints.document import Name, Number, Strict, YesNo
from constraints.faults import Fault
from constraints.formula import Batch, Formula
from constraints.ingredients import FAT, Ingredient, Lot
from constraints.methods import FatMethod, Finding, UnknownMethod, best_bench, finding, method_named
from constraints.numbers import PERCENT, trimmed
from constraints.quantities import MissingProperty, Process, Quantity
from constraints.requirement import Requirement, Verdict
from constraints.row import Row
from constraints.vector import Vector

FAT_SD = "fat_sd_pct"
FAT_METHOD = "fat_method"
_ZERO = Fraction(0)
_HALF = Fraction(1, 2)
_PLACES = 10**6
_DOUBT = Fraction(1, 1000)
"""Added to the quantile before it is rounded up, in units of its last place: a thousand times the error of a float."""


@cache
def quantile_up(probability: Fraction) -> Fraction:
    """The standard normal quantile of a probability above one half, rounded up at the sixth decimal.

    Reckoned in floating point from the upper tail, where it is accurate to about 1e-15 (statistics.NormalDist, after
    Wichura's AS 241). Raises ValueError outside (0.5, 1).
    """
    if not _HALF < probability < 1:
        raise ValueError(f"confidence is above 0.5 and below 1, not {trimmed(probability)}")
    exact = Fraction(-NormalDist().inv_cdf(float(1 - probability)))
    return Fraction(ceil(exact * _PLACES + _DOUBT), _PLACES)


@dataclass(frozen=True)
class Confidence:
    """With which probability each limit on fat holds, and how the errors of the lots go together.

    ``shared`` is True where lots of one method err together. ``usual`` is the method of lots that state neither a
    figure nor a method, ``own`` are methods beside the published ones. ``better`` holds names of lots with what is
    known of them once they are measured again. Raises ValueError for a probability outside (0.5, 1).
    """

    probability: Fraction
    shared: bool = False
    usual: str = ""
    own: tuple[FatMethod, ...] = ()
    better: tuple[tuple[str, Finding], ...] = ()

    def __post_init__(self) -> None:
        quantile_up(self.probability)
        if self.usual:
            method_named(self.usual, self.own)

    @property
    def z(self) -> Fraction:
        """The normal quantile, rounded up."""
        return quantile_up(self.probability)

    @property
    def words(self) -> str:
        """E.g. ``95 % confidence``."""
        return f"{trimmed(PERCENT * self.probability)} % confidence"

    def finding(self, lot: Lot) -> Finding:
        """The error of a lot's fat. Raises MissingProperty where the lot states neither figure nor method."""
        found = dict(self.better).get(lot.name) or finding(lot, self.usual, self.own)
        if found is None:
            raise MissingProperty(lot, f"{FAT_SD} or {FAT_METHOD}")
        return found

    def measured_again(self, lot: Lot, method: FatMethod | None = None) -> Confidence:
        """The same once a lot was measured by another method (None: the most precise published bench method)."""
        fat = lot.properties[FAT]
        chosen = method or best_bench(fat)
        return replace(self, better=(*self.better, (lot.name, Finding(chosen.sd(fat), chosen.name))))


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


@dataclass(frozen=True)
class Likelihood:
    """How likely one limit is met: its row's label, which side it is (``lo`` or ``hi``), and a float from 0 to 1."""

    label: str
    side: str
    probability: float


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
        rows = zip(self.rows(formula), self.rows(_fatter(formula)), strict=True)
        for row, fatter in rows:
            slopes = [after - before for before, after in zip(row.coefs, fatter.coefs, strict=True)]
            errors = self._errors(formula, slopes)
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
    before, after = requirement.rows(formula), requirement.rows(_fatter(formula))
    if all(row.coefs == fatter.coefs for row, fatter in zip(before, after, strict=True)):
        return requirement
    return Confident(
        what=requirement.what, basis=requirement.basis, unit=requirement.unit, origin=requirement.origin,
        lo=requirement.lo, hi=requirement.hi, role=requirement.role, regulates=requirement.regulates,
        plain=requirement, confidence=confidence,
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


@lru_cache(maxsize=16)
def _fatter(formula: Formula) -> Formula:
    """The same formula with one point more fat in every lot that states its fat."""
    lots = [_with_more_fat(lot) if isinstance(lot, Lot) else lot for lot in formula.lots]
    return Formula(lots, formula.additions, formula.process)


def _with_more_fat(lot: Lot) -> Lot:
    if FAT not in lot.properties:
        return lot
    return replace(lot, properties={**lot.properties, FAT: lot.properties[FAT] + 1})


def _as_formula(batch: Batch) -> Formula:
    """A batch's ingredients as columns, each for itself, so that rows can be read off the weights as they are."""
    return Formula(tuple(batch.kilograms), (), batch.process)


def _likely(cone: Cone, weights: tuple[Fraction, ...]) -> float:
    margin, variance = float(cone.margin(weights)), float(cone.variance(weights))
    if not variance:
        return 1.0 if margin >= 0 else 0.0
    return NormalDist().cdf(margin / sqrt(variance))
