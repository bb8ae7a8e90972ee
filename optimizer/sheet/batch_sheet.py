"""A batch as it stands on its sheet: what is pulled, weighed, read and signed; every reading has a blank.

The fields are those of Regulation (EC) 178/2002 Art. 18, Regulation (EU) 931/2011 Art. 3, 9 CFR 320.1 and 417.5 and the
Safe Food for Canadians Regulations s. 90 and 92 (see the check list beside the tests).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import segno
from markupsafe import Markup

from constraints.formula import Batch
from constraints.numbers import shown, trimmed
from constraints.quantities import FAT, Basis, Ingredient, Kind, Lot
from constraints.rules import ProcessStep
from constraints.treatment import Treatments, fahrenheit, load_treatments
from optimizer.answer import Answer
from optimizer.correction import Correction
from optimizer.figures import apart, division_words, figure, grams, ounces, places_of
from optimizer.ledger import Past
from optimizer.made.found import MadeProduct, degrees, species_of_lots, spell
from optimizer.made.log_page import HEADS, step_cells
from optimizer.pages.batch_page import do_not_make
from optimizer.pages.chart import render
from optimizer.pages.correct_page import opening
from optimizer.pages.details import nothing_goes_in, source_words
from optimizer.pages.pictures import SIZES, drawn
from optimizer.remarks import heed, verdict_of, warnings
from optimizer.summary import casing_need, finished_kg, weight
from optimizer.verdict import Mark, mark
from optimizer.weighing.rounding import Weighed
from optimizer.wording import day_words

_TURN = (Kind.CURE, Kind.SALT, Kind.DRY, Kind.WATER, Kind.LIQUID, Kind.INCLUSION)
"""In which order additions are weighed in, inclusions last; common practice, no source."""


@dataclass(frozen=True)
class Sheet:
    """A batch that may be made, with its code; ``suppliers`` by the lot's name, as far as they are known.

    ``opening`` is what a correction says first: then the mass is a lot that is in the mixer already.
    """

    answer: Answer
    code: str
    title: str
    in_pounds: bool
    suppliers: Mapping[str, str] = field(default_factory=dict)
    opening: tuple[str, ...] = ()

    @property
    def reasons(self) -> list[str]:
        """Why it must not be made."""
        return list(do_not_make(self.answer)) if self.answer.refused else []

    @property
    def size(self) -> str:
        """Meat block and whole batch."""
        meat, whole = (self._kg(weight(self._weighed.total, basis)) for basis in (Basis.MEAT, Basis.BATCH))
        return f"{meat} of meat, {whole} in all"

    @property
    def rules(self) -> list[str]:
        """The rule packs with the day on which their figures were read."""
        packs = self.answer.problem.packs
        return [f"{pack.title}, figures read {day_words(pack.checked_on)}" for pack in packs] or ["no rule pack"]

    @property
    def told(self) -> list[str]:
        """Warnings, and what must be known: what is confirmed, not judged, or contained."""
        return [*warnings(self.answer), *heed(self.answer)]

    @property
    def _weighed(self) -> Weighed:
        assert self.answer.weighed is not None
        return self.answer.weighed

    def pulls(self) -> Iterator[tuple[Lot, str, str]]:
        """What to take from the cooler, as held: the leanest first, so that the fat stays cold (no source)."""
        lots = [(i, kg) for i, kg in self._weighed.total.kilograms.items() if isinstance(i, Lot) and not i.parts]
        for lot, kg in sorted(lots, key=lambda pair: (pair[0].properties[FAT], pair[0].name)):
            yield lot, *self._weight(lot, lot.held_kg(kg))

    def cures(self, load: Batch) -> Iterator[dict[str, str]]:
        """The cures of a load, always in grams, with the strength that the recipe states."""
        typed = {addition.name: addition for addition in self.entry.additions}
        for item, kg in load.kilograms.items():
            if item.kind is Kind.CURE:
                salts = {"nitrite": typed[item.name].nitrite_pct, "nitrate": typed[item.name].nitrate_pct}
                strength = " and ".join(f"{trimmed(pct)} % {salt}" for salt, pct in salts.items() if pct)
                division = self._weighed.divisions[item]
                large, scale = f"{grams(kg, division)} g", division_words(division)
                yield {"name": item.name, "strength": strength, "large": large, "scale": scale}

    def weigh(self, load: Batch) -> Iterator[tuple[Ingredient, bool, str, str]]:
        """What else goes into a load, and whether it is a lot: lots after bone and rind, inclusions last."""
        rest = [(item, kg) for item, kg in load.kilograms.items() if item.kind is not Kind.CURE]
        turn = {kind: place for place, kind in enumerate(_TURN)}
        for item, kg in sorted(rest, key=lambda pair: turn.get(pair[0].kind, -1)):
            yield item, isinstance(item, Lot), *self._weight(item, kg)

    def load_size(self, load: Batch) -> str:
        """The weight of a load."""
        return self._kg(weight(load, Basis.BATCH))

    def _kg(self, kilograms: Fraction) -> str:
        said = f"{apart(trimmed(kilograms, 3))} kg"
        return f"{ounces(kilograms, Fraction(1, 100))} ({said})" if self.in_pounds else said

    def _weight(self, item: Ingredient, kilograms: Fraction) -> tuple[str, str]:
        """A weight to be read at arm's length, and the same in small in kilograms or grams where that is in pounds."""
        division = self._weighed.divisions[item]
        lot = isinstance(item, Lot)
        plain = f"{apart(shown(kilograms, places_of(division)))} kg" if lot else f"{grams(kilograms, division)} g"
        return (ounces(kilograms, division), plain) if self.in_pounds else (plain, "")

    @property
    def entry(self) -> Any:
        """The recipe as typed."""
        return self.answer.problem.recipe.entry

    def limits(self) -> Iterator[dict[str, Any]]:
        """Limits on temperature and time of the recipe's places, each with what is to be read for it."""
        total = self._weighed.total
        species = species_of_lots([item for item in total.kilograms if isinstance(item, Lot)])
        product = MadeProduct(self.answer.problem.recipe, total, True, species)
        for name in self.entry.rules:
            place = None if name.endswith((".yaml", ".yml")) else load_treatments(name)
            yield from [] if place is None else _limits(place, product)

    @property
    def reads_on(self) -> list[str]:
        """What is read of a fermented or dried product."""
        fermented = ProcessStep.FERMENTED in self.entry.steps
        dried = ProcessStep.DRIED in self.entry.steps
        return ["pH", "day and time of the pH"] * fermented + ["weight of a piece at first and last", "aw"] * dried

    @property
    def expected(self) -> str:
        """What should come out, by the yield that the recipe declares and by what was measured."""
        finished = finished_kg(self._weighed.total)
        declared = "" if finished is None else f"{self._kg(finished)} by the recipe's yield"
        measured = self.answer.problem.recipe.measured
        return "; ".join(filter(None, (declared, measured.words() if measured else "")))

    def checks(self) -> Iterator[tuple[Mark, str, str, str, str]]:
        """Every limit: the word, what, the figure, the limits, the source."""
        for check in (check for check in self.answer.checks if not nothing_goes_in(check)):
            r = check.requirement
            value = "not measured" if check.value is None else f"{figure(check.value, r)} {r.unit}"
            yield mark(check), f"{r.what} of the {r.basis}", value, r.limits(), source_words(r)


def _limits(place: Treatments, product: MadeProduct) -> Iterator[dict[str, Any]]:
    for rule in place.handling:
        at = degrees(fahrenheit(rule.at_most, rule.unit), rule.unit)
        yield {"what": f"{rule.title}: at most {at}", "by": rule, "read": ("temperature", "time")}
    if not product.does(ProcessStep.COOKED):
        return
    for kill in place.kills:
        if kill.judges and product.takes(kill.species, kill.not_species):
            reads = ("coldest probe", "core reached", "at", "held until")
            yield {"what": f"cook by the table: {kill.title}", "by": kill, "read": reads}
    if place.come_up is not None:
        up = place.come_up
        most = f"{trimmed(up.start)} to {trimmed(up.end)} {up.unit} within {spell(up.within)}"
        yield {"what": f"coming up: {most}", "by": up, "read": ("time at first", "time at last")}
    for option in place.cooling:
        if option.passes and product.meets(option.requires, option.source)[0]:
            for stage in option.stages:
                start = "end of the cook" if stage.start is None else f"{trimmed(stage.start)} {option.unit}"
                within = "" if stage.within is None else f" within {spell(stage.within)}"
                what = f"cooling, {option.title}: {start} to {trimmed(stage.to)} {option.unit}{within}"
                yield {"what": what, "by": option, "read": ("time at first", "time at last")}


def sheet_page(title: str, sheets: Sequence[Sheet], week: dict[str, Any] | None = None) -> str:
    """Sheets as one HTML page that loads nothing; every text from the input is escaped."""
    said = {"casing_need": casing_need, "code_of": _drawn_code, "day_words": day_words, "drawn": drawn, "shown": shown,
            "verdict_of": verdict_of, "step_cells": step_cells, "schedule_heads": HEADS}  # fmt: skip
    return render("sheet/sheet.html", title=title, sheets=sheets, week=week, **said, **SIZES)


def _drawn_code(code: str) -> Markup:
    """The code as a QR code; its markup is the library's, which escapes what it is given."""
    code_drawn = segno.make_qr(code, error="m").svg_inline(scale=4, dark="#000", light="#fff", title=f"batch {code}")
    return Markup(code_drawn)


def one_page(answer: Answer, lots: str, code: str | None) -> str:
    """The page of one batch; ``code`` or the next that is free in the ledger, if its lots stand in one."""
    past, problem = Past.of(lots), answer.problem
    code = code or past.free_code(problem.order.day)
    found = Sheet(answer, code, problem.recipe.entry.name, problem.in_pounds, past.suppliers)
    return sheet_page("Batch sheet" if answer.weighed else "No batch", [found])


def corrected_page(found: Correction, lots: str, code: str | None) -> str:
    """The page of what puts a batch right; nothing is laid out of what is on hold or must not be made."""
    past, problem = Past.of(lots), found.answer.problem
    answer = replace(found.answer, weighed=None) if found.exit_code else found.answer
    code, name = code or past.free_code(problem.order.day), problem.recipe.entry.name
    sheet = Sheet(answer, code, name, problem.in_pounds, past.suppliers, tuple(opening(found)))
    return sheet_page("Correction sheet" if answer.weighed else "No correction", [sheet])
