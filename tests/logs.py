"""Logs and products for the tests of cooking and drying, made from figures as typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import lcm
from pathlib import Path
from typing import Any

import numpy as np

from constraints.as_typed import exact
from constraints.formula import Batch
from constraints.quantities import MOISTURE, NITRITE, PROTEIN, SALT, Ingredient, Kind, members
from constraints.treatment import Treatments, fahrenheit, load_treatments
from optimizer.made.curve import Readings
from optimizer.made.found import MadeProduct
from optimizer.made.log import Log, parse_log
from optimizer.reading.recipe import parse_recipe

DATA = Path(__file__).parent / "data"


def place(name: str) -> Treatments:
    found = load_treatments(name)
    assert found is not None
    return found


def curve(points: Sequence[tuple[Any, Any]], name: str = "core") -> Readings:
    """Readings as (minute, degrees Fahrenheit)."""
    times, values = ([Fraction(point[k]) for point in points] for k in (0, 1))
    tick, scale = (lcm(*(x.denominator for x in xs)) for xs in (times, values))
    whole = (np.array([int(x * by) for x in xs], dtype=np.int64) for xs, by in ((times, tick), (values, scale)))
    return Readings(name, *whole, Fraction(1, tick), scale)


def log_of(**curves: Sequence[tuple[Any, Any]]) -> Log:
    """A log with one curve for each thing it holds, temperatures in Fahrenheit."""
    end = max(Fraction(points[-1][0]) for points in curves.values())
    return Log("log.csv", {role: (curve(points, role),) for role, points in curves.items()}, None, end, ())


def cooled(points: Sequence[Sequence[str]], unit: str) -> Log:
    """A log of one core, read as a file."""
    lines = [f"minutes,core_{unit.lower()}", *(",".join(point) for point in points)]
    return parse_log("\n".join(lines) + "\n", "log.csv")


def stepped(stages: Sequence[tuple[Fraction, Fraction]], unit: str) -> Log:
    """A chamber held at temperatures for hours, with pH 5.3 at the very end."""
    points: list[tuple[Fraction, Fraction]] = []
    now = Fraction(0)
    for at, hours in stages:
        points += [(now, fahrenheit(at, unit)), (now + 60 * hours, fahrenheit(at, unit))]
        now += 60 * hours
    return log_of(chamber=points, ph=[(0, Fraction("5.8")), (now, Fraction("5.3"))])


def product(
    steps: str = "[cooked]",
    species: str = "pig",
    extra: str = "",
    lots: str = "",
    batch: Mapping[str, str] | None = None,
    additions: Mapping[str, tuple[str, str]] | None = None,
    water_activity: Fraction | None = None,
    weighed: bool = True,
    **figures: Fraction,
) -> MadeProduct:
    """A product of one lot of pork with the figures of the whole batch (percent, ppm), or with additions weighed in."""
    recipe = parse_recipe(f"name: Test\nsteps: {steps}\nmade_without_nitrite: yes\n{extra}", "recipe.yaml")
    own = {SALT: Fraction(0), MOISTURE: Fraction(60), PROTEIN: Fraction(17), NITRITE: Fraction(0), **figures}
    held = {Ingredient(lots or "pork", Kind.LOT, own, species="pork"): exact((batch or {}).get(lots, "1"))}
    kinds = {"salt": Kind.SALT, "spice": Kind.DRY, "liquid": Kind.LIQUID, "water": Kind.WATER}
    for name, (kind, kilograms) in (additions or {}).items():
        properties = {SALT: Fraction(100 if kind == "salt" else 0)}
        held[Ingredient(name, kinds[kind], properties)] = exact(kilograms)
    made = Batch(held, recipe.process)
    return MadeProduct(recipe, made, weighed, members((species,)), water_activity)
