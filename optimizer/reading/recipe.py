"""Reading a recipe: its faults all at once, the rule packs and product classes that it names, and what it becomes.

A fault of a pack stands where the pack was named: in the recipe, or on the command line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from constraints import ingoing
from constraints.document import Parsed, parse, read_text, validate
from constraints.document.parsing import Loc
from constraints.faults import BadInput, Fault, hidden, likely, some, unprintable
from constraints.formula import Addition, Dosing
from constraints.laboratory import LaboratoryEntry
from constraints.library import brought, load_pack, nearest_pack
from constraints.numbers import G_PER_KG, PERCENT, PPM, trimmed
from constraints.quantities import FAT, MOISTURE, NITRATE, NITRITE, PROTEIN, SALT, Basis, Ingredient, Kind, Process
from constraints.requirement import Origin, Requirement
from constraints.rules import Pack, ProcessStep
from constraints.substances import SUBSTANCES, SURFACE, kind_of
from constraints.words import speaks_of_nitrite
from optimizer.reading.added import PLAIN_KINDS, AdditionEntry, CureSalt, ScaleName
from optimizer.reading.entry import RecipeEntry, Units
from optimizer.reading.lots import LotTable, read_lots
from optimizer.reading.recipe_checks import impossible, name_faults, suspicions

if TYPE_CHECKING:
    from optimizer.ledger import MeasuredYield

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
                faults += [
                    fault if fault.line else self.fault(("rules", i), name, fault.found, fault.allowed)
                    for fault in error.faults
                ]
        return packs

    def class_faults(self, packs: Mapping[str, Pack]) -> list[Fault]:
        """Every fault of a class, for a pack that there is or that was most likely meant."""
        meant = {name: packs.get(name) or (load_pack(near) if (near := nearest_pack(name)) else None)
                 for name in self.names}  # fmt: skip
        found = (self.class_fault(name, pack) for name, pack in meant.items() if pack is not None)
        return [fault for fault in found if fault is not None]

    def class_fault(self, name: str, pack: Pack) -> Fault | None:
        """What is wrong with the product class for a pack."""
        wanted, known = self.class_for(name, pack), [entry.id for entry in pack.classes]
        if wanted is None and pack.class_required:
            found = f"the rule pack {pack.pack} needs a product class"
            return self.fault(("product_class",), name, found, self._how(name, pack, known))
        if wanted is not None and known and wanted not in known:
            found = f"the rule pack {pack.pack} has no product class {wanted!r}"
            shared = isinstance(self.wanted, str) and any(map(self._fitting, self.names))  # right for another pack
            close = "" if shared else likely(wanted, known)
            hint = f"did you mean {close}?" if close else self._how(name, pack, known)
            return self.fault(("product_class",), name, found, hint)
        return None

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
        try:
            pack = load_pack(name)
        except BadInput:
            return None
        wanted = self.class_for(name, pack)
        return wanted if wanted in [entry.id for entry in pack.classes] else None


def pack_faults(document: Parsed) -> list[Fault]:
    """Unknown packs and classes of a recipe, whatever else is wrong with it."""
    faults: list[Fault] = []
    stated = Stated.typed(document)
    packs = stated.load(faults)
    return [*faults, *stated.class_faults(packs)]


@dataclass(frozen=True)
class Recipe:
    """A recipe as the rest of the program sees it. ``entry`` keeps what was typed.

    ``asked`` are the rule packs as named on the command line, where they stand in place of the recipe's own.
    """

    file: str
    entry: RecipeEntry
    requirements: tuple[Requirement, ...]
    additions: tuple[Addition, ...]
    scales: tuple[ScaleName | None, ...]
    process: Process
    warnings: tuple[Fault, ...]
    document: Parsed
    asked: tuple[str, ...] = ()
    measured: MeasuredYield | None = None
    """The yield of the last batches, where a ledger holds them."""

    @property
    def cured(self) -> bool:
        """Whether the recipe adds nitrite or nitrate."""
        return bool(brought(addition.item for addition in self.additions))

    @property
    def found(self) -> dict[str, Fraction]:
        """What a laboratory found in the batch that is checked, by the name of its measure."""
        return {} if self.entry.laboratory is None else self.entry.laboratory.figures()

    def in_units(self, units: Units | None) -> Recipe:
        """The recipe with weights said in a unit asked for beside it; None leaves it as it is."""
        return self if units is None else replace(self, entry=self.entry.model_copy(update={"units": units}))


def read_recipe(path: str) -> Recipe:
    """Read a recipe file. Raises BadInput with every fault of the file."""
    return parse_recipe(read_text(path), path)


def parse_recipe(text: str, file: str) -> Recipe:
    """Read a recipe from text. Raises BadInput with every fault."""
    document = parse(text, file)
    try:
        entry = validate(document, RecipeEntry)
    except BadInput as error:
        raise BadInput(_in_order([*error.faults, *_sound_part(document), *pack_faults(document)])) from None
    faults = list(_faults(entry, document))
    if faults:
        raise BadInput(_in_order([*faults, *pack_faults(document)]))
    process = Process(estimates=frozenset(component.property_name for component in entry.estimate))
    if entry.yield_ is not None:
        left, fat_lost = entry.yield_.finished_pct / PERCENT, entry.yield_.fat_loss_pct / PERCENT
        process = replace(process, yield_fraction=left, fat_loss=fat_lost, declared=True)
    return Recipe(
        file=file, entry=entry, requirements=tuple(_requirements(entry, document)), process=process,
        additions=tuple(addition(item) for item in entry.additions), warnings=tuple(suspicions(entry, document)),
        scales=tuple(item.scale for item in entry.additions), document=document,
    )  # fmt: skip


def _in_order(faults: Sequence[Fault]) -> list[Fault]:
    """Each fault once, in the order of the file."""
    return sorted(dict.fromkeys(faults), key=lambda fault: (fault.line or 0, str(fault.column or 0).zfill(9)))


_TOGETHER = ("name", "steps", "cured", "made_without_nitrite", "additions", "yield", "casing")
"""The keys that the checks of a whole recipe look at, requirements apart."""


def _sound_part(document: Parsed) -> list[Fault]:
    """What is wrong with the additions and their nitrite in a recipe that cannot be read elsewhere."""
    part = {key: document.tree[key] for key in _TOGETHER if key in document.tree}
    try:
        entry = RecipeEntry.model_validate({"name": "?", **part})
    except ValidationError:
        return []
    return list(_faults(entry, document))


def judged_by(recipe: Recipe, packs: Sequence[str]) -> Recipe:
    """The recipe under other rule packs, each ``name`` or ``name=class``; the recipe itself where there are none."""
    if not packs:
        return recipe
    own = recipe.entry.product_class
    names: list[str] = []
    classes: dict[str, str] = {}
    for text in packs:
        name, _, product_class = text.partition("=")
        names.append(name)
        stated = own.get(name) if isinstance(own, dict) else own if name in recipe.entry.rules else None
        if product_class or stated:
            classes[name] = product_class or stated or ""
    entry = recipe.entry.model_copy(update={"rules": tuple(names), "product_class": classes})
    return replace(recipe, entry=entry, asked=tuple(packs))


def analysed(recipe: Recipe, path: str) -> Recipe:
    """The recipe with what a laboratory found, from a file of its own. Raises BadInput."""
    found = validate(parse(read_text(path), path), LaboratoryEntry)
    return replace(recipe, entry=recipe.entry.model_copy(update={"laboratory": found}))


def _requirements(entry: RecipeEntry, document: Parsed) -> Iterator[Requirement]:
    for i, asked in enumerate(entry.require):
        line, _ = document.mark(("require", i))
        yield asked.build(Origin(rule="recipe", source=f"your recipe, line {line}"))


def addition(entry: AdditionEntry) -> Addition:
    """What an entry of the recipe becomes."""
    kind = PLAIN_KINDS[entry.is_] if entry.is_ in PLAIN_KINDS else kind_of(entry.is_)
    figures = {FAT: entry.fat_pct, MOISTURE: entry.moisture_pct, PROTEIN: entry.protein_pct, SALT: entry.salt_pct}
    properties = {name: value for name, value in figures.items() if value is not None}
    properties.update(entry.properties)
    if entry.surface_pct is not None:
        properties[SURFACE] = entry.surface_pct
    if kind is Kind.SALT:
        properties.setdefault(SALT, Fraction(PERCENT))
    if kind is Kind.CURE:
        properties.update(_cure_properties(entry))
    substance = entry.is_ if entry.is_ in SUBSTANCES else ""
    item = Ingredient(entry.name, kind, properties, substance=substance, cost_per_kg=entry.cost_per_kg)
    return _dosed(item, entry)


def _cure_properties(entry: AdditionEntry) -> dict[str, Fraction]:
    nitrite, nitrate = entry.nitrite_pct or Fraction(0), entry.nitrate_pct or Fraction(0)
    ppm_per_pct = Fraction(PPM, PERCENT)
    sodium = CureSalt.SODIUM
    found = {
        NITRITE if entry.nitrite_salt is sodium else ingoing.POTASSIUM_NITRITE: nitrite * ppm_per_pct,
        NITRATE if entry.nitrate_salt is sodium else ingoing.POTASSIUM_NITRATE: nitrate * ppm_per_pct,
    }
    if entry.salt_pct is None:
        found[SALT] = PERCENT - nitrite - nitrate
    return found


def _dosed(item: Ingredient, entry: AdditionEntry) -> Addition:
    if entry.total_salt_pct is not None:
        return Addition(item, Dosing.TOTAL_SALT, entry.total_salt_pct / PERCENT, entry.basis)
    if entry.up_to_g_per_kg_meat is not None:
        least = (entry.from_g_per_kg_meat or Fraction(0)) / G_PER_KG
        return Addition(item, Dosing.FREE, least=least, most=entry.up_to_g_per_kg_meat / G_PER_KG)
    if entry.g_per_kg_batch is not None:
        return Addition(item, Dosing.PER_BATCH, entry.g_per_kg_batch / G_PER_KG, Basis.BATCH)
    if entry.ingoing_nitrite_ppm is not None:
        fraction = (entry.nitrite_pct or Fraction(0)) / PERCENT
        return Addition(item, Dosing.PER_MEAT, entry.ingoing_nitrite_ppm / PPM / fraction)
    return Addition(item, Dosing.PER_MEAT, (entry.g_per_kg_meat or Fraction(0)) / G_PER_KG)


def _faults(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    yield from _cure_faults(entry, document)
    yield from _property_faults(entry, document)
    yield from name_faults(entry, document)
    yield from _yield_faults(entry, document)
    if sum(item.total_salt_pct is not None for item in entry.additions) > 1:
        yield document.fault(("additions",), "two additions state total_salt_pct", "one salt makes up the total")
    yield from impossible(entry, document)


def _cure_faults(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    cured = any(item.is_ == "cure" or any(map(item.properties.get, ingoing.COUNTED)) for item in entry.additions)
    for i, item in enumerate(entry.additions):
        if item.is_ == "cure" and item.nitrite_pct:
            for found, allowed in _odd_cure(item, item.nitrite_pct):
                yield document.fault(("additions", i, "nitrite_pct"), found, allowed)
    needing = ["cured"] if entry.cured else []
    needing += [step.value for step in entry.steps if step is not ProcessStep.COOKED]
    if needing and not cured and not entry.made_without_nitrite:
        found = f"a {' and '.join(needing)} product without nitrite"
        at = "cured" if entry.cured else "steps"
        yield document.fault((at,), found, "add a cure, or say made_without_nitrite: yes")
    if cured and entry.made_without_nitrite:
        yield document.fault(("made_without_nitrite",), "yes, yet a cure is added", "one or the other")


def _odd_cure(item: AdditionEntry, strength: Fraction) -> Iterator[tuple[str, str]]:
    """A strength, or a dose, that is probably a slip and not confirmed."""
    known = ingoing.WEAKEST_PCT <= strength <= ingoing.STRONGEST_PCT or strength == ingoing.PURE_PCT
    if not known and not item.confirm_strength:
        weakest, strongest, pure = map(trimmed, (ingoing.WEAKEST_PCT, ingoing.STRONGEST_PCT, ingoing.PURE_PCT))
        usual = f"{weakest} to {strongest} %, or {pure} for the pure salt"
        found = f"{item.name} with {trimmed(strength)} % nitrite is of unusual strength"
        yield found, f"usual is {usual}; if the label says so, add confirm_strength: yes"
    rate = item.g_per_kg_meat if item.g_per_kg_meat is not None else item.g_per_kg_batch
    given = item.ingoing_nitrite_ppm if rate is None else rate / G_PER_KG * strength / PERCENT * PPM
    if given is not None and given < ingoing.LEAST_SENSIBLE_PPM and not (given and item.confirm_dose):
        least = f"under {trimmed(ingoing.LEAST_SENSIBLE_PPM)} ppm"
        meant = f"{least} is probably a typing error; if it is meant, add confirm_dose: yes"
        found = f"{item.name} gives only {trimmed(given, 2)} ppm ingoing nitrite"
        yield found, meant if given else "leave it out where none is meant"


def _property_faults(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    """Properties of additions that are impossible, given twice, or nitrite under a name that nothing counts."""
    own = {FAT, MOISTURE, PROTEIN, SALT}
    for i, item in enumerate(entry.additions):
        for name, value in item.properties.items():
            at = ("additions", i, "properties", name)
            most = PERCENT if name.endswith("_pct") else PPM if name.endswith("_ppm") else None
            if unprintable(name):
                yield document.fault(at, f"the name {name!r} holds {hidden(name)}", "a name as it is seen")
            elif name in own:
                yield document.fault(at, f"{name} has a key of its own", f"write {name} beside the name, not here")
            elif speaks_of_nitrite(name) and name not in ingoing.COUNTED:
                yield document.fault(at, f"nothing counts the property {name}", f"one of {', '.join(ingoing.COUNTED)}")
            elif most is not None and not 0 <= value <= most:
                yield document.fault(at, f"{name} is {trimmed(value)}", f"0 to {most}")


def _yield_faults(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    if entry.yield_ is not None:
        return
    for i, asked in enumerate(entry.require):
        kind: Any = getattr(asked, asked.kind())
        if getattr(kind, "basis", None) is Basis.FINISHED:
            found = "a requirement on the finished product, but no yield"
            yield document.fault(("require", i), found, "add yield: with finished_pct")


def both(recipe: Callable[[], Recipe], lots: Callable[[], LotTable]) -> tuple[Recipe, LotTable]:
    """What both give; of a ledger, what came out of the recipe's last batches too.

    Raises BadInput with the faults of both.
    """
    faults: list[Fault] = []
    read: Recipe | None = None
    table: LotTable | None = None
    try:
        read = recipe()
    except BadInput as error:
        faults += error.faults
    try:
        table = lots()
    except BadInput as error:
        faults += error.faults
    if read is None or table is None:
        named = [] if read is None else pack_faults(read.document)
        raise BadInput([*named, *faults])
    from optimizer.ledger import is_ledger, measured_yield

    if is_ledger(table.file):
        read = replace(read, measured=measured_yield(table.file, read.entry.name))
    return read, table


def read_both(recipe: str, lots: str) -> tuple[Recipe, LotTable]:
    """Read both files. Raises BadInput with the faults of both."""
    return both(lambda: read_recipe(recipe), lambda: read_lots(lots))
