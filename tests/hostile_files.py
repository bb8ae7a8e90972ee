"""The kitchen that hostile inputs are made from, and how one is written and run."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from typer.testing import CliRunner, Result

from optimizer.cli import app

FILES = {
    "r.yaml": """\
name: Links
rules: [us]
product_class: sausage
steps: [smoked, cooked]
require:
  - fat: {min_pct: 20, max_pct: 28}
  - meat_to_fat: {min: 1.5}
additions:
  - {name: salt, is: salt, g_per_kg_meat: 16}
  - {name: cure, is: cure, nitrite_pct: 6.25, ingoing_nitrite_ppm: 120}
  - {name: pepper, g_per_kg_meat: 2.5}
yield: {finished_pct: 90}
casing: {name: hog, kg_per_m: 0.5, spare_pct: 10, link_cm: 12}
scales: {meat_g: 20, spice_g: 0.1}
currency: crowns
""",
    "l.csv": """\
lot,on_hand_kg,fat_pct,cost_per_kg,material,role,species,moisture_pct,protein_pct,use_by
A,30,18,3.40,shoulder,meat,pork,63,18,2026-11-30
B,20,52,2.10,belly,fat,pork,37,10,2026-12-02
C,15,8,4.20,leg,meat,pork,71,20,2026-12-03
""",
    "b.csv": "item,kg,grams\nA,14,\nB,6,\nsalt,,320\ncure,,38.4\npepper,,50\n",
    "w.yaml": """\
name: Week
start: 2026-11-30
days: 3
lots: l.csv
offers: o.csv
batches:
  - {name: one, recipe: r.yaml, meat_kg: 10, day: 2026-11-30}
  - {name: two, recipe: r.yaml, meat_kg: 10, from_day: 2026-11-30, to_day: 2026-12-02}
kitchen:
  holding_per_kg_day: 0.01
  stages:
    - {name: grinder, kg_per_day: 50, basis: meat}
""",
    "o.csv": """\
offer,supplier,material,role,species,fat_pct,moisture_pct,protein_pct,cost_per_kg,pack_kg,lead_days,delivery_days
neck,Hill farm,neck,meat,pork,20,62,17,3.00,5,1,Tue Thu
""",
    "h.yaml": "plan: plan.json\nnow: 2026-12-01\n",
}
WORDS = {
    "blend": "blend r.yaml --lots l.csv --meat-kg 20 --date 2026-11-25",
    "check": "check b.csv --recipe r.yaml --lots l.csv --date 2026-11-25",
    "correct": "correct b.csv --recipe r.yaml --lots l.csv --date 2026-11-25",
    "why": "why r.yaml --lots l.csv --meat-kg 20 --date 2026-11-25 --offers o.csv",
    "plan": "plan w.yaml --no-compare",
    "repair": "plan w.yaml --no-compare --what-happened h.yaml",
}


def written(case: dict[str, Any], folder: Path) -> None:
    """The kitchen's files, one of them changed: a piece of its text, all of it, its bytes, or a folder for it."""
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    path = folder / case.get("file", "r.yaml")
    if "change" in case:
        old, new = case["change"]
        assert FILES[path.name].count(old) >= 1, (case["id"], old)
        path.write_bytes(FILES[path.name].replace(old, new, 1).encode("utf-8", "surrogatepass"))
    elif "text" in case:
        path.write_bytes(case["text"].encode("utf-8", "surrogatepass"))
    elif "bytes" in case:
        path.write_bytes(bytes.fromhex(case["bytes"]))
    elif "encoding" in case:
        path.write_bytes(FILES[path.name].encode(case["encoding"]))
    elif case.get("folder"):
        path.unlink()
        path.mkdir()
    elif case.get("gone"):
        path.unlink()


def run(case: dict[str, Any], folder: Path) -> Result:
    """The command of a case in this process, in its folder."""
    written(case, folder)
    words = case["words"] if "words" in case else WORDS[case.get("command", "blend")].split()
    before = Path.cwd()
    os.chdir(folder)
    try:
        return CliRunner().invoke(app, [*words, *case.get("more", [])])
    finally:
        os.chdir(before)
