"""What holds for every kitchen, over many: ``python tests/properties.py --kitchens 2000``.

``check`` of a blend's own document agrees with the blend; the same kitchen priced or weighed in another unit makes the
same batch; the same files give the same answer. Each seed that breaks one is printed. ``test_properties.py`` runs some.
"""

from __future__ import annotations

import argparse
import random
import sys
from dataclasses import replace
from decimal import Decimal
from typing import Any

from kitchens import DAY, Kitchen, random_kitchen

from optimizer.answer import Answer, blend
from optimizer.findings import check
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.reading.weighed import parse_weighed
from optimizer.record import document
from optimizer.verdict import Grade

MONEY = (-9, -6, -3, 3, 6, 9)
MASS = (-2, -1, 1, 2)
"""Powers of ten. A mass is not taken further: a lot of a thousand tons is no kitchen's."""
WEIGHTS = ("on_hand_kg", "pack_kg", "smallest_pull_kg", "largest_pull_kg")


def loaded(seed: int) -> Kitchen:
    """A kitchen whose batch is mixed in one to four loads, half of them with a cure."""
    rng = random.Random(seed)
    kitchen = random_kitchen(seed, size=rng.choice((3, 4, 5, 6, 8, 12)), whole=rng.choice((0, 0, 0.2)), free=False)
    kitchen.kilograms = min(kitchen.kilograms, 150)
    kitchen.mixer_kg = round(kitchen.kilograms * rng.choice((0.3, 0.4, 0.6, 1.5)) + 1, 1)
    kitchen.meat_g = rng.choice((10, 20, 50, 100))
    kitchen.spice_g = rng.choice((0.1, 1))
    kitchen.within_kg = max(kitchen.within_kg, kitchen.meat_g / 1000)
    if rng.random() < 0.5 and not any(a.get("is") == "cure" for a in kitchen.additions):
        grams = round(rng.uniform(1.2, 2.4), 1)
        kitchen.additions.append({"name": "own cure", "is": "cure", "nitrite_pct": 6.25, "g_per_kg_meat": grams})
    return kitchen


def disagreement(seed: int) -> str:
    """What ``check`` finds in the document of a blend that holds; nothing where they agree, or there is no batch."""
    kitchen = loaded(seed)
    recipe, lots = parse_recipe(kitchen.recipe_text(), "recipe"), parse_lots(kitchen.lots_text(), "lots")
    answer = blend(assemble(recipe, lots, kitchen.order()))
    if answer.grade.exit_code != 0:
        return ""
    report = check(recipe, lots, parse_weighed(document("blend", answer), "batch.json"), "batch.json", DAY)
    if not report.grade.forbids and report.grade is not Grade.NOT_THE_RECIPE:
        return ""
    parts = (report, *report.loads)
    off = sorted({dose.item.name for part in parts for dose in part.doses if dose.off})
    return f"seed {seed}: check says {report.grade}, off dose {off}"


def scaled(kitchen: Kitchen, money: int, mass: int) -> Kitchen:
    """The same kitchen with prices and weights ten to these powers as large."""

    def times(value: Any, power: int) -> Any:
        return format(Decimal(str(value)).scaleb(power), "f")

    lots = []
    for lot in kitchen.lots:
        row = {name: times(v, mass) if name in WEIGHTS else v for name, v in lot.items()}
        lots.append(row | {"cost_per_kg": times(lot["cost_per_kg"], money)})
    priced = []
    for addition in kitchen.additions:
        paid = {"cost_per_kg": times(addition["cost_per_kg"], money)} if "cost_per_kg" in addition else {}
        priced.append(addition | paid)
    sizes = {
        name: times(value, mass) for name in ("kilograms", "within_kg", "meat_g", "spice_g", "mixer_kg")
        if (value := getattr(kitchen, name)) is not None
    }  # fmt: skip
    return replace(kitchen, lots=lots, additions=priced, **sizes)


def batch_of(answer: Answer, mass: int) -> dict[str, float] | None:
    """Kilograms of what is weighed, in the unit before scaling; None where there is no batch."""
    if answer.weighed is None or answer.grade.exit_code != 0:
        return None
    return {item.name: round(float(kg) / 10.0**mass, 6) for item, kg in answer.weighed.total.kilograms.items() if kg}


def difference(seed: int, money: int, mass: int) -> str:
    """How a kitchen's batch differs in another unit of money or mass; nothing where it is the same."""
    kitchen = loaded(seed)
    one, other = blend(kitchen.problem()), blend(scaled(kitchen, money, mass).problem())
    first, second = batch_of(one, 0), batch_of(other, mass)
    if first == second and str(one.status) == str(other.status):
        return ""
    return f"seed {seed}, money 1e{money}, mass 1e{mass}: {one.status} {first} but {other.status} {second}"


def unsteady(seed: int) -> str:
    """Where the same kitchen twice gives two documents."""
    first, second = (document("blend", blend(loaded(seed).problem())) for _ in range(2))
    return "" if first == second else f"seed {seed}: two answers"


def main() -> None:
    """Try them all and print what breaks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kitchens", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    asked = parser.parse_args()
    bad = 0
    for seed in range(asked.seed, asked.seed + asked.kitchens):
        unit = (MONEY[seed % len(MONEY)], 0) if seed % 2 else (0, MASS[seed // 2 % len(MASS)])
        for words in (disagreement(seed), difference(seed, *unit)):
            if words:
                bad += 1
                print(words, flush=True)
    print(f"{asked.kitchens} kitchens, {bad} faults")
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
