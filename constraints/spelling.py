"""Names as a reader sees them: folded so that one word written in several ways is one, and free of what cannot be seen.

Case, blanks, hyphens, accents and Unicode form are folded away, and look-alike letters by Unicode's own table of
confusables. Nothing is decided on what a name says; it is only asked what was meant.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from functools import cache, lru_cache
from importlib.resources import files

_SAME = str.maketrans({"i": "l", "1": "l", "|": "l", "0": "o"})
"""What Unicode's table takes for one another among letters and digits themselves, beside rn for m."""
_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Characters that are letters or marks and show nothing (Default_Ignorable_Code_Point, and the blank of Braille)."""

_JOINED = re.compile("(?<=[\u0600-\u0dff])[\u200c\u200d]")
"""Joiners within a script that cannot be written without them."""


def unprintable(text: str) -> bool:
    """True where a name holds what is not seen as it stands: control, direction, line break, or nothing at all."""
    if text.isascii():
        return not text.isprintable()
    plain = _JOINED.sub("", text)
    return not plain.isprintable() or _UNSEEN.search(plain) is not None


def hidden(text: str) -> str:
    """The first character of a text that is not seen as it stands, in words."""
    seen = _JOINED.sub("", text)
    first = next(c for c in seen if not c.isprintable() or _UNSEEN.match(c))
    return f"the character U+{ord(first):04X} {unicodedata.name(first, 'control')}"


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
