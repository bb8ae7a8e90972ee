"""What a recipe and a weighed batch say of the product: nitrite, salt and species, on which treatments depend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.formula import Batch, Formula, NoDose
from constraints.kinds import OneRequirement
from constraints.numbers import ONE, ZERO, trimmed
from constraints.quantities import GROUPS, SALT, Ingredient, Kind, Lot, MissingProperty, members, species_of
from constraints.requirement import Origin
from constraints.rules import ProcessStep
from optimizer.as_weighed import whole_of
from optimizer.reading.lots import read_lots
from optimizer.reading.recipe import Recipe
from optimizer.reading.weighed import read_weighed

DRY = (Kind.DRY, Kind.SALT, Kind.CURE)


@dataclass(frozen=True)
class MadeProduct:
    """A recipe with the batch as weighed, or the doses alone where none was given (``weighed`` False).

    ``water_activity`` is a measured figure. ``species`` are those that may be in it: all of them where nothing is said.
    """

    recipe: Recipe
    batch: Batch | None
    weighed: bool
    species: frozenset[str]
    water_activity: Fraction | None = None

    @property
    def species_said(self) -> bool:
        """True where lots or recipe say which species are in it."""
        return self.species != frozenset(GROUPS)

    def does(self, step: ProcessStep) -> bool:
        """True where the recipe has a step after stuffing."""
        return step in self.recipe.entry.steps

    def takes(self, species: Sequence[str], not_species: Sequence[str]) -> bool:
        """True where a table for some species and not for others is for this product."""
        some = not species or bool(self.species & members(tuple(species)))
        return some and not self.species & members(tuple(not_species))

    def meets(self, requires: Sequence[OneRequirement], source: str) -> tuple[bool | None, str]:
        """Whether the batch holds what a treatment asks, and in words what it lacks."""
        unknown = ""
        for asked in requires:
            requirement = asked.build(Origin("treatment", source))
            try:
                verdict = None if self.batch is None else requirement.measure(self.batch)
            except MissingProperty as error:
                verdict, unknown = None, f"{error}, which {requirement.what} needs"
            if verdict is None or verdict.ok is None:
                unknown = unknown or f"{requirement.what} is not known"
            elif not verdict.ok:
                value = trimmed(verdict.value or ZERO, 2)
                return False, f"{requirement.what} is {value} {requirement.unit}, {requirement.limits()} asked"
        return (None, unknown + ("" if self.weighed else "; give --batch and --lots")) if unknown else (True, "")

    def salt_pct(self, of: str) -> Fraction | None:
        """Salt added, % of the batch, of the meat, or of the batch less its dry ingredients; None without a batch."""
        if self.batch is None or not self.weighed:
            return None
        items = self.batch.kilograms.items()
        salt = sum((kg * item.properties.get(SALT, ZERO) for item, kg in items if item.kind is not Kind.LOT), ZERO)
        kept = {
            "batch": [kg for _, kg in items],
            "meat": [kg for item, kg in items if item.kind is Kind.LOT],
            "without_dry": [kg for item, kg in items if item.kind not in DRY],
        }[of]
        return salt / sum(kept) if kept else None


def product_of(recipe: Recipe, batch: str | None, lots: str | None, water_activity: Fraction | None) -> MadeProduct:
    """The product of a recipe and, where given, of a weighed batch with its lots table. Raises BadInput."""
    if batch is None or lots is None:
        named = recipe.entry.eligible.species or ()
        found = [Ingredient(name, Kind.LOT, {SALT: ZERO}, species=name) for name in named]
        return MadeProduct(recipe, _doses(recipe), False, species_of_lots(found), water_activity)
    made = whole_of(recipe, read_lots(lots), read_weighed(batch), batch)
    species = species_of_lots([item for item in made.kilograms if isinstance(item, Lot)])
    return MadeProduct(recipe, made, True, species, water_activity)


def species_of_lots(lots: Sequence[Ingredient]) -> frozenset[str]:
    """The species of the lots; every one of them where there is none, or one does not say."""
    try:
        return frozenset(species_of(lot) for lot in lots) or frozenset(GROUPS)
    except MissingProperty:
        return frozenset(GROUPS)


def _doses(recipe: Recipe) -> Batch | None:
    """A kilogram of unsalted meat with the recipe's doses: what nitrite and accelerator follow from."""
    meat = Ingredient("meat", Kind.LOT, {SALT: ZERO})
    try:
        formula = Formula((meat,), recipe.additions, recipe.process)
    except (NoDose, MissingProperty):
        return None
    return formula.exact_batch([ONE if column is meat else ZERO for column in formula.columns])
