"""How long plans take and how much memory they need, beside HiGHS given the same week's plain matrix.

Run: python tests/benchmark_plan.py [--sizes 200x50,500x100,2000x200] [--whole] [--rules]

Every measurement runs in a process of its own, on the same machine in the same run. The yardstick builds the textbook
matrix of the same figures with numpy, every pair of lot and batch that dates allow included, and hands it to HiGHS
with each of its methods; the fastest counts. Figures are invented.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
DAYS = 7
RECIPES = 12
WHOLE_SEEDS = (7, 8, 11)
"""Weeks with whole numbers that the textbook form settles within a minute; others take longer either way."""
METHODS = ("simplex", "ipm", "choose")


def write_week(folder: Path, lots: int, batches: int, *, rules: bool) -> None:
    """A linear week: batches with a day and a size, lots with dates; one recipe in three takes two species only."""
    from weeks import day

    rng = random.Random(lots * 1000 + batches)
    rows = ["lot,material,role,species,on_hand_kg,fat_pct,protein_pct,cost_per_kg,use_by,received"]
    for k in range(lots):
        fat = round(rng.uniform(2, 90), 2)
        first = rng.randint(0, 3) if rng.random() < 0.2 else 0
        last = first + rng.randint(1, 12)
        species = rng.choice(["pork", "pork", "pork", "beef", "lamb"])
        price = round(rng.uniform(0.8, 1.2) * (6 - fat / 20), 2)
        rows.append(
            f"L{k:04d},m{k % 40},{'fat' if fat > 50 else 'meat'},{species},{round(rng.uniform(20, 90), 1)},{fat},"
            f"{round((100 - fat) * 0.21, 2)},{price},{day(last)},{day(first)}"
        )
    (folder / "lots.csv").write_text("\n".join(rows) + "\n")
    for k in range(RECIPES):
        low = round(rng.uniform(18, 32), 1)
        recipe: dict[str, Any] = {
            "name": f"recipe {k}",
            "require": [
                {"fat": {"min_pct": low, "max_pct": low + 3}},
                {"protein": {"min_pct": round((100 - low) * 0.21 - 1.0, 1)}},
                {"meat_to_fat": {"min": 1}},
                {"share": {"species": "beef", "max_pct": rng.choice([20, 40, 60])}},
            ],
            "additions": [{"name": "salt", "is": "salt", "g_per_kg_meat": 18, "cost_per_kg": 0.8}],
        }
        if rules:
            recipe["rules"] = ["us"]
        if k % 3 == 0:
            recipe["eligible"] = {"species": ["pork", "beef"]}
        (folder / f"r{k}.yaml").write_text(json.dumps(recipe))
    entries = []
    for k in range(batches):
        size = round(rng.uniform(0.2, 0.9) * lots * 50 / batches * 0.6, 1)
        entries.append({"name": f"B{k:03d}", "recipe": f"r{k % RECIPES}.yaml", "meat_kg": size, "day": day(k % DAYS)})
    week = {"start": day(0), "days": DAYS, "lots": "lots.csv", "batches": entries}
    (folder / "week.yaml").write_text(json.dumps(week))


def write_whole_week(folder: Path, seed: int) -> None:
    """60 lots, 30 offers in packs with breaks, 25 batches, 7 days."""
    from weeks import RawBatch, RawLot, RawOffer, RawWeek

    rng = random.Random(seed)
    lots = [
        RawLot(f"L{k:02d}", rng.choice(["pork", "pork", "beef"]), round(rng.uniform(3, 88), 2),
               round(rng.uniform(1, 5), 2), round(rng.uniform(10, 50), 1), 100, 0, rng.randint(1, 12))
        for k in range(60)
    ]  # fmt: skip
    batches = []
    for k in range(25):
        low = round(rng.uniform(18, 30), 1)
        first = rng.randint(0, 5)
        size = round(rng.uniform(30, 110), 1)
        last = min(first + rng.randint(0, 2), 6)
        batches.append(RawBatch(f"B{k:02d}", size, size, first, last, (low, low + 3), 40, None, False, 18))
    offers = []
    for k in range(30):
        price = round(rng.uniform(1.2, 4.5), 2)
        first = float(rng.choice([40, 50, 60]))
        breaks = [(first, round(price * 0.93, 2)), (first * 2, round(price * 0.88, 2))]
        supplier = k % 5
        offers.append(RawOffer(
            f"O{k:02d}", f"S{supplier}", rng.choice(["pork", "beef"]), round(rng.uniform(4, 80), 1), price,
            float(rng.choice([5, 10])), 10.0, 200.0, breaks, rng.choice(["all_units", "incremental"]),
            rng.randint(0, 2), rng.choice([3, 5, None]), 6.0 + supplier, 20.0 * supplier,
        ))  # fmt: skip
    week = RawWeek(DAYS, lots, batches, offers, grinder=400.0, most_batches=5)
    week.write(folder)


def run_ours(folder: Path) -> dict[str, Any]:
    """Build and solve as the program does, then everything else."""
    from optimizer.plan.files.week_file import read_week
    from optimizer.plan.model.kitchen import build
    from optimizer.plan.model.world import assemble_week
    from optimizer.plan.settle.engine import solve

    clock = time.perf_counter()
    week = read_week(str(folder / "week.yaml"))
    read = time.perf_counter()
    world = assemble_week(week)
    assembled = time.perf_counter()
    program = build(world)
    built = time.perf_counter()
    solved = solve(program.model, gap=1e-3)
    done = time.perf_counter()
    return {
        "read": read - clock, "assemble": assembled - read, "build": built - assembled, "solve": done - built,
        "cost": solved.cost, "columns": program.model.size,
        "coefficients": sum(len(row.sparse[0]) for row in program.model.rows),
    }  # fmt: skip


def run_method(folder: Path, method: str) -> dict[str, Any]:
    """The program's own matrix by one method: what the choice of method rests on."""
    from optimizer.plan.files.week_file import read_week
    from optimizer.plan.model.kitchen import build
    from optimizer.plan.model.world import assemble_week
    from optimizer.solver.session import Session

    program = build(assemble_week(read_week(str(folder / "week.yaml")))).model
    session = Session(program, options={"solver": method}, load=False)
    clock = time.perf_counter()
    session.load({})
    highs = session.highs
    highs.run()
    return {"solve": time.perf_counter() - clock, "cost": session.cost}


def run_yardstick(folder: Path, method: str) -> dict[str, Any]:
    """The textbook matrix of a linear week, built with numpy from the raw files and handed to HiGHS."""
    import csv
    from datetime import date

    import highspy
    import numpy as np

    clock = time.perf_counter()
    with open(folder / "lots.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    week = json.loads((folder / "week.yaml").read_text())
    recipes = [json.loads((folder / f"r{k}.yaml").read_text()) for k in range(RECIPES)]
    start = date.fromisoformat(week["start"])

    def days(name: str) -> Any:
        return np.array([(date.fromisoformat(r[name]) - start).days for r in rows])

    fat, protein, cost, stock = (
        np.array([float(r[n]) for r in rows]) for n in ("fat_pct", "protein_pct", "cost_per_kg", "on_hand_kg")
    )
    species, role = (np.array([r[n] for r in rows]) for n in ("species", "role"))
    first, last = days("received"), days("use_by")
    cost = np.where(last > DAYS - 1, cost, 0.0)
    parts: list[Any] = []
    lots: list[Any] = []
    rlo, rhi = [], []
    size = 0
    row = 0
    ri, ci, vals = [], [], []
    for batch in week["batches"]:
        k = int(batch["recipe"][1:-5])
        d = (date.fromisoformat(batch["day"]) - start).days
        ok = (first <= d) & (last >= d)
        if "eligible" in recipes[k]:
            ok &= np.isin(species, recipes[k]["eligible"]["species"])
        here = np.flatnonzero(ok)
        need = recipes[k]["require"]
        lo, hi = need[0]["fat"]["min_pct"], need[0]["fat"]["max_pct"]
        beef = need[3]["share"]["max_pct"]
        is_meat = (role[here] == "meat").astype(float)
        block = [
            (fat[here] - hi, -np.inf, 0), (fat[here] - lo, 0, np.inf),
            (protein[here] - need[1]["protein"]["min_pct"], 0, np.inf), (is_meat - (1 - is_meat), 0, np.inf),
            (100.0 * (species[here] == "beef") - beef, -np.inf, 0),
            (np.ones(len(here)), batch["meat_kg"] - 0.025, batch["meat_kg"] + 0.025),
        ]  # fmt: skip
        for values, low, high in block:
            ri.append(np.full(len(here), row))
            ci.append(np.arange(size, size + len(here)))
            vals.append(values)
            rlo.append(low)
            rhi.append(high)
            row += 1
        parts.append(cost[here] + 0.018 * 0.8)
        lots.append(here)
        size += len(here)
    every = np.concatenate(lots)
    ri.append(row + every)
    ci.append(np.arange(size))
    vals.append(np.ones(size))
    rlo += [-np.inf] * len(rows)
    rhi += list(stock)
    r, c, v = np.concatenate(ri), np.concatenate(ci), np.concatenate(vals)
    keep = v != 0
    r, c, v = r[keep], c[keep], v[keep]
    order = np.lexsort((c, r))
    r, c, v = r[order], c[order], v[order]
    count = row + len(rows)
    starts = np.searchsorted(r, np.arange(count)).astype(np.int32)
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("threads", 1)
    highs.setOptionValue("solver", method)
    highs.passModel(
        size, count, len(v), 2, 1, 0.0, np.concatenate(parts), np.zeros(size), np.full(size, np.inf),
        np.array(rlo, dtype=float), np.array(rhi, dtype=float), starts, c.astype(np.int32), v,
        np.zeros(size, dtype=np.int32),
    )  # fmt: skip
    built = time.perf_counter()
    highs.run()
    done = time.perf_counter()
    return {"build": built - clock, "solve": done - built, "cost": highs.getInfo().objective_function_value,
            "columns": size, "coefficients": len(v)}  # fmt: skip


def run_textbook(folder: Path, seed: int) -> dict[str, Any]:
    """The plain textbook formulation of the week with whole numbers, to the same gap."""
    import weeks

    captured: list[Any] = []
    weeks.RawWeek.write = lambda self, folder: captured.append(self) or ""  # type: ignore[method-assign,func-returns-value]
    write_whole_week(folder, seed)
    clock = time.perf_counter()
    book = weeks.textbook(captured[0])
    built = time.perf_counter()
    found = book.solve(gap=1e-3)
    return {"build": built - clock, "solve": time.perf_counter() - built, "cost": found.fun + book.constant}


def size_of(text: str) -> list[int]:
    """Lots and batches."""
    return [int(part) for part in text.split("x")]


def alone(what: str, folder: Path, *more: str) -> dict[str, Any]:
    """Run one measurement in a process of its own; seconds, figures and peak memory in MB.

    A child's peak is at least what its parent has when it is born, so that this process itself stays small.
    """
    command = [sys.executable, __file__, "--one", what, "--folder", str(folder), *more]
    out = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    if out.returncode:
        raise SystemExit(out.stderr)
    found: dict[str, Any] = json.loads(out.stdout.splitlines()[-1])
    return found


def whole_run(folder: Path) -> dict[str, Any]:
    """The command from its start to the printed plan."""
    clock = time.perf_counter()
    out = subprocess.run(
        [sys.executable, "-m", "optimizer", "plan", str(folder / "week.yaml"), "--json"],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    seconds = time.perf_counter() - clock
    document = json.loads(out.stdout) if out.stdout else {"status": out.stderr[-300:]}
    return {"seconds": seconds, "status": document["status"], "document": document}


def spent(command: list[str]) -> tuple[float, float]:
    """Processor seconds (user and system) and peak memory in MB of a process from its start to its end."""
    with subprocess.Popen([sys.executable, *command], cwd=ROOT, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{command} ended with {process.returncode}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def whole_processes(folder: Path, text: str, method: str, times: int) -> None:
    """The command that prints the page, and the bare process of the yardstick's fastest method; turn by turn."""
    bare = [__file__, "--one", "yardstick", "--folder", str(folder), "--method", method]
    runs = [(spent(["-m", "optimizer", "plan", str(folder / "week.yaml")]), spent(bare)) for _ in range(times)]
    (ours, mb), (stick, bare_mb) = (
        tuple(statistics.median(figures) for figures in zip(*side, strict=True)) for side in zip(*runs, strict=True)
    )
    print(f"{text} whole processes: {ours:.2f} s of a processor, {ours / stick:.2f} times the bare one's {stick:.2f} s "
          f"({method}); {mb:.0f} MB, {mb / bare_mb:.2f} times; median of {times}")  # fmt: skip


def import_floor() -> float:
    """Seconds that starting and importing alone take."""
    clock = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", "import optimizer.plan.report.plan_page, highspy, pandas"],
        cwd=ROOT,
        check=True,
    )
    return time.perf_counter() - clock


def one(arguments: argparse.Namespace) -> None:
    """A single measurement, in a process of its own."""
    jobs = {
        "ours": lambda: run_ours(arguments.folder), "textbook": lambda: run_textbook(arguments.folder, arguments.seed),
        "method": lambda: run_method(arguments.folder, arguments.method),
        "yardstick": lambda: run_yardstick(arguments.folder, arguments.method),
        "write": lambda: write_week(arguments.folder, *size_of(arguments.sizes), rules=arguments.rules) or {},
        "write_whole": lambda: write_whole_week(arguments.folder, arguments.seed) or {},
    }  # fmt: skip
    found = jobs[arguments.one]()
    found["mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps(found))


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", default="60x12")
    parser.add_argument("--whole", action="store_true")
    parser.add_argument("--rules", action="store_true")
    parser.add_argument("--no-run", action="store_true")
    parser.add_argument("--methods", action="store_true")
    parser.add_argument("--one")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--method", default="choose")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--times", type=int, default=3)
    arguments = parser.parse_args()
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    if arguments.one:
        one(arguments)
        return
    print(f"import floor {import_floor():.2f} s")
    for text in filter(None, arguments.sizes.split(",")):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            alone("write", folder, "--sizes", text, *["--rules"][: arguments.rules])
            linear(folder, text, arguments)
    for seed in WHOLE_SEEDS if arguments.whole else ():
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            alone("write_whole", folder, "--seed", str(seed))
            print(f"whole numbers, seed {seed}: 60 lots, 30 offers, 25 batches, to 0.1 %")
            print("  textbook", alone("textbook", folder, "--seed", str(seed)))
            print("  ours    ", alone("ours", folder))
            if not arguments.no_run:
                run = whole_run(folder)
                print(f"  whole run {run['seconds']:.2f} s: {run['status']}, {run['document'].get('certificate')}")


def linear(folder: Path, text: str, arguments: argparse.Namespace) -> None:
    """One linear size."""
    sticks = {method: alone("yardstick", folder, "--method", method) for method in METHODS}
    for method, found in sticks.items():
        print(f"{text} yardstick {method:8} build {found['build']:.2f} solve {found['solve']:.2f} mb {found['mb']:.0f} "
              f"cost {found['cost']:.6f} columns {found['columns']} coefficients {found['coefficients']}")  # fmt: skip
    best = min(sticks.values(), key=lambda f: f["solve"])
    whole_processes(folder, text, min(sticks, key=lambda m: float(sticks[m]["solve"])), arguments.times)
    if arguments.methods:
        for method in METHODS:
            print(f"{text} own matrix {method:8} {alone('method', folder, '--method', method)}")
    ours = alone("ours", folder)
    print(f"{text} ours      {json.dumps({k: round(v, 4) for k, v in ours.items()})}")
    ratio = (ours["build"] + ours["solve"]) / (best["build"] + best["solve"])
    print(f"{text} build and solve {ratio:.2f} times the yardstick's; with assembling the files "
          f"{(ours['assemble'] + ours['build'] + ours['solve']) / (best['build'] + best['solve']):.2f}; "
          f"cost off by {abs(ours['cost'] - best['cost']) / abs(best['cost']):.1e}; "
          f"memory {ours['mb'] / best['mb']:.2f} times")  # fmt: skip
    if not arguments.no_run:
        run = whole_run(folder)
        print(f"{text} whole run {run['seconds']:.2f} s, "
              f"{run['seconds'] / (best['build'] + best['solve']):.2f} times the yardstick; {run['status']}, "
              f"{run['document'].get('certificate')}, {run['document'].get('in_order')}")  # fmt: skip


if __name__ == "__main__":
    main()
