"""Every row of every shipped pack, kept and broken; and that rows for the solver and the measure agree."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml
from batches import addition_of, batch_of, lot_of

from constraints.as_typed import exact, shown
from constraints.formula import Addition, Batch, Dosing, Formula
from constraints.library import load_pack, shipped
from constraints.quantities import FAT, Basis, Ingredient, Kind, MissingProperty, Process
from constraints.requirement import Origin, Requirement
from constraints.rules import Layer, OneRequirement, Pack, PackRow, Product
from constraints.substances import spread

CASES = yaml.load((Path(__file__).parent / "data/pack_cases.yaml").read_text(), Loader=yaml.BaseLoader)
PACKS = {name: load_pack(name) for name in shipped()}
ROWS = {row.id: (pack, row) for pack in PACKS.values() for row in pack.rows}


@dataclass(frozen=True)
class Case:
    """One batch for one row; ``ok`` is what is expected of it."""

    row: str
    ok: bool
    spec: dict[str, Any]
    product_class: str | None

    def __str__(self) -> str:
        return f"{self.row} {'keeps' if self.ok else 'breaks'}"


def cases() -> Iterator[Case]:
    for entry in CASES:
        for row in entry["rows"]:
            for word, ok in (("keeps", True), ("breaks", False)):
                if word in entry:
                    yield Case(row, ok, entry[word], entry.get("class"))


def product_for(pack: Pack, row: PackRow) -> Product:
    """A product that meets the row's conditions, on a day it is in force."""
    cured = True if row.when.cured is None else row.when.cured
    day = row.valid_to or row.valid_from or pack.checked_on
    return Product(cured, frozenset(row.when.steps[:1]), True, day, frozenset(spread(row.when.uses)))


def requirement_of(row_id: str, product_class: str | None = None) -> Requirement:
    """The row's requirement, taken from what its pack asks of a product that the row is for."""
    pack, row = ROWS[row_id]
    chosen = product_class or (row.classes[0] if row.classes else None)
    found = [r for r in pack.requirements(product_for(pack, row), chosen) if r.origin.rule == row_id]
    assert len(found) == 1, f"{row_id} is not in force for its own product"
    return found[0]


def test_every_row_has_cases_that_show_it_kept_and_broken() -> None:
    kept = {case.row for case in cases() if case.ok}
    broken = {case.row for case in cases() if not case.ok}
    assert kept == broken == set(ROWS)


@pytest.mark.parametrize("case", list(cases()), ids=str)
def test_a_row_is_kept_or_broken_with_the_figure_stated(case: Case) -> None:
    verdict = requirement_of(case.row, case.product_class).measure(batch_of(case.spec))
    typed = case.spec["value"]
    places = len(typed.partition(".")[2])
    assert verdict.value is not None
    assert shown(verdict.value, places) == typed
    assert verdict.ok is case.ok


@pytest.mark.parametrize("row", [row.id for _, row in ROWS.values() if row.requires.kind() == "laboratory"])
def test_a_residual_needs_a_laboratory_whatever_goes_in(row: str) -> None:
    requirement = requirement_of(row)
    for kg in ("0", "0.01", "5"):
        verdict = requirement.measure(batch_of({"add": [{"is": "cure", "kg": kg, "nitrite": "6.25"}]}))
        assert (verdict.value, verdict.ok) == (None, None)
        assert "laboratory" in verdict.why
    formula = Formula([lot_of({})], [], Process())
    assert requirement.measured_only(formula)
    assert requirement.rows(formula) == ()


def test_ids_are_unique_over_all_packs_and_start_with_the_packs_name() -> None:
    every = [row.id for pack in PACKS.values() for row in pack.rows]
    assert len(set(every)) == len(every)
    assert all(row.id.startswith(f"{pack.pack}-") for pack in PACKS.values() for row in pack.rows)


HEALTH = {
    "ingoing_nitrite", "ingoing_nitrate", "ingoing_nitrite_and_nitrate", "sulphite", "laboratory"
}  # fmt: skip


@pytest.mark.parametrize("row_id", list(ROWS))
def test_nitrite_nitrate_sulphite_and_poultry_figures_of_the_law_protect_health(row_id: str) -> None:
    _, row = ROWS[row_id]
    poultry = row.requires.kind() == "species_share" and "bird" in row.requires.entry().species
    if row.layer is Layer.LAW and not row.only_warns and (row.requires.kind() in HEALTH or poultry):
        assert row.protects_health
        assert row.blocks()
    if row.layer is Layer.GUIDANCE or row.only_warns:
        assert not row.blocks()


UNREAD = (("codex", "comminuted"),)
"""Meat for which no level is adopted, so that its row only warns."""


def test_no_class_is_left_without_a_limit_on_nitrite_on_any_day() -> None:
    """What may hold nitrite is limited going in, or goes to a laboratory; never nothing."""
    counted = {"ingoing_nitrite", "ingoing_nitrite_and_nitrate", "laboratory"}
    for pack in PACKS.values():
        for day in ("2025-10-08", "2025-10-09", "2026-11-25"):
            product = Product(True, frozenset(), True, type(pack.checked_on).fromisoformat(day))
            for entry in pack.classes:
                rows = pack.in_force(product, entry.id)
                if (pack.pack, entry.id) not in UNREAD:
                    assert any(row.requires.kind() in counted and row.blocks() for row in rows), entry.id


# ---- the three faces agree ----

SPECIES = ("pork", "Beef", "chicken", "turkey", "lamb", "rabbit")
MATERIALS = ("shoulder", "trimmings", "pork liver", "cheek meat", "hearts")
ADDED = (
    "sodium_erythorbate_monohydrate", "ascorbic_acid", "citric_acid", "glucono_delta_lactone", "fumaric_acid",
    "sodium_tripolyphosphate", "sodium_acid_pyrophosphate", "sodium_metabisulphite", "sodium_lactate",
    "sodium_diacetate", "nonfat_dry_milk", "isolated_soy_protein", "rusk", "bha", "bht", "cheese", "water", "salt",
    "paprika", "calcium_lactate", "sodium_acetate",
)  # fmt: skip
USUAL = {
    "sodium_lactate": 40_000,
    "nonfat_dry_milk": 20_000,
    "isolated_soy_protein": 20_000,
    "bha": 3,
    "bht": 3,
    "sodium_metabisulphite": 60,
    "fumaric_acid": 60,
    "water": 20_000,
    "cheese": 10_000,
}
"""Milligrams per kilogram of meat about which a dose varies, so that limits are met about as often as broken."""


def random_formula(rng: random.Random) -> Formula:
    """Lots, additions and process at random, about where the limits lie. Invented figures."""
    lots = []
    pure = rng.random() < 0.4
    kin = rng.choice(SPECIES)
    for number in range(rng.randint(1, 4)):
        figures = {
            "fat": str(rng.choice((5, 18, 25, 30, 35, 45, 60))),
            "protein": str(rng.choice((9, 11, 13, 16, 20))),
            "moisture": str(rng.choice((30, 42, 50, 58, 66, 72))),
            "collagen": str(rng.choice((1, 2, 3, 5, 8))),
            "species": kin if pure else rng.choice(SPECIES),
            "material": "shoulder" if pure else rng.choice(MATERIALS),
        }
        lots.append(lot_of(figures, number))
    additions = []
    for name in rng.sample(ADDED, rng.randint(0, 6)):
        item = addition_of(
            {"is": name, "fat": "31", "moisture": "38", "protein": "24", "salt": "2"}
            if name == "cheese"
            else {"is": name}
        )
        rate = Fraction(USUAL.get(name, 3_000) * rng.randint(1, 40), 20 * 1_000_000)
        if name == "salt":
            additions.append(Addition(item, Dosing.TOTAL_SALT, Fraction(rng.randint(5, 30), 1000), Basis.BATCH))
        elif name == "water" and rng.random() < 0.5:
            additions.append(Addition(item, Dosing.FREE, most=Fraction(1, 5)))
        else:
            dosing = rng.choice((Dosing.PER_MEAT, Dosing.PER_BATCH))
            additions.append(Addition(item, dosing, rate, Basis.MEAT if dosing is Dosing.PER_MEAT else Basis.BATCH))
    if rng.random() < 0.6:
        metal = rng.choice(("sodium", "potassium"))
        strength = {"nitrite": rng.choice(("0.6", "6.25")), "nitrate": rng.choice(("0", "0.3", "4"))}
        cure = addition_of({"is": "cure", "metal": metal, **strength})
        ppm = rng.choice((30, 90, 100, 119, 120, 150, 156, 180, 250, 640))
        additions.append(Addition(cure, Dosing.PER_MEAT, Fraction(ppm, 1_000_000) / (exact(strength["nitrite"]) / 100)))
    process = Process(Fraction(rng.randint(75, 100), 100), declared=True) if rng.random() < 0.5 else Process()
    return Formula(lots, additions, process)


SAMPLES = (
    {"fat": {"basis": "finished", "target_pct": "28", "within_pct": "6"}},
    {"protein": {"basis": "batch", "min_pct": "12"}},
    {"moisture": {"basis": "finished", "max_pct": "60"}},
    {"salt": {"basis": "batch", "min_pct": "1"}},
    {"share": {"species": "pork", "basis": "batch", "min_pct": "50"}},
    {"property": {"name": FAT, "basis": "meat", "max": "30"}},
    {"ingoing_nitrite_and_nitrate": {"max_ppm": "150", "basis": "finished", "form": "sodium_nitrite"}},
    {"meat_protein": {"total_pct": "14", "less_pct": "1.5"}},
)


def every_requirement() -> list[tuple[str, Requirement]]:
    """One of each different limit in the packs, and samples of what no pack uses."""
    found = {repr(row.requires.entry()): row.requires for _, row in ROWS.values()}
    entries = [*found.values(), *(OneRequirement.model_validate(sample) for sample in SAMPLES)]
    return [(entry.kind(), entry.build(Origin("test", "test"))) for entry in entries]


def test_the_rows_hold_exactly_where_the_measure_says_so() -> None:
    rng = random.Random(20261125)
    requirements = every_requirement()
    met: Counter[tuple[str, bool]] = Counter()
    by_kind = {kind: [r for other, r in requirements if other == kind] for kind, _ in requirements}
    for _ in range(140):
        formula = random_formula(rng)
        for kind, requirement in [(kind, rng.choice(found)) for kind, found in by_kind.items()]:
            try:
                rows = requirement.rows(formula)
            except MissingProperty:
                continue
            if requirement.measured_only(formula):
                continue
            assert rows, kind
            for _ in range(3):
                kilograms = tuple(Fraction(rng.randint(1, 60), 2) for _ in formula.columns)
                verdict = requirement.measure(formula.exact_batch(kilograms))
                assert all(row.holds(kilograms) for row in rows) is verdict.ok, (kind, requirement.words())
                met[kind, bool(verdict.ok)] += 1
    kinds = {kind for kind, _ in requirements} - {"laboratory", "required", "surface"}
    assert {kind for kind, ok in met if ok} == kinds
    assert {kind for kind, ok in met if not ok} == kinds


def test_a_fixed_figure_is_the_measured_one() -> None:
    """What is judged once, before anything is chosen, is what the check would say of any batch."""
    rng = random.Random(7)
    requirements = every_requirement()
    judged = 0
    for _ in range(40):
        formula = random_formula(rng)
        kilograms = tuple(Fraction(rng.randint(1, 60), 2) for _ in formula.columns)
        for _, requirement in rng.sample(requirements, 30):
            try:
                fixed = requirement.fixed_value(formula)
            except MissingProperty:
                continue
            if fixed is not None:
                verdict = requirement.measure(formula.exact_batch(kilograms))
                assert requirement.within(fixed) is verdict.ok, requirement.words()
                judged += 1
    assert judged > 200


@pytest.mark.parametrize("kind", [Kind.LOT, Kind.INCLUSION, Kind.LIQUID])
def test_every_requirement_lists_what_it_counts(kind: Kind) -> None:
    """An item that states just what the quantities ask for is enough for rows and measure."""
    asked = set()
    for name, requirement in every_requirement():
        figures: dict[str, Fraction] = {}
        tags: dict[str, str] = {}
        while gap := first_gap(requirement, Ingredient("bare", kind, figures, **tags)):
            assert gap not in figures, name
            asked.add(gap)
            if gap in ("species", "material"):
                tags[gap] = {"species": "pork", "material": "shoulder"}[gap]
            else:
                figures[gap] = Fraction(10)
        item = Ingredient("bare", kind, figures, **tags)
        lot = Ingredient("full", Kind.LOT, FULL, species="pork", material="shoulder")
        formula = Formula([item] if kind is Kind.LOT else [lot], [], Process())
        requirement.rows(formula)
        requirement.measure(Batch({item: Fraction(5), lot: Fraction(20)}, Process()))
    assert {"fat_pct", "moisture_pct"} <= asked
    assert ("species" in asked) is (kind is Kind.LOT)


FULL = {name: Fraction(10) for name in ("fat_pct", "moisture_pct", "protein_pct", "salt_pct", "collagen_pct")}


def first_gap(requirement: Requirement, item: Ingredient) -> str | None:
    """The first figure that a requirement's quantities miss in an item."""
    for quantity in requirement.quantities():
        try:
            quantity.per_kg(item, Process())
        except MissingProperty as missing:
            return missing.property_name
    return None
