"""What really happened since a plan was made: its file, checked against the week and the plan it happened to.

The plan is its own JSON document read back: every figure as it stands, every fault with its place.
"""

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import BeforeValidator, ConfigDict, Field, ValidationError

from constraints.document import Broken, Day, Name, NotNegative, Parsed, Percent, Ruled  # isort: skip
from constraints.document import Strict, Whole, YesNo, parse, read_text, shown_path, validate  # isort: skip
from constraints.as_typed import PPM, ZERO, BadInput, Fault, exact, refuse, trimmed
from constraints.quantities import FAT, MOISTURE, NITRITE, PROTEIN, Lot
from optimizer.plan.files.week_file import Week, unknown
from optimizer.reading.lot_checks import FRACTION_MOST, STOCK_MOST, SUM_MOST
from optimizer.reading.offers import PLENTY
from optimizer.reading.weighed import as_typed
from optimizer.record import Figure

_TIMES = 10
"""Times what was ordered, or was there, from which a figure is a slip; common practice, no source."""
MADE = ("optimal", "time_limit", "hold", "not_all_holds")
"""Verdicts of plans that can be carried out or were."""
_MEASURED = {"fat_pct": FAT, "moisture_pct": MOISTURE, "protein_pct": PROTEIN, "nitrite_ppm": NITRITE}


def _kilograms(value: object) -> Fraction:
    """Kilograms of a plan's document, where a very small figure has an exponent. Raises ValueError."""
    try:
        plain = "e" not in str(value).casefold()
        found = exact(str(value)) if plain else Fraction(float(str(value))).limit_denominator(10**6)
    except (ValueError, OverflowError):
        raise ValueError(f"{value!r} is no number of kilograms") from None
    if not 0 <= found < PLENTY:
        raise ValueError(f"{value} kg is none of a kitchen")
    return found


Kilograms = Annotated[Figure, BeforeValidator(_kilograms)]


class _Part(Ruled):
    """Keys may be added to a plan's document; those that a repair reads must be sound."""

    model_config = ConfigDict(extra="ignore")


class PulledLot(_Part):
    """What a batch took of a lot, or of a delivery where ``delivered`` is its day; kilograms."""

    lot: Name
    delivered: Day | None
    held_kg: Kilograms
    kg: Kilograms


class PlannedBatch(_Part):
    """A batch of the plan. ``answer`` is its own document as typed, judged where the batch was made."""

    batch: Name
    date: Day
    pulls: tuple[PulledLot, ...]
    answer: dict[str, Any]

    def _broken(self) -> Broken:
        self.kilograms("meat"), self.kilograms("batch")
        return iter(())

    def kilograms(self, basis: str) -> Fraction:
        """Kilograms of meat block or whole batch, as stated. Raises ValueError where none are."""
        return _kilograms(self.answer.get(f"{basis}_kg"))


class PlannedOrder(_Part):
    """An order of the plan before; kilograms as held."""

    offer: Name
    delivered: Day
    kg: Kilograms


class PlanDocument(_Part):
    """What a repair reads of a plan's document.

    ``hold`` and ``coming`` are of an earlier repair: what it held back, and the orders that were out; when read, these
    are among the orders too.
    """

    status: Annotated[str, Field(pattern=f"^({'|'.join(MADE)})$")]
    start: Day
    batches: tuple[PlannedBatch, ...]
    orders: tuple[PlannedOrder, ...]
    coming: tuple[PlannedOrder, ...] = ()
    hold: tuple[Name, ...] = ()


_NO_PLAN = "this is no plan", "the JSON document of a plan"


def read_plan(path: str) -> tuple[PlanDocument, list[Any]]:
    """A plan's document, and its batches once more as plain JSON. Raises BadInput with every fault."""
    text = read_text(path)
    try:
        data, shown = as_typed(text, path, *_NO_PLAN), json.loads(text)
        plan = PlanDocument.model_validate(data)
    except ValidationError as error:
        raise BadInput([_fault(path, one) for one in error.errors(include_url=False)]) from None
    except ValueError:  # an integer of thousands of digits
        refuse(path, *_NO_PLAN)
    return plan.model_copy(update={"orders": (*plan.coming, *plan.orders)}), shown["batches"]


def _fault(path: str, error: Any) -> Fault:
    where = shown_path(error["loc"])
    if where == "status":
        return Fault(path, None, where, f"the plan is {error['input']}", "a plan that was found")
    words = str(error.get("ctx", {}).get("found") or error.get("ctx", {}).get("error") or error["msg"])
    return Fault(path, None, where or None, f"this is no plan: {words}", "as a plan's own JSON has it")


class LotHappened(Ruled):
    """What turned out different about a lot."""

    lot: Name
    """The lot, as typed in the lots table."""
    short_kg: NotNegative | None = None
    """Kilograms as held that are missing."""
    on_hand_kg: NotNegative | None = None
    """Kilograms as held that there were at the start after all."""
    counted_now_kg: NotNegative | None = None
    """Kilograms as held counted now, after all that was made."""
    fat_pct: Percent | None = None
    """Fat measured again, %."""
    moisture_pct: Percent | None = None
    """Moisture measured again, %."""
    protein_pct: Percent | None = None
    """Protein measured again, %."""
    nitrite_ppm: NotNegative | None = None
    """Sodium nitrite found in it, mg/kg."""
    species: Name | None = None
    """What species it is after all."""
    use_by: Day | None = None
    """Its last day of use after all."""
    on_hold: YesNo = False
    """Whether it may not be used for now."""
    recalled: YesNo = False
    """Whether it was called back."""

    def _broken(self) -> Broken:
        if len(self.model_fields_set) < 2:
            yield f"say what happened: {', '.join(list(type(self).model_fields)[1:])}"
        if (self.short_kg, self.on_hand_kg, self.counted_now_kg).count(None) < 2:
            yield "give one of short_kg, on_hand_kg and counted_now_kg"

    def applied(self, lot: Lot) -> Lot:
        """The lot as it turned out; ``counted_now_kg`` says nothing of what was there at the start.

        One in which nitrite was found that its table does not state goes on hold, whatever the recipes limit.
        """
        measured = {key: figure for field, key in _MEASURED.items() if (figure := getattr(self, field)) is not None}
        stock, nitrite = lot.on_hand_kg if self.on_hand_kg is None else self.on_hand_kg, self.nitrite_ppm or ZERO
        return replace(
            lot, on_hand_kg=stock - (self.short_kg or ZERO), use_by=self.use_by or lot.use_by,
            properties=MappingProxyType({**lot.properties, **measured}), species=self.species or lot.species,
            on_hold=lot.on_hold or self.on_hold or self.recalled or nitrite > lot.properties.get(NITRITE, ZERO),
        )  # fmt: skip

    @property
    def words(self) -> str:
        """What was told of it, for a batch that has it."""
        told = {"fat_pct": "is {} % fat, measured again", "nitrite_ppm": "has {} mg/kg of nitrite"}
        parts = [words.format(trimmed(getattr(self, k))) for k, words in told.items() if getattr(self, k) is not None]
        parts += [f"is {self.species}"] if self.species else []
        parts += ["is called back"] if self.recalled else ["is on hold"] if self.on_hold else []
        return f"{self.lot} {' and '.join(parts)}" if parts else ""


class DeliveryHappened(Ruled):
    """What turned out different about a delivery of the plan."""

    offer: Name
    """The offer."""
    day: Day
    """The day it was to come."""
    missed: YesNo = False
    """Whether it did not come at all."""
    kg: NotNegative | None = None
    """Kilograms that came after all."""
    counted_now_kg: NotNegative | None = None
    """Kilograms of it counted now, after all that was made."""

    def _broken(self) -> Broken:
        if (self.missed, self.kg is not None, self.counted_now_kg is not None).count(True) != 1:
            yield "say one of missed: yes, the kilograms that came, and counted_now_kg"


class HappenedEntry(Strict):
    """What really happened since a plan was made."""

    plan: Name
    """The plan's JSON document, from the folder of this file."""
    now: Day
    """The first day that is not yet done."""
    fixed_through: Day | None = None
    """Last day whose batches should change as little as possible; none where it is not stated."""
    most_changes: Whole | None = None
    """Most batches of the fixed days that may change; as few as possible where it is not stated."""
    lots: tuple[LotHappened, ...] = Field(default=())
    """Lots that turned out different."""
    deliveries: tuple[DeliveryHappened, ...] = Field(default=())
    """Deliveries that turned out different."""


@dataclass(frozen=True)
class Happened:
    """What happened to a plan, with the ``week`` as it turned out; ``shown`` are the plan's batches as plain JSON.

    ``lots`` and ``deliveries`` are what was told of them, by name, and by offer and day.
    """

    entry: HappenedEntry
    plan: PlanDocument
    shown: list[Any]
    lots: dict[str, LotHappened]
    deliveries: dict[tuple[str, date], DeliveryHappened]
    week: Week


def read_happened(path: str, week: Week) -> Happened:
    """Read what happened to a week, and the plan it names.

    Raises BadInput with every fault, for what is not known or what no kitchen can mean too.
    """
    document = parse(read_text(path), path)
    entry = validate(document, HappenedEntry)
    plan, shown = read_plan(str(Path(path).parent / entry.plan))
    BadInput.raise_for([*_of_the_plan(week, plan, document, entry), *_impossible(week, plan, document, entry)])
    told = {one.lot: one for one in entry.lots}
    lots = tuple(told[lot.name].applied(lot) if lot.name in told else lot for lot in week.lots.lots)
    came = {(one.offer, one.day): one for one in entry.deliveries}
    return Happened(entry, plan, shown, told, came, replace(week, lots=replace(week.lots, lots=lots)))


def _of_the_plan(week: Week, plan: PlanDocument, document: Parsed, entry: HappenedEntry) -> Iterator[Fault]:
    """A plan of another week, and a day that is none of this one."""
    if plan.start != week.entry.start:
        found = f"the plan starts on {plan.start}, and this week on {week.entry.start}"
        yield document.fault(("plan",), found, "the plan of this very week")
    for (name, day), times in Counter((batch.batch, batch.date) for batch in plan.batches).items():
        if day not in week.dates:
            yield document.fault(("plan",), f"the plan makes {name} on {day}", "a day of this week")
        elif times > 1:
            yield document.fault(("plan",), f"the plan makes {name} on {day} twice", "once")
    if entry.now not in week.dates:
        yield document.fault(("now",), f"{entry.now} is outside the week", "a day of the week")


def _impossible(week: Week, plan: PlanDocument, document: Parsed, entry: HappenedEntry) -> Iterator[Fault]:
    """What is told twice or of nothing there is, and figures that no kitchen can mean: a repair rests on no slip."""
    ordered, lots = {(o.offer, o.delivered): o.kg for o in plan.orders}, {lot.name: lot for lot in week.lots.lots}
    keys: dict[str, list[object]] = {"lots": [one.lot for one in entry.lots]}
    keys["deliveries"] = [(one.offer, one.day) for one in entry.deliveries]
    twice = ((key, i) for key, names in keys.items() for i, name in enumerate(names) if name in names[:i])
    yield from (document.fault(at, "this was told above already", "each once") for at in twice)
    names = [(("lots", i, "lot"), told.lot) for i, told in enumerate(entry.lots)]
    yield from unknown(document, names, lots.keys(), "no lot is named {!r}", "a lot of the lots table")
    for i, told in enumerate(entry.lots):
        for at, found, allowed in _slips(told, lots[told.lot]) if told.lot in lots else ():
            yield document.fault(("lots", i, *filter(None, [at])), found, allowed)
    for i, delivery in enumerate(entry.deliveries):
        planned = ordered.get((delivery.offer, delivery.day))
        if planned is None:
            found = f"the plan has no delivery of {delivery.offer!r} on {delivery.day}"
            yield document.fault(("deliveries", i), found, "a delivery of the plan")
        for figure in ("kg", "counted_now_kg"):
            kg = getattr(delivery, figure)
            if kg is not None and planned is not None and kg > _TIMES * planned:
                found = f"{trimmed(kg)} kg of a delivery of {trimmed(planned)} kg"
                yield document.fault(("deliveries", i, figure), found, "kilograms as held")


def _slips(told: LotHappened, lot: Lot) -> Iterator[tuple[str, str, str]]:
    """Key, what was found and what is allowed; no key where it is of several figures."""
    had, short, fat, ppm = lot.on_hand_kg, told.short_kg or ZERO, told.fat_pct or ZERO, told.nitrite_ppm or ZERO
    if short > had:
        yield "short_kg", f"{trimmed(short)} kg short of {trimmed(had)} kg", "no more"
    for key in ("on_hand_kg", "counted_now_kg"):
        kg = getattr(told, key)
        if kg is not None and kg > min(max(_TIMES * had, _TIMES), STOCK_MOST):
            yield key, f"{trimmed(kg)} kg of a lot of {trimmed(had)} kg", "kilograms as held"
    if 0 < fat <= FRACTION_MOST:
        yield "fat_pct", f"fat of {trimmed(fat)} % may be a fraction", f"percent: {trimmed(100 * fat)}"
    if ppm > PPM:
        yield "nitrite_ppm", f"{trimmed(ppm)} mg in a kilogram", "mg/kg"
    after = told.applied(lot).properties
    total = sum((after.get(key, ZERO) for key in (FAT, MOISTURE, PROTEIN)), ZERO)
    if total > SUM_MOST:
        found = f"fat, moisture and protein of {lot.name} now add up to {trimmed(total)} %"
        yield "", found, f"at most {trimmed(SUM_MOST)}; tell moisture_pct and protein_pct too"
