"""The limits of a recipe's rule packs that are in force for a batch."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from constraints.faults import Fault, meant
from constraints.library import brought, ion_of, judges, knows, most, pure
from constraints.numbers import trimmed
from constraints.quantities import Lot, Process
from constraints.requirement import BY_ION, Origin, Requirement, Role, Salt, Stage
from constraints.rules import Pack, Product, not_waivable, waived
from constraints.substances import SUBSTANCES
from optimizer.reading.entry import CureSalt
from optimizer.reading.recipe import Recipe, Stated


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
