"""What lots and additions do not state though something needs it: said once, with who asks for it and the ways out."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from constraints.as_typed import ZERO, Fault, meant
from constraints.confidence import FAT_METHOD, FAT_SD, lot_faults, silent_lots
from constraints.formula import Dosing, Figures

from constraints.quantities import SALT, Amount, Basis, FromFat, Ingredient, Lot  # isort: skip
from constraints.quantities import MissingProperty, Process, Quantity, in_one_kg  # isort: skip
from constraints.requirement import Requirement
from optimizer.reading.entry import WhenMissing
from optimizer.reading.lots import LotTable
from optimizer.reading.recipe import Recipe


@dataclass(frozen=True)
class LeftOut:
    """A lot that may not go in, and why; with ``of_many`` for a reason that many may share."""

    lot: Lot
    why: str
    of_many: bool = False


_TOTAL_SALT = Requirement(what="total salt", basis=Basis.BATCH.words, unit="%")
"""What stands for a dose that makes up a total of salt."""


def figures_of(table: LotTable, lots: Sequence[Lot]) -> Figures | None:
    """The figures of the table's lots, where every lot is one of them as it stands there."""
    return table.figures if all(lot in table.figures.place for lot in lots) else None


def complete(
    recipe: Recipe, table: LotTable, usable: Sequence[Lot], requirements: Sequence[Requirement], faults: list[Fault]
) -> tuple[list[Lot], list[LeftOut]]:
    """The lots that state every property needed; the others are faults, or left out by name on request."""
    needed = needed_by(requirements)
    if any(addition.dosing is Dosing.TOTAL_SALT for addition in recipe.additions):
        needed.setdefault(Amount(SALT, Basis.BATCH), _TOTAL_SALT)
    faults += gap_faults(recipe, table, [addition.item for addition in recipe.additions], needed)
    whole, lacking, told = [], [], dict[tuple[str, Requirement], list[Lot]]()
    figures, asking = figures_of(table, usable), set[Ingredient](usable)
    if figures is not None:  # looked up once for all recipes
        asking = {figures.items[j] for quantity in needed for j in figures.of(quantity, recipe.process)[1]}
    for lot in usable:
        gaps = gaps_of(lot, needed, recipe) if lot in asking else []
        if not gaps:
            whole.append(lot)
        elif recipe.entry.eligible.if_missing is WhenMissing.LEAVE_OUT:
            lacking.append(LeftOut(lot, "; ".join(f"does not state {name}, which {r.what} needs" for r, name in gaps)))
        else:
            for asking_it, name in gaps:
                told.setdefault((name, asking_it), []).append(lot)
    faults += [_silent(recipe, table, name, asking_it, lots) for (name, asking_it), lots in told.items()]
    confidence = recipe.entry.confidence
    if confidence is None:
        return whole, lacking
    if recipe.entry.eligible.if_missing is WhenMissing.LEAVE_OUT:
        silent = silent_lots(whole, confidence)
        why = f"states neither {FAT_SD} nor {FAT_METHOD}, which {confidence.words} needs"
        lacking += [LeftOut(lot, why, of_many=True) for lot in silent]
        whole = [lot for lot in whole if lot not in silent]
    faults += lot_faults(table.file, whole, confidence)
    return whole, lacking


def needed_by(requirements: Sequence[Requirement]) -> dict[Quantity, Requirement]:
    """Every quantity that some requirements count, each with the first that does."""
    found = {quantity: r for r in reversed(requirements) for quantity in r.quantities()}
    return dict(reversed(found.items()))


def _silent(recipe: Recipe, table: LotTable, name: str, asking: Requirement, lots: Sequence[Lot]) -> Fault:
    """One fault for all lots that do not state a property: who asks for it, and the ways out."""
    law = f" ({asking.origin.rule}, {asking.origin.source})" if asking.origin.pack else ""
    absent = _no_column(name, table)
    ways = [absent or "state it", "say if_missing: leave_out under eligible"]
    for component in (component for component in FromFat if component.property_name == name):
        if name in recipe.process.estimates:
            ways[0] += "; an estimate is for raw lots of a known species that state their fat, and hold no salt"
        else:
            way = f"say estimate: [{component}] in the recipe: from fat, of raw pork, beef, lamb, veal and poultry"
            ways.insert(1, way)
    first = min(lots, key=lambda lot: lot.line)
    who = f"the lot {first.name!r} does not state"
    if len(lots) > 1:
        every = absent and len({lot.name for lot in lots}) == len(table.lots)
        who = "no lot states" if every else f"the lots {', '.join(lot.name for lot in lots)} do not state"
    return Fault(table.file, first.line, name, f"{who} {name}, which {asking.what}{law} needs", "; or ".join(ways))


_NAMED = ("species", "role", "material")


def _no_column(name: str, table: LotTable) -> str:
    known = [*table.properties, *(key for key in _NAMED if any(getattr(lot, key) for lot in table.lots))]
    if name in known:
        return ""
    return "; ".join(filter(None, [f"there is no column {name!r} with anything in it", meant(name, known)]))


def gaps_of(item: Ingredient, needed: Mapping[Quantity, Requirement], recipe: Recipe) -> list[tuple[Requirement, str]]:
    """Properties that an ingredient does not state, each with what needs it first."""
    gaps: dict[str, Requirement] = {}
    for quantity, asking in needed.items():
        while (name := _missing(item, quantity, recipe.process)) and gaps.setdefault(name, asking):
            if name in item.properties or name in _NAMED:
                break
            item = replace(item, properties={**item.properties, name: ZERO})  # it may lack more
    return [(asking, name) for name, asking in gaps.items()]


def _missing(item: Ingredient, quantity: Quantity, process: Process) -> str:
    """The property that a quantity does not find in an ingredient, or nothing."""
    try:
        in_one_kg(quantity, item, process)
    except MissingProperty as missing:
        return missing.property_name
    return ""


def gap_faults(
    recipe: Recipe, table: LotTable, items: Iterable[Ingredient], needed: Mapping[Quantity, Requirement]
) -> Iterator[Fault]:
    """What lots and additions do not state, each at its place: a line of the table, or an entry of the recipe."""
    places = {addition.item: ("additions", i) for i, addition in enumerate(recipe.additions)}
    for item in items:
        for asking, name in gaps_of(item, needed, recipe):
            found = f"{item.name} does not state {name}, which {asking.what} needs"
            if isinstance(item, Lot):
                yield Fault(table.file, item.line, name, found, "give the figure")
            else:
                yield recipe.document.fault(places[item], found, f"a {item.kind} states it; zero is a figure too")
