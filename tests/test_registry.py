"""Every key of every JSON document is worked out again from the raw files, or says why not; see ``registry``."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import recomputed_batch  # registers
import recomputed_check  # noqa: F401
import recomputed_correct
import recomputed_week
import recomputed_why  # noqa: F401
from raw import F, Raw, plain, table
from registry import LEFT, RECOMPUTED, Told, keys, leaves, spoilt, within
from typer.testing import CliRunner
from where import HOME, ROOT

from optimizer.cli import app

EXAMPLES = ROOT / "examples"


@dataclass(frozen=True)
class Case:
    """A command on files of the checkout, or on files written for it."""

    kind: str
    recipe: str
    lots: str
    basis: str
    kg: str
    day: str
    more: tuple[str, ...] = ()

    def raw(self) -> Raw:
        recipe = plain(ROOT / self.recipe)
        packs = [HOME / "constraints" / "packs" / f"{name}.yaml" for name in recipe.get("rules", [])]
        asked = dict(zip(self.more[::2], self.more[1::2], strict=False))
        chance = asked.get("--next-chance")
        return Raw(
            recipe, table(ROOT / self.lots), self.basis, F(self.kg), date.fromisoformat(self.day),
            date.fromisoformat(chance) if chance else None, packs=packs,
            lines=(ROOT / self.recipe).read_text(encoding="utf-8").splitlines(),
        )  # fmt: skip

    def words(self) -> list[str]:
        files = [self.recipe, "--lots", self.lots]
        return ["blend", *files, f"--{self.basis}-kg", self.kg, "--date", self.day, *self.more]


SMALL = "tests/data/small"
CASES = {
    "fresh": Case("blend", "examples/fresh.yaml", "examples/fresh-lots.csv", "meat", "25", "2026-11-25"),
    "dying": Case("blend", "examples/fresh.yaml", "examples/fresh-lots.csv", "batch", "25", "2026-11-25",
                  ("--next-chance", "2026-11-30")),
    "smoked": Case("blend", "examples/smoked.yaml", "examples/smoked-lots.csv", "meat", "90", "2026-11-25"),
    "none": Case("blend", "examples/why/lean.yaml", "examples/fresh-lots.csv", "meat", "60", "2026-11-25"),
    "near": Case("blend", f"{SMALL}/plain.yaml", f"{SMALL}/lots.csv", "meat", "20", "2026-11-25",
                 ("--prefer", "fewest-lots")),
    "sure": Case("blend", f"{SMALL}/sure.yaml", f"{SMALL}/lots.csv", "meat", "20", "2026-11-25"),
    "dying with bone": Case("blend", f"{SMALL}/plain.yaml", f"{SMALL}/lots.csv", "meat", "20", "2026-11-25",
                            ("--next-chance", "2026-11-30")),
}  # fmt: skip


WEEKS = {"week": "examples/week/week.yaml", "small week": f"{SMALL}/week/week.yaml"}
ALL = (*CASES, *WEEKS, "correct", "checked", "checked badly", "why", "repair")


def run(*words: str) -> tuple[int, str]:
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        done = CliRunner().invoke(app, list(words), catch_exceptions=False)
    finally:
        os.chdir(before)
    assert done.exit_code in (0, 1), done.stderr
    return done.exit_code, done.stdout


@cache
def week(name: str) -> Told:
    """A plan as a command of its own: it takes over Ctrl-C and the solver's output."""
    path = ROOT / WEEKS[name]
    words = [sys.executable, "-m", "optimizer", "plan", str(path), "--json"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    read = recomputed_week.RawWeek(path)
    return Told("plan", found, recomputed_week.raw_of(read, found, found["batches"][0]), read)


@cache
def repair() -> Told:
    """The small week after its first day, two kilograms of the belly short."""
    folder = Path(tempfile.mkdtemp())
    shutil.copytree(ROOT / SMALL, folder / "small")
    path, before = folder / "small/week/week.yaml", week("small week").document
    (path.parent / "plan.json").write_text(json.dumps(before), encoding="utf-8")
    happened = path.parent / "happened.yaml"
    happened.write_text("plan: plan.json\nnow: 2026-12-01\nlots:\n  - {lot: C, short_kg: 2}\n")
    words = [sys.executable, "-m", "optimizer", "plan", str(path), "--what-happened", str(happened), "--json"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found, read = json.loads(done.stdout), recomputed_week.RawWeek(path)
    read.lots["C"]["on_hand_kg"] = "22"
    raw = week("small week").raw
    return Told("repair", found, raw, {"week": read, "before": before, "now": "2026-12-01"})


@cache
def checked(name: str) -> Told:
    """The blend's own document read by ``check``, and a table weighed badly on scales that are not exact."""
    if name == "checked":
        case, grade, more = CASES["smoked"], "holds", {}
        answer = told("smoked").document
        weighed = Path(tempfile.mkdtemp()) / "batch.json"
        weighed.write_text(json.dumps(answer), encoding="utf-8")
        loads = [recomputed_batch.batch_of(load) for load in answer["loads"]]
        words: list[str] = []
    else:
        case, grade, weighed = CASES["near"], "not_what_the_recipe_asks", ROOT / SMALL / "weighed.csv"
        rows = table(weighed)
        loads = [{row["item"]: F(row["kg"]) if row["kg"] else F(row["grams"]) / 1000 for row in rows}]
        words = ["--meat-tolerance-g", "20", "--spice-tolerance-g", "2"]
        more = {"tolerance": {"meat": F(20, 1000), "spice": F(2, 1000)}}
    files = ["--recipe", case.recipe, "--lots", case.lots, "--date", case.day]
    document = json.loads(run("check", str(weighed), *files, *words, "--json")[1])
    return Told("check", document, case.raw(), {"loads": loads, "grade": grade, **more})


MIXED = ("--ground-c", "2", "--added-c", "1")


@cache
def corrected() -> Told:
    case, ground = CASES["near"], ROOT / SMALL / "ground.csv"
    files = ["--recipe", case.recipe, "--lots", case.lots, "--date", case.day]
    code, out = run("correct", str(ground), *files, "--measured-fat", "32", "--fat-sd-pct", "1", "--json", *MIXED)
    assert code == 0
    weighed = {row["item"]: F(row["kg"]) for row in table(ground)}
    return recomputed_correct.case(case.raw(), json.loads(out), weighed)


@cache
def why() -> Told:
    case, offers = CASES["fresh"], "examples/offers.csv"
    free = ("--smallest-pull", "0", "--smallest-remnant", "0")  # prices over all choices of lots, as scipy finds them
    words = ["why", *case.words()[1:], *free, "--offers", offers, "--json"]
    return Told("why", json.loads(run(*words)[1]), case.raw(), table(ROOT / offers))


@cache
def told(name: str) -> Told:
    if name.startswith("checked"):
        return checked(name)
    if name == "repair":
        return repair()
    if name == "correct":
        return corrected()
    if name == "why":
        return why()
    if name in WEEKS:
        return week(name)
    case = CASES[name]
    return Told(case.kind, json.loads(run(*case.words(), "--json")[1]), case.raw())


def functions(kind: str) -> list[Callable[[Told], None]]:
    return list(dict.fromkeys(f for (of, _), found in RECOMPUTED.items() if of == kind for f in found))


@pytest.mark.parametrize("name", ALL)
def test_every_key_is_accounted_for(name: str) -> None:
    found = told(name)
    unknown = sorted({key for key in keys(found.document) if not within(found.kind, key)})
    assert not unknown, f"no recomputation and no reason in tests/recomputed_*.py: {unknown}"


@pytest.mark.parametrize("name", ALL)
def test_every_figure_is_worked_out_again(name: str) -> None:
    found = told(name)
    for function in functions(found.kind):
        function(found)


@pytest.mark.parametrize("name", ALL)
def test_a_spoilt_figure_is_seen(name: str) -> None:
    """Of each path its first and last value, changed: every recomputation that accounts for it together see it."""
    found = told(name)
    places: dict[str, list[Any]] = {}
    for path, place, value in leaves(found.document):
        if (found.kind, path) in RECOMPUTED:
            places.setdefault(path, []).append((place, value))
    unseen = []
    for path, values in places.items():
        for place, value in (values[0], values[-1]):
            changed = Told(found.kind, spoilt(found.document, place, value), found.raw, found.more)
            if not any(_sees(function, changed) for function in RECOMPUTED[found.kind, path]):
                unseen.append((path, place, value))
    assert not unseen


def _sees(function: Callable[[Told], None], changed: Told) -> bool:
    try:
        function(changed)
    except Exception:
        return True
    return False


def test_every_recomputation_has_something_to_see() -> None:
    """A path that no document of these cases holds is not tested at all."""
    seen = {(found.kind, path) for found in map(told, ALL) for path, _, value in leaves(found.document)}
    assert not [path for path in RECOMPUTED if path not in seen]
    assert not set(RECOMPUTED) & set(LEFT)


# The page says nothing that the document does not.

DAYS = r"\b(?:(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ [A-Z][a-z]{2}(?: \d{4})?|\d{4}-\d{2}-\d{2})"
NUMBER = r"(?<![\w.])-?\d+(?:\.(\d+))?(?![\w])"


def derived(found: Told, why: Any) -> Iterator[float]:
    """Figures of a page that follow from the document's by one step, each done here."""
    document, raw = found.document, found.raw
    held = {lot["lot"]: lot["held_kg"] for lot in document["lots"]}
    yield sum(held.values())
    yield from (float(1000 * x) for x in (raw.within_kg, raw.meat_division, raw.spice_division))
    for lot in document["lots"]:
        yield from (1000 * lot["kg"], 1000 * lot["kg"] / document["meat_kg"])
    for load in document["loads"]:
        yield float(sum(recomputed_batch.batch_of(load).values()))
    if document["casing"] and document["casing"]["links"]:
        yield document["cost"]["cash"] / document["casing"]["links"]
    if document["confidence"]:
        yield from (100 * limit["probability"] for limit in document["confidence"]["limits"])
    yield from (way["cost"] / float(raw.kg) for way in (why["conflict"] or {"ways": []})["ways"] if way["cost"])
    yield from numbers_in(why)


def numbers_in(document: Any) -> Iterator[float]:
    values = (value for _, _, value in leaves(document))
    yield from (float(value) for value in values if isinstance(value, int | float) and not isinstance(value, bool))


@pytest.mark.parametrize("more", [(), ("--full",)], ids=["short", "full"])
@pytest.mark.parametrize("name", CASES)
def test_every_figure_on_the_page_is_in_the_document_or_follows_from_it(name: str, more: tuple[str, ...]) -> None:
    found, words = told(name), CASES[name].words()
    why = json.loads(run("why", *[w for w in words[1:] if w not in ("--prefer", "fewest-lots")], "--json")[1])
    page = " ".join(run(*words, *more)[1].split())
    cells = [cell for row in found.raw.lots for cell in row.values() if cell]
    texts = {value for _, _, value in (*leaves(found.document), *leaves(why)) if isinstance(value, str)}
    texts |= {cell for cell in cells if re.search(r"[^\d.-]", cell)}
    for text in sorted(texts, key=len, reverse=True):
        page = page.replace(" ".join(text.split()), " ") if re.search(r"\d", text) else page
    page = re.sub(r"\b(\d{1,2}) (\d{3})(?= \d)", r"\1\2", re.sub(DAYS, " ", page))  # thousands stand apart
    known = [*numbers_in(found.document), *derived(found, why)]
    known += [float(cell) for cell in cells if re.fullmatch(r"-?\d+(\.\d+)?", cell)]
    unknown = [
        page[max(0, match.start() - 40) : match.end() + 20] for match in re.finditer(NUMBER, page)
        if not any(abs(abs(x) - abs(float(match[0]))) <= 10.0 ** -len(match[1] or "") / 2 + 1e-9 for x in known)
    ]  # fmt: skip
    assert not unknown
