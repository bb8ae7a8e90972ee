"""Pictures explain themselves: title, description and a table, the caution, light and dark, nothing from elsewhere."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner
from where import ROOT

from optimizer.cli import app
from optimizer.wording import CAUTION

FRESH = [str(ROOT / "examples" / "fresh.yaml"), "--lots", str(ROOT / "examples" / "fresh-lots.csv")]
FRESH += ["--meat-kg", "25", "--date", "2026-11-25"]
COOK = ROOT / "examples" / "cook"
COMMANDS = {
    "blend": ["blend", *FRESH],
    "trade-off": ["blend", *FRESH, "--prefer", "fewest-lots", "--premium-pct", "5"],
    "why": ["why", *FRESH],
    "plan": ["plan", str(ROOT / "examples" / "week" / "week.yaml"), "--no-compare"],
    "cook": ["cook", str(COOK / "smoked.csv"), "--recipe", str(COOK / "smoked.yaml")],
}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("pictures")
    for name, words in COMMANDS.items():
        done = CliRunner().invoke(app, [*words, "--html", str(folder / name)])
        assert done.exit_code == 0, done.output
    return {name: (folder / name).read_text(encoding="utf-8") for name in COMMANDS}


@pytest.mark.parametrize("name", COMMANDS)
def test_a_picture_explains_itself(drawn: dict[str, str], name: str) -> None:
    page = drawn[name]
    assert CAUTION in page
    assert "prefers-color-scheme: dark" in page and "@media print" in page
    assert not re.search(r"https?://|<script|<link|@import", page.replace("http://www.w3.org/2000/svg", ""))
    pictures = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert pictures
    for text in pictures:
        root = ElementTree.fromstring(text)
        assert [child.tag for child in root][:2] == ["title", "desc"]
        assert all((child.text or "").strip() for child in list(root)[:2])
        assert root.get("role") == "img" and root.get("tabindex") == "0"
    assert "<table" in page or "<li>" in page
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_the_table_below_a_blend_is_the_blend(drawn: dict[str, str]) -> None:
    found = json.loads(CliRunner().invoke(app, [*COMMANDS["blend"], "--json"]).stdout)
    rows = re.findall(r"<tr><td>(.*?)</td><td>(.*?)</td><td>(.*?)</td><td>(.*?)</td></tr>", drawn["blend"])
    assert [(row[0], float(row[2])) for row in rows] == [(lot["lot"], lot["held_kg"]) for lot in found["lots"]]


def test_the_trade_off_goes_by_steps_and_counts_whole_lots(drawn: dict[str, str]) -> None:
    (path,) = re.findall(r'<path class="curve" d="([^"]+)"', drawn["trade-off"])
    points = [tuple(map(float, p.split(","))) for p in re.findall(r"[ML]([\d.]+,[\d.]+)", path)]
    assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(points))
    ticks = re.findall(r'text-anchor="end">([\d.]+)</text>', drawn["trade-off"])
    assert ticks and all("." not in tick for tick in ticks)


def test_the_picture_of_what_must_not_be_made_says_so(tmp_path: Path) -> None:
    recipe = (
        (ROOT / "examples" / "smoked.yaml").read_text("utf-8").replace("ingoing_nitrite_ppm: 150", "g_per_kg_meat: 4")
    )
    (tmp_path / "r.yaml").write_text(recipe.replace("Breakwater", "<b>&"), encoding="utf-8")
    words = ["blend", str(tmp_path / "r.yaml"), "--lots", str(ROOT / "examples" / "smoked-lots.csv"), "--meat-kg", "60"]
    done = CliRunner().invoke(app, [*words, "--date", "2026-11-25", "--html", str(tmp_path / "p.html")])
    assert done.exit_code == 1
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "DO NOT MAKE" in page and CAUTION in page
    assert "<b>&" not in page and '<rect class="used"' not in page


def test_the_table_below_a_log_says_what_held_and_no_name_lies_on_another(drawn: dict[str, str]) -> None:
    marks = re.findall(r"<tr><td>(.*?)</td><td>(.*?)</td></tr>", drawn["cook"])
    assert marks and {mark for mark, _ in marks} == {"ok"} and any(words.startswith("cooling: ") for _, words in marks)
    heights = [float(y) for y in re.findall(r'<text x="[\d.]+" y="([\d.]+)" text-anchor="end">[a-z]', drawn["cook"])]
    assert len(heights) == 4 and all(a - b >= 15 for a, b in pairwise(heights))
    assert "minutes since 2026-11-25 06:10" in drawn["cook"]


def test_what_has_no_limit_has_no_band(drawn: dict[str, str]) -> None:
    assert drawn["blend"].count('<rect class="band"') == 1 and "<td>none</td>" in drawn["blend"]


def test_the_kinks_of_a_curve_stand_in_a_table_with_their_units(drawn: dict[str, str]) -> None:
    assert "<th>target fat of the meat block, %</th><th>least cost of the batch, crowns</th>" in drawn["why"]
    assert "<th>used, kg</th><th>delivered, kg</th><th>stock at its end, kg</th>" in drawn["plan"]
