"""Worked examples with their sources: reading the tables, and comparing with an answer as it was printed."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import yaml

from constraints.as_typed import exact

OUNCE = Fraction(1, 16)
"""Pounds in the avoirdupois ounce; weights in one unit divide out, so pounds stand in for kilograms below."""


def read(name: str) -> dict[str, dict[str, Any]]:
    """A table of worked examples by id; every figure stays the text that stands there."""
    text = (Path(__file__).parent / "data" / name).read_text()
    return {entry["id"]: entry for entry in yaml.load(text, Loader=yaml.BaseLoader)}


def inputs(entry: dict[str, Any]) -> dict[str, Fraction]:
    """The inputs that are figures."""
    found = {}
    for name, typed in entry["inputs"].items():
        try:
            found[name] = exact(typed)
        except ValueError:
            continue
    return found


def half_a_unit(typed: str) -> Fraction:
    """Half of the last decimal of a figure as printed."""
    return Fraction(1, 2 * 10 ** len(typed.partition(".")[2]))


def agrees(value: Fraction, entry: dict[str, Any], key: str | None = None) -> None:
    """Fail unless a value is the published answer, and our own earlier evaluation, to the decimals they print.

    A published answer with a tolerance beside it is held to that tolerance. ``key`` picks one of several answers.
    """
    compared = 0
    for name in ("published_answer", "computed_answer", "our_recomputation"):
        typed = entry.get(name)
        if isinstance(typed, dict):
            typed = typed.get(key)
        if typed in (None, "null", ""):
            continue
        slack = half_a_unit(typed)
        if name == "published_answer":
            slack = exact(entry.get("tolerance", "0")) or slack
        assert abs(value - exact(typed)) <= slack, f"{entry['id']}: {float(value)} is not the {name} {typed}"
        compared += 1
    assert compared, f"{entry['id']} has no answer to compare with"
