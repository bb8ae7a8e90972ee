"""What really happened since a plan was made: its file, checked against the week and the plan it happened to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import Field, model_validator

from constraints.document import Day, Document, Name, NotNegative, Percent, Strict, Whole, YesNo, parse, read_text
from constraints.document import validate as checked
from constraints.faults import BadInput, Fault, nearest
from constraints.ingredients import FAT, MOISTURE, NITRITE, PROTEIN, Lot
from constraints.numbers import PPM, trimmed
from optimizer.plan.files.plan_file import PlanDocument, read_plan
from optimizer.plan.files.week_file import Week
from optimizer.reading.lot_checks import FRACTION_MOST, STOCK_MOST, SUM_MOST

_ZERO = Fraction(0)
_TIMES = 10
"""Times what was ordered, or was there, from which a figure is a slip; common practice, no source."""
_MEASURED = {"fat_pct": FAT, "moisture_pct": MOISTURE, "protein_pct": PROTEIN, "nitrite_ppm": NITRITE}


class LotHappened(Strict):
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

    @model_validator(mode="after")
    def _something(self) -> LotHappened:
        if len(self.model_fields_set) < 2:
            raise ValueError(f"say what happened: {', '.join(list(type(self).model_fields)[1:])}")
        if (self.short_kg, self.on_hand_kg, self.counted_now_kg).count(None) < 2:
            raise ValueError("give one of short_kg, on_hand_kg and counted_now_kg")
        return self

    def applied(self, lot: Lot) -> Lot:
        """The lot as it turned out; ``counted_now_kg`` says nothing of what was there at the start.

        One in which nitrite was found that its table does not state goes on hold, whatever the recipes limit.
        """
        measured = {key: figure for field, key in _MEASURED.items() if (figure := getattr(self, field)) is not None}
        stock = lot.on_hand_kg if self.on_hand_kg is None else self.on_hand_kg
        return replace(
            lot, on_hand_kg=stock - (self.short_kg or _ZERO), use_by=self.use_by or lot.use_by,
            properties=MappingProxyType({**lot.properties, **measured}), species=self.species or lot.species,
            on_hold=lot.on_hold or self.on_hold or self.recalled or self._found_nitrite(lot),
        )  # fmt: skip

    def _found_nitrite(self, lot: Lot) -> bool:
        return (self.nitrite_ppm or _ZERO) > lot.properties.get(NITRITE, _ZERO)

    @property
    def words(self) -> str:
        """What was told of it, for a batch that has it."""
        told = {"fat_pct": "is {} % fat, measured again", "nitrite_ppm": "has {} mg/kg of nitrite"}
        parts = [words.format(trimmed(getattr(self, k))) for k, words in told.items() if getattr(self, k) is not None]
        parts += [f"is {self.species}"] if self.species else []
        parts += ["is called back"] if self.recalled else ["is on hold"] if self.on_hold else []
        return f"{self.lot} {' and '.join(parts)}" if parts else ""


class DeliveryHappened(Strict):
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

    @model_validator(mode="after")
    def _something(self) -> DeliveryHappened:
        if (self.missed, self.kg is not None, self.counted_now_kg is not None).count(True) != 1:
            raise ValueError("say one of missed: yes, the kilograms that came, and counted_now_kg")
        return self


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
    """What happened, read with the plan it happened to; ``shown`` are the plan's batches as plain JSON."""

    file: str
    entry: HappenedEntry
    document: Document
    plan: PlanDocument
    shown: list[Any]

    @property
    def lots(self) -> dict[str, LotHappened]:
        """What was told of lots, by name."""
        return {told.lot: told for told in self.entry.lots}

    @property
    def deliveries(self) -> dict[tuple[str, date], DeliveryHappened]:
        """What was told of deliveries, by offer and day."""
        return {(told.offer, told.day): told for told in self.entry.deliveries}


def read_happened(path: str) -> Happened:
    """Read what happened and the plan it names. Raises BadInput with every fault."""
    document = parse(read_text(path), path)
    entry = checked(document, HappenedEntry)
    plan, shown = read_plan(str(Path(path).parent / entry.plan))
    told: dict[str, list[object]] = {
        "lots": [lot.lot for lot in entry.lots], "deliveries": [(d.offer, d.day) for d in entry.deliveries],
    }  # fmt: skip
    for key, names in told.items():
        twice = [i for i, name in enumerate(names) if name in names[:i]]
        if twice:
            raise BadInput([document.fault((key, i), "this was told above already", "each once") for i in twice])
    return Happened(path, entry, document, plan, shown)


def as_it_is(week: Week, happened: Happened) -> Week:
    """The week with its lots as they turned out. Raises BadInput for what is not known or what no kitchen can mean."""
    faults = [*_unknown(week, happened), *_of_the_plan(week, happened), *_impossible(week, happened)]
    if faults:
        raise BadInput(faults)
    told = happened.lots
    lots = tuple(told[lot.name].applied(lot) if lot.name in told else lot for lot in week.lots.lots)
    return replace(week, lots=replace(week.lots, lots=lots))


def _unknown(week: Week, happened: Happened) -> Iterator[Fault]:
    names = {lot.name for lot in week.lots.lots}
    for i, entry in enumerate(happened.entry.lots):
        if entry.lot not in names:
            close = nearest(entry.lot, names)
            hint = f"did you mean {close}?" if close else "a lot of the lots table"
            yield happened.document.fault(("lots", i, "lot"), f"no lot is named {entry.lot!r}", hint)
    ordered = {(o.offer, o.delivered) for o in happened.plan.orders}
    for i, delivery in enumerate(happened.entry.deliveries):
        if (delivery.offer, delivery.day) not in ordered:
            found = f"the plan has no delivery of {delivery.offer!r} on {delivery.day}"
            yield happened.document.fault(("deliveries", i), found, "a delivery of the plan")
    if not week.dates[0] <= happened.entry.now <= week.dates[-1]:
        yield happened.document.fault(("now",), f"{happened.entry.now} is outside the week", "a day of the week")


def _of_the_plan(week: Week, happened: Happened) -> Iterator[Fault]:
    plan, seen = happened.plan, set()
    if plan.start != week.entry.start:
        found = f"the plan starts on {plan.start}, and this week on {week.entry.start}"
        yield happened.document.fault(("plan",), found, "the plan of this very week")
    for batch in plan.batches:
        at = (batch.batch, batch.date)
        found = f"the plan makes {batch.batch} on {batch.date}"
        if batch.date not in week.dates:
            yield happened.document.fault(("plan",), found, "a day of this week")
        elif at in seen:
            yield happened.document.fault(("plan",), f"{found} twice", "once")
        seen.add(at)


def _impossible(week: Week, happened: Happened) -> Iterator[Fault]:
    """Figures that no kitchen can mean: they are slips, and a repair must not rest on one."""
    fault, lots = happened.document.fault, {lot.name: lot for lot in week.lots.lots}
    ordered = {(o.offer, o.delivered): o.kg for o in happened.plan.orders}
    for i, told in enumerate(happened.entry.lots):
        lot = lots.get(told.lot)
        if lot is None:
            continue
        had = lot.on_hand_kg
        if told.short_kg is not None and told.short_kg > had:
            yield fault(("lots", i, "short_kg"), f"{trimmed(told.short_kg)} kg short of {trimmed(had)} kg", "no more")
        for key in ("on_hand_kg", "counted_now_kg"):
            kg = getattr(told, key)
            if kg is not None and kg > min(max(_TIMES * had, _TIMES), STOCK_MOST):
                yield fault(("lots", i, key), f"{trimmed(kg)} kg of a lot of {trimmed(had)} kg", "kilograms as held")
        if told.fat_pct is not None and 0 < told.fat_pct <= FRACTION_MOST:
            found = f"fat of {trimmed(told.fat_pct)} % may be a fraction"
            yield fault(("lots", i, "fat_pct"), found, f"percent: {trimmed(100 * told.fat_pct)}")
        if told.nitrite_ppm is not None and told.nitrite_ppm > PPM:
            yield fault(("lots", i, "nitrite_ppm"), f"{trimmed(told.nitrite_ppm)} mg in a kilogram", "mg/kg")
        after = told.applied(lot).properties
        total = sum((after.get(key, _ZERO) for key in (FAT, MOISTURE, PROTEIN)), _ZERO)
        if total > SUM_MOST:
            found = f"fat, moisture and protein of {lot.name} now add up to {trimmed(total)} %"
            yield fault(("lots", i), found, f"at most {trimmed(SUM_MOST)}; tell moisture_pct and protein_pct too")
    for i, delivery in enumerate(happened.entry.deliveries):
        planned = ordered.get((delivery.offer, delivery.day))
        for key in ("kg", "counted_now_kg"):
            kg = getattr(delivery, key)
            if kg is not None and planned is not None and kg > _TIMES * planned:
                found = f"{trimmed(kg)} kg of a delivery of {trimmed(planned)} kg"
                yield fault(("deliveries", i, key), found, "kilograms as held")
