"""What the tool knows and reads, as pages and as JSON: the law (packs, classes, limits with sources, and what they mean
in grams), the columns of a lots table and of an offers table, and the keys of other files.

The names of an offer's columns are those that its reader knows; here they only get a unit and a meaning. Keys come from
the same models as the JSON Schema of their file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from fractions import Fraction
from importlib.resources import files
from itertools import groupby
from math import ceil, floor
from typing import Any, NamedTuple

import yaml

from constraints.as_typed import G_PER_KG, PERCENT, PPM, BadInput, Fault, likely, refuse, trimmed
from constraints.confidence import FAT_METHOD, FatMethod, published
from constraints.library import bare_classes, flaws, load_pack, shipped
from constraints.requirement import Requirement, Salt
from constraints.rules import READ_IN_LAW, Layer, Pack, PackRow, When
from constraints.substances import ACCELERATOR, FORMULAS
from optimizer.pages.answer_json import Bounds
from optimizer.pages.details import source_words
from optimizer.pages.tables import heading, listed, named, paragraph, table
from optimizer.reading.table import COLUMNS, NOT_HERE, OFFER_COLUMNS, OWN, PERIOD, Column
from optimizer.record import Record, at
from optimizer.wording import CAUTION, day_words

DEFER = f"Figures change: read the source before you rely on one. {CAUTION}"


GROUPS = ("name and composition", "curing", "other additives")
USUAL_KG = Fraction(10)
_MILLI = 1000
_UNWEIGHED = ("substance_share", "fat_to_flesh", "salt_on_water", "property")
"""Kinds whose figure is of nothing that is weighed by itself."""
EFFECTS = (
    "health: protects health, and breaking it forbids the batch; blocks: the batch may not be sold as this; warns: it "
    "is said. Grams are of what the limit is divided by."
)


@dataclass(frozen=True)
class Chosen:
    """A pack, and which of its rows to show: of one class, in force on one day; and kilograms of a batch to turn
    figures into grams.
    """

    pack: Pack
    product_class: str | None = None
    day: date | None = None
    kilograms: Fraction | None = None

    @property
    def limits(self) -> list[Listed]:
        """The rows with what each means in grams: for the kilograms asked for, or for 10 of one class.

        Raises BadInput for a class the pack lacks.
        """
        known, wanted = [entry.id for entry in self.pack.classes], self.product_class
        if wanted is not None and wanted not in known:
            hint = likely(wanted, known, f"known: {', '.join(known)}")
            refuse(self.pack.pack, f"no product class {wanted!r}", hint)
        weight, rows = self.kilograms or (USUAL_KG if wanted else None), self.pack.listed(wanted, self.day)
        return [Listed(row, row.requirement(), grams_words(row, weight) if weight else []) for row in rows]


class Listed(NamedTuple):
    """A row of a pack, what it requires, and its figures in grams."""

    row: PackRow
    requirement: Requirement
    in_grams: list[str]


def _ended(lines: Sequence[str]) -> str:
    return "\n".join([*lines, "", *paragraph(DEFER)]) + "\n"


def packs_page() -> str:
    """Every shipped pack, a line each."""
    packs = [load_pack(name) for name in shipped()]
    rows = [[p.pack, p.title, str(len(p.classes)), str(len(p.rows)), day_words(p.checked_on)] for p in packs]
    lines = table(("pack", "place", "classes", "limits", "figures read"), rows, "<<>><")
    return _ended([*lines, "", "trimwright rules PACK lists the limits of one."])


def pack_page(chosen: Chosen) -> str:
    """One pack's classes and limits by group, ending in a newline. Raises BadInput for a class the pack lacks."""
    pack, limits = chosen.pack, chosen.limits
    lines = paragraph(f"{pack.title}: figures read {day_words(pack.checked_on)}; {pack.authority}")
    lines += paragraph(EFFECTS)
    if chosen.product_class is None:
        classes = [[c.id, c.title, c.source] for c in pack.classes]
        lines += [*heading("classes of product"), *table(("class", "title", "source"), classes, "<<<")]
    for entry in (c for c in pack.classes if c.id == chosen.product_class):
        lines += paragraph(f"{entry.id}: {entry.title} [{entry.source}]")
    for group in GROUPS:
        rows = [limit for limit in limits if group_of(limit.requirement) == group]
        lines += heading(group) if rows else ()
        lines += [line for limit in rows for line in _limit(limit, every=chosen.product_class is None)]
    lines += [*heading("not covered"), *_not_covered(chosen)] if pack.not_covered else []
    lines += [*heading("notes"), *listed(("* ", note) for note in pack.notes)] if pack.notes else []
    return _ended(lines)


def _not_covered(chosen: Chosen) -> Iterator[str]:
    every, of_class = chosen.product_class is None, chosen.pack.belongs_to(chosen.product_class)
    for entry in chosen.pack.not_covered:
        if every or not entry.classes or not of_class.isdisjoint(entry.classes):
            said = [", ".join(entry.what), *_applies(entry.when, {"for": entry.classes} if every else {})]
            yield from paragraph("; ".join(said), "* ")


def _applies(when: When, classes: Mapping[str, Sequence[str]]) -> list[str]:
    """For which classes, and when."""
    where = [f"where {when.words()}"] if when.words() else []
    return [*(f"{word} {', '.join(names)}" for word, names in classes.items() if names), *where]


def group_of(requirement: Requirement) -> str:
    """Under which heading a limit stands, by what it counts."""
    counted = requirement.regulates.substances
    curing = any(name in counted for name in (*Salt, *FORMULAS[ACCELERATOR]))
    return GROUPS[1] if curing else GROUPS[2] if counted or requirement.unit == "ppm" else GROUPS[0]


def unread_page(packs: Sequence[Pack]) -> str:
    """Every row whose figure was not read in the law's own words."""
    lines = paragraph("Rows read in no text that carries the law's own words: confirm them with your authority.")
    for pack in packs:
        limits = [limit for limit in Chosen(pack).limits if limit.row.status not in READ_IN_LAW]
        lines += [*(heading(pack.title) if limits else ()), *(line for limit in limits for line in _limit(limit))]
    return _ended(lines)


def verified(pack: Pack) -> str:
    """What was proved of a pack, ending in a newline. Raises BadInput with everything that does not hold."""
    found = [*flaws(pack, {row.id for row in pack.rows}), *bare_classes(pack)]
    if found:
        raise BadInput([Fault(pack.pack, None, flaw.where, flaw.found, flaw.allowed) for flaw in found])
    text = (
        f"{pack.title}, {len(pack.rows)} limits and {len(pack.classes)} classes: every limit binds for some class and "
        "product, no two contradict or overlap in time, every class has all limits of the wider classes it is also, "
        "and none goes without a limit on nitrite or nitrate that other classes have."
    )
    return "\n".join(paragraph(text)) + "\n"


def _limit(limit: Listed, *, every: bool = True) -> Iterator[str]:
    """A limit with its source; for which classes, where those of ``every`` one are shown."""
    row, requirement = limit.row, limit.requirement
    effect = "warns" if not row.blocks() else "health" if row.protects_health else "blocks"
    layer = "" if row.layer is Layer.LAW else f" ({row.layer})"
    grams = "".join(f", {text}" for text in limit.in_grams)
    words = f"{requirement.what}, {requirement.basis}: {requirement.limits()}{grams}{layer}"
    yield from paragraph(words, f"{effect:8}", " " * 8)
    says = _applies(row.when, {"for": row.classes, "not for": row.not_classes} if every else {})
    yield from paragraph("; ".join(says), " " * 8) if says else ()
    yield from paragraph(f"[{source_words(requirement)}]", " " * 8, " " * 9)


def grams_words(row: PackRow, kilograms: Fraction) -> list[str]:
    """What a limit means in grams for so many kilograms of its base, never beyond it; nothing where none is."""
    r, whole = row.requirement(), {"%": PERCENT, "ppm": PPM}.get(row.requirement().unit)
    if whole is None or row.requires.kind() in _UNWEIGHED:
        return []
    per, ends = kilograms * G_PER_KG / whole, ((ceil, r.lo), (floor, r.hi))
    said = [trimmed(Fraction(inward(x * per * _MILLI), _MILLI), 3) for inward, x in ends if x]
    return [f"{' to '.join(said)} g in {trimmed(kilograms)} kg"] if said else []


class ClassPart(Record):
    """What a product may be sold as."""

    id: str
    title: str
    source: str


class NotCoveredPart(Record):
    """What the pack does not judge, of which classes (empty: all), and when."""

    what: list[str]
    classes: list[str]
    when: str = at("when.words")


class RowPart(Bounds):
    """One row; ``in_grams`` says its figures in grams for so many kilograms, where they were asked for."""

    id: str = at("row.id")
    words: str = at("requirement.words")
    in_grams: list[str]
    group: str = at(lambda limit: group_of(limit.requirement))
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
    not_covered: list[NotCoveredPart] = at("pack.not_covered")
    classes: list[ClassPart] = at("pack.classes")
    limits: list[RowPart]
    caution: str = at(lambda chosen: DEFER)


Packs = list[Rules]
"""The answer of ``trimwright rules``: every shipped pack."""


# Columns and keys.


def shared_columns() -> tuple[Column, ...]:
    """The columns that an offer shares with a lot."""
    return tuple(c for c in COLUMNS if c.name not in (*NOT_HERE, *OWN) and not c.name.endswith("_lb"))


def columns_page() -> str:
    """Every known column with its unit, basis and meaning, and the methods of finding fat."""
    lines = ["LOTS TABLE", *_table(COLUMNS), ""]
    lines += paragraph(
        "A row may state each weight or price in pounds instead; rows of both kinds may stand in one table. Any "
        "further column whose cells are all numbers is a property that a recipe may name. Lot, material and species "
        "are text exactly as typed."
    )
    lines += [*heading("offers table (trimwright plan and why)"), *_table(OFFER_COLUMNS), ""]
    shared = ", ".join(column.name for column in shared_columns())
    lines += paragraph(f"Needed too: fat_pct. As in a lots table: {shared}, and any property of your own.")
    lines += paragraph(f"A further row of the same offer states another price period: {', '.join(PERIOD)}.")
    lines += paragraph(
        "trimwright why reads the same table, at the price of the batch's day. It also reads a simpler one, with the "
        "columns of a lots table: offer (or lot) and fat_pct are needed; cost_per_kg and offered_kg "
        "(or on_hand_kg) may be blank or missing."
    )
    lines += heading("fat_method: how the fat was found, and the standard deviation of its error")
    for method in published().values():
        memory = method.status == "memory"
        known = method.source if memory else f"{method.source}; {method.status}"
        error = _error(method) + ", from memory" * memory
        lines += paragraph(f"{method.name}: {error}; {method.title} [{known}]", "* ")
    lines += ["", *paragraph("A recipe may add methods of its own under confidence."), "", *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def _table(columns: tuple[Column, ...]) -> list[str]:
    rows = [[c.name, "yes" if c.needed else "", c.unit, c.basis, c.meaning] for c in columns]
    return table(("column", "needed", "unit", "basis", "meaning"), rows, "<<<<<")


def _error(method: FatMethod) -> str:
    """A method's standard deviation in few words."""
    if method.points is not None:
        return f"{trimmed(method.points)} points"
    if method.relative_pct is not None:
        return f"{trimmed(method.relative_pct)} % of the fat figure"
    return ", ".join(f"{trimmed(knot.points)} points at {trimmed(knot.fat_pct)} % fat" for knot in method.at)


class MethodPart(Record):
    """A method of finding fat; ``sd`` says the standard deviation of its error."""

    name: str
    title: str
    sd: str = at(_error)
    source: str
    status: str
    printed_as: str | None
    note: str | None


class ColumnPart(Record):
    """A known column of a table; ``methods`` are what may stand in it where it names the method of finding fat."""

    table: str
    name: str
    unit: str
    basis: str
    needed: bool
    meaning: str
    methods: list[MethodPart]


Columns = list[ColumnPart]
"""The answer of ``trimwright columns``."""
Terms = dict[str, str]
"""The answer of ``trimwright terms``."""


def known_columns() -> list[dict[str, Any]]:
    """Every known column; ``table`` says whose it is."""
    offers, methods = (*OFFER_COLUMNS, *shared_columns()), {FAT_METHOD: list(published().values())}
    every = [*(("lots", column) for column in COLUMNS), *(("offers", column) for column in offers)]
    return [{"table": table, **asdict(one), "methods": methods.get(one.name, [])} for table, one in every]


_UNITS = {
    "g_per_kg_meat": "g per kg of meat", "g_per_kg_batch": "g per kg of batch", "kg_per_m": "kg per metre",
    "kg_per_day": "kg a day", "loads_per_day": "loads a day", "_a_day": "a day", "_per_kg_day": "money per kg and day",
    "_per_kg": "money per kg", "_per_m": "money per m", "_ppm": "mg/kg", "_pct": "%", "_kg": "kg", "_lb": "lb",
    "_cm": "cm", "_mm": "mm", "_m": "m", "_days": "days", "_day": "date", "_g": "g", "_c": "deg C", "_f": "deg F",
    "_hours": "hours", "_minutes": "minutes",
}  # fmt: skip
"""Unit by the end of a key, the longer ends first."""
_STARTERS = ("fresh.yaml", "smoked.yaml", "dry.yaml", "week.yaml")


class Key(Record):
    """A key of a file: where it stands, what it means, and what holds where it is not stated."""

    name: str
    needed: bool
    unit: str
    meaning: str
    default: str
    example: str


Keys = list[Key]
"""The answer of ``trimwright columns`` on the keys of a file."""


def keys_of(schema: Mapping[str, Any]) -> list[Key]:
    """Every key of a JSON Schema, those inside others by their path."""
    return list(_walk(schema, schema, "", _examples(), ()))


def _walk(
    node: Mapping[str, Any], root: Mapping[str, Any], path: str, examples: Mapping[str, str], above: tuple[str, ...]
) -> Iterator[Key]:
    for name, entry in node.get("properties", {}).items():
        default, where = entry.get("default"), f"{path}{name}"
        shown = "" if default in (None, [], {}) else {"True": "yes", "False": "no"}.get(f"{default}", default)
        meaning = entry.get("description") or _target(entry, root).get("description", "")
        unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
        said = {"unit": unit, "meaning": meaning, "default": f"{shown}", "example": examples.get(where, "")}
        yield Key(name=where, needed=name in node.get("required", ()), **said)
    for name, entry in node.get("properties", {}).items():
        many = "[]" if entry.get("type") == "array" else ""
        for part in (entry, entry.get("items", {}), *entry.get("anyOf", ())):
            inner, title = _target(part, root), part.get("$ref", "").rsplit("/", 1)[-1]
            if "properties" in inner and title not in above:  # a model may hold itself
                yield from _walk(inner, root, f"{path}{name}{many}.", examples, (*above, *filter(None, [title])))


def _target(entry: Mapping[str, Any], root: Mapping[str, Any]) -> Mapping[str, Any]:
    """The schema that an entry refers to, or the entry itself."""
    title = entry.get("$ref", "").rsplit("/", 1)[-1]
    return root["$defs"][title] if title else entry


def _examples() -> dict[str, str]:
    """Every key of the starters with its figure there; later files do not replace earlier ones."""
    found: dict[str, str] = {}
    for name in _STARTERS:
        for path, value in _paths(yaml.load(starter(name, date(2026, 11, 30)), yaml.BaseLoader), ""):
            found.setdefault(path, value)
    return found


def starter(file: str, day: date) -> str:
    """A file to start from, its days counted from one: ``{+3}`` is three days later."""
    text = (files("optimizer") / "starters" / file).read_text("utf-8")
    return re.sub(r"\{\+(\d+)\}", lambda found: (day + timedelta(int(found[1]))).isoformat(), text)


def _paths(node: Any, path: str) -> Iterator[tuple[str, str]]:
    parts = [(f"{path}.{key}".lstrip("."), value) for key, value in node.items()] if isinstance(node, dict) else []
    if isinstance(node, list) and any(isinstance(part, dict) for part in node):
        parts = [(f"{path}[]", part) for part in node]
    for inner, part in parts:
        yield from _paths(part, inner)
    if not parts and not isinstance(node, dict):
        yield path, f"[{', '.join(node)}]" if isinstance(node, list) else str(node)


def keys_page(title: str, schema: Mapping[str, Any]) -> str:
    """The keys with what is said of each, those inside a key under a heading of their own, ending in a newline."""
    lines = [title.upper()]
    for group, keys in groupby(keys_of(schema), key=lambda key: key.name.rpartition(".")[0]):
        inside = f"each of {group.removesuffix('[]')}:" if group.endswith("[]") else f"{group}:"
        lines += ["", *paragraph(inside)] if group else []
        lines += named([(key.name.rpartition(".")[2], _said(key)) for key in keys], room=14)
    lines += ["", *paragraph("A key without a default may be left out, where it is not needed.")]
    return "\n".join([*lines, "", *paragraph(CAUTION)]) + "\n"


def _said(key: Key) -> str:
    default, example = f"else {key.default}" if key.default else "", f"such as {key.example}" if key.example else ""
    beside = "; ".join(filter(None, ("needed" if key.needed else "", key.unit, default, example)))
    return f"{key.meaning} ({beside})" if beside else key.meaning
