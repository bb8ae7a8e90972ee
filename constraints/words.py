"""Names as a reader sees them, and what they speak of: nitrite, cured meat, an allergen, cheese, an additive.

Names are folded so that one word written in several ways is one: case, blanks, hyphens, accents and Unicode form are
folded away, and look-alike letters by Unicode's own table of confusables. The words are data, by language
(``sources.yaml``, ``allergens.yaml``). What they find is asked about and never decided: a recipe or a table answers by
what it states.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator
from functools import cache, lru_cache, reduce
from importlib.resources import files
from operator import getitem
from typing import Any

from constraints.document import packaged
from constraints.substances import FREE, SUBSTANCES

_SAME = str.maketrans({"i": "l", "1": "l", "|": "l", "0": "o"})
"""What Unicode's table takes for one another among letters and digits themselves, beside rn for m."""


@cache
def _confusables() -> dict[int, str]:
    text = (files("constraints") / "confusables.txt").read_text(encoding="utf-8")
    lines = [line.split(" ", 1) for line in text.splitlines() if not line.startswith("#")]
    return {ord(letter): shown for shown, letters in lines for letter in letters}


def folded(text: str) -> str:
    """A text in small plain letters: NFKC, without case and accents, look-alikes as the letter they look like."""
    if text.isascii():
        return text.casefold()
    small = unicodedata.normalize("NFKC", text).casefold().translate(_confusables())
    return "".join(c for c in unicodedata.normalize("NFKD", small) if not unicodedata.combining(c))


def key(text: str) -> str:
    """A folded text of nothing but letters and digits, in which l is i and 1, o is 0, and m is rn."""
    return "".join(c for c in folded(text).translate(_SAME) if c.isalnum()).replace("rn", "m")


def tokens(text: str) -> tuple[str, ...]:
    """The words of a text, each as its key."""
    return tuple(key(word) for word in re.findall(r"[^\W_]+", folded(text)))


@lru_cache(maxsize=100_000)
def seen(text: str) -> str:
    """A name as it looks, accents kept: two names with the same are taken for one another."""
    plain = text if text.isascii() else unicodedata.normalize("NFKC", text)
    small = "".join(plain.casefold().split())
    return (small if text.isascii() else small.translate(_confusables())).translate(_SAME).replace("rn", "m")


def look_alikes(names: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Pairs of names, the earlier first, that differ in more than case and blanks and look the same."""
    first: dict[str, str] = {}
    for name in names:
        other = first.setdefault(seen(name), name)
        if _bare(other) != _bare(name):
            yield other, name


def _bare(name: str) -> str:
    return "".join(name.casefold().split())


_LONG = 5
"""Letters from which a word also counts at the beginning of a longer one."""
_NUMBER = re.compile(
    r"(?<![^\W_])(?:e|ins)[\W_]{0,3}(?:[0-9ol]{3,4}(?![0-9ol])|[0-9ol](?:[\W_]?[0-9ol]){2,3}(?![\W_]?[0-9ol]))"
)
_READ = str.maketrans("ol", "01")
_PLAIN = 6
"""Letters up to which a substance's name must be a word of its own to be spoken of: oats, rusk, bread."""
_THREE_LETTERS = re.compile(r"[^\W\d_]{3}")
_APART = re.compile(r"(?<![^\W_])\d+(?![^\W_])")
"""Figures that stand alone: a table numbers thousands of lots of one name, which are looked at once."""
_MARKED = re.compile(r"2(?:49|5[0-2])|76[23]|77[05]")
"""What E and CAS numbers have in them."""


class Words:
    """A list of words and phrases, folded; ``longest`` is the most words in one of them."""

    def __init__(self, words: Iterable[str]) -> None:
        cut = [tokens(word) for word in words]
        self.phrases = frozenset(" ".join(parts) for parts in cut)
        self.longest = max(map(len, cut), default=0)

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


_SOURCES, _ALLERGENS, _ADDITIVES = "sources.yaml", "allergens.yaml", "additives.yaml"


@cache
def _tree(file: str) -> dict[str, Any]:
    return dict(packaged(file).tree)


def _listed(part: Any) -> list[str]:
    """The words of a list, or of lists by language."""
    return [word for words in part.values() for word in words] if isinstance(part, dict) else list(part)


@cache
def _words(file: str, *path: str) -> Words:
    return Words(_listed(reduce(getitem, path, _tree(file))))


@cache
def _anywhere() -> tuple[str, ...]:
    """Parts of words that count wherever they stand."""
    tree = _tree(_SOURCES)
    return tuple(map(key, [*_listed(tree["anywhere"]), *tree["formulas"], *tree["registry"], *tree["one_word"]]))


@lru_cache(maxsize=100_000)
def speaks_of_nitrite(name: str) -> bool:
    """True where a name speaks of nitrite, nitrate, a cure, or a plant prepared as one."""
    said = _meant(name, _SOURCES)
    joined = "".join(said)
    return (
        not numbers_in(name).isdisjoint(_tree(_SOURCES)["numbers"])
        or any(part in joined for part in _anywhere())
        or _words(_SOURCES, "words").among(said)
        or speaks_of_plant(name)
    )


def speaks_of_plant(name: str) -> bool:
    """True where a name speaks of a plant that is rich in nitrate, as powder, juice or ferment."""
    return all(_words(_SOURCES, part).among(tokens(name)) for part in ("plants", "forms"))


def speaks_of_cured_lot(name: str) -> bool:
    """True where a lot's name or material speaks of meat that was cured before, or of what is done to it then."""
    if not _THREE_LETTERS.search(name):
        return False
    return _cured_lot(name if _MARKED.search(name) else _APART.sub("", name))


@lru_cache(maxsize=100_000)
def _cured_lot(name: str) -> bool:
    return speaks_of_cured_meat(name) or _words(_SOURCES, "treated").among(_meant(name, _SOURCES))


def speaks_of_cured_meat(name: str) -> bool:
    """True where a name speaks of nitrite, as above, or of a cured meat by its name."""
    return speaks_of_nitrite(name) or _words(_SOURCES, "lots").among(_meant(name, _SOURCES))


def plant_wording() -> dict[str, str]:
    """What the law of a pack asks to be said of a plant that cures, by the pack's name."""
    return dict(_tree(_SOURCES)["wording"])


def numbers_in(name: str) -> frozenset[str]:
    """The E and INS numbers in a name, its digits apart or not, O and l read as 0 and 1."""
    found = (re.sub(r"[\W_]|^\W*(e|ins)", "", one[0]) for one in _NUMBER.finditer(folded(name)))
    return frozenset(one.translate(_READ) for one in found)


@cache
def _asked() -> dict[str, str]:
    """The substances whose names are asked about, by the key of the name."""
    return {key(name): name for name, family in SUBSTANCES.items() if family not in FREE}


def additive_in(name: str) -> str | None:
    """The regulated substance, or the family of them, that an addition's name speaks of; the longest of several."""
    said, tree = tokens(name), _tree(_ADDITIVES)
    own = [
        substance for mark, substance in _asked().items()
        if (mark in "".join(said) if len(mark) > _PLAIN else mark in said)
    ]  # fmt: skip
    numbered = sorted(tree["numbers"][number] for number in numbers_in(name) if number in tree["numbers"])
    spoken = [family for family in tree["words"] if _words(_ADDITIVES, "words", family).among(said)]
    return next(iter([*sorted(own, key=len, reverse=True), *numbered, *spoken]), None)


def allergens_known() -> tuple[str, ...]:
    """Every allergen that an addition may state."""
    return (*_tree(_ALLERGENS)["words"], *_tree(_ALLERGENS)["others"])


def allergen_of(substance: str) -> str | None:
    """The allergen that a regulated substance is made of, or None."""
    return next((name for name, made in _tree(_ALLERGENS)["substances"].items() if substance in made), None)


def allergens_in(name: str) -> tuple[str, ...]:
    """The allergens that a name speaks of, apart from words that mean something else (nutmeg is no nut)."""
    said = _meant(name, _ALLERGENS)
    return tuple(one for one in _tree(_ALLERGENS)["words"] if _words(_ALLERGENS, "words", one).among(said))


def speaks_of_cheese(name: str) -> bool:
    """True where a name speaks of cheese, or of one by its name."""
    return _words(_ALLERGENS, "cheeses").among(_meant(name, _ALLERGENS))


def _meant(name: str, file: str) -> tuple[str, ...]:
    """The words of a name without those that a file knows to mean something else."""
    said = tokens(name)
    other = {place for start, end in _words(file, "not_the_word").found(said) for place in range(start, end)}
    return tuple(word for place, word in enumerate(said) if place not in other)
