"""What is not listed is not permitted: no additive is passed over because a class has no row for it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date

import pytest
from batches import batch_of

from constraints.library import load_pack, shipped
from constraints.requirement import Requirement
from constraints.rules import Pack, Product, ProductClass
from constraints.substances import CHEESE, SUBSTANCES, SUGAR

DAY = date(2026, 11, 25)
FREE = {"lactic_acid", "acetic_acid", "tartaric_acid", "phosphoric_acid", "citric_acid", "glucono_delta_lactone"}
"""Acids that 9 CFR 424.21(c) lists as acidifiers without a figure."""


def rows(pack: Pack, entry: ProductClass | None, *uses: str) -> tuple[Requirement, ...]:
    """The rows for a class (None: no class stated), made as the class is, with these additives."""
    steps = frozenset(entry.made.steps[:1]) if entry else frozenset()
    product = Product(True, steps, True, DAY, frozenset(uses))
    return pack.requirements(product, entry.id if entry else None)


def seen(requirements: Iterable[Requirement], name: str, kg: str) -> Iterator[Requirement]:
    """Those that so much of a substance in 100 kg of meat breaks."""
    batch = batch_of({"add": [{"is": "cure", "kg": "0.2", "nitrite": "6.25"}, {"is": name, "kg": kg}]})
    for requirement in requirements:
        if name in requirement.regulates.substances and requirement.measure(batch).ok is False:
            yield requirement


@pytest.mark.parametrize("name", shipped())
def test_a_hundred_grams_of_bha_in_a_hundred_kilograms_are_never_passed_over(name: str) -> None:
    pack = load_pack(name)
    for entry in pack.classes if pack.class_required else (*pack.classes, None):
        assert any(seen(rows(pack, entry, "bha"), "bha", "0.1")), (name, entry)


def test_in_the_united_states_every_additive_of_any_class_is_seen_at_a_tenth_of_the_meat() -> None:
    """But for the acids and sugars that are listed without a figure; and what is in the sausages' list forbids."""
    pack = load_pack("us")
    for entry in pack.classes:
        found = rows(pack, entry, "sodium_hydroxide")
        for substance, family in SUBSTANCES.items():
            if family not in (CHEESE, SUGAR) and substance not in FREE:
                assert any(seen(found, substance, "10")), (entry.id, substance)


@pytest.mark.parametrize("substance", ["carrageenan", "octyl_gallate", "natamycin", "calcium_ascorbate"])
def test_what_no_list_of_sausage_names_forbids(substance: str) -> None:
    pack = load_pack("us")
    (sausage,) = (entry for entry in pack.classes if entry.id == "sausage")
    assert any(r.origin.blocks for r in seen(rows(pack, sausage, substance), substance, "0.01"))


def test_lye_with_phosphate_is_listed_and_without_it_is_not() -> None:
    """9 CFR 424.21(c): sodium hydroxide with phosphates only, one part to four."""
    pack = load_pack("us")
    (frankfurter,) = (entry for entry in pack.classes if entry.id == "frankfurter")
    found = rows(pack, frankfurter, "sodium_hydroxide")

    def forbidden(lye: str) -> set[str]:
        added = [{"is": "sodium_hydroxide", "kg": lye}, {"is": "sodium_tripolyphosphate", "kg": "0.4"}]
        batch = batch_of({"add": [{"is": "cure", "kg": "0.2", "nitrite": "6.25"}, *added]})
        return {r.origin.rule for r in found if r.origin.blocks and r.measure(batch).ok is False}

    assert forbidden("0.1") == set()
    assert forbidden("0.11") == {"us-alkali"}
