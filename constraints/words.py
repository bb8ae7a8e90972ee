"""Names that speak of something: of nitrite or nitrate, of cured meat, of an allergen, of cheese.

The words are data, by language (``sources.yaml``, ``allergens.yaml``). What they find is asked about and never decided:
a recipe or a table answers by what it states.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from constraints.document import packaged
from constraints.spelling import folded, key, tokens
from constraints.substances import FREE, SUBSTANCES

_LONG = 5
"""Letters from which a word also counts at the beginning of a longer one."""
_NUMBER = re.compile(
    r"(?<![^\W_])(?:e|ins)[\W_]{0,3}(?:[0-9ol]{3,4}(?![0-9ol])|[0-9ol](?:[\W_]?[0-9ol]){2,3}(?![\W_]?[0-9ol]))"
)
_READ = str.maketrans("ol", "01")
_PLAIN = 6
"""Letters up to which a substance's name must be a word of its own to be spoken of: oats, rusk, bread."""
_HEAD = 4
"""Letters by which a part of a word is looked up; none is shorter."""
_THREE_LETTERS = re.compile(r"[^\W\d_]{3}")
_APART = re.compile(r"(?<![^\W_])\d+(?![^\W_])")
"""Figures that stand alone: a table numbers thousands of lots of one name, which are looked at once."""
_MARKED = re.compile(r"2(?:49|5[0-2])|76[23]|77[05]")
"""What E and CAS numbers have in them."""


@dataclass(frozen=True)
class Words:
    """A list of words and phrases, folded; ``longest`` is the most words in one of them."""

    phrases: frozenset[str]
    longest: int

    @classmethod
    def of(cls, words: Iterable[str]) -> Words:
        """The list of these words."""
        cut = [tokens(word) for word in words]
        return cls(frozenset(" ".join(parts) for parts in cut), max(map(len, cut), default=0))

    def among(self, said: tuple[str, ...]) -> bool:
        """True where one of them is said, or begins a longer word."""
        return any(True for _ in self.found(said))

    def found(self, said: tuple[str, ...]) -> Iterator[tuple[int, int]]:
        """Where one of them is said: the first word and the one after the last."""
        for start, word in enumerate(said):
            for end in range(start + 1, min(start + self.longest, len(said)) + 1):
                if " ".join(said[start:end]) in self.phrases:
                    yield start, end
            if any(word[:length] in self.phrases for length in range(_LONG, len(word))):
                yield start, start + 1


def _listed(tree: dict[str, Any]) -> list[str]:
    return [word for words in tree.values() for word in words]


def _read(name: str) -> dict[str, Any]:
    return dict(packaged(name).tree)


@dataclass(frozen=True)
class _Sources:
    anywhere: dict[str, list[str]]
    numbers: frozenset[str]
    words: Words
    plants: Words
    forms: Words
    lots: Words
    treated: Words
    others: Words
    wording: dict[str, str]


@cache
def _sources() -> _Sources:
    tree = _read("sources.yaml")
    parts = [*_listed(tree["anywhere"]), *tree["formulas"], *tree["registry"], *tree["one_word"]]
    anywhere: dict[str, list[str]] = {}
    for part in map(key, parts):
        anywhere.setdefault(part[:_HEAD], []).append(part)
    words, plants, forms, lots, treated = (
        Words.of(_listed(tree[part])) for part in ("words", "plants", "forms", "lots", "treated")
    )
    others, numbers = Words.of(tree["not_the_word"]), frozenset(tree["numbers"])
    return _Sources(anywhere, numbers, words, plants, forms, lots, treated, others, tree["wording"])


@lru_cache(maxsize=100_000)
def speaks_of_nitrite(name: str) -> bool:
    """True where a name speaks of nitrite, nitrate, a cure, or a plant prepared as one."""
    said, known = _meant(name, _sources().others), _sources()
    return (
        bool(numbers_in(name) & known.numbers)
        or _contains("".join(said))
        or known.words.among(said)
        or speaks_of_plant(name)
    )


def speaks_of_plant(name: str) -> bool:
    """True where a name speaks of a plant that is rich in nitrate, as powder, juice or ferment."""
    said, known = tokens(name), _sources()
    return known.plants.among(said) and known.forms.among(said)


def speaks_of_cured_lot(name: str) -> bool:
    """True where a lot's name or material speaks of meat that was cured before, or of what is done to it then."""
    if not _THREE_LETTERS.search(name):
        return False
    return _cured_lot(name if _MARKED.search(name) else _APART.sub("", name))


@lru_cache(maxsize=100_000)
def _cured_lot(name: str) -> bool:
    known = _sources()
    return speaks_of_cured_meat(name) or known.treated.among(_meant(name, known.others))


def speaks_of_cured_meat(name: str) -> bool:
    """True where a name speaks of nitrite, as above, or of a cured meat by its name."""
    return speaks_of_nitrite(name) or _sources().lots.among(_meant(name, _sources().others))


def plant_wording() -> dict[str, str]:
    """What the law of a pack asks to be said of a plant that cures, by the pack's name."""
    return _sources().wording


def _contains(text: str) -> bool:
    parts = ((i, part) for i in range(len(text)) for part in _sources().anywhere.get(text[i : i + _HEAD], ()))
    return any(text.startswith(part, i) for i, part in parts)


def numbers_in(name: str) -> frozenset[str]:
    """The E and INS numbers in a name, its digits apart or not, O and l read as 0 and 1."""
    found = (re.sub(r"[\W_]|^\W*(e|ins)", "", one[0]) for one in _NUMBER.finditer(folded(name)))
    return frozenset(one.translate(_READ) for one in found)


@cache
def _additives() -> tuple[dict[str, str], dict[str, str], dict[str, Words]]:
    """Substances by number and by the key of their own name, and the words for families."""
    tree = _read("additives.yaml")
    asked = {key(name): name for name, family in SUBSTANCES.items() if family not in FREE}
    return dict(tree["numbers"]), asked, {family: Words.of(words) for family, words in tree["words"].items()}


def additive_in(name: str) -> str | None:
    """The regulated substance, or the family of them, that an addition's name speaks of; the longest of several."""
    numbers, asked, families = _additives()
    said = tokens(name)
    own = [
        substance for mark, substance in asked.items()
        if (mark in "".join(said) if len(mark) > _PLAIN else mark in said)
    ]  # fmt: skip
    numbered = sorted(numbers[number] for number in numbers_in(name) if number in numbers)
    spoken = [family for family, words in families.items() if words.among(said)]
    return next(iter([*sorted(own, key=len, reverse=True), *numbered, *spoken]), None)


@dataclass(frozen=True)
class _Allergens:
    words: dict[str, Words]
    substances: dict[str, str]
    cheeses: Words
    others: Words
    names: tuple[str, ...]


@cache
def _allergens() -> _Allergens:
    tree = _read("allergens.yaml")
    return _Allergens(
        {name: Words.of(_listed(words)) for name, words in tree["words"].items()},
        {substance: name for name, substances in tree["substances"].items() for substance in substances},
        Words.of(tree["cheeses"]), Words.of(tree["not_the_word"]), (*tree["words"], *tree["others"]),
    )  # fmt: skip


def allergens_known() -> tuple[str, ...]:
    """Every allergen that an addition may state."""
    return _allergens().names


def allergen_of(substance: str) -> str | None:
    """The allergen that a regulated substance is made of, or None."""
    return _allergens().substances.get(substance)


def allergens_in(name: str) -> tuple[str, ...]:
    """The allergens that a name speaks of, apart from words that mean something else (nutmeg is no nut)."""
    said = _meant(name, _allergens().others)
    return tuple(allergen for allergen, words in _allergens().words.items() if words.among(said))


def speaks_of_cheese(name: str) -> bool:
    """True where a name speaks of cheese, or of one by its name."""
    return _allergens().cheeses.among(_meant(name, _allergens().others))


def _meant(name: str, others: Words) -> tuple[str, ...]:
    """The words of a name without those that are known to mean something else."""
    said = tokens(name)
    other = {place for start, end in others.found(said) for place in range(start, end)}
    return tuple(word for place, word in enumerate(said) if place not in other)
