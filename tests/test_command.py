"""The command as a user meets it: words in, exit code, standard output and standard error out.

What depends on the process itself (streams, the installed script, the solver's own chatter) runs as a subprocess;
the many small cases run through typer's CliRunner in this process.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog
from typer.testing import CliRunner

from optimizer.cli import app

MODULE = (sys.executable, "-m", "optimizer")
SCRIPT = (str(Path(sys.executable).with_name("trimwright")),)
DATE = ("--date", "2026-11-25")

LOTS = """\
lot,on_hand_kg,fat_pct,cost_per_kg,material,role,species,use_by
P1,60,18,2.40,shoulder,meat,pork,2026-12-01
P2,40,53,1.80,belly,fat,pork,2026-12-01
P3,25,12,2.30,leg,meat,pork,2026-12-02
B1,30,20,3.10,chuck,meat,beef,2026-12-02
"""
FRESH = """\
name: Test links
rules: [us]
require:
  - fat: {target_pct: 25, within_pct: 1}
additions:
  - {name: salt, is: salt, g_per_kg_meat: 16}
"""
CURED = FRESH + "  - {name: pink cure, is: cure, %s}\nsteps: [smoked]\n"
PLAIN = "name: Test links\nrequire:\n  - fat: {target_pct: 25, within_pct: 1}\n"


@dataclass(frozen=True)
class Run:
    """What a finished command left behind."""

    code: int
    out: str
    err: str

    @property
    def said(self) -> list[str]:
        """What stands on standard error, each message in one line again."""
        return re.sub(r"\n {4}", " ", self.err).splitlines()

    @property
    def document(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.out)
        return found


class Kitchen:
    """A folder with a recipe and a lots table, and the command run in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.write(PLAIN, LOTS)

    def write(self, recipe: str, lots: str = LOTS) -> Kitchen:
        (self.folder / "recipe.yaml").write_text(recipe, encoding="utf-8")
        (self.folder / "lots.csv").write_text(lots, encoding="utf-8")
        return self

    def blend(self, *words: str, size: tuple[str, str] = ("--meat-kg", "20")) -> Run:
        """In this process."""
        return self.inside("blend", "recipe.yaml", "--lots", "lots.csv", *size, *DATE, *words)

    def inside(self, *words: str) -> Run:
        before = Path.cwd()
        os.chdir(self.folder)
        try:
            done = CliRunner().invoke(app, list(words), catch_exceptions=False)
        finally:
            os.chdir(before)
        return Run(done.exit_code, done.stdout, done.stderr)

    def outside(self, *words: str, command: tuple[str, ...] = MODULE, given: str = "") -> Run:
        """In a process of its own."""
        done = subprocess.run(
            [*command, *words], cwd=self.folder, input=given.encode(), capture_output=True, check=False, timeout=60,
            env={**os.environ, "PYTHONUTF8": "1"},
        )  # fmt: skip
        return Run(done.returncode, done.stdout.decode(), done.stderr.decode())


BLEND = ("blend", "recipe.yaml", "--lots", "lots.csv", "--meat-kg", "20", *DATE)


@pytest.fixture
def kitchen(tmp_path: Path) -> Kitchen:
    return Kitchen(tmp_path)


def grams(document: dict[str, Any]) -> dict[str, float]:
    return {item["item"]: item["grams"] for item in document["weigh_out"]}


def check(document: dict[str, Any], rule: str) -> dict[str, Any]:
    (found,) = (check for check in document["checks"] if check["rule"] == rule)
    return dict(found)


# The command itself, each in a process of its own.


@pytest.mark.parametrize("command", [MODULE, SCRIPT], ids=["module", "script"])
def test_version(kitchen: Kitchen, command: tuple[str, ...]) -> None:
    done = kitchen.outside("--version", command=command)
    assert done.code == 0
    assert re.fullmatch(r"trimwright \d+\.\d+\.\d+\n", done.out)
    assert done.err == ""


def test_help_goes_to_stdout(kitchen: Kitchen) -> None:
    done = kitchen.outside("-h")
    assert done.code == 0
    assert done.err == ""
    for word in ("Usage", "blend", "columns", "schema", "--version"):
        assert word in done.out


def test_no_words_is_a_usage_error_with_help(kitchen: Kitchen) -> None:
    done = kitchen.outside()
    assert done.code == 2
    assert done.out == ""
    assert "blend" in done.err


def test_module_and_script_give_the_same_page(kitchen: Kitchen) -> None:
    kitchen.write(FRESH)
    module, script = kitchen.outside(*BLEND), kitchen.outside(*BLEND, command=SCRIPT)
    assert module == script == kitchen.blend()
    assert module.code == 0
    assert module.out.splitlines()[0].startswith("Test links: ")


def test_json_is_one_document_and_nothing_else(kitchen: Kitchen) -> None:
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 2.5")
    done = kitchen.outside(*BLEND, "--json")
    assert done.code == 0
    assert done.out.startswith("{")
    assert done.out.endswith("}\n")
    assert done.document["status"] == "optimal"
    assert done.err == ""


def test_lots_from_standard_input(kitchen: Kitchen) -> None:
    words = ("blend", "recipe.yaml", "--lots", "-", "--meat-kg", "20", *DATE)
    assert kitchen.outside(*words, given=LOTS) == kitchen.blend()


def test_faults_of_standard_input_name_it(kitchen: Kitchen) -> None:
    words = ("blend", "recipe.yaml", "--lots", "-", "--meat-kg", "20", *DATE)
    done = kitchen.outside(*words, given=LOTS.replace("53", "530"))
    assert done.code == 2
    assert done.out == ""
    assert done.err.startswith("standard input:3:fat_pct: error:")


def test_recipe_from_standard_input(kitchen: Kitchen) -> None:
    words = ("blend", "-", "--lots", "lots.csv", "--meat-kg", "20", *DATE)
    done = kitchen.outside(*words, given=PLAIN)
    assert done.code == 0
    assert done.out == kitchen.blend().out


def test_warnings_go_to_stderr_alone(kitchen: Kitchen) -> None:
    kitchen.write(PLAIN, LOTS.replace("P3,25,12", "P3,25,0.12"))
    done = kitchen.outside(*BLEND)
    assert done.code == 0
    assert done.err.startswith("lots.csv:4:fat_pct: warning:")
    assert len(done.said) == 1
    assert "lots.csv" not in done.out
    assert "! P3" in done.out


def test_nothing_is_printed_as_an_answer_on_bad_input(kitchen: Kitchen) -> None:
    """Faults of both files at once, each with its address, the count last."""
    kitchen.write("name: t\nnmae: x\n", LOTS.replace("fat_pct", "fatpct").replace("2026-12-02\nB1", "2026-13-02\nB1"))
    done = kitchen.outside(*BLEND, "--json")
    assert done.code == 2
    assert done.out == ""
    said = done.said
    assert said[0].startswith("recipe.yaml:2:1: error: unknown key 'nmae'")
    assert "name" in said[0]
    assert any(line.startswith("lots.csv:1:fatpct: error:") and "fat_pct" in line for line in said)
    assert any(line.startswith("lots.csv:4:use_by: error:") for line in said)
    assert said[-1] == "3 errors; nothing was computed."


def test_no_such_batch_ends_with_one(kitchen: Kitchen) -> None:
    kitchen.write(PLAIN.replace("25", "5"))
    done = kitchen.outside(*BLEND)
    assert done.code == 1
    assert done.err == ""
    assert "NO SUCH BATCH" in done.out
    assert "12.00 %" in done.out and "trimwright why" in done.out
    assert "WEIGH," not in done.out


def test_a_reader_that_closes_early_is_no_error(kitchen: Kitchen) -> None:
    command = " ".join(f'"{word}"' for word in (*MODULE, *BLEND))
    done = kitchen.outside("-c", f"{command} --json | head -c 1", command=("bash",))
    assert done.out == "{"
    assert "Traceback" not in done.err
    assert "Error" not in done.err


@pytest.mark.parametrize("words", [("columns", "--json"), ("schema",)], ids=["columns", "schema"])
def test_documents_about_the_files(kitchen: Kitchen, words: tuple[str, ...]) -> None:
    done = kitchen.outside(*words)
    assert done.code == 0
    assert done.err == ""
    assert json.loads(done.out)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("blnd",), "blnd"),
        (("blend", "recipe.yaml", "--meat-kg", "20"), "--lots"),
        (("blend", "recipe.yaml", "--lots", "lots.csv"), "--meat-kg"),
        ((*BLEND, "--batch-kg", "20"), "exactly one"),
        ((*BLEND[:5], "-20"), "-20"),
        ((*BLEND[:5], "1,5"), "1.5"),
        ((*BLEND[:5], "1e2"), "exponent"),
        ((*BLEND[:6], "--date", "2026-02-30"), "2026-02-30"),
        ((*BLEND[:6], "--date", "25.11.2026"), "YYYY-MM-DD"),
        (("blend", "-", "--lots", "-", "--meat-kg", "20"), "standard input"),
    ],
)
def test_usage_errors(kitchen: Kitchen, words: tuple[str, ...], said: str) -> None:
    done = kitchen.inside(*words)
    assert done.code == 2
    assert done.out == ""
    assert said in done.err
    assert "Traceback" not in done.err


# Sizes.


def test_pounds_are_kilograms(kitchen: Kitchen) -> None:
    """100 lb is 45.359237 kg exactly (NIST SP 811, B.8), so nothing may differ but the words."""
    kitchen.write(FRESH)
    for unit in ("meat", "batch"):
        pounds = kitchen.blend("--json", size=(f"--{unit}-lb", "100")).document
        kilograms = kitchen.blend("--json", size=(f"--{unit}-kg", "45.359237")).document
        for key in ("lots", "weigh_out", "cost", "certificate", "composition", "checks"):
            assert pounds[key] == kilograms[key]


def test_fifty_kilograms_in_pounds(kitchen: Kitchen) -> None:
    pounds = kitchen.outside(*BLEND[:4], "--meat-lb", "110.2311310924", *DATE, "--json").document
    kilograms = kitchen.blend("--json", size=("--meat-kg", "50")).document
    assert pounds["lots"] == kilograms["lots"]
    assert pounds["cost"]["optimum"] == pytest.approx(kilograms["cost"]["optimum"], rel=1e-9)


def test_a_table_in_pounds(kitchen: Kitchen) -> None:
    """A hundred pounds at a price by the pound, against the same in kilograms."""
    kitchen.write(PLAIN, "lot,on_hand_lb,fat_pct,cost_per_lb\nA,100,12,1\nB,100,53,1\n")
    pounds = kitchen.blend("--json").document
    price = 1 / 0.45359237
    cost = pounds["cost"]["cash"]
    assert cost == pytest.approx(20 * price)


def test_batch_size_is_of_the_whole_batch(kitchen: Kitchen) -> None:
    kitchen.write(FRESH)
    found = kitchen.blend("--json", size=("--batch-kg", "20")).document
    assert found["batch_kg"] == pytest.approx(20, abs=0.05)
    assert found["meat_kg"] == pytest.approx(20 / 1.016, abs=0.05)


# Cure.


def test_too_much_cure_is_do_not_make(kitchen: Kitchen) -> None:
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 3")
    done = kitchen.outside(*BLEND)
    assert done.code == 1
    assert done.out.splitlines()[1].startswith("DO NOT MAKE. ")
    assert "187.50 ppm" in done.out
    assert "9 CFR 424.21(c)" in done.out
    for word in ("TAKE", "WEIGH,", "COMES OUT", "COST", "LOAD", "casing", "grams"):
        assert word not in done.out
    assert done.err == ""


def test_too_much_cure_as_a_document(kitchen: Kitchen) -> None:
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 3")
    done = kitchen.outside(*BLEND, "--json")
    assert done.code == 1
    found = done.document
    assert found["status"] == "do_not_make"
    assert (found["lots"], found["loads"], found["weigh_out"]) == ([], [], [])
    limit = check(found, "us-nitrite-comminuted")
    assert (limit["value"], limit["max"], limit["ok"], limit["blocks"]) == (187.5, 156.25, False, True)
    whats = [entry["what"] for entry in found["checks"]]
    assert {"weight", "fat", "ingoing nitrite", "ingoing nitrate"} <= set(whats)
    assert all(entry["ok"] in (True, False, None) for entry in found["checks"])


def test_the_legal_ratio_itself_passes(kitchen: Kitchen) -> None:
    """A quarter ounce per hundred pounds is 1/6400; 0.25 % of a 6.25 % premix is the same."""
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 2.5")
    found = kitchen.blend("--json").document
    assert grams(found)["pink cure"] == 50
    assert check(found, "us-nitrite-comminuted")["value"] == 156.25
    assert check(found, "us-nitrite-comminuted")["ok"] is True


@pytest.mark.parametrize(("rate", "code"), [("2.5", 0), ("2.5000001", 1)])
def test_a_hair_above_the_ratio_does_not_pass(kitchen: Kitchen, rate: str, code: int) -> None:
    """Judged on the recipe, not only on what rounding down leaves."""
    kitchen.write(CURED % f"nitrite_pct: 6.25, g_per_kg_meat: {rate}")
    assert kitchen.blend().code == code


@pytest.mark.parametrize(("division", "weighed", "coarse"), [("1", 12, True), ("0.1", 12.5, False)])
def test_cure_is_rounded_down_to_its_scale(kitchen: Kitchen, division: str, weighed: float, coarse: bool) -> None:
    """5 kg take 12.5 g at the legal ratio; 13 g would be 162.5 ppm."""
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 2.5")
    found = kitchen.blend("--json", "--spice-scale-g", division, size=("--meat-kg", "5")).document
    assert found["meat_kg"] == 5
    assert grams(found)["pink cure"] == weighed
    assert check(found, "us-nitrite-comminuted")["value"] == weighed * 62500 / 5000
    assert any("finer scale" in text for text in found["warnings"]) is coarse


def test_every_load_is_checked_alone(kitchen: Kitchen) -> None:
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 2.5")
    found = kitchen.blend("--json", "--mixer-kg", "5", size=("--meat-kg", "14")).document
    assert len(found["loads"]) == 3
    ppm = []
    for load in found["loads"]:
        meat = sum(lot["kg"] for lot in load["lots"])
        ppm.append(grams(load)["pink cure"] * 62500 / (1000 * meat))
    assert max(ppm) <= 156.25
    assert check(found, "us-nitrite-comminuted")["worst_load"] == pytest.approx(max(ppm))


@pytest.mark.parametrize(
    ("cure", "found"),
    [
        ("nitrite_pct: 0.0625, g_per_kg_meat: 2.5", "0.0625 % nitrite is of unusual strength"),
        ("nitrite_pct: 8, g_per_kg_meat: 1", "8 % nitrite is of unusual strength"),
        ("nitrite_pct: 6.25, g_per_kg_meat: 0.25", "15.63 ppm"),
        ("g_per_kg_meat: 2.5", "nitrite_pct"),
    ],
)
def test_a_strength_typed_wrong_is_refused(kitchen: Kitchen, cure: str, found: str) -> None:
    kitchen.write(CURED % cure)
    done = kitchen.blend()
    assert done.code == 2
    assert done.out == ""
    assert re.match(r"recipe\.yaml:7:\d+: error: additions\[2\]", done.err)
    assert found in " ".join(done.err.split())


def test_a_confirmed_strength_is_taken(kitchen: Kitchen) -> None:
    kitchen.write(CURED % "nitrite_pct: 8, g_per_kg_meat: 1.8, confirm_strength: yes")
    done = kitchen.blend("--json")
    assert done.code == 0
    assert check(done.document, "us-nitrite-comminuted")["value"] == pytest.approx(144)


@pytest.mark.parametrize("step", ["smoked", "fermented", "dried"])
def test_smoked_without_cure_must_be_said(kitchen: Kitchen, step: str) -> None:
    kitchen.write(FRESH + f"steps: [{step}]\n")
    done = kitchen.blend()
    assert done.code == 2
    assert done.out == ""
    assert re.match(rf"recipe\.yaml:7:\d+: error: steps: a {step} product without nitrite", done.err)
    kitchen.write(FRESH + f"steps: [{step}]\nmade_without_nitrite: yes\n")
    done = kitchen.blend()
    assert done.code == 0
    assert "Uncured" in done.out


def test_a_cured_lot_is_not_called_uncured(kitchen: Kitchen) -> None:
    """The recipe adds no cure, but the lot that the blend must use brings nitrite."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,cured,nitrite_ppm,nitrate_ppm,salt_pct\nA,60,18,2,no,,,\n"
    kitchen.write(FRESH, lots + "B,40,53,1,yes,120,0,2\n")
    found = kitchen.blend("--json").document
    assert check(found, "us-nitrite-comminuted")["value"] > 20
    assert not any(note.startswith("Uncured: no nitrite") for note in found["notes"])


def test_under_the_floor_warns_with_its_source(kitchen: Kitchen) -> None:
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 1.6")
    done = kitchen.blend("--json")
    assert done.code == 0
    floor = check(done.document, "us-nitrite-floor-refrigerated")
    assert (floor["value"], floor["min"], floor["ok"], floor["blocks"]) == (100, 120, False, False)
    assert any("120 ppm" in text and "7620.3" in text for text in done.document["warnings"])
    kitchen.write(CURED % "nitrite_pct: 6.25, g_per_kg_meat: 1.6" + "keep_refrigerated: no\n")
    rules = [entry["rule"] for entry in kitchen.blend("--json").document["checks"]]
    assert "us-nitrite-floor-refrigerated" not in rules


# No such batch.


def fat_extreme(sign: int, beef_least: float, low: float, high: float) -> float:
    """The least (sign 1) or most (-1) fat by scipy: with shares y and t = 1 / weight all of it is linear."""
    rows = [line.split(",") for line in LOTS.splitlines()[1:]]
    fat = np.array([float(row[2]) for row in rows] + [0.0])
    stock = np.array([float(row[1]) for row in rows])
    beef = np.array([-float(row[6] == "beef") for row in rows] + [0.0])
    held = np.hstack([np.eye(len(rows)), -stock[:, None]])
    done = linprog(
        sign * fat, A_ub=np.vstack([held, beef]), b_ub=[0.0] * len(rows) + [-beef_least / 100],
        A_eq=[[1.0] * len(rows) + [0.0]], b_eq=[1.0], bounds=[(0, None)] * len(rows) + [(1 / high, 1 / low)],
    )  # fmt: skip
    assert done.status == 0
    return sign * float(done.fun)


@pytest.mark.parametrize(("target", "sign"), [(5, 1), (70, -1)])
@pytest.mark.parametrize(("kilograms", "beef"), [(20, 0), (40, 0), (60, 30), (110, 10)])
def test_the_nearest_fat_is_the_true_extreme(
    kitchen: Kitchen, target: int, sign: int, kilograms: int, beef: int
) -> None:
    share = f"  - share: {{species: beef, min_pct: {beef}}}\n" if beef else ""
    kitchen.write(PLAIN.replace("25", f"{target}") + share)
    done = kitchen.blend("--json", size=("--meat-kg", f"{kilograms}"))
    assert done.code == 1
    found = done.document
    assert found["status"] == "infeasible"
    assert (found["lots"], found["loads"], found["weigh_out"]) == ([], [], [])
    (fat,) = (reach["value"] for reach in found["conflict"]["nearest"] if reach["what"] == "fat")
    assert fat == pytest.approx(fat_extreme(sign, beef, kilograms - 0.025, kilograms + 0.025), abs=1e-6)
    assert any("fat" in words for words in found["conflict"]["requirements"])


def test_the_nearest_fat_of_whole_packs(kitchen: Kitchen) -> None:
    """The band lies in a gap between what whole packs can reach: nearest is the edge of the gap, by enumeration."""
    kitchen.write(
        PLAIN.replace("target_pct: 25, within_pct: 1", "min_pct: 24, max_pct: 25"),
        "lot,on_hand_kg,fat_pct,cost_per_kg,pack_kg\nA,90,12,2.40,2\nB,60,53,1.20,3\n",
    )
    reached = [
        (12 * 2 * a + 53 * 3 * b) / 31 for a, b in product(range(46), range(21)) if 2 * a + 3 * b == 31
    ]  # fmt: skip
    assert not any(24 <= fat <= 25 for fat in reached)
    done = kitchen.blend("--json", size=("--meat-kg", "31"))
    assert done.code == 1
    (fat,) = (reach["value"] for reach in done.document["conflict"]["nearest"] if reach["what"] == "fat")
    assert fat == pytest.approx(min(reached, key=lambda fat: max(24 - fat, fat - 25)), abs=1e-6)


def test_two_limits_that_exclude_each_other_are_both_named(kitchen: Kitchen) -> None:
    kitchen.write(PLAIN + "  - fat: {max_pct: 20}\n")
    done = kitchen.blend()
    assert done.code == 1
    assert "between 24 and 26 %" in done.out
    assert "at most 20 %" in done.out


def test_more_than_there_is(kitchen: Kitchen) -> None:
    done = kitchen.blend("--json", size=("--meat-kg", "200"))
    assert done.code == 1
    (weight,) = (reach["value"] for reach in done.document["conflict"]["nearest"] if reach["what"] == "weight")
    assert weight < 155 + 1e-6


def test_lots_past_their_date_are_named(kitchen: Kitchen) -> None:
    kitchen.write(PLAIN, LOTS.replace("2026-12", "2026-10"))
    done = kitchen.blend()
    assert done.code != 0
    for lot in ("P1", "P2", "P3", "B1"):
        assert f"{lot}: past its use-by" in done.out + done.err
    assert "WEIGH," not in done.out and "TAKE" not in done.out


def test_the_use_by_day_itself_is_usable(kitchen: Kitchen) -> None:
    kitchen.write(PLAIN, LOTS.replace("2026-12-01", "2026-11-25").replace("2026-12-02", "2026-11-24"))
    found = kitchen.blend("--json").document
    assert {lot["lot"] for lot in found["lots"]} == {"P1", "P2"}
    assert [text.split(":")[0] for text in found["left_out"]] == ["B1", "P3"]


# Errors of a recipe, each with its address.

WET = LOTS.replace("use_by", "use_by,moisture_pct").replace("\nP", ",\nP").replace("\nB", ",\nB")


@pytest.mark.parametrize(
    ("recipe", "address", "words"),
    [
        ("name: t\nreqiure: []\n", "recipe.yaml:2:1:", "'require'"),
        ("name: t\nrequire:\n  - moisure: {min_pct: 3}\n", "recipe.yaml:3:5:", "'moisture'"),
        ("name: t\nrequire: []\nname: u\n", "recipe.yaml:3:1:", "line 1"),
        ("name: t\nrequire:\n  - fat: {target_pct: 1,5}\n", "recipe.yaml:3:25:", "write 1.5"),
        ("name: t\nrequire:\n  - fat:\n      target_pct: 1,5\n", "recipe.yaml:4:19:", "write 1.5"),
        ("name: t\nrequire:\n  - fat: {max_pct: 30%}\n", "recipe.yaml:3:20:", "write 30"),
        ("name: t\nrequire:\n  - fat: {max_pct: 1e3}\n", "recipe.yaml:3:20:", "plain decimal"),
        ("name: t\nrequire:\n  - fat: {max_pct: .nan}\n", "recipe.yaml:3:20:", ""),
        ("name: t\nrequire:\n  - fat: {max_pct: 130}\n", "recipe.yaml:3:20:", "100"),
        ("name: t\nrequire:\n  - fat: {min_pct: 30, max_pct: 20}\n", "recipe.yaml:3:", "smallest"),
        ("name: t\nrequire:\n  - share: {species: prok, min_pct: 9}\n", "recipe.yaml:3:5:", "prok"),
        ("name: t\nrequire:\n  - share: {lot: P9, max_pct: 9}\n", "recipe.yaml:3:5:", "P9"),
        ("name: t\neligible: {species: [porc]}\n", "recipe.yaml:2:", "porc"),
        ("name: t\nrules: [su]\n", "recipe.yaml:2:9:", "us"),
        ("name: t\nrules: [us]\nproduct_class: bicycle\n", "recipe.yaml:3:", "bicycle"),
        ("name: t\nrequire:\n  - property: {name: colour, max: 3}\n", "lots.csv:2:colour:", "no column"),
        ("name: t\nrequire:\n  - fat: {basis: finished, max_pct: 30}\n", "recipe.yaml:3:5:", "yield"),
        ("name: t\nadditions:\n  - {name: a, g_per_kg_meat: 1}\n  - {name: a, g_per_kg_meat: 2}\n", ":4:12:", "'a'"),
        ("name: t\nadditions:\n  - {name: wine, is: liquid, g_per_kg_meat: 9}\nrequire:\n"
         "  - fat: {basis: batch, max_pct: 30}\n", "recipe.yaml:3:5:", "does not state fat_pct"),
        ("", "recipe.yaml:", ""),
    ],
)  # fmt: skip
def test_errors_of_a_recipe(kitchen: Kitchen, recipe: str, address: str, words: str) -> None:
    kitchen.write(recipe)
    done = kitchen.blend()
    assert done.code == 2
    assert done.out == ""
    assert any(address in line and ": error: " in line and words in line for line in done.said), done.err
    assert re.search(r"^\d+ errors?; nothing was computed\.$", done.err.splitlines()[-1])


def test_a_property_missing_on_one_lot(kitchen: Kitchen) -> None:
    """An error that names the cell, unless the recipe leaves such lots out, or the lot is not eligible anyway."""
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,colour\nA,30,20,3,1\nB,30,30,4,2\nC,30,30,1,\n"
    asked = PLAIN + "  - property: {name: colour, max: 3}\n"
    kitchen.write(asked, lots)
    done = kitchen.blend()
    assert done.code == 2
    assert done.err.startswith("lots.csv:4:colour: error:")
    assert "'C'" in done.err
    for eligible in ("{if_missing: leave_out}", "{lot: [A, B]}", "{leave_out: [C]}"):
        kitchen.write(f"{asked}eligible: {eligible}\n", lots)
        found = kitchen.blend("--json").document
        assert {lot["lot"] for lot in found["lots"]} == {"A", "B"}


def test_a_file_that_cannot_be_read(kitchen: Kitchen) -> None:
    (kitchen.folder / "old.yaml").write_bytes(b"name: caf\xe9\n")
    (kitchen.folder / "folder").mkdir()
    for recipe, words in (("none.yaml", "no such file"), ("folder", "directory"), ("old.yaml", "UTF-8")):
        done = kitchen.outside("blend", recipe, "--lots", "lots.csv", "--meat-kg", "20", *DATE)
        assert done.code == 2
        assert done.out == ""
        assert done.err.startswith(recipe)
        assert words in done.err
        assert "Traceback" not in done.err
        done = kitchen.inside("blend", "recipe.yaml", "--lots", recipe, "--meat-kg", "20", *DATE)
        assert (done.code, done.out) == (2, "")
        assert words in done.err


def test_total_salt_already_exceeded(kitchen: Kitchen) -> None:
    kitchen.write(
        "name: t\nadditions:\n"
        "  - {name: salt, is: salt, total_salt_pct: 1.5}\n"
        "  - {name: brine, is: liquid, g_per_kg_meat: 100, salt_pct: 26, fat_pct: 0}\n"
    )
    done = kitchen.blend()
    assert (done.code, done.out) == (2, "")
    assert re.match(
        r"recipe\.yaml:3:\d+: error: additions\[1\]\.total_salt_pct: total salt of 1\.5 % is exceeded",
        " ".join(done.err.split()),
    )


def test_total_salt_is_what_was_asked(kitchen: Kitchen) -> None:
    """Salt in cure and cheese is taken off: 2 % of the batch in all, to half a gram of salt."""
    kitchen.write(
        "name: t\nrules: [us]\nproduct_class: sausage\nadditions:\n"
        "  - {name: salt, is: salt, total_salt_pct: 2}\n"
        "  - {name: pink cure, is: cure, nitrite_pct: 6.25, g_per_kg_meat: 2.5}\n"
        "  - {name: cheese, is: cheese, g_per_kg_meat: 100, salt_pct: 2.5, fat_pct: 30}\n"
    )
    found = kitchen.blend("--json").document
    own = grams(found)
    salt = own["salt"] + 0.9375 * own["pink cure"] + 0.025 * own["cheese"]
    # Half a gram of salt, 2.5 % of half a division of cheese, and 2 % of all that moved with them.
    assert salt == pytest.approx(0.02 * 1000 * found["batch_kg"], abs=2)


def test_more_water_lost_than_there_is(kitchen: Kitchen) -> None:
    lots = "lot,on_hand_kg,fat_pct,cost_per_kg,moisture_pct\nA,60,18,2.4,64\nB,40,53,1.8,36.7\n"
    kitchen.write("name: t\nyield: {finished_pct: 30}\n", lots)
    done = kitchen.blend()
    assert (done.code, done.out) == (2, "")
    assert re.match(r"recipe\.yaml:2:\d+: error: yield.finished_pct: the yield loses more water", done.err)
    kitchen.write("name: t\nyield: {finished_pct: 45}\nrequire:\n  - fat: {max_pct: 50}\n", lots)
    found = kitchen.blend("--json").document
    assert found["composition"]["finished"]["moisture_pct"] >= 0


# Loads.


@pytest.mark.parametrize(("kilograms", "mixer"), [("20", "9"), ("30", "10"), ("30", "14.99"), ("41", "12")])
def test_mixer_loads(kitchen: Kitchen, kilograms: str, mixer: str) -> None:
    kitchen.write(PLAIN)
    found = kitchen.blend("--json", "--mixer-kg", mixer, size=("--meat-kg", kilograms)).document
    assert len(found["loads"]) >= float(kilograms) / float(mixer) - 0.01
    totals: dict[str, list[float]] = {}
    for load in found["loads"]:
        assert sum(lot["kg"] for lot in load["lots"]) <= float(mixer) + 1e-9
        for lot in load["lots"]:
            totals.setdefault(lot["lot"], []).append(lot["kg"])
    for lot in found["lots"]:
        parts = totals[lot["lot"]] + [0.0] * (len(found["loads"]) - len(totals[lot["lot"]]))
        assert sum(parts) == pytest.approx(lot["kg"])
        assert max(parts) - min(parts) <= 0.05 + 1e-9


def test_a_pack_may_be_shared_over_loads(kitchen: Kitchen) -> None:
    """Two packs of B over three loads, on divisions of 10 g: the loads written out here are such a batch."""
    kitchen.write(
        PLAIN.replace("target_pct: 25, within_pct: 1", "min_pct: 20, max_pct: 25.24"),
        "lot,on_hand_kg,fat_pct,cost_per_kg,pack_kg\nA,90,12,2.40,\nB,40,53,1.20,5\n",
    )
    loads = ((7.01, 3.34), (7.00, 3.33), (7.00, 3.33))
    assert all(20 <= (12 * lean + 53 * fat) / (lean + fat) <= 25.24 for lean, fat in loads)
    assert sum(fat for _, fat in loads) == pytest.approx(10)
    assert sum(map(sum, loads)) == pytest.approx(31.01)
    words = ("--json", "--mixer-kg", "12", "--meat-scale-g", "10", "--within-kg", "0.02")
    done = kitchen.blend(*words, size=("--meat-kg", "31"))
    assert done.code == 0
    found = {lot["lot"]: lot["kg"] for lot in done.document["lots"]}
    assert found["B"] == 10
    assert found["A"] <= 21.02
    assert len(done.document["loads"]) == 3


# The page.


def test_long_names_do_not_widen_the_page(kitchen: Kitchen) -> None:
    long = LOTS.replace("P3", "P3 " + "from the far cold room " * 3 + "x").replace("leg", "leg, trimmed " * 5 + "x")
    long = "\n".join(re.sub(r"leg, (.*)x,meat", r'"leg, \1x",meat', line) for line in long.splitlines())
    kitchen.write(FRESH + f"  - {{name: {'pepper' * 20}, g_per_kg_meat: 2}}\n", long + "\n")
    done = kitchen.blend("--mixer-kg", "9")
    assert done.code == 0
    assert [line for line in done.out.splitlines() if len(line) > 80] == []
    assert "cold" in done.out


def test_an_item_is_never_printed_twice_nor_lost(kitchen: Kitchen) -> None:
    """Every lot of the document stands on the page with its weight."""
    done, found = kitchen.blend(), kitchen.blend("--json").document
    for lot in found["lots"]:
        assert len(re.findall(rf"^{lot['lot']} .* {lot['kg']:.2f} ", done.out, re.MULTILINE)) == 1
