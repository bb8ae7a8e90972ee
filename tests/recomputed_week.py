"""Every figure of the JSON document of ``plan``, worked out again from the week's files."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import recomputed_batch as batch
from raw import F, Raw, plain, table
from recomputed_batch import batch_of, close, exactly, solver
from registry import LEFT, RECOMPUTED, WORDS, Told, left, recomputes
from where import HOME

DAY = timedelta(days=1)


class RawWeek:
    """The week's files as typed."""

    def __init__(self, path: Path) -> None:
        self.path, self.entry = path, plain(path)
        self.start = date.fromisoformat(self.entry["start"])
        self.end = self.start + (int(self.entry["days"]) - 1) * DAY
        self.dates = [self.start + k * DAY for k in range(int(self.entry["days"]))]
        self.kitchen = self.entry.get("kitchen", {})

    @cached_property
    def lots(self) -> dict[str, dict[str, str]]:
        return {row["lot"]: row for row in table(self.path.parent / self.entry["lots"])}

    @cached_property
    def offers(self) -> dict[str, list[dict[str, str]]]:
        """Rows of each offer; a further row changes the price from a day on and leaves the rest as it was."""
        found: dict[str, list[dict[str, str]]] = {}
        for row in table(self.path.parent / self.entry["offers"]):
            first = found.setdefault(row["offer"], [row])[0]
            if row is not first:
                own = {k: v for k, v in row.items() if v or k in ("price_from", "price_to", "breaks")}
                found[row["offer"]].append(first | own)
        return found

    @cached_property
    def entries(self) -> dict[str, dict[str, Any]]:
        return {entry["name"]: entry for entry in self.entry["batches"]}

    def offer_on(self, name: str, day: date) -> dict[str, str]:
        (row,) = (
            row for row in self.offers[name]
            if (row.get("price_from") or "0000") <= day.isoformat() <= (row.get("price_to") or "9999")
        )  # fmt: skip
        return row

    def bill(self, row: dict[str, str], kg: Fraction) -> Fraction:
        """Money for so many kilograms: every kilogram at the last price reached, or only those beyond each break."""
        steps = [(F(0), F(row["cost_per_kg"]))]
        steps += [(F(a), F(p)) for a, p in re.findall(r"([\d.]+)=([\d.]+)", row.get("breaks") or "")]
        if row.get("break_kind") == "incremental":
            ends = [*(low for low, _ in steps[1:]), kg]
            parts = (max(F(0), min(kg, end) - low) * p for (low, p), end in zip(steps, ends, strict=True))
            return sum(parts, F(0))
        return kg * next(p for low, p in reversed(steps) if kg >= low)

    def recipe(self, name: str) -> Path:
        return (self.path.parent / self.entries[name]["recipe"]).resolve()

    def last(self, lot: str, delivered: str | None) -> date | None:
        """The last day of use; None where it never dies."""
        if delivered is None:
            by = self.lots[lot].get("use_by")
            return date.fromisoformat(by) if by else None
        days = self.offers[lot][0].get("keeps_days")
        return date.fromisoformat(delivered) + int(days) * DAY if days else None

    def keeps(self, lot: str, delivered: str | None) -> bool:
        last = self.last(lot, delivered)
        return last is None or last > self.end

    def first(self, lot: str, delivered: str | None) -> date:
        came = delivered or self.lots[lot].get("received")
        return max(self.start, date.fromisoformat(came)) if came else self.start

    def row(self, lot: str, delivered: str | None) -> dict[str, str]:
        return self.lots[lot] if delivered is None else self.offer_on(lot, date.fromisoformat(delivered))

    def worth(self, lot: str, delivered: str | None) -> Fraction:
        """What a kilogram as held is worth unused: where it dies in the week its salvage; else its book price, or what
        the offer says it is worth afterwards."""
        row = self.row(lot, delivered)
        if not self.keeps(lot, delivered):
            return F(row.get("salvage_per_kg") or "0")
        return F(row["cost_per_kg"]) if delivered is None else F(row.get("worth_after_per_kg") or "0")


Supply = tuple[str, str | None]


def have(week: RawWeek, found: Any) -> dict[Supply, Fraction]:
    """Kilograms of every supply: what is on hand and comes, and what is ordered."""
    end = week.end.isoformat()
    stock: dict[Supply, Fraction] = {
        (name, None): F(row["on_hand_kg"]) for name, row in week.lots.items() if (row.get("received") or "0000") <= end
    }
    return stock | {(o["offer"], o["delivered"]): exactly(o["kg"]) for o in found["orders"]}


def held(week: RawWeek, pull: Any) -> Fraction:
    """Kilograms as held of a pull, from the usable ones that were weighed."""
    row = week.row(pull["lot"], pull["delivered"])
    return exactly(pull["kg"]) / F(row.get("usable_pct") or "100") * 100


def used(week: RawWeek, found: Any) -> dict[Supply, dict[date, Fraction]]:
    taken: dict[Supply, dict[date, Fraction]] = {}
    for one in found["batches"]:
        day = date.fromisoformat(one["date"])
        for pull in one["pulls"]:
            days = taken.setdefault((pull["lot"], pull["delivered"]), {})
            days[day] = days.get(day, F(0)) + held(week, pull)
    return taken


def levels(week: RawWeek, found: Any) -> dict[Supply, list[Fraction]]:
    """Kilograms at the end of each day; what has died that day is gone."""
    taken, shown = used(week, found), {}
    for supply, kg in have(week, found).items():
        first, last, rows = week.first(*supply), week.last(*supply), []
        for day in week.dates:
            there = first <= day and (week.keeps(*supply) or last is None or day < last)
            rest = kg - sum((x for on, x in taken.get(supply, {}).items() if on <= day), F(0))
            rows.append(rest if there else F(0))
        shown[supply] = rows
    return shown


@recomputes("plan", ": status plan start days currency")
def the_week(told: Told) -> None:
    week, found = told.more, told.document
    assert found["status"] == "optimal"
    assert (found["plan"], found["start"], found["days"]) == (
        week.entry["name"], week.entry["start"], int(week.entry["days"])
    )  # fmt: skip
    assert found["currency"] == week.entry["currency"]


@recomputes("plan", ".verdict: grade", ".verdict.limits: ok not_certain laboratory warning waived broken")
def the_verdict(told: Told) -> None:
    """How many limits of all batches bear each mark."""
    found = told.document
    assert (found["status"], found["verdict"]["grade"]) == ("optimal", "holds")
    assert list(found["verdict"]) == ["grade", "headline", "warnings", "limits"]
    checks = [check for one in found["batches"] for check in one["answer"]["checks"]]
    marks = Counter(
        "ok" if c["ok"] else "waived" if c["waived"] else "laboratory" if c["ok"] is None else "warning" for c in checks
    )
    assert found["verdict"]["limits"] == {**dict.fromkeys(found["verdict"]["limits"], 0), **marks}


@recomputes("plan", ".orders[]: offer supplier material kg packs cost_per_kg cost delivery_charge order_by delivered")
def orders(told: Told) -> None:
    """Price by the break reached, lead time, delivery days, packs, smallest and largest order, supplier's minimum."""
    week, found = told.more, told.document
    drops: dict[tuple[str, str], Fraction] = {}
    for order in found["orders"]:
        day, kg = date.fromisoformat(order["delivered"]), exactly(order["kg"])
        row = week.offer_on(order["offer"], day)
        assert day.strftime("%a") in (row.get("delivery_days") or day.strftime("%a")).split()
        assert date.fromisoformat(order["order_by"]) == day - int(row.get("lead_days") or 0) * DAY >= week.start
        assert (order["supplier"], order["material"]) == (row["supplier"], row["material"])
        bill = week.bill(row, kg)
        assert order["cost"] == close(bill)
        assert order["cost_per_kg"] == close(bill / kg)
        assert order["delivery_charge"] == float(row.get("delivery_charge") or 0)
        pack = row.get("pack_kg")
        assert order["packs"] == (close(kg / F(pack)) if pack else None)
        assert isinstance(order["packs"], int) is bool(pack)
        assert F(row.get("smallest_order_kg") or 0) <= kg <= F(row.get("largest_order_kg") or "1e9")
        drop = order["supplier"], order["delivered"]
        drops[drop] = drops.get(drop, F(0)) + bill
    least = {rows[0]["supplier"]: F(rows[0].get("supplier_minimum") or 0) for rows in week.offers.values()}
    assert all(bill >= least[supplier] for (supplier, _), bill in drops.items())


@recomputes("plan", ".batches[]: batch date", ".batches[].pulls[]: lot delivered material held_kg kg")
def batches(told: Told) -> None:
    """Each batch once, on a day of its window; its pulls are its lots, and no more than there is."""
    week, found = told.more, told.document
    names = [one["batch"] for one in found["batches"]]
    assert sorted([*names, *found["left_out"]]) == sorted(week.entries)
    for one in found["batches"]:
        entry = week.entries[one["batch"]]
        first, last = entry.get("day") or entry["from_day"], entry.get("day") or entry["to_day"]
        assert first <= one["date"] <= last
        kg: dict[str, Fraction] = {}
        for pull in one["pulls"]:
            row = week.row(pull["lot"], pull["delivered"])
            assert pull["material"] == row["material"]
            assert pull["held_kg"] == close(held(week, pull))
            kg[pull["lot"]] = kg.get(pull["lot"], F(0)) + exactly(pull["kg"])
            by = week.last(pull["lot"], pull["delivered"])
            assert week.first(pull["lot"], pull["delivered"]).isoformat() <= one["date"]
            assert by is None or one["date"] <= by.isoformat()
        weighed: Counter[str] = Counter()
        for lot in one["answer"]["lots"]:
            weighed[lot["lot"]] += exactly(lot["kg"])  # type: ignore[assignment]
        assert {name: close(x) for name, x in weighed.items()} == {name: float(x) for name, x in kg.items()}
    for supply, days in used(week, found).items():
        assert sum(days.values(), F(0)) <= have(week, found)[supply]


@recomputes("plan", ".stock[]: lot delivered kg_at_end_of_day[]", ".by_day[]: date used_kg delivered_kg left_kg")
def stock(told: Told) -> None:
    week, found = told.more, told.document
    shown = {(s["lot"], s["delivered"]): s["kg_at_end_of_day"] for s in found["stock"]}
    wanted = levels(week, found)
    assert len(shown) == len(found["stock"])
    assert shown == {supply: [close(x) for x in wanted[supply]] for supply in shown}
    assert not any(any(rows) for supply, rows in wanted.items() if supply not in shown)
    assert [day["date"] for day in found["by_day"]] == [day.isoformat() for day in week.dates]
    taken = used(week, found)
    for k, (day, on) in enumerate(zip(found["by_day"], week.dates, strict=True)):
        assert day["used_kg"] == close(sum((days.get(on, F(0)) for days in taken.values()), F(0)))
        came = [exactly(o["kg"]) for o in found["orders"] if o["delivered"] == day["date"]]
        assert day["delivered_kg"] == close(sum(came, F(0)))
        assert day["left_kg"] == close(sum((rows[k] for rows in wanted.values()), F(0)))


def rests(week: RawWeek, found: Any) -> dict[Supply, Fraction]:
    taken = used(week, found)
    return {s: kg - sum(taken.get(s, {}).values(), F(0)) for s, kg in have(week, found).items()}


def price(week: RawWeek, found: Any, supply: Supply) -> Fraction:
    """What a kilogram as held was paid: of a lot its book price, of an order its money by its kilograms."""
    name, delivered = supply
    if delivered is None:
        return F(week.lots[name]["cost_per_kg"])
    (order,) = (o for o in found["orders"] if (o["offer"], o["delivered"]) == supply)
    return week.bill(week.row(name, delivered), exactly(order["kg"])) / exactly(order["kg"])


@recomputes("plan", ".expiring[]: lot last_day kg lost", ".left_over[]: offer delivered kg worth use_by days_good")
def what_is_left(told: Told) -> None:
    """What dies in the week with some left, its price less its salvage lost; what was bought and is left."""
    week, found = told.more, told.document
    rest = rests(week, found)
    dead = {s: kg for s, kg in rest.items() if kg > 0 and not week.keeps(*s)}
    shown = {(e["lot"], e["last_day"]): (e["kg"], e["lost"]) for e in found["expiring"]}
    wanted = {
        (s[0], str(week.last(*s))): (close(kg), close(kg * (price(week, found, s) - week.worth(*s))))
        for s, kg in dead.items()
    }
    assert shown == wanted
    over = {(x["offer"], x["delivered"]): (x["kg"], x["worth"], x["use_by"], x["days_good"])
            for x in found["left_over"]}  # fmt: skip
    bought = {s: kg for s, kg in rest.items() if s[1] is not None and kg > 0}
    last = {s: week.last(*s) for s in bought}
    end = week.dates[-1]
    assert over == {
        s: (close(kg), close(kg * week.worth(*s)), str(last[s]) if last[s] else None,
            max((last[s] - end).days, 0) if last[s] else None)
        for s, kg in bought.items()
    }  # fmt: skip


@recomputes("plan", ".money: minimised cash orders charges additions holding used left lost product",
            ".money: stock_used bought_left dose_rounding", ".certificate: cost feasible")  # fmt: skip
def money(told: Told) -> None:
    """The books, from pulls, orders and the files alone; a delivery is charged once a supplier and day."""
    week, found = told.more, told.document["money"]
    doc, rest = told.document, rests(week, told.document)
    bills = {o: week.bill(week.offer_on(o["offer"], date.fromisoformat(o["delivered"])), exactly(o["kg"]))
             for o in map(_Frozen, doc["orders"])}  # fmt: skip
    drops = {
        (o["supplier"], o["delivered"]): F(week.offers[o["offer"]][0].get("delivery_charge") or 0)
        for o in doc["orders"]
    }
    ordered, charges = sum(bills.values(), F(0)), sum(drops.values(), F(0))
    additions = exact = product = F(0)
    for one in doc["batches"]:
        recipe, kg = plain(week.recipe(one["batch"])), batch_of(one["answer"])
        raw = raw_of(week, told.document, one)
        cost = {entry["name"]: F(entry.get("cost_per_kg", "0")) for entry in recipe.get("additions", [])}
        dosed = raw.doses({lot["lot"]: kg[lot["lot"]] for lot in one["answer"]["lots"]})
        additions += sum((kg[name] * p for name, p in cost.items()), F(0))
        exact += sum((dosed[name] * p for name, p in cost.items()), F(0))
        product += F(week.entries[one["batch"]].get("value_per_kg", "0")) * raw.weight(kg, "meat")
    nights = F(0)
    taken = used(week, doc)
    for supply, kg in rest.items():
        first, last = week.first(*supply), week.last(*supply)
        nights += sum((x * (day - first).days for day, x in taken.get(supply, {}).items()), F(0))
        end = week.end + DAY if week.keeps(*supply) or last is None else max(last, first)
        nights += kg * (end - first).days
    holding = nights * F(week.kitchen.get("holding_per_kg_day", "0"))
    spent = {s: sum(days.values(), F(0)) for s, days in taken.items()}
    book = sum((x * price(week, doc, s) for s, x in spent.items()), F(0))
    at_hand = sum((x * week.worth(*s) for s, x in spent.items() if s[1] is None), F(0))
    bought_left = sum((kg * week.worth(*s) for s, kg in rest.items() if s[1] is not None), F(0))
    keeping = sum((kg * week.worth(*s) for s, kg in rest.items() if week.keeps(*s)), F(0))
    lost = sum((kg * (price(week, doc, s) - week.worth(*s)) for s, kg in rest.items() if not week.keeps(*s)), F(0))
    cash = ordered + charges + additions + holding
    wanted = {
        "orders": ordered, "charges": charges, "additions": additions, "holding": holding, "cash": cash, "used": book,
        "left": keeping, "lost": lost, "product": product, "stock_used": at_hand, "bought_left": bought_left,
        "dose_rounding": exact - additions,
        "minimised": cash + at_hand + exact - additions - bought_left - product,
    }  # fmt: skip
    wrong = {name: (found[name], float(x)) for name, x in wanted.items() if found[name] != close(x)}
    assert not wrong
    assert doc["certificate"]["cost"] == close(wanted["minimised"])
    assert doc["certificate"]["feasible"] is True


class _Frozen(dict[str, Any]):
    def __hash__(self) -> int:  # type: ignore[override]
        return hash((self["offer"], self["delivered"]))


@recomputes("plan", ".certificate: gap gap_pct", ".in_order: saving")
def differences(told: Told) -> None:
    found, certificate = told.document, told.document["certificate"]
    if certificate["lower_bound"] is not None:
        assert certificate["gap"] == close(exactly(certificate["cost"]) - exactly(certificate["lower_bound"]))
        assert certificate["gap_pct"] == close(100 * exactly(certificate["gap"]) / abs(exactly(certificate["cost"])))
        assert certificate["lower_bound"] <= certificate["reported_bound"] + 1e-6 <= certificate["cost"] + 1.0
    if found["in_order"]:
        assert found["in_order"]["saving"] == solver(found["in_order"]["cost"] - found["money"]["unrounded"])


def raw_of(week: RawWeek, found: Any, one: Any) -> Raw:
    """A batch of the week as an order of its own, from the lots it pulled."""
    path, asked = week.recipe(one["batch"]), week.entries[one["batch"]]
    recipe, lots = plain(path), []
    for pull in one["pulls"]:
        row = dict(week.row(pull["lot"], pull["delivered"]))
        supply = pull["lot"], pull["delivered"]
        row |= {"lot": pull["lot"], "cost_per_kg": str(price(week, found, supply))}
        row |= {"pack_kg": row.get("pack_kg", "") if pull["delivered"] is None else ""}
        row |= {"on_hand_kg": str(have(week, found)[supply])}
        lots.append(row)
    basis = "batch" if any(key.endswith("batch_kg") for key in asked) else "meat"
    typed = asked.get(f"{basis}_kg")
    kg = F(typed) if typed else exactly(one["answer"]["ordered"]["kg"])
    if not typed:
        assert F(asked[f"from_{basis}_kg"]) <= kg <= F(asked[f"to_{basis}_kg"])
    packs = [HOME / "constraints" / "packs" / f"{name}.yaml" for name in recipe.get("rules", [])]
    raw = Raw(recipe, lots, basis, kg, date.fromisoformat(one["date"]), packs=packs,
              within=exactly(one["answer"]["ordered"]["within_kg"]))  # fmt: skip
    return replace(raw, lines=path.read_text(encoding="utf-8").splitlines())


def _each(function: Any) -> Any:
    def of_each(told: Told) -> None:
        for one in told.document["batches"]:
            function(Told("blend", one["answer"], raw_of(told.more, told.document, one)))

    return of_each


@recomputes("plan", ".batches[].figures: fat_pct salt_pct nitrite_ppm links cost_per_kg loads")
def in_short(told: Told) -> None:
    """The line of a batch: fat of the meat, salt and money of the batch, nitrite on the meat; links as its casing."""
    week = told.more
    for one in told.document["batches"]:
        raw, kg = raw_of(week, told.document, one), batch_of(one["answer"])
        links = one["answer"]["casing"] and one["answer"]["casing"]["links"]
        paid = sum((exactly(lot["cost"]) for lot in one["answer"]["lots"]), F(0))
        paid += sum((kg[name] * F(entry.get("cost_per_kg", "0")) for name, entry in raw.added.items()), F(0))
        assert one["figures"] == {
            "fat_pct": close(raw.percent(kg, "fat_pct", "meat")), 
            "salt_pct": close(raw.percent(kg, "salt_pct", "batch")),
            "nitrite_ppm": close(raw.nitrite(kg) / raw.weight(kg, "meat") * 1_000_000) if raw.packs else None,
            "links": links,
            "cost_per_kg": close(paid / raw.weight(kg, "batch")), "loads": len(one["answer"]["loads"]),
        }  # fmt: skip


A = ".batches[].answer"
for _function, _paths in (
    (batch.weights, (": meat_kg batch_kg finished_kg", ".lots[]: kg lot", ".weigh_out[]: grams item", ".loads[]: load",
                     ".loads[].lots[]: kg lot", ".loads[].weigh_out[]: grams item")),
    (batch.lots_and_items, (".lots[]: material held_kg cost", ".loads[].lots[]: material held_kg cost",
                            ".weigh_out[]: g_per_kg_meat", ".loads[].weigh_out[]: g_per_kg_meat")),
    (batch.composition, (".estimated: moisture_pct protein_pct",
                         *(f".composition.{basis}: fat_pct moisture_pct protein_pct salt_pct"
                           for basis in ("meat", "green", "fresh", "batch", "finished")))),
    (batch.casing, (".casing: kg_per_m density_kg_per_l filled_m prepare_m hanks cost links link_cm link_g_raw",
                    ".casing: link_g_finished cost_per_link cost_per_kg_raw cost_per_kg_finished")),
    (batch.what_was_asked, (": status recipe rules[] date cured", ".ordered: basis", ".casing: name",
                            ".cost: currency")),
    (batch.standing, (".checks[]: blocks status source waived",)),
):  # fmt: skip
    recomputes("plan", *(A + path for path in _paths))(_each(_function))
left("plan", "found of a blend's own document, where they are worked out; here of lots that several batches share",
     A + ".cost: optimum value_used cash additions per_kg_batch per_kg_finished",
     A + ".certificate: feasible cost lower_bound gap gap_pct reported_bound",
     A + ".lots[]: left_kg use_by fat_pct", A + ".ordered: kg within_kg",
     A + ": dying[] confidence conflict verdict near tidy",
     A + ".checks[]: value worst_load min max ok what basis unit rule")  # fmt: skip
left("plan", WORDS, A + ".checks[]: note why", A + ": left_out[] warnings[] notes[] caution what_would_pass",
     A + ".lots[]: suspicions[]", A + ".loads[].lots[]: suspicions[]", ": caution coming[] missed[] hold[] left_out[]",
     ": left_out_why lots_left_out[]", ".verdict: headline warnings", ".certificate: faults[] excess[]",
     ".lots_left_out[]: lot why",
     A + ": other_names measured_yield", ".in_order: stuck")  # fmt: skip
left("plan", "optimum, bound and prices of a week are held against scipy's program in test_plan_oracle.py",
     ".money: unrounded", ".tidy: price crumbs[]",
     ".certificate: lower_bound reported_bound", ".in_order: cost", ": limits[]",
     ".limits[]: what date saves for_one_more whole_numbers_held",
     ".expiring[]: save_in save_on saving_costs_per_kg", ".size: columns rows", ": no_plan fewest_changes")  # fmt: skip


# What is left of a week, planned again: what was made stays, what is out comes, and the rest is worked out as ever.


def _again(function: Any) -> Any:
    def of_what_is_left(told: Told) -> None:
        week, before = told.more["week"], told.more["before"]
        found = told.document | {"orders": [*before["orders"], *told.document["orders"]]}
        function(Told("plan", found, told.raw, week))

    return of_what_is_left


@recomputes("repair", ".coming[]: offer delivered kg")
def what_comes(told: Told) -> None:
    """The orders of the plan before come as they do; nothing of them is ordered again."""
    out = [{key: order[key] for key in ("offer", "delivered", "kg")} for order in told.more["before"]["orders"]]
    assert told.document["coming"] == out and told.document["orders"] == []


@recomputes("repair", ".batches[]: batch date")
def what_was_made(told: Told) -> None:
    """A batch of a day that is over stands as it was planned."""
    now, before = told.more["now"], told.more["before"]["batches"]
    made = [one for one in before if one["date"] < now]
    assert made and [one for one in told.document["batches"] if one["date"] < now] == made


@recomputes("repair", ".certificate: gap gap_pct cost", ".money: minimised cash")
def sums(told: Told) -> None:
    """What is paid from now on: orders, charges, additions and holding; less what the product is worth."""
    found, certificate = told.document["money"], told.document["certificate"]
    assert found["cash"] == close(sum(exactly(found[name]) for name in ("orders", "charges", "additions", "holding")))
    more = exactly(found["cash"]) + exactly(found["stock_used"]) + exactly(found["dose_rounding"])
    assert found["minimised"] == close(more - exactly(found["bought_left"]) - exactly(found["product"]))
    assert certificate["cost"] == close(exactly(found["minimised"]))
    assert certificate["gap"] == close(exactly(certificate["cost"]) - exactly(certificate["lower_bound"]))
    assert certificate["gap_pct"] == close(100 * exactly(certificate["gap"]) / abs(exactly(certificate["cost"])))


for _function in (the_week, batches, stock, what_is_left, in_short):
    for _kind, _path in [key for key, found in RECOMPUTED.items() if _function in found and key[0] == "plan"]:
        if not _path.startswith((".expiring", ".left_over")):
            RECOMPUTED.setdefault(("repair", _path), []).append(_again(_function))
for (_kind, _path), _reason in [(key, reason) for key, reason in LEFT.items() if key[0] == "plan"]:
    LEFT["repair", _path] = _reason
left("repair", "of the batches still to be made; a plan's is worked out", ".verdict: grade limits")
left("repair", "the answers of the batches are those of the plan", ".batches[]: answer")
left(
    "repair",
    "nothing dies, is ordered or left of an order here; a plan's are worked out",
    ": expiring orders left_over",
)
left("repair", "books of the days to come are those of a plan, worked out there; their sums here",
     ".certificate: feasible", ".money: orders charges additions holding used left lost product",
     ".money: stock_used bought_left dose_rounding", ": in_order")  # fmt: skip
