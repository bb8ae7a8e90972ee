"""Kitchens whose fat is only measured, and their second-order cone program built a second time from the raw figures.

``socp`` uses nothing of the program: the matrix comes from matrices.py, the errors from the definitions below, and a
general conic solver is the judge.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import cvxpy as cp
import numpy as np
from kitchens import Kitchen, figures
from matrices import Columns, limits, matrix_of
from scipy.stats import norm

METHODS = ("wet_chemistry_one_lab", "nir_belt", "nominal_grade", "nir_bench")


def raw_sd(lot: dict[str, Any]) -> float:
    """Standard deviation of a lot's fat from its cells, points; figures as printed in the sources named below."""
    if "fat_sd_pct" in lot:
        return float(lot["fat_sd_pct"])
    fat = lot["fat_pct"]
    return {
        # Pettinati and Swift, JAOAC 60(3) 1977: 0.3 up to 27 % fat, 0.7 at 48 %
        "wet_chemistry_one_lab": float(np.interp(fat, [27, 48], [0.3, 0.7])),
        # J. Near Infrared Spectrosc. 12 (2004): 1.6-2.4
        "nir_belt": 2.4,
        # no source (memory): about 2-4
        "nominal_grade": 4.0,
        # Anderson, J AOAC Int 90(4) 2007: 0.22-2.67 % of the figure
        "nir_bench": 0.0267 * fat,
    }[lot["fat_method"]]


def z_of(probability: float) -> float:
    """The normal quantile, rounded up at the sixth decimal."""
    return float(np.ceil(norm.isf(1 - probability) * 1e6) / 1e6)


def uncertain_kitchen(seed: int, size: int, *, packs: bool = False, tight: float = 1.0) -> Kitchen:
    """Lots with errors of half a point to four points, and a band of fat (or lean to fat) about some blend of them."""
    rng = random.Random(seed)
    lots: list[dict[str, Any]] = []
    for i in range(size):
        fat = figures(rng, 3, 40, 1) if rng.random() < 0.6 else figures(rng, 40, 92, 1)
        stock = figures(rng, 8, 60, 1)
        lot: dict[str, Any] = {
            "lot": f"L{i:02d}", "on_hand_kg": stock, "fat_pct": fat, "cost_per_kg": figures(rng, 0.8, 7 - fat / 20),
        }  # fmt: skip
        if rng.random() < 0.5:
            lot["fat_sd_pct"] = rng.choice((0.3, 0.6, 1.5, 2, 4))
        else:
            lot["fat_method"] = rng.choice(METHODS)
        if packs:
            lot["pack_kg"] = rng.choice((2.5, 4, 5, 8))
        lots.append(lot)
    weights = np.array([rng.uniform(0, lot["on_hand_kg"]) for lot in lots])
    kilograms = float(round(weights.sum() * rng.uniform(0.3, 0.9), 1))
    fat = float(np.array([lot["fat_pct"] for lot in lots]) @ weights / weights.sum())
    kitchen = Kitchen(lots, kilograms=kilograms, within_kg=2.5 if packs else 0.05)
    kitchen.require = _limits(rng, fat, tight)
    if rng.random() < 0.3 and not packs:
        kitchen.additions = [
            {"name": "ice", "is": "water", "g_per_kg_batch": 80},
            {"name": "cheese", "is": "cheese", "g_per_kg_meat": 60, "fat_pct": 30, "moisture_pct": 40,
             "protein_pct": 24, "salt_pct": 1.7, "cost_per_kg": 7.2},
        ]  # fmt: skip
        kitchen.yields = {"finished_pct": 90.0, "fat_loss_pct": 1.0}
        kitchen.require.append({"fat": {"basis": "finished", "max_pct": round(fat + 4 * tight, 1)}})
        for lot in kitchen.lots:
            lot["moisture_pct"] = round(76 - 0.76 * lot["fat_pct"], 1)
    return kitchen


def _limits(rng: random.Random, fat: float, tight: float) -> list[dict[str, dict[str, Any]]]:
    low, high = fat - tight * rng.uniform(1, 4), fat + tight * rng.uniform(0.3, 3)
    if rng.random() < 0.25:
        lean = (100 - high) / high, (100 - low) / low if low > 1 else 99
        return [{"lean_to_fat": {"min": round(lean[0], 3), "max": round(lean[1], 3)}}]
    band = {"max_pct": round(high, 1)}
    if rng.random() < 0.7 and low > 1:
        band["min_pct"] = round(low, 1)
    return [{"fat": band}]


def factors(kitchen: Kitchen, *, shared: bool) -> np.ndarray:
    """Sources of error by columns: what one standard deviation of each source adds to a column's fat, points."""
    columns = Columns(kitchen)
    sources: dict[str, np.ndarray] = {}
    for j, lot in enumerate(kitchen.lots):
        name = lot["fat_method"] if shared and "fat_method" in lot else f"lot {j}"
        sources.setdefault(name, np.zeros(len(columns.items)))[j] = raw_sd(lot)
    return np.array(list(sources.values()))


def cone_rows(kitchen: Kitchen) -> list[tuple[np.ndarray, float]]:
    """Each limit on fat as ``row . x <= 0``, and what a point of fat per kilogram changes in it."""
    columns = Columns(kitchen)
    rows = []
    for entry in kitchen.require:
        over, under = columns.ratio(entry)
        lo, hi = limits(entry)
        ratio = "lean_to_fat" in entry
        for limit, sign in ((lo, -1.0), (hi, 1.0)):
            if np.isfinite(limit):
                rows.append((sign * (over - limit * under), 1 + limit if ratio else 1.0))
    return rows


def socp(
    kitchen: Kitchen,
    probability: float,
    *,
    shared: bool,
    fixed: np.ndarray | None = None,
    within: tuple[np.ndarray, np.ndarray] | None = None,
) -> float | None:
    """The least cost by a conic solver, None where there is no batch.

    ``fixed`` holds some columns (nan: free), ``within`` are other bounds of all columns, lower and upper.
    """
    matrix = matrix_of(kitchen)
    if within is not None:
        matrix = replace(matrix, lo=within[0], hi=within[1])
    x = cp.Variable(len(matrix.cost))
    finite_lo, finite_hi = np.isfinite(matrix.row_lo), np.isfinite(matrix.row_hi)
    conditions = [
        x >= matrix.lo, x <= np.minimum(matrix.hi, 1e5),
        matrix.rows[finite_lo] @ x >= matrix.row_lo[finite_lo], matrix.rows[finite_hi] @ x <= matrix.row_hi[finite_hi],
    ]  # fmt: skip
    spread = factors(kitchen, shared=shared)
    for row, slope in cone_rows(kitchen):
        scale = kitchen.kilograms
        conditions.append(z_of(probability) * slope * cp.norm(spread @ x) / scale <= -(row @ x) / scale)
    if fixed is not None:
        held = ~np.isnan(fixed)
        conditions.append(x[held] == fixed[held])
    problem = cp.Problem(cp.Minimize(matrix.cost @ x), conditions)
    problem.solve(solver="CLARABEL", tol_gap_abs=1e-9, tol_gap_rel=1e-9, tol_feas=1e-9)
    return float(problem.value) if problem.status == "optimal" else None
