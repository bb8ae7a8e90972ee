"""The limits of a recipe's rule packs that are in force for a batch."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import date
from fractions import Fraction

from constraints.cure import COUNTED, brings_nitrite, speaks_of_nitrite
from constraints.faults import Fault, nearest
from constraints.ingredients import Lot
from constraints.numbers import trimmed
from constraints.requirement import Ratio, Requirement
from constraints.rules import Pack, Product, not_waivable, waived
from optimizer.reading.named import Stated
from optimizer.reading.recipe import Recipe

MOST_NITRITE_PPM, MOST_NITRATE_PPM = Fraction(700), Fraction(2500)
"""Ingoing nitrite and nitrate above what any pack that limits them allows, mg/kg; common practice, no source."""


def _stated(recipe: Recipe) -> Stated:
    entry = recipe.entry
    return Stated(recipe.document, entry.rules, entry.product_class, bool(recipe.asked))


def class_for(recipe: Recipe, name: str, pack: Pack) -> str | None:
    """The product class the recipe states for a pack, by the pack's own name or as it is named under rules."""
    return _stated(recipe).class_for(name, pack)


def product_of(recipe: Recipe, day: date) -> Product:
    """What a rule pack needs to know of the batch."""
    return Product(recipe.cured, frozenset(recipe.entry.steps), recipe.entry.keep_refrigerated, day)


def legal_requirements(
    recipe: Recipe, product: Product, faults: list[Fault]
) -> tuple[tuple[Pack, ...], list[Requirement]]:
    """The recipe's packs and their limits in force for this product; what is wrong is added to ``faults``."""
    stated = _stated(recipe)
    legal: list[Requirement] = []
    faults += _repeated_packs(stated)
    packs = stated.load(faults)
    faults += stated.class_faults(packs)
    for name, pack in packs.items():
        if stated.class_fault(name, pack) is not None:
            continue
        rows = pack.requirements(product, stated.class_for(name, pack))
        legal += rows
        faults += _no_nitrite_row(stated, name, pack, product, rows)
    faults += _stray_classes(stated, packs.values())
    names = recipe.entry.waive
    for name, why in not_waivable(legal, names).items():
        faults.append(recipe.document.fault(("waive", names.index(name)), f"{name} cannot be waived", why))
    return tuple(packs.values()), list(waived(legal, names))


def unjudged(recipe: Recipe, legal: Sequence[Requirement], lots: Sequence[Lot], file: str) -> Iterator[Fault]:
    """What brings nitrite or nitrate where no rule would judge it: nobody is to weigh out a cure that no law allows.

    A pack must hold a limit that forbids the batch. Where packs are named and the recipe adds no cure, cured lots are
    as the packs see them: every pack is written for what is put in.
    """
    judged = [r for r in legal if r.hi is not None and r.origin.blocks and speaks_of_nitrite(r.what)]
    if judged:
        # Where the law limits only what is left in the product, arithmetic decides nothing: see that it is no slip.
        yield from () if any(isinstance(r, Ratio) for r in judged) else _unlikely(recipe)
        return
    names = recipe.entry.rules
    where = f"no limit of {', '.join(names)} judges how much" if names else "no rule pack is named, so no law judges it"
    how = "--rules PACK=CLASS" if recipe.asked else "rules: [PACK] and product_class: CLASS"
    mend = f"{how}, as trimwright rules lists them; a pack of your own, by its file, may hold the limit"
    for i, addition in enumerate(recipe.additions):
        if brings_nitrite(addition.item):
            found = f"{addition.item.name} brings nitrite or nitrate, and {where}"
            yield recipe.document.fault(("additions", i), found, mend)
    cured = [lot for lot in lots if brings_nitrite(lot)]
    if cured and not names:
        found = f"{', '.join(lot.name for lot in cured)}: nitrite or nitrate in the lot, and {where}"
        yield Fault(file, cured[0].line or None, None, found, f"in {recipe.file} {mend}")


def _unlikely(recipe: Recipe) -> Iterator[Fault]:
    """Cures that bring more nitrite or nitrate than any limit on what is put in would allow."""
    for i, (addition, entry) in enumerate(zip(recipe.additions, recipe.entry.additions, strict=True)):
        properties = addition.item.properties
        for what, names, most in (
            ("nitrite", COUNTED[:2], MOST_NITRITE_PPM),
            ("nitrate", COUNTED[2:], MOST_NITRATE_PPM),
        ):
            given = addition.rate * sum((properties.get(name, Fraction(0)) for name in names), Fraction(0))
            if given > most and not entry.confirm_strength:
                found = f"{addition.item.name} gives {trimmed(given, 2)} ppm ingoing {what}, and the law named limits "
                found += "only what a laboratory finds"
                allowed = f"{trimmed(most)} ppm or less; if more is meant, add confirm_strength: yes"
                yield recipe.document.fault(("additions", i), found, allowed)


def _repeated_packs(stated: Stated) -> Iterator[Fault]:
    for i, name in enumerate(stated.names):
        if name in stated.names[:i]:
            yield stated.fault(("rules", i), name, f"the rule pack {name} is named twice", "once")


def _stray_classes(stated: Stated, packs: Collection[Pack]) -> Iterator[Fault]:
    """Keys of product_class that are no pack of the recipe: a slip there would drop every limit of the class."""
    known = {*stated.names, *(pack.pack for pack in packs)}
    for key in () if stated.wanted is None or isinstance(stated.wanted, str) else stated.wanted:
        if key not in known:
            close = nearest(key, known)
            hint = f"did you mean {close}?" if close else f"packs of this recipe: {', '.join(stated.names)}"
            yield stated.document.fault(("product_class", key), f"{key!r} is no rule pack of this recipe", hint)


def _no_nitrite_row(
    stated: Stated, name: str, pack: Pack, product: Product, rows: Sequence[Requirement]
) -> Iterator[Fault]:
    """A cured batch whose day or class leaves a pack that limits ingoing nitrite with nothing to judge it by."""
    has_any = any(row.requires.kind() == "ingoing_nitrite" for row in pack.rows)
    judged = any("nitrite" in r.what for r in rows)
    if product.cured and has_any and not judged:
        found = f"no limit of {pack.pack} on nitrite is in force on {product.day} for this product"
        yield stated.fault(("rules",), name, found, "another date or class; nothing would judge the cure")
