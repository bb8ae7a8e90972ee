"""Reading a recipe: its faults all at once, what it becomes, the rule packs and product classes that it names, and the
limits of these that are in force for a batch.

A fault of a pack stands where the pack was named: in the recipe, or on the command line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import Any

from pydantic import ValidationError

from constraints import ingoing
from constraints.as_typed import G_PER_KG, PERCENT, PPM, ZERO, BadInput, Fault, likely, meant, some, trimmed
from constraints.document import Parsed, parse, read_text, validate
from constraints.document.parsing import Loc
from constraints.formula import Addition, Dosing
from constraints.laboratory import LaboratoryEntry
from constraints.library import brought, ion_of, judges, knows, load_pack, most, nearest_pack, pure
from constraints.quantities import FAT, MOISTURE, NITRATE, NITRITE, PROTEIN, SALT, Basis, Ingredient, Kind, Lot, Process
from constraints.requirement import BY_ION, Origin, Requirement, Role, Salt, Stage
from constraints.rules import Pack, Product, not_waivable, waived
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
        return Fault(self.document.file, *self.document.mark(loc), found, allowed)

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
            faults[name] = self.fault(("product_class",), name, found, close or self._how(name, pack, known))
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
    own, asked = recipe.entry.product_class, [text.partition("=")[::2] for text in packs]
    if laboratory:
        recipe = recipe.having(laboratory=validate(parse(read_text(laboratory), laboratory), LaboratoryEntry))
    recipe = recipe if units is None else recipe.having(units=units)
    stated = own if isinstance(own, dict) else dict.fromkeys(recipe.entry.rules, own)
    classes = {name: known for name, typed in asked if (known := typed or stated.get(name))}
    names = tuple(name for name, _ in asked)
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


def product_of(recipe: Recipe, day: date) -> Product:
    """What a rule pack needs to know of the batch."""
    entry, uses = recipe.entry, frozenset(_used(recipe))
    return Product(recipe.cured, frozenset(entry.steps), entry.keep_refrigerated, day, uses)


def _used(recipe: Recipe) -> Iterator[str]:
    """What the recipe adds, as a rule pack's conditions name it."""
    for item in recipe.entry.additions:
        yield item.is_
        yield from (name for name in SUBSTANCES if f"{name}_pct" in item.properties)
    yield from ["casing"] if recipe.entry.casing else []
    cures = [item for item in recipe.entry.additions if item.is_ == "cure"]
    for ion in BY_ION:
        salts = {getattr(cure, f"{ion}_salt") for cure in cures if getattr(cure, f"{ion}_pct")}
        if salts == {CureSalt.POTASSIUM}:
            yield f"potassium_{ion}"


def legal_requirements(
    recipe: Recipe, product: Product, faults: list[Fault]
) -> tuple[tuple[Pack, ...], list[Requirement]]:
    """The recipe's packs and their limits in force for this product; what is wrong is added to ``faults``."""
    stated, names = recipe.stated, recipe.entry.waive
    packs, legal = stated.load(faults), list[Requirement]()
    wrong = stated.class_faults(packs)
    faults += [*_misnamed(stated, packs), *wrong.values()]
    held = {item.is_ for item in recipe.entry.additions}
    for name, pack in packs.items():
        if name in wrong:
            continue
        known = stated.class_for(name, pack)
        legal += pack.requirements(product, known)
        own = next((entry for entry in pack.classes if entry.id == known), None)
        for needed in own.needs if own else ():  # limits that leave it out would count otherwise
            if needed not in held:
                found = f"the product class {known} of {pack.pack} needs {needed}, and no addition is one"
                faults.append(stated.fault(("product_class",), name, found, f"an addition with is: {needed}"))
    for name, why in not_waivable(legal, names).items():
        faults.append(recipe.document.fault(("waive", names.index(name)), f"{name} cannot be waived", why))
    return tuple(packs.values()), list(waived(legal, names))


def _misnamed(stated: Stated, packs: Mapping[str, Pack]) -> Iterator[Fault]:
    """A pack named twice, or two files whose packs have one name: each would be taken for the other.

    And keys of product_class that are no pack of the recipe: a slip there would drop every limit of the class.
    """
    named = [packs[name].pack if name in packs else name for name in stated.names]
    for i, (name, pack) in enumerate(zip(stated.names, named, strict=True)):
        if name in stated.names[:i] or pack in named[:i]:
            yield stated.fault(("rules", i), name, f"the rule pack {pack} is named twice", "once")
    for key in () if stated.wanted is None or isinstance(stated.wanted, str) else stated.wanted:
        if key not in (*stated.names, *named):
            hint = meant(key, {*stated.names, *named}, f"packs of this recipe: {', '.join(stated.names)}")
            yield stated.document.fault(("product_class", key), f"{key!r} is no rule pack of this recipe", hint)


def unjudged(
    recipe: Recipe, packs: Sequence[Pack], legal: Sequence[Requirement], product: Product, lots: Sequence[Lot],
    file: str,
) -> Iterator[Fault]:  # fmt: skip
    """Salts of nitrite and nitrate that no pack judges: nobody is to weigh out a cure that no law allows.

    A pack that limits what is put in of a salt, though not for this class and day, is a fault under any other pack.
    """
    stated, own = recipe.stated, [addition.item for addition in recipe.additions]
    named = list(zip(recipe.entry.rules, packs, strict=True))
    rows = {name: [r for r in legal if r.origin.pack == pack.pack] for name, pack in named}
    for salt in sorted(brought([*own, *lots])):
        judging = [name for name, pack in named if judges(pack, stated.class_for(name, pack), rows[name], salt)]
        if not judging:
            yield from _no_limit(recipe, product, salt, lots, file)
        for name, pack in named if judging else ():
            if name not in judging and salt in brought(own) and knows(pack, pack.rows, salt):
                found = f"no limit of {pack.pack} on {ion_of([salt])} is in force on {product.day} for this product"
                yield stated.fault(("rules",), name, found, "another date or class; nothing would judge the cure")


def opposed(recipe: Recipe, packs: Sequence[Pack], legal: Sequence[Requirement]) -> Iterator[Fault]:
    """A floor of one pack above the ceiling of another, on one thing over one base: no batch could keep both."""
    stated, binding = recipe.stated, [r for r in legal if r.origin.blocks and not r.origin.waived]
    names = {pack.pack: name for name, pack in zip(recipe.entry.rules, packs, strict=True)}
    for floor in (r for r in binding if r.lo is not None):
        for ceiling in (r for r in binding if r.hi is not None and r.origin.pack != floor.origin.pack):
            least = _leaves(floor, ceiling)
            if least is not None and ceiling.hi is not None and least > ceiling.hi:
                name = names[floor.origin.pack]
                found = (
                    f"{floor.origin.rule} of {floor.origin.pack} asks for {floor.what}, {floor.basis}, "
                    f"{floor.limits()}, and {ceiling.origin.rule} of {ceiling.origin.pack} allows {ceiling.limits()}"
                )
                at = ("rules", recipe.entry.rules.index(name))
                yield stated.fault(at, name, found, "rows that a batch can keep together, or one pack of the two")


def _leaves(floor: Requirement, ceiling: Requirement) -> Fraction | None:
    """The least figure of a ceiling that a floor leaves over the same base; None where neither follows."""
    one, other = (replace(r, what="", lo=None, hi=None, role=Role.OWN, origin=Origin("", "")) for r in (floor, ceiling))
    if one == other:
        return floor.lo
    salts, counted, limited = floor.regulates.substances, floor.counted, ceiling.counted
    ingoing = floor.regulates.stage is Stage.INGOING and floor.basis == ceiling.basis
    if not ingoing or not salts or not salts <= set(Salt) or counted is None or limited is None or floor.lo is None:
        return None
    process, pures = Process(), [pure(Salt(salt)) for salt in salts]
    return floor.lo * min(limited.per_kg(salt, process) / counted.per_kg(salt, process) for salt in pures)


def _no_limit(recipe: Recipe, product: Product, salt: Salt, lots: Sequence[Lot], file: str) -> Iterator[Fault]:
    """What brings a salt that no pack judges, and what to do."""
    names, ion = recipe.entry.rules, ion_of([salt])
    judged = f"no limit of {', '.join(names)} judges how much in this product on {product.day}"
    where = judged if names else "no rule pack is named, so no law judges it"
    how = "--rules PACK=CLASS" if recipe.asked else "rules: [PACK] and product_class: CLASS"
    mend = f"{how}, as trimwright rules lists them; a pack of your own, by its file, may limit ingoing {ion}"
    mend += f" at {trimmed(most(salt))} ppm or less"
    for i, addition in enumerate(recipe.additions):
        if salt in brought([addition.item]):
            yield recipe.document.fault(("additions", i), f"{addition.item.name} brings {ion}, and {where}", mend)
    cured = [lot for lot in lots if salt in brought([lot])]
    if cured:
        found = f"{', '.join(lot.name for lot in cured)}: {ion} in the lot, and {where}"
        yield Fault(file, cured[0].line or None, None, found, f"in {recipe.file} {mend}")


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
