"""A program with cones in units of its own, exactly: what a solver takes as nothing then knows no unit.

Kilograms are counted in hundredths of the batch, money in thousandths of what a batch of the dearest column costs, and
every row and cone over its largest coefficient; whole numbers stay as they are. The same kitchen priced or weighed in
any unit is the same program to the last digit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.cone import Cone
from constraints.row import Row
from optimizer.solver.cutting import Found
from optimizer.solver.model import Program
from optimizer.solver.optimum import Optimum, Ranks

_ZERO, _ONE = Fraction(0), Fraction(1)
_BATCH, _DEAREST = 100, 1000
"""Units in the batch, and money that a batch of the dearest column costs in units."""


@dataclass(frozen=True)
class Units:
    """What one unit is of: ``mass`` (kilograms), ``money``, each of the ``variables``, ``rows`` and ``cones``."""

    mass: Fraction
    money: Fraction
    variables: tuple[Fraction, ...]
    rows: tuple[Fraction, ...]
    cones: tuple[Fraction, ...]

    @classmethod
    def of(cls, program: Program, cones: Iterable[Cone]) -> Units:
        """The units of a program; its columns that need not be whole are kilograms."""
        counted = [v.whole for v in program.variables]
        mass = _size(program, counted) / _BATCH or _ONE
        variables = tuple(_ONE if whole else mass for whole in counted)
        dearest = max((abs(v.cost) * u for v, u in zip(program.variables, variables, strict=True)), default=_ZERO)

        def largest(line: Row | Cone) -> Fraction:
            return max((abs(a) * variables[j] for j, a in line.terms), default=_ZERO) or _ONE

        rows, bent = tuple(map(largest, program.rows)), tuple(map(largest, cones))
        return cls(mass, dearest * _BATCH / _DEAREST or _ONE, variables, rows, bent)

    def program(self, program: Program) -> Program:
        """The program in these units."""
        variables = tuple(
            replace(v, cost=v.cost * u / self.money, lo=v.lo / u, hi=v.hi / u)
            for v, u in zip(program.variables, self.variables, strict=True)
        )
        return Program(variables, tuple(self._row(r, unit) for r, unit in zip(program.rows, self.rows, strict=True)))

    def bent(self, cones: Iterable[Cone]) -> tuple[Cone, ...]:
        """Cones in these units."""
        found = []
        for cone, unit in zip(cones, self.cones, strict=True):
            errors = tuple(tuple((j, a * self.variables[j] / unit) for j, a in source) for source in cone.errors)
            found.append(replace(cone, coefs=self._line(cone.coefs, unit), limit=cone.limit / unit, errors=errors))
        return tuple(found)

    def ranks(self, ranks: Ranks) -> Ranks:
        """The order of use in these units."""
        share = [u / self.mass for u in self.variables]
        levels = tuple({j: kg * share[j] for j, kg in level.items()} for level in ranks.levels)
        return Ranks(levels, tuple(kg * u for kg, u in zip(ranks.places, share, strict=False)))

    def back(self, found: Found) -> Found:
        """What was found, in the units of the program."""
        unit = [self.cones[c] for c in found.of] or [_ONE] * len(found.cuts)
        cuts = tuple(
            Row(cut.label, tuple(a * u / v for a, v in zip(cut.coefs, self.variables, strict=True)),
                _by(cut.lo, u), _by(cut.hi, u))
            for cut, u in zip(found.cuts, unit, strict=True)
        )  # fmt: skip
        plain = None if found.plain is None else self._optimum(found.plain, ())
        point = tuple(x * u for x, u in zip(found.point, self.variables, strict=False))
        return replace(found, optimum=self._optimum(found.optimum, unit), cuts=cuts, point=point, plain=plain)

    def _optimum(self, optimum: Optimum, cuts: Iterable[Fraction]) -> Optimum:
        values = tuple(x * u for x, u in zip(optimum.values, self.variables, strict=False))
        prices = tuple(p * self.money / u for p, u in zip(optimum.prices, (*self.rows, *cuts), strict=False))
        reported = None if optimum.reported is None else optimum.reported * float(self.money)
        return replace(optimum, values=values, cost=optimum.cost * self.money, bound=_by(optimum.bound, self.money),
                       reported=reported, prices=prices)  # fmt: skip

    def _row(self, row: Row, unit: Fraction) -> Row:
        return Row(row.label, self._line(row.coefs, unit), _by(row.lo, 1 / unit), _by(row.hi, 1 / unit))

    def _line(self, coefs: Iterable[Fraction], unit: Fraction) -> tuple[Fraction, ...]:
        return tuple(a * u / unit if a else a for a, u in zip(coefs, self.variables, strict=True))


def in_units(program: Program, cones: tuple[Cone, ...], ranks: Ranks, find: Callable[..., Found]) -> Found:
    """What ``find`` finds in the program's own units, in the program's units again."""
    units = Units.of(program, cones)
    return units.back(find(units.program(program), units.bent(cones), units.ranks(ranks)))


def _size(program: Program, counted: list[bool]) -> Fraction:
    """The largest limit of a row in kilograms of its largest column, else the largest bound."""
    sizes = []
    for row in program.rows:
        free = max((abs(a) for j, a in row.terms if not counted[j]), default=_ZERO)
        if free:
            sizes += [abs(limit) / free for limit in (row.lo, row.hi) if limit is not None]
    bounds = (max(abs(v.lo), abs(v.hi)) for v, whole in zip(program.variables, counted, strict=True) if not whole)
    return max(sizes, default=_ZERO) or max(bounds, default=_ZERO)


def _by(figure: Fraction | None, unit: Fraction) -> Fraction | None:
    return None if figure is None else figure * unit
