"""What was made before something else was told of its lots: batches to hold and check again, each in words."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from constraints.formula import Batch
from constraints.ingredients import Ingredient
from constraints.meaning import Role
from constraints.numbers import G_PER_KG, NotANumber, exact, shown, trimmed
from constraints.requirement import Requirement
from optimizer.plan.world import Job, World
from optimizer.problem import Problem

_ZERO = Fraction(0)


def kilograms_of(text: object) -> Fraction:
    """Kilograms of a plan's document, where a very small figure has an exponent. Raises ValueError."""
    try:
        return exact(str(text))
    except NotANumber:
        return Fraction(float(str(text))).limit_denominator(10**6)


def in_doubt(world: World, told: dict[str, Any], done: list[dict[str, Any]]) -> Iterator[str]:
    """What was told of a lot that is already in a batch and that the batch's checks did not know.

    ``told`` holds what happened to a lot by its name, ``world`` the lots as they turned out, ``done`` the batches made
    as the plan's document has them.
    """
    for batch in done:
        for pull in batch["pulls"]:
            entry = told.get(pull["lot"])
            if entry is None:
                continue
            where = f"{batch['batch']} of {batch['date']} has {pull['held_kg']} kg of {entry.lot}"
            if entry.use_by is not None and entry.use_by.isoformat() < batch["date"]:
                yield f"{where}, whose last day was {entry.use_by.isoformat()}."
            if entry.on_hand_kg is not None and entry.on_hand_kg < kilograms_of(pull["held_kg"]):
                yield f"{where}, of which only {entry.on_hand_kg} kg were there: something else went in."
        again = {pull["lot"]: told[pull["lot"]].fat_pct for pull in batch["pulls"] if pull["lot"] in told}
        again = {name: fat for name, fat in again.items() if fat is not None}
        if again:
            lots = " and ".join(f"{name} is {trimmed(fat)} % fat" for name, fat in again.items())
            for words in _measured_again(world, batch):
                yield f"{batch['batch']} of {batch['date']}: {lots}, measured again; {words}."


def _measured_again(world: World, made: dict[str, Any]) -> Iterator[str]:
    """What a batch breaks, or cannot be told of it, with its lots as they turned out."""
    problem = _problem_of(world, made)
    if problem is None:
        yield "this week has no such batch on that day, so that nothing can be said of its limits"
        return
    try:
        parts = _parts(world, problem, made)
    except (ValueError, KeyError, TypeError, AttributeError):
        yield "the plan does not say what was weighed, so that nothing can be said of its limits"
        return
    for requirement in problem.requirements:
        if requirement.role in (Role.SIZE, Role.STOCK) or not requirement.origin.blocks or requirement.origin.waived:
            continue
        broken = _broken(requirement, parts)
        if broken:
            yield broken


def _problem_of(world: World, made: dict[str, Any]) -> Problem | None:
    job: Job | None = next((job for job in world.jobs if job.name == made["batch"]), None)
    day = next((k for k, day in enumerate(world.week.dates) if day.isoformat() == made["date"]), -1)
    rows = None if job is None else job.rows.get(day)
    return None if rows is None else rows.problem


def _parts(world: World, problem: Problem, made: dict[str, Any]) -> list[tuple[str, Batch]]:
    """The whole batch as weighed, then each of several loads. Raises where the document does not say."""
    items: dict[str, Ingredient] = {lot.name: lot for lot in world.sources}
    items.update((addition.item.name, addition.item) for addition in problem.recipe.additions)

    def batch(document: dict[str, Any]) -> Batch:
        weights: dict[Ingredient, Fraction] = {}
        entries = [(entry["lot"], kilograms_of(entry["kg"])) for entry in document["lots"]]
        entries += [(entry["item"], kilograms_of(entry["grams"]) / G_PER_KG) for entry in document["weigh_out"]]
        for name, kilograms in entries:
            weights[items[name]] = weights.get(items[name], _ZERO) + kilograms
        if not weights:
            raise ValueError("nothing was weighed")
        return Batch(weights, problem.recipe.process)

    answer = made["answer"]
    loads = [(f"load {n}: ", batch(load)) for n, load in enumerate(answer.get("loads") or (), start=1)]
    return [("", batch(answer)), *(loads if len(loads) > 1 else ())]


def _broken(requirement: Requirement, parts: list[tuple[str, Batch]]) -> str:
    """The first part that breaks a requirement, in words, or nothing."""
    for name, batch in parts:
        verdict = requirement.measure(batch)
        if verdict.ok is False:
            figure = "not known" if verdict.value is None else f"{shown(verdict.value, 2)} {requirement.unit}".strip()
            why = f"; {verdict.why}" if verdict.why else ""
            return f"{name}{requirement.what} of the {requirement.basis} is {figure}, {requirement.limits()}{why}"
    return ""
