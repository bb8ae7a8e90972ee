"""What would bring a weighed batch back within a limit: so much more of one lot, where one lot can do it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.formula import Batch, Formula, NoDose
from constraints.ingredients import Ingredient, Lot
from constraints.quantities import MissingProperty
from constraints.requirement import Requirement
from constraints.stock import allowed
from optimizer.reading.recipe import Recipe

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Mend:
    """Usable kilograms of a lot that, put in with the additions it carries, make the figure ``value``."""

    lot: Lot
    kilograms: Fraction
    value: Fraction


class Mender:
    """A weighed batch, the lots that could still go in, and the division of the meat scale in kilograms."""

    def __init__(self, recipe: Recipe, batch: Batch, lots: Iterable[Lot], division: Fraction) -> None:
        self.batch = batch
        self.division = division
        weighed = [item for item in batch.kilograms if isinstance(item, Lot)]
        self.lots = [lot for lot in lots if not lot.rework]
        try:
            formula = Formula([*weighed, *self.lots], recipe.additions, recipe.process)
            self.carried = {lot: formula.carried(lot) for lot in self.lots}
        except (NoDose, MissingProperty):
            self.lots, self.carried = [], {}

    def mend(self, broken: Requirement, kept: Sequence[Requirement]) -> Mend | None:
        """The smallest single pull that brings a requirement within its limits and breaks none of ``kept``."""
        found = [mend for lot in self.lots if (mend := self._by(lot, broken, kept)) is not None]
        return min(found, key=lambda m: (m.kilograms, m.lot.book_per_kg, m.lot.name), default=None)

    def _by(self, lot: Lot, broken: Requirement, kept: Sequence[Requirement]) -> Mend | None:
        have = self.batch.kilograms.get(lot, _ZERO)
        most = int((lot.usable_kg - have) / self.division)
        try:
            count = _first(lambda n: broken.measure(self._with(lot, n)).ok is True, most)
            if count is None or not allowed(lot, have + count * self.division):
                return None
            after = self._with(lot, count)
            value = broken.measure(after).value
            if value is None or any(requirement.measure(after).ok is False for requirement in kept):
                return None
        except MissingProperty:
            return None
        return Mend(lot, count * self.division, value)

    def _with(self, lot: Lot, count: int) -> Batch:
        """The batch with so many divisions more of a lot, and the exact doses of what goes with them."""
        added = count * self.division
        items: dict[Ingredient, Fraction] = dict(self.batch.kilograms)
        items[lot] = items.get(lot, _ZERO) + added
        for item, share in self.carried[lot]:
            items[item] = items.get(item, _ZERO) + max(share, _ZERO) * added
        return Batch(items, self.batch.process)


def _first(holds: Callable[[int], bool], most: int) -> int | None:
    """The smallest count from 1 to ``most`` that holds, where those that hold are one run of neighbours.

    Counts that grow by a tenth are tried, so that a run shorter than that may be missed.
    """
    below, count = 0, 1
    while count <= most and not holds(count):
        below, count = count, max(count + 1, count * 11 // 10)
    if count > most:
        return None
    while count - below > 1:
        middle = (below + count) // 2
        below, count = (below, middle) if holds(middle) else (middle, count)
    return count
