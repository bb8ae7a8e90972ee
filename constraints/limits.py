"""What rules have in common: what a figure is divided by, what is left out of it, and limits on it.

Beside Ratio two small requirements live here: a limit that a batch without any of the base keeps, and the worst of
several figures; and the range of a figure when every weight is only known within the scale's tolerance.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any, ClassVar

from pydantic import AfterValidator

from constraints.as_typed import ONE, PERCENT, PPM, ZERO, meant, trimmed
from constraints.document import Broken, Name, NotNegative, Percent, Ruled, refusal
from constraints.formula import Batch, Formula

from constraints.quantities import FAT, GROUPS, Amount, Basis, Ingredient, Kind, Process  # isort: skip
from constraints.quantities import Quantity, Sum, Weight, in_one_kg  # isort: skip
from constraints.requirement import Measured, Measurement, Ratio, Regulates, Requirement
from constraints.row import Row
from constraints.substances import FORMULAS, SUBSTANCES, Substances

WATER, REWORK = "water", "rework"


class Base(StrEnum):
    """What a rule's figure is divided by.

    meat: the meat block, green weight. batch: everything that goes in. finished: what is left after the declared
    yield. fat: the fat of everything that goes in.
    """

    MEAT = "meat"
    BATCH = "batch"
    FINISHED = "finished"
    FAT = "fat"

    def weight(self) -> Quantity:
        """Kilograms of it."""
        if self is Base.FAT:
            return Sum(((Fraction(1, PERCENT), Amount(FAT, Basis.BATCH)),))
        return Weight(Basis(self.value))

    @property
    def words(self) -> str:
        """It, as it stands in a sentence."""
        return "fat in the whole batch" if self is Base.FAT else Basis(self.value).words


class Without(Quantity):
    """A quantity in which some ingredients do not count: ``water``, ``rework``, substances, or families of substances.

    In the finished product everything is taken to lose its share of the yield loss, what is left out included.
    """

    part: Quantity
    left_out: frozenset[str]

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The quantity, or zero for what is left out."""
        kinds = ((WATER, item.kind is Kind.WATER), (REWORK, item.rework))
        names = {item.substance, SUBSTANCES.get(item.substance, ""), *(name for name, is_one in kinds if is_one)}
        return ZERO if self.left_out & names else self.part.per_kg(item, process)


def without(part: Quantity, names: Iterable[str]) -> Quantity:
    """A quantity without the named ingredients; itself where none is named."""
    left_out = frozenset(names)
    return Without(part, left_out) if left_out else part


def among(allowed: Iterable[str], what: str) -> AfterValidator:
    """For a field of names: a refusal of the first that is not among the allowed ones."""
    choice = list(allowed)

    def check(names: tuple[str, ...]) -> tuple[str, ...]:
        for i, name in enumerate(names):
            if name not in choice:
                hint = meant(name, choice, f"one of {', '.join(choice)}")
                raise refusal(f"{name!r} is not {what}", hint, (i,))
        return names

    return AfterValidator(check)


_SUBSTANCE = "a substance that an addition can be"
SubstanceNames = Annotated[tuple[Name, ...], among(SUBSTANCES, _SUBSTANCE)]
"""Substances by the name an addition carries in ``is``."""
AdditiveNames = Annotated[tuple[Name, ...], among([*SUBSTANCES, *FORMULAS], _SUBSTANCE)]
"""What a rule may count: substances, and families that stand for all of their own."""
SpeciesNames = Annotated[tuple[Name, ...], among(GROUPS, "a species or a group of them")]
"""Species as rules group them."""


class Limit(Ratio):
    """A ratio whose limits hold where there is nothing to divide by and nothing above the line either."""

    nothing: str | None = ""


class Band(Ruled):
    """A smallest figure, a largest, or both."""

    missing: ClassVar[str] = "give a smallest or a largest figure"

    def _broken(self) -> Broken:
        lo, hi = self.between()
        if lo is None and hi is None:
            yield self.missing
        if lo is not None and hi is not None and lo > hi:
            yield "the smallest figure is above the largest"

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure in its unit; by themselves those in percent."""
        return getattr(self, "min_pct", None), getattr(self, "max_pct", None)

    def ratio(
        self, what: str, basis: str, over: Quantity, under: Quantity, kind: type[Ratio] = Ratio, **further: Any
    ) -> Ratio:
        """A quantity over another, between the limits; in per cent unless ``further`` says otherwise."""
        lo, hi = self.between()
        plain: dict[str, Any] = {"unit": "%", "scale": Fraction(PERCENT), "lo": lo, "hi": hi}
        plain |= {"regulates": Regulates.ingoing(over.names)} if isinstance(over, Substances) else {}
        return kind(what=what, basis=basis, over=over, under=under, **{**plain, **further})


class Reckoned(Band):
    """A figure on a base between limits, from which some ingredients may be left out."""

    meat: ClassVar[str] = Basis.MEAT.words
    basis: Base = Base.BATCH
    """What the figure is divided by: meat, batch, finished or fat."""
    without: Annotated[tuple[Name, ...], among([WATER, *FORMULAS, *SUBSTANCES], "water, a family or a substance")] = ()
    """Left out above and below the line: water, cheese, another family or a substance."""

    def under(self) -> Quantity:
        """What the figure is divided by."""
        return without(self.basis.weight(), self.without)

    def base_words(self) -> str:
        """What the figure is divided by, in words."""
        left_out = " and ".join(f"the {name}" for name in self.without)
        said = self.meat if self.basis is Base.MEAT else self.basis.words
        return said + (f" without {left_out}" if left_out else "")

    def figure(self, what: str, counted: Quantity, kind: type[Ratio] = Limit, **further: Any) -> Ratio:
        """A quantity on the base, between the limits; in per cent unless ``further`` says otherwise."""
        plain = {"basis": self.base_words(), "over": without(counted, self.without), "under": self.under()}
        return self.ratio(what, kind=kind, **{**plain, **further})


class Limited(Band):
    """A smallest or largest figure, in percent or in mg/kg."""

    min_ppm: NotNegative | None = None
    """Smallest figure, mg/kg."""
    max_ppm: NotNegative | None = None
    """Largest figure, mg/kg."""
    min_pct: Percent | None = None
    """Smallest figure, %."""
    max_pct: Percent | None = None
    """Largest figure, %."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure in the unit given."""
        ppm, pct = (self.min_ppm, self.max_ppm), (self.min_pct, self.max_pct)
        if (ppm == (None, None)) == (pct == (None, None)):
            raise ValueError("give a smallest or a largest figure, in ppm or in pct")
        return ppm if self.unit() == "ppm" else pct

    def unit(self) -> str:
        """The unit given: ppm or %."""
        return "%" if self.min_ppm is None and self.max_ppm is None else "ppm"

    def scale(self) -> Fraction:
        """From kilograms per kilogram to the unit given."""
        return Fraction(PPM if self.unit() == "ppm" else PERCENT)


class OfParts(Requirement):
    """Base of a requirement over several ratios."""

    parts: tuple[Ratio, ...]

    def quantities(self) -> tuple[Quantity, ...]:
        """What the parts count."""
        return tuple(quantity for part in self.parts for quantity in part.quantities())


class Worst(OfParts):
    """Several ratios with one largest figure, which each must keep: the largest of them is the figure.

    So "fat plus added water, with added water below zero counted as zero" is the larger of fat and of fat plus added
    water, which is two rows.
    """

    @property
    def counted(self) -> Quantity:
        """What the parts count, together."""
        return Sum(tuple((ONE, part.over) for part in self.parts))

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """The rows of every part."""
        return tuple(row for part in self._held() for row in part.rows(formula))

    def figure(self, batch: Batch) -> Measurement:
        """The largest of the parts."""
        found = [part.measure(batch) for part in self._held()]
        figures = [verdict.value for verdict in found if verdict.value is not None]
        return Measurement(self, max(figures, default=None), all(verdict.ok for verdict in found))

    def fixed(self, formula: Formula) -> Fraction | None:
        """The largest part, where no part depends on the lots."""
        figures = [part.fixed_value(formula) for part in self.parts]
        return None if None in figures else max(figure for figure in figures if figure is not None)

    def _held(self) -> tuple[Ratio, ...]:
        """The parts between this requirement's own limits, which may have been widened."""
        return tuple(replace(part, lo=None, hi=self.hi) for part in self.parts)


class Either(Measured, OfParts):
    """Several ratios, each with a largest figure, of which one is enough: the figure is the one nearest to its limit.

    What it allows is no half-space, so it has no rows.
    """

    def figure(self, batch: Batch) -> Measurement:
        """The part that is kept with most room, or broken by least."""
        found = [part.measure(batch) for part in self.parts]
        best = min(found, key=lambda verdict: (verdict.value or ZERO) / (verdict.requirement.hi or 1))
        return Measurement(self, best.value, best.ok, f"of the {best.requirement.basis}" if best.value else "")

    def limits(self) -> str:
        """The limits of all parts in words."""
        return super().limits() + "".join(f", or {trimmed(p.hi or ZERO)} of the {p.basis}" for p in self.parts[1:])


def of_parts(kind: type[OfParts], parts: tuple[Ratio, ...], what: str, **further: Any) -> Requirement:
    """A requirement over several ratios, in all else like the first of them."""
    same = {name: getattr(parts[0], name) for name in ("basis", "unit", "hi", "regulates")}
    return kind(**{**same, "what": what, "parts": parts, **further})


def corners(requirement: Requirement, batch: Batch, off_kg: Mapping[Ingredient, Fraction]) -> tuple[Batch, ...] | None:
    """Batches within tolerance on which the figure is smallest and largest; of several ratios, each one's.

    None where a divisor can be zero, so that nothing is known; empty where there is nothing to divide by, or no ratio.

    A ratio of linear forms over a box takes its extremes at corners. Starting from any figure, moving every weight
    to the end that pushes ``over - figure * under`` further and taking the new figure ends at the extreme
    (Dinkelbach, Management Science 13, 1967, 492-498).
    """
    found: list[Batch] = []
    for ratio in requirement.parts if isinstance(requirement, OfParts) else (requirement,):
        if not isinstance(ratio, Ratio):
            return ()
        terms = []
        for item, kg in batch.kilograms.items():
            over, under = (in_one_kg(part, item, batch.process) for part in ratio.quantities())
            off = off_kg.get(item, ZERO)
            terms.append((ratio.scale * over, under, max(kg - off, ZERO), kg + off))
        if not any(under * hi for _, under, _, hi in terms):
            continue
        if sum((min(under * lo, under * hi) for _, under, lo, hi in terms), ZERO) <= 0:
            return None
        for sign in (-1, 1):
            weights = dict(zip(batch.kilograms, _corner(terms, sign), strict=True))
            found.append(replace(batch, kilograms=weights))
    return tuple(found)


def _corner(terms: list[tuple[Fraction, Fraction, Fraction, Fraction]], sign: int) -> list[Fraction]:
    best = [lo for _, _, lo, _ in terms]
    while True:
        over, under = (sum((term[k] * kg for term, kg in zip(terms, best, strict=True)), ZERO) for k in (0, 1))
        chosen = [hi if sign * (o * under - over * u) > 0 else lo for o, u, lo, hi in terms]
        if chosen == best:
            return best
        best = chosen
