"""What is weighed out: the additions of one load, or every load side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.formula import Batch
from constraints.ingredients import Ingredient, Lot
from constraints.numbers import G_PER_KG, shown, trimmed
from constraints.quantities import Basis
from optimizer.pages.tables import paragraph, table
from optimizer.summary import weight
from optimizer.weighing.weighout import Weighed


def one_load(weighed: Weighed) -> Iterator[str]:
    """The additions of a batch in one load; its lots stand in the blend."""
    rows = [
        [item.name, *_weights(weighed, item), division_words(weighed.divisions[item])]
        for item in weighed.total.kilograms
        if not isinstance(item, Lot)
    ]
    if rows:
        yield from table(("item", "grams", "g/kg meat", "scale"), rows, "<>>>")


def _weights(weighed: Weighed, item: Ingredient) -> tuple[str, str]:
    """Grams of an item in the whole batch, and grams per kilogram of meat block."""
    kilograms, meat = weighed.total.kilograms[item], weight(weighed.total, Basis.MEAT)
    return _grams(kilograms, weighed.divisions[item]), shown(kilograms / meat * G_PER_KG, 3)


MOST_ABREAST = 3
"""Columns of loads that fit on a page 80 columns wide."""


def by_load(weighed: Weighed) -> Iterator[str]:
    """A column a load, loads that are alike in one; several tables where one would be too wide for the page."""
    alike: list[tuple[list[int], Batch]] = []
    for number, load in enumerate(weighed.loads, start=1):
        same = next((numbers for numbers, batch in alike if batch.kilograms == load.kilograms), None)
        if same is None:
            alike.append(([number], load))
        else:
            same.append(number)
    items = sorted(weighed.total.kilograms, key=lambda item: not isinstance(item, Lot))
    for start in range(0, len(alike), MOST_ABREAST):
        part = alike[start : start + MOST_ABREAST]
        names = [_load_name(start + k, numbers, len(weighed.loads)) for k, (numbers, _) in enumerate(part)]
        rows = []
        for item in items:
            grams = [_grams(load.kilograms.get(item, Fraction(0)), weighed.divisions[item]) for _, load in part]
            rows.append([item.name, *grams, *_weights(weighed, item), division_words(weighed.divisions[item])])
        rows.append(["whole load", *[_whole_grams(load) for _, load in part], "", "", ""])
        yield from [""] * bool(start)
        yield from table(["item", *names, "all", "g/kg meat", "scale"], rows, "<" + ">" * (len(part) + 3))
        for name, (numbers, _) in zip(names, part, strict=True):
            if 1 < len(numbers) < len(weighed.loads):
                yield from paragraph(f"{name}: loads {_runs(numbers)}")


def _load_name(place: int, numbers: Sequence[int], of: int) -> str:
    """The head of a column: one load, all of them, or some that are alike and are named below."""
    if len(numbers) == 1:
        return f"load {numbers[0]}"
    return f"each of {of}" if len(numbers) == of else f"{len(numbers)} alike {chr(ord('A') + place % 26)}"


def _runs(numbers: Sequence[int]) -> str:
    """Numbers that rise, neighbours as a run: ``1, 3-5``."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def _whole_grams(load: Batch) -> str:
    return shown(weight(load, Basis.BATCH) * G_PER_KG, 0)


def _grams(kilograms: Fraction, division: Fraction) -> str:
    places = 0 if (division * G_PER_KG).denominator == 1 else 2
    return shown(kilograms * G_PER_KG, places)


def division_words(division: Fraction) -> str:
    """A scale's division in grams."""
    return f"{trimmed(division * G_PER_KG)} g"
