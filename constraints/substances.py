"""Regulated substances by the plain name a recipe uses, how much of them is in an item, and their chemical forms.

The table (substances.yaml) holds names, families and chemical formulas only; every figure about them stands in a rule
pack. A name without a formula has no other chemical form. A legal figure says in which form it counts: nitrite as its
sodium salt or as the ion, phosphate as P2O5 or as Na2HPO4, erythorbate as the acid. Every conversion follows from a
formula and the atomic weights below.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from enum import StrEnum
from fractions import Fraction
from functools import cache
from typing import Any

from constraints.as_typed import ONE, PERCENT, ZERO
from constraints.document import packaged
from constraints.quantities import Ingredient, Kind, Process, Quantity

_WEIGHTS = {
    "H": "1.00794", "C": "12.0107", "N": "14.0067", "O": "15.9994", "Na": "22.98977", "P": "30.97376", "S": "32.065",
    "K": "39.0983", "Ca": "40.078",
}  # fmt: skip
ATOMIC_WEIGHT = {element: Fraction(weight) for element, weight in _WEIGHTS.items()}
"""Grams per mole: IUPAC standard atomic weights, 2005 table, as commonly rounded (from memory)."""

COUNTED_BY = ("N", "P", "S", "C")
"""The atom by which two forms are compared: the first of these that the form asked for holds."""

_PART = re.compile(r"(\d*)((?:[A-Z][a-z]?\d*)+)")
_ATOM = re.compile(r"([A-Z][a-z]?)(\d*)")


@cache
def atoms(formula: str) -> Counter[str]:
    """Atoms of a formula such as ``Na5P3O10`` or, with its water, ``Na2HPO4.12H2O``. ValueError for anything else."""
    found: Counter[str] = Counter()
    for part in formula.split("."):
        whole = _PART.fullmatch(part)
        if whole is None:
            raise ValueError(f"{formula!r} is not a chemical formula")
        for element, count in _ATOM.findall(whole[2]):
            if element not in ATOMIC_WEIGHT:
                raise ValueError(f"the atomic weight of {element} in {formula!r} is not known")
            found[element] += int(count or 1) * int(whole[1] or 1)
    return found


@cache
def molar_mass(formula: str) -> Fraction:
    """Grams per mole of a formula. Raises ValueError as ``atoms`` does."""
    return sum((ATOMIC_WEIGHT[element] * count for element, count in atoms(formula).items()), ZERO)


@cache
def conversion(weighed: str, expressed: str) -> Fraction:
    """Grams in the form ``expressed`` that one gram of ``weighed`` stands for, both as chemical formulas.

    The two are matched by the atom they share, so one mole of Na5P3O10 is one and a half moles of P2O5. Raises
    ValueError where they share no atom of ``COUNTED_BY``.
    """
    have, want = atoms(weighed), atoms(expressed)
    by = next((element for element in COUNTED_BY if want[element]), None)
    if by is None or not have[by]:
        raise ValueError(f"{weighed} cannot be expressed as {expressed}")
    return Fraction(have[by], want[by]) * molar_mass(expressed) / molar_mass(weighed)


class Form(StrEnum):
    """The chemical form in which a figure for nitrite or nitrate is expressed.

    as_weighed: whatever salt is weighed. sodium_salt: each as its own sodium salt. ion: each as its own ion.
    sodium_nitrite: nitrate too, as the sodium nitrite it would make if all of it were reduced.
    """

    AS_WEIGHED = "as_weighed"
    SODIUM_SALT = "sodium_salt"
    ION = "ion"
    SODIUM_NITRITE = "sodium_nitrite"

    @property
    def words(self) -> str:
        """The form as it stands in a sentence; nothing for as weighed."""
        if self is Form.AS_WEIGHED:
            return ""
        return f"as {'' if self is Form.SODIUM_NITRITE else 'the '}{self.value.replace('_', ' ')}"

    def formula(self, ion: str) -> str:
        """The chemical formula in which an ion, NO2 or NO3, is expressed."""
        return {Form.SODIUM_SALT: f"Na{ion}", Form.SODIUM_NITRITE: "NaNO2"}.get(self, ion)


def factor(salt: str, form: Form) -> Fraction:
    """Grams in the form asked for per gram of a nitrite or nitrate salt weighed.

    ``salt`` is NaNO2, KNO2, NaNO3 or KNO3.
    """
    return ONE if form is Form.AS_WEIGHED else conversion(salt, form.formula(salt[-3:]))


ACCELERATOR = "accelerator"
CHEESE = "cheese"
PRESERVATIVE = "preservative"
SUGAR = "sugar"
SURFACE = "surface_pct"
"""Property of an addition that is not mixed in: so much % of what casing or surface is treated with."""


_TREE: dict[str, Any] = packaged("substances.yaml").tree
FORMULAS: dict[str, dict[str, str]] = {
    family: dict(names) if isinstance(names, dict) else dict.fromkeys(names, "") for family, names in _TREE.items()
}
"""Family, then substance, then chemical formula (empty: none needed)."""

SUBSTANCES: dict[str, str] = {name: family for family, names in FORMULAS.items() for name in names}
"""Family of every substance, by the name a recipe writes behind ``is``."""


FREE = (SUGAR, "culture")
"""Families that few limits ask for, so that a name alone is not asked about."""


def spread(names: Iterable[str]) -> tuple[str, ...]:
    """The substances named, a family standing for all of its own."""
    return tuple(dict.fromkeys(one for name in names for one in FORMULAS.get(name, (name,))))


def kind_of(name: str) -> Kind:
    """What kind of ingredient a substance is: cheese is an inclusion with its own composition, all else is dry."""
    return Kind.INCLUSION if SUBSTANCES.get(name) == CHEESE else Kind.DRY


def conversion_of(name: str, expressed: str) -> Fraction:
    """Grams in the chemical form ``expressed`` (a formula) per gram of a substance weighed.

    Raises ValueError where the substance has no such form.
    """
    formula = FORMULAS[SUBSTANCES[name]][name]
    if not formula:
        raise ValueError(f"{name} cannot be expressed as {expressed}")
    return conversion(formula, expressed)


def share_of(name: str, item: Ingredient) -> Fraction:
    """The part of an item, from 0 to 1, that is the substance.

    An item that states ``<substance>_pct`` holds that much of it, be it a bought blend, a solution (sodium lactate
    of 60 %) or a lot made earlier; else an item that is the substance is all of it.
    """
    stated = item.properties.get(f"{name}_pct")
    if stated is not None:
        return stated / PERCENT
    return Fraction(item.substance == name)


class Substances(Quantity):
    """Kilograms of substances, each times its factor: ``terms`` are (substance, factor).

    What only treats the casing or the surface is counted where ``on_surface`` says so.
    """

    terms: tuple[tuple[str, Fraction], ...]
    on_surface: bool = False

    @property
    def names(self) -> frozenset[str]:
        """The substances."""
        return frozenset(name for name, _ in self.terms)

    @classmethod
    def plain(cls, names: Iterable[str], *, on_surface: bool = False) -> Substances:
        """The named substances as weighed."""
        return cls(tuple((name, ONE) for name in names), on_surface)

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """Kilograms in one kilogram of the item."""
        if SURFACE in item.properties and not self.on_surface:
            return ZERO
        shares = ((factor, share_of(name, item)) for name, factor in self.terms)
        return sum((factor * share for factor, share in shares if share), ZERO)
