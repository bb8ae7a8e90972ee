"""What is weighed out: the additions of one load, or every load side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from constraints.formula import Batch
from constraints.ingredients import Ingredient, Lot
from constraints.numbers import G_PER_KG, OZ_PER_LB, shown
from constraints.quantities import Basis
from optimizer.pages.figures import Unit, division_words
from optimizer.pages.tables import WIDTH, columns, paragraph, table, width
from optimizer.summary import weight
from optimizer.weighing.rounding import Weighed


def one_load(weighed: Weighed, unit: Unit, *, full: bool) -> Iterator[str]:
    """The additions of a batch in one load, two abreast where they fit; ``full`` adds doses and scales."""
    added = [item for item in weighed.total.kilograms if not isinstance(item, Lot)]
    if full and added:
        rows = [[item.name, *_weights(weighed, item, unit), division_words(weighed.divisions[item])] for item in added]
        yield from table(("item", unit.smaller, unit.dose, "scale"), rows, "<>>>")
        return
    cells = [[item.name, unit.small(weighed.total.kilograms[item], weighed.divisions[item])] for item in added]
    half = (len(cells) + 1) // 2
    paired = [[*one, "", *other] for one, other in zip(cells, [*cells[half:], ["", ""]], strict=False)][:half]
    room = sum(max((columns(row[j]) for row in paired), default=0) for j in (0, 1, 3, 4)) + 8
    if cells and room > width():
        yield from table(("", ""), cells, "<>")
    elif cells:
        yield from table(("",) * 5, paired, "<><<>")


def _weights(weighed: Weighed, item: Ingredient, unit: Unit) -> tuple[str, str]:
    """An item in the whole batch, and for a kilogram or a pound of meat block."""
    kilograms, meat = weighed.total.kilograms[item], weight(weighed.total, Basis.MEAT)
    dose = shown(kilograms / meat * (G_PER_KG if unit.name == "kg" else OZ_PER_LB), 3)
    return unit.small(kilograms, weighed.divisions[item]).removesuffix(" g"), dose


_SHORT = 6
"""Letters of the numbers of loads that stand at the head of their column."""
MOST_ABREAST = 3
"""Columns of loads that fit on a page 80 columns wide."""


def by_load(weighed: Weighed, unit: Unit, *, full: bool) -> Iterator[str]:
    """A column a load, loads that are alike in one; several tables where one would be too wide for the page."""
    alike: list[tuple[list[int], Batch]] = []
    for number, load in enumerate(weighed.loads, start=1):
        same = next((numbers for numbers, batch in alike if batch.kilograms == load.kilograms), None)
        if same is None:
            alike.append(([number], load))
        else:
            same.append(number)
    abreast = MOST_ABREAST if width() >= WIDTH else 1
    items = sorted(weighed.total.kilograms, key=lambda item: not isinstance(item, Lot))
    for start in range(0, len(alike), abreast):
        part = alike[start : start + abreast]
        names = [_load_name(start + k, numbers, len(weighed.loads)) for k, (numbers, _) in enumerate(part)]
        rows = []
        for item in items:
            division = weighed.divisions[item]
            cells = [_amount(load.kilograms.get(item, Fraction(0)), item, division, unit) for _, load in part]
            rows.append(
                [item.name, *cells, *([*_weights(weighed, item, unit), division_words(division)] if full else [])]
            )
        rows.append(["whole load", *[whole_load(weighed, load, unit) for _, load in part], *["", "", ""] * full])
        yield from [""] * bool(start)
        more = [f"{unit.smaller} in all", unit.dose, "scale"] if full else []
        yield from table(["", *names, *more], rows, "<" + ">" * (len(part) + len(more)), ruled=False)
        for name, (numbers, _) in zip(names, part, strict=True):
            if name[-1].isalpha():
                yield from paragraph(f"{name}: loads {_runs(numbers)}")


def _amount(kilograms: Fraction, item: Ingredient, division: Fraction, unit: Unit) -> str:
    """A lot in the large unit, what is added in the small."""
    if isinstance(item, Lot):
        return f"{unit.figure(kilograms, unit.places(division))} {unit.name}"
    return unit.small(kilograms, division)


def _load_name(place: int, numbers: Sequence[int], of: int) -> str:
    """The head of a column: one load, all of them, some, or many that are alike and are named below."""
    if len(numbers) == 1:
        return f"load {numbers[0]}"
    if len(numbers) < of and len(_runs(numbers)) <= _SHORT:
        return f"loads {_runs(numbers)}"
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


def whole_load(weighed: Weighed, load: Batch, unit: Unit) -> str:
    """The weight of a whole load or batch, to the coarsest scale that anything of it is weighed on."""
    places = max(3, unit.places(max(weighed.divisions.values())))
    return f"{unit.figure(weight(load, Basis.BATCH), places)} {unit.name}"
