"""Confidence: a limit on fat holds with a stated probability, though every lot's fat is only a measurement.

A requirement's rows are linear in the fat of the lots. Where a row is ``a . x <= b`` and one point of fat in lot j
changes ``a_j`` by ``s_j``, errors with standard deviations ``d_j`` give the row the standard deviation
``sqrt(sum (s_j d_j x_j)^2)`` (law of propagation, JCGM 100:2008, 5.1.2; exact, because the row is linear). With normal
errors the row holds with probability p when ``a . x + z * that <= b``, z being the p-quantile of the standard normal
distribution. Each limit is held by itself with that probability, not all of them together.

What is estimated from a lot's fat moves with it, and is off its line by errors of its own (see quantities).

Errors are independent from lot to lot, or fully shared by the lots of one method (5.2.2, correlation 1): then these
add up before they are squared. A lot that states its own figure and no method is independent in either case.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from functools import cache, lru_cache
from itertools import pairwise
from math import ceil
from statistics import NormalDist
from typing import Any

from pydantic import PrivateAttr

from constraints.as_typed import PERCENT, Fault, meant, trimmed
from constraints.document import Broken, Name, NotNegative, Number, Percent, Ruled, Strict, YesNo, packaged
from constraints.formula import Formula
from constraints.quantities import FAT, Ingredient, Lot, MissingProperty, Off
from constraints.row import Cone, Row, Source

FAT_SD = "fat_sd_pct"
FAT_METHOD = "fat_method"
MOST_LISTED = 4
"""Names that a message lists."""


class Read(StrEnum):
    """How a method's figure was read."""

    SEEN = "seen"
    ABSTRACT = "seen-P (abstract)"
    ABSTRACT_COMPUTED = "seen-P (abstract); s calc"
    SECONDARY = "seen-S"
    MEMORY = "memory"
    YOURS = "yours"


class Knot(Strict):
    """The standard deviation at one fat figure."""

    fat_pct: Percent
    """Fat, % by weight."""
    points: NotNegative
    """Standard deviation, percentage points of fat."""


class Studied(Strict):
    """The range of fat that a study covered."""

    min: Percent
    """Leanest sample, %."""
    max: Percent
    """Fattest sample, %."""


class FatMethod(Ruled):
    """A way to find the fat of a lot, with the standard deviation of its error."""

    name: Name
    """The name a lots table uses."""
    title: Name = ""
    """The method in words."""
    points: NotNegative | None = None
    """Standard deviation, percentage points of fat."""
    relative_pct: NotNegative | None = None
    """Instead: standard deviation, percent of the fat figure."""
    at: tuple[Knot, ...] = ()
    """Instead: standard deviations at some fat figures; straight lines between them, level beyond them."""
    bench: YesNo = False
    """Whether it is done on a sample in a laboratory."""
    studied_pct: Studied | None = None
    """Fat of the samples in the study, %."""
    source: Name = "yours"
    """Where the figure was published."""
    status: Read = Read.YOURS
    """How the figure was read."""
    printed_as: Name | None = None
    """The figure as the source prints it, where that is a range or a bound."""
    note: Name | None = None
    """What else a reader should know."""

    def _broken(self) -> Broken:
        if (self.points is not None) + (self.relative_pct is not None) + bool(self.at) != 1:
            yield "a method states exactly one of points, relative_pct and at"
        places = [knot.fat_pct for knot in self.at]
        if any(low >= high for low, high in pairwise(places)):
            yield "the fat figures under at go upwards"

    def sd(self, fat: Fraction) -> Fraction:
        """Standard deviation at a fat figure, percentage points, exact."""
        if self.points is not None:
            return self.points
        if self.relative_pct is not None:
            return self.relative_pct * fat / PERCENT
        fat = min(max(fat, self.at[0].fat_pct), self.at[-1].fat_pct)
        low = max((knot for knot in self.at if knot.fat_pct <= fat), key=lambda knot: knot.fat_pct)
        high = min((knot for knot in self.at if knot.fat_pct >= fat), key=lambda knot: knot.fat_pct)
        share = (fat - low.fat_pct) / ((high.fat_pct - low.fat_pct) or 1)
        return low.points + share * (high.points - low.points)


class UnknownMethod(ValueError):
    """No method has this name; ``hint`` says which names there are."""

    def __init__(self, name: str, known: Iterable[str]) -> None:
        names = list(known)
        alike = [found for found in names if found.startswith(name.casefold())] or names
        more = f" and {len(names) - MOST_LISTED} more, see trimwright columns" if len(names) > MOST_LISTED else ""
        self.hint = meant(name, names, f"known: {', '.join(alike[:MOST_LISTED])}{more}")
        super().__init__(f"no method of finding fat is called {name!r}")


@cache
def published() -> dict[str, FatMethod]:
    """The published methods by name."""
    table: Any = packaged("methods.yaml").tree["methods"]
    return {method.name: method for method in map(FatMethod.model_validate, table)}


def method_named(name: str, own: Iterable[FatMethod] = ()) -> FatMethod:
    """The method of this name, your own before the published. Raises UnknownMethod with the nearest name."""
    known = {**published(), **{method.name: method for method in own}}
    if name not in known:
        raise UnknownMethod(name, known)
    return known[name]


@dataclass(frozen=True)
class FatError:
    """The standard deviation of one lot's fat, percentage points, and the method's name (empty: stated by itself)."""

    sd: Fraction
    method: str = ""


def fat_error(lot: Lot, asked: Confidence | None) -> FatError | None:
    """What is known of the error of a lot's fat; None where neither a figure nor a method is stated.

    A figure of the lot's own stands before its method's; ``asked`` may name the method of lots that state neither, and
    methods of its own. Raises UnknownMethod, ValueError for a figure below zero, and MissingProperty where the lot
    states no fat.
    """
    if lot.fat_sd is not None and lot.fat_sd < 0:
        raise ValueError(f"the lot {lot.name!r} states a standard deviation below zero")
    name = lot.fat_method or (asked.usual_method if asked and lot.fat_sd is None else "") or ""
    method = method_named(name, asked.methods if asked else ()) if name else None
    if lot.fat_sd is not None:
        return FatError(lot.fat_sd, name)
    if method is None:
        return None
    if FAT not in lot.properties:
        raise MissingProperty(lot, FAT)
    return FatError(method.sd(lot.properties[FAT]), name)


def errors_of(items: Iterable[Ingredient], asked: Confidence | None) -> dict[Lot, Fraction | None]:
    """Standard deviation of each lot's fat, points; None where it is not known."""
    found = dict[Lot, Fraction | None].fromkeys(lot for lot in items if isinstance(lot, Lot))
    for lot in found:
        with suppress(UnknownMethod):  # only where confidence is asked for it is refused
            error = fat_error(lot, asked)
            found[lot] = error and error.sd
    return found


def best_bench(fat: Fraction) -> FatMethod:
    """The published bench method with the smallest standard deviation at this fat, none of them from memory."""
    bench = [method for method in published().values() if method.bench and method.status is not Read.MEMORY]
    return min(bench, key=lambda method: (method.sd(fat), method.name))


_PLACES = 10**6
_DOUBT = Fraction(1, 1000)
"""Added to the quantile before it is rounded up, in units of its last place: a thousand times the error of a float."""


@cache
def quantile_up(probability: Fraction) -> Fraction:
    """The standard normal quantile of a probability above one half, rounded up at the sixth decimal.

    Reckoned in floating point from the upper tail, where it is accurate to about 1e-15 (statistics.NormalDist, after
    Wichura's AS 241). Raises ValueError outside (0.5, 1).
    """
    if not Fraction(1, 2) < probability < 1:
        raise ValueError(f"confidence is above 0.5 and below 1, not {trimmed(probability)}")
    exact = Fraction(-NormalDist().inv_cdf(float(1 - probability)))
    return Fraction(ceil(exact * _PLACES + _DOUBT), _PLACES)


class Confidence(Ruled):
    """Confidence that every limit on fat is met, lots being known only as well as they were measured."""

    probability: Number
    """Probability with which each limit holds: above 0.5, below 1."""
    shared_by_method: YesNo = False
    """Whether lots whose fat was found by one method err together, as with one instrument out of true."""
    usual_method: Name | None = None
    """Method of lots that state neither fat_sd_pct nor fat_method."""
    methods: tuple[FatMethod, ...] = ()
    """Methods of your own, beside the published ones."""
    _better: dict[str, FatError] = PrivateAttr(default_factory=dict)
    """Of lots by name, what is known of them once they are measured again."""

    def _broken(self) -> Broken:
        quantile_up(self.probability)
        try:
            if self.usual_method:
                method_named(self.usual_method, self.methods)
        except UnknownMethod as error:
            yield f"{error}; {error.hint}"

    @property
    def z(self) -> Fraction:
        """The normal quantile, rounded up."""
        return quantile_up(self.probability)

    @property
    def words(self) -> str:
        """E.g. ``95 % confidence``."""
        return f"{trimmed(PERCENT * self.probability)} % confidence"

    def finding(self, lot: Lot) -> FatError:
        """The error of a lot's fat. Raises MissingProperty where the lot states neither figure nor method."""
        found = self._better.get(lot.name) or fat_error(lot, self)
        if found is None:
            raise MissingProperty(lot, f"{FAT_SD} or {FAT_METHOD}")
        return found

    def measured_again(self, lot: Lot) -> Confidence:
        """The same once a lot was measured by the most precise published bench method."""
        fat = lot.properties[FAT]
        chosen = best_bench(fat)
        again = self.model_copy()
        again._better = {**self._better, lot.name: FatError(chosen.sd(fat), chosen.name)}
        return again

    def improves(self, lot: Lot) -> bool:
        """True where a lot measured again would be known more precisely."""
        return self.measured_again(lot).finding(lot).sd < self.finding(lot).sd


def cones(rows: Callable[[Formula], Sequence[Row]], confidence: Confidence, formula: Formula) -> Iterator[Cone]:
    """A cone for each limit of some rows that the fat of some lot moves. Raises MissingProperty."""
    for row, fatter, *others in zip(rows(formula), *map(rows, moved(formula)), strict=True):
        errors = _errors(confidence, formula, _slopes(row, fatter))
        slopes = (slope for other in others for slope in enumerate(_slopes(row, other)))
        errors += tuple(((j, slope),) for j, slope in slopes if slope)
        if errors and row.hi is not None:
            yield Cone(row.label, tuple(row.coefs), row.hi, confidence.z, errors)
        if errors and row.lo is not None:
            yield Cone(row.label, tuple(-a for a in row.coefs), -row.lo, confidence.z, errors, "lo")


def _errors(confidence: Confidence, formula: Formula, slopes: Iterable[Fraction]) -> tuple[Source, ...]:
    """The independent error sources: one a lot, or one a method where the lots of one method err together."""
    sources: dict[tuple[str, str], list[tuple[int, Fraction]]] = {}
    for j, (column, slope) in enumerate(zip(formula.columns, slopes, strict=True)):
        if not slope or not isinstance(column, Lot):
            continue
        found = confidence.finding(column)
        key = ("method", found.method) if confidence.shared_by_method and found.method else ("lot", column.name)
        if found.sd:
            sources.setdefault(key, []).append((j, slope * found.sd))
    return tuple(tuple(source) for source in sources.values())


def silent_lots(lots: Iterable[Lot], confidence: Confidence) -> list[Lot]:
    """Lots that state neither the error of their fat nor a method, known or not."""
    found = []
    for lot in lots:
        with suppress(ValueError, MissingProperty):  # a fault of another kind
            found += [lot] if fat_error(lot, confidence) is None else []
    return found


def lot_faults(file: str, lots: Sequence[Lot], confidence: Confidence) -> Iterator[Fault]:
    """Lots whose error is not known, in one fault; each whose error is below zero, or whose method is not known."""
    lots = sorted(lots, key=lambda lot: lot.line)
    if silent := silent_lots(lots, confidence):
        who, names, asked = f"the lot {silent[0].name!r} states", "", f"{confidence.words} is asked for"
        allowed = "one of them, or usual_method beside the confidence"
        if len(silent) > 1:
            who, names = f"{len(silent)} lots state", f": {', '.join(lot.name for lot in silent)}"
            allowed = "one of them, usual_method beside the confidence, or if_missing: leave_out under eligible"
        found = f"{who} neither {FAT_SD} nor {FAT_METHOD}{names}"
        yield Fault(file, silent[0].line, FAT_METHOD, found, f"{allowed}; {asked}")
    for lot in lots:
        try:
            fat_error(lot, confidence)
        except UnknownMethod as error:
            yield Fault(file, lot.line, FAT_METHOD, str(error), error.hint)
        except MissingProperty as error:
            yield Fault(file, lot.line, FAT, f"the lot {lot.name!r} does not state {error.property_name}", "its fat, %")
        except ValueError as error:
            yield Fault(file, lot.line, FAT_SD, str(error), "zero or more, percentage points of fat")


def _slopes(row: Row, moved: Row) -> list[Fraction]:
    return [after - before for before, after in zip(row.coefs, moved.coefs, strict=True)]


@lru_cache(maxsize=32)
def moved(formula: Formula) -> tuple[Formula, ...]:
    """The formula with one point more of fat and, where it has estimates, with one deviation more of each error."""
    fatter = Formula([_with_more_fat(lot) for lot in formula.lots], formula.additions, formula.process)
    off = (replace(formula.process, off=error) for error in Off if formula.process.estimates)
    return fatter, *(Formula(formula.lots, formula.additions, process) for process in off)


def _with_more_fat(lot: Ingredient) -> Ingredient:
    """A lot that states its fat with one point more of it."""
    if not isinstance(lot, Lot) or FAT not in lot.properties:
        return lot
    parts = tuple((_with_more_fat(part), share) for part, share in lot.parts)
    return replace(lot, properties={**lot.properties, FAT: lot.properties[FAT] + 1}, parts=parts)
