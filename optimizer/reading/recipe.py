"""Reading a recipe: its faults all at once, the rule packs and product classes that it names, and what it becomes.

A fault of a pack stands where the pack was named: in the recipe, or on the command line.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from pydantic import ValidationError

from constraints import ingoing
from constraints.document import Parsed, parse, read_text, validate
from constraints.document.parsing import Loc
from constraints.faults import BadInput, Fault, likely, some
from constraints.formula import Addition, Dosing
from constraints.laboratory import LaboratoryEntry
from constraints.library import brought, load_pack, nearest_pack
from constraints.numbers import G_PER_KG, PERCENT, PPM, ZERO
from constraints.quantities import FAT, MOISTURE, NITRATE, NITRITE, PROTEIN, SALT, Basis, Ingredient, Kind, Process
from constraints.requirement import Origin, Requirement
from constraints.rules import Pack
from constraints.substances import SUBSTANCES, SURFACE, kind_of
from optimizer.late import late
from optimizer.reading.entry import PLAIN_KINDS, AdditionEntry, CureSalt, RecipeEntry, Units
from optimizer.reading.lots import LotTable, read_lots
from optimizer.reading.recipe_checks import faults_of, suspicions

with late():
    from optimizer import ledger

MOST_LISTED = 4
"""Names that a message lists before it says where the rest stand."""


@dataclass(frozen=True)
class Stated:
    """The packs named, with the product class wanted: one name, one for each pack, or none.

    ``asked`` is True where they were named on the command line instead of in the recipe.
    """

    document: Parsed
    names: tuple[str, ...]
    wanted: str | Mapping[str, str] | None
    asked: bool = False

    @classmethod
    def typed(cls, document: Parsed) -> Stated:
        """What a document names as far as it can be read, whatever else is wrong with it."""
        rules, wanted = document.tree.get("rules"), document.tree.get("product_class")
        names = tuple(name for name in rules if isinstance(name, str)) if isinstance(rules, list) else ()
        if isinstance(wanted, dict):
            return cls(document, names, {key: name for key, name in wanted.items() if isinstance(name, str)})
        return cls(document, names, wanted if isinstance(wanted, str) else None)

    def class_for(self, name: str, pack: Pack) -> str | None:
        """The product class for a pack, by the pack's own name or as it was named."""
        wanted = self.wanted
        return wanted if wanted is None or isinstance(wanted, str) else wanted.get(pack.pack, wanted.get(name))

    def fault(self, loc: Loc, name: str, found: str, allowed: str) -> Fault:
        """A fault of one pack, at a place of the recipe or on the command line."""
        if self.asked:
            return Fault(f"--rules {name}", None, None, found, allowed)
        line, column = self.document.mark(loc)
        return Fault(self.document.file, line, column, found, allowed)

    def load(self, faults: list[Fault]) -> dict[str, Pack]:
        """Every pack that there is, by the name it was given; the others are faults."""
        packs = {}
        for i, name in enumerate(self.names):
            try:
                packs[name] = load_pack(name)
            except BadInput as error:
                faults += [f if f.line else self.fault(("rules", i), name, f.found, f.allowed) for f in error.faults]
        return packs

    def class_faults(self, packs: Mapping[str, Pack]) -> dict[str, Fault]:
        """What is wrong with the class, by the name of each pack that there is or that was most likely meant."""
        faults = {}
        for name in self.names:
            near = None if name in packs else nearest_pack(name)
            pack = packs.get(name) or (load_pack(near) if near else None)
            wanted = None if pack is None else self.class_for(name, pack)
            known = [] if pack is None else [entry.id for entry in pack.classes]
            if pack is not None and wanted is None and pack.class_required:
                found, close = f"the rule pack {pack.pack} needs a product class", ""
            elif pack is not None and wanted is not None and known and wanted not in known:
                found = f"the rule pack {pack.pack} has no product class {wanted!r}"
                shared = isinstance(self.wanted, str) and any(map(self._fitting, self.names))  # right for another pack
                close = "" if shared else likely(wanted, known)
            else:
                continue
            hint = f"did you mean {close}?" if close else self._how(name, pack, known)
            faults[name] = self.fault(("product_class",), name, found, hint)
        return faults

    def _how(self, name: str, pack: Pack, known: Sequence[str]) -> str:
        """How to state a class, and which there are."""
        file = name if name.endswith((".yaml", ".yml")) else pack.pack
        classes = f"of {some(known, MOST_LISTED, f'trimwright rules {file}')}"
        if self.asked:
            return f"write --rules {name}=CLASS, {classes}"
        if len(self.names) > 1:
            each = ", ".join(f"{n}: {self._fitting(n) or 'CLASS'}" for n in self.names)
            return f"one class a pack, product_class: {{{each}}}; {pack.pack} has {classes.removeprefix('of ')}"
        return f"product_class: CLASS, {classes}"

    def _fitting(self, name: str) -> str | None:
        """The class wanted where the pack has it."""
        pack = self.load([]).get(name)
        wanted = None if pack is None else self.class_for(name, pack)
        return wanted if pack is not None and wanted in [entry.id for entry in pack.classes] else None


def pack_faults(document: Parsed) -> list[Fault]:
    """Unknown packs and classes of a recipe, whatever else is wrong with it."""
    faults: list[Fault] = []
    stated = Stated.typed(document)
    packs = stated.load(faults)
    return [*faults, *stated.class_faults(packs).values()]


@dataclass(frozen=True)
class Recipe:
    """A recipe as the rest of the program sees it. ``entry`` keeps what was typed.

    ``asked`` are the rule packs as named on the command line, where they stand in place of the recipe's own.
    """

    file: str
    entry: RecipeEntry
    requirements: tuple[Requirement, ...]
    additions: tuple[Addition, ...]
    process: Process
    warnings: tuple[Fault, ...]
    document: Parsed
    asked: tuple[str, ...] = ()
    measured: ledger.MeasuredYield | None = None
    """The yield of the last batches, where a ledger holds them."""

    @property
    def cured(self) -> bool:
        """Whether the recipe adds nitrite or nitrate."""
        return bool(brought(addition.item for addition in self.additions))

    @property
    def found(self) -> dict[str, Fraction]:
        """What a laboratory found in the batch that is checked, by the name of its measure."""
        return {} if self.entry.laboratory is None else self.entry.laboratory.figures()

    @property
    def stated(self) -> Stated:
        """The rule packs it is judged by, and the product class."""
        return Stated(self.document, self.entry.rules, self.entry.product_class, bool(self.asked))

    def having(self, **changed: Any) -> Recipe:
        """The recipe with keys of its entry changed."""
        return replace(self, entry=self.entry.model_copy(update=changed))


def read_recipe(path: str) -> Recipe:
    """Read a recipe file. Raises BadInput with every fault of the file."""
    return parse_recipe(read_text(path), path)


def parse_recipe(text: str, file: str) -> Recipe:
    """Read a recipe from text. Raises BadInput with every fault."""
    document = parse(text, file)
    try:
        entry = validate(document, RecipeEntry)
        faults = list(faults_of(entry, document))
    except BadInput as error:
        faults = [*error.faults, *_sound_part(document)]
    if faults:
        each_once = dict.fromkeys([*faults, *pack_faults(document)])
        raise BadInput(sorted(each_once, key=lambda fault: (fault.line or 0, str(fault.column or 0).zfill(9))))
    process = Process(estimates=frozenset(component.property_name for component in entry.estimate))
    if entry.yield_ is not None:
        left, fat_lost = entry.yield_.finished_pct / PERCENT, entry.yield_.fat_loss_pct / PERCENT
        process = replace(process, yield_fraction=left, fat_loss=fat_lost, declared=True)
    lines = [document.mark(("require", i))[0] for i in range(len(entry.require))]
    origins = [Origin(rule="recipe", source=f"your recipe, line {line}") for line in lines]
    return Recipe(
        file, entry, tuple(asked.build(origin) for asked, origin in zip(entry.require, origins, strict=True)),
        tuple(map(addition, entry.additions)), process, tuple(suspicions(entry, document)), document,
    )  # fmt: skip


_TOGETHER = ("name", "steps", "cured", "made_without_nitrite", "additions", "yield", "casing")
"""The keys that the checks of a whole recipe look at, requirements apart."""


def _sound_part(document: Parsed) -> list[Fault]:
    """What is wrong with the additions and their nitrite in a recipe that cannot be read elsewhere."""
    part = {key: document.tree[key] for key in _TOGETHER if key in document.tree}
    try:
        return list(faults_of(RecipeEntry.model_validate({"name": "?", **part}), document))
    except ValidationError:
        return []


def judged_by(recipe: Recipe, packs: Sequence[str], laboratory: str = "", units: Units | None = None) -> Recipe:
    """The recipe under other rule packs, each ``name`` or ``name=class``, with weights in a unit asked for.

    ``laboratory`` is a file of what was found. The recipe itself where nothing is asked for. Raises BadInput.
    """
    own, rules, classes = recipe.entry.product_class, recipe.entry.rules, dict[str, str]()
    if laboratory:
        recipe = recipe.having(laboratory=validate(parse(read_text(laboratory), laboratory), LaboratoryEntry))
    recipe = recipe if units is None else recipe.having(units=units)
    for name, _, product_class in (text.partition("=") for text in packs):
        stated = own.get(name) if isinstance(own, dict) else own if name in rules else None
        if product_class or stated:
            classes[name] = product_class or stated or ""
    names = tuple(text.partition("=")[0] for text in packs)
    return replace(recipe.having(rules=names, product_class=classes), asked=tuple(packs)) if packs else recipe


def addition(entry: AdditionEntry) -> Addition:
    """What an entry of the recipe becomes."""
    kind = PLAIN_KINDS[entry.is_] if entry.is_ in PLAIN_KINDS else kind_of(entry.is_)
    nitrite, nitrate = entry.nitrite_pct or ZERO, entry.nitrate_pct or ZERO
    salt = PERCENT - nitrite - nitrate if kind in (Kind.SALT, Kind.CURE) and entry.salt_pct is None else entry.salt_pct
    figures = {FAT: entry.fat_pct, MOISTURE: entry.moisture_pct, PROTEIN: entry.protein_pct, SALT: salt}
    figures |= {**entry.properties, SURFACE: entry.surface_pct}
    if kind is Kind.CURE:
        sodium, ppm_per_pct = CureSalt.SODIUM, Fraction(PPM, PERCENT)
        figures[NITRITE if entry.nitrite_salt is sodium else ingoing.POTASSIUM_NITRITE] = nitrite * ppm_per_pct
        figures[NITRATE if entry.nitrate_salt is sodium else ingoing.POTASSIUM_NITRATE] = nitrate * ppm_per_pct
    properties = {name: value for name, value in figures.items() if value is not None}
    substance = entry.is_ if entry.is_ in SUBSTANCES else ""
    item = Ingredient(entry.name, kind, properties, substance=substance, cost_per_kg=entry.cost_per_kg)
    return _dosed(item, entry)


def _dosed(item: Ingredient, entry: AdditionEntry) -> Addition:
    if entry.total_salt_pct is not None:
        return Addition(item, Dosing.TOTAL_SALT, entry.total_salt_pct / PERCENT, entry.basis)
    if entry.up_to_g_per_kg_meat is not None:
        least = (entry.from_g_per_kg_meat or ZERO) / G_PER_KG
        return Addition(item, Dosing.FREE, least=least, most=entry.up_to_g_per_kg_meat / G_PER_KG)
    if entry.g_per_kg_batch is not None:
        return Addition(item, Dosing.PER_BATCH, entry.g_per_kg_batch / G_PER_KG, Basis.BATCH)
    rate = (entry.g_per_kg_meat or ZERO) / G_PER_KG
    if entry.ingoing_nitrite_ppm is not None and entry.nitrite_pct:
        rate = entry.ingoing_nitrite_ppm / PPM * PERCENT / entry.nitrite_pct
    return Addition(item, Dosing.PER_MEAT, rate)


def both(recipe: Callable[[], Recipe], lots: Callable[[], LotTable]) -> tuple[Recipe, LotTable]:
    """What both give; of a ledger, what came out of the recipe's last batches too.

    Raises BadInput with the faults of both.
    """
    try:
        table = lots()
    except BadInput as error:
        try:
            beside: Sequence[Fault] = pack_faults(recipe().document)
        except BadInput as own:
            beside = own.faults
        raise BadInput([*beside, *error.faults]) from None
    read = recipe()
    if ledger.is_ledger(table.file):
        read = replace(read, measured=ledger.measured_yield(table.file, read.entry.name))
    return read, table


def read_both(recipe: str, lots: str) -> tuple[Recipe, LotTable]:
    """Read both files. Raises BadInput with the faults of both."""
    return both(lambda: read_recipe(recipe), lambda: read_lots(lots))
