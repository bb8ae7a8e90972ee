"""The same problem built a second time, in floats, straight from a kitchen's raw figures.

Nothing of the program is used: additions are columns of their own with equality rows for their doses, and each
requirement is written out from its definition. scipy is the judge of what comes out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from kitchens import Kitchen
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, linprog, milp

DIVISION = 0.05
"""Kilograms of a division of meat in every kitchen whose weight is left aside."""
WEIGHT, DOSE, OWN = -1, -2, -3
"""Owners of rows that are no requirement of the recipe; a requirement's rows are owned by its place in the list."""


@dataclass(frozen=True)
class Matrix:
    """Minimise ``cost . x`` with ``row_lo <= rows . x <= row_hi`` and ``lo <= x <= hi``; ``steps`` are packs in kg."""

    cost: np.ndarray
    rows: np.ndarray
    row_lo: np.ndarray
    row_hi: np.ndarray
    owners: np.ndarray
    lo: np.ndarray
    hi: np.ndarray
    least: np.ndarray
    steps: np.ndarray

    def linear(self, cost: np.ndarray | None = None) -> OptimizeResult:
        """scipy's answer without packs and smallest pulls."""
        same = self.row_lo == self.row_hi
        up, down = ~same & (self.row_hi < np.inf), ~same & (self.row_lo > -np.inf)
        return linprog(
            self.cost if cost is None else cost,
            A_ub=np.vstack([self.rows[up], -self.rows[down]]), b_ub=np.hstack([self.row_hi[up], -self.row_lo[down]]),
            A_eq=self.rows[same], b_eq=self.row_lo[same], bounds=np.column_stack([self.lo, self.hi]), method="highs",
        )  # fmt: skip

    def whole(self, cost: np.ndarray | None = None) -> OptimizeResult:
        """scipy's answer with packs counted whole and smallest pulls as a choice."""
        size, chosen = len(self.cost), np.flatnonzero(self.least > 0)
        unit = np.where(self.steps > 0, self.steps, 1.0)
        lo, hi = self.lo / unit, self.hi / unit
        hi = np.where(self.steps > 0, np.floor(hi + 1e-9), hi)
        links = np.zeros((2 * len(chosen), size + len(chosen)))
        for k, j in enumerate(chosen):
            links[2 * k : 2 * k + 2, j] = unit[j]
            links[2 * k, size + k], links[2 * k + 1, size + k] = -self.least[j], -self.hi[j]
        sides = np.tile([0.0, -np.inf], len(chosen)), np.tile([np.inf, 0.0], len(chosen))
        padded = np.hstack([self.rows * unit, np.zeros((len(self.rows), len(chosen)))])
        cost = self.cost if cost is None else cost
        return milp(
            np.hstack([cost * unit, np.zeros(len(chosen))]),
            integrality=np.hstack([self.steps > 0, np.ones(len(chosen))]),
            bounds=Bounds(np.hstack([lo, np.zeros(len(chosen))]), np.hstack([hi, np.ones(len(chosen))])),
            constraints=[LinearConstraint(padded, self.row_lo, self.row_hi), LinearConstraint(links, *sides)],
            options={"mip_rel_gap": 0.0},
        )

    def slack(self) -> float:
        """The least t such that every limit widened by t has a batch: positive where none exists, kg or points."""
        apart = self.owners != DOSE
        rows = np.hstack([self.rows, np.zeros((len(self.rows), 1))])
        lo, hi = self.row_lo.copy(), self.row_hi.copy()
        widened = [np.hstack([self.rows[apart], np.full((apart.sum(), 1), sign)]) for sign in (1.0, -1.0)]
        elastic = replace(
            self, rows=np.vstack([rows[~apart], *widened]),
            row_lo=np.hstack([lo[~apart], lo[apart], np.full(apart.sum(), -np.inf)]),
            row_hi=np.hstack([hi[~apart], np.full(apart.sum(), np.inf), hi[apart]]),
            lo=np.append(self.lo, -1.0), hi=np.append(self.hi, np.inf), cost=np.append(0 * self.cost, 1.0),
        )  # fmt: skip
        return float(elastic.linear().fun)

    def without(self, owners: set[int]) -> Matrix:
        """The matrix less the rows of some owners; without the weight there is still a division of meat at least."""
        kept = np.array([owner not in owners - {WEIGHT} for owner in self.owners])
        size = (self.owners == WEIGHT) & (WEIGHT in owners)
        row_lo, row_hi = np.where(size, DIVISION, self.row_lo), np.where(size, np.inf, self.row_hi)
        return replace(self, rows=self.rows[kept], row_lo=row_lo[kept], row_hi=row_hi[kept], owners=self.owners[kept])


class Columns:
    """Lots and additions as float vectors, lots first."""

    def __init__(self, kitchen: Kitchen) -> None:
        self.kitchen = kitchen
        self.items = [*kitchen.lots, *kitchen.additions]
        self.meat = np.array([1.0] * len(kitchen.lots) + [0.0] * len(kitchen.additions))
        yields = kitchen.yields or {"finished_pct": 100.0, "fat_loss_pct": 0.0}
        self.left = yields["finished_pct"] / 100
        self.fat_loss = yields["fat_loss_pct"]
        self.water_loss = 100 - yields["finished_pct"] - self.fat_loss

    def property(self, name: str) -> np.ndarray:
        """A property of each column in its own unit."""
        return np.array([self._stated(item, name) for item in self.items])

    @staticmethod
    def _stated(item: dict[str, Any], name: str) -> float:
        if name in item or name in item.get("properties", {}):
            return float(item.get(name, item.get("properties", {}).get(name)))
        pure = {
            ("salt", "salt_pct"): 100.0,
            ("water", "moisture_pct"): 100.0,
            ("cure", "salt_pct"): 100 - item.get("nitrite_pct", 0),
        }
        return pure.get((item.get("is", ""), name), 0.0)

    def weight(self, basis: str) -> np.ndarray:
        """Kilograms of a basis in a kilogram of each column."""
        if basis == "meat":
            return self.meat
        return np.full(len(self.items), self.left if basis == "finished" else 1.0)

    def amount(self, name: str, basis: str) -> np.ndarray:
        """A property times kilograms, over a basis."""
        figures = self.property(name)
        if basis == "meat":
            return figures * self.meat
        if basis == "finished" and name in ("fat_pct", "moisture_pct"):
            return figures - (self.fat_loss if name == "fat_pct" else self.water_loss)
        return figures

    def tagged(self, tag: str, value: str) -> np.ndarray:
        """1 for the lots that carry a tag."""
        return np.array([1.0 if item.get(tag) == value and "on_hand_kg" in item else 0.0 for item in self.items])

    def ratio(self, entry: dict[str, dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator of a requirement, from its definition."""
        ((kind, figures),) = entry.items()
        basis = figures.get("basis", "meat")
        if kind == "meat_to_fat":
            return self.tagged("role", "meat"), self.tagged("role", "fat")
        if kind == "lean_to_fat":
            return 100 * self.meat - self.amount("fat_pct", "meat"), self.amount("fat_pct", "meat")
        if kind == "share":
            tag = next(tag for tag in ("species", "role", "material", "lot") if tag in figures)
            return 100 * self.tagged(tag, figures[tag]), self.weight(basis)
        name = figures["name"] if kind == "property" else f"{kind}_pct"
        return self.amount(name, basis), self.weight(basis)


def limits(entry: dict[str, dict[str, Any]]) -> tuple[float, float]:
    """A requirement's limits, a target spread by its tolerance."""
    (figures,) = entry.values()
    plain = {key.removesuffix("_pct"): value for key, value in figures.items()}
    if "target" in plain:
        lo, hi = plain["target"] - plain["within"], plain["target"] + plain["within"]
        return (max(lo, 0.0) if "target_pct" in figures else lo), hi
    return plain.get("min", -np.inf), plain.get("max", np.inf)


def matrix_of(kitchen: Kitchen) -> Matrix:
    """Everything a kitchen asks for, as one matrix."""
    columns = Columns(kitchen)
    rows: list[tuple[np.ndarray, float, float, int]] = []
    size = columns.weight(kitchen.basis)
    rows.append((size, kitchen.kilograms - kitchen.within_kg, kitchen.kilograms + kitchen.within_kg, WEIGHT))
    for owner, entry in enumerate(kitchen.require):
        over, under = columns.ratio(entry)
        lo, hi = limits(entry)
        for limit, sides in ((lo, (0.0, np.inf)), (hi, (-np.inf, 0.0))):
            if np.isfinite(limit):
                rows.append(((over - limit * under) / kitchen.kilograms, *sides, owner))
    if kitchen.yields:
        rows.append((columns.amount("moisture_pct", "finished") / kitchen.kilograms, 0.0, np.inf, OWN))
    rows += _doses(columns)
    coefs, row_lo, row_hi, owners = (np.array(part) for part in zip(*rows, strict=True))
    return Matrix(_costs(columns), coefs, row_lo, row_hi, owners, *_bounds(columns))


def _doses(columns: Columns) -> list[tuple[np.ndarray, float, float, int]]:
    rows = []
    first = len(columns.kitchen.lots)
    for i, item in enumerate(columns.kitchen.additions):
        itself = np.zeros(len(columns.items))
        itself[first + i] = 1.0
        if "total_salt_pct" in item:
            wanted = item["total_salt_pct"] / 100 * columns.weight(item["basis"])
            rows.append((columns.property("salt_pct") / 100 - wanted, 0.0, 0.0, DOSE))
        elif "up_to_g_per_kg_meat" in item:
            rows.append((itself - item["up_to_g_per_kg_meat"] / 1000 * columns.meat, -np.inf, 0.0, DOSE))
            rows.append((itself - item["from_g_per_kg_meat"] / 1000 * columns.meat, 0.0, np.inf, DOSE))
        else:
            basis = "meat" if "g_per_kg_meat" in item else "batch"
            rows.append((itself - item[f"g_per_kg_{basis}"] / 1000 * columns.weight(basis), 0.0, 0.0, DOSE))
    return rows


def _costs(columns: Columns) -> np.ndarray:
    return np.array([item.get("cost_per_kg", 0.0) / (item.get("usable_pct", 100) / 100) for item in columns.items])


def _bounds(columns: Columns) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    size, first = len(columns.items), len(columns.kitchen.lots)
    hi, least, steps = np.full(size, np.inf), np.zeros(size), np.zeros(size)
    for j, lot in enumerate(columns.kitchen.lots):
        usable = lot.get("usable_pct", 100) / 100
        hi[j] = min(lot["on_hand_kg"], lot.get("largest_pull_kg", np.inf)) * usable
        least[j], steps[j] = lot.get("smallest_pull_kg", 0) * usable, lot.get("pack_kg", 0) * usable
    assert first <= size
    return np.zeros(size), hi, least, steps
