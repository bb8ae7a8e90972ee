"""The lots table: what is read and converted, and every fault and suspicion with its line and column."""

from __future__ import annotations

import random
import re
from collections.abc import Iterable
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from constraints.as_typed import BadInput, Fault, Severity
from constraints.quantities import Kind, Lot
from optimizer.reading import lot_checks as module, lots as reader
from optimizer.reading.lots import LotTable, parse_lots, read_lots
from optimizer.reading.table import COLUMNS, cut

ERROR, WARNING = Severity.ERROR, Severity.WARNING

BASE = "lot,on_hand_kg,fat_pct,cost_per_kg"


def table(*rows: str, further: str = "", base: str = BASE) -> str:
    """A table of the needed columns and any ``further`` ones."""
    return "\n".join([base + ("," if further else "") + further, *rows, ""])


def figures(*typed: str) -> tuple[Fraction, ...]:
    return tuple(map(Fraction, typed))


def faults_of(text: str) -> tuple[Fault, ...]:
    """Every fault of a text, whether it is read or refused."""
    try:
        return parse_lots(text, "lots.csv").warnings
    except BadInput as bad:
        return bad.faults


def addresses(faults: Iterable[Fault]) -> list[tuple[int | None, str | int | None, Severity]]:
    return [(fault.line, fault.column, fault.severity) for fault in faults]


# What is read.


def test_a_whole_lot() -> None:
    names = ",".join(column.name for column in COLUMNS if not column.name.endswith("_lb"))
    text = (
        f"{names},bind_index,note\n"
        " 007 ,80,28.5,4,trim 72,meat,pork,16,55.2,0.5,2.25,2026-03-09,2026-03-02,"
        "20,5,3,60,2,80,0,0,-0.2,no,no,,,0.6,,bench,no,TRUE,"
        ",as is\n"
    )
    read = parse_lots(text, "lots.csv")
    (lot,) = read.lots
    assert (lot.name, lot.kind, lot.material, lot.role, lot.species) == (
        "007",
        Kind.LOT,
        "trim 72",
        "meat",
        "pork",
    )
    assert (lot.on_hand_kg, lot.usable, lot.usable_kg) == figures("80", "0.8", "64")
    assert (lot.held_cost_per_kg, lot.cost_per_kg) == figures("4", "5")
    assert (lot.pack_kg, lot.smallest_pull_kg, lot.largest_pull_kg) == figures("20", "5", "60")
    assert lot.smallest_remnant_kg == 3
    assert lot.use_at_least_kg == 2
    assert (lot.use_by, lot.received) == (date(2026, 3, 9), date(2026, 3, 2))
    assert (lot.cured, lot.on_hold, lot.line, lot.suspicions) == (False, True, 2, ())
    assert (lot.salvage_per_kg, lot.use_up, lot.rework, lot.green) == (Fraction("-0.2"), False, False, 1)
    assert (lot.fat_sd, lot.fat_method) == (Fraction("0.6"), "bench")
    assert lot.properties == {
        "fat_pct": Fraction("28.5"),
        "protein_pct": 16,
        "moisture_pct": Fraction("55.2"),
        "salt_pct": Fraction("0.5"),
        "nitrite_ppm": 0,
        "nitrate_ppm": 0,
        "collagen_pct": Fraction("2.25"),
    }
    assert read.properties == (
        "fat_pct", "protein_pct", "moisture_pct", "salt_pct", "collagen_pct", "nitrite_ppm", "nitrate_ppm"
    )  # fmt: skip
    assert addresses(read.warnings) == [(1, "note", WARNING)]
    assert isinstance(read, LotTable) and read.file == "lots.csv"


def test_the_least_table() -> None:
    read = parse_lots(table("A,50,30,3.50", "B,0,5,6"), "lots.csv")
    first, second = read.lots
    assert first.usable == 1
    assert (first.pack_kg, first.use_by, first.cured, first.on_hold) == (None, None, False, False)
    assert first.properties == {"fat_pct": 30, "salt_pct": 0, "nitrite_ppm": 0, "nitrate_ppm": 0}
    assert second.on_hand_kg == 0
    assert (read.properties, read.warnings) == (("fat_pct",), ())


def test_lots_keep_the_text_as_typed() -> None:
    names = ["007", "7", "1E5", "NA", "no", "nan", "None", "-1", "2026-01-02", "=A1", '5" plate']
    read = parse_lots(table(*(f"{name},1,20,3" for name in names)), "f")
    assert [lot.name for lot in read.lots] == names


def test_pounds_are_converted_exactly() -> None:
    """100 lb are 45.359237 kg, and 1 money per lb is 1/0.45359237 per kg (avoirdupois pound, exact)."""
    text = "lot,on_hand_lb,fat_pct,cost_per_lb,usable_pct\nA,100,30,0.45359237,50\n"
    (lot,) = parse_lots(text, "f").lots
    assert (lot.on_hand_kg, lot.held_cost_per_kg, lot.cost_per_kg) == figures("45.359237", "1", "2")
    assert lot.held_cost_per_kg * lot.on_hand_kg == Fraction("0.45359237") * 100


def test_faults_of_pounds_name_the_pound_columns() -> None:
    text = "lot,on_hand_lb,fat_pct,cost_per_lb\nA,-1,30,\nB,,30,-2\n"
    expected = [(2, "cost_per_lb"), (2, "on_hand_lb"), (3, "cost_per_lb"), (3, "on_hand_lb")]
    assert sorted(((f.line, f.column) for f in faults_of(text)), key=str) == expected


def test_rows_in_kilograms_and_pounds_stand_in_one_table() -> None:
    """Each row its own columns, packs, pulls and salvage too; the pound is 0.45359237 kg, exact."""
    names = ("on_hand", "cost_per", "pack", "smallest_pull", "largest_pull", "use_at_least", "salvage_per")
    header = ",".join(f"{name}_{unit}" for name in names for unit in ("kg", "lb"))
    cells = ["9", "3", "3", "1", "6", "2", "1"]
    text = f"lot,fat_pct,{header}\nK,20,{','.join(f'{c},' for c in cells)}\nL,20,{','.join(f',{c}' for c in cells)}\n"
    kilo, pound = parse_lots(text, "f").lots
    lb = Fraction("0.45359237")
    for name in ("on_hand_kg", "pack_kg", "smallest_pull_kg", "largest_pull_kg", "use_at_least_kg"):
        assert getattr(pound, name) == lb * getattr(kilo, name)
    assert (pound.held_cost_per_kg * lb, pound.salvage_per_kg * lb) == (kilo.held_cost_per_kg, kilo.salvage_per_kg)
    mixed = "lot,fat_pct,on_hand_kg,on_hand_lb,cost_per_kg,cost_per_lb\nA,20,9,,3,\nB,20,,20,,2\nC,20,,9,,2\n"
    assert parse_lots(mixed, "f").in_pounds and not parse_lots(mixed.rsplit("\n", 2)[0], "f").in_pounds
    both, neither = faults_of(mixed.replace("A,20,9,", "A,20,9,9").replace("B,20,,20", "B,20,,"))
    assert (both.line, both.column, neither.line, neither.column) == (2, "on_hand_lb", 3, "on_hand_lb")
    (over,) = faults_of("lot,fat_pct,on_hand_lb,cost_per_lb,pack_lb\nA,20,9,2,10\n")
    assert (over.column, over.found) == ("pack_lb", "pack_lb 10 is more than on_hand_lb 9")


def test_a_price_under_another_word_is_led_to_the_one_word() -> None:
    faults = faults_of("lot,on_hand_kg,fat_pct,price_per_kg\nA,9,20,3\n")
    assert [(f.column, f.allowed) for f in faults] == [("price_per_kg", "write cost_per_kg, or choose another name")]


@pytest.mark.parametrize("slip", ["on hand (lb)", "on_hand_lbs", "pack lbs", "salvage_lb", "largest_pull_pounds"])
def test_a_slip_of_a_pound_column_is_never_led_to_a_kilogram_column_alone(slip: str) -> None:
    (fault,) = (f for f in faults_of(table("A,9,20,3,4", further=slip)) if f.column == slip)
    assert "_lb" in fault.allowed and not re.search(r"write \w+_kg,", fault.allowed)


def test_a_cured_lot_states_its_cure_and_leaves_unknown_salt_unknown() -> None:
    further = "cured,salt_pct,nitrite_ppm,nitrate_ppm"
    read = parse_lots(table("A,9,20,3,yes,,120,0", "B,9,20,3,1,2,0,0", "C,9,20,3,,,,", further=further), "f")
    assert [lot.cured for lot in read.lots] == [True, True, False]
    assert "salt_pct" not in read.lots[0].properties
    assert read.lots[0].properties["nitrite_ppm"] == 120
    assert read.lots[1].properties["salt_pct"] == 2
    assert read.lots[2].properties["salt_pct"] == 0


def test_free_columns() -> None:
    rows = ("A,9,20,3,1.5,x,,1,-2", "B,9,20,3,,y,,oops,3", "C,9,20,3,2,3,,2,4", "D,9,20,3,2,,,3,5")
    read = parse_lots(table(*rows, further="collagen_pct,grade,empty,ash_pct,bind_index"), "f")
    assert read.properties == ("fat_pct", "collagen_pct", "bind_index")
    assert [lot.properties.get("collagen_pct") for lot in read.lots] == [Fraction(3, 2), None, 2, 2]
    assert all("ash_pct" not in lot.properties and "grade" not in lot.properties for lot in read.lots)
    assert addresses(read.warnings) == [(1, "grade", WARNING), (3, "ash_pct", WARNING)]
    assert "oops" in read.warnings[1].found and "ignored" in read.warnings[0].found


def test_a_known_column_left_blank_is_no_property() -> None:
    assert parse_lots(table("A,9,20,3,", further="protein_pct"), "f").properties == ("fat_pct",)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_spreadsheet_dialects_read_alike(mark: str, end: str) -> None:
    rows = [*BASE.split(","), "note"], ["A", "9.5", "20", "3", '"two\nlines"'], ["B", "8", "21", "3", "x"]
    text = "\ufeff" + end.join(mark.join(row) for row in rows) + end + mark * 4 + end
    lots = parse_lots(text, "f").lots
    assert [(lot.name, lot.on_hand_kg, lot.line) for lot in lots] == [("A", Fraction("9.5"), 2), ("B", 8, 4)]


@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_commas_where_no_comma_parts_the_cells(mark: str) -> None:
    text = table("A,9~5,20,3~25,1", "B,8,21~5,3,2", further="bind_index").replace(",", mark).replace("~", ",")
    first, second = parse_lots(text, "f").lots
    assert (first.on_hand_kg, first.held_cost_per_kg) == (Fraction("9.5"), Fraction("3.25"))
    assert (second.properties["fat_pct"], second.properties["bind_index"]) == figures("21.5", "2")


def test_decimal_commas_in_free_columns_alone() -> None:
    text = "lot;on_hand_kg;fat_pct;cost_per_kg;bind\nA;9;20;3;0,5\n"
    assert parse_lots(text, "f").lots[0].properties["bind"] == Fraction(1, 2)
    pointed = "lot;on_hand_kg;fat_pct;cost_per_kg;bind\nA;9.5;20;3;0,5\n"
    assert parse_lots(pointed, "f").properties == ("fat_pct",)


def test_points_in_a_file_with_decimal_commas_are_refused() -> None:
    text = "lot;on_hand_kg;fat_pct;cost_per_kg\nA;1.234;24,5;3\nB;1.234,5;24,5;3\n"
    first, second = faults_of(text)
    assert addresses((first, second)) == [(2, "on_hand_kg", ERROR), (3, "on_hand_kg", ERROR)]
    assert "write 1234 or 1,234" in first.found and "write 1234,5" in second.found


# Every fault: text, and the line, column and severity of each fault it must give, and words of the first.

Case = tuple[str, list[tuple[int | None, str | None, Severity]], str]
COMP = "moisture_pct,protein_pct"
CURE = "cured,nitrite_ppm,nitrate_ppm"
PULL = "pack_kg,smallest_pull_kg,largest_pull_kg"

FAULTS: dict[str, Case] = {
    "empty file": ("", [(None, None, ERROR)], "empty"),
    "no lots": (table(), [(1, None, ERROR)], "no lot"),
    "missing column": (
        "lot,on_hand_kg,fat_pct\nA,9,20\n",
        [(1, "cost_per_kg", ERROR)],
        "cost_per_kg or cost_per_lb",
    ),
    "slip in a name": (table("A,9,20,3,9", further="use by"), [(1, "use by", ERROR)], "'use by'"),
    "two stocks": (table("A,9,20,3,9", further="on_hand_lb"), [(2, "on_hand_lb", ERROR)], "both"),
    "column twice": (table("A,9,20,3,1,2", further="bind,bind"), [(1, "bind", ERROR)], "twice"),
    "unnamed column": (table("A,9,20,3,", "B,9,20,3,x", base=BASE + ","), [(1, None, ERROR)], "column 5"),
    "species misspelt": (table("A,9,20,3,beff", further="species"), [(2, "species", WARNING)], "no species known"),
    "control character": (table('"A\nB",9,20,3'), [(2, "lot", ERROR)], "the character U+000A control"),
    "nitrite that nothing counts": (
        table("A,9,20,3,400", further="sodium nitrite ppm"),
        [(1, "sodium nitrite ppm", ERROR)],
        "nothing counts",
    ),
    "negative nitrite": (
        table("A,9,20,3,-4", further="potassium_nitrite_ppm"),
        [(2, "potassium_nitrite_ppm", ERROR)],
        "-4",
    ),
    "rework says nothing of itself": (
        table("A,9,20,3,yes", further="rework"),
        [(2, "salt_pct", ERROR), (2, "green_pct", ERROR), (2, "original_nitrite_ppm", ERROR)],
        "rework",
    ),
    "more nitrite found in rework than was put in": (
        table("A,9,20,3,yes,2,80,150,121", further="rework,salt_pct,green_pct,original_nitrite_ppm,nitrite_ppm"),
        [(2, "nitrite_ppm", ERROR)],
        "only 120 mg/kg",
    ),
    "cured meat by its name": (
        table("A,9,20,3,bacon ends", further="material"),
        [(2, "material", ERROR)],
        "reads like cured meat",
    ),
    "names that look the same": (table("A-1,9,20,3", "\u0410-l,9,20,3"), [(3, "lot", ERROR)], "looks like 'A-1'"),
    "green share of no rework": (table("A,9,20,3,90", further="green_pct"), [(2, "green_pct", ERROR)], "rework"),
    "salvage above price": (
        table("A,9,20,3,4", further="salvage_per_kg"),
        [(2, "salvage_per_kg", WARNING)],
        "more than cost_per_kg 3",
    ),
    "row too long": (table("A,9,20,5,3", "B,9,20,3"), [(2, None, ERROR)], "5 cells"),
    "row too short": (table("A,9,20,3", "", "B,9,20"), [(4, None, ERROR)], "3 cells"),
    "quote left open": (table("A,9,20,3", '"B,9,20,3'), [(3, None, ERROR)], "never closed"),
    "blank lot": (table(" ,9,20,3"), [(2, "lot", ERROR)], "blank"),
    "blank stock": (table("A,,20,3"), [(2, "on_hand_kg", ERROR)], "blank"),
    "blank fat": (table("A,9,,3"), [(2, "fat_pct", ERROR)], "blank"),
    "blank price": (table("A,9,20,"), [(2, "cost_per_kg", ERROR)], "blank"),
    "percent sign": (table("A,9,24 %,3"), [(2, "fat_pct", ERROR)], "write 24"),
    "currency sign": (table("A,9,20,$3"), [(2, "cost_per_kg", ERROR)], "currency"),
    "exponent": (table("A,1e3,20,3"), [(2, "on_hand_kg", ERROR)], "exponent"),
    "not a number": (
        table("A,nan,20,3", "B,9,20,inf"),
        [(2, "on_hand_kg", ERROR), (3, "cost_per_kg", ERROR)],
        "finite",
    ),
    "decimal comma": (table('A,9,"24,5",3'), [(2, "fat_pct", ERROR)], "write 24.5"),
    "thousands": (table('A,"1,234",20,3'), [(2, "on_hand_kg", ERROR)], "1234 or 1.234"),
    "the same slip twice": (
        table("A,x,20,3", "B,x,20,3"),
        [(2, "on_hand_kg", ERROR), (3, "on_hand_kg", ERROR)],
        "'x'",
    ),
    "lot twice": (
        table("A,9,20,3", "B,9,20,3", "A,9,20,3"),
        [(4, "lot", ERROR)],
        "line 2 and again on line 4",
    ),
    "lots alike": (table("A 1,9,20,3", "a1,9,20,3"), [(3, "lot", WARNING)], "'A 1' on line 2"),
    "species alike": (
        table("A,9,20,3,Pork", "B,9,20,3,pork", further="species"),
        [(3, "species", WARNING)],
        "case",
    ),
    "negative stock": (table("A,-9,20,3"), [(2, "on_hand_kg", ERROR)], "-9"),
    "negative price": (table("A,9,20,-3"), [(2, "cost_per_kg", ERROR)], "-3"),
    "fat over 100": (table("A,9,100.01,3"), [(2, "fat_pct", ERROR)], "100.01"),
    "fat below 0": (table("A,9,-0.01,3"), [(2, "fat_pct", ERROR)], "-0.01"),
    "usable 0": (table("A,9,20,3,0", further="usable_pct"), [(2, "usable_pct", ERROR)], "usable_pct is 0"),
    "usable over 100": (table("A,9,20,3,101", further="usable_pct"), [(2, "usable_pct", ERROR)], "101"),
    "nitrite below 0": (table("A,9,20,3,-1", further="nitrite_ppm"), [(2, "nitrite_ppm", ERROR)], "-1"),
    "nitrate above all": (
        table("A,9,20,3,1000001", further="nitrate_ppm"),
        [(2, "nitrate_ppm", ERROR)],
        "1000001",
    ),
    "free percentage": (table("A,9,20,3,120", further="ash_pct"), [(2, "ash_pct", ERROR)], "120"),
    "sum over 102.5": (table("A,9,20,3,62,20.51", further=COMP), [(2, "moisture_pct", ERROR)], "= 102.51"),
    "fat and moisture": (table("A,9,50,3,52.6,", further=COMP), [(2, "moisture_pct", ERROR)] * 1, "= 102.6"),
    "fat and protein": (table("A,9,90,3,,12.6", further=COMP), [(2, "protein_pct", ERROR)], "= 102.6"),
    "sum under 95": (table("A,9,20,3,61,13.9", further=COMP), [(2, "protein_pct", WARNING)], "only 94.9"),
    "fat as fractions": (table("A,9,0,3", "B,9,0.27,3", "C,9,1,3"), [(3, "fat_pct", ERROR)], "fractions"),
    "one fat as fraction": (table("A,9,0.27,3"), [(2, "fat_pct", ERROR)], "fractions"),
    "a fat may be fraction": (table("A,9,0.27,3", "B,9,30,3"), [(2, "fat_pct", WARNING)], "0.27"),
    "very salt": (table("A,9,20,3,15.1", further="salt_pct"), [(2, "salt_pct", WARNING)], "15.1"),
    "much nitrite": (table("A,9,20,3,200.1", further="nitrite_ppm"), [(2, "nitrite_ppm", WARNING)], "200.1"),
    "role": (
        table("A,9,20,3,Meat", "B,9,20,3,x", further="role"),
        [(2, "role", ERROR), (3, "role", ERROR)],
        "'Meat'",
    ),
    "lean fat": (table("A,9,29.9,3,fat", further="role"), [(2, "role", WARNING)], "29.9"),
    "fat meat": (table("A,9,75.1,3,meat", further="role"), [(2, "role", WARNING)], "75.1"),
    "date": (table("A,9,20,3,9/3/2026", further="use_by"), [(2, "use_by", ERROR)], "9/3/2026"),
    "date in a row": (table("A,9,20,3,20260309", further="use_by"), [(2, "use_by", ERROR)], "20260309"),
    "no such day": (table("A,9,20,3,2026-02-29", further="received"), [(2, "received", ERROR)], "calendar"),
    "days": (
        table("A,9,20,3,2026-03-01,2026-03-02", further="use_by,received"),
        [(2, "use_by", ERROR)],
        "before received",
    ),
    "pack 0": (table("A,9,20,3,0", further="pack_kg"), [(2, "pack_kg", ERROR)], "pack_kg is 0"),
    "pack over stock": (table("A,9,20,3,9.1", further="pack_kg"), [(2, "pack_kg", ERROR)], "9.1"),
    "pack over pull": (table("A,9,20,3,5,,4", further=PULL), [(2, "pack_kg", WARNING)], "largest_pull_kg 4"),
    "pulls": (table("A,9,20,3,,5,4", further=PULL), [(2, "smallest_pull_kg", ERROR)], "largest_pull_kg 4"),
    "floor over stock": (
        table("A,9,20,3,9.1", further="use_at_least_kg"),
        [(2, "use_at_least_kg", ERROR)],
        "on_hand_kg 9",
    ),
    "pull over stock": (table("A,9,20,3,,9.1,", further=PULL), [(2, "smallest_pull_kg", WARNING)], "9.1"),
    "cured": (table("A,9,20,3,maybe,1,1", further=CURE), [(2, "cured", ERROR)], "maybe"),
    "on hold": (table("A,9,20,3,2", further="on_hold"), [(2, "on_hold", ERROR)], "'2'"),
    "cure not stated": (table("A,9,20,3,yes,1,", further=CURE), [(2, "nitrate_ppm", ERROR)], "nitrate_ppm"),
    "cure without columns": (
        table("A,9,20,3,yes", further="cured"),
        [(2, "nitrite_ppm", ERROR), (2, "nitrate_ppm", ERROR)],
        "nitrite_ppm",
    ),
    "a fat that tests have changed": (
        table("A,9,20,3,21", further="fat_as_typed_pct"),
        [(2, "fat_pct", WARNING)],
        "by its tests, typed 21 %",
    ),
    "price 0": (table("A,9,20,0", "B,9,20,3"), [(2, "cost_per_kg", WARNING)], "price is 0"),
    "dear": (
        table("A,9,20,3", "B,9,20,3", "C,9,20,60.01"),
        [(4, "cost_per_kg", WARNING)],
        "more than 20 times",
    ),
    "cheap": (
        table("A,9,20,3", "B,9,20,3", "C,9,20,0.1499"),
        [(4, "cost_per_kg", WARNING)],
        "less than 1/20",
    ),
    "moisture": (table("A,9,20,3,54.97,", further=COMP), [(2, "moisture_pct", WARNING)], "do not agree"),
    "much stock": (table("A,10000.1,20,3"), [(2, "on_hand_kg", WARNING)], "10000.1"),
}


@pytest.mark.parametrize(("text", "expected", "words"), FAULTS.values(), ids=FAULTS)
def test_fault_with_its_address(text: str, expected: list[tuple[int | None, str | None, Severity]], words: str) -> None:
    faults = [fault for fault in faults_of(text) if (fault.severity, expected[0][2]) != (WARNING, ERROR)]
    assert addresses(faults) == expected
    assert words in faults[0].found
    assert all(fault.file == "lots.csv" and fault.allowed for fault in faults)


def test_every_check_is_triggered_by_a_case() -> None:
    """A check that no case above sets off would be a check that is not tested."""
    silent = {*module.ROW_CHECKS, *module.ROW_WARNINGS, *module.TABLE_CHECKS, *module.SUSPICIONS}
    for text, _, _ in FAULTS.values():
        try:
            rows = reader.read_rows(cut(text, "f"))[0]
        except BadInput:
            continue
        every = (*module.ROW_CHECKS, *module.ROW_WARNINGS)
        silent -= {check for check in every if any(list(check(row)) for row in rows)}
        silent -= {check for check in module.TABLE_CHECKS if list(check(rows))}
        whole = module.usual_of(rows)
        silent -= {suspicion for suspicion in module.SUSPICIONS if any(list(suspicion(row, *whole)) for row in rows)}
    assert not silent


FINE = {
    "bounds": table("A,0,0,3", "B,10000,100,3"),
    "sum at the bound": table("A,9,20,3,62,20.5", "B,9,20,3,61,14", further=COMP),
    "zero stock with packs": table("A,0,20,3,20,5,60", further=PULL),
    "largest pull above stock": table("A,9,20,3,,,60", further=PULL),
    "the pulls are equal to the stock": table("A,9,20,3,9,9,9", further=PULL),
    "nitrite in a lot not cured": table("A,9,20,3,,150,", further=CURE),
    "all fat zero": table("A,9,0,3"),
    "words for yes and no": table(
        *(f"L{word},9,20,3,{word}" for word in ("yes", "NO", "True", "FALSE", "0", "1")), further="on_hold"
    ),
    "same day": table("A,9,20,3,2026-03-01,2026-03-01", further="use_by,received"),
    "twenty times the price": table("A,9,20,3", "B,9,20,3", "C,9,20,60", "D,9,20,0.15"),
    "five deviations off the line": table("A,9,20,3,54.98,", "B,9,20,3,67.77,", further=COMP),
    "poultry off the line": table("A,9,20,3,50,,chicken", further=COMP + ",species"),
    "salted off the line": table("A,9,20,3,50,,8", further=COMP + ",salt_pct"),
    "cured off the line": table("A,9,20,3,50,yes,1,0", further="moisture_pct," + CURE),
}


@pytest.mark.parametrize("text", FINE.values(), ids=FINE)
def test_what_is_fine_is_not_nagged_about(text: str) -> None:
    assert faults_of(text) == ()


# Every limit of lot_checks: a row at it, of which nothing is said, and one just beyond it.
# Raw red meat of 20 % fat has 76.69 - 0.7657 x 20 = 61.376 % moisture (USDA SR28, see lot_checks), give or take 6.4.
EDGES = {
    "sum at most": (COMP, "A,9,20,3,62,20.5", "A,9,20,3,62,20.51", "= 102.51"),
    "sum at least": (COMP, "A,9,20,3,61,14", "A,9,20,3,61,13.99", "only 94.99 %"),
    "too wet": ("moisture_pct", "A,9,20,3,67.776", "A,9,20,3,67.777", "do not agree"),
    "too dry": ("moisture_pct", "A,9,20,3,54.976", "A,9,20,3,54.975", "do not agree"),
    "fat side": ("role", "A,9,30,3,fat", "A,9,29.99,3,fat", "only 29.99 %"),
    "meat side": ("role", "A,9,75,3,meat", "A,9,75.01,3,meat", "the fat is 75.01 %"),
    "fraction": ("", "A,9,1.01,3", "A,9,1,3", "fat 1 % may be a fraction"),
    "dear": ("", "A,9,20,60", "A,9,20,60.01", "more than 20 times the table's median 3"),
    "cheap": ("", "A,9,20,0.15", "A,9,20,0.149", "less than 1/20 of the table's median 3"),
    "free": ("", "A,9,20,0.15", "A,9,20,0", "the price is 0"),
    "stock": ("", "A,10000,20,3", "A,10000.01,20,3", "the stock is 10000.01 kg"),
    "salt": ("salt_pct", "A,9,20,3,15", "A,9,20,3,15.01", "15.01 % salt"),
    "nitrite": ("nitrite_ppm", "A,9,20,3,200", "A,9,20,3,200.1", "200.1 mg/kg nitrite"),
    "sd": ("fat_sd_pct", "A,9,20,3,50", "A,9,20,3,50.1", "50.1"),
    "all of it": ("usable_pct", "A,9,20,3,100", "A,9,20,3,100.1", "100.1"),
    "same day": ("use_by,received", "A,9,20,3,2026-03-02,2026-03-02", "A,9,20,3,2026-03-01,2026-03-02", "is before"),
    "salvage": ("salvage_per_kg", "A,9,20,3,3", "A,9,20,3,3.01", "salvage_per_kg 3.01 is more"),
    "pack": ("pack_kg", "A,9,20,3,9", "A,9,20,3,9.01", "pack_kg 9.01 is more"),
    "pulls": (PULL, "A,9,20,3,,5,5", "A,9,20,3,,5.01,5", "smallest_pull_kg 5.01 is more"),
    "pack and pull": (PULL, "A,9,20,3,5,,5", "A,9,20,3,5.01,,5", "pack_kg 5.01 is more"),
    "pull and stock": (PULL, "A,9,20,3,,9,", "A,9,20,3,,9.01,", "smallest_pull_kg 9.01 is more"),
    "floor": ("use_at_least_kg", "A,9,20,3,9", "A,9,20,3,9.01", "use_at_least_kg 9.01 is more"),
    "nitrite left": (
        "rework,salt_pct,green_pct,original_nitrite_ppm,cured,nitrite_ppm,nitrate_ppm",
        "A,9,20,3,yes,1,80,100,yes,80,0", "A,9,20,3,yes,1,80,100,yes,80.1,0", "only 80 mg/kg was put",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", EDGES)
def test_at_a_limit_nothing_is_said_of_a_lot_and_just_beyond_it_something_is(what: str) -> None:
    """Beside two plain lots at 3 a kilogram, the median price of the table."""
    further, at, beyond, words = EDGES[what]
    beside = [f"{name},9,20,3{',' * len([n for n in further.split(',') if n])}" for name in "BC"]
    assert [fault.found for fault in faults_of(table(at, *beside, further=further))] == []
    assert any(words in fault.found for fault in faults_of(table(beyond, *beside, further=further)))


def test_all_faults_of_a_file_come_at_once_in_order_of_lines() -> None:
    text = table("A,9,0.5,3,x", "B,9,,3", "A,x,20,-3,y", "C,9,30,3,2", further="Use_by")
    faults = faults_of(text)
    assert {(fault.line, fault.column) for fault in faults} == {
        (1, "Use_by"),
        (2, "fat_pct"),
        (3, None),
        (4, "lot"),
        (4, "on_hand_kg"),
        (4, "cost_per_kg"),
    }
    lines = [fault.line or 0 for fault in faults]
    assert lines == sorted(lines)
    assert {fault.severity for fault in faults} == {ERROR, WARNING}


def test_role_is_led_to_the_nearest_word() -> None:
    first, second = faults_of(table("A,9,20,3,Meat", "B,9,20,3,x", further="role"))
    assert (first.allowed, second.allowed) == ("write meat", "meat, fat or blank")


def test_suspicions_stay_with_the_lot_without_an_address() -> None:
    read = parse_lots(table("A,9,0.27,3", "B,9,30,0", "C,9,30,3"), "f")
    assert [lot.suspicions for lot in read.lots] == [
        ("fat 0.27 % may be a fraction",),
        ("the price is 0",),
        (),
    ]
    assert [warning.found for warning in read.warnings] == ["fat 0.27 % may be a fraction", "the price is 0"]


# Raw cuts: number, species, fat, moisture, protein, percent by weight.
# USDA National Nutrient Database for Standard Reference, Release 28 (2015), per 100 g edible portion.
CUTS = """10001,pork,35.07,49.83,13.91
10004,pork,88.69,7.69,2.92
10005,pork,53.01,36.74,9.34
10006,pork,65.7,24.76,9.25
23224,beef,17.59,63.17,17.98
23461,beef,10.55,68.68,20.57
17142,veal,13.06,66.16,18.58
17224,lamb,23.41,59.47,16.56
17371,lamb,12.41,69.29,20.33
17423,lamb,4.22,74.04,20.43
17367,lamb,2.54,81.02,15.21"""
OFFAL = "17375,lamb,3.16,85.78,11"


def test_published_cuts_are_not_suspicious_and_swapped_figures_are() -> None:
    base = "lot,species,fat_pct,moisture_pct,protein_pct,on_hand_kg,cost_per_kg"
    fine = [f"{cut_},9,3" for cut_ in CUTS.split("\n")]
    assert parse_lots(table(*fine, base=base), "f").warnings == ()
    swapped = "lot,species,moisture_pct,fat_pct,protein_pct,on_hand_kg,cost_per_kg"
    told = parse_lots(table(*fine, base=swapped), "f").lots
    # Of these two, near half fat and half water, the swapped figures lie near the line too.
    assert {lot.name for lot in told if not lot.suspicions} == {"10001", "10005"}
    (warning,) = parse_lots(table(f"{OFFAL},9,3", base=base), "f").warnings
    assert "do not agree" in warning.found


# Files, size, order, rubbish.


def test_reads_a_file_and_names_it(tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_bytes(b"\xef\xbb\xbf" + table("\u00e4,9,20,3").replace("\n", "\r\n").encode())
    bad.write_bytes(table("A,9,200,3").encode())
    assert [lot.name for lot in read_lots(str(good)).lots] == ["\u00e4"]
    with pytest.raises(BadInput) as raised:
        read_lots(str(bad))
    assert str(raised.value).startswith(f"{bad}:2:fat_pct: error: ")
    with pytest.raises(BadInput):
        read_lots(str(tmp_path / "none.csv"))


def many_rows(count: int) -> list[str]:
    return [
        f"L{place:05},{100 + place}.375,{20 + place % 30}.5,{3 + place % 7}.25,pork trim,meat,pork,"
        f"2026-05-{1 + place % 28:02}" + f",{place % 90}.25" * 12
        for place in range(count)
    ]


MANY = "material,role,species,use_by," + ",".join(f"free_{letter}" for letter in "abcdefghijkl")


def test_three_thousand_rows() -> None:
    read = parse_lots(table(*many_rows(3000), further=MANY), "f")
    assert len(read.lots) == 3000 and len(read.properties) == 13
    assert (read.lots[-1].line, read.lots[-1].on_hand_kg) == (3001, Fraction("3099.375"))
    assert read.warnings == ()


def content(lot: Lot) -> tuple[object, ...]:
    return (
        lot.name,
        lot.on_hand_kg,
        lot.cost_per_kg,
        tuple(sorted(lot.properties.items())),
        lot.suspicions,
        lot.use_by,
    )


def test_the_order_of_rows_changes_nothing_but_order() -> None:
    rows = [*many_rows(60), *(row.replace("L", "M").replace(".375,", ".375,0") for row in many_rows(3))]
    first = parse_lots(table(*rows, further=MANY), "f")
    for seed in range(3):
        random.Random(seed).shuffle(rows)
        again = parse_lots(table(*rows, further=MANY), "f")
        assert {content(lot) for lot in again.lots} == {content(lot) for lot in first.lots}
        assert [lot.name for lot in again.lots] == [row.partition(",")[0] for row in rows]
        assert again.properties == first.properties


cell = st.one_of(
    st.sampled_from(
        [
            "",
            "A",
            "9",
            "0.5",
            "1,5",
            "yes",
            "nan",
            "1e3",
            "meat",
            "2026-02-30",
            '"',
            '"x"',
            "-1",
            "%",
            "\u0663",
        ]
    ),
    st.text(max_size=4),
)


@settings(max_examples=120, derandomize=True, deadline=None)
@given(
    st.lists(st.one_of(st.sampled_from([column.name for column in COLUMNS]), cell), max_size=7),
    st.lists(st.lists(cell, max_size=11), max_size=4),
    st.sampled_from([",", ";", "\t"]),
    st.booleans(),
)
def test_rubbish_is_refused_in_order_or_read(header: list[str], rows: list[list[str]], mark: str, base: bool) -> None:
    header = [*BASE.split(","), *header] if base else header
    text = "\n".join(mark.join(row) for row in [header, *rows])
    if any(fault.severity is ERROR for fault in faults_of(text)):
        return
    read = parse_lots(text, "f")
    assert all(0 <= lot.properties["fat_pct"] <= 100 for lot in read.lots)
    assert len({lot.name for lot in read.lots}) == len(read.lots) > 0


@settings(max_examples=150, derandomize=True, deadline=None)
@given(st.text(max_size=60))
def test_any_text_raises_nothing_but_bad_input(text: str) -> None:
    with pytest.raises(BadInput):
        parse_lots(text, "f")


def test_what_is_suspicious_of_pounds_is_said_in_pounds() -> None:
    """As typed: 30,000 lb, and 60 a pound where the others cost 1.5; 10,000 kg are 22,046 lb."""
    rows = "".join(f"{name},100,20,1.5\n" for name in "BCD")
    found = parse_lots(f"lot,on_hand_lb,fat_pct,cost_per_lb\nA,30000,20,60\n{rows}", "f").warnings
    assert {(fault.column, fault.found, fault.allowed) for fault in found} == {
        ("on_hand_lb", "the stock is 30000 lb", "22046 lb or less in one lot"),
        ("cost_per_lb", "the price 60 per lb is more than 20 times the table's median 1.5", "prices of one order"),
    }
