"""A kitchen's files read a second time, in fractions, with nothing of the program: what printed figures are held to.

A batch is a mapping from the names of lots and additions to kilograms. Percentages are of a basis: ``meat`` (all lots),
``batch`` (everything) or ``finished`` (after the declared yield).
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from functools import cache, cached_property
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import yaml
from scipy.optimize import OptimizeResult, linprog

Kg = Mapping[str, Fraction]
F = Fraction
PARTS = ("fat_pct", "moisture_pct", "protein_pct", "salt_pct")
BASES = {"meat block": "meat", "whole batch": "batch", "finished product": "finished", "green weight": "meat",
         "fresh green weight": "meat"}  # fmt: skip
"""A basis in words; green weight is the meat block where no lot is rework."""
ACCELERATORS = {"ascorbic_acid": F(1875, 4), "erythorbic_acid": F(1875, 4), "sodium_ascorbate": F(4375, 8),
                "sodium_erythorbate": F(4375, 8)}  # fmt: skip
"""9 CFR 424.21(c): 3/4 oz of the acids, 7/8 oz of the salts to 100 lb, in ppm."""
SUBSTANCES = {
    "ascorbic acid and erythorbic acid": ("ascorbic_acid", "erythorbic_acid"),
    "sodium ascorbate and sodium erythorbate": ("sodium_ascorbate", "sodium_erythorbate"),
    "water and ice put in": ("water",),
}
NOTHING = F(0)
"""The figure of a check on what none of these kitchens holds."""
PER = {"%": F(100), "ppm": F(1_000_000), "g/kg": F(1000)}


@cache
def plain(path: Path) -> Any:
    """A YAML file with every scalar as typed."""
    return yaml.load(path.read_text(encoding="utf-8"), yaml.BaseLoader)


def table(path: Path) -> list[dict[str, str]]:
    """A CSV file, one mapping a row."""
    with open(path, newline="", encoding="utf-8-sig") as file:
        return list(csv.DictReader(file))


@dataclass
class Raw:
    """One order: a recipe, lots, ``kg`` of ``basis``, a day and the next chance to use what is left."""

    recipe: dict[str, Any]
    lots: list[dict[str, str]]
    basis: str
    kg: Fraction
    day: date
    next_chance: date | None = None
    within: Fraction | None = None
    packs: list[Path] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    """Of the recipe's file."""
    found: dict[str, Any] = field(default_factory=dict)
    """What was solved before."""

    @cached_property
    def rows(self) -> dict[str, dict[str, str]]:
        return {row["lot"]: row for row in self.lots}

    @cached_property
    def added(self) -> dict[str, dict[str, str]]:
        return {entry["name"]: entry for entry in self.recipe.get("additions", [])}

    @cached_property
    def within_kg(self) -> Fraction:
        """Half a division of the meat scale, or a whole one where the size is of the batch (README: scales)."""
        division = self.meat_division
        return self.within if self.within is not None else division / 2 if self.basis == "meat" else division

    @cached_property
    def meat_division(self) -> Fraction:
        return F(self.recipe.get("scales", {}).get("meat_g", "50")) / 1000

    @cached_property
    def spice_division(self) -> Fraction:
        return F(self.recipe.get("scales", {}).get("spice_g", "1")) / 1000

    @cached_property
    def kept(self) -> Fraction:
        return F(self.recipe.get("yield", {}).get("finished_pct", "100")) / 100

    def lost(self, part: str) -> Fraction:
        """Percent of the batch's weight that leaves it as fat or as water."""
        fat = F(self.recipe.get("yield", {}).get("fat_loss_pct", "0"))
        return {"fat_pct": fat, "moisture_pct": 100 - 100 * self.kept - fat}.get(part, F(0))

    # What an item is.

    def usable(self, lot: str) -> Fraction:
        return F(self.rows[lot].get("usable_pct") or "100") / 100

    def book(self, lot: str) -> Fraction:
        """Price of a usable kilogram."""
        return F(self.rows[lot]["cost_per_kg"]) / self.usable(lot)

    def dying(self, lot: str) -> bool:
        by = self.rows[lot].get("use_by")
        return self.next_chance is not None and bool(by) and date.fromisoformat(str(by)) < self.next_chance

    def salvage(self, lot: str) -> Fraction:
        return F(self.rows[lot].get("salvage_per_kg") or "0")

    def price(self, lot: str) -> Fraction:
        """What using a usable kilogram costs: book price, or salvage where the lot will not keep."""
        return self.salvage(lot) / self.usable(lot) if self.dying(lot) else self.book(lot)

    def part(self, item: str, name: str) -> Fraction:
        """Percent of an item's own weight."""
        if item in self.rows:
            return F(self.rows[item].get(name) or "0")
        entry = self.added[item]
        pure = {("salt", "salt_pct"): F(100), ("water", "moisture_pct"): F(100),
                ("cure", "salt_pct"): 100 - F(entry.get("nitrite_pct", "0"))}  # fmt: skip
        return F(entry[name]) if name in entry else pure.get((entry.get("is", ""), name), F(0))

    # What a batch is.

    def weight(self, kg: Kg, basis: str) -> Fraction:
        if basis == "meat":
            return sum((x for item, x in kg.items() if item in self.rows), F(0))
        return sum(kg.values(), F(0)) * (self.kept if basis == "finished" else 1)

    def percent(self, kg: Kg, part: str, basis: str) -> Fraction:
        inside = {item: x for item, x in kg.items() if basis != "meat" or item in self.rows}
        total = sum((x * self.part(item, part) for item, x in inside.items()), F(0))
        if basis == "finished":
            total -= self.lost(part) * sum(kg.values(), F(0))
        return total / self.weight(kg, basis)

    def of_kind(self, kg: Kg, kinds: tuple[str, ...]) -> Fraction:
        return sum((x for item, x in kg.items() if self.added.get(item, {}).get("is", "") in kinds), F(0))

    def tagged(self, kg: Kg, tag: str, value: str) -> Fraction:
        return sum((x for item, x in kg.items() if self.rows.get(item, {}).get(tag) == value), F(0))

    def nitrite(self, kg: Kg) -> Fraction:
        """Kilograms of nitrite salt."""
        cures = ((x, self.added[item]) for item, x in kg.items() if self.added.get(item, {}).get("is") == "cure")
        return sum((x * F(entry["nitrite_pct"]) / 100 for x, entry in cures), F(0))

    def figure(self, check: Mapping[str, Any], kg: Kg) -> Fraction | None:
        """The figure of a check, by what it says it is; None where only a laboratory can find it."""
        what, basis, unit = check["what"], BASES.get(check["basis"], ""), check["unit"]
        fat = self.tagged(kg, "role", "fat")
        if what == "weight":
            return self.weight(kg, basis)
        if what == "largest share of a lot on hand":
            lots = ((x / self.usable(i), F(self.rows[i]["on_hand_kg"])) for i, x in kg.items() if i in self.rows)
            return max((100 * x / most for x, most in lots if most), default=F(0))
        if what.split()[0] in ("fat", "moisture", "protein") and (what.count(" ") == 0 or what.endswith("the yield")):
            return self.percent(kg, f"{what.split()[0]}_pct", basis)
        if what == "total salt":
            return self.percent(kg, "salt_pct", basis)
        if what.startswith("share of "):
            _, _, tag, value = what.split(" ", 3)
            return 100 * self.tagged(kg, tag, value) / self.weight(kg, basis)
        if what == "meat-to-fat ratio":
            return self.tagged(kg, "role", "meat") / fat if fat else None
        if what == "ingoing nitrite":
            return self.nitrite(kg) / self.weight(kg, basis) * PER[unit]
        if what == "cure accelerators":
            used = sum((self.of_kind(kg, (k,)) * PER["ppm"] / most for k, most in ACCELERATORS.items()), F(0))
            return 100 * used / self.weight(kg, basis)
        if what in SUBSTANCES:
            return self.of_kind(kg, SUBSTANCES[what]) / self.weight(kg, basis) * PER[unit]
        if what.endswith(" weighed in"):
            return kg[what.removesuffix(" weighed in")] / self.weight(kg, basis) * PER[unit]
        if what == "meat other than pig":
            return 100 * (1 - self.tagged(kg, "species", "pork") / self.weight(kg, basis))
        if what == "added water":
            return max(F(0), self._added_water(kg))
        if what.startswith("residual"):
            return None
        return NOTHING

    def _added_water(self, kg: Kg) -> Fraction:
        """9 CFR 319.140: moisture of the product beyond four times its meat protein, in percent."""
        meat = sum((x * self.part(i, "protein_pct") for i, x in kg.items() if i in self.rows), F(0))
        return self.percent(kg, "moisture_pct", "finished") - 4 * meat / self.weight(kg, "finished")

    # What is asked for.

    def dose(self, item: str, kg: Kg) -> Fraction:
        """Kilograms of an addition that a batch of these lots should hold, its other additions as weighed."""
        entry, meat = self.added[item], self.weight(kg, "meat")
        if "g_per_kg_meat" in entry:
            return F(entry["g_per_kg_meat"]) / 1000 * meat
        if "ingoing_nitrite_ppm" in entry:
            return F(entry["ingoing_nitrite_ppm"]) / F(entry["nitrite_pct"]) / 10_000 * meat
        raise KeyError(item)

    def doses(self, meat: Kg) -> dict[str, Fraction]:
        """Every addition's exact dose for these lots, total salt and shares of the batch solved together."""
        names = list(self.added)
        size = len(names)
        a, b = [[F(int(i == j)) for j in range(size)] for i in range(size)], [F(0)] * size
        m = self.weight(meat, "meat")
        for i, name in enumerate(names):
            entry = self.added[name]
            if "g_per_kg_batch" in entry:
                rate = F(entry["g_per_kg_batch"]) / 1000
                a[i] = [a[i][j] - rate for j in range(size)]
                b[i] = rate * m
            elif "total_salt_pct" in entry:
                basis = entry.get("basis", "batch")
                wanted = F(entry["total_salt_pct"]) * {"batch": F(1), "finished": self.kept, "meat": F(0)}[basis]
                a[i] = [self.part(other, "salt_pct") - wanted for other in names]
                own = sum((x * self.part(lot, "salt_pct") for lot, x in meat.items()), F(0))
                b[i] = (F(entry["total_salt_pct"]) if basis == "meat" else wanted) * m - own
            else:
                b[i] = self.dose(name, meat)
        return dict(zip(names, solved(a, b), strict=True))

    def limits(self, entry: Mapping[str, Any]) -> tuple[str, str, str, Fraction | None, Fraction | None]:
        """Kind, tag or name, basis and limits of an entry of ``require``."""
        ((kind, asked),) = entry.items()
        low, high = (asked.get(f"{side}_pct", asked.get(side)) for side in ("min", "max"))
        lo, hi = (None if x is None else F(x) for x in (low, high))
        if "target_pct" in asked:
            target, within = F(asked["target_pct"]), F(asked["within_pct"])
            lo, hi = target - within, target + within
        tag = next((t for t in ("species", "material", "lot", "role") if t in asked), "")
        return kind, f"{tag} {asked[tag]}" if tag else "", asked.get("basis", "meat"), lo, hi

    def eligible(self) -> list[str]:
        """Lots that may go in."""
        asked = self.recipe.get("eligible", {})
        day = self.day.isoformat()
        return [
            name for name, row in self.rows.items()
            if row.get("species") in asked.get("species", [row.get("species")])
            and (row.get("use_by") or "9999") >= day and (row.get("received") or "0000") <= day
            and row.get("on_hold", "").casefold() not in ("yes", "true", "1")
        ]  # fmt: skip

    def cheapest(
        self,
        *,
        prices: Mapping[str, float] | None = None,
        limits: Mapping[tuple[int, str], float] | None = None,
        stock: Mapping[str, float] | None = None,
        size: float = 0.0,
        whole: bool = False,
        only: set[str] | None = None,
    ) -> tuple[float, dict[str, float]]:
        key = repr((prices, limits, stock, size, whole, only and sorted(only)))
        if key not in self.found:
            self.found[key] = self._cheapest(prices or {}, limits or {}, stock or {}, size, whole, only)
        return self.found[key]

    def _cheapest(
        self,
        prices: Mapping[str, float],
        limits: Mapping[tuple[int, str], float],
        stock: Mapping[str, float],
        size: float,
        whole: bool,
        only: set[str] | None,
    ) -> tuple[float, dict[str, float]]:
        """The least cost by scipy, and the usable kilograms of the lots; infinite where there is no batch.

        Figures may be set anew: prices and stock of lots as held, limits by the place of their entry and their side,
        the size widened both ways by more kilograms. ``only`` names the lots that may go in.
        """
        names = [name for name in self.eligible() if only is None or name in only]
        # Every kilogram of a lot carries its own additions, found for that kilogram alone: doses are linear.
        carried = {name: self.doses({name: F(1)}) for name in names}
        unit = {n: self._pack(n) if whole else 1.0 for n in names}
        cost = [
            (float(prices.get(n, self.price(n) * self.usable(n))) / float(self.usable(n))
             + sum(float(kg * F(self.added[a].get("cost_per_kg", "0"))) for a, kg in carried[n].items())) * unit[n]
            for n in names
        ]  # fmt: skip
        rows, bounds = [], []
        ones: list[Kg] = [{n: F(1), **carried[n]} for n in names]
        for place, entry in enumerate(self.recipe.get("require", [])):
            lo, hi = self.limits(entry)[3:]
            for side, limit in (("min", lo), ("max", hi)):
                if limit is None and (place, side) not in limits:
                    continue
                value = float(limits.get((place, side), 0.0 if limit is None else float(limit)))
                sign = 1.0 if side == "max" else -1.0
                rows.append([sign * float(self._excess(entry, one, F(str(value)))) for one in ones])
                bounds.append(0.0)
        block = [float(self.weight(one, self.basis)) for one in ones]
        wide = float(self.within_kg) + size
        rows += [block, [-x for x in block]]
        bounds += [float(self.kg) + wide, wide - float(self.kg)]
        most = [self._most(n, stock) / unit[n] for n in names]
        packed = [whole and unit[n] != 1.0 for n in names]
        done: OptimizeResult = linprog(
            cost, A_ub=np.array(rows) * np.array([unit[n] for n in names]), b_ub=bounds,
            bounds=[(0, np.floor(x + 1e-9) if p else x) for x, p in zip(most, packed, strict=True)],
            integrality=np.array(packed, dtype=int), options={"mip_rel_gap": 0.0},
        )  # fmt: skip
        if done.status != 0:
            return float("inf"), {}
        return float(done.fun), {n: float(x) * unit[n] for n, x in zip(names, done.x, strict=True)}

    def _pack(self, lot: str) -> float:
        return float(F(self.rows[lot].get("pack_kg") or "0") * self.usable(lot)) or 1.0

    def _most(self, lot: str, stock: Mapping[str, float]) -> float:
        row = self.rows[lot]
        have = stock.get(lot, float(row.get("on_hand_kg") or "inf"))
        return min(have, float(row.get("largest_pull_kg") or "inf")) * float(self.usable(lot))

    def _excess(self, entry: Mapping[str, Any], kg: Kg, limit: Fraction) -> Fraction:
        """Numerator less limit times denominator of a requirement, for one lot with its additions."""
        kind, tag, basis, _, _ = self.limits(entry)
        if kind == "meat_to_fat":
            return self.tagged(kg, "role", "meat") - limit * self.tagged(kg, "role", "fat")
        over = (
            100 * self.tagged(kg, *tag.split(" ", 1)) / self.weight(kg, basis)
            if kind == "share" else self.percent(kg, f"{kind}_pct", basis)
        )  # fmt: skip
        return (over - limit) * self.weight(kg, basis)

    def surest(self, probability: float) -> float:
        """The least cost where each limit on fat of the meat block holds with a probability: a cone, by clarabel."""
        import cvxpy as cp

        z, names = NormalDist().inv_cdf(probability), self.eligible()
        carried = {n: self.doses({n: F(1)}) for n in names}
        cost = [float(self.price(n) + sum(x * F(self.added[a].get("cost_per_kg", "0")) for a, x in carried[n].items()))
                for n in names]  # fmt: skip
        x = cp.Variable(len(names), nonneg=True)
        spread = cp.norm(cp.multiply([float(self.rows[n]["fat_sd_pct"]) for n in names], x))
        held = [x <= [self._most(n, {}) for n in names], cp.abs(cp.sum(x) - float(self.kg)) <= float(self.within_kg)]
        for entry in self.recipe["require"]:
            lo, hi = self.limits(entry)[3:]
            for limit, sign in ((lo, -1.0), (hi, 1.0)):
                if limit is not None:
                    over = [sign * float(self._excess(entry, {n: F(1), **carried[n]}, limit)) for n in names]
                    held.append(over @ x + (z * spread if "fat" in entry else 0.0) <= 0.0)
        if "surest" not in self.found:
            self.found["surest"] = float(cp.Problem(cp.Minimize(cost @ x), held).solve(solver="CLARABEL"))
        return float(self.found["surest"])


def solved(a: list[list[Fraction]], b: list[Fraction]) -> list[Fraction]:
    """A small linear system by Gauss and Jordan."""
    size = len(b)
    rows = [[*a[i], b[i]] for i in range(size)]
    for k in range(size):
        pivot = next(i for i in range(k, size) if rows[i][k])
        rows[k], rows[pivot] = rows[pivot], rows[k]
        rows[k] = [x / rows[k][k] for x in rows[k]]
        for i in range(size):
            if i != k and rows[i][k]:
                rows[i] = [x - rows[i][k] * y for x, y in zip(rows[i], rows[k], strict=True)]
    return [row[-1] for row in rows]
