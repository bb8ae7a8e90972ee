"""Every figure of the JSON document of ``check``, worked out again from what was weighed and the raw files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import product
from typing import Any

from raw import NOTHING, PARTS, F, Kg, Raw
from recomputed_batch import BASES, asked_limits, close, estimated, exactly, margin, shares
from registry import WORDS, Told, left, recomputes

Weighed = list[Kg]
"""What was weighed, load by load; one load where they were not weighed apart."""


def whole(loads: Weighed) -> dict[str, Fraction]:
    found: dict[str, Fraction] = {}
    for load in loads:
        for name, kg in load.items():
            found[name] = found.get(name, F(0)) + kg
    return found


def parts(told: Told) -> Iterator[tuple[Any, Kg]]:
    """Every part of the document with what was weighed of it: the whole, then each load."""
    loads = told.more["loads"]
    yield told.document, whole(loads)
    yield from zip(told.document["loads"], loads if len(loads) > 1 else [], strict=True)


@recomputes("check", ": recipe date meat_kg batch_kg", ".estimated: moisture_pct protein_pct",
            ".loads[]: load meat_kg batch_kg", ".composition: finished",
            *(f".composition.{basis}: {' '.join(PARTS)}" for basis in BASES))  # fmt: skip
def weights(told: Told) -> None:
    raw, found = told.raw, told.document
    assert (found["recipe"], found["date"]) == (raw.recipe["name"], raw.day.isoformat())
    assert [load["load"] for load in found["loads"]] == list(range(1, len(found["loads"]) + 1))
    for part, kg in parts(told):
        assert part["meat_kg"] == close(raw.weight(kg, "meat"))
        assert part["batch_kg"] == close(raw.weight(kg, "batch"))
    kg = whole(told.more["loads"])
    assert found["composition"] == {basis: shares(raw, kg, basis) for basis in BASES}
    assert found["estimated"] == estimated(raw, kg)


def off(raw: Raw, name: str, kg: Fraction, dose: Fraction, loads: int) -> tuple[bool, bool, bool]:
    """Off its dose beyond a fiftieth and what the scales round; beyond what the recipe bears; a cure a tenth short.

    All three are common practice, no source; a scale is fine enough from a hundred divisions on.
    """
    kind = raw.added[name].get("is")
    fine = dose / loads >= 100 * raw.meat_division and kind != "cure"
    room = (raw.meat_division if fine else raw.spice_division) * loads
    beyond = {share: abs(kg - dose) > room + dose / share for share in (10, 50)}
    return beyond[50], beyond[50 if kind in ("salt", "cure") else 10], kind == "cure" and kg < dose * F(9, 10)


@recomputes("check", *(f"{where}[]: item grams dose_grams off_pct off breaks forbids" for where in
                       (".doses", ".off_dose", ".loads[].doses")))  # fmt: skip
def doses(told: Told) -> None:
    raw = told.raw
    for part, kg in parts(told):
        wanted = raw.doses({name: x for name, x in kg.items() if name in raw.rows})
        loads = len(told.more["loads"]) if part is told.document else 1
        assert [dose["item"] for dose in part["doses"]] == list(wanted)
        for dose in part["doses"]:
            name = dose["item"]
            assert dose["grams"] == close(kg.get(name, F(0)) * 1000)
            assert dose["dose_grams"] == close(wanted[name] * 1000)
            assert dose["off_pct"] == (close(100 * kg.get(name, F(0)) / wanted[name] - 100) if wanted[name] else None)
            marks = dose["off"], dose["breaks"], dose["forbids"]
            assert marks == off(raw, name, kg.get(name, F(0)), wanted[name], loads)
        assert part["off_dose"] == [dose for dose in part["doses"] if dose["off"]]


def corners(kg: Kg, raw: Raw, tolerance: Mapping[str, Fraction]) -> Iterator[Kg]:
    """Every way in which each weight is off by all of its tolerance, up or down."""
    give = {name: tolerance["meat" if name in raw.rows else "spice"] for name in kg}
    for signs in product((-1, 1), repeat=len(kg)):
        yield {name: x + sign * give[name] for sign, (name, x) in zip(signs, kg.items(), strict=True)}


@recomputes("check", *(f"{where}.places[].checks[]: value margin low high min max ok whole_range mend"
                       for where in ("", ".loads[]")), ".places[].checks[].mend: lot kg value")  # fmt: skip
def findings(told: Told) -> None:
    """The figure, its range over the corners of the tolerances, and what one lot more would make of it."""
    raw, tolerance = told.raw, told.more.get("tolerance")
    for part, kg in parts(told):
        for check in (check for place in part["places"] for check in place["checks"]):
            value = raw.figure(check, kg)
            limits = [(close(lo), close(hi)) for lo, hi in asked_limits(told, check)]
            if check["what"] == "total salt":
                target = next(F(x["total_salt_pct"]) for x in raw.added.values() if "total_salt_pct" in x)
                assert (check["min"] + check["max"]) / 2 == close(target)
            else:
                assert (check["min"], check["max"]) in limits, check
            if value is NOTHING and check["value"] is None:
                assert check["ok"] is True
                continue
            assert check["value"] == close(value), check
            assert check["margin"] == (None if value is None else close(margin(check, value))), check
            assert check["ok"] is (None if value is None else margin(check, value) >= 0), check
            if tolerance is None or value is None:
                assert check["low"] is check["high"] is check["whole_range"] is None
            else:
                found = [x for corner in corners(kg, raw, tolerance) if (x := raw.figure(check, corner)) is not None]
                assert (check["low"], check["high"]) == (close(min(found)), close(max(found)))
                assert check["whole_range"] is (len({margin(check, x) >= 0 for x in found}) == 1)
            if check["mend"] is not None:
                _mended(raw, kg, check)
            elif part is told.document and check["ok"] is False:
                assert "mendless" in told.more


def _mended(raw: Raw, kg: Kg, check: Any) -> None:
    """The lot brings the figure within its limits, and a division less of it does not."""
    lot, more = check["mend"]["lot"], exactly(check["mend"]["kg"])

    def after(added: Fraction) -> Fraction:
        carried = raw.doses({lot: F(1)})
        new = dict(kg) | {lot: kg.get(lot, F(0)) + added}
        figure = raw.figure(check, new | {name: kg.get(name, F(0)) + x * added for name, x in carried.items()})
        assert figure is not None
        return figure

    assert kg.get(lot, F(0)) + more <= F(raw.rows[lot]["on_hand_kg"]) * raw.usable(lot)
    assert check["mend"]["value"] == close(after(more)) and margin(check, after(more)) >= 0
    assert margin(check, after(more - raw.meat_division)) < 0


@recomputes("check", ": status", ".verdict: grade warnings headline",
            ".verdict.limits: ok not_certain laboratory warning waived broken")  # fmt: skip
def verdict(told: Told) -> None:
    """Limits counted in the checks of the whole batch; a batch is right only where nothing is broken or off."""
    found = told.document
    checks = [check for place in found["places"] for check in place["checks"]]
    broken = [check for check in checks if check["ok"] is False and check["blocks"]]
    assert found["verdict"]["limits"] == {
        "ok": sum(check["ok"] is True and check["whole_range"] is not False for check in checks),
        "not_certain": sum(check["ok"] is True and check["whole_range"] is False for check in checks),
        "laboratory": sum(check["ok"] is None for check in checks), "waived": 0, "broken": len(broken),
        "warning": sum(check["ok"] is False and not check["blocks"] for check in checks),
    }  # fmt: skip
    assert found["verdict"]["warnings"] == len(found["warnings"])
    assert found["status"] == found["verdict"]["grade"] == told.more["grade"]
    head = {"holds": "RIGHT AS WEIGHED", "not_what_the_recipe_asks": "NOT WHAT THE RECIPE ASKS"}[found["status"]]
    assert found["verdict"]["headline"].startswith(head) and found["verdict"]["headline"].endswith(".")


for _where in ("", ".loads[]"):
    left("check", "what a check rests on is worked out of a blend's document", f"{_where}.places[]: rules title",
         f"{_where}.places[].checks[]: blocks source status rule what unit basis forbids")  # fmt: skip
    left("check", WORDS, f"{_where}.places[].checks[]: note why")
left("check", "the doses that are off, as they stand among all doses", ".loads[]: off_dose[]")
left("check", "no load here mends or is graded otherwise than the whole: test_check_loads.py", ".loads[]: status")
left("check", WORDS, ": caution warnings[] notes[] not_judged[] against[]")
left("check", WORDS, ": held_apart[] loads_apart[] unfit[] other_names[]")
left("check", "doses that would pass are made and checked in test_lawful.py", ": what_would_pass[]")
left("check", "doses that would pass are made and checked in test_lawful.py",
     ".what_would_pass[]: addition key at value words")  # fmt: skip
