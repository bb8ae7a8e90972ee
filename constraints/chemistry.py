"""Molar masses and the conversions that follow from them.

Atomic weights: IUPAC standard atomic weights, 2005 table, rounded as commonly printed (from memory).
"""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction

_N, _O = Fraction("14.0067"), Fraction("15.9994")
_NA, _K = Fraction("22.98977"), Fraction("39.0983")

_NO2 = _N + 2 * _O
_NO3 = _N + 3 * _O

MOLAR_MASS = {
    "NO2": _NO2,
    "NO3": _NO3,
    "NaNO2": _NA + _NO2,
    "KNO2": _K + _NO2,
    "NaNO3": _NA + _NO3,
    "KNO3": _K + _NO3,
}
"""Grams per mole."""


class Form(StrEnum):
    """The chemical form in which a figure for nitrite or nitrate is expressed."""

    AS_WEIGHED = "as_weighed"
    SODIUM_SALT = "sodium_salt"
    ION = "ion"

    @property
    def words(self) -> str:
        """The form as it stands in a sentence; nothing for as weighed."""
        return {"as_weighed": "", "sodium_salt": "as the sodium salt", "ion": "as the ion"}[self.value]


def factor(salt: str, form: Form) -> Fraction:
    """Grams in the form asked for per gram of a nitrite or nitrate salt weighed.

    ``salt`` is NaNO2, KNO2, NaNO3 or KNO3; KeyError for any other.
    """
    ion = salt[-3:]
    if form is Form.AS_WEIGHED:
        return Fraction(1)
    wanted = ion if form is Form.ION else f"Na{ion}"
    return MOLAR_MASS[wanted] / MOLAR_MASS[salt]
