"""Vectors against fractions one by one: sums, factors, joins and likeness, also where 64 bits do not hold them."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from constraints.row import Vector

FIGURES = st.one_of(
    st.fractions(min_value=-1000, max_value=1000, max_denominator=1000),
    st.fractions(min_value=-(10**25), max_value=10**25, max_denominator=10**12),
)
PAIRS = st.lists(st.tuples(FIGURES, FIGURES), min_size=1, max_size=8)


@settings(max_examples=200, deadline=None)
@given(PAIRS, FIGURES)
def test_vectors_reckon_as_fractions_do(pairs: list[tuple[Fraction, Fraction]], factor: Fraction) -> None:
    left, right = [a for a, _ in pairs], [b for _, b in pairs]
    a, b = Vector.of(left), Vector.of(right)
    assert list(a.plus(b, factor)) == [x + factor * y for x, y in pairs]
    assert list(a.times(factor)) == [factor * x for x in left]
    assert list(a.joined(b)) == left + right
    assert a == left and a[0] == a.first == left[0] and len(a) == len(left)
    places = np.array([len(left) - 1, 0])
    assert list(a.at(places)) == [left[-1], left[0]]
    assert a.plus(b, factor).top >= max(abs(int(n)) for n in a.plus(b, factor).num)
    assert np.allclose(a.floats, [float(x) for x in left], rtol=1e-12, atol=0)


@pytest.mark.parametrize("bits", range(54, 70))
@pytest.mark.parametrize("halvings", [1, 3, 9, 40])
def test_sums_at_the_machines_edge_are_exact(bits: int, halvings: int) -> None:
    """A sum over a finer denominator takes more bits; what is made of it afterwards is exact too."""
    left = [Fraction(2**bits - 1), Fraction(-(2**bits) + 3)]
    right = [Fraction(1, 2**halvings), Fraction(2**bits - 1, 2**halvings)]
    found, plain = Vector.of(left), left
    for factor in (Fraction(1), Fraction(3, 7), Fraction(-5)):
        found, plain = found.plus(Vector.of(right), factor), [x + factor * y for x, y in zip(plain, right, strict=True)]
        assert list(found) == plain
        assert found.top >= max(abs(int(n)) for n in found.num)
        assert list(found.times(Fraction(9))) == [9 * x for x in plain]
        assert list(found.plus(found)) == [2 * x for x in plain]


@settings(max_examples=200, deadline=None)
@given(st.lists(FIGURES.filter(lambda x: x > 0), min_size=1, max_size=6), FIGURES, st.booleans())
def test_alike_says_whether_a_ratio_is_the_same_everywhere(under: list[Fraction], ratio: Fraction, off: bool) -> None:
    over = [ratio * x for x in under]
    over[-1] += off
    same = len({x / y for x, y in zip(over, under, strict=True)}) == 1
    assert Vector.of(over).alike(Vector.of(under)) == same
    assert not Vector.of([*over, 1]).alike(Vector.of([*under, 0]))
