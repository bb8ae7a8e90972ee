"""Exact numbers: figures are read as the decimal that was typed and stay rational to the last page.

A binary float never reaches a check: ``Fraction(0.0025) * Fraction(0.0625)`` is more than 1/6400, so the
legal rate itself would fail.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from fractions import Fraction

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
    scaled = abs(value) * scale
    whole = int(scaled + Fraction(1, 2))
    sign = "-" if value < 0 and whole else ""
    if places == 0:
        return f"{sign}{whole}"
    return f"{sign}{whole // scale}.{whole % scale:0{places}d}"


def trimmed(value: Fraction, places: int = 6) -> str:
    """Write a figure with at most ``places`` decimals and no trailing zeros, e.g. ``156.25``, ``30``."""
    text = shown(value, places)
    return text.rstrip("0").rstrip(".") if "." in text else text
