"""The page of a batch: one screen, as wide as the terminal, and in full all that the JSON document says."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from fractions import Fraction as F
from functools import cache
from typing import Any

import pytest
from kitchens import Kitchen
from typer.testing import CliRunner
from where import ROOT

from constraints.as_typed import shown
from optimizer.answer import blend
from optimizer.cli import app
from optimizer.cli.ending import dressed
from optimizer.figures import places_of
from optimizer.pages import tables
from optimizer.pages.batch_page import page as page_of

EXAMPLES = ("fresh", "smoked", "odds-and-ends")
RED = re.compile("\x1b\\[[0-9;]*31m")
CODES = re.compile("\x1b\\[[0-9;]*m")


@cache
def page(example: str, *more: str) -> str:
    text = (ROOT / "examples" / f"{example}.yaml").read_text(encoding="utf-8")
    (line,) = (line for line in text.splitlines() if line.startswith("# trimwright blend "))
    words = [str(ROOT / w) if w.startswith("examples/") else w for w in shlex.split(line)[2:]]
    done = CliRunner().invoke(app, [*words, *more])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.parametrize("example", EXAMPLES)
def test_a_batch_is_one_screen(example: str) -> None:
    lines = page(example).splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 80
    assert lines[1].startswith("MAKE IT")
    heads = [line.split(",")[0] for line in lines if line.split(",")[0] in ("TAKE", "WEIGH", "COMES OUT", "WATCH")]
    assert heads == ["TAKE", "WEIGH", "COMES OUT", "WATCH"]


@pytest.mark.parametrize("example", EXAMPLES)
@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.parametrize("more", [(), ("--full",)], ids=["short", "full"])
def test_a_page_is_as_wide_as_the_terminal(example: str, columns: int, more: tuple[str, ...]) -> None:
    page.cache_clear()
    before = tables.width()
    tables.set_width(columns)
    try:
        lines = page(example, *more).splitlines()
    finally:
        tables.set_width(before)
        page.cache_clear()
    assert max(map(len, lines)) <= columns
    assert columns == 60 or max(map(len, lines)) > columns - 20


def flat(text: str) -> str:
    """A page without its line breaks, and without the breaks inside words that are longer than their column."""
    return "".join(text.split())


def told(found: dict[str, Any]) -> Iterator[str]:
    """What the document says, as a page would."""
    for lot in found["lots"]:
        yield from (lot["lot"], f"{lot['held_kg']:.2f}")
    for item in found["weigh_out"]:
        yield item["item"]
        yield f"{item['grams']:.0f}" if item["grams"] == int(item["grams"]) and item["grams"] < 10_000 else ""
    for shares in found["composition"].values():
        yield from (f"{share:.2f}" for share in (shares or {}).values())
    for check in found["checks"]:
        yield from (check["what"], check["rule"] if check["rule"].startswith(("us-", "guard-")) else "")
        yield from (check["source"], check["note"], check["why"])
        yield from (f"{limit:g}" for limit in (check["min"], check["max"]) if limit is not None and limit < 1000)
    yield from (text for key in ("warnings", "notes", "left_out") for text in found[key])
    yield from (found["caution"], found["verdict"]["headline"])
    yield from (f"{found['cost'][key]:.2f}" for key in ("cash", "additions", "per_kg_batch"))
    yield from (f"{found['certificate'][key]:.4f}" for key in ("cost", "lower_bound", "gap"))
    yield from (f"{found['casing'][key]:.1f}" for key in ("filled_m", "prepare_m"))
    yield str(found["casing"]["links"])
    yield f"{found['batch_kg']:.3f}"


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_full_page_says_all_that_the_document_says(example: str) -> None:
    full = flat(page(example, "--full"))
    missing = [words for words in told(json.loads(page(example, "--json"))) if flat(words) not in full]
    assert missing == []


def test_a_terminal_gets_bold_and_red_only_for_do_not_make(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    good = page("smoked")
    shown = dressed(good)
    assert CODES.sub("", shown) == good and CODES.search(shown)
    assert not RED.search(shown)
    assert "\x1b[1mTAKE\x1b[0m" in shown
    bad = good.replace("MAKE IT. ", "DO NOT MAKE. ")
    assert RED.search(dressed(bad)) and CODES.sub("", dressed(bad)) == bad
    monkeypatch.setenv("NO_COLOR", "1")
    assert not RED.search(dressed(bad)) and CODES.sub("", dressed(bad)) == bad
    assert dressed('{"a": 1}\n') == '{"a": 1}\n'


@pytest.mark.parametrize("division", ["0.5", "0.25", "0.125", "0.05", "0.025", "0.02", "0.005", "0.001", "1", "5"])
def test_whole_divisions_are_shown_exactly_and_those_of_pounds_apart(division: str) -> None:
    places = places_of(F(division))
    assert all(F(shown(n * F(division), places)) == n * F(division) for n in range(1, 200))
    assert places == max(2, len(division.partition(".")[2]))
    pound = F(division) / F("0.45359237")  # kilograms; NIST Handbook 44 (2024), appendix C
    told = [shown(n * pound, places_of(pound)) for n in range(1, 200)]
    assert len(set(told)) == len(told) and places_of(pound) <= 4


def test_a_limit_on_what_does_not_go_in_is_told_apart_from_the_checks() -> None:
    """Every limit of a law on nothing is kept: each is named once, and stands under no mark of its own."""
    words = ["blend", str(ROOT / "examples/smoked.yaml"), "--lots", str(ROOT / "examples/smoked-lots.csv")]
    words += ["--meat-kg", "60", "--date", "2026-11-25"]
    full = CliRunner().invoke(app, [*words, "--full", "--no-color"]).stdout
    checks = json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)["checks"]
    marked = re.findall(r"^(?:ok|memory|note)  .*", full, re.M)
    held = {c["what"] for c in checks if c["value"]}
    nothing = {
        c["what"] for c in checks if c["value"] == 0 and c["min"] is None and c["status"] != "yours" and not c["why"]
    } - held
    assert len(nothing) > 5 and not [line for line in marked if any(what in line for what in nothing)]
    assert all(what in " ".join(full.split()) for what in nothing)
    assert any("ingoing nitrite" in line for line in marked)


@pytest.mark.parametrize("mixer_kg", [None, 0.7])
@pytest.mark.parametrize("grams", ["0.01", "0.05", "0.1", "0.5", "50"])
def test_weights_have_the_digits_of_their_scale(grams: str, mixer_kg: float | None) -> None:
    """What is to be pulled and weighed is read off the page exactly, down to a hundredth of a gram."""
    lots = [
        {"lot": "lean", "on_hand_kg": 20, "fat_pct": 12.3, "cost_per_kg": 5},
        {"lot": "back", "on_hand_kg": 20, "fat_pct": 71.7, "cost_per_kg": 2},
    ]
    salt = {"name": "salt", "g_per_kg_meat": 18.137}
    asked = Kitchen(lots, [{"fat": {"max_pct": 29.7}}], [salt], kilograms=1.2, within_kg=0.1, mixer_kg=mixer_kg)
    asked.meat_g, asked.spice_g = float(grams), min(float(grams), 0.1)
    answer = blend(asked.problem())
    assert answer.weighed is not None
    text = page_of(answer)
    figures = {F(word) for word in re.findall(r"\d+\.?\d*", text)}
    for load in answer.weighed.loads:
        assert {kg * (1000 if item.name == "salt" else 1) for item, kg in load.kilograms.items()} <= figures
    assert {kg for item, kg in answer.weighed.total.kilograms.items() if item.name != "salt"} <= figures


@pytest.mark.parametrize("asked", [("--meat-lb", "60"), ("--meat-kg", "25", "--units", "lb")])
def test_a_page_in_pounds_says_every_weight_in_pounds(asked: tuple[str, ...]) -> None:
    """1 lb is 0.45359237 kg and 16 oz, 1 ft 0.3048 m (NIST SP 811, B.8): what is weighed, against the JSON."""
    fresh = str(ROOT / "examples" / "fresh")
    files = [f"{fresh}.yaml", "--lots", f"{fresh}-lots.csv", "--date", "2026-11-25", *asked]
    found = json.loads(CliRunner().invoke(app, ["blend", *files, "--json"]).stdout)
    page = CliRunner().invoke(app, ["blend", *files]).stdout
    body = page[: page.index("WATCH")]
    assert not re.search(r"\d kg|a kg|left kg|\d m\b", body)
    assert (
        f"{found['casing']['filled_m'] / 0.3048:.0f} ft, prepare {found['casing']['prepare_m'] / 0.3048:.0f} ft" in body
    )
    for lot in found["lots"]:
        row = next(line for line in body.splitlines() if line.startswith(lot["lot"])).split()
        assert f"{lot['held_kg'] / 0.45359237:.2f}" in row
    for item in found["weigh_out"]:
        said = re.search(rf"{item['item']} +(?:(\d+) lb )?([\d.]+) oz \((\d+) g\)", body)
        assert said is not None and float(said[3]) == item["grams"]
        assert 16 * int(said[1] or 0) + float(said[2]) == pytest.approx(item["grams"] / 453.59237 * 16, abs=0.051)
    assert f"{found['cost']['per_kg_batch'] * 0.45359237:.2f} a lb" in body


GROUND = [str(ROOT / "examples" / "correct" / "ground.csv"), "--recipe", str(ROOT / "examples" / "fresh.yaml"),
          "--lots", str(ROOT / "examples" / "fresh-lots.csv"), "--date", "2026-11-25"]  # fmt: skip


@pytest.mark.parametrize(
    "words",
    [
        ["plan", str(ROOT / "examples" / "week" / "week.yaml"), "--no-compare", "--full"], ["check", *GROUND],
        ["correct", *GROUND, "--measured-fat", "31"],
    ],
)  # fmt: skip
def test_weights_of_other_commands_are_said_in_the_unit_asked_for(words: list[str]) -> None:
    """The words of a page in pounds, or in kilograms, and the same figures in the document."""
    pages = {unit: CliRunner().invoke(app, [*words, "--units", unit]).stdout for unit in ("kg", "lb")}
    assert re.search(r"\d kg\b", pages["kg"]) and not re.search(r"\d lb\b", pages["kg"].split("=" * 80)[0])
    bare = re.sub(r"\([\d.]+ kg\)", "", pages["lb"])  # a weight beside pounds
    assert re.search(r"\blb\b", bare) and not re.search(r"(?<!/)\bkg\b(?!/)", bare)
    found = {unit: CliRunner().invoke(app, [*words, "--units", unit, "--json"]).stdout for unit in pages}
    assert found["kg"] == found["lb"] != ""
