"""Whether every salt of nitrite and nitrate that is brought in is judged.

It is where a rule that blocks has a largest figure on that very salt that can bind: as weighed in, or, where the law of
the class has none, as left in the product. The tool's own guard stands above every pack and judges the sum always.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import cache

from constraints.cure import NITRATE_SALTS, NITRITE_SALTS, IngoingEntry
from constraints.ingredients import NITRITE, Ingredient, Kind, Lot
from constraints.kinds import KINDS
from constraints.library import guard, shipped
from constraints.meaning import BY_ION, Salt, Stage
from constraints.numbers import PPM
from constraints.quantities import Process
from constraints.requirement import Requirement
from constraints.rules import Pack, PackRow

_PROPERTY = {salt: name for name, salt in (*NITRITE_SALTS, *NITRATE_SALTS)}


def guarding(items: Iterable[Ingredient]) -> tuple[Requirement, ...]:
    """The guard's limits on whichever of nitrite and nitrate any of these ingredients brings."""
    salts = brought(items)
    every = (row.requirement(guard().pack) for row in guard().rows)
    return tuple(r for r in every if not r.regulates.substances.isdisjoint(salts))


def brought(items: Iterable[Ingredient]) -> frozenset[Salt]:
    """The salts that ingredients bring: a cure's and those stated as properties, and what rework was made with."""
    return frozenset[Salt]().union(*(_of(item) for item in items))


@cache
def _of(item: Ingredient) -> frozenset[Salt]:
    if item.parts:
        return brought(part for part, _ in item.parts)
    return frozenset(salt for salt, name in _PROPERTY.items() if _amount(item, name))


def _amount(item: Ingredient, name: str) -> Fraction:
    put_in = item.original_nitrite_ppm if isinstance(item, Lot) and name == NITRITE else Fraction(0)
    return put_in + item.properties.get(name, Fraction(0))


def judges(pack: Pack, product_class: str | None, in_force: Sequence[Requirement], salt: Salt) -> bool:
    """True where a pack's limits in force judge a salt: on what is put in, or on the residue where its class has no
    other figure.
    """
    if any(caps(r, salt) for r in in_force):
        return True
    residue = pack.pack in shipped() and any(_forbids(r, salt, Stage.RESIDUAL) for r in in_force)
    return residue and not _any_caps(pack, pack.listed(product_class), salt)


def knows(pack: Pack, salt: Salt) -> bool:
    """True where a pack limits what is put in of a salt, for some class and day."""
    return _any_caps(pack, pack.rows, salt)


def _any_caps(pack: Pack, rows: Iterable[PackRow], salt: Salt) -> bool:
    ingoing = (row for row in rows if issubclass(KINDS[row.requires.kind()], IngoingEntry))
    return any(caps(row.requirement(pack.pack), salt) for row in ingoing)


def caps(requirement: Requirement, salt: Salt) -> bool:
    """True for a rule that blocks beyond some ingoing amount of a salt that could be reached at all."""
    if not _forbids(requirement, salt, Stage.INGOING) or requirement.counted is None or requirement.hi is None:
        return False
    counted = requirement.counted.per_kg(pure(salt), Process()) / PPM
    return counted > 0 and requirement.hi / counted <= most(salt)


def most(salt: Salt) -> Fraction:
    """The guard's largest ingoing figure for a salt, as weighed, mg per kilogram of green meat."""
    return next(r.hi for r in guarding([pure(salt)]) if r.hi is not None)


def limits_cure(requirement: Requirement) -> bool:
    """True for a rule of a pack that forbids a batch beyond some ingoing amount of a salt of nitrite or nitrate."""
    return bool(requirement.origin.pack) and any(_forbids(requirement, salt, Stage.INGOING) for salt in Salt)


def ion_of(salts: Iterable[Salt]) -> str:
    """Salts in words: nitrite, nitrate, or both."""
    wanted = set(salts)
    return " and ".join(ion for ion, members in BY_ION.items() if not wanted.isdisjoint(members))


def pure(salt: Salt) -> Ingredient:
    """The salt itself, all of it, as a cure."""
    return Ingredient("the salt itself", Kind.CURE, {_PROPERTY[salt]: Fraction(PPM)})


def _forbids(requirement: Requirement, salt: Salt, stage: Stage) -> bool:
    origin, regulates = requirement.origin, requirement.regulates
    binding = requirement.hi is not None and origin.blocks and not origin.waived
    return binding and regulates.stage is stage and salt in regulates.substances
