"""What holds for every kitchen, for some: ``properties.py`` tries thousands."""

from __future__ import annotations

import pytest
from properties import MASS, MONEY, difference, disagreement, unsteady


@pytest.mark.parametrize("first", range(0, 80, 20))
def test_check_agrees_with_the_blend_whose_document_it_reads(first: int) -> None:
    assert [words for seed in range(first, first + 20) if (words := disagreement(seed))] == []


@pytest.mark.parametrize("power", MONEY)
def test_the_unit_of_money_changes_nothing(power: int) -> None:
    seeds = (*range(8), 37, 53, 57, 73, 115, 127, 175, 187)
    assert [words for seed in seeds if (words := difference(seed, power, 0))] == []


@pytest.mark.parametrize("power", MASS)
def test_the_unit_of_mass_changes_nothing(power: int) -> None:
    assert [words for seed in range(8) if (words := difference(seed, 0, power))] == []


def test_the_same_files_give_the_same_answer() -> None:
    assert [words for seed in range(8) if (words := unsteady(seed))] == []
