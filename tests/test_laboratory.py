"""What a laboratory found, through ``check``: Reg (EC) 1333/2008 Annex II, consolidation of 18 August 2026."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from constraints.laboratory import LaboratoryEntry, Measure
from constraints.substances import Form
from optimizer.cli import app
from optimizer.reading.recipe import parse_recipe

RECIPE = """name: Dry links
rules: [eu]
product_class: saucisson_sec
steps: [dried]
additions:
  - {name: saltpetre, is: cure, nitrite_pct: 0, nitrate_pct: 100, g_per_kg_meat: 0.2, confirm_strength: yes}
  - {name: pepper, g_per_kg_meat: 2}
yield: {finished_pct: 65}
"""


def verdicts(folder: Path, found: str, recipe: str = RECIPE) -> tuple[int, dict[str, bool | None]]:
    """Exit code of a check, and the verdict of every row by its id."""
    (folder / "r.yaml").write_text(recipe)
    (folder / "l.csv").write_text("lot,on_hand_kg,fat_pct,cost_per_kg,species\nA,20,25,3,pork\n")
    (folder / "b.csv").write_text("item,kg\nA,10\nsaltpetre,0.002\npepper,0.02\n")
    (folder / "found.yaml").write_text(found)
    words = ["check", "b.csv", "--recipe", "r.yaml", "--lots", "l.csv", "--date", "2026-11-25", "--json"]
    words += ["--laboratory", "found.yaml"] if found else []
    done = CliRunner().invoke(app, [str(folder / w) if w.endswith((".csv", ".yaml")) else w for w in words])
    places = json.loads(done.stdout)["places"]
    return done.exit_code, {f["rule"]: f["ok"] for place in places for f in place["checks"]}


@pytest.mark.parametrize(
    ("found", "code", "residual", "nitrate", "ratio"),
    [
        ("", 0, None, None, None),
        ("{residual_nitrite_ppm: 30, expressed_as: ion}", 0, True, None, None),
        # 45 mg/kg as sodium nitrite are 45 x 46.0055 / 68.9953 = 30.005 as the ion
        ("{residual_nitrite_ppm: 45, expressed_as: sodium_salt}", 1, False, None, None),
        # above 95 mg/kg of nitrate the maker investigates; nothing is forbidden
        ("{residual_nitrate_ppm: 96, expressed_as: ion}", 0, None, False, None),
        ("{moisture_pct: 34, protein_pct: 20, pH: 5.2, water_activity: 0.89}", 1, None, None, False),
        ("{moisture_pct: 33.9, protein_pct: 20}", 0, None, None, True),
    ],
)
def test_a_row_that_needs_a_laboratory_is_judged_by_what_it_found(
    tmp_path: Path, found: str, code: int, residual: bool | None, nitrate: bool | None, ratio: bool | None
) -> None:
    got, rows = verdicts(tmp_path, found)
    assert got == code
    assert rows["eu-nitrite-residual-traditionally-cured"] is residual
    assert rows["eu-nitrate-residual-named"] is nitrate
    assert rows["eu-water-to-protein"] is ratio


def test_a_recipe_may_say_it_too(tmp_path: Path) -> None:
    inside = f"{RECIPE}laboratory: {{residual_nitrite_ppm: 31, expressed_as: ion}}\n"
    assert verdicts(tmp_path, "", inside)[0] == 1


def test_brine_and_both_ions_together_follow_from_what_was_found() -> None:
    found = LaboratoryEntry.model_validate(
        {"salt_pct": "5", "moisture_pct": "45", "residual_nitrite_ppm": "10", "expressed_as": "ion"}
    ).figures()
    assert Measure.BRINE.found(Form.ION, found) == 10
    assert Measure.RESIDUAL_NITRITE_AND_NITRATE.found(Form.ION, found) is None


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("{residual_nitrite_ppm: 30}", "expressed_as: ion, or sodium_salt"),
        ("{residual_nitrite_ppm: 30, expressed_as: as_weighed}", "expressed_as: ion, or sodium_salt"),
        ("{water_activity: 91}", "water activity is 0 to 1"),
        ("{residual_nitrit_ppm: 30}", "residual_nitrite_ppm"),
    ],
)
def test_what_a_laboratory_cannot_have_found_is_an_error(typed: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        parse_recipe(f"{RECIPE}laboratory: {typed}\n", "r.yaml")
