"""The ledger and its trace: kilograms conserved, faults refused with the file untouched, what the law asks for."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import sqlite3
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import reliability_stock as reliability
import yaml
from hypothesis import HealthCheck, given, settings, strategies as st
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from optimizer import ledger
from optimizer.cli import app
from optimizer.ledger import Movement, NotRecorded, Recording, create, opened, record
from optimizer.reading.lots import exported, parse_lots, read_lots
from optimizer.record import plain
from optimizer.store.pages import Traced, keep_through, picture, trace, trace_page

ROOT = Path(__file__).parents[1]
LOTS = ROOT / "examples" / "fresh-lots.csv"
CASES = {
    case["id"]: case
    for case in yaml.load((ROOT / "tests/data/cook-cool-examples.yaml").read_text(), Loader=yaml.BaseLoader)
}


def run(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, done.stdout, done.stderr


def document(name: str, at: str = "2026-11-25T06:10:00+00:00", party: str = "") -> Recording:
    return Recording(name, at, "AB", party)


@pytest.fixture
def path(tmp_path: Path) -> str:
    found = str(tmp_path / "stock.db")
    create(found)
    return found


def came(path: str, **kilograms: str) -> None:
    moves = [Movement("receive", lot, Fraction(kg)) for lot, kg in kilograms.items()]
    record(path, "receive", document("came", party="Cliff Farm"), moves, {lot: {"lot": lot} for lot in kilograms})


def left(path: str, lot: str) -> Fraction:
    with opened(path) as base:
        return ledger.balance(base, lot)


# ---- published and constructed cases (tests/data/cook-cool-examples.yaml, group trace) ----


def test_the_identity_of_a_lot(path: str) -> None:
    """received = used + wasted + left + unexplained."""
    case = CASES["trace-ledger"]["inputs"]
    came(path, S1=case["received_kg"])
    for number, kg in enumerate(case["used_kg"]):
        used = Fraction(kg)
        record(path, "make", document(f"b{number}"), [Movement("pull", "S1", -used, f"b{number}", "", used)])
    record(path, "waste", document("w"), [Movement("waste", "S1", -Fraction(case["wasted_kg"]))])
    ledger.count(path, document("c"), "S1", Fraction(case["counted_left_kg"]))
    book = trace(path, "S1").lots["S1"]
    assert book.unexplained == Fraction(CASES["trace-ledger"]["expected"]["unexplained_kg"])
    assert book.came == book.used + book.sold + book.wasted + book.left + book.unexplained


def test_the_whole_batch_is_at_risk(path: str) -> None:
    case = CASES["trace-forward"]
    came(path, S1="40", S2="60")
    for number, (kg, whole) in enumerate(zip(case["inputs"]["lot_kg_in"], case["inputs"]["batch_kg"], strict=True)):
        rest = Fraction(whole) - Fraction(kg)
        record(path, "make", document(f"b{number}"), [
            Movement("pull", "S1", -Fraction(kg), f"b{number}", "", Fraction(kg)),
            Movement("pull", "S2", -rest, f"b{number}", "", rest),
        ])  # fmt: skip
    found = trace(path, "S1")
    assert len(found.batches) == int(case["expected"]["batches"])
    assert found.at_risk_kg == Fraction(case["expected"]["kg_at_risk"])
    assert "S2" not in found.lots


def test_papers_are_kept_from_the_day_of_supply(path: str) -> None:
    """Two years after the food was supplied: SFCR s. 90(3)."""
    from datetime import date

    from constraints.treatment import load_treatments

    case, canada = CASES["trace-retention-canada"], load_treatments("ca")
    assert canada is not None and canada.papers is not None
    day = date.fromisoformat(case["inputs"]["supplied"])
    assert keep_through(day, canada.papers.years).isoformat() == case["expected"]["keep_through"]
    assert keep_through(date(2028, 2, 29), 2) == date(2030, 2, 28)


def test_papers_kept_by_the_year_count_from_its_last_day_and_what_is_left_is_said(path: str) -> None:
    """9 CFR 320.3(a): two years after December 31 of the year of the transaction (from memory)."""
    came(path, S1="5")
    record(path, "sell", document("s", party="Cliff Inn"), [Movement("sell", "S1", Fraction(-2))])
    said = " ".join(trace_page(trace(path, "S1")).split())
    assert "United States, federal inspection: keep them through Sun 31 Dec 2028" in said
    assert "Canada: keep them through Sat 25 Nov 2028" in said
    assert "; 3 kg left. Hold all that is left and ask your authority." in said


# ---- what was recorded ----


def test_a_kitchens_week(tmp_path: Path) -> None:
    """Receive, blend from the ledger, make, rework into the next batch, sell, return; then trace both ways."""
    db, first, second = (str(tmp_path / name) for name in ("stock.db", "1.json", "2.csv"))
    recipe = str(ROOT / "examples" / "fresh.yaml")
    by = ("--by", "AB")
    assert run("stock", "new", db)[0] == 0
    assert run("stock", "receive", db, str(LOTS), *by, "--from", "Cliff Farm")[0] == 0
    assert list(csv.reader(io.StringIO(exported(db)))) == list(csv.reader(io.StringIO(LOTS.read_text())))
    code, out, _ = run("blend", recipe, "--lots", db, "--meat-kg", "25", "--date", "2026-11-25", "--json")
    Path(first).write_text(out)
    assert code == 0
    on = ("--date", "2026-11-25")
    out_of_it = ("--out-kg", "25", "--rework-kg", "0.5")
    made = ("stock", "make", db, first, "--recipe", recipe, "--code", "B1", *by, *on, *out_of_it)
    assert run(*made)[0] == 0
    code, _, err = run(*made)
    assert code == 2 and "recorded already" in err
    assert run("check", first, "--recipe", recipe, "--lots", db, "--date", "2026-11-25")[0] != 0  # the lots are used up
    Path(second).write_text(
        "item,kg\nS-15,10\nF-11,1\nB1 rework,0.5\nsalt,0.18\nblack pepper,0.03\nsage,0.01\nice,0.2\n"
    )
    code, out, err = run("stock", "make", db, second, "--recipe", recipe, "--code", "B2", *by, *on, "--out-kg", "11")
    assert code == 1 and "NOT WHAT THE RECIPE ASKS" in out and "batch B2 recorded" in err  # judged, and no hold
    assert run("stock", "sell", db, "B2", "6", "--to", "Mole Inn, Quay 3", *by, "--document", "inv 7")[0] == 0
    assert run("stock", "return", db, "B2", "1", "--from", "Mole Inn, Quay 3", *by)[0] == 0
    found = trace(db, "S-14")
    assert list(found.batches) == ["B1", "B2"]  # through rework
    assert [(line.party, line.lot, line.kilograms, line.document) for line in found.of("sell")] == [
        ("Mole Inn, Quay 3", "B2", 6, "inv 7")
    ]
    back = trace(db, "B2")
    assert set(back.batches) == {"B1", "B2"} and {"S-15", "F-11", "S-14", "P-06"} <= set(back.lots)
    assert {line.party for line in back.of("receive")} == {"Cliff Farm"}
    assert back.batches["B2"].unexplained == Fraction("11.92") - 11
    found.seconds = 0.1
    text = trace_page(found)
    assert "traced forward in 0.10 s" in text and "Mole Inn" in text and max(map(len, text.splitlines())) <= 80
    drawn = picture(found)
    assert "<svg" in drawn and "</desc>" in drawn and plain(Traced, back)
    rows = re.findall(r"<tr><td>(.*?)</td><td>(.*?)</td><td>(.*?)</td></tr>", drawn)
    boxes = [tuple(map(float, at)) for at in re.findall(
        r'<rect class="\w+" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"', drawn)]  # fmt: skip
    wide, tall = map(float, re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawn)[0])
    assert len(boxes) == len({name for row in rows for name in row[:2]}) > 6
    for k, (x, y, w, h) in enumerate(boxes):  # no box lies on another or outside
        assert x >= 0 and y >= 0 and x + w <= wide and y + h <= tall
        assert all(x + w <= a or a + c <= x or y + h <= b or b + d <= y for a, b, c, d in boxes[k + 1 :])
    for x1, y1, x2, y2 in (map(float, at) for at in re.findall(r"M ([\d.]+) ([\d.]+) L ([\d.]+) ([\d.]+)", drawn)):
        assert x1 < x2  # from the right of a box to the left of a later one
        assert any(x1 == x + w and y < y1 < y + h for x, y, w, h in boxes)
        assert any(x2 == x and y < y2 < y + h for x, y, w, h in boxes)
    sold = sum(line.kilograms for line in found.of("sell"))
    assert rows and sum(Fraction(kg) for _, to, kg in rows if to.startswith("to ")) == sold
    again = ("stock", "make", db, second, "--recipe", recipe, "--code", "B3", *by, *on, "--out-kg", "500")
    Path(second).write_text("item,kg\nF-11,1\nsalt,0.018\n")
    code, _, err = run(*again)
    assert code == 1 and "500 kg came out of 1.018 kg" in err
    code, out, _ = run("trace", db, "S-14", "--json", "--html", str(tmp_path / "t.html"))
    assert code == 0 and "Hold all that is left" in json.loads(out)["caution"]
    assert json.loads(out)["kg_at_risk"] == pytest.approx(float(found.at_risk_kg))
    document = json.loads(out)
    assert document["kg_left"] == pytest.approx(sum(lot["left"] for lot in document["lots"]))
    rework = next(lot for lot in read_lots(db).lots if lot.name == "S-15")
    assert rework.on_hand_kg == 12


def test_rework_brings_its_cure(tmp_path: Path) -> None:
    """What was put in then, on its green meat, comes back with the lot and never less than that."""
    db, weighed, recipe = (str(tmp_path / name) for name in ("s.db", "w.csv", "r.yaml"))
    Path(recipe).write_text(
        "name: Cured\nrules: [us]\nproduct_class: sausage\nadditions:\n  - {name: salt, is: salt, g_per_kg_meat: 18}\n"
        "  - {name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2.4}\n"
    )
    Path(weighed).write_text("item,kg\nS-14,10\nsalt,0.18\npink cure,0.024\n")
    create(db)
    assert run("stock", "receive", db, str(LOTS), "--by", "AB")[0] == 0
    assert (
        run("stock", "make", db, weighed, "--recipe", recipe, "--code", "C1", "--by", "AB", "--rework-kg", "1")[0] == 0
    )
    lot = next(lot for lot in read_lots(db).lots if lot.rework)
    assert lot.original_nitrite_ppm == 150 and lot.cured and lot.species == "pork"
    assert float(lot.green) == pytest.approx(10 / 10.204, abs=1e-6)
    assert lot.properties["nitrite_ppm"] <= lot.original_nitrite_ppm * lot.green


def test_a_mistake_is_reversed_by_a_line_and_only_once(path: str) -> None:
    came(path, S1="10")
    record(path, "waste", document("w"), [Movement("waste", "S1", Fraction(-4))])
    assert ledger.reverse(path, "w", document("reverse w")) == 1
    assert left(path, "S1") == 10
    for again in ("reverse w", "another"):
        with pytest.raises(NotRecorded, match="already"):
            ledger.reverse(path, "w", document(again))
    assert trace(path, "S1").lots["S1"].wasted == 0
    record(path, "waste", document("w2"), [Movement("waste", "S1", Fraction(-4))])
    with pytest.raises(NotRecorded, match="only 6 kg"):
        ledger.reverse(path, "came", document("reverse came"))


def test_the_file_itself_refuses_what_a_ledger_never_does(path: str) -> None:
    came(path, S1="1")
    with sqlite3.connect(path) as base:
        double = "SELECT 99, document, 'waste', lot, '', -2 * units, 0, '', NULL FROM movement"
        for wrong in (
            "UPDATE movement SET units = 0",
            "DELETE FROM movement",
            "UPDATE document SET person = 'X'",
            "DELETE FROM document",
            f"INSERT INTO movement {double}",
        ):
            with pytest.raises(sqlite3.IntegrityError):
                base.execute(wrong)
    assert left(path, "S1") == 1


def test_names_are_seen_as_typed_and_known_lots_stay_as_they_are(tmp_path: Path, path: str) -> None:
    for number, name in enumerate(("007", "1E5", "NA", "no", "=A1", 'ß, "x"')):
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(
            [("lot", "on_hand_kg", "fat_pct", "cost_per_kg"), (name, "2.50", "20.0", "3")]
        )
        (tmp_path / "l.csv").write_text(text.getvalue())
        assert run("stock", "receive", path, str(tmp_path / "l.csv"), "--by", "AB")[0] == 0, number
    assert [lot.name for lot in parse_lots(exported(path), "x").lots] == ["007", "1E5", "NA", "no", "=A1", 'ß, "x"']
    assert "2.50" in exported(path)
    with pytest.raises(NotRecorded, match="another fat_pct"):
        record(path, "receive", document("r"), [], {"007": {"lot": "007", "fat_pct": "21", "cost_per_kg": "3"}})


def test_pounds_and_decimal_commas_come_back_as_typed(tmp_path: Path, path: str) -> None:
    text = "lot;on_hand_lb;fat_pct;cost_per_lb\nA;10,25;20,5;1,5\nB;4;30;1\n"
    (tmp_path / "l.csv").write_text(text)
    assert run("stock", "receive", path, str(tmp_path / "l.csv"), "--by", "AB")[0] == 0
    assert exported(path) == text
    record(path, "waste", document("w"), [Movement("waste", "A", Fraction("-0.45359237"))])
    assert exported(path).splitlines()[1] == "A;9,25;20,5;1,5"
    (tmp_path / "m.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg\nC,1,20,1\n")
    code, _, err = run("stock", "receive", path, str(tmp_path / "m.csv"), "--by", "AB")
    assert code == 2 and "another way" in err


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(("waste", "sell", "return", "count", "pull")), st.sampled_from("AB"),
                          st.integers(0, 3000)), max_size=25))  # fmt: skip
def test_no_kilogram_vanishes(tmp_path_factory: pytest.TempPathFactory, moves: list[tuple[str, str, int]]) -> None:
    """Against a plain sum: every balance, and came = used + sold + wasted + left + unexplained."""
    path = str(tmp_path_factory.mktemp("s") / "s.db")
    create(path)
    came(path, A="2", B="1.5")
    held = {"A": Fraction(2), "B": Fraction(3, 2)}
    for number, (kind, lot, grams) in enumerate(moves):
        kg = Fraction(grams, 1000)
        if kind == "count":
            ledger.count(path, document(f"{number}"), lot, kg)
            held[lot] = kg
            continue
        sign = 1 if kind == "return" else -1
        try:
            record(path, kind, document(f"{number}"), [Movement(kind, lot, sign * kg, "b" if kind == "pull" else "")])
        except NotRecorded:
            assert held[lot] + sign * kg < 0
        else:
            held[lot] += sign * kg
    for lot, kg in held.items():
        book = trace(path, lot, back=False).lots[lot]
        assert book.left == kg >= 0
        assert book.came == book.used + book.sold + book.wasted + book.left + book.unexplained


# ---- reliability: a slice of tests/reliability_stock.py, which runs 1,000 kills ----


def test_killed_at_random_moments_nothing_confirmed_is_lost_and_nothing_half_is_there(tmp_path: Path) -> None:
    path = str(tmp_path / "s.db")
    reliability.stocked(path, a=1000, b=1000)
    confirmed = reliability.killed(path, 8, random.Random(7))
    assert reliability.check(path, confirmed) >= 9


def test_eight_processes_take_nothing_twice(tmp_path: Path) -> None:
    path = str(tmp_path / "s.db")
    reliability.stocked(path, a=40)
    reliability.crowd(path, 8, 40)


def test_a_copy_made_while_others_record_is_whole(tmp_path: Path) -> None:
    path, copy = str(tmp_path / "s.db"), str(tmp_path / "copy.db")
    reliability.stocked(path, a=1000, b=1000)
    child = reliability.started("record", path, "w")
    assert child.stdout is not None
    seen = {child.stdout.readline().strip() for _ in range(3)}
    ledger.backup(path, copy)
    child.kill()
    child.communicate()
    assert reliability.check(copy, seen) >= 4
    with pytest.raises(NotRecorded, match="there already"):
        ledger.backup(path, copy)


def refused(path: str, words: str) -> None:
    before = Path(path).read_bytes()
    for attempt in (lambda: came(path, X="1"), lambda: trace(path, "S1"), lambda: ledger.backup(path, path + ".copy")):
        with pytest.raises(NotRecorded, match=words):
            attempt()
    assert Path(path).read_bytes() == before


@pytest.mark.parametrize(
    "written",
    [
        "UPDATE lot SET cells = '[]'", "UPDATE lot SET cells = '5'", """UPDATE lot SET cells = '{"lot": 5}'""",
        "UPDATE lot SET cells = 'x'", "UPDATE lot SET lot = 5", "UPDATE setting SET value = '[1]'",
        "INSERT INTO movement VALUES (NULL, 'd1', 'odd', 'S1', '', 'x', 1, 'K', NULL)",
        "INSERT INTO movement VALUES (NULL, 'd1', 'test', 'S1', '5', 0, 0, '', NULL)",
    ],
)  # fmt: skip
def test_a_ledger_that_another_program_wrote_into_is_refused(path: str, written: str) -> None:
    """It is no fault of this program, and no answer is made of it."""
    came(path, S1="1")
    with sqlite3.connect(path) as base:
        base.execute("INSERT INTO setting VALUES ('delimiter', ',') ON CONFLICT DO NOTHING")
        base.execute("INSERT INTO document VALUES ('d1', 'receive', '2026-11-25', 'A', '', '', '2026-11-25')")
        base.execute("INSERT INTO document VALUES ('d2', 'receive', '2026-11-25', 'A', '', '', '2026-11-25')")
    base.close()
    assert trace(path, "S1")
    with sqlite3.connect(path) as base:
        base.execute(written)
    base.close()
    refused(path, "damaged|malformed")


def test_damaged_foreign_and_future_files_are_refused_untouched(tmp_path: Path, path: str) -> None:
    came(path, S1="1")
    whole = Path(path).read_bytes()
    for size in (50, 100, 4096, len(whole) // 2, len(whole) - 4096):
        Path(path).write_bytes(whole[:size])
        refused(path, "damaged|no ledger|another program|disk")
    Path(path).write_bytes(whole[:8192] + b"\xff" * 4096 + whole[12288:])
    refused(path, "damaged")
    for old, new in ((b"CREATE TABLE lot", b"CREATE TAB\xc4E lot"), (b'{"lot', b'["lot')):
        assert whole.count(old) >= 1
        Path(path).write_bytes(whole.replace(old, new))
        refused(path, "damaged|malformed")
    for old, new in ((b'{"lot', b'{"\xfe\xfet'), (b"receive", b"recei\xffe")):
        Path(path).write_bytes(whole.replace(old, new))
        with pytest.raises(NotRecorded, match="damaged"):
            trace(path, "S1")
    Path(path).write_bytes(whole)
    with sqlite3.connect(path) as base:
        base.execute("PRAGMA user_version = 2")
    base.close()
    refused(path, "version 2")
    other = str(tmp_path / "other.db")
    with sqlite3.connect(other) as base:
        base.execute("CREATE TABLE t (x)")
    base.close()
    refused(other, "another program")
    (tmp_path / "text.db").write_text("lot,fat\n")
    refused(str(tmp_path / "text.db"), "no ledger")
    with pytest.raises(NotRecorded, match="no such file"):
        trace(str(tmp_path / "nowhere.db"), "x")
    with pytest.raises(BadInput, match="another program"):
        read_lots(other)


def test_a_file_that_may_not_be_written(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    came(path, S1="1")

    def only_read(name: str) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{name}?mode=ro", uri=True, isolation_level=None)

    monkeypatch.setattr(ledger, "_connected", only_read)
    with pytest.raises(NotRecorded, match="may not be written"):
        came(path, S2="1")
    assert trace(path, "S1").lots["S1"].left == 1


def test_a_full_disk(path: str) -> None:
    """The child may write no file beyond the ledger's present size."""
    came(path, S1="1")
    script = (
        "import resource, sys, signal\nfrom fractions import Fraction\nfrom optimizer.ledger import *\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)\n"
        "lots = {f'L{k}': {'lot': 'x' * 500} for k in range(200)}\n"
        "try:\n    record(sys.argv[1], 'receive', Recording('big', 'now', 'AB'), [], lots)\n"
        "except NotRecorded as error:\n    print(error)\n"
    )
    size = str(Path(path).stat().st_size)
    done = subprocess.run(
        [sys.executable, "-c", script, path, size], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert "full" in done.stdout and "nothing was recorded" in done.stdout
    assert left(path, "S1") == 1 and len(trace(path, "S1").lines) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("new", "DB"), "cannot be made"),
        (("waste", "DB", "S-99", "1", "--by", "A", "--reason", "x"), "not in the ledger"),
        (("return", "DB", "S-99", "1", "--by", "A", "--from", "x"), "not in the ledger"),
        (("count", "DB", "S-99", "1", "--by", "A"), "not in the ledger"),
        (("waste", "DB", "S1", "0", "--by", "A", "--reason", "x"), "is not above zero"),
        (("waste", "DB", "S1", "1", "--by", "A", "--reason", ""), "must not be blank"),
        (("sell", "DB", "S1", "1", "--by", "A", "--to", " "), "must not be blank"),
        (("waste", "DB", "S1", "-1", "--by", "A", "--reason", "x"), "No such option"),
        (("waste", "DB", "S1", "1,5", "--by", "A", "--reason", "x"), "decimal comma"),
        (("waste", "DB", "S1", "0.00000000001", "--by", "A", "--reason", "x"), "more decimals"),
        (("waste", "DB", "S1", "1", "--by", " ", "--reason", "x"), "must not be blank"),
        (("waste", "DB", "S1", "1", "--by", "A", "--reason", "x", "--at", "noon"), "is no time"),
        (("waste", "DB", "S1", "1", "--by", "A"), "Missing option '--reason'"),
        (("reverse", "DB", "nothing", "--by", "A", "--reason", "x"), "no document"),
        (("receive", "DB", "nowhere.csv", "--by", "A"), "no such file"),
    ],
)
def test_bad_use(words: tuple[str, ...], said: str, path: str) -> None:
    came(path, S1="1")
    code, out, err = run("stock", *(path if word == "DB" else word for word in words))
    assert code == 2 and out == "" and said in " ".join(err.replace("│", " ").split()), err
    assert left(path, "S1") == 1


FIELDS: dict[str, tuple[str, str]] = {
    "from whom each came (Regulation (EC) 178/2002 Art 18; SFCR s. 90)": ("receive", "party"),
    "to whom each went (Regulation (EC) 178/2002 Art 18; 9 CFR 320.1(b)(1))": ("sell", "party"),
    "when (SFCR s. 90; 9 CFR 417.5)": ("sell", "at"),
    "how much (Regulation (EU) 931/2011 Art 3; 9 CFR 320.1(b)(1))": ("sell", "kilograms"),
    "reference of the lot (Regulation (EU) 931/2011 Art 3; SFCR s. 90)": ("sell", "lot"),
    "every food incorporated (SFCR s. 90)": ("pull", "lot"),
    "into which batch (SFCR s. 90)": ("pull", "batch"),
    "initials (9 CFR 417.5)": ("pull", "person"),
    "the document": ("sell", "document"),
}


@pytest.mark.parametrize("asked", FIELDS)
def test_what_the_law_asks_to_be_known_is_in_the_trace(asked: str, path: str) -> None:
    came(path, S1="5")
    record(path, "make", document("b"), [
        Movement("pull", "S1", Fraction(-5), "b", "", Fraction(5)), Movement("product", "b", Fraction(5), "b"),
    ], {"b": {"lot": "b", "material": "links"}})  # fmt: skip
    record(path, "sell", document("inv", party="Mole Inn"), [Movement("sell", "b", Fraction(-5))])
    kind, field = FIELDS[asked]
    found: Any = trace(path, "S1").of(kind)
    assert len(found) == 1 and getattr(found[0], field)


def test_no_cell_is_run_and_no_name_of_a_document_hides_anything(path: str) -> None:
    """A lot named as a formula (OWASP, CSV Injection) is marked as text, and reads back as it was."""
    record(path, "receive", document("came"), [Movement("receive", "=A1", Fraction(2))], {"=A1": {"lot": "=A1"}})
    assert exported(path).splitlines()[1].startswith("'=A1")
    for name in ("d\u202ey", "d\x1b[2J"):
        with pytest.raises(NotRecorded, match="holds the character U\\+"):
            record(path, "receive", document(name), [])
        with pytest.raises(NotRecorded, match="holds the character U\\+"):
            record(path, "receive", document("other", party=name), [])


# ---- pulled before it was made, put right, on hold, tested ----

ON = ("--date", "2026-11-25", "--by", "AB")
FRESH = str(ROOT / "examples" / "fresh.yaml")
CURED = (
    "name: Cured\nrules: [us]\nproduct_class: sausage\nadditions:\n  - {name: salt, is: salt, g_per_kg_meat: 18}\n"
    "  - {name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2.4}\n"
)


@pytest.fixture
def stocked(path: str) -> str:
    assert run("stock", "receive", path, str(LOTS), "--by", "AB", "--from", "Cliff Farm, Moor Lane")[0] == 0
    return path


def test_what_was_pulled_leaves_the_stock_exactly_once(tmp_path: Path, stocked: str) -> None:
    weighed = tmp_path / "w.csv"
    assert run("stock", "pull", stocked, "S-14", "9", "--into", "B1", *ON)[0] == 0
    assert run("stock", "pull", stocked, "L-21", "2", "--into", "B1", *ON)[0] == 0
    assert left(stocked, "S-14") == 9 and left(stocked, "L-21") == 28
    code, _, err = run("stock", "pull", stocked, "nothing", "2", "--into", "B1", *ON)
    assert code == 2 and "is not there" in err
    weighed.write_text("item,kg\nS-14,10\nJ-02,1.5\nsalt,0.184\n")
    code, _, err = run("stock", "make", stocked, str(weighed), "--recipe", FRESH, "--code", "B1", *ON)
    assert code == 1 and "batch B1 recorded\n" in err
    assert left(stocked, "S-14") == 8  # one more kilogram than was pulled
    assert left(stocked, "L-21") == 30  # put back
    book = trace(stocked, "S-14").lots["S-14"]
    assert (book.came, book.used, book.left, book.unexplained) == (18, 10, 8, 0)
    assert trace(stocked, "B1").batches["B1"].lots == Fraction("11.5")
    assert trace(stocked, "L-21").lots["L-21"].used == 0


def test_product_comes_in_when_it_comes_out_once(tmp_path: Path, stocked: str) -> None:
    weighed = tmp_path / "w.csv"
    weighed.write_text("item,kg\nS-14,10\nJ-02,1.5\nsalt,0.184\n")
    run("stock", "make", stocked, str(weighed), "--recipe", FRESH, "--code", "B1", *ON)
    code, _, err = run("stock", "pull", stocked, "S-14", "1", "--into", "B1", *ON)
    assert code == 2 and "recorded already" in err and left(stocked, "S-14") == 8
    came = ("stock", "out", stocked, "B1", "11", "--recipe", FRESH, *ON)
    assert run(*came)[0] == 0 and left(stocked, "B1") == 11
    assert trace(stocked, "B1").batches["B1"].unexplained == Fraction("11.684") - 11
    assert run(*came)[0] == 2 and run("stock", "out", stocked, "B9", "1", "--recipe", FRESH, *ON)[0] == 2


def test_what_may_not_be_made_is_recorded_as_on_hold_and_not_sold(tmp_path: Path, stocked: str) -> None:
    weighed, recipe = tmp_path / "w.csv", tmp_path / "r.yaml"
    recipe.write_text(CURED)
    weighed.write_text("item,kg\nS-14,10\nsalt,0.18\npink cure,0.044\n")
    made = ("stock", "make", stocked, str(weighed), "--recipe", str(recipe), "--code", "C1", *ON, "--rework-kg", "1")
    code, out, err = run(*made)
    assert code == 1 and "DO NOT MAKE" in out and "recorded as on hold: ingoing nitrite" in err
    assert left(stocked, "S-14") == 8
    assert next(lot for lot in read_lots(stocked).lots if lot.rework).on_hold
    code, out, _ = run("trace", stocked, "C1", "--full")
    assert code == 0 and "hold: ingoing" in " ".join(out.split())
    rows = json.loads(run("stock", "show", stocked, "--json", "--date", "2026-11-25")[1])["lots"]
    assert next(row for row in rows if row["lot"] == "C1 rework")["hold"]
    code, _, err = run("stock", "sell", stocked, "C1 rework", "1", "--to", "Mole Inn", *ON)
    assert code == 2 and "is on hold" in err


def test_a_batch_is_put_right_in_the_ledger(tmp_path: Path, stocked: str) -> None:
    """Over-cured: on hold; with uncured meat as correct says, recorded, judged again and no longer on hold."""
    weighed, recipe, fix = tmp_path / "w.csv", tmp_path / "r.yaml", tmp_path / "fix.json"
    recipe.write_text(CURED)
    weighed.write_text("item,kg\nS-14,10\nsalt,0.18\npink cure,0.03\n")
    files = ("--recipe", str(recipe), "--code", "C1")
    assert run("stock", "make", stocked, str(weighed), *files, *ON)[0] == 1
    asked = ("correct", "C1", "--recipe", str(recipe), "--lots", stocked, "--date", "2026-11-25")
    code, out, _ = run(*asked)
    assert code == 1 and "HOLD IT" in out and "no matter of course" in " ".join(out.split())
    code, out, _ = run(*asked, "--json")
    fix.write_text(out)
    told = json.loads(out)
    assert told["status"] == "do_not_make" and told["verdict"]["grade"] == "hold" and told["correction"]["over"]
    added = sum(row["kg"] for row in told["correction"]["add"]["lots"])
    assert added == pytest.approx(2.5, abs=0.05)  # 10 (3.0 / 2.4 - 1)
    code, out, err = run("stock", "correct", stocked, str(fix), *files, *ON, "--out-kg", "12")
    assert code == 0 and "batch C1 recorded\n" in err and "RIGHT AS WEIGHED" in out
    book = trace(stocked, "C1").batches["C1"]
    assert float(book.lots) == pytest.approx(10 + added) and book.product == 12
    assert run("stock", "sell", stocked, "C1", "1", "--to", "Mole Inn", *ON)[0] == 0
    assert run("stock", "correct", stocked, str(fix), *files, *ON)[0] == 2  # the same document, and made already
    code, _, err = run(*asked)
    assert code == 2 and "not ground any more" in err


def test_what_a_recorded_batch_holds_and_its_recipe_does_not_name_is_a_fault_of_the_batch_without_a_line(
    tmp_path: Path, stocked: str
) -> None:
    weighed, recipe = tmp_path / "w.csv", tmp_path / "r.yaml"
    recipe.write_text(CURED)
    weighed.write_text("item,kg\nS-14,10\nsalt,0.18\npink cure,0.03\n")
    run("stock", "make", stocked, str(weighed), "--recipe", str(recipe), "--code", "C1", *ON)
    recipe.write_text(CURED.replace("pink cure", "curing salt"))
    code, _, err = run("correct", "C1", "--recipe", str(recipe), "--lots", stocked, "--date", "2026-11-25")
    assert code == 2 and " ".join(err.split()).startswith("C1:item: error: no lot or addition is named 'pink cure'")


def test_part_of_an_over_cured_batch_stays_on_hold_when_the_rest_is_put_right(tmp_path: Path, stocked: str) -> None:
    weighed, recipe, fix = tmp_path / "w.csv", tmp_path / "r.yaml", tmp_path / "fix.json"
    recipe.write_text(CURED)
    weighed.write_text("item,kg\nS-14,10\nsalt,0.18\npink cure,0.03\n")
    files = ("--recipe", str(recipe), "--code", "C1", *ON)
    run("stock", "make", stocked, str(weighed), *files)
    asked = ("correct", "C1", "--recipe", str(recipe), "--lots", stocked, "--date", "2026-11-25", "--batch-kg", "10")
    fix.write_text(run(*asked, "--json")[1])
    back = str(json.loads(fix.read_text())["correction"]["held_back_kg"])
    name = ("--document", "fixed")
    assert run("stock", "correct", stocked, str(fix), *files, "--rework-kg", back, "--out-kg", "9", *name)[0] == 0
    assert next(lot for lot in read_lots(stocked).lots if lot.name == "fixed rework").on_hold
    assert run("stock", "sell", stocked, "fixed rework", "1", "--to", "Mole Inn", *ON)[0] == 2
    assert run("stock", "sell", stocked, "C1", "1", "--to", "Mole Inn", *ON)[0] == 0


def test_what_is_on_hold_or_past_is_not_sold_and_a_pull_of_it_is_told(tmp_path: Path, path: str) -> None:
    lots = tmp_path / "l.csv"
    lots.write_text(
        "lot,on_hand_kg,fat_pct,cost_per_kg,use_by,on_hold\nH,9,20,1,,YES\nD,9,20,1,2026-11-24,\nG,9,20,1,2026-11-25,\n"
    )
    run("stock", "receive", path, str(lots), "--by", "AB")
    for lot, why in (("H", "on hold"), ("D", "past its use-by")):
        code, _, err = run("stock", "sell", path, lot, "1", "--to", "Mole Inn", *ON)
        assert code == 2 and f"{lot} is {why}" in err and left(path, lot) == 9
        code, _, err = run("stock", "pull", path, lot, "1", "--into", "B1", *ON)  # it is out of the cooler all the same
        assert code == 1 and "HOLD IT" in err and why in err and left(path, lot) == 8
    assert run("stock", "sell", path, "G", "1", "--to", "Mole Inn", *ON)[0] == 0
    assert run("stock", "pull", path, "G", "1", "--into", "B1", *ON)[0] == 0


def test_no_answer_is_written_over_a_ledger(stocked: str) -> None:
    before = Path(stocked).read_bytes()
    words = ("blend", FRESH, "--lots", str(LOTS), "--meat-kg", "25", "--date", "2026-11-25")
    for option in ("--proof", "--html"):
        code, _, err = run(*words, option, stocked)
        assert code == 2 and "it is a ledger" in err and Path(stocked).read_bytes() == before


def test_a_lot_and_a_batch_never_share_a_name(tmp_path: Path, stocked: str) -> None:
    """A supplier calls about S-14: the trace must be the lot's, forward."""
    lots, weighed = tmp_path / "l.csv", tmp_path / "w.csv"
    for code, why in (("S-14", "is a lot"), (" ", "must not be blank"), ("B\u200b1", "ZERO WIDTH SPACE")):
        done, _, err = run("stock", "pull", stocked, "J-02", "1", "--into", code, *ON)
        assert done == 2 and why in err and left(stocked, "J-02") == 5
    weighed.write_text("item,kg\nS-14,10\nJ-02,1.5\nsalt,0.184\n")
    done, _, err = run("stock", "make", stocked, str(weighed), "--recipe", FRESH, "--code", "J-02", *ON)
    assert done == 2 and "is a lot" in err and left(stocked, "S-14") == 18
    run("stock", "pull", stocked, "J-02", "1", "--into", "B1", *ON)
    lots.write_text("lot,on_hand_kg,fat_pct,cost_per_kg\nB1,3,18,3.40\n")
    done, _, err = run("stock", "receive", stocked, str(lots), "--by", "AB")
    assert done == 2 and "is a batch" in err


def test_part_held_back_becomes_rework_and_no_kilogram_vanishes(tmp_path: Path, stocked: str) -> None:
    weighed, fix = tmp_path / "w.csv", tmp_path / "fix.json"
    weighed.write_text("item,kg\nS-14,15\nJ-02,5\nF-11,2\nsalt,0.352\nblack pepper,0.055\n")
    files = ("--recipe", FRESH, "--code", "B1")
    assert run("stock", "make", stocked, str(weighed), *files, *ON)[0] == 1  # too fat
    asked = ("correct", "B1", "--recipe", FRESH, "--lots", stocked, "--date", "2026-11-25", "--mixer-kg", "26")
    code, out, _ = run(*asked, "--measured-fat", "36", "--json")
    fix.write_text(out)
    told = json.loads(out)["correction"]
    back = Fraction(str(told["held_back_kg"]))
    assert code == 0 and back > 6
    before = sum(left(stocked, lot.name) for lot in read_lots(stocked).lots)
    put = ("stock", "correct", stocked, str(fix), *files, *ON, "--document", "fix 1")  # which says what is held back
    code, out, _ = run(*put)
    assert code == 0 and "RIGHT AS WEIGHED" in out  # of what stayed in
    assert left(stocked, "fix 1 rework") == back
    added = sum(Fraction(str(row["kg"])) for row in told["add"]["lots"])
    assert sum(left(stocked, lot.name) for lot in read_lots(stocked).lots) == before - added + back
    book = trace(stocked, "B1").batches["B1"]
    assert book.lots == 22 + added and book.rework == back
    in_it = {row["lot"]: Fraction(str(row["kg"])) for row in told["after"]["lots"]}
    told = json.loads(run(*asked, "--json")[1])["correction"]  # a second one starts from what stayed in, lot by lot
    assert Fraction(str(told["ground_kg"])) == book.lots + book.additions - back
    assert {row["lot"]: Fraction(str(row["kg"])) for row in told["ground"]["lots"]} == pytest.approx(in_it, abs=1e-6)
    again = tmp_path / "more.csv"
    again.write_text("item,kg\nsage,0.001\n")
    was = {lot.name: lot.on_hand_kg for lot in read_lots(stocked).lots}
    run("stock", "correct", stocked, str(again), *files, *ON, "--rework-kg", "2", "--document", "fix 2")
    assert {lot.name: lot.on_hand_kg for lot in read_lots(stocked).lots} == was | {"fix 2 rework": 2}
    told = json.loads(run(*asked, "--json")[1])["correction"]
    book = trace(stocked, "B1").batches["B1"]
    assert book.rework == back + 2 and Fraction(str(told["ground_kg"])) == book.lots + book.additions - book.rework


def test_what_was_kept_of_a_batch_as_made_is_not_in_it(tmp_path: Path, stocked: str) -> None:
    weighed = tmp_path / "w.csv"
    weighed.write_text("item,kg\nS-14,15\nJ-02,5\nF-11,2\nsalt,0.352\nblack pepper,0.055\n")
    run("stock", "make", stocked, str(weighed), "--recipe", FRESH, "--code", "B1", *ON, "--rework-kg", "5.60175")
    asked = ("correct", "B1", "--recipe", FRESH, "--lots", stocked, "--date", "2026-11-25", "--json")
    told = json.loads(run(*asked)[1])["correction"]  # a quarter of 22.407 kg is out of it, of every lot alike
    assert Fraction(str(told["ground_kg"])) == Fraction("16.80525")
    assert {row["lot"]: Fraction(str(row["kg"])) for row in told["ground"]["lots"]} == {
        "S-14": Fraction("11.25"), "J-02": Fraction("3.75"), "F-11": Fraction("1.5"),
    }  # fmt: skip


def test_a_method_of_the_recipes_own_is_known_to_a_test_and_a_correction(tmp_path: Path, stocked: str) -> None:
    recipe, weighed = tmp_path / "r.yaml", tmp_path / "w.csv"
    own = "confidence: {probability: 0.9, usual_method: our_bench, methods: [{name: our_bench, points: 1.25}]}"
    recipe.write_text(Path(FRESH).read_text() + f"\n{own}\n")
    weighed.write_text("item,kg\nS-14,15\nJ-02,5\nF-11,2\nsalt,0.352\n")
    how = ("--method", "our_bench", "--recipe", str(recipe))
    found = json.loads(
        run("correct", str(weighed), "--lots", stocked, "--measured-fat", "36", *how, "--date", "2026-11-25", "--json")[
            1
        ]
    )
    assert found["correction"]["measured"]["fat_sd_pct"] == 1.25
    code, out, _ = run("stock", "test", stocked, "S-14", "--fat", "20", *how, *ON)
    assert code == 0 and "1.25" in out


def test_tests_teach_what_later_blends_reckon_with(tmp_path: Path, path: str) -> None:
    """The export stays as typed, blend sees figure, error and a warning beside it; a reversal unlearns."""
    small = ROOT / "tests/data/small"
    assert run("stock", "receive", path, str(small / "lots.csv"), "--by", "AB")[0] == 0
    weighed = small / "ground.csv"
    recipe = str(small / "plain.yaml")
    run("stock", "make", path, str(weighed), "--recipe", recipe, "--code", "B1", *ON)
    typed = exported(path)
    code, out, _ = run("stock", "test", path, "B1", "--fat", "33", "--fat-sd-pct", "0.5", "--recipe", recipe, *ON)
    assert code == 0 and "what the tests say" in out.lower()
    code, _, err = run("stock", "test", path, "B1", "--fat", "33", "--fat-sd-pct", "0.5", *ON)
    assert code == 2 and "say --recipe" in err
    assert exported(path) == typed
    mass, shares, sds = Fraction("12.2"), (6, 3, 3), (1.5, 2.0, 2.5)
    mix = [float(kg / mass) for kg in shares]
    off = 33 - sum(m * fat for m, fat in zip(mix, (18, 22, 52), strict=True))
    total = sum((m * s) ** 2 for m, s in zip(mix, sds, strict=True)) + 0.25
    lots = {lot.name: lot for lot in read_lots(path).lots}
    for name, fat, m, s in zip("ABC", (18, 22, 52), mix, sds, strict=True):
        assert float(lots[name].properties["fat_pct"]) == pytest.approx(fat + m * s**2 / total * off, abs=6e-4)
        assert lots[name].fat_sd is not None
        assert float(lots[name].fat_sd) == pytest.approx(s * (1 - (m * s) ** 2 / total) ** 0.5, abs=1.1e-3)
        assert any("by its tests, typed" in words for words in lots[name].suspicions)
    for name, fat, water in (("A", 18, 63), ("B", 22, 60), ("C", 52, 37)):  # what is not fat keeps its make-up
        rest = (100 - float(lots[name].properties["fat_pct"])) / (100 - fat)
        assert float(lots[name].properties["moisture_pct"]) == pytest.approx(water * rest, abs=1e-3)
    assert lots["D"].properties["fat_pct"] == 8 and not lots["D"].suspicions
    code, out, _ = run("stock", "show", path, "--full")
    assert code == 0 and "! " in out
    ids = [
        row["document"]
        for row in json.loads(run("trace", path, "B1", "--json")[1])["movements"]
        if row["kind"] == "test"
    ]
    assert run("stock", "reverse", path, ids[0], "--by", "AB", "--reason", "wrong sample")[0] == 0
    assert {lot.name: lot.properties["fat_pct"] for lot in read_lots(path).lots}["A"] == 18
    code, out, _ = run("stock", "test", path, "D", "--fat", "9", "--method", "fat_bench_x", *ON)
    assert code == 2


def test_a_lot_of_no_stated_error_is_known_by_its_first_test(stocked: str) -> None:
    for fat in ("20", "22"):
        code, out, _ = run("stock", "test", stocked, "S-14", "--fat", fat, "--fat-sd-pct", "1", *ON)
    assert code == 0 and "21.00" in out and "0.71" in out
    assert next(lot for lot in read_lots(stocked).lots if lot.name == "S-14").properties["fat_pct"] == 21


def test_every_field_that_the_law_asks_for_is_in_ledger_and_trace(tmp_path: Path, stocked: str) -> None:
    """The rows of the law, each with where it stands: Regulation (EC) 178/2002 Article 18, Regulation (EU) 931/2011
    Article 3, 9 CFR 320.1(b)(1) and 417.5, SFCR s. 90 and 92 (read as the references say)."""
    weighed = tmp_path / "w.csv"
    weighed.write_text("item,kg\nS-14,10\nJ-02,2\nsalt,0.192\n")
    moment = "2026-11-25T06:10"
    made = (
        "stock",
        "make",
        stocked,
        str(weighed),
        "--recipe",
        FRESH,
        "--code",
        "L261125-1",
        "--by",
        "AB",
        "--at",
        moment,
    )
    run(*made, "--out-kg", "12")
    run("stock", "sell", stocked, "L261125-1", "5", "--to", "Mole Inn, Quay 3", "--by", "CD", "--at", moment,
        "--document", "inv 7")  # fmt: skip
    told = json.loads(run("trace", stocked, "L261125-1", "--json")[1])
    kinds = ("receive", "pull", "sell", "addition", "product")
    lines = {kind: [line for line in told["movements"] if line["kind"] == kind] for kind in kinds}
    supplied = {line["party"] for line in lines["receive"]}
    described = {lot["as_received"].get("material") for lot in told["lots"]}
    asked = {
        "from whom each ingredient came (Art 18; s. 90)": supplied == {"Cliff Farm, Moor Lane"},
        "lot reference of the supply (931/2011; s. 90)": {x["lot"] for x in lines["receive"]} == {"S-14", "J-02"},
        "when it came (s. 90)": all(x["at"] for x in lines["receive"]),
        "accurate description (931/2011; 320.1)": described >= {"shoulder"},
        "quantity (931/2011; 320.1)": {x["kilograms"] for x in lines["receive"]} == {18, 5},
        "document of the supply": all(x["document"] for x in lines["receive"]),
        "every commodity incorporated (s. 90)": {(x["lot"], x["into_batch"]) for x in lines["pull"]}
        == {("S-14", 10), ("J-02", 2)},
        "additions too": [(x["item"], x["into_batch"]) for x in lines["addition"]] == [("salt", 0.192)],
        "date, time and initials at the moment (417.5)": all(
            x["at"].startswith(moment) and x["person"] == "AB" for x in lines["pull"]
        ),
        "lot code of the product (s. 92; A.01.010)": [x["lot"] for x in lines["product"]] == ["L261125-1"],
        "caution": bool(told["caution"]),
    }
    forward = json.loads(run("trace", stocked, "S-14", "--json")[1])["movements"]
    sold = next(line for line in forward if line["kind"] == "sell")
    asked["to whom, when, how much, by which document (Art 18; s. 90; 320.1)"] = (
        (sold["party"], sold["at"][:16], sold["kilograms"], sold["document"], sold["person"])
        == ("Mole Inn, Quay 3", moment, 5, "inv 7", "CD")
    )  # fmt: skip
    assert [field for field, there in asked.items() if not there] == []


def test_the_stock_is_shown_as_page_document_and_html(tmp_path: Path, stocked: str) -> None:
    to = tmp_path / "s.html"
    code, out, _ = run("stock", "show", stocked, "--date", "2026-11-27", "--full", "--html", str(to), "--no-color")
    assert code == 0 and "past" in out and "Cliff Farm" in out and max(map(len, out.splitlines())) <= 80
    assert "<td>S-14</td>" in to.read_text() and "http" not in to.read_text().replace("http-equiv", "")
    rows = json.loads(run("stock", "show", stocked, "--json", "--date", "2026-11-27")[1])
    assert rows["date"] == "2026-11-27"
    assert {r["lot"]: r["kg"] for r in rows["lots"]} == {
        lot.name: float(lot.on_hand_kg) for lot in read_lots(stocked).lots
    }
    assert [r["lot"] for r in rows["lots"] if r["past"]] == ["P-06", "T-08"]


SMALL = ROOT / "tests/data/small"
NITRATE = CURED.replace("nitrite_pct: 6.25", "nitrite_pct: 6.25, nitrate_pct: 4")


def test_bone_is_taken_off_the_stock_and_not_into_the_batch(tmp_path: Path, path: str) -> None:
    """B is meat to 80 %: 5 kg pulled are 4 kg of meat, 6 kg of meat 7.5 kg; a gram from all of A is all of it."""
    weighed = tmp_path / "w.csv"
    assert run("stock", "receive", path, str(SMALL / "lots.csv"), "--by", "AB")[0] == 0
    assert run("stock", "pull", path, "B", "5", "--into", "B1", *ON)[0] == 0
    assert left(path, "B") == 7 and trace(path, "B1").batches["B1"].lots == 4
    weighed.write_text("item,kg\nB,6\nA,13.9995\nD,9.998\nsalt,0.54\n")
    run("stock", "make", path, str(weighed), "--recipe", FRESH, "--code", "B1", *ON)
    assert [left(path, lot) for lot in "BAD"] == [Fraction("4.5"), 0, Fraction("0.002")]
    book = trace(path, "B1").batches["B1"]
    assert (book.lots, book.additions) == (6 + Fraction("13.9995") + Fraction("9.998"), Fraction("0.54"))
    assert trace(path, "B").lots["B"].used == Fraction("7.5")
    assert trace(path, "A").at_risk_kg == book.lots + book.additions
    assert run("stock", "pull", path, "B", "4", "--into", "B2", *ON)[0] == 0
    weighed.write_text("item,kg\nB,3.5996\nsalt,0.06\n")  # 4.4995 kg held, of 4.5
    run("stock", "make", path, str(weighed), "--recipe", FRESH, "--code", "B2", *ON)
    assert left(path, "B") == 0


def test_rework_knows_all_that_went_in(tmp_path: Path, path: str) -> None:
    """By hand: 6 kg of A and 3 of B with 180 g of salt and 24.1 g of a cure of 6.25 % nitrite and 4 % nitrate."""
    weighed, recipe = tmp_path / "w.csv", tmp_path / "r.yaml"
    assert run("stock", "receive", path, str(SMALL / "lots.csv"), "--by", "AB")[0] == 0
    recipe.write_text(NITRATE)
    weighed.write_text("item,kg\nA,6\nB,3\nsalt,0.18\npink cure,0.0241\n")
    files = ("--recipe", str(recipe), "--code", "C1", "--out-kg", "8.5", "--rework-kg", "1")
    _, _, err = run("stock", "make", path, str(weighed), *files, *ON)
    assert "9.5 kg came out of 9.2041 kg: weigh again" in " ".join(err.split())
    lot = next(lot for lot in read_lots(path).lots if lot.rework)
    whole = Fraction("9.2041")
    assert trace(path, "C1").batches["C1"].unexplained == whole - Fraction("9.5")
    figures = {name: float(value) for name, value in lot.properties.items()}
    assert figures["fat_pct"] == pytest.approx(float((6 * 18 + 3 * 22) / whole), abs=1e-6)
    assert figures["salt_pct"] >= float(18 / whole) - 1e-6
    nitrite = Fraction("0.0241") * 62500
    assert lot.properties["nitrite_ppm"] == Fraction(int(100 * nitrite / whole), 100)  # never more than there is
    assert figures["nitrate_ppm"] == pytest.approx(float(Fraction("0.0241") * 40000 / whole), abs=1e-6)
    assert 0 <= lot.original_nitrite_ppm - nitrite / 9 < Fraction(1, 10**6)  # never less than went in
    assert float(lot.green) == pytest.approx(float(9 / whole), abs=1e-6)
    assert float(lot.held_cost_per_kg) == pytest.approx(
        float((6 * Fraction("3.40") + 3 * Fraction("2.40") / Fraction("0.8")) / whole), abs=1e-6
    )
    assert (lot.on_hand_kg, lot.cured, lot.species, lot.role) == (1, True, "pork", "meat")
    assert lot.use_by is not None and lot.use_by.isoformat() == "2026-11-28"  # that of B, the earlier


def test_no_name_is_neither_a_lot_nor_a_batch(path: str) -> None:
    """What came, was sold or was counted is for no batch; it is not the batch of a blank name."""
    came(path, S1="1")
    for back in (None, True, False):
        with pytest.raises(NotRecorded, match="knows neither a lot nor a batch named ''"):
            trace(path, "", back)
