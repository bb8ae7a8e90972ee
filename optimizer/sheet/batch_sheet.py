"""A batch as it stands on its sheet: what is pulled, weighed, read and signed, every reading with a blank.

And a week as sheets: the order list by supplier, the pull list by day, and the sheet of every batch.

The fields are those of Regulation (EC) 178/2002 Art. 18, Regulation (EU) 931/2011 Art. 3, 9 CFR 320.1 and 417.5 and the
Safe Food for Canadians Regulations s. 90 and 92 (see the check list beside the tests).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import groupby
from typing import TYPE_CHECKING, Any

import segno
from markupsafe import Markup

from constraints.as_typed import ZERO, shown, trimmed
from constraints.formula import Batch
from constraints.quantities import FAT, Basis, Ingredient, Kind, Lot
from constraints.rules import ProcessStep
from constraints.treatment import Treatments, fahrenheit, load_treatments
from optimizer.answer import Answer
from optimizer.correction import Correction
from optimizer.figures import apart, division_words, grams, measured, ounces, places_of
from optimizer.late import late
from optimizer.ledger import Past
from optimizer.made.found import MadeProduct, degrees, species_of_lots, spell
from optimizer.made.log_page import HEADS, step_cells
from optimizer.pages.batch_page import do_not_make
from optimizer.pages.chart import SIZES, drawn, render
from optimizer.pages.correct_page import opening
from optimizer.pages.details import nothing_goes_in, source_words
from optimizer.remarks import heed, verdict_of, warnings
from optimizer.summary import casing_need, finished_kg, weight
from optimizer.verdict import Mark, mark
from optimizer.weighing.rounding import Weighed
from optimizer.wording import day_words

if TYPE_CHECKING:
    from optimizer.plan.report.outcome import Outcome
with late():
    from optimizer.plan.report import plan_page

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
    def rules(self) -> list[str]:
        """The rule packs with the day on which their figures were read."""
        packs = self.answer.problem.packs
        return [f"{pack.title}, figures read {day_words(pack.checked_on)}" for pack in packs] or ["no rule pack"]

    @property
    def weighed(self) -> Weighed:
        """The batch on the scales."""
        assert self.answer.weighed is not None
        return self.answer.weighed

    @property
    def entry(self) -> Any:
        """The recipe as typed."""
        return self.answer.problem.recipe.entry

    def kg(self, kilograms: Fraction) -> str:
        """A weight of a whole load or batch."""
        said = f"{apart(trimmed(kilograms, 3))} kg"
        return f"{ounces(kilograms, Fraction(1, 100))} ({said})" if self.in_pounds else said

    def pulls(self) -> Iterator[tuple[Lot, str, str]]:
        """What to take from the cooler, as held: the leanest first, so that the fat stays cold (no source)."""
        lots = [(i, kg) for i, kg in self.weighed.total.kilograms.items() if isinstance(i, Lot) and not i.parts]
        for lot, kg in sorted(lots, key=lambda pair: (pair[0].properties[FAT], pair[0].name)):
            yield lot, *self._weight(lot, lot.held_kg(kg))

    def cures(self, load: Batch) -> Iterator[dict[str, str]]:
        """The cures of a load, always in grams, with the strength that the recipe states."""
        typed = {addition.name: addition for addition in self.entry.additions}
        for item, kg in load.kilograms.items():
            if item.kind is Kind.CURE:
                salts = {"nitrite": typed[item.name].nitrite_pct, "nitrate": typed[item.name].nitrate_pct}
                strength = " and ".join(f"{trimmed(pct)} % {salt}" for salt, pct in salts.items() if pct)
                division = self.weighed.divisions[item]
                large, scale = f"{grams(kg, division)} g", division_words(division)
                yield {"name": item.name, "strength": strength, "large": large, "scale": scale}

    def weigh(self, load: Batch) -> Iterator[tuple[Ingredient, bool, str, str]]:
        """What else goes into a load, and whether it is a lot: lots after bone and rind, inclusions last."""
        rest = [(item, kg) for item, kg in load.kilograms.items() if item.kind is not Kind.CURE]
        turn = {kind: place for place, kind in enumerate(_TURN)}
        for item, kg in sorted(rest, key=lambda pair: turn.get(pair[0].kind, -1)):
            yield item, isinstance(item, Lot), *self._weight(item, kg)

    def _weight(self, item: Ingredient, kilograms: Fraction) -> tuple[str, str]:
        division = self.weighed.divisions[item]
        return _weights(kilograms, division, pounds=self.in_pounds, lot=isinstance(item, Lot))

    def limits(self) -> Iterator[dict[str, Any]]:
        """Limits on temperature and time of the recipe's places, each with what is to be read for it."""
        total = self.weighed.total
        species = species_of_lots([item for item in total.kilograms if isinstance(item, Lot)])
        product = MadeProduct(self.answer.problem.recipe, total, True, species)
        for name in self.entry.rules:
            place = None if name.endswith((".yaml", ".yml")) else load_treatments(name)
            yield from [] if place is None else _limits(place, product)

    @property
    def reads_on(self) -> list[str]:
        """What is read of a fermented or dried product."""
        ph, loss = ["pH", "day and time of the pH"], ["weight of a piece at first and last", "aw"]
        return ph * (ProcessStep.FERMENTED in self.entry.steps) + loss * (ProcessStep.DRIED in self.entry.steps)

    @property
    def expected(self) -> str:
        """What should come out, by the yield that the recipe declares and by what was measured."""
        finished, came_out = finished_kg(self.weighed.total), self.answer.problem.recipe.measured
        declared = "" if finished is None else f"{self.kg(finished)} by the recipe's yield"
        return "; ".join(filter(None, (declared, came_out.words() if came_out else "")))

    def checks(self) -> Iterator[tuple[Mark, str, str, str, str]]:
        """Every limit: the word, what, the figure, the limits, the source."""
        for check in (check for check in self.answer.checks if not nothing_goes_in(check)):
            r = check.requirement
            yield mark(check), f"{r.what} of the {r.basis}", measured(check.value, r), r.limits(), source_words(r)


def _weights(kilograms: Fraction, division: Fraction, *, pounds: bool, lot: bool = True) -> tuple[str, str]:
    """A weight to be read at arm's length, and the same in small in kilograms or grams where that is in pounds."""
    plain = f"{apart(shown(kilograms, places_of(division)))} kg" if lot else f"{grams(kilograms, division)} g"
    return (ounces(kilograms, division), plain) if pounds else (plain, "")


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
    said = (casing_need, day_words, do_not_make, drawn, heed, shown, step_cells, verdict_of, warnings, weight)
    named = {one.__name__: one for one in said} | {"Basis": Basis, "code_of": _drawn_code, "schedule_heads": HEADS}
    return render("sheet/sheet.html", title=title, sheets=sheets, week=week, **named, **SIZES)


def _drawn_code(code: str) -> Markup:
    """The code as a QR code; its markup is the library's, which escapes what it is given."""
    code_drawn = segno.make_qr(code, error="m").svg_inline(scale=4, dark="#000", light="#fff", title=f"batch {code}")
    return Markup(code_drawn)


def one_page(answer: Answer, lots: str, code: str | None, kind: str = "Batch", opening: Sequence[str] = ()) -> str:
    """The page of one batch; ``code`` or the next that is free in the ledger, if its lots stand in one."""
    past, problem = Past.of(lots), answer.problem
    code, name = code or past.free_code(problem.order.day), problem.recipe.entry.name
    found = Sheet(answer, code, name, problem.in_pounds, past.suppliers, tuple(opening))
    return sheet_page(f"{kind} sheet" if answer.weighed else f"No {kind.lower()}", [found])


def corrected_page(found: Correction, lots: str, code: str | None) -> str:
    """The page of what puts a batch right; nothing is laid out of what is on hold or must not be made."""
    answer = replace(found.answer, weighed=None) if found.grade.exit_code else found.answer
    return one_page(answer, lots, code, "Correction", opening(found))


def week_page(outcome: Outcome) -> str:
    """The page; only its verdict where there is no plan, or where something already made must be held back."""
    stop = not outcome.stands or bool(outcome.hold)
    lists = {
        "stop": stop, "verdict": list(plan_page.verdict_lines(outcome)), "unit": outcome.unit.name,
        "orders": [] if stop else list(_orders(outcome)), "pulls": [] if stop else list(_pulls(outcome)),
    }  # fmt: skip
    return sheet_page(outcome.plan.world.week.entry.name, [] if stop else list(_sheets(outcome)), lists)


def _sheets(outcome: Outcome) -> Iterator[Sheet]:
    """Every batch with its code; numbers go on after those of the same day that are made already."""
    world, pounds = outcome.plan.world, outcome.unit.name == "lb"
    past = Past.of(world.week.lots.file)
    for on, group in groupby(outcome.made, key=lambda one: one.on):
        done = sum(batch["date"] == on.isoformat() for batch in outcome.done)
        for number, one in enumerate(group, start=done + 1):
            taken = [world.supplies[s] for s in one.taken]
            bought = {supply.lot.name: supply.offer.terms.supplier for supply in taken if supply.offer}
            title = f"{one.job.name} ({one.job.recipe.entry.name})"
            yield Sheet(one.answer, past.free_code(on, number), title, pounds, {**past.suppliers, **bought})


def _orders(outcome: Outcome) -> Iterator[tuple[str, list[list[str]]]]:
    found = sorted(outcome.orders, key=lambda order: (order.offer.terms.supplier, order.order_by, order.delivered))
    for supplier, group in groupby(found, key=lambda order: order.offer.terms.supplier):
        yield supplier, [
            [*plan_page.order_cells(o, outcome.unit), day_words(o.order_by), day_words(o.delivered)] for o in group
        ]  # fmt: skip


def _pulls(outcome: Outcome) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """What comes out of the cooler on each day, as held, and for which batches."""
    for on, group in groupby(outcome.made, key=lambda one: one.on):
        batches = list(group)
        division = batches[0].answer.problem.order.meat_division_kg
        rows = []
        for supply, mine in plan_page.pulled(outcome, batches):
            large, small = _weights(sum(mine.values(), ZERO), division, pounds=outcome.unit.name == "lb")
            rows.append({"lot": plan_page.name_of(supply), "what": supply.lot.material, "large": large, "small": small,
                         "for_": ", ".join(mine)})  # fmt: skip
        yield day_words(on), rows
