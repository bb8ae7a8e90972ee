"""Every figure of the JSON documents of ``blend`` and ``check``, worked out again from the raw files."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from math import floor
from statistics import NormalDist
from typing import Any

import pytest
from raw import NOTHING, PARTS, F, Kg, Raw, plain
from registry import WORDS, Told, left, recomputes
from where import HOME

Doc = Any


def close(value: float | Fraction | None) -> Any:
    """Equal but for the last digits of floating point."""
    return None if value is None else pytest.approx(float(value), rel=1e-9, abs=1e-9)


def solver(value: float) -> Any:
    """Equal within what a solver in floating point promises."""
    return pytest.approx(value, rel=1e-6, abs=1e-6)


def exactly(value: float) -> Fraction:
    """A printed decimal as the fraction it stands for."""
    return F(str(value))


def batch_of(part: Doc) -> dict[str, Fraction]:
    """What went in: kilograms by name."""
    lots = {lot["lot"]: exactly(lot["kg"]) for lot in part["lots"]}
    return lots | {item["item"]: exactly(item["grams"]) / 1000 for item in part["weigh_out"]}


@recomputes(
    "blend", ": status recipe rules[] date cured", ".ordered: basis kg within_kg", ".cost: currency", ".casing: name"
)
def what_was_asked(told: Told) -> None:
    raw, found = told.raw, told.document
    assert found["status"] == ("infeasible" if found["conflict"] else "optimal")
    assert found["recipe"] == raw.recipe["name"]
    assert found["rules"] == [path.stem for path in raw.packs]
    assert found["date"] == raw.day.isoformat()
    assert found["ordered"] == {"basis": raw.basis, "kg": float(raw.kg), "within_kg": close(raw.within_kg)}
    assert found["cured"] == any(entry.get("is") == "cure" for entry in raw.added.values())
    if found["cost"]:
        assert found["cost"]["currency"] == raw.recipe.get("currency", "")
    if found["casing"]:
        assert found["casing"]["name"] == raw.recipe["casing"]["name"]


@recomputes(
    "blend",
    ": meat_kg batch_kg finished_kg",
    ".lots[]: kg lot",
    ".weigh_out[]: grams item",
    ".loads[]: load",
    ".loads[].lots[]: kg lot",
    ".loads[].weigh_out[]: grams item",
)
def weights(told: Told) -> None:
    """Whole divisions, on hand, within the order; loads add up, each dosed by its own meat; nothing above the mixer."""
    raw, found = told.raw, told.document
    if found["meat_kg"] is None:
        assert (
            found["lots"] == found["loads"] == found["weigh_out"] == []
            and found["batch_kg"] is found["finished_kg"] is None
        )
        return
    kg = batch_of(found)
    assert found["meat_kg"] == close(raw.weight(kg, "meat"))
    assert found["batch_kg"] == close(raw.weight(kg, "batch"))
    assert found["finished_kg"] == (close(raw.weight(kg, "finished")) if "yield" in raw.recipe else None)
    assert [load["load"] for load in found["loads"]] == list(range(1, len(found["loads"]) + 1))
    together: dict[str, Fraction] = {}
    for part in found["loads"]:
        inside = batch_of(part)
        for name, x in inside.items():
            together[name] = together.get(name, F(0)) + x
        assert raw.weight(inside, "batch") <= F(raw.recipe.get("mixer_kg", "1e9"))
        _dosed(raw, inside)
    assert together == kg
    for lot in found["lots"]:
        held = kg[lot["lot"]] / raw.usable(lot["lot"])
        row = raw.rows[lot["lot"]]
        assert held <= min(F(row["on_hand_kg"]), F(row.get("largest_pull_kg") or "1e9"))
        pack = F(row.get("pack_kg") or "0")
        assert (held / pack if pack else kg[lot["lot"]] / raw.meat_division).denominator == 1 or held == F(
            row["on_hand_kg"]
        )


def _dosed(raw: Raw, kg: Kg) -> None:
    """Each addition is within a division of its exact dose for the meat it goes to; a cure is never above it."""
    exact = raw.doses({name: x for name, x in kg.items() if name in raw.rows})
    assert set(exact) == {name for name in kg if name in raw.added}
    for name, dose in exact.items():
        cure = raw.added[name].get("is") == "cure"
        coarse = dose >= 100 * raw.meat_division and not cure  # a scale is fine enough from a hundred divisions on
        division = raw.meat_division if coarse else raw.spice_division
        assert (kg[name] / division).denominator == 1
        if cure:
            assert 0 <= dose - kg[name] < division, name
        else:
            assert abs(kg[name] - dose) < division, (name, kg[name], dose)


@recomputes(
    "blend",
    ".lots[]: material held_kg cost",
    ".loads[].lots[]: material held_kg cost",
    ".weigh_out[]: g_per_kg_meat",
    ".loads[].weigh_out[]: g_per_kg_meat",
)
def lots_and_items(told: Told) -> None:
    raw, found = told.raw, told.document
    for part in (found, *found["loads"]):
        kg = batch_of(part)
        for lot in part["lots"]:
            name = lot["lot"]
            assert lot["material"] == raw.rows[name]["material"]
            assert lot["held_kg"] == close(kg[name] / raw.usable(name))
            assert lot["cost"] == close(kg[name] / raw.usable(name) * F(raw.rows[name]["cost_per_kg"]))
        for item in part["weigh_out"]:
            assert item["g_per_kg_meat"] == close(kg[item["item"]] * 1000 / raw.weight(kg, "meat"))


@recomputes("blend", ".lots[]: left_kg use_by fat_pct")
def what_stays(told: Told) -> None:
    for lot in told.document["lots"]:
        row = told.raw.rows[lot["lot"]]
        assert lot["left_kg"] == close(F(row["on_hand_kg"]) - exactly(lot["kg"]) / told.raw.usable(lot["lot"]))
        assert (lot["use_by"] or "", lot["fat_pct"]) == (row["use_by"], close(F(row["fat_pct"])))


BASES = ("meat", "green", "fresh", "batch", "finished")


@recomputes(
    "blend",
    ".estimated: moisture_pct protein_pct",
    ".composition: finished",
    *(f".composition.{basis}: {' '.join(PARTS)}" for basis in BASES),
)
def composition(told: Told) -> None:
    """Means by weight; green and fresh weight are the meat block where no lot is rework."""
    raw, found = told.raw, told.document
    if found["composition"] is None:
        assert found["meat_kg"] is None
        return
    kg = batch_of(found)
    assert found["composition"] == {basis: shares(raw, kg, basis) for basis in BASES}
    assert found["estimated"] == estimated(raw, kg)


def estimated(raw: Raw, kg: Kg) -> dict[str, bool]:
    """Whether some lot's row leaves it open and the recipe lets it be estimated."""
    rows = [row for lot, row in raw.rows.items() if kg.get(lot)]
    return {
        f"{part}_pct": part in raw.recipe.get("estimate", []) and not all(row.get(f"{part}_pct") for row in rows)
        for part in ("moisture", "protein")
    }


def shares(raw: Raw, kg: Kg, basis: str) -> dict[str, Any] | None:
    if basis == "finished" and "yield" not in raw.recipe:
        return None
    on = basis if basis in ("batch", "finished") else "meat"
    return {part: close(raw.percent(kg, part, on)) for part in PARTS}


@recomputes(
    "blend",
    ".cost: optimum value_used cash additions per_kg_batch per_kg_finished",
    ".certificate: feasible cost lower_bound gap gap_pct reported_bound",
)
def money(told: Told) -> None:
    """Cash at book prices; value used at salvage for what dies, additions at their exact dose; bounds by scipy."""
    raw, found, certificate = told.raw, told.document["cost"], told.document["certificate"]
    if found is None:
        assert certificate is None and told.document["conflict"]
        return
    kg = batch_of(told.document)
    meat = {name: x for name, x in kg.items() if name in raw.rows}

    def additions(amounts: Kg) -> Fraction:
        return sum((x * F(raw.added[n].get("cost_per_kg", "0")) for n, x in amounts.items() if n in raw.added), F(0))

    value = sum((x * raw.price(n) for n, x in meat.items()), F(0)) + additions(raw.doses(meat))
    cash = sum((x * raw.book(n) for n, x in meat.items()), F(0)) + additions(kg)
    assert (found["value_used"], found["cash"]) == (close(value), close(cash))
    assert found["additions"] == close(additions(kg))
    assert found["per_kg_batch"] == close(cash / raw.weight(kg, "batch"))
    finished = raw.weight(kg, "finished") if "yield" in raw.recipe else None
    assert found["per_kg_finished"] == (close(cash / finished) if finished else None)
    assert certificate["feasible"] is all(check["ok"] is not False for check in told.document["checks"])
    assert certificate["cost"] == close(value)
    if "confidence" in raw.recipe:
        best = bound = raw.surest(float(raw.recipe["confidence"]["probability"]))
    else:
        best, bound = raw.cheapest(whole=True)[0], raw.cheapest()[0]
    near = told.document.get("near")
    if near is not None:
        best = fewest(raw)[len(told.document["lots"])]
    price = 0 if near else told.document["tidy"]["price"]  # worked out below
    assert found["optimum"] == solver(best + price)
    best, bound = best + price, bound + price
    assert certificate["lower_bound"] in (solver(bound), solver(best))  # before whole packs, or with them where proved
    assert certificate["gap"] == close(value - exactly(certificate["lower_bound"]))
    assert certificate["gap_pct"] == close(100 * exactly(certificate["gap"]) / abs(exactly(certificate["cost"])))
    whole = near is not None or any(row.get("pack_kg") for row in raw.lots)
    proved = certificate["lower_bound"] == solver(best)
    assert certificate["reported_bound"] in ([solver(best)] if whole and not proved else [None, solver(best)])


@recomputes("blend", ".tidy: smallest_pull_kg pull_asked smallest_remnant_kg remnant_asked gave_way price")
def tidy(told: Told) -> None:
    """A hundredth of the batch in whole divisions, two at least, for lots that say nothing of their own."""
    raw, document = told.raw, told.document
    found, division = document["tidy"], raw.meat_division
    usual = max(2, -(-raw.kg // (100 * division))) * division
    least = []
    for key, asked in (("pull", "pull_asked"), ("remnant", "remnant_asked")):
        typed = raw.recipe.get(f"smallest_{key}")
        assert found[asked] is (typed is not None)
        least.append(usual if typed is None else F(typed))
        assert found[f"smallest_{key}_kg"] == close(least[-1])
    kept = True
    for lot in document["lots"]:
        row, held = raw.rows[lot["lot"]], exactly(lot["held_kg"])
        left = F(row["on_hand_kg"]) - held
        if row.get("use_up") != "yes" and not row.get("pack_kg"):
            kept = kept and held >= F(row.get("smallest_pull_kg") or least[0])
            kept = kept and (not left or left >= F(row.get("smallest_remnant_kg") or least[1]))
    assert found["gave_way"] is not kept
    if document["cost"] is None:
        assert found["price"] is None
    elif "confidence" in raw.recipe:
        sure = raw.surest(float(raw.recipe["confidence"]["probability"]))
        assert found["price"] == solver(document["cost"]["optimum"] - sure)
    elif document.get("near") is None:
        assert found["price"] == solver(document["cost"]["optimum"] - raw.cheapest(whole=True)[0])
    else:
        assert found["price"] == solver(document["near"]["cheapest"] - raw.cheapest(whole=True)[0])


def fewest(raw: Raw) -> dict[int, float]:
    """The least cost with so many lots, by scipy over every choice of a small kitchen."""
    names = raw.eligible()
    least: dict[int, float] = {}
    for mask in range(1, 2 ** len(names)):
        chosen = {name for k, name in enumerate(names) if mask >> k & 1}
        cost = raw.cheapest(only=chosen)[0]
        least[len(chosen)] = min(cost, least.get(len(chosen), cost))
    return least


@recomputes(
    "blend",
    ".casing: kg_per_m density_kg_per_l filled_m prepare_m hanks cost links link_cm link_g_raw link_g_finished",
    ".casing: cost_per_link cost_per_kg_raw cost_per_kg_finished",
)
def casing(told: Told) -> None:
    """Metres by the filling's weight a metre, or a cylinder's volume and density; whole links; a link loses as all do.

    A metre of a cylinder of d millimetres holds pi d^2 / 4000 litres. What is prepared is paid for.
    """
    raw, found = told.raw, told.document["casing"]
    if found is None:
        assert "casing" not in raw.recipe or told.document["meat_kg"] is None
        return
    asked = raw.recipe["casing"]
    whole = raw.weight(batch_of(told.document), "batch")
    fills, length = filling(asked)
    filled = whole / fills
    assert found["kg_per_m"] == close(fills)
    assert found["density_kg_per_l"] == (float(asked["density_kg_per_l"]) if "diameter_mm" in asked else None)
    assert found["filled_m"] == close(filled)
    assert found["prepare_m"] == close(filled * (100 + F(asked.get("spare_pct", "0"))) / 100)
    assert found["link_cm"] == (None if length is None else close(100 * length))
    assert found["links"] == (None if length is None else floor(filled / length))
    grams = None if length is None else length * fills * 1000
    assert found["link_g_raw"] == close(grams)
    cooked = grams * raw.kept if grams is not None and "yield" in raw.recipe else None
    assert found["link_g_finished"] == close(cooked)
    metre = F(asked["cost_per_hank"]) / F(asked["hank_m"]) if "hank_m" in asked else None
    metre = F(asked["cost_per_m"]) if "cost_per_m" in asked else metre
    prepared = filled * (100 + F(asked.get("spare_pct", "0"))) / 100
    assert found["hanks"] == (close(prepared / F(asked["hank_m"])) if "hank_m" in asked else None)
    assert found["cost"] == (None if metre is None else close(prepared * metre))
    paid = exactly(told.document["cost"]["cash"]) + prepared * (metre or 0)
    assert found["cost_per_link"] == (close(paid / found["links"]) if found["links"] else None)
    assert found["cost_per_kg_raw"] == close(paid / whole)
    finished = raw.weight(batch_of(told.document), "finished") if "yield" in raw.recipe else None
    assert found["cost_per_kg_finished"] == (None if finished is None else close(paid / finished))


def filling(asked: Doc) -> tuple[Fraction, Fraction | None]:
    """Kilograms in a metre of casing, and metres of a link."""
    fills = F(asked.get("kg_per_m", "0"))
    if "diameter_mm" in asked:
        fills = F(math.pi * float(asked["diameter_mm"]) ** 2 / 4000) * F(asked["density_kg_per_l"])
    if "link_g" in asked:
        return fills, F(asked["link_g"]) / 1000 / fills
    return fills, F(asked["link_cm"]) / 100 if "link_cm" in asked else None


def _rows(raw: Raw) -> dict[str, Any]:
    files = [*raw.packs, HOME / "constraints" / "guard.yaml"]
    return {row["id"]: row for path in files for row in plain(path)["rows"]}


def numbers(value: Any) -> set[float]:
    """Every number in a piece of YAML."""
    if isinstance(value, dict):
        return {x for inner in value.values() for x in numbers(inner)}
    if isinstance(value, list):
        return {x for inner in value for x in numbers(inner)}
    try:
        return {float(F(value))}
    except (ValueError, ZeroDivisionError):
        return set()


def told_by(found: Doc, check: Doc) -> Fraction:
    """The figure of a wish."""
    figures = {"cost as minimised": exactly(found["cost"]["value_used"]), "number of lots": F(len(found["lots"]))}
    return figures[check["what"]]


def asked_limits(told: Told, check: Doc) -> set[tuple[float | None, float | None]]:
    """The limits a check may have by the files: of the order, of the recipe, of the pack's row, of the wish."""
    raw, what, rule = told.raw, check["what"], check["rule"]
    if rule == "preference":
        near = told.document["near"]
        if what == "number of lots":
            return {(None, near["trade_off"][-1]["figure"])}
        return {(None, near["cheapest"] * (1 + near["premium_pct"] / 100))}
    if rule == "batch size":
        return {(float(raw.kg - raw.within_kg), float(raw.kg + raw.within_kg))}
    if rule == "stock":
        return {(None, 100.0)}
    if rule != "recipe":
        known = {None, 0.0, 100.0, *numbers(_rows(raw)[rule]["requires"])}
        return {(check["min"], check["max"])} if {check["min"], check["max"]} <= known else set()
    if what.endswith("the yield"):
        return {(0.0, None)}
    if what.endswith(" weighed in"):
        name = what.removesuffix(" weighed in")
        return {(float(raw.dose(name, {raw.lots[0]["lot"]: F(1000)}) * F(9, 10)), None)}
    found = set()
    for entry in raw.recipe["require"]:
        kind, tag, _, lo, hi = raw.limits(entry)
        words = {"meat_to_fat": "meat-to-fat ratio", "share": f"share of {tag}"}.get(kind, kind)
        if words == what:
            found.add((None if lo is None else float(lo), None if hi is None else float(hi)))
    return found


def margin(check: Doc, value: Fraction) -> Fraction:
    """How far a figure is from the nearest limit, below zero where it breaks one."""
    sides = [] if check["min"] is None else [value - exactly(check["min"])]
    sides += [] if check["max"] is None else [exactly(check["max"]) - value]
    return min(sides)


@recomputes("blend", ".checks[]: value worst_load min max ok")
def checks(told: Told) -> None:
    """The figure of the whole batch and of the worst load, from the weights alone, and whether both hold."""
    raw, found = told.raw, told.document
    kg, loads = batch_of(found), [batch_of(load) for load in found["loads"]]
    for check in found["checks"]:
        value = F(0) if check["value"] == 0.0 else None  # no batch: what no lot of these can bring in is 0 all the same
        if kg:
            value = told_by(found, check) if check["rule"] == "preference" else raw.figure(check, kg)
        if value is NOTHING and check["value"] is None:  # nothing of what it divides by either: it holds
            assert check["ok"] is True and check["worst_load"] is None
            continue
        assert check["value"] == close(value), check
        assert (check["min"], check["max"]) in [(close(lo), close(hi)) for lo, hi in asked_limits(told, check)], check
        if check["rule"] == "preference":
            assert check["worst_load"] is None and check["ok"] is (exactly(check["value"]) <= exactly(check["max"]))
            continue
        if value is None:
            assert check["ok"] is None and check["worst_load"] is None
            continue
        each = [value]
        if check["rule"] in ("batch size", "stock") or len(loads) < 2:
            assert check["worst_load"] is None
        else:
            each = [x for load in loads if (x := raw.figure(check, load)) is not None]
            worst = min(each, key=lambda x: margin(check, x))
            assert check["worst_load"] == close(worst), check
        assert check["ok"] is all(margin(check, x) >= 0 for x in (value, *each)), check


@recomputes("blend", ".checks[]: blocks status source waived")
def standing(told: Told) -> None:
    """What a check rests on, as the pack's row and the recipe say."""
    raw = told.raw
    for check in told.document["checks"]:
        assert check["waived"] is False
        if check["rule"] in ("batch size", "stock", "recipe", "preference"):
            assert (check["status"], check["blocks"]) == ("yours", True)
            assert check["source"] in _sources(raw, check)
            continue
        row = _rows(raw)[check["rule"]]
        assert (check["status"], check["source"]) == (row["status"], row["source"])
        memory = row["status"] in ("from memory", "inferred") and row.get("protects_health") != "yes"
        warns = row.get("layer", "law") != "law" or row.get("only_warns") == "yes" or memory
        assert check["blocks"] is not warns, check


def _sources(raw: Raw, check: Doc) -> set[str]:
    if check["rule"] != "recipe":
        return {{"batch size": "your order", "stock": "your lots table", "preference": "your wish"}[check["rule"]]}
    if check["what"].endswith("the yield"):
        return {"no more is lost than there is"}
    if check["what"].endswith(" weighed in"):
        return {"your recipe; nine tenths of the dose at least, common practice, no source"}
    kind = {"meat-to-fat ratio": "meat_to_fat"}.get(check["what"], check["what"].split()[0])
    return {f"your recipe, line {n}" for n, line in enumerate(raw.lines, 1) if f"- {kind}:" in line}


@recomputes("blend", ".dying[]: lot use_by used_kg left_kg loss")
def dying(told: Told) -> None:
    """What will not keep until the next chance, and the price less the salvage of what is left of it."""
    raw, found = told.raw, told.document
    used = {lot["lot"]: exactly(lot["held_kg"]) for lot in found["lots"]}
    wanted = {}
    for name in raw.eligible():
        if raw.dying(name):
            row = raw.rows[name]
            rest = F(row["on_hand_kg"]) - used.get(name, F(0))
            loss = rest * (F(row["cost_per_kg"]) - raw.salvage(name))
            wanted[name] = (row["use_by"], close(used.get(name, F(0))), close(rest), close(loss))
    assert {d["lot"]: (d["use_by"], d["used_kg"], d["left_kg"], d["loss"]) for d in found["dying"]} == wanted


@recomputes("blend", ".near: wish figure premium_pct cheapest", ".near.trade_off[]: premium_pct cost figure")
def near(told: Told) -> None:
    """Fewest lots within a premium, by scipy; the cost shown is of whole divisions, a few of the dearest step more."""
    found, raw = told.document.get("near"), told.raw
    if found is None:
        return
    assert (found["wish"], found["figure"], found["premium_pct"]) == ("fewest-lots", "fewest lots", 1.0)
    best = raw.cheapest()[0]
    assert found["cheapest"] == solver(best)
    least = fewest(raw)
    division = float(raw.meat_division) * 5 / 2  # crowns: half a division of each of five lots, or its dearest price
    for step, premium in zip(found["trade_off"], (0.0, 0.25, 0.5, 1.0), strict=True):
        assert step["premium_pct"] == premium
        most, count = best * (1 + premium / 100), int(step["figure"])
        assert count == step["figure"] >= min(n for n, cost in least.items() if cost <= most + 1e-9)
        assert least[count] <= step["cost"] <= least[count] + division
        assert least[count - 1] + division > most
    assert found["trade_off"][-1]["cost"] == close(told.document["cost"]["value_used"])


@recomputes("blend", ".confidence: asked price", ".confidence.limits[]: what basis limit side probability")
def confidence(told: Told) -> None:
    """The probability of a limit on fat by the normal distribution; the price against scipy's optimum without it."""
    raw, found = told.raw, told.document["confidence"]
    if found is None:
        assert "confidence" not in raw.recipe
        return
    asked = F(raw.recipe["confidence"]["probability"])
    assert found["asked"] == f"{float(asked * 100):g} % confidence"
    assert found["price"] == solver(told.document["cost"]["optimum"] - raw.cheapest()[0])
    kg = batch_of(told.document)
    meat = raw.weight(kg, "meat")
    variance = sum(float(x / meat) ** 2 * float(raw.rows[n]["fat_sd_pct"]) ** 2 for n, x in kg.items() if n in raw.rows)
    spread = NormalDist(float(raw.percent(kg, "fat_pct", "meat")), variance**0.5)
    (entry,) = (entry for entry in raw.recipe["require"] if "fat" in entry)
    lo, hi = raw.limits(entry)[3:]
    for limit in found["limits"]:
        assert (limit["what"], limit["basis"]) == ("fat", "meat block")
        below = {"lo": lo, "hi": hi}[limit["side"]]
        chance = spread.cdf(float(below or 0))
        assert limit["probability"] == pytest.approx(chance if limit["side"] == "hi" else 1 - chance, abs=1e-6)
        assert limit["limit"] == {"lo": "fat at least", "hi": "fat at most"}[limit["side"]]


@recomputes(
    "blend", ".verdict: grade headline warnings", ".verdict.limits: ok not_certain laboratory warning waived broken"
)
def verdict(told: Told) -> None:
    """How many limits hold, warn, are open or are broken, counted in the checks; a batch to be made breaks none."""
    found, checks = told.document["verdict"], told.document["checks"]
    broken = [check for check in checks if check["ok"] is False and check["blocks"]]
    counts = {
        "ok": sum(check["ok"] is True for check in checks), "laboratory": sum(check["ok"] is None for check in checks),
        "broken": len(broken), "warning": sum(check["ok"] is False for check in checks) - len(broken),
        "not_certain": 0, "waived": 0,
    }  # fmt: skip
    assert found["limits"] == counts
    assert found["warnings"] == len(told.document["warnings"])
    made = told.document["meat_kg"] is not None
    assert found["grade"] == ("holds" if made else "no_such_batch")
    if made:
        assert not broken
        open_ones = [counts[name] for name in ("warning", "laboratory") if counts[name]]
        numbered = [counts["ok"], len(checks), *open_ones] if open_ones else [len(checks)]
        numbered = [found["warnings"], *numbered] if found["warnings"] else numbered
        assert [int(n) for n in re.findall(r"\d+", found["headline"])] == numbered
        assert found["headline"].startswith("MAKE IT") and found["headline"].endswith(".")
    else:
        assert found["headline"] == "NO SUCH BATCH."


left("blend", "of a ledger only: worked out again in test_yield.py", ": measured_yield")
left("blend", "classes that fit the batch are found in test_other_names.py", ": other_names[]")
left("blend", "doses that would pass are made and checked in test_lawful.py", ": what_would_pass[]",
     ".what_would_pass[]: addition key at value words")  # fmt: skip
left("blend", "what measuring again saves is tried against a conic solver in test_confidence.py",
     ".confidence.measure_again[]: lot sd_now sd_then saving")  # fmt: skip
left("blend", "name the figure, which is found by them", ".checks[]: what basis unit rule")
left("blend", WORDS, ".checks[]: note why", ": left_out[] warnings[] notes[] caution", ".lots[]: suspicions[]",
     ".loads[].lots[]: suspicions[]")  # fmt: skip
left("blend", "which requirements conflict is found by leaving out each: test_conflict.py",
     ".conflict: cause scale_prevents packs_matter smallest certain requirements[] unrounded_kg",
     ".conflict.nearest[]: what unit value")  # fmt: skip
