"""The JSON documents of ``rules``: one rule pack, or all of them."""

from __future__ import annotations

from datetime import date

from constraints.rules import Layer
from optimizer.pages.record import Figure, Record, at
from optimizer.pages.rules_page import DEFER, grams_words, group_of


class ProductClass(Record):
    """What a product may be sold as."""

    id: str
    title: str
    source: str


class NotCovered(Record):
    """What the pack does not judge, of which classes (empty: all), and when."""

    what: list[str]
    classes: list[str]
    when: str = at("when.words")


class Limit(Record):
    """One row; ``in_grams`` says its figures in grams for so many kilograms, where they were asked for."""

    id: str = at("row.id")
    what: str = at("requirement.what")
    basis: str = at("requirement.basis")
    unit: str = at("requirement.unit")
    min: Figure | None = at("requirement.lo")
    max: Figure | None = at("requirement.hi")
    words: str = at("requirement.words")
    in_grams: list[str] = at(lambda listed: grams_words(listed.row, listed.asked.weight))
    group: str = at(lambda listed: group_of(listed.requirement))
    when: str = at("row.when.words")
    classes: list[str] = at("row.classes")
    not_classes: list[str] = at("row.not_classes")
    layer: Layer = at("row.layer")
    blocks: bool = at("row.blocks")
    protects_health: bool = at("row.protects_health")
    source: str = at("row.source")
    status: str = at("row.status")
    """How the figure was read."""
    valid_from: date | None = at("row.valid_from")
    valid_to: date | None = at("row.valid_to")
    note: str | None = at("row.note")


class Rules(Record):
    """The answer of ``trimwright rules PACK``."""

    pack: str = at("pack.pack")
    title: str = at("pack.title")
    authority: str = at("pack.authority")
    checked_on: date = at("pack.checked_on")
    notes: list[str] = at("pack.notes")
    not_covered: list[NotCovered] = at("pack.not_covered")
    classes: list[ProductClass] = at("pack.classes")
    limits: list[Limit]
    caution: str = at(lambda chosen: DEFER)


Packs = list[Rules]
"""The answer of ``trimwright rules``: every shipped pack."""
