"""``trimwright why`` from the outside: the page, the JSON, offers, figures set anew, pictures and faults."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).parents[1]
FRESH = ["why", "examples/fresh.yaml", "--lots", "examples/fresh-lots.csv", "--date", "2026-11-25"]
LEAN = ["why", "examples/why/lean.yaml", "--lots", "examples/fresh-lots.csv", "--date", "2026-11-25", "--meat-kg", "60"]


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """The command in a fresh process."""
    env = {**os.environ, "PYTHONIOENCODING": "utf-8"}
    return subprocess.run(
        [sys.executable, "-m", "optimizer", *words], cwd=ROOT, capture_output=True, encoding="utf-8", env=env
    )


def document(*words: str) -> Any:
    """Its JSON document."""
    return json.loads(run(*words, "--json").stdout)


def test_page_is_80_columns_and_names_its_figures() -> None:
    found = run(*FRESH, "--meat-kg", "25", "--offers", "examples/offers.csv")
    assert found.returncode == 0
    assert max(map(len, found.stdout.splitlines())) <= 80
    for words in (
        "each point more saves 0.78 crowns",
        "UP TO WHAT PRICE TO SAY YES",
        "P-06 9.00 3.15 3.60 1.48",
        "pay at most 3.81 crowns a kg",
    ):
        assert words in " ".join(found.stdout.split())


def test_a_lot_dropped_from_its_own_batch_is_used_by_all_of_that_just_below_its_price() -> None:
    """Where batches tie at the price of a lot with a smallest pull, it is not the pull that is used just below it."""
    words = ["examples/smoked.yaml", "--lots", "examples/smoked-lots.csv", "--meat-kg", "90", "--date", "2026-11-25"]
    used = [lot for lot in document("why", *words)["lots"] if lot["used_kg"]]
    ends = [lot for lot in used if lot["same_blend_to_per_kg"] == lot["used_up_to_per_kg"]]
    assert len(ends) >= 3 and all(lot["kg_then"] == pytest.approx(lot["used_kg"]) for lot in ends)


def test_a_lot_that_saves_nothing_even_for_nothing_is_never_bought() -> None:
    """With what dies before the next chance to use it as good as free, a lot that costs nothing only ties."""
    lots = document(*FRESH, "--meat-kg", "25", "--next-chance", "2026-11-30")["lots"]
    never = {lot["lot"] for lot in lots if not lot["used_kg"] and lot["used_up_to_per_kg"] is None}
    assert never >= {"B-09", "L-21", "S-15"}


def test_a_cure_beyond_the_law_is_not_to_be_made(tmp_path: Path) -> None:
    """6.4 g of 6.25 % cure a kilogram of meat is 400 ppm of nitrite: 9 CFR 424.21(c) allows 156."""
    text = (ROOT / "examples/smoked.yaml").read_text(encoding="utf-8")
    dosed = text.replace("ingoing_nitrite_ppm: 150", "g_per_kg_meat: 6.4")
    assert dosed != text
    (tmp_path / "r.yaml").write_text(dosed, encoding="utf-8")
    words = ["why", str(tmp_path / "r.yaml"), "--lots", "examples/smoked-lots.csv", "--date", "2026-11-25"]
    found = run(*words, "--meat-kg", "20")
    assert found.returncode == 1
    assert "DO NOT MAKE. " in found.stdout and "ingoing nitrite" in found.stdout
    assert any("nitrite" in broken["what"] for broken in document(*words, "--meat-kg", "20")["broken"])


def test_json_and_page_agree_and_keys_are_stable() -> None:
    found = document(*FRESH, "--meat-kg", "25", "--offers", "examples/offers.csv")
    assert set(found) == {
        "status", "recipe", "currency", "cost", "means", "unsaid", "binding", "margins", "lots", "offers", "conflict",
        "what_if", "what_would_pass", "curves", "unfinished", "verdict", "caution", "broken",
    }  # fmt: skip
    fat = next(b for b in found["binding"] if b["what"] == "fat")
    assert set(fat["loosen"]) == {
        "possible", "saves_per_unit", "until", "saves_per_unit_until", "saved_there", "straight", "no_batch_beyond",
        "beyond", "saves_per_unit_beyond",
    }  # fmt: skip
    assert fat["loosen"]["saves_per_unit"] == pytest.approx(0.7772, abs=1e-4)
    assert {lot["lot"] for lot in found["lots"]} == {
        "F-11", "J-02", "P-06", "S-14", "S-15", "B-09", "L-21", "N-03"
    } | {lot["lot"] for lot in found["lots"]}  # fmt: skip
    assert [offer["offer"] for offer in found["offers"]] == ["lean leg", "shoulder", "back fat", "lean beef"]


def test_curve_over_the_fat_target_agrees_with_blends_at_its_points() -> None:
    """The picture's curve against fresh runs with the target set to its figures."""
    found = document(*FRESH, "--meat-kg", "25")
    curve = found["curves"][0]
    points = curve["points"]
    assert curve["no_batch_beyond"] == [True, True]
    assert points[0]["figure"] < 27 < points[-1]["figure"]
    for point in points[2:-2:7]:
        again = document(*FRESH, "--meat-kg", "25", "--set", f"require.1.target_pct={point['figure']:.12f}")
        assert again["cost"] == pytest.approx(point["cost"], abs=2e-4)


def test_no_batch_page_tells_ways_and_purchase() -> None:
    found = run(*LEAN, "--offers", "examples/offers.csv")
    assert found.returncode == 1
    text = " ".join(found.stdout.split())
    assert "NO SUCH BATCH. The cooler holds 27.3 kg for this recipe; you asked for 60 kg." in text
    assert len(re.findall(r" [123]\. ", text)) == 3
    assert "buy 7.51 kg of lean leg for 33.04 crowns" in text
    assert "allow fat of the meat block of at most 16.71 % instead of 15 %" in text


def test_the_way_told_works_when_typed_in() -> None:
    """The concession on the page, set by ``--set``, gives a batch that can be weighed, at the cost told."""
    told = document(*LEAN)
    way = next(w for w in told["conflict"]["ways"] if w["kind"] == "limit")
    assert way["weighed"]
    again = document(*LEAN, "--set", f"require.1.max_pct={way['concessions'][0]['new']}")
    assert again["status"] == "optimal"
    assert again["cost"] == pytest.approx(way["cost"], abs=1e-9)
    assert again["what_if"]["old"]["status"] == "infeasible"
    words = re.search(r"Each was blended to the end\. Try one: ((?:--set \S+ ?)+)\n", run(*LEAN).stdout)
    assert words is not None
    typed = document(*LEAN, *words[1].split())
    assert typed["status"] == "optimal"
    assert typed["cost"] == pytest.approx(min(w["cost"] for w in told["conflict"]["ways"] if w["weighed"]), rel=0.001)


def test_what_if_shows_what_moved() -> None:
    found = document(*FRESH, "--meat-kg", "25", "--set", "lot.S-15.cost_per_kg=3.00", "--set", "order.meat_kg=30")
    moved = {m["lot"]: (m["old_kg"], m["new_kg"]) for m in found["what_if"]["lots"]}
    assert moved["S-15"][1] > 20
    assert sum(new for _, new in moved.values()) == pytest.approx(30, abs=0.03)
    page = run(*FRESH, "--meat-kg", "25", "--set", "lot.S-15.cost_per_kg=3.00").stdout
    assert "the change saves" in " ".join(page.split())


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("lot.S-99.cost_per_kg=2", "did you mean S-1"),
        ("lot.S-14.cost_per_kgs=2", "did you mean cost_per_kg?"),
        ("require.7.max_pct=2", "there is no requirement '7'"),
        ("require.1.target=2", "did you mean"),
        ("require.fat.target_pc=2", "did you mean target_pct?"),
        ("adition.salt.g_per_kg_meat=2", "did you mean addition?"),
        ("addition.sallt.g_per_kg_meat=2", "did you mean salt?"),
        ("order.meatkg=2", "did you mean meat_kg?"),
        ("order.meat_kg=0", "above zero"),
        ("order.meat_kg=1e3", "exponent"),
        ("lot.S-14.fat_pct=1O", "not a plain decimal number"),
        ("lot.S-14.fat_pct=", "path=value"),
        ("require.1.target_pct=abc", "not a plain decimal number"),
    ],
)
def test_bad_paths_are_refused_with_the_nearest_known(path: str, words: str) -> None:
    found = run(*FRESH, "--meat-kg", "25", "--set", path)
    assert found.returncode == 2
    assert not found.stdout
    assert "error" in found.stderr
    if "require.1.target=" not in path:
        assert words in " ".join(found.stderr.split())


def test_a_figure_may_be_set_in_kilograms_where_the_table_has_pounds_and_the_other_way_round(tmp_path: Path) -> None:
    """The same lots in either unit (a pound is 0.45359237 kg) and the same figure set in either unit cost the same."""
    kilograms = (ROOT / "examples/fresh-lots.csv").read_text(encoding="utf-8").splitlines()
    names = kilograms[0].split(",")
    stock, price = names.index("on_hand_kg"), names.index("cost_per_kg")
    pounds = [",".join({"on_hand_kg": "on_hand_lb", "cost_per_kg": "cost_per_lb"}.get(n, n) for n in names)]
    for line in kilograms[1:]:
        cells = line.split(",")
        cells[stock] = f"{float(cells[stock]) / 0.45359237:.12f}"
        cells[price] = f"{float(cells[price]) * 0.45359237:.12f}"
        pounds.append(",".join(cells))
    (tmp_path / "pounds.csv").write_text("\n".join(pounds) + "\n", encoding="utf-8")
    words = ["why", "examples/fresh.yaml", "--date", "2026-11-25", "--meat-kg", "25", "--lots"]
    tables = ("examples/fresh-lots.csv", str(tmp_path / "pounds.csv"))
    for figures in (
        ("cost_per_kg=3", "cost_per_lb=1.36077711"),
        ("on_hand_kg=9.0718474", "on_hand_lb=20"),
    ):
        settings = [f"lot.S-15.{figure}" for figure in figures]
        costs = [document(*words, lots, "--set", setting)["cost"] for lots in tables for setting in settings]
        assert costs == pytest.approx([costs[0]] * 4, abs=1e-7)


def test_faults_and_warnings_of_a_figure_set_anew_name_the_option() -> None:
    both = run(*FRESH, "--meat-kg", "25", "--set", "require.1.max_pct=28")
    assert both.returncode == 2
    assert "--set require.1.max_pct=28: error" in " ".join(both.stderr.split())
    slip = run(*FRESH, "--meat-kg", "25", "--set", "require.1.target_pct=0.27")
    assert "--set require.1.target_pct=0.27: warning: fat target_pct 0.27 may be a fraction" in " ".join(
        slip.stderr.split()
    )
    lot = run(*FRESH, "--meat-kg", "25", "--set", "lot.S-15.fat_pct=0.17")
    assert "fat 0.17 % may be a fraction" in " ".join(lot.stderr.split())


WEEK = [*FRESH[:-1], "2026-12-01", "--meat-kg", "5", "--offers", "examples/week/offers.csv"]


def test_offers_of_a_week_are_read_as_they_stand_on_the_day() -> None:
    """Shoulder costs 3.30 on that day and 3.10 from the third; leg comes in packs of 5 kg; charges are named."""
    found = {offer["offer"]: offer for offer in document(*WEEK)["offers"]}
    assert found["shoulder in boxes"]["price_per_kg"] == 3.3
    assert found["shoulder in boxes"]["cheaper_from"] == [
        {"kg": 50, "price_per_kg": 3.15}, {"kg": 100, "price_per_kg": 2.95},
    ]  # fmt: skip
    leg = found["leg lean in boxes"]
    assert leg["order_pack_kg"] == 5
    assert 0 < leg["kg_at_price"] < 5 and leg["kg_to_order"] == 5 and leg["order_costs"] == 21
    assert any("delivery charge of 9" in words for words in leg["not_counted"])
    later = document(*[w.replace("2026-12-01", "2026-12-03") for w in WEEK])
    assert next(o for o in later["offers"] if o["offer"] == "shoulder in boxes")["price_per_kg"] == 3.1
    page = " ".join(run(*WEEK, "--full").stdout.split())
    assert "Sold in packs of 5 kg: that is an order of 5.00 kg for 21.00 crowns, of which" in page


def test_order_packs_of_a_simple_table_do_not_bind_what_is_used(tmp_path: Path) -> None:
    file = tmp_path / "offers.csv"
    text = "offer,material,role,species,fat_pct,moisture_pct,protein_pct,cost_per_kg,pack_kg,smallest_order_kg\n"
    text += "shoulder,shoulder,meat,pork,17.99,64.02,17.18,3.10,4,10\n"
    file.write_text(text, encoding="utf-8")
    (offer,) = document(*FRESH, "--meat-kg", "25", "--offers", str(file))["offers"]
    assert offer["kg_at_price"] % 4 > 0.1
    assert offer["kg_to_order"] == 12 and offer["order_costs"] == pytest.approx(37.2)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("offer,fat_pct,pack_kg\nx,5,0\n", "pack_kg is 0"),
        ("offer,fat_pct,pack_kg\nx,5,big\n", "not a plain decimal number"),
        ("name,fat_pct\nx,5\n", "a column offer is missing"),
        ("offer,fat_pct\nS-14,5\n", "is the name of a lot at hand"),
        ("offer,fat_pct,cost_per_kg\nx,abc,3\n", "not a plain decimal number"),
        ("offer,fat_pct,cost_per_kg\nx,5,-3\n", "cost_per_kg"),
        ("offer,lot,fat_pct\nx,y,5\n", "both offer and lot are given"),
        ("offer,fat_pct\nx,5\nx,6\n", "stands on line 2"),
        ("", "empty"),
    ],
)
def test_faults_of_an_offers_table(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "offers.csv"
    file.write_text(text, encoding="utf-8")
    found = run(*FRESH, "--meat-kg", "25", "--offers", str(file))
    assert found.returncode == 2
    assert not found.stdout
    assert words in " ".join(found.stderr.split())


def test_picture_is_sound_and_escapes_what_was_typed(tmp_path: Path) -> None:
    recipe = (ROOT / "examples/fresh.yaml").read_text(encoding="utf-8")
    odd = tmp_path / "odd.yaml"
    odd.write_text(recipe.replace("Harbour links, fresh", '"<script>alert(1)</script>"'), encoding="utf-8")
    file = tmp_path / "why.html"
    words = [str(odd) if w.endswith(".yaml") else w for w in FRESH]
    found = run(*words, "--meat-kg", "25", "--html", str(file))
    assert found.returncode == 0
    text = file.read_text(encoding="utf-8")
    assert "<script" not in text
    assert not re.search(r"""(src|href)=|url\((?!#)|@import""", text)
    pictures = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    assert len(pictures) == 2
    for picture in pictures:
        root = ElementTree.fromstring(picture)
        (line,) = [e for e in root.iter() if e.tag == "polyline"]
        for pair in line.attrib["points"].split():
            x, y = map(float, pair.split(","))
            assert 80 <= x <= 736
            assert 24 <= y <= 320


def test_a_lot_for_the_picture_must_be_one() -> None:
    found = run(*FRESH, "--meat-kg", "25", "--lot", "S-1 4")
    assert found.returncode == 2
    assert "did you mean S-14?" in " ".join(found.stderr.split())


def test_short_form_is_short() -> None:
    """Built on the same figures as the page."""
    from fractions import Fraction

    from kitchens import random_kitchen

    from optimizer.answer import blend
    from optimizer.why.short import short_form

    shown = 0
    for seed in range(12):
        problem = random_kitchen(seed, size=5).problem()
        lines = short_form(blend(problem))
        assert len(lines) <= 6
        assert all(len(line) <= 80 for line in lines)
        shown += bool(lines)
    assert shown > Fraction(3)
