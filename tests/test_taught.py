"""What tests say of the lots, against numpy's least squares, a published example, and 10,000 drawn kitchens."""

from __future__ import annotations

from fractions import Fraction
from math import sqrt

import numpy as np
import pytest

from optimizer.taught import Assay, estimate

F = Fraction


def kitchen(seed: int) -> tuple[list[str], np.ndarray, np.ndarray, list[Assay]]:
    """Lots with their figures and errors, and tests of mixtures of some of them."""
    draw = np.random.default_rng(seed)
    names = [f"L{k}" for k in range(int(draw.integers(1, 6)))]
    typed, sds = draw.uniform(5, 90, len(names)).round(2), draw.uniform(0.2, 3, len(names)).round(2)
    tests = []
    for _ in range(int(draw.integers(0, 5))):
        shares = draw.dirichlet(np.ones(len(names)))
        rest = draw.uniform(0, 1)
        tests.append(Assay(dict(zip(names, map(F, shares * 0.95), strict=True)), F(draw.uniform(10, 50)),
                          F(draw.uniform(0.3, 2)), F(rest)))  # fmt: skip
    return names, typed, sds, tests


@pytest.mark.parametrize("seed", range(30))
def test_it_is_numpys_weighted_least_squares(seed: int) -> None:
    """Every figure and test as a line divided by its standard deviation (Aitken 1935): numpy.linalg.lstsq."""
    names, typed, sds, tests = kitchen(seed)
    found = estimate({n: (F(x), F(s)) for n, x, s in zip(names, typed, sds, strict=True)}, tests)
    mixed = [[float(t.shares[n]) / float(t.sd) for n in names] for t in tests]
    lines = np.vstack([np.diag(1 / sds), np.array(mixed).reshape(-1, len(names))])
    seen = np.concatenate([typed / sds, [float(t.figure - t.rest) / float(t.sd) for t in tests]])
    want = np.linalg.lstsq(lines, seen, rcond=None)[0]
    spread = np.linalg.inv(lines.T @ lines)
    assert found.figures == pytest.approx(want, abs=1e-8)
    assert found.covariance == pytest.approx(spread, abs=1e-8)
    for i, name in enumerate(names):
        figure, sd = found.of(name)
        assert float(figure) == pytest.approx(min(max(want[i], 0), 100), abs=6e-4)
        shared = sum(max(spread[i, j], 0) for j in range(len(names)) if j != i)
        assert -1e-9 <= float(sd) - sqrt(spread[i, i] + shared) <= 0.001 + 1e-9  # rounded up
        assert (figure * 1000).denominator == (sd * 1000).denominator == 1


def test_the_error_of_no_blend_is_understated_by_that_of_its_lots() -> None:
    """Lots that share a test err together; what is stated of each covers every blend of them."""
    for seed in range(200):
        names, typed, sds, tests = kitchen(seed)
        found = estimate({n: (F(x), F(s)) for n, x, s in zip(names, typed, sds, strict=True)}, tests)
        kg = np.random.default_rng(seed).uniform(0, 9, len(names))
        stated = sum((x * float(found.of(n)[1])) ** 2 for x, n in zip(kg, names, strict=True))
        assert kg @ found.covariance @ kg <= stated * (1 + 1e-3) + 1e-4


def test_a_published_example() -> None:
    """Three measurements of a resistance, 11 +- 1, 12 +- 1 and 10 +- 3 ohm: 11.42 +- 0.69.

    J. R. Taylor, An Introduction to Error Analysis, 2nd ed. 1997, section 7.3 (from memory).
    """
    found = estimate({"R": (F(11), F(1))}, [Assay({"R": F(1)}, F(12), F(1)), Assay({"R": F(1)}, F(10), F(3))])
    by_hand = (F(11) + 12 + F(10, 9)) / (1 + 1 + F(1, 9))
    assert float(found.figures[0]) == pytest.approx(float(by_hand)) and round(float(by_hand), 2) == 11.42
    assert sqrt(found.covariance[0, 0]) == pytest.approx((1 + 1 + 1 / 9) ** -0.5)
    assert abs(float(found.of("R")[1]) - 0.688) <= 0.0011


def test_the_stated_errors_hold_in_ten_thousand_draws() -> None:
    """95 % intervals of each lot hold the truth in 95 % of draws, within three standard errors of that share."""
    draw, names = np.random.default_rng(20261125), ("A", "B", "C")
    truth, sds, shares = np.array([18.0, 52.0, 30.0]), np.array([1.5, 2.5, 2.0]), ((0.6, 0.3, 0.1), (0.2, 0.0, 0.8))
    inside, draws = np.zeros(3), 10_000
    for typed, seen in zip(draw.normal(truth, sds, (draws, 3)), draw.normal(0, (0.5, 1.0), (draws, 2)), strict=True):
        tests = [
            Assay(dict(zip(names, map(F, mix), strict=True)), F(float(truth @ mix) + off), F(sd))
            for mix, off, sd in zip(shares, seen, (0.5, 1.0), strict=True)
        ]
        found = estimate({n: (F(x), F(s)) for n, x, s in zip(names, typed, sds, strict=True)}, tests)
        inside += np.abs(found.figures - truth) <= 1.959964 * np.sqrt(np.diag(found.covariance))
    room = 3 * sqrt(0.95 * 0.05 / draws)
    assert inside / draws == pytest.approx(0.95, abs=room)


def test_the_lot_that_two_tests_point_at_is_out_of_line() -> None:
    known = {"A": (F(18), F(1)), "B": (F(52), F(1)), "C": (F(30), F(1))}
    half = F(1, 2)
    tests = [Assay({"A": half, "B": half}, F(39), F(1, 5)), Assay({"A": half, "C": half}, F(28), F(1, 5))]
    found = estimate(known, tests)
    assert found.out_of_line[0] == "A" and found.moved[0] > 2
    assert estimate(known, [Assay({"A": half, "B": half}, F(35), F(1, 2))]).out_of_line == ()
    assert estimate(known, []).figures == pytest.approx([18, 52, 30])


@pytest.mark.parametrize(("off", "named"), [("2.82", ()), ("-2.82", ()), ("2.83", ("A",)), ("-2.83", ("A",))])
def test_a_lot_is_named_beyond_two_standard_errors(off: str, named: tuple[str, ...]) -> None:
    """Two figures of one point each differ by a standard error of sqrt(2): twice that is 2.828 points."""
    found = estimate({"A": (F(40), F(1))}, [Assay({"A": F(1)}, F(40) + F(off), F(1))])
    assert found.out_of_line == named


def test_a_figure_stays_between_nothing_and_all() -> None:
    for typed, seen, said in (
        ("99.6", "99.6", "99.6"),
        ("99.8", "102", "100"),
        ("0.4", "0.4", "0.4"),
        ("0.5", "-2", "0"),
    ):
        found = estimate({"A": (F(typed), F(1))}, [Assay({"A": F(1)}, F(seen), F(1))])
        assert found.of("A")[0] == F(said)
