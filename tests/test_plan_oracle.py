"""Weeks against outside judges: scipy on textbook matrices, brute force, and a published problem with its optimum."""

from __future__ import annotations

from pathlib import Path

import pytest
from weeks import random_week, textbook

from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import World, assemble_week
from optimizer.plan.settle.engine import solve
from optimizer.solver.exact import lower_bound, multipliers
from optimizer.solver.program import Ending

LINEAR, WHOLE = range(220), range(1000, 1080)
CHUNK = 20


def world_of(seed: int, folder: Path, *, whole: bool) -> World:
    return assemble_week(read_week(random_week(seed, whole=whole).write(folder)))


@pytest.mark.parametrize("start", LINEAR[::CHUNK])
def test_linear_weeks_cost_what_scipy_says(start: int, tmp_path: Path) -> None:
    for seed in range(start, start + CHUNK):
        program = build(world_of(seed, tmp_path, whole=False)).model
        raw = random_week(seed, whole=False)
        assert not program.whole
        judge, book = textbook(raw).solve(), textbook(raw)
        ours = solve(program)
        assert (ours.ending is Ending.OPTIMAL) == (judge.status == 0), seed
        if judge.status == 0:
            expected = judge.fun + book.constant
            assert ours.cost == pytest.approx(expected, rel=1e-6, abs=1e-5), seed
            proved = float(lower_bound(program, multipliers(program, ours.prices)))
            assert proved <= expected + 1e-6 * max(1.0, abs(expected)), seed
            assert proved == pytest.approx(expected, rel=1e-6, abs=1e-4), seed


@pytest.mark.parametrize("start", WHOLE[::CHUNK])
def test_weeks_with_whole_numbers_cost_what_scipy_says(start: int, tmp_path: Path) -> None:
    for seed in range(start, start + CHUNK):
        raw = random_week(seed, whole=True)
        program = build(world_of(seed, tmp_path, whole=True)).model
        book = textbook(raw)
        judge, ours = book.solve(), solve(program, gap=1e-9)
        assert (ours.ending is Ending.OPTIMAL) == (judge.status == 0), (seed, ours.ending, judge.message)
        if judge.status == 0:
            assert ours.cost == pytest.approx(judge.fun + book.constant, rel=1e-6, abs=1e-4), seed
