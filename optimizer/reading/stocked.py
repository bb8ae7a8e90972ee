"""What a ledger has left, as a lots table: the cells of every lot as they were typed, and its balance."""

from __future__ import annotations

import json
from collections.abc import Mapping
from fractions import Fraction
from sqlite3 import Connection

from constraints.confidence import UnknownMethod, method_named
from constraints.faults import BadInput, Fault
from constraints.numbers import KG_PER_LB, PERCENT, trimmed
from optimizer.ledger import NotRecorded, lots_of, opened
from optimizer.reading.table import csv_line, figure
from optimizer.taught import LEAN, Assay, Taught, estimate


def exported(path: str, *, every: bool = False, learned: bool = False) -> str:
    """The lots that are there as a lots table, every cell as it was typed. Raises BadInput where it cannot be read.

    ``every`` adds those that are used up, ``learned`` puts what the tests say of each lot's fat in place of what was
    typed, and that beside it.
    """
    try:
        with opened(path) as base:
            kept = base.execute("SELECT value FROM setting WHERE name = 'delimiter'").fetchone()
            mark = kept[0] if kept else ","
            told = taught(base) if learned else None
            rows = [
                _held(cells, left, mark) | (_as_told(told, name, cells, mark) if told else {})
                for name, cells, product, left in lots_of(base)
                if not product and (every or left or not _typed(cells, mark))
            ]
    except NotRecorded as error:
        raise BadInput([Fault(path, None, None, str(error), "a ledger that trimwright stock made")]) from None
    header = list(dict.fromkeys(key for row in rows for key in row)) or ["lot", "on_hand_kg", "fat_pct", "cost_per_kg"]
    lines = [header, *([row.get(name, "") for name in header] for row in rows)]
    return "".join(f"{csv_line(line, mark)}\n" for line in lines)


def taught(base: Connection) -> Taught | None:
    """What the tests recorded say together of the lots' fat; None where nothing can be learnt.

    A lot of no stated error is known by its own first test; a test of a batch with one that has none teaches nothing.
    """
    rows = base.execute("SELECT item FROM live WHERE kind = 'test' ORDER BY id").fetchall()
    tests = [
        Assay({name: Fraction(share) for name, share in kept["shares"].items()},
              *(Fraction(kept[key]) for key in ("fat_pct", "sd", "rest")))
        for kept in (json.loads(item) for (item,) in rows)
    ]  # fmt: skip
    cells = {name: found for name, found, _, _ in lots_of(base)}
    known: dict[str, tuple[Fraction, Fraction]] = {}
    for name in dict.fromkeys(name for test in tests for name in test.shares):
        stated = _stated(cells[name])
        own = next((test for test in tests if set(test.shares) == {name}), None)
        if stated is not None:
            known[name] = stated
        elif own is not None:
            known[name] = own.figure, own.sd
            tests.remove(own)
    tests = [test for test in tests if all(name in known for name in test.shares)]
    return estimate(known, tests) if known else None


def _stated(cells: Mapping[str, str]) -> tuple[Fraction, Fraction] | None:
    """A lot's fat and its standard deviation as typed, or by its method; None where neither is stated."""
    commas = any("," in cells.get(key, "") for key in ("fat_pct", "fat_sd_pct"))
    fat = figure(cells.get("fat_pct") or "0", commas)
    if cells.get("fat_sd_pct"):
        return fat, figure(cells["fat_sd_pct"], commas)
    try:
        return (fat, method_named(cells["fat_method"]).sd(fat)) if cells.get("fat_method") else None
    except UnknownMethod:
        return None


def _as_told(told: Taught, name: str, cells: Mapping[str, str], delimiter: str) -> dict[str, str]:
    """The cells of a lot's fat by the tests, and as typed; none where no test is of it."""
    if name not in told.known:
        return {}
    commas = delimiter != "," and any("," in cell for cell in cells.values())
    (fat, sd), typed = told.of(name), figure(cells.get("fat_pct") or "0", commas)
    lean = {key: figure(cells[key], commas) for key in LEAN if cells.get(key) and typed < PERCENT}
    new = {"fat_pct": fat, "fat_sd_pct": sd, **{k: x * (PERCENT - fat) / (PERCENT - typed) for k, x in lean.items()}}
    said = {key: trimmed(value, 3).replace(".", "," if commas else ".") for key, value in new.items()}
    return said | {"fat_as_typed_pct": cells.get("fat_pct", "")}


def _typed(cells: Mapping[str, str], delimiter: str) -> Fraction:
    """Kilograms of a lot as its table had them."""
    key = "on_hand_kg" if cells.get("on_hand_kg") else "on_hand_lb"
    read = figure(cells.get(key) or "0", delimiter != "," and "," in cells.get(key, ""))
    return read if key == "on_hand_kg" else read * KG_PER_LB


def _held(cells: dict[str, str], left: Fraction, delimiter: str) -> dict[str, str]:
    """The cells with what is left of the lot; as typed where all of it is there."""
    if left == _typed(cells, delimiter):
        return cells
    pounds = "on_hand_lb" in cells and not cells.get("on_hand_kg")
    said = trimmed(left / KG_PER_LB if pounds else left, 10)
    commas = delimiter != "," and any("," in cell for cell in cells.values())
    return cells | {"on_hand_lb" if pounds else "on_hand_kg": said.replace(".", ",") if commas else said}
