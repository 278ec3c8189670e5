"""Where a function falls through zero, for a batch at once: held against scipy's own root finder."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from loopdesign.orbit.search.crossing import MOST_STEPS, falls_through_zero

SHAPES = {
    "straight": lambda x, at: at - x,
    "steep at first": lambda x, at: np.sqrt(at) - np.sqrt(x),
    "a long flat end": lambda x, at: at**9 - x**9,
    "one of a resonance": lambda x, at: np.arctan(40.0 * (at - x)),
}


@given(
    st.lists(st.floats(0.02, 0.98), min_size=1, max_size=4),
    st.sampled_from(sorted(SHAPES)),
    st.sampled_from([8, 14, 30]),
)
def test_the_place_is_found_within_its_halvings(places, shape, halvings):
    at, f = np.array(places), SHAPES[shape]
    calls = 0

    def value(x):
        nonlocal calls
        calls += 1
        return f(x, at)

    found = falls_through_zero(value, np.zeros_like(at), np.ones_like(at), halvings=halvings)
    expected = [brentq(lambda x, a=a: f(x, a), 0.0, 1.0, xtol=1e-14) for a in at]
    assert found == pytest.approx(expected, abs=0.5**halvings)
    assert calls <= MOST_STEPS * halvings + 1


def test_chords_need_fewer_steps_than_halvings():
    """What it is for: thirty halvings of a smooth function take a third of the steps."""
    calls = []

    def value(x):
        calls.append(x)
        return np.exp(-x) - 0.7

    found = falls_through_zero(value, np.zeros(3), np.array([1.0, 2.0, 5.0]), halvings=30)
    assert found == pytest.approx(np.full(3, -np.log(0.7)), abs=1e-8)
    assert len(calls) <= 12


def test_ends_that_say_nothing_are_halved():
    """A value above zero where it is taken to be below, and brackets without width."""
    found = falls_through_zero(lambda x: np.where(x < 0.3, 1.0, 2.0), np.zeros(2), np.array([1.0, 0.0]), halvings=10)
    assert found[0] == pytest.approx(1.0, abs=2e-3)  # it never falls: the end itself
    assert found[1] == 0.0
