"""Pictures explain themselves: title, description and a table, the caution, light and dark, nothing from elsewhere."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner
from where import ROOT

from optimizer.cli import app
from optimizer.pages.chart import Axis, across, upwards
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


def _box(part: ElementTree.Element) -> list[tuple[float, float]]:
    """The corners, or the points, of one thing drawn."""
    at = {name: float(value) for name, value in part.items() if re.fullmatch(r"-?[\d.]+", value)}
    kind = part.tag.rpartition("}")[2]
    if kind == "rect":
        return [(at["x"], at["y"]), (at["x"] + at["width"], at["y"] + at["height"])]
    if kind == "circle":
        return [(at["cx"] - at["r"], at["cy"] - at["r"]), (at["cx"] + at["r"], at["cy"] + at["r"])]
    if kind == "line":
        return [(at["x1"], at["y1"]), (at["x2"], at["y2"])]
    if kind == "text":
        return [(at["x"], at["y"])]
    pairs = re.findall(r"(-?[\d.]+)[ ,](-?[\d.]+)", part.get("points") or part.get("d") or "")
    return [(float(x), float(y)) for x, y in pairs]


def _drawn(page: str) -> list[tuple[ElementTree.Element, list[ElementTree.Element]]]:
    """Every picture of a page with what is drawn in it."""
    found = []
    for text in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
        root = ElementTree.fromstring(text)
        patterns = {id(part) for kept in root.iter("defs") for part in kept.iter()}
        found.append((root, [part for part in root.iter() if id(part) not in patterns and _box(part)]))
    return found


@pytest.mark.parametrize("name", COMMANDS)
def test_all_that_is_drawn_lies_in_its_picture(drawn: dict[str, str], name: str) -> None:
    for root, parts in _drawn(drawn[name]):
        _, _, wide, tall = map(float, (root.get("viewBox") or "").split())
        assert len(parts) > 5
        for part in parts:
            assert all(0 <= x <= wide and 0 <= y <= tall for x, y in _box(part)), ElementTree.tostring(part)


@pytest.mark.parametrize("name", ["trade-off", "why", "cook"])
def test_a_curve_lies_in_its_frame_and_its_ticks_are_round_and_even(drawn: dict[str, str], name: str) -> None:
    """The frame is where the grid is; a tick's figure and its place go in equal steps of 1, 2 or 5 times a power."""
    for _, parts in _drawn(drawn[name]):
        (across, down) = [part for part in parts if part.get("class") == "axis"]
        (left, base), (right, _) = _box(across)
        (_, top), _ = sorted(_box(down), key=lambda at: at[1])
        for part in parts:
            if part.get("class") in ("curve", "dot", "kink", "now", "end", "grid", "level", "stage"):
                assert all(left - 6 <= x <= right + 6 and top - 6 <= y <= base + 6 for x, y in _box(part))
        for way, end in ((0, "middle"), (1, "end")):
            told = [part for part in parts if part.get("text-anchor") == end and not part.get("transform")]
            told = [part for part in told if re.fullmatch(r"-?[\d.]+", part.text or "") and not part.get("class")]
            ticks = [(_box(part)[0][way], float(part.text or "")) for part in told]
            lines = [part for part in parts if part.get("class") == "grid" and _box(part)[0][way] == _box(part)[1][way]]
            ticks = ticks[: len(lines)]  # a curve's own points have figures too
            assert len(lines) >= 2
            steps = {round(b[1] - a[1], 9) for a, b in pairwise(ticks)}
            (step,) = steps
            assert re.fullmatch(r"[125]e[+-]\d+", f"{step:.0e}") and float(f"{step:.0e}") == step
            places = [b[0] - a[0] for a, b in pairwise(ticks)]
            assert max(places) - min(places) <= 0.21


@pytest.mark.parametrize("low", [0.0, 0.3, 7.0, 88.88, 1234.5, -3.7, -120.0])
@pytest.mark.parametrize("wide", [0.0004, 0.09, 0.9, 1.0, 6.5, 7.3, 31.0, 60.0, 100.0, 2500.0])
@pytest.mark.parametrize("whole", [False, True])
def test_ticks_are_every_round_figure_from_end_to_end(low: float, wide: float, whole: bool) -> None:
    axis = Axis(low, low + wide, 80, 736)
    ticks = axis.ticks(whole=whole)
    told = [Fraction(text) for _, text in ticks]
    steps = [n * Fraction(10) ** k for k in range(-6, 6) for n in (1, 2, 5)]
    step = next(s for s in steps if s * 6 >= Fraction(wide) * Fraction("0.999999999") and (s >= 1 or not whole))
    ends = Fraction(low) - Fraction(1, 10**9), Fraction(low) + Fraction(wide) + Fraction(1, 10**9)
    assert told == [k * step for k in range(ceil(ends[0] / step), floor(ends[1] / step) + 1)]
    for pixel, text in ticks:
        assert pixel == pytest.approx(80 + (float(text) - low) / wide * 656, abs=0.051)


@pytest.mark.parametrize("figure", [0.0, 0.4, 12.0, 5000.0, -18.0])
def test_a_single_figure_stands_in_the_middle_and_no_axis_goes_below_nothing_for_nothing(figure: float) -> None:
    axis = across([figure])
    assert axis.low < figure < axis.high or figure == axis.low == 0
    assert figure < 1 or axis.at(figure) == pytest.approx((axis.start + axis.end) / 2, abs=1)
    assert (axis.low >= 0) is (figure >= 0)
    both = upwards([figure, figure + 10])
    assert both.end < both.at(figure + 10) < both.at(figure) <= both.start


def test_a_week_is_drawn_to_one_scale(drawn: dict[str, str]) -> None:
    """Every bar is as high as its kilograms in the table, the highest of all fills the picture."""
    rows = re.findall(r"<tr><td>(.*?)</td><td>([\d.]+)</td><td>([\d.]+)</td><td>([\d.]+)</td></tr>", drawn["plan"])
    ((_, parts),) = _drawn(drawn["plan"])
    bars = [part for part in parts if part.tag == "rect"]
    assert len(bars) == 3 * len(rows)
    most = max(float(cell) for row in rows for cell in row[1:])
    for k, (_, used, came, left) in enumerate(rows):
        for bar, cell in zip(bars[3 * k : 3 * k + 3], (left, came, used), strict=True):
            assert float(bar.get("height") or "") == pytest.approx(220 * float(cell) / most, abs=0.3)
    starts = [float(bar.get("x") or "") for bar in bars]
    assert starts == sorted(set(starts))


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
