"""Another name for lawful food that may not bear its own: classes of the same pack whose every rule it keeps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from constraints.formula import Batch
from constraints.meaning import COMPOSITION
from constraints.quantities import MissingProperty
from constraints.rules import Method, Pack, Product, ProductClass
from optimizer.reading.packs import class_for, product_of
from optimizer.reading.recipe import Recipe


def other_names(recipe: Recipe, packs: Sequence[Pack], day: date, batch: Batch) -> tuple[str, ...]:
    """For each pack one of whose rules is broken under the class stated, the classes that fit the batch, in words."""
    said, product = [], product_of(recipe, day)
    for named, pack in zip(recipe.entry.rules, packs, strict=True):
        present = class_for(recipe, named, pack)
        if present is not None and not _keeps(pack, present, product, batch):
            found = [f"{c.title} (product_class: {c.id})" for c in fitting(pack, present, product, batch)]
            said += [f"Lawful under the {pack.title} pack as {'; '.join(found)}"] if found else []
    return tuple(said)


def fitting(pack: Pack, present: str, product: Product, batch: Batch) -> tuple[ProductClass, ...]:
    """The pack's other classes that the batch could be sold as: made and cured like it, with every rule of law kept.

    Only classes whose composition the pack limits, and of a class and a wider one only the wider.
    """
    method = next((c.method for c in pack.classes if c.id == present), Method.COMMINUTED)
    others = (c for c in pack.classes if c.id != present and c.method is method and product.uses.issuperset(c.needs))
    like = (c for c in others if c.made.holds(product, method))
    found = [c for c in like if _identified(pack, c.id, product) and _keeps(pack, c.id, product, batch)]
    ids = {c.id for c in found}
    return tuple(c for c in found if not (pack.belongs_to(c.id) - {c.id}) & ids)


def _identified(pack: Pack, name: str, product: Product) -> bool:
    """True where the pack holds a rule on the composition of this class, and not only on what is added to any."""
    rows = (row for row in pack.in_force(product, name) if row.classes)
    return any(row.requirement().regulates == COMPOSITION for row in rows)


def _keeps(pack: Pack, name: str, product: Product, batch: Batch) -> bool:
    """True where the batch breaks no rule of law for the class; False too where that cannot be told."""
    return not any(_broken(pack, name, product, batch))


def _broken(pack: Pack, name: str, product: Product, batch: Batch) -> Iterator[bool]:
    for requirement in pack.requirements(product, name):
        if requirement.origin.legal:
            try:
                yield requirement.measure(batch).ok is False
            except MissingProperty:
                yield True
