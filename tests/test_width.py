"""Pages are no wider than a terminal, whatever the names: wide East Asian letters take two columns (UAX 11)."""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction
from pathlib import Path
from unicodedata import east_asian_width

import pytest
from weeks import RawBatch, RawLot, RawWeek

from constraints.as_typed import BadInput
from optimizer.answer import blend
from optimizer.order import Asked, order_of
from optimizer.pages.batch_page import page
from optimizer.pages.tables import WIDTH, columns, heading, paragraph, table
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.world import assemble_week
from optimizer.plan.report.outcome import plan_week
from optimizer.plan.report.plan_page import plan_page
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.why.explain import explain
from optimizer.why.page import page as why_page

EXAMPLES = Path(__file__).parents[1] / "examples"
WORDS = ("shoulder", "豚肩肉", "é", "e\u0301", "\uff57\uff49\uff44\uff45", "背脂を除く", "x" * 30, "한국어")


def cells(line: str) -> int:
    """Columns of a line by the standard's letters alone; an accent that combines is one letter with what it follows."""
    return sum(2 if east_asian_width(x) in "WF" else x != "\u0301" for x in line)


@pytest.mark.parametrize("seed", range(60))
def test_tables_and_paragraphs_keep_to_the_page_and_lose_no_letter(seed: int) -> None:
    rng = random.Random(seed)

    def text(most: int) -> str:
        return " ".join(rng.choice(WORDS) for _ in range(rng.randint(1, most)))

    words = text(40)
    lines = paragraph(words, rng.choice(("", "* ", "漢 ")))
    assert max(map(cells, lines)) <= WIDTH
    assert words.replace(" ", "") in "".join(lines).replace(" ", "")
    rows = [[text(6), f"{rng.randint(0, 9999)}", text(3)] for _ in range(4)]
    heads = (text(2), "a heading that is far longer than its figures and than the page has room for besides", text(4))
    lines = table(heads, rows, "<><")
    assert max(map(cells, lines)) <= WIDTH
    ruler = next(line for line in lines if set(line) <= set("- "))
    assert all(cells(line) <= cells(ruler) for line in lines)
    assert sorted("".join(lines).replace("-", "").replace(" ", "")) == sorted(
        "".join([*heads, *(cell for row in rows for cell in row)]).replace(" ", "")
    )


def test_columns_and_headings() -> None:
    assert [columns(x) for x in ("abc", "漢字", "e\u0301", "\uff57", "")] == [3, 4, 1, 2, 0]
    assert max(map(cells, heading("money, " + "x" * 200))) <= WIDTH


def test_a_table_of_figures_alone_that_is_too_wide_does_not_fail() -> None:
    lines = table(("a", "b"), [["1" * 50, "2" * 50]], ">>")
    assert "1" * 50 in lines[-1]


def test_pages_with_wide_names_and_a_long_currency() -> None:
    wide = (EXAMPLES / "fresh.yaml").read_text().replace("Harbour links, fresh", "港の腸詰め" * 9)
    wide = wide.replace("currency: crowns", "currency: " + "円" * 30).replace("black pepper", "黒胡椒" * 9)
    lots = (EXAMPLES / "fresh-lots.csv").read_text().replace("shoulder", "豚肩肉" * 12)
    recipe, found = parse_recipe(wide, "r.yaml"), parse_lots(lots, "l.csv")
    order = order_of(recipe, "--meat-kg", Fraction(25), date(2026, 11, 25), Asked())
    answer = blend(assemble(recipe, found, order))
    for text in (page(answer), why_page(explain(answer))):
        assert [line for line in text.splitlines() if cells(line) > WIDTH] == []


def test_a_plan_with_long_and_wide_names(tmp_path: Path) -> None:
    lots = [RawLot("lean", "pork", 9.0, 4.0, 45.0), RawLot("背脂" * 25, "pork", 62.0, 1.5, 30.0)]
    batches = [
        RawBatch("港の腸詰め" * 10, 15.0, 15.0, 0, 1, (24, 28)),
        RawBatch("word " * 40, 9.0, 9.0, 1, 1, (24, 28)),
    ]
    week = read_week(RawWeek(2, lots, batches).write(tmp_path))
    text = plan_page(plan_week(week), full=True)
    assert [line for line in text.splitlines() if cells(line) > WIDTH] == []


def test_a_size_too_small_for_the_scale_is_blamed_on_who_stated_it(tmp_path: Path) -> None:
    week = read_week(
        RawWeek(1, [RawLot("a", "pork", 26.0, 4.0, 9.0)], [RawBatch("A", 0.05, 0.05, 0, 0, (20, 30))]).write(tmp_path)
    )
    with pytest.raises(BadInput) as caught:
        assemble_week(week)
    (fault,) = caught.value.faults
    assert fault.file == week.file and fault.line and "0.05 kg on a meat scale of 0.05 kg says nothing" in fault.found
    recipe = parse_recipe("name: t\n", "r.yaml")
    lots = parse_lots("lot,on_hand_kg,fat_pct,cost_per_kg\nA,60,18,2\n", "l.csv")
    for size, kg in (("--batch-kg", "0.05"), ("--meat-lb", "0.1")):
        with pytest.raises(BadInput, match=f"^{size}: error"):
            assemble(recipe, lots, order_of(recipe, size, Fraction(kg), date(2026, 11, 25), Asked()))
