"""What is installed is what is in the checkout: every file is in the wheel, and the wheel alone runs every example."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from where import HOME, ROOT

PACKAGES = ("constraints", "optimizer")
HELD = {"examples/why/lean.yaml", "examples/cook/slow-cooling.csv"}
"""Files on which a command rightly ends with 1."""
OTHERS = (
    "columns",
    "columns recipe",
    "rules",
    "rules us",
    "rules eu",
    "schema",
    "schema week",
    "schema what-happened",
    "terms",
    "--version",
)
READERS_OWN = {"weighed.csv", "log.csv"}
"""What only the reader has weighed and logged."""
RUN_ALL = """\
import json, sys
from typer.testing import CliRunner
from optimizer.cli import app
ran = []
for words in json.load(sys.stdin):
    words, to = (words[:-2], words[-1]) if ">" in words else (words, None)
    ran.append(CliRunner().invoke(app, words))
    if to:
        open(to, "w").write(ran[-1].stdout)
places = {m.__file__ for n, m in sys.modules.items() if n.split(".")[0] in ("optimizer", "constraints")}
json.dump([[[r.exit_code, len(r.stdout), repr(r.exception)] for r in ran], sorted(places)], sys.stdout)
"""


def files(home: Path) -> set[str]:
    """Every file of the two packages under a folder, as it is addressed from there."""
    found = (path for package in PACKAGES for path in (home / package).rglob("*") if path.is_file())
    return {path.relative_to(home).as_posix() for path in found if path.parent.name != "__pycache__"}


def commands() -> list[list[str]]:
    """Every command that README, the examples' own notes and their first lines give on files that they have or make."""
    notes = (path for path in (ROOT / "examples").rglob("*") if path.suffix in (".md", ".yaml"))
    texts = [ROOT / "README.md", *notes]
    lines = (line for path in texts for line in path.read_text(encoding="utf-8").splitlines())
    kinds = "blend|check|cook|correct|dry|new|plan|sheet|stock|trace|why"
    found = [m[1] for line in lines if (m := re.match(rf"(?:    |# )trimwright ((?:{kinds}) .*)", line))]
    given = [shlex.split(words, comments=True) for words in (*dict.fromkeys(found), *OTHERS)]
    return [words for words in given if not READERS_OWN & {*words}]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of the checkout (a build leaves folders behind) and unpacked by pip."""
    folder = tmp_path_factory.mktemp("wheel")
    kept_out = shutil.ignore_patterns(".*", "build", "*.egg-info", "__pycache__", "tests")
    shutil.copytree(ROOT, folder / "source", ignore=kept_out)
    words = ["install", "--quiet", "--no-deps", "--no-index", "--no-build-isolation", "--no-compile", "--target"]
    command = [sys.executable, "-m", "pip", *words, str(folder / "home"), str(folder / "source")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=folder, check=False)
    assert done.returncode == 0, done.stderr
    return folder / "home"


def test_every_module_and_data_file_is_in_the_wheel(wheel: Path) -> None:
    assert files(wheel) == files(ROOT)
    assert {"optimizer/why/moving.py", "constraints/packs/us.yaml", "constraints/methods.yaml"} <= files(wheel)


def test_the_packages_under_test_are_whole() -> None:
    assert files(HOME) == files(ROOT), "remove build/ and install again"


def test_every_command_of_every_example_runs_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    given = commands()
    assert {words[0] for words in given} >= {"blend", "why", "plan", "cook", "dry", "stock", "trace"}
    assert len(given) >= 7 + len(OTHERS)
    done = subprocess.run(
        [sys.executable, "-P", "-c", RUN_ALL], input=json.dumps(given), capture_output=True, text=True, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(wheel)}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    ran, places = json.loads(done.stdout)
    for words, (code, printed, fault) in zip(given, ran, strict=True):
        assert code == (1 if HELD & {*words} else 0), (words, fault)
        assert printed, words
    assert all(wheel in Path(place).parents for place in places)
