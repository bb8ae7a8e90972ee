"""What is typed: figures, read as the decimal that was typed and exact to the last page, and faults with an address.

A binary float never reaches a check: ``Fraction(0.0025) * Fraction(0.0625)`` is more than 1/6400, so the
legal rate itself would fail. A reader collects every fault of a file before it gives up, so that the user mends the
file once.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from fractions import Fraction
from typing import NoReturn

ZERO, ONE = Fraction(0), Fraction(1)
KG_PER_LB = Fraction("0.45359237")
"""Kilograms in the avoirdupois pound, exact (international yard and pound agreement, 1959; NIST SP 811, B.8)."""
OZ_PER_LB = 16
"""Ounces to the pound (NIST SP 811, B.8)."""

M_PER_FT = Fraction("0.3048")
"""Metres in the foot, exact (international yard and pound agreement, 1959; NIST SP 811, B.8)."""

G_PER_KG = 1000
PPM = 1_000_000
PI = Fraction("3.14159265358979323846")
"""The ratio of a circle's round to its width, to 20 decimals: beyond any casing."""
PERCENT = 100

_LONGEST = 40
_PLAIN = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_WITH_COMMA = re.compile(r"[+-]?(\d+(,\d*)?|,\d+)", re.ASCII)
_GROUPED_BY_COMMA = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", re.ASCII)
_GROUPED_BY_POINT = re.compile(r"[+-]?\d{1,3}(\.\d{3})+(,\d+)?", re.ASCII)


class NotANumber(ValueError):
    """A text that is not a plain decimal number; the message says what to write instead."""


def exact(text: str, decimal_comma: bool = False) -> Fraction:
    """Read a plain decimal number such as ``24.5`` or ``-0.25`` exactly, or ``24,5`` where commas are decimal.

    Raises NotANumber for anything else, with a hint: exponents (``1e3``), the other decimal mark (``1,5``), percent and
    currency signs, NaN, infinity, digits that are grouped. A point is no decimal mark beside commas: 1.234 may be 1234.
    """
    typed = text.strip()
    if len(typed) > _LONGEST:
        raise NotANumber(f"{typed[:_LONGEST]}... has more than {_LONGEST} characters")
    if (_WITH_COMMA if decimal_comma else _PLAIN).fullmatch(typed):
        return Fraction(typed.replace(",", "."))
    hint = _hint(typed, *(",." if decimal_comma else ".,"))
    raise NotANumber("".join(letter if letter.isprintable() else " " for letter in hint))


def weight(text: str) -> Callable[[Fraction, Fraction], Fraction]:
    """Read a weight: ``0.5``, ``0.5 kg``, ``1 lb``, or ``1%`` of a batch. What it is, all in kilograms, given the batch
    and what a figure without a unit is counted in.

    Raises NotANumber for anything else, and where it is below zero.
    """
    typed = text.strip()
    unit = next((unit for unit in ("kg", "lb", "%") if typed.endswith(unit)), "")
    figure = exact(typed[: len(typed) - len(unit)])
    if figure < 0:
        raise NotANumber(f"{typed} is below zero")
    each = {"kg": Fraction(1), "lb": KG_PER_LB}
    return lambda batch, bare: figure * (batch / PERCENT if unit == "%" else each.get(unit, bare))


def _hint(typed: str, mark: str, other: str) -> str:
    """What to write instead of a figure with another decimal ``mark``, or none; the ``other`` one is no mark here."""
    if not typed:
        return "nothing stands here"
    if any(unicodedata.category(letter) == "Sc" for letter in typed[:1] + typed[-1:]):
        return f"{typed!r} has a currency sign; write the bare number"
    for grouped, group, decimal in ((_GROUPED_BY_COMMA, ",", "."), (_GROUPED_BY_POINT, ".", ",")):
        whole = typed.replace(group, "")
        if grouped.fullmatch(typed) and (decimal in typed or typed.count(group) > 1):
            return f"{typed} has a mark between thousands; write {whole.replace(decimal, mark)}"
        if grouped.fullmatch(typed) and group == other:
            return f"{typed} can be read in two ways; write {whole} or {typed.replace(group, mark)}"
    if (_PLAIN if other == "." else _WITH_COMMA).fullmatch(typed):
        has = "a decimal comma" if other == "," else "a point in a file with decimal commas"
        return f"{typed} has {has}; write {typed.replace(other, mark)}"
    if typed.endswith("%"):
        return f"{typed} has a percent sign; write {typed[:-1].strip()}"
    if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)[eE][+-]?\d+", typed):
        return f"{typed} has an exponent; write it as a plain decimal"
    if typed.lower().lstrip("+-.") in {"nan", "inf", "infinity"}:
        return f"{typed} is not a finite number"
    return f"{typed!r} is not a plain decimal number"


def shown(value: Fraction, places: int) -> str:
    """Round half away from zero to ``places`` decimals and write it, e.g. ``156.25`` or ``-0.10``."""
    scale = 10**places
    whole = int(abs(value) * scale + Fraction(1, 2))
    sign = "-" if value < 0 and whole else ""
    if places == 0:
        return f"{sign}{whole}"
    return f"{sign}{whole // scale}.{whole % scale:0{places}d}"


def trimmed(value: Fraction, places: int = 6) -> str:
    """Write a figure with at most ``places`` decimals and no trailing zeros, e.g. ``156.25``, ``30``."""
    text = shown(value, places)
    return text.rstrip("0").rstrip(".") if "." in text else text


class Severity(StrEnum):
    """How a fault ends: an error stops the run with exit code 2, a warning is only said."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: where it is, what was found there and what is allowed.

    ``line`` counts from 1 and is None when the whole file is meant; ``column`` is a column's name in a table
    or a position counted from 1 in a text file.
    """

    file: str
    line: int | None
    column: str | int | None
    found: str
    allowed: str
    severity: Severity = Severity.ERROR

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)
        words = f"{place}: {self.severity}: {self.found}"
        return f"{words} ({self.allowed})" if self.allowed else words


class BadInput(Exception):
    """Raised once a reader has collected every fault of its file; carries all of them."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    @classmethod
    def raise_for(cls, faults: Iterable[Fault]) -> None:
        """Raise it with all of some faults, each once, where one of them is an error."""
        each_once = dict.fromkeys(faults)
        if any(fault.severity is Severity.ERROR for fault in each_once):
            raise cls(each_once)


def refuse(file: str, found: str, allowed: str, line: int | None = None, column: str | int | None = None) -> NoReturn:
    """Raise BadInput with one fault of a file or an option."""
    raise BadInput([Fault(file, line, column, found, allowed)]) from None


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


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word closest to ``word`` in spelling, or None when nothing is close."""

    def plain(text: str) -> str:
        return "".join(letter for letter in text.casefold() if letter.isalnum())

    by_plain = {plain(name): name for name in known}
    found = get_close_matches(plain(word), by_plain, n=1, cutoff=0.75)
    return by_plain[found[0]] if found else None


def meant(word: str, known: Iterable[str], otherwise: str = "") -> str:
    """The known word that is most likely meant, as a question; where nothing is close what else there is to say."""
    close = nearest(word, known)
    return f"did you mean {close}?" if close else otherwise


def joined(words: Sequence[str]) -> str:
    """``a, b and c``."""
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def some(names: Sequence[str], most: int, where: str) -> str:
    """The first of some names, and where all of them stand."""
    listed = ", ".join(names[:most])
    return listed if len(names) <= most else f"{listed} and {len(names) - most} more, see {where}"


def likely(word: str, known: Sequence[str], otherwise: str = "") -> str:
    """As ``meant``; where none is close the first few names with a word that begins with what was typed."""
    holding = [name for name in known if any(part.startswith(word.casefold()) for part in name.split("_"))]
    close = nearest(word, known) or " or ".join(holding[:4])
    return f"did you mean {close}?" if close else otherwise
