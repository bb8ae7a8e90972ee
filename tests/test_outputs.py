"""Files to be written: what hinders is found before anything is computed, and nothing that stands there is spoilt."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner
from weeks import RawBatch, RawLot, RawWeek

from optimizer.cli import app

ROOT = Path(__file__).parents[1]
BLEND = ["blend", "examples/fresh.yaml", "--lots", "examples/fresh-lots.csv", "--meat-kg", "25", "--date", "2026-11-25"]
WHY = ["why", *BLEND[1:]]


def run(*words: str) -> tuple[int, str, str]:
    """In this process, so that a test can see what is computed."""
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, done.stdout, " ".join(done.stderr.split())


def plan(*words: str) -> tuple[int, str, str]:
    """As a command of its own: a plan takes over Ctrl-C and the solver's output."""
    command = [sys.executable, "-m", "optimizer", "plan", *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=100)
    return done.returncode, done.stdout, " ".join(done.stderr.split())


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "200")


def week(folder: Path, *, kg: float = 15.0) -> str:
    """One batch, with a plan where there is meat for it."""
    lots = [RawLot("lean", "pork", 9.0, 4.0, 20.0), RawLot("fat", "pork", 62.0, 1.5, 20.0)]
    return RawWeek(2, lots, [RawBatch("B", kg, kg, 0, 0, (24, 28))], []).write(folder)


class Computed(Exception):
    """Something was computed."""


@pytest.mark.parametrize(
    ("words", "option"), [([*BLEND, "--prefer", "fewest-lots"], "--html"), (WHY, "--html")], ids=["blend", "why"]
)
def test_a_place_that_cannot_be_written_is_found_before_the_solve(
    words: list[str], option: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def solved(*_: object, **__: object) -> None:
        raise Computed

    monkeypatch.setattr("optimizer.solver.session.Session.__init__", solved)
    (tmp_path / "file").write_text("x")
    for path in (tmp_path, tmp_path / "nowhere" / "x.html", tmp_path / "file" / "x.html", "examples/fresh-lots.csv"):
        code, out, err = run(*words, option, str(path))
        assert (code, out) == (2, "") and option in err and "cannot be written" in err, (path, err)


@pytest.mark.parametrize("option", ["--orders", "--pulls", "--html"])
def test_a_plan_does_not_write_over_what_it_reads(option: str, tmp_path: Path) -> None:
    path = week(tmp_path)
    before = (tmp_path / "lots.csv").read_text()
    for target in (path, str(tmp_path / "lots.csv")):
        code, out, err = plan(path, option, target)
        assert (code, out) == (2, "") and "it is read by this very command" in err
    assert (tmp_path / "lots.csv").read_text() == before


def test_two_files_at_one_place_are_refused(tmp_path: Path) -> None:
    code, out, err = plan(week(tmp_path), "--orders", f"{tmp_path}/o.csv", "--pulls", f"{tmp_path}/./o.csv")
    assert (code, out) == (2, "") and "--orders is written there" in err
    assert not (tmp_path / "o.csv").exists()


def test_an_old_list_is_not_passed_off_as_this_week_s(tmp_path: Path) -> None:
    """40 kg of meat that there is not: there is no plan, the old list stays, and is said to be old."""
    path = week(tmp_path, kg=80.0)
    (tmp_path / "o.csv").write_text("old")
    code, _, err = plan(path, "--orders", f"{tmp_path}/o.csv", "--pulls", f"{tmp_path}/p.csv")
    assert code == 1
    assert f"--orders {tmp_path}/o.csv: not written, for there is no plan; what stands there is of an earlier" in err
    assert f"--pulls {tmp_path}/p.csv: not written, for there is no plan" in err
    assert (tmp_path / "o.csv").read_text() == "old" and not (tmp_path / "p.csv").exists()


def test_what_can_be_written_is(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text("old")
    code, _, err = plan(week(tmp_path), "--pulls", f"{tmp_path}/p.csv", "--orders", os.devnull)
    assert code == 0 and "not written" not in err
    assert "lean" in (tmp_path / "p.csv").read_text()
