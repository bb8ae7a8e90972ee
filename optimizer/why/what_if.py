"""What if a figure were another: the files with figures set anew, and the old and the new batch side by side.

Figures are set in the text of the files, which then go through the real readers, so that every check of a file is one
of a figure that was set.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from difflib import get_close_matches
from fractions import Fraction
from typing import Any

from constraints.as_typed import ZERO, BadInput, Fault, NotANumber, Severity, exact
from constraints.document import parse
from constraints.quantities import Lot
from constraints.requirement import Requirement
from optimizer.answer import Answer, unrounded
from optimizer.order import SIZES, Asked, Order, order_of
from optimizer.reading.entry import AdditionEntry, CasingEntry
from optimizer.reading.lots import LotTable, parse_lots
from optimizer.reading.recipe import Recipe, both, parse_recipe
from optimizer.reading.table import KNOWN, TWINS, csv_line, cut, has_decimal_commas
from optimizer.record import Exact

_ORDER = ("meat_kg", "batch_kg", "meat_lb", "batch_lb", "within_kg", "meat_scale_g", "spice_scale_g", "mixer_kg")
_MESSAGE = "--set"
_LISTED = {"require": ("require", "requirement"), "addition": ("additions", "addition")}
"""Lists of a recipe by the word of a path: their key, and what one entry is."""
_MAY_BE = {
    "require": ["target_pct", "within_pct", "min_pct", "max_pct", "target", "within", "min", "max", "basis"],
    "addition": [field.alias or name for name, field in AdditionEntry.model_fields.items()],
    "yield": ["finished_pct", "fat_loss_pct"],
    "casing": [key for key in CasingEntry.model_fields if key not in ("name", "soak")],
    "scales": ["meat_g", "spice_g"],
}
"""Keys that an entry may have beside its own."""
PARTS = ("lot", "require", "addition", "order", "yield", "casing", "scales")
"""First words of a path: a lot by name, a requirement or an addition by number or name, or a part of the recipe."""


@dataclass(frozen=True)
class Setting:
    """One figure to set: ``path`` as typed, its parts, and the new value as typed."""

    path: str
    part: str
    name: str
    key: str
    value: str


@dataclass(frozen=True)
class Inputs:
    """Everything a batch is made from: the two texts with their names, and the order as asked."""

    recipe_text: str
    recipe_file: str
    lots_text: str
    lots_file: str
    size: tuple[str, Fraction]
    day: date
    asked: Asked

    def read(self) -> tuple[Recipe, LotTable, Order]:
        """Through the readers. Raises BadInput with the faults of both files."""
        recipe, table = both(
            lambda: parse_recipe(self.recipe_text, self.recipe_file), lambda: parse_lots(self.lots_text, self.lots_file)
        )
        return recipe, table, order_of(recipe, *self.size, self.day, self.asked)


def settings_of(texts: Sequence[str]) -> tuple[Setting, ...]:
    """Read ``path=value`` texts. Raises BadInput where one is no path with a value."""
    found, faults = [], []
    for text in texts:
        path, sign, value = (part.strip() for part in text.partition("="))
        words = path.split(".")
        part = words[0]
        least = 3 if part in ("lot", "require", "addition") else 2
        if not sign or not value:
            faults.append(_fault(text, "write path=value, such as lot.P-31.cost_per_kg=2.10"))
        elif part not in PARTS:
            faults.append(_fault(f"{path!r} is no figure of the input", _near(part, PARTS)))
        elif len(words) < least:
            faults.append(_fault(f"{path!r} names no figure", "such as require.1.max_pct or order.meat_kg"))
        else:
            found.append(Setting(path, part, ".".join(words[1:-1]), words[-1], value))
    BadInput.raise_for(faults)
    return tuple(found)


def with_settings(inputs: Inputs, settings: Sequence[Setting]) -> Inputs:
    """The inputs with every figure set. Raises BadInput with every path that leads nowhere, and the nearest known."""
    faults: list[Fault] = []
    for change, parts in ((_set_lots, ("lot",)), (_set_recipe, _MAY_BE), (_set_order, ("order",))):
        chosen = [setting for setting in settings if setting.part in parts]
        inputs = change(inputs, chosen, faults) if chosen else inputs
    BadInput.raise_for(faults)
    return inputs


def _fault(found: str, allowed: str) -> Fault:
    return Fault(_MESSAGE, None, None, found, allowed, Severity.ERROR)


def _near(word: str, known: Iterable[str]) -> str:
    names = list(known)
    close = get_close_matches(word, names, n=1, cutoff=0.5)
    all_known = f"known: {', '.join(names[:12])}{' and more' if len(names) > 12 else ''}"
    return f"did you mean {close[0]}?" if close else all_known


# Lots.


def _set_lots(inputs: Inputs, settings: Sequence[Setting], faults: list[Fault]) -> Inputs:
    """The lots table with cells set; a known column that the table lacks is added."""
    table = cut(inputs.lots_text, inputs.lots_file)
    if "lot" not in table.header:
        faults += table.faults
        return inputs
    header, rows = list(table.header), [list(row) for row in table.rows]
    names = table.cells("lot")
    figures = [cell for name in header if name in KNOWN and KNOWN[name].unit for cell in table.cells(name)]
    commas = table.delimiter != "," and has_decimal_commas(figures)
    for path, name, key, value in ((s.path, s.name, s.key, s.value) for s in settings):
        if name not in names:
            faults.append(_fault(f"{path!r}: there is no lot {name!r}", _near(name, names)))
        elif key not in header and key not in KNOWN:
            known = dict.fromkeys([*filter(None, header), *KNOWN])
            faults.append(_fault(f"{path!r}: there is no column {key!r}", _near(key, known)))
        elif key == "lot":
            faults.append(_fault(f"{path!r}: the name of a lot is not a figure", "any other column"))
        else:
            if key not in header:
                header.append(key)
                rows = [[*row, ""] for row in rows]
            row = rows[names.index(name)]
            if (twin := TWINS.get(key)) in header:
                row[header.index(twin)] = ""  # each row fills one of the two
            row[header.index(key)] = value.replace(".", ",") if commas else value
    lines = {table.header_line: header, **dict(zip(table.lines, rows, strict=True))}
    text = "\n".join(csv_line(lines.get(n, ()), table.delimiter) for n in range(1, max(lines) + 1))
    return replace(inputs, lots_text=text, lots_file=f"{inputs.lots_file} with {_MESSAGE}")


def at_option(fault: Fault, settings: Sequence[Setting]) -> Fault:
    """A fault of the recipe with figures set anew, named by the options instead of a place in a text nobody wrote."""
    if not fault.file.endswith(f"with {_MESSAGE}"):
        return fault
    recipe = [f"{s.path}={s.value}" for s in settings if s.part in _MAY_BE]
    if not recipe or fault.line != 1:
        return fault
    return replace(fault, file=f"{_MESSAGE} {', '.join(recipe)}", line=None, column=None)


# The recipe and the order.


def _set_recipe(inputs: Inputs, settings: Sequence[Setting], faults: list[Fault]) -> Inputs:
    """The recipe with values set, as text again (JSON is YAML); the reader judges what they mean there."""
    tree: dict[str, Any] = parse(inputs.recipe_text, inputs.recipe_file).tree
    for setting in settings:
        entry = _entry(tree, setting, faults)
        known = dict.fromkeys([*(entry or ()), *_MAY_BE[setting.part]])
        if entry is not None and setting.key in known:
            entry[setting.key] = setting.value
        elif entry is not None:
            faults.append(_fault(f"{setting.path!r}: there is no key {setting.key!r}", _near(setting.key, known)))
    text = json.dumps(tree, ensure_ascii=False)
    return replace(inputs, recipe_text=text, recipe_file=f"{inputs.recipe_file} with {_MESSAGE}")


def _entry(tree: dict[str, Any], setting: Setting, faults: list[Fault]) -> dict[str, Any] | None:
    """Where a figure stands: a part of the recipe, or an entry by number from 1 and by name.

    The name is an addition's, or a requirement's kind where only one has it.
    """
    if setting.part not in _LISTED:
        part = tree.setdefault(setting.part, {})
        return part if isinstance(part, dict) else None
    key, what = _LISTED[setting.part]
    entries = tree.get(key) or []
    kinds = [str(entry.get("name")) if what == "addition" else next(iter(entry), "") for entry in entries]
    names = {str(k): entry for k, entry in enumerate(entries, start=1)}
    names |= {kind: entry for kind, entry in zip(kinds, entries, strict=True) if kinds.count(kind) == 1}
    if setting.name not in names:
        faults.append(_fault(f"{setting.path!r}: there is no {what} {setting.name!r}", _near(setting.name, names)))
        return None
    entry: dict[str, Any] = names[setting.name]
    inner = (value for value in entry.values() if isinstance(value, dict))
    return entry if what == "addition" else next(inner, entry)


def _set_order(inputs: Inputs, settings: Sequence[Setting], faults: list[Fault]) -> Inputs:
    for path, key, name, text in ((s.path, s.key, s.name, s.value) for s in settings):
        value, option = ZERO, "--" + key.replace("_", "-")
        try:
            value = exact(text)
            wrong = "" if value > 0 else f"{path!r}: {text} is not above zero", "a figure above 0"
        except NotANumber as error:
            wrong = f"{path!r}: {error}", "a plain number such as 24.5"
        if key not in _ORDER or name:
            wrong = f"{path!r} is no figure of the order", _near(key, _ORDER)
        if wrong[0]:
            faults.append(_fault(*wrong))
        elif option in SIZES:
            inputs = replace(inputs, size=(option, value))
        else:
            changed: dict[str, Any] = {key.replace("scale_", ""): value}
            inputs = replace(inputs, asked=replace(inputs.asked, **changed))
    return inputs


# Side by side.


@dataclass(frozen=True)
class MovedLot:
    """Kilograms used of a lot before and after."""

    lot: str
    old_kg: Exact
    new_kg: Exact


@dataclass(frozen=True)
class MovedFigure:
    """A limit's figure before and after."""

    what: str
    unit: str
    old: Exact | None
    """None where there is no batch or no such requirement."""
    new: Exact | None
    old_limits: str
    new_limits: str
    old_binds: bool
    new_binds: bool


@dataclass(frozen=True)
class Change:
    """Two answers side by side."""

    settings: tuple[Setting, ...]
    old: Answer
    new: Answer
    lots: tuple[MovedLot, ...]
    figures: tuple[MovedFigure, ...]

    @property
    def saving(self) -> Fraction | None:
        """Money saved by the change on the unrounded optimum; None where either has no batch."""
        if self.old.optimum is None or self.new.optimum is None or not self.old.weighed or not self.new.weighed:
            return None
        return self.old.optimum.cost - self.new.optimum.cost


def change_of(settings: Sequence[Setting], old: Answer, new: Answer) -> Change:
    """What moved between two answers: weights as weighed, figures of the unrounded optimum's requirements."""
    before, after = _used(old), _used(new)
    names = sorted({*before, *after})
    lots = tuple(MovedLot(name, before.get(name, ZERO), after.get(name, ZERO)) for name in names)
    first, then = _figures(old), _figures(new)
    nothing = (None, None)
    moves = []
    for key in dict.fromkeys([*first, *then]):
        (a, x), (b, y) = first.get(key, nothing), then.get(key, nothing)
        what, unit, *_ = key
        limits = ["" if r is None else r.limits() for r in (a, b)]
        binds = [r is not None and value is not None and value in (r.lo, r.hi) for r, value in ((a, x), (b, y))]
        moves.append(MovedFigure(what, unit, x, y, limits[0], limits[1], binds[0], binds[1]))
    return Change(tuple(settings), old, new, lots, tuple(moves))


def _used(answer: Answer) -> dict[str, Fraction]:
    if answer.weighed is None:
        return {}
    return {item.name: kg for item, kg in answer.weighed.total.kilograms.items() if isinstance(item, Lot) and kg}


def _figures(answer: Answer) -> dict[tuple[str, ...], tuple[Requirement | None, Fraction | None]]:
    """Every requirement with its figure, by what stays the same when its limits move."""
    batch = unrounded(answer) if answer.weighed is not None else None
    found: dict[tuple[str, ...], tuple[Requirement | None, Fraction | None]] = {}
    for r in answer.problem.requirements:
        key: tuple[str, ...] = (f"{r.what}, {r.basis}", r.unit, r.origin.rule, r.origin.pack)
        while key in found:
            key = (*key, "again")
        found[key] = (r, None if batch is None else r.measure(batch).value)
    return found
