"""What is put in: nitrite and nitrate, accelerators, phosphates, binders, antioxidants, sulphites and the like.

Ingoing means weighed in, before anything reacts. A figure found in the finished product by analysis is another
matter and is never reckoned from the formula. A figure counts named substances or a whole family, as weighed or in
another chemical form, on a base of its own. What no row of a class lists may not be added at all; casings and surfaces
are judged by what they are treated with.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction
from typing import ClassVar, cast

from constraints.document import Broken, Name, NotNegative, Percent, Positive, Ruled, Strict, YesNo, refusal
from constraints.formula import Batch, Formula
from constraints.identity import Called, Part

from constraints.limits import AdditiveNames, Band, Base, Either, Limit, Limited  # isort: skip
from constraints.limits import REWORK, Reckoned, SubstanceNames, Worst, of_parts, without  # isort: skip
from constraints.as_typed import ONE, PERCENT, PPM, ZERO, joined, shown
from constraints.quantities import NITRATE, NITRITE, Basis, Ingredient, Process, Quantity, Weight, every
from constraints.requirement import Measured, Measurement, Ratio, Regulates, Requirement, Salt
from constraints.row import Row

from constraints.substances import CHEESE, FORMULAS, SUBSTANCES, SURFACE, Form, Substances  # isort: skip
from constraints.substances import conversion_of, factor, share_of, spread  # isort: skip

POTASSIUM_NITRITE = "potassium_nitrite_ppm"
POTASSIUM_NITRATE = "potassium_nitrate_ppm"

NITRITE_SALTS = ((NITRITE, Salt.SODIUM_NITRITE), (POTASSIUM_NITRITE, Salt.POTASSIUM_NITRITE))
NITRATE_SALTS = ((NITRATE, Salt.SODIUM_NITRATE), (POTASSIUM_NITRATE, Salt.POTASSIUM_NITRATE))

COUNTED = tuple(name for name, _ in (*NITRITE_SALTS, *NITRATE_SALTS))
"""Properties by which an ingredient states its nitrite and nitrate; nothing counts any other."""
WEAKEST_PCT = Fraction("0.4")
"""Weakest nitrite curing salt in ordinary trade, % (common practice, no source)."""
STRONGEST_PCT = Fraction(7)
"""Strongest nitrite premix in ordinary trade, % (common practice, no source); 100 is the pure salt."""
PURE_PCT = Fraction(100)
LEAST_SENSIBLE_PPM = Fraction(40)
"""Ingoing nitrite below which a declared cure is probably a typing error, mg/kg.

FSIS Directive 7620.3 (1995) p. 12 remarks that 40 ppm has some preservative effect (read as quoted).
"""
COARSE_DIVISION = Fraction(1, 100)
"""Scale division over cure weight above which the scale is too coarse; common practice, no source."""


class Salts(Quantity):
    """Milligrams of salts that an ingredient states as properties; what it does not state it does not have.

    ``terms`` are (factor, property) pairs, the factor converting the salt as weighed to the form asked for.
    """

    terms: tuple[tuple[Fraction, str], ...]

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """Milligrams in one kilogram of the ingredient, all forms converted.

        Of rework what was put in then counts, or what was found of it since where that is more.
        """
        found = {**item.properties}
        if item.rework:
            found[NITRITE] = max(item.original_nitrite_ppm * item.green, found.get(NITRITE, ZERO))
        return sum((share * found.get(name, ZERO) for share, name in self.terms), ZERO)


class Ingoing(Ratio):
    """An ingoing amount that holds over all green meat and, where there is rework, over the fresh meat alone too."""

    def alone(self) -> Ratio:
        """The fresh amount over the fresh meat."""
        return Ratio(
            what=f"{self.what}, fresh alone", basis=Basis.FRESH.words, unit=self.unit, hi=self.hi,
            over=without(self.over, [REWORK]), under=Weight(Basis.FRESH), scale=self.scale,
        )  # fmt: skip

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """One row a limit, and the largest figure once more for the fresh meat where a lot is rework."""
        own = super().rows(formula)
        if self.hi is None or not any(lot.rework for lot in formula.lots):
            return own
        return own + self.alone().rows(formula)

    def figure(self, batch: Batch) -> Measurement:
        """The larger of the two figures where there is rework; a smallest figure is over all green meat.

        Both figures are said, so that a largest and a smallest figure for one batch can be told apart.
        """
        found = super().figure(batch)
        if not any(item.rework for item in batch.kilograms):
            return found
        fresh = self.alone().measure(batch)
        if fresh.value is None or found.value is None or fresh.value == found.value:
            return found
        both = f"{shown(found.value, 2)} over all green meat, {shown(fresh.value, 2)} over the fresh meat alone"
        if self.hi is None:
            return replace(found, why=f"{both}; all of it counts")
        if fresh.value <= found.value:
            return replace(found, why=f"{both}; the larger counts")
        return Measurement(self, fresh.value, found.ok and fresh.ok, f"{both}; the larger counts")

    def fixed(self, formula: Formula) -> Fraction | None:
        """The figure where no lot is rework and every column has the same one."""
        return None if any(lot.rework for lot in formula.lots) else super().fixed(formula)


class Metal(StrEnum):
    """Whose salts are counted."""

    ANY = "any"
    SODIUM = "sodium"
    POTASSIUM = "potassium"

    def counts(self, salt: str) -> bool:
        """True where a salt, given as its formula, is one of those counted."""
        return self is Metal.ANY or salt.startswith({"sodium": "Na", "potassium": "K"}[self.value])


def salts(counted: Iterable[tuple[str, Salt]], form: Form) -> Salts:
    """Milligrams of salts weighed in, all sources, in the form asked for."""
    return Salts(tuple((factor(salt, form), name) for name, salt in counted))


class IngoingEntry(Band):
    """An ingoing amount between limits."""

    what: ClassVar[str]
    counts: ClassVar[tuple[tuple[str, Salt], ...]]
    min_ppm: NotNegative | None = None
    """Smallest figure, mg/kg."""
    max_ppm: NotNegative | None = None
    """Largest figure, mg/kg."""
    basis: Basis = Basis.MEAT
    """What it is divided by: meat (green weight), batch or finished."""
    form: Form = Form.AS_WEIGHED
    """Chemical form in which it is expressed."""
    salts: Metal = Metal.ANY
    """Whose salts are counted: any, only sodium's, or only potassium's."""

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """Smallest and largest figure, mg/kg."""
        return self.min_ppm, self.max_ppm

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        what = self.what if self.salts is Metal.ANY else f"{self.what} from {self.salts} salts"
        form = f" {self.form.words}" if self.form.words else ""
        kind, basis = (Ingoing, Basis.GREEN) if self.basis is Basis.MEAT else (Ratio, self.basis)
        counts = [(name, salt) for name, salt in self.counts if self.salts.counts(salt)]
        further = {"scale": ONE, "regulates": Regulates.ingoing(salt for _, salt in counts)}
        over, under = salts(counts, self.form), Weight(basis)
        return self.ratio(what + form, basis.words, over, under, kind=kind, unit="ppm", **further)


class Expressed(StrEnum):
    """The chemical form in which an additive's figure is expressed."""

    AS_WEIGHED = "as_weighed"
    ANHYDROUS = "anhydrous"
    P2O5 = "P2O5"
    NA2HPO4 = "Na2HPO4"
    SO2 = "SO2"
    ASCORBIC_ACID = "ascorbic_acid"
    ERYTHORBIC_ACID = "erythorbic_acid"

    def factor(self, name: str) -> Fraction:
        """Grams in this form per gram of a substance weighed. Raises ValueError where it has no such form."""
        if self is Expressed.AS_WEIGHED:
            return ONE
        if self is Expressed.ANHYDROUS:
            return conversion_of(name, FORMULAS[SUBSTANCES[name]][name].split(".")[0])
        return conversion_of(name, "C6H8O6" if self.value.endswith("_acid") else self.value)

    @property
    def words(self) -> str:
        """The form as it stands in a sentence; nothing for as weighed."""
        special = {"as_weighed": "", "anhydrous": " without their water of crystals"}
        return special.get(self.value, f" as {self.value.replace('_', ' ')}")


class FamilyAmount(Limited, Reckoned):
    """An amount of one family of substances, or of some of it."""

    family: ClassVar[str]
    plural: ClassVar[str]
    meat = "green weight"
    basis: Base = Base.MEAT
    """What the figure is divided by: meat (green weight), batch, finished or fat."""
    substances: AdditiveNames = ()
    """Substances or families counted, by the name an addition carries in ``is``; none stated means the whole family."""
    called: Name | None = None
    """What is counted, in a few words."""
    form: Expressed = Expressed.AS_WEIGHED
    """Chemical form in which the figure is expressed; anhydrous counts each without its water."""
    each: YesNo = False
    """Whether each substance keeps the figure by itself; else all of them together."""
    or_ppm_of_fat: Positive | None = None
    """With a largest figure: so much of the fat is lawful too, mg/kg, where that is more."""

    def _broken(self) -> Broken:
        for i, name in enumerate(self.counted()):
            try:
                self.form.factor(name)
            except ValueError as error:
                at = ("substances", i) if self.substances else ()
                yield refusal(str(error), "a form that every substance counted has", at)
        if self.each and (self.min_ppm is not None or self.min_pct is not None):
            yield "each goes with a largest figure"

    def counted(self) -> tuple[str, ...]:
        """The substances counted."""
        return spread(self.substances or (self.family,))

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        names = self.counted()
        what = (self.called or (listed(self.substances) if self.substances else self.plural)) + self.form.words
        limit = self._limit(what, names)
        if self.or_ppm_of_fat is not None:
            fat = replace(limit, basis=Base.FAT.words, hi=self.or_ppm_of_fat, under=Base.FAT.weight())
            return of_parts(Either, (limit, fat), what)
        if not self.each:
            return limit
        parts = tuple(self._limit(name.replace("_", " ") + self.form.words, (name,)) for name in names)
        return of_parts(Worst, parts, f"{what}, the largest of each", regulates=limit.regulates)

    def _limit(self, what: str, names: tuple[str, ...]) -> Ratio:
        amount = Substances(tuple((name, self.form.factor(name)) for name in names))
        return self.figure(what, amount, over=amount, unit=self.unit(), scale=self.scale())


def listed(names: Iterable[str]) -> str:
    """Substances in words; a hydrate is not named beside the same substance without its water."""
    every = list(names)
    shown = [name for name in every if not any(name.startswith(f"{other}_") for other in every)]
    return joined(shown).replace("_", " ")


class Additive(FamilyAmount):
    """Any substances, or families of them, by name."""

    family = plural = ""

    def _broken(self) -> Broken:
        if not self.substances:
            yield "name the substances, or families of them"


class AllowanceShare(Ruled):
    """Substances with the figure each kilogram of them takes its part of."""

    substances: SubstanceNames
    """Substances counted."""
    max_pct: Percent | None = None
    """The figure if nothing else were used, %."""
    max_ppm: Positive | None = None
    """The figure if nothing else were used, mg/kg."""

    def _broken(self) -> Broken:
        if not self.substances or (self.max_pct is None) == (self.max_ppm is None) or self.max_pct == 0:
            yield "a share names substances and one largest figure above 0, in pct or in ppm"

    def largest(self) -> Fraction:
        """The figure as kilograms per kilogram."""
        return self.max_pct / PERCENT if self.max_pct is not None else (self.max_ppm or ZERO) / PPM


class MixedAllowance(Reckoned):
    """Substances with different figures that share one allowance: amount over figure, added up, is at most one."""

    meat = "green weight"
    what: Name
    """What shares the allowance, in a few words."""
    shares: tuple[AllowanceShare, ...]
    """Substances with their figures."""

    def _broken(self) -> Broken:
        names = [name for share in self.shares for name in share.substances]
        if len(self.shares) < 2 or len(set(names)) != len(names):
            yield "an allowance has two shares or more, and each substance stands in one of them"

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        terms = tuple((name, 1 / share.largest()) for share in self.shares for name in share.substances)
        counted = Substances(terms)
        return self.figure(self.what, counted, over=counted, unit="% of the allowance")

    def between(self) -> tuple[Fraction | None, Fraction | None]:
        """All of the allowance."""
        return None, Fraction(PERCENT)


class SubstanceShare(Limited):
    """Some substances as a part of a group of substances, by weight."""

    substances: SubstanceNames
    """Substances counted."""
    of: AdditiveNames
    """The whole group, those counted included."""

    def _broken(self) -> Broken:
        if not set(self.substances) < set(spread(self.of)):
            yield "the whole group holds the substances counted, and others"

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        others = listed(name for name in self.of if name not in self.substances)
        over, under = Substances.plain(self.substances), Substances.plain(spread(self.of))
        figure = {"unit": self.unit(), "scale": self.scale()}
        return self.ratio(listed(self.substances), f"{others} with it", over, under, kind=Limit, **figure)


class AdditionShare(Part):
    """The share of additions that are some substances, or whose name speaks of some words, for example paprika."""

    any_of: tuple[Name, ...]
    """Substances, or words looked for in the names of additions."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        return self.figure(" or ".join(self.any_of).replace("_", " "), Called(frozenset(self.any_of)))


class Unlisted(Limit):
    """Nothing of the substances that no other row in force counts, and that are not permitted without a figure."""

    @property
    def watched(self) -> frozenset[str]:
        """What it looks for."""
        return cast(Substances, self.over).names

    def beside(self, others: Sequence[Requirement]) -> Requirement:
        """Only what none of the other rows counts."""
        left = self.watched.difference(*(other.regulates.substances for other in others))
        return replace(self, over=Substances.plain(sorted(left), on_surface=True), regulates=Regulates.ingoing(left))

    def figure(self, batch: Batch) -> Measurement:
        """All of it in this batch, by name."""
        found = [name for name in sorted(self.watched) if any(share_of(name, item) for item in every(batch.kilograms))]
        return replace(super().figure(batch), why=", ".join(found).replace("_", " "))


class NotListed(Strict):
    """Additives that no other row in force for the product counts: a list of what is permitted permits nothing else."""

    families: AdditiveNames = ()
    """Families or substances looked at; none stated means every additive the tool knows."""
    permitted: AdditiveNames = ()
    """Families or substances that may be used without a figure of their own."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        named = spread(self.families or tuple(family for family in FORMULAS if family != CHEESE))
        watched = frozenset(named) - set(spread(self.permitted))
        return Unlisted(
            what="additives not listed for this class", basis=Basis.BATCH.words, unit="ppm", hi=ZERO,
            over=Substances.plain(sorted(watched), on_surface=True), under=Weight(Basis.BATCH), scale=Fraction(PPM),
        )  # fmt: skip


class OnSurface(Measured):
    """The strongest treatment of casing or surface with some substances, % of what it is treated with."""

    substances: frozenset[str]

    def figure(self, batch: Batch) -> Measurement:
        """The largest strength among the additions that are for casing or surface; zero where there is none."""
        treated = [item for item in every(batch.kilograms) if item.substance in self.substances]
        value = max((item.properties.get(SURFACE, ZERO) for item in treated), default=ZERO)
        return Measurement(self, value, self.within(value))


class Surface(Strict):
    """What casing or surface is treated with, by the strength of the dip or spray."""

    substances: AdditiveNames
    """Substances or families looked at."""
    max_pct: Percent
    """Largest strength, % of what the casing or surface is treated with."""

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        counted = frozenset(spread(self.substances))
        return OnSurface(
            what=" or ".join(self.substances).replace("_", " "), basis="dip or spray for casing or surface", unit="%",
            hi=self.max_pct, substances=counted, regulates=Regulates.ingoing(counted),
        )  # fmt: skip
