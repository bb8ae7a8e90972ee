"""Every shipped example, run by the very command its first lines give, against figures worked out from outside.

Compositions come from ``data/composition.csv`` (rows of USDA SR28, 2015). The optimum is solved once more by
scipy.optimize.linprog on a matrix built here from the raw files, with every addition as a variable of its own.
"""

from __future__ import annotations

import csv
import io
import json
import random
import shlex
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.optimize import linprog

ROOT = Path(__file__).parents[1]
EXAMPLES = tuple(sorted(path.stem for path in (ROOT / "examples").glob("*.yaml")))
WIDTH = 80
SALT_PER_SODIUM = 58.44 / 22.99
"""Grams of salt with one gram of sodium: molar masses of NaCl and Na."""

SR28 = {
    ("pork", "shoulder"): "pork_shoulder",
    ("pork", "Shoulder"): "pork_shoulder",
    ("pork", "pork shoulder"): "pork_shoulder",
    ("pork", "bone-in shoulder"): "pork_shoulder",
    ("pork", "shoulder lean"): "pork_shoulder_lean",
    ("pork", "picnic"): "pork_picnic",
    ("pork", "leg"): "pork_leg",
    ("pork", "leg lean"): "pork_leg_lean",
    ("pork", "pork leg lean"): "pork_leg_lean",
    ("pork", "loin"): "pork_loin",
    ("pork", "loin trim"): "pork_loin",
    ("pork", "butt"): "pork_butt",
    ("pork", "pork butt"): "pork_butt",
    ("pork", "belly"): "pork_belly",
    ("pork", "pork belly"): "pork_belly",
    ("pork", "jowl"): "pork_jowl",
    ("pork", "jowl with rind"): "pork_jowl",
    ("pork", "back fat"): "pork_backfat",
    ("pork", "pork back fat"): "pork_backfat",
    ("pork", "fat trim"): "pork_separable_fat",
    ("pork", "liver"): "pork_liver",
    ("pork", "heart"): "pork_heart",
    ("pork", "salt pork"): "pork_salt_pork",
    ("pork", "ground pork"): "pork_ground",
    ("pork", "lean trim"): "pork_ground_96",
    ("lamb", "lamb shoulder"): "lamb_shoulder",
    ("lamb", "lamb trim"): "lamb_composite",
    ("lamb", "lamb fat"): "lamb_separable_fat",
    ("deer", "venison trim"): "venison_ground",
    ("beef", "chuck"): "beef_chuck_arm",
    ("beef", "stewing chuck"): "beef_chuck_stew",
    ("beef", "trim 70"): "beef_ground_70",
    ("beef", "trim 80"): "beef_ground_80",
    ("beef", "trim 90"): "beef_ground_90",
    ("beef", "trim 97"): "beef_ground_97",
    ("beef", "flank"): "beef_flank",
    ("beef", "suet"): "beef_suet",
    ("beef", "brisket point"): "beef_brisket_point",
    ("beef", "shank lean"): "beef_shank_lean",
    ("veal", "veal trim"): "veal_composite",
    ("chicken", "chicken thigh"): "chicken_thigh",
    ("chicken", "chicken skin"): "chicken_skin",
}
"""The row of composition.csv that a lot's species and material stand for."""
ADDED = {"beer": "beer", "cooked barley": "barley_pearled_cooked", "mustard seed": "mustard_seed_ground"}
TYPED_WRONG = {"B-05": {"fat_pct"}}
"""Cells of the messy list that differ from SR28 on purpose; blank cells differ by being blank."""
NOT_SR28 = {"X-1"}
PARTS = ("fat_pct", "moisture_pct", "protein_pct")


@dataclass(frozen=True)
class Run:
    """What a finished command left behind."""

    code: int
    out: str
    err: str


@dataclass(frozen=True)
class Documented:
    """The command in an example's own comment, cut up."""

    recipe: str
    lots: str
    size: str
    amount: float
    day: date

    def run(self, *more: str, lots: Path | None = None) -> Run:
        given = str(lots) if lots else self.lots
        words = ["blend", self.recipe, "--lots", given, self.size, f"{self.amount:g}", "--date", f"{self.day}", *more]
        done = subprocess.run(
            [sys.executable, "-m", "optimizer", *words], cwd=ROOT, capture_output=True, check=False, timeout=60
        )
        return Run(done.returncode, done.stdout.decode(), done.stderr.decode())


@cache
def documented(example: str) -> Documented:
    text = (ROOT / "examples" / f"{example}.yaml").read_text(encoding="utf-8")
    (line,) = (line for line in text.splitlines() if line.startswith("# trimwright blend "))
    words = shlex.split(line)[3:]
    assert words[1] == "--lots"
    assert words[3] in ("--meat-kg", "--batch-kg")
    assert words[5] == "--date"
    assert len(words) == 7
    return Documented(words[0], words[2], words[3], float(words[4]), date.fromisoformat(words[6]))


@cache
def page_of(example: str) -> Run:
    return documented(example).run()


@cache
def document_of(example: str) -> dict[str, Any]:
    done = documented(example).run("--json")
    assert done.code == 0, done.err
    found: dict[str, Any] = json.loads(done.out)
    return found


@cache
def recipe_of(example: str) -> dict[str, Any]:
    text = (ROOT / documented(example).recipe).read_text(encoding="utf-8")
    found: dict[str, Any] = yaml.safe_load(text)
    return found


@cache
def table_of(example: str) -> tuple[dict[str, str], ...]:
    """The raw rows of the lots file, decimal commas as points."""
    text = (ROOT / documented(example).lots).read_text(encoding="utf-8-sig")
    delimiter = ";" if ";" in text.splitlines()[0] else ","
    rows = [row for row in csv.DictReader(io.StringIO(text), delimiter=delimiter) if any(row.values())]
    plain = ("lot", "material", "note", "species")
    return tuple({k: v if k in plain else v.replace(",", ".") for k, v in row.items()} for row in rows)


@cache
def sr28() -> dict[str, dict[str, str]]:
    path = Path(__file__).parent / "data" / "composition.csv"
    with path.open(encoding="utf-8", newline="") as file:
        return {row["key"]: row for row in csv.DictReader(file)}


# What is shipped.


def test_three_examples_are_shipped() -> None:
    assert EXAMPLES == ("fresh", "odds-and-ends", "smoked")


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_example_says_that_it_is_invented_and_how_to_run_it(example: str) -> None:
    first = (ROOT / documented(example).recipe).read_text(encoding="utf-8").splitlines()[:4]
    assert first[0].startswith("# Invented data")
    assert "USDA SR28" in first[0]
    assert any(line.startswith("# trimwright blend ") for line in first)
    command = next(line for line in first if line.startswith("# trimwright"))[2:]
    assert command in (ROOT / "examples" / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("example", EXAMPLES)
def test_compositions_are_rows_of_sr28(example: str) -> None:
    for row in table_of(example):
        if row["lot"] in NOT_SR28:
            continue
        source = sr28()[SR28[row["species"], row["material"]]]
        assert source["source"] == "USDA SR28 (2015)"
        for part in PARTS:
            if row[part] and part not in TYPED_WRONG.get(row["lot"], set()):
                assert float(row[part]) == float(source[part]), (row["lot"], part)
        if row.get("salt_pct"):
            assert float(row["salt_pct"]) == round(float(source["sodium_mg"]) * SALT_PER_SODIUM / 1000, 2)


@pytest.mark.parametrize("example", EXAMPLES)
def test_additions_with_a_composition_are_rows_of_sr28(example: str) -> None:
    for added in recipe_of(example)["additions"]:
        if added["name"] not in ADDED:
            assert not any(part in added for part in PARTS)
            continue
        source = sr28()[ADDED[added["name"]]]
        assert [added[part] for part in PARTS] == [float(source[part]) for part in PARTS]
        if "salt_pct" in added:
            assert added["salt_pct"] == round(float(source["sodium_mg"]) * SALT_PER_SODIUM / 1000, 2)


def test_the_messy_list_is_messy() -> None:
    raw = (ROOT / documented("odds-and-ends").lots).read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    assert raw.count(b"\r\n") == raw.count(b"\n") > 40
    assert raw.rstrip(b"\r\n").endswith(b"\r\n" + b";" * 21)
    rows = table_of("odds-and-ends")
    assert len(rows) == 40
    assert {"007", "1E5", "NA", "no", "null", "TRUE", "-", "+3", "2026-11-25", "3.0"} <= {r["lot"] for r in rows}
    assert {"pork", "beef", "lamb", "veal", "chicken", "deer", ""} == {r["species"] for r in rows}
    assert any(r["use_by"] and r["use_by"] < "2026-11-25" for r in rows)
    assert any(r["on_hold"].casefold() in ("yes", "true", "1") for r in rows)
    assert sum(float(r["on_hand_kg"]) < 3 for r in rows) > 5


# The page and the document.


@pytest.mark.parametrize("example", EXAMPLES)
def test_it_runs_and_every_check_holds(example: str) -> None:
    done, found = page_of(example), document_of(example)
    assert done.code == 0
    assert found["status"] == "optimal"
    unsettled = [check["what"] for check in found["checks"] if check["ok"] is not True]
    assert all(what.startswith("residual") for what in unsettled), unsettled  # for a laboratory to say, not arithmetic
    assert len(unsettled) == (1 if example == "smoked" else 0)
    assert {"weight", "fat"} <= {check["what"] for check in found["checks"]}
    assert "no product class stated" not in done.out
    for word in ("BROKEN", "DO NOT MAKE"):
        assert word not in done.out


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_page_is_no_wider_than_a_terminal(example: str) -> None:
    assert [line for line in page_of(example).out.splitlines() if len(line) > WIDTH] == []


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("example", EXAMPLES)
def test_the_order_of_the_rows_does_not_matter(example: str, seed: int, tmp_path: Path) -> None:
    case = documented(example)
    head, *rows = (ROOT / case.lots).read_bytes().splitlines(keepends=True)
    mixed = list(rows)
    random.Random(seed).shuffle(mixed)
    assert mixed != rows
    shuffled = tmp_path / "shuffled.csv"
    shuffled.write_bytes(head + b"".join(mixed))
    again = case.run(lots=shuffled)
    assert again.out == page_of(example).out
    assert again.code == 0


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_weights_add_up(example: str) -> None:
    found = document_of(example)
    meat = sum(lot["kg"] for lot in found["lots"])
    added = sum(item["grams"] for item in found["weigh_out"]) / 1000
    assert meat == pytest.approx(found["meat_kg"], abs=1e-9)
    assert meat + added == pytest.approx(found["batch_kg"], abs=1e-9)
    for key, unit in (("lots", "kg"), ("weigh_out", "grams")):
        name = "lot" if key == "lots" else "item"
        loads: dict[str, float] = {}
        for load in found["loads"]:
            for entry in load[key]:
                loads[entry[name]] = loads.get(entry[name], 0.0) + entry[unit]
        assert loads == pytest.approx({entry[name]: entry[unit] for entry in found[key]}, abs=1e-6)


@pytest.mark.parametrize("example", EXAMPLES)
def test_no_load_is_larger_than_the_mixer(example: str) -> None:
    found, mixer = document_of(example), recipe_of(example).get("mixer_kg", float("inf"))
    for load in found["loads"]:
        meat = sum(lot["kg"] for lot in load["lots"])
        assert meat + sum(item["grams"] for item in load["weigh_out"]) / 1000 <= mixer
    assert (len(found["loads"]) > 1) == (example == "smoked")


@pytest.mark.parametrize("example", EXAMPLES)
def test_no_more_is_taken_than_there_is(example: str) -> None:
    stock = {row["lot"]: row for row in table_of(example)}
    for lot in document_of(example)["lots"]:
        row = stock[lot["lot"]]
        most = min(float(row["on_hand_kg"]), float(row.get("largest_pull_kg") or "inf"))
        assert lot["held_kg"] == pytest.approx(lot["kg"] / usable(row))
        assert lot["held_kg"] <= most + 1e-9
        assert lot["cost"] == pytest.approx(lot["held_kg"] * float(row["cost_per_kg"]))
        if row.get("pack_kg"):
            packs = lot["held_kg"] / float(row["pack_kg"])
            assert packs == pytest.approx(round(packs))


@pytest.mark.parametrize("example", EXAMPLES)
def test_composition_is_what_sr28_gives(example: str) -> None:
    """Each basis worked out from the weights of the answer and the rows of SR28 alone."""
    found, recipe = document_of(example), recipe_of(example)
    rows = {row["lot"]: row for row in table_of(example)}
    additions = {added["name"]: added for added in recipe["additions"]}
    process = recipe.get("yield", {"finished_pct": 100})
    for part in PARTS:
        meat = sum(lot["kg"] * _sr28_part(rows[lot["lot"]], part) for lot in found["lots"])
        added = sum(item["grams"] / 1000 * _added_part(additions[item["item"]], part) for item in found["weigh_out"])
        assert found["composition"]["meat"][part] == pytest.approx(meat / found["meat_kg"])
        assert found["composition"]["batch"][part] == pytest.approx((meat + added) / found["batch_kg"])
        if found["finished_kg"] is None:
            continue
        fat_loss = process.get("fat_loss_pct", 0)
        lost = {"fat_pct": fat_loss, "moisture_pct": 100 - process["finished_pct"] - fat_loss}.get(part, 0)
        left = meat + added - found["batch_kg"] * lost
        assert found["composition"]["finished"][part] == pytest.approx(left / found["finished_kg"])
    assert (found["finished_kg"] is None) == ("yield" not in recipe)


def _sr28_part(row: dict[str, str], part: str) -> float:
    if part in TYPED_WRONG.get(row["lot"], set()):
        return float(row[part])
    return float(sr28()[SR28[row["species"], row["material"]]][part])


def _added_part(added: dict[str, Any], part: str) -> float:
    if added.get("is") == "water":
        return 100.0 if part == "moisture_pct" else 0.0
    return float(sr28()[ADDED[added["name"]]][part]) if added["name"] in ADDED else 0.0


def test_equal_lots_are_used_earliest_date_first() -> None:
    """S-14 and S-15 are alike but for their use-by: S-15 comes in only when S-14 is used up."""
    used = {lot["lot"]: lot["kg"] for lot in document_of("fresh")["lots"]}
    assert used.get("S-14", 0) > 0
    assert "S-15" not in used or used["S-14"] == 18


def test_salt_and_cure_of_the_smoked_rings() -> None:
    """Total salt 2.1 % of the finished rings from salt, cure, barley and beer; cure as asked in every load."""
    found = document_of("smoked")
    grams = {item["item"]: item["grams"] for item in found["weigh_out"]}
    salt = grams["salt"] + 0.9375 * grams["pink cure"] + 0.0001 * (grams["cooked barley"] + grams["beer"])
    assert salt / 10 / found["finished_kg"] == pytest.approx(2.1, abs=0.001)
    for load in found["loads"]:
        meat = sum(lot["kg"] for lot in load["lots"])
        (cure,) = (item["grams"] for item in load["weigh_out"] if item["item"] == "pink cure")
        exact = 150 * meat / 62.5
        assert exact - 0.1 + 1e-9 < cure <= exact + 1e-9


def test_the_messy_list_says_what_is_wrong() -> None:
    done, found = page_of("odds-and-ends"), document_of("odds-and-ends")
    used = {lot["lot"] for lot in found["lots"]}
    assert {"007", "1E5"} <= used
    assert "B-05" in used
    assert "! B-05" in done.out
    assert any("B-05" in warning and "fraction" in warning for warning in found["warnings"])
    out = {line.split(":")[0]: line for line in found["left_out"]}
    assert "use-by" in out["P-20"]
    assert "use-by" in out["B-10"]
    assert "received" in out["P-21"]
    assert all("hold" in out[name] for name in ("P-22", "P-25", "B-09"))
    assert "protein_pct" in out["P-27"]
    assert "frozen_pct" in out["P-26"]
    for place in (":1:note:", ":15:material:", ":19:lot:", ":28:fat_pct:", ":31:cost_per_kg:", ":34:on_hand_kg:"):
        assert place in done.err
        assert place not in done.out
    assert ": error:" not in done.err


# Against scipy.


def usable(row: dict[str, str]) -> float:
    return float(row.get("usable_pct") or 100) / 100


def eligible(example: str) -> list[dict[str, str]]:
    """The lots that may go in, judged here from the raw cells."""
    rules, day = recipe_of(example).get("eligible", {}), f"{documented(example).day}"
    needed = {"fat_pct"} | {f"{k}_pct" for k in ("protein", "moisture") if any(k in r for r in _required(example))}
    needed |= {r["property"]["name"] for r in _required(example) if "property" in r}

    def may(row: dict[str, str]) -> bool:
        return (
            row["species"] in rules.get("species", [row["species"]])
            and row["lot"] not in rules.get("leave_out", [])
            and row.get("on_hold", "").casefold() not in ("yes", "true", "1")
            and (row["use_by"] or "9999") >= day
            and (row.get("received") or "0000") <= day
            and float(row["on_hand_kg"]) > 0
            and all(row[name] for name in needed)
        )

    return [row for row in table_of(example) if may(row)]


def _required(example: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = recipe_of(example)["require"]
    return found


class Matrix:
    """The example as a linear program: a variable a lot (usable kilograms, or packs) and one an addition."""

    def __init__(self, example: str) -> None:
        self.recipe, self.lots = recipe_of(example), eligible(example)
        self.added: list[dict[str, Any]] = self.recipe["additions"]
        process = self.recipe.get("yield", {"finished_pct": 100})
        self.kept = process["finished_pct"] / 100
        self.fat_loss = process.get("fat_loss_pct", 0)
        self.unit = np.array([_unit(row) for row in self.lots] + [1.0] * len(self.added))
        self.meat = self._each(lambda row: 1.0, lambda added: 0.0)
        self.batch = self._each(lambda row: 1.0, lambda added: 1.0)
        self.upper: list[tuple[np.ndarray, float]] = []
        self.equal: list[tuple[np.ndarray, float]] = []
        for number, added in enumerate(self.added, start=len(self.lots)):
            self._dose(added, number)
        for asked in _required(example):
            ((kind, limits),) = asked.items()
            self._require(kind, limits)
        size, amount = documented(example).size, documented(example).amount
        division = self.recipe.get("scales", {}).get("meat_g", 50) / 1000
        give = division / 2 if size == "--meat-kg" else division
        weight = self.meat if size == "--meat-kg" else self.batch
        self.upper += [(weight, amount + give), (-weight, give - amount)]

    def _each(self, lot: Callable[[dict[str, str]], float], added: Callable[[dict[str, Any]], float]) -> np.ndarray:
        """A figure for every variable, times the kilograms that one unit of it stands for."""
        return np.array([lot(row) for row in self.lots] + [added(entry) for entry in self.added]) * self.unit

    def part(self, name: str) -> np.ndarray:
        """Percent kilograms of a part in each variable over the whole batch."""

        def of_added(added: dict[str, Any]) -> float:
            if name == "salt_pct" and added.get("is") == "salt":
                return 100.0
            if name == "salt_pct" and added.get("is") == "cure":
                return 100.0 - float(added["nitrite_pct"])
            if name == "moisture_pct" and added.get("is") == "water":
                return 100.0
            return float(added.get(name, 0))

        return self._each(lambda row: float(row.get(name) or 0), of_added)

    def basis(self, name: str) -> np.ndarray:
        return {"meat": self.meat, "batch": self.batch, "finished": self.kept * self.batch}[name]

    def _dose(self, added: dict[str, Any], number: int) -> None:
        own = np.zeros(len(self.unit))
        own[number] = 1.0
        if "total_salt_pct" in added:
            wanted = added["total_salt_pct"] * self.basis(added.get("basis", "batch"))
            self.equal.append((self.part("salt_pct") - wanted, 0.0))
        elif "up_to_g_per_kg_meat" in added:
            self.upper.append((own - added["up_to_g_per_kg_meat"] / 1000 * self.meat, 0.0))
            self.upper.append((added["from_g_per_kg_meat"] / 1000 * self.meat - own, 0.0))
        elif "g_per_kg_batch" in added:
            self.equal.append((own - added["g_per_kg_batch"] / 1000 * self.batch, 0.0))
        elif "ingoing_nitrite_ppm" in added:
            rate = added["ingoing_nitrite_ppm"] / 1e6 / (added["nitrite_pct"] / 100)
            self.equal.append((own - rate * self.meat, 0.0))
        else:
            self.equal.append((own - added["g_per_kg_meat"] / 1000 * self.meat, 0.0))

    def _require(self, kind: str, limits: dict[str, Any]) -> None:
        def tagged(tag: str, wanted: str) -> np.ndarray:
            return self._each(lambda row: float(row[tag] == wanted), lambda added: 0.0)

        under = self.basis(limits.get("basis", "meat"))
        if kind == "share":
            (tag,) = (tag for tag in ("species", "material", "lot", "role") if tag in limits)
            over = 100 * tagged(tag, limits[tag])
        elif kind == "meat_to_fat":
            over, under = tagged("role", "meat"), tagged("role", "fat")
        else:
            name = limits["name"] if kind == "property" else f"{kind}_pct"
            over = self.part(name)
            if under is self.meat:
                over = np.where(self.meat > 0, over, 0.0)
            if limits.get("basis") == "finished":
                water_loss = 100 * (1 - self.kept) - self.fat_loss
                over = over - {"fat": self.fat_loss, "moisture": water_loss}.get(kind, 0.0) * self.batch
        lo, hi = limits.get("min_pct", limits.get("min")), limits.get("max_pct", limits.get("max"))
        if "target_pct" in limits:
            lo, hi = limits["target_pct"] - limits["within_pct"], limits["target_pct"] + limits["within_pct"]
        if hi is not None:
            self.upper.append((over - hi * under, 0.0))
        if lo is not None:
            self.upper.append((lo * under - over, 0.0))

    def cheapest(self) -> float:
        """The least cost, by scipy."""
        cost = self._each(
            lambda row: float(row["cost_per_kg"]) / usable(row), lambda added: float(added.get("cost_per_kg", 0))
        )
        packs = [bool(row.get("pack_kg")) for row in self.lots] + [False] * len(self.added)
        most = [_most(row) / _unit(row) for row in self.lots] + [np.inf] * len(self.added)
        bounds = [(0, np.floor(top) if whole else top) for top, whole in zip(most, packs, strict=True)]
        done = linprog(
            cost,
            A_ub=np.array([row for row, _ in self.upper]), b_ub=[limit for _, limit in self.upper],
            A_eq=np.array([row for row, _ in self.equal]), b_eq=[limit for _, limit in self.equal],
            bounds=bounds, integrality=np.array(packs, dtype=int), options={"mip_rel_gap": 0},
        )  # fmt: skip
        assert done.status == 0, done.message
        return float(done.fun)


def _unit(row: dict[str, str]) -> float:
    return float(row["pack_kg"]) * usable(row) if row.get("pack_kg") else 1.0


def _most(row: dict[str, str]) -> float:
    return min(float(row["on_hand_kg"]), float(row.get("largest_pull_kg") or "inf")) * usable(row)


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_optimum_is_scipys(example: str) -> None:
    found = document_of(example)
    free = found["cost"]["optimum"] - found["tidy"]["price"]  # the matrix knows no pulls
    assert free == pytest.approx(Matrix(example).cheapest(), rel=1e-7)


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_certificate_encloses_the_cost(example: str) -> None:
    found = document_of(example)
    certificate, cost = found["certificate"], found["cost"]
    assert certificate["feasible"] is True
    assert certificate["lower_bound"] <= cost["optimum"] + 1e-9
    assert cost["optimum"] <= certificate["cost"]
    assert certificate["cost"] == cost["value_used"]
    assert certificate["gap"] == pytest.approx(certificate["cost"] - certificate["lower_bound"], abs=1e-9)
    assert 0 <= certificate["gap"] <= 0.005 * certificate["cost"]


@pytest.mark.parametrize("example", EXAMPLES)
def test_rounding_costs_little(example: str) -> None:
    """Moving each lot used by one division a load, from the cheapest price to the dearest, cannot cost more."""
    found = document_of(example)
    prices = [float(row["cost_per_kg"]) / usable(row) for row in eligible(example)]
    division = recipe_of(example).get("scales", {}).get("meat_g", 50) / 1000
    moved = division * len(found["loads"]) * len(found["lots"]) * (sorted(prices)[-2] - min(prices))
    assert found["cost"]["value_used"] - found["cost"]["optimum"] <= moved
