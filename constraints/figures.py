"""Quantities of all lots of a question, reckoned once, whatever number of recipes asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from constraints.ingredients import Ingredient
from constraints.quantities import MissingProperty, Process, Quantity, in_one_kg
from constraints.vector import Places, Vector

_ZERO = Fraction(0)


class Figures:
    """Ingredients and, for each quantity asked for, its figure in a kilogram of each."""

    def __init__(self, items: Sequence[Ingredient]) -> None:
        self.items = tuple(items)
        self.place = {item: j for j, item in enumerate(self.items)}
        self._known: dict[tuple[Quantity, Process], tuple[Vector, Places]] = {}

    def places(self, items: Sequence[Ingredient]) -> Places:
        """Where these ingredients stand."""
        return np.array([self.place[item] for item in items], dtype=np.int64)

    def of(self, quantity: Quantity, process: Process) -> tuple[Vector, Places]:
        """The figure of each ingredient, zero where one does not state it, and where those stand."""
        key = quantity, process
        if key not in self._known:
            figures, silent = [], []
            for j, item in enumerate(self.items):
                try:
                    figures.append(in_one_kg(quantity, item, process))
                except MissingProperty:
                    figures.append(_ZERO)
                    silent.append(j)
            self._known[key] = Vector.of(figures), np.array(silent, dtype=np.int64)
        return self._known[key]
