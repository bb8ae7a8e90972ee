"""What may be added at all: additives that no rule of a class lists, additions by name, and casings and surfaces."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.document import Name, Percent, Strict
from constraints.formula import Batch
from constraints.identity import Called, Part
from constraints.ingredients import every
from constraints.limits import AdditiveNames, Limit
from constraints.meaning import Regulates
from constraints.numbers import PPM
from constraints.quantities import Basis, Weight
from constraints.requirement import Measured, Origin, Requirement, Verdict
from constraints.substances import CHEESE, FORMULAS, SURFACE, Substances, share_of, spread


class AdditionShare(Part):
    """The share of additions that are some substances, or whose name speaks of some words, for example paprika."""

    any_of: tuple[Name, ...]
    """Substances, or words looked for in the names of additions."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        what = " or ".join(name.replace("_", " ") for name in self.any_of)
        return self.limit(what, Called(frozenset(self.any_of)), origin)


@dataclass(frozen=True, kw_only=True)
class Unlisted(Limit):
    """Nothing of the substances that no other row in force counts, and that are not ``permitted`` without a figure."""

    watched: frozenset[str]

    def beside(self, others: Sequence[Requirement]) -> Requirement:
        """Only what none of the other rows counts."""
        listed = frozenset().union(*(other.regulates.substances for other in others))
        left = self.watched - listed
        return replace(self, watched=left, over=_all_of(left), regulates=Regulates.ingoing(left))

    def measure(self, batch: Batch) -> Verdict:
        """All of it in this batch, by name."""
        found = [name for name in sorted(self.watched) if any(share_of(name, item) for item in every(batch.kilograms))]
        return replace(super().measure(batch), why=", ".join(name.replace("_", " ") for name in found))


def _all_of(names: Iterable[str]) -> Substances:
    return Substances.plain(sorted(names), on_surface=True)


class NotListed(Strict):
    """Additives that no other row in force for the product counts: a list of what is permitted permits nothing else."""

    families: AdditiveNames = ()
    """Families or substances looked at; none stated means every additive the tool knows."""
    permitted: AdditiveNames = ()
    """Families or substances that may be used without a figure of their own."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        named = spread(self.families or tuple(family for family in FORMULAS if family != CHEESE))
        watched = frozenset(named) - set(spread(self.permitted))
        return Unlisted(
            what="additives not listed for this class", basis=Basis.BATCH.words, unit="ppm", origin=origin,
            hi=Fraction(0), over=_all_of(watched), under=Weight(Basis.BATCH), scale=Fraction(PPM),
            watched=watched,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class OnSurface(Measured):
    """The strongest treatment of casing or surface with some substances, % of what it is treated with."""

    substances: frozenset[str]

    def measure(self, batch: Batch) -> Verdict:
        """The largest strength among the additions that are for casing or surface; zero where there is none."""
        treated = (
            i.properties.get(SURFACE, Fraction(0)) for i in every(batch.kilograms) if i.substance in self.substances
        )
        value = max(treated, default=Fraction(0))
        return Verdict(self, value, self.within(value))


class Surface(Strict):
    """What casing or surface is treated with, by the strength of the dip or spray."""

    substances: AdditiveNames
    """Substances or families looked at."""
    max_pct: Percent
    """Largest strength, % of what the casing or surface is treated with."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry stands for."""
        counted = frozenset(spread(self.substances))
        return OnSurface(
            what=" or ".join(name.replace("_", " ") for name in self.substances),
            basis="dip or spray for casing or surface", unit="%", origin=origin, hi=self.max_pct,
            substances=counted, regulates=Regulates.ingoing(counted),
        )  # fmt: skip
