"""Measured fat is uncertain in plans too: weeks with a stated confidence against a conic solve of the whole week.

The oracle is cvxpy with Clarabel on the raw figures: every batch's kilograms of every lot, shared stock, and for each
limit on fat the mean with the standard normal quantile times the norm of sd times kilograms (errors independent; JCGM
100:2008, 5.1.2, for the variance of a weighted sum).
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from statistics import NormalDist

import cvxpy as cp
import numpy as np
import pytest
from weeks import RawBatch, RawLot, RawOffer, RawWeek

from constraints.as_typed import BadInput
from optimizer.answer import Status
from optimizer.plan.files.week_file import read_week
from optimizer.plan.model.kitchen import build
from optimizer.plan.model.world import assemble_week
from optimizer.plan.settle.find import Plan, find, search

PROBABILITY = 0.95
WITHIN_KG = 0.025
"""Half a scale division of 50 g: the tolerance of a size."""


def drawn(seed: int) -> tuple[RawWeek, list[float]]:
    """A linear week and the standard deviation of each lot's fat, the offer's last."""
    rng = random.Random(seed)
    days = rng.randint(2, 4)
    lots = [
        RawLot(f"L{k}", "pork", round(rng.uniform(3, 75), 1), round(rng.uniform(1, 5), 2), rng.randint(100, 400) / 10,
               last=rng.choice([None, days + 2, days - 1]), salvage=round(rng.uniform(0, 0.5), 2))
        for k in range(rng.randint(5, 9))
    ]  # fmt: skip
    batches = []
    for k in range(rng.randint(2, 3)):
        low, size, on = rng.randint(20, 30), round(rng.uniform(8, 25), 1), rng.randrange(days)
        batches.append(RawBatch(f"B{k}", size, size, on, on, (low, low + 5)))
    offers = [RawOffer("lean", "S", "pork", 12.0, round(rng.uniform(3, 6), 2), keeps=60)] if seed % 2 else []
    sds = [round(rng.uniform(0.2, 4.0), 2) for _ in (*lots, *offers)]
    return RawWeek(days, lots, batches, offers), sds


def write(week: RawWeek, sds: list[float], folder: Path, *, offered: bool = True) -> str:
    folder.mkdir(exist_ok=True)
    path = week.write(folder)
    for name, figures in (("lots.csv", sds[: len(week.lots)]), ("offers.csv", sds[len(week.lots) :])):
        if (folder / name).exists() and (offered or name == "lots.csv"):
            head, *lines = (folder / name).read_text().splitlines()
            rows = [f"{line},{sd}" for line, sd in zip(lines, figures, strict=True)]
            (folder / name).write_text("\n".join([f"{head},fat_sd_pct", *rows]) + "\n")
    for k in range(len(week.batches)):
        recipe = json.loads((folder / f"r{k}.yaml").read_text())
        recipe["confidence"] = {"probability": str(PROBABILITY)}
        (folder / f"r{k}.yaml").write_text(json.dumps(recipe))
    return path


def conic_optimum(week: RawWeek, sds: list[float]) -> float | None:
    """The cheapest week by a general conic solver; None where there is none."""
    z = NormalDist().inv_cdf(PROBABILITY)
    figures = [(x.fat, x.cost if x.last is None or x.last >= week.days else x.salvage, x.kg, x.last) for x in week.lots]
    figures += [(o.fat, o.price, 1e4, None) for o in week.offers]
    fat, cost = (np.array([row[k] for row in figures]) for k in (0, 1))
    sd = np.array(sds)
    used = [cp.Variable(len(figures), nonneg=True) for _ in week.batches]
    rows = [sum(used) <= np.array([row[2] for row in figures])]
    for x, batch in zip(used, week.batches, strict=True):
        rows += [cp.sum(x) >= batch.lo - WITHIN_KG, cp.sum(x) <= batch.hi + WITHIN_KG]
        for limit, sign in ((batch.fat[1], 1), (batch.fat[0], -1)):
            rows.append(sign * (fat - limit) @ x + z * cp.norm(cp.multiply(sd, x)) <= 0)
        late = [k for k, row in enumerate(figures) if row[3] is not None and row[3] < batch.first]
        rows += [x[k] == 0 for k in late]
    problem = cp.Problem(cp.Minimize(sum(cost @ x for x in used)), rows)
    problem.solve(solver=cp.CLARABEL)
    return float(problem.value) if problem.status == "optimal" else None


def plan_of(week: RawWeek, sds: list[float], folder: Path) -> Plan:
    return find(assemble_week(read_week(write(week, sds, folder))))


@pytest.mark.parametrize("block", range(5))
def test_a_conic_solve_of_the_week_finds_the_same_cost(block: int, tmp_path: Path) -> None:
    found = 0
    for seed in range(block * 8, block * 8 + 8):
        week, sds = drawn(seed)
        oracle = conic_optimum(week, sds)
        plan = plan_of(week, sds, tmp_path / str(seed))
        if oracle is None:
            assert plan.status is Status.INFEASIBLE, seed
            continue
        found += 1
        assert plan.solved.cost - plan.tidied == pytest.approx(oracle, rel=3e-5, abs=1e-5), seed
        assert plan.tidied >= -3e-5 * abs(oracle) - 1e-5, seed
        assert plan.status is Status.OPTIMAL, (seed, plan.certificate)
        assert plan.certificate is not None and plan.certificate.lower_bound is not None
        assert float(plan.certificate.lower_bound) <= oracle + 1e-5 * abs(oracle) + 1e-5, seed
    assert found >= 3


def test_confidence_costs_a_week_money(tmp_path: Path) -> None:
    week, sds = drawn(3)
    sure = plan_of(week, sds, tmp_path)
    week.write(tmp_path)  # the same files without any word of errors
    plain = search(build(assemble_week(read_week(str(tmp_path / "week.yaml")))))
    assert sure.solved.cost > plain.solved.cost


def test_an_offer_whose_error_is_not_known_is_refused(tmp_path: Path) -> None:
    week, sds = drawn(1)
    path = write(week, sds, tmp_path, offered=False)
    with pytest.raises(BadInput, match="lean"):
        assemble_week(read_week(path))
