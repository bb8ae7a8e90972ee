"""Every case of cooking, cooling, fermenting, drying and Trichinella, through the real packs and curves.

The table names each one's source and how it was read; a case from memory is only a check of the arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from math import inf, log10
from typing import Any

import numpy as np
import pytest
import yaml
from logs import DATA, cooled, curve, place, product, stepped

from constraints.as_typed import exact
from constraints.treatment import DegreeHours, Drying, Freezing, Kill, celsius, fahrenheit
from optimizer.made.dry import Pieces, days_of, degree_hours, judge_dry, loss_for_ratio, water_activity
from optimizer.made.found import LogFinding, LogReport, Phase
from optimizer.made.heat import HowRead, judge_cook

CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in yaml.load((DATA / "cook-cool-examples.yaml").read_text(), Loader=yaml.BaseLoader)
}
US, CA, CALIFORNIA, ANZ, CODE = (place(name) for name in ("us", "ca", "us-california", "anz", "us-food-code"))
HERE = {
    name: case
    for name, case in CASES.items()
    if case["group"] in ("lethality", "cooling", "ferment", "dry", "trichinella")
}
NO_GAP = HowRead(gap=Fraction(10_000))


def n(case: dict[str, Any], name: str) -> Fraction:
    return exact(case["inputs"][name])


def close(found: float | Fraction, typed: str, slack: float | None = None) -> None:
    """Equal to the printed figure at its decimals."""
    places = len(typed.partition(".")[2])
    assert abs(float(found) - float(typed)) <= (slack or 0.5 * 10**-places + 1e-9), (float(found), typed)


def kill(title: str) -> Kill:
    return next(table for table in US.kills if table.title.startswith(title))


def phase(report: LogReport, title: str) -> Phase:
    return next(p for p in report.phases if p.title == title)


def integral(case: dict[str, Any]) -> None:
    """The three ways to add up one log; ours are the exact one and the lower bound."""
    temperatures = [exact(x) for x in case["inputs"]["core_F"]]
    step = n(case, "step_min")
    made = curve([(step * k, value) for k, value in enumerate(temperatures)])
    at, z = float(n(case, "Tref_F")), float(n(case, "z_F"))
    ways = {
        "lethal-log-exact": made.lethality(at, z, inf, inf),
        "lethal-log-lower": made.lethality(at, z, 0, 0),
        "lethal-log-trapezoid": float(np.trapezoid(10 ** ((np.array(temperatures, float) - at) / z), dx=float(step))),
    }
    close(ways[case["id"]], case["expected"]["F_min"])
    assert ways["lethal-log-lower"] < ways["lethal-log-exact"] < ways["lethal-log-trapezoid"]
    assert ways["lethal-log-lower"] <= made.lethality(at, z) <= ways["lethal-log-exact"]


def row(title: str) -> Callable[[dict[str, Any]], None]:
    def check(case: dict[str, Any]) -> None:
        unit = Fraction(1) if case["expected"]["unit"] == "min" else Fraction(1, 60)
        assert kill(title).rows[n(case, "T_F")] == exact(case["expected"]["time"]) * unit

    return check


def ramp(case: dict[str, Any]) -> None:
    start, end, minutes = (float(n(case, name)) for name in ("from_F", "to_F", "minutes"))
    at, z = float(n(case, "Tref_F")), float(n(case, "z_F"))
    whole = curve([(0, int(start)), (int(minutes), int(end))])
    close(whole.lethality(at, z, inf, inf), case["expected"]["F_min_exact"])
    for name, step in (("trapezoid_1min", 1), ("trapezoid_5min", 5), ("trapezoid_ends_only", 20)):
        times = np.arange(0, minutes + step, step)
        rates = 10 ** ((start + (end - start) * times / minutes - at) / z)
        close(float(np.trapezoid(rates, times)), case["expected"][name])


def held(case: dict[str, Any]) -> None:
    """D times reductions: holding so long at the temperature is so many reductions."""
    minutes, at = exact(case["expected"]["minutes"]), n(case, "T_C")
    hold = curve([(0, fahrenheit(at, "C")), (minutes, fahrenheit(at, "C"))])
    reductions = hold.lethality(float(fahrenheit(at, "C")), 10) / float(n(case, "D_min"))
    assert reductions == pytest.approx(float(n(case, "logs")), abs=1e-3)


def z_of(case: dict[str, Any]) -> None:
    """With the z found, D minutes at the warmer temperature do what D minutes at the cooler do."""
    warm, cool = (float(fahrenheit(n(case, name), "C")) for name in ("T2_C", "T1_C"))
    hold = curve([(0, Fraction(warm)), (1, Fraction(warm))])
    low, high = (
        hold.lethality(cool, 1.8 * (float(case["expected"]["z_C"]) + off)) * float(n(case, "D2_min"))
        for off in (0.0051, -0.0051)
    )
    assert low <= float(n(case, "D1_min")) <= high


def equivalent(case: dict[str, Any]) -> None:
    hold = curve([(0, n(case, "T_F")), (n(case, "hold_min"), n(case, "T_F"))])
    minutes = hold.lethality(float(n(case, "Tref_F")), float(n(case, "z_F")))
    close(minutes * 60, case["expected"]["F_s"])
    line = US.opinions[0]
    close(minutes / float(line.d), case["expected"]["logs_at_D_10.3077s"])


def two_holds(case: dict[str, Any]) -> None:
    parts = []
    for at, minutes in case["inputs"]["holds_C_min"]:
        level = fahrenheit(exact(at), "C")
        hold = curve([(0, level), (exact(minutes), level)])
        parts.append(hold.lethality(float(fahrenheit(n(case, "Tref_C"), "C")), 1.8 * float(n(case, "z_C"))))
    close(sum(parts), case["expected"]["P70_min"])


def judged_log(case: dict[str, Any]) -> None:
    read = cooled(case["inputs"]["log_min_F"], "F")
    error = exact(case["inputs"].get("error_F", "0"))
    expected = case["expected"]
    report = judge_cook(read, product(), [US], HowRead(error=error, gap=Fraction(10_000)))
    if "hours" in expected:
        (found,) = phase(report, "come-up").findings
        (span,) = found.spans
        close(span.start, expected["t50_min"])
        close(span.end, expected["t130_min"])
        close((span.end - span.start) / 60, expected["hours"])
        assert found.ok is True
        return
    at, needed = (exact(x) for x in case["inputs"]["row"])
    span_of = read.of("core")[0].longest_above(at + error, Fraction(10_000))
    assert span_of is not None and kill("6.5-log").rows[at] == needed
    close(span_of[1] - span_of[0], expected["minutes_at_or_above"])
    place_of_row = list(kill("6.5-log").rows).index(at)
    ok = phase(report, "cook").findings[place_of_row].ok
    assert str(ok).lower() == expected.get("passes", expected.get("passes_at_145_row"))


def crossings(case: dict[str, Any]) -> None:
    (core,) = cooled(case["inputs"]["log_min_F"], "F").of("core")
    for name, typed in case["expected"].items():
        at = core.stays_at_most(exact(name.removeprefix("at_").removesuffix("F_min")))
        assert at is not None
        close(at, typed)


def option(name: str, index: int) -> Callable[[dict[str, Any]], None]:
    """An option of a place on the case's log, with the length of each stage."""

    def check(case: dict[str, Any]) -> None:
        logged = case["inputs"]
        read = cooled(logged.get("log_min_F") or logged["log_min_C"], "F" if "log_min_F" in logged else "C")
        found = cooling(read, name)[index]
        expected = dict(case["expected"])
        assert str(found.ok).lower() == expected.pop("passes")
        for typed, span in zip(expected.values(), found.spans, strict=False):
            close((span.end - span.start) / 60, typed)

    return check


def cooling(read: Any, name: str, **of: Any) -> tuple[LogFinding, ...]:
    return phase(judge_cook(read, product(**of), [place(name)], NO_GAP), "cooling").findings


def two_clocks(case: dict[str, Any]) -> None:
    read = cooled(case["inputs"]["log_min_F"], "F")
    (code,) = cooling(read, "us-food-code")
    state = cooling(read, "us-california")[0]
    close((code.spans[1].end - code.spans[1].start) / 60, case["expected"]["foodcode_total_h"])
    close((state.spans[1].end - state.spans[1].start) / 60, case["expected"]["california_stage2_h"])
    assert (code.ok, state.ok) == (True, False)


def brine(case: dict[str, Any]) -> None:
    """Which branch of California's slow cooling is open to a batch of these figures."""
    figures = {name: n(case, name) for name in ("salt_pct", "moisture_pct", "nitrite_ppm")}
    close(100 * figures["salt_pct"] / (figures["salt_pct"] + figures["moisture_pct"]), case["expected"]["brine_pct"])
    read = cooled([["0", "125"], ["90", "80"], ["900", "40"]], "F")
    found = cooling(read, "us-california", **figures)
    assert (found[1].ok, found[2].ok) == {"A": (True, None), "B": (None, True), "none": (None, None)}[
        case["expected"]["branch"]
    ]


def growth(case: dict[str, Any]) -> None:
    """A published prediction: nothing is computed from it, and no page prints a growth; its logarithms are these."""
    close(log10(n(case, "relative_growth")), case["expected"]["log10"])
    assert log10(n(case, "upper95")) < 1
    assert not any("perfringens" in opinion.title for opinion in US.opinions)


def soured(unit: str) -> Callable[[dict[str, Any]], None]:
    def check(case: dict[str, Any]) -> None:
        stages = [(exact(at), exact(hours)) for at, hours in case["inputs"][f"stages_{unit}_h"]]
        read = stepped(stages, unit)
        here = CA if unit == "C" else US
        report = judge_dry(read, product(steps="[fermented]"), [here], Pieces())
        (found,) = phase(report, "fermentation").findings
        limit = found.by
        assert isinstance(limit, DegreeHours)
        close(degree_hours(read, limit, Fraction(0), read.minutes), case["expected"]["degree_hours"])
        assert str(found.ok).lower() == case["expected"]["passes"]
        asked = case["expected"].get("limit") or case["expected"]["limit_row"].rpartition(" ")[2]
        assert limit.less_than == exact(asked)

    return check


def longest(case: dict[str, Any]) -> None:
    at, hours = n(case, "T_C"), exact(case["expected"]["hours"])
    (row,) = (row for row in CA.degree_hours if row.less_than == n(case, "limit"))
    for off, within in ((Fraction("-0.01"), True), (Fraction("0.01"), False)):
        read = stepped([(at, hours + off)], "C")
        assert (degree_hours(read, row, Fraction(0), read.minutes) < row.less_than) is within


def warming(case: dict[str, Any]) -> None:
    made = curve([(0, n(case, "from_F")), (60 * n(case, "hours"), n(case, "to_F"))])
    assert made.area_above(US.degree_hours[0].base, 60 * n(case, "hours")) / 60 == exact(
        case["expected"]["degree_hours"]
    )


def activity(case: dict[str, Any]) -> None:
    if "salt_pct_of_brine" in case["inputs"]:
        salt = n(case, "salt_pct_of_brine")
        found = water_activity(salt, 100 - salt)
    else:
        found = water_activity(n(case, "salt_per_100g_water"), Fraction(100))
    close(found, case["expected"]["aw_formula"])
    assert abs(found - exact(case["expected"]["aw_published"])) <= Fraction("0.006")


def ratio(case: dict[str, Any]) -> None:
    loss = loss_for_ratio(n(case, "moisture_pct"), n(case, "protein_pct"), n(case, "ratio"))
    close(loss, case["expected"]["loss_pct"])
    close(100 - loss, case["expected"]["yield_pct"])
    assert n(case, "ratio") in {mark.ratio for mark in US.ratios}


def after_loss(case: dict[str, Any]) -> None:
    found = (n(case, "moisture_pct") - n(case, "loss_pct")) / n(case, "protein_pct")
    close(found, case["expected"]["ratio"])
    assert loss_for_ratio(n(case, "moisture_pct"), n(case, "protein_pct"), found) == n(case, "loss_pct")


def estimate(case: dict[str, Any]) -> None:
    salt, moisture, loss = (n(case, name) for name in ("salt_pct", "moisture_pct", "loss_pct"))
    close(water_activity(salt, moisture, loss), case["expected"]["aw_estimate"])
    close(100 * salt / (salt + moisture - loss), case["expected"]["brine_pct"])


def least_salt(case: dict[str, Any]) -> None:
    method = US.drying[0]
    needed = n(case, "batch_kg") * method.salt_pct / 100
    close(needed, case["expected"]["needed_kg"])
    assert n(case, "salt_kg") < needed


def killed(case: dict[str, Any]) -> None:
    assert kill("heat against Trichinella").rows[n(case, "T_F")] == exact(case["expected"]["minutes"])


def frozen(case: dict[str, Any]) -> None:
    (table,) = (table for table in US.freezing if table.core)
    assert table.rows[n(case, "T_C")] == 60 * exact(case["expected"]["hours"])


BY_ID: dict[str, Callable[[dict[str, Any]], None]] = {
    "equiv-140F-12min": equivalent,
    "ramp-exact": ramp,
    "two-holds-C": two_holds,
    "z-convert": lambda case: close(celsius(32 + n(case, "z_F")), case["expected"]["z_C"]),
    "dvalue-mpi-6D": lambda case: close(place("gb").opinions[0].d, case["expected"]["D_min"]),
    "cool-crossings": crossings,
    "cool-option2-stage": option("us", 1),
    "cool-foodcode": option("us-food-code", 0),
    "cool-california-a": option("us-california", 0),
    "cool-foodcode-vs-california": two_clocks,
    "cool-australia": option("anz", 0),
    "perfringens-cured-beef": growth,
    "ferment-filed-plan": soured("F"),
    "ferment-max-hours-25C": longest,
    "ferment-ramp": warming,
    "dry-mpr-after-30": after_loss,
    "dry-brine-aw-estimate": estimate,
    "dry-trichinae-salt": least_salt,
}
BY_START: dict[str, Callable[[dict[str, Any]], None]] = {
    "lethal-log": integral,
    "table-65log": row("6.5-log"),
    "table-5log": row("5-log"),
    "dtime": held,
    "z-": z_of,
    "log-": judged_log,
    "cool-option1": option("us", 0),
    "cool-brine": brine,
    "ferment-canada": soured("C"),
    "ferment-us": soured("F"),
    "aw-": activity,
    "dry-mpr": ratio,
    "trichinae-heat": killed,
    "trichinae-freeze": frozen,
}


@pytest.mark.parametrize("name", HERE)
def test_case(name: str) -> None:
    check = BY_ID.get(name) or next(check for start, check in BY_START.items() if name.startswith(start))
    check(CASES[name])


def test_every_case_is_of_a_known_group() -> None:
    assert len(CASES) == 101
    assert {case["group"] for case in CASES.values()} == {
        "lethality", "cooling", "ferment", "dry", "trichinella", "correct", "trace"
    }  # fmt: skip


def test_the_line_through_the_tables_rounded_up_is_the_tables() -> None:
    """67 s and 51.6 s times 10^((150 - T)/10): 27 of 28 rows of each, but 136 F and 156 F (derived from the rows)."""
    for title, seconds, odd in (("6.5-log", 67.0, 136), ("5-log", 51.6, 156)):
        for at, minutes in kill(title).rows.items():
            if at >= 158:
                assert minutes == 0
                continue
            line = seconds * 10 ** ((150 - int(at)) / 10)
            rounded = 60 * np.ceil(line / 60 - 1e-9) if at <= 145 else np.ceil(line - 1e-9)
            assert bool(float(minutes) * 60 == rounded) is (at != odd)


METHOD_6: Drying = US.drying[5]


@pytest.mark.parametrize(
    ("inches", "salt", "warm", "days"),
    [(3, "3.33", 18, 17), ("3.5", "2.0", 0, 33), ("3.5", "3.33", 0, 23)],
)
def test_the_examples_printed_in_the_rule(inches: Any, salt: str, warm: int, days: int) -> None:
    """Old 9 CFR 318.10(c)(3)(i), method 6, 2015 edition: 3 in after 48 h at 80 F; 3-1/2 in with 2 lb of salt."""
    size = next(d for d in METHOD_6.diameters if d.up_to_in == exact(str(inches)))
    assert days_of(METHOD_6, size, exact(salt), Fraction(warm)) == days
    assert METHOD_6.less_pct[Fraction(48)][METHOD_6.warm_room_f.index(Fraction(80))] == 18


def test_the_printed_salt_of_method_6() -> None:
    """356 / 121.5 = 2.93, row 2.9, 13 % longer (same rule)."""
    made = product(lots="pork", batch={"pork": "120"}, additions={
        "salt": ("salt", "3.56"), "spice": ("spice", "2"), "wine": ("liquid", "0.5"),
        "water and culture": ("water", "1"),
        "sugar": ("spice", "0.8"), "nitrite": ("spice", "0.012"),
    })  # fmt: skip
    salt = made.salt_pct("without_dry")
    assert salt is not None
    close(salt, "2.93")
    assert METHOD_6.more_pct[exact("2.9")] == 13


def test_freezing_tables_are_in_order() -> None:
    tables: list[Freezing] = [table for name in ("us", "eu") for table in place(name).freezing]
    for table in tables:
        rows = sorted(table.rows.items())
        assert [minutes for _, minutes in rows] == sorted(minutes for _, minutes in rows)
