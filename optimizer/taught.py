"""What measurements say together: the lots' figures and the tests of what was ground from them, by least squares.

A lot's figure is a measurement with a stated standard deviation, the test of a batch another, of its lots' mean by
weight. The best linear unbiased estimate is that of generalised least squares (Aitken, Proceedings of the Royal Society
of Edinburgh 55, 1935, 42-48), with the covariance that a shared test leaves between lots. It is reckoned in floating
point and rounded to a thousandth of a point: a figure that is known to half a point has no exact value, and roots are
needed anyway.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, sqrt

import numpy as np
import numpy.typing as npt

from constraints.as_typed import ZERO
from constraints.formula import Batch
from constraints.quantities import FAT, MOISTURE, PROTEIN, Lot, stated
from optimizer.record import Figure, Record

PLACES = 3
"""Decimals of a point that an estimate is kept to."""
OUT_OF_LINE = 2
"""Standard errors by which a lot moves before it is named: about one in twenty by chance."""
LEAN = (MOISTURE, PROTEIN, "collagen_pct")
"""What keeps its share of all that is not fat where a figure of fat moves."""
_Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Assay:
    """A figure found of a mixture: each lot's share by weight, the points from what is no lot, and its error."""

    shares: Mapping[str, Fraction]
    figure: Fraction
    sd: Fraction
    rest: Fraction = ZERO


class LotTaught(Record):
    """What the test says of a lot's fat beside what was typed; its move in standard errors of its own."""

    lot: str
    typed_fat_pct: Figure
    fat_pct: Figure
    fat_sd_pct: Figure
    standard_errors: Figure
    out_of_line: bool


@dataclass(frozen=True)
class Taught:
    """Figures and covariance of the lots, percentage points; ``moved`` is a lot's move in its own standard errors.

    ``known`` is each lot's figure and standard deviation before.
    """

    known: Mapping[str, tuple[Fraction, Fraction]]
    figures: _Array
    covariance: _Array
    moved: _Array

    def of(self, name: str) -> tuple[Fraction, Fraction]:
        """Figure and standard deviation of a lot, to a thousandth of a point, the second rounded up.

        What is shared with other lots is added where it would make a blend of them less sure than each for itself: no
        blend then has an error above that of lots taken as independent.
        """
        i = list(self.known).index(name)
        shared = np.maximum(np.delete(self.covariance[i], i), 0).sum()
        unit, sd = 10**PLACES, sqrt(self.covariance[i, i] + shared)
        return Fraction(round(min(max(float(self.figures[i]), 0), 100) * unit), unit), Fraction(ceil(sd * unit), unit)

    @property
    def out_of_line(self) -> tuple[str, ...]:
        """The lots that moved by more than chance explains, the farthest in points first."""
        rows = zip(self.known, self.known.values(), self.figures, self.moved, strict=True)
        far = {name: -abs(figure - float(old)) for name, (old, _), figure, moved in rows if abs(moved) > OUT_OF_LINE}
        return tuple(sorted(far, key=far.__getitem__))

    @property
    def lots(self) -> list[LotTaught]:
        """What is said of each lot."""
        found, far = ((name, *self.of(name)) for name in self.known), self.out_of_line
        return [
            LotTaught(lot=name, typed_fat_pct=self.known[name][0], fat_pct=fat, fat_sd_pct=sd, standard_errors=moved,
                      out_of_line=name in far)
            for (name, fat, sd), moved in zip(found, self.moved, strict=True)
        ]  # fmt: skip


def assay_of(batch: Batch, fat: Fraction, sd: Fraction) -> Assay:
    """The fat found of a whole batch as a test of its lots. Raises MissingProperty."""
    mass = sum(batch.kilograms.values(), ZERO)
    shares = {item.name: kg / mass for item, kg in batch.kilograms.items() if isinstance(item, Lot)}
    others = ((item, kg) for item, kg in batch.kilograms.items() if not isinstance(item, Lot))
    return Assay(shares, fat, sd, sum((kg * stated(item, FAT) for item, kg in others), ZERO) / mass)


def estimate(known: Mapping[str, tuple[Fraction, Fraction]], tests: Sequence[Assay]) -> Taught:
    """Combine each lot's figure and standard deviation, percentage points, with the tests of mixtures of these lots."""
    names = tuple(known)
    before = np.array([float(known[name][0]) for name in names])
    spread = np.diag([float(known[name][1]) ** 2 for name in names])
    mix = np.array([[float(test.shares.get(name, 0)) for name in names] for test in tests]).reshape(-1, len(names))
    found = np.array([float(test.figure - test.rest) for test in tests])
    errors = mix @ spread @ mix.T + np.diag([float(test.sd) ** 2 for test in tests])
    gain = np.linalg.solve(errors, mix @ spread).T if tests else np.zeros((len(names), 0))
    figures = before + gain @ (found - mix @ before)
    covariance = spread - gain @ mix @ spread
    off = np.sqrt(np.maximum(np.diag(spread - covariance), 0))
    moved = np.divide(figures - before, off, out=np.zeros(len(names)), where=off > 0)
    return Taught(known, figures, (covariance + covariance.T) / 2, moved)
