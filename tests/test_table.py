"""Cutting a CSV text into cells: as typed, with true line numbers, and every broken shape refused."""

from __future__ import annotations

import csv
import io
from contextlib import suppress
from fractions import Fraction

import pytest
from hypothesis import given, settings, strategies as st

from constraints.as_typed import BadInput, Fault, NotANumber, exact
from optimizer.reading.table import COLUMNS, Table, cut, has_decimal_commas, header_faults, near_miss


def whole(text: str) -> Table:
    """The table of a text without faults."""
    table = cut(text, "t.csv")
    assert not table.faults
    return table


def told(text: str) -> tuple[Fault, ...]:
    """What is wrong with a text."""
    try:
        return cut(text, "t.csv").faults
    except BadInput as bad:
        return bad.faults


# What must be read.


def test_cells_stay_as_typed() -> None:
    row = (
        "007",
        "1E5",
        "NA",
        "no",
        "nan",
        "",
        "TRUE",
        "1e400",
        "-",
        "2026-01-02",
        " spaced ",
        'an "inch"',
        "None",
    )
    table = whole(",".join("abcdefghijklm") + "\n" + ",".join(row) + "\n")
    assert table.rows == (row,)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_line_ends_delimiters_and_byte_order_mark(end: str, mark: str, bom: str) -> None:
    lines = ["lot,fat", '"x', 'y",2', "z,3"]
    table = whole(bom + end.join(line.replace(",", mark) for line in lines) + end)
    assert table.header == ("lot", "fat")
    assert table.delimiter == mark
    assert table.rows == (("x\ny", "2"), ("z", "3"))
    assert table.lines == (2, 4)


def test_delimiters_inside_quotes_do_not_count_as_delimiters() -> None:
    table = whole('"a,b,c,d";e\n"1,2";"3;4"\n')
    assert (table.delimiter, table.header, table.rows) == (";", ("a,b,c,d", "e"), (("1,2", "3;4"),))


def test_blank_rows_are_left_out_wherever_they_are_and_lines_stay_true() -> None:
    table = whole('\n,,\n lot ,fat,\n,,\n\na,1,\n  \n"","",""\nb,2\n,,,,,,\n\n\n')
    assert table.header == ("lot", "fat", "")
    assert table.header_line == 3
    assert table.rows == (("a", "1", ""), ("b", "2", ""))
    assert table.lines == (6, 9)
    assert table.cells("fat") == ("1", "2")


def test_empty_cells_beyond_the_header_are_left_out() -> None:
    assert whole("a,b\n1,2,, ,\n3,\n").rows == (("1", "2"), ("3", ""))


def test_quotes_are_read_as_a_spreadsheet_writes_them() -> None:
    assert whole('a,b\n"say ""x""","" \n5" plate,"""" \n').rows == (('say "x"', " "), ('5" plate', '" '))


plain_cell = st.text(st.sampled_from('ab1 ,;\t"\n\u00e9'), max_size=6).filter(lambda cell: cell == cell.strip(" \t\n"))
rows_of_cells = st.lists(st.lists(plain_cell, min_size=3, max_size=3), min_size=1, max_size=8)


@settings(max_examples=150, derandomize=True, deadline=None)
@given(rows_of_cells, st.sampled_from(",;\t"), st.sampled_from(["\n", "\r\n"]))
def test_reads_back_what_the_standard_library_writes(rows: list[list[str]], mark: str, end: str) -> None:
    """Oracle: the csv module writes the table, and its reader counts the lines."""
    rows = [["x", "y", "z"], *rows]
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator=end).writerows(rows)
    reader = csv.reader(io.StringIO(out.getvalue().replace("\r\n", "\n"), newline=""), delimiter=mark)
    ends = [(reader.line_num, record) for record in reader]
    starts = [1, *(line + 1 for line, _ in ends[:-1])]
    every = [(at, tuple(row)) for at, (_, row) in zip(starts, ends, strict=True)]
    filled = [(at, row) for at, row in every if "".join(row).strip(f'"{mark} \t\n')]
    table = whole(out.getvalue())
    assert list(zip(table.lines, table.rows, strict=True)) == filled[1:]


# What must be refused.

BROKEN = {
    "too many cells": ("a,b\n1,2\n\n1,2,3\n", 4, "3 cells where the header has 2"),
    "decimal comma unquoted": ("a,b,c\nx,24,5,3\n", 2, "4 cells where the header has 3"),
    "too few cells": ("a;b;c\n1;2;3\n1;2\n", 3, "2 cells where the header has 3"),
    "empty quotes beyond the header": ('a,b\n1,2,""\n', 2, "3 cells"),
    "quote never closed": ('a,b\n"x\ny",2\nz,"2\nw,3\n', 4, "never closed"),
    "quote never closed in a long record": ('a,b\n"x\ny","2\nw,3\n', 3, "never closed"),
    "quote never closed in the header": ('a,"b\n1,2\n', 1, "never closed"),
    "text after a quote": ('a,b\n1,2\n"x"y,2\n', 3, "'y' stands after a closing quote"),
    "blank before a quote": ('a,b\n1, "x, y"\n', 2, "a blank stands before an opening quote"),
    "half a character": ("a,b\n\ud800,2\n", 2, "half a character"),
    "NUL": ("a,b\r\n1,2\r\nx\0,2\r\n", 3, "NUL"),
    "nothing": ("", None, "empty"),
    "byte-order mark alone": ("\ufeff", None, "empty"),
    "blanks alone": ('\n ,, \n""\n', None, "empty"),
}


@pytest.mark.parametrize(("text", "line", "words"), BROKEN.values(), ids=BROKEN)
def test_broken_shape_is_a_fault_with_its_line(text: str, line: int | None, words: str) -> None:
    faults = told(text)
    assert [(fault.file, fault.line) for fault in faults] == [("t.csv", line)]
    assert words in faults[0].found
    assert faults[0].allowed


def test_every_broken_row_is_told_and_the_others_are_kept() -> None:
    table = cut('a,b\n1\n1,2\n"x"y,2\n1,2,3\n', "t.csv")
    assert sorted(fault.line or 0 for fault in table.faults) == [2, 4, 5]
    assert (table.lines, table.rows) == ((3,), (("1", "2"),))


def test_a_cell_lost_to_a_decimal_comma_is_explained() -> None:
    assert "decimal comma" in told("a,b\n1,24,5\n")[0].allowed
    assert "decimal comma" not in told("a;b\n1;24;5\n")[0].allowed


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.text(st.one_of(st.sampled_from('a,;\t"\n\r \0\ufeff'), st.characters()), max_size=40))
def test_any_text_gives_a_table_or_faults(text: str) -> None:
    with suppress(BadInput):
        table = cut(text, "t.csv")
        assert {len(row) for row in table.rows} <= {len(table.header)}
        assert list(table.lines) == sorted(set(table.lines))
        return
    assert told(text)


def test_hostile_sizes_end_soon() -> None:
    """Each would cost a careless reader quadratic time, or a cell for every row and comma."""
    for text in (
        "a,b\n" + "," * 200_000,
        "a,b\n" + '"x\n' * 100_000,
        "a,b\n" + '"",' * 100_000,
        '"' * 200_001,
    ):
        assert told(text) or whole(text).rows == ()


# Numbers.

NUMBERS = [
    ("24.5", False, "24.5"),
    (" -3 ", False, "-3"),
    ("24,5", True, "24.5"),
    (",5", True, "0.5"),
    ("7", True, "7"),
]


@pytest.mark.parametrize(("typed", "comma", "value"), NUMBERS)
def test_numbers_are_exact(typed: str, comma: bool, value: str) -> None:
    assert exact(typed, comma) == Fraction(value)


NO_NUMBERS = [
    ("24,5", False, "write 24.5"),
    ("1,234", False, "write 1234 or 1.234"),
    ("1,234.5", False, "write 1234.5"),
    ("1.234,5", False, "write 1234.5"),
    ("1,234,567", False, "write 1234567"),
    ("24 %", False, "write 24"),
    ("$3", False, "write the bare number"),
    ("3 \u20ac", True, "write the bare number"),
    ("1e3", False, "exponent"),
    ("nan", False, "not a finite number"),
    ("-inf", True, "not a finite number"),
    ("1 234", False, "not a plain decimal number"),
    ("\u0663", False, "not a plain decimal number"),
    ("24\n%", False, "percent sign"),
    ("", False, "nothing"),
    ("9" * 50, False, "more than 40"),
    ("$" + "9" * 50, False, "more than 40"),
    ("1.234", True, "write 1234 or 1,234"),
    ("1.234,5", True, "write 1234,5"),
    ("1,234.5", True, "write 1234,5"),
    ("24.5", True, "write 24,5"),
    ("2.4.5", True, "not a plain decimal number"),
]


@pytest.mark.parametrize(("typed", "comma", "words"), NO_NUMBERS)
def test_what_is_no_number_gets_a_hint(typed: str, comma: bool, words: str) -> None:
    with pytest.raises(NotANumber) as raised:
        exact(typed, comma)
    assert words in str(raised.value)
    assert str(raised.value).isprintable()


def test_decimal_commas_are_seen() -> None:
    assert has_decimal_commas(["3", "24,5"]) and has_decimal_commas(["1.234,5"])
    assert not has_decimal_commas(["3", "24.5", "a, b", "1,2,3", ""])


# Names of columns.

SLIPS = {
    "use by": "use_by",
    "use_by_date": "use_by",
    "fatpct": "fat_pct",
    "Fat_pct": "fat_pct",
    "fat %": "fat_pct",
    "% fat": "fat_pct",
    "fat": "fat_pct",
    "fatt_pct": "fat_pct",
    "on hand kg": "on_hand_kg",
    "On Hand (lb)": "on_hand_lb",
    "on_hand_g": "on_hand_kg",
    "cost_per_Kg": "cost_per_kg",
    "protien_pct": "protein_pct",
    "slat_pct": "salt_pct",
    "moisture": "moisture_pct",
    "nitrite_mg_kg": "nitrite_ppm",
    "usable": "usable_pct",
    "Lot": "lot",
    "speces": "species",
    "Cured": "cured",
    "onhold": "on_hold",
    "on_hand_\nkg": "on_hand_kg",
}
HONEST = """
    collagen_pct bind_index colour_index
    hydroxyproline_pct ash_pct carb_pct sodium_mg starch_pct sugar_pct malt_pct
    oat_pct sat_fat_pct lean_pct water_activity ph received_by slot location notes grade supplier
    moisture_protein_ratio energy_kcal iron_mg phosphate_pct myoglobin_mg_g
    soluble_collagen_pct lot_size country
"""


@pytest.mark.parametrize(("slip", "known"), SLIPS.items())
def test_a_slip_is_led_back_to_the_known_name(slip: str, known: str) -> None:
    assert near_miss(slip) == known


@pytest.mark.parametrize("name", [*HONEST.split(), *(column.name for column in COLUMNS), "", "%", "\u540d"])
def test_an_honest_name_is_left_alone(name: str) -> None:
    assert near_miss(name) is None


def test_known_columns_are_published_whole() -> None:
    assert {column.name for column in COLUMNS if column.needed} == {
        "lot",
        "on_hand_kg",
        "fat_pct",
        "cost_per_kg",
    }
    assert len({column.name for column in COLUMNS}) == len(COLUMNS)
    assert all(column.meaning and column.basis in ("", "as held", "usable") for column in COLUMNS)


GOOD = ("lot", "on_hand_kg", "fat_pct", "cost_per_kg")
HEADERS = {
    "missing": (GOOD[:3], "cost_per_kg", "cost_per_kg or cost_per_lb is missing"),
    "missing stock": (("lot", "fat_pct", "cost_per_lb"), "on_hand_kg", "on_hand_kg or on_hand_lb is missing"),
    "twice": ((*GOOD, "bind", "bind"), "bind", "stands twice"),
    "slip instead of missing": (("lot", "on_hand_kg", "fat %", "cost_per_kg"), "fat %", "not a known column"),
    "no name": ((*GOOD, ""), None, "column 5 has cells but no name"),
    "line break": ((*GOOD, "bind\nindex"), None, "U+000A"),
}


@pytest.mark.parametrize(("header", "column", "words"), HEADERS.values(), ids=HEADERS)
def test_header_faults(header: tuple[str, ...], column: str | None, words: str) -> None:
    (fault,) = header_faults(Table("t.csv", header, 3, ",", (("x",) * len(header),), (4,)))
    assert (fault.line, fault.column) == (3, column)
    assert words in fault.found


def test_an_empty_unnamed_column_and_pounds_are_no_fault() -> None:
    header, row = ("lot", "on_hand_lb", "fat_pct", "cost_per_lb", ""), ("x", "x", "x", "x", " ")
    assert not list(header_faults(Table("t", header, 1, ",", (row,), (2,))))
