"""The columns of a lots table and of an offers table, and the keys of other files, as pages and as JSON.

The names of an offer's columns are those that its reader knows; here they only get a unit and a meaning. Keys come from
the same models as the JSON Schema of their file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from importlib.resources import files
from itertools import groupby
from typing import Any

from constraints.confidence import FatMethod, published
from constraints.numbers import trimmed
from optimizer.pages.tables import heading, named, paragraph, table
from optimizer.reading.columns import COLUMNS, NOT_HERE, OFFER_COLUMNS, OWN, PERIOD, Column
from optimizer.record import json_text
from optimizer.wording import CAUTION


def shared_columns() -> tuple[Column, ...]:
    """The columns that an offer shares with a lot."""
    return tuple(
        column for column in COLUMNS if column.name not in (*NOT_HERE, *OWN) and not column.name.endswith("_lb")
    )


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
    lines += [*heading("fat_method: how the fat was found, and the standard deviation of its error")]
    for method in published().values():
        lines += paragraph(_method(method), "* ")
    lines += ["", *paragraph("A recipe may add methods of its own under confidence."), "", *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def _table(columns: tuple[Column, ...]) -> list[str]:
    rows = [[c.name, "yes" if c.needed else "", c.unit, c.basis, c.meaning] for c in columns]
    return table(("column", "needed", "unit", "basis", "meaning"), rows, "<<<<<")


def _method(method: FatMethod) -> str:
    known = method.source if method.status == "memory" else f"{method.source}; {method.status}"
    memory = ", from memory" if method.status == "memory" else ""
    return f"{method.name}: {_error(method)}{memory}; {method.title} [{known}]"


def _error(method: FatMethod) -> str:
    """A method's standard deviation in few words."""
    if method.points is not None:
        return f"{trimmed(method.points)} points"
    if method.relative_pct is not None:
        return f"{trimmed(method.relative_pct)} % of the fat figure"
    return ", ".join(f"{trimmed(knot.points)} points at {trimmed(knot.fat_pct)} % fat" for knot in method.at)


def columns_document() -> str:
    """Every known column as one JSON document; ``table`` says whose it is."""
    columns: list[dict[str, Any]] = [{"table": "lots", **asdict(c)} for c in COLUMNS]
    columns += [{"table": "offers", **asdict(c)} for c in (*OFFER_COLUMNS, *shared_columns())]
    methods = [
        {"name": m.name, "title": m.title, "sd": _error(m), "source": m.source, "status": str(m.status),
         "printed_as": m.printed_as, "note": m.note} for m in published().values()
    ]  # fmt: skip
    return json_text([column | ({"methods": methods} if column["name"] == "fat_method" else {}) for column in columns])


_UNITS = {
    "_g_per_kg_meat": "g per kg of meat", "_g_per_kg_batch": "g per kg of batch", "_per_kg_day": "money per kg and day",
    "_per_kg": "money per kg", "_ppm": "mg/kg", "_pct": "%", "_kg": "kg", "_lb": "lb", "_cm": "cm", "_mm": "mm",
    "_m": "m", "_days": "days", "_day": "date", "_g": "g", "_c": "deg C", "_hours": "hours", "_minutes": "minutes",
}  # fmt: skip
"""Unit by the end of a key."""
_WORDS = {"g_per_kg_meat": "g per kg of meat", "g_per_kg_batch": "g per kg of batch", "kg_per_m": "kg per metre"}
_STARTERS = ("fresh.yaml", "smoked.yaml", "dry.yaml", "week.yaml")


@dataclass(frozen=True)
class Key:
    """A key of a file: where it stands, what it means, and what holds where it is not stated."""

    name: str
    needed: bool
    unit: str
    meaning: str
    default: str
    example: str


def keys_of(schema: Mapping[str, Any]) -> list[Key]:
    """Every key of a JSON Schema, those inside others by their path."""
    return list(_walk(schema, schema, "", _examples(), ()))


def _walk(
    node: Mapping[str, Any], root: Mapping[str, Any], path: str, examples: Mapping[str, str], above: tuple[str, ...]
) -> Iterator[Key]:
    for name, entry in node.get("properties", {}).items():
        default, where = entry.get("default"), f"{path}{name}"
        shown = "" if default in (None, [], {}) else {True: "yes", False: "no"}.get(default, default)
        meaning = entry.get("description") or _target(entry, root).get("description", "")
        unit = _WORDS.get(name) or next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
        yield Key(where, name in node.get("required", ()), unit, meaning, f"{shown}", examples.get(where, ""))
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
    import yaml

    found: dict[str, str] = {}
    for name in _STARTERS:
        text = (files("optimizer") / "starters" / name).read_text("utf-8").replace("{+", "+").replace("}", "}")
        text = text.replace("+0}", "2026-11-30").replace("+1}", "2026-12-01").replace("+2}", "2026-12-02")
        for path, value in _paths(yaml.load(text.replace("+4}", "2026-12-04"), yaml.BaseLoader), ""):
            found.setdefault(path, value)
    return found


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


def keys_document(schema: Mapping[str, Any]) -> str:
    """The keys as one JSON document."""
    return json_text([asdict(key) for key in keys_of(schema)])
