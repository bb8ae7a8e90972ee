"""What the JSON document of ``correct`` says beside a blend's, worked out again from the raw files."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from raw import F, Raw
from recomputed_batch import batch_of, close, shares
from registry import WORDS, Told, left, recomputes


def after(told: Told) -> tuple[dict[str, Fraction], dict[str, Fraction], dict[str, Fraction]]:
    """What was ground as weighed, what is added and what there is then, kilograms by name."""
    fix, weighed = told.document["correction"], told.more["ground"]
    add, then = batch_of(fix["add"]), batch_of(fix["after"])
    return weighed, add, then


@recomputes("correct", ".correction: ground_kg kept_kg held_back_kg mixed_c",
            ".correction.by_lots: fat_pct moisture_pct protein_pct salt_pct",
            *(f".correction.{part}.lots[]: lot kg" for part in ("ground", "add", "after")),
            *(f".correction.{part}.weigh_out[]: item grams" for part in ("ground", "add", "after")))  # fmt: skip
def weights(told: Told) -> None:
    fix, (weighed, add, then) = told.document["correction"], after(told)
    mass = sum(weighed.values())
    assert (fix["ground_kg"], fix["kept_kg"], fix["held_back_kg"]) == (close(mass), close(mass), 0)
    assert fix["by_lots"] == shares(told.raw, weighed, "batch")
    heat = (mass * F(2) + sum(add.values()) * F(1)) / (mass + sum(add.values()))
    assert fix["mixed_c"] == close(heat)
    assert batch_of(fix["ground"]) == weighed and set(then) == {*weighed, *add}
    assert all(then[name] == weighed.get(name, F(0)) + add.get(name, F(0)) for name in then)
    taken = batch_of(told.document)
    assert {name: kg for name, kg in taken.items() if name != "as ground"} == add and taken["as ground"] == mass
    meat = sum(kg for name, kg in then.items() if name != "salt")
    assert abs(1000 * then["salt"] - 18 * meat) <= F(1, 2)  # the dose, to half a gram
    fat = meat_fat(told) + sum(kg * F(told.raw.rows[n]["fat_pct"]) for n, kg in add.items() if n != "salt")
    assert F("27.8") <= fat / meat <= 28


def meat_fat(told: Told) -> Fraction:
    """Percent kilograms of fat in the mass by its test; salt has none."""
    return F(told.more["fat"]) * sum(told.more["ground"].values())


@recomputes("correct", ".correction.measured: fat_pct fat_sd_pct", ".correction: fat_sd_after_pct")
def errors(told: Told) -> None:
    fix, (weighed, add, then) = told.document["correction"], after(told)
    assert (fix["measured"]["fat_pct"], fix["measured"]["fat_sd_pct"]) == (close(F(told.more["fat"])), told.more["sd"])
    parts = [float(kg) * float(told.raw.rows[name]["fat_sd_pct"]) for name, kg in add.items() if name != "salt"]
    meat = float(sum(kg for name, kg in then.items() if name != "salt"))
    whole = float(sum(weighed.values())) * told.more["sd"]
    assert fix["fat_sd_after_pct"] == pytest.approx(np.hypot.reduce([*parts, whole]) / meat, rel=1e-9)


@recomputes("correct", ".correction.taught[]: lot typed_fat_pct fat_pct fat_sd_pct standard_errors out_of_line")
def lots_taught(told: Told) -> None:
    """numpy's least squares on the lots' figures and the test, each divided by its standard deviation."""
    weighed, rows = told.more["ground"], told.raw.rows
    mass, names = sum(weighed.values()), [name for name in weighed if name != "salt"]
    typed = np.array([float(rows[name]["fat_pct"]) for name in names])
    sds = np.array([float(rows[name]["fat_sd_pct"]) for name in names])
    lines = np.vstack([np.diag(1 / sds), [float(weighed[name] / mass) / told.more["sd"] for name in names]])
    seen = np.append(typed / sds, float(told.more["fat"]) / told.more["sd"])
    figures = np.linalg.lstsq(lines, seen, rcond=None)[0]
    spread = np.linalg.inv(lines.T @ lines)
    moved = (figures - typed) / np.sqrt(sds**2 - np.diag(spread))
    assert [(row["lot"], row["typed_fat_pct"]) for row in told.document["correction"]["taught"]] == [
        (name, float(rows[name]["fat_pct"])) for name in names
    ]
    for i, row in enumerate(told.document["correction"]["taught"]):
        assert row["fat_pct"] == pytest.approx(figures[i], abs=6e-4)
        assert row["fat_sd_pct"] == pytest.approx(np.sqrt(spread[i, i]), abs=1.1e-3)
        assert row["standard_errors"] == pytest.approx(moved[i], rel=1e-6)
        assert row["out_of_line"] is bool(abs(moved[i]) > 2)


def case(raw: Raw, document: Any, weighed: dict[str, Fraction]) -> Told:
    return Told("correct", document, raw, {"ground": weighed, "fat": "32", "sd": 1.0})


left("correct", "the corrected batch is written by the code of a blend's document, the mass as one lot of it",
     ": status verdict other_names recipe rules date ordered cured meat_kg batch_kg finished_kg cost lots composition",
     ": weigh_out loads casing checks dying confidence certificate conflict what_would_pass left_out notes warnings",
     ": caution near measured_yield tidy estimated")  # fmt: skip
left("correct", WORDS, ".correction: unfit")
left("correct", "nothing is over, nor measured, nor in the way here: test_correct.py",
     ".correction: over", ": ways", ".correction.measured: moisture_pct salt_pct")  # fmt: skip
