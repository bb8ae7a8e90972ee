"""Molar masses, and the conversions between chemical forms that follow from them.

A legal figure says in which form it counts: nitrite as its sodium salt or as the ion, phosphate as P2O5 or as
Na2HPO4, erythorbate as the acid. Every factor here follows from a formula and the atomic weights below.
"""

from __future__ import annotations

import re
from collections import Counter
from enum import StrEnum
from fractions import Fraction
from functools import cache

ATOMIC_WEIGHT = {
    "H": Fraction("1.00794"),
    "C": Fraction("12.0107"),
    "N": Fraction("14.0067"),
    "O": Fraction("15.9994"),
    "Na": Fraction("22.98977"),
    "P": Fraction("30.97376"),
    "S": Fraction("32.065"),
    "K": Fraction("39.0983"),
    "Ca": Fraction("40.078"),
}
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
    return sum((ATOMIC_WEIGHT[element] * count for element, count in atoms(formula).items()), Fraction(0))


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
        return {
            "as_weighed": "",
            "sodium_salt": "as the sodium salt",
            "ion": "as the ion",
            "sodium_nitrite": "as sodium nitrite",
        }[self.value]


def factor(salt: str, form: Form) -> Fraction:
    """Grams in the form asked for per gram of a nitrite or nitrate salt weighed.

    ``salt`` is NaNO2, KNO2, NaNO3 or KNO3.
    """
    if form is Form.AS_WEIGHED:
        return Fraction(1)
    ion = salt[-3:]
    wanted = {Form.SODIUM_SALT: f"Na{ion}", Form.ION: ion, Form.SODIUM_NITRITE: "NaNO2"}[form]
    return conversion(salt, wanted)
