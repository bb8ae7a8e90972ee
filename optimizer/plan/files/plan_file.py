"""A plan's own JSON document, read back for a repair: every figure as it stands, every fault with its place."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from constraints.document import Day, Name, read_text
from constraints.faults import BadInput, Fault
from constraints.numbers import NotANumber, exact
from optimizer.reading.weighed import Twice, as_typed

MOST_KG = 10**6
"""Kilograms above which a figure is none of a kitchen; common practice, no source."""
MADE = ("optimal", "time_limit", "hold", "not_all_holds")
"""Verdicts of plans that can be carried out or were."""


def kilograms_of(text: object) -> Fraction:
    """Kilograms of a plan's document, where a very small figure has an exponent. Raises ValueError."""
    try:
        return exact(str(text))
    except NotANumber:
        return Fraction(float(str(text))).limit_denominator(10**6)


def _kilograms(value: object) -> Fraction:
    if not isinstance(value, str | int | Fraction) or isinstance(value, bool):
        raise ValueError("a number of kilograms stands here")
    try:
        found = kilograms_of(value)
    except (ValueError, OverflowError):
        raise ValueError(f"{value!r} is no number of kilograms") from None
    if not 0 <= found < MOST_KG:
        raise ValueError(f"{value} kg is none of a kitchen")
    return found


Kilograms = Annotated[Fraction, BeforeValidator(_kilograms)]


class _Part(BaseModel):
    """Keys may be added to a plan's document; those that a repair reads must be sound."""

    model_config = ConfigDict(extra="ignore", frozen=True, arbitrary_types_allowed=True)


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

    def kilograms(self, basis: str) -> Fraction:
        """Kilograms of meat block or whole batch, as stated. Raises ValueError where none are."""
        return _kilograms(self.answer.get(f"{basis}_kg"))


class PlannedOrder(_Part):
    """An order of the plan; kilograms as held."""

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
    days: int
    batches: tuple[PlannedBatch, ...]
    orders: tuple[PlannedOrder, ...]
    coming: tuple[PlannedOrder, ...] = ()
    hold: tuple[Name, ...] = ()


def read_plan(path: str) -> tuple[PlanDocument, list[Any]]:
    """A plan's document, and its batches once more as plain JSON. Raises BadInput with every fault."""
    text = read_text(path)
    try:
        data, shown = as_typed(text), json.loads(text)
    except Twice as error:
        raise BadInput([Fault(path, None, str(error), f"the key {str(error)!r} stands twice", "once")]) from None
    except (ValueError, RecursionError):  # ValueError: no JSON, or an integer of thousands of digits
        raise BadInput([Fault(path, None, None, "this is no plan", "the JSON document of a plan")]) from None
    if not isinstance(data, dict):
        raise BadInput([Fault(path, None, None, "this is no plan", "the JSON document of a plan")])
    try:
        plan = PlanDocument.model_validate(data)
        plan = plan.model_copy(update={"orders": (*plan.coming, *plan.orders)})
        for batch in plan.batches:
            batch.kilograms("meat"), batch.kilograms("batch")
    except ValidationError as error:
        raise BadInput([_fault(path, one) for one in error.errors(include_url=False)]) from None
    except ValueError as error:
        raise BadInput([Fault(path, None, "batches", f"this is no plan: {error}", "meat_kg and batch_kg")]) from None
    return plan, shown["batches"]


def _fault(path: str, error: Any) -> Fault:
    where = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in error["loc"]).lstrip(".")
    if where == "status":
        return Fault(path, None, where, f"the plan is {error['input']}", "a plan that was found")
    words = str(error.get("ctx", {}).get("found") or error.get("ctx", {}).get("error") or error["msg"])
    return Fault(path, None, where, f"this is no plan: {words}", "as a plan's own JSON has it")
