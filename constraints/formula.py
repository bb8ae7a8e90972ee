"""The formula: lots to choose from, and additions that follow from the lots chosen.

An addition is dosed per kilogram of fresh meat (rework brings its own), per kilogram of batch, or as what is missing to
a total of salt. All of these are linear, so every kilogram of a lot carries its own additions with it. Solving for
them once, exactly, leaves a problem over the lots alone. What all lots of a question hold is reckoned once, whatever
number of recipes asks for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

import numpy as np

from constraints.as_typed import ONE, PERCENT, ZERO

from constraints.quantities import SALT, Basis, Ingredient, Kind, MissingProperty  # isort: skip
from constraints.quantities import Process, Quantity, in_one_kg, stated  # isort: skip
from constraints.row import Places, Vector, plain, quick, solve


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
                    figures.append(ZERO)
                    silent.append(j)
            self._known[key] = Vector.of(figures), np.array(silent, dtype=np.int64)
        return self._known[key]


class Dosing(StrEnum):
    """How an addition's amount is found."""

    PER_MEAT = "per kilogram of fresh meat"
    PER_BATCH = "per kilogram of whole batch"
    TOTAL_SALT = "to a total of salt"
    FREE = "chosen with the lots"


@dataclass(frozen=True, eq=False)
class Addition:
    """An ingredient with its dose.

    ``rate`` is kilograms per kilogram of its basis; for TOTAL_SALT it is the kilograms of salt wanted per kilogram
    of ``basis``. ``least`` and ``most`` bound a FREE addition, in kilograms per kilogram of meat.
    """

    item: Ingredient
    dosing: Dosing
    rate: Fraction = ZERO
    basis: Basis = Basis.MEAT
    least: Fraction = ZERO
    most: Fraction | None = None


class NoDose(ValueError):
    """The doses contradict each other: for example additions per kilogram of batch that add up to all of it."""


class Formula:
    """Eligible lots, additions and process. ``columns`` are what a solver may choose: lots, then free additions.

    Raises NoDose where no amounts satisfy the doses, and MissingProperty where a total of salt needs a figure that
    a liquid or an inclusion does not state. ``known`` has those of these and other lots, for many formulas.
    """

    def __init__(
        self, lots: Sequence[Ingredient], additions: Sequence[Addition], process: Process, known: Figures | None = None
    ) -> None:
        self.lots: tuple[Ingredient, ...] = tuple(lots)
        self.additions: tuple[Addition, ...] = tuple(additions)
        self.process = process
        self.free: tuple[Addition, ...] = tuple(a for a in additions if a.dosing is Dosing.FREE)
        self.dosed: tuple[Addition, ...] = tuple(a for a in additions if a.dosing is not Dosing.FREE)
        self.columns: tuple[Ingredient, ...] = (*self.lots, *(a.item for a in self.free))
        self.counts_salt = any(a.dosing is Dosing.TOTAL_SALT for a in self.dosed)
        self._drivers = self._solve_doses()
        self._carried: dict[Ingredient, tuple[tuple[Ingredient, Fraction], ...]] = {}
        self._carried_cost: dict[Ingredient, Fraction] = {}
        self.figures = Figures(self.lots) if known is None else known
        self.places = self.figures.places(self.lots)
        first: dict[tuple[object, ...], Ingredient] = {}
        # For each column the first that carries the same: most lots differ in nothing that a dose depends on.
        self._alike = {column: first.setdefault(self._depends_on(column), column) for column in self.columns}
        self._kinds = tuple(dict.fromkeys(self._alike.values()))
        at = {alike: k for k, alike in enumerate(self._kinds)}
        self.kind_of = np.array([at[self._alike[column]] for column in self.columns], dtype=np.int64)
        self._brought: dict[Quantity, tuple[Fraction, ...]] = {}
        self._totals: dict[tuple[Quantity, Fraction], Vector] = {}

    def carried(self, column: Ingredient) -> tuple[tuple[Ingredient, Fraction], ...]:
        """The dosed additions that one kilogram of a column brings along, in kilograms.

        With a mass already ground that is what is still to come: below zero where more of one is in than its dose.
        """
        alike = self._alike.get(column, column)
        if alike not in self._carried:
            weights, there = self._weights(alike), dict(alike.parts)
            shares = (dot(weights, rates) for rates in zip(*self._drivers, strict=True))
            doses = zip((a.item for a in self.dosed), shares, strict=True)
            self._carried[alike] = tuple((item, share - there.get(item, ZERO)) for item, share in doses)
        return self._carried[alike]

    def carried_cost(self, column: Ingredient) -> Fraction:
        """Money of the dosed additions that one kilogram of a column brings along."""
        alike = self._alike.get(column, column)
        if alike not in self._carried_cost:
            self._carried_cost[alike] = sum((share * item.cost_per_kg for item, share in self.carried(alike)), ZERO)
        return self._carried_cost[alike]

    def carried_costs(self) -> tuple[Fraction, ...]:
        """Money of the dosed additions for each kind of column; ``kind_of`` has each column's kind."""
        return tuple(self.carried_cost(alike) for alike in self._kinds)

    def _depends_on(self, column: Ingredient) -> tuple[object, ...]:
        """All that the doses for a kilogram of a column depend on."""
        if column.parts:
            return (column,)
        return column.kind is Kind.LOT, column.rework, stated(column, SALT) if self.counts_salt else None

    def total(self, quantity: Quantity, column: Ingredient) -> Fraction:
        """A quantity in one kilogram of a column together with the additions it carries."""
        return in_one_kg(quantity, column, self.process) + self._added(quantity, column)

    def _added(self, quantity: Quantity, column: Ingredient) -> Fraction:
        """A quantity in the additions that one kilogram of a column carries."""
        if quantity not in self._brought:
            amounts = [quantity.per_kg(a.item, self.process) for a in self.dosed]
            self._brought[quantity] = tuple(dot(amounts, driver) for driver in self._drivers)
        dosed = {a.item for a in self.dosed}
        known = ((item, share) for item, share in column.parts if item in dosed)
        there = sum((share * quantity.per_kg(item, self.process) for item, share in known), ZERO)
        return dot(self._weights(column), self._brought[quantity]) - there

    def totals(self, quantity: Quantity, scale: Fraction = ONE) -> Vector:
        """``scale`` times the ``total`` of every column, reckoned once. Raises MissingProperty."""
        key = quantity, scale
        if key not in self._totals and scale != 1:
            self._totals[key] = self.totals(quantity).times(scale)
        elif key not in self._totals:
            every, silent = self.figures.of(quantity, self.process)
            for place in np.intersect1d(silent, self.places) if len(silent) else ():
                in_one_kg(quantity, self.figures.items[place], self.process)
            own = every.at(self.places)
            if self.free:
                own = own.joined(Vector.of(quantity.per_kg(a.item, self.process) for a in self.free))
            added = [self._added(quantity, alike) for alike in self._kinds]
            self._totals[key] = own.plus(Vector.of(added).at(self.kind_of)) if any(added) else own
        return self._totals[key]

    def exact_batch(self, kilograms: Sequence[Fraction]) -> Batch:
        """The batch of these kilograms of the columns with every dosed addition at its exact amount."""
        items = dict(zip(self.columns, kilograms, strict=True)) | dict.fromkeys((a.item for a in self.dosed), ZERO)
        for column, weight in zip(self.columns, kilograms, strict=True):
            for item, share in self.carried(column) if weight else ():
                items[item] += weight * share
        return Batch({item: weight for item, weight in items.items() if weight}, self.process)

    def _weights(self, column: Ingredient) -> tuple[Fraction, ...]:
        if column.parts:  # additions of the formula that are in already count as part of their dose
            own = [a.item for a in self.dosed]
            each = [[share * w for w in self._weights(part)] for part, share in column.parts if part not in own]
            return tuple(sum(weights, ZERO) for weights in zip(*each, strict=True))
        lot = ONE if column.kind is Kind.LOT else ZERO
        fresh = ZERO if column.rework else lot
        salt = stated(column, SALT) / PERCENT if self.counts_salt else ZERO
        return ONE, fresh, salt, lot

    def _solve_doses(self) -> tuple[tuple[Fraction, ...], ...]:
        """Kilograms of each dosed addition for one of each driver: weight, fresh meat, salt, meat of the block."""
        lines, rights, per_batch = [], [], ZERO
        for addition in self.dosed:
            rate, total, of_meat = addition.rate, addition.dosing is Dosing.TOTAL_SALT, addition.basis is Basis.MEAT
            of_batch = ZERO if of_meat else rate
            if total:
                of_batch *= self.process.yield_fraction if addition.basis is Basis.FINISHED else ONE
                counted = [stated(a.item, SALT) / PERCENT for a in self.dosed]
                right = (of_batch, ZERO, -ONE, rate if of_meat else ZERO)
            else:
                per_batch += of_batch
                counted = [Fraction(a is addition) for a in self.dosed]
                right = (of_batch, rate if of_meat else ZERO, ZERO, ZERO)
            lines.append({k: quick(share - of_batch) for k, share in enumerate(counted) if share != of_batch})
            rights.append({k: quick(share) for k, share in enumerate(right) if share})
        found = solve(lines, rights)
        if found is None or per_batch >= 1:
            raise NoDose("the additions per kilogram of batch leave no room for the meat")
        return tuple(tuple(plain(line.get(k, ZERO)) for line in found) for k in range(4))


@dataclass(frozen=True)
class Batch:
    """Kilograms of every ingredient actually in a batch, the process that follows, what a laboratory found after."""

    kilograms: Mapping[Ingredient, Fraction]
    process: Process
    laboratory: dict[str, Fraction] = field(default_factory=dict)
    _amounts: dict[Quantity, Fraction] = field(default_factory=dict, init=False, repr=False, compare=False)

    @classmethod
    def together(cls, loads: Sequence[Batch], process: Process, laboratory: dict[str, Fraction]) -> Batch:
        """All loads as one."""
        items = dict.fromkeys(item for load in loads for item in load.kilograms)
        total = {item: sum((load.kilograms.get(item, ZERO) for load in loads), ZERO) for item in items}
        return cls(total, process, laboratory)

    def amount(self, quantity: Quantity) -> Fraction:
        """A quantity over the whole batch. Raises MissingProperty where an ingredient does not state it."""
        if quantity not in self._amounts:
            parts = ((in_one_kg(quantity, item, self.process), kg) for item, kg in self.kilograms.items())
            self._amounts[quantity] = sum((share * kg for share, kg in parts if share), ZERO)
        return self._amounts[quantity]


def dot(left: Sequence[Fraction], right: Sequence[Fraction]) -> Fraction:
    """The sum of products."""
    return sum((a * b for a, b in zip(left, right, strict=True) if a and b), ZERO)
