"""How figures are said: with the digits that scale and trade warrant, never on the wrong side of a limit."""

from __future__ import annotations

from fractions import Fraction

from constraints.numbers import G_PER_KG, shown, trimmed
from constraints.quantities import Basis
from constraints.requirement import Requirement
from optimizer.pages.tables import apart
from optimizer.problem import Problem

_MOST_PLACES = 8


def figure(value: Fraction, requirement: Requirement | None = None, places: int = 2) -> str:
    """A figure with so many decimals, or more where fewer would hide on which side of a limit it is."""
    limits = [] if requirement is None else [x for x in (requirement.lo, requirement.hi) if x is not None]
    while places < _MOST_PLACES and any(value != x and shown(value, places) == shown(x, places) for x in limits):
        places += 1
    return apart(shown(value, places))


def wanted(requirement: Requirement) -> str:
    """The limits in the fewest words: ``22 to 27``, ``at most 30``."""
    lo, hi = requirement.lo, requirement.hi
    if lo is not None and hi is not None:
        return f"{trimmed(lo, 4)} to {trimmed(hi, 4)}"
    return f"at least {trimmed(lo, 4)}" if lo is not None else f"at most {trimmed(hi or Fraction(0), 4)}"


def places_of(division_kg: Fraction) -> int:
    """Decimals that show kilograms in whole divisions of a scale, two at least."""
    return _places(division_kg, 2)


def grams(kilograms: Fraction, division_kg: Fraction) -> str:
    """Grams with the decimals of the scale's division."""
    return apart(shown(kilograms * G_PER_KG, _places(division_kg * G_PER_KG, 0)))


def _places(division: Fraction, least: int) -> int:
    """Decimals that show whole divisions; past three no more than tell them apart, where they are of pounds."""
    places = least
    while (division * 10**places).denominator != 1 and (places < 3 or division * 10**places < 4):
        places += 1
    return places


def division_words(division: Fraction) -> str:
    """A scale's division in grams."""
    return f"{trimmed(division * G_PER_KG)} g"


def money_words(problem: Problem) -> str:
    """What stands behind a sum of money."""
    currency = problem.recipe.entry.currency
    return f" {currency}" if currency else ""


def reckoned(problem: Problem) -> list[Basis]:
    """The bases on which a batch's composition is known."""
    return [Basis.MEAT, Basis.BATCH, *([Basis.FINISHED] if problem.recipe.process.declared else [])]
