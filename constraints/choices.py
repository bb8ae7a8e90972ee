"""Which lots are opened at all: most lots in a batch, lots that go together, lots that never do.

These are not about kilograms but about use, yes or no, so their rows are over one yes-or-no figure a column. A ground
mass uses the lots that are in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

from pydantic import model_validator

from constraints.document import Name, Strict, Whole
from constraints.formula import Batch, Formula
from constraints.ingredients import Ingredient, Lot, every
from constraints.meaning import Role
from constraints.requirement import Origin, Requirement, Verdict
from constraints.row import Row

_ONE = Fraction(1)
_ZERO = Fraction(0)


def _used(batch: Batch) -> set[str]:
    """Names of the lots with any weight in a batch."""
    return {item.name for item in every(i for i, kg in batch.kilograms.items() if kg > 0) if isinstance(item, Lot)}


def _uses(columns: Sequence[Ingredient]) -> tuple[frozenset[str], ...]:
    """The lots that each column uses, by name: more of what is in a ground mass uses no further lot."""
    ground = {lot.name for c in columns for lot, _ in c.parts if isinstance(lot, Lot)}
    return tuple(
        frozenset(i.name for i in every([c]) if isinstance(i, Lot) and (c.parts or i.name not in ground))
        for c in columns
    )


@dataclass(frozen=True, kw_only=True)
class MostLots(Requirement):
    """At most ``hi`` lots in the batch."""

    role: Role = Role.USE

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """None over kilograms."""
        return ()

    def choices(self, formula: Formula) -> tuple[Row, ...]:
        """The number of lots used."""
        coefs = tuple(Fraction(len(lots)) for lots in _uses(formula.columns))
        return (Row("number of lots", coefs, hi=self.hi),)

    def measure(self, batch: Batch) -> Verdict:
        """Lots with any weight in the batch."""
        used = Fraction(len(_used(batch)))
        return Verdict(self, used, self.within(used))


@dataclass(frozen=True, kw_only=True)
class Group(Requirement):
    """Some lots that go together (``together``: all of them or none) or never do (at most one of them).

    The figure is the number of the group's lots used.
    """

    role: Role = Role.USE
    lots: tuple[str, ...]
    together: bool

    def rows(self, formula: Formula) -> tuple[Row, ...]:
        """None over kilograms."""
        return ()

    def choices(self, formula: Formula) -> tuple[Row, ...]:
        """Together: every lot is used as often as the first. Apart: at most one is used."""
        uses = _uses(formula.columns)
        if not self.together:
            return (Row(self.what, tuple(Fraction(len(lots.intersection(self.lots))) for lots in uses), hi=_ONE),)
        first, *others = self.lots
        rows = (tuple(Fraction((first in lots) - (other in lots)) for lots in uses) for other in others)
        return tuple(Row(self.what, coefs, _ZERO, _ZERO) for coefs in rows if any(coefs))

    def measure(self, batch: Batch) -> Verdict:
        """How many of the lots are in the batch, and whether that is allowed."""
        used = len(_used(batch).intersection(self.lots))
        ok = used in (0, len(self.lots)) if self.together else used <= 1
        return Verdict(self, Fraction(used), ok)

    def complaints(self, formula: Formula) -> tuple[str, ...]:
        """Lots of the group that may not go in at all."""
        known = {lot.name for lot in every(formula.lots)}
        return tuple(f"no eligible lot is named {name!r}" for name in self.lots if name not in known)

    def limits(self) -> str:
        """The rule in words."""
        return "all of them or none" if self.together else "at most one of them"


class MostLotsEntry(Strict):
    """The most lots that go into a batch."""

    max: Whole
    """Largest number of lots."""

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        return MostLots(what="number of lots", basis="meat block", unit="", origin=origin, hi=Fraction(self.max))


class _GroupEntry(Strict):
    """Lots by name."""

    together: ClassVar[bool]
    lots: tuple[Name, ...]
    """Two lots or more, as typed in the lots table."""

    @model_validator(mode="after")
    def _two_or_more(self) -> _GroupEntry:
        if len(set(self.lots)) < 2 or len(set(self.lots)) != len(self.lots):
            raise ValueError("a group names two different lots or more")
        return self

    def build(self, origin: Origin) -> Requirement:
        """The requirement this entry of a recipe stands for."""
        word = "together" if self.together else "apart"
        return Group(
            what=f"{', '.join(self.lots)} {word}", basis="meat block", unit="lots", origin=origin,
            lots=self.lots, together=self.together,
        )  # fmt: skip


class TogetherEntry(_GroupEntry):
    """Lots that go in all of them or none."""

    together = True


class ApartEntry(_GroupEntry):
    """Lots of which at most one goes in."""

    together = False
