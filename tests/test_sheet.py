"""The batch sheet: what the law asks to be written down has its place, every figure is the blend's, no blank is filled.

Law by ``FIELDS``. Validity: html5lib's strict parser (the HTML standard's parsing rules). Contrast: WCAG 2.1, 1.4.3 and
1.4.11. The code is read back by ISO/IEC 18004 (version 1, alphanumeric), from the standard's description (memory).
"""

from __future__ import annotations

import csv
import html
import json
import re
from collections.abc import Iterator
from datetime import date
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree.ElementTree import Element

import html5lib
import pytest
import yaml
from test_in_doubt import after, planned
from typer.testing import CliRunner
from where import ROOT

from optimizer.cli import app
from optimizer.figures import Unit
from optimizer.sheet.batch_sheet import _pulls, _sheets
from optimizer.wording import CAUTION

EXAMPLES = ROOT / "examples"
DAY = ["--date", "2026-11-25"]
FRESH = [str(EXAMPLES / "fresh.yaml"), "--lots", str(EXAMPLES / "fresh-lots.csv"), "--meat-kg", "25", *DAY]
SMOKED = [str(EXAMPLES / "smoked.yaml"), "--lots", str(EXAMPLES / "smoked-lots.csv"), "--meat-kg", "90", *DAY]
WEEK = str(EXAMPLES / "week" / "week.yaml")
FIELDS = {
    "Reg (EC) 178/2002 Art 18: from whom": ("supplier", "its lot, establishment"),
    "Reg (EC) 178/2002 Art 18: to whom": ("sent to, name and address",),
    "Reg (EU) 931/2011 Art 3: description, quantity, lot, date of dispatch": (
        "what", "pull, as held", "as pulled", "lot", "code on the pack", "dispatched on",
    ),
    "Reg (EU) 931/2011 Art 3: name and address of the maker": ("made by, name and address",),
    "SFCR s. 90: lot code, maker, every commodity with its supplier and date": ("establishment", "received", "use by"),
    "SFCR s. 92: a lot code on the pack": ("code on the pack",),
    "9 CFR 320.1(b)(1): net weight, number of packs": ("finished, weighed", "packs", "net weight checked"),
    "9 CFR 320.1(b)(4): supplier's lot, carry-over": ("rework in, its batch code", "rework out, weighed"),
    "9 CFR 417.5: values, times and initials at the moment": (
        "as weighed", "meat into the mixer, degrees", "mass out, degrees", "begun at", "ended at", "initials",
        "coldest probe", "core reached", "held until", "time at first", "time at last", "core, read", "chamber, read",
    ),
    "9 CFR 417.5(a)(3): calibration of thermometers": ("thermometer, its number", "thermometer tested on"),
    "9 CFR 417.5(c): reviewed before it ships": ("records seen by", "released by"),
    "9 CFR 417.3: what went wrong and what was done": ("what went wrong, its cause, what was done",),
    "the cure: strength on the pack, a second person": (
        "grams as weighed", "bag or lot of the cure", "strength on the bag", "weighed by", "checked by a second person",
    ),
    "kitchen records, section 2: casing, label, unaccounted": ("lot of the casing", "label version", "unaccounted for"),
}  # fmt: skip
"""What each law asks to be known, and where the sheet has it. The words of the laws: seen second hand, 9 CFR memory."""


def sheet(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, ["sheet", *words])
    assert done.exit_code == code, done.output
    return done.stdout


def blend(*words: str) -> dict[str, object]:
    return json.loads(CliRunner().invoke(app, ["blend", *words, "--json"]).stdout)


@pytest.fixture(scope="module")
def smoked() -> str:
    return sheet(*SMOKED)


@pytest.fixture(scope="module")
def week() -> str:
    return sheet(WEEK)


def tree(page: str) -> Element:
    """The page as the HTML standard parses it; any parse error is raised."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def text(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


def tables(page: str, first: str) -> Iterator[list[list[str]]]:
    """The rows of every table whose head begins so."""
    for table in tree(page).iter("table"):
        rows = [[text(cell) for cell in row] for row in table.iter("tr")]
        if rows[0][0] == first:
            yield rows[1:]


def kg(words: str) -> Fraction:
    """A weight as the sheet says it, kilograms; a pound is 0.45359237 kg."""
    ounces = sum(Fraction(n) * (16 if unit == "lb" else 1) for n, unit in re.findall(r"([\d.]+) (lb|oz)", words))
    if ounces:
        return ounces * Fraction("0.45359237") / 16
    number, unit = re.match(r"([\d.\s]+) (kg|g)", words).groups()
    return Fraction(number.replace("\N{NO-BREAK SPACE}", "").replace(" ", "")) / (1 if unit == "kg" else 1000)


@pytest.mark.parametrize("law", FIELDS)
def test_every_field_that_a_law_asks_for_is_on_the_sheet(smoked: str, law: str) -> None:
    page = tree(smoked)
    said = {text(cell) for tag in ("th", "small") for cell in page.iter(tag)}
    assert not set(FIELDS[law]) - said
    assert "L261125-1" in text(page) and CAUTION in text(page) and "Breakwater rings, smoked" in text(page)


def test_a_page_is_valid_and_loads_nothing(smoked: str, week: str) -> None:
    for page in (smoked, week, sheet(*FRESH)):
        parsed = tree(page)
        ids = [e.get("id") for e in parsed.iter() if e.get("id")]
        assert len(ids) == len(set(ids))
        assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)|<script|<link|@import|url\((?!#)", page)
        assert {e.tag.rpartition("}")[2] for e in parsed.iter() if "}" in str(e.tag)} <= {
            "svg", "title", "desc", "defs", "pattern", "path", "circle", "rect", "text", "line", "g",
        }  # fmt: skip


def test_blanks_are_blank(smoked: str, week: str) -> None:
    for page in (smoked, week):
        parsed = tree(page)
        boxes = [e for e in parsed.iter("td") if e.get("class") == "box"]
        assert len(boxes) > 50 and not any(map(text, boxes))
        blanks = [e for e in parsed.iter("span") if e.get("class") == "blank"]
        assert len(blanks) > 40
        for blank in blanks:
            assert [child.tag for child in blank] == ["small"] and not (blank.text or "").strip()
            assert not (blank[0].tail or "").strip() and not re.search(r"\d", text(blank).removeprefix("load ")[1:])


def test_what_is_pulled_and_weighed_is_the_blend(smoked: str) -> None:
    found = blend(*SMOKED)
    (pulled,) = tables(smoked, "lot")
    assert {row[0]: kg(row[2]) for row in pulled} == {
        lot["lot"]: Fraction(str(lot["held_kg"])).limit_denominator(10**6) for lot in found["lots"]
    }
    loads = list(tables(smoked, "weigh in this order"))
    cures = re.findall(
        r'First, the cure: pink cure, 6\.25 % nitrite\. <strong class="large">([\d.]+) g</strong>', smoked
    )
    assert len(loads) == len(cures) == len(found["loads"]) == 3
    for rows, cure, load in zip(loads, cures, found["loads"], strict=True):
        went = {item["item"]: item["grams"] / 1000 for item in load["weigh_out"]}
        assert float(cure) / 1000 == pytest.approx(went.pop("pink cure"))
        went |= {lot["lot"]: lot["kg"] for lot in load["lots"]}
        names = {name: next(row for row in rows if row[0].startswith(name)) for name in went}
        assert {name: float(kg(row[1])) for name, row in names.items()} == pytest.approx(went)
        assert rows[-1][0].startswith("cooked barley")  # inclusions last


def test_weights_and_dates_are_those_of_the_blend_and_of_the_lots(smoked: str) -> None:
    found = blend(*SMOKED)
    whole = f"{found['batch_kg']:.3f}"
    assert f"{found['meat_kg']:g} kg of meat, {whole} kg in all, 3 mixer loads" in text(tree(smoked))
    loads = [float(weight) for weight in re.findall(r"<h3>Load \d of 3: ([\d.]+) kg", smoked)]
    went = [sum(x["grams"] for x in load["weigh_out"]) / 1000 + sum(x["kg"] for x in load["lots"])
            for load in found["loads"]]  # fmt: skip
    assert loads == pytest.approx(went, abs=5e-4)
    with (EXAMPLES / "smoked-lots.csv").open(encoding="utf-8", newline="") as file:
        dates = {row["lot"]: date.fromisoformat(row["use_by"]) for row in csv.DictReader(file)}
    (pulled,) = tables(smoked, "lot")
    for row in pulled:
        assert row[6] == "" and row[7].startswith(f"{dates[row[0]]:%a} {dates[row[0]].day} {dates[row[0]]:%b}")


def test_what_is_read_of_heat_and_cold_is_what_the_guidelines_say(smoked: str) -> None:
    """FSIS Appendix A (2021) on coming up; Appendix B (1999), option 1; 3 is for more nitrite and an accelerator."""
    (rows,) = tables(smoked, "limit")
    said = [row[0].split("[")[0] for row in rows]
    assert "coming up: 50 to 130 F within 6 h" in said
    assert [words.partition(": ")[2] for words in said if words.startswith("cooling")] == [
        "130 F to 80 F within 1 h 30 min", "80 F to 40 F within 5 h",
    ]  # fmt: skip


def test_what_is_asked_of_a_blend_may_be_asked_of_its_sheet() -> None:
    words = [*FRESH, "--mixer-kg", "14", "--prefer", "fewest-lots", "--premium-pct", "9", "--smallest-pull", "2"]
    found, plain, page = blend(*words), blend(*FRESH), sheet(*words)
    (pulled,) = tables(page, "lot")
    assert {row[0]: float(kg(row[2])) for row in pulled} == {lot["lot"]: lot["held_kg"] for lot in found["lots"]}
    assert len(found["lots"]) < len(plain["lots"])
    assert len(list(tables(page, "weigh in this order"))) == len(found["loads"]) == 2


def test_the_leanest_is_pulled_first(smoked: str) -> None:
    fat = {line.split(",")[0]: line for line in (EXAMPLES / "smoked-lots.csv").read_text("utf-8").splitlines()}
    place = fat["lot"].split(",").index("fat_pct")
    (pulled,) = tables(smoked, "lot")
    shares = [float(fat[row[0]].split(",")[place]) for row in pulled]
    assert shares == sorted(shares) and len(set(shares)) > 1


def test_pounds_are_large_and_cure_stays_in_grams() -> None:
    page = sheet(*[("--meat-lb" if word == "--meat-kg" else word) for word in SMOKED])
    (pulled,) = tables(page, "lot")
    weighed = [*(row[2] for row in pulled), *(row[1] for rows in tables(page, "weigh in this order") for row in rows)]
    for words in weighed:
        large, small = re.fullmatch(r"((?:[\d.]+ lb)? ?(?:[\d.]+ oz)?) ([\d.]+ k?g)", words).groups()
        division = Fraction("0.02") if small.endswith("kg") else Fraction("0.0001")
        assert abs(kg(large) - kg(small)) <= division / 2, words
    assert re.search(r'6\.25 % nitrite\. <strong class="large">[\d.]+ g</strong>', page)
    assert not re.search(r'nitrite\. <strong class="large">[\d.]+ (lb|oz)', page)


def test_the_makers_own_steps_stand_in_order_with_their_boxes(smoked: str) -> None:
    method = yaml.safe_load((EXAMPLES / "smoked.yaml").read_text("utf-8"))["method"]
    steps = list(next(tree(smoked).iter("ol")))
    assert [text(step).startswith(entry["do"]) for step, entry in zip(steps, method, strict=True)] == [True] * len(
        method
    )
    for step, entry in zip(steps, method, strict=True):
        reads = entry["read"] if isinstance(entry["read"], list) else [entry["read"]]
        lines = [[text(blank) for blank in line] for line in step.iter("div")]
        loads = range(1, 4) if entry.get("each_load") else ("",)
        assert lines == [[*([f"load {n}"] if n else []), *reads, "done at", "initials"] for n in loads]


def test_the_schedule_of_the_smokehouse_has_boxes(smoked: str) -> None:
    (rows,) = tables(smoked, "step")
    assert [row[0] for row in rows] == ["dry", "smoke", "cook", "shower", "chill"]
    assert rows[2][1:5] == ["78 C (172.4 F)", "92 %", "", "69 C (156.2 F)"]
    assert all(row[5:] == [""] * 5 for row in rows)


@pytest.mark.parametrize("kind", ["fresh", "smoked", "dry"])
def test_a_starter_has_a_method_and_makes_a_sheet(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert CliRunner().invoke(app, ["new", "mine", "--kind", kind]).exit_code == 0
    page = sheet("mine.yaml", "--lots", "mine-lots.csv", "--meat-kg", "20")
    assert len(list(next(tree(page).iter("ol")))) >= 4
    assert ("weight of a piece at first and last" in page) is (kind == "dry")
    assert ("checked by a second person" in page) is (kind != "fresh")


def test_names_that_would_be_markup_stay_names(tmp_path: Path) -> None:
    evil = "<img src=x onerror=1>&\"'</td><script>"
    recipe = yaml.safe_load((EXAMPLES / "fresh.yaml").read_text("utf-8"))
    recipe |= {"name": evil, "method": [{"do": evil, "read": [evil]}]}
    recipe["casing"] |= {"name": evil, "soak": evil}
    recipe["additions"][1]["name"] = evil
    (tmp_path / "r.yaml").write_text(yaml.safe_dump(recipe), encoding="utf-8")
    lots = (EXAMPLES / "fresh-lots.csv").read_text("utf-8").replace("pork jowl", '"' + evil.replace('"', '""') + '"')
    (tmp_path / "l.csv").write_text(lots.replace("J-02", "<b>J-02"), encoding="utf-8")
    words = [str(tmp_path / "r.yaml"), "--lots", str(tmp_path / "l.csv"), "--meat-kg", "25", *DAY]
    page = sheet(*words, "--code", "L<b>&\"'")
    parsed = tree(page)
    assert not {e.tag for e in parsed.iter()} & {"img", "script", "b"}
    assert text(parsed).count(evil) >= 5 and "<b>J-02" in text(parsed) and "L<b>&\"'" in text(parsed)
    assert html.escape("<b>J-02") in page


def test_nothing_is_laid_out_for_what_must_not_be_made(tmp_path: Path) -> None:
    recipe = (EXAMPLES / "smoked.yaml").read_text("utf-8").replace("ingoing_nitrite_ppm: 150", "g_per_kg_meat: 4")
    (tmp_path / "r.yaml").write_text(recipe, encoding="utf-8")
    page = sheet(str(tmp_path / "r.yaml"), *SMOKED[1:], code=1)
    assert "DO NOT MAKE" in page and CAUTION in page and "ingoing nitrite" in page
    none = sheet(*[("900" if word == "25" else word) for word in FRESH], code=1)
    assert "NO SUCH BATCH" in none
    for refused in (page, none):
        parsed = tree(refused)
        assert not list(parsed.iter("table")) and "blank" not in {e.get("class") for e in parsed.iter()}
        assert not re.search(r"<strong class=\"large\"|<svg", refused)


def test_a_week_that_must_not_be_made_or_has_no_plan_lays_out_nothing(tmp_path: Path) -> None:
    for name in ("lots.csv", "offers.csv"):
        (tmp_path / name).write_text((EXAMPLES / "week" / name).read_text("utf-8"), encoding="utf-8")
    for name in ("fresh", "smoked"):
        recipe = (EXAMPLES / f"{name}.yaml").read_text("utf-8").replace("ingoing_nitrite_ppm: 150", "g_per_kg_meat: 4")
        (tmp_path / f"{name}.yaml").write_text(recipe, encoding="utf-8")
    (tmp_path / "week.yaml").write_text(Path(WEEK).read_text("utf-8").replace("../", ""), encoding="utf-8")
    page = sheet(str(tmp_path / "week.yaml"), code=1)
    assert "DO NOT MAKE" in page and CAUTION in page
    assert not re.search(r"<table|<svg|<strong class=\"large\"", page)


def test_a_week_of_which_something_made_is_on_hold_says_only_that(tmp_path: Path) -> None:
    path, plan = planned(tmp_path)
    assert after(path, tmp_path, plan, lots=[{"lot": "fat", "fat_pct": "80"}]).hold
    page = sheet(path, "--what-happened", str(tmp_path / "happened.yaml"), code=1)
    assert "HOLD WHAT WAS MADE" in page and "B0 of" in page and CAUTION in page
    assert not re.search(r"<table|<svg|<strong class=\"large\"", page)


def test_a_weeks_lists_are_the_plan(week: str) -> None:
    plan = json.loads(CliRunner().invoke(app, ["plan", WEEK, "--no-compare", "--json"]).stdout)
    titles = re.findall(r"<h2>Order from (.*?)</h2>", week)
    assert titles == sorted({order["supplier"] for order in plan["orders"]})
    rows = [row for table in tables(week, "offer") for row in table]
    assert sorted((row[0], float(row[3])) for row in rows) == sorted((o["offer"], o["kg"]) for o in plan["orders"])
    bought = {order["offer"]: order for order in plan["orders"]}
    for row in rows:
        order, days = bought[row[0]], [date.fromisoformat(bought[row[0]][key]) for key in ("order_by", "delivered")]
        assert row[1:3] == [order["material"], str(order["packs"])]
        assert row[4:6] == [f"{order['cost_per_kg']:.3f}", f"{order['cost']:.2f}"]
        assert row[6:8] == [f"{day:%a} {day.day} {day:%b} {day.year}" for day in days] and row[8:] == [""] * 5
    pulled = [table for table in tables(week, "lot") if len(table[0]) == 6]
    days = [list(group) for _, group in groupby(plan["batches"], key=lambda batch: batch["date"])]
    assert len(pulled) == len(days)
    for table, batches in zip(pulled, days, strict=True):
        held = sum(pull["held_kg"] for batch in batches for pull in batch["pulls"])
        assert float(sum(kg(row[2]) for row in table)) == pytest.approx(held, abs=0.005 * len(table))
        for row in table:
            takes = [b["batch"] for b in batches if any(pull["lot"] == row[0].split(",")[0] for pull in b["pulls"])]
            assert row[3] == ", ".join(takes) or not takes, row
    codes = re.findall(r'<strong class="large">(L\d{6}-\d)</strong>', week)
    days_of = [f"L{batch['date'][2:].replace('-', '')}" for batch in plan["batches"]]
    assert [code[:7] for code in codes] == days_of and len(set(codes)) == len(codes)


def test_a_week_in_pounds_is_ordered_and_pulled_in_pounds(tmp_path: Path, week: str) -> None:
    path = tmp_path / "week.yaml"
    text = Path(WEEK).read_text("utf-8").replace("../", f"{EXAMPLES}/") + "units: lb\n"
    for name in ("lots.csv", "offers.csv"):
        text = text.replace(f": {name}", f": {EXAMPLES / 'week' / name}")
    path.write_text(text, encoding="utf-8")
    page = sheet(str(path))
    assert page == sheet(WEEK, "--units", "lb")
    (metric,), (orders,) = tables(week, "offer"), tables(page, "offer")
    for row, other in zip(orders, metric, strict=True):
        assert float(row[3]) == pytest.approx(float(other[3]) / 0.45359237, abs=0.005)
        assert float(row[4]) == pytest.approx(float(other[4]) * 0.45359237, abs=0.0005)
    for rows in (*tables(page, "lot"), *tables(page, "weigh in this order")):
        assert all(re.match(r"[\d.]+ (lb|oz)", row[2] if len(row) > 5 else row[1]) for row in rows)


def test_a_ledger_gives_suppliers_and_the_next_code(tmp_path: Path) -> None:
    path = str(tmp_path / "stock.db")
    for words in (
        ["new", path],
        ["receive", path, str(EXAMPLES / "fresh-lots.csv"), "--from", "Cliff Farm", "--by", "AB"],
        ["waste", path, "S-14", "1", "--by", "AB", "--reason", "x", "--document", "L261125-1"],
    ):
        assert CliRunner().invoke(app, ["stock", *words]).exit_code == 0
    page = sheet(FRESH[0], "--lots", path, *FRESH[3:])
    (pulled,) = tables(page, "lot")
    assert {row[4] for row in pulled} == {"Cliff Farm"}
    assert "L261125-2" in page and "L261125-1" not in page


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.1."""
    digits = colour.lstrip("#")
    parts = [
        int(x * 2 if len(digits) == 3 else x, 16) / 255 for x in re.findall("." if len(digits) == 3 else "..", digits)
    ]
    red, green, blue = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_wcag(smoked: str) -> None:
    assert contrast("#777", "#fff") == pytest.approx(4.48, abs=0.01)  # a published example of a near miss
    themes = re.findall(r":root \{([^}]*)\}", smoked)
    assert len(themes) == 3
    for theme in themes:
        colours = dict(re.findall(r"--(\w+): (#\w+)", theme))
        assert contrast(colours["ink"], colours["paper"]) >= 7
        assert all(contrast(colours[name], colours["paper"]) >= 3 for name in ("line", "mark"))
    assert "--ink: #000; --paper: #fff" in themes[2]


def modules(page: str) -> list[list[bool]]:
    """The QR code's modules, drawn as strokes of one module's height."""
    drawn = re.search(r"<svg[^>]*>(?:(?!</svg>).)*<title>batch .*?</svg>", page, re.DOTALL)[0]
    path = re.search(r'stroke="#000"[^>]* d="([^"]+)"|d="([^"]+)"[^>]*stroke="#000"', drawn)
    marks, x, y = set(), 0.0, 0.0
    for command, figures in re.findall(r"([MmHhVvz])([-\d. ,]*)", path[1] or path[2]):
        at = [float(n) for n in re.findall(r"-?[\d.]+", figures)]
        if command == "M":
            x, y = at
        elif command == "m":
            x, y = x + at[0], y + at[1]
        elif command == "h":
            marks |= {(int(x) + k, int(y)) for k in range(int(at[0]))}
            x += at[0]
    left, top = min(a for a, _ in marks), min(b for _, b in marks)
    return [[(left + c, top + r) in marks for c in range(21)] for r in range(21)]


def test_the_code_reads_back_as_what_is_printed(smoked: str) -> None:
    grid = modules(smoked)
    mask = sum(bool(grid[8][c]) << (4 - c) for c in (2, 3, 4)) ^ 0b101  # format bits 12 to 10, less the mask 101010...
    unmask = [lambda r, c: (r + c) % 2, lambda r, c: r % 2, lambda r, c: c % 3, lambda r, c: (r + c) % 3,
              lambda r, c: (r // 2 + c // 3) % 2, lambda r, c: r * c % 2 + r * c % 3,
              lambda r, c: (r * c % 2 + r * c % 3) % 2, lambda r, c: ((r + c) % 2 + r * c % 3) % 2][mask]  # fmt: skip
    bits = []
    for turn, right in enumerate((20, 18, 16, 14, 12, 10, 8, 5, 3, 1)):
        for row in range(20, -1, -1) if turn % 2 == 0 else range(21):
            for column in (right, right - 1):
                corner = (row < 9 and (column < 9 or column > 12)) or (row > 12 and column < 9)
                if not corner and row != 6:
                    bits.append(int(grid[row][column] ^ (unmask(row, column) == 0)))
    stream = "".join(map(str, bits))
    assert stream[:4] == "0010"  # alphanumeric
    count, rest = int(stream[4:13], 2), stream[13:]
    letters = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
    pairs = [divmod(int(rest[k : k + 11], 2), 45) for k in range(0, count // 2 * 11, 11)]
    said = "".join(letters[a] + letters[b] for a, b in pairs)
    odd = letters[int(rest[count // 2 * 11 :][:6], 2)] if count % 2 else ""
    assert said + odd == "L261125-1"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([WEEK, "--code", "A"], "the file is a week"),
        ([*FRESH, "--what-happened", WEEK], "is for a week"),
        ([*FRESH, "--code", "a\u202eb"], "letters that can be seen"),
        ([*FRESH, "--code", "A" * 41], "letters that can be seen"),
        ([*FRESH, "--html", FRESH[0]], "read by this very command"),
    ],
)
def test_what_cannot_be_meant_is_refused(words: list[str], told: str) -> None:
    done = CliRunner().invoke(app, ["sheet", *words])
    assert done.exit_code == 2 and told in " ".join(done.stderr.split()), done.output


def test_a_correction_has_a_sheet_of_what_is_added_and_held_back(tmp_path: Path) -> None:
    """Examples/correct, in a mixer of 26 kg: the ground mass is weighed into the load and pulled from no cooler."""
    where, lots = tmp_path / "s.html", str(EXAMPLES / "fresh-lots.csv")
    asked = ["correct", str(EXAMPLES / "correct" / "ground.csv"), "--recipe", str(EXAMPLES / "fresh.yaml"), "--lots",
             lots, "--measured-fat", "36", *DAY, "--mixer-kg", "26", "--json", "--sheet", str(where)]  # fmt: skip
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    told, page = json.loads(done.stdout)["correction"], where.read_text()
    [pulled], [weighed] = list(tables(page, "lot")), list(tables(page, "weigh in this order"))
    added = {row["lot"]: Fraction(str(row["kg"])) for row in told["add"]["lots"]}
    assert {row[0]: kg(row[2]) for row in pulled} == added and added
    kept = next(kg(row[1]) for row in weighed if row[0].startswith("as ground"))
    assert kept == Fraction(str(told["kept_kg"]))
    said = text(tree(page))
    assert f"HOLD BACK {told['held_back_kg']} kg" in said and "not to be weighed again: salt" in said
    assert "held back as rework, weighed" in said and "mixed until even" in said


def test_no_sheet_weighs_out_the_mending_of_too_much_cure(tmp_path: Path) -> None:
    where, batch = tmp_path / "s.html", tmp_path / "b.csv"
    batch.write_text("item,kg\nA-51,4\nP-31,16\nsalt,0.38\npink cure,0.060\n")
    asked = ["correct", str(batch), "--recipe", SMOKED[0], "--lots", SMOKED[2], *DAY, "--sheet", str(where)]
    assert CliRunner().invoke(app, asked).exit_code == 1
    page = where.read_text()
    said = text(tree(page))
    assert "Nothing is weighed out" in said and "no matter of course" in said and "MAKE IT" not in said
    assert not list(tables(page, "weigh in this order")) and not list(tables(page, "lot"))


def test_codes_of_a_week_go_on_after_what_is_made_that_day() -> None:
    """One batch of Monday is made: the two that are left of Monday are its second and third, Tuesday's is a first."""
    days = [date(2026, 11, 30), date(2026, 11, 30), date(2026, 12, 1)]
    job = SimpleNamespace(name="A", recipe=SimpleNamespace(entry=SimpleNamespace(name="links")))
    week = SimpleNamespace(lots=SimpleNamespace(file="none.csv"))
    outcome: Any = SimpleNamespace(
        plan=SimpleNamespace(world=SimpleNamespace(week=week, supplies={})), unit=Unit(),
        made=[SimpleNamespace(on=day, taken={}, job=job, answer=None) for day in days],
        done=[{"date": "2026-11-30"}, {"date": "2026-11-29"}],
    )  # fmt: skip
    assert [one.code for one in _sheets(outcome)] == ["L261130-2", "L261130-3", "L261201-1"]


def test_a_pull_of_a_day_is_for_the_batches_that_take_of_it() -> None:
    order = SimpleNamespace(problem=SimpleNamespace(order=SimpleNamespace(meat_division_kg=Fraction(1, 100))))
    batches = [
        SimpleNamespace(taken=taken, job=SimpleNamespace(name=name), answer=order, on=date(2026, 11, 30))
        for name, taken in (("A", {0: Fraction(2)}), ("B", {1: Fraction(7)}), ("C", {0: Fraction(3, 2)}))
    ]
    supplies = [SimpleNamespace(name=name, came=None, lot=SimpleNamespace(material="trim")) for name in ("S-1", "S-2")]
    plan = SimpleNamespace(world=SimpleNamespace(supplies=supplies))

    def pulls(*, pounds: bool) -> list[dict[str, str]]:
        outcome: Any = SimpleNamespace(plan=plan, made=batches, unit=Unit.of(pounds=pounds))
        ((_, rows),) = _pulls(outcome)
        return rows

    assert [(row["lot"], row["for_"], row["large"], row["small"]) for row in pulls(pounds=False)] == [
        ("S-1", "A, C", "3.50 kg", ""), ("S-2", "B", "7.00 kg", ""),
    ]  # fmt: skip
    assert kg(pulls(pounds=True)[0]["large"]) == pytest.approx(Fraction(7, 2), abs=0.005)
