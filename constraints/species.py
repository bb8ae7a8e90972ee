"""Species as rules group them, and lots picked by species or by words in their material.

The names are the everyday English ones that a lots table uses. A name that stands nowhere here is an error where a
rule depends on the species: counted silently as "something else" it could hide poultry or foreign meat.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from constraints.ingredients import Ingredient, Kind
from constraints.quantities import MissingProperty, Process, Quantity

NAMES: dict[str, tuple[str, ...]] = {
    "pig": ("pork", "pig", "swine", "hog"),
    "cattle": ("beef", "veal", "cattle", "bovine"),
    "sheep": ("lamb", "mutton", "sheep", "hogget"),
    "goat": ("goat", "kid", "chevon"),
    "horse": ("horse",),
    "bison": ("bison", "buffalo"),
    "deer": ("venison", "deer", "elk", "moose", "reindeer"),
    "boar": ("wild boar", "boar"),
    "rabbit": ("rabbit", "hare"),
    "chicken": ("chicken", "hen", "fowl"),
    "turkey": ("turkey",),
    "duck": ("duck",),
    "goose": ("goose",),
    "guinea_fowl": ("guinea fowl",),
    "other_bird": ("pheasant", "quail", "partridge", "pigeon", "ostrich", "emu"),
}
"""Species by the name rules use, with the names a lots table may use (general knowledge, no source)."""

_BIRDS = frozenset({"chicken", "turkey", "duck", "goose", "guinea_fowl", "other_bird"})
GROUPS: dict[str, frozenset[str]] = {
    **{name: frozenset({name}) for name in NAMES},
    "poultry": _BIRDS - {"other_bird"},
    "bird": _BIRDS,
    "other_mammal": frozenset(NAMES) - _BIRDS - {"pig", "rabbit"},
}
"""What a rule may name: a species, or one of poultry, bird, other_mammal (neither pig nor rabbit)."""

_BY_NAME = {name: species for species, names in NAMES.items() for name in (species, *names)}


class UnknownSpecies(MissingProperty):
    """A lot's species is a name the rules do not know."""

    def __init__(self, ingredient: Ingredient) -> None:
        super().__init__(ingredient, "species")
        names = ", ".join(sorted(name for names in NAMES.values() for name in names))
        self.args = (f"{ingredient.name} states the species {ingredient.species!r}; the rules know {names}",)


def species_of(item: Ingredient) -> str:
    """The species of a lot as rules name it. Raises MissingProperty where it is blank, UnknownSpecies for any other."""
    if not item.species:
        raise MissingProperty(item, "species")
    found = _BY_NAME.get(item.species.strip().casefold())
    if found is None:
        raise UnknownSpecies(item)
    return found


def members(groups: tuple[str, ...]) -> frozenset[str]:
    """The species in some groups. KeyError where there is no such group."""
    return frozenset().union(*(GROUPS[name] for name in groups))


def speaks_of(text: str, words: frozenset[str]) -> bool:
    """True where a text holds one of the words as whole words, in any case, the last one in the plural too."""
    return any(re.search(rf"\b{re.escape(word)}(s|es)?\b", text, re.IGNORECASE) for word in words)


@dataclass(frozen=True)
class OfLots:
    """A quantity counted over some lots only.

    ``species`` are the species counted (None: every one), ``words`` what their material must speak of (empty:
    anything), ``not_words`` what it must not. With ``where_stated`` a lot of no stated material is not counted.
    """

    part: Quantity
    species: frozenset[str] | None = None
    words: frozenset[str] = frozenset()
    not_words: frozenset[str] = frozenset()
    where_stated: bool = False

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """The quantity of a lot that is counted, else 0."""
        return self.part.per_kg(item, process) if self.counts(item) else Fraction(0)

    def counts(self, item: Ingredient) -> bool:
        """True for a lot that is counted. Raises MissingProperty where species or material is needed and blank."""
        if item.kind is not Kind.LOT or (self.where_stated and not speaks_of(item.material, self.words)):
            return False
        if self.species is not None and species_of(item) not in self.species:
            return False
        if (self.words or self.not_words) and not item.material:
            raise MissingProperty(item, "material")
        if self.words and not speaks_of(item.material, self.words):
            return False
        return not speaks_of(item.material, self.not_words)
